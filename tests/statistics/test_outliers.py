"""Hints on readings and groups that stand apart, against published examples."""

from __future__ import annotations

import numpy as np
import pytest

from tests.statistics.certified import SULFUR_2
from tracker.errors import Refused
from tracker.statistics import cochran, dixon, grubbs

_URANIUM = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
_DIXON = [0.189, 0.167, 0.187, 0.183, 0.186, 0.182, 0.181, 0.184, 0.181, 0.177]


def test_grubbs_agrees_with_the_handbook() -> None:
    """e-Handbook 1.3.5.17: G 2.4687, one-sided critical 2.032."""
    found = grubbs(_URANIUM, sides=1)
    assert found.statistic == pytest.approx(2.46876, abs=1e-5)
    assert found.critical == pytest.approx(2.03165, abs=1e-5)
    assert found.stands_apart
    assert found.value == 245.57


@pytest.mark.parametrize(
    ("n", "critical"),
    [(3, 1.1543), (4, 1.4813), (5, 1.7150), (6, 1.8871), (7, 2.0200), (8, 2.1266), (9, 2.2150), (10, 2.2900)],
)
def test_grubbs_critical_values(n: int, critical: float) -> None:
    """Two-sided 5 % critical values for 3 to 10 readings."""
    assert grubbs(list(range(n))).critical == pytest.approx(critical, abs=5e-5)


def test_grubbs_finds_a_low_reading() -> None:
    """A reading far below is found as well as one far above."""
    assert grubbs([10.0, 10.1, 9.9, 10.05, 5.0]).index == 4


@pytest.mark.parametrize("values", [[1.0, 2.0], [3.0, 3.0, 3.0]])
def test_grubbs_refuses_what_it_cannot_judge(values: list[float]) -> None:
    """Two readings, or three equal ones, give no hint."""
    with pytest.raises(Refused):
        grubbs(values)


def test_dixon_agrees_with_the_example() -> None:
    """Q 0.4545: beyond the 90 % value 0.412, within the 95 % value 0.466."""
    assert dixon(_DIXON).statistic == pytest.approx(0.4545, abs=5e-5)
    assert not dixon(_DIXON).stands_apart
    assert dixon(_DIXON, alpha=0.10).stands_apart
    assert dixon(_DIXON).value == 0.167


@pytest.mark.parametrize("values", [[1.0, 2.0], list(range(11)), [2.0, 2.0, 2.0]])
def test_dixon_refuses_beyond_its_table(values: list[float]) -> None:
    """Fewer than 3, more than 10, or equal readings are refused."""
    with pytest.raises(Refused):
        dixon(values)


def test_cochran_critical_value_agrees_with_the_table() -> None:
    """Table of Cochran's test (ISO 5725-2, from memory): p 8, n 3, 5 %: 0.516; p 5, n 2: 0.841."""
    eight = [[0.0, 1.0, 2.0]] * 7 + [[0.0, 2.0, 4.0]]
    assert cochran(eight).critical == pytest.approx(0.516, abs=5e-4)
    assert cochran([[0.0, 1.0]] * 4 + [[0.0, 2.0]]).critical == pytest.approx(0.841, abs=5e-4)


def test_cochran_names_the_widest_group() -> None:
    """The group with the largest variance is named."""
    found = cochran(SULFUR_2)
    assert found.index == 4
    assert not found.stands_apart


def test_cochran_refuses_single_readings() -> None:
    """A group of one has no variance to compare."""
    with pytest.raises(Refused):
        cochran([[1.0], [1.0, 2.0]])


@pytest.mark.parametrize("alpha", [0.05, 0.10])
@pytest.mark.parametrize("n", range(3, 11))
def test_dixon_table_agrees_with_normal_readings(n: int, alpha: float) -> None:
    """Of 200,000 simulated sets of n normal readings the share beyond the tabled value is alpha."""
    draws = np.sort(np.random.default_rng(n).normal(size=(200_000, n)), axis=1)
    gaps = np.maximum(draws[:, 1] - draws[:, 0], draws[:, -1] - draws[:, -2])
    beyond = gaps / (draws[:, -1] - draws[:, 0]) > dixon(list(range(n)), alpha).critical
    # A last digit of the table moves the share by up to 0.0013; simulation adds 0.0007.
    assert beyond.mean() == pytest.approx(alpha, abs=0.003)


@pytest.mark.parametrize(("values", "index"), [([9.0, 1.0, 9.2, 9.1], 1), ([1.0, 9.0, 1.2, 1.1], 1)])
def test_dixon_points_at_the_farther_end(values: list[float], index: int) -> None:
    """The end with the wider gap is named by its place, low or high."""
    assert dixon(values).index == index


def test_dixon_statistic_is_gap_over_range() -> None:
    """0, 1, 2, 10: the gap is 8 and the range 10."""
    assert dixon([0.0, 1.0, 2.0, 10.0]).statistic == pytest.approx(0.8)


def test_cochran_compares_two_groups() -> None:
    """Table of Cochran's test (ISO 5725-2, from memory): p 2, n 3, 5 %: 0.975."""
    found = cochran([[0.0, 1.0, 2.0], [0.0, 3.0, 6.0]])
    assert found.critical == pytest.approx(0.975, abs=5e-4)
    assert found.index == 1
    assert found.statistic == pytest.approx(0.9)


def test_cochran_points_beyond_its_critical_value() -> None:
    """A group that holds 99 % of all variance stands apart."""
    assert cochran([[0.0, 1.0, 2.0], [0.0, 10.0, 20.0]]).stands_apart


def test_cochran_rounds_the_mean_size() -> None:
    """Groups of two, three and three are judged as groups of three."""
    equal = cochran([[0.0, 1.0, 2.0]] * 3)
    assert cochran([[0.0, 1.0], [0.0, 1.0, 2.0], [0.0, 1.0, 2.0]]).critical == equal.critical


@pytest.mark.parametrize("groups", [[[1.0, 2.0]], [[1.0, 1.0], [2.0, 2.0]]])
def test_cochran_refuses_what_it_cannot_compare(groups: list[list[float]]) -> None:
    """One group, or groups without scatter, are refused."""
    with pytest.raises(Refused):
        cochran(groups)
