"""Groups of readings (laboratories, plates): what lies between them and what within, by ISO 5725-2."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from scipy.special import fdtrc, fdtri, stdtrit

from tracker.errors import Refused
from tracker.statistics.one_group import OutlierHint, finite, grubbs, sum_of_squares, summary


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
class CochranHint:
    """How much of all within-group variance one group holds.

    Attributes:
        index: Position of the group with the largest variance.
        statistic: Cochran's C, largest variance ÷ sum of variances.
        critical: What chance exceeds with probability ``alpha``.
        alpha: That probability.
        is_outlier: True where ``statistic`` exceeds ``critical``.
    """

    index: int
    statistic: float
    critical: float
    alpha: float
    is_outlier: bool


@dataclass(frozen=True)
class MandelHK:
    """Consistency of groups between (h) and within (k), dimensionless.

    Attributes:
        h: For each group, (its mean - general mean) ÷ sd of means; 0 where means agree.
        k: For each group, its sd ÷ the root mean square sd; 0 where nothing scatters, None for one reading.
        h_critical: What the size of h exceeds by chance with probability ``alpha`` (two-sided).
        k_critical: For each group, what k exceeds by chance with probability ``alpha``.
        alpha: That probability.
    """

    h: tuple[float, ...]
    k: tuple[float | None, ...]
    h_critical: float
    k_critical: tuple[float | None, ...]
    alpha: float


@dataclass(frozen=True)
class Precision:
    """A precision experiment by ISO 5725-2: one level, p laboratories (or benches, plates, operators).

    Attributes:
        names: The laboratories, in the order given.
        counts: Readings of each.
        means: Their means.
        components: Repeatability and reproducibility.
        mandel: h and k with critical values at 1 %; the same at 5 % in ``mandel_5``.
        mandel_5: See ``mandel``.
        cochran: The test of the largest variance at 1 % (outlier); at 5 % (straggler) in ``cochran_5``.
        cochran_5: See ``cochran``.
        grubbs: The test of the farthest mean at 1 %; at 5 % in ``grubbs_5``.
        grubbs_5: See ``grubbs``.
    """

    names: tuple[str, ...]
    counts: tuple[int, ...]
    means: tuple[float, ...]
    components: VarianceComponents
    mandel: MandelHK
    mandel_5: MandelHK
    cochran: CochranHint
    cochran_5: CochranHint
    grubbs: OutlierHint
    grubbs_5: OutlierHint


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
    """Return Mandel's h and k of groups (ISO 5725-2, 7.3.1; ASTM E691).

    h_i = (ȳ_i - ȳ)/√(Σ(ȳ_i - ȳ)²/(p-1)) with ȳ the mean of the means; k_i = s_i/√(Σs²/p). Critical values
    (from memory; at 0.5 % as tabled by ASTM E691, at 1 and 5 % by ISO 5725-2):
    h = (p-1)t/√(p(t²+p-2)), t at 1 - alpha/2 on p - 2;
    k = √(p/(1+(p-1)/F)), F at 1 - alpha on n - 1 and (p-1)(n-1), with n the group's own count.

    Raises:
        Refused: Fewer than three groups, none with two readings, or a number that is not finite.
    """
    facts = [summary(group) for group in groups]
    spreads = [each.sd for each in facts]
    known = [sd for sd in spreads if sd is not None]
    if len(groups) < 3 or not known:  # noqa: PLR2004 - h has p - 2 degrees of freedom
        raise Refused(
            "h and k", why="they need three or more groups and repeated readings", do="Test at more benches."
        )
    p = len(groups)
    centre = summary([each.mean for each in facts])
    s_r = math.sqrt(math.fsum(s * s for s in known) / len(known))
    h = tuple((each.mean - centre.mean) / centre.sd if centre.sd else 0.0 for each in facts)
    # Where nothing scatters all groups are alike, and zero says so.
    k = tuple(None if sd is None else (sd / s_r if s_r else 0.0) for sd in spreads)
    t = float(stdtrit(p - 2, 1 - alpha / 2))
    h_critical = (p - 1) * t / math.sqrt(p * (t * t + p - 2))
    return MandelHK(h, k, h_critical, tuple(_k_critical(p, each.n, alpha) for each in facts), alpha)


def _k_critical(p: int, n: int, alpha: float) -> float | None:
    if n == 1:
        return None
    f = float(fdtri(n - 1, (p - 1) * (n - 1), 1 - alpha))
    return math.sqrt(p / (1 + (p - 1) / f))


def cochran(groups: Sequence[Sequence[float]], alpha: float = 0.05) -> CochranHint:
    """Return Cochran's hint on the group that scatters most.

    C = s_max²/Σs², critical 1/(1 + (p-1)/F) with F at 1 - alpha/p on n - 1 and
    (p-1)(n-1) degrees of freedom (ISO 5725-2; formula from memory). Where group
    sizes differ, their mean, rounded, stands for n, as ISO 5725-2 allows for small differences.

    Raises:
        Refused: Fewer than two groups, an empty group or a group of one, a number that is
            not finite, or no scatter in any.
    """
    spreads = [summary(group).sd for group in groups]
    known = [sd**2 for sd in spreads if sd is not None]
    if len(groups) < 2 or len(known) < len(groups) or not any(known):  # noqa: PLR2004 - a comparison needs two
        raise Refused(
            "Cochran's hint", why="it needs two groups of two or more that scatter", do="Test more pieces."
        )
    p, n = len(groups), round(sum(map(len, groups)) / len(groups))
    statistic = max(known) / math.fsum(known)
    f = float(fdtri(n - 1, (p - 1) * (n - 1), 1 - alpha / p))
    critical = 1 / (1 + (p - 1) / f)
    return CochranHint(known.index(max(known)), statistic, critical, alpha, statistic > critical)


def precision(laboratories: Mapping[str, Sequence[float]]) -> Precision:
    """Return what ISO 5725-2 states of one level of a precision experiment.

    Nothing is left out: whether a laboratory that a test points at is kept is a person's decision, who then
    asks again without it.

    Args:
        laboratories: Name to its readings, all of one material and in one unit; three laboratories or more.

    Raises:
        Refused: Fewer than three laboratories, one with a single reading, a number that is not finite, or
            readings that do not scatter.
    """
    groups = list(laboratories.values())
    facts = [summary(group) for group in groups]
    means = [each.mean for each in facts]
    return Precision(
        names=tuple(laboratories),
        counts=tuple(each.n for each in facts),
        means=tuple(means),
        components=variance_components(groups),
        mandel=mandel_h_k(groups, 0.01),
        mandel_5=mandel_h_k(groups, 0.05),
        cochran=cochran(groups, 0.01),
        cochran_5=cochran(groups, 0.05),
        grubbs=grubbs(means, 0.01),
        grubbs_5=grubbs(means, 0.05),
    )
