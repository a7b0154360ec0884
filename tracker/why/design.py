"""From results with factors to the columns and per-plate sums the model works on."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from numpy.typing import NDArray

from tracker.lazy_modules import np
from tracker.why.problem import Factor, Observation, Question, Value

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Indices = NDArray[np.intp]
Codes = NDArray[np.int32]
_Kind = TypeVar("_Kind", bound="np.generic")

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
class Entries:
    """What is recorded of one factor on each of m cells.

    Attributes:
        low: Least value of what is a number, NaN where none is recorded, shape (m,).
        high: Greatest value, shape (m,); ``low`` itself where all numbers are known as one.
        word: Index into ``words`` of what is a word, -1 where none is, shape (m,).
        words: Words.
    """

    low: Array
    high: Array
    word: Codes
    words: Sequence[str]

    @classmethod
    def of(cls, values: Sequence[Value]) -> Entries:
        """Return the entries of values; words that are blank are none."""
        words: dict[str, int] = {}
        texts = [as_level(each) if isinstance(each, str) else None for each in values]
        word = [-1 if each is None else words.setdefault(each, len(words)) for each in texts]
        numbers = [None if isinstance(each, str) else each for each in values]
        low, high = (
            limits(numbers) if any(each is not None for each in numbers) else (no_numbers(len(word)),) * 2
        )
        return cls(low, high, np.array(word, dtype=np.int32) if words else no_words(len(word)), list(words))

    def take(self, cells: Indices) -> Entries:
        """Return the entries of some cells."""
        low = _taken(self.low, cells)
        high = low if self.high is self.low else self.high[cells]
        return Entries(low, high, _taken(self.word, cells), self.words)

    @property
    def recorded(self) -> Bools:
        """On which cells anything is recorded, shape (m,)."""
        return np.asarray((self.word >= 0) | np.isfinite(self.low))

    def by_level(self) -> tuple[Indices, list[str]]:
        """Return each as the level of a category, -1 where nothing is recorded, and the levels' names."""
        level = self.word.astype(np.intp)
        numbers = np.flatnonzero(np.isfinite(self.low) & (level < 0))
        pairs = list(zip(self.low[numbers].tolist(), self.high[numbers].tolist(), strict=True))
        names = {name: number for number, name in enumerate(self.words)}
        level[numbers] = [names.setdefault(str(a) if a == b else str((a, b)), len(names)) for a, b in pairs]
        return level, list(names)


def _taken(column: NDArray[_Kind], cells: Indices) -> NDArray[_Kind]:
    # One value stands for all of a column in which nothing is recorded: taken out, it would take its memory.
    alike = column.strides == (0,) and len(column)
    return np.broadcast_to(column[0], len(cells)) if alike else column[cells]


def no_numbers(size: int) -> Array:
    """Return a column in which no number is recorded."""
    return np.broadcast_to(np.float64(math.nan), size)


def no_words(size: int) -> Codes:
    """Return a column in which no word is recorded."""
    return np.broadcast_to(np.int32(-1), size)


