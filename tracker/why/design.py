"""From results with factors to the columns and per-plate sums the model works on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from numpy.typing import NDArray

from tracker.lazy_modules import np
from tracker.why.problem import Factor, Observation, Question, Value

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Indices = NDArray[np.intp]

_MOST_LEVELS = 12
"""Levels of a category that get a column each; beyond, those outside A and B are pooled."""
_Z95 = 1.959964
_LEAST_RELIABLE = 0.1
"""However large its error, so much of a factor's variance is taken as real."""
_SPAN_OF_SD = 10.0
"""For quantities without a logarithm, one working unit is this many standard deviations."""


@dataclass(frozen=True)
class Scale:
    """How working numbers relate to the quantity's unit.

    Attributes:
        log: True where the working number is a natural logarithm.
        unit: What one working unit is worth in the quantity's unit (1 for logarithms).
    """

    log: bool
    unit: float


@dataclass(frozen=True)
class Design:
    """Results as numbers; n results, k plates, q materials, p columns.

    Attributes:
        y: Working values, shape (n,).
        x: Factor columns in spans, centred on their mean, shape (n, p).
        owner: For each column the index of its factor, shape (p,).
        levels: For each column its level, or None for a number.
        plate: Plate index of each result, shape (n,).
        material: Material index of each result, shape (n,).
        materials: Material names in order of index.
        open_variance: Per plate, the variance (in squared spans) of factors that were
            imputed or known only as an interval, shape (k,).
        scale: Meaning of ``y``.
        factors: The factors that have columns.
        imputed: Factor name to the number of results on which it was not recorded.
        pooled: Factor name to the number of levels pooled as "other".
        vague: How many factors were imputed or are known only as an interval on some results.
        weight: Precision of each piece relative to the usual piece, shape (n,); None where all count alike.
        plate_weight: Precision of each plate relative to the usual plate, shape (k,); None likewise.
    """

    y: Array
    x: Array
    owner: Indices
    levels: tuple[str | None, ...]
    plate: Indices
    material: Indices
    materials: tuple[str, ...]
    open_variance: Array
    scale: Scale
    factors: tuple[Factor, ...]
    imputed: dict[str, int]
    pooled: dict[str, int]
    vague: int = 0
    weight: Array | None = None
    plate_weight: Array | None = None

    def columns_of(self, name: str) -> Indices:
        """Return the indices of a factor's columns in ``x``; none where it has no column."""
        index = next((i for i, factor in enumerate(self.factors) if factor.name == name), -1)
        return np.flatnonzero(self.owner == index)

    def with_column(self, factor: Factor, column: Array) -> Design:
        """Return the design with one more column of shape (n,), centred, owned by ``factor``."""
        return replace(
            self,
            x=np.hstack([self.x, (column - column.mean())[:, None]]),
            owner=np.append(self.owner, len(self.factors)),
            levels=(*self.levels, None),
            factors=(*self.factors, factor),
        )


@dataclass(frozen=True)
class _Block:
    """The columns of one factor, and how uncertain each result's entry is."""

    columns: Array
    levels: tuple[str | None, ...]
    open_variance: Array
    missing: int
    pooled: int


def working_scale(question: Question, values: Array) -> Scale:
    """Return logarithms for positive quantities, else a unit of ten standard deviations.

    A positive quantity with a value at or below zero is analysed as it stands.
    """
    if question.positive and bool(np.all(values > 0)):
        return Scale(log=True, unit=1.0)
    # Tying the unit to the data's own spread keeps the answer the same in mm and in inches.
    # Readings that all agree have no spread; a tenth of their size keeps the scale finite.
    spread = float(np.std(values)) or abs(float(np.mean(values))) / _SPAN_OF_SD or 1.0
    return Scale(log=False, unit=_SPAN_OF_SD * spread)


def to_working(scale: Scale, values: Array) -> Array:
    """Return values on the working scale, shape unchanged."""
    # Causes multiply rather than add up: ten degrees cost a strong material more MPa than a weak one, but
    # about the same per cent.
    return np.log(values) if scale.log else values / scale.unit


