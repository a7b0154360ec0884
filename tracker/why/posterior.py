"""The closed-form posterior over a grid of the three unknown scatters.

Model (working scale): y_ij = m_material + Σ β_f z_if + u_j + e_ij with
u_j ~ N(0, τ²) per plate, e_ij ~ N(0, σ²) per piece, β_f ~ N(0, λ²), m flat.
Given (λ, σ, τ) everything is Gaussian. With ρ = τ/σ and κ = λ/σ the noise
matrix is σ²·blocks(I + t_j 11'), t_j = ρ² + κ²·(open variance of plate j), whose
inverse needs the plates' counts and sums only (Sherman-Morrison); σ then
scales everything, so one Cholesky per (ρ, κ) serves all σ. A. Gelman et al.,
Bayesian Data Analysis, 3rd ed., ch. 14-15.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from tracker.why.design import Array, Design


@dataclass(frozen=True)
class Prior:
    """Log-normal priors of the scatters: (median, standard deviation of the logarithm).

    Attributes:
        effect: λ, the effect of one span, as a fraction of the value.
        piece: σ, piece to piece.
        plate_ratio: ρ = τ/σ, plate to plate relative to piece to piece.
    """

    effect: tuple[float, float] = (0.10, 0.9)
    piece: tuple[float, float] = (0.03, 0.9)
    plate_ratio: tuple[float, float] = (1.0, 0.6)


@dataclass(frozen=True)
class Sums:
    """All the data the posterior needs; k plates, c = q + p columns (materials first).

    Attributes:
        n: Number of results.
        q: Number of material intercepts, the first columns.
        xx: Z'Z, shape (c, c).
        xy: Z'y, shape (c,).
        yy: y'y.
        counts: Results per plate, shape (k,).
        plate_x: Per-plate sums of Z, shape (k, c).
        plate_y: Per-plate sums of y, shape (k,).
        open_variance: As in :class:`Design`, shape (k,).
    """

    n: int
    q: int
    xx: Array
    xy: Array
    yy: float
    counts: Array
    plate_x: Array
    plate_y: Array
    open_variance: Array


@dataclass(frozen=True)
class Posterior:
    """Weighted nodes of the grid, each a Gaussian; g nodes, s contrasts.

    Attributes:
        weight: Probability of each node, shape (g,), summing to 1.
        sigma: σ at each node, shape (g,).
        rho: τ/σ at each node, shape (g,).
        kappa: λ/σ at each node, shape (g,).
        mean: Mean of each contrast, shape (g, s).
        variance: Variance of each contrast, shape (g, s).
    """

    weight: Array
    sigma: Array
    rho: Array
    kappa: Array
    mean: Array
    variance: Array


def sums(design: Design) -> Sums:
    """Reduce a design to per-plate sums. y is centred, which the intercepts absorb."""
    q = len(design.materials)
    z = np.hstack([np.eye(q)[design.material], design.x])
    y = design.y - design.y.mean()
    k = len(design.open_variance)
    order = np.argsort(design.plate, kind="stable")
    starts = np.searchsorted(design.plate[order], np.arange(k))
    return Sums(
        n=len(y),
        q=q,
        xx=z.T @ z,
        xy=z.T @ y,
        yy=float(y @ y),
        counts=np.bincount(design.plate, minlength=k).astype(np.float64),
        plate_x=np.add.reduceat(z[order], starts, axis=0),
        plate_y=np.add.reduceat(y[order], starts),
        open_variance=design.open_variance,
    )


def weighted(data: Sums, rho: float, kappa: float) -> tuple[Array, Array, float, float]:
    """Return Z'WZ, Z'Wy, y'Wy and log|W⁻¹| for W⁻¹ = blocks(I + t_j 11')."""
    t = rho**2 + kappa**2 * data.open_variance
    pull = t / (1 + data.counts * t)
    scaled = data.plate_x * pull[:, None]
    return (
        data.xx - scaled.T @ data.plate_x,
        data.xy - scaled.T @ data.plate_y,
        data.yy - float(pull @ data.plate_y**2),
        float(np.log1p(data.counts * t).sum()),
    )


_LEAST_SCATTER = 1e-7
"""Readings that agree exactly still have this scatter: no scale reads finer."""


@dataclass(frozen=True)
class _Sheet:
    """Facts of one (ρ, κ): what is left to do is σ."""

    rho: float
    kappa: float
    log_constant: float
    rest: float
    mean: Array
    unit_variance: Array


def _sheets(data: Sums, rho: float, kappas: Array, contrasts: Array) -> list[_Sheet]:
    """Solve all κ of one ρ together; without open variance they share Z'WZ."""
    shared = not data.open_variance.any()
    systems = [weighted(data, rho, float(k)) for k in (kappas[:1] if shared else kappas)]
    systems = systems * len(kappas) if shared else systems
    c = len(data.xy)
    ridge = np.zeros((len(kappas), c))
    ridge[:, data.q :] = kappas[:, None] ** -2.0
    left = np.stack([system[0] for system in systems])
    left[:, np.arange(c), np.arange(c)] += ridge
    right = np.stack([np.column_stack([system[1], contrasts.T]) for system in systems])
    log_det = np.linalg.slogdet(left)[1]
    solved = np.linalg.solve(left, right)
    sheets = []
    for i, (_, b, yy, log_noise) in enumerate(systems):
        theta, inverse = solved[i, :, 0], solved[i, :, 1:]
        rest = max(yy - float(b @ theta), 1e-14 * data.yy, data.n * _LEAST_SCATTER**2)
        effects = (c - data.q) * math.log(kappas[i])
        constant = -0.5 * (log_noise + float(log_det[i])) - effects
        variance = np.einsum("sc,cs->s", contrasts, inverse)
        sheets.append(
            _Sheet(rho, float(kappas[i]), constant, rest, contrasts @ theta, np.maximum(variance, 0.0))
        )
    return sheets


