"""Weighings of the spool itself correct the estimate, and only as far as they can."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.exposure.days import family, hour, made_up
from tracker.exposure import (
    Drying,
    Reel,
    StoragePeriod,
    Timeline,
    Water,
    load_families,
    timeline,
    water,
    water_history,
)

AFTER_G, EMPTY_G = 1229.9, 221.0


def the_days(loss_g: float, *, reel: Reel | None = "plastic", empty_g: float | None = EMPTY_G) -> Timeline:
    """Return two weeks of air, a weighed drying and four hours on the bench."""
    drying = Drying(
        hour(336),
        hour(344),
        80.0,
        80.0,
        before_g=AFTER_G + loss_g,
        after_g=AFTER_G,
        empty_g=empty_g,
        room_c=22.0,
        room_rh_pct=50.0,
        key="D0003-M",
        reel=reel,
    )
    periods = [
        StoragePeriod("open air", hour(0), hour(336), 23.0, 50.0),
        StoragePeriod("open air", hour(344), hour(348), 23.0, 50.0),
    ]
    return timeline(periods, [drying], [], hour(348))


def at(days: Timeline, hours: float, start: float | None = None) -> Water:
    """Return the water of a PA6 spool."""
    return water(days, hour(hours), family("PA6"), 1.75, start)


def width(found: Water) -> float:
    """Return the width of the interval."""
    assert found.low_pct is not None
    assert found.high_pct is not None
    return found.high_pct - found.low_pct


def test_a_weighed_drying_gives_grade_b() -> None:
    """With the losses of this spool the grade is B and the drying is named."""
    found = at(the_days(8.0), 344)
    assert found.grade == "B"
    assert "corrected by the weighings of D0003-M" in found.sentence


def test_weighing_narrows_the_interval() -> None:
    """The interval after the drying is narrower than without the weighing."""
    assert width(at(the_days(8.0), 344)) < width(at(the_days(8.0, reel=None), 344))


def test_what_was_lost_was_there() -> None:
    """Before the drying the spool held at least about what it then lost."""
    before = at(the_days(12.0), 344).low_pct
    chart = water_history(the_days(12.0), [hour(336), hour(344)], family("PA6"), 1.75)
    lost_pct = 100.0 * 12.0 / (AFTER_G - EMPTY_G)
    assert chart.low_pct[0] > 0.9 * lost_pct
    assert chart.centre_pct[0] - chart.centre_pct[1] == pytest.approx(lost_pct, rel=0.25)
    assert before is not None


def test_a_greater_loss_means_a_wetter_spool() -> None:
    """A spool that lost more held more before."""
    dry, wet = (
        water_history(the_days(loss), [hour(336), hour(344)], family("PA6"), 1.75).centre_pct[0]
        for loss in (3.0, 15.0)
    )
    assert wet > dry


def test_the_diffusion_coefficient_is_not_narrowed() -> None:
    """From one weighing before and after, no diffusion coefficient is claimed, and the answer says so."""
    notes = at(the_days(8.0), 344).sentences
    assert any("do not settle the diffusion coefficient" in note for note in notes)


@pytest.mark.parametrize(
    ("reel", "words"),
    [("cardboard", "a cardboard reel alone"), (None, "not recorded what the reel is made of")],
)
def test_a_reel_that_may_lose_water_itself_is_not_believed(reel: Reel | None, words: str) -> None:
    """A loss on a cardboard or unknown reel is no filament water."""
    found = at(the_days(8.0, reel=reel), 344)
    assert found.grade == "C"
    assert any(words in note for note in found.sentences)


def test_a_gain_is_reported_and_not_used() -> None:
    """A spool that gained in the dryer corrects nothing."""
    found = at(the_days(-2.0), 344)
    assert found.grade == "C"
    assert any("the spool gained 2.00 g" in note for note in found.sentences)


def test_an_impossible_loss_is_reported_and_not_used() -> None:
    """A loss that no PA6 could hold is named and left out."""
    found = at(the_days(150.0), 344)
    assert found.grade == "C"
    assert any("outside what the model allows for PA6" in note for note in found.sentences)


def test_an_unknown_reel_mass_is_sampled() -> None:
    """An empty mass nobody knows costs little: it moves a full spool by a few per cent."""
    known, unknown = at(the_days(8.0), 344), at(the_days(8.0, empty_g=None), 344)
    assert unknown.grade == "B"
    assert unknown.centre_pct == pytest.approx(known.centre_pct, rel=0.1)


def test_a_reel_heavier_than_the_spool_is_reported() -> None:
    """An empty mass that leaves no filament costs the correction, not the answer."""
    found = at(the_days(8.0, empty_g=1229.9), 344)
    assert found.grade == "C"
    assert any("leaves no filament" in note for note in found.sentences)


def test_a_drying_still_ahead_is_not_used() -> None:
    """What is weighed later does not change what is answered for before."""
    assert at(the_days(8.0), 300).grade == "C"


def test_the_same_question_has_the_same_answer() -> None:
    """Sampling does not make the answer wander."""
    assert at(the_days(8.0), 348) == at(the_days(8.0), 348)


def test_the_interval_covers_a_spool_made_up_within_the_priors() -> None:
    """A spool with twice the diffusion coefficient, weighed, lies within its interval."""
    twin = made_up(4e-13, 55.0, 2.8, 9.5)
    days = the_days(0.0, reel=None)
    truth = [water(days, hour(h), twin, 1.75, 0.5).centre_pct or 0.0 for h in (336, 344, 348)]
    polymer_g = (AFTER_G - EMPTY_G) / (1.0 + truth[1] / 100.0)
    weighed = the_days((truth[0] - truth[1]) / 100.0 * polymer_g, reel="none")
    for hours, pct in zip((344, 348), truth[1:], strict=True):
        found = at(weighed, hours)
        assert found.grade == "B"
        assert (found.low_pct or 9.0) <= pct <= (found.high_pct or 0.0)


def _made_up_spool(rng: np.random.Generator) -> tuple[float, Timeline]:
    """Return the water after a drying, and the days with the weighing that such a spool would have given."""
    sure = replace(load_families().assumptions, sensor_rh_pct=0.0)
    d23 = 2e-13 * math.exp(rng.normal() * math.log(10.0) / 1.645)
    part = math.exp(rng.normal() * math.log(1.15) / 1.645)
    twin, start = made_up(d23, 55.0, 2.8 * part, 9.5 * part), rng.uniform(0.0, 2.8)
    days = the_days(0.0, reel=None)
    before, after = (
        water(days, hour(h), twin, 1.75, start, assumed=sure).centre_pct or 0.0 for h in (336, 344)
    )
    loss_g = (before - after) / 100.0 * (AFTER_G - EMPTY_G) / (1.0 + after / 100.0)
    return after, the_days(loss_g + rng.normal() * 0.1472, reel="none")


def test_the_interval_holds_the_truth_nine_times_in_ten() -> None:
    """Of spools made up from the priors about 90 % lie within their corrected interval."""
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(60):
        after, days = _made_up_spool(rng)
        found = at(days, 344)
        inside += (found.low_pct or 9.0) <= after <= (found.high_pct or 0.0)
    assert 46 <= inside <= 60
