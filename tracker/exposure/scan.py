"""Many runs at once: the same days with other constants, other humidities and a slower winding."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tracker.exposure.diffusion import MODES, RATES, SEALED_RATE, WEIGHTS, Array
from tracker.exposure.steps import HIGH, LOW, MIDDLE, Kind, Steps

_BLOCK: Final = 32
"""Steps whose exponentials are held at once: small enough to stay in the cache."""

_GONE: Final = 40.0
"""A mode that decays by more than exp(-40) in a step is the surface value to rounding."""


class Winding(IntEnum):
    """How the layers of a wound spool are taken to delay the exchange."""

    STRAND = 0
    """Not at all."""
    WETTER = 1
    """Drying is slowed, wetting is not: the wetter end."""
    DRIER = 2
    """Wetting is slowed, drying is not: the drier end."""


@dataclass(frozen=True, slots=True)
class Runs:
    """K runs over the same days.

    Attributes:
        inputs: Which column of the steps' surface and start each run takes, shape (K,).
        scale: Index into ``exponents``, shape (K,).
        winding: :class:`Winding`, shape (K,).
        exponents: D is multiplied by exp(exponent · spread of the step), shape (m,).
        slowdown: How many times slower a slowed step is.
    """

    inputs: NDArray[np.intp]
    scale: NDArray[np.intp]
    winding: NDArray[np.intp]
    exponents: Array
    slowdown: float


def every_run(exponents: tuple[float, ...], slowdown: float) -> Runs:
    """Return all combinations of inputs × ``exponents`` × winding, in that order.

    Args:
        exponents: D is multiplied by exp(exponent · spread of the step); m of them.
        slowdown: How many times slower a slowed step is.
    """
    table = np.array(list(product((LOW, MIDDLE, HIGH), range(len(exponents)), Winding)), dtype=np.intp)
    return Runs(table[:, 0], table[:, 1], table[:, 2], np.array(exponents), slowdown)


def march(steps: Steps, runs: Runs) -> Array:
    """Return the mean water of every run before the first and after each step, shape (n + 1, K), wt%.

    Whether a step wets or dries is judged by each run's own mean, so a run is linear in nothing.
    """
    surface = steps.surface[:, runs.inputs]
    start = np.array(steps.start)[runs.inputs]
    return _march(steps, runs, surface, start, None)


def march_parts(steps: Steps, runs: Runs, wetting: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Return how the mean depends on the start and on the surface values, each of shape (n + 1, K).

    With the direction of every step settled beforehand, the mean is start · first + scale · second for any
    start and any common scale of the surface values.

    Args:
        steps: The days; a KNOWN step must not be among them.
        runs: K runs.
        wetting: Whether each step wets, shape (n,).
    """
    twice = (np.tile(each, 2) for each in (runs.inputs, runs.scale, runs.winding))
    inputs, scale, winding = twice
    both = Runs(inputs, scale, winding, runs.exponents, runs.slowdown)
    surface = steps.surface[:, runs.inputs]
    means = _march(
        steps,
        both,
        np.hstack([np.zeros_like(surface), surface]),
        np.repeat([1.0, 0.0], len(runs.inputs)),
        wetting,
    )
    return means[:, : len(runs.inputs)], means[:, len(runs.inputs) :]


