"""Lists that are judged some records at a time, against the whole book asked in Python."""

from __future__ import annotations

import random
from collections.abc import Mapping
from itertools import islice
from types import SimpleNamespace
from typing import Any, Final

import pytest

from tests.selection.test_narrowing import _holds, _plain, _texts
from tracker import browse, listfilter, records
from tracker.api import FactorValue
from tracker.book import Book
from tracker.kinds import LISTS, listed, registry
from tracker.listfilter import asked_of
from tracker.plugins import Plugged
from tracker.records import factor_table
from tracker.selection import FilterError, parse_filter, selected, why_none

_OF_PYTHON: Final = (
    "age_h>0", "age_h>-1", "age_h<=24", "age_h>1e9", "age_h!=1", "rig='rig one'", "rig='rig one, rig two'",
    "rig!='rig one'", "open_air_h>=0", "open_air_h<40", "drying_c=80", "drying_c!=80", "age_h>0 counted=yes",
    "rig='rig one' quantity=hardness.shore value>44", "age_h!=3 rig!=x drying_c!=80", "rig=x printer=left",
    "rig='RIG TWO'", "rig='rig one' rig='rig two'", "rig='rig two' age_h!=1", "rig>1",
    "rig='rig two, rig one'",
)  # fmt: skip
"""Filters that the database decides not at all or in part, of which some let all through and some nothing."""


@pytest.fixture(autouse=True)
def _few_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(registry, "_JUDGED_FIRST", 3)
    monkeypatch.setattr(registry, "_JUDGED_MOST", 20)


def _listed(book: Book, kind: str, where: str, *, most: int | None = None) -> list[dict[str, Any]]:
    asked = asked_of(book, Plugged(), kind, where)
    with book.connect() as connection:
        rows = listed(connection, kind, where=asked.conditions, judge=asked.judge)
        return list(islice(rows, most))


def _all(book: Book, kind: str) -> list[dict[str, Any]]:
    with book.connect() as connection:
        return list(listed(connection, kind))


def test_results_and_measurements_are_those_of_the_plain_filter(tested: Book) -> None:
    """In the order of the whole list, to any limit, whoever decides the filter."""
    rows, all_of = _plain(tested), {kind: _all(tested, kind) for kind in ("results", "measurements")}
    found = empty = 0
    for number, text in enumerate([*_OF_PYTHON, *_texts(random.Random(31), 40)]):
        held = {(row.measurement, row.quantity) for row in selected(rows, parse_filter(text))}
        of_any = {measurement for measurement, _ in held}
        results = [row for row in all_of["results"] if (row["measurement"], row["quantity"]) in held]
        measurements = [row for row in all_of["measurements"] if row["id"] in of_any]
        most = (None, 1, 5)[number % 3]

        assert _listed(tested, "results", text, most=most) == results[:most], text
        assert _listed(tested, "measurements", text, most=most) == measurements[:most], text
        found, empty = found + bool(held), empty + (not held)
    assert found > 15
    assert empty > 5


def test_specimens_are_those_of_the_plain_filter(tested: Book) -> None:
    """By their columns and factors, those of the spools' days too."""
    known = {row["id"]: row for row in _all(tested, "specimens")}
    jobs = {row["id"]: row["name"] for row in _all(tested, "jobs")}
    of_all = {row["id"]: {**row, **known[row["id"]]} for row in factor_table(tested, bases=False)}
    texts = ["open_air_h>=0", "open_air_h!=1", "open_air_h>1e9", "drying_c=80 outcome=good", "drying_c!=80"]
    python = 0
    for number, text in enumerate([*texts, *_texts(random.Random(32), 60)]):
        try:
            asked = asked_of(tested, Plugged(), "specimens", text)
        except FilterError:
            continue
        python += asked.judge is not None
        plain = [row for ident, row in known.items() if _holds(parse_filter(text), of_all[ident], jobs)]
        most = (None, 1, 5)[number % 3]

        assert _listed(tested, "specimens", text, most=most) == plain[:most], text
        if not plain:
            told: list[str] = []
            assert not list(asked.kept((), told.append))
            assert told == [why_none(parse_filter(text), list(of_all.values()))], text
    assert python > 5


