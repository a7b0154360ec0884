"""Which results a filter lets into a table, and what is gathered to ask it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.conftest import begun_with
from tests.desk.bench import WHO, a_calibrated_rig, a_job, a_material, a_pull, a_spool, row_of
from tracker.api import FactorValue, hookimpl
from tracker.book import Book
from tracker.factors import factors_of
from tracker.model import FactorRecord
from tracker.plugins import Plugged, load
from tracker.selection import FilterError, ResultRow, parse_filter
from tracker.table import filtering, results_where
from tracker.table.filtering import narrowed_by, results_among, why_nothing

STRENGTH = "tensile.strength"


class Weather:
    """A plugin that knows the air pressure at every print."""

    @hookimpl
    def strandbook_factors(self, specimen: Any) -> list[FactorValue]:
        """Say 1001 hPa for the first piece, 1002 hPa for the second."""
        return [FactorValue("pressure_hpa", 1000.0 + int(specimen["id"][6:8]))]


@pytest.fixture(scope="module")
def weather() -> Plugged:
    """Load the methods and a plugin that adds a factor."""
    return load(extra=[("weather", Weather())])


def _pulled(book: Book) -> None:
    a_material(book)
    job = a_job(book, "bar:XYZ:2", spools=(a_spool(book, lot="L-17"),), nozzle_set_c=245)
    a_pull(book, job.also[0], sure=True, about={"operator": "Ada"}, rigs=[a_calibrated_rig(book)])
    a_pull(book, job.also[1], sure=True, about={"operator": "Bo"})


book_place = begun_with(pulled=_pulled)


@pytest.fixture
def pulled(book: Book) -> Book:
    """Give two pieces of a plate, printed at 245 °C, pulled by two people, one of them on a rig."""
    return book


@pytest.fixture
def gathered(monkeypatch: pytest.MonkeyPatch) -> list[tuple[bool, bool, bool]]:
    """Note what is gathered of pieces: whether plugins are asked, water is estimated, days are read."""
    seen: list[tuple[bool, bool, bool]] = []

    def noted(session: Any, pieces: Any, plugged: Any, *, water: bool, days: bool) -> Any:
        seen.append((plugged is not None, water, days))
        return factors_of(session, pieces, plugged, water=water, days=days)

    monkeypatch.setattr(filtering, "factors_of", noted)
    return seen


def strengths(rows: list[ResultRow]) -> Iterator[str]:
    """Yield the measurements of strengths."""
    return (row.measurement for row in rows if row.quantity == STRENGTH)


def found(book: Book, asked: str, plugged: Plugged | None = None) -> list[str]:
    """Return the measurements whose strengths a filter lets in."""
    return list(strengths(results_where(book, parse_filter(asked), None, plugged)))


def test_without_a_filter_all_results_are_in(pulled: Book) -> None:
    """Of all quantities, or of those that are named."""
    every = results_where(pulled, None)

    assert list(strengths(every)) == ["M0001-Y", "M0002-W"]
    assert [row.measurement for row in results_where(pulled, None, [STRENGTH])] == ["M0001-Y", "M0002-W"]
    assert results_where(pulled, None, ["impact.strength"]) == []


@pytest.mark.parametrize(
    ("asked", "wanted"),
    [
        ("nozzle_c=245", ["M0001-Y", "M0002-W"]),
        ("nozzle_c>245", []),
        ("operator=Bo", ["M0002-W"]),
        ("rig=Gantry", ["M0001-Y"]),
        ("pressure_hpa>1001", ["M0002-W"]),
        ("pressure_hpa>1001 operator=Bo", ["M0002-W"]),
        ("pressure_hpa<=1001 operator=Bo", []),
    ],
)
@pytest.mark.one_database("which database decides a term is the business of tests/selection")
def test_a_filter_may_ask_of_what_a_plugin_adds(
    pulled: Book, weather: Plugged, asked: str, wanted: list[str]
) -> None:
    """Beside what the book knows itself, and by all of its terms."""
    assert found(pulled, asked, weather) == wanted
    if "pressure" not in asked:
        assert found(pulled, asked) == wanted
        assert found(pulled, asked, load()) == wanted


@pytest.mark.one_database("names are compared in Python")
def test_a_name_that_is_recorded_nowhere_is_refused(pulled: Book, weather: Plugged) -> None:
    """Near ones are named; a plugin's own names are known once it was asked, and never without it."""
    with pytest.raises(FilterError, match="nozle_c"):
        found(pulled, "nozle_c=245")
    with pytest.raises(FilterError, match="pressure_hpa"):
        found(pulled, "pressure_hpa>1001")
    with pytest.raises(FilterError, match="presure_hpa"):
        found(pulled, "presure_hpa>1001", weather)


