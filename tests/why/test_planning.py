"""What a plan says, and how its plates are chosen, on small cases worked out by hand."""

from __future__ import annotations

import itertools
from dataclasses import FrozenInstanceError, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from tests.why.simulated import SIX, World, book
from tracker.errors import Refused
from tracker.why import Factor, Limit, Observation, Plan, answer
from tracker.why.differed import Comparison
from tracker.why.findings import Span
from tracker.why.plan import (
    ForeseenShare,
    PlannedPlate,
    Wishes,
    _as_in_a,
    _Bench,
    _choose,
    _extended,
    _forbidden,
    _has_level,
    _held,
    _patterns,
    _range,
    _side_of,
    _soonest,
    _too_near,
    _truth_now,
    _typical,
    followup,
)
from tracker.why.problem import cleaned
from tracker.why.words import _claim

PLATES = (
    PlannedPlate({"nozzle_c": "B"}, {"nozzle_c": 240.0}, 5, 0.3, "as A, but nozzle 240 °C"),
    PlannedPlate({"nozzle_c": "A"}, {"nozzle_c": 220.0}, 5, 0.1, "A once more", {"rig": ("R1", "R2")}),
)
PLAN = Plan(
    "tensile.strength", "MPa", PLATES, (ForeseenShare("nozzle_c", 0.1234, 0.0456, True),), ("Look out.",),
    "tensile.strength of X", "strength", ("J0001", "J0002"), 0.41, (0.72, 0.88), 3.25, 41.6,
    {"nozzle_c": "nozzle"},
)  # fmt: skip


def test_a_plan_in_sentences() -> None:
    """The question, each plate with the chance after it, what it costs, what each share will be known to."""
    lines = [line.replace("\u202f", " ").replace("\xa0", " ") for line in PLAN.sentences(200)]
    assert lines[0] == "To tell apart what differed in strength between A = J0001 and B = J0002:"
    assert lines[1].startswith(
        "Plate 1: as A, but nozzle 240 °C; 5 pieces; after it the right explanation comes first"
    )
    assert lines[2].startswith("Plate 2: A once more; 5 pieces; after it")
    assert lines[3].startswith("Now it is ")
    assert lines[4] == "Cost: 2 plates, about 3.2 h on the printer, 42 g of filament."
    assert lines[6:] == [
        "Half-width of each share's 95 % interval, now and afterwards:",
        "  nozzle: ± 12.3 % → ± 4.6 %",
        "Look out.",
    ]
    single = replace(PLAN, plates=PLATES[:1], hours=None, grams=None, foreseen=(), warnings=(), called="")
    assert "in tensile.strength between" in single.sentences(200)[0]
    assert "Cost: 1 plate." in single.sentences(200)
    shares = (ForeseenShare("fan_pct", 1.26, 0.5, False),)
    told = replace(PLAN, foreseen=shares).sentences(200)
    assert "  fan_pct: ± 1.3 → ± 0.50 MPa" in told


def test_a_plan_as_data() -> None:
    """Plates by number, with the chance after each as far as it is known."""
    data = PLAN.as_json()
    assert [row["plate"] for row in data["plates"]] == [1, 2]
    assert [row["chance"] for row in data["plates"]] == [0.72, 0.88]
    assert data["plates"][1]["split"] == {"rig": ["R1", "R2"]}
    assert (data["chance_now"], data["chance_after"], data["of"]) == (0.41, 0.88, "tensile.strength of X")
    assert (data["a"], data["b"], data["hours"], data["grams"]) == ("J0001", "J0002", 3.25, 41.6)
    none = replace(PLAN, chances=(0.72,), named="").as_json()
    assert (none["plates"][1]["chance"], none["of"]) == (None, "tensile.strength")
    assert replace(PLAN, chances=()).as_json()["chance_after"] is None


def test_what_is_planned_does_not_change() -> None:
    """An answer that was given stays what it was."""
    frozen = ((PLAN, "unit"), (PLATES[0], "worth"), (PLAN.foreseen[0], "now"), (Limit(), "low"))
    for each, name in (*frozen, (Wishes(), "plates")):
        with pytest.raises(FrozenInstanceError):
            setattr(each, name, None)


