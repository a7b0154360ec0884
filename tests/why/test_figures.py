"""The figures of an answer and of a plan, each worked out again from the posterior, by hand or by scipy."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests  # type: ignore[import-untyped]

from tests.why.simulated import STRENGTH
from tests.why.test_working import BASE, FAN, NOZZLE, PLATES, SPOOL, asked, bent
from tracker.errors import Refused
from tracker.why import Answer, Factor, Limit, Observation, Problem, Question, answer, overview
from tracker.why.answer import (
    Display,
    _matters,
    _mean,
    _median,
    _normal_score,
    _odd_plates,
    _remarks,
    _scatter,
    _shown_bend,
    _side,
    _smaller_tail,
    _verdict,
    _without_scatter,
    at_level,
    chance_luck,
    difference_seen,
    display_of,
    explained,
    from_work,
)
from tracker.why.checks import (
    _fit,
    _foreseen,
    _held_by_several,
    _without,
    implausible,
    noted,
    suspects,
    too_rough,
)
from tracker.why.differed import Comparison
from tracker.why.findings import Explanation
from tracker.why.overview import Overview, _adjusted, _sentence
from tracker.why.plan import (
    PlannedPlate,
    Wishes,
    _bench,
    _candidates,
    _choose,
    _costs,
    _pieces,
    _plate,
    _plate_words,
    _printed,
    _warnings,
    planned,
    with_plan,
)
from tracker.why.plan import (
    _foreseen as _foreseen_shares,
)
from tracker.why.posterior import weighted
from tracker.why.problem import Zeros, cleaned
from tracker.why.working import Extreme, Working, noise_weights, typical_scatters, work


@pytest.fixture(scope="module")
def working() -> Working:
    """Give a finished working of the six plates."""
    return work(cleaned(asked(PLATES)))


@pytest.fixture(scope="module")
def linear() -> Working:
    """Give the same with values as they stand."""
    return work(cleaned(asked(PLATES, question=replace(STRENGTH, positive=False))))


GRADE = Question(STRENGTH.quantity, ordinal=True)
MEAN_A, MEAN_B = (50.5 + 151 / 3) / 2, 59.0


def total_of(working: Working) -> tuple[Any, Any, Any]:
    """Return weight, mean and standard deviation of the true difference at each node."""
    at = len(working.names) + len(working.groups) + 2
    post = working.posterior
    return post.weight, post.mean[:, at], np.sqrt(post.variance[:, at])


def test_a_mean_is_that_of_plates() -> None:
    """Of plates of two and three pieces each counts for half."""
    assert _mean(cleaned(asked(PLATES)).a) == pytest.approx(MEAN_A)
    side = _side(cleaned(asked(PLATES)).a, MEAN_A)
    assert (side.n, side.plates, side.values[0]) == (5, 2, (50.0, "A1"))


def test_logarithms_are_shown_by_the_logarithmic_mean(working: Working, linear: Working) -> None:
    """Units a working unit: the difference of means by that of their logarithms; a fraction of A's mean."""
    display, centre = display_of(working)
    assert centre == pytest.approx(math.log(MEAN_B / MEAN_A))
    assert display == Display(True, pytest.approx((MEAN_B - MEAN_A) / centre), pytest.approx(MEAN_A))  # type: ignore[arg-type]
    span = display.span(0.1, -0.2, 0.3)
    unit = display.per_unit
    assert (span.delta, span.low, span.high) == pytest.approx((0.1 * unit, -0.2 * unit, 0.3 * unit))
    assert (span.relative, span.relative_low, span.relative_high) == pytest.approx(
        (math.exp(0.1) - 1, math.exp(-0.2) - 1, math.exp(0.3) - 1)
    )
    plain, centre = display_of(linear)
    assert (plain.log, plain.base) == (False, None)
    assert centre * plain.per_unit == pytest.approx(MEAN_B - MEAN_A)
    assert plain.span(0.1, 0.0, 0.2).relative is None
    assert Display(False, 5.0, 50.0).fraction(2.0) == pytest.approx(0.2)
    assert math.isnan(Display(False, 5.0, None).fraction(2.0))


def test_equal_means_have_the_mean_itself_as_their_unit() -> None:
    """The logarithmic mean tends to it."""
    found = work(cleaned(asked({"A1": ([50.0, 52.0], BASE), "B1": ([51.0, 51.0], BASE)})))
    assert display_of(found)[0].per_unit == pytest.approx(51.0)


def test_some_value_at_zero_and_a_positive_mean_have_a_fraction() -> None:
    """A quantity that ought to be positive is a fraction of A's mean, if that is above zero."""
    plates = {"A1": ([0.0, 1.0], BASE), "B1": ([3.0, 4.0], BASE)}
    found = work(cleaned(asked(plates)))
    assert display_of(found)[0].base == 0.5
    assert "Some values are not above zero, so no logarithms were taken." in _remarks(found)
    below = work(cleaned(asked({**plates, "A1": ([-1.0, 1.0], BASE)})))
    assert display_of(below)[0].base is None


def test_the_difference_has_the_quantiles_of_its_mixture(working: Working, linear: Working) -> None:
    """2.5 % of the probability lies below its lower limit, by scipy; the estimate is that of the means."""
    for found in (working, linear):
        weight, mean, sd = total_of(found)
        step = from_work(found).difference
        span = step.span
        assert span is not None
        assert span.delta == pytest.approx(MEAN_B - MEAN_A)
        unit = display_of(found)[0].per_unit
        if found is working:
            low, high = (math.log1p(limit / MEAN_A) for limit in (span.low, span.high))
            assert (span.relative, span.relative_low) == pytest.approx(
                (MEAN_B / MEAN_A - 1, math.exp(low) - 1)
            )
        else:
            low, high = span.low / unit, span.high / unit
        below = [float(weight @ stats.norm.cdf(x, mean, sd)) for x in (low, high)]
        assert below == pytest.approx([0.025, 0.975], abs=1e-6)
        assert step.level == pytest.approx(0.05)
        zero = float(weight @ stats.norm.cdf(0, mean, sd))
        assert step.tail == pytest.approx(2 * min(zero, 1 - zero))
        middle = float(weight @ mean)
        spread = math.sqrt(float(weight @ (sd**2 + (mean - middle) ** 2)))
        assert step.standardised == pytest.approx(middle / spread)
        assert step.likely is not None
        assert step.likely.delta == pytest.approx(middle * unit)


