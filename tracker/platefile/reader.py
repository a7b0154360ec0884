"""The fast reader, and the door of this room: a plate file in, its facts out."""

from __future__ import annotations

import gc
import re
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from itertools import pairwise
from typing import BinaryIO, TypedDict

from tracker.lazy_modules import np
from tracker.platefile import scan, settings_block
from tracker.platefile.consistency import contradictions
from tracker.platefile.digest import USUAL_DIAMETER_MM, Digest, PerTool
from tracker.platefile.facts import Plate, ReadAs
from tracker.platefile.gather import Gatherer
from tracker.platefile.islands import settle
from tracker.platefile.lines import Changes, Channels, OtherLines
from tracker.platefile.meaning import ENDS, Meaning, of_line
from tracker.platefile.motion import Follower
from tracker.platefile.plain import Plain
from tracker.platefile.state import State
from tracker.platefile.tally import Tally
from tracker.platetext.containers import copied, unpacked
from tracker.platetext.source import CHUNK_BYTES, Progress, Source, check, chunks, opened, size_of

_LOOKED_AT = 1 << 20
_E_MODE = re.compile(rb"^[ \t]*(?:N\d+[ \t]*)?M8[23]\b", re.IGNORECASE | re.MULTILINE)
_MOVE = re.compile(
    rb"^[ \t]*(?:N\d+[ \t]*)?G0*[0-3][ \t]*[XYFIJRZ][^;\n\r]*?E[ \t]*([-+]?(?:\d+\.?\d*|\.\d+))",
    re.IGNORECASE | re.MULTILINE,
)
_FALLING_SHARE = 0.2


def e_is_relative(stream: BinaryIO) -> bool:
    """Guess from the first MiB how E is read until the file says so; the stream stays where it is.

    With absolute E the counter rises from one depositing move to the next; with
    relative E about every second value is less than the one before.
    """
    here = stream.tell()
    head = stream.read(_LOOKED_AT)
    stream.seek(here)
    # What is behind the first M82 or M83 needs no guess.
    command = _E_MODE.search(head)
    end = command.start() if command else len(head)
    values = [float(found) for found in _MOVE.findall(head[:end])]
    # Nothing to go by: absolute, as firmware powers up.
    if not values:
        return False
    falling = sum(b < a for a, b in pairwise(values))
    # A fifth and not a half: runs of equal lines give equal increments, which neither rise nor fall.
    return falling > _FALLING_SHARE * len(values)


_HEATS = re.compile(rb"^[ \t]*M10[49]\b", re.MULTILINE)
_AXIS_A_MOVE = re.compile(rb"^[ \t]*G0*[0-3]\b[^;\n\r]*?[XY][^;\n\r]*?A[-+.\d]", re.MULTILINE)
_A_WORD = re.compile(rb"^([ \t]*(?:G0*[0-3]|G92)\b[^;\n]*?)A(?=[-+.\d])", re.MULTILINE)
_AXIS_A = "the extruder is called A in this file; read as E"


def calls_extruder_a(stream: BinaryIO) -> bool:
    """Tell whether moves push filament by A and never by E, as dialects of milling controls do.

    A heated nozzle tells them from mills with a rotary axis.
    """
    here = stream.tell()
    head = stream.read(_LOOKED_AT)
    stream.seek(here)
    return not _MOVE.search(head) and bool(_HEATS.search(head) and _AXIS_A_MOVE.search(head))


def as_e(stream: BinaryIO) -> BinaryIO:
    """Return a copy of a text in which the extruder is called E."""
    pieces = (_A_WORD.sub(rb"\1E", piece) for piece in chunks(stream, CHUNK_BYTES))
    return copied(pieces, size_of(stream))


_HEAP_BYTES = 31 << 20
_WHOLE_WORDS = re.compile(rb"\s*[GMTgmt]\s*\d+(?:\s*[A-Za-z]\s*[-+]?(?:\d+\.?\d*|\.\d+)?)*\s*(?:[;(*].*)?")
_WRITTEN_BY_PROGRAM = 20
"""A block of so many settings is written by a program, which ends its lines."""
_CUT_WORD = re.compile(rb"[A-Za-z]\s*[-+]?$|\.$")


