"""Analysis of variance, repeatability and consistency against certified and published values."""

from __future__ import annotations

import csv
import math

import pytest

from tests.realdata import real_data
from tests.statistics.certified import GLUCOSE, SIRSTV, SULFUR_1, SULFUR_2, digits, glucose, strd_anova
from tracker.errors import Refused
from tracker.statistics import anova_one_way, mandel_h_k, precision, variance_components


def test_sirstv_agrees_with_certificate() -> None:
    """StRD SiRstv: every certified figure to at least 8 digits."""
    found = anova_one_way(SIRSTV)
    assert digits(found.ss_between, 5.11462616e-02) >= 8
    assert digits(found.ss_within, 2.1663656e-01) >= 8
    assert digits(found.f, 1.18046237440255) >= 10
    assert digits(found.r_squared, 0.190999039051129) >= 10
    assert digits(found.residual_sd, 0.104076068334656) >= 10
    assert (found.df_between, found.df_within) == (4, 20)


@pytest.mark.parametrize("name", ["AtmWtAg", "SmLs01", "SmLs02", "SmLs03", "SmLs04", "SmLs05", "SmLs06"])
def test_strd_sets_agree_with_certificate(name: str) -> None:
    """StRD sets with offsets up to a million: F to at least 8 digits."""
    groups, certified = strd_anova(name)
    assert digits(anova_one_way(groups).f, certified["f"]) >= 8


@pytest.mark.parametrize("name", ["SmLs07", "SmLs08", "SmLs09"])
def test_strd_sets_at_the_limit_of_doubles(name: str) -> None:
    """With thirteen leading digits in common the doubles themselves hold three to four digits of F."""
    groups, certified = strd_anova(name)
    assert digits(anova_one_way(groups).f, certified["f"]) >= 2


def test_handbook_example() -> None:
    """e-Handbook 7.4.3.3 (from memory, reproduced): F 9.59, p 0.003248."""
    groups = [[6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0, 10.5, 8.1, 6.9, 9.3]]
    found = anova_one_way(groups)
    assert found.ss_within == pytest.approx(17.452, abs=5e-4)
    assert found.f == pytest.approx(9.59111, abs=5e-6)
    assert found.p == pytest.approx(0.003248, abs=5e-7)


def test_tensile_textbook_example() -> None:
    """Montgomery's fibre data: sums of squares 475.76 and 161.20, F 14.76."""
    groups = [
        [7, 7, 15, 11, 9],
        [12, 17, 12, 18, 18],
        [14, 18, 18, 19, 19],
        [19, 25, 22, 19, 23],
        [7, 10, 11, 15, 11],
    ]
    found = anova_one_way(groups)
    assert found.ss_between == pytest.approx(475.76)
    assert found.ss_within == pytest.approx(161.20)
    assert found.f == pytest.approx(14.75682, abs=5e-6)


@pytest.mark.parametrize(
    ("groups", "mean", "s_r", "s_big_r"),
    [(SULFUR_1, 0.69037, 0.01512, 0.02636), (SULFUR_2, 1.25231, 0.02878, 0.06061)],
)
def test_sulfur_example(
    groups: tuple[tuple[float, ...], ...], mean: float, s_r: float, s_big_r: float
) -> None:
    """ISO 5725-2 annex B.1, sulfur in coal, levels 1 and 2 (from memory, reproduced)."""
    found = variance_components(groups)
    assert found.mean == pytest.approx(mean, abs=5e-6)
    assert found.s_r == pytest.approx(s_r, abs=5e-6)
    assert found.s_big_r == pytest.approx(s_big_r, abs=5e-6)
    assert found.r == pytest.approx(2.8 * found.s_r)