def restricted_log_likelihood(data: Sums, sigma: float, rho: float, kappa: float) -> float:
    """Return the log marginal likelihood, intercepts integrated flat, up to a constant.

    Without factor columns this is the restricted (REML) likelihood of a random-intercept model.
    """
    sheet = _sheets(data, rho, np.array([kappa]), np.zeros((0, len(data.xy))))[0]
    return sheet.log_constant - (data.n - data.q) * math.log(sigma) - sheet.rest / (2 * sigma**2)


def fixed(data: Sums, contrasts: Array, *, sigma: float, rho: float, kappa: float) -> tuple[Array, Array]:
    """Return mean and variance of contrasts for known scatters, shapes (s,).

    With ``kappa`` very large and ``rho`` zero this is ordinary least squares.
    """
    sheet = _sheets(data, rho, np.array([kappa]), contrasts)[0]
    return sheet.mean, sigma**2 * sheet.unit_variance


_SIGMA_NODES = 21
_SIGMA_WIDTH = 5.0
_NEGLIGIBLE = 1e-7


def infer(data: Sums, contrasts: Array, prior: Prior | None = None) -> Posterior:
    """Return the posterior of linear contrasts of (intercepts, effects).

    The grid over (log ρ, log κ) starts on the prior's range and closes in on
    where the mass is until its cells are fine enough; σ has a grid of its own at each node.

    Args:
        data: The sums.
        contrasts: Rows of weights on the columns of Z, shape (s, c).
        prior: Priors of the scatters.
    """
    beliefs = prior or Prior()
    rho_range = _around(math.log(beliefs.plate_ratio[0]), 3.5 * beliefs.plate_ratio[1])
    centre = math.log(beliefs.effect[0] / beliefs.piece[0])
    kappa_range = _around(centre, 3.5 * math.hypot(beliefs.effect[1], beliefs.piece[1]))
    empty = np.zeros((0, len(data.xy)))
    for _ in range(4):
        nodes = _grid(data, empty, beliefs, (rho_range, kappa_range), 9)
        narrowed = (
            _narrow(nodes.rho, nodes.weight, rho_range),
            _narrow(nodes.kappa, nodes.weight, kappa_range),
        )
        closing = _width(narrowed[0]) * _width(narrowed[1]) < 0.5 * _width(rho_range) * _width(kappa_range)
        rho_range, kappa_range = narrowed
        if not closing:
            break
    return _grid(data, contrasts, beliefs, (rho_range, kappa_range), 13)


def _around(centre: float, half: float) -> tuple[float, float]:
    return centre - half, centre + half


def _width(pair: tuple[float, float]) -> float:
    return pair[1] - pair[0]


def _narrow(values: Array, weight: Array, within: tuple[float, float]) -> tuple[float, float]:
    """Return the range of log(values) that holds the mass, one grid step wider."""
    logs, inverse = np.unique(np.round(np.log(values), 12), return_inverse=True)
    mass = np.bincount(inverse, weights=weight)
    held = logs[mass > 1e-4 * mass.max()]
    step = _width(within) / 8
    return max(float(held[0]) - step, within[0]), min(float(held[-1]) + step, within[1])


