"""The water in the filament: known histories through the whole room, bounds, grades and words."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.bench.water import grade_a, grade_b
from tests.exposure.days import family, hour, made_up
from tests.exposure.finite_volume import history
from tracker.errors import Refused
from tracker.exposure import (
    Drying,
    Family,
    JobUse,
    MeasuredWater,
    Place,
    StoragePeriod,
    Timeline,
    Water,
    load_families,
    rh_elsewhere,
    timeline,
    water,
    water_history,
)
from tracker.exposure.runs import arrhenius, equilibrium_pct

PA = made_up(2.0e-13, 55.0, 2.8, 9.0)
SURE = replace(load_families().assumptions, sensor_rh_pct=0.0)
"""Assumptions under which a recorded humidity is exact."""


def o2() -> Timeline:
    """Return the open history O2: 72 h of air, 30 days of box, 6 h at 80 °C, 4 h on the bench."""
    periods = [
        StoragePeriod("open air", hour(0), hour(72), 23.0, 50.0),
        StoragePeriod("dry box", hour(72), hour(792), 23.0, 12.0),
        StoragePeriod("open air", hour(798), hour(802), 23.0, 55.0),
    ]
    drying = Drying(hour(792), hour(798), 80.0, 80.0, dryer_rh_pct=2.5, key="D0003-M")
    return timeline(periods, [drying], [], hour(802))


def o3() -> Timeline:
    """Return the open history O3: two weeks of air, 8 h at 45 °C, 10 h on a warm bench, 2.85 mm."""
    periods = [
        StoragePeriod("open air", hour(0), hour(336), 22.0, 60.0),
        StoragePeriod("open air", hour(344), hour(354), 26.0, 45.0),
    ]
    drying = Drying(hour(336), hour(344), 45.0, 45.0, dryer_rh_pct=14.0, key="D1")
    return timeline(periods, [drying], [], hour(354))


def at(
    days: Timeline, hours: float, kind: Family | None, diameter: float, start: float | None = None
) -> Water:
    """Return the water with recorded humidities taken as exact."""
    return water(days, hour(hours), kind, diameter, start, assumed=SURE)


# O2 and O3: modal and finite-volume computations agree on these means to 2e-10; the materials are made up.
@pytest.mark.parametrize(
    ("hours", "pct"), [(72, 1.491657), (792, 0.676173), (798, 0.252154), (802, 0.691234)]
)
def test_open_history_o2(hours: float, pct: float) -> None:
    """The centre follows O2 to 1e-6: four hours on the bench nearly triple what the dryer left."""
    assert at(o2(), hours, PA, 1.75, 0.10).centre_pct == pytest.approx(pct, abs=1e-6)


@pytest.mark.parametrize(("hours", "pct"), [(336, 0.479983), (344, 0.232323), (354, 0.318896)])
def test_open_history_o3(hours: float, pct: float) -> None:
    """The centre follows O3 to 1e-6: another diameter, other temperatures, a knee in the isotherm."""
    kind = made_up(3.0e-12, 40.0, 0.40, 0.80)
    assert at(o3(), hours, kind, 2.85, 0.05).centre_pct == pytest.approx(pct, abs=1e-6)


def test_o2_against_finite_volumes() -> None:
    """A solver that shares nothing with ours gives O2's end to 1e-9."""
    factor = float(arrhenius(np.array(80.0), 55.0))
    per_hour = 2.0e-13 * 3600.0 / 0.000875**2
    through = [
        (2.8, 72 * per_hour),
        (0.672, 720 * per_hour),
        (0.14, 6 * per_hour * factor),
        (3.42, 4 * per_hour),
    ]
    assert at(o2(), 802, PA, 1.75, 0.10).centre_pct == pytest.approx(
        history(0.10, list(through))[-1], abs=1e-9
    )


@pytest.mark.parametrize(
    ("hours", "low", "high"),
    [(72, 0.583, 1.492), (792, 0.452, 0.844), (798, 0.185, 0.652), (802, 0.327, 1.076)],
)
def test_bounds_of_the_winding(hours: float, low: float, high: float) -> None:
    """A winding ten times slower brackets O2 as the two runs known for it."""
    assert at(o2(), hours, PA, 1.75, 0.10).winding_pct == pytest.approx((low, high), abs=6e-4)


def test_bounds_of_winding_and_diffusion() -> None:
    """With D ×/÷ 10 as well, O2 ends between 0.19 and 1.54 %."""
    assert at(o2(), 802, PA, 1.75, 0.10).diffusion_pct == pytest.approx((0.19, 1.54), abs=5e-3)


