"""Simulated books with known truth, for the benchmark and the tests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from tracker.why import (
    Answer,
    Factor,
    Observation,
    Problem,
    Question,
    Value,
    Wishes,
    answer,
    with_plan,
)

SIX = (
    Factor("nozzle_c", "°C", 1.0, 30.0),
    Factor("chamber_c", "°C", 1.0, 20.0),
    Factor("fan_pct", "%", 1.0, 40.0),
    Factor("layer_time_s", "s", 0.5, 15.0),
    Factor("spool", kind="category"),
    Factor("printer", kind="category"),
)
_BASE: dict[str, float | str] = {
    "nozzle_c": 240.0,
    "chamber_c": 40.0,
    "fan_pct": 30.0,
    "layer_time_s": 12.0,
    "spool": "S1",
    "printer": "P1",
}
_OTHER: dict[str, float | str] = {
    "nozzle_c": 270.0,
    "chamber_c": 60.0,
    "fan_pct": 70.0,
    "layer_time_s": 27.0,
    "spool": "S2",
    "printer": "P2",
}
STRENGTH = Question("tensile.strength", "MPa", larger_is_better=True)


def explain(problem: Problem) -> Answer:
    """Answer with the plates to print next."""
    return with_plan(answer(problem), Wishes())


@dataclass(frozen=True)
class World:
    """The truth of one simulated book.

    Attributes:
        effect: Factor name to effect of its second level, on the logarithm.
        sigma: Piece-to-piece scatter of the logarithm.
        tau: Plate-to-plate scatter of the logarithm.
        base: Level of the logarithm.
    """

    effect: dict[str, float]
    sigma: float
    tau: float
    base: float = 3.8


def levels(other: set[str]) -> dict[str, float | str]:
    """Return factor values with the named factors at their second level."""
    return {f.name: (_OTHER if f.name in other else _BASE)[f.name] for f in SIX}


def plate(rng: Generator, world: World, name: str, other: set[str], pieces: int = 5) -> list[Observation]:
    """Print and test one plate."""
    mean = world.base + sum(world.effect[f] for f in other) + rng.normal(0, world.tau)
    values = np.exp(mean + rng.normal(0, world.sigma, pieces))
    return [
        Observation(f"{name}-{i}", STRENGTH.quantity, float(v), "PETG-1", name, f"{name}-{i}", levels(other))
        for i, v in enumerate(values)
    ]


def some(rng: Generator, least: int = 1, most: int = 3) -> set[str]:
    """Choose one to three of the six factors."""
    count = int(rng.integers(least, most + 1))
    return {SIX[i].name for i in rng.permutation(len(SIX))[:count]}


def book(rng: Generator, world: World, history: int, changed: set[str]) -> Problem:
    """Return A (all first levels) against B (``changed`` at second level) with a history of plates."""
    a, b = plate(rng, world, "A", set()), plate(rng, world, "B", changed)
    earlier = [o for i in range(history) for o in plate(rng, world, f"H{i:02d}", some(rng))]
    return problem([*a, *b, *earlier])


def problem(observations: list[Observation]) -> Problem:
    """Return plate A against plate B within the observations."""
    a = frozenset(o.result_id for o in observations if o.plate == "A")
    b = frozenset(o.result_id for o in observations if o.plate == "B")
    return Problem(STRENGTH, SIX, tuple(observations), a, b)


def one_stands_out(rng: Generator, rest: float = 1 / 3) -> World:
    """One factor makes 10 to 20 %, the others up to ``rest`` of it, of either sign; τ = σ = 3 %."""
    largest = rng.uniform(0.10, 0.20)
    effect = {f.name: float(rng.choice([-1, 1]) * rng.uniform(0, rest * largest)) for f in SIX}
    effect[SIX[int(rng.integers(len(SIX)))].name] = float(rng.choice([-1, 1]) * largest)
    return World(effect, 0.03, 0.03)


def prior_world(rng: Generator) -> World:
    """Effects normal about zero, their size and both scatters different in every book."""
    sigma = float(0.03 * np.exp(0.4 * rng.normal()))
    size = float(0.10 * np.exp(0.5 * rng.normal()))
    effect = {f.name: float(rng.normal(0, size)) for f in SIX}
    return World(effect, sigma, float(sigma * np.exp(0.5 * rng.normal())))


def deviating(rng: Generator, count: int, main: str) -> set[str]:
    """Return ``count`` factors, ``main`` among them."""
    others = [f.name for f in SIX if f.name != main]
    return {main, *(others[i] for i in rng.permutation(len(others))[: count - 1])}


def large_problem(results: int, factors: int, pieces: int = 5) -> Problem:
    """Return a book of many results: numbers, categories, some not recorded on every plate."""
    rng = np.random.default_rng(results)
    registry = tuple(
        Factor(f"f{i:02d}", "°C", 0.1, 10.0) if i % 5 else Factor(f"f{i:02d}", kind="category")
        for i in range(factors)
    )
    observations = []
    for number in range(results // pieces):
        name = "A" if number == 0 else "B" if number == 1 else f"P{number:05d}"
        found: dict[str, Value] = {}
        for factor in registry:
            if factor.kind == "category":
                found[factor.name] = f"L{rng.integers(4)}"
            elif rng.random() > 0.05:  # one plate in twenty lacks it
                found[factor.name] = float(rng.normal(0, 10))
        mean = 3.8 + rng.normal(0, 0.03)
        for piece in range(pieces):
            value = float(np.exp(mean + rng.normal(0, 0.03)))
            observations.append(
                Observation(
                    f"{name}-{piece}", STRENGTH.quantity, value, f"M{number % 3}", name, factors=found
                )
            )
    in_a = frozenset(o.result_id for o in observations if o.plate == "A")
    in_b = frozenset(o.result_id for o in observations if o.plate == "B")
    return Problem(STRENGTH, registry, tuple(observations), in_a, in_b)
