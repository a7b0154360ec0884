"""What is asked, put together from rows by hand: sides, words, factors, and what a survey gathers."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
from collections import Counter
from collections.abc import Mapping
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from tracker.api import FactorValue
from tracker.comparing import Scope, asking, survey
from tracker.comparing.asking import (
    SECTION,
    _jobs_near,
    _matters,
    _nowhere,
    _observation,
    _of_others,
    _orientations,
    _problem,
    _registry,
    _scope_words,
    _section,
    _settings,
    _Sides,
    _tested,
    _when,
    _within_scope,
    factor_of,
    in_registry,
    question_of,
    value_of,
)
from tracker.comparing.survey import (
    MOST,
    MOST_ONE_BY_ONE,
    _age,
    _Column,
    _days,
    _first_job,
    _microseconds,
    _moment,
    _one_a_cause,
    _Part,
    _spans,
)
from tracker.comparing.usual import _differing, _usual
from tracker.errors import Refused
from tracker.factors import REGISTRY
from tracker.selection import ResultRow
from tracker.why import Entries, Question

AT = dt.datetime(2026, 5, 4, 22, 30, tzinfo=dt.UTC)
VIENNA = ZoneInfo("Europe/Vienna")


def row(number: int, **changes: Any) -> ResultRow:
    """Return a result of a piece of job 1."""
    known: dict[str, Any] = dict.fromkeys(field.name for field in dataclasses.fields(ResultRow))
    known |= {
        "result": number, "measurement": f"M{number:04d}", "quantity": "tensile.strength",
        "value": 50.0 + number,
        "unit": "MPa", "relation": "=", "counted": True, "remarks": (), "method": "tensile", "at": AT,
        "source": "typed", "specimen": f"P{number}", "job": "J0001-J",
        "printed_at": AT - dt.timedelta(days=2),
        "orientation": "ZXY", "material": "ASA-1", "family": "ASA", "factors": {}, "bench": "",
    }  # fmt: skip
    return ResultRow(**{**known, **changes})


def sides(a: list[ResultRow], b: list[ResultRow], rest: list[ResultRow] | None = None, **more: Any) -> _Sides:
    """Return two sides at a bench in Vienna."""
    return _Sides(a, b, rest or [], VIENNA, **more)


def nozzle(value: Any, **more: Any) -> FactorValue:
    """Return a nozzle's temperature."""
    return FactorValue("nozzle_c", value, "degC", **{"basis": "commanded", **more})


def _entries(values: Mapping[str, list[Any]]) -> dict[str, Entries]:
    return {name: Entries.of(each) for name, each in values.items()}


