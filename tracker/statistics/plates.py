"""Means of materials whose pieces come from plates: the plate is the unit.

Pieces of one plate share its day, spool and air, so eight pieces of two plates are not eight independent
results. Model: y_ij = m + u_j + e_ij with u_j ~ N(0, s_L²) from plate to plate and e_ij ~ N(0, s_r²) from
piece to piece (one-way random effects, ISO 5725-2). Each plate counts alike in the mean, since the variance
of a plate's mean, s_L² + s_r²/n_j, hangs little on its pieces wherever plates differ at all.

Two plates or more: Student's interval about the mean of the plates' means, k - 1 degrees of freedom. For
plates of equal size it is exact whatever s_L / s_r is (Kenward and Roger's method reduces to it), and nothing
is taken from other materials, whose plates may scatter otherwise.

One plate: no data on s_L. Whatever multiple of s_r an interval has, it cannot hold at every s_L / s_r: for
eight pieces the one that holds in 97 % at s_L = 0 holds in 35 % at s_L = 2 s_r. So it can be right on average
over materials only. The ratio s_L / s_r of a material is taken as drawn from a log-normal population whose
median and spread are estimated from the book's other materials by their marginal likelihoods (prior: that of
``tracker.why``); the interval is that of the mixture of Student's distributions over the ratio, by
quadrature (A. Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, 5.3 and 5.4, for such models). Two and
three plates have the same interval beside the stated one: narrower, and right on average.

``python -m tests.bench.coverage`` shows how often each of them holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Final, Literal

from numpy.typing import NDArray
from scipy.special import gammaln, ndtr, stdtr, stdtrit

from tracker.lazy_modules import np

Array = NDArray[np.float64]
Basis = Literal["plates", "book", "assumed", "none"]

ASSUMED_RATIO: Final = (1.2, 0.7)
"""s_L / s_r before any book is seen: median, and standard deviation of the logarithm.

The prior of ``tracker.why``, so that table and explanation assume alike.
"""
_MOST_DF: Final = 20.0
"""More is never taken from other materials for s_r: their scatter is like this one's, not the same."""
_FEWEST_DF: Final = 3.0
"""Degrees of freedom of plate scatter from which on an interval is called the book's, not assumed."""
_ABOUT_ZERO: Final = 100.0
"""A variance above so many times the squared mean is that of readings about zero."""
_SPEAK_FOR_THEMSELVES: Final = 4
"""Plates from which on a material's own scatter is enough: borrowing gains little, and may mislead."""


@dataclass(frozen=True)
class PlateSums:
    """Plates of pieces as sums, plates of one group and size together; every array has shape (r,).

    Attributes:
        group: Which group (material, condition, quantity) the plates belong to, from 0.
        n: Pieces of each of the plates, one or more.
        mean: Mean of the plates' means, in the unit of the readings.
        within: Sum of squared deviations of pieces from their plate's mean, unit squared.
        plates: How many plates there are.
        spread: Sum of squared deviations of the plates' means from ``mean``, unit squared.
    """

    group: NDArray[np.intp]
    n: Array
    mean: Array
    within: Array
    plates: Array = field(default_factory=lambda: np.ones(1))
    spread: Array = field(default_factory=lambda: np.zeros(1))

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

    def together(self) -> PlateSums:
        """Return the same with all plates of one group and size as one row, however many there are."""
        top = float(self.n.max(initial=0.0)) + 1.0
        _, first, row = np.unique(self.group * top + self.n, return_index=True, return_inverse=True)
        many = np.broadcast_to(self.plates, self.n.shape)

        def total(values: Array) -> Array:
            return np.bincount(row, values).astype(np.float64)

        plates = total(many)
        # About the first of them: a sum about zero would lose the digits of a small scatter.
        origin = self.mean[first]
        off = self.mean - origin[row]
        mean = total(many * off) / plates
        spread = total(many * (off - mean[row]) ** 2 + self.spread)
        return PlateSums(self.group[first], self.n[first], origin + mean, total(self.within), plates, spread)


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

    many = np.broadcast_to(sums.plates, sums.n.shape)
    plates, pieces = total(many), total(many * sums.n)
    mean = total(many * sums.mean) / plates
    off = sums.mean - mean[sums.group]
    square = many * off**2 + sums.spread
    # About the mean of plates first: a weighted sum about zero would lose the digits of a small scatter.
    weighted = total(many * sums.n * off) / pieces
    squares = total(sums.n * square) - pieces * weighted**2
    with np.errstate(divide="ignore", invalid="ignore"):
        n0 = np.where(plates > 1, (pieces - total(many * sums.n**2) / pieces) / (plates - 1), 0.0)
    share = total(many / sums.n) / plates
    return GroupSums(plates, pieces, mean, total(square), total(sums.within), share, squares, n0)


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
        basis: What the interval rests on: the ``plates``; for one plate the ``book`` or ``assumed``; ``none``
            without any.
        with_book: Of two or three plates, half the width of the interval with what the book's other materials
            say of plate scatter: right on average over materials; None for one plate, four, or no book.
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
    with_book: float | None = None

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


