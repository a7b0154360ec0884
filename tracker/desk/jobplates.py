"""The plate file of a job: read before it is entered, and what it fills in."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tracker.book import Book
from tracker.desk.typedpieces import PieceWanted
from tracker.forms import FormError
from tracker.ids import spool_id
from tracker.inputs import read_input
from tracker.kinds import find, material_named
from tracker.model import Job, JobSpool, Specimen

if TYPE_CHECKING:
    from tracker.desk.plates import PlateRead


@dataclass(frozen=True)
class PlateFile:
    """The plate file as it came.

    Attributes:
        name: Of the file.
        source: Its bytes, or where they are: a large plate is not taken into memory to be looked at.
        read_as: How it is to be read where it allows more than one reading, as kept with its pieces.
    """

    name: str
    source: bytes | Path
    read_as: Mapping[str, Any] = field(default_factory=dict)

    @property
    def data(self) -> bytes:
        """All of it."""
        return self.source if isinstance(self.source, bytes) else read_input(self.source, "plate file")

    @property
    def sha256(self) -> str:
        """Its digest."""
        if isinstance(self.source, bytes):
            return hashlib.sha256(self.source).hexdigest()
        with self.source.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

    @property
    def kept_name(self) -> str:
        """The name as it is kept, with the number of the plate in a container of several."""
        number = self.read_as.get("plate")
        return self.name if number is None else f"{self.name} #plate {number}"

    @staticmethod
    def read(path: Path, read_as: Mapping[str, Any] | None = None) -> PlateFile:
        """Find a file on the disk.

        Args:
            path: The file.
            read_as: How it is to be read: those fields of `tracker.platefile.ReadAs` that are not as usual.

        Raises:
            FormError: It cannot be read, or is empty.
            PlateRefused: It is a folder, a pipe or a device.
        """
        from tracker.platefile import check_regular  # noqa: PLC0415 - brings numpy, which other jobs do not need

        try:
            check_regular(path)
            with path.open("rb") as file:
                empty = not file.read(1)
        except OSError as error:
            raise FormError(f"{path} cannot be read", why=error.strerror or str(error)) from error
        if empty:
            raise FormError(f"{path} is empty", do="Send the file again from the slicer")
        return PlateFile(path.name, path, dict(read_as or {}))


def read_job_plate(
    book: Book,
    plate: PlateFile,
    *,
    spools: Sequence[str] = (),
    material: str | None = None,
    again: str | None = None,
) -> PlateRead | None:
    """Read a plate for a job: density and diameter from the spool's record, else from the file.

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
    from tracker.desk.plates import read_pieces  # noqa: PLC0415 - brings numpy, which other jobs do not need

    with book.read() as session:
        earlier = find(book, session, again, "job") if again else None
        if earlier and (earlier.plate_sha256, kept_reading(earlier)) == (plate.sha256, plate.read_as):
            return None
        named = list(spools) or spools_of(earlier)
        spool = find(book, session, named[0], "spool") if named else None
        made_of = material_named(session, material) if material and spool is None else None
        of = spool.material if spool is not None else made_of or (earlier.material if earlier else None)
        return read_pieces(
            plate.source,
            read_as=plate.read_as,
            density_g_cm3=of.density_g_cm3 if of is not None else None,
            diameter_mm=spool.diameter_mm if spool is not None else None,
        )


def kept_reading(job: Job) -> dict[str, Any]:
    """Return how a job's plate file was read, where it allows more than one reading."""
    facts = (each.plate_facts for each in job.specimens if each.plate_facts)
    return next((dict(each.get("read_as") or {}) for each in facts), {})


def spools_of(job: Job | None) -> list[str]:
    """Return the IDs of a job's spools, by tool."""
    return [] if job is None else [spool_id(each.spool_id) for each in sorted(job.spools, key=_tool)]


def _tool(each: JobSpool) -> int:
    return each.tool


def name_pieces(read: PlateRead, pieces: Sequence[PieceWanted]) -> None:
    """Give the pieces of a plate the names and letters that a person typed.

    Raises:
        FormError: They cannot be brought together.
    """
    from tracker.desk.plates import give_pieces  # noqa: PLC0415 - loaded by now

    give_pieces(read, [(each.name, each.orientation) for each in pieces for _ in range(each.count)])


def with_plate(values: dict[str, Any], read: PlateRead | None) -> dict[str, Any]:
    """Return a job's columns: what the person said, and what the plate says where nobody did."""
    if read is None:
        return values
    from tracker.desk.plates import job_columns  # noqa: PLC0415 - loaded by now

    said = {key: value for key, value in values.items() if value is not None}
    return values | job_columns(read.plate) | said


def from_plate(read: PlateRead, who: str) -> list[Specimen]:
    """Return the rows of a plate's pieces, as ``who`` confirmed them."""
    from tracker.desk.plates import specimen_columns  # noqa: PLC0415 - loaded by now

    return [
        Specimen(piece=number, **specimen_columns(piece, read.plate, who))
        for number, piece in enumerate(read.pieces, start=1)
    ]


def said_of(read: PlateRead | None, values: Mapping[str, Any], job: str, made: list[str]) -> list[str]:
    """Return what the person should know of a job just entered, one sentence each."""
    if read is None:
        return [] if made else ["It has no pieces yet."]
    from tracker.desk.plates import contradictions, job_columns  # noqa: PLC0415 - loaded by now

    return read.says + contradictions(values, job_columns(read.plate), job)