def test_every_other_list_is_that_of_the_plain_filter(tested: Book) -> None:
    """Every column with every sign, by values that are there and that are not; and the reason for none."""
    draw, told = random.Random(33), list[str]()
    jobs = {row["id"]: row["name"] for row in _all(tested, "jobs")}
    for kind in LISTS:
        rows = _all(tested, kind)
        if kind in ("results", "measurements", "specimens") or not rows:
            continue
        known = [{**row, "job": row["id"]} if kind == "jobs" else row for row in rows]
        for name in known[0]:
            for sign in ("=", "!=", "<", ">="):
                value = draw.choice([*{str(row[name]) for row in known}, "45", "nan", "left"])
                other = draw.choice([column for column in known[0] if column != name])
                for text in (f"{name}{sign}'{value}'", f"{name}{sign}'{value}' {other}!=45"):
                    wanted = parse_filter(text)
                    plain = [row for row, each in zip(rows, known, strict=True) if _holds(wanted, each, jobs)]
                    asked = asked_of(tested, Plugged(), kind, text)

                    assert _listed(tested, kind, text) == plain, (kind, text)
                    assert _listed(tested, kind, text, most=2) == plain[:2], (kind, text)
                    if not plain:
                        assert not list(asked.kept((), told.append))
                        assert told[-1] == why_none(wanted, known), (kind, text)
    assert len(told) > 20


_ON_PAGES: Final = (
    ("measurements", "rig='rig one'", "time"),
    ("measurements", "age_h>1e9", ""), ("specimens", "drying_c!=80", ""),
    ("specimens", "drying_c!=80 outcome!=x", "orientation"),
    ("jobs", "pieces>1 job!=x", "started"), ("jobs", "pieces>0 job!=x", "name"),
    ("spools", "material!=x", "received"),
)  # fmt: skip


