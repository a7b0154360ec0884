"""Control charts against the e-Handbook's examples."""

from __future__ import annotations

import pytest

from tracker.errors import Refused
from tracker.statistics import ewma, shewhart_individuals

_BATCHES = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
_SERIES = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *_BATCHES]
# e-Handbook 6.3.2.4, as printed to two decimals (from memory, reproduced).
_AVERAGES = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
_AVERAGES += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]


def test_individuals_agree_with_the_handbook() -> None:
    """e-Handbook 6.3.2.2 (from memory, reproduced): centre 50.81, limits 45.8159 and 55.8041."""
    chart = shewhart_individuals(_BATCHES)
    assert chart.centre == pytest.approx(50.81)
    assert chart.low == pytest.approx(45.8159, abs=5e-5)
    assert chart.high == pytest.approx(55.8041, abs=5e-5)
    assert chart.beyond == ()


def test_individuals_point_at_a_jump() -> None:
    """A reading far outside is named by its place."""
    assert shewhart_individuals([1.0, 1.1] * 12 + [9.0]).beyond == (24,)


def test_ewma_agrees_with_the_handbook() -> None:
    """e-Handbook 6.3.2.4: limits 47.4115 and 52.5884, and every average as printed."""
    chart = ewma(_SERIES, centre=50, sigma=2.0539)
    assert (chart.low, chart.high) == pytest.approx((47.4115, 52.5884), abs=1e-4)
    assert chart.averages == pytest.approx(_AVERAGES, abs=6e-3)
    assert chart.beyond == ()


def test_ewma_sees_a_slow_drift_first() -> None:
    """A drift of a tenth of sigma a step leaves the average's limits before a reading leaves its own."""
    drift = [0.1 * i for i in range(20)]
    assert ewma(drift, centre=0, sigma=1).beyond
    assert max(drift) < 3


def test_chart_of_two_is_refused() -> None:
    """Two readings make no chart."""
    with pytest.raises(Refused, match="a control chart of 2 readings"):
        shewhart_individuals([1.0, 2.0])


@pytest.mark.parametrize(("sigma", "weight"), [(0, 0.3), (-1, 0.3), (1, 0), (1, -0.1), (1, 1.5)])
def test_impossible_chart_is_refused(sigma: float, weight: float) -> None:
    """Sigma and weight outside their ranges are refused."""
    with pytest.raises(Refused, match="sigma must be above 0"):
        ewma([1.0, 2.0], centre=0, sigma=sigma, weight=weight)


def test_three_readings_make_a_chart() -> None:
    """Three readings are enough: 1, 2, 4 have centre 7/3 and scatter 1.5/1.128."""
    chart = shewhart_individuals([1.0, 2.0, 4.0])
    assert (chart.centre, chart.sigma) == pytest.approx((7 / 3, 1.5 / 1.128))


def test_reading_on_the_limit_is_within() -> None:
    """A reading exactly on a limit of a chart is not beyond it: alternating 0 and 1 stay inside."""
    assert shewhart_individuals([0.0, 1.0] * 4).beyond == ()


def test_ewma_names_each_average_beyond() -> None:
    """After a jump of four sigmas the averages are 1.2, 2.04, 2.628; the limit at weight 0.3 is 1.26."""
    chart = ewma([4.0, 4.0, 4.0], centre=0, sigma=1)
    assert chart.averages == pytest.approx((1.2, 2.04, 2.628))
    assert chart.high == pytest.approx(3 * (0.3 / 1.7) ** 0.5)
    assert chart.beyond == (1, 2)


def test_ewma_of_weight_one_is_the_readings() -> None:
    """With weight 1 the average is the last reading and the limits are three sigmas."""
    chart = ewma([1.0, -2.0], centre=0, sigma=0.5, weight=1)
    assert (chart.averages, chart.low, chart.high) == ((1.0, -2.0), -1.5, 1.5)
