"""Where the estimate of water changes its mind: bounds, shares, and how a weighing is held against it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.exposure.days import family, hour, made_up
from tracker.errors import Refused
from tracker.exposure import (
    Drying,
    MeasuredWater,
    StoragePeriod,
    Water,
    load_families,
    mass_loss,
    saturation_hpa,
    timeline,
    uptake,
    vapour_hpa,
    water,
    water_history,
    weighing,
)
from tracker.exposure.runs import Runs

SLOW = made_up(1e-12, 40.0, 1.0, 2.0)
"""Its strand of 1.75 mm has made 90 % of its change after 0.334413 a²/D = 71.1 h."""


@pytest.mark.parametrize(("right", "wrong"), [(-80.0, -80.1), (250.0, 250.1)])
def test_air_is_between_80_below_and_250_degrees(right: float, wrong: float) -> None:
    """At the bound there is a pressure, beyond it the unit is asked about."""
    assert saturation_hpa(right) > 0
    assert saturation_hpa(right, "hyland-wexler") > 0
    with pytest.raises(Refused, match="outside -80 to 250 °C"):
        saturation_hpa(wrong)


def test_dry_air_has_no_vapour() -> None:
    """Nothing is a humidity; what is no number is none."""
    assert vapour_hpa(0.0, 20.0) == 0.0
    assert vapour_hpa(150.0, 20.0) == pytest.approx(1.5 * saturation_hpa(20.0))
    for nothing in (math.nan, -0.1):
        with pytest.raises(Refused, match="cannot be negative"):
            vapour_hpa(nothing, 20.0)


def test_no_time_takes_up_nothing() -> None:
    """And a time that is no number is refused."""
    assert uptake(0.0) == 0.0
    with pytest.raises(Refused, match="negative length"):
        uptake(math.nan)


def at(hours: float, kept: str = "open air", **more: Any) -> Water:
    """Return the water of a spool that lay somewhere from the beginning on."""
    period = StoragePeriod(kept, hour(0), hour(hours), 23.0, 50.0)  # type: ignore[arg-type]
    return water(timeline([period], [], [], hour(hours)), hour(hours), SLOW, 1.75, 0.1, **more)


@pytest.mark.parametrize(
    ("how", "wrong", "said"),
    [
        ({"diameter_mm": 0.5}, {"diameter_mm": 0.49}, "diameter 0.49 mm"),
        ({"diameter_mm": 10.0}, {"diameter_mm": 10.1}, "diameter 10.1 mm"),
        ({"start_pct": 0.0}, {"start_pct": -0.01}, "beginning -0.01 %"),
        ({"start_pct": 100.0}, {"start_pct": 100.1}, "beginning 100.1 %"),
        ({"winding": 1.0}, {"winding": 0.99}, "winding 0.99"),
    ],
)
def test_a_spool_is_taken_up_to_its_bounds(how: dict[str, Any], wrong: dict[str, Any], said: str) -> None:
    """At the bound there is an answer, beyond it a refusal with the figure."""
    days = timeline([StoragePeriod("open air", hour(0), hour(5), 23.0, 50.0)], [], [], hour(5))
    usual: dict[str, Any] = {"diameter_mm": 1.75, "start_pct": 0.1}

    assert water(days, hour(5), SLOW, **{**usual, **how}).centre_pct is not None
    with pytest.raises(Refused, match=said):
        water(days, hour(5), SLOW, **{**usual, **wrong})


@pytest.mark.parametrize(
    ("hours", "kept", "regime"),
    [
        (213.0, "open air", "uptake-limited"),
        (214.0, "open air", "equilibrium-limited"),
        (213.0, "dry box", "uptake-limited"),
        (214.0, "dry box", "equilibrium-limited"),
        (214.0, "sealed bag", "as the drying or the bag left it"),
    ],
)
def test_three_times_the_time_for_ninety_per_cent_settles_it(hours: float, kept: str, regime: str) -> None:
    """3 · 71.12 h: from then on only how much the polymer holds matters; a bag is no exposure."""
    assert at(hours, kept).regime.startswith(regime)


def test_warmth_settles_it_sooner() -> None:
    """At 45 °C and 40 kJ/mol D is 3.08 times as large: 69.3 h in place of 213.4."""
    for hours, regime in ((69.0, "uptake-limited"), (70.0, "equilibrium-limited")):
        period = StoragePeriod("open air", hour(0), hour(hours), 45.0, 20.0)
        days = timeline([period], [], [], hour(hours))
        assert water(days, hour(hours), SLOW, 1.75, 0.1).regime.startswith(regime)


def test_time_that_nobody_logged_is_an_exposure() -> None:
    """It may have been open air."""
    days = timeline([StoragePeriod("sealed bag", hour(0), hour(5))], [], [], hour(6))

    assert water(days, hour(5), SLOW, 1.75, 0.1).regime.startswith("as the drying")
    assert water(days, hour(6), SLOW, 1.75, 0.1).regime.startswith("uptake-limited")


def test_a_measured_content_is_graded_by_what_came_after_the_last_of_them() -> None:
    """In a bag it stands; an hour in the air before it does no harm, one behind it does."""
    periods = [
        StoragePeriod("open air", hour(0), hour(10), 23.0, 50.0),
        StoragePeriod("sealed bag", hour(10), hour(20)),
    ]
    days = timeline(periods, [], [], hour(20))

    def grade(*samples: float) -> str:
        known = [MeasuredWater(hour(each), 0.5, 0.01) for each in samples]
        return water(days, hour(20), SLOW, 1.75, 0.1, measured=known).grade

    assert [grade(10), grade(15), grade(5), grade(5, 15), grade(15, 5), grade()] == [
        "A",
        "A",
        "C",
        "A",
        "A",
        "C",
    ]


def test_a_curve_is_in_the_order_of_its_moments_with_its_worst_grade() -> None:
    """Asked in any order; of no moment there is no curve; one beyond the days is refused at either end."""
    days = timeline([StoragePeriod("open air", hour(0), hour(9), 23.0, 50.0)], [], [], hour(9))
    curve = water_history(days, [hour(8), hour(1), hour(4)], SLOW, 1.75, 0.1)

    assert curve.times == (hour(1), hour(4), hour(8))
    assert list(curve.centre_pct) == sorted(curve.centre_pct)
    assert (curve.grade, water_history(days, [], SLOW, 1.75).times) == ("C", ())
    for moments in ([hour(1), hour(10)], [hour(1).replace(tzinfo=None)]):
        with pytest.raises(Refused, match="the timeline ends at 2025-03-01T09:00"):
            water_history(days, moments, SLOW, 1.75)


@pytest.mark.parametrize(
    ("after", "kind"),
    [(999.0, "below uncertainty"), (998.99, "loss"), (1001.0, "below uncertainty"), (1001.01, "gain")],
)
def test_a_change_of_twice_its_uncertainty_is_still_within_it(after: float, kind: str) -> None:
    """A hair more is a loss, or a gain."""
    assert mass_loss(1000.0, after, 200.0, 0.5).kind == kind


@pytest.mark.parametrize(
    ("empty", "taken"),
    [
        (0.0, True),
        (-0.1, False),
        (989.9, True),
        (990.0, False),
        ((100.0, 100.0), True),
        ((101.0, 100.0), False),
    ],
)
def test_a_reel_is_lighter_than_what_is_on_the_scales(empty: Any, taken: bool) -> None:
    """From nothing to less than the lighter weighing, the least before the greatest."""
    if taken:
        assert mass_loss(1000.0, 990.0, empty, 0.1).grams == pytest.approx(10.0)
    else:
        with pytest.raises(Refused, match="leaves no filament"):
            mass_loss(1000.0, 990.0, empty, 0.1)


def test_a_quantile_lies_where_half_of_a_weight_is_reached() -> None:
    """Of two values of one weight the middle is between them; a heavier one draws it near."""
    five, middle, most = weighing._quantiles(np.array([10.0, 0.0]), np.array([1.0, 1.0]))
    assert (five, middle, most) == (0.0, 5.0, 10.0)
    # Weights of 3 and 1 are reached at 3/8 and 7/8 of all.
    assert weighing._quantiles(np.array([0.0, 8.0]), np.array([3.0, 1.0]))[1] == pytest.approx(2.0)
    even = weighing._quantiles(np.arange(101.0), np.ones(101))
    assert even == pytest.approx([4.55, 50.0, 95.45])


ONE_RUN = Runs(*(np.array([1]), np.array([0]), np.array([0])), np.array([0.0]), 10.0)


def weighed(chi2: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Return the weights of a thousand samples of which each misses a loss by so much."""
    monkeypatch.setattr(weighing, "_chi2", lambda *_: chi2)
    drawn = weighing._Drawn(*(np.ones(1000) for _ in range(4)))
    parts = np.ones((2, 1)), np.ones((2, 1))
    each: Any = type("Each", (), {"before": 0, "after": 1})()
    return weighing._weigh([each], ONE_RUN, parts, drawn, load_families().assumptions)