def _grid(
    data: Sums,
    contrasts: Array,
    prior: Prior,
    ranges: tuple[tuple[float, float], tuple[float, float]],
    size: int,
) -> Posterior:
    rhos, kappas = (np.exp(np.linspace(*pair, size)) for pair in ranges)
    sheets = [sheet for rho in rhos for sheet in _sheets(data, float(rho), kappas, contrasts)]
    rho = np.array([sheet.rho for sheet in sheets])
    kappa = np.array([sheet.kappa for sheet in sheets])
    rest = np.array([sheet.rest for sheet in sheets])
    constant = np.array([sheet.log_constant for sheet in sheets])
    constant -= 0.5 * ((np.log(rho) - math.log(prior.plate_ratio[0])) / prior.plate_ratio[1]) ** 2
    u, step = _sigma_nodes(data.n - data.q, rest, np.log(kappa), prior)
    log_p = constant[:, None] + _sigma_log_density(u, data.n - data.q, rest, np.log(kappa), prior)
    log_p += np.log(step)[:, None]
    weight = np.exp(log_p - log_p.max())
    weight /= weight.sum()
    node, place = np.nonzero(weight > _NEGLIGIBLE * weight.max())
    sigma = np.exp(u[node, place])
    mean = np.stack([sheet.mean for sheet in sheets])[node]
    unit = np.stack([sheet.unit_variance for sheet in sheets])[node]
    kept = weight[node, place]
    return Posterior(kept / kept.sum(), sigma, rho[node], kappa[node], mean, unit * sigma[:, None] ** 2)


def _sigma_log_density(u: Array, free: int, rest: Array, log_kappa: Array, prior: Prior) -> Array:
    """Log density of u = log σ at each node: likelihood, prior of σ, prior of λ = κσ."""
    piece = (u - math.log(prior.piece[0])) / prior.piece[1]
    effect = (u + log_kappa[:, None] - math.log(prior.effect[0])) / prior.effect[1]
    return -free * u - rest[:, None] / 2 * np.exp(-2 * u) - 0.5 * (piece**2 + effect**2)


def _sigma_nodes(free: int, rest: Array, log_kappa: Array, prior: Prior) -> tuple[Array, Array]:
    """Return nodes of log σ around its mode at each (ρ, κ), and their spacing.

    The density is log-concave and its mode lies between the likelihood's and the
    prior's; from the lesser of the two Newton's steps climb without overshooting.
    """
    v_piece, v_effect = prior.piece[1] ** -2, prior.effect[1] ** -2
    wanted = v_piece * math.log(prior.piece[0]) + v_effect * (math.log(prior.effect[0]) - log_kappa)
    by_data = 0.5 * np.log(rest / free) if free else np.full(rest.shape, np.inf)
    u = np.minimum(by_data, wanted / (v_piece + v_effect))
    for _ in range(40):
        pull = rest * np.exp(-2 * u)
        slope = -free + pull + wanted - (v_piece + v_effect) * u
        u = u + slope / (2 * pull + v_piece + v_effect)
    width = 1 / np.sqrt(2 * rest * np.exp(-2 * u) + v_piece + v_effect)
    offsets = np.linspace(-_SIGMA_WIDTH, _SIGMA_WIDTH, _SIGMA_NODES)
    return u[:, None] + width[:, None] * offsets, width


def quantiles(posterior: Posterior, at: tuple[float, ...]) -> Array:
    """Return quantiles of each contrast's mixture of Gaussians, shape (len(at), s)."""
    sd = np.sqrt(posterior.variance) + 1e-300
    low = (posterior.mean - 9 * sd).min(axis=0) * np.ones((len(at), 1))
    high = (posterior.mean + 9 * sd).max(axis=0) * np.ones((len(at), 1))
    goal = np.array(at)[:, None]
    for _ in range(48):
        middle = (low + high) / 2
        below = np.einsum(
            "g,gas->as", posterior.weight, ndtr((middle - posterior.mean[:, None]) / sd[:, None])
        )
        low, high = np.where(below < goal, middle, low), np.where(below < goal, high, middle)
    return np.asarray((low + high) / 2)


def with_noise(posterior: Posterior, mean: Array, per_piece: Array, per_plate: Array) -> Posterior:
    """Return the nodes with contrasts that are pure noise about known means.

    Their variance is σ²·per_piece + τ²·per_plate; all three arguments have shape (s,).
    """
    sigma, tau = posterior.sigma[:, None], (posterior.sigma * posterior.rho)[:, None]
    variance = sigma**2 * per_piece + tau**2 * per_plate
    return replace(posterior, mean=np.broadcast_to(mean, variance.shape), variance=variance)
