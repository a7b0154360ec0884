"""Which of the changed things acted: a posterior over sets of causes, each with its Gaussian.

The grid of :mod:`tracker.why.posterior` knows one prior for all effects, N(0, λ²), and spreads a
difference evenly over whatever changed together. Here each cause either *acts*, with the prior
N(0, λ²), or hardly does, with N(0, (ελ)²): small effects are likelier than large ones, and a difference
mostly has one cause or two (the mixture of E. George and R. McCulloch, J. Am. Stat. Assoc. 88, 1993,
881-889). "Something else about B" is a cause like any other, of which only one form is tried at a time
(on B, on A, since a plate, with time); its ε is nearly zero.

Given (ρ, κ) all sets of causes follow from one base solution in which none acts. Let V and m be the base
covariance (in σ²) and mean of the causes' effects, and let the set γ turn the prior precision of its
effects from 1/(εκ)² to 1/κ², a decrease Δ. With M = Δ⁻¹ - V_γγ

    V' = V + V_·γ M⁻¹ V_γ·,   m' = m + V_·γ M⁻¹ m_γ,   rest' = rest - m_γ' M⁻¹ m_γ,
    log Z' = log Z + Σ_γ log ε - ½ log |ΔM|,

so that hundreds of sets cost matrices no larger than the set. σ is summed over a grid at each.

Values that were imputed or are known only within bounds are a doubt about a factor, and no more than that:
as the factor itself they either act or hardly do. Both are on the grid, since the doubt is part of the noise.
A doubt that always acted would make plates worthless that lie on one line with all others.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from tracker.lazy_modules import np
from tracker.why.design import Array, Indices
from tracker.why.posterior import (
    Posterior,
    Prior,
    Sums,
    narrow,
    sigma_log_density,
    sigma_nodes,
    systems,
)

Range = tuple[float, float]

_FAINT = 0.1
"""ε of a recorded factor: 2 % where an effect that acts has 20 %."""
_NOTHING = 0.02
"""ε of what nobody recorded: it is there or it is not."""
_LEFT_OUT = 1e-3
"""Probability of all nodes together that are left out."""
_MOST_TRIPLES = 8
_MOST_PAIRS = 30
_LEAST_NODES, _MOST_WORK = 100, 200_000
_NODES = 7
_SIGMA_NODES = 8


@dataclass(frozen=True)
class Cause:
    """One thing that may have acted.

    Attributes:
        name: Its name.
        column: Its column of Z.
        chance: Prior probability that it acts.
        unrecorded: True for forms of "something not recorded", which exclude each other.
    """

    name: str
    column: int
    chance: float
    unrecorded: bool = False


@dataclass(frozen=True)
class Doubt:
    """What is not known of the factors' values.

    Attributes:
        columns: Columns of Z that stand for what is not known of A's and of B's values.
        chance: Prior probability that a factor acts whose values are in doubt.
    """

    columns: tuple[int, ...]
    chance: float


@dataclass(frozen=True)
class _Sheets:
    """Base solutions at h points (ρ, κ, whether doubts act); u causes, s contrasts.

    Attributes:
        rho: ρ, shape (h,).
        kappa: κ, shape (h,).
        v: Covariance of the causes' effects, shape (h, u, u).
        m: Their means, shape (h, u).
        gain: Covariance of contrasts and effects, shape (h, s, u).
        mean: Means of the contrasts, shape (h, s).
        base: Their covariance, shape (h, s, s).
        rest: Weighted residual sum of squares plus the prior's pull, shape (h,).
        log_constant: Log likelihood but for σ, shape (h,).
        faint: ε of each cause, shape (u,).
        scale: Prior standard deviation of each cause that acts, relative to λ, shape (u,).
    """

    rho: Array
    kappa: Array
    v: Array
    m: Array
    gain: Array
    mean: Array
    base: Array
    rest: Array
    log_constant: Array
    faint: Array
    scale: Array

    def inner(self, columns: Indices, cells: Indices) -> tuple[Array, Array]:
        """Return M⁻¹ and log |ΔM| of sets ``columns`` (r, k) at ``cells`` that broadcast with (r,)."""
        square = self.faint[columns] ** 2
        delta = (self.kappa[cells][..., None] * self.scale[columns]) ** 2 * square / (1 - square)
        block = -self.v[cells[..., None, None], columns[:, :, None], columns[:, None, :]]
        diagonal = np.arange(columns.shape[1])
        block[..., diagonal, diagonal] += delta
        log_det = np.linalg.slogdet(block)[1] - np.log(delta).sum(axis=-1)
        return np.asarray(np.linalg.inv(block)), np.asarray(log_det)


@dataclass(frozen=True)
class Mixture:
    """A posterior whose nodes also say which causes act; g nodes.

    Attributes:
        posterior: The nodes with the contrasts asked for.
        sets: Sets of causes, as indices.
        node_set: Index into ``sets`` of each node, shape (g,).
        node_cell: Index of each node's (ρ, κ), shape (g,).
        sheets: The base solutions.
    """

    posterior: Posterior
    sets: tuple[tuple[int, ...], ...]
    node_set: Indices
    node_cell: Indices
    sheets: _Sheets

    def acts(self, cause: int) -> float:
        """Return the probability that a cause acts."""
        inside = np.array([cause in one for one in self.sets])
        return float(self.posterior.weight[inside[self.node_set]].sum())

    def draws(self, count: int, only: Indices, seed: int = 1) -> Array:
        """Return draws of some contrasts, shape (count, len(only)).

        Nodes are taken in even steps of probability, and the normal numbers in pairs of both signs, so
        that the same book gives the same draws and exchanging A and B mirrors them.
        """
        half = count // 2
        # Of many contrasts each node costs a large matrix: fewer nodes, each drawn from more often.
        distinct = min(half, max(_LEAST_NODES, _MOST_WORK // len(only) ** 2))
        steps = (np.arange(half) * distinct // half + 0.5) / distinct
        node = np.searchsorted(np.cumsum(self.posterior.weight), steps).clip(0, len(self.node_set) - 1)
        used, place = np.unique(node, return_inverse=True)
        values, vectors = np.linalg.eigh(self._covariance(used)[:, only[:, None], only])
        # Eigenvalues and not a Cholesky factor: contrasts that are one and the same make it singular.
        root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
        root *= self.posterior.sigma[used][:, None, None]
        normal = np.random.default_rng(seed).standard_normal((half, root.shape[-1]))
        # Through the symmetric root, so that the order of eigenvectors decides nothing.
        step = np.einsum("dij,dj->di", (root @ vectors.swapaxes(1, 2))[place], normal)
        mean = self.posterior.mean[node][:, only]
        return np.concatenate([mean + step, mean - step])

    def _covariance(self, nodes: Indices) -> Array:
        """Return covariances of all contrasts at nodes, in σ², shape (m, s, s)."""
        cells, sets = self.node_cell[nodes], self.node_set[nodes]
        found = self.sheets.base[cells].copy()
        sizes = np.array([len(one) for one in self.sets])[sets]
        for size in np.unique(sizes[sizes > 0]):
            at = np.flatnonzero(sizes == size)
            columns = np.array([self.sets[i] for i in sets[at]], dtype=np.intp)
            inverse, _ = self.sheets.inner(columns, cells[at])
            gain = self.sheets.gain[cells[at][:, None], :, columns].swapaxes(1, 2)
            found[at] += gain @ inverse @ gain.swapaxes(1, 2)
        return found


def sets_of(causes: Sequence[Cause]) -> tuple[tuple[int, ...], ...]:
    """Return the sets of causes that are tried.

    Every set of up to three recorded causes (two of many, one of very many) and all of them together,
    each alone and with every form of something unrecorded.
    """
    recorded = [i for i, cause in enumerate(causes) if not cause.unrecorded]
    forms = [(), *((i,) for i, cause in enumerate(causes) if cause.unrecorded)]
    largest = 3 if len(recorded) <= _MOST_TRIPLES else 2 if len(recorded) <= _MOST_PAIRS else 1
    chosen = [one for size in range(largest + 1) for one in combinations(recorded, size)]
    if len(recorded) > largest:
        chosen.append(tuple(recorded))
    # Beside something unrecorded, pairs are as far as anybody could follow.
    return tuple(one + form for form in forms for one in chosen if not form or len(one) <= 2)  # noqa: PLR2004


def _log_prior(causes: Sequence[Cause], sets: Sequence[tuple[int, ...]]) -> Array:
    odds = np.array([math.log(cause.chance / (1 - cause.chance)) for cause in causes])
    return np.array([odds[list(one)].sum() for one in sets])


def weigh(
    data: Sums,
    causes: Sequence[Cause],
    contrasts: Array,
    scale: Array,
    prior: Prior,
    doubt: Doubt | None = None,
) -> Mixture:
    """Return the posterior over sets of causes, and of linear contrasts of the columns of Z.

    Args:
        data: The sums.
        causes: What may have acted; columns of no cause are nuisance and act always.
        contrasts: Rows of weights on the columns of Z, shape (s, c).
        scale: Prior standard deviation of each effect relative to λ, shape (c - q,); a negative one is
            relative to σ, for levels that must not decide how large an effect may be.
        prior: Priors of the scatters.
        doubt: What is not known of the factors' values; None where nothing is in doubt.
    """
    rho, kappa = prior.ranges()
    # A first look at few sets finds where the mass is; the sets themselves are weighed on the last grid.
    few = sets_of([])
    few += tuple((i,) for i in range(len(causes))) + ((tuple(range(len(causes))),) if len(causes) > 1 else ())
    empty = np.zeros((0, contrasts.shape[1]))
    for _ in range(4):
        sheets = _base(data, causes, empty, scale, (rho, kappa), doubt)
        weight, _, _, _ = _weights(sheets, few, _log_prior(causes, few), data, prior, 7)
        mass = weight.sum(axis=(1, 2))
        nearer = narrow(sheets.rho, mass, rho, _NODES), narrow(sheets.kappa, mass, kappa, _NODES)
        closing = _area(nearer) < 0.5 * _area((rho, kappa))
        rho, kappa = nearer
        if not closing:
            break
    sheets = _base(data, causes, contrasts, scale, (rho, kappa), doubt)
    sets = sets_of(causes)
    return _mixture(sheets, sets, _log_prior(causes, sets), data, prior)


def _area(ranges: tuple[Range, Range]) -> float:
    return (ranges[0][1] - ranges[0][0]) * (ranges[1][1] - ranges[1][0])


def _grid(ranges: tuple[Range, Range], doubt: Doubt | None) -> tuple[Array, Array, Array, Array]:
    """Return ρ, κ, the size of the doubt's effect and the log of its chance, of every pair of the grid."""
    rhos, kappas = (np.exp(np.linspace(*pair, _NODES)) for pair in ranges)
    rho, kappa = np.repeat(rhos, _NODES), np.tile(kappas, _NODES)
    if doubt is None:
        return rho, kappa, np.ones(len(rho)), np.zeros(len(rho))
    return (
        np.tile(rho, 2),
        np.tile(kappa, 2),
        np.repeat([1.0, _FAINT], len(rho)),
        np.repeat(np.log([doubt.chance, 1 - doubt.chance]), len(rho)),
    )