def test_another_level_moves_the_limits_alone(working: Working) -> None:
    """At 20 % a tenth lies below; the estimate stays."""
    found = from_work(working)
    wider = at_level(found, 0.2)
    weight, mean, sd = total_of(working)
    span = wider.difference.span
    assert span is not None
    assert found.difference.span is not None
    limits = [math.log1p(limit / MEAN_A) for limit in (span.low, span.high)]
    below = [float(weight @ stats.norm.cdf(x, mean, sd)) for x in limits]
    assert below == pytest.approx([0.1, 0.9], abs=1e-6)
    assert (wider.difference.level, span.delta) == (0.2, found.difference.span.delta)
    bare = replace(found, working=None)
    assert at_level(bare, 0.2) is bare


def test_parts_have_the_quantiles_of_their_mixtures(working: Working) -> None:
    """Each share, group and what was not recorded: mean and limits of its own contrast."""
    found, post = from_work(working), working.posterior
    display = display_of(working)[0]
    s, g = len(working.names), len(working.groups)
    spans = {share.factor: share.span for share in found.shares}
    indices = {working.names.index(name): span for name, span in spans.items() if span is not None}
    indices |= {s + i: group.span for i, group in enumerate(found.groups)}
    assert found.unrecorded is not None
    indices[s + g + 1] = found.unrecorded
    assert len(indices) > 1
    for at, span in indices.items():
        mean, sd = post.mean[:, at], np.sqrt(post.variance[:, at])
        assert span.delta == pytest.approx(display.per_unit * float(post.weight @ mean))
        for limit, p in ((span.low, 0.025), (span.high, 0.975)):
            below = post.weight @ stats.norm.cdf(limit / display.per_unit, mean, sd)
            assert below == pytest.approx(p, abs=1e-6)
    weight, total, sd = total_of(working)
    centre = display_of(working)[1]
    assert found.luck is not None
    assert found.luck.delta == pytest.approx(display.per_unit * (centre - float(weight @ total)))
    low = centre - found.luck.high / display.per_unit
    assert weight @ stats.norm.cdf(low, total, sd) == pytest.approx(0.025, abs=1e-6)


def test_the_remainder_is_what_shares_leave(working: Working) -> None:
    """The difference less the mean of all shares; its limits by the draws, turned round."""
    found, post = from_work(working), working.posterior
    display, centre = display_of(working)
    s = len(working.names)
    shares = float((post.weight @ post.mean)[:s].sum())
    together = working.draws[:, :s].sum(axis=1)
    assert found.remainder is not None
    per_unit = display.per_unit
    assert (found.remainder.delta, found.remainder.low, found.remainder.high) == pytest.approx(
        (
            per_unit * (centre - shares),
            per_unit * (centre - np.quantile(together, 0.975)),
            per_unit * (centre - np.quantile(together, 0.025)),
        )
    )


def test_explanations_are_shares_of_the_draws(working: Working) -> None:
    """A part that makes half of the truth; several; chance below a third of what is seen or half the luck."""
    found = from_work(working).verdict
    assert found is not None
    s = len(working.names)
    grouped = {name for part in working.groups for name in part.factors}
    parts: dict[Any, Any] = {
        name: working.draws[:, i] for i, name in enumerate(working.names) if name not in grouped
    }
    for part in working.groups:
        own = [working.draws[:, working.names.index(name)] for name in part.factors]
        parts[part.factors] = np.sum(own, axis=0)
    parts["unrecorded"] = working.draws[:, s + 1]
    seen, luck = difference_seen(working), chance_luck(working)
    counts = dict.fromkeys([*parts, "several", "chance"], 0)
    for row in range(2000):
        truth = math.copysign(1, seen) * working.draws[row, -2]
        made = {name: math.copysign(1, seen) * part[row] for name, part in parts.items()}
        best = max(made, key=lambda name: made[name])
        if truth < max(abs(seen) / 3, luck / 2):
            counts["chance"] += 1
        else:
            counts[best if made[best] >= truth / 2 else "several"] += 1
    told = {
        each.factors if each.kind == "group" else (*each.factors, each.kind)[0]: each.p
        for each in found.explanations
    }
    wanted = {{"several": "combination"}.get(name, name): n / 2000 for name, n in counts.items()}
    assert told == pytest.approx(wanted)
    assert [each.p for each in found.explanations] == sorted(
        (each.p for each in found.explanations), reverse=True
    )
    differs = float(np.mean(working.draws[:, -2] > 0))
    assert found.p_differs == pytest.approx(differs)
    size = np.abs(np.expm1(working.draws[:, -2]))
    assert (found.matters, found.p_matters) == pytest.approx((0.05, float(np.mean(size >= 0.05))))


@pytest.mark.parametrize(
    ("truth", "parts", "who"),
    [
        (1.0, (0.5, 0.3), 0),
        (1.0, (0.3, 0.5), 1),
        (1.0, (0.49, 0.49), -1),
        (1.0, (0.6, 0.6), 0),
        (0.34, (0.34, 0.0), 0),
        (0.33, (0.33, 0.0), -2),
        (-1.0, (-1.0, 0.0), -2),
    ],
)
@pytest.mark.parametrize("seen", [1.0, -1.0])
def test_who_made_it(truth: float, parts: tuple[float, float], who: int, seen: float) -> None:
    """Seen a whole, whichever way: at a third of it chance ends, and at half of the truth a part begins."""
    drawn = [np.array([seen * part]) for part in parts]
    assert explained(drawn, np.array([seen * truth]), seen, 0.6)[0] == who
    # Half of the luck, 0.35, is chance too.
    if who == 0 and truth == 0.34:
        assert explained(drawn, np.array([seen * truth]), seen, 0.7)[0] == -2
    assert explained([], np.array([1.0]), 1.0, 0.1)[0] == -1


def test_luck_is_what_plates_and_pieces_differ_by(working: Working) -> None:
    """σ² of pieces and τ² of plates, as often as they stand in the two means, over the nodes."""
    piece, plate = noise_weights(working)
    post = working.posterior
    tau = post.sigma * post.rho
    assert chance_luck(working) ** 2 == pytest.approx(
        float(post.weight @ (post.sigma**2 * piece + tau**2 * plate))
    )


