"""At the rig: a label becomes the piece in a few lines, with what its programme wants and the methods."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from tracker_labels import LabelError, read_codes

from tracker.book import Book
from tracker.errors import Refused
from tracker.history import exposure_line, spool_days
from tracker.ids import Ident, IdError, read_payload
from tracker.kinds import ident_of, row_of_label
from tracker.lineage import material_of_specimen, spools_of_specimen
from tracker.model import Measurement, Specimen, Spool
from tracker.moments import local_day
from tracker.orientation import in_words
from tracker.plugins import Plugged
from tracker.programme import still_wanted
from tracker.stating import state_row

_PICTURES = (".png", ".jpg", ".jpeg", ".webp", ".bmp", ".tif", ".tiff", ".gif", ".heic")


@dataclass(frozen=True)
class Scan:
    """What a label says, and whether it is one of this book.

    Attributes:
        text: As scanned.
        ident: What it names.
        book: Code of its book; this book's where it carried none.
        belongs: Whether it is in this book.
        why_not: Why it does not belong, one line; empty where it does.
    """

    text: str
    ident: Ident
    book: str
    belongs: bool
    why_not: str = ""


@dataclass(frozen=True)
class Seen:
    """A scanned thing of this book, as it is shown at the rig.

    Attributes:
        id: Its ID.
        lines: At most four.
        programme: What its material's programme still wants of such pieces, one line; empty for none.
        stop: What should make the person stop, one sentence; empty where nothing does.
        methods: Ids of the methods that are done on it.
    """

    id: str
    lines: tuple[str, ...]
    programme: str
    stop: str
    methods: tuple[str, ...]


def look(book: Book, text_or_picture: str) -> Scan:
    """Return what a typed text, a scanned text or a picture of a label names, in this book or another.

    Raises:
        Refused: It is no label, or the picture cannot be read.
    """
    text = scanned_text(text_or_picture)
    with book.read() as session:
        return scan(book, session, text)


def seen(book: Book, text_or_picture: str, plugged: Plugged | None = None) -> Seen:
    """Return what a label names as it is shown at the rig, all of it from one state of the book.

    Args:
        book: To be read.
        text_or_picture: As typed or scanned, or the name of a picture of the label.
        plugged: The methods; without them none are named.

    Raises:
        Refused: It is no label, or the picture cannot be read.
        NotFoundError: It names nothing in this book.
    """
    text = scanned_text(text_or_picture)
    with book.read() as session:
        row = row_of_label(book, session, text)
        return Seen(
            str(ident_of(row)),
            tuple(first_lines(book, session, row)),
            still_wanted(session, row) if isinstance(row, Specimen) else "",
            warning(row, book.zone),
            tuple(fitting_methods(plugged, row)) if plugged is not None else (),
        )


def scanned_text(text_or_picture: str) -> str:
    """Return the text of the one label in a picture file, or the text itself.

    Raises:
        Refused: The picture cannot be read, or holds no label or several.
    """
    path = Path(text_or_picture)
    if path.suffix.lower() not in _PICTURES:
        return text_or_picture
    try:
        found = list(dict.fromkeys(read_codes(path)))
    except LabelError as error:
        raise Refused(str(error)) from error
    # Two labels in one picture are two pieces side by side: which of them was meant is the person's to say.
    if len(found) != 1:
        what = f"{len(found)} different labels" if found else "no label"
        raise Refused(
            f"{path.name} shows {what}", do="Take a picture of one label, closer and in better light"
        )
    return found[0]


def scan(book: Book, session: Session, text: str) -> Scan:
    """Return what a scanned text names.

    Raises:
        IdError: It is neither a label nor an ID.
    """
    try:
        ident = ident_of(row_of_label(book, session, text))
    # No label at all is refused; a label of another book, or of nothing, is shown as what it would be.
    except IdError:
        raise
    except Refused as refusal:
        read = read_payload(text)
        return Scan(text, read.readings[0], read.book or book.code, belongs=False, why_not=str(refusal))
    return Scan(text, ident, book.code, belongs=True)


def first_lines(book: Book, session: Session, row: Any) -> list[str]:
    """Return what a person at the rig wants to know of a scanned thing, in at most four lines.

    Raises:
        Refused: A record of a spool behind it is impossible.
    """
    ident = ident_of(row)
    if isinstance(row, Spool):
        now = book.clock()
        return [
            f"{ident}  spool of {row.material.name}, lot {row.lot or 'not recorded'}",
            exposure_line(spool_days(session, row, now), now),
            f"measured: {_measured(session, row)}",
        ]
    if not isinstance(row, Specimen):
        return [f"{ident}  {ident.kind}"]
    spools, printed = [each.spool for each in spools_of_specimen(row)], row.job.started_at
    material = material_of_specimen(row)
    of = material.name if material else "material not recorded"
    became = row.outcome or "still on the bed, as far as is recorded"
    if remark := row.remark or row.cause:
        became += f" ({remark})"
    oriented = f"{row.orientation} ({in_words(row.orientation)})" if row.orientation else "not recorded"
    lots = ", ".join(f"{ident_of(each)} lot {each.lot or 'not recorded'}" for each in spools)
    exposed = "drying and open-air hours: not recorded"
    if printed is not None and spools:
        exposed = "; ".join(exposure_line(spool_days(session, each, printed), printed) for each in spools)
    return [
        f"{ident}  {row.name or 'piece'} of {of}, {became}; orientation {oriented}",
        f"spool: {lots or 'not recorded'}",
        exposed,
        f"measured: {_measured(session, row)}",
    ]


def _measured(session: Session, row: Specimen | Spool) -> str:
    """Return what was measured on a specimen or spool, each with its values."""
    column = Measurement.specimen_id if isinstance(row, Specimen) else Measurement.spool_id
    lines = []
    for each in session.scalars(select(Measurement).where(column == row.id).order_by(Measurement.id)):
        values = [f"{one.quantity} {state_row(one).short}" for one in each.results if one.value is not None]
        lines.append(f"{each.method} ({', '.join(values) or 'no value yet'})")
    return "; ".join(lines) or "nothing yet"


def fitting_methods(plugged: Plugged, row: Any) -> Sequence[str]:
    """Return the ids of the methods that are done on such a thing."""
    kind = "specimen" if isinstance(row, Specimen) else "spool" if isinstance(row, Spool) else ""
    return [name for name, each in plugged.methods.items() if each.method.subject == kind]


def warning(row: Any, zone: dt.tzinfo) -> str:
    """Return what should make the person stop, in one line; empty where nothing does.

    Args:
        row: What was scanned.
        zone: The bench's, in which the day of a test is named.
    """
    if not isinstance(row, Specimen):
        return ""
    if row.outcome == "failed":
        return f"{ident_of(row)} failed on the bed: {row.cause or 'cause not recorded'}."
    if row.broken_at is not None:
        return f"{ident_of(row)} was used up by a test on {local_day(row.broken_at, zone)}."
    return ""