@pytest.mark.parametrize(("kind", "where", "sort"), _ON_PAGES)
def test_pages_of_a_judged_list_are_those_of_the_plain_filter(
    tested: Book, monkeypatch: pytest.MonkeyPatch, kind: str, where: str, sort: str
) -> None:
    """In every order: whole, "more than" where it is not counted, and in parts that miss nothing."""
    names = {row["id"] for row in _listed(tested, kind, where)}
    order = [line.id for line in browse.list_page(tested, kind, sort=sort, size=10**6).lines]
    plain = [name for name in order if name in names]

    whole = browse.list_page(tested, kind, where=where, plugged=Plugged(), sort=sort, size=2)
    assert (whole.count, whole.more, whole.further) == (len(plain), False, 0)
    monkeypatch.setattr(browse, "COUNTED", 3)
    for page in range(1, len(plain) // 2 + 2):
        found = browse.list_page(tested, kind, where=where, plugged=Plugged(), sort=sort, page=page, size=2)
        at = min(page, max(1, -(-len(plain) // 2)))
        assert (found.page, [line.id for line in found.lines]) == (at, plain[2 * at - 2 : 2 * at])
        assert found.count < len(plain) if found.more else found.count == len(plain)

    monkeypatch.setattr(browse, "LOOKED", 5)
    monkeypatch.setattr(browse, "COUNTED", 10**6)
    begin, seen, looks = 0, list[str](), 0
    while not looks or begin:
        found = browse.list_page(
            tested, kind, where=where, plugged=Plugged(), sort=sort, begin=begin, size=40
        )
        assert not found.more
        assert found.begin == begin
        seen += [line.id for line in found.lines]
        begin, looks = found.further, looks + 1
    assert seen == plain
    assert looks > 1 or len(order) <= 5


@pytest.mark.parametrize(
    ("kind", "where"),
    [
        ("results", "age_h!=1e9"),
        ("measurements", "rig!=x"),
        ("specimens", "drying_c!=1"),
        ("jobs", "job!=x"),
    ],
)
def test_no_more_is_read_than_a_page_needs(tested: Book, kind: str, where: str) -> None:
    """Where the first records fill it the later ones are not looked at."""
    asked, read = asked_of(tested, Plugged(), kind, where), 0

    def counted(connection: Any, rows: Mapping[int, Mapping[str, Any]]) -> Any:
        nonlocal read
        read += len(rows)
        assert asked.judge is not None
        return asked.judge(connection, rows)

    with tested.connect() as connection:
        shown = list(islice(listed(connection, kind, where=asked.conditions, judge=counted), 3))
    assert (len(shown), read) == (3, 3)
    assert len(_all(tested, kind)) > 8


@pytest.mark.parametrize("adds", [False, True])
def test_factors_are_listed_in_parts_as_they_are_at_once(
    tested: Book, monkeypatch: pytest.MonkeyPatch, adds: bool
) -> None:
    """The same specimens and values, in the same columns but for some that are empty."""
    plugged: Any = SimpleNamespace(
        adds_factors=adds,
        factors=lambda piece: (
            [FactorValue("magic", 1.0, "typed", "")] if adds and piece["id"] > "J0004" else []
        ),
    )
    asked = asked_of(tested, plugged, "specimens", "outcome=good drying_c!=80")
    assert asked.judge is not None
    for where, judge in (((), None), (asked.conditions, asked.judge)):
        whole = list(factor_table(tested, plugged, bases=False, where=where, judge=judge))
        assert len(whole) > 6
        assert ("magic" in whole[0]) is adds
        with monkeypatch.context() as patch:
            patch.setattr(records, "_PART", 2)
            parts = list(factor_table(tested, plugged, bases=False, where=where, judge=judge))
        empty = {name for name in parts[0] if all(row[name] is None for row in parts)}
        assert [{name: row[name] for name in row if name not in empty} for row in parts] == [
            {name: row[name] for name in row if name not in empty} for row in whole
        ]
        assert set(whole[0]) <= set(parts[0])
        assert len({tuple(row) for row in parts}) == 1
        assert not (adds and empty - set(whole[0]))


@pytest.mark.parametrize("text", ["magic>1", "magic!=1", "lot!=nothing magic=2"])
def test_factors_of_plugins_are_asked_in_batches(tested: Book, text: str) -> None:
    """As if all specimens were asked at once; a name that no plugin adds either is refused before any row."""
    plugged: Any = SimpleNamespace(
        adds_factors=True,
        factors=lambda piece: (
            [FactorValue("magic", int(piece["id"][-3]), "typed", "")]
            if piece["id"][-3].isdigit() and piece["id"] > "J0002"
            else []
        ),
    )
    known = {row["id"]: row for row in _all(tested, "specimens")}
    of_all = {row["id"]: {**row, **known[row["id"]]} for row in factor_table(tested, plugged, bases=False)}
    plain = [row for ident, row in known.items() if _holds(parse_filter(text), of_all[ident], {})]
    asked = asked_of(tested, plugged, "specimens", text)
    with tested.connect() as connection:
        assert list(listed(connection, "specimens", where=asked.conditions, judge=asked.judge)) == plain
    with pytest.raises(FilterError, match="magik"):
        asked_of(tested, plugged, "specimens", "magik!=1")


def test_a_large_book_names_the_condition_that_held_of_nothing(
    tested: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a second look at all records, and without saying more than was seen."""
    monkeypatch.setattr(listfilter, "_SMALL", 0)
    for text, sentence in (
        ("age_h>1e9", "age_h>1e9 holds of nothing."),
        ("age_h!=1 rig=x", "rig=x holds of nothing."),
        ("counted=yes rig=x", "rig=x holds of nothing that counted=yes lets through."),
        ("value>1e12 rig=x", "value>1e12 holds of nothing."),
        ("age_h!=1 rig='rig one' rig=x", "rig=x holds of nothing that rig='rig one' lets through."),
        ("rig='rig one' age_h>1e9", "age_h>1e9 holds of nothing that rig='rig one' lets through."),
        ("rig!='rig one' rig='rig one'", "all together of nothing."),
    ):
        told: list[str] = []
        asked = asked_of(tested, Plugged(), "results", text)
        with tested.connect() as connection:
            rows = listed(connection, "results", where=asked.conditions, judge=asked.judge)
            assert not list(asked.kept(rows, told.append))
        assert told[0].endswith(sentence), text
