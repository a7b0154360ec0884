"""The answer: its keys, its sums, its words."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace

import numpy as np
import pytest

from tests.why.simulated import SIX, STRENGTH, World, book, explain, some
from tracker.why import Answer, Factor, Observation, Problem, Question, answer

_WORLD = World(
    {"nozzle_c": 0.2, "chamber_c": 0.0, "fan_pct": -0.05, "layer_time_s": 0.0, "spool": 0.0, "printer": 0.0},
    0.02,
    0.02,
)


def _asked(history: int = 12, changed: frozenset[str] = frozenset({"nozzle_c", "fan_pct"})) -> Problem:
    return book(np.random.default_rng(21), _WORLD, history, set(changed))


def test_keys_are_the_contract() -> None:
    """Every key that other people's scripts read is there, under its name."""
    data = explain(_asked(0)).as_json()
    assert {
        "difference",
        "differed",
        "not_recorded",
        "shares",
        "groups",
        "remainder",
        "followup",
        "scope",
    } <= set(data)
    keys = {"quantity", "unit", "mean_a", "mean_b", "delta", "low", "high", "relative", "claimed"}
    assert keys <= set(data["difference"])
    assert {"factor", "a", "b", "unit", "ratio_to_resolution"} <= set(data["differed"][0])
    assert {"factor", "delta", "low", "high", "relative", "separable"} <= set(data["shares"][0])
    assert {"factors", "delta", "low", "high"} <= set(data["groups"][0])
    assert {"delta", "low", "high"} <= set(data["remainder"])
    assert data["followup"]


def test_data_is_json() -> None:
    """The answer as data goes through JSON and comes back the same."""
    data = explain(_asked()).as_json()
    assert json.loads(json.dumps(data, allow_nan=False)) == data


def test_delta_is_the_plain_difference_of_means() -> None:
    """Delta is B's mean less A's in the quantity's unit, relative the fraction of A's mean."""
    asked = _asked()
    row = answer(asked).as_json()["difference"]
    means = [
        np.mean([o.value for o in asked.observations if o.result_id in side]) for side in (asked.a, asked.b)
    ]
    assert row["delta"] == pytest.approx(means[1] - means[0])
    assert row["relative"] == pytest.approx(means[1] / means[0] - 1)


@pytest.mark.parametrize("positive", [True, False])
@pytest.mark.parametrize("history", [0, 3, 12])
def test_shares_and_remainder_add_up(history: int, positive: bool) -> None:
    """Own shares, joint shares and what is left over add up to the difference, in units."""
    asked = _asked(history)
    found = answer(replace(asked, question=replace(STRENGTH, positive=positive)))
    spans = [s.span for s in found.shares if s.span] + [g.span for g in found.groups] + [found.remainder]
    assert found.difference.span is not None
    assert sum(span.delta for span in spans if span) == pytest.approx(found.difference.span.delta)


def test_large_cause_is_shown_and_leads() -> None:
    """With twelve earlier plates a cause of 20 % is shown, leads, and the difference is claimed."""
    found = answer(_asked())
    assert found.difference.claimed
    assert found.shares[0].factor == "nozzle_c"
    assert found.shares[0].shown
    assert found.leading == "nozzle_c"


def test_without_history_nothing_leads() -> None:
    """Two factors changed together and no earlier plate: a group, no leader."""
    found = answer(_asked(0))
    assert found.leading is None
    assert [set(group.factors) for group in found.groups] == [{"nozzle_c", "fan_pct"}]


def test_plate_scatter_is_unknown_without_repeats() -> None:
    """One plate each and none repeated: the assumption behind τ is said."""
    found = answer(_asked(0))
    assert not found.difference.plate_scatter_known
    assert "not known from this book" in " ".join(found.sentences())


def test_plate_scatter_is_known_after_many_plates() -> None:
    """With twelve earlier plates τ rests on data."""
    assert answer(_asked(12)).difference.plate_scatter_known


def test_interval_widens_with_fewer_plates() -> None:
    """Ten pieces of two plates tell more than ten pieces of one."""
    one = _asked()
    extra = [
        replace(o, result_id=f"{o.result_id}+", plate=f"{o.plate}2")
        for o in one.observations
        if o.plate in "AB"
    ]
    ids = {
        side: getattr(one, side) | {o.result_id for o in extra if o.plate == f"{side.upper()}2"}
        for side in "ab"
    }
    two = replace(one, observations=(*one.observations, *extra), a=ids["a"], b=ids["b"])
    same_plate = tuple(
        replace(o, plate=o.plate.rstrip("2") if o in extra else o.plate) for o in two.observations
    )
    widths = [_width(answer(asked)) for asked in (replace(two, observations=same_plate), two)]
    assert widths[1] < 0.85 * widths[0]


def _width(found: Answer) -> float:
    assert found.difference.span is not None
    return found.difference.span.high - found.difference.span.low


