"""The plate file of a job: read before it is entered, and what it fills in."""

from __future__ import annotations

import hashlib
import re
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final, cast

from tracker.book import Book
from tracker.forms import FormError
from tracker.ids import spool_id
from tracker.kinds import find, material_named
from tracker.kinds.job import kept_reading
from tracker.lazy_modules import lazy
from tracker.lineage import spools_of_job
from tracker.model import Job, Specimen, Spool
from tracker.orientation import checked_letters

if TYPE_CHECKING:
    from tracker import platefile
    from tracker.desk import plates
    from tracker.desk.plates import PlateRead
else:
    plates = lazy("tracker.desk.plates")
    platefile = lazy("tracker.platefile")


_IN_MEMORY: Final = 8 << 20
_BLOCK: Final = 1 << 20


@dataclass(frozen=True)
class PlateFile:
    """The plate file as it came, read once: what was checked is what is entered.

    Attributes:
        name: Of the file.
        content: Its bytes, or a copy of our own on the disk: a large plate is not held in memory.
        read_as: How it is to be read where it allows more than one reading, as kept with its pieces.
    """

    name: str
    content: bytes | BinaryIO
    read_as: Mapping[str, Any] = field(default_factory=dict)

    @property
    def source(self) -> bytes | BinaryIO:
        """What a reader takes: the bytes, or the copy at its start."""
        if not isinstance(self.content, bytes):
            self.content.seek(0)
        return self.content

    @property
    def data(self) -> bytes:
        """All of it."""
        source = self.source
        return source if isinstance(source, bytes) else source.read()

    @property
    def sha256(self) -> str:
        """Its digest."""
        source, found = self.source, hashlib.sha256()
        if isinstance(source, bytes):
            return hashlib.sha256(source).hexdigest()
        while block := source.read(_BLOCK):
            found.update(block)
        return found.hexdigest()

    @property
    def kept_name(self) -> str:
        """The name as it is kept, with the number of the plate in a container of several."""
        number = self.read_as.get("plate")
        return self.name if number is None else f"{self.name} #plate {number}"

    @staticmethod
    def read(path: Path, read_as: Mapping[str, Any] | None = None) -> PlateFile:
        """Copy a file of the disk, which may be changed or gone when it is wanted next.

        Args:
            path: The file.
            read_as: How it is to be read: those fields of `tracker.platefile.ReadAs` that are not as usual.

        Raises:
            FormError: It cannot be read, or is empty.
            PlateRefused: It is a folder, a pipe or a device.
        """
        copy = cast("BinaryIO", tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY))  # noqa: SIM115 - as long as the plate
        try:
            platefile.check_regular(path)
            with path.open("rb") as file:
                while block := file.read(_BLOCK):
                    copy.write(block)
        except OSError as error:
            raise FormError(f"{path} cannot be read", why=error.strerror or str(error)) from error
        if not copy.tell():
            raise FormError(f"{path} is empty", do="Send the file again from the slicer")
        return PlateFile(path.name, copy, dict(read_as or {}))


def read_job_plate(
    book: Book,
    plate: PlateFile,
    *,
    spools: Sequence[str] = (),
    material: str | None = None,
    again: str | None = None,
) -> PlateRead | None:
    """Read a plate for a job: density and diameter from the record of each tool's spool, else from the file.

    Args:
        book: The book.
        plate: The file.
        spools: IDs of the spools; those of ``again`` where empty.
        material: Name of the material where the spool is not known.
        again: The job of which this is another attempt.

    Returns:
        The plate, or None where it is the one of ``again``: its pieces are taken over as they are.

    Raises:
        PlateRefused: The file is no readable plate.
    """
    with book.read() as session:
        earlier = find(book, session, again, "job") if again else None
        # Where nothing is said of how to read it, it is read as it was.
        as_before = earlier is None or plate.read_as in ({}, kept_reading(earlier))
        if earlier and as_before and earlier.plate_sha256 == plate.sha256:
            return None
        rows = [find(book, session, each, "spool") for each in list(spools) or spool_ids_of(earlier)]
        if rows:
            return plates.read_pieces(plate.source, read_as=plate.read_as, **filaments_of(rows))
        made_of = material_named(session, material) if material else earlier.material if earlier else None
        density = made_of.density_g_cm3 if made_of is not None else None
        return plates.read_pieces(plate.source, read_as=plate.read_as, density_g_cm3=density)


def filaments_of(spools: Sequence[Spool]) -> dict[str, Any]:
    """Return density and diameter as :func:`tracker.desk.plates.read_pieces` takes them: one for each spool.

    A single spool stands for all tools.
    """
    densities = [each.material.density_g_cm3 for each in spools]
    diameters = [each.diameter_mm for each in spools]
    if len(spools) == 1:
        return {"density_g_cm3": densities[0], "diameter_mm": diameters[0]}
    return {"density_g_cm3": densities, "diameter_mm": diameters}


@dataclass(frozen=True)
class Feed:
    """A spool and what of a plate is printed from it.

    Attributes:
        spool: The spool.
        tool: Number of the tool that it feeds.
        pieces: Numbers of the pieces that hold some of it; None for all.
        grams: What the plate takes from it; None where the plate or its density is not known.
    """

    spool: Spool
    tool: int
    pieces: list[int] | None = None
    grams: float | None = None


