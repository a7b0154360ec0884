"""The model written plainly, with an n × n matrix: the oracle of the per-plate sums."""

from __future__ import annotations

import math

import numpy as np

from tracker.why.design import Array, Design


def noise(design: Design, sigma: float, rho: float, kappa: float) -> Array:
    """Return the n × n covariance of plates and pieces."""
    same = design.plate[:, None] == design.plate[None, :]
    t = rho**2 + kappa**2 * design.open_variance[design.plate]
    return np.asarray(sigma**2 * (np.eye(len(design.y)) + same * t[:, None]))


def intercepts(design: Design) -> Array:
    """Return the n × q matrix of material membership."""
    return np.asarray(np.eye(len(design.materials))[design.material])


def posterior(design: Design, rows: Array, sigma: float, rho: float, kappa: float) -> tuple[Array, Array]:
    """Return mean and variance of contrasts by generalised least squares with a ridge."""
    z = np.hstack([intercepts(design), design.x])
    weight = np.linalg.inv(noise(design, sigma, rho, kappa))
    ridge = np.zeros(z.shape[1])
    ridge[len(design.materials) :] = 1 / (kappa * sigma) ** 2
    inverse = np.linalg.inv(z.T @ weight @ z + np.diag(ridge))
    theta = inverse @ z.T @ weight @ (design.y - design.y.mean())
    return rows @ theta, np.einsum("ij,jk,ik->i", rows, inverse, rows)


def restricted_log_likelihood(design: Design, sigma: float, rho: float, kappa: float) -> float:
    """Return the textbook restricted likelihood: effects in the covariance, intercepts flat."""
    v = noise(design, sigma, rho, kappa) + (kappa * sigma) ** 2 * design.x @ design.x.T
    m = intercepts(design)
    y = design.y - design.y.mean()
    inverse = np.linalg.inv(v)
    inner = m.T @ inverse @ m
    p = inverse - inverse @ m @ np.linalg.inv(inner) @ m.T @ inverse
    logs = float(np.linalg.slogdet(v)[1] + np.linalg.slogdet(inner)[1])
    return -0.5 * (logs + float(y @ p @ y))


def left_out(design: Design, row: int, sigma: float, rho: float, kappa: float) -> float:
    """Return the leave-one-out residual in standard deviations by really leaving one out."""
    v = noise(design, sigma, rho, kappa) + (kappa * sigma) ** 2 * design.x @ design.x.T
    # A very wide normal prior stands for flat intercepts.
    v = v + 1e4 * intercepts(design) @ intercepts(design).T
    y = design.y - design.y.mean()
    rest = np.arange(len(y)) != row
    solved = np.linalg.solve(v[np.ix_(rest, rest)], np.column_stack([y[rest], v[rest, row]]))
    mean = float(v[row, rest] @ solved[:, 0])
    variance = float(v[row, row] - v[row, rest] @ solved[:, 1])
    return (float(y[row]) - mean) / math.sqrt(variance)


def plate_scores(design: Design, sigma: float, rho: float, kappa: float) -> Array:
    """Return how far each plate lies off what all others foresee, in standard deviations, shape (k,).

    The score of a shift of the plate as a whole, P = V⁻¹ - V⁻¹M(M'V⁻¹M)⁻¹M'V⁻¹ with intercepts M.
    """
    v = noise(design, sigma, rho, kappa) + (kappa * sigma) ** 2 * design.x @ design.x.T
    m, inverse = intercepts(design), np.linalg.inv(v)
    p = inverse - inverse @ m @ np.linalg.inv(m.T @ inverse @ m) @ m.T @ inverse
    member = np.eye(len(design.open_variance))[design.plate]
    y = design.y - design.y.mean()
    return np.asarray(member.T @ p @ y / np.sqrt(np.einsum("ij,ik,kj->j", member, p, member)))
