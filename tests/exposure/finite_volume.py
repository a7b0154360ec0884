"""An independent solver for a round strand: rings of equal width in a grid that is fine at the surface.

No Bessel function and no series: mass balances of rings, followed in time by the eigenvalues of the balance
matrix, taken twice on different grids and extrapolated. It shares nothing with the code it checks.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh_tridiagonal

Array = NDArray[np.float64]

Step = tuple[float | None, float]
"""Surface value (None: sealed) and dimensionless length."""


def history(start: float, steps: Sequence[Step]) -> list[float]:
    """Return the mean after each step, from two grids by Richardson's extrapolation."""
    coarse, fine = (_run(start, steps, cells) for cells in (300, 600))
    return [(4.0 * f - c) / 3.0 for c, f in zip(coarse, fine, strict=True)]


def rings(start: float, steps: Sequence[Step], cells: int = 300) -> tuple[Array, Array]:
    """Return ring centres (r/a) and values after the last step."""
    edges = _edges(cells)
    value = np.full(cells, start)
    for surface, tau in steps:
        value = _advance(value, edges, surface, tau)
    return (edges[1:] + edges[:-1]) / 2.0, value


def _run(start: float, steps: Sequence[Step], cells: int) -> list[float]:
    """Return the mean after each step on one grid."""
    edges = _edges(cells)
    area = np.diff(edges**2)
    value = np.full(cells, start)
    means = []
    for surface, tau in steps:
        value = _advance(value, edges, surface, tau)
        means.append(float(area @ value))
    return means


def _edges(cells: int) -> Array:
    """Return ring edges that crowd towards the surface."""
    inwards = np.linspace(0.0, 1.0, cells + 1)
    return np.asarray(1.0 - (1.0 - inwards) ** 2)


def _advance(value: Array, edges: Array, surface: float | None, tau: float) -> Array:
    """Return the rings after one step."""
    # Scaled by the root of the ring areas the balances are symmetric, so time can be taken exactly.
    area = np.diff(edges**2) / 2.0
    root = np.sqrt(area)
    centres = (edges[1:] + edges[:-1]) / 2.0
    flow = edges[1:-1] / np.diff(centres)
    wall = edges[-1] / (edges[-1] - centres[-1]) if surface is not None else 0.0
    loss = np.append(flow, wall) + np.insert(flow, 0, 0.0)
    rates, shapes = eigh_tridiagonal(loss / area, -flow / (root[:-1] * root[1:]))
    target = np.full(len(value), surface if surface is not None else 0.0)
    return np.asarray(
        target + shapes @ (np.exp(-rates * tau) * (shapes.T @ ((value - target) * root))) / root
    )
