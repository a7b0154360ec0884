"""The work behind an answer: groups checked, factors compared, design and sums built once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tracker.why.design import Array, Design, build
from tracker.why.differed import Comparison, compare, compare_materials, one_per_cause
from tracker.why.posterior import Posterior, Prior, Sums, infer, sums, weighted
from tracker.why.problem import Cleaned, Observation
from tracker.why.separable import MATERIAL, Group, groups


@dataclass(frozen=True)
class Working:
    """Everything between the problem and its answer; s changed factors, c columns of Z.

    Attributes:
        cleaned: The usable problem.
        comparisons: Every factor, compared; the material last.
        unused: Factors left aside because another measures the same cause.
        design: The design of all results in scope.
        data: Its sums.
        names: The changed factors in the model, ``material`` last where it changed.
        rows: Their contrasts B - A on the columns of Z, shape (s, c).
        groups: Those that cannot be told apart.
        row_a: Mean row of A on the columns of Z, shape (c,).
        row_b: Mean row of B.
        posterior: Nodes with the contrasts: shares, then groups, then the sum of all shares.
    """

    cleaned: Cleaned
    comparisons: tuple[Comparison, ...]
    unused: dict[str, str]
    design: Design
    data: Sums
    names: tuple[str, ...]
    rows: Array
    groups: tuple[Group, ...]
    row_a: Array
    row_b: Array
    posterior: Posterior

    def index(self, group: tuple[Observation, ...]) -> Array:
        """Return 1 at the results of a group, shape (n,)."""
        ids = {o.result_id for o in group}
        return np.array([float(o.result_id in ids) for o in self.cleaned.observations])


def prior_for(cleaned: Cleaned, design: Design) -> Prior:
    """Return the priors, with the method's own repeatability where it is known."""
    known = cleaned.problem.question.repeatability
    if known is None or known <= 0:
        return Prior()
    # A published repeatability is somebody else's; 0.3 on the logarithm lets ours differ by a third.
    return Prior(piece=(known / design.scale.unit, 0.3))


def work(cleaned: Cleaned) -> Working:
    """Do everything between a usable problem and the words of its answer."""
    a, b = cleaned.a, cleaned.b
    kept, unused = one_per_cause(cleaned.problem.factors, a, b)
    # All kept factors go into the design, not the changed ones only: what varied elsewhere must be taken
    # off the other plates before they teach anything.
    compared = [*(compare(factor, a, b) for factor in kept), compare_materials(a, b)]
    design = build(cleaned.problem.question, kept, cleaned.observations, (*a, *b))
    data = sums(design)
    row_a, row_b = _mean_rows(cleaned, design)
    names, rows = _contrasts(compared, design, row_b - row_a)
    parts = groups(design, data, _changes(names, rows, design, data.q), material_changed=MATERIAL in names)
    # The sum of all shares has an interval of its own: shares trade against each other, so adding up their
    # limits would be far too wide.
    contrasts = np.vstack([rows, *joint_rows(names, rows, parts), rows.sum(axis=0)])
    posterior = infer(data, contrasts, prior_for(cleaned, design))
    return Working(
        cleaned, tuple(compared), unused, design, data, names, rows, parts, row_a, row_b, posterior
    )


def _mean_rows(cleaned: Cleaned, design: Design) -> tuple[Array, Array]:
    z = np.hstack([np.eye(len(design.materials))[design.material], design.x])
    ids = [o.result_id for o in cleaned.observations]
    place = {name: i for i, name in enumerate(ids)}
    row_a, row_b = (z[[place[o.result_id] for o in group]].mean(axis=0) for group in (cleaned.a, cleaned.b))
    return row_a, row_b


def _contrasts(compared: list[Comparison], design: Design, change: Array) -> tuple[tuple[str, ...], Array]:
    """Return the changed factors that have columns, and their rows on the columns of Z."""
    q = len(design.materials)
    index = {factor.name: i for i, factor in enumerate(design.factors)}
    names, rows = [], []
    for item in compared:
        # A factor within its resolution, or within overlapping intervals, gets no share: what it may
        # have done stays in the remainder.
        row = np.zeros(len(change))
        if item.differs and item.factor.name in index:
            own = q + np.flatnonzero(design.owner == index[item.factor.name])
            row[own] = change[own]
        elif item.differs and item.factor.name == MATERIAL:
            row[:q] = change[:q]
        if row.any():
            names.append(item.factor.name)
            rows.append(row)
    return tuple(names), np.array(rows).reshape(len(rows), len(change))