def test_a_threefold_diffusion_coefficient() -> None:
    """D × 3 and D ÷ 3 alone end O2 at 0.898 and 0.621 %."""
    ends = [
        at(o2(), 802, made_up(2.0e-13 * k, 55.0, 2.8, 9.0), 1.75, 0.10).centre_pct for k in (3.0, 1.0 / 3.0)
    ]
    assert ends == pytest.approx([0.898, 0.621], abs=6e-4)


@pytest.mark.parametrize(
    ("energy", "t_c", "factor"),
    [
        (40, 45, 3.08),
        (40, 80, 13.8),
        (40, 120, 55),
        (50, 65, 12.5),
        (50, 80, 26.5),
        (60, 50, 7.66),
        (60, 80, 51),
    ],
)
def test_arrhenius_factors(energy: float, t_c: float, factor: float) -> None:
    """D(T)/D(23 °C) agrees with the computed table to its three digits."""
    assert float(arrhenius(np.array(t_c), energy)) == pytest.approx(factor, rel=0.01)


@pytest.mark.parametrize(("rh", "pct"), [(0, 0.0), (12, 0.672), (50, 2.8), (55, 3.42), (100, 9.0)])
def test_isotherm_has_its_knee_at_half(rh: float, pct: float) -> None:
    """Equilibrium water is straight up to 50 %RH and straight, steeper, above."""
    assert float(equilibrium_pct(np.array(rh), 2.8, 9.0)) == pytest.approx(pct)


def test_the_centre_is_between_the_bounds() -> None:
    """Low, winding, centre and high are nested."""
    found = at(o2(), 802, family("PA6"), 1.75)
    assert found.low_pct is not None
    assert found.high_pct is not None
    assert found.centre_pct is not None
    assert found.winding_pct is not None
    assert found.low_pct <= found.winding_pct[0] <= found.centre_pct <= found.winding_pct[1] <= found.high_pct


def test_a_generic_family_is_grade_c() -> None:
    """Without any measurement of the spool the grade is C."""
    assert at(o2(), 802, family("PA6"), 1.75).grade == "C"


@pytest.mark.parametrize("kind", [None, family("PVA")], ids=["unknown", "PVA"])
def test_no_number_where_none_can_be_given(kind: Family | None) -> None:
    """An unknown family and PVA get hours only."""
    found = at(o2(), 802, kind, 1.75)
    assert (found.grade, found.centre_pct, found.low_pct, found.high_pct) == ("D", None, None, None)
    assert found.exposure.hours == 4.0
    assert "open air 4.0 h" in found.sentence
    assert "grade D" in found.sentence


@pytest.mark.parametrize("name", list(load_families().by_name))
def test_every_family_gives_a_sane_answer(name: str) -> None:
    """For every bundled family the bounds are in order and not below nothing."""
    found = at(o2(), 802, family(name), 1.75)
    if found.grade != "D":
        assert 0.0 <= (found.low_pct or 0.0) <= (found.centre_pct or -1.0) <= (found.high_pct or -1.0)


def test_a_bag_keeps_the_water() -> None:
    """A sealed bag changes nothing of the total: it is no dry store."""
    periods = [
        StoragePeriod("open air", hour(0), hour(48), 23.0, 60.0),
        StoragePeriod("sealed bag", hour(48), hour(2000)),
    ]
    days = timeline(periods, [], [], hour(2000))
    before, after = (at(days, hours, family("ABS"), 1.75) for hours in (48, 2000))
    assert (after.low_pct, after.centre_pct, after.high_pct) == pytest.approx(
        (before.low_pct, before.centre_pct, before.high_pct), abs=1e-12
    )


def test_unlogged_time_widens_the_interval_both_ways() -> None:
    """A gap may have been nothing or all in open air, so neither end moves inwards."""
    periods = [StoragePeriod("open air", hour(0), hour(100), 23.0, 40.0, 30.0, 60.0)]
    days = timeline(periods, [], [], hour(200))
    before, after = (water(days, hour(h), family("PLA"), 1.75, 0.2) for h in (100, 200))
    assert (after.low_pct or 9.0) <= (before.low_pct or 0.0)
    assert (after.high_pct or 0.0) >= (before.high_pct or 9.0)
    assert any("100.0 h are not logged" in note for note in after.sentences)


