"""From days to numbers: lengths, surface values, and what stands in for what nobody recorded."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from tests.exposure.days import family, hour, made_up
from tracker.exposure import (
    Drying,
    MeasuredWater,
    StoragePeriod,
    Timeline,
    load_families,
    rh_elsewhere,
    timeline,
)
from tracker.exposure.runs import HIGH, LOW, MIDDLE, Kind, Steps, build_steps

# 0.02 % of water for each %RH up to 50, so that surface values read as humidities.
LINEAR = made_up(1e-12, 40.0, 1.0, 2.0, d_factor=3.0)
ASSUMED = load_families().assumptions


def build(
    days: Timeline, *times: datetime, start: float | None = 0.1, measured: tuple[MeasuredWater, ...] = ()
) -> Steps:
    """Return the steps of a 1.75 mm strand up to ``times``, or the end of the days."""
    return build_steps(
        days,
        list(times) or [days.until],
        LINEAR,
        1.75,
        start_pct=start,
        assumed=ASSUMED,
        measured=measured,
    )


def humidity(steps: Steps, row: int = -1) -> list[float]:
    """Return the three humidities that a step's surface values stand for."""
    return [round(float(value) / 0.02, 3) for value in steps.surface[row]]


def kept(place: str, t_c: float | None = 23.0, *rh: float | None) -> Timeline:
    """Return ten hours in one place, with mean, least and greatest humidity."""
    mean, low, high = [*rh, None, None, None][:3]
    period = StoragePeriod(place, hour(0), hour(10), t_c, mean, low, high)  # type: ignore[arg-type]
    return timeline([period], [], [], hour(10))


def test_length_in_tau() -> None:
    """Ten hours at 23 °C are D t / a²."""
    assert build(kept("open air", 23.0, 40.0)).tau[0] == pytest.approx(1e-12 * 36000.0 / 0.000875**2)


def test_warmth_lengthens_a_step() -> None:
    """At 45 °C and 40 kJ/mol the same hours count 3.08 times."""
    warm, cool = (build(kept("open air", t_c, 40.0)).tau[0] for t_c in (45.0, 23.0))
    assert warm / cool == pytest.approx(3.08, abs=5e-3)


def test_a_single_reading_has_the_sensors_uncertainty() -> None:
    """One humidity is taken with 3 %RH to either side."""
    assert humidity(build(kept("open air", 23.0, 40.0))) == [37.0, 40.0, 43.0]


def test_a_logged_range_speaks_for_itself() -> None:
    """Least and greatest logged humidity are the ends."""
    assert humidity(build(kept("open air", 23.0, 40.0, 35.0, 48.0))) == [35.0, 40.0, 48.0]


def test_humidity_stays_within_zero_and_a_hundred() -> None:
    """The sensor's uncertainty does not make less water than none."""
    assert humidity(build(kept("dry box", 23.0, 1.0)))[0] == 0.0


def test_a_box_without_a_reading() -> None:
    """A dry box nobody read has the assumed range."""
    assert humidity(build(kept("dry box"))) == [5.0, 15.0, 30.0]


def test_open_air_without_any_reading() -> None:
    """Open air nobody ever read has the assumed range; its upper part lies on the steeper line."""
    low, middle, high = build(kept("open air")).surface[0]
    assert (low, middle, high) == pytest.approx((0.6, 1.0, 1.4))


def test_open_air_without_a_reading_borrows_the_spools_other_ones() -> None:
    """What else was logged of this spool stands in before any assumption."""
    periods = [
        StoragePeriod("open air", hour(0), hour(5), 23.0, 42.0, 40.0, 44.0),
        StoragePeriod("open air", hour(5), hour(9), 23.0),
    ]
    assert humidity(build(timeline(periods, [], [], hour(9)))) == [40.0, 42.0, 44.0]


def test_unlogged_time_is_two_halves() -> None:
    """A gap makes two steps of half its length between the least and greatest logged humidity."""
    steps = build(
        timeline([StoragePeriod("open air", hour(0), hour(5), 23.0, 42.0, 30.0, 48.0)], [], [], hour(9))
    )
    assert steps.kind.tolist() == [Kind.EXPOSED, Kind.MAYBE, Kind.MAYBE_TOO]
    assert steps.tau[1] == steps.tau[2]
    assert humidity(steps) == [30.0, 39.0, 48.0]


def test_a_place_without_temperature_is_at_23() -> None:
    """Where no temperature is recorded 23 °C are taken."""
    assert build(kept("open air", None, 40.0)).tau[0] == build(kept("open air", 23.0, 40.0)).tau[0]


def test_a_logged_dryer_needs_no_room() -> None:
    """A humidity read inside the dryer counts as it is."""
    days = timeline([], [Drying(hour(0), hour(6), 70.0, room_rh_pct=90.0, dryer_rh_pct=10.0)], [], hour(6))
    assert humidity(build(days)) == [7.0, 10.0, 13.0]


def test_a_dryer_fed_from_its_room() -> None:
    """Without a reading the room's vapour pressure is taken to the dryer's temperature."""
    days = timeline([], [Drying(hour(0), hour(6), 70.0, room_c=22.0, room_rh_pct=50.0)], [], hour(6))
    expected = [rh_elsewhere(rh, 22.0, 70.0, "hyland-wexler") for rh in (47.0, 50.0, 53.0)]
    assert humidity(build(days)) == pytest.approx(expected, abs=1e-3)