def last_line(tally: Tally, line: bytes) -> bytes:
    """Judge a last line that no line end follows, and return what is to be read of it.

    Half a command is dropped; a move, or a line of a long block of settings, may have lost its end.
    """
    meanings = of_line(line)
    if ENDS in meanings and _WHOLE_WORDS.fullmatch(line) and not _CUT_WORD.search(line):
        return line + b"\n"
    begins = line.lstrip()[:1].upper()
    if begins in (b"G", b"M", b"T") and (_CUT_WORD.search(line) or not _WHOLE_WORDS.fullmatch(line)):
        tally.cuts.append("the last line breaks off inside a command")
        return b"\n"
    if begins == b"G":
        tally.cuts.append("the last line is a move without a line end")
    elif len(tally.state.settings) >= _WRITTEN_BY_PROGRAM and begins == b";":
        tally.cuts.append("the last setting has no line end")
    return line + b"\n"


class Reader:
    """Reads one plate.

    Args:
        relative_e: How E is read before the file says so.
        g90_sets_e: Whether G90 and G91 set E too.
        separate: Whether parts of one marked object that nowhere touch are told apart.
        volumetric_mm: Diameter of the filament where E is a volume from the start; 0 where it is a length.
    """

    def __init__(
        self,
        *,
        relative_e: bool = False,
        g90_sets_e: bool = False,
        separate: bool = False,
        volumetric_mm: float = 0.0,
    ) -> None:
        self.state = State(relative_e=relative_e, g90_sets_e=g90_sets_e, volumetric_mm=volumetric_mm)
        self.tally = Tally(self.state)
        self._separate = separate
        self._others = OtherLines(self.state)
        self._follower = Follower(self.tally, self._others.widths.values, separate=separate)
        self._gatherer = Gatherer(self.tally)
        self._numbers: list[tuple[int, int, int, bool]] = []

    def read(self, stream: BinaryIO, size: int, progress: Progress | None = None) -> Tally:
        """Read all of it and return the sums.

        Args:
            stream: Stands at the start of the text.
            size: Bytes to read at a time.
            progress: Is told bytes done and bytes in all.
        """
        # An allocator that has once freed a large block keeps the memory of smaller ones; without it every
        # column of every chunk would be fetched from the system again, which doubles the time. Untouched,
        # the block itself takes no memory.
        np.empty(_HEAP_BYTES, np.uint8)
        for chunk in chunks(stream, size, progress):
            self._chunk(chunk if chunk.endswith(b"\n") else last_line(self.tally, chunk))
        self._gatherer.settle(last=True)
        self._follower.finish()
        finder = self._follower.finder
        settle(self.tally, finder.roots, keep=self._separate or not finder.marked)
        return self.tally

    def _chunk(self, chunk: bytes) -> None:
        found = scan.scan(chunk)
        channels = self._channels(self._others.apply(chunk, found))
        start = 0
        for line, cut in [*self._others.cuts, (len(found.kinds), ("end",))]:
            if line > start:
                rows = self._follower.span(found, self._others.dwells, channels, start, line)
                if rows is not None:
                    self._gatherer.take(rows)
            start = max(start, line)
            self._cut(cut)
        # Chunk by chunk, or the rows of a large plate would all lie in memory at once.
        self._gatherer.settle()
        if self._follower.last_line >= 0:
            self.tally.ended = False
        self.tally.ended |= self._others.end_line > self._follower.last_line
        self._follower.last_line = -1

    def _cut(self, cut: Meaning) -> None:
        if cut[0] == "home":
            self._follower.walker.home(cut[1])
        elif cut[0] == "position":
            self._follower.walker.call_position(cut[1], cut[2])

    def _channels(self, changes: Changes) -> Channels:
        """Take the modal states apart into what the rows need."""
        state = self.state
        for one in self._others.modals.values[len(self._numbers) :]:
            owner = state.owners((state.contexts(one.context), one.feature))
            self._numbers.append((owner, state.plans(one.plan), state.modes(one.mode), one.outer))
        tables = np.array(self._numbers).T
        held = changes.modal.fixed()
        owner_held, plan, mode, outer = (held.through(table) for table in tables)
        return Channels(
            owner_held, plan, mode, outer, changes.width.fixed(), changes.visit.fixed(), changes.mark.fixed()
        )


