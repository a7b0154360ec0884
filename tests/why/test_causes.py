"""Which of the changed things acted: the closed form against a plain one, and what it must say."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.why import plain
from tests.why.simulated import SIX, STRENGTH, World, book, explain, levels, plate, problem
from tests.why.worlds import WORLDS, make
from tracker.why import Factor, Observation, Problem, Question, answer, overview
from tracker.why.answer import explained
from tracker.why.causes import Cause, Doubt, _area, _base, _weights, sets_of, weigh
from tracker.why.design import build
from tracker.why.posterior import Prior, sums
from tracker.why.problem import cleaned
from tracker.why.working import work

_WORLD = World({f.name: 0.15 if f.name == "nozzle_c" else 0.0 for f in SIX}, 0.02, 0.02)


def _asked(history: int = 12, changed: frozenset[str] = frozenset({"nozzle_c", "fan_pct"})) -> Problem:
    return book(np.random.default_rng(21), _WORLD, history, set(changed))


def _named(asked: Problem) -> dict[str, float]:
    verdict = answer(asked).verdict
    assert verdict is not None
    return {each.factors[0] if each.kind == "factor" else each.kind: each.p for each in verdict.explanations}


def test_sets_agree_with_solving_each_from_scratch() -> None:
    """Mean and variance of every set equal those of the n × n matrix with that set's own prior."""
    design = build(STRENGTH, SIX, _asked(5).observations)
    data = sums(design)
    q, p = len(design.materials), design.x.shape[1]
    causes = [
        Cause("nozzle_c", q, 0.3),
        Cause("fan_pct", q + 2, 0.3),
        Cause("?B", q + 3, 0.1, unrecorded=True),
    ]
    scale = np.full(p, 0.5)
    scale[[0, 2, 3]] = 1.0
    rows = np.random.default_rng(1).normal(size=(3, q + p))
    rows[:, :q] = 0.0
    sheets = _base(
        data, causes, rows, scale, ((math.log(0.8), math.log(1.5)), (math.log(3.0), math.log(5.0)))
    )
    sets = sets_of(causes)
    mean, variance = _weights(sheets, sets, np.zeros(len(sets)), data, Prior(), 5)[2:]
    cell = 10
    rho, kappa = float(sheets.rho[cell]), float(sheets.kappa[cell])
    for i, one in enumerate(sets):
        size = scale.copy()
        for k, cause in enumerate(causes):
            size[cause.column - q] *= 1.0 if k in one else (0.02 if cause.unrecorded else 0.1)
        scaled = replace(design, x=design.x * size)
        found = plain.posterior(scaled, np.hstack([rows[:, :q], rows[:, q:] * size]), 1.0, rho, kappa)
        assert mean[cell, i] == pytest.approx(found[0], abs=1e-8)
        assert variance[cell, i] == pytest.approx(found[1], rel=1e-6)


def test_a_doubt_acts_or_hardly_does_in_noise_and_columns_alike() -> None:
    """Every pair (ρ, κ) stands twice; each equals the n × n matrix with its own size of the doubt."""
    gaps = tuple(
        replace(o, factors={**o.factors, "fan_pct": None} if o.plate in ("H01", "H03") else o.factors)
        for o in _asked(6).observations
    )
    design = build(STRENGTH, SIX, gaps)
    assert design.vague == 1
    assert np.count_nonzero(design.open_variance) == 2
    q, p = len(design.materials), design.x.shape[1]
    causes, rows, scale = [Cause("nozzle_c", q, 0.3)], np.eye(2, q + p, q), np.ones(p)
    ranges = ((math.log(0.8), math.log(1.5)), (math.log(3.0), math.log(5.0)))
    sheets = _base(sums(design), causes, rows, scale, ranges, Doubt((q + p - 1,), 0.3))
    half = len(sheets.rho) // 2
    for cell, size in ((5, 1.0), (half + 5, 0.1)):
        factor = np.ones(p)
        # The one cause does not act in the base; the last column stands for the doubt.
        factor[0], factor[-1] = 0.1, size
        scaled = replace(design, x=design.x * factor, open_variance=design.open_variance * size**2)
        wide = np.hstack([rows[:, :q], rows[:, q:] * factor])
        found = plain.posterior(scaled, wide, 1.0, float(sheets.rho[cell]), float(sheets.kappa[cell]))
        assert sheets.mean[cell] == pytest.approx(found[0], abs=1e-8)
        assert np.diag(sheets.base[cell]) == pytest.approx(found[1], rel=1e-6)


