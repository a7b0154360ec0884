"""What differed between the two groups, what was equal, and what nobody wrote down."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from tracker.why.design import as_interval, as_level
from tracker.why.problem import Factor, Observation

Level = float | str | None


@dataclass(frozen=True)
class Comparison:
    """One factor in the two groups.

    Attributes:
        factor: The factor.
        a: Mean of A (numbers) or its levels with counts (categories); None if not recorded.
        b: The same for B.
        range_a: Least and greatest number in A, intervals included.
        range_b: The same for B.
        recorded_a: Results of A on which it was recorded, of how many.
        recorded_b: The same for B.
        differs: True where the difference exceeds the resolution, levels differ,
            or intervals do not overlap.
        ratio: Difference ÷ resolution; None for categories or without a resolution.
    """

    factor: Factor
    a: Level
    b: Level
    range_a: tuple[float, float] | None
    range_b: tuple[float, float] | None
    recorded_a: tuple[int, int]
    recorded_b: tuple[int, int]
    differs: bool
    ratio: float | None

    @property
    def recorded(self) -> bool:
        """True where both groups have it on at least one result."""
        return self.recorded_a[0] > 0 and self.recorded_b[0] > 0

    @property
    def complete(self) -> bool:
        """True where every result of both groups has it."""
        return self.recorded_a[0] == self.recorded_a[1] and self.recorded_b[0] == self.recorded_b[1]


@dataclass(frozen=True)
class Setting:
    """A raw setting whose text differs; None where a group's plates do not state it."""

    name: str
    a: str | None
    b: str | None


def compare(factor: Factor, a: Sequence[Observation], b: Sequence[Observation]) -> Comparison:
    """Compare one factor between two groups of results."""
    if factor.kind == "category":
        return _compare_levels(factor, a, b)
    pairs_a = _known(as_interval(o.factors.get(factor.name)) for o in a)
    pairs_b = _known(as_interval(o.factors.get(factor.name)) for o in b)
    mean_a, mean_b = _mean(pairs_a), _mean(pairs_b)
    range_a, range_b = _range(pairs_a), _range(pairs_b)
    differs, ratio = False, None
    if mean_a is not None and mean_b is not None:
        change = abs(mean_b - mean_a)
        # The last bits of a mean are no difference.
        differs = change > max(factor.resolution, 1e-9 * factor.span) * (1 + 1e-9)
        ratio = change / factor.resolution if factor.resolution > 0 else None
        # An estimate with bounds (water content) differs only where the bounds leave no doubt.
        if _uncertain(pairs_a) or _uncertain(pairs_b):
            differs = differs and not _overlap(range_a, range_b)
    recorded_a, recorded_b = (len(pairs_a), len(a)), (len(pairs_b), len(b))
    return Comparison(factor, mean_a, mean_b, range_a, range_b, recorded_a, recorded_b, differs, ratio)


def _known(pairs: Iterable[tuple[float, float] | None]) -> list[tuple[float, float]]:
    return [pair for pair in pairs if pair is not None]


def _mean(pairs: list[tuple[float, float]]) -> float | None:
    return sum((low + high) / 2 for low, high in pairs) / len(pairs) if pairs else None


def _range(pairs: list[tuple[float, float]]) -> tuple[float, float] | None:
    return (min(low for low, _ in pairs), max(high for _, high in pairs)) if pairs else None


def _uncertain(pairs: list[tuple[float, float]]) -> bool:
    return any(low != high for low, high in pairs)


def _overlap(one: tuple[float, float] | None, other: tuple[float, float] | None) -> bool:
    return one is not None and other is not None and one[0] <= other[1] and other[0] <= one[1]


def _compare_levels(factor: Factor, a: Sequence[Observation], b: Sequence[Observation]) -> Comparison:
    found_a = _levels(as_level(o.factors.get(factor.name)) for o in a)
    found_b = _levels(as_level(o.factors.get(factor.name)) for o in b)
    n_a, n_b = found_a.total(), found_b.total()
    # Shares of each level are compared in whole numbers, because 1/3 and 2/6 differ as floats.
    differs = bool(found_a and found_b) and any(
        found_a[level] * n_b != found_b[level] * n_a for level in {*found_a, *found_b}
    )
    return Comparison(
        factor, _written(found_a), _written(found_b), None, None, (n_a, len(a)), (n_b, len(b)), differs, None
    )


def _levels(levels: Iterable[str | None]) -> Counter[str]:
    return Counter(level for level in levels if level is not None)


def _written(levels: Counter[str]) -> str | None:
    if len(levels) <= 1:
        return next(iter(levels), None)
    return ", ".join(f"{level} ({count})" for level, count in sorted(levels.items()))


def compare_materials(a: Sequence[Observation], b: Sequence[Observation]) -> Comparison:
    """Compare the materials of two groups as if they were a category."""
    # The model gives materials intercepts of their own, so the material is no factor there; told it is like
    # one.
    as_factor = Factor("material", kind="category")
    return _compare_levels(
        as_factor,
        [_of_material(o) for o in a],
        [_of_material(o) for o in b],
    )


def _of_material(observation: Observation) -> Observation:
    return Observation("", "", 0.0, "", "", factors={"material": observation.material})


def one_per_cause(
    factors: Sequence[Factor], a: Sequence[Observation], b: Sequence[Observation]
) -> tuple[list[Factor], dict[str, str]]:
    """Keep one factor of each cause: the earliest that most results of A and B have.

    Returns:
        The factors kept, in their order, and for each one left out the name of the one used.
    """
    best: dict[str, tuple[int, Factor]] = {}
    for factor in factors:
        if factor.same_cause:
            count = sum(_holds(factor, o) for o in (*a, *b))
            # Strictly more, so that of two equally well recorded the earlier in the registry stays.
            if factor.same_cause not in best or count > best[factor.same_cause][0]:
                best[factor.same_cause] = (count, factor)
    kept = [f for f in factors if not f.same_cause or best[f.same_cause][1] is f]
    unused = {f.name: best[f.same_cause][1].name for f in factors if f not in kept}
    return kept, unused


def _holds(factor: Factor, observation: Observation) -> bool:
    value = observation.factors.get(factor.name)
    return (as_level(value) if factor.kind == "category" else as_interval(value)) is not None


def settings_that_differ(a: Mapping[str, str], b: Mapping[str, str]) -> tuple[Setting, ...]:
    """Return the raw settings whose text differs, by name."""
    names = sorted({*a, *b})
    # As text: a setting nobody foresaw has no unit or resolution, yet a changed one is the first thing to
    # look at.
    return tuple(Setting(name, a.get(name), b.get(name)) for name in names if a.get(name) != b.get(name))