def test_scatters_are_posterior_medians(working: Working, linear: Working) -> None:
    """Half of the probability lies at or below; in the unit where no logarithms were taken."""
    for found in (working, linear):
        sigma, tau = _scatter(found)
        unit, post = found.design.scale.unit, found.posterior
        assert found.design.scale.log == (unit == 1.0)
        for value, all_ in ((sigma, post.sigma * unit), (tau, post.sigma * post.rho * unit)):
            assert post.weight[all_ < value * (1 - 1e-12)].sum() < 0.5
            assert post.weight[all_ <= value * (1 + 1e-12)].sum() >= 0.5
    assert _median(np.array([3.0, 1.0, 2.0]), np.array([0.3, 0.4, 0.3])) == 2.0
    step = from_work(working).difference
    assert (step.sigma, step.tau) == _scatter(working)


@pytest.mark.parametrize(
    ("matters", "in_unit", "wanted"),
    [(None, False, (0.05, True)), (0.1, False, (0.1, True)), (2.0, True, (2.0, False))],
)
def test_what_matters(
    working: Working, matters: float | None, in_unit: bool, wanted: tuple[float, bool]
) -> None:
    """A fraction or in the unit as it was asked; 5 % where nobody asked."""
    problem = replace(working.cleaned.problem, matters=matters, matters_in_unit=in_unit)
    found = replace(working, cleaned=replace(working.cleaned, problem=problem))
    assert _matters(found, display_of(found)[0]) == wanted


def test_what_matters_of_a_quantity_without_fraction(linear: Working) -> None:
    """Twice the scatter of pieces; what was asked counts in the unit."""
    display = display_of(linear)[0]
    assert _matters(linear, display) == pytest.approx((2 * _scatter(linear)[0], False))
    problem = replace(linear.cleaned.problem, matters=0.1)
    found = replace(linear, cleaned=replace(linear.cleaned, problem=problem))
    assert _matters(found, display) == (0.1, False)


@pytest.mark.parametrize(
    ("limits", "chance", "differs"),
    [((0.01, 0.2), 0.49, True), ((0.01, 0.2), 0.5, False), ((-0.2, -0.01), 0.1, True),
     ((0.0, 0.2), 0.1, False), ((-0.2, 0.0), 0.1, False)],
)  # fmt: skip
def test_a_difference_is_claimed_where_zero_is_outside_and_chance_did_not_make_most(
    working: Working, limits: tuple[float, float], chance: float, differs: bool
) -> None:
    """A limit on zero claims nothing; half is most."""
    explanations = [Explanation("chance", (), "chance", chance)]
    found = _verdict(working, display_of(working)[0], limits, explanations, widened=False)
    assert found.differs == differs


def test_pieces_of_one_plate_are_claimed_though_their_own_scatter_made_most() -> None:
    """There is no chance between plates where both are of one plate: what it had cancels."""
    problem = asked({"A1": ([50.0, 51.0, 52.0], BASE), "B1": ([60.0, 62.0, 63.0], {**BASE, "spool": "S2"})})
    shared = tuple(replace(o, plate="P") for o in problem.observations)
    found = work(cleaned(replace(problem, observations=shared)))
    chance = [Explanation("chance", (), "chance", 0.9)]
    assert _verdict(found, display_of(found)[0], (0.1, 0.2), chance, widened=False).differs
    told = from_work(found)
    assert told.verdict is not None
    assert [each.words for each in told.verdict.explanations if each.kind == "chance"] == [
        "chance between pieces"
    ]
    assert noise_weights(found) == pytest.approx((2 / 3, 0.0))
    assert noise_weights(found)[1] == 0.0
    assert told.difference.remarks == ("A and B share 1 plate(s): what those plates had in common cancels.",)


def test_the_difference_seen_weighs_odd_plates_less(working: Working) -> None:
    """Mean of plate means, on the working scale, by each plate's precision."""
    logs = {name: np.log(values).mean() for name, (values, *_) in PLATES.items()}
    loose = np.array([1.0, 3.0, 2.0, 1.0, 1.0, 1.0])
    found = replace(working, data=replace(working.data, looseness=loose))
    a = (logs["A1"] / 1 + logs["A2"] / 3) / (1 + 1 / 3)
    assert difference_seen(found) == pytest.approx(logs["B1"] - a)
    # Of the three the usual one has 2: more than twice of that is odd.
    assert _odd_plates(found) == ()
    loose = np.array([1.0, 4.1, 2.0, 9.0, 1.0, 1.0])
    assert _odd_plates(replace(working, data=replace(working.data, looseness=loose))) == ("A2",)
    loose = np.array([1.0, 4.0, 2.0, 9.0, 1.0, 1.0])
    assert _odd_plates(replace(working, data=replace(working.data, looseness=loose))) == ()


@pytest.mark.parametrize(
    ("values", "remark"),
    [
        (([50.0, 50.0], [50.0]), "All values are equal"),
        (([50.0], [50.0]), None),
        (([50.0] * 3, [51.0] * 3), "Pieces of one plate all read the same"),
        (([50.0] * 3, [51.0] * 2), None),
        (([50.0, 50.0, 50.1], [51.0] * 3), None),
    ],
)
def test_readings_without_scatter_are_remarked(values: Any, remark: str | None) -> None:
    """All equal from three on; each plate equal from three pieces on each."""
    found = work(cleaned(asked({"A1": (values[0], BASE), "B1": (values[1], BASE)})))
    remarks = _remarks(found)
    assert len(remarks) == (remark is not None)
    assert all(text.startswith(str(remark)) for text in remarks)
    chosen = (*found.cleaned.a, *found.cleaned.b)
    assert _without_scatter(chosen) == (values == ([50.0] * 3, [51.0] * 3))


