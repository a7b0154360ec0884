"""What a look over a whole book points at: drift, readers that differ, results nobody would have expected.

A book has many plates, rigs and results, and among so many something always lies outside limits made for
one. So every chart gives one probability (of its worst plate, its step or trend, its readers, its worst
result, each allowed for the number it was picked from), and those of the whole book are adjusted together:
of the lines that are shown one in twenty-five is expected to be false, and a book in which nothing is wrong
shows none in nineteen of twenty cases and more (Y. Benjamini and Y. Hochberg, J. R. Stat. Soc. B 57, 1995,
289-300). It decides nothing.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from scipy.special import ndtr, stdtr

from tracker.errors import Refused
from tracker.lazy_modules import np
from tracker.statistics import EwmaChart, IndividualsChart, ewma, shewhart_individuals, variance_components
from tracker.why.design import Array, Cells, Design, Indices, build_of_cells, to_working, working_scale
from tracker.why.posterior import Posterior, Sums, infer, intercepts, quantiles, weighted
from tracker.why.problem import Factor, Observation, Question
from tracker.why.words import number, per_cent, signed
from tracker.why.working import typical_scatters

FALSE = 0.04
"""Part of the lines shown that may be false: so that also with the luck of the fit books in which nothing is
wrong stay below one in twenty (``python -m tests.bench_why watch``)."""
_FEWEST_PLATES = 3
_FEWEST_FOR_STEP = 6
_EXPECTED_FALSE = 0.05
"""Results listed of a whole book in which nothing is wrong, on average."""
_SHUFFLES = (199, 1999)
_NUMBERS = 1_000_000
_CLEARLY_NOTHING = 0.15
"""Probability above which a step is not looked at more closely."""


@dataclass(frozen=True)
class Signal:
    """One line a watch may show.

    Attributes:
        kind: ``plate``, ``since``, ``trend``, ``reader`` or ``result``.
        text: The sentence.
        p: Probability that a book with nothing wrong shows something as strange in this chart.
        shown: True where it holds after all charts were adjusted together.
    """

    kind: str
    text: str
    p: float
    shown: bool = False


@dataclass(frozen=True)
class Since:
    """The step that divides a chart best: plates from this one on differ from those before.

    Attributes:
        plate: The first plate after the step.
        change: Mean after less mean before; a fraction, or in the unit.
        before: Plates before it.
        after: Plates from it on.
        p: Probability of as large a step somewhere, were the order of the plates chance.
    """

    plate: str
    change: float
    before: int
    after: int
    p: float


@dataclass(frozen=True)
class PlateChart:
    """The plates of one material in order of time, net of what was recorded about them.

    Attributes:
        material: The material.
        plates: Plate names in order.
        residuals: Each plate's mean less what its factors explain; a fraction, or in the unit.
        individuals: Shewhart's chart of the residuals.
        average: Moving average of the residuals.
        since: The largest step, where there are plates enough to look for one.
    """

    material: str
    plates: tuple[str, ...]
    residuals: tuple[float, ...]
    individuals: IndividualsChart
    average: EwmaChart
    since: Since | None = None

    @property
    def beyond(self) -> tuple[str, ...]:
        """Plates outside the limits of either chart."""
        places = sorted({*self.individuals.beyond, *self.average.beyond})
        return tuple(self.plates[place] for place in places)


@dataclass(frozen=True)
class ReaderLevel:
    """One rig or operator beside the mean of all.

    Attributes:
        factor: ``rig``, ``operator`` or another reader.
        level: Which one.
        plates: Plates it read.
        delta: How much higher it reads than the mean of all readers; a fraction, or in the unit.
        low: Lower 95 % limit.
        high: Upper 95 % limit.
        z: The difference in its own standard deviations.
    """

    factor: str
    level: str
    plates: int
    delta: float
    low: float
    high: float
    z: float = 0.0

    @property
    def differs(self) -> bool:
        """True where the interval excludes zero."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class Precision:
    """Intermediate precision over the levels of one reader (ISO 5725-2 components of plate residuals).

    Attributes:
        factor: The reader.
        within: Standard deviation of plates read by one level; a fraction, or in the unit.
        between: Standard deviation between levels.
    """

    factor: str
    within: float
    between: float


