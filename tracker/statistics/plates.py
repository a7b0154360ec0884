"""Means of a material whose pieces come from plates: the plate is the unit.

Pieces of one plate share its day, spool and air, so eight pieces of two plates are not eight independent
results. Model: y_ij = m + u_j + e_ij with u_j ~ N(0, s_L²) from plate to plate and e_ij ~ N(0, s_r²) from
piece to piece (one-way random effects, ISO 5725-2). Each plate counts alike in the mean, since the variance
of a plate's mean, s_L² + s_r²/n_j, hangs little on its pieces wherever plates differ at all.

The interval is Student's about the mean of the plates' means. With the plates' means alone it would have
k - 1 degrees of freedom: exact for plates of equal size, of no use for two and impossible for one. What the
other materials of the book say of the same quantity is therefore added as so many degrees of freedom as it
is worth, which is Smyth's moderated variance (G. K. Smyth, Statistical Applications in Genetics and Molecular
Biology 3, 2004, Article 3): s² = (d₀ s₀² + (k-1) s²)/(d₀ + k - 1) with d₀ + k - 1 degrees of freedom. The
prior's d₀ falls with the scatter of the variances between materials, so a book whose materials differ in
their plate scatter says less. ``python -m tests.bench coverage`` shows how often such intervals hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, ndtri, stdtr, stdtrit

Array = NDArray[np.float64]
Basis = Literal["plates", "plates and book", "book", "assumed", "none"]

ASSUMED_RATIO: Final = (1.2, 0.7)
"""s_L / s_r assumed where the book repeated no plate: median, and standard deviation of the logarithm.

The prior of ``tracker.why``, so that table and explanation assume alike.
"""
_MOST_DF: Final = 20.0
"""More is never taken from other materials for s_r: their scatter is like this one's, not the same."""
_FEWEST_DF: Final = 3.0
"""Degrees of freedom of plate scatter that a book must have before one plate's interval rests on it."""
_ABOUT_ZERO: Final = 100.0
"""A variance above so many times the squared mean is that of readings about zero."""
_SPEAK_FOR_THEMSELVES: Final = 4
"""Plates from which on a material's own scatter is enough: borrowing gains little, and may mislead."""


@dataclass(frozen=True)
class PlateSums:
    """Pieces of k plates as sums; every array has shape (k,).

    Attributes:
        group: Which group (material, condition, quantity) each plate belongs to, from 0.
        n: Pieces of each plate, one or more.
        mean: Their mean, in the unit of the readings.
        within: Sum of squared deviations from that mean, unit squared.
    """

    group: NDArray[np.intp]
    n: Array
    mean: Array
    within: Array

    @classmethod
    def of(cls, groups: Sequence[Sequence[Sequence[float]]]) -> PlateSums:
        """Return the sums of groups of plates of readings.

        Raises:
            ValueError: A plate has no readings.
        """
        plates = [(i, np.array(plate, dtype=float)) for i, plates in enumerate(groups) for plate in plates]
        if any(not len(plate) for _, plate in plates):
            raise ValueError("a plate has no readings")
        return cls(
            group=np.array([i for i, _ in plates], dtype=np.intp),
            n=np.array([len(plate) for _, plate in plates], dtype=float),
            mean=np.array([plate.mean() for _, plate in plates]),
            within=np.array([((plate - plate.mean()) ** 2).sum() for _, plate in plates]),
        )


@dataclass(frozen=True)
class GroupSums:
    """Sums of g groups of plates; every array has shape (g,).

    Attributes:
        plates: Number of plates.
        pieces: Number of pieces.
        mean: Mean of the plates' means.
        between: Sum of squared deviations of the plates' means from it (plates - 1 degrees of freedom).
        within: Sum of squares within plates (pieces - plates degrees of freedom).
        share: Mean of 1/n over the plates: what of s_r² is in the variance of a plate's mean.
        squares: Sum of squares between plates weighted with their pieces, as ISO 5725-2 has it.
        n0: Effective pieces per plate of ISO 5725-2; 0 for one plate.
    """

    plates: Array
    pieces: Array
    mean: Array
    between: Array
    within: Array
    share: Array
    squares: Array
    n0: Array


def group_sums(sums: PlateSums, count: int) -> GroupSums:
    """Reduce plates to groups; ``count`` is the number of groups, each with a plate or more."""

    def total(weights: Array) -> Array:
        return np.bincount(sums.group, weights, minlength=count).astype(np.float64)

    plates, pieces = total(np.ones_like(sums.n)), total(sums.n)
    mean = total(sums.mean) / plates
    off = sums.mean - mean[sums.group]
    # About the mean of plates first: a weighted sum about zero would lose the digits of a small scatter.
    weighted = total(sums.n * off) / pieces
    squares = total(sums.n * off**2) - pieces * weighted**2
    with np.errstate(divide="ignore", invalid="ignore"):
        n0 = np.where(plates > 1, (pieces - total(sums.n**2) / pieces) / (plates - 1), 0.0)
    return GroupSums(
        plates, pieces, mean, total(off**2), total(sums.within), total(1.0 / sums.n) / plates, squares, n0
    )


