"""A walk through the demonstration book: labels drawn, one scanned back, one number traced."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tracker_labels import read_codes

from tracker.book import Book
from tracker.desk.labelling import label_sheet
from tracker.kinds import listed
from tracker.scanning import seen
from tracker.trace import trace


@dataclass(frozen=True)
class Walked:
    """What the walk showed.

    Attributes:
        labels: PDF of all specimens' labels.
        scanned: What the picture of one label said, and the piece in five lines.
        traced: The way back from one number.
        result: ID of the measurement traced.
        counts: How many records of each kind there are.
    """

    labels: Path
    scanned: tuple[str, ...]
    traced: tuple[str, ...]
    result: str
    counts: dict[str, int]


def walk(book: Book, folder: Path, width: int = 100) -> Walked:
    """Draw labels into a folder, read one back from its own picture, and trace one number."""
    with book.connect() as connection:
        pieces = [row["id"] for row in listed(connection, "specimens") if row["outcome"] != "failed"]
        results = [row for row in listed(connection, "results") if row["counted"]]
        counts = {kind: sum(1 for _ in listed(connection, kind)) for kind in _COUNTED}
    labels = folder / "labels.pdf"
    labels.write_bytes(label_sheet(book, pieces, "a4-3x8").pdf())
    picture = label_sheet(book, [pieces[-1]], "tape-24").pages_png()[0]
    text = read_codes(picture)[0]
    weakest = min(
        (row for row in results if row["quantity"] == "tensile.strength"), key=lambda row: row["value"]
    )
    return Walked(
        labels=labels,
        scanned=(f"the label's code says {text}", *seen(book, text).lines),
        traced=tuple(trace(book, weakest["measurement"], "tensile.strength").lines(width)),
        result=weakest["measurement"],
        counts=counts,
    )


_COUNTED = ("materials", "spools", "dryings", "jobs", "specimens", "measurements", "results")