def test_bounds_on_another_factor_take_nothing_from_what_is_on_a_line() -> None:
    """Six plates and six at two levels of the cause, and a factor known only within wide bounds on all."""
    case = make(np.random.default_rng(5), WORLDS["another within bounds, 6 + 6"])
    assert answer(case.problem).leading == case.truth.cause


def test_forms_of_something_not_recorded_exclude_each_other() -> None:
    """No set holds two of them, and each stands alone once."""
    causes = [Cause("x", 1, 0.3), Cause("?A", 2, 0.1, unrecorded=True), Cause("?B", 3, 0.1, unrecorded=True)]
    sets = sets_of(causes)
    assert all(len({1, 2} & set(one)) < 2 for one in sets)
    assert {(), (0,), (1,), (2,), (0, 1), (0, 2)} == set(sets)


def test_draws_have_the_moments_of_the_mixture() -> None:
    """Mean and spread of two thousand draws are those of the posterior, within their own error."""
    working = work(cleaned(_asked()))
    post = working.posterior
    mean = post.weight @ post.mean[:, 0]
    spread = math.sqrt(post.weight @ (post.variance[:, 0] + (post.mean[:, 0] - mean) ** 2))
    assert working.draws[:, 0].mean() == pytest.approx(mean, abs=4 * spread / math.sqrt(1000))
    assert working.draws[:, 0].std() == pytest.approx(spread, rel=0.15)


def test_weights_of_a_mixture_sum_to_one() -> None:
    """What is left out of the nodes is given back to the others."""
    design = build(STRENGTH, SIX, _asked(3).observations)
    rows = np.eye(1, 1 + design.x.shape[1], 1)
    found = weigh(sums(design), [Cause("nozzle_c", 1, 0.3)], rows, np.ones(design.x.shape[1]), Prior())
    assert found.posterior.weight.sum() == pytest.approx(1)
    assert found.acts(0) > 0.5


def test_probabilities_of_a_verdict_sum_to_one() -> None:
    """Factors, groups, something not recorded, a combination and chance add up to one."""
    for history in (0, 4, 12):
        assert sum(_named(_asked(history)).values()) == pytest.approx(1)


def test_the_true_cause_is_named_from_a_history() -> None:
    """A factor of 15 % that twelve earlier plates have shown is named alone."""
    assert answer(_asked()).leading == "nozzle_c"
    assert _named(_asked())["nozzle_c"] > 0.9


def test_something_not_recorded_is_named_as_such() -> None:
    """B is 15 % low, and the plates that had its factors were not: none of them is named."""
    case = make(np.random.default_rng(4), WORLDS["unrecorded on B, 30 earlier, 3 + 3"])
    found = answer(case.problem)
    assert found.difference.claimed
    assert found.leading is None
    assert found.verdict is not None
    assert found.verdict.p("unrecorded") > 0.5
    assert "something not recorded" in " ".join(found.sentences(200)[:4])


def test_noise_is_explained_by_chance() -> None:
    """Where A and B differ by noise alone chance is the likeliest explanation."""
    still = World({f.name: 0.0 for f in SIX}, 0.03, 0.03)
    assert _named(book(np.random.default_rng(3), still, 12, {"nozzle_c"}))["chance"] > 0.5


def test_one_changed_factor_without_history_is_not_distinguished_from_something_else() -> None:
    """One plate each: whatever else B had explains it as well as the one thing that was written down."""
    asked = _asked(0, frozenset({"nozzle_c"}))
    share = answer(asked).shares[0]
    assert not share.from_unrecorded
    assert answer(asked).leading is None


@pytest.mark.parametrize("seed", range(6))
def test_head_and_body_agree(seed: int) -> None:
    """No cause is named without a claimed difference, and none is claimed that chance made."""
    rng = np.random.default_rng(seed)
    case = make(rng, list(WORLDS.values())[4 * seed])
    found = answer(case.problem)
    assert found.verdict is not None
    assert found.leading is None or found.difference.claimed
    assert not (found.difference.claimed and found.verdict.p("chance") >= 0.5)


