"""The map of a job's plate: its pieces from above, with their IDs and what became of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from tracker.book import Book
from tracker.desk.jobplates import PlateFile
from tracker.desk.platefacts import object_of
from tracker.desk.plates import PlateRead, read_pieces
from tracker.errors import Refused
from tracker.ids import job_id, specimen_id
from tracker.kinds import find
from tracker.model import Job, Specimen
from tracker.platefile import (
    PackedPlate,
    PlateObject,
    plates_in,
)
from tracker.platefile.facts import Point
from tracker.platemap import Bed, Named, outline, plate_map_png, plate_map_svg, plate_map_text

Labelled = tuple[list[PlateObject], dict[str, Named]]


def map_text(book: Book, job: str, width: int = 80, highlight: str | None = None) -> str:
    """Return the map of a job's plate in block characters, pieces listed row by row under it.

    Args:
        book: The book.
        job: ID of the job.
        width: Columns to use.
        highlight: ID of a piece to stand out.

    Raises:
        Refused: The job's plate is not known.
    """
    objects, labels, bed, marked = _of(book, job, highlight)
    return plate_map_text(objects, labels, bed, highlight=marked, width=width)


@dataclass(frozen=True)
class Choice:
    """One plate of a container of several, to be chosen by number and picture.

    Attributes:
        number: By which it is chosen.
        words: What is on it, and its file.
        picture: PNG or JPEG that the container brings, None where it brings none.
        read: The plate; None where it cannot be read.
        drawn: It from above in block characters; empty where it cannot be read.
    """

    number: int
    words: str
    picture: bytes | None
    read: PlateRead | None
    drawn: str


def choices_in(plate: PlateFile, width: int = 40) -> list[Choice]:
    """Return the plates among which a person has to choose; none where the file holds only one.

    Args:
        plate: The file.
        width: Columns of the pictures in block characters.

    Raises:
        PlateRefused: It is a container without plates, or damaged.
    """
    packed = plates_in(plate.source)
    return [_choice(plate, each, width) for each in packed] if len(packed) > 1 else []


def _choice(plate: PlateFile, packed: PackedPlate, width: int) -> Choice:
    try:
        read = read_pieces(plate.source, read_as={**plate.read_as, "plate": packed.number})
    except Refused as refusal:
        return Choice(packed.number, f"{packed.text}: {refusal}", packed.picture, None, "")
    kinds = Counter(piece.kind for piece in read.pieces)
    listed = ", ".join(f"{count} {kind}" for kind, count in kinds.items())
    words = f"{listed}; {max(read.plate.time_s / 60, 1):.0f} min; {packed.text.partition(' ')[2]}"
    # Unlike the map of a job it is only to be recognised: the list of its pieces is in the words.
    drawn = plate_map_text(read.plate.objects, {}, read.plate.bed_mm, width=min(width, _NARROW))
    rows = drawn.splitlines()[: -len(read.pieces)]
    return Choice(packed.number, words, packed.picture, read, "\n".join(rows))


_NARROW: Final = 44


def map_picture(book: Book, job: str, form: str, highlight: str | None = None) -> bytes:
    """Return the map of a job's plate as a picture.

    Args:
        book: The book.
        job: ID of the job.
        form: ``svg`` or ``png``.
        highlight: ID of a piece to stand out.

    Raises:
        Refused: The job's plate is not known, or there is no such form.
    """
    objects, labels, bed, marked = _of(book, job, highlight)
    if form == "svg":
        return plate_map_svg(objects, labels, bed, highlight=marked).encode()
    if form == "png":
        return plate_map_png(objects, labels, bed, highlight=marked)
    raise Refused(f"A plate map cannot be drawn as {form!r}", do="Name a file that ends in .svg or .png")


def has_map(row: Job) -> bool:
    """Whether a job's plate is known well enough to be drawn."""
    return any(piece.plate_facts and "box_mm" in piece.plate_facts for piece in row.specimens)


def things_of(row: Job) -> dict[str, PlateObject]:
    """Return by ID what a map shows of each piece that the plate file tells of."""
    return {
        specimen_id(row.id, piece.piece): object_of(piece.name or "", piece.plate_facts)
        for piece in row.specimens
        # Of pieces that were laid on a plate by hand a box may be known and nothing else.
        if piece.plate_facts and "rect_mm" in piece.plate_facts
    }


def outlines_of(row: Job) -> dict[str, tuple[Point, ...]]:
    """Return by ID the corners of each piece that the plate file tells of, seen from above, mm."""
    return {ident: outline(thing) for ident, thing in things_of(row).items()}


def map_of_row(row: Job, width: int = 80) -> str:
    """Return the map of a job that is at hand, in block characters."""
    objects, labels = _labelled(row.specimens)
    return plate_map_text(objects, labels, bed_of(row), width=width)


def _of(book: Book, job: str, highlight: str | None) -> tuple[*Labelled, Bed, str | None]:
    with book.read() as session:
        row = find(book, session, job, "job")
        if not has_map(row):
            raise Refused(
                f"{job_id(row.id)} has no map: its pieces were entered without a plate file",
                do="Enter the next one with its file: strandbook job add FILE --spool ID",
            )
        marked = None
        if highlight is not None:
            piece: Specimen = find(book, session, highlight, "specimen")
            # A piece of another plate is not on this map: better nothing marked than the piece of the same
            # number.
            marked = (piece.plate_facts or {}).get("key") if piece.job_id == row.id else None
        return *_labelled(row.specimens), bed_of(row), marked


def bed_of(row: Job) -> tuple[Point, ...]:
    """Return the corners of the bed of a job's plate file, mm; empty where no file states them."""
    corners = next((f["bed_mm"] for p in row.specimens if (f := p.plate_facts or {}).get("bed_mm")), ())
    return tuple((float(x), float(y)) for x, y in corners)


def _labelled(pieces: Iterable[Specimen]) -> Labelled:
    objects: list[PlateObject] = []
    labels: dict[str, Named] = {}
    for piece in pieces:
        if piece.plate_facts and "box_mm" in piece.plate_facts:
            thing = object_of(piece.name or "", piece.plate_facts)
            objects.append(thing)
            words = "dummy" if piece.dummy else piece.outcome or ""
            labels[thing.key] = Named(specimen_id(piece.job_id, piece.piece), words, piece.orientation or "")
    return objects, labels