@pytest.mark.parametrize(
    ("material", "mean", "s_r", "s_big_r"),
    [
        ("A", 41.5183, 1.0632, 1.0632),
        ("B", 79.6796, 1.4949, 1.5796),
        ("D", 194.7170, 2.6251, 3.3657),
        ("E", 294.4920, 3.9350, 4.1923),
    ],
)
def test_glucose_example(material: str, mean: float, s_r: float, s_big_r: float) -> None:
    """ASTM E691 glucose levels: mean, s_r and s_R as printed (from memory, reproduced)."""
    found = variance_components(glucose(material))
    assert found.mean == pytest.approx(mean, abs=1.1e-4)
    assert found.s_r == pytest.approx(s_r, abs=5e-5)
    assert found.s_big_r == pytest.approx(s_big_r, abs=5e-5)


def test_mandel_critical_values() -> None:
    """ASTM E691 at 0.5 %: eight laboratories, three readings: h 2.15, k 2.06 (from memory, reproduced)."""
    found = mandel_h_k(glucose("A"))
    assert found.h_critical == pytest.approx(2.15, abs=5e-3)
    assert found.k_critical == pytest.approx((2.06,) * 8, abs=5e-3)


def test_mandel_points_at_the_wide_laboratory() -> None:
    """Glucose E, laboratory 2 with its 309.40: k 2.33, beyond the critical value."""
    found = mandel_h_k(glucose("E"))
    assert found.k[1] == pytest.approx(2.33, abs=5e-3)
    assert found.k[1] is not None
    assert found.k_critical[1] is not None
    assert found.k[1] > found.k_critical[1]
    assert max(map(abs, found.h)) < found.h_critical


@pytest.mark.parametrize("material", GLUCOSE)
def test_mandel_identities(material: str) -> None:
    """Mandel's h sums to zero, its squares to p - 1; the squares of k sum to p."""
    found = mandel_h_k(glucose(material))
    assert sum(found.h) == pytest.approx(0, abs=1e-9)
    assert sum(h * h for h in found.h) == pytest.approx(7)
    assert sum(k * k for k in found.k if k is not None) == pytest.approx(8)


def test_negative_component_is_zero() -> None:
    """Groups whose means agree better than chance have s_L = 0, not a root of a negative."""
    found = variance_components([[1.0, 3.0], [3.0, 1.0], [1.0, 3.0]])
    assert (found.s_l, found.intraclass) == (0, 0)
    assert found.s_big_r == found.s_r


def test_no_scatter_within_gives_infinite_f() -> None:
    """Groups that differ without scatter have F infinite and p zero."""
    found = anova_one_way([[1.0, 1.0], [2.0, 2.0]])
    assert math.isinf(found.f)
    assert found.p == 0


def test_no_scatter_at_all_gives_zero_f() -> None:
    """Readings that are all equal have F zero and p one."""
    found = anova_one_way([[1.0, 1.0], [1.0, 1.0]])
    assert (found.f, found.p, found.r_squared) == (0, 1, 0)


@pytest.mark.parametrize(
    "groups", [[], [[1.0, 2.0]], [[1.0], [2.0]], [[1.0, math.nan], [2.0, 3.0]], [[], [1.0, 2.0]]]
)
def test_anova_refuses_what_has_no_repeats(groups: list[list[float]]) -> None:
    """One group, no repeats, an empty group or NaN are refused."""
    with pytest.raises(Refused, match=r"repeated reading|not a finite number|no readings of group 1"):
        anova_one_way(groups)


@pytest.mark.parametrize("groups", [[[1, 2], [1, 2]], [[1], [2], [3]]])
def test_mandel_refuses_too_few_groups(groups: list[list[float]]) -> None:
    """Mandel's figures want three groups, and a repeated reading somewhere."""
    with pytest.raises(Refused, match="h and k: they need three or more groups"):
        mandel_h_k(groups)