def build(
    question: Question,
    factors: Sequence[Factor],
    observations: Sequence[Observation],
    keep_levels: Sequence[Observation] = (),
) -> Design:
    """Return the design of the observations.

    A number enters as (value - mean)/span. A category enters as one column per
    level worth 1/√2, so that with independent priors of variance λ² per column
    the difference of *any* two levels has variance λ²: no level is the
    reference, and no name matters. A constant factor gets no column.

    Args:
        question: Decides about logarithms.
        factors: Candidates, already one per cause.
        observations: The results.
        keep_levels: Results whose category levels are never pooled (those of A and B).
    """
    values = np.array([o.value for o in observations], dtype=np.float64)
    scale = working_scale(question, values)
    plate = _codes([o.plate for o in observations])[0]
    material, materials = _codes([o.material for o in observations])
    blocks = {factor: _block(factor, observations, keep_levels) for factor in factors}
    used = {factor: block for factor, block in blocks.items() if block.columns.shape[1]}
    widths = [block.columns.shape[1] for block in used.values()]
    return Design(
        y=to_working(scale, values),
        x=_side_by_side([block.columns for block in used.values()], len(values)),
        owner=np.repeat(np.arange(len(used)), widths).astype(np.intp),
        levels=tuple(level for block in used.values() for level in block.levels),
        plate=plate,
        material=material,
        materials=tuple(materials),
        open_variance=_per_plate(plate, [block.open_variance for block in used.values()]),
        scale=scale,
        factors=tuple(used),
        # A factor that is constant where it is known was still not recorded on the rest: it is counted too.
        imputed={factor.name: block.missing for factor, block in blocks.items() if block.missing},
        pooled={factor.name: block.pooled for factor, block in used.items() if block.pooled},
        vague=sum(bool(block.open_variance.any()) for block in used.values()),
    )


def _side_by_side(columns: list[Array], n: int) -> Array:
    """Return all columns, centred: the intercepts absorb the shift, and sums lose fewer digits."""
    x = np.hstack(columns) if columns else np.zeros((n, 0))
    return np.asarray(x - x.mean(axis=0))


def _codes(names: Sequence[str]) -> tuple[Indices, list[str]]:
    # Sorted, so that the order in which the book hands out results decides nothing.
    distinct = sorted(set(names))
    index = {name: i for i, name in enumerate(distinct)}
    return np.array([index[name] for name in names], dtype=np.intp), distinct


def _per_plate(plate: Indices, variances: list[Array]) -> Array:
    """Average the uncertain entries over each plate: its pieces share one unknown."""
    counts = np.bincount(plate).astype(np.float64)
    if not variances:
        return np.zeros(len(counts))
    # Added, not averaged, over the factors: two unknown settings are two independent doubts.
    return np.bincount(plate, weights=np.sum(variances, axis=0)) / counts


def _block(factor: Factor, observations: Sequence[Observation], keep: Sequence[Observation]) -> _Block:
    if factor.kind == "category":
        return _category(factor, observations, keep)
    return _number(factor, [o.factors.get(factor.name) for o in observations])


def _number(factor: Factor, values: list[Value]) -> _Block:
    low, high = limits(values)
    z = (low + high) / 2 / factor.span
    known = np.isfinite(z)
    missing = int(np.count_nonzero(~known))
    if missing == len(z) or float(np.ptp(z[known])) == 0:
        return _Block(np.zeros((len(z), 0)), (), np.zeros(len(z)), missing, 0)
    # Half an interval's width is taken as 1.96 standard deviations. A value nobody wrote down is as
    # uncertain as the factor is variable in this book, and its result counts for that much less.
    centre, spread = float(np.mean(z[known])), float(np.var(z[known]))
    own = np.where(known, ((high - low) / (2 * _Z95) / factor.span) ** 2, spread)
    filled = np.where(known, z, centre)
    if factor.error > 0:
        # Regression calibration: of numbers recorded with an error the true one is expected nearer to
        # their mean, by the part of their variance that is real (R. Carroll et al., Measurement Error in
        # Nonlinear Models, 2nd ed., ch. 4). Without it a badly read factor gets too small an effect.
        wrong = (factor.error / factor.span) ** 2
        real = max(1 - wrong / spread, _LEAST_RELIABLE)
        filled = centre + real * (filled - centre)
        own = np.where(known, own + real * wrong, own)
    return _Block(filled[:, None], (None,), own, missing, 0)