def test_a_vented_dryer_takes_the_rooms_vapour() -> None:
    """Without a reading the dryer's humidity follows from the room: 45 °C cannot dry PLA below its share."""
    days = timeline([], [Drying(hour(0), hour(5000), 45.0, room_c=22.0, room_rh_pct=50.0)], [], hour(5000))
    kind = made_up(1e-11, 40.0, 0.4, 0.8)
    assert at(days, 5000, kind, 1.75, 0.3).centre_pct == pytest.approx(0.4 * 13.9 / 50, abs=2e-3)


def test_a_dryer_without_any_room_uses_the_last_open_air() -> None:
    """Where the room of the dryer is not recorded, the last open-air storage period stands for it."""
    period = StoragePeriod("open air", hour(0), hour(10), 22.0, 50.0)
    bare = timeline([period], [Drying(hour(10), hour(20), 60.0)], [], hour(20))
    full = timeline([period], [Drying(hour(10), hour(20), 60.0, room_c=22.0, room_rh_pct=50.0)], [], hour(20))
    assert at(bare, 20, PA, 1.75, 1.0).centre_pct == at(full, 20, PA, 1.75, 1.0).centre_pct


def test_a_warm_chamber_has_the_rooms_vapour() -> None:
    """A spool inside a chamber of 60 °C sees the room's vapour pressure, not the room's humidity."""
    room = StoragePeriod("open air", hour(0), hour(1), 22.0, 50.0)
    vented = rh_elsewhere(50.0, 22.0, 60.0, "hyland-wexler")
    bare = timeline([room, StoragePeriod("printer", hour(1), hour(9), 60.0)], [], [], hour(9))
    full = timeline([room, StoragePeriod("printer", hour(1), hour(9), 60.0, vented)], [], [], hour(9))
    assert at(bare, 9, PA, 1.75, 1.0).centre_pct == pytest.approx(
        at(full, 9, PA, 1.75, 1.0).centre_pct, rel=1e-3
    )
    assert any("Humidity at the printer is the room's" in note for note in at(bare, 9, PA, 1.75).sentences)


def test_before_the_first_record() -> None:
    """Asked for a moment before any record, the answer is the start, and says that nothing is known."""
    days = timeline([StoragePeriod("open air", hour(10), hour(20), 22.0, 50.0)], [], [], hour(20))
    found = at(days, 5, PA, 1.75, 0.4)
    assert found.centre_pct == 0.4
    assert "Nothing is recorded before this moment." in found.sentences


def test_the_measured_temperature_counts() -> None:
    """A dryer that was set to 80 but reached 60 °C dries like 60 °C."""
    real = timeline([], [Drying(hour(0), hour(6), 80.0, 60.0, dryer_rh_pct=5.0)], [], hour(6))
    meant = timeline([], [Drying(hour(0), hour(6), 60.0, dryer_rh_pct=5.0)], [], hour(6))
    assert at(real, 6, PA, 1.75, 2.0).centre_pct == at(meant, 6, PA, 1.75, 2.0).centre_pct


def test_a_measured_content_replaces_the_model() -> None:
    """Right after a titration the answer is the titration, grade A, 5 to 95 % of its uncertainty."""
    known = MeasuredWater(hour(798), 0.31, 0.02, "KF 7")
    found = water(o2(), hour(798), PA, 1.75, measured=[known])
    assert found.grade == "A"
    assert found.centre_pct == pytest.approx(0.31)
    assert (found.low_pct, found.high_pct) == pytest.approx((0.31 - 1.6449 * 0.02, 0.31 + 1.6449 * 0.02))


def test_a_measured_content_ages() -> None:
    """After hours in open air a titration is only where the model starts."""
    known = MeasuredWater(hour(798), 0.31, 0.02, "KF 7")
    assert water(o2(), hour(802), PA, 1.75, measured=[known]).grade == "C"


def test_a_measured_content_keeps_in_a_bag() -> None:
    """In a sealed bag a titration stays true."""
    days = timeline([StoragePeriod("sealed bag", hour(0), hour(500))], [], [], hour(500))
    found = water(days, hour(500), PA, 1.75, measured=[MeasuredWater(hour(100), 0.5, 0.0)])
    assert found.grade == "A"
    assert found.centre_pct == pytest.approx(0.5)


def test_a_spool_just_bought() -> None:
    """Without any record the answer is the assumed start, and it says so."""
    found = at(timeline([], [], [], hour(1)), 1, family("PLA"), 1.75)
    assert found.centre_pct == pytest.approx(0.38 * 20 / 50)
    assert any(
        "before the first record, as its reception, is not recorded" in note for note in found.sentences
    )