def test_the_normal_score_has_the_probability_of_the_ranks() -> None:
    """Two-sided 0.05 is 1.96, with the sign of who reads higher; certain is nought."""
    ranks = answer(asked({"A1": ([1.0, 2.0], BASE), "A2": ([2.0, 3.0], BASE), "B1": ([4.0, 5.0], BASE),
                          "B2": ([6.0, 3.0], BASE)}, question=GRADE))  # fmt: skip
    test = ranks.difference.ranks
    assert test is not None
    assert ranks.difference.standardised == pytest.approx(-stats.norm.ppf(test.p / 2))
    assert _normal_score(replace(test, p=0.05, b_higher=0.9)) == pytest.approx(1.959964, abs=1e-6)
    assert _normal_score(replace(test, p=0.05, b_higher=0.1)) == pytest.approx(-1.959964, abs=1e-6)
    assert _normal_score(replace(test, p=1.0, b_higher=0.1)) == 0.0
    assert ranks.difference.plate_scatter_known
    assert (ranks.difference.tail, ranks.difference.claimed) == (test.p, test.p < 0.05)


def test_ranks_of_one_plate_claim_nothing() -> None:
    """However far apart: nothing is known of how plates scatter. Several plates of each do."""
    low, high = [float(n) for n in range(8)], [float(n) for n in range(20, 28)]
    one = answer(asked({"A1": (low, BASE), "B1": (high[:4], BASE), "B2": (high[4:], BASE)}, question=GRADE))
    assert (one.difference.claimed, one.difference.tail) == (False, 1.0)
    two = answer(
        asked({"A1": (low[:4], BASE), "A2": (low[4:], BASE), "B1": (high[:4], BASE), "B2": (high[4:], BASE)},
              question=GRADE)
    )  # fmt: skip
    assert two.difference.claimed


@pytest.mark.parametrize(("n", "told"), [(3, False), (4, True)])
def test_a_permutation_needs_four_of_each(n: int, told: bool) -> None:
    """Of three against three the least probability would be one in ten."""
    found = answer(
        asked({"A1": ([50.0 + i for i in range(n)], BASE), "B1": ([60.0, 61.5, 62.0, 63.0], BASE)})
    )
    assert (found.difference.permutation is not None) == told


def test_with_what_was_set_aside_the_limits_move_along(working: Working, linear: Working) -> None:
    """By as much as the logarithm of the ratio of means, or the difference; what has no value is out."""
    for found in (working, linear):
        observations = found.cleaned.observations
        aside = (
            replace(observations[0], result_id="x", value=40.0),
            replace(observations[-1], result_id="y", value=70.0, plate="B1"),
            replace(observations[-1], result_id="z", value=math.nan, plate="B1"),
        )
        problem = replace(found.cleaned.problem, aside=aside, aside_a=frozenset({"x"}))
        told = from_work(replace(found, cleaned=replace(found.cleaned, problem=problem))).difference
        plain = from_work(found).difference.span
        assert told.with_aside is not None
        assert plain is not None
        span, of_a, of_b = told.with_aside
        assert (of_a, of_b) == (1, 1)
        mean_a = ((50 + 51 + 40) / 3 + 151 / 3) / 2
        mean_b = (58 + 57 + 60 + 61 + 70) / 5
        assert span.delta == pytest.approx(mean_b - mean_a)
        if found is working:
            moved = math.log(mean_b / mean_a) - math.log(MEAN_B / MEAN_A)
            low = mean_a * ((1 + plain.low / MEAN_A) * math.exp(moved) - 1)
        else:
            low = plain.low + (mean_b - mean_a) - (MEAN_B - MEAN_A)
        assert span.low == pytest.approx(low)


def test_published_directions_are_compared_with_what_is_shown() -> None:
    """Only a share of its own whose interval excludes zero agrees or disagrees."""
    rng = np.random.default_rng(2)
    plates: dict[str, Any] = {}
    for n in range(14):
        hot = n % 2 == 1
        name = "A1" if n == 0 else "B1" if n == 13 else f"H{n:02d}"
        values = [float(50 * math.exp(0.2 * hot + rng.normal(0, 0.01))) for _ in range(3)]
        plates[name] = (values, {"nozzle_c": 270.0 if hot else 240.0})
    question = replace(STRENGTH, about="interlayer")
    share = answer(asked(plates, (NOZZLE,), question=question)).shares[0]
    assert share.published is not None
    assert (share.shown, share.agrees) == (True, share.published.sign == "+")
    turned = asked(plates, (NOZZLE,), question=question)
    back = answer(replace(turned, a=turned.b, b=turned.a)).shares[0]
    assert back.agrees == share.agrees
    quiet = {name: ([50.0, 51.0, 49.5], known) for name, (_, known) in plates.items()}
    assert answer(asked(quiet, (NOZZLE,), question=question)).shares[0].agrees is None


def test_a_curve_of_one_material_is_told() -> None:
    """Where all are of one material; else it is that material's own slope."""
    curved = bent(0.2, 0.0)
    assert "nozzle_c does not act along a straight line" in from_work(curved).bends
    two = replace(curved, data=replace(curved.data, q=2))
    assert [extra.factors for extra in two.extras if _shown_bend(two, extra)] == [
        extra.factors for extra in two.extras if len(extra.factors) > 1 and _shown_bend(curved, extra)
    ]


# The plan


def test_the_bench_of_a_plan(working: Working) -> None:
    """Noise of a plate's mean, variance of a piece, every truth drawn: from the posterior by hand."""
    found = _bench(working, Wishes())
    sigma, rho, _ = typical_scatters(working.posterior)
    # A's plates have two and three pieces, B's has four: three is usual.
    assert found.pieces == 3
    loose = float(np.median(working.data.looseness))
    assert found.noise == pytest.approx((sigma * rho) ** 2 * loose + sigma**2 / 3)
    assert found.piece == pytest.approx(sigma**2)
    s = len(working.names)
    pick = [int(i) for i in np.linspace(0, 999, 120)]
    pick += [1000 + i for i in pick]
    assert found.truth[:, 0] == pytest.approx(working.draws[pick, -1])
    assert found.truth[:, 1:] == pytest.approx(working.draws[pick, :s])
    assert found.together == pytest.approx(working.draws[pick, s])
    parts = [working.draws[pick, i] for i in range(s)] + [working.draws[pick, s + 1]]
    who = explained(parts, working.draws[pick, s + 2], difference_seen(working), chance_luck(working))
    assert found.who.tolist() == who.tolist()
    assert (found.free, found.split, found.fixed) == ([0, 1], [], {})
    assert found.levels == [(240.0, 270.0), ("S1", "S2")]


