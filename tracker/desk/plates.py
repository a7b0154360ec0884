"""From a plate file to the pieces of a job, and back to the plate of a job that was printed."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from tracker.book import Book
from tracker.desk.platefacts import agreed_hint, cut_section, facts_of, stated_section, usual_set_points
from tracker.errors import Refused
from tracker.forms import FormError
from tracker.ids import job_id
from tracker.kinds import find
from tracker.kinds.job import kept_reading
from tracker.model import Job, Specimen
from tracker.orientation import checked_letters, in_words
from tracker.platefile import (
    FREE,
    PerTool,
    Plate,
    PlateObject,
    ReadAs,
    Source,
    corners_of,
    match_object,
    orientation_of,
    piece_named,
    read_gauge,
    read_plate,
)
from tracker.platemap import reading_order

_NUMBERED: Final = re.compile(r" #\d+$")
_ENDING: Final = re.compile(r"\.(stl|3mf|obj|step|stp|amf)\b", re.IGNORECASE)
_COPY: Final = re.compile(r"([._](stl|3mf|obj|step|stp|amf))?[_ ]id[_ ]\d+[_ ]copy[_ ]\d+$", re.IGNORECASE)
"""What slicers hang on a name where markers must be one word; it would make each copy a kind of its own."""
_SET: Final = {"nozzle_c": "nozzle_set_c", "bed_c": "bed_set_c", "chamber_c": "chamber_set_c",
               "fan_pct": "fan_set_pct"}  # fmt: skip
_WORDS: Final = {"nozzle_c": "nozzle", "bed_c": "bed", "chamber_c": "chamber"}
_SAME_C: Final = 1.0
_LARGE: Final = 8


@dataclass
class PlatePiece:
    """A piece of a plate as it will be entered.

    Attributes:
        thing: The object on the plate.
        name: Its name.
        orientation: Letters; empty where none can be derived.
        geometry: Id of the template; ``free`` for none.
        gauge: The gauge section as a person stated it; empty for that of the template.
        dummy: Printed only for the sake of the others' layer times.
    """

    thing: PlateObject
    name: str
    orientation: str
    geometry: str
    dummy: bool = False
    gauge: str = ""

    @property
    def kind(self) -> str:
        """The name without the number that tells alike ones apart."""
        return _NUMBERED.sub("", self.name)

    @property
    def body_tools(self) -> tuple[int, ...]:
        """The tools that laid it, without those of its skirt and support."""
        return tuple(use.tool for use in self.thing.tools if use.body_mm > 0)

    @property
    def gauge_open(self) -> bool:
        """Whether nobody knows its gauge section: no template does, and no person has stated it."""
        return self.geometry == FREE and not self.gauge and not self.dummy

    @property
    def words(self) -> str:
        """What is derived, for confirmation: ``ZXY (upright), 20 × 4 × 170 mm, iso527-1a``."""
        size = " × ".join(f"{side:.4g}" for side in self.thing.size_mm)
        letters = f"{self.orientation} ({in_words(self.orientation)})" if self.orientation else "no axis"
        note = orientation_of(self.thing).note
        own = gauge_words(self.thing, self.gauge) if self.gauge else ""
        return "; ".join(each for each in (f"{letters}, {size} mm, {self.geometry}", note, own) if each)


@dataclass
class PlateRead:
    """A plate with its pieces in reading order.

    Attributes:
        plate: All that is known of the file.
        pieces: As they will be numbered: back row first, from left to right.
        notes: What the person should know, one sentence each.
    """

    plate: Plate
    pieces: list[PlatePiece]
    notes: list[str] = field(default_factory=list)


def read_pieces(
    data: Source,
    *,
    density_g_cm3: PerTool = None,
    diameter_mm: PerTool = None,
    read_as: Mapping[str, Any] | None = None,
) -> PlateRead:
    """Read a plate and derive its pieces.

    Args:
        data: The file, open at its start or as bytes, or where it is.
        density_g_cm3: Of the material, where it is recorded; several are those of the tools that lay.
        diameter_mm: Of the filament, likewise.
        read_as: How to read what allows more than one reading: fields of `tracker.platefile.ReadAs`.

    Raises:
        PlateRefused: It is no readable plate; one line says what it is instead.
    """
    how = ReadAs.from_data(read_as)
    plate = _read_as(data, how, density_g_cm3, diameter_mm)
    if how.separate is None and any(thing.parts > 1 for thing in plate.objects):
        plate = _separated(data, plate, density_g_cm3, diameter_mm)
    pieces = [_derived(thing) for thing in reading_order(plate.objects)]
    _number(pieces, plate)
    if not pieces:
        raise FormError("The plate holds no piece", do="Nothing on it but skirt, purge or supports")
    return PlateRead(plate, pieces, _remarks(plate))


def _read_as(data: Source, how: ReadAs, density: PerTool, diameter: PerTool) -> Plate:
    if not isinstance(data, bytes | Path):
        data.seek(0)
    return read_plate(data, density_g_cm3=density, filament_diameter_mm=diameter, read_as=how)


def _separated(data: Source, plate: Plate, density: PerTool, diameter: PerTool) -> Plate:
    """Tell parts under one marker apart where every one of them is a test piece of its own.

    Where one fits no template they stay together, and the check before the print says so: a person decides.
    """
    apart = _read_as(data, replace(plate.read_as, separate=True), density, diameter)
    together = {thing.key for thing in plate.objects if thing.parts == 1}
    parts = [each for each in apart.objects if each.key.partition(" part ")[0] not in together]
    if any(match_object(each)[0].piece.id == FREE for each in parts):
        return plate
    assumption = f"{len(parts)} parts that share a marker fit a template each and are specimens of their own"
    return replace(apart, problems=(*apart.problems, f"{assumption}; --together makes one of them"))


def _derived(thing: PlateObject) -> PlatePiece:
    return PlatePiece(
        thing,
        # A name that a slicer cannot write on one line is no name that a label can hold.
        name=" ".join(_ENDING.sub("", _COPY.sub("", thing.name)).split())[:80],
        orientation=orientation_of(thing).letters,
        geometry=match_object(thing)[0].piece.id,
    )


def _number(pieces: Sequence[PlatePiece], plate: Plate) -> None:
    """Number pieces that came to share a name, in the order of the file, as those are that share it there."""
    place = {thing.key: number for number, thing in enumerate(plate.objects)}
    shared = Counter(piece.name for piece in pieces)
    seen: Counter[str] = Counter()
    for piece in sorted(pieces, key=lambda each: place[each.thing.key]):
        name = piece.name
        seen[name] += 1
        if shared[name] > 1:
            piece.name = f"{name} #{seen[name]}"


def _remarks(plate: Plate) -> list[str]:
    notes = []
    if not plate.complete:
        why = "; ".join(plate.problems) or "its end is missing"
        notes.append(f"The plate is incomplete ({why}): read as far as it goes, {plate.layers} layers.")
    else:
        notes += [f"{problem[:1].upper()}{problem[1:]}." for problem in plate.problems[:_LARGE]]
    if plate.objects_guessed:
        notes.append("The file marks no objects: its pieces were told apart as islands, a guess.")
    for what, words in _WORDS.items():
        notes += _unstated(plate, what, words)
    return notes


def _unstated(plate: Plate, what: str, words: str) -> list[str]:
    if getattr(plate.set_points, what).value is not None:
        return []
    hint = agreed_hint(what, plate.hints)
    if hint is None:
        return []
    option = f"--{words}-set {hint.value:g}"
    return [f"No command sets the {words}; {hint.origin!r} says {hint.value:g} °C: confirm with {option}."]


def mark_dummies(read: PlateRead, names: Sequence[str]) -> None:
    """Mark pieces that were printed for the others' layer times only.

    Args:
        read: The plate.
        names: Names or numbers of pieces.

    Raises:
        FormError: One names no piece, or nothing but dummies is left.
    """
    for name in names:
        for piece in _named(read, name):
            piece.dummy = True
    if all(piece.dummy for piece in read.pieces):
        raise FormError("Every piece is a dummy", do="Leave --dummy out where there is only one piece")


def give_geometries(read: PlateRead, given: Sequence[str]) -> None:
    """Give pieces the templates a person names: ``iso178`` for all, ``bar=iso178`` or ``3=iso178``.

    Raises:
        Refused: No such template, or no such piece.
    """
    for text in given:
        name, sign, template = text.rpartition("=")
        known = piece_named(template).id
        for piece in _named(read, name) if sign else [each for each in read.pieces if not each.dummy]:
            piece.geometry = known


def give_gauges(read: PlateRead, given: Sequence[str]) -> None:
    """Give pieces the gauge sections a person states: ``x:20-60`` for all, ``bar=x:20-60`` or ``3=z:5-15``.

    Raises:
        Refused: One cannot be read or misses its piece, or there is no such piece.
    """
    for text in given:
        name, sign, stated = text.rpartition("=")
        for piece in _named(read, name) if sign else [each for each in read.pieces if not each.dummy]:
            give_gauge(piece, stated)


def give_gauge(piece: PlatePiece, stated: str) -> None:
    """Give a piece the gauge section a person states.

    Raises:
        Refused: It cannot be read, or misses the piece.
    """
    gauge = read_gauge(stated).text
    stated_section(piece.thing, gauge)
    piece.gauge = gauge


def gauge_corners(piece: PlatePiece) -> tuple[tuple[float, float], ...]:
    """Return the corners of a piece's gauge section seen from above, mm; none of a range of heights."""
    window = cut_section(piece.thing, piece.geometry, piece.gauge or None).window
    return corners_of(window, piece.thing)