def feeds(read: PlateRead | None, spools: Sequence[Spool], earlier: Job | None = None) -> list[Feed]:
    """Return what each spool feeds: they are named in the order of the tools that lay.

    A single spool stands for the whole plate; where more are named than tools lay, they are counted as the
    tools are.

    Args:
        read: The plate; None where it is that of ``earlier``, or not known.
        spools: As named.
        earlier: The job of which this is another attempt.
    """
    if read is None:
        uses = [] if earlier is None else [use for use in spools_of_job(earlier) if use.from_layer is None]
        if len(spools) > 1 and len(uses) == len(spools):
            pairs = zip(spools, uses, strict=True)
            return [Feed(row, use.tool, use.pieces, use.filament_g) for row, use in pairs]
        return [Feed(row, number, None, None) for number, row in enumerate(spools)]
    if len(spools) == 1:
        return [Feed(spools[0], 0, None, read.plate.filament_g)]
    used = list(read.plate.tools)
    by_number = {use.tool: use for use in used} if len(spools) > len(used) else dict(enumerate(used))
    found = []
    for number, row in enumerate(spools):
        use = by_number.get(number)
        tool, filament_g = (number, 0.0) if use is None else (use.tool, use.filament_g)
        pieces = [n for n, each in enumerate(read.pieces, 1) if tool in each.body_tools]
        found.append(Feed(row, tool, None if len(pieces) == len(read.pieces) else pieces, filament_g))
    return found


def spool_ids_of(job: Job | None) -> list[str]:
    """Return the IDs of a job's spools, the one that stands for the plate first."""
    return [] if job is None else [spool_id(each.spool_id) for each in spools_of_job(job)]


def name_pieces(read: PlateRead, pieces: Sequence[PieceWanted]) -> None:
    """Give the pieces of a plate the names and letters that a person typed.

    Raises:
        FormError: They cannot be brought together.
    """
    plates.give_pieces(read, [(each.name, each.orientation) for each in pieces for _ in range(each.count)])


def with_plate(values: dict[str, Any], read: PlateRead | None) -> dict[str, Any]:
    """Return a job's columns: what the person said, and what the plate says where nobody did."""
    if read is None:
        return values

    given = {key: value for key, value in values.items() if value is not None}
    return values | plates.job_columns(read.plate) | given


def from_plate(read: PlateRead, who: str) -> list[Specimen]:
    """Return the rows of a plate's pieces, as ``who`` confirmed them."""
    return [
        Specimen(piece=number, **plates.specimen_columns(piece, read.plate, who))
        for number, piece in enumerate(read.pieces, start=1)
    ]


def job_remarks(read: PlateRead | None, values: Mapping[str, Any], job: str, made: list[str]) -> list[str]:
    """Return what the person should know of a job just entered, one sentence each."""
    if read is None:
        return [] if made else ["It has no pieces yet."]

    return read.notes + plates.contradictions(values, plates.job_columns(read.plate), job)


_MOST_PIECES: Final = 999


@dataclass(frozen=True)
class PieceWanted:
    """A piece as it is entered by hand: ``NAME:ORIENTATION[:COUNT]``."""

    name: str
    orientation: str | None
    count: int = 1


def read_piece(text: str) -> PieceWanted:
    """Return what ``bar:ZXY:5`` asks for; the orientation may be left empty (``bar::5``).

    Raises:
        FormError: It is not of that form.
    """
    parts = text.split(":")
    name = parts[0].strip()
    count = parts[2].strip() if len(parts) > 2 else "1"  # noqa: PLR2004 - the third part
    if not name or len(parts) > 3 or not re.fullmatch(r"[1-9]\d{0,2}", count):  # noqa: PLR2004 - three parts
        raise FormError(f"{text!r} names no pieces", do="Write NAME:ORIENTATION:COUNT, as in bar:ZXY:5")
    letters = parts[1].strip() if len(parts) > 1 else ""
    return PieceWanted(name, checked_letters(letters) if letters else None, int(count))


def specimens_of(pieces: Sequence[PieceWanted], earlier: Job | None) -> list[Specimen]:
    """Return the rows of pieces as they were typed; where none were, those of an earlier attempt.

    Raises:
        FormError: They are more than a plate holds.
    """
    if not pieces and earlier is not None:
        return [
            Specimen(
                piece=each.piece, name=each.name, orientation=each.orientation,
                geometry=each.geometry, gauge=each.gauge,
                x_mm=each.x_mm, y_mm=each.y_mm, size_x_mm=each.size_x_mm, size_y_mm=each.size_y_mm,
                size_z_mm=each.size_z_mm, filament_mm=each.filament_mm, filament_g=each.filament_g,
                plate_facts=each.plate_facts, dummy=each.dummy,
            )
            for each in earlier.specimens
        ]  # fmt: skip
    single = [piece for piece in pieces for _ in range(piece.count)]
    if len(single) > _MOST_PIECES:
        raise FormError(f"{len(single)} pieces are more than one plate holds", do="Check the counts")
    return [
        Specimen(piece=number, name=piece.name, orientation=piece.orientation)
        for number, piece in enumerate(single, start=1)
    ]