def test_explanations_of_draws() -> None:
    """The largest part if it is half of the truth; none if several share it; chance if little is true."""
    parts = [np.array([9.0, 4.0, 0.1, -9.0]), np.array([1.0, 3.0, 0.1, 0.0]), np.array([0.0, 3.0, 0.1, 0.0])]
    total = sum(parts)
    assert list(explained(parts, total, seen=10.0, luck=1.0)) == [0, -1, -2, -2]


def test_parts_of_the_answer_add_up() -> None:
    """Shares, groups, together, unrecorded and luck add up to the difference, in units."""
    data = answer(_asked(4)).as_json()
    parts = [row["delta"] for row in data["shares"] if row["delta"] is not None]
    parts += [row["delta"] for row in data["groups"]] + [data["unrecorded"]["delta"], data["chance"]["delta"]]
    parts.append(data["together"]["delta"] or 0.0)
    assert sum(parts) == pytest.approx(data["difference"]["delta"], abs=1e-9)


def test_one_odd_plate_does_not_own_the_answer() -> None:
    """A has three plates, one of them 60 % off: the other two say what A is."""
    rng = np.random.default_rng(8)
    observations = [o for i in range(8) for o in plate(rng, _WORLD, f"H{i}", set())]
    observations += [o for name in ("A", "A1", "A2") for o in plate(rng, _WORLD, name, set())]
    observations += [o for name in ("B", "B1", "B2") for o in plate(rng, _WORLD, name, {"nozzle_c"})]
    odd = [replace(o, value=o.value * 1.6) if o.plate == "A2" else o for o in observations]
    sides = {side: frozenset(o.result_id for o in odd if o.plate.startswith(side)) for side in "AB"}
    found = answer(Problem(STRENGTH, SIX, tuple(odd), sides["A"], sides["B"]))
    assert found.difference.claimed
    assert found.difference.span is not None
    assert found.difference.span.low > 0


def test_scatter_is_compared_in_a_sentence() -> None:
    """B's pieces scatter five times as much: said with its interval, and A's precision kept."""
    rng = np.random.default_rng(2)
    wide = replace(_WORLD, sigma=0.15)
    asked = problem([*plate(rng, _WORLD, "A", set(), 8), *plate(rng, wide, "B", set(), 8)])
    ratio = answer(asked).difference.scatter_ratio
    assert ratio is not None
    assert ratio[1] > 1
    assert "scatter" in " ".join(answer(asked).sentences())


def test_pieces_that_read_zero_are_a_share_of_their_own() -> None:
    """Two of five pieces came apart in the hand: counted, and the means are of the others."""
    values = {"A": [50.0, 51.0, 49.0, 50.5], "B": [40.0, 41.0, 39.5, 0.0, 0.0]}
    observations = tuple(
        Observation(f"{side}{i}", "q", v, "m", side)
        for side, own in values.items()
        for i, v in enumerate(own)
    )
    a, b = (frozenset(o.result_id for o in observations if o.plate == side) for side in "AB")
    found = answer(Problem(Question("q", "MPa"), (), observations, a, b))
    assert found.scope.log
    assert found.difference.zeros is not None
    assert found.difference.zeros.b == (2, 5)
    assert found.as_json()["difference"]["mean_b"] == pytest.approx(40.1667, abs=1e-3)
    assert "Read zero: 0 of 4 pieces of A, 2 of 5 of B" in " ".join(found.sentences(300))


def test_what_was_set_aside_is_in_the_answer() -> None:
    """With the piece that a verdict set aside the difference would be another, and that is said."""
    asked = _asked(3)
    aside = Observation("late", STRENGTH.quantity, 20.0, "PETG-1", "A", factors=levels(set()))
    found = answer(replace(asked, aside=(aside,), aside_a=frozenset({"late"})))
    span, of_a, of_b = found.difference.with_aside or (None, 0, 0)
    assert (of_a, of_b) == (1, 0)
    means = [o.value for o in asked.observations if o.result_id in asked.a]
    mean_b = np.mean([o.value for o in asked.observations if o.result_id in asked.b])
    assert span is not None
    assert span.delta == pytest.approx(mean_b - np.mean([*means, 20.0]))


