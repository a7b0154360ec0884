"""The plates to print next."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from tests.why.simulated import SIX, World, book, explain, plate, problem
from tracker.errors import Refused
from tracker.why import Factor, Limit, Plan, Problem, Question, answer, followup
from tracker.why.plan import Wishes, _bench, _candidates
from tracker.why.problem import cleaned
from tracker.why.working import work

_WORLD = World({f.name: 0.05 for f in SIX}, 0.03, 0.03)
_THREE = {"nozzle_c", "fan_pct", "spool"}


def _asked(changed: set[str] | None = None, history: int = 0) -> Problem:
    return book(np.random.default_rng(9), _WORLD, history, _THREE if changed is None else changed)


def _sides(plan: Plan) -> set[tuple[str, ...]]:
    return {tuple(sorted(name for name, side in p.sides.items() if side == "B")) for p in plan.plates}


def test_three_changed_need_two_plates_and_a_reprint() -> None:
    """Two plates between A and B tell three factors apart; a reprint tells what nobody recorded."""
    plates = followup(_asked()).plates
    reprints = [p for p in plates if len({*p.sides.values()}) == 1]
    assert len(plates) - len(reprints) == 2
    assert len(reprints) <= 1


def test_proposed_plates_separate_everything() -> None:
    """Once the proposed plates are printed no group is left."""
    asked = _asked()
    rng = np.random.default_rng(10)
    printed = [
        o
        for i, proposed in enumerate(followup(asked).plates)
        for o in plate(rng, _WORLD, f"F{i}", {n for n, side in proposed.sides.items() if side == "B"})
    ]
    assert answer(problem([*asked.observations, *printed])).groups == ()


def test_foreseen_intervals_shrink() -> None:
    """Every share's interval is foreseen to be narrower afterwards."""
    assert all(share.after < share.now for share in followup(_asked()).foreseen)


def test_foreseen_interval_is_near_what_comes() -> None:
    """After printing, the intervals are as wide as foreseen, within a half."""
    asked = _asked()
    plan = followup(asked)
    widths: dict[str, list[float]] = {share.factor: [] for share in plan.foreseen}
    for seed in range(20):
        rng = np.random.default_rng([12, seed])
        fresh = [*plate(rng, _WORLD, "A", set()), *plate(rng, _WORLD, "B", _THREE)]
        for i, proposed in enumerate(plan.plates):
            fresh += plate(rng, _WORLD, f"F{i}", {n for n, side in proposed.sides.items() if side == "B"})
        for share in answer(problem(fresh)).shares:
            if share.span and share.span.relative_high is not None and share.span.relative_low is not None:
                widths[share.factor].append((share.span.relative_high - share.span.relative_low) / 2)
    for foreseen in plan.foreseen:
        assert 0.5 < np.median(widths[foreseen.factor]) / foreseen.after < 1.5


def test_plates_taken_one_by_one_are_near_the_best_pair() -> None:
    """For three factors the chance after two plates is within five points of the best of all pairs."""
    working, wishes = work(cleaned(_asked())), Wishes(plates=2)
    bench = _bench(working, wishes)
    every = _candidates(working, wishes, bench)
    best = max(bench.outlook([one, other]).truth for one in every for other in every)
    chosen = [
        np.array([float(p.sides[n] == "B") for n in working.names])
        for p in followup(_asked(), plates=2).plates
    ]
    assert bench.outlook(chosen).truth >= best - 0.05


def test_first_plate_names_a_factor_soonest_and_the_others_come_in_order_of_worth() -> None:
    """No other first plate has a factor named more often after it and after the best one beside it."""
    working, wishes = work(cleaned(_asked())), Wishes(plates=1)
    bench = _bench(working, wishes)
    every = _candidates(working, wishes, bench)
    named = [bench.outlook([one]).named for one in every]
    values = [
        named[i] + max(bench.outlook([one, other]).named for other in every) for i, one in enumerate(every)
    ]
    plan = followup(_asked(), plates=1)
    first = [float(plan.plates[0].sides[n] == "B") for n in working.names]
    assert values[int(np.flatnonzero((every == first).all(axis=1))[0])] >= max(values) - 0.02
    worth = [p.worth for p in followup(_asked({f.name for f in SIX})).plates[1:]]
    assert worth == sorted(worth, reverse=True)


def test_number_of_plates_is_obeyed() -> None:
    """One plate asked for is one plate given."""
    assert len(followup(_asked(), plates=1).plates) == 1


def test_pieces_are_capped() -> None:
    """No plate has more pieces than allowed, nor more than A's and B's have."""
    assert {p.pieces for p in followup(_asked(), pieces=3).plates} == {3}
    assert {p.pieces for p in followup(_asked(), pieces=50).plates} == {5}


def test_forbidden_combination_is_not_proposed() -> None:
    """A combination that must not be printed is avoided."""
    free = _sides(followup(_asked()))
    for combination in free:
        forbid = [{n: "B" if n in combination else "A" for n in _THREE}]
        assert combination not in _sides(followup(_asked(), forbid=forbid))


def test_partly_named_combination_forbids_all_that_hold_it() -> None:
    """A hot nozzle with the new spool forbidden: no plate has both, whatever the fan."""
    plan = followup(_asked(), forbid=[{"nozzle_c": "B", "spool": "B"}])
    assert all(not {"nozzle_c", "spool"} <= set(sides) for sides in _sides(plan))