@pytest.mark.parametrize(
    ("limit", "value", "allowed"),
    [
        (Limit(), 1e9, True),
        (Limit(200, 240), 200.0, True),
        (Limit(200, 240), 240, True),
        (Limit(200, 240), 199.9, False),
        (Limit(200, 240), 240.1, False),
        (Limit(low=200), 1e9, True),
        (Limit(low=200), 0.0, False),
        (Limit(high=240), -5.0, True),
        (Limit(high=240), 241.0, False),
        (Limit(200, 240), "lot 7", True),
        (Limit(200, 240), None, True),
    ],
)
def test_a_limit_allows_what_lies_within(limit: Limit, value: object, allowed: bool) -> None:
    """Both ends; what is no number has no range."""
    assert limit.allows(value) == allowed


@pytest.mark.parametrize(
    ("limit", "words"),
    [(Limit(200, 240), "200–240"), (Limit(low=0), "from 0"), (Limit(high=240.5), "up to 240.5")],
)
def test_a_range_in_words(limit: Limit, words: str) -> None:
    """Of both ends, or of the one there is."""
    assert _range(limit) == words


@pytest.mark.parametrize("plates", [0, 51, -1])
def test_a_number_of_plates_that_nobody_prints(plates: int) -> None:
    """1 to 50."""
    with pytest.raises(Refused, match="between 1 and 50"):
        followup(asked(), plates=plates)


@pytest.mark.parametrize("pieces", [0, -1])
def test_less_than_one_piece_a_plate(pieces: int) -> None:
    """One will do."""
    with pytest.raises(Refused, match="at least one is needed"):
        followup(asked(), plates=1, pieces=pieces)
    assert followup(asked(), plates=1, pieces=1).plates[0].pieces == 1


def asked() -> Any:
    """Return a problem of two plates that differ in two factors."""
    world = World({f.name: 0.05 for f in SIX}, 0.03, 0.03)
    return book(np.random.default_rng(9), world, 0, {"nozzle_c", "spool"})


def comparison(a: Any, b: Any, **factor: Any) -> Comparison:
    """Return how one factor compares."""
    known: dict[str, Any] = {"name": "nozzle_c", "span": 10.0, **factor}
    return Comparison(Factor(**known), a, b, None, None, (1, 1), (1, 1), differs=True, ratio=None)


@pytest.mark.parametrize(
    ("a", "b", "near"),
    [(20.0, 20.99, True), (20.0, 21.0, False), (21.0, 20.0, False), (20.0, None, False), ("x", 20.0, False)],
)
def test_numbers_of_a_test_nearer_than_a_tenth_of_the_span(a: Any, b: Any, near: bool) -> None:
    """Are not worth telling apart; what is no number has no distance."""
    assert _too_near(comparison(a, b)) == near


@pytest.mark.parametrize(
    ("a", "b", "factor", "wishes", "side"),
    [
        (220.0, 240.0, {}, {}, None),
        (220.0, 240.0, {"settable": False}, {}, 0.0),
        (220.0, 240.0, {}, {"limits": {"nozzle_c": Limit(high=230, never=True)}}, 0.0),
        (220.0, 240.0, {}, {"limits": {"nozzle_c": Limit(low=230, never=True)}}, 1.0),
        # A range that is only advice holds nothing.
        (220.0, 240.0, {}, {"limits": {"nozzle_c": Limit(low=230)}}, None),
        ("L1", "L2", {"kind": "category"}, {"gone": {"nozzle_c": frozenset({"L1"})}}, 1.0),
        ("L1", "L2", {"kind": "category"}, {"gone": {"nozzle_c": frozenset({"L2"})}}, 0.0),
        ("L1", "L2", {"kind": "category"}, {"gone": {"nozzle_c": frozenset({"L1", "L2"})}}, 0.0),
        ("L1", "L2", {"kind": "category"}, {"gone": {"other": frozenset({"L1"})}}, None),
    ],
)
def test_what_holds_a_factor_at_one_side(
    a: Any, b: Any, factor: Any, wishes: Any, side: float | None
) -> None:
    """It cannot be set, one level is not safe, or one is used up."""
    assert _held(comparison(a, b, **factor), Wishes(**wishes)) == side