@dataclass(frozen=True)
class Cells:
    """What is recorded of results that share it: m cells on k plates, in columns.

    Attributes:
        value: Value of one result of each, shape (m,).
        plate: Index into ``plates``, shape (m,).
        plates: Their names.
        material: Index into ``materials``, shape (m,).
        materials: Their names.
        bound: Where the result is a limit, and no value, shape (m,).
        order: Position in time, NaN where it is not known, shape (m,).
        factors: What is recorded, by the factor's name.
    """

    value: Array
    plate: Indices
    plates: Sequence[str]
    material: Indices
    materials: Sequence[str]
    bound: Bools
    order: Array
    factors: Mapping[str, Entries]

    @classmethod
    def of(cls, observations: Sequence[Observation]) -> Cells:
        """Return the cells of one result of each."""
        names = dict.fromkeys(name for o in observations for name in o.factors)
        plate, plates = _codes([o.plate for o in observations])
        material, materials = _codes([o.material for o in observations])
        order = [math.nan if o.order is None else o.order for o in observations]
        return cls(
            np.array([o.value for o in observations], dtype=np.float64),
            plate,
            plates,
            material,
            materials,
            np.array([o.censored is not None for o in observations], dtype=bool),
            np.array(order, dtype=np.float64),
            {name: Entries.of([o.factors.get(name) for o in observations]) for name in names},
        )

    def take(self, cells: Indices) -> Cells:
        """Return some of the cells."""
        return replace(
            self,
            value=self.value[cells],
            plate=self.plate[cells],
            material=self.material[cells],
            bound=self.bound[cells],
            order=self.order[cells],
            factors={name: each.take(cells) for name, each in self.factors.items()},
        )

    def by_material(self) -> Cells:
        """Return the cells with plates, those of one material in a row, and materials in order of name.

        A job of two materials is two plates here. Only plates and materials that occur are left.
        """
        places = _ranks(self.materials)[self.material] * len(self.plates) + _ranks(self.plates)[self.plate]
        _, first, plate = np.unique(places, return_index=True, return_inverse=True)
        plates = [self.plates[at] for at in self.plate[first].tolist()]
        used, material = np.unique(_ranks(self.materials)[self.material], return_inverse=True)
        materials = sorted(self.materials)
        return replace(
            self, plate=plate, plates=plates, material=material, materials=[materials[at] for at in used]
        )


def _ranks(names: Sequence[str]) -> Indices:
    """Return the place of each of distinct names in their order."""
    ranks = np.empty(len(names), dtype=np.intp)
    ranks[sorted(range(len(names)), key=lambda at: names[at])] = np.arange(len(names))
    return ranks


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
    blocks = (
        (factor, _block(factor, [o.factors.get(factor.name) for o in observations], values, keep_levels))
        for factor in factors
    )
    plate = _codes([o.plate for o in observations])[0]
    material, materials = _codes([o.material for o in observations])
    return _design(question, values, plate, (material, materials), blocks)


def build_of_cells(question: Question, factors: Sequence[Factor], cells: Cells) -> Design:
    """Return the design of cells, as :func:`build` does that of one result of each."""
    blocks = ((factor, _block_of_cells(factor, cells)) for factor in factors)
    return _design(question, cells.value, cells.plate, (cells.material, cells.materials), blocks)


def _design(
    question: Question,
    values: Array,
    plate: Indices,
    of: tuple[Indices, Sequence[str]],
    blocks: Iterable[tuple[Factor, _Block]],
) -> Design:
    scale = working_scale(question, values)
    material, materials = of
    used: list[Factor] = []
    columns: list[Array] = []
    levels: list[str | None] = []
    imputed, pooled, vague = {}, {}, 0
    # Added, not averaged, over the factors: two unknown settings are two independent doubts.
    doubt = np.zeros(len(values))
    for factor, block in blocks:
        # A factor that is constant where it is known was still not recorded on the rest: it is counted too.
        if block.missing:
            imputed[factor.name] = block.missing
        if not block.columns.shape[1]:
            continue
        used.append(factor)
        columns.append(block.columns)
        levels += block.levels
        if block.pooled:
            pooled[factor.name] = block.pooled
        vague += bool(block.open_variance.any())
        doubt += block.open_variance
    widths = [each.shape[1] for each in columns]
    return Design(
        y=to_working(scale, values),
        x=_side_by_side(columns, len(values)),
        owner=np.repeat(np.arange(len(used)), widths).astype(np.intp),
        levels=tuple(levels),
        plate=plate,
        material=material,
        materials=tuple(materials),
        # Averaged over each plate: its pieces share one unknown.
        open_variance=np.bincount(plate, weights=doubt) / np.bincount(plate).astype(np.float64),
        scale=scale,
        factors=tuple(used),
        imputed=imputed,
        pooled=pooled,
        vague=vague,
    )


def _side_by_side(columns: list[Array], n: int) -> Array:
    """Return all columns, centred, and empty the list: of many cells they are not held twice.

    The intercepts absorb the shift, and sums lose fewer digits.
    """
    x = np.empty((n, sum(each.shape[1] for each in columns)))
    at = 0
    while columns:
        some = columns.pop(0)
        x[:, at : at + some.shape[1]] = some
        at += some.shape[1]
    x -= x.mean(axis=0)
    return x