@pytest.mark.one_database("nothing is stored")
def test_of_an_empty_book_anything_may_be_asked(book: Book, weather: Plugged) -> None:
    """A page with a filter is opened before the first test: no name is recorded then, and none is wrong."""
    assert found(book, "humidity_of_march>3") == []
    assert found(book, "humidity_of_march>3", weather) == []


@pytest.mark.one_database("names are compared in Python")
def test_why_a_filter_lets_nothing_in(pulled: Book, weather: Plugged) -> None:
    """With what is recorded of that name, a plugin's too."""
    assert why_nothing(pulled, parse_filter("pressure_hpa>2000"), [STRENGTH], weather) == (
        "pressure_hpa>2000 holds of nothing. Recorded is 1001 to 1002."
    )
    assert why_nothing(pulled, parse_filter("operator=Cy")) == (
        "operator=Cy holds of nothing. There is Ada, Bo."
    )


@pytest.mark.parametrize(
    ("asked", "wanted"),
    [
        ("material=Nordlicht", None),
        ("rig=Gantry", None),
        ("age_h>1 rig=Gantry", None),
        ("nozzle_c>300", (False, False, False)),
        ("rig=Gantry nozzle_c>300", (False, False, False)),
        ("water_pct>1", (False, True, True)),
        ("open_air_h>1", (False, False, True)),
        ("drying_c>1 nozzle_c>300", (False, False, True)),
    ],
)
@pytest.mark.one_database("what is asked is decided in Python")
def test_no_more_is_gathered_than_is_asked(
    pulled: Book, gathered: list[tuple[bool, bool, bool]], asked: str, wanted: tuple[bool, ...] | None
) -> None:
    """Nothing of pieces for what is in a result's row or at its test; days and water only by name."""
    why_nothing(pulled, parse_filter(asked))

    assert gathered == ([] if wanted is None else [wanted])


@pytest.mark.one_database("what is asked is decided in Python")
def test_where_plugins_add_factors_all_is_gathered_for_them(
    pulled: Book, weather: Plugged, gathered: list[tuple[bool, bool, bool]]
) -> None:
    """They are told the days of the spool; a plugin that adds nothing costs nothing."""
    for plugged in (weather, load()):
        why_nothing(pulled, parse_filter("rig=Gantry"), None, plugged)
    assert gathered == [(True, False, True)]
    why_nothing(pulled, parse_filter("material=Nordlicht"), None, weather)
    assert gathered == [(True, False, True)]


@pytest.mark.parametrize(("given", "calls"), [("rig", 1), ("age_h", 0)])
def test_a_rig_that_was_given_to_a_piece_is_read_with_it(
    pulled: Book, gathered: list[Any], given: str, calls: int
) -> None:
    """A rig belongs to the test, but an old table may have given it to the piece: then it is looked up."""
    with pulled.act("factor", WHO) as act:
        number = row_of(pulled, "M0002-W").specimen_id
        known = {"specimen_id": number, "text": "Old frame", "basis": "imported", "source": "old.csv"}
        act.session.add(FactorRecord(name=given, **known))
    said = why_nothing(pulled, parse_filter("rig=Nothing"))

    assert len(gathered) == calls
    assert ("Old frame" in said) == bool(calls)


@pytest.mark.one_database("the statement is that of every list")
def test_some_results_come_with_what_is_left_to_be_asked(pulled: Book, weather: Plugged) -> None:
    """By numbers of results, or of measurements that the database lets in; bare where nothing is left."""
    numbers = {row.measurement: row.result for row in results_where(pulled, None, [STRENGTH])}
    asked = narrowed_by(pulled, parse_filter("operator=Bo pressure_hpa>0"), weather)
    bare = narrowed_by(pulled, parse_filter("counted=yes"), weather)
    with pulled.connect() as connection:
        by_result = results_among(connection, asked, weather, results=[numbers["M0001-Y"]])
        by_test = results_among(connection, bare, weather, measurements=[2])
        of_both = results_among(connection, asked, weather, measurements=[1, 2])

    assert [(row.measurement, row.quantity) for row in by_result] == [("M0001-Y", STRENGTH)]
    assert by_result[0].factors["pressure_hpa"].value == 1001.0
    assert {row.measurement for row in by_test} == {"M0002-W"}
    assert not any(row.factors for row in by_test)
    assert {row.measurement for row in of_both} == {"M0001-Y", "M0002-W"}
    assert {row.factors["operator"].value for row in of_both} == {"Ada", "Bo"}
    assert list(strengths(by_test)) == ["M0002-W"]