@pytest.mark.parametrize(("least", "used"), [(9.0, True), (9.01, False)])
def test_a_loss_three_deviations_off_is_not_believed(
    least: float, used: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Even where the best sample misses it by more, the weighing is left out."""
    assert (weighed(np.full((1, 1000), least), monkeypatch) is not None) is used


@pytest.mark.parametrize(("count", "used"), [(26, True), (24, False)])
def test_an_answer_rests_on_twenty_five_samples(
    count: int, used: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Effectively: fewer would be an accident of the drawing; the weights make a whole."""
    chi2 = np.full((1, 1000), 1e6)
    chi2[0, :count] = 0.0
    weight = weighed(chi2, monkeypatch)

    assert (weight is not None) is used
    assert weight is None or weight.sum() == pytest.approx(1.0)


def test_a_sample_that_misses_more_weighs_less(monkeypatch: pytest.MonkeyPatch) -> None:
    """As a normal distribution has it: by exp(-1/2) for one more squared deviation."""
    chi2 = np.zeros((1, 1000))
    chi2[0, 0] = 1.0
    weight = weighed(chi2, monkeypatch)

    assert weight[0, 0] / weight[0, 1] == pytest.approx(math.exp(-0.5))


@pytest.mark.parametrize(("reel", "empty_g"), [("none", 200.0), ("plastic", 200.0), ("none", None)])
def test_a_loss_is_held_against_what_a_sample_would_have_lost(reel: str, empty_g: float | None) -> None:
    """Half a per cent of the polymer, and the reel's; to what the scales and the model may be off."""
    assumed = load_families().assumptions
    low, high = assumed.empty_reel_g
    # An unknown reel is drawn: here a quarter of the way from the least to the greatest.
    empty = low + 0.25 * (high - low) if empty_g is None else empty_g
    # What is on the reel afterwards is polymer with half a per cent of water.
    expected = 0.5 / 100.0 * (1000.0 - empty) / 1.005
    if reel == "plastic":
        # Half of the most that a reel may lose.
        expected += 0.5 * assumed.reel_water_relative * empty
    drying = Drying(
        hour(0), hour(8), 80.0, before_g=1004.0, after_g=1000.0, empty_g=empty_g,
        reel=reel,  # type: ignore[arg-type]
    )  # fmt: skip
    loss = mass_loss(1004.0, 1000.0, (low, high) if empty_g is None else empty_g, 0.3)
    drawn = weighing._Drawn(np.ones(1), np.ones(1), np.array([0.25]), np.array([0.5]))
    each = weighing._Weighed(drying, loss, 0, 1)
    found = weighing._chi2(each, np.array([[1.0]]), np.array([[0.5]]), drawn, assumed)

    # The root of 0.3² and of a tenth of 4 g squared is 0.5 g.
    assert found[0, 0] == pytest.approx(((4.0 - expected) / 0.5) ** 2, rel=1e-9)


def test_samples_fill_their_ranges_evenly() -> None:
    """Start from dry to the wettest it may have been; isotherm by the family's part within 5 to 95 %."""
    kind = family("PA6")
    drawn = weighing._draw(kind, (5.0, 20.0, 50.0), None)
    most = kind.w50_pct.value if kind.w50_pct else 0.0

    assert all(len(each) == 1000 for each in (drawn.start, drawn.scale, drawn.empty_part, drawn.reel_part))
    for each, end in ((drawn.start, most), (drawn.empty_part, 1.0), (drawn.reel_part, 1.0)):
        # Of even samples a tenth lies in every tenth of the range, to a few.
        counts, _ = np.histogram(each, bins=10, range=(0.0, end))
        assert counts.sum() == 1000
        assert (abs(counts - 100) <= 8).all()
    share = np.quantile(np.log(drawn.scale), [0.05, 0.5, 0.95]) / math.log1p(kind.w_relative)
    assert share == pytest.approx([-1.0, 0.0, 1.0], abs=0.04)
    assert set(weighing._draw(kind, (5.0, 20.0, 50.0), 0.3).start) == {0.3}


def test_the_middle_of_what_is_not_known_counts_two_thirds() -> None:
    """And either end a sixth; D by a normal distribution of which 5 to 95 % lie within the factor."""
    runs = Runs(
        np.array([0, 1, 2, 1]), np.array([0, 0, 0, 1]), np.zeros(4, dtype=int), np.array([0.0, 1.0]), 10.0
    )
    weight = np.exp(weighing._prior(runs))

    assert weight[:3] == pytest.approx([1 / 6, 2 / 3, 1 / 6])
    assert weight[3] / weight[1] == pytest.approx(math.exp(-(1.6449**2) / 2))


def test_a_drying_that_ends_after_the_moment_is_not_used_yet() -> None:
    """Its second weighing is still to come; the one before it is used."""

    def weighed_at(began: float) -> Drying:
        return Drying(
            hour(began), hour(began + 8), 80.0, 80.0, before_g=1010.0, after_g=1002.0, empty_g=200.0,
            room_c=22.0, room_rh_pct=50.0, key=f"D{began:g}", reel="plastic",
        )  # fmt: skip

    periods = [StoragePeriod("open air", hour(0), hour(700), 23.0, 50.0)]
    days = timeline(periods, [weighed_at(336), weighed_at(600)], [], hour(700))

    assert "the weighings of D336, 5 to 95 %" in water(days, hour(604), family("PA6"), 1.75).sentence
    assert "D336, D600" in water(days, hour(700), family("PA6"), 1.75).sentence


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"after_g": 1012.0}, "the spool gained 2.00 g in the dryer"),
        ({"reel": "cardboard"}, "a cardboard reel alone loses more water than most filaments hold"),
        ({"reel": None}, "it is not recorded what the reel is made of"),
        ({"empty_g": 1002.0}, "an empty reel of 1002 g leaves no filament"),
    ],
)
def test_a_weighing_that_is_not_used_is_named_with_why(change: dict[str, Any], said: str) -> None:
    """Whoever weighed it is told what would have to be known."""
    drying = replace(
        Drying(
            hour(336), hour(344), 80.0, 80.0, before_g=1010.0, after_g=1002.0, empty_g=200.0, key="D1",
            reel="plastic",
        ),
        **change,
    )  # fmt: skip
    days = timeline([StoragePeriod("open air", hour(0), hour(350), 23.0, 50.0)], [drying], [], hour(350))
    notes = water(days, hour(350), family("PA6"), 1.75).sentences

    assert any(note.startswith(f"The weighings of D1 are not used: {said}") for note in notes)