def gauge_words(thing: PlateObject, gauge: str) -> str:
    """Return what a stated gauge section holds: ``gauge section x 20 – 60 mm of its box, layers 1-25, …``.

    Raises:
        Refused: It misses the piece.
    """
    cut = stated_section(thing, gauge)
    layers = f"layers {cut.first_layer}-{cut.last_layer}"
    return f"gauge section {read_gauge(gauge).words}: {layers}, {cut.layer_time_median_s:.3g} s a layer"


def give_orientation(pieces: Sequence[PlatePiece], letters: str) -> None:
    """Give pieces the letters a person confirms."""
    for piece in pieces:
        piece.orientation = letters


def give_pieces(read: PlateRead, wanted: Sequence[tuple[str, str | None]]) -> None:
    """Give pieces the names and letters a person names.

    Where every name is that of an object, the objects get the letters. Else the names are given to the
    pieces in reading order, and there must be as many.

    Args:
        read: The plate.
        wanted: Name and letters (None: as derived), one for each piece.

    Raises:
        FormError: They cannot be brought together.
    """
    if not wanted:
        return
    if all(_matching(read, name) for name, _ in wanted):
        for name, letters in wanted:
            give_orientation(_matching(read, name), letters or _matching(read, name)[0].orientation)
        return
    if len(wanted) != len(read.pieces):
        found = ", ".join(dict.fromkeys(piece.kind for piece in read.pieces))
        raise FormError(
            f"{len(wanted)} pieces are named, the plate holds {len(read.pieces)} ({found})",
            do="Name as many, in the order of the map, or leave --piece out and take those of the plate",
        )
    for piece, (name, letters) in zip(read.pieces, wanted, strict=True):
        piece.name, piece.orientation = name, letters or piece.orientation