def test_neither_level_is_safe() -> None:
    """Then nothing is proposed, and both are named."""
    wishes = Wishes(limits={"nozzle_c": Limit(high=200, never=True, source="sheet")})
    with pytest.raises(Refused, match="both levels of nozzle_c lie outside sheet") as refusal:
        _held(comparison(220.0, 240.0), wishes)
    assert refusal.value.why == "220.0 and 240.0 must not be proposed"


def test_mixed_levels_stand_for_what_each_side_has_more_of() -> None:
    """By their part of each side: of lots 4 and 1 against 1 and 4, and of one that both have alike."""
    mixed = replace(
        comparison("L1", "L2", kind="category"),
        levels_a=(("L1", 4), ("L2", 1), ("L3", 5)),
        levels_b=(("L1", 2), ("L2", 8), ("L3", 10)),
    )
    assert _typical(mixed) == ("L1", "L2")
    # Twice the share is more, though it is fewer: 3 of 6 against 4 of 20.
    fewer = replace(mixed, levels_a=(("L3", 3), ("L2", 3)), levels_b=(("L3", 4), ("L2", 16)))
    assert _typical(fewer) == ("L3", "L2")
    assert _typical(replace(mixed, levels_a=(("L1", 4),), levels_b=(("L2", 4),))) == ("L1", "L2")
    assert _typical(comparison(1.0, 2.0)) == (1.0, 2.0)


@pytest.mark.parametrize(
    ("value", "level", "has"),
    [
        (240.0, 240.0, True),
        (240.5, 240.0, True),
        (240.51, 240.0, False),
        (239.4, 240.0, False),
        ((239.0, 242.0), 240.0, True),
        ((239.0, 242.1), 240.0, False),
        (None, 240.0, False),
        (240.0, None, False),
    ],
)
def test_a_result_has_a_level_within_the_resolution(value: Any, level: Any, has: bool) -> None:
    """Half a degree here; of an interval its middle counts."""
    of = Observation("R1", "q", 1.0, "ASA", "P1", factors={"nozzle_c": value})
    assert _has_level(comparison(220.0, 240.0, resolution=0.5), level, of) == has


def test_a_result_lies_on_a_side_or_on_none() -> None:
    """A's level is 0, B's is 1; what cannot be set counts as A's, whatever it is."""
    item = comparison(220.0, 240.0)
    of = {n: Observation("R1", "q", 1.0, "ASA", "P1", factors={"nozzle_c": n}) for n in (220.0, 240.0, 230.0)}
    assert [_side_of(item, of[n]) for n in (220.0, 240.0, 230.0)] == [0.0, 1.0, None]
    assert [_as_in_a(item, of[n]) for n in (220.0, 240.0)] == [True, False]
    assert _as_in_a(comparison(220.0, 240.0, settable=False), of[240.0])
    assert _as_in_a(comparison(None, 240.0), of[240.0])


@pytest.mark.parametrize(
    ("forbid", "forbidden"),
    [
        (({"a": "B", "b": "A"},), True),
        (({"a": "B"},), True),
        (({"a": "A"},), False),
        (({"a": "B", "b": "B"},), False),
        (({},), False),
        (({"other": "A"},), False),
        (({"b": "B"}, {"b": "A"}), True),
    ],
)
def test_a_forbidden_combination_holds_in_all_its_parts(forbid: Any, forbidden: bool) -> None:
    """Of the plate with a as in B and b as in A; an empty one is a slip."""
    assert _forbidden(np.array([1.0, 0.0]), ("a", "b"), forbid) == forbidden


@pytest.mark.parametrize("count", [0, 1, 3, 6])
def test_of_few_factors_all_patterns_are_tried(count: int) -> None:
    """Two to the power of their number."""
    assert sorted(map(tuple, _patterns(count))) == sorted(itertools.product((0.0, 1.0), repeat=count))