def _base(
    data: Sums,
    causes: Sequence[Cause],
    contrasts: Array,
    scale: Array,
    ranges: tuple[Range, Range],
    doubt: Doubt | None = None,
) -> _Sheets:
    """Solve every (ρ, κ) of a grid with no cause acting, everything but the causes eliminated.

    With a doubt every pair is there twice, with it acting and hardly acting.
    """
    columns = np.array([cause.column for cause in causes], dtype=np.intp)
    faint = np.array([_NOTHING if cause.unrecorded else _FAINT for cause in causes])
    others = np.setdiff1d(np.arange(len(data.xy)), columns)
    rho, kappa, size, log_chance = _grid(ranges, doubt)
    a, b, yy, log_noise = systems(data, rho, kappa * size)
    q = data.q
    spread = np.where(scale < 0, -scale, scale * kappa[:, None])
    spread[:, columns - q] *= faint
    if doubt is not None:
        spread[:, np.array(doubt.columns, dtype=np.intp) - q] *= size[:, None]
    effects = np.arange(q, len(data.xy))
    a[:, effects, effects] += spread**-2.0
    # The causes' effects alone are needed for every set; all else is eliminated once.
    inner, cross = a[:, others[:, None], others], a[:, columns[:, None], others]
    given = np.broadcast_to(contrasts[:, others].T, (len(rho), len(others), len(contrasts)))
    right = np.concatenate([cross.swapaxes(1, 2), b[:, others, None], given], axis=2)
    solved = np.linalg.solve(inner, right)
    u = len(columns)
    by_cause, by_y, by_row = solved[:, :, :u], solved[:, :, u], solved[:, :, u + 1 :]
    v = np.asarray(np.linalg.inv(a[:, columns[:, None], columns] - cross @ by_cause), dtype=np.float64)
    left = b[:, columns] - (cross @ by_y[:, :, None])[:, :, 0]
    m = (v @ left[:, :, None])[:, :, 0]
    rest = yy - (b[:, others] * by_y).sum(axis=1) - (left * m).sum(axis=1)
    row = contrasts[:, columns] - contrasts[:, others] @ by_cause
    log_det = np.linalg.slogdet(inner)[1] - np.linalg.slogdet(v)[1]
    return _Sheets(
        rho=rho,
        kappa=kappa,
        v=v,
        m=m,
        gain=row @ v,
        mean=(row @ m[:, :, None])[:, :, 0] + by_y @ contrasts[:, others].T,
        base=row @ v @ row.swapaxes(1, 2) + contrasts[:, others] @ by_row,
        rest=np.maximum(rest, max(1e-14 * data.yy, data.n * 1e-14)),
        log_constant=log_chance - 0.5 * (log_noise + log_det) - np.log(spread).sum(axis=1),
        faint=faint,
        scale=scale[columns - q],
    )