def _named(read: PlateRead, name: str) -> list[PlatePiece]:
    found = _matching(read, name)
    if not found:
        known = ", ".join(dict.fromkeys(piece.kind for piece in read.pieces))
        raise FormError(f"The plate holds no piece {name!r}", do=f"It holds {known}; a number does too")
    return found


def _matching(read: PlateRead, name: str) -> list[PlatePiece]:
    word = name.strip().casefold()
    if word.isdecimal() and 1 <= int(word) <= len(read.pieces):
        return [read.pieces[int(word) - 1]]
    plain = _ENDING.sub("", word)
    return [
        piece
        for piece in read.pieces
        if word in (piece.thing.key.casefold(), piece.thing.name.casefold())
        or plain in (piece.name.casefold(), piece.kind.casefold())
    ]


def specimen_columns(piece: PlatePiece, plate: Plate, who: str) -> dict[str, Any]:
    """Return the columns of a specimen that a plate fills.

    Args:
        piece: The piece.
        plate: Its plate.
        who: Who enters it, and so stated its gauge section where that is its own.

    Returns:
        Column to value; lengths and the place of its centre in mm, filament in mm and g, rounded to µm and
        to a tenth of a mg.

    Raises:
        Refused: The stated gauge section cannot be read or misses the piece.
    """
    thing = piece.thing
    return {
        "name": piece.name,
        "orientation": piece.orientation or None,
        "geometry": piece.geometry,
        "gauge": piece.gauge or None,
        "dummy": piece.dummy or None,
        "x_mm": round(thing.centre_mm[0], 3),
        "y_mm": round(thing.centre_mm[1], 3),
        "size_x_mm": round(thing.size_mm[0], 3),
        "size_y_mm": round(thing.size_mm[1], 3),
        "size_z_mm": round(thing.size_mm[2], 3),
        "filament_mm": round(thing.filament_mm, 3),
        "filament_g": None if thing.filament_g is None else round(thing.filament_g, 4),
        "plate_facts": facts_of(thing, piece.geometry, plate, piece.gauge or None, who),
    }