@pytest.mark.parametrize("count", [7, 8, 12, 20])
def test_of_many_factors_the_worthwhile_patterns_are_tried(count: int) -> None:
    """None, all, halvings and what they leave, runs, each alone, each left out: no more than 64."""
    found = [tuple(row) for row in _patterns(count)]
    rows = range(count)
    halvings = [tuple(float(n >> bit & 1) for n in rows) for bit in range((count - 1).bit_length())]
    runs = [tuple(float(n < cut) for n in rows) for cut in range(2, count - 1, max(count // 8, 1))]
    every = [
        (0.0,) * count, (1.0,) * count, *halvings, *(tuple(1 - b for b in row) for row in halvings), *runs,
        *(tuple(float(n == one) for n in rows) for one in rows),
        *(tuple(float(n != one) for n in rows) for one in rows),
    ]  # fmt: skip
    assert found == every[:64]


def bench(who: Any, truth: Any, **more: Any) -> _Bench:
    """Return a bench of two causes of which both may be set, with plates that hardly scatter."""
    known: dict[str, Any] = {
        "free": [0, 1], "split": [], "fixed": {}, "levels": [(0.0, 1.0)] * 2, "pieces": 4, "noise": 0.01**2,
        "piece": 0.02**2, "together": np.zeros(len(who)),
    }  # fmt: skip
    return _Bench(truth=np.array(truth), who=np.array(who), **{**known, **more})


def two_causes(count: int = 40) -> _Bench:
    """Return a bench where either the first cause made a difference of 1, or the second."""
    rng = np.random.default_rng(3)
    shares = np.zeros((count, 3))
    who = np.arange(count) % 2
    shares[np.arange(count), 1 + who] = 1.0
    shares[:, 1:] += rng.normal(0, 0.003, (count, 2))
    return bench(who, shares)


def test_what_a_plate_observes() -> None:
    """Its mean; of a factor split within it the difference of halves: 4 times a piece's variance by n."""
    own = bench([0, 1], [[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    rows, variances, both = own.rows(np.array([1.0, 0.0]))
    assert (rows.tolist(), variances.tolist(), both) == ([[1.0, 1.0, 0.0]], [0.01**2], 0.0)
    assert own.rows(np.array([1.0, 1.0]))[2] == 1.0
    split = replace(own, free=[0], split=[1])
    rows, variances, both = split.rows(np.array([1.0, 0.0]))
    assert rows.tolist() == [[1.0, 1.0, 0.5], [0.0, 0.0, 1.0]]
    assert variances.tolist() == [0.01**2, pytest.approx(4 * 0.02**2 / 4)]
    assert both == 1.0
    assert replace(own, free=[]).rows(np.array([1.0, 1.0]))[2] == 0.0


def test_a_plate_that_sets_one_cause_tells_two_apart() -> None:
    """Either it reads a whole more, or nothing; a reprint tells nothing."""
    own = two_causes()
    telling, nothing = own.outlook([np.array([1.0, 0.0])]), own.outlook([np.array([0.0, 0.0])])

    assert (telling.first, telling.named) == (1.0, 1.0)
    assert telling.truth == pytest.approx(1.0, abs=1e-6)
    assert nothing.truth == pytest.approx(0.5, abs=0.05)
    assert own.now() == 0.5
    assert _truth_now(own) == 0.5
    assert _truth_now(bench([0, 0, 0, 1], np.zeros((4, 3)))) == 0.75**2 + 0.25**2
    assert bench([0, 0, 0, 1], np.zeros((4, 3))).now() == 0.75


def test_what_is_named_is_a_factor() -> None:
    """Of explanations 0 and 1, something not recorded (2), several (-1) and chance (-2), two are factors."""
    rng = np.random.default_rng(5)
    who = np.array([0, 1, 2, -1, -2] * 12)
    level = {0: 0.0, 1: 1.0, 2: 2.0, -1: 3.0, -2: 4.0}
    truth = np.column_stack([[level[each] for each in who], np.zeros(60), np.zeros(60)])
    own = bench(who, truth + rng.normal(0, 1e-3, truth.shape))
    assert own.outlook([np.array([0.0, 0.0])]).named == pytest.approx(24 / 60)
    assert own.outlook([np.array([0.0, 0.0])]).first == 1.0


def test_the_promise_of_a_plate_is_a_ratio_of_variances() -> None:
    """Between explanations, over those within them and the plate's own: scipy's F gives the same."""
    rng = np.random.default_rng(6)
    who = np.array([0] * 10 + [1] * 30)
    truth = np.column_stack([rng.normal(0, 0.1, 40), 1.0 * (who == 0), rng.normal(0, 0.2, 40)])
    own = bench(who, truth, together=rng.normal(0, 0.1, 40))
    for bits, both in (((1.0, 0.0), 0.0), ((1.0, 1.0), 1.0), ((0.0, 0.0), 0.0)):
        mean = truth @ np.array([1.0, *bits]) + own.together * both
        f = stats.f_oneway(mean[who == 0], mean[who == 1]).statistic
        within = sum(((mean[who == k] - mean[who == k].mean()) ** 2).sum() for k in (0, 1)) / 40
        assert own.promise(np.array(bits)) == pytest.approx(f / 38 * within / (within + 0.01**2))


def test_the_weights_of_a_plate_are_bayes() -> None:
    """How probable each other truth makes what one would show with its luck; none vouches for itself."""
    own = two_causes(6)
    weight = own.weights([np.array([1.0, 0.0])])
    mean = own.truth @ np.array([1.0, 1.0, 0.0])
    luck = np.random.default_rng(7).standard_normal((6, 400))[:, 0] * 0.01
    plain = np.exp(-((((mean + luck)[:, None] - mean[None, :]) / 0.01) ** 2) / 2)
    np.fill_diagonal(plain, 0.0)

    assert weight == pytest.approx(plain / plain.sum(axis=1, keepdims=True))


def test_the_plate_that_tells_is_chosen_and_no_second_that_tells_nothing() -> None:
    """Of four plates, the one that sets one cause alone; A's levels where two tell as much."""
    own, candidates = two_causes(), np.array(list(itertools.product((0.0, 1.0), repeat=2)))
    chosen, firsts, worths = _choose(own, candidates, None)

    assert [tuple(row) for row in chosen] == [(0.0, 1.0)]
    assert firsts == [1.0]
    assert worths == [pytest.approx(0.5, abs=0.01)]
    assert len(_choose(own, candidates, 3)[0]) == 3
    assert _extended(own, candidates, 0, None)[0] in ([0, 1], [0, 2])
    assert len(_extended(own, candidates, 0, 4)[0]) == 4


def test_groups_that_overlap_are_refused_with_the_first_they_share() -> None:
    """Of two groups that are the same one all is shared, and that is said instead."""
    problem = asked()
    both = sorted(problem.a)[:2]
    with pytest.raises(Refused) as refused:
        cleaned(replace(problem, b=problem.b | set(both)))
    assert refused.value.what == f"2 results are in both groups, first {both[0]}"
    with pytest.raises(Refused, match="are the same results"):
        cleaned(replace(problem, b=problem.a))


@pytest.mark.parametrize(
    ("delta", "likely", "word"),
    [
        (5.0, None, "higher"),
        (-5.0, None, "lower"),
        (5.0, -3.0, "higher"),
        (20.0, -3.0, "lower"),
        (10.0, -3.0, "higher"),
    ],
)
def test_the_claim_is_the_plain_difference_unless_nobody_should_believe_it(
    delta: float, likely: float | None, word: str
) -> None:
    """An odd plate may have put it outside its own limits, here -10 to 10: then what is likely is told."""
    found = answer(asked())
    span = Span(delta, -10.0, 10.0)
    other = None if likely is None else Span(likely, -4.0, -2.0)
    told = replace(found, difference=replace(found.difference, span=span, likely=other))
    assert found.verdict is not None
    assert f" {word}" in _claim(told, span, found.verdict)


def test_the_best_plate_after_a_plate_counts_for_both() -> None:
    """Chances worked out by hand: 0.5, 0.4 and 0.1 alone; the pair of the second and third names most often.

    A plate that does little by itself is worth printing where another needs it.
    """
    named = {(0,): 0.5, (1,): 0.4, (2,): 0.1, (0, 0): 0.6, (0, 1): 0.7, (0, 2): 0.55, (1, 1): 0.45,
             (1, 2): 0.9, (2, 2): 0.2}  # fmt: skip
    candidates = np.eye(3)

    def outlook(rows: list[Any]) -> Any:
        return SimpleNamespace(named=named[tuple(sorted(int(np.argmax(row)) for row in rows))], truth=0.0)

    alone = [outlook([row]) for row in candidates]
    sums = _soonest(SimpleNamespace(outlook=outlook), candidates, alone)  # type: ignore[arg-type]
    assert sums == pytest.approx([0.5 + 0.7, 0.4 + 0.9, 0.1 + 0.9])