def _changes(names: tuple[str, ...], rows: Array, design: Design, q: int) -> dict[str, Array]:
    index = {factor.name: i for i, factor in enumerate(design.factors)}
    return {
        name: row[q:][design.owner == index[name]]
        for name, row in zip(names, rows, strict=True)
        if name in index
    }


def joint_rows(names: tuple[str, ...], rows: Array, parts: tuple[Group, ...]) -> list[Array]:
    """Return for each group the sum of its members' rows, shape (c,) each.

    Args:
        names: Factor of each row, s of them.
        rows: Contrasts on the columns of Z, shape (s, c).
        parts: The groups.
    """
    return [np.asarray(rows[[name in part.factors for name in names]].sum(axis=0)) for part in parts]


def plates_beyond_factors(working: Working) -> float:
    """Return how many plates are left to show plate-to-plate scatter once factors are fitted.

    Number of plates less materials less the effective number of effects (trace of
    the resolution matrix at the priors' medians).
    """
    a = weighted(working.data, 1.0, 0.0)[0]
    q = working.data.q
    inner = a[q:, q:] - a[q:, :q] @ np.linalg.solve(a[:q, :q], a[:q, q:])
    # Rounding may leave eigenvalues a hair below zero where columns depend on each other.
    eigen = np.maximum(np.linalg.eigvalsh(inner), 0.0) if len(inner) else np.zeros(0)
    return len(working.data.counts) - q - float((eigen / (eigen + 0.09)).sum())


def noise_weights(working: Working) -> tuple[float, float]:
    """Return (w, v) with Var(mean_B - mean_A) = σ²·w + τ²·v.

    v is 1/k_A + 1/k_B for equal plates; pieces of A and B on one plate share
    what that plate had, which cancels.
    """
    # Weights per result, summed per plate before squaring: only so does a shared plate cancel.
    in_a, in_b = working.index(working.cleaned.a), working.index(working.cleaned.b)
    weight = in_b / in_b.sum() - in_a / in_a.sum()
    per_plate = np.bincount(working.design.plate, weights=weight)
    return math.fsum(weight**2), math.fsum(per_plate**2)


def mean_square_scatters(posterior: Posterior) -> tuple[float, float, float]:
    """Return (σ, ρ, κ) whose squares σ², τ² and λ² are the posterior means."""
    sigma2 = float(posterior.weight @ posterior.sigma**2)
    tau2 = float(posterior.weight @ (posterior.sigma * posterior.rho) ** 2)
    effect2 = float(posterior.weight @ (posterior.sigma * posterior.kappa) ** 2)
    return math.sqrt(sigma2), math.sqrt(tau2 / sigma2), math.sqrt(effect2 / sigma2)


def typical_scatters(posterior: Posterior) -> tuple[float, float, float]:
    """Return the geometric means of (σ, ρ, κ): what a single believable set would be."""
    sigma, rho, kappa = (
        math.exp(float(posterior.weight @ np.log(values)))
        for values in (posterior.sigma, posterior.rho, posterior.kappa)
    )
    return sigma, rho, kappa


def covariance(working: Working, rows: Array, scatters: tuple[float, float, float]) -> Array:
    """Return the posterior covariance of contrasts at given scatters, shape (s, s).

    Args:
        working: The work.
        rows: Contrasts on the columns of Z, shape (s, c).
        scatters: σ on the working scale, ρ = τ/σ, κ = λ/σ.
    """
    sigma, rho, kappa = scatters
    matrix = weighted(working.data, rho, kappa)[0]
    effects = np.arange(working.data.q, len(matrix))
    matrix[effects, effects] += kappa**-2.0
    return np.asarray(sigma**2 * rows @ np.linalg.solve(matrix, rows.T))
