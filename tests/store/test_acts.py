"""What an act keeps, and how."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any, Final

import pytest
from sqlalchemy import Dialect, select
from sqlalchemy.dialects import postgresql, sqlite

from tests.books import add_in_bulk, add_material, fill
from tracker.acts import act as act_module
from tracker.acts.recording import insert_into, table_of
from tracker.book import Book, open_book
from tracker.model import JournalRecord, Material, Measurement, Result, Spool


def _bodies(book: Book) -> list[dict[str, object]]:
    with book.connect() as connection:
        return [
            json.loads(body)
            for body in connection.scalars(select(JournalRecord.body).order_by(JournalRecord.seq))
        ]


def test_a_filled_book_opens_again(book: Book, book_place: str) -> None:
    """A book that was filled and closed opens with the same code."""
    fill(book)
    book.close()

    with open_book(book_place) as again:
        assert again.code == book.code


def test_one_act_is_one_entry(book: Book) -> None:
    """One act adds one entry to the journal, numbered after the last."""
    before = _bodies(book)

    add_material(book)

    assert [entry["seq"] for entry in _bodies(book)] == [*(e["seq"] for e in before), len(before) + 1]


def test_bulk(book: Book) -> None:
    """A bulk import is one entry, whatever the number of rows."""
    before = len(_bodies(book))

    add_in_bulk(book, 250)

    assert len(_bodies(book)) == before + 1


_TEXTS: Final = (
    "",
    "a 'b' \"c\" \\d %s {e} $f$",
    "Zeile 1\nZeile 2\t",
    "Größe ≥ 5 µm 🧵 שלום",
    "null",
    "[1]",
    None,
)
_NUMBERS: Final = (0.1 + 0.2, -0.0, 1e-300, 1.7976931348623157e308, 5.0, 12, None)
_TIMES: Final = (
    dt.datetime(2026, 3, 29, 1, 59, 59, 999999, dt.UTC),
    dt.datetime(1970, 1, 1, tzinfo=dt.UTC),
    None,
)
_DOCUMENTS: Final = ({"a": [1, 2.5, None, "ü"], "b": {}}, {}, None)


def test_many_rows_are_stored_as_a_few_are(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    """PostgreSQL is given thousands of rows in another way: the same values arrive, of every type."""
    add_material(book)
    spools = [
        {
            "id": n, "material_id": 1, "lot": _TEXTS[n % 7], "net_g": _NUMBERS[n % 7],
            "wound_at": _TIMES[n % 3],
            "received_on": None if n % 2 else dt.date(2026, 2, 28),
        }
        for n in range(50, 71)
    ]  # fmt: skip
    measured = [
        {
            "id": n, "spool_id": n, "method": "density", "source": "given", "at": _TIMES[n % 3],
            "readings": _DOCUMENTS[n % 3], "remark": _TEXTS[(n + 3) % 7], "room_c": _NUMBERS[(n + 1) % 7],
        }
        for n in range(50, 71)
    ]  # fmt: skip
    results = [
        {
            "id": n, "measurement_id": n, "quantity": "density.density", "value": _NUMBERS[n % 7],
            "unit": "g/cm^3",
            "remarks": [_TEXTS[n % 7]], "counted": n % 2 == 0, "group": _TEXTS[(n + 1) % 7],
        }
        for n in range(50, 71)
    ]  # fmt: skip
    tables: list[tuple[Any, list[dict[str, Any]]]] = [
        (Spool, spools),
        (Measurement, measured),
        (Result, results),
    ]
    keys = ("id", "spool_id", "measurement_id")
    for many, further in ((10**9, 0), (1, 100)):
        monkeypatch.setattr(act_module, "_MANY", many)
        with book.act("import", "Ada Bench") as act:
            for model, rows in tables:
                act.bulk(model, [{**row, **{k: row[k] + further for k in keys if k in row}} for row in rows])
    with book.connect() as connection:
        for model, rows in tables:
            there = [
                dict(row._mapping) for row in connection.execute(select(model.__table__).order_by(model.id))
            ]
            there = [{k: v for k, v in row.items() if k not in (*keys, "entry")} for row in there]
            assert len(there) == 2 * len(rows)
            assert repr(there[: len(rows)]) == repr(there[len(rows) :])


@pytest.mark.parametrize("dialect", [sqlite.dialect(), postgresql.dialect()], ids=lambda each: each.name)
def test_rows_bound_together_are_those_bound_alone(dialect: Dialect) -> None:
    """Column by column the database gets the same values, defaults and empty columns among them."""
    rows = [
        {
            "id": n, "method": "density", "source": "given", "at": _TIMES[n % 3], "confirmed": None,
            "readings": _DOCUMENTS[n % 3], "remark": _TEXTS[n % 7], "room_c": _NUMBERS[n % 7],
        }
        for n in range(21)
    ]  # fmt: skip
    results = [{"id": n, "measurement_id": n, "value": _NUMBERS[n % 7], "unit": "mm"} for n in range(21)]
    for model, some in ((Measurement, rows), (Result, results)):
        into = insert_into(table_of(model), (*some[0], "entry"), dialect)
        assert repr(into.many_values(some, entry=3)) == repr([into.values(row, entry=3) for row in some])
        assert into.many_values([], entry=3) == []


def test_a_row_changed_twice_in_one_act_is_before_what_it_was_before_the_act(book: Book) -> None:
    """Flushed in between, it was something else for a while, which nobody ever saw."""
    fill(book)
    with book.act("correct", "Ada") as act:
        row = act.session.get_one(Material, 1)
        row.name = "for a while"
        act.session.flush()
        row.name = "in the end"
        seq = act.seq
    with book.read() as session:
        body = json.loads(session.get_one(JournalRecord, seq).body)
    (change,) = body["rows"]
    assert (change["before"]["name"], change["after"]["name"]) == ("Nordlicht ASA", "in the end")
    assert change["before"]["entry"] < seq
