"""A table of results held in memory is that of the book, whatever was done to it meanwhile."""

from __future__ import annotations

import random
from typing import Any

import pytest

from tests.factors.test_kept import ACTS, WHO, any_row
from tracker.acts import Act
from tracker.book import Book
from tracker.model import Job, Material, Measurement, Specimen, StoragePeriod
from tracker.table import HeldResults, summary_table

GRADES = ("impact.energy",)


def _noted(act: Act, draw: random.Random) -> None:
    kind = draw.choice([Job, Specimen, Measurement])
    row = any_row(act, kind, draw)
    if row is not None:
        setattr(row, "note" if kind is Job else "remark", draw.choice([None, "stringy", "lifted"]))


def _stored(act: Act, draw: random.Random) -> None:
    row = any_row(act, StoragePeriod, draw)
    if row is not None:
        row.place = draw.choice(["open air", "dry box"])


def _renamed(act: Act, draw: random.Random) -> None:
    row = any_row(act, Material, draw)
    if row is not None:
        row.name = f"Material {act.seq}, renamed"


def _said(book: Book, held: HeldResults | None) -> list[Any]:
    """Return all that a table says, figures to nine digits: sums may be added up in another order."""
    told = summary_table(book, ordinal=GRADES, held=held)
    rows = [_short(row.as_json()) for row in told.rows]
    for row in rows:
        row["cells"].sort(key=lambda cell: (cell["quantity"], cell["orientation"], cell["group"] or ""))
        for cell in row["cells"]:
            cell["values"] = sorted(cell["values"])
            cell["results"] = sorted(cell["results"])
            cell["limits"] = sorted(cell["limits"])
    return [rows, told.columns, told.units]


def _short(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.9g}")
    if isinstance(value, dict):
        return {name: _short(each) for name, each in value.items()}
    return [_short(each) for each in value] if isinstance(value, list) else value


@pytest.mark.parametrize("seed", range(3))
def test_after_any_acts_it_is_the_table_of_the_book(book: Book, seed: int) -> None:
    """Jobs, corrections, notes, dryings, results, bulk and what is taken back: as if all was read again."""
    draw = random.Random(seed)
    held = HeldResults(GRADES)
    for turn in range(60):
        with book.act("bench", WHO, reason="drawn") as act:
            (*ACTS, _noted, _noted, _stored, _renamed)[draw.randrange(len(ACTS) + 4)](act, draw)
        if turn % 6 == 5:
            assert _said(book, held) == _said(book, None)
    assert len(summary_table(book, held=held).rows) > 3


def test_only_what_an_act_touched_is_read_again(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    """A second look after a result reads one plate; without anything new it reads none."""
    draw = random.Random(1)
    for doing in (*ACTS[:3], *ACTS[2:4], *[ACTS[-3]] * 9):
        with book.act("bench", WHO) as act:
            doing(act, draw)
    held = HeldResults()
    before, _ = held.renewed(book)
    read: list[Any] = []
    monkeypatch.setattr(type(before), "renew", lambda *args, **_: read.append(args[2]))
    assert held.renewed(book)[0] is before
    with book.act("bench", WHO) as act:
        row = act.session.get_one(Specimen, 1)
        row.note = "looked at again"
    held.renewed(book)
    assert read == [{row.job_id}]


def test_rows_are_computed_when_they_are_looked_at(book: Book) -> None:
    """A page of a long table costs its own rows; those looked at before stay as they are."""
    draw = random.Random(2)
    for doing in (*ACTS[:3], *ACTS[:3], *[ACTS[-3]] * 12):
        with book.act("bench", WHO) as act:
            doing(act, draw)
    rows = summary_table(book, held=HeldResults()).rows
    whole = summary_table(book).rows

    assert rows[0] is rows[0]
    assert [row.words for row in rows[:1]] == [whole[0].words]
    assert [row.material for row in rows] == [row.material for row in whole]