def material_means(
    sums: PlateSums,
    count: int,
    *,
    relative: bool = True,
    level: float = 0.95,
    wanted: Sequence[int] | None = None,
) -> list[MaterialMean]:
    """Return the means of groups of one quantity, each with what the other groups say of the scatter.

    Args:
        sums: Plates of all groups.
        count: Number of groups; each has a plate or more.
        relative: Scatter is compared as a part of the mean (strengths and moduli of different materials);
            False for quantities whose zero is arbitrary, such as °C.
        level: Coverage probability.
        wanted: Groups whose means are asked for, in order; all where None. The others lend all the same.

    Raises:
        ValueError: A group has no plate, or ``level`` is not between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"level {level} is not between 0 and 1")
    if not count:
        return []
    sums = sums.together()
    groups = group_sums(sums, count)
    if not groups.plates.all():
        raise ValueError("a group has no plates")
    scale = groups.mean**2 if relative else np.ones(count)
    asked = np.zeros(count, dtype=bool)
    asked[slice(None) if wanted is None else list(wanted)] = True
    stated = _stated(groups, _borrowed(sums, groups, scale, level, asked), level, asked)
    return [stated[i] for i in (range(count) if wanted is None else wanted)]


def _ratio(top: Array, below: Array) -> Array:
    return np.where(below > 0, np.maximum(top, 0.0) / np.where(below > 0, below, 1.0), 0.0)


_NO_SCATTER: Final = 1e-12
"""Part of the mean (or unit) below which half an interval is rounding."""
_RATIOS: Final[Array] = np.concatenate([[0.0], np.geomspace(0.1, 8.0, 23)])
"""Values of s_L / s_r that the quadrature is over."""
_SPREADS: Final = (0.1, 0.3, 0.55)
"""Standard deviations of log(s_L / s_r) between materials: how alike they may be, equally likely."""
_MEDIANS: Final = 15


@cache
def _populations() -> tuple[Array, Array]:
    """Return populations of s_L / s_r, shape (h, values), and how likely each is before any book is seen.

    A median and a spread each. Together they are the prior of one material, log-normal as ``ASSUMED_RATIO``.
    """
    median, whole = ASSUMED_RATIO
    logs = np.log(_RATIOS[1:])
    # A value stands for all that lies nearer to it than to its neighbours.
    edges = np.concatenate([[logs[0] - (logs[1] - logs[0]) / 2], (logs[1:] + logs[:-1]) / 2])
    z = np.linspace(-2.6, 2.6, _MEDIANS)
    shares, weights = [], []
    for spread in _SPREADS:
        centres = np.log(median) + np.sqrt(whole**2 - spread**2) * z
        below = ndtr((edges[None, :] - centres[:, None]) / spread)
        shares.append(np.diff(below, axis=1, prepend=0.0, append=1.0))
        weights.append(np.exp(-(z**2) / 2))
    weight = np.concatenate(weights)
    return np.concatenate(shares), weight / weight.sum()


@dataclass(frozen=True)
class _Borrowed:
    """What each of g groups says with the book's other groups; arrays of shape (g,).

    Attributes:
        half: Half the width of the interval about the mean of the plates' means; 0 where nobody knows it, or
            where the group has plates enough.
        middle: Of one plate, the same for a half in place of ``level``: it tells degrees of freedom.
        known: Degrees of freedom of plate scatter in the other groups.
    """

    half: Array
    middle: Array
    known: Array


def _borrowed(
    sums: PlateSums, groups: GroupSums, scale: Array, level: float, asked: NDArray[np.bool_]
) -> _Borrowed:
    """Let the groups that have few plates take what all *other* groups say of s_L / s_r and s_r."""
    # Readings about zero have no relative scatter: such a group neither lends nor borrows.
    lends = groups.within + groups.between < _ABOUT_ZERO * scale * groups.pieces
    unit = np.where(lends, scale, 1.0)
    df_w = np.where(lends, groups.pieces - groups.plates, 0.0)
    df_b = np.where(lends, groups.plates - 1, 0.0)
    known = np.where(lends, df_b.sum() - df_b, 0.0)
    nothing = np.zeros(len(scale))
    few = asked & (groups.plates < _SPEAK_FOR_THEMSELVES)
    if not few.any():
        return _Borrowed(nothing, nothing, known)
    within, between = np.where(lends, groups.within / unit, 0.0), np.where(lends, groups.between / unit, 0.0)
    piece_df = np.where(lends, df_w.sum() - df_w, 0.0)
    piece = _ratio(within.sum() - within, piece_df)
    # One piece a plate in the whole book: what plates and pieces scatter together is all that shows.
    bare = not (groups.pieces > groups.plates).any()
    if bare:
        piece_df, piece = known, _ratio(between.sum() - between, known)
    lent = np.minimum(piece_df, _MOST_DF)
    fitted = _fitted(sums, groups, unit, lent, lent * piece)
    shares, prior = _populations()
    likely = np.exp(fitted.log - fitted.log.max(axis=1, keepdims=True))
    lending = np.where((lends & (df_b > 0))[:, None], np.log(np.maximum(likely @ shares.T, 1e-300)), 0.0)
    others = np.log(prior) + lending.sum(axis=0) - lending
    weight = np.exp(others - others.max(axis=1, keepdims=True))
    weight = (weight @ shares) * likely
    if bare:
        weight = np.zeros_like(weight)
        weight[:, 0] = 1.0
    weight /= weight.sum(axis=1, keepdims=True)
    half, middle = nothing.copy(), nothing.copy()
    say = few & (fitted.df > 0)
    half[say] = _half_width(weight[say], fitted.rows(say), level) * np.sqrt(unit[say])
    say &= groups.plates == 1
    middle[say] = _half_width(weight[say], fitted.rows(say), 0.5) * np.sqrt(unit[say])
    # Readings that all agree say nothing of scatter: what is left of it is the arithmetic's.
    nothing_left = half <= _NO_SCATTER * np.sqrt(unit)
    return _Borrowed(np.where(nothing_left, 0.0, half), np.where(nothing_left, 0.0, middle), known)


@dataclass(frozen=True)
class _Fitted:
    """Groups fitted at each value of s_L / s_r: shape (g, values), but for ``df``, shape (g,).

    Attributes:
        log: Logarithm of the marginal likelihood.
        off: Weighted mean of the plates, less the mean of their means.
        scale: Scale of Student's distribution about it.
        df: Its degrees of freedom.
    """

    log: Array
    off: Array
    scale: Array
    df: Array

    def rows(self, which: NDArray[np.bool_]) -> _Fitted:
        """Return some of the groups."""
        return _Fitted(self.log[which], self.off[which], self.scale[which], self.df[which])


def _fitted(sums: PlateSums, groups: GroupSums, unit: Array, lent: Array, squares: Array) -> _Fitted:
    """Fit each group at each value of s_L / s_r, s_r² integrated out.

    Given the ratio ρ, plates' means have the variances s_r² (ρ² + 1/n); m has a flat prior, s_r² that of
    ``lent`` degrees of freedom with the sum of squares ``squares`` (in ``unit``).
    """
    count, root = len(unit), np.sqrt(unit)

    def total(values: Array) -> Array:
        made = np.zeros((count, values.shape[1]))
        np.add.at(made, sums.group, values)
        return made

    many = np.broadcast_to(sums.plates, sums.n.shape)
    weight = 1.0 / (_RATIOS[None, :] ** 2 + 1.0 / sums.n[:, None])
    mean = ((sums.mean - groups.mean[sums.group]) / root[sums.group])[:, None]
    whole = total(many[:, None] * weight)
    off = total(many[:, None] * weight * mean) / whole
    spread = np.broadcast_to(sums.spread / unit[sums.group], sums.n.shape)[:, None]
    left = total(weight * (spread + many[:, None] * (mean - off[sums.group]) ** 2))
    df = lent + groups.pieces - 1.0
    rest = squares[:, None] + (groups.within / unit)[:, None] + left
    log = (
        total(many[:, None] * np.log(weight)) / 2 - np.log(whole) / 2
        - df[:, None] / 2 * np.log(np.maximum(rest, 1e-300))
    )  # fmt: skip
    scale = np.sqrt(_ratio(rest, np.broadcast_to(df[:, None], rest.shape)) / whole)
    return _Fitted(log, off, scale, df)


_STEPS: Final = 30
_EXACT: Final = 1e-9


def _half_width(weight: Array, fitted: _Fitted, level: float) -> Array:
    """Return half the widths of intervals about zero that hold ``level`` of mixtures, shape (g,).

    By Newton's method, halving wherever it would leave what is known to hold the answer.

    Args:
        weight: Of the parts of each mixture, shape (g, values).
        fitted: Student's distributions that they are made of.
        level: Probability.
    """
    # Ratios that nobody believes in cost as much as the others.
    likely = weight.max(axis=0, initial=0.0) > _EXACT
    weight, off = weight[:, likely], fitted.off[:, likely]
    df = fitted.df[:, None]
    scale = np.maximum(fitted.scale[:, likely], 1e-300)
    low = np.zeros(len(df))
    high = (np.abs(off) + scale * stdtrit(df, (1 + level) / 2)).max(axis=1, initial=0.0)
    height = weight * np.exp(gammaln((df + 1) / 2) - gammaln(df / 2)) / np.sqrt(np.pi * df) / scale
    half = high / 2
    for _ in range(_STEPS):
        inside, slope = np.zeros(len(df)), np.zeros(len(df))
        for sign in (1.0, -1.0):
            z = (sign * half[:, None] - off) / scale
            inside = inside + sign * (weight * stdtr(df, z)).sum(axis=1)
            slope = slope + (height * (1 + z * z / df) ** (-(df + 1) / 2)).sum(axis=1)
        low, high = np.where(inside < level, half, low), np.where(inside < level, high, half)
        further = half + (level - inside) / np.maximum(slope, 1e-300)
        before, half = half, np.where((further > low) & (further < high), further, (low + high) / 2)
        if (np.abs(half - before) <= _EXACT * half).all():
            break
    return np.asarray(half)


_NUS: Final[Array] = np.geomspace(1.0, 400.0, 200)


def _nu_of(half: Array, middle: Array, level: float) -> Array:
    """Return degrees of freedom of Student's distribution whose two intervals are as wide as given."""
    ratios = stdtrit(_NUS, (1 + level) / 2) / stdtrit(_NUS, 0.75)
    # Ever less with more degrees of freedom; np.interp wants rising values.
    return np.interp(_ratio(half, middle), ratios[::-1], _NUS[::-1])


