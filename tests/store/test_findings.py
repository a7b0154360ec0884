"""How verify puts what it found: its kind, its name, the entry that speaks of it; and how it goes on."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from sqlalchemy import text

from tests.books import CURVE, WHO, Filled, add_in_bulk, fill
from tests.databases import Places
from tests.store.test_verify import _body, _change, _last, _only, _rewrite
from tracker.book import BOOK_FILE, Book, open_book
from tracker.errors import Refused
from tracker.ids import specimen_id, spool_id
from tracker.model import FactorRecord, Measurement, Specimen
from tracker.stored_rows import RawTable
from tracker.verify import chain, recomputed, verify
from tracker.verify.findings import id_of
from tracker.verify.ledger import Ledger


@pytest.fixture(autouse=True)
def filled(filled_once: Filled) -> Filled:
    """Give every test here a filled book."""
    return filled_once


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (ZeroDivisionError("no"), "ZeroDivisionError: no"),
        (Refused("the area is 0", do="Correct it"), "The area is 0. Correct it"),
    ],
)
def test_what_a_method_says(book: Book, filled: Filled, error: Exception, said: str) -> None:
    """A refusal is a sentence already; of a fault of the method its kind is told too."""

    def recompute(_measurement: Measurement) -> None:
        raise error

    finding = verify(book, recompute).found[0]
    assert finding.text.lower() == (
        f"the results of {filled.measurements[0].lower()} cannot be computed again, "
        f"the method tensile says: {said.lower()}"
    )
    assert (finding.kind, finding.table, finding.key) == ("result", "measurement", "1")


def test_a_measurement_that_cannot_be_read(book: Book, filled: Filled) -> None:
    """It is named, and the one beside it is computed again all the same."""
    if book.engine.dialect.name == "postgresql":
        pytest.skip("PostgreSQL takes no time that is none")
    _change(book, "UPDATE measurement SET at = 'yesterday' WHERE id = 1")
    findings = verify(book, lambda m: {"tensile.strength": m.results[0].value})
    (told,) = findings.of("result")
    assert (told.id, told.table, told.key) == (filled.measurements[0], "measurement", "1")
    assert findings.counts["results"] == 1


def test_a_changed_attachment_is_reported_by_its_digest(book: Book) -> None:
    """A script finds the file by it."""
    digest = hashlib.sha256(CURVE).hexdigest()
    book.files.path(digest).write_bytes(b"other")
    finding = _only(verify(book))
    assert (finding.kind, finding.table, finding.key) == ("attachment", "attachment", digest)


def test_the_record_of_the_book_itself_needs_no_number(book: Book) -> None:
    """There is one."""
    _change(book, "UPDATE book SET title = 'Another'")
    assert _only(verify(book)).text.startswith("The record of the book itself is not as entry 1 (")


def test_a_row_without_an_id_is_called_by_what_it_hangs_on(book: Book) -> None:
    """A weighing by its number, of its spool."""
    _change(book, "UPDATE weighing SET mass_g = 1 WHERE id = 1")
    finding = _only(verify(book))
    assert finding.text.startswith("The weighing 1 of spool S0001-R is not as")
    assert finding.id == "S0001-R"


def test_a_row_of_a_piece_is_called_by_the_id_of_the_piece(book: Book, filled: Filled) -> None:
    """Made of job and piece in that order."""
    with book.act("amend", WHO) as act:
        act.session.add(FactorRecord(specimen_id=3, name="colour", text="red", basis="told", source="typed"))
    _change(book, "UPDATE factor SET text = 'blue' WHERE specimen_id = 3")
    finding = _only(verify(book))
    assert finding.id == filled.specimens[2]
    assert finding.text.startswith(f"The factor 'colour' of specimen {filled.specimens[2]} is not as")


@pytest.mark.parametrize(
    ("table", "values", "id_"),
    [
        ("specimen", {"job_id": 12, "piece": 4}, specimen_id(12, 4)),
        ("specimen", {"job_id": None, "piece": 4}, ""),
        ("specimen", {"piece": 4}, ""),
        ("spool", {"id": "7"}, spool_id(7)),
        ("spool", {"id": "seven"}, ""),
        ("factor", {"id": 7}, ""),
    ],
)
def test_a_damaged_row_has_no_id(table: str, values: dict[str, object], id_: str) -> None:
    """What a row's label would carry, as far as the row still says it."""
    assert id_of(table, values) == id_


@pytest.mark.parametrize("body", ["[1]", "{", "3"])
def test_what_is_no_entry_is_reported_as_one_of_the_journal(book: Book, body: str) -> None:
    """By its number, in the journal."""
    last = _last(book)
    _rewrite(book, last, body)
    finding = verify(book).of("chain")[0]
    assert (finding.table, finding.key, "is not canonical JSON" in finding.text) == (
        "journal",
        str(last),
        True,
    )


def test_a_correction_of_a_row_whose_list_is_lost_is_not_doubted(book: Book) -> None:
    """What it was before stood in the list alone: the lost list is the one finding."""
    add_in_bulk(book, 30)
    manifest = _body(book, _last(book))["bulk"][0]["manifest"]  # type: ignore[index]
    with book.act("amend", "Ben") as act:
        act.session.get_one(Specimen, 15).note = "bent"
    book.files.path(manifest).unlink()
    assert "its rows cannot be checked" in _only(verify(book)).text


def test_tables_that_cannot_be_read_are_a_finding(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the database, with what it says; the stages after it still run."""

    def broken(_reader: RawTable, connection: object, **_how: object) -> object:
        return connection.execute(text("SELECT * FROM no_such_table"))  # type: ignore[attr-defined]

    if book.engine.dialect.name == "postgresql":
        pytest.skip("there a failed statement ends the transaction, and every stage after it")
    monkeypatch.setattr(RawTable, "batches", broken)
    findings = verify(book, lambda m: {"tensile.strength": m.results[0].value})
    finding = _only(findings)
    assert (finding.kind, finding.text) == (
        "database",
        "The tables cannot be read to the end: no such table: no_such_table",
    )
    assert findings.counts["results"] == 2


def test_a_torn_database_file_is_a_finding(places: Places) -> None:
    """Bytes in the middle of the file written over."""
    place = places.fresh("sqlite")
    with open_book(place) as torn:
        fill(torn)
        add_in_bulk(torn, 3000)
    file = Path(place) / BOOK_FILE
    data = bytearray(file.read_bytes())
    middle = len(data) * 3 // 4 // 4096 * 4096
    data[middle : middle + 4096] = b"\xff" * 4096
    file.write_bytes(data)
    with open_book(place) as torn:
        assert {finding.kind for finding in verify(torn).found} >= {"database"}


def test_progress_of_journal_and_results(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every so many, of how many there are."""
    monkeypatch.setattr(chain, "_SOME", 4)
    monkeypatch.setattr(recomputed, "_SOME", 1)
    told: list[tuple[str, int, int]] = []
    verify(
        book,
        lambda m: {"tensile.strength": m.results[0].value},
        lambda stage, done, total: told.append((stage, done, total)),
    )
    entries = _last(book)
    assert [each for each in told if each[0] == "journal"] == [
        ("journal", done, entries) for done in range(4, entries + 1, 4)
    ]
    assert [each for each in told if each[0] == "results"] == [("results", 1, 2), ("results", 2, 2)]


def test_the_ledger_is_one_transaction() -> None:
    """A transaction for each note would write every page of a million rows out at once."""
    with Ledger(["job"]) as ledger:
        ledger.note("job", [(1, 1, b"digest")])
        assert ledger._base.in_transaction
