"""Mean, spread and interval against certified values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.statistics.certified import digits
from tracker.errors import Refused
from tracker.statistics import MaterialMean, PlateSums, material_means, summary

# NIST StRD univariate sets; construction and certified values as quoted in the sources file.
_LARGE_OFFSETS = {
    "NumAcc1": ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0),
    "NumAcc2": ([1.2] + [1.1, 1.3] * 500, 1.2, 0.1),
    "NumAcc3": ([1000000.2] + [1000000.1, 1000000.3] * 500, 1000000.2, 0.1),
    "NumAcc4": ([10000000.2] + [10000000.1, 10000000.3] * 500, 10000000.2, 0.1),
}


@pytest.mark.parametrize("name", _LARGE_OFFSETS)
def test_mean_agrees_with_certificate(name: str) -> None:
    """The mean of a StRD set agrees to at least 14 digits."""
    values, mean, _ = _LARGE_OFFSETS[name]
    assert digits(summary(values).mean, mean) >= 14


@pytest.mark.parametrize("name", _LARGE_OFFSETS)
def test_spread_agrees_with_certificate(name: str) -> None:
    """The standard deviation of a StRD set agrees to at least 8 digits, large offsets included."""
    values, _, sd = _LARGE_OFFSETS[name]
    assert digits(summary(values).sd or 0.0, sd) >= 8


def test_one_pass_variance_has_no_digits() -> None:
    """The one-pass formula, which we do not use, has no correct digit on a set with a large offset."""
    values, _, sd = _LARGE_OFFSETS["NumAcc4"]
    n = len(values)
    one_pass = (sum(v * v for v in values) - sum(values) ** 2 / n) / (n - 1)
    assert digits(math.sqrt(abs(one_pass)), sd) < 1


def interval(values: list[float], level: float = 0.95) -> MaterialMean:
    """Return the mean of single pieces, one a plate: Student's interval of the readings."""
    return material_means(PlateSums.of([[[value] for value in values]]), 1, level=level)[0]


def test_two_readings_have_a_wide_interval() -> None:
    """Two readings give an interval, 37.1 ± 11.4356, with one degree of freedom."""
    facts = interval([36.2, 38.0])
    assert facts.nu == 1.0
    assert facts.low == pytest.approx(37.1 - 11.4356, abs=1e-4)
    assert facts.high == pytest.approx(37.1 + 11.4356, abs=1e-4)


def test_interval_agrees_with_the_handbook() -> None:
    """ZARR13 (e-Handbook 1.3.5.2): [9.258242, 9.264679] from its n, mean and sd."""
    n, mean, sd = 195, 9.261460, 0.022789
    # Half the readings on either side at the distance that gives exactly this sd; one at the mean.
    step = sd * math.sqrt((n - 1) / (n - 1))
    facts = interval([mean] + [mean - step, mean + step] * ((n - 1) // 2))
    assert facts.low == pytest.approx(9.258242, abs=2e-6)
    assert facts.high == pytest.approx(9.264679, abs=2e-6)


@pytest.mark.parametrize("values", [[], [math.nan], [1.0, math.inf]])
def test_unusable_readings_are_refused(values: list[float]) -> None:
    """No readings, NaN and infinity are refused in words."""
    with pytest.raises(Refused, match=r"among the readings: not a finite number|no readings"):
        summary(values)


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=30), st.floats(-1e3, 1e3))
def test_shift_moves_mean_and_leaves_spread(values: list[float], shift: float) -> None:
    """Adding a number to every reading adds it to the mean and leaves the spread."""
    before, after = summary(values), summary(v + shift for v in values)
    assert after.mean == pytest.approx(before.mean + shift, abs=1e-8)
    assert after.sd == pytest.approx(before.sd, abs=1e-6)


def test_summary_keeps_the_extremes() -> None:
    """Least and greatest reading are kept apart."""
    facts = summary([2.0, 5.0, 1.0])
    assert (facts.n, facts.low, facts.high) == (3, 1.0, 5.0)


def test_equal_readings_have_no_spread() -> None:
    """Rounding leaves no hair of a spread, nor a root of a negative, among equal readings."""
    assert summary([0.1] * 7).sd == 0


@pytest.mark.parametrize("level", [0.0, 1.0, 95.0])
def test_an_impossible_level_is_refused(level: float) -> None:
    """0 and 1 are no levels, nor is 95 in place of 0.95."""
    with pytest.raises(ValueError, match="not between 0 and 1"):
        interval([1.0, 2.0], level=level)


def test_interval_widens_with_the_level() -> None:
    """Student's t on 4 degrees of freedom is 2.7764 at 95 % and 4.6041 at 99 % (any table of t)."""
    readings = [1.0, 2.0, 3.0, 4.0, 5.0]
    half = math.sqrt(2.5 / 5)
    assert interval(readings).high == pytest.approx(3 + 2.7764 * half, abs=1e-4)
    assert interval(readings, level=0.99).high == pytest.approx(3 + 4.6041 * half, abs=1e-4)
