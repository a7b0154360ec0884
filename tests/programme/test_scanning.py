"""At the rig: what a scanned label shows, and when the person must stop."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conftest import BenchClock
from tests.desk.bench import PULL, WHO, a_job, a_piece, a_spool
from tracker.book import Book
from tracker.desk.measuring import measure
from tracker.desk.offbed import PieceOutcome, take_off
from tracker.errors import Refused
from tracker.ids import spool_id
from tracker.kinds import NotFoundError
from tracker.plugins import load
from tracker.scanning import look, scanned_text, seen


def _lines(book: Book, text: str) -> tuple[str, ...]:
    return seen(book, text).lines


def test_a_piece_is_shown_with_what_was_measured_on_it(book: Book) -> None:
    """1830 N on 40 mm² are 45.75 MPa; a method that gave no value is named as well."""
    piece = a_piece(book)
    assert _lines(book, piece)[-1] == "measured: nothing yet"
    measure(book, WHO, load(), piece, "tensile", PULL)
    (told,) = [line for line in _lines(book, piece) if line.startswith("measured: ")]
    assert told.startswith("measured: tensile (tensile.strength 45.7")


def test_a_piece_is_shown_with_its_outcome_and_lot(book: Book) -> None:
    """What came off the bed, why it is no good, how it lay, and the spool behind it."""
    job = a_job(book)
    take_off(book, WHO, job.id, [PieceOutcome(1, "failed", "came loose")])
    first, spool, *_ = _lines(book, job.also[0])
    assert "bar of Nordlicht ASA, failed (came loose); orientation ZXY (upright)" in first
    assert spool.endswith("lot L-17")
    assert "still on the bed, as far as is recorded" in _lines(book, job.also[1])[0]


def test_a_spool_is_shown_with_its_lot(book: Book) -> None:
    """A lot that nobody wrote down is said to be so."""
    a_piece(book)
    unnamed = a_spool(book)
    assert _lines(book, spool_id(1))[0].endswith("spool of Nordlicht ASA, lot L-17")
    assert _lines(book, unnamed)[0].endswith("lot not recorded")
    assert _lines(book, unnamed)[-1] == "measured: nothing yet"


def test_methods_that_fit_are_named_where_they_are_asked_for(book: Book) -> None:
    """A bar can be pulled; a filament's diameter is read on a spool."""
    piece, plugged = a_piece(book), load()
    assert seen(book, piece).methods == ()
    assert "tensile" in seen(book, piece, plugged).methods
    of_spool = seen(book, spool_id(1), plugged).methods
    assert "diameter" in of_spool
    assert "tensile" not in of_spool


def test_a_label_that_is_not_of_this_book_is_reported_and_not_shown(book: Book) -> None:
    """An ID that does not exist names what it would be; showing it is refused in the same words."""
    a_piece(book)
    found = look(book, spool_id(999))
    assert not found.belongs
    assert found.why_not
    assert str(found.ident) == spool_id(999)
    with pytest.raises(NotFoundError) as refusal:
        seen(book, spool_id(999))
    assert str(refusal.value) == found.why_not


def test_a_picture_that_is_none_is_refused(book: Book, tmp_path: Path, clock: BenchClock) -> None:
    """Text that is no name of a picture is taken as it stands; an empty picture is refused by its name."""
    del book, clock
    assert scanned_text("S0001-K") == "S0001-K"
    (tmp_path / "label.PNG").write_bytes(b"")
    with pytest.raises(Refused, match="cannot be read as a picture: it is empty"):
        scanned_text(str(tmp_path / "label.PNG"))
