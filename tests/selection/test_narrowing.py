"""Filters put to the database, against the same filters asked of every record in Python."""

from __future__ import annotations

import random
from typing import Any, Final

import pytest
from sqlalchemy import Connection, and_, select

from tests.factors.test_kept import WHO
from tracker.book import Book
from tracker.factors import REGISTRY, factors_of
from tracker.ids import job_id
from tracker.kinds import kind_named, listed
from tracker.model import Measurement, Result, Specimen
from tracker.plate_sums import _OF_PIECES
from tracker.plugins import Plugged
from tracker.records import factor_table
from tracker.selection import (
    FilterError,
    check_filter,
    measured_where,
    narrowed,
    narrowing,
    parse_filter,
    recorded_names,
    result_rows,
    selected,
    with_factors,
)
from tracker.selection.narrowing import term_without
from tracker.table.filtering import results_where

_VALUES: Final = {
    "material": ["'Material 2'", "'material 2'", "nobody"],
    "family": ["asa", "PETG"],
    "orientation": ["Z", "upright", "'on edge'", "XYZ"],
    "outcome": ["good", "usable"],
    "geometry": ["BAR", "cube"],
    "method": ["tensile", "Hardness"],
    "source": ["typed"],
    "quantity": ["tensile.strength", "hardness.shore"],
    "counted": ["yes", "no", "maybe"],
    "value": ["44", "50.0", "nan", "high"],
    "job": ["'plate 1'", "J0001-J", "imported", "J0001"],
    "specimen": ["J0001-01-K", "j0001-01-k", "S0001-4", "J0001"],
    "measurement": ["M0001-3", "x"],
    "operator": ["bo", "Ada", "260"],
    "rig": ["'rig one'", "'rig one, rig two'"],
    "age_h": ["24", "-1"],
    "room_c": ["22", "inf"],
    "method_version": ["1.0", "1"],
    "nozzle_c": ["250", "247.5", "45", "left", "nan"],
    "chamber_c": ["61.5", "70"],
    "fan_pct": ["0", "20"],
    "layer_time_s": ["6.5", "10"],
    "height_mm": ["4", "2"],
    "x_mm": ["20", "45"],
    "filament_g": ["4.2"],
    "printer": ["left", "STRASSE", "right", "45"],
    "lot": ["L1", "260", "259.9", "ä-7"],
    "spool": ["S0001-4", "s0002-2"],
    "attempt": ["1", "2"],
    "infill_pct": ["45", "left", "44"],
    "open_air_h": ["1", "40"],
    "drying_c": ["80"],
}
_SIGNS: Final = ("=", "!=", "<", "<=", ">", ">=")


def _texts(draw: random.Random, count: int) -> list[str]:
    names = list(_VALUES)
    made = []
    for _ in range(count):
        terms = []
        for name in draw.sample(names, draw.choice([1, 1, 2, 3])):
            sign = draw.choice(_SIGNS[:2] if name == "orientation" else _SIGNS)
            terms.append(f"{name}{sign}{draw.choice(_VALUES[name])}")
        made.append(" ".join(terms))
    return made


def _plain(book: Book) -> list[Any]:
    """Return all results with all factors, as they were read before any was asked of the database."""
    with book.read() as session:
        rows = result_rows(session.connection())
        pieces = {row.specimen_row for row in rows if row.specimen_row is not None}
        with_factors(session, rows, factors_of(session, sorted(pieces)))
    return rows