@dataclass(frozen=True)
class MaterialMean:
    """Mean of a material under a condition, with an interval that holds for the material.

    Attributes:
        plates: Number of plates.
        pieces: Number of pieces.
        mean: Mean of the plates' means.
        s_r: Standard deviation from piece to piece within a plate; None without two pieces of one plate.
        s_l: From plate to plate, net of ``s_r`` (ISO 5725-2), zero where the estimate is negative; None for
            one plate, or where no plate has two pieces.
        expanded: U, half the width of the interval: k times the standard uncertainty; None where nothing
            says it.
        k: Coverage factor, Student's t; None for an interval that rests on an assumption.
        nu: Degrees of freedom; None where ``k`` is.
        basis: What the interval rests on: the ``plates``; ``plates and book`` where other materials lend
            their plate scatter; for one plate the ``book`` alone or ``assumed``; ``none`` without any.
    """

    plates: int
    pieces: int
    mean: float
    s_r: float | None
    s_l: float | None
    expanded: float | None
    k: float | None
    nu: float | None
    basis: Basis

    @property
    def low(self) -> float | None:
        """The lower limit of the interval; None without one."""
        return None if self.expanded is None else self.mean - self.expanded

    @property
    def high(self) -> float | None:
        """The upper limit of the interval; None without one."""
        return None if self.expanded is None else self.mean + self.expanded

    @property
    def u(self) -> float | None:
        """Standard uncertainty of the mean as one of the material, U / k; None without a k."""
        return None if self.expanded is None or self.k is None else self.expanded / self.k


@dataclass(frozen=True)
class _Pool:
    """What the other groups say of each of g groups; arrays of shape (g,), variances in its own unit squared.

    Attributes:
        piece: s_r², its own pieces included; 0 where nobody knows it.
        piece_df: Degrees of freedom of it.
        plate: Variance of a plate's mean, s_L² + s_r²/n.
        plate_df: What is known of that, in degrees of freedom; 0 for nothing.
    """

    piece: Array
    piece_df: Array
    plate: Array
    plate_df: Array


def material_means(
    sums: PlateSums, count: int, *, relative: bool = True, level: float = 0.95
) -> list[MaterialMean]:
    """Return the means of groups of one quantity, each with what the other groups say of the scatter.

    Args:
        sums: Plates of all groups.
        count: Number of groups; each has a plate or more.
        relative: Scatter is compared as a part of the mean (strengths and moduli of different materials);
            False for quantities whose zero is arbitrary, such as °C.
        level: Coverage probability.

    Raises:
        ValueError: A group has no plate, or ``level`` is not between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"level {level} is not between 0 and 1")
    if not count:
        return []
    groups = group_sums(sums, count)
    if not groups.plates.all():
        raise ValueError("a group has no plates")
    scale = groups.mean**2 if relative else np.ones(count)
    return _stated(groups, _pooled(groups, scale), level)


def _pooled(groups: GroupSums, scale: Array) -> _Pool:
    """Return what all *other* groups say to each: a group's own scatter must not count twice."""
    # Readings about zero have no relative scatter: such a group neither lends nor borrows.
    lends = groups.within + groups.between < _ABOUT_ZERO * scale * groups.pieces
    unit = np.where(lends, scale, 1.0)
    df_w = np.where(lends, groups.pieces - groups.plates, 0.0)
    df_b = np.where(lends, groups.plates - 1, 0.0)
    within, between = np.where(lends, groups.within / unit, 0.0), np.where(lends, groups.between / unit, 0.0)
    piece_df, plate_df = df_w.sum() - df_w, df_b.sum() - df_b
    piece = _ratio(within.sum() - within, piece_df)
    mean_square = _ratio(between.sum() - between, plate_df)
    # The share of s_r² in that mean square: other groups may have had more or fewer pieces on a plate.
    share = _ratio((df_b * groups.share).sum() - df_b * groups.share, plate_df)
    # Not cut off where s_L² comes out negative: kept at zero only, it would be too large on average.
    plate = np.maximum(mean_square + piece * (groups.share - share), piece * groups.share / 2)
    differ = _heterogeneity(df_b, between, np.maximum(plate, 1e-300))
    known = _ratio(np.ones_like(plate_df), differ + _ratio(np.ones_like(plate_df), plate_df))
    lent = np.where(lends, np.minimum(piece_df, _MOST_DF), 0.0)
    own_df = groups.pieces - groups.plates
    return _Pool(
        piece=_ratio(groups.within + lent * piece * unit, own_df + lent),
        piece_df=own_df + lent,
        plate=plate * unit,
        plate_df=np.where(lends & (plate_df > 0), known, 0.0),
    )


def _ratio(top: Array, below: Array) -> Array:
    return np.where(below > 0, np.maximum(top, 0.0) / np.where(below > 0, below, 1.0), 0.0)


_GRID: Final[Array] = np.array([3.0, 5.0, 8.0, 14.0, 25.0, 50.0])
_GRID_PRIOR: Final[Array] = np.array([1.0, 1.0, 1.5, 2.0, 2.0, 2.0])
"""Values of d₀ and their weights before any book is seen: materials scatter rather alike than not."""