def test_the_bench_splits_tests_and_holds_what_cannot_be_set() -> None:
    """A rig is split within the plate, unless its numbers hardly differ; a measured one stays as in A."""
    factors = (
        NOZZLE,
        Factor("rig", kind="category", of_test=True),
        Factor("room_c", "°C", 0.1, 10.0, of_test=True),
        Factor("water_pct", "%", 0.01, 0.3, settable=False),
    )
    base = {"nozzle_c": 240.0, "rig": "R1", "room_c": 20.0, "water_pct": 0.1}
    other = {"nozzle_c": 270.0, "rig": "R2", "room_c": 20.9, "water_pct": 0.2}
    found = work(cleaned(asked({"A1": ([50.0, 51.0], base), "B1": ([58.0, 59.0], other)}, factors)))
    bench = _bench(found, Wishes())
    names = {kind: [found.names[i] for i in where] for kind, where in
             (("free", bench.free), ("split", bench.split), ("fixed", bench.fixed))}  # fmt: skip
    assert names == {"free": ["nozzle_c"], "split": ["rig"], "fixed": ["water_pct"]}
    assert bench.fixed[found.names.index("water_pct")] == 0.0
    bits = np.array([float(name == "nozzle_c") for name in found.names])
    plate = _plate(found, bench, bits, 0.25)
    assert plate.sides == {"nozzle_c": "B", "room_c": "A", "water_pct": "A"}
    assert plate.levels == {"nozzle_c": 270.0, "room_c": 20.0, "water_pct": 0.1}
    assert plate.split == {"rig": ("R1", "R2")}
    assert (plate.pieces, plate.worth) == (2, 0.25)
    assert plate.words == "B once more; half of the pieces each: rig R1 and R2"
    assert _plate_words(found, bench, np.zeros(len(bits))).startswith("A once more; half of")


@pytest.mark.parametrize(("wished", "pieces"), [(None, 3), (1, 1), (3, 3), (7, 3)])
def test_pieces_are_as_many_as_before_or_as_wished(working: Working, wished: int | None, pieces: int) -> None:
    """Never more than A's and B's plates had."""
    assert _pieces(working, Wishes(pieces=wished)) == pieces


def test_costs_are_those_of_the_two_sides(working: Working) -> None:
    """On average over their results, times the plates; unknown where no plate states any."""
    problem = replace(
        working.cleaned.problem, costs={"A1": (2.0, None), "B1": (5.0, 30.0), "H1": (99.0, 999.0)}
    )
    found = replace(working, cleaned=replace(working.cleaned, problem=problem))
    assert _costs(found, 3) == pytest.approx((3 * (2 * 2.0 + 4 * 5.0) / 6, 90.0))
    assert _costs(working, 3) == (None, None)


def test_foreseen_shares_are_spreads_of_truths(working: Working) -> None:
    """1.96 standard deviations now; afterwards the median over truths of what outcomes leave."""
    bench = _bench(working, Wishes())
    plates = [np.array([1.0, 0.0])]
    found = _foreseen_shares(working, bench, plates, -55.0, 50.0)
    weight = bench.weights(plates)
    for i, share in enumerate(found):
        truths = bench.truth[:, i + 1]
        spread = [
            math.sqrt(max(np.average((truths - np.average(truths, weights=w)) ** 2, weights=w), 0))
            for w in weight
        ]
        assert (share.factor, share.fraction) == (working.names[i], True)
        assert share.now == pytest.approx(1.959964 * 55 / 50 * truths.std())
        assert share.after == pytest.approx(1.959964 * 55 / 50 * float(np.median(spread)), rel=1e-6)
    bare = _foreseen_shares(working, bench, plates, -55.0, None)
    assert not bare[0].fraction
    assert bare[0].now == pytest.approx(50 * found[0].now)


def test_what_was_printed_is_counted_by_its_levels(working: Working) -> None:
    """Beside A and B: H2 lies between two nozzles, H1 and H3 have another fan than A: none of them."""
    bench = _bench(working, Wishes())
    assert _printed(working, bench) == {}
    more = {**PLATES, "R1": ([50.0], BASE), "R2": ([51.0], {**BASE, "nozzle_c": 270.0}),
            "R3": ([51.5], {**BASE, "nozzle_c": 270.0}),
            "R4": ([51.5], {**BASE, "nozzle_c": 270.0}, {"material": "PC"})}  # fmt: skip
    found = work(cleaned(asked(more)))
    bench = _bench(found, Wishes())
    assert found.names == ("nozzle_c", "spool")
    assert _printed(found, bench) == {(0.0, 0.0): 1, (1.0, 0.0): 2}
    left = {tuple(row) for row in _candidates(found, Wishes(), bench)}
    assert left == {(0.0, 0.0), (0.0, 1.0), (1.0, 1.0)}


def test_a_plate_near_b_is_written_from_b(working: Working) -> None:
    """More than half of what may be set as in B; half counts from A."""
    bench = _bench(working, Wishes())
    words = [
        _plate_words(working, bench, np.array(bits))
        for bits in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0))
    ]
    assert words == ["A once more", "as A, but nozzle_c 270 °C", "as A, but spool S2", "B once more"]


def test_warnings_of_a_plan(working: Working) -> None:
    """What lies outside a range, what is not safe, what is used up, what cannot be set."""
    bench = _bench(working, Wishes())
    plates = (
        PlannedPlate({}, {"nozzle_c": 270.0, "spool": "S1"}, 3, 0.1),
        PlannedPlate({}, {"nozzle_c": 240.0}, 3, 0.1),
    )
    wishes = Wishes(limits={"nozzle_c": Limit(high=260.0, source="sheet")})
    assert _warnings(working, wishes, plates, bench) == (
        "nozzle_c 270 °C lies outside the range up to 260 (sheet).",
    )
    held = replace(bench, fixed={0: 1.0, 1: 0.0})
    safe = Wishes(
        limits={"nozzle_c": Limit(low=250.0, source="sheet", never=True)},
        gone={"spool": frozenset({"S2", "S1"})},
    )
    assert _warnings(working, safe, (), held) == (
        "nozzle_c stays at B's level: the other is not safe (sheet).",
        "spool stays at A's level: S1, S2 is used up.",
    )
    assert _warnings(working, Wishes(), (), held)[0] == (
        "nozzle_c cannot be set; it is taken to stay as in A. Record it again."
    )