@dataclass(slots=True)
class _Spools:
    """The state of K runs, kept as the distance from the value the surface was last driven to.

    A new surface value is then one subtraction, a step one multiplication, and what has decayed is zero.
    ``off`` has a column for each mode and the last one for the tail, shape (K, 201).
    """

    driven: Array
    off: Array

    def mean(self) -> Array:
        """Return the mean water of each run, shape (K,), wt%."""
        return np.asarray(self.driven + self.off @ WEIGHTS)

    def know(self, pct: Array) -> None:
        """Start afresh from a known content."""
        self.driven, self.off[:] = pct, 0.0

    def seal(self, mean: Array, tau: Array) -> None:
        """Let the profile even out between sealed walls."""
        self.off += (self.driven - mean)[:, np.newaxis]
        self.off *= np.exp(-SEALED_RATE * tau)[:, np.newaxis]
        self.driven = mean

    def expose(self, surface: Array, kept: Array, level: NDArray[np.intp]) -> None:
        """Hold the surfaces at new values."""
        self.off += (self.driven - surface)[:, np.newaxis]
        self.off *= kept.take(level, axis=0)
        self.driven = surface

    def expose_some(
        self, took: NDArray[np.bool_], surface: Array, kept: Array, level: NDArray[np.intp]
    ) -> None:
        """Hold only some of the surfaces at new values."""
        some = _Spools(self.driven[took], self.off[took])
        some.expose(surface[took], kept, level[took])
        self.off[took] = some.off
        self.driven = np.where(took, surface, self.driven)


def _march(
    steps: Steps, runs: Runs, surface: Array, start: Array, wetting: NDArray[np.bool_] | None
) -> Array:
    """Follow all runs through all steps; with ``wetting`` the directions are settled beforehand."""
    tau, base = _levels(steps, runs), 2 * runs.scale
    spools = _Spools(start, np.zeros((len(start), MODES + 1)))
    when_wet, when_dry = base + (runs.winding == Winding.DRIER), base + (runs.winding == Winding.WETTER)
    means = np.empty((len(surface) + 1, len(start)))
    means[0] = start
    # One buffer for all blocks: fresh memory of this size costs more than filling it.
    kept = np.zeros((_BLOCK, tau.shape[1], MODES + 1))
    for i, kind in enumerate(steps.kind.tolist()):
        if i % _BLOCK == 0:
            _fill(kept, tau[i : i + _BLOCK])
        if kind == Kind.KNOWN:
            spools.know(surface[i])
        elif kind == Kind.SEALED:
            spools.seal(means[i], tau[i, base])
        else:
            wet = surface[i] > means[i] if wetting is None else wetting[i]
            level = np.where(wet, when_wet, when_dry)
            if kind == Kind.EXPOSED:
                spools.expose(surface[i], kept[i % _BLOCK], level)
            else:
                took = ~_not_taken(kind, runs.inputs, wet)
                spools.expose_some(took, surface[i], kept[i % _BLOCK], level)
        means[i + 1] = spools.mean()
    return means


def _fill(kept: Array, tau: Array) -> None:
    """Put into ``kept`` what each mode keeps of its distance in each step at each level.

    Args:
        kept: Shape (block, levels, 201); the tail's column stays zero.
        tau: Shape (n, levels), n at most the block.
    """
    # Exponentials are most of the work; fast levels need few of them.
    modes = np.searchsorted(RATES, _GONE / np.maximum(tau.min(axis=0), 1e-300))
    for level, count in enumerate(modes.tolist()):
        part = kept[: len(tau), level]
        np.exp(np.multiply.outer(tau[:, level], -RATES[:count]), out=part[:, :count])
        part[:, count:] = 0.0


def _levels(steps: Steps, runs: Runs) -> Array:
    """Return τ of each step at each exponent, unslowed and slowed in turn, shape (n, 2 m)."""
    scaled = steps.tau[:, np.newaxis] * np.exp(steps.spread[:, np.newaxis] * runs.exponents)
    return np.stack([scaled, scaled / runs.slowdown], axis=2).reshape(len(scaled), 2 * len(runs.exponents))


def _not_taken(kind: int, inputs: NDArray[np.intp], wet: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Say which runs leave out a time nobody logged."""
    # Time nobody logged: the high end takes it where it wets, the low end where it dries, the middle half.
    in_the_middle = (inputs == MIDDLE) & (kind == Kind.MAYBE_TOO)
    return np.asarray(in_the_middle | ((inputs == HIGH) & ~wet) | ((inputs == LOW) & wet))