def test_crushed_designs() -> None:
    """600 printed designs crushed three times each: F 12.516471, intraclass 0.793338, s_r 5.302645."""
    designs: dict[tuple[str, ...], list[float]] = {}
    with real_data("crushed", "crossed_barrel_dataset.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            key = (row["n"], row["theta"], row["r"], row["t"])
            designs.setdefault(key, []).append(float(row["toughness"]))
    found = variance_components(list(designs.values()))
    assert len(designs) == 600
    assert found.f == pytest.approx(12.516471, abs=5e-7)
    assert found.intraclass == pytest.approx(0.793338, abs=5e-7)
    assert found.s_r == pytest.approx(5.302645, abs=5e-7)


def test_refusal_counts_groups_from_one() -> None:
    """The second group is called group 2."""
    with pytest.raises(Refused, match="group 2"):
        anova_one_way([[1.0, 2.0], [math.inf, 1.0]])


def test_first_group_may_hold_one_reading() -> None:
    """[[1], [1, 3]] has between 2/3 and within 2, each on one degree of freedom."""
    found = anova_one_way([[1.0], [1.0, 3.0]])
    assert (found.ss_between, found.ss_within) == pytest.approx((2 / 3, 2.0))
    assert (found.df_between, found.df_within) == (1, 1)


def test_effective_size_of_unequal_groups() -> None:
    """Groups of 1 and 3 have n0 = (4 - 10/4)/1 = 1.5."""
    assert variance_components([[1.0], [1.0, 2.0, 3.0]]).n0 == pytest.approx(1.5)


def test_reproducibility_limit_is_2_8_deviations() -> None:
    """R is 2.8 s_R (ISO 5725-6: 1.96 √2, rounded), and s_R² = s_r² + s_L²."""
    found = variance_components(SULFUR_1)
    assert found.big_r == pytest.approx(2.8 * found.s_big_r)
    assert found.s_big_r**2 == pytest.approx(found.s_r**2 + found.s_l**2)
    assert found.intraclass == pytest.approx(found.s_l**2 / found.s_big_r**2)


def test_mandel_takes_three_groups_of_two() -> None:
    """The least that has h and k: three groups of two; the middle one has h 0, equal spreads have k 1."""
    found = mandel_h_k([[1, 2], [2, 3], [3, 4]])
    assert found.h == pytest.approx((-1, 0, 1))
    assert found.k == pytest.approx((1, 1, 1))


def test_mandel_of_equal_readings_is_zero() -> None:
    """Where nothing scatters, h and k are zero and not a division by zero."""
    found = mandel_h_k([[1, 1]] * 3)
    assert (found.h, found.k) == ((0, 0, 0), (0, 0, 0))


def test_mandel_of_unequal_laboratories() -> None:
    """Each laboratory's k is judged by its own count, as ISO 5725-2 tables it (sulfur in coal, level 1)."""
    found = mandel_h_k(SULFUR_1, 0.01)
    assert found.h_critical == pytest.approx(2.06, abs=6e-3)
    # ISO 5725-2, table of h and k at 1 %, p 8: k 1.96 and 1.81 for n 3 and 4 (from memory).
    sizes = {len(group): k for group, k in zip(SULFUR_1, found.k_critical, strict=True)}
    assert [sizes[n] for n in (3, 4)] == pytest.approx([1.96, 1.81], abs=6e-3)


def test_precision_of_sulfur_in_coal() -> None:
    """ISO 5725-2 annex B.1, level 2: m 1.252, s_r 0.029, s_R 0.061, no outlier or straggler (from memory)."""
    found = precision({f"laboratory {i + 1}": group for i, group in enumerate(SULFUR_2)})
    assert found.components.mean == pytest.approx(1.252, abs=5e-4)
    assert found.components.s_r == pytest.approx(0.029, abs=5e-4)
    assert found.components.s_big_r == pytest.approx(0.061, abs=5e-4)
    assert not found.cochran_5.is_outlier
    assert found.grubbs.critical == pytest.approx(2.274, abs=5e-4)
    assert found.names[found.grubbs_5.index] == "laboratory 6"
    assert not found.grubbs.is_outlier


def test_precision_refuses_two_laboratories() -> None:
    """Two laboratories have no Mandel's h."""
    with pytest.raises(Refused, match="h and k: they need three or more groups"):
        precision({"a": [1.0, 2.0], "b": [2.0, 3.0]})