def test_a_plan_has_the_figures_of_its_bench(working: Working) -> None:
    """Chance now and after each plate, what each is worth, hours and grams."""
    problem = replace(working.cleaned.problem, costs={"B1": (5.0, 30.0)}, label_a="J1", label_b="J2")
    found = replace(working, cleaned=replace(working.cleaned, problem=problem))
    plan = planned(found, Wishes(plates=2))
    bench = _bench(found, Wishes())
    chosen, chances, worths = _choose(bench, _candidates(found, Wishes(), bench), 2)
    assert [plate.worth for plate in plan.plates] == worths
    assert (plan.now, plan.chances) == (bench.now(), tuple(chances))
    assert (plan.hours, plan.grams, plan.sides) == (10.0, 60.0, ("J1", "J2"))
    assert bench.now() == max(np.mean(bench.who == kind) for kind in set(bench.who.tolist()))
    assert chances == [bench.outlook(chosen[: n + 1]).first for n in range(2)]
    told = with_plan(answer(problem), Wishes(plates=2))
    assert (len(told.followup), told.decides) == (2, chances[0])


# Checks of a claim


def test_a_level_far_outside_all_others_is_doubted() -> None:
    """Beyond three spans, from three plates on; in °F where that would be among the others."""
    plates = {"A1": ([50.0], BASE), "H1": ([52.0], {**BASE, "nozzle_c": 250.0})}
    for nozzle, told in ((340.0, False), (340.1, True), (150.0, False), (149.9, True)):
        found = work(cleaned(asked({**plates, "B1": ([60.0], {**BASE, "nozzle_c": nozzle})})))
        assert [check.factor for check in implausible(found)] == (["nozzle_c"] if told else [])
    found = work(cleaned(asked({**plates, "B1": ([60.0], {**BASE, "nozzle_c": 500.0})})))
    text = implausible(found)[0].text
    assert text == (
        "nozzle_c 500 °C on B lies far outside all others (240 to 250); was it typed wrong? "
        "In °F it would be 260 °C."
    )
    # 280 °C is a span above all others, 281 is not among them.
    for nozzle, told in ((1.8 * 280 + 32, True), (1.8 * 281 + 32, False)):
        found = work(cleaned(asked({**plates, "B1": ([60.0], {**BASE, "nozzle_c": nozzle})})))
        assert ("In °F" in implausible(found)[0].text) == told
    two = {"A1": plates["A1"], "B1": ([60.0], {**BASE, "nozzle_c": 500.0})}
    assert implausible(work(cleaned(asked(two)))) == ()


@pytest.mark.parametrize(("error", "told"), [(9.0, False), (9.1, True)])
def test_a_change_read_too_roughly_is_doubted(error: float, told: bool) -> None:
    """Above three tenths of the span."""
    found = work(cleaned(asked(PLATES, (replace(NOZZLE, error=error), FAN, SPOOL))))
    assert [check.text for check in too_rough(found)] == (
        [f"nozzle_c was recorded to ± {error:.2g} °C only"] if told else []
    )


@pytest.mark.parametrize(
    ("a", "b", "texts"),
    [
        (("none", "none"), ("stringy", "stringy"),
         ["wholly confounded with what the notes say: B alone has “stringy”"]),
        (("none", "none"), ("stringy", "none"),
         ["partly confounded with what the notes say: B alone has “stringy”"]),
        (("wet", "none"), ("wet", "none"), []),
        (("wet", "none"), ("dull", "bent"),
         ["partly confounded with what the notes say: A alone has “wet”",
          "wholly confounded with what the notes say: B alone has “bent”, “dull”"]),
    ],
)  # fmt: skip
def test_notes_of_one_side_are_confounded(a: tuple[str, ...], b: tuple[str, ...], texts: list[str]) -> None:
    """Wholly where every piece of the side has one that the other side has not."""
    note = Factor("note", kind="category", listed=True)
    plates = {
        f"{side}{i}": ([50.0 + i, 51.0], {**BASE, "note": text})
        for side, own in (("A", a), ("B", b))
        for i, text in enumerate(own)
    }
    found = noted(work(cleaned(asked(plates, (NOZZLE, note)))))
    assert [check.text for check in found] == texts


def test_the_fit_of_a_claim_by_plain_matrices(working: Working) -> None:
    """Only the named factor acts fully: others at 0.15 of it, what was not recorded at a thousandth."""
    found, covariance, sigma = _fit(working, working.data, "nozzle_c")
    sigma_, rho, kappa = typical_scatters(working.posterior)
    design = working.design
    size = np.full(design.x.shape[1], 0.5)
    for hidden in working.hidden:
        size[design.columns_of(hidden)[0]] = 1e-3
    size[design.columns_of("spool")[0]] = 0.15
    size[design.columns_of("nozzle_c")[0]] = 1.0
    a, b, _, _ = weighted(working.data, rho, kappa)
    inverse = np.linalg.inv(a + np.diag([0.0, *(size * kappa) ** -2.0]))
    assert sigma == sigma_
    assert found == pytest.approx(inverse @ b)
    assert covariance == pytest.approx(sigma**2 * inverse)


def test_b_is_foreseen_by_the_other_plates() -> None:
    """Its mean less what a fit without its plates gives, over the spread of both; 2.6 is the limit."""
    plates = {**PLATES, **{f"R{n}": ([57.5 + n, 59.0], {**BASE, "nozzle_c": 270.0}) for n in range(3)}}
    found = work(cleaned(asked(plates)))
    check = _foreseen(found, "nozzle_c")
    assert check.passed
    misses = [
        float(_foreseen(shifted(found, by), "nozzle_c").text.split(" by ")[1].split()[0]) for by in (0.5, 1.0)
    ]
    # Twice as far off: the same step again.
    now = float(check.text.split(" by ")[1].split()[0])
    assert misses[1] - misses[0] == pytest.approx(abs(misses[0] - now), abs=1.2)
    assert not _foreseen(shifted(found, 1.0), "nozzle_c").passed
    assert check.text.startswith("what the other plates say of nozzle_c misses B by ")