def job_columns(plate: Plate) -> dict[str, Any]:
    """Return the columns of a job that a plate fills; set-points only where they are commanded."""
    usual = usual_set_points(plate)
    heights = {round(thing.layer_height_mm, 3) for thing in plate.objects}
    widths = {round(thing.line_width_mm, 3) for thing in plate.objects}
    return {
        "filament_mm": round(plate.filament_mm, 3),
        "filament_g": None if plate.filament_g is None else round(plate.filament_g, 4),
        "time_s": round(plate.time_s, 1),
        "layer_height_mm": heights.pop() if len(heights) == 1 else None,
        "line_width_mm": widths.pop() if len(widths) == 1 else None,
        **{column: usual[name] for name, column in _SET.items() if name in usual},
    }


def contradictions(typed: Mapping[str, Any], columns: Mapping[str, Any], job: str) -> list[str]:
    """Return a sentence for each set-point that a person gave otherwise than the plate commands it."""
    notes = []
    for name, words in _WORDS.items():
        given, commanded = typed.get(_SET[name]), columns.get(_SET[name])
        if given is not None and commanded is not None and abs(given - commanded) >= _SAME_C:
            notes.append(
                f"The plate commands {commanded:g} °C for the {words}, you say {given:g} °C."
                f" If it was changed at the printer: strandbook job change {job} {words}={given:g} --layer 1"
            )
    return notes


def plate_of(book: Book, row: Job) -> Plate:
    """Return the plate of a job, read again from the kept file.

    Raises:
        Refused: No plate file was kept, or it cannot be read.
    """
    if row.plate_sha256 is None:
        raise Refused(f"{job_id(row.id)} has no plate file", do="strandbook job add FILE --again JOB")
    path = book.files.path(row.plate_sha256)
    if not path.exists():
        book.files.get(row.plate_sha256)  # says what is missing and what to do
    return _read(path, ReadAs.from_data(kept_reading(row)))


@lru_cache(maxsize=4)
def _read(path: Path, read_as: ReadAs) -> Plate:
    """Read a kept plate; its name is its digest, so what was read once stays true."""
    return read_plate(path, read_as=read_as)


