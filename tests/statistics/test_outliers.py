"""Hints on readings and groups that stand apart, against published examples."""

from __future__ import annotations

import numpy as np
import pytest

from tests.statistics.certified import SULFUR_2
from tracker.errors import Refused
from tracker.statistics import cochran, grubbs, plate_outlier, resolution_of

_URANIUM = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]


def test_grubbs_agrees_with_the_handbook() -> None:
    """e-Handbook 1.3.5.17: G 2.4687, one-sided critical 2.032."""
    found = grubbs(_URANIUM, sides=1)
    assert found.statistic == pytest.approx(2.46876, abs=1e-5)
    assert found.critical == pytest.approx(2.03165, abs=1e-5)
    assert found.is_outlier
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
    with pytest.raises(Refused, match="needs three readings that scatter"):
        grubbs(values)


def test_cochran_critical_value_agrees_with_the_table() -> None:
    """Table of Cochran's test (ISO 5725-2, from memory): p 8, n 3, 5 %: 0.516; p 5, n 2: 0.841."""
    eight = [[0.0, 1.0, 2.0]] * 7 + [[0.0, 2.0, 4.0]]
    assert cochran(eight).critical == pytest.approx(0.516, abs=5e-4)
    assert cochran([[0.0, 1.0]] * 4 + [[0.0, 2.0]]).critical == pytest.approx(0.841, abs=5e-4)


def test_cochran_names_the_widest_group() -> None:
    """The group with the largest variance is named."""
    found = cochran(SULFUR_2)
    assert found.index == 4
    assert not found.is_outlier


def test_cochran_refuses_single_readings() -> None:
    """A group of one has no variance to compare."""
    with pytest.raises(Refused, match="two groups of two or more that scatter"):
        cochran([[1.0], [1.0, 2.0]])


def test_cochran_compares_two_groups() -> None:
    """Table of Cochran's test (ISO 5725-2, from memory): p 2, n 3, 5 %: 0.975."""
    found = cochran([[0.0, 1.0, 2.0], [0.0, 3.0, 6.0]])
    assert found.critical == pytest.approx(0.975, abs=5e-4)
    assert found.index == 1
    assert found.statistic == pytest.approx(0.9)


def test_cochran_points_beyond_its_critical_value() -> None:
    """A group that holds 99 % of all variance stands apart."""
    assert cochran([[0.0, 1.0, 2.0], [0.0, 10.0, 20.0]]).is_outlier


def test_cochran_rounds_the_mean_size() -> None:
    """Groups of two, three and three are judged as groups of three."""
    equal = cochran([[0.0, 1.0, 2.0]] * 3)
    assert cochran([[0.0, 1.0], [0.0, 1.0, 2.0], [0.0, 1.0, 2.0]]).critical == equal.critical


@pytest.mark.parametrize("groups", [[[1.0, 2.0]], [[1.0, 1.0], [2.0, 2.0]]])
def test_cochran_refuses_what_it_cannot_compare(groups: list[list[float]]) -> None:
    """One group, or groups without scatter, are refused."""
    with pytest.raises(Refused, match="two groups of two or more that scatter"):
        cochran(groups)


def test_of_one_plate_the_hint_is_grubbs() -> None:
    """Handbook's uranium data on one plate: G 2.4688, two-sided critical 2.1266."""
    found = plate_outlier([_URANIUM])
    assert found is not None
    assert found.statistic == pytest.approx(2.46876, abs=1e-5)
    assert found.critical == pytest.approx(2.12665, abs=1e-5)
    assert (found.plate, found.index, found.is_outlier) == (0, 7, True)


def test_plates_that_differ_are_no_outliers() -> None:
    """Two plates far apart have no outlying piece; within one of them a piece has."""
    apart = [[10.0, 10.13, 9.91, 10.04], [20.03, 19.95, 20.11, 19.98]]
    within = [[10.0, 10.13, 9.91, 10.04], [20.03, 19.95, 20.11, 17.02]]
    calm, found = plate_outlier(apart), plate_outlier(within)
    assert calm is not None
    assert not calm.is_outlier
    assert found is not None
    assert (found.plate, found.index, found.is_outlier) == (1, 3, True)


@pytest.mark.parametrize("sizes", [(3,), (4,), (5,), (6,), (7,), (8,), (9,), (10,), (3, 3), (2, 5)])
@pytest.mark.parametrize("step", [0.0, 1.0])
def test_false_alarms_with_rounded_readings(sizes: tuple[int, ...], step: float) -> None:
    """Readings exact, or rounded to their own scatter, raise a hint by chance in 7 % of groups at most."""
    rng = np.random.default_rng([*sizes, int(step)])
    alarms, rounds = 0, 1500
    for _ in range(rounds):
        plates = [rng.normal(50.0 + rng.uniform(), 1.0, n) for n in sizes]
        if step:
            plates = [np.round(plate / step) * step for plate in plates]
        found = plate_outlier([plate.tolist() for plate in plates])
        alarms += found is not None and found.is_outlier
    # Three standard errors of 1,500 draws at 5 % are 1.7 %.
    assert alarms / rounds <= 0.07


def test_a_true_outlier_is_seen_through_rounding() -> None:
    """Eight readings rounded to their scatter, one of them eight scatters off, raise the hint."""
    found = plate_outlier([[50, 51, 49, 50, 50, 51, 50, 58]])
    assert found is not None
    assert found.is_outlier


@pytest.mark.parametrize(
    ("values", "step"),
    [
        ([48.2, 47.5, 49.0], 0.1),
        ([48.0, 50.0, 44.0], 2.0),
        ([45.0, 50.0], 5.0),
        ([1 / 3, 2.0], 0.0),
        ([], 0.0),
    ],
)
def test_the_step_of_readings(values: list[float], step: float) -> None:
    """A decimal step that all readings are multiples of; none for computed numbers."""
    assert resolution_of(values) == pytest.approx(step)