def shifted(working: Working, by: float) -> Working:
    """Return a working of which B's results read higher by so much of the logarithm."""
    up = working.design.y + by * (working.index(working.cleaned.b) > 0)
    return replace(working, design=replace(working.design, y=up))


def test_a_share_that_hangs_on_one_plate_is_not_held_by_several() -> None:
    """Three plates at B's nozzle hold it; of one, what is left without it is said."""
    hot = {**BASE, "nozzle_c": 270.0}
    few = {"A1": ([50.0, 50.5], BASE), "B1": ([60.0, 60.5], {**hot, "spool": "S2"}),
           **{f"H{n}": ([50.0 + n / 10, 50.2], BASE) for n in range(4)}}  # fmt: skip
    one = work(cleaned(asked({**few, "R1": ([60.0, 60.3], hot)})))
    several = work(cleaned(asked({**few, **{f"R{n}": ([60.0, 60.3], hot) for n in range(4)}})))
    found = _held_by_several(several, "nozzle_c")
    assert found.passed
    alone = _held_by_several(one, "nozzle_c")
    at = sorted({o.plate for o in one.cleaned.observations}).index("R1")
    row = one.rows[one.names.index("nozzle_c")]
    left = float(row @ _fit(one, _without(one.data, at), "nozzle_c")[0]) / float(
        row @ _fit(one, one.data, "nozzle_c")[0]
    )
    assert alone.text == f"without plate R1 {100 * max(left, 0):.0f} % of its share is left"
    assert alone.passed == (left > 0.25)
    loose = _without(one.data, at).looseness
    assert loose[at] == 1e6
    assert np.delete(loose, at) == pytest.approx(np.delete(one.data.looseness, at))


def test_what_is_and_what_is_not(working: Working) -> None:
    """Other plates nearer to B's level, and of each side how many read nearer to B."""
    more = {
        **PLATES,
        "H2": ([55.0], {**BASE, "nozzle_c": 250.0}),
        "R1": ([57.0], {**BASE, "nozzle_c": 262.0}),
        "R2": ([51.0], {**BASE, "nozzle_c": 268.0}),
        "X1": ([90.0], {**BASE, "nozzle_c": 270.0}, {"material": "PC"}),
    }
    found = {each.factor: each for each in suspects(work(cleaned(asked(more))))}
    nozzle = found["nozzle_c"]
    assert dict(nozzle.plates) == {"R1": True, "R2": False}
    assert (nozzle.with_it, nozzle.with_it_like_b) == (2, 1)
    # Of H1, H2 and H3 the second reads above the middle of 51 and 59.
    assert (nozzle.without, nozzle.without_like_b) == (3, 1)
    assert {each.factor for each in suspects(working)} == set(working.names)


# Several quantities at once


def several(tails: list[float], claimed: list[bool], quantities: list[str]) -> list[Answer]:
    """Return answers of which tail, claim and quantity are given."""
    base = answer(asked(PLATES))
    assert base.verdict is not None
    return [
        replace(
            base,
            problem=replace(base.problem, question=replace(STRENGTH, quantity=name)),
            difference=replace(base.difference, tail=tail, claimed=holds),
            verdict=replace(base.verdict, differs=holds),
            leading="nozzle_c",
        )
        for tail, holds, name in zip(tails, claimed, quantities, strict=True)
    ]


@pytest.mark.parametrize(
    "tails",
    [[0.001, 0.02, 0.04, 0.6], [0.04, 0.03, 0.02], [0.05, 0.001], [0.026, 0.03], [0.5, 0.5, 0.01, 0.02]],
)
def test_several_claims_are_adjusted_as_statsmodels_does(tails: list[float]) -> None:
    """Benjamini and Hochberg: the adjusted tail, and below one in twenty the claim stands."""
    names = [f"q{n}" for n in range(len(tails))]
    found = _adjusted(several(tails, [True] * len(tails), names))
    theirs = multipletests(tails, alpha=0.05, method="fdr_bh")[1]
    assert [each.difference.adjusted for each in found] == pytest.approx(list(theirs))
    for each, p, tail in zip(found, theirs, tails, strict=True):
        holds = bool(p < 0.05)
        assert each.verdict is not None
        assert (each.difference.claimed, each.verdict.differs) == (holds, holds)
        assert each.leading == ("nozzle_c" if holds else None)
        if not holds:
            assert each.difference.level == pytest.approx(0.05 * tail / p)


def test_one_quantity_in_two_orientations_is_one_question() -> None:
    """Nothing is adjusted; of two quantities it is, and what was not claimed stays so."""
    same = _adjusted(several([0.03, 0.9], [True, False], ["q", "q"]))
    assert [each.difference.adjusted for each in same] == [None, None]
    two = _adjusted(several([0.001, 0.002], [False, True], ["p", "q"]))
    assert [each.difference.claimed for each in two] == [False, True]
    assert two[0].difference.level == several([0.001], [False], ["p"])[0].difference.level


def test_an_overview_in_order_and_in_words() -> None:
    """What scatters first, largest standardised difference first; refusals with their reason."""
    problems = [asked(PLATES)]
    problems += [
        renamed(asked({**PLATES, "B1": ([value, value + 1], PLATES["B1"][1])}), name)
        for name, value in (("b.small", 50.4), ("a.large", 90.0))
    ]
    flat = {"A1": ([50.0] * 3, BASE), "B1": ([99.0] * 3, BASE)}
    problems.append(renamed(asked(flat), "flat"))
    problems.append(replace(renamed(asked(PLATES), "none"), b=frozenset({"A1-0"}), a=frozenset({"A1-0"})))
    found = overview(problems)
    names = [each.problem.question.quantity for each in found.answers]
    sizes = [abs(each.difference.standardised) for each in found.answers[:-1]]
    assert names[-1] == "flat"
    assert names[0] == "a.large"
    assert sizes == sorted(sizes, reverse=True)
    assert list(found.refused) == ["none"]
    data = found.as_json()
    assert (data["adjusted_for"], [row["quantity"] for row in data["quantities"]]) == (4, names)
    lines = found.sentences(300)
    assert lines[4].startswith("4 asked about at once: of the differences claimed one in twenty")
    assert lines[5].startswith("none: not answered, ")
    assert "too narrow" in lines[3]
    assert "too narrow" not in lines[0]