def settings_of(book: Book, job: str | int) -> dict[str, str]:
    """Return the settings block of a job's plate as text, key to value; the first of a repeated key.

    Args:
        book: The book.
        job: ID or row id of the job.

    Returns:
        Empty where the job has no plate file, or one without such a block.

    Raises:
        Refused: There is no such job, or its plate file is gone or cannot be read.
    """
    with book.read() as session:
        row = find(book, session, job, "job") if isinstance(job, str) else session.get_one(Job, job)
        return {} if row.plate_sha256 is None else dict(reversed(plate_of(book, row).settings))


def alike(read: PlateRead) -> list[list[PlatePiece]]:
    """Return the pieces in groups of one kind, letters and template: what is confirmed together."""
    groups: dict[tuple[str, ...], list[PlatePiece]] = {}
    for piece in read.pieces:
        key = (piece.kind, piece.orientation, piece.geometry, piece.gauge)
        groups.setdefault(key, []).append(piece)
    return list(groups.values())


def numbers_of(read: PlateRead, pieces: Sequence[PlatePiece]) -> str:
    """Return the numbers of pieces as they may be typed off the bed: ``1-3,5``."""
    wanted = {id(piece) for piece in pieces}
    runs: list[list[int]] = []
    for number in (n for n, piece in enumerate(read.pieces, 1) if id(piece) in wanted):
        if runs and runs[-1][-1] == number - 1:
            runs[-1][1:] = [number]
        else:
            runs.append([number])
    return ",".join("-".join(map(str, run)) for run in runs)


def kind_words(read: PlateRead, group: Sequence[PlatePiece]) -> str:
    """Return a line for pieces of one kind: ``1-3  bar: ZXY (upright), …``."""
    dummy = " (dummy)" if group[0].dummy else ""
    return f"{numbers_of(read, group)}  {group[0].kind}{dummy}: {group[0].words}"


@dataclass(frozen=True)
class PieceInput:
    """What a person says of one piece; an empty orientation is "not recorded"."""

    name: str
    orientation: str
    geometry: str
    dummy: bool


def settle(read: PlateRead, inputs: Sequence[PieceInput]) -> None:
    """Put what a person says in the place of what was derived, piece by piece.

    Raises:
        FormError: There are more pieces, or fewer, or every one is a dummy.
        Refused: No such letters, or no such template.
    """
    if len(inputs) != len(read.pieces):
        raise FormError(
            f"The plate holds {len(read.pieces)} pieces, the form {len(inputs)}", do="Look at the plate again"
        )
    if all(each.dummy for each in inputs):
        raise FormError("Every piece is a dummy", do="Leave at least one to be tested")
    for piece, each in zip(read.pieces, inputs, strict=True):
        piece.name = " ".join(each.name.split())[:80] or piece.name
        piece.orientation = checked_letters(each.orientation) if each.orientation.strip() else ""
        piece.geometry = piece_named(each.geometry).id
        piece.dummy = each.dummy


def cut_again(book: Book, piece: Specimen, by: str = "") -> None:
    """Cut a piece's gauge section again from the kept plate file, for another template or a stated one.

    Args:
        book: The book.
        piece: The piece, with its template and stated gauge section as they are to be.
        by: Who stated the gauge section; empty for who did before.

    Raises:
        Refused: There is no plate file, the piece is not on it, or the gauge section misses it.
    """
    thing, plate = thing_of(book, piece), plate_of(book, piece.job)
    geometry = piece_named(piece.geometry or "free").id
    before = (piece.plate_facts or {}).get("section") or {}
    piece.geometry = geometry
    piece.plate_facts = facts_of(thing, geometry, plate, piece.gauge, by or before.get("by", ""))


def thing_of(book: Book, piece: Specimen) -> PlateObject:
    """Return the object on the plate that a piece is.

    Raises:
        Refused: There is no plate file, or the piece is not on it.
    """
    key = (piece.plate_facts or {}).get("key")
    objects = plate_of(book, piece.job).objects
    thing = next((each for each in objects if each.key == key), None)
    if thing is None:
        raise Refused("The piece is not on its plate any more", do="strandbook verify")
    return thing
