"""Drift, readers that differ, and improbable results across a book."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from tracker.errors import Refused
from tracker.statistics import ewma, shewhart_individuals, variance_components
from tracker.why.design import Array, Design, build
from tracker.why.posterior import Posterior, Sums, infer, quantiles, sums, weighted
from tracker.why.problem import Factor, Observation, Question
from tracker.why.watch import Improbable, PlateChart, Precision, ReaderLevel, Watch
from tracker.why.working import typical_scatters

_FEWEST_PLATES = 3
_EXPECTED_FALSE = 0.05
"""Results pointed at in a whole book in which nothing is wrong, on average."""


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
    return Watch(
        question,
        design.scale.log,
        _charts(usable, design, fit),
        _readers(names, design, posterior, usable),
        _precisions(readers, design, fit, usable),
        _improbable(usable, design, fit),
    )


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
    """

    left: Array
    effect: Array
    plate_sd: Array
    z: Array
    missed: Array

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
        return cls(y - z @ theta, theta[data.q :], plate_sd, py / (sigma * np.sqrt(own)), py / own)


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
            charts.append(PlateChart(material, names, tuple(values), individuals, average))
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
    plates = Counter(
        (factor, level)
        for factor in {name for name, _ in names}
        for level, _ in {(str(o.factors.get(factor)), o.plate) for o in usable}
    )
    return tuple(
        ReaderLevel(factor, level, plates[factor, level], float(middle), float(low), float(high))
        for (factor, level), low, middle, high in zip(names, *limits, strict=True)
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