def _with_factor(asked: Problem, factor: Factor, a: object, b: object) -> Problem:
    levels = {"A": a, "B": b}
    observations = tuple(
        replace(o, factors={**o.factors, factor.name: levels.get(o.plate, a)})  # type: ignore[dict-item]
        for o in asked.observations
    )
    return replace(asked, factors=(*asked.factors, factor), observations=observations)


_WATER = Factor("water_pct", "%", 0.01, 0.3, same_cause="moisture")


@pytest.mark.parametrize(("b", "differs"), [((0.2, 0.5), False), ((0.35, 0.6), True), ((0.30, 0.6), False)])
def test_moisture_differs_only_where_intervals_do_not_overlap(b: tuple[float, float], differs: bool) -> None:
    """Estimates that overlap, or touch, do not count as different."""
    found = answer(_with_factor(_asked(), _WATER, (0.1, 0.3), b))
    assert ("water_pct" in [item.factor.name for item in found.differed]) is differs


def test_one_measure_of_moisture_is_used() -> None:
    """Of water content and open-air hours, one cause, only the first that is recorded enters."""
    asked = _with_factor(_asked(), _WATER, 0.1, 0.4)
    found = answer(
        _with_factor(asked, Factor("open_air_h", "h", 1.0, 100.0, same_cause="moisture"), 1.0, 300.0)
    )
    assert [share.factor for share in found.shares if share.factor in {"water_pct", "open_air_h"}] == [
        "water_pct"
    ]
    assert found.scope.unused == {"open_air_h": "water_pct"}


def test_second_measure_serves_where_the_first_is_missing() -> None:
    """Without a water estimate the open-air hours stand for moisture."""
    asked = _with_factor(_asked(), _WATER, None, None)
    found = answer(
        _with_factor(asked, Factor("open_air_h", "h", 1.0, 100.0, same_cause="moisture"), 1.0, 300.0)
    )
    assert "open_air_h" in [share.factor for share in found.shares]


def test_missing_on_one_side_is_not_recorded_and_not_equal() -> None:
    """A factor that B lacks is named as not recorded, not folded into the equal ones."""
    found = answer(_with_factor(_asked(), Factor("room_rh", "%", 1.0, 20.0), 40.0, None))
    assert found.as_json()["not_recorded"] == ["room_rh"]
    assert "room_rh" not in found.scope.equal
    assert "Not recorded" in " ".join(found.sentences())


def test_imputation_is_reported() -> None:
    """A factor missing on three earlier plates is imputed there, and the scope says on how many results."""
    asked = _asked()
    lacking = {"H00", "H01", "H02"}
    observations = tuple(
        replace(o, factors={k: v for k, v in o.factors.items() if k != "chamber_c"})
        if o.plate in lacking
        else o
        for o in asked.observations
    )
    found = answer(replace(asked, observations=observations))
    assert found.scope.imputed == {"chamber_c": 15}
    assert "Imputed where missing: chamber_c (15)" in " ".join(found.sentences())


def test_imputed_factor_is_less_certain() -> None:
    """A share is wider when the factor is unknown on half of the plates that would teach it."""
    asked = _asked()
    observations = tuple(
        replace(o, factors={k: v for k, v in o.factors.items() if k != "nozzle_c"})
        if o.plate.startswith("H") and int(o.plate[1:]) % 2
        else o
        for o in asked.observations
    )
    widths = []
    for each in (asked, replace(asked, observations=observations)):
        span = next(share.span for share in answer(each).shares if share.factor == "nozzle_c")
        assert span is not None
        widths.append(span.high - span.low)
    assert widths[1] > widths[0]


def test_many_levels_are_pooled_and_reported() -> None:
    """A category of thirty levels keeps those of A and B; the rest is pooled as scatter."""
    asked = _asked(30)
    spools = {plate: f"S{i:02d}" for i, plate in enumerate(sorted({o.plate for o in asked.observations}))}
    observations = tuple(
        replace(o, factors={**o.factors, "lot": spools[o.plate]}) for o in asked.observations
    )
    found = answer(replace(asked, factors=(*SIX, Factor("lot", kind="category")), observations=observations))
    assert found.scope.pooled == {"lot": 30}


def test_settings_that_differ_are_listed() -> None:
    """Raw settings are compared as text, absent ones named."""
    asked = replace(
        _asked(),
        settings_a={"seam": "rear", "infill": "15%"},
        settings_b={"seam": "aligned", "infill": "15%"},
    )
    assert answer(asked).as_json()["settings"] == [{"name": "seam", "a": "rear", "b": "aligned"}]


def test_imported_numbers_are_marked() -> None:
    """Results with a remark are counted under it."""
    asked = _asked()
    found = answer(
        replace(asked, observations=tuple(replace(o, note="imported") for o in asked.observations))
    )
    assert found.scope.marked == {"imported": len(asked.observations)}


