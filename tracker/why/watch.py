"""What a look over a whole book points at: drift, readers that differ, results nobody would have expected.

A book has many plates, rigs and results, and among so many something always lies outside limits made for
one. So every chart gives one probability (of its worst plate, its largest step, its trend, its readers, its
worst result, each allowed for the number it was picked from), and those of the whole book are adjusted
together: of the lines that are shown one in twenty is expected to be false, and a book in which nothing is
wrong shows none in nineteen of twenty cases (Y. Benjamini and Y. Hochberg, J. R. Stat. Soc. B 57, 1995,
289-300). It decides nothing.
"""

from __future__ import annotations

import math
import textwrap
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from scipy.special import ndtr, stdtr

from tracker.errors import Refused
from tracker.lazy_modules import np
from tracker.statistics import EwmaChart, IndividualsChart, ewma, shewhart_individuals, variance_components
from tracker.why.design import Array, Design, build
from tracker.why.picture import draw_watch
from tracker.why.posterior import Posterior, Sums, infer, quantiles, sums, weighted
from tracker.why.problem import Factor, Observation, Question
from tracker.why.words import number, per_cent, signed
from tracker.why.working import typical_scatters

FALSE = 0.05
"""Part of the lines shown that may be false."""
_FEWEST_PLATES = 3
_FEWEST_FOR_STEP = 6
_EXPECTED_FALSE = 0.05
"""Results listed of a whole book in which nothing is wrong, on average."""
_SHUFFLES = 1999