def read_plate(
    source: Source,
    *,
    filament_diameter_mm: PerTool = None,
    density_g_cm3: PerTool = None,
    progress: Progress | None = None,
    read_as: ReadAs = ReadAs(),  # noqa: B008 - it cannot be changed
    chunk_bytes: int = CHUNK_BYTES,
) -> Plate:
    """Read a plate file: RepRap-style G-code as text, binary, compressed, or in a container.

    Memory stays bounded whatever the file's length.

    Args:
        source: A path, bytes, or a binary file that is at its start.
        filament_diameter_mm: As measured; None takes it from the file, else 1.75. Several are those of the
            tools that lay, in their order.
        density_g_cm3: Of the spool; None takes it from the file, and no mass is given if that has none.
            Several as above.
        progress: Is told bytes done and bytes in all.
        read_as: How to read what allows more than one reading, and which plate of a container.
        chunk_bytes: Bytes read at a time; the facts do not depend on it.

    Raises:
        WhichPlate: The file holds several plates, and none is named.
        PlateRefused: The file is damaged beyond use, a picture, no text, empty, or deposits nothing.
    """
    with ExitStack() as stack:
        file = stack.enter_context(opened(source))
        packed = stack.enter_context(unpacked(file, read_as.plate))
        stack.enter_context(_uncollected())
        stream = packed.stream
        check(stream)
        remarks = [_AXIS_A] if calls_extruder_a(stream) else []
        if remarks:
            stream = stack.enter_context(as_e(stream))
        start = stream.tell()
        relative = e_is_relative(stream) if read_as.relative_e is None else read_as.relative_e
        options: Options = {
            "relative_e": relative,
            "g90_sets_e": read_as.g90_sets_e,
            "separate": bool(read_as.separate),
            "volumetric_mm": _diameter(filament_diameter_mm) if read_as.volumetric else 0.0,
        }

        def digested() -> Plate:
            stream.seek(start)
            tally = _tally(stream, options, chunk_bytes, progress)
            tally.cuts += packed.notes
            tally.problems += [*remarks, *_other_reading(tally, sets=options["g90_sets_e"])]
            digest = Digest(tally, filament_diameter_mm, density_g_cm3, separate=bool(read_as.separate))
            return digest.plate()

        plate = digested()
        if read_as.volumetric is None and _is_volume(plate):
            options["volumetric_mm"] = plate.filament_diameter_mm
            plate = digested()
            assumption = (
                "E was taken as a volume in mm³, as the file's own totals have it, though no M200 says so"
            )
            plate = replace(plate, problems=(*plate.problems, assumption))
        return replace(plate, read_as=read_as, contradictions=contradictions(plate, stream, start))


def _diameter(given: PerTool) -> float:
    first = given if given is None or isinstance(given, int | float) else next(iter(given), None)
    return first or USUAL_DIAMETER_MM


class Options(TypedDict):
    """How a reader is to read."""

    relative_e: bool
    g90_sets_e: bool
    separate: bool
    volumetric_mm: float


def _tally(stream: BinaryIO, options: Options, size: int, progress: Progress | None) -> Tally:
    """Read a plate; with the plain reader where the fast one fails, and then the plate says so."""
    start = stream.tell()
    try:
        return Reader(**options).read(stream, size, progress)
    except Exception as error:
        stream.seek(start)
        data = stream.read(_PLAIN_BYTES + 1)
        if len(data) > _PLAIN_BYTES:
            raise
        tally = Plain(**options).read(data)
        why = f"the fast reader failed ({type(error).__name__})"
        tally.problems.append(f"read line by line, because {why}: please report this file")
        return tally


def _is_volume(plate: Plate) -> bool:
    """Tell whether E is a volume although no M200 says so: by its settings, or by the totals it states."""
    if plate.volumetric:
        return False
    setting = settings_block.volumetric(dict(plate.settings))
    stated = plate.stated.filament_mm3
    fits = bool(stated) and abs(plate.commanded_mm - (stated or 0.0)) <= _SAME_VOLUME * (stated or 0.0)
    return setting if setting is not None else fits


def _other_reading(tally: Tally, *, sets: bool) -> list[str]:
    """Return what to say where firmware differs in whether G90 and G91 set E too, if it changes anything."""
    length, other = sum(cell.filament for cell in tally.cells.values()), tally.other_mm
    if other is None or abs(other - length) <= _SAME_LENGTH * max(other, length):
        return []
    does, option = ("do", "leave --g90-sets-e out") if sets else ("do not", "--g90-sets-e")
    assumption = f"firmware differs in whether G90 and G91 set E too: read as if they {does} it is"
    return [f"{assumption} {length:.6g} mm of filament, else {other:.6g} mm; for that: {option}"]


_PLAIN_BYTES = 64 << 20
"""The plain reader keeps every row in memory; a longer text it does not try."""
_SAME_LENGTH, _SAME_VOLUME = 0.001, 0.02


@contextmanager
def _uncollected() -> Iterator[None]:
    """Put off the search for circular garbage: none is made here, and among many objects it takes long."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        # What was made meanwhile counts as old: else the next small object would set off a search of it all.
        gc.freeze()
        gc.unfreeze()
        if was:
            gc.enable()