def test_known_repeatability_sharpens_a_small_question() -> None:
    """A repeatability known from the method narrows the interval of two lone plates."""
    asked = _asked(0)
    known = replace(asked, question=replace(STRENGTH, repeatability=0.02))
    assert _width(answer(known)) < _width(answer(asked))


def test_signed_quantity_has_no_fraction() -> None:
    """A quantity that may be negative is shown in its unit alone."""
    rng = np.random.default_rng(5)
    observations = tuple(
        Observation(f"{p}{i}", "dimensions.offset", float(rng.normal(0, 0.02)), "m", p)
        for p in "AB"
        for i in range(4)
    )
    a, b = (frozenset(o.result_id for o in observations if o.plate == p) for p in "AB")
    found = answer(Problem(Question("dimensions.offset", "mm", positive=False), (), observations, a, b))
    assert found.as_json()["difference"]["relative"] is None
    assert "%" not in found.sentences()[0].replace("95 %", "")


_CLAIMS_OF_CAUSE = re.compile(r"caus|because of|due to|responsible|proves", re.IGNORECASE)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("width", [40, 80, 120])
def test_words_never_name_a_cause_and_fit_the_screen(seed: int, width: int) -> None:
    """No sentence says what caused what; no line is longer than the screen is wide."""
    rng = np.random.default_rng(seed)
    found = explain(book(rng, _WORLD, int(rng.integers(0, 10)), some(rng)))
    lines = found.sentences(width)
    assert not _CLAIMS_OF_CAUSE.search(" ".join(lines))
    assert max(map(len, lines)) <= width


def test_noise_is_reported_first() -> None:
    """A difference within noise is the first sentence, in plain words."""
    rng = np.random.default_rng(3)
    still = World({f.name: 0.0 for f in SIX}, 0.03, 0.03)
    found = answer(book(rng, still, 12, {"nozzle_c"}))
    assert not found.difference.claimed
    assert found.sentences(200)[0].startswith("No difference in tensile.strength is shown")
    assert "within noise" in found.sentences(200)[0]


def test_words_of_the_vocabulary_are_used() -> None:
    """Shares are "consistent with", groups "cannot be told apart"."""
    text = " ".join(answer(_asked()).sentences()) + " ".join(answer(_asked(0)).sentences())
    assert "consistent with" in text
    assert "cannot be told apart" in text


def _crowded() -> Problem:
    asked = _asked(6, frozenset(f.name for f in SIX))
    for i in range(14):
        asked = _with_factor(asked, Factor(f"extra_{i:02d}", "mm", 0.1, 1.0), 1.0, 2.0)
    for i in range(10):
        asked = _with_factor(asked, Factor(f"lost_{i:02d}", "mm", 0.1, 1.0), 1.0, None)
    settings = {f"setting {i}": "a" for i in range(40)}
    return replace(asked, settings_a=settings, settings_b=dict.fromkeys(settings, "b"))


def test_nothing_that_differs_is_cut_off() -> None:
    """Twenty changed factors, ten not recorded and forty settings: each is named with its levels."""
    text = " ".join(explain(_crowded()).sentences(80))
    assert all(f"extra_{i:02d} 1.00 → 2.00 mm" in text for i in range(14))
    assert all(f"lost_{i:02d} (B 5 of 5)" in text for i in range(10))
    assert all(f"setting {i} a → b" in text for i in range(40))


def test_verdict_comes_first_however_much_differs() -> None:
    """Whether it differs, what made it, and the next plate come before any list, within 24 lines of 60."""
    lines = explain(_crowded()).sentences(60)
    starts = [
        next(i for i, line in enumerate(lines) if line.startswith(word))
        for word in ("What made", "Next plate")
    ]
    assert starts == sorted(starts)
    assert starts[1] < 20


def test_published_direction_is_shown_beside_the_share() -> None:
    """A hotter nozzle raised interlayer strength, as published: noted with its strength letter."""
    asked = _asked()
    found = answer(replace(asked, question=replace(STRENGTH, about="interlayer")))
    share = next(share for share in found.shares if share.factor == "nozzle_c")
    assert share.published is not None
    assert share.published.strength == "S"
    assert share.agrees is True
    assert "published" in " ".join(found.sentences())


def test_published_note_changes_no_number() -> None:
    """With or without the note the shares are the same."""
    asked = _asked()
    plain, noted = answer(asked), answer(replace(asked, question=replace(STRENGTH, about="interlayer")))
    assert [s.span for s in plain.shares] == [s.span for s in noted.shares]


def test_claim_is_what_the_interval_says() -> None:
    """Claimed and an interval that excludes zero are the same thing, in units and in per cent."""
    for seed in range(10):
        rng = np.random.default_rng(seed)
        span = answer(book(rng, _WORLD, 3, some(rng))).difference.span
        assert span is not None
        assert span.excludes_zero == ((span.relative_low or 0) > 0 or (span.relative_high or 0) < 0)
        assert math.isfinite(span.low)