def renamed(problem: Problem, name: str) -> Problem:
    """Return a problem of another quantity."""
    observations = tuple(replace(o, quantity=name) for o in problem.observations)
    return replace(problem, question=replace(problem.question, quantity=name), observations=observations)


@pytest.mark.parametrize(
    ("standardised", "words"),
    [(12.3, "over 10"), (-12.3, "over 10"), (10.0, "over 10"), (9.94, "9.9"), (-1.234, "1.2"), (0.5, "0.50")],
)
def test_how_many_deviations_apart(standardised: float, words: str) -> None:
    """Nobody is surer for more than ten."""
    found = several([0.01], [True], ["q"])[0]
    told = _sentence(replace(found, difference=replace(found.difference, standardised=standardised)))
    assert told.startswith("q: a difference; B less A +")
    assert f", {words} standard deviations." in told
    quiet = Overview((found,), {}).sentences(20)
    assert max(len(line) for line in quiet) <= 40


# What is asked


def test_zeros_are_a_share_where_three_of_each_are_above() -> None:
    """The rest is compared; with a value below zero, or too few above, all are taken as they stand."""
    plates = {
        "A1": ([50.0, 51.0, 52.0, 0.0], BASE),
        "B1": ([40.0, 41.0, 42.0], BASE),
        "H1": ([0.0, 45.0], BASE),
    }
    found = cleaned(asked(plates))
    assert found.zeros == Zeros((1, 4), (0, 3))
    assert found.excluded == {"reads zero, compared as a share": 2}
    assert len(found.observations) == 7
    few = cleaned(asked({**plates, "B1": ([40.0, 41.0, 0.0], BASE)}))
    assert (few.zeros, len(few.observations)) == (None, 9)
    below = cleaned(asked({**plates, "H1": ([0.0, -1.0], BASE)}))
    assert below.zeros is None
    signed_ = cleaned(asked(plates, question=replace(STRENGTH, positive=False)))
    assert signed_.zeros is None


def test_what_cannot_be_used_is_counted() -> None:
    """No number; a bound beside A and B. A bound in A or B leaves ranks alone, and all bounds are kept."""
    problem = asked(
        {**PLATES, "H2": ([math.nan, 55.0], BASE), "H3": ([math.inf], BASE)},
        excluded={"value is not a number": 3},
    )
    observations = tuple(replace(o, censored="above") if o.plate == "H1" else o for o in problem.observations)
    found = cleaned(replace(problem, observations=observations))
    assert found.excluded == {"value is not a number": 5, "only a bound is known": 2}
    assert [o.plate for o in found.observations if o.plate[0] == "H"] == ["H2"]
    bound = tuple(replace(o, censored="above") if o.result_id == "B1-0" else o for o in observations)
    ranks = cleaned(replace(problem, observations=bound))
    assert ranks.by_rank
    assert ranks.excluded == {"value is not a number": 5}
    assert [o.plate for o in ranks.observations if o.plate[0] == "H"] == ["H1", "H1", "H2"]


@pytest.mark.parametrize(
    ("factors", "what"),
    [
        ((NOZZLE, replace(NOZZLE, span=2.0)), "factor nozzle_c is declared twice"),
        ((replace(NOZZLE, span=0.0),), "factor nozzle_c has the span 0"),
        ((replace(NOZZLE, span=math.inf),), "factor nozzle_c has the span inf"),
        ((replace(NOZZLE, span=-1.0),), "factor nozzle_c has the span -1"),
        ((Factor("material", kind="category"),), "a factor is called material"),
    ],
)
def test_a_registry_that_cannot_be_used_is_refused(factors: tuple[Factor, ...], what: str) -> None:
    """By name; a category has no span to look at."""
    with pytest.raises(Refused) as refused:
        cleaned(asked(PLATES, factors))
    assert refused.value.what == what
    assert cleaned(asked(PLATES, (replace(SPOOL, span=0.0),)))


def test_groups_that_hold_nothing_are_refused() -> None:
    """Which of the two is empty, which result is twice, which is in no scope."""
    problem = asked(PLATES, label_a="J1", label_b="J2")
    extra = Observation("B1-9", "other", 1.0, "ASA", "B1")
    for broken, what in (
        (replace(problem, a=frozenset()), "group J1 holds no results of tensile.strength"),
        (replace(problem, b=frozenset()), "group J2 holds no results of tensile.strength"),
        (
            replace(problem, observations=(*problem.observations, problem.observations[3])),
            "result A2-1 is given twice",
        ),
        (replace(problem, a=problem.a | {"A7-7"}), "result A7-7 is not in the scope"),
        (
            replace(problem, observations=(*problem.observations, extra), b=frozenset({"B1-9"})),
            "J2 holds no usable value of tensile.strength",
        ),
    ):
        with pytest.raises(Refused) as refused:
            cleaned(broken)
        assert refused.value.what == what


def test_tails_and_comparisons_are_facts() -> None:
    """The smaller side of zero of a mixture by scipy; a comparison keeps both counts."""
    found = work(cleaned(asked(PLATES)))
    weight, mean, sd = total_of(found)
    at = len(found.names) + len(found.groups) + 2
    post = replace(
        found.posterior, mean=found.posterior.mean[:, [at]], variance=found.posterior.variance[:, [at]]
    )
    below = float(weight @ stats.norm.cdf(0.0, mean, sd))
    assert _smaller_tail(post) == pytest.approx(min(below, 1 - below))
    compared: Comparison = found.comparisons[0]
    assert (compared.recorded_a, compared.recorded_b) == ((5, 5), (4, 4))
    assert found.extremes == (Extreme("B", "highest", 6),)


def test_what_an_answer_was_read_from_is_no_part_of_what_it_says() -> None:
    """It holds matrices: two answers are equal by what they tell, and a message that shows one is short."""
    kept = {each.name: (each.repr, each.compare) for each in fields(Answer)}

    assert kept["working"] == (False, False)
    assert set(kept.values()) == {(False, False), (True, True)}
