"""Groups of readings: what lies between them and what within."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import fdtrc, fdtri, stdtrit

from tracker.errors import Refused
from tracker.statistics.location import finite, sum_of_squares, summary


@dataclass(frozen=True)
class AnovaOneWay:
    """One-way analysis of variance.

    Attributes:
        ss_between: Sum of squares between groups, squared unit of the readings.
        df_between: Number of groups - 1.
        ss_within: Sum of squares within groups, squared unit of the readings.
        df_within: Number of readings - number of groups.
        f: Ratio of the mean squares; infinite where nothing scatters within.
        p: Probability of a larger ratio by chance.
        r_squared: Share of the total sum of squares that lies between groups.
        residual_sd: √(ss_within / df_within), unit of the readings.
    """

    ss_between: float
    df_between: int
    ss_within: float
    df_within: int
    f: float
    p: float
    r_squared: float
    residual_sd: float


@dataclass(frozen=True)
class VarianceComponents:
    """Repeatability and reproducibility of ISO 5725-2, unit of the readings.

    Attributes:
        mean: Mean of the group means, each weighted with its count.
        s_r: Standard deviation within a group (repeatability).
        s_l: Standard deviation between groups, net of s_r; zero where the estimate is negative.
        s_big_r: √(s_r² + s_l²) (reproducibility).
        r: Repeatability limit, 2.8 s_r.
        big_r: Reproducibility limit, 2.8 s_R.
        intraclass: s_l² / s_R², dimensionless; 0 where nothing scatters.
        f: F of the one-way analysis of variance, dimensionless.
        n0: Effective number of readings per group.
    """

    mean: float
    s_r: float
    s_l: float
    s_big_r: float
    r: float
    big_r: float
    intraclass: float
    f: float
    n0: float


@dataclass(frozen=True)
class MandelHK:
    """Consistency of groups between (h) and within (k), dimensionless.

    Attributes:
        h: For each group, (its mean - mean of means) ÷ sd of means; 0 where means agree.
        k: For each group, its sd ÷ the root mean square sd; 0 where nothing scatters.
        h_critical: What the size of h exceeds by chance with probability ``alpha`` (two-sided).
        k_critical: What k exceeds by chance with probability ``alpha``.
        alpha: That probability.
    """

    h: tuple[float, ...]
    k: tuple[float, ...]
    h_critical: float
    k_critical: float
    alpha: float


def _checked(groups: Sequence[Sequence[float]]) -> list[list[float]]:
    numbers = [finite(group, f"readings of group {i + 1}") for i, group in enumerate(groups)]
    if len(numbers) < 2 or sum(map(len, numbers)) <= len(numbers):  # noqa: PLR2004 - a comparison needs two
        raise Refused(
            "an analysis of variance",
            why="it needs two groups and a repeated reading",
            do="Test more pieces.",
        )
    # Taking one reading off all of them is exact where they share a large offset, and changes no square.
    offset = numbers[0][0]
    return [[value - offset for value in group] for group in numbers]


def anova_one_way(groups: Sequence[Sequence[float]]) -> AnovaOneWay:
    """Return the one-way analysis of variance of the groups.

    Args:
        groups: Readings of each group, all in one unit; sizes may differ, one reading each
            will not do.

    Raises:
        Refused: Fewer than two groups, no repeated reading, or a number that is not finite.
    """
    shifted = _checked(groups)
    n = sum(map(len, shifted))
    grand = math.fsum(value for group in shifted for value in group) / n
    means = [math.fsum(group) / len(group) for group in shifted]
    between = math.fsum(len(g) * (m - grand) ** 2 for g, m in zip(shifted, means, strict=True))
    within = math.fsum(sum_of_squares(g, m) for g, m in zip(shifted, means, strict=True))
    df_b, df_w = len(shifted) - 1, n - len(shifted)
    return _anova_from(between, df_b, within, df_w)


def _anova_from(between: float, df_b: int, within: float, df_w: int) -> AnovaOneWay:
    # Readings to one digit may agree wholly within each group; then the ratio has no finite value but the
    # answer is plain.
    f = math.inf if between > 0 else 0.0
    if within > 0:
        f = (between / df_b) / (within / df_w)
    p = 0.0 if math.isinf(f) else float(fdtrc(df_b, df_w, f))
    total = between + within
    share = between / total if total > 0 else 0.0
    return AnovaOneWay(between, df_b, within, df_w, f, p, share, math.sqrt(within / df_w))


def variance_components(groups: Sequence[Sequence[float]]) -> VarianceComponents:
    """Return ISO 5725-2's repeatability and reproducibility from groups of readings.

    s_r² = MS_within, s_L² = max(0, (MS_between - MS_within)/n0) with
    n0 = (N - Σn²/N)/(p - 1), s_R² = s_r² + s_L², limits 2.8 times these
    (ISO 5725-2:1994, 7.4; clause from memory). A group may be a laboratory, a rig,
    an operator or a plate.

    Raises:
        Refused: Fewer than two groups, no repeated reading, or a number that is not finite.
    """
    table = anova_one_way(groups)
    sizes = [len(group) for group in groups]
    n = sum(sizes)
    # Plates lose pieces, so groups differ in size; the plain mean size would overstate what unequal groups
    # can tell.
    n0 = (n - sum(size * size for size in sizes) / n) / (len(sizes) - 1)
    v_r = table.ss_within / table.df_within
    # Chance may make groups agree better than their own scatter allows; a variance stays at zero then.
    v_l = max(0.0, (table.ss_between / table.df_between - v_r) / n0)
    s_r, s_big_r = math.sqrt(v_r), math.sqrt(v_r + v_l)
    mean = math.fsum(value for group in groups for value in group) / n
    share = v_l / (v_r + v_l) if v_r + v_l > 0 else 0.0
    return VarianceComponents(
        mean, s_r, math.sqrt(v_l), s_big_r, 2.8 * s_r, 2.8 * s_big_r, share, table.f, n0
    )


def mandel_h_k(groups: Sequence[Sequence[float]], alpha: float = 0.005) -> MandelHK:
    """Return Mandel's h and k of groups of equal size (ASTM E691; ISO 5725-2, 7.3.1).

    h = d/s_x̄ and k = s/s_r, with s_r² the mean of the groups' variances.
    Critical values at 0.5 % as in ASTM E691 (from memory):
    h = (p-1)t/√(p(t²+p-2)), t at 1 - alpha/2 on p - 2;
    k = √(p/(1+(p-1)/F)), F at 1 - alpha on n - 1 and (p-1)(n-1).

    Raises:
        Refused: Fewer than three groups, sizes that differ or are below two, or a number
            that is not finite.
    """
    sizes = {len(group) for group in groups}
    if len(groups) < 3 or len(sizes) != 1 or min(sizes) < 2:  # noqa: PLR2004 - h has p - 2 degrees of freedom
        raise Refused(
            "h and k",
            why="they need three or more groups of equal size, two or more each",
            do="Leave the odd ones out.",
        )
    means = [summary(group).mean for group in groups]
    spreads = [summary(group).sd or 0.0 for group in groups]
    centre = summary(means)
    s_r = math.sqrt(math.fsum(s * s for s in spreads) / len(spreads))
    h = _divided([mean - centre.mean for mean in means], centre.sd)
    critical = _mandel_critical(len(groups), sizes.pop(), alpha)
    return MandelHK(h, _divided(spreads, s_r), *critical, alpha)


def _divided(numbers: list[float], by: float | None) -> tuple[float, ...]:
    """Return each number ÷ ``by``; where nothing scatters all are alike, and zero says so."""
    return tuple(number / by if by else 0.0 for number in numbers)


def _mandel_critical(p: int, n: int, alpha: float) -> tuple[float, float]:
    t = float(stdtrit(p - 2, 1 - alpha / 2))
    f = float(fdtri(n - 1, (p - 1) * (n - 1), 1 - alpha))
    return (p - 1) * t / math.sqrt(p * (t * t + p - 2)), math.sqrt(p / (1 + (p - 1) / f))
