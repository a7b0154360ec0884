"""The method's own picture of one measurement."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.orm import Session

from tracker.api import Piece, Readings
from tracker.book import Book
from tracker.desk.measuring import computed, readings_of
from tracker.desk.pieces import piece_of
from tracker.errors import Refused
from tracker.ids import measurement_id
from tracker.kinds import find
from tracker.model import Measurement
from tracker.plugins import Computation, Plugged


def method_picture(book: Book, plugged: Plugged, target: str, form: str = "svg") -> bytes:
    """Return what a measurement's method draws of its readings.

    Args:
        book: Read only.
        plugged: The methods.
        target: ID of the measurement.
        form: ``svg`` or ``png``.

    Raises:
        IdError: The text is no ID.
        Refused: There is no such measurement, it has no readings, its method is gone or draws nothing.
    """
    with book.read() as session:
        row: Measurement = find(book, session, target, "measurement")
        picture = stored_picture(book, plugged, row, form)
    if picture is None:
        fault = plugged.faults[-1] if plugged.faults else f"{row.method} draws nothing of these readings"
        raise Refused(f"{measurement_id(row.id)} has no picture", why=fault)
    return picture


def stored_picture(book: Book, plugged: Plugged, row: Measurement, form: str = "svg") -> bytes | None:
    """Return the picture of a stored measurement; None where its method draws none.

    Raises:
        Refused: It has no readings, or its method or a file is gone.
    """
    readings, piece, computation = taken(book, plugged, row)
    return plugged.figure(row.method, readings, piece, computation.outcomes, form)


def taken(book: Book, plugged: Plugged, row: Measurement) -> tuple[Readings, Piece, Computation]:
    """Return a stored measurement's readings, what it was done on, and what its method makes of it today.

    Raises:
        Refused: It has no readings, or its method or a file is gone.
    """
    if row.readings is None:
        raise Refused(
            f"{measurement_id(row.id)} has no readings to draw", why="its numbers came without them"
        )
    readings = readings_of(book, plugged, row)
    subject = row.specimen if row.specimen is not None else row.spool
    piece = piece_of(subject) if subject is not None else Piece()
    return readings, piece, computed(plugged, readings, row)


@contextmanager
def stored(book: Book, numbers: list[int]) -> Iterator[Iterator[Measurement]]:
    """Give measurements by their numbers, read one after another."""
    with book.read() as session:
        yield _each(session, numbers)


def _each(session: Session, numbers: list[int]) -> Iterator[Measurement]:
    for number in numbers:
        yield session.get_one(Measurement, number)
        # Each brings its piece, files and results along; a long list need not be held at once.
        session.expunge_all()