class TestSides:
    """Who is compared with whom."""

    def test_what_cannot_be_compared_is_counted(self) -> None:
        """A result without a value, or set aside; of those beside A and B nobody is told."""
        a, b = [row(1), row(2, value=None), row(3, counted=False)], [row(4), row(5, counted=False)]
        rest = [row(6), row(7, value=None), row(8, material="PC", family="PC"), row(9, material="ASA-2")]
        found = _within_scope(a, b, [*a, *b, *rest], Scope(), VIENNA)
        assert [[each.result for each in part] for part in (found.a, found.b, found.rest)] == [[1], [4], [6]]
        assert [[each.result for each in part] for part in found.aside] == [[3], [5]]
        assert found.excluded == Counter({"the method gave no value": 1, "set aside by a verdict": 2})
        every = _within_scope(a, b, [*a, *b, *rest], Scope(only_counted=False, family=True), VIENNA)
        assert [each.result for each in every.rest] == [6, 9]
        assert [each.result for each in every.a] == [1, 3]
        assert every.aside == ([], [])

    def test_materials_without_a_family_are_no_family(self) -> None:
        """None is not the family of another whose family nobody stated."""
        a, b = [row(1, family=None)], [row(2, family=None)]
        found = _within_scope(a, b, [*a, *b, row(3, material="PC", family=None)], Scope(family=True), VIENNA)
        assert found.rest == []

    @pytest.mark.parametrize(
        ("a", "b", "ways"),
        [
            (["ZXY", "XYZ"], ["ZXY"], ["upright"]), (["ZXY"], ["XYZ"], [None]), ([None], [None], [""]),
            (["ZXY", "XYZ"], ["XYZ", "ZXY"], ["flat", "upright"]), ([None, "ZXY"], ["ZXY"], ["upright"]),
        ],
    )  # fmt: skip
    def test_orientations_are_answered_one_by_one(self, a: list[Any], b: list[Any], ways: list[Any]) -> None:
        """Those that both sides have; where they share none it is itself in question."""
        found = sides(
            [row(n, orientation=each) for n, each in enumerate(a)],
            [row(9 + n, orientation=each) for n, each in enumerate(b)],
        )
        assert _orientations("tensile.strength", found) == ways
        assert _orientations("other", found) == [None]

    def test_a_problem_holds_each_result_once(self) -> None:
        """A, B and the rest of one quantity and orientation, with what was set aside beside them."""
        a, b = [row(1), row(2, quantity="other")], [row(1), row(3)]
        rest = [row(4), row(5, orientation="XYZ")]
        given = sides(a, b, rest, aside=([row(6)], [row(7), row(8, orientation="XYZ")]), bounded="of 400")
        given.excluded["x"] = 2
        given.costs["J0001-J"] = (2.0, 30.0)
        found = _problem(
            None, "tensile.strength", "upright", given, Scope(matters="2 MPa"), ("left", "right")
        )
        assert [each.result_id for each in found.observations] == ["M0001", "M0003", "M0004"]
        assert sorted(found.a) == ["M0001"]
        assert sorted(found.b) == ["M0001", "M0003"]
        assert (found.label_a, found.label_b, found.excluded) == ("left", "right", {"x": 2})
        assert [each.result_id for each in found.aside] == ["M0006", "M0007"]
        assert found.aside_a == {"M0006"}
        assert (found.matters, found.matters_in_unit) == (2.0, True)
        assert found.scope == "method tensile; pieces upright; material ASA-1; of 400"
        assert found.costs == {"J0001-J": (2.0, 30.0)}
        either = _problem(None, "tensile.strength", None, given, Scope(), ("left", "right"))
        assert len(either.observations) == 4
        assert (either.matters, either.matters_in_unit) == (None, False)

    def test_a_side_that_names_nothing(self) -> None:
        """Says of what, and of which time."""
        named = asking.Named("J0009", names=frozenset({"J0009"}))
        rows = [row(1)]
        assert (
            _tested(dataclasses.replace(named, names=frozenset({"P1"})), rows, None, Scope(), VIENNA) == rows
        )
        with pytest.raises(Refused) as refused:
            _tested(named, rows, None, Scope(), VIENNA)
        assert refused.value.what == "J0009 has no results"
        with pytest.raises(Refused) as refused:
            _tested(named, rows, "tensile.strength", Scope(until=AT), VIENNA)
        assert refused.value.what == "J0009 has no results of tensile.strength before 2026-05-05"
        other = asking.Named("PC", material="PC")
        with pytest.raises(Refused, match="PC has no results"):
            _tested(other, rows, None, Scope(), VIENNA)
        own = asking.Named("ASA-1", material="ASA-1")
        assert _tested(own, rows, None, Scope(), VIENNA) == rows

    def test_a_time_in_words(self) -> None:
        """By the bench's days: half past ten in the evening in UTC is tomorrow in Vienna."""
        assert _when(Scope(), VIENNA) == []
        assert _when(Scope(since=AT, until=AT), VIENNA) == ["since 2026-05-05", "before 2026-05-05"]
        assert _when(Scope(until=AT), dt.UTC) == ["before 2026-05-04"]

    def test_other_books_are_read_within_the_time(self) -> None:
        """From the first moment on, before the last; of the quantity asked."""
        others = [
            row(1, at=AT), row(2, at=AT - dt.timedelta(seconds=1)), row(3, at=AT + dt.timedelta(days=1)),
            row(4, at=None), row(5, quantity="other"),
        ]  # fmt: skip
        session: Any = None
        scope = Scope(since=AT, until=AT + dt.timedelta(days=1), others=others)
        assert [each.result for each in _of_others(session, "tensile.strength", scope)] == [1]
        assert [each.result for each in _of_others(session, None, Scope(others=others))] == [1, 2, 3, 4, 5]
        assert [each.result for each in _of_others(session, None, Scope(until=AT, others=others))] == [2]

    def test_of_very_many_plates_those_near_and_some_of_the_others(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """By distance from the nearest that is named, the lower number first; the rest spread evenly."""
        monkeypatch.setattr(asking, "_NEAREST", 4)
        monkeypatch.setattr(asking, "_SPREAD", 2)
        session: Any = SimpleNamespace(scalars=lambda _: range(1, 21))
        jobs, words = _jobs_near(session, ["ASA-1"], frozenset({5, 20}))
        assert jobs is not None
        assert sorted(jobs[:2]) == [5, 20]
        assert jobs[2:6] == [4, 6, 19, 3]
        # Left are 1, 2, 7 to 18: the first of them, and the one halfway.
        assert jobs[6:] == [1, 12]
        assert words == "of 18 other plates the 4 printed nearest to these and 2 spread over the rest"
        few: Any = SimpleNamespace(scalars=lambda _: range(1, 8))
        assert _jobs_near(few, ["ASA-1"], frozenset({5})) == (None, "")


class TestWords:
    """What a question and its scope are called."""

    @pytest.mark.parametrize(
        ("way", "about"), [("upright", "interlayer"), ("flat", "in-plane"), ("on edge", ""), ("", "")]
    )
    def test_a_question(self, way: str, about: str) -> None:
        """As its method declares it; of what nobody declares all is positive."""
        declared = SimpleNamespace(positive=True, larger_is_better=False, scale="ordinal", title="strength")
        found = question_of(declared, "q", "MPa", way, [1.0, 2.0])
        assert found == Question("q", "MPa", False, True, True, None, about, way, "strength")
        assert question_of(None, "q", "MPa", "", [1.0]) == Question("q", "MPa")

    @pytest.mark.parametrize(
        ("declared", "values", "positive"),
        [
            (True, [0.0, 1.0], True), (True, [0.0, 0.0], False), (True, [-0.1, 5.0], False),
            (False, [1.0, 2.0], False), (None, [1.0], True), (None, [-1.0, 1.0], False),
        ],
    )  # fmt: skip
    def test_a_quantity_is_positive_where_it_is_declared_and_read_so(
        self, declared: bool | None, values: list[float], positive: bool
    ) -> None:
        """Zero is let through, if not all are zero."""
        of = SimpleNamespace(positive=declared, larger_is_better=None, scale="ratio", title="")
        assert question_of(None if declared is None else of, "q", "mm", "", values).positive is positive

    @pytest.mark.parametrize(
        ("typed", "matters", "in_unit"),
        [
            ("5 %", 0.05, False), ("2", 2.0, True), (" 2.5 MPa ", 2.5, True), ("5%", 0.05, False),
        ],
    )  # fmt: skip
    def test_what_matters(self, typed: str, matters: float, in_unit: bool) -> None:
        """Per cent, or a number in the unit, with it or without; what nobody asked is not in it."""
        found = _matters(typed, Question("q", "MPa"))
        assert found == {"matters": pytest.approx(matters), "matters_in_unit": in_unit}
        assert _matters(None, Question("q", "MPa")) == {}

    @pytest.mark.parametrize("typed", ["", "much", "0", "-1 MPa", "0 %", "inf", "nan", "2 mm"])
    def test_what_is_no_difference(self, typed: str) -> None:
        """It must be a number above zero."""
        with pytest.raises(Refused, match="is no difference"):
            _matters(typed, Question("q", "MPa"))

    def test_what_may_be_negative_has_no_per_cent(self) -> None:
        """It is asked for in the unit."""
        with pytest.raises(Refused, match=r"has no per cent.*Write it in mm"):
            _matters("5 %", Question("q", "mm", positive=False))
        assert _matters("5", Question("q", "mm", positive=False)) == {"matters": 5.0, "matters_in_unit": True}

    @pytest.mark.parametrize(
        ("way", "scope", "words"),
        [
            ("flat", Scope(), "method creep, tensile; pieces flat; material ASA-1, not recorded"),
            ("", Scope(), "method creep, tensile; orientation not recorded; material ASA-1, not recorded"),
            (None, Scope(family=True), "method creep, tensile; every orientation; 2 materials of the family"),
            (
                "flat", Scope(since=AT),
                "method creep, tensile; pieces flat; material ASA-1, not recorded; since 2026-05-05",
            ),
        ],
    )  # fmt: skip
    def test_a_scope(self, way: str | None, scope: Scope, words: str) -> None:
        """Methods, orientation, materials, time."""
        rows = [row(1), row(2, method="creep", material=None)]
        assert _scope_words(rows, way, scope, VIENNA) == words

    def test_raw_settings(self) -> None:
        """Each text once, in the order of the plates; a job is read once; none where nobody gives them."""
        asked: list[str] = []

        def give(job: str) -> dict[str, str]:
            asked.append(job)
            return {"speed": {"J1": "40", "J2": "60", "J3": "40"}[job], "fan": "30"}

        rows = [row(n, job=job) for n, job in enumerate(["J1", "J2", "J1", None, "J3"])]
        assert _settings(rows, Scope(settings=give)) == {"speed": "40 / 60", "fan": "30"}
        assert asked == ["J1", "J2", "J3"]
        assert _settings(rows, Scope()) == {}


class TestFactors:
    """What is recorded of a result."""

    @pytest.mark.parametrize(
        ("readings", "area"),
        [
            ({"area": "40"}, 40.0), ({"width": "10", "thickness": "4.1"}, 41.0),
            ({"area": 12, "width": 1}, 12.0),
            ({}, None), ({"width": "10"}, None), ({"width": "10", "thickness": "x"}, None),
            ({"area": "x"}, None),
            ({"area": []}, None), ({"width": 0, "thickness": 4}, None),
        ],
    )  # fmt: skip
    def test_a_section(self, readings: dict[str, Any], area: float | None) -> None:
        """As stated, or width by thickness; what is no number is not recorded."""
        assert _section(readings) == (None if area is None else pytest.approx(area))

    @pytest.mark.parametrize(
        ("factor", "value"),
        [
            (nozzle(250.0), 250.0), (nozzle(250.0, low=240.0, high=260.0, basis="estimated"), (240.0, 260.0)),
            (nozzle(250.0, low=240.0, high=260.0, basis="measured"), 250.0),
            (nozzle(250.0, low=240.0, basis="estimated"), 250.0),
            (nozzle(250.0, high=260.0, basis="estimated"), 250.0),
        ],
    )  # fmt: skip
    def test_an_estimate_is_its_interval(self, factor: FactorValue, value: Any) -> None:
        """Where both bounds are known; what was measured is a number."""
        assert value_of(factor) == value

    def test_a_result_as_it_is_compared(self) -> None:
        """Days of the bench, bounds, where it came from; the time of its print."""
        found = _observation(
            row(1, relation=">", source="given", remark="bent", factors={"nozzle_c": nozzle(250.0)}), VIENNA
        )
        assert (found.result_id, found.value, found.material, found.plate, found.specimen) == (
            "M0001", 51.0, "ASA-1", "J0001-J", "P1",
        )  # fmt: skip
        assert found.factors == {
            "nozzle_c": 250.0, "note": "bent", "printed_on": "2026-05-03", "tested_on": "2026-05-05",
        }  # fmt: skip
        assert (found.censored, found.note) == ("above", "without readings")
        assert found.order == (AT - dt.timedelta(days=2)).timestamp()
        bare = _observation(
            row(2, relation="<", printed_at=None, job=None, material=None, value=None), VIENNA
        )
        assert (bare.censored, bare.note, bare.plate, bare.material) == ("below", "", "P2", "not recorded")
        assert (bare.order, bare.factors["note"], bare.factors["printed_on"]) == (
            AT.timestamp(),
            "none",
            None,
        )
        assert bare.value != bare.value
        nowhen = _observation(row(3, printed_at=None, at=None), VIENNA)
        assert (nowhen.order, nowhen.factors["tested_on"], nowhen.censored) == (None, None, None)

    def test_factors_stand_in_the_registrys_order(self) -> None:
        """Those that nobody declared behind them, by name; what is listed is last and once."""
        first, second = REGISTRY[0].name, REGISTRY[1].name
        assert in_registry(["zeta", second, "alpha", first]) == [first, second, "alpha", "zeta"]
        factors = {"nozzle_c": nozzle(250.0), "material": nozzle("ASA"), "note": nozzle("x")}
        found = _registry(
            [row(1, factors=factors), row(2, factors={"fan_pct": FactorValue("fan_pct", 30.0, "%")})]
        )
        names = [each.name for each in found]
        assert set(names[:-3]) == {"nozzle_c", "fan_pct"}
        assert names[-3:] == ["note", "printed_on", "tested_on"]
        assert [each.listed for each in found] == [False, False, True, True, True]

    def test_a_factor_of_the_computation(self) -> None:
        """Unit as it is shown; errors of the room's instruments; people are people."""
        assert factor_of("section", [1.0]) is SECTION
        found = factor_of("room_rh", [40.0])
        assert (found.error, found.person, found.of_test) == (3.0, False, True)
        names = ("print_room_rh", "print_room_c", "room_c", "nozzle_c")
        assert [factor_of(name, [1.0]).error for name in names] == [3.0, 0.5, 0.5, 0.0]
        assert [factor_of(name, ["Ada"]).person for name in ("operator", "printed_by", "rig")] == [
            True,
            True,
            False,
        ]
        assert factor_of("nozzle_c", [250.0]).unit == "°C"

    def test_what_nobody_recorded(self) -> None:
        """Of two measures of one cause one is enough; those without a cause stand for themselves."""
        every = {each.name: nozzle(1.0) for each in REGISTRY}
        assert _nowhere([row(1, factors=every)]) == ()
        assert len(_nowhere([row(1)])) == len(REGISTRY)
        causes = Counter(each.same_cause for each in REGISTRY if each.same_cause)
        cause = next(name for name, count in causes.items() if count > 1)
        one = next(each for each in REGISTRY if each.same_cause == cause)
        found = _nowhere([row(1, factors={one.name: nozzle(1.0)})])
        assert len(found) == len(REGISTRY) - causes[cause]
        alone = next(each for each in REGISTRY if not each.same_cause)
        assert len(_nowhere([row(1, factors={alone.name: nozzle(1.0)})])) == len(REGISTRY) - 1


class TestSurvey:
    """A whole book at once."""

    @pytest.mark.parametrize(
        ("hours", "days"), [(0, 0), (11.9, 0), (12.1, 1), (36.1, 2), (-13, -1), (24 * 7, 7)]
    )
    def test_ages_to_the_day(self, hours: float, days: int) -> None:
        """Rounded; all alike where one of the two is not recorded."""
        bare = AT.replace(tzinfo=None)
        at, later, never = _microseconds([str(bare), str(bare + dt.timedelta(hours=hours)), None])
        assert _days(np.array([later]), np.array([at])).tolist() == [days]
        assert _days(np.array([never, at]), np.array([at, never])).tolist() == [math.inf, math.inf]
        assert _age(np.array([later]), np.array([at])).tolist() == pytest.approx(
            [hours if hours >= 0 else math.nan], nan_ok=True
        )

    def test_a_moment_is_read_as_either_database_has_it(self) -> None:
        """Text in UTC, or microseconds since 1970; none stays none."""
        since_1970 = round(AT.timestamp() * 1_000_000)
        for stored in ([str(AT.replace(tzinfo=None)), None], [None, since_1970], [None]):
            read = [_moment(each) for each in _microseconds(stored).tolist()]
            assert read == [None if each is None else AT for each in stored]

    def test_what_is_not_recorded_takes_no_memory(self) -> None:
        """A column of numbers has no words, one of words no numbers: neither gets an array when taken."""
        cells = np.array([1, 0, 1])
        numbers, words = (Entries.of(each).take(cells) for each in ([1.0, 2.5], ["P1", "P2"]))
        assert (numbers.word.strides, words.low.strides) == ((0,), (0,))
        assert (numbers.low.tolist(), numbers.word.tolist()) == ([2.5, 1.0, 2.5], [-1, -1, -1])
        assert [words.words[at] for at in words.word] == ["P2", "P1", "P2"]
        assert np.isnan(words.low).tolist() == [True, True, True]
        assert len(Entries.of([]).take(cells[:0]).low) == 0

    def test_of_many_results_those_on_the_newest_plates(self) -> None:
        """As many whole plates as stay below the bound; the newest in any case; spools are no plates."""
        assert _first_job([(1, 10)], 10) == (0, "")
        assert _first_job([], 10) == (0, "")
        first, words = _first_job([(-2, 9), (3, 1), (7, 6), (9, 4)], 10)
        assert first == 7
        assert words.startswith("of 20 results the 10 on plates from J0007-")
        assert words.endswith(" on were looked over")
        assert _first_job([(7, 1), (9, 50)], 10)[0] == 9
        assert (MOST, MOST_ONE_BY_ONE) == (1_000_000, 120_000)

    def test_parts_have_about_as_many_results(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Whole jobs, one part at least; what comes after the last one begun is in it."""
        monkeypatch.setattr(survey, "_AT_ONCE", 10)
        assert _spans([], 0) == [(0, None)]
        assert _spans([(-1, 4), (2, 6), (3, 4), (5, 1), (6, 20), (7, 2)], 0) == [
            (0, 5), (5, 6), (6, 7), (7, None)
        ]  # fmt: skip
        assert _spans([(2, 6), (3, 9), (5, 1)], 3) == [(3, None)]

    def test_a_column_is_put_together_from_its_parts(self) -> None:
        """What no part speaks of is not recorded; a word is one word in all of them."""
        column = _Column()
        column.add(0, ["left", None, "right"])
        column.add(4, ["right", 3.0, (1.0, 2.0)])
        whole = column.whole(8)
        names = [None if at < 0 else whole.words[at] for at in whole.word]
        assert names == ["left", None, "right", None, "right", None, None, None]
        assert whole.low[5:7].tolist() == [3.0, 1.0]
        assert whole.high[5:7].tolist() == [3.0, 2.0]
        assert whole.recorded.tolist() == [True, False, True, False, True, True, True, False]

    def test_columns_grow_beyond_what_was_expected(self) -> None:
        """Kept sums that count too few results cost time, and no result."""
        part = _Part(2)
        for first in (0, 1, 4):
            part.add(number=[*range(first, first + 3)], word=np.array([0.5] * 3))
        whole = part.whole()
        assert whole.number.tolist() == [0, 1, 2, 1, 2, 3, 4, 5, 6]
        assert whole.word.tolist() == [0.5] * 9

    def test_one_factor_a_cause_is_kept(self) -> None:
        """The one recorded most often; of two alike the earlier in the registry; material is none."""
        causes = Counter(each.same_cause for each in REGISTRY if each.same_cause)
        cause = next(name for name, count in causes.items() if count > 1)
        one, other = [each.name for each in REGISTRY if each.same_cause == cause][:2]
        values: dict[str, list[Any]] = {
            one: [1.0, None], other: [1.0, None], "nozzle_c": [250.0, None], "material": ["x", None],
            "nowhere": [None, None],
        }  # fmt: skip
        assert {each.name for each in _one_a_cause(_entries(values))} == {one, "nozzle_c"}
        values[other] = [1.0, 2.0]
        found = _one_a_cause(_entries(values))
        assert {each.name for each in found} == {other, "nozzle_c"}
        assert {each.same_cause for each in found} == {""}

    def test_a_factor_nobody_declared_is_of_the_kind_of_its_values(self) -> None:
        """Numbers with their range as span; with a word among them a category."""
        (number,) = _one_a_cause(_entries({"gloss": [1.0, None, 5.0]}))
        assert (number.kind, number.span) == ("number", 4.0)
        (category,) = _one_a_cause(_entries({"gloss": [1.0, "matt"]}))
        assert category.kind == "category"


class TestUsual:
    """What is usual of a material."""

    @pytest.mark.parametrize(
        ("here", "theirs", "words"),
        [
            ("P1", ["P2", "P2", "P1"], "P2 (2 of 3 other plates)"), ("P2", ["P2", "P2", "P1"], ""),
            ("P1", ["P2", "P2", "P3", "P4"], ""), ("P1", [240.0, 240.0, "P2"], "240.0 (2 of 3 other plates)"),
            (250.0, ["P2", "P2", "P2"], "P2 (3 of 3 other plates)"),
        ],
    )  # fmt: skip
    def test_a_word(self, here: Any, theirs: list[Any], words: str) -> None:
        """Of two thirds of the plates; a number among words is one."""
        assert _usual(nozzle(here), [nozzle(each) for each in theirs], 1.0) == words

    def test_numbers_in_words(self) -> None:
        """The middle one with its plates, or the range that all lie in."""
        near = _usual(nozzle(250.0), [nozzle(each) for each in (240.0, 240.5, 260.0)], 1.0)
        assert near == "240.5 °C (2 of 3 other plates)"
        wide = _usual(nozzle(270.0), [nozzle(each) for each in (260.0, 240.0, 250.0)], 1.0)
        assert wide == "240 °C to 260 °C (3 other plates)"

    def test_what_differs_is_told_by_whose_it_is(self) -> None:
        """Of a test, a print or a spool; from three other plates on; what is another on each plate is not."""
        own = {
            "nozzle_c": nozzle(260.0), "room_c": FactorValue("room_c", 30.0, "degC"),
            "water_pct": FactorValue("water_pct", 0.9, "%"), "spool": FactorValue("spool", "S9"),
        }  # fmt: skip
        other = {
            "nozzle_c": nozzle(240.0), "room_c": FactorValue("room_c", 20.0, "degC"),
            "water_pct": FactorValue("water_pct", 0.1, "%"), "spool": FactorValue("spool", "S1"),
        }  # fmt: skip
        found = _differing(own, [other] * 3)
        assert {each.factor: each.of for each in found} == {
            "nozzle_c": "print",
            "room_c": "test",
            "water_pct": "spool",
        }
        assert next(each.words for each in found if each.factor == "nozzle_c").endswith(
            "260 °C; usually 240 °C (3 of 3 other plates)"
        )
        assert _differing(own, [other] * 2) == []
        assert _differing(own, [other, other, {}]) == []