def test_everything_forbidden_is_refused() -> None:
    """Forbidding both levels of a factor leaves nothing."""
    with pytest.raises(Refused, match="every combination is forbidden"):
        followup(_asked(), forbid=[{"spool": "A"}, {"spool": "B"}])


def test_level_outside_the_data_sheet_is_reported() -> None:
    """A proposed set-point outside the data sheet's range comes with a sentence."""
    plan = followup(_asked(), limits={"nozzle_c": Limit(high=260.0, source="data sheet")})
    if any(p.levels["nozzle_c"] == 270.0 for p in plan.plates):
        assert "nozzle_c 270 °C lies outside the range up to 260 (data sheet)." in plan.warnings


def test_every_level_outside_is_reported_whatever_is_proposed() -> None:
    """Where both levels lie outside, whichever is proposed is named."""
    plan = followup(_asked(), limits={"nozzle_c": Limit(low=280.0, high=300.0)})
    assert any("outside the range 280–300 (data sheet)" in text for text in plan.warnings)


def test_unsafe_drying_is_never_proposed() -> None:
    """A drying temperature above the safe one is not proposed at all, and that is said."""
    asked = _asked()
    levels = {"A": 65.0, "B": 95.0}
    observations = tuple(
        replace(o, factors={**o.factors, "drying_c": levels[o.plate]}) for o in asked.observations
    )
    hot = replace(asked, factors=(*SIX, Factor("drying_c", "°C", 1.0, 20.0)), observations=observations)
    plan = followup(hot, limits={"drying_c": Limit(high=80.0, source="safe drying temperature", never=True)})
    assert all(p.levels["drying_c"] == 65.0 for p in plan.plates)
    assert any("not safe" in text for text in plan.warnings)


def test_both_levels_unsafe_is_refused() -> None:
    """Where both runs dried above the safe temperature there is no plate to propose."""
    with pytest.raises(Refused, match="must not be proposed"):
        followup(_asked(), limits={"nozzle_c": Limit(high=200.0, never=True)})


def test_what_cannot_be_set_stays() -> None:
    """A factor that cannot be dialled in stays at A's level, and that is said."""
    asked = _asked()
    factors = tuple(replace(f, settable=f.name != "fan_pct") for f in SIX)
    plan = followup(replace(asked, factors=factors))
    assert all(p.sides["fan_pct"] == "A" for p in plan.plates)
    assert any("cannot be set" in text for text in plan.warnings)


def test_nothing_settable_is_refused() -> None:
    """Where nothing that differed can be set, no plate is proposed."""
    factors = tuple(replace(f, settable=False) for f in SIX)
    with pytest.raises(Refused, match="nothing that differed can be set"):
        followup(replace(_asked(), factors=factors))


def test_where_nothing_differed_reprints_are_proposed() -> None:
    """Two runs alike in all that was recorded: only chance or something not recorded is left, so reprint."""
    plan = followup(_asked(set()))
    assert {p.words for p in plan.plates} <= {"A once more", "B once more"}


def test_a_plate_like_b_is_reported_by_what_it_has_of_a() -> None:
    """Where most of what changed is B's a plate is "as B, but ..." with the levels it has otherwise."""
    for proposed in followup(_asked()).plates:
        of_b = [name for name, side in proposed.sides.items() if side == "B"]
        nearer = "B" if 2 * len(of_b) > len(proposed.sides) else "A"
        others = len([side for side in proposed.sides.values() if side != nearer])
        words = f"{nearer} once more" if not others else f"as {nearer}, but "
        assert proposed.words.startswith(words)
        assert proposed.words.count(",") == others, proposed.words


def test_refusal_is_in_the_answer() -> None:
    """The whole answer says why no plate is proposed instead of leaving a gap."""
    factors = tuple(replace(f, settable=False) for f in SIX)
    found = explain(replace(_asked(), factors=factors))
    assert found.followup == ()
    assert "nothing that differed can be set" in " ".join(found.sentences())


@pytest.mark.parametrize("plates", [0, -1, 51])
def test_absurd_number_of_plates_is_refused(plates: int) -> None:
    """None, fewer than none, or more than anyone prints."""
    with pytest.raises(Refused, match="plates"):
        followup(_asked(), plates=plates)


def test_grades_have_no_plan() -> None:
    """Ranks have no shares, so no plate can be planned to narrow them."""
    asked = replace(_asked(), question=Question("tensile.strength", ordinal=True))
    with pytest.raises(Refused, match="by rank"):
        followup(asked)


def test_many_factors_are_planned_in_no_time() -> None:
    """Twenty factors changed together get a plan without trying all million combinations."""
    asked = _asked()
    factors = tuple(Factor(f"f{i:02d}", span=1.0) for i in range(20))
    levels = {"A": 0.0, "B": 1.0}
    observations = tuple(
        replace(o, factors={f.name: levels[o.plate] for f in factors}) for o in asked.observations
    )
    plan = followup(replace(asked, factors=factors, observations=observations), plates=3)
    assert len(plan.plates) == 3


def test_plan_is_data_and_words() -> None:
    """The plan goes through JSON, and its sentences name every plate and the one worth most."""
    plan = followup(_asked())
    assert json.loads(json.dumps(plan.as_json(), allow_nan=False))["plates"][0]["levels"]
    text = " ".join(plan.sentences())
    assert "Plate 1" in text
    assert "time for one only: plate 1" in text
