"""What two or more weighings of a spool say, and what they do not.

What a drying takes away is *mass loss on drying*: monomer, plasticiser and the reel's own water count with
it. Only Karl Fischer and the other methods of ISO 15512 measure water.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from tracker.errors import Refused
from tracker.exposure.diffusion import RATES, WEIGHTS, Array, uptake

ENOUGH: Final = 3
"""Weighings that a drying needs before its shape says anything."""

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class MassLoss:
    """The change of mass over a drying; the basis of each percentage is in its name.

    Attributes:
        grams: Before minus after, g; negative for a gain.
        u_g: Its standard uncertainty, g.
        kind: ``"loss"``, ``"below uncertainty"`` where the change is within twice its uncertainty, or
            ``"gain"``. A gain is never turned into zero.
        wet_pct: 100 Δ / filament before, least and greatest over the possible empty masses, %.
        dry_pct: 100 Δ / filament after, %.
        u_pct: Standard uncertainty of a percentage from the weighing alone, %.
        empty_known: Whether the empty reel was weighed.
    """

    grams: float
    u_g: float
    kind: Literal["loss", "below uncertainty", "gain"]
    wet_pct: Interval
    dry_pct: Interval
    u_pct: float
    empty_known: bool


@dataclass(frozen=True, slots=True)
class DryingFit:
    """What the course of three or more weighings in one drying says.

    Attributes:
        d_m2_s: Effective diffusion coefficient at the dryer's temperature, m²/s, winding and warm-up
            included.
        d_low_m2_s: Lower end at which the weighings still fit, about 90 %, m²/s.
        d_high_m2_s: Upper end, m²/s.
        plateau_g: Mass the spool tends to, g.
        on_plateau: Whether the last two weighings agree within their uncertainty.
    """

    d_m2_s: float
    d_low_m2_s: float
    d_high_m2_s: float
    plateau_g: float
    on_plateau: bool


def difference_u_g(readability_g: float, repeatability_g: float) -> float:
    """Return the standard uncertainty of a difference of two weighings: √(2 (s² + d²/12)), in g.

    Args:
        readability_g: d, the last step of the display, g.
        repeatability_g: s, standard deviation of repeated weighings, g.
    """
    return math.sqrt(2.0 * (repeatability_g**2 + readability_g**2 / 12.0))


def mass_loss(before_g: float, after_g: float, empty_g: float | Interval, u_g: float) -> MassLoss:
    """Return the change of mass over a drying on both bases.

    Args:
        before_g: Filament with its reel, g.
        after_g: The same after drying and cooling in a closed bag, g.
        empty_g: The empty reel, or the least and greatest it may weigh, g.
        u_g: Standard uncertainty of the difference, g.

    Raises:
        Refused: No filament is left when the empty reel is taken off.
    """
    low, high = empty_g if isinstance(empty_g, tuple) else (empty_g, empty_g)
    if not 0.0 <= low <= high < min(before_g, after_g):
        raise Refused(
            f"weighings {before_g:g} g and {after_g:g} g",
            why=f"an empty reel of {high:g} g leaves no filament",
            do="Correct the weighings or the empty mass.",
        )
    change = before_g - after_g
    # Not set to zero: a gain, or a loss the scales cannot show, is told as such.
    small = abs(change) <= 2.0 * u_g
    # Both bases and both ends: with an unknown reel the percentage is an interval, while the grams are
    # exact.
    wet = sorted(100.0 * change / (before_g - s) for s in (low, high))
    dry = sorted(100.0 * change / (after_g - s) for s in (low, high))
    return MassLoss(
        grams=change,
        u_g=u_g,
        kind="below uncertainty" if small else "loss" if change > 0.0 else "gain",
        wet_pct=(wet[0], wet[1]),
        dry_pct=(dry[0], dry[1]),
        u_pct=100.0 * u_g / (after_g - high),
        empty_known=low == high,
    )


def left_after(removed_pct: float, tau: float, surface_pct: float) -> Interval:
    """Return the water before and after a drying that removed ``removed_pct`` within ``tau``, both wt%.

    One weighing gives one equation: c0 = Cs + removed / F(τ), left = c0 - removed. A factor of four in D
    moves what is left by three: give a range of ``tau``, never one.

    Args:
        removed_pct: Water the drying took out, wt%.
        tau: Length of the drying, D t/a², dimensionless.
        surface_pct: Cs, what the surface is driven to in the dryer, wt%.

    Raises:
        Refused: ``tau`` is not above zero.
    """
    if not tau > 0.0:
        raise Refused(f"dimensionless drying time {tau:g}", why="nothing can have been removed in no time")
    before = surface_pct + removed_pct / uptake(tau)
    return before, before - removed_pct


def fit_drying(weighings: Sequence[tuple[float, float]], diameter_mm: float, u_g: float) -> DryingFit:
    """Return the effective diffusion coefficient from three or more weighings in one drying.

    (g - g∞)/(g0 - g∞) = 1 - F(D t/a²): the empty mass cancels. For each D of a fine scale the two masses
    follow by least squares; the range is where the sum of squares rises by less than 2.7 (about 90 %).

    Args:
        weighings: Hours from the beginning and grams, in order; u_g/√2 is taken for each.
        diameter_mm: Of the filament.
        u_g: Standard uncertainty of a difference of two weighings, g.

    Raises:
        Refused: Fewer than three weighings (one end-point cannot tell D from the water at the start), times
            that do not rise, or a course that settles no D.
    """
    if len(weighings) < ENOUGH:
        raise Refused(
            f"{len(weighings)} weighings",
            why="with fewer than three the diffusion coefficient cannot be told from the water at the start",
            do="Weigh three to five times in one drying, the last two on the plateau.",
        )
    hours, grams = np.array(weighings, dtype=float).T
    if np.any(np.diff(hours) <= 0.0):
        raise Refused(
            "weighings", why="their times do not rise", do="Give hours from the beginning, in order."
        )
    trial = np.geomspace(1e-15, 1e-8, 1401)
    squares, plateau = _least_squares(hours, grams, trial / (diameter_mm / 2000.0) ** 2)
    chi2 = squares / (u_g**2 / 2.0)
    fits = np.flatnonzero(chi2 <= chi2.min() + 2.7)
    best = int(np.argmin(chi2))
    # The best fit at an end of the scale is no fit: the true figure lies beyond, or anywhere.
    if fits[0] == 0 or fits[-1] == len(trial) - 1:
        raise Refused(
            "course of the weighings",
            why="it settles no diffusion coefficient: the change is too small or too even",
            do="Weigh again later in the drying, or on a finer balance.",
        )
    return DryingFit(
        d_m2_s=float(trial[best]),
        d_low_m2_s=float(trial[fits[0]]),
        d_high_m2_s=float(trial[fits[-1]]),
        plateau_g=float(plateau[best]),
        on_plateau=bool(abs(grams[-1] - grams[-2]) <= 2.0 * u_g),
    )


def _least_squares(hours: Array, grams: Array, per_second: Array) -> tuple[Array, Array]:
    """Return the sum of squares and the final mass for each trial of D/a²."""
    tau = np.outer(per_second, hours * 3600.0)
    left = np.exp(-tau[:, :, np.newaxis] * RATES) @ WEIGHTS[:-1] + WEIGHTS[-1] * (tau == 0.0)
    off = left - left.mean(axis=1, keepdims=True)
    heavy = grams - grams.mean()
    spread = np.maximum((off**2).sum(axis=1), 1e-300)
    # A drying only ever loses: a rising course fits no better than a constant mass.
    slope = np.maximum(off @ heavy / spread, 0.0)
    residual = heavy - slope[:, np.newaxis] * off
    return np.asarray((residual**2).sum(axis=1)), np.asarray(grams.mean() - slope * left.mean(axis=1))