def test_results_are_those_of_the_plain_filter(tested: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every name, every sign, alone and together: the database finds what Python finds."""
    rows = _plain(tested)
    pushed = found = 0
    for number, text in enumerate(_texts(random.Random(2), 160)):
        # Statements for much that is found are other ones than for little.
        monkeypatch.setattr(narrowing, "_FEW", (2, 2000)[number % 2])
        wanted = parse_filter(text)
        with tested.connect() as connection:
            within = narrowed(connection, wanted, "results")
            shown = [row.result for row in result_rows(connection, narrowed=within)]
            lines = list(listed(connection, "results", where=(*within.conditions, *within.of_results)))
        plain = [row.result for row in selected(rows, wanted)]
        assert len(lines) == len(shown), text
        assert [row.result for row in results_where(tested, wanted)] == plain, text
        if within.whole:
            assert shown == plain, text
            pushed, found = pushed + 1, found + bool(plain)

    assert pushed > 80
    assert found > 30


def test_few_plates_are_not_sought_among_all_results(tested: Book) -> None:
    """SQLite begins with the plates that are asked for: results of others cost it no step more."""
    with tested.connect() as connection:
        if connection.dialect.name != "sqlite":
            return
        asked: list[Any] = [_OF_PIECES.where(Specimen.job_id.in_([1, 2, 3]))]
        for text in (*(f"job={job_id(number)}" for number in (1, 2, 3)), "lot=L1"):
            within = narrowed(connection, parse_filter(text), "results")
            asked.append(kind_named("results").listing().where(*within.conditions))
        others = select(Specimen.id).where(Specimen.job_id > 3, ~and_(*within.conditions))
        before = [_steps(connection, each) for each in asked]
    with tested.act("measure", WHO) as act:
        other = act.session.scalars(others).first()
        assert other is not None
        for _ in range(40):
            row = Measurement(specimen_id=other, method="tensile", source="typed")
            act.session.add(row)
            act.session.flush()
            act.session.add(
                Result(
                    measurement_id=row.id, quantity="tensile.strength", value=44.0, unit="MPa", relation="=",
                    remarks=[], counted=True,
                )
            )  # fmt: skip
    with tested.connect() as connection:
        assert [_steps(connection, each) for each in asked] == before
        assert _steps(connection, kind_named("results").listing()) > max(before)


def _steps(connection: Connection, statement: Any) -> int:
    """Return how many instructions of its own SQLite takes for a statement."""
    counted = 0

    def count() -> int:
        nonlocal counted
        counted += 1
        return 0

    sql = str(statement.compile(connection, compile_kwargs={"literal_binds": True}))
    driver: Any = connection.connection.driver_connection
    driver.set_progress_handler(count, 1)
    try:
        driver.execute(sql).fetchall()
    finally:
        driver.set_progress_handler(None, 1)
    return counted


def test_measurements_are_those_with_such_a_result(tested: Book) -> None:
    """A measurement is listed where any one of its results fulfils the whole filter."""
    rows = _plain(tested)
    for text in (
        "counted=yes",
        "quantity=tensile.strength value>=50",
        "nozzle_c>200 counted=no",
        "printer=left",
    ):
        wanted = parse_filter(text)
        with tested.connect() as connection:
            within = narrowed(connection, wanted, "results")
            shown = {row["id"] for row in listed(connection, "measurements", where=measured_where(within))}

        assert shown == {row.measurement for row in selected(rows, wanted)}, text


def test_specimens_are_those_of_the_plain_filter(tested: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the columns of their list first, by factors else."""
    with tested.connect() as connection:
        known = {row["id"]: dict(row) for row in listed(connection, "specimens")}
        jobs = {row["id"]: row["name"] for row in listed(connection, "jobs")}
    for row in factor_table(tested, bases=False):
        known[row["id"]] = {**row, **known[row["id"]]}
    pushed = 0
    for number, text in enumerate([*_texts(random.Random(5), 120), "name=bar", "remark!=x", "id=J0001-01-K"]):
        monkeypatch.setattr(narrowing, "_FEW", (2, 2000)[number % 2])
        wanted = parse_filter(text)
        with tested.connect() as connection:
            within = narrowed(connection, wanted, "specimens")
            if not within.whole:
                continue
            shown = [row["id"] for row in listed(connection, "specimens", where=within.conditions)]
        plain = [name for name, row in known.items() if _holds(wanted, row, jobs)]
        pushed += 1
        assert sorted(shown) == sorted(plain), text

    assert pushed > 60


def _holds(wanted: Any, row: dict[str, Any], jobs: dict[str, str | None]) -> bool:
    held = True
    for term in wanted.terms:
        if term.name == "job":
            hits = [term.holds(name) for name in (row["job"], jobs[row["job"]]) if name is not None]
            held = held and (all(hits) if term.sign == "!=" else any(hits))
        else:
            held = held and term.holds(row.get(term.name))
    return held


def test_what_depends_on_days_rigs_and_ages_is_left_to_python(book: Book) -> None:
    """The database is asked of what is kept; the rest of a filter comes back as a filter."""
    with book.connect() as connection:
        within = narrowed(connection, parse_filter("material=X water_pct>0.2 rig=a age_h<3"), "results")

    assert str(within.rest) == "water_pct>0.2 rig=a age_h<3"
    assert len(within.conditions) == 1


def test_a_plugin_with_factors_of_its_own_is_asked(book: Book) -> None:
    """Where a plugin may know a factor that the book does not, no factor is decided without it."""
    with book.connect() as connection:
        within = narrowed(connection, parse_filter("material=X nozzle_c>2"), "results", plugins_add=True)

    assert str(within.rest) == "nozzle_c>2"
    assert not Plugged().adds_factors


def test_names_are_those_recorded(tested: Book) -> None:
    """A misspelt name is refused, one that was only ever given outright is known."""
    registry = {factor.name for factor in REGISTRY}
    with tested.connect() as connection:
        assert "infill_pct" in recorded_names(connection) - registry
        assert check_filter(connection, parse_filter("infill_pct>1"), ())
        assert not check_filter(connection, parse_filter("magic=1"), (), plugins_add=True)
        with pytest.raises(FilterError, match="nozle_c"):
            check_filter(connection, parse_filter("nozle_c>1"), ())


def test_the_condition_that_holds_of_nothing_is_named(tested: Book) -> None:
    """In a large book the sentence names the condition and does not go through all values."""
    with tested.connect() as connection:
        assert term_without(connection, parse_filter("outcome=good nozzle_c>900"), "specimens") == (
            "nozzle_c>900 holds of nothing."
        )
        assert "all together of nothing" in term_without(
            connection, parse_filter("printer=left printer=right"), "specimens"
        )