def test_what_was_set_aside_of_another_quantity_does_not_move_the_difference() -> None:
    """A strength is not mixed with a later name of the alphabet, a modulus or a strain."""
    asked = _asked(3)
    other = Observation("late", f"{STRENGTH.quantity}_z", 20.0, "PETG-1", "A", factors=levels(set()))
    found = answer(replace(asked, aside=(other,), aside_a=frozenset({"late"})))
    assert found.difference.with_aside is None


def test_the_lowest_of_many_is_reported_as_such_and_claims_less() -> None:
    """B is the lowest of thirteen plates by luck: said, and its interval is wider than the usual one."""
    still = World({f.name: 0.0 for f in SIX}, 0.03, 0.03)
    rng = np.random.default_rng(6)
    observations = [o for i in range(12) for o in plate(rng, still, f"H{i:02d}", set())]
    means = {
        p: np.mean([o.value for o in observations if o.plate == p]) for p in {o.plate for o in observations}
    }
    lowest = min(means, key=lambda p: means[p])
    observations = [replace(o, plate="B") if o.plate == lowest else o for o in observations]
    asked = problem([*observations, *plate(rng, still, "A", set())])
    found = answer(asked)
    assert found.difference.level < 0.01
    assert not found.difference.claimed
    assert "is the lowest of 13 plates" in " ".join(found.sentences(200))


def test_many_quantities_are_adjusted_together() -> None:
    """Of several asked about at once claims stand after adjusting; the adjusted p is never below the own."""
    asked = [_asked(12), *(_noise(i) for i in range(5))]
    found = overview(asked)
    claimed = [each.problem.question.quantity for each in found.answers if each.difference.claimed]
    assert claimed == [STRENGTH.quantity]
    assert all((each.difference.adjusted or 0) >= each.difference.tail - 1e-12 for each in found.answers)


def _noise(seed: int) -> Problem:
    still = World({f.name: 0.0 for f in SIX}, 0.03, 0.03)
    asked = book(np.random.default_rng(40 + seed), still, 6, {"nozzle_c"})
    question = Question(f"q.{seed}", "MPa")
    return replace(
        asked, question=question,
        observations=tuple(replace(o, quantity=question.quantity) for o in asked.observations),
    )  # fmt: skip


def test_smallest_difference_that_matters_is_asked_or_usual() -> None:
    """Five per cent where nobody said; a size in the unit where somebody did."""
    verdict = answer(_asked()).verdict
    asked = answer(replace(_asked(), matters=0.5, matters_in_unit=True)).verdict
    assert verdict is not None
    assert (verdict.matters, verdict.matters_fraction) == (0.05, True)
    assert asked is not None
    assert (asked.matters, asked.matters_fraction) == (0.5, False)
    assert asked.p_matters >= verdict.p_matters


def test_chamber_typed_in_fahrenheit_is_pointed_at() -> None:
    """140 on B where all others are 40 to 60 °C: doubted, told what it would be, and nothing claimed."""
    asked = _asked(12, frozenset({"nozzle_c"}))
    odd = tuple(
        replace(o, factors={**o.factors, "chamber_c": 140.0}) if o.plate == "B" else o
        for o in asked.observations
    )
    found = answer(replace(asked, observations=odd))
    failed = [check for check in found.checks if not check.passed]
    assert [check.factor for check in failed] == ["chamber_c"]
    assert "In °F it would be 60 °C" in failed[0].text
    assert found.leading != "chamber_c"


def test_factor_recorded_too_roughly_claims_nothing() -> None:
    """A nozzle known to ± 15 °C that moved by 30: the claim is withdrawn, the reason in its place."""
    asked = _asked()
    rough = tuple(replace(f, error=15.0) if f.name == "nozzle_c" else f for f in SIX)
    found = explain(replace(asked, factors=rough))
    assert found.leading is None
    assert "recorded to ± 15 °C only" in " ".join(found.sentences(300))