def _heterogeneity(df_b: Array, between: Array, expected: Array) -> Array:
    """Return 1/d₀ of Smyth's prior for each group, from the other groups; small where they scatter alike.

    Given d₀ the mean square of a group is s₀² F(df, d₀), with s₀² (d₀ / (d₀ - 2)) the expected one. The
    likelihoods of the others weigh a grid of d₀; of so few groups no single estimate could be trusted.
    """
    told = (df_b > 0) & (expected > 0)
    x = np.where(told, _ratio(between, df_b * expected), 1.0)
    d1, d0 = np.where(told, df_b, 1.0)[:, None], _GRID[None, :]
    # Readings rounded alike may have no scatter at all between two plates; that is no proof of anything.
    f = np.clip(x, 1e-3, 1e6)[:, None] * d0 / (d0 - 2.0)
    log = (
        gammaln((d1 + d0) / 2) - gammaln(d1 / 2) - gammaln(d0 / 2) + d1 / 2 * np.log(d1 / d0)
        + (d1 / 2 - 1) * np.log(f) - (d1 + d0) / 2 * np.log1p(d1 * f / d0) + np.log(d0 / (d0 - 2.0))
    )  # fmt: skip
    log = np.where(told[:, None], log, 0.0)
    others = log.sum(axis=0) - log
    weight = _GRID_PRIOR * np.exp(others - others.max(axis=1, keepdims=True))
    return np.asarray((weight / _GRID).sum(axis=1) / weight.sum(axis=1))


def _stated(groups: GroupSums, pool: _Pool, level: float) -> list[MaterialMean]:
    """Put the groups' sums and what others say together into means with their intervals."""
    df_w, df_b = groups.pieces - groups.plates, groups.plates - 1
    least = np.where(df_b > 0, 1.0, _FEWEST_DF)
    borrow = (pool.plate_df >= least) & (groups.plates < _SPEAK_FOR_THEMSELVES)
    prior_df = np.where(borrow, pool.plate_df, 0.0)
    nu = df_b + prior_df
    u = np.sqrt(_ratio(groups.between + prior_df * pool.plate, nu) / groups.plates)
    factor = stdtrit(np.where(nu > 0, nu, 1.0), (1 + level) / 2)
    assume = (nu == 0) & (pool.piece_df > 0)
    half = np.where(assume, _assumed(pool, groups.share, assume, level), factor * u)
    s_r = np.sqrt(_ratio(groups.within, df_w))
    s_l = np.sqrt(_ratio(np.maximum(0.0, _ratio(groups.squares, df_b) - s_r**2), groups.n0))
    names = np.select(
        [assume, nu == 0, df_b == 0, prior_df > 0], ["assumed", "none", "book", "plates and book"], "plates"
    )
    return [
        MaterialMean(
            plates=int(groups.plates[i]),
            pieces=int(groups.pieces[i]),
            mean=float(groups.mean[i]),
            s_r=float(s_r[i]) if df_w[i] > 0 else None,
            s_l=float(s_l[i]) if df_b[i] > 0 and df_w[i] > 0 else None,
            expanded=float(half[i]) if assume[i] or nu[i] > 0 else None,
            k=float(factor[i]) if nu[i] > 0 else None,
            nu=float(nu[i]) if nu[i] > 0 else None,
            basis=str(names[i]),  # type: ignore[arg-type] # one of the words above
        )
        for i in range(len(nu))
    ]


_NODES: Final = 64


def _assumed(pool: _Pool, share: Array, wanted: NDArray[np.bool_], level: float) -> Array:
    """Return the half width about one plate's mean with s_L / s_r as it is assumed; zero where not wanted.

    The mean of Student's distributions, s_r √(ρ² + 1/n) wide, over the log-normal prior of ρ = s_L / s_r.
    """
    half = np.zeros(len(share))
    if not wanted.any():
        return half
    median, spread = ASSUMED_RATIO
    # As many equally likely values of the ratio: the middle of each part of its distribution.
    rho = median * np.exp(spread * ndtri((np.arange(_NODES) + 0.5) / _NODES))
    width = np.sqrt(rho[None, :] ** 2 + share[wanted, None])
    df = pool.piece_df[wanted, None]
    low, high = np.zeros(len(width)), np.full(len(width), 1e4)
    for _ in range(60):
        middle = (low + high) / 2
        inside = 2 * stdtr(df, middle[:, None] / width).mean(axis=1) - 1
        low, high = np.where(inside < level, middle, low), np.where(inside < level, high, middle)
    half[wanted] = high * np.sqrt(pool.piece[wanted])
    return half


def material_mean(plates: Sequence[Sequence[float]], *, relative: bool = True) -> MaterialMean:
    """Return the mean of one material alone, with no other to lend its plate scatter.

    Args:
        plates: Readings of each plate, one or more; one reading a piece.
        relative: As for :func:`material_means`.

    Raises:
        ValueError: There is no plate, or one without readings.
    """
    return material_means(PlateSums.of([plates]), 1, relative=relative)[0]