def test_history_agrees_with_single_answers() -> None:
    """The chart's values are those of the single answers."""
    hours = [10.0, 72.0, 400.0, 795.0, 802.0]
    chart = water_history(o2(), [hour(h) for h in hours], family("PA6"), 1.75, 0.1)
    single = [water(o2(), hour(h), family("PA6"), 1.75, 0.1) for h in hours]
    assert chart.low_pct == pytest.approx([w.low_pct for w in single], abs=1e-9)
    assert chart.centre_pct == pytest.approx([w.centre_pct for w in single], abs=1e-9)
    assert chart.high_pct == pytest.approx([w.high_pct for w in single], abs=1e-9)


def test_history_of_an_unknown_family_is_empty() -> None:
    """Without a number there is no curve."""
    chart = water_history(o2(), [hour(5)], None, 1.75)
    assert (chart.grade, len(chart.centre_pct)) == ("D", 0)


def test_statement() -> None:
    """The statement names the drying, the hours by place, the interval, the grade and the regime."""
    said = at(o2(), 802, PA, 1.75, 0.10).sentence
    for words in (
        "Since drying D0003-M (80 °C measured, 6.0 h",
        "open air 4.0 h at 55 %RH, 23 °C; dry box 0.0 h; sealed bag 0.0 h; unlogged 0.0 h",
        "Estimated water 0.69 wt%",
        "winding alone, slower by up to 10: 0.33 to 1.08",
        "×/÷ 10: 0.19 to 1.54",
        "grade C",
        "uptake-limited",
    ):
        assert words in said


def test_after_long_exposure_the_isotherm_rules() -> None:
    """Beyond three times the time for 90 % the statement says that the isotherm dominates."""
    days = timeline([StoragePeriod("open air", hour(0), hour(1000), 23.0, 50.0)], [], [], hour(1000))
    assert "isotherm dominates" in at(days, 1000, family("PLA"), 1.75).regime


def test_straight_from_the_dryer() -> None:
    """Without any exposure the drying is what counts."""
    assert "what the drying left" in at(o2(), 798, PA, 1.75, 0.1).regime


def test_too_hot_a_drying_is_reported() -> None:
    """A drying above what the family's reel should see is named with both temperatures."""
    days = timeline([], [Drying(hour(0), hour(4), 70.0, key="D9")], [], hour(4))
    assert any(
        n.startswith("D9 was at 70 °C, above the 50 °C") for n in at(days, 4, family("PLA"), 1.75).sentences
    )


def test_damp_air_is_reported() -> None:
    """Above 75 %RH the isotherm is extrapolated, and the answer says so."""
    days = timeline([StoragePeriod("open air", hour(0), hour(4), 23.0, 85.0)], [], [], hour(4))
    assert any("extrapolated" in note for note in at(days, 4, family("PLA"), 1.75).sentences)


def test_flags_of_the_days_reach_the_answer() -> None:
    """An open storage period is said in the answer as well."""
    days = timeline([StoragePeriod("open air", hour(0), key="stay 4")], [], [], hour(4))
    assert any("stay 4 is still open" in note for note in at(days, 4, family("PLA"), 1.75).sentences)


@pytest.mark.parametrize(
    ("diameter", "start", "winding", "words"),
    [
        (0.1, 0.1, 10.0, "filament diameter 0.1 mm"),
        (1.75, -0.1, 10.0, "water at the beginning -0.1 %"),
        (1.75, 0.1, 0.5, "winding 0.5"),
        (float("nan"), 0.1, 10.0, "filament diameter"),
    ],
)
def test_impossible_spools_are_refused(diameter: float, start: float, winding: float, words: str) -> None:
    """A diameter, start or winding that cannot be is refused."""
    with pytest.raises(Refused, match=words):
        water(o2(), hour(5), PA, diameter, start, winding=winding)


places = st.sampled_from(["open air", "sealed bag", "dry box", "printer", "dryer", "gap"])
pieces = st.lists(st.tuples(places, st.floats(0.1, 500.0), st.floats(0.0, 100.0)), min_size=1, max_size=12)


def _days(plan: list[tuple[str, float, float]]) -> Timeline:
    """Return the days that a generated plan describes."""
    began, periods, dryings = 0.0, [], []
    for place, hours, rh in plan:
        if place == "dryer":
            dryings.append(Drying(hour(began), hour(began + hours), 60.0, dryer_rh_pct=rh / 10.0))
        elif place != "gap":
            kept: Place = place  # type: ignore[assignment]
            periods.append(StoragePeriod(kept, hour(began), hour(began + hours), 23.0, rh))
        began += hours
    return timeline(periods, dryings, [], hour(began))