@dataclass(frozen=True)
class Improbable:
    """A result that the rest of the book would not have expected.

    Attributes:
        result_id: The result; its trace tells where it came from.
        specimen: Its piece.
        plate: Its plate.
        value: Its value.
        expected: What all other results foresaw for its factors, same unit.
        z: Its distance from that in standard deviations.
        p: Probability of a larger distance.
    """

    result_id: str
    specimen: str
    plate: str
    value: float
    expected: float
    z: float
    p: float


@dataclass(frozen=True)
class Watch:
    """What is worth a look.

    Attributes:
        question: The quantity.
        fraction: True where residuals are fractions, False where in the unit.
        charts: One for each material with three or more plates.
        readers: Every level of every reader.
        precision: One for each reader with repeated levels.
        improbable: Results, least probable first.
        signals: What may be shown; see :func:`screened`.
        looked_at: Words of what was looked over where that is not all there is; else empty.
    """

    question: Question
    fraction: bool
    charts: tuple[PlateChart, ...]
    readers: tuple[ReaderLevel, ...]
    precision: tuple[Precision, ...]
    improbable: tuple[Improbable, ...]
    signals: tuple[Signal, ...] = ()
    looked_at: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return everything as plain data."""
        data = asdict(self)
        for chart, plain in zip(self.charts, data["charts"], strict=True):
            plain["beyond"] = list(chart.beyond)
        for reader, plain in zip(self.readers, data["readers"], strict=True):
            plain["differs"] = reader.differs
        return data

    def sentences(self, width: int = 80) -> list[str]:
        """Return what stands out, in plain sentences."""
        texts = [signal.text for signal in self.signals if signal.shown] or ["nothing stands out."]
        texts += [f"{self.looked_at}."] if self.looked_at else []
        named = [f"{self.question.called}: {text}" for text in texts]
        return [
            line for text in named for line in textwrap.wrap(text, max(width, 40), subsequent_indent="  ")
        ]


def screened(found: Sequence[Watch]) -> list[Watch]:
    """Return watches with the lines that stand once all charts of all of them are adjusted together."""
    every = sorted(signal.p for watch_ in found for signal in watch_.signals)
    # Benjamini and Hochberg: the largest rank k with p(k) ≤ k/m of the rate, and all before it.
    passing = [p for rank, p in enumerate(every, 1) if p <= FALSE * rank / len(every)]
    limit = max(passing, default=-1.0)
    return [
        replace(each, signals=tuple(replace(signal, shown=signal.p <= limit) for signal in each.signals))
        for each in found
    ]


@dataclass(frozen=True)
class Records:
    """Results of a quantity in cells: what was recorded once; n results in m cells.

    Results of one plate of which all the same is recorded make one cell.

    Attributes:
        values: Their values, shape (n,).
        cell: Cell of each, shape (n,).
        cells: What is recorded of each cell.
        name: Gives the ID of a result and of its specimen by its number.
    """

    values: Array
    cell: Indices
    cells: Cells
    name: Callable[[int], tuple[str, str]]

    @classmethod
    def of(cls, observations: Sequence[Observation]) -> Records:
        """Gather results by their plate and the mapping of factors that they share."""
        rows = sorted(observations, key=lambda o: o.result_id)
        numbers: dict[tuple[Any, ...], int] = {}
        keys = [(o.material, o.plate, o.censored, id(o.factors)) for o in rows]
        cell = np.array([numbers.setdefault(key, len(numbers)) for key in keys], dtype=np.intp)
        first = np.unique(cell, return_index=True)[1]
        return cls(
            np.array([o.value for o in rows], dtype=np.float64),
            cell,
            Cells.of([rows[int(at)] for at in first]),
            lambda row: (rows[row].result_id, rows[row].specimen),
        )

    def usable(self) -> Records:
        """Return the results that have a residual: numbers, and no bounds."""
        # A bound has no residual: nobody knows how far beyond it the truth lies.
        kept = np.flatnonzero(np.isfinite(self.values) & ~self.cells.bound[self.cell])
        if len(kept) == len(self.values):
            return self
        used, cell = np.unique(self.cell[kept], return_inverse=True)
        return Records(self.values[kept], cell, self.cells.take(used), lambda row: self.name(int(kept[row])))


def watch(
    question: Question,
    factors: Sequence[Factor],
    observations: Sequence[Observation] | Records,
    *,
    readers: Sequence[str] = ("rig", "operator"),
) -> Watch:
    """Look over all results of a quantity for drift, readers that differ, and improbable results.

    Args:
        question: The quantity; grades are refused.
        factors: The registry, one per cause.
        observations: All its counted results; bounds and values that are not numbers are left out.
        readers: Categories that read rather than make: rigs, operators.

    Raises:
        Refused: Grades, or fewer than three usable results.
    """
    if question.ordinal:
        raise Refused(
            f"{question.quantity} holds grades", why="residuals need numbers", do="Compare groups with why."
        )
    if not isinstance(observations, Records):
        observations = Records.of([o for o in observations if o.quantity == question.quantity])
    records = observations.usable()
    if len(records.values) < _FEWEST_PLATES:
        raise Refused(
            f"only {len(records.values)} usable results of {question.quantity}",
            why="three are needed",
            do="Test more pieces.",
        )
    book = _Book.of(question, factors, records)
    rows, names = _reader_rows(book.design, readers)
    posterior = infer(book.data, rows)
    fit = _Fit.at(book, posterior)
    found = Watch(
        question,
        book.design.scale.log,
        _charts(book, fit),
        _readers(names, book, posterior),
        _precisions(readers, book, fit),
        _improbable(book, fit),
    )
    signals = (
        *_plate_signals(found, book, fit),
        *_reader_signals(found, len(records.values)),
        *_result_signals(found, book, fit),
    )
    return screened([replace(found, signals=signals)])[0]


@dataclass(frozen=True)
class _Book:
    """All results of a quantity; n results in m cells on k plates of q materials, p columns.

    Attributes:
        records: The results.
        y: Working values less their mean, shape (n,).
        design: One row a cell; plates stand in order of material, and of materials each has its own plates.
        plates: Name of each plate.
        material: Material of each plate, shape (k,).
        order: Time of each plate; infinite where it is not known, shape (k,).
        data: Sums per plate, the intercepts taken out.
    """

    records: Records
    y: Array
    design: Design
    plates: tuple[str, ...]
    material: Indices
    order: Array
    data: Sums

    @classmethod
    def of(cls, question: Question, factors: Sequence[Factor], records: Records) -> _Book:
        """Make the columns of the cells and sum the results up."""
        cells = records.cells.by_material()
        scale = working_scale(question, records.values)
        design = replace(build_of_cells(question, factors, cells), scale=scale)
        y = to_working(scale, records.values)
        y = y - y.mean()
        k = len(design.open_variance)
        material = np.zeros(k, dtype=np.intp)
        material[design.plate] = design.material
        order = np.full(k, math.inf)
        np.minimum.at(order, design.plate, np.where(np.isnan(cells.order), math.inf, cells.order))
        data = _summed(design, records.cell, y, material)
        return cls(replace(records, cells=cells), y, design, tuple(cells.plates), material, order, data)

    @property
    def plate(self) -> Indices:
        """Plate of each result, shape (n,)."""
        return self.design.plate[self.records.cell]

    def plate_means(self, values: Array) -> Array:
        """Return the mean of each plate's results, shape (k,), of values of shape (n,)."""
        return np.asarray(np.bincount(self.plate, weights=values) / self.data.counts)

    def read_by(self, factor: str) -> dict[str, list[int]]:
        """Return the plates that each level of a factor has read, in order; those of none under "None"."""
        known = self.records.cells.factors.get(factor)
        if known is None:
            return {"None": list(range(len(self.plates)))}
        level, names = known.by_level()
        pairs = np.unique(level * len(self.plates) + self.design.plate)
        found: dict[str, list[int]] = {}
        for at, plate in zip(*(each.tolist() for each in divmod(pairs, len(self.plates))), strict=True):
            found.setdefault("None" if at < 0 else names[at], []).append(plate)
        return found

    def in_order(self, material: int) -> list[int]:
        """Return a material's plates by time; those without a time by name, at the end."""
        first, last = np.searchsorted(self.material, [material, material + 1])
        return sorted(range(int(first), int(last)), key=lambda j: (self.order[j], self.plates[j]))