def test_two_factors_acting_together_are_a_combination() -> None:
    """Neither does anything alone: no single one is named."""
    found = answer(make(np.random.default_rng(12), WORLDS["interaction"]).problem)
    assert found.leading is None


def test_plan_does_not_propose_what_was_printed() -> None:
    """Once every pattern and two reprints of each are there, it says so instead of asking for them again."""
    rng = np.random.default_rng(5)
    observations = [*plate(rng, _WORLD, "A", set()), *plate(rng, _WORLD, "B", {"fan_pct"})]
    for i in range(2):
        observations += plate(rng, _WORLD, f"R{i}", set())
        observations += plate(rng, _WORLD, f"S{i}", {"fan_pct"})
    found = explain(problem(observations))
    assert found.followup == ()
    assert "a combination or something not recorded" in found.no_followup


def test_operators_are_split_within_a_plate() -> None:
    """Who tested it is no reason for another plate: half of the pieces each."""
    asked = _asked(0, frozenset({"nozzle_c"}))
    people = {"A": "Ada", "B": "Bo"}
    factors = (*SIX, Factor("operator", kind="category", of_test=True, person=True))
    observations = tuple(
        replace(o, factors={**o.factors, "operator": people[o.plate]}) for o in asked.observations
    )
    found = explain(replace(asked, factors=factors, observations=observations))
    assert all("half of the pieces each: operator Ada and Bo" in row["words"] for row in found.followup)
    assert all("operator" not in row["levels"] for row in found.followup)


@pytest.mark.parametrize(
    ("notes", "leads"),
    [
        (("none", "none"), True),
        (("none", "stringy"), False),
        (("warped", "stringy"), False),
        (("dry", "dry"), True),
    ],
)
def test_note_on_one_side_alone_blocks_a_single_claim(notes: tuple[str, str], leads: bool) -> None:
    """What somebody saw on one side only may have made the difference: no factor is named, and why is said.

    A note that both sides have blocks nothing.
    """
    world = World({f.name: 0.2 if f.name == "nozzle_c" else 0.0 for f in SIX}, 0.02, 0.02)
    asked = book(np.random.default_rng(3), world, 20, {"nozzle_c"})
    of_side = dict(zip("AB", notes, strict=True))
    marked = tuple(
        replace(o, factors={**o.factors, "note": of_side.get(o.plate, "none")}) for o in asked.observations
    )
    factors = (*asked.factors, Factor("note", kind="category", listed=True))
    found = answer(replace(asked, factors=factors, observations=marked))
    assert found.difference.claimed
    assert (found.leading == "nozzle_c") is leads
    assert (
        any("wholly confounded with what the notes say" in line for line in found.verdict.withdrawn)
        is not leads
    )


def test_another_material_is_the_likeliest_of_what_cannot_be_distinguished_from_it() -> None:
    """Two materials printed once each: what most likely acts is the material, and its group comes first."""
    asked = _asked(0, frozenset({"nozzle_c", "fan_pct"}))
    other = tuple(replace(o, material="PA-1" if o.plate == "B" else o.material) for o in asked.observations)
    other = tuple(replace(o, value=o.value * (0.6 if o.plate == "B" else 1.0)) for o in other)
    found = answer(replace(asked, observations=other))
    assert found.verdict is not None
    assert found.verdict.explanations[0].kind == "group"
    assert "material" in found.verdict.explanations[0].factors
    assert found.verdict.explanations[0].p > 0.5


def test_the_area_of_a_grid_is_the_product_of_its_two_ranges() -> None:
    """From -1 to 2 and from 3 to 7: three by four."""
    assert _area(((-1.0, 2.0), (3.0, 7.0))) == 12.0


def test_every_factor_that_is_named_was_checked_against_other_plates() -> None:
    """Whatever its name, as it is before or behind "material" in the alphabet."""
    world = World({f.name: 0.15 if f.name == "fan_pct" else 0.0 for f in SIX}, 0.02, 0.02)
    found = answer(book(np.random.default_rng(21), world, 12, {"nozzle_c", "fan_pct"}))
    assert found.verdict.explanations[0].factors == ("fan_pct",)
    assert len([check for check in found.checks if check.factor == "fan_pct"]) == 2
