"""The map of a job's plate: its pieces from above, with their IDs and what became of them."""

from __future__ import annotations

from collections.abc import Iterable

from tracker.book import Book
from tracker.desk.platefacts import object_of
from tracker.errors import Refused
from tracker.ids import job_id, specimen_id
from tracker.kinds import find
from tracker.model import Job, Specimen
from tracker.platefile import (
    PlateObject,
    plate_map_png,
    plate_map_svg,
    plate_map_text,
)
from tracker.platefile.facts import Point
from tracker.platefile.platemap import Bed, outline

Labelled = tuple[list[PlateObject], dict[str, tuple[str, str]]]


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


def outlines_of(row: Job) -> dict[str, tuple[Point, ...]]:
    """Return what to draw of each piece that the plate file tells of: its corners seen from above, mm.

    Args:
        row: The job.

    Returns:
        By ID; a piece that lies askew has the corners of its turned rectangle. Empty without a plate file.
    """
    return {
        specimen_id(row.id, piece.piece): outline(object_of(piece.name or "", piece.plate_facts))
        for piece in row.specimens
        # Of pieces that were laid on a plate by hand a box may be known and nothing else.
        if piece.plate_facts and "rect_mm" in piece.plate_facts
    }


def map_of_row(row: Job, width: int = 80) -> str:
    """Return the map of a job that is at hand, in block characters."""
    objects, labels = _labelled(row.specimens)
    return plate_map_text(objects, labels, width=width)


def _of(book: Book, job: str, highlight: str | None) -> tuple[*Labelled, Bed | None, str | None]:
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


def bed_of(row: Job) -> Bed | None:
    """Return the bed of a job's plate file as xmin, ymin, xmax, ymax in mm; None where no file states it."""
    corners = next((f["bed_mm"] for p in row.specimens if (f := p.plate_facts or {}).get("bed_mm")), None)
    if not corners:
        return None
    x, y = [point[0] for point in corners], [point[1] for point in corners]
    return min(x), min(y), max(x), max(y)


def _labelled(pieces: Iterable[Specimen]) -> Labelled:
    objects, labels = [], {}
    for piece in pieces:
        if piece.plate_facts and "box_mm" in piece.plate_facts:
            thing = object_of(piece.name or "", piece.plate_facts)
            objects.append(thing)
            words = "dummy" if piece.dummy else piece.outcome or ""
            labels[thing.key] = (specimen_id(piece.job_id, piece.piece), words)
    return objects, labels