_PART = 50_000
"""Cells worked through together: several columns of so many take a few megabytes each."""


def _parts(cells: int) -> Iterator[slice]:
    return (slice(first, first + _PART) for first in range(0, cells, _PART))


def _summed(design: Design, cell: Indices, y: Array, material: Indices) -> Sums:
    """Reduce cells to sums per plate; a cell's results share its columns and add to y'y alone."""
    k, m = len(design.open_variance), len(design.plate)
    count = np.bincount(cell, minlength=m).astype(np.float64)
    total: Array = np.asarray(np.bincount(cell, weights=y, minlength=m), dtype=np.float64)

    def by_plate(weights: Array) -> Array:
        return np.asarray(np.bincount(design.plate, weights=weights, minlength=k), dtype=np.float64)

    xx = np.zeros((design.x.shape[1], design.x.shape[1]))
    for part in _parts(m):
        xx += (design.x[part] * count[part, None]).T @ design.x[part]
    plate_x = np.empty((k, design.x.shape[1]))
    for column in range(design.x.shape[1]):
        plate_x[:, column] = by_plate(np.asarray(design.x[:, column] * count))
    return Sums(
        n=len(y),
        q=0,
        xx=xx,
        xy=design.x.T @ total,
        yy=float(y @ y),
        counts=by_plate(count),
        plate_x=plate_x,
        plate_y=by_plate(total),
        open_variance=design.open_variance,
        looseness=np.ones(k),
        starts=np.flatnonzero(np.diff(material, prepend=-1)),
    )