@dataclass(frozen=True)
class Signal:
    """One line a watch may show.

    Attributes:
        kind: ``plate``, ``since``, ``trend``, ``reader`` or ``result``.
        text: The sentence.
        p: Probability that a book with nothing wrong shows something as strange in this chart.
        shown: True where it stands after all charts were adjusted together.
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
    """

    question: Question
    fraction: bool
    charts: tuple[PlateChart, ...]
    readers: tuple[ReaderLevel, ...]
    precision: tuple[Precision, ...]
    improbable: tuple[Improbable, ...]
    signals: tuple[Signal, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return everything as plain data."""
        data = asdict(self)
        for chart, plain in zip(self.charts, data["charts"], strict=True):
            plain["beyond"] = list(chart.beyond)
        for reader, plain in zip(self.readers, data["readers"], strict=True):
            plain["differs"] = reader.differs
        return data

    def picture_svg(self) -> bytes:
        """Return the charts as SVG: plates in order of time, their limits, the step where one is shown."""
        return draw_watch(self)

    def sentences(self, width: int = 80) -> list[str]:
        """Return what stands out, in plain sentences."""
        texts = [signal.text for signal in self.signals if signal.shown] or ["nothing stands out."]
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


def watch(
    question: Question,
    factors: Sequence[Factor],
    observations: Sequence[Observation],
    *,
    readers: Sequence[str] = ("rig", "operator"),
) -> Watch:
    """Look over all results of a quantity for drift, readers that differ, and improbable results.

    Args:
        question: The quantity; grades are refused.
        factors: The registry, one per cause.
        observations: All counted results; bounds and values that are not numbers are left out.
        readers: Categories that read rather than make: rigs, operators.

    Raises:
        Refused: Grades, or fewer than three usable results.
    """
    usable = _usable(question, observations)
    design = build(question, factors, usable)
    data = sums(design)
    rows, names = _reader_rows(design, data, readers)
    posterior = infer(data, rows)
    fit = _Fit.at(design, data, posterior)
    charts = _charts(usable, design, fit)
    found = Watch(
        question,
        design.scale.log,
        charts,
        _readers(names, design, posterior, usable),
        _precisions(readers, design, fit, usable),
        _improbable(usable, design, fit),
    )
    signals = (
        *_plate_signals(found, usable, design, fit),
        *_reader_signals(found, len(usable)),
        *_result_signals(found, usable, design, fit),
    )
    return screened([replace(found, signals=signals)])[0]


def _amount(found: Watch, value: float) -> str:
    return per_cent(value) if found.fraction else f"{signed(value)} {found.question.unit}".rstrip()


def _plate_signals(found: Watch, usable: Sequence[Observation], design: Design, fit: _Fit) -> list[Signal]:
    """Return for each chart its worst plate, its largest step and its trend.

    Residuals of a fit scatter less than what was fitted: by the part of the degrees of freedom left.
    """
    place_of = {o.plate: int(plate) for o, plate in zip(usable, design.plate, strict=True)}
    signals = []
    for chart in found.charts:
        z = np.array([fit.plate_z[place_of[name]] for name in chart.plates])
        worst, p = _worst_plate(chart, z, fit.free)
        if worst is not None:
            limits = f"{_amount(found, chart.individuals.low)} to {_amount(found, chart.individuals.high)}"
            place = chart.plates.index(worst)
            text = f"{chart.material}: {worst} reads {_amount(found, chart.residuals[place])} off"
            if worst in chart.beyond:
                text += f", outside the control limits ({limits})"
            signals.append(Signal("plate", f"{text}. Look at it.", p))
        if chart.since is not None:
            since = chart.since
            text = (
                f"{chart.material}: since plate {since.plate} all reads {_amount(found, since.change)} "
                f"({since.after} plates against {since.before} before). What changed then?"
            )
            signals.append(Signal("since", text, since.p))
            slope, p = _trend(chart.residuals, fit.free)
            text = f"{chart.material}: drifts by {_amount(found, slope)} from the first plate to the last."
            signals.append(Signal("trend", text, p))
    return signals


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
    """Return the step that divides plates in order of time best, its probability by shuffling them."""
    n = len(values)
    if n < _FEWEST_FOR_STEP:
        return None
    series = np.array(values)
    # Seeded by the number of plates alone, so that a book gives the same lines every time it is asked.
    shuffles = np.random.default_rng(n).permuted(np.tile(series, (_SHUFFLES, 1)), axis=1)
    seen, at = _largest_step(series[None])
    least, _ = _largest_step(shuffles)
    p = (1 + int(np.count_nonzero(least >= seen[0] * (1 - 1e-12)))) / (_SHUFFLES + 1)
    cut = int(at[0])
    return Since(names[cut], float(series[cut:].mean() - series[:cut].mean()), cut, n - cut, p)


def _largest_step(series: Array) -> tuple[Array, Array]:
    """Return for each row the largest standardised difference of means over all cuts, and its cut."""
    n = series.shape[1]
    cuts = np.arange(2, n - 1)
    before = np.cumsum(series, axis=1)[:, cuts - 1]
    total = series.sum(axis=1, keepdims=True)
    gap = np.abs(before / cuts - (total - before) / (n - cuts)) * np.sqrt(cuts * (n - cuts) / n)
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


def _result_signals(found: Watch, usable: Sequence[Observation], design: Design, fit: _Fit) -> list[Signal]:
    """Return the results that the others foresaw least."""
    z = np.nan_to_num(np.abs(fit.z))
    free = max(len(usable) - len(design.open_variance), 1)
    p = np.minimum(1.0, len(usable) * 2 * stdtr(free, -z))
    # The least foreseen result, and every other that is as improbable among so many.
    rows = [int(row) for row in np.argsort(p, kind="stable") if p[row] < FALSE] or [int(np.argmin(p))]
    signals = []
    for row in rows:
        result = _improbable_row(usable[row], design, fit, row, float(p[row]))
        text = (
            f"{result.result_id} ({result.specimen or result.plate}) reads {number(result.value)} where "
            f"{number(result.expected)} {found.question.unit} was to be expected "
            f"({number(abs(result.z), 2)} standard deviations). Trace it."
        )
        signals.append(Signal("result", text, float(p[row])))
    return signals


def _usable(question: Question, observations: Sequence[Observation]) -> list[Observation]:
    if question.ordinal:
        raise Refused(
            f"{question.quantity} holds grades", why="residuals need numbers", do="Compare groups with why."
        )
    # A bound has no residual: nobody knows how far beyond it the truth lies.
    kept = [o for o in observations if o.quantity == question.quantity and o.censored is None]
    kept = [o for o in kept if math.isfinite(o.value)]
    if len(kept) < _FEWEST_PLATES:
        raise Refused(
            f"only {len(kept)} usable results of {question.quantity}",
            why="three are needed",
            do="Test more pieces.",
        )
    return sorted(kept, key=lambda o: o.result_id)


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
    def at(cls, design: Design, data: Sums, posterior: Posterior) -> _Fit:
        """Fit the design with the scatters' geometric means.

        With P = W - WZ(Z'WZ + prior)⁻¹Z'W, the leave-one-out residual of result i is
        (Py)_i/P_ii with variance σ²/P_ii (C. Rasmussen and C. Williams, Gaussian
        Processes for Machine Learning, 2006, eq. 5.12, with intercepts flat).
        """
        sigma, rho, kappa = typical_scatters(posterior)
        matrix, right, _, _ = weighted(data, rho, kappa)
        effects = np.arange(data.q, len(matrix))
        matrix[effects, effects] += kappa**-2.0
        theta = np.asarray(np.linalg.solve(matrix, right), dtype=np.float64)
        z = np.hstack([np.eye(data.q)[design.material], design.x])
        y = design.y - design.y.mean()
        t = rho**2 + kappa**2 * data.open_variance
        pull = (t / (1 + data.counts * t))[design.plate]
        wz = z - pull[:, None] * data.plate_x[design.plate]
        py = y - pull * data.plate_y[design.plate] - wz @ theta
        own = 1 - pull - np.einsum("ij,ji->i", wz, np.linalg.solve(matrix, wz.T))
        # A result that alone fixes an effect has nothing to be held against.
        own = np.where(own > 1e-9, own, np.nan)  # noqa: PLR2004 - rounding of one
        plate_sd = sigma * np.sqrt(t + 1 / data.counts)
        inverse = np.linalg.inv(matrix)
        fitted = len(effects) - kappa**-2.0 * float(np.trace(inverse[np.ix_(effects, effects)]))
        plates = max(len(data.counts) - data.q, 1)
        free = max((plates - fitted) / plates, 0.1)
        # The score of a shift of one plate: sum of Py over it, with variance 1'P1 (same source).
        loose = 1 + data.counts * t
        rows = data.plate_x / loose[:, None]
        shift = np.maximum(data.counts / loose - np.einsum("kc,cd,kd->k", rows, inverse, rows), 1e-9)
        plate_z = np.bincount(design.plate, weights=py) / (sigma * np.sqrt(shift))
        return cls(
            y - z @ theta, theta[data.q :], plate_sd, py / (sigma * np.sqrt(own)), py / own, free, plate_z
        )


def _plate_means(design: Design, values: Array) -> Array:
    return np.asarray(np.bincount(design.plate, weights=values) / np.bincount(design.plate))


def _charts(usable: list[Observation], design: Design, fit: _Fit) -> tuple[PlateChart, ...]:
    means = _plate_means(design, fit.left) * design.scale.unit
    charts = []
    for index, material in enumerate(design.materials):
        places = _plates_in_order(usable, design, index)
        # Plate means and not single pieces: pieces of one plate share its luck and would make a run where
        # there is none.
        if len(places) >= _FEWEST_PLATES:
            values = [float(means[place]) for place, _ in places]
            individuals = shewhart_individuals(values)
            # Short-term scatter, because a drift has already widened the model's plate scatter.
            sigma = individuals.sigma or float(np.median([fit.plate_sd[place] for place, _ in places]))
            names = tuple(name for _, name in places)
            average = ewma(values, centre=0.0, sigma=sigma)
            charts.append(
                PlateChart(material, names, tuple(values), individuals, average, _step(names, values))
            )
    return tuple(charts)


def _plates_in_order(usable: list[Observation], design: Design, material: int) -> list[tuple[int, str]]:
    """Return (index, name) of a material's plates by time; those without a time by name, at the end."""
    first: dict[str, tuple[float, int]] = {}
    for row, o in enumerate(usable):
        if design.material[row] == material:
            when = math.inf if o.order is None else o.order
            known = first.get(o.plate, (math.inf, 0))
            first[o.plate] = (min(when, known[0]), int(design.plate[row]))
    ordered = sorted(first.items(), key=lambda item: (item[1][0], item[0]))
    return [(place, name) for name, (_, place) in ordered]


def _reader_rows(design: Design, data: Sums, readers: Sequence[str]) -> tuple[Array, list[tuple[str, str]]]:
    """Return, for each level of each reader, its effect less the mean of all levels."""
    rows, names = [], []
    for index, factor in enumerate(design.factors):
        if factor.name in readers and factor.kind == "category":
            own = np.flatnonzero(design.owner == index)
            for column in own:
                row = np.zeros(len(data.xy))
                # Against the mean of all levels, so that no rig is taken for the true one.
                row[data.q + own] -= math.sqrt(0.5) / len(own)
                row[data.q + column] += math.sqrt(0.5)
                rows.append(row)
                names.append((factor.name, str(design.levels[column])))
    return np.array(rows).reshape(len(rows), len(data.xy)), names


def _readers(
    names: list[tuple[str, str]], design: Design, posterior: Posterior, usable: list[Observation]
) -> tuple[ReaderLevel, ...]:
    if not names:
        return ()
    limits = quantiles(posterior, (0.025, 0.5, 0.975)) * design.scale.unit
    if design.scale.log:
        limits = np.expm1(limits)
    mean = posterior.weight @ posterior.mean
    spread = posterior.weight @ (posterior.variance + (posterior.mean - mean) ** 2)
    z = mean / np.sqrt(np.maximum(spread, 1e-300))
    plates = Counter(
        (factor, level)
        for factor in {name for name, _ in names}
        for level, _ in {(str(o.factors.get(factor)), o.plate) for o in usable}
    )
    return tuple(
        ReaderLevel(factor, level, plates[factor, level], float(middle), float(low), float(high), float(own))
        for (factor, level), low, middle, high, own in zip(names, *limits, z, strict=True)
    )


def _precisions(
    readers: Sequence[str], design: Design, fit: _Fit, usable: list[Observation]
) -> tuple[Precision, ...]:
    found = []
    for index, factor in enumerate(design.factors):
        if factor.name in readers:
            own = design.owner == index
            # The reader's own effect is put back, because it is what this figure is about.
            values = _plate_means(design, fit.left + design.x[:, own] @ fit.effect[own]) * design.scale.unit
            groups: dict[str, dict[int, float]] = {}
            for row, o in enumerate(usable):
                level = groups.setdefault(str(o.factors.get(factor.name)), {})
                level[int(design.plate[row])] = float(values[design.plate[row]])
            lists = [list(group.values()) for group in groups.values()]
            if len(lists) > 1 and any(len(group) > 1 for group in lists):
                parts = variance_components(lists)
                found.append(Precision(factor.name, parts.s_r, parts.s_l))
    return tuple(found)


def _improbable(usable: list[Observation], design: Design, fit: _Fit) -> tuple[Improbable, ...]:
    p = 2 * ndtr(-np.abs(fit.z))
    # Bonferroni's bound: in a book of a thousand results the improbable happens daily.
    rows = np.flatnonzero(p * len(usable) < _EXPECTED_FALSE)
    found = [_improbable_row(usable[row], design, fit, int(row), float(p[row])) for row in rows]
    return tuple(sorted(found, key=lambda item: item.p))


def _improbable_row(o: Observation, design: Design, fit: _Fit, row: int, p: float) -> Improbable:
    missed = float(fit.missed[row])
    expected = o.value * math.exp(-missed) if design.scale.log else o.value - missed * design.scale.unit
    return Improbable(o.result_id, o.specimen, o.plate, o.value, expected, float(fit.z[row]), p)