@settings(deadline=None, max_examples=60)
@given(pieces, st.floats(0.0, 3.0))
def test_bounds_hold_for_any_days(plan: list[tuple[str, float, float]], start: float) -> None:
    """Low, centre and high are in order, and no run leaves the range of what it was driven to."""
    days = _days(plan)
    found = water(days, days.until, family("PA12"), 1.75, start)
    low, centre, high = found.low_pct, found.centre_pct, found.high_pct
    assert low is not None
    assert centre is not None
    assert high is not None
    assert -1e-9 <= low <= centre <= high <= max(start, 1.45 * 1.2) + 1e-9


@settings(deadline=None, max_examples=40)
@given(pieces, st.floats(0.0, 3.0), st.floats(0.01, 0.99))
def test_cutting_a_storage_period_changes_nothing(
    plan: list[tuple[str, float, float]], start: float, where: float
) -> None:
    """Asking in between does not change what is answered for the end."""
    plan = [piece for piece in plan if piece[0] != "gap"] or [("open air", 1.0, 50.0)]
    days = _days(plan)
    began = days.began or days.until
    between = began + where * (days.until - began)
    twice = water_history(days, [between, days.until], PA, 1.75, start)
    # Slowed runs judge wetting or drying again at a cut, so only the strand is the same.
    assert twice.centre_pct[-1] == pytest.approx(
        water(days, days.until, PA, 1.75, start).centre_pct, abs=1e-9
    )


def test_water_starts_at_reception_and_not_at_the_first_job() -> None:
    """A month on a shelf that nobody logged lies before the first job, and widens the water."""
    job = JobUse(hour(720), hour(724), "J1")
    came = timeline([], [], [job], hour(724), received=hour(0))
    assert (came.segments[0].place, came.segments[0].began) == ("unlogged", hour(0))
    shelf = water(came, hour(724), family("PA6"), 1.75, 0.05)
    at_once = water(timeline([], [], [job], hour(724)), hour(724), family("PA6"), 1.75, 0.05)
    assert shelf.high_pct is not None
    assert at_once.high_pct is not None
    assert shelf.high_pct > 1.5 * at_once.high_pct
    assert shelf.sentence.startswith("No drying recorded, since it was received (2025-03-01 00:00 UTC)")


def test_unlogged_days_widen_the_water() -> None:
    """The same week, logged in a bag or not logged at all: not logged is wider at both ends."""
    first = StoragePeriod("open air", hour(0), hour(24), 23.0, 40.0)
    bag = timeline(
        [first, StoragePeriod("sealed bag", hour(24), hour(192))], [], [], hour(192), received=hour(0)
    )
    gap = timeline([first], [], [], hour(192), received=hour(0))
    logged, unlogged = (water(days, hour(192), family("PLA"), 1.75, 0.05) for days in (bag, gap))
    assert (logged.high_pct or 0.0) < (unlogged.high_pct or 0.0)
    assert unlogged.exposure.hours_unlogged == pytest.approx(168.0)


def test_no_drying_is_reported() -> None:
    """That nothing was dried is among the sentences, not only between the lines."""
    days = timeline([StoragePeriod("open air", hour(0), hour(24), 23.0, 40.0)], [], [], hour(24))
    assert "No drying recorded." in water(days, hour(24), family("PLA"), 1.75).sentences


def test_moments_are_reported_in_the_benchs_zone() -> None:
    """The end of a drying is the bench's own time."""
    drying = Drying(hour(0), hour(6), 45.0, 45.0, key="D0001-K")
    days = timeline([], [drying], [], hour(30), zone=ZoneInfo("Europe/Berlin"))
    assert "ended 2025-03-01 07:00)" in water(days, hour(30), family("PLA"), 1.75).sentence


@pytest.mark.parametrize("name", ["PLA", "PA6"])
def test_weighings_give_intervals_that_hold_the_truth(name: str) -> None:
    """Of random histories 88 to 95 % hold the water that was there (``python -m tests.bench.water``: 1,000).

    Sixty have a standard error of 4 %: the bounds here are two of these wider.
    """
    share, found = grade_b(family(name), 60, 3)
    assert found >= 50
    assert 0.80 <= share <= 1.0
    assert 0.80 <= grade_a(family(name), 60, 3) <= 1.0