def _weights(
    sheets: _Sheets, sets: Sequence[tuple[int, ...]], log_prior: Array, data: Sums, prior: Prior, nodes: int
) -> tuple[Array, Array, Array, Array]:
    """Return weights that sum to 1 and log σ, shapes (h, r, nodes), means and unit variances, (h, r, s)."""
    h, s = sheets.mean.shape
    constant = np.broadcast_to(sheets.log_constant[:, None] + log_prior, (h, len(sets))).copy()
    rest = np.broadcast_to(sheets.rest[:, None], (h, len(sets))).copy()
    mean = np.broadcast_to(sheets.mean[:, None], (h, len(sets), s)).copy()
    own = np.diagonal(sheets.base, axis1=1, axis2=2)
    variance = np.broadcast_to(own[:, None], (h, len(sets), s)).copy()
    cells = np.arange(h)[:, None]
    sizes = np.array([len(one) for one in sets])
    for size in np.unique(sizes[sizes > 0]):
        at = np.flatnonzero(sizes == size)
        columns = np.array([sets[int(i)] for i in at], dtype=np.intp)
        inverse, log_det = sheets.inner(columns, cells)
        m = sheets.m[:, columns]
        pulled = np.einsum("hrij,hrj->hri", inverse, m)
        constant[:, at] += np.log(sheets.faint[columns]).sum(axis=1) - 0.5 * log_det
        rest[:, at] -= (pulled * m).sum(axis=2)
        gain = np.moveaxis(sheets.gain[:, :, columns], 1, 2)
        mean[:, at] += np.einsum("hrsk,hrk->hrs", gain, pulled)
        variance[:, at] += ((gain @ inverse) * gain).sum(axis=3)
    rest = np.maximum(rest, data.n * 1e-14)
    log_kappa = np.repeat(np.log(sheets.kappa), len(sets))
    far = (np.log(sheets.rho) - math.log(prior.plate_ratio[0])) / prior.plate_ratio[1]
    free = data.free
    u, step = sigma_nodes(free, rest.ravel(), log_kappa, prior, nodes)
    log_p = sigma_log_density(u, free, rest.ravel(), log_kappa, prior)
    log_p += ((constant - 0.5 * far[:, None] ** 2).ravel() + np.log(step))[:, None]
    weight = np.exp(log_p - log_p.max()).reshape(h, len(sets), nodes)
    return weight / weight.sum(), u.reshape(weight.shape), mean, variance


def _mixture(
    sheets: _Sheets, sets: tuple[tuple[int, ...], ...], log_prior: Array, data: Sums, prior: Prior
) -> Mixture:
    weight, u, mean, variance = _weights(sheets, sets, log_prior, data, prior, _SIGMA_NODES)
    flat = weight.ravel()
    order = np.argsort(-flat, kind="stable")
    kept = np.sort(order[: int(np.searchsorted(np.cumsum(flat[order]), 1 - _LEFT_OUT)) + 1])
    cell, which, _ = np.unravel_index(kept, weight.shape)
    sigma = np.exp(u.ravel()[kept])
    posterior = Posterior(
        flat[kept] / flat[kept].sum(),
        sigma,
        sheets.rho[cell],
        sheets.kappa[cell],
        mean[cell, which],
        np.maximum(variance[cell, which], 0.0) * sigma[:, None] ** 2,
    )
    return Mixture(posterior, sets, which, cell, sheets)