def _stated(
    groups: GroupSums, borrowed: _Borrowed, level: float, asked: NDArray[np.bool_]
) -> dict[int, MaterialMean]:
    """Put the groups' sums and what others say together into means with their intervals, where asked."""
    df_w, df_b = groups.pieces - groups.plates, groups.plates - 1
    own = df_b > 0
    known = ~own & (borrowed.half > 0)
    by_book = known & (borrowed.known >= _FEWEST_DF)
    nu = np.where(own, df_b, _nu_of(borrowed.half, borrowed.middle, level))
    k = stdtrit(np.maximum(nu, 1.0), (1 + level) / 2)
    u = np.sqrt(_ratio(groups.between, df_b) / groups.plates)
    half = np.where(own, k * u, borrowed.half)
    s_r = np.sqrt(_ratio(groups.within, df_w))
    s_l = np.sqrt(_ratio(np.maximum(0.0, _ratio(groups.squares, df_b) - s_r**2), groups.n0))
    names = np.select([own, by_book, known], ["plates", "book", "assumed"], "none")
    beside = own & (borrowed.half > 0) & (borrowed.known >= _FEWEST_DF)
    return {
        i: MaterialMean(
            plates=int(groups.plates[i]),
            pieces=int(groups.pieces[i]),
            mean=float(groups.mean[i]),
            s_r=float(s_r[i]) if df_w[i] > 0 else None,
            s_l=float(s_l[i]) if own[i] and df_w[i] > 0 else None,
            expanded=float(half[i]) if own[i] or known[i] else None,
            k=float(k[i]) if own[i] or by_book[i] else None,
            nu=float(nu[i]) if own[i] or by_book[i] else None,
            basis=str(names[i]),  # type: ignore[arg-type] # one of the words above
            with_book=float(borrowed.half[i]) if beside[i] else None,
        )
        for i in np.flatnonzero(asked).tolist()
    }