def _codes(names: Sequence[str]) -> tuple[Indices, list[str]]:
    # Sorted, so that the order in which the book hands out results decides nothing.
    distinct = sorted(set(names))
    index = {name: i for i, name in enumerate(distinct)}
    return np.array([index[name] for name in names], dtype=np.intp), distinct


def _block(factor: Factor, values: list[Value], results: Array, keep: Sequence[Observation] = ()) -> _Block:
    if factor.kind != "category":
        return _number(factor, *limits(values))
    names: dict[str, int] = {}
    found = [as_level(value) for value in values]
    level = [-1 if each is None else names.setdefault(each, len(names)) for each in found]
    wanted = {as_level(o.factors.get(factor.name)) for o in keep}
    return _category(np.array(level, dtype=np.intp), list(names), results, wanted)


def _block_of_cells(factor: Factor, cells: Cells) -> _Block:
    known = cells.factors.get(factor.name)
    if known is None:
        return _block(factor, [None] * len(cells.value), cells.value)
    if factor.kind == "category":
        return _category(*known.by_level(), cells.value, set())
    return _number(factor, known.low, known.high)


def _number(factor: Factor, low: Array, high: Array) -> _Block:
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


def limits(values: Sequence[Value]) -> tuple[Array, Array]:
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


def _category(level: Indices, names: Sequence[str], results: Array, wanted: set[str | None]) -> _Block:
    missing = int(np.count_nonzero(level < 0))
    levels = _in_order(level, names, results)
    if len(levels) < 2:  # noqa: PLR2004 - one level explains nothing
        return _Block(np.zeros((len(level), 0)), (), np.zeros(len(level)), missing, 0)
    kept = _kept_levels(levels, wanted)
    pooled = len(levels) - len(kept)
    shown = (*kept, "other") if pooled else tuple(kept)
    columns, known = _indicators(level, names, shown)
    # A pooled level has an effect of its own that no column describes: half of λ², as a level's column has.
    vague = ~known | (columns[:, -1] > 0) if pooled else ~known
    return _Block(columns, shown, np.where(vague, 0.5, 0.0), missing, pooled)


def _in_order(level: Indices, names: Sequence[str], results: Array) -> list[str]:
    """Return the levels that occur, in an order that follows from their results, and not from their names.

    The order decides which random numbers a level's effect is drawn with: by names, a spool entered under
    another ID would move the limits by what the drawing scatters.
    """
    order = np.argsort(level, kind="stable")
    bounds = np.searchsorted(level[order], np.arange(len(names) + 1)).tolist()
    sums: dict[str, tuple[float, int, str]] = {}
    for name, first, last in zip(names, bounds, bounds[1:], strict=False):
        if last > first:
            sums[name] = math.fsum(results[order[first:last]].tolist()), last - first, name
    return sorted(sums, key=lambda name: sums[name])


def _kept_levels(levels: Sequence[str], wanted: set[str | None]) -> list[str]:
    """Return all of a few levels, of many only those that A and B have.

    Hundreds of lots would make hundreds of columns, and cost cubic time for
    effects that nobody asked about.
    """
    if len(levels) <= _MOST_LEVELS:
        return list(levels)
    return [level for level in levels if level in wanted]


def _indicators(level: Indices, names: Sequence[str], shown: tuple[str, ...]) -> tuple[Array, Bools]:
    """Return a column per level, the last for all others, and which results have a level at all."""
    index = {name: i for i, name in enumerate(shown)}
    # The last place is that of results without a level.
    places = np.array([*(index.get(name, len(shown) - 1) for name in names), len(shown) - 1])
    known = level >= 0
    columns = np.zeros((len(level), len(shown)))
    columns[np.arange(len(level)), places[level]] = math.sqrt(0.5)
    # Unknown is at the mixture of the known, which favours no level.
    columns[~known] = columns[known].mean(axis=0)
    return columns, known
