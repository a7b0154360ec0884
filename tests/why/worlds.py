"""Simulated books that do not share the engine's assumptions, each with its truth.

Every world is a function of a random generator that returns one :class:`Case`. Effects are on the logarithm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.random import Generator

from tests.why.simulated import SIX, STRENGTH
from tracker.why import Factor, Observation, Problem, Value

NUMBERS: Final = tuple(f.name for f in SIX if f.kind == "number")
CENTRE: Final = {"nozzle_c": 240.0, "chamber_c": 40.0, "fan_pct": 30.0, "layer_time_s": 12.0}
SPAN: Final = {f.name: f.span for f in SIX}
VAGUE: Final = Factor("water_pct", "%", resolution=0.05, span=0.3)


@dataclass(frozen=True)
class Truth:
    """What really made the difference.

    Attributes:
        total: B less A without the luck of plates and pieces, on the logarithm.
        cause: The factor that made most of it; None where nothing, several or something not recorded did.
        null: True where nothing differs.
        parts: What each recorded factor made of it.
    """

    total: float
    cause: str | None
    null: bool
    parts: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Case:
    """One simulated book.

    Attributes:
        problem: The question.
        truth: Its answer.
        design: Per observation what really acted, one column a term, for the oracle; shape (n, terms).
        change: B less A of those columns.
        noise: True standard deviation of each piece and of its plate, shape (n, 2).
    """

    problem: Problem
    truth: Truth
    design: np.ndarray
    change: np.ndarray
    noise: np.ndarray


@dataclass(frozen=True)
class Recipe:
    """How a world departs from the clean one: τ = σ = 3 %, one factor of 10 to 20 %, twelve earlier plates.

    Attributes:
        history: Earlier plates.
        plates: Plates of A and of B.
        pieces: Pieces a plate.
        sigma: Piece to piece.
        tau: Plate to plate (scale, where ``df`` is given).
        null: True where no factor does anything.
        rest: Largest effect of the other factors, as a part of the largest.
        changed: Factors that differ between A and B.
        hidden: Unrecorded effect on B's plates.
        run: True where earlier plates printed just before B carry it too.
        df: Degrees of freedom of plates; None for Gaussian ones.
        sigma_b: B's pieces scatter by this factor more.
        many: True where numbers take any level and not two.
        shape: ``linear``, ``threshold``, ``interaction`` or ``curve``.
        error: Error of recorded numbers, in spans.
        correlated: Probability that chamber follows nozzle.
        gap: Probability that a value of an earlier plate is not recorded.
        drift: Effect of time from the first plate to the last.
        materials: Number of materials.
        slopes: Standard deviation of the materials' own slopes, as a part of the effect.
        lowest: True where B is chosen as the lowest of all plates.
        vague: Half the width, in spans, of the bounds within which a seventh factor is known on every plate;
            0 where there is none. It does nothing by itself: what ``hidden`` does may be behind it.
    """

    history: int = 12
    plates: tuple[int, int] = (1, 1)
    pieces: int = 5
    sigma: float = 0.03
    tau: float = 0.03
    null: bool = False
    rest: float = 0.0
    changed: int | None = None
    hidden: float = 0.0
    run: bool = False
    df: float | None = None
    sigma_b: float = 1.0
    many: bool = False
    shape: str = "linear"
    error: float = 0.0
    correlated: float = 0.0
    gap: float = 0.0
    drift: float = 0.0
    materials: int = 1
    slopes: float = 0.0
    lowest: bool = False
    vague: float = 0.0


WORLDS: Final[dict[str, Recipe]] = {
    "clean": Recipe(),
    "clean, others to a third": Recipe(rest=1 / 3),
    "clean, 30 earlier": Recipe(history=30, rest=1 / 3),
    "clean, no earlier": Recipe(history=0),
    "plates alike (τ = 0)": Recipe(tau=0.0),
    "plates unlike (τ = 2 σ)": Recipe(tau=0.06),
    "plates very unlike (τ = 5 σ)": Recipe(tau=0.15, sigma=0.03),
    "heavy-tailed plates": Recipe(df=3.0),
    "B scatters three times": Recipe(sigma_b=3.0),
    "threshold": Recipe(many=True, shape="threshold", history=20),
    "interaction": Recipe(shape="interaction", history=20, changed=2),
    "curved water": Recipe(many=True, shape="curve", history=20),
    "errors in factors": Recipe(many=True, error=0.5, history=20),
    "correlated settings": Recipe(correlated=0.9),
    "gaps": Recipe(gap=0.3, history=20),
    "several materials": Recipe(materials=3, slopes=0.5, history=24),
    "unrecorded on B, 12 earlier": Recipe(null=True, hidden=-0.15),
    "unrecorded on B, 30 earlier, 3 + 3": Recipe(null=True, hidden=-0.15, history=30, plates=(3, 3)),
    "unrecorded since a plate": Recipe(null=True, hidden=-0.15, run=True, history=20),
    "drift": Recipe(null=True, drift=-0.12, history=20),
    "null, no earlier": Recipe(null=True, history=0),
    "null": Recipe(null=True),
    "null, τ = 0": Recipe(null=True, tau=0.0),
    "null, τ = 5 σ": Recipe(null=True, tau=0.15),
    "null, heavy-tailed plates": Recipe(null=True, df=3.0),
    "null, B scatters three times": Recipe(null=True, sigma_b=3.0),
    "null, 3 + 3 plates": Recipe(null=True, plates=(3, 3)),
    "null, lowest of 21": Recipe(null=True, lowest=True, history=20),
    "null, several materials": Recipe(null=True, materials=3, history=24),
    "another within bounds, 6 + 6": Recipe(plates=(6, 6), history=3, changed=2, vague=2.5),
    "unrecorded behind bounds, 3 + 3": Recipe(null=True, hidden=-0.15, plates=(3, 3), vague=2.5),
}


def make(rng: Generator, recipe: Recipe) -> Case:
    """Simulate one book of a recipe."""
    names = [f.name for f in SIX]
    pool = NUMBERS if recipe.shape != "linear" or recipe.error or recipe.many else names
    main = str(pool[int(rng.integers(len(pool)))])
    size = float(rng.choice([-1, 1]) * rng.uniform(0.10, 0.20))
    effect = {n: float(rng.choice([-1, 1]) * rng.uniform(0, recipe.rest) * abs(size)) for n in names}
    effect[main] = size
    if recipe.null:
        effect = dict.fromkeys(names, 0.0)
    partner = str(rng.choice([n for n in NUMBERS if n != main]))
    count = recipe.changed or int(rng.integers(1, 4))
    others = [n for n in names if n not in {main, partner}]
    order = (
        [partner, *rng.permutation(others)]
        if recipe.shape == "interaction"
        else list(rng.permutation([n for n in names if n != main]))
    )
    changed = {main, *(str(n) for n in order[: count - 1])}
    slope = rng.normal(0, recipe.slopes, recipe.materials) if recipe.slopes else np.zeros(recipe.materials)
    plates = _plates(rng, recipe, changed)
    rows, observations, noise = [], [], []
    for place, (name, levels, material) in enumerate(plates):
        time = place / max(len(plates) - 1, 1)
        terms = _terms(levels, effect, main, partner, recipe.shape, size, slope[material])
        in_run = name.startswith("B") or (recipe.run and place >= len(plates) - recipe.plates[1] - 4)
        terms["hidden"] = recipe.hidden if in_run and not name.startswith("A") else 0.0
        terms["drift"] = recipe.drift * time
        luck = recipe.tau * float(rng.standard_t(recipe.df) if recipe.df else rng.normal())
        sigma = recipe.sigma * (recipe.sigma_b if name.startswith("B") else 1.0)
        recorded = _recorded(rng, levels, recipe, history=name.startswith("H"))
        spread = recipe.tau * (math.sqrt(recipe.df / (recipe.df - 2)) if recipe.df else 1.0)
        for piece in range(recipe.pieces):
            value = math.exp(3.8 + 0.1 * material + sum(terms.values()) + luck + sigma * rng.normal())
            observations.append(
                Observation(
                    f"{name}-{piece}", STRENGTH.quantity, value, f"M{material}", name, f"{name}-{piece}",
                    recorded, order=float(place),
                )
            )  # fmt: skip
            rows.append(list(terms.values()))
            noise.append((sigma, spread))
    return _case(recipe, observations, np.array(rows), np.array(noise), list(terms), main)


def _case(
    recipe: Recipe, observations: list[Observation], design: np.ndarray, noise: np.ndarray, terms: list[str],
    main: str,
) -> Case:  # fmt: skip
    plates = np.array([o.plate for o in observations])
    side_b = np.array([p.startswith("B") for p in plates])
    side_a = np.array([p.startswith("A") for p in plates])
    if recipe.lowest:
        means = {p: np.mean([o.value for o in observations if o.plate == p]) for p in set(plates) - {"A0"}}
        side_b = plates == min(means, key=lambda p: means[p])
    change = design[side_b].mean(axis=0) - design[side_a].mean(axis=0)
    a = frozenset(o.result_id for o, yes in zip(observations, side_a, strict=True) if yes)
    b = frozenset(o.result_id for o, yes in zip(observations, side_b, strict=True) if yes)
    factors = (
        tuple(
            replace(f, error=recipe.error * f.span) if recipe.error and f.kind == "number" else f for f in SIX
        )
        if "error" in Factor.__dataclass_fields__
        else SIX
    )
    if recipe.vague:
        factors = (*factors, VAGUE)
    parts = {name: float(c) for name, c in zip(terms, change, strict=True)}
    total = float(change.sum())
    null = recipe.null and not recipe.hidden and not recipe.drift
    cause = None if recipe.null or recipe.shape == "interaction" else main
    return Case(
        Problem(STRENGTH, factors, tuple(observations), a, b),
        Truth(total, cause, null, parts), design, change, noise,
    )  # fmt: skip


def _plates(
    rng: Generator, recipe: Recipe, changed: set[str]
) -> list[tuple[str, dict[str, float | str], int]]:
    """Return name, levels and material of each plate in order of time: A first, B last."""
    plates = [(f"A{i}", _levels(rng, set(), recipe, ends=True), 0) for i in range(recipe.plates[0])]
    for i in range(recipe.history):
        count = int(rng.integers(1, 4))
        other = {SIX[j].name for j in rng.permutation(len(SIX))[:count]}
        if recipe.correlated and rng.random() < recipe.correlated:
            other = other | {"chamber_c"} if "nozzle_c" in other else other - {"chamber_c"}
        plates.append((f"H{i:02d}", _levels(rng, other, recipe, ends=False), i % recipe.materials))
    plates += [(f"B{i}", _levels(rng, changed, recipe, ends=True), 0) for i in range(recipe.plates[1])]
    return plates


def _levels(rng: Generator, other: set[str], recipe: Recipe, *, ends: bool) -> dict[str, float | str]:
    levels: dict[str, float | str] = {}
    for factor in SIX:
        if factor.kind == "category":
            levels[factor.name] = f"{factor.name}2" if factor.name in other else f"{factor.name}1"
        elif recipe.many and not ends:
            levels[factor.name] = CENTRE[factor.name] + factor.span * float(rng.uniform(0, 1.2))
        else:
            levels[factor.name] = CENTRE[factor.name] + factor.span * float(factor.name in other)
    return levels


def _terms(
    levels: dict[str, float | str], effect: dict[str, float], main: str, partner: str, shape: str,
    size: float, slope: float,
) -> dict[str, float]:  # fmt: skip
    z = {
        n: (v - CENTRE[n]) / SPAN[n] if isinstance(v, float) else float(v.endswith("2"))
        for n, v in levels.items()
    }
    terms = {n: effect[n] * z[n] for n in z}
    if shape == "threshold":
        terms[main] = effect[main] * float(z[main] > 0.5)
    elif shape == "curve":
        terms[main] = effect[main] * z[main] ** 2
    elif shape == "interaction":
        terms[main] = 0.0
    terms[main] *= 1 + slope
    terms["together"] = size * z[main] * z[partner] if shape == "interaction" else 0.0
    return terms


def _recorded(
    rng: Generator, levels: dict[str, float | str], recipe: Recipe, *, history: bool
) -> dict[str, Value]:
    found: dict[str, Value] = {}
    for name, value in levels.items():
        if history and recipe.gap and rng.random() < recipe.gap:
            continue
        if recipe.error and isinstance(value, float):
            found[name] = value + recipe.error * SPAN[name] * float(rng.normal())
        else:
            found[name] = value
    if recipe.vague:
        # A little off from plate to plate, as an estimate is, or it would be no factor at all.
        middle = 0.01 * VAGUE.span * float(rng.normal())
        found[VAGUE.name] = (middle - recipe.vague * VAGUE.span, middle + recipe.vague * VAGUE.span)
    return found


def oracle(case: Case) -> tuple[float, float, str | None]:
    """Return limits of the total, and the leading part, by generalised least squares that knows the truth.

    It knows which terms acted, and the scatter of plates and pieces.
    """
    observations = case.problem.observations
    plates = sorted({o.plate for o in observations})
    membership = np.array([[o.plate == p for p in plates] for o in observations], dtype=float)
    cov = np.diag(case.noise[:, 0] ** 2) + (membership * case.noise[:, 1:] ** 2) @ membership.T
    materials = sorted({o.material for o in observations})
    level = np.array([[o.material == m for m in materials] for o in observations], dtype=float)
    acting = np.flatnonzero(np.ptp(case.design, axis=0) > 0)
    z = np.hstack([level, case.design[:, acting]])
    y = np.log([o.value for o in observations])
    weight = np.linalg.pinv(cov)
    inverse = np.linalg.pinv(z.T @ weight @ z)
    theta = inverse @ z.T @ weight @ y
    row = np.concatenate([np.zeros(len(materials)), case.change[acting]])
    mean, sd = float(row @ theta), math.sqrt(max(float(row @ inverse @ row), 1e-18))
    shares = row[len(materials) :] * theta[len(materials) :]
    spread = np.abs(row[len(materials) :]) * np.sqrt(np.diag(inverse)[len(materials) :])
    names = [list(case.truth.parts)[i] for i in acting]
    top = int(np.argmax(np.abs(shares))) if len(shares) else -1
    leads = top >= 0 and abs(shares[top]) > 1.96 * spread[top]
    return mean - 1.96 * sd, mean + 1.96 * sd, names[top] if leads else None


@dataclass
class Score:
    """Counts over the books of one world."""

    books: int = 0
    covered: int = 0
    claimed: int = 0
    single: int = 0
    wrong: int = 0
    right: int = 0
    withdrawn: int = 0
    contradictions: int = 0
    width: float = 0.0
    oracle_covered: int = 0
    oracle_right: int = 0

    def add(self, case: Case, data: dict, contradiction: bool = False) -> None:
        """Count one answer, given as its plain data."""
        step, truth = data["difference"], case.truth
        self.books += 1
        low, high = step["relative_low"], step["relative_high"]
        covered = low <= math.expm1(truth.total) <= high
        withdrawn = bool(data.get("verdict", {}).get("withdrawn"))
        self.covered += covered or withdrawn
        self.withdrawn += withdrawn
        self.claimed += bool(step["claimed"])
        self.width += math.log1p(high) - math.log1p(max(low, -0.99))
        single = data.get("leading")
        self.single += single is not None
        self.right += single is not None and single == truth.cause
        self.wrong += single is not None and single != truth.cause
        self.contradictions += contradiction
        low, high, lead = oracle(case)
        self.oracle_covered += low - 1e-9 <= truth.total <= high + 1e-9
        self.oracle_right += lead is not None and lead == truth.cause