def limits(values: list[Value]) -> tuple[Array, Array]:
    """Return least and greatest values, NaN where absent, each of shape (n,)."""
    if set(map(type, values)) <= {float, int, type(None)}:
        # The common case goes through numpy at once, which reads None as NaN.
        numbers = np.array(values, dtype=np.float64)
        numbers[np.isinf(numbers)] = np.nan
        return numbers, numbers
    pairs = [as_interval(value) or (math.nan, math.nan) for value in values]
    low, high = np.array(pairs, dtype=np.float64).T
    return low, high


def as_interval(value: Value) -> tuple[float, float] | None:
    """Return a number as (low, high), or None where it is absent, not finite or text."""
    if value is None or isinstance(value, str):
        return None
    low, high = value if isinstance(value, tuple) else (value, value)
    # A sensor that failed writes NaN or infinity: that is "not recorded", and never a value.
    if not (math.isfinite(low) and math.isfinite(high)):
        return None
    # Bounds typed the wrong way round are bounds all the same.
    return (min(low, high), max(low, high))


def as_level(value: Value) -> str | None:
    """Return a category's level as text, or None where it is absent, blank or NaN."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return None
    return str(value).strip() or None


def _category(factor: Factor, observations: Sequence[Observation], keep: Sequence[Observation]) -> _Block:
    found = [as_level(o.factors.get(factor.name)) for o in observations]
    missing = found.count(None)
    levels = _in_order(found, observations)
    if len(levels) < 2:  # noqa: PLR2004 - one level explains nothing
        return _Block(np.zeros((len(found), 0)), (), np.zeros(len(found)), missing, 0)
    kept = _kept_levels(levels, {as_level(o.factors.get(factor.name)) for o in keep})
    pooled = len(levels) - len(kept)
    names = (*kept, "other") if pooled else tuple(kept)
    columns, known = _indicators(found, names)
    # A pooled level has an effect of its own that no column describes: half of λ², as a level's column has.
    vague = ~known | (columns[:, -1] > 0) if pooled else ~known
    return _Block(columns, names, np.where(vague, 0.5, 0.0), missing, pooled)


def _in_order(found: Sequence[str | None], observations: Sequence[Observation]) -> list[str | None]:
    """Return the levels in an order that follows from their results alone, and not from their names.

    The order decides which random numbers a level's effect is drawn with: by names, a spool entered under
    another ID would move the limits by what the drawing scatters.
    """
    values: dict[str | None, list[float]] = {}
    for level, observation in zip(found, observations, strict=True):
        if level is not None:
            values.setdefault(level, []).append(observation.value)
    return sorted(values, key=lambda level: (math.fsum(values[level]), len(values[level]), str(level)))


def _kept_levels(levels: Sequence[str | None], wanted: set[str | None]) -> list[str | None]:
    """Return all of a few levels, of many only those that A and B have.

    Hundreds of lots would make hundreds of columns, and cost cubic time for
    effects that nobody asked about.
    """
    if len(levels) <= _MOST_LEVELS:
        return list(levels)
    return [level for level in levels if level in wanted]


def _indicators(found: list[str | None], names: tuple[str | None, ...]) -> tuple[Array, Bools]:
    """Return a column per level, the last for all others, and which results have a level at all."""
    index = {level: i for i, level in enumerate(names)}
    place = np.array([index.get(level, len(names) - 1) for level in found])
    known = np.array([level is not None for level in found])
    columns = np.zeros((len(found), len(names)))
    columns[np.arange(len(found)), place] = math.sqrt(0.5)
    # Unknown is at the mixture of the known, which favours no level.
    columns[~known] = columns[known].mean(axis=0)
    return columns, known