def _amount(found: Watch, value: float) -> str:
    return per_cent(value) if found.fraction else f"{signed(value)} {found.question.unit}".rstrip()


def _plate_signals(found: Watch, book: _Book, fit: _Fit) -> list[Signal]:
    """Return for each chart its worst plate, and its step or trend.

    Residuals of a fit scatter less than what was fitted: by the part of the degrees of freedom left.
    """
    places = {name: i for i, name in enumerate(book.design.materials)}
    signals = []
    for chart in found.charts:
        z = fit.plate_z[book.in_order(places[chart.material])]
        worst, p = _worst_plate(chart, z, fit.free)
        if worst is not None:
            limits = f"{_amount(found, chart.individuals.low)} to {_amount(found, chart.individuals.high)}"
            place = chart.plates.index(worst)
            text = f"{chart.material}: {worst} reads {_amount(found, chart.residuals[place])} off"
            if worst in chart.beyond:
                text += f", outside the control limits ({limits})"
            signals.append(Signal("plate", f"{text}. Look at it.", p))
        if chart.since is not None:
            signals.append(_over_time(found, chart, chart.since, fit.free))
    return signals


def _over_time(found: Watch, chart: PlateChart, since: Since, free: float) -> Signal:
    """Return the step or the trend, whichever takes more out of the plates' scatter.

    Each shows as the other too, so the two are one line; their probability is twice the smaller one.
    """
    n = len(chart.plates)
    slope, p = _trend(chart.residuals, free)
    p = min(1.0, 2 * min(p, since.p))
    line = np.linspace(-0.5, 0.5, n)
    if slope**2 * float(line @ line) > since.change**2 * since.before * since.after / n:
        text = f"{chart.material}: drifts by {_amount(found, slope)} from the first plate to the last."
        return Signal("trend", text, p)
    text = (
        f"{chart.material}: since plate {since.plate} all reads {_amount(found, since.change)} "
        f"({since.after} plates against {since.before} before). What changed then?"
    )
    return Signal("since", text, p)


def _worst_plate(chart: PlateChart, z: Array, free: float) -> tuple[str | None, float]:
    """Return the plate farthest from what all others foresee for it, with its probability among so many.

    Its own part in the scatter is taken out (an externally studentised residual, Student's t with the degrees
    of freedom that are left), times the number of plates it was picked from.
    """
    n = len(z)
    if n < 4:  # noqa: PLR2004 - three others give no scatter worth the name
        return None, 1.0
    at = int(np.argmax(np.abs(z)))
    left = max((n - 1) * free, 2.0)
    square = min(float(z[at]) ** 2, 0.98 * left)
    t = math.sqrt(square * (left - 1) / (left - square))
    return chart.plates[at], min(1.0, n * 2 * float(stdtr(left - 1, -t)))


