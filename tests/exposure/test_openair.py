"""Hours of exposure since the last drying."""

from __future__ import annotations

import pytest

from tests.exposure.days import hour
from tracker.errors import Refused
from tracker.exposure import Drying, StoragePeriod, Timeline, open_air, timeline


def the_days() -> Timeline:
    """Return a day of a spool: open air, drying, open air, box, printer, bag, nothing."""
    periods = [
        StoragePeriod("open air", hour(0), hour(10), 23.0, 60.0),
        StoragePeriod("open air", hour(16), hour(20), 22.0, 50.0, 45.0, 58.0),
        StoragePeriod("dry box", hour(20), hour(25), 23.0, 12.0),
        StoragePeriod("printer", hour(25), hour(27), 30.0, 40.0),
        StoragePeriod("sealed bag", hour(27), hour(30)),
        StoragePeriod("open air", hour(31), hour(33)),
    ]
    return timeline(periods, [Drying(hour(10), hour(16), 80.0, key="D0003-M")], [], hour(33))


def test_hours_by_place() -> None:
    """Each kind of hour since the drying is counted apart; the printer stands in open air."""
    found = open_air(the_days(), hour(33))
    assert (found.hours, found.hours_box, found.hours_bag, found.hours_unlogged) == (8.0, 5.0, 3.0, 1.0)


def test_the_drying_is_named() -> None:
    """The answer names the drying it counts from."""
    found = open_air(the_days(), hour(33))
    assert (found.since, found.since_at) == ("D0003-M", hour(16))


def test_weighted_hours() -> None:
    """Hours at half humidity count half; hours without humidity are told apart, not guessed."""
    found = open_air(the_days(), hour(33))
    assert found.rh_weighted_hours == pytest.approx(4 * 0.5 + 2 * 0.4)
    assert found.hours_without_rh == pytest.approx(2.0)


def test_climate_of_the_open_hours() -> None:
    """Mean and range of the humidity cover the hours that have one."""
    found = open_air(the_days(), hour(33))
    assert found.rh_mean_pct == pytest.approx((4 * 50 + 2 * 40) / 6)
    assert (found.rh_low_pct, found.rh_high_pct) == (40.0, 58.0)
    assert found.temperature_mean_c == pytest.approx((4 * 22 + 2 * 30) / 6)


def test_before_any_drying_all_counts() -> None:
    """Without a drying the hours count from the first record."""
    found = open_air(the_days(), hour(8))
    assert (found.hours, found.since, found.since_at) == (8.0, None, hour(0))


def test_in_the_dryer_nothing_counts() -> None:
    """While the spool is being dried no hours have passed since."""
    found = open_air(the_days(), hour(12))
    assert (found.hours, found.since) == (0.0, "D0003-M")


def test_a_spool_without_records() -> None:
    """Without records there are no hours and no beginning."""
    found = open_air(timeline([], [], [], hour(9)), hour(5))
    assert (found.hours, found.since_at, found.rh_mean_pct) == (0.0, None, None)


def test_later_than_the_days_is_refused() -> None:
    """A moment nobody looked at is refused with the end of what is known."""
    with pytest.raises(Refused, match="timeline ends at 2025-03-02T09:00"):
        open_air(the_days(), hour(34))


def test_a_time_without_zone_is_refused() -> None:
    """A moment without zone is refused."""
    with pytest.raises(Refused, match="exposure at"):
        open_air(the_days(), hour(3).replace(tzinfo=None))


def test_a_range_alone_gives_its_middle() -> None:
    """Where only least and greatest humidity are recorded, their middle weighs the hours."""
    periods = [StoragePeriod("open air", hour(0), hour(10), 23.0, None, 40.0, 60.0)]
    assert open_air(timeline(periods, [], [], hour(10)), hour(10)).rh_weighted_hours == pytest.approx(5.0)