def test_a_cold_dryer_cannot_hold_more_than_all() -> None:
    """Damp warm air in a colder dryer is saturated, not more."""
    days = timeline([], [Drying(hour(0), hour(6), 10.0, room_c=30.0, room_rh_pct=90.0)], [], hour(6))
    assert build(days).surface[0] == pytest.approx([2.0, 2.0, 2.0])


def test_steps_are_cut_where_asked() -> None:
    """A step ends at every moment that is asked for."""
    steps = build(kept("open air", 23.0, 40.0), hour(2), hour(5), hour(10))
    assert steps.ends_s.tolist() == [7200.0, 18000.0, 36000.0]


def test_moments_on_an_edge_cut_nothing() -> None:
    """A moment at the end of a storage period makes no empty step."""
    periods = [
        StoragePeriod("open air", hour(0), hour(5), 23.0, 40.0),
        StoragePeriod("dry box", hour(5), hour(9), 23.0, 10.0),
    ]
    steps = build(timeline(periods, [], [], hour(9)), hour(5), hour(9))
    assert steps.ends_s.tolist() == [18000.0, 32400.0]


def test_a_measured_content_is_taken_between() -> None:
    """A measured water content cuts the step and takes no time."""
    steps = build(kept("open air", 23.0, 40.0), measured=(MeasuredWater(hour(4), 0.5, 0.05),))
    assert steps.kind.tolist() == [Kind.EXPOSED, Kind.KNOWN, Kind.EXPOSED]
    # 5 to 95 % of a normal distribution: 1.6449 standard deviations (any printed table).
    assert steps.surface[1] == pytest.approx([0.417755, 0.5, 0.582245])
    assert steps.tau[1] == 0.0


def test_a_measured_content_at_the_very_end_counts() -> None:
    """A sample taken in the moment that is asked for is used."""
    steps = build(kept("open air", 23.0, 40.0), measured=(MeasuredWater(hour(10), 0.5, 0.0),))
    assert steps.kind.tolist() == [Kind.EXPOSED, Kind.KNOWN]


@pytest.mark.parametrize("when", [-1.0, 11.0])
def test_samples_outside_the_days_are_not_used(when: float) -> None:
    """A sample from before the first record or after the moment changes nothing."""
    steps = build(kept("open air", 23.0, 40.0), measured=(MeasuredWater(hour(when), 0.5, 0.0),))
    assert Kind.KNOWN not in steps.kind


def test_the_start_is_as_given() -> None:
    """A known start has no range, whatever the family's."""
    assert build(kept("open air", 23.0, 40.0), start=0.3).start == (0.3, 0.3, 0.3)


def test_an_unknown_start_has_a_range() -> None:
    """An unknown start is the equilibrium at 5, 20 and 50 %RH, and is noted; unknown before, at up to 70."""
    steps = build(kept("open air", 23.0, 40.0), start=None)
    assert steps.start == pytest.approx((0.1, 0.4, 1.4))
    came = build(replace(kept("open air", 23.0, 40.0), received=True), start=None)
    assert came.start == pytest.approx((0.1, 0.4, 1.0))
    assert "20 %RH (5 to 50)" in came.notes[0]


def test_the_isotherm_spreads_with_the_family() -> None:
    """Low and high ends carry the family's uncertainty of equilibrium water, the middle does not."""
    days = kept("open air", 23.0, 40.0, 40.0, 40.0)
    sure = replace(ASSUMED, sensor_rh_pct=0.0)
    loose = replace(LINEAR, w_relative=0.3)
    steps = build_steps(days, [days.until], loose, 1.75, start_pct=0.1, assumed=sure)
    assert steps.surface[0][[LOW, MIDDLE, HIGH]] == pytest.approx([0.56, 0.8, 1.04])


def test_the_spread_of_d_is_the_familys_at_23_degrees() -> None:
    """At 23 °C the factor of D is the family's own."""
    assert np.exp(build(kept("open air", 23.0, 40.0)).spread[0]) == pytest.approx(3.0)


def test_the_spread_of_d_grows_in_the_dryer() -> None:
    """Away from 23 °C the unknown activation energy widens the factor: ± 10 kJ/mol are × 2 at 80 °C."""
    kind = family("PA6")
    days = timeline([], [Drying(hour(0), hour(6), 80.0)], [], hour(6))
    steps = build_steps(days, [days.until], kind, 1.75, start_pct=0.1, assumed=ASSUMED)
    extra = np.sqrt(steps.spread[0] ** 2 - np.log(kind.d_factor) ** 2)
    assert np.exp(extra) == pytest.approx(1.93, abs=0.02)


def test_days_without_records_have_no_steps() -> None:
    """A spool without records has no steps."""
    assert build(timeline([], [], [], hour(9)), hour(5)).tau.shape == (0,)


def test_a_family_without_figures_is_a_mistake_of_the_caller() -> None:
    """A family that allows no number must not get this far."""
    days = kept("open air", 23.0, 40.0)
    with pytest.raises(ValueError, match="PVA"):
        build_steps(days, [days.until], family("PVA"), 1.75, start_pct=0.1, assumed=ASSUMED)