def _step(names: Sequence[str], values: Sequence[float]) -> Since | None:
    """Return the step that divides plates in order of time best, with its probability.

    By shuffling the plates; few shuffles where few already show that it is nothing. Beyond what shuffles can
    tell, the t test of the step for every cut it was picked from bounds it (Bonferroni).
    """
    n = len(values)
    if n < _FEWEST_FOR_STEP:
        return None
    series = np.array(values)
    seen, at = _largest_step(series[None])
    # Seeded by the number of plates alone, so that a book gives the same lines every time it is asked.
    rng = np.random.default_rng(n)
    for count in _SHUFFLES:
        larger = 0
        # Of thousands of plates some shuffles at a time: they come in the same order, and take less memory.
        for some in _at_once(count, n):
            least, _ = _largest_step(rng.permuted(np.tile(series, (some, 1)), axis=1))
            larger += int(np.count_nonzero(least >= seen[0] * (1 - 1e-12)))
        p = (1 + larger) / (count + 1)
        if p > _CLEARLY_NOTHING:
            break
    if not larger:
        spread = math.sqrt(max(float(((series - series.mean()) ** 2).sum()) - seen[0] ** 2, 1e-300) / (n - 2))
        p = min(p, (n - 3) * 2 * float(stdtr(n - 2, -seen[0] / spread)))
    cut = int(at[0])
    return Since(names[cut], float(series[cut:].mean() - series[:cut].mean()), cut, n - cut, p)


def _at_once(shuffles: int, plates: int) -> list[int]:
    """Divide shuffles into parts that hold no more than a million plates together."""
    most = max(1, _NUMBERS // plates)
    return [min(most, shuffles - done) for done in range(0, shuffles, most)]


def _largest_step(series: Array) -> tuple[Array, Array]:
    """Return for each row the largest standardised difference of means over all cuts, and its cut."""
    n = series.shape[1]
    cuts = np.arange(2, n - 1)
    sums = np.cumsum(series - series.mean(axis=1, keepdims=True), axis=1)[:, 1 : n - 2]
    # About their mean, what is after a cut sums up to the opposite of what is before it.
    gap = np.abs(sums, out=sums)
    gap *= np.sqrt(n / (cuts * (n - cuts)))
    at = gap.argmax(axis=1)
    return gap[np.arange(len(gap)), at], cuts[at]


def _trend(values: Sequence[float], free: float) -> tuple[float, float]:
    """Return the rise of a straight line from first plate to last, and its two-sided probability (t test)."""
    n = len(values)
    x = np.linspace(-0.5, 0.5, n)
    y = np.array(values) - float(np.mean(values))
    slope = float(x @ y / (x @ x))
    left = y - slope * x
    spread = math.sqrt(max(float(left @ left), 1e-300) / (n - 2) / float(x @ x))
    t = abs(slope) / spread * math.sqrt(free)
    return slope, min(1.0, 2 * float(stdtr(max((n - 2) * free, 1.0), -t)))


def _reader_signals(found: Watch, results: int) -> list[Signal]:
    """Return for each kind of reader its level that differs most."""
    signals = []
    for factor in dict.fromkeys(reader.factor for reader in found.readers):
        own = [reader for reader in found.readers if reader.factor == factor]
        worst = max(own, key=lambda reader: abs(reader.z))
        # Two levels mirror each other and are one comparison.
        picked = len(own) - 1
        free = max(min(results, sum(reader.plates for reader in own)) - 2, 1)
        p = min(1.0, picked * 2 * float(stdtr(free, -abs(worst.z))))
        texts = [
            f"{each.factor} {each.level} reads {_amount(found, each.delta)} against all (95 % interval "
            f"{_amount(found, each.low)} to {_amount(found, each.high)}, {each.plates} plates)"
            for each in own
            if each.differs or each is worst
        ]
        text = f"{'; '.join(texts)}."
        signals.append(Signal("reader", text, p))
    return signals


def _result_signals(found: Watch, book: _Book, fit: _Fit) -> list[Signal]:
    """Return the results that the others foresaw least."""
    z = np.nan_to_num(np.abs(fit.z))
    free = max(len(z) - len(book.plates), 1)
    p = np.minimum(1.0, len(z) * 2 * stdtr(free, -z))
    # The least foreseen result, and every other that is as improbable among so many.
    few = np.flatnonzero(p < FALSE)
    rows = few[np.argsort(p[few], kind="stable")].tolist() or [int(np.argmin(p))]
    signals = []
    for row in rows:
        result = _improbable_row(book, fit, row, float(p[row]))
        text = (
            f"{result.result_id} ({result.specimen or result.plate}) reads {number(result.value)} where "
            f"{number(result.expected)} {found.question.unit} was to be expected "
            f"({number(abs(result.z), 2)} standard deviations). Trace it."
        )
        signals.append(Signal("result", text, float(p[row])))
    return signals


@dataclass(frozen=True)
class _Fit:
    """The fit at one believable set of scatters; n results, k plates.

    Attributes:
        left: y less materials and factors, shape (n,).
        effect: Columns' posterior means, shape (p,).
        plate_sd: Standard deviation of each plate's mean residual, shape (k,).
        z: Leave-one-out residual in standard deviations, NaN where the result alone fixes an effect.
        missed: Leave-one-out residual, working scale.
        free: Part of the plates' degrees of freedom that fitting the factors has left, above 0 and up to 1.
        plate_z: Distance of each plate from what all others foresee, in standard deviations, shape (k,).
    """

    left: Array
    effect: Array
    plate_sd: Array
    z: Array
    missed: Array
    free: float
    plate_z: Array

    @classmethod
    def at(cls, book: _Book, posterior: Posterior) -> _Fit:
        """Fit the book with the scatters' geometric means.

        With P = W - WZ(Z'WZ + prior)⁻¹Z'W, the leave-one-out residual of result i is
        (Py)_i/P_ii with variance σ²/P_ii (C. Rasmussen and C. Williams, Gaussian
        Processes for Machine Learning, 2006, eq. 5.12, with intercepts flat).
        """
        data, design, plate = book.data, book.design, book.design.plate
        sigma, rho, kappa = typical_scatters(posterior)
        matrix, right, _, _ = weighted(data, rho, kappa)
        matrix[np.arange(len(right)), np.arange(len(right))] += kappa**-2.0
        inverse = np.linalg.inv(matrix)
        theta = inverse @ right
        t = rho**2 + kappa**2 * data.open_variance
        loose = 1 + data.counts * t
        own = intercepts(data, t)
        level = (own.y - own.x @ theta) / own.precision
        left = book.y - (level[design.material] + design.x @ theta)[book.records.cell]
        of = book.plate
        py = left - ((t / loose) * np.bincount(of, weights=left))[of]

        def explained(rows: Array, one: Array, material: Indices) -> Array:
            """Return diag(R (Z'WZ + prior)⁻¹ R') for rows R of Z that hold ``one`` at their material."""
            share = one / own.precision[material]
            rest = rows - share[:, None] * own.x[material]
            return np.asarray(share * one + ((rest @ inverse) * rest).sum(axis=1))

        kept = np.empty(len(plate))
        for part in _parts(len(plate)):
            at = plate[part]
            rows = design.x[part] - (t / loose)[at][:, None] * data.plate_x[at]
            kept[part] = (1 - t / loose)[at] - explained(rows, 1 / loose[at], design.material[part])
        # A result that alone fixes an effect has nothing to be compared with.
        kept = np.where(kept > 1e-9, kept, np.nan)[book.records.cell]  # noqa: PLR2004 - rounding of one
        # The score of a shift of one plate: sum of Py over it, with variance 1'P1 (same source).
        shift = data.counts / loose
        shift = shift - explained(data.plate_x / loose[:, None], shift, book.material)
        plate_z = np.bincount(of, weights=py) / (sigma * np.sqrt(np.maximum(shift, 1e-9)))
        fitted = len(theta) - kappa**-2.0 * float(np.trace(inverse))
        plates = max(len(data.counts) - len(own.precision), 1)
        free = max((plates - fitted) / plates, 0.1)
        plate_sd = sigma * np.sqrt(t + 1 / data.counts)
        return cls(left, theta, plate_sd, py / (sigma * np.sqrt(kept)), py / kept, free, plate_z)


def _charts(book: _Book, fit: _Fit) -> tuple[PlateChart, ...]:
    means = book.plate_means(fit.left) * book.design.scale.unit
    charts = []
    for index, material in enumerate(book.design.materials):
        places = book.in_order(index)
        # Plate means and not single pieces: pieces of one plate share its luck and would make a run where
        # there is none.
        if len(places) >= _FEWEST_PLATES:
            values = [float(means[place]) for place in places]
            individuals = shewhart_individuals(values)
            # Short-term scatter, because a drift has already widened the model's plate scatter.
            sigma = individuals.sigma or float(np.median(fit.plate_sd[places]))
            names = tuple(book.plates[place] for place in places)
            average = ewma(values, centre=0.0, sigma=sigma)
            charts.append(
                PlateChart(material, names, tuple(values), individuals, average, _step(names, values))
            )
    return tuple(charts)


def _reader_rows(design: Design, readers: Sequence[str]) -> tuple[Array, list[tuple[str, str]]]:
    """Return, for each level of each reader, its effect less the mean of all levels."""
    rows, names = [], []
    for index, factor in enumerate(design.factors):
        if factor.name in readers and factor.kind == "category":
            own = np.flatnonzero(design.owner == index)
            for column in own:
                row = np.zeros(design.x.shape[1])
                # Against the mean of all levels, so that no rig is taken for the true one.
                row[own] -= math.sqrt(0.5) / len(own)
                row[column] += math.sqrt(0.5)
                rows.append(row)
                names.append((factor.name, str(design.levels[column])))
    return np.array(rows).reshape(len(rows), design.x.shape[1]), names


def _readers(names: list[tuple[str, str]], book: _Book, posterior: Posterior) -> tuple[ReaderLevel, ...]:
    if not names:
        return ()
    limits = quantiles(posterior, (0.025, 0.5, 0.975)) * book.design.scale.unit
    if book.design.scale.log:
        limits = np.expm1(limits)
    mean = posterior.weight @ posterior.mean
    spread = posterior.weight @ (posterior.variance + (posterior.mean - mean) ** 2)
    z = mean / np.sqrt(np.maximum(spread, 1e-300))
    read = {factor: book.read_by(factor) for factor, _ in names}
    return tuple(
        ReaderLevel(
            factor,
            level,
            len(read[factor].get(level, ())),
            float(middle),
            float(low),
            float(high),
            float(own),
        )
        for (factor, level), low, middle, high, own in zip(names, *limits, z, strict=True)
    )


def _precisions(readers: Sequence[str], book: _Book, fit: _Fit) -> tuple[Precision, ...]:
    found = []
    design = book.design
    for index, factor in enumerate(design.factors):
        if factor.name in readers:
            own = design.owner == index
            # The reader's own effect is put back, because it is what this figure is about.
            put_back = (design.x[:, own] @ fit.effect[own])[book.records.cell]
            values = book.plate_means(fit.left + put_back) * design.scale.unit
            lists = [values[read].tolist() for read in book.read_by(factor.name).values()]
            if len(lists) > 1 and any(len(group) > 1 for group in lists):
                parts = variance_components(lists)
                found.append(Precision(factor.name, parts.s_r, parts.s_l))
    return tuple(found)


def _improbable(book: _Book, fit: _Fit) -> tuple[Improbable, ...]:
    p = 2 * ndtr(-np.abs(fit.z))
    # Bonferroni's bound: in a book of a thousand results the improbable happens daily.
    rows = np.flatnonzero(p * len(p) < _EXPECTED_FALSE)
    found = [_improbable_row(book, fit, int(row), float(p[row])) for row in rows]
    return tuple(sorted(found, key=lambda item: item.p))


def _improbable_row(book: _Book, fit: _Fit, row: int, p: float) -> Improbable:
    value, missed, scale = float(book.records.values[row]), float(fit.missed[row]), book.design.scale
    expected = value * math.exp(-missed) if scale.log else value - missed * scale.unit
    name, specimen = book.records.name(row)
    return Improbable(
        name, specimen, book.plates[int(book.plate[row])], value, expected, float(fit.z[row]), p
    )
