"""What differed between the two groups, what may have, what was equal, and what nobody recorded."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from tracker.why.design import as_interval, as_level
from tracker.why.problem import Factor, Observation

Level = float | str | None
State = Literal["differs", "unknown", "equal"]


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
        levels_a: Distinct values of A with their counts, where each plate has one value; else empty.
        levels_b: The same for B.
        likely: True where a difference is likelier than not, though recorded too roughly to be sure.
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
    levels_a: tuple[tuple[float | str, int], ...] = ()
    levels_b: tuple[tuple[float | str, int], ...] = ()
    likely: bool = False

    @property
    def recorded(self) -> bool:
        """True where both groups have it on at least one result."""
        return self.recorded_a[0] > 0 and self.recorded_b[0] > 0

    @property
    def complete(self) -> bool:
        """True where every result of both groups has it."""
        return self.recorded_a[0] == self.recorded_a[1] and self.recorded_b[0] == self.recorded_b[1]

    @property
    def state(self) -> State:
        """Whether it differs, may differ for all that is known, or is equal."""
        if self.differs:
            return "differs"
        return "equal" if self.complete and not self._overlap_only else "unknown"

    @property
    def _overlap_only(self) -> bool:
        """True where the two are equal only in so far as their bounds overlap."""
        if not isinstance(self.a, float) or not isinstance(self.b, float):
            return False
        return abs(self.a - self.b) > _least(self.factor)

    @property
    def why_unknown(self) -> str:
        """Why it is not known whether it differs; empty where it is known."""
        if self.state != "unknown":
            return ""
        if not self.recorded_a[0] or not self.recorded_b[0]:
            return "recorded on one side only"
        return "bounds overlap" if self.complete else "recorded on some results only"


@dataclass(frozen=True)
class Setting:
    """A raw setting whose text differs; None where a group's plates do not state it."""

    name: str
    a: str | None
    b: str | None


def _least(factor: Factor) -> float:
    """Return the difference up to which numbers of a factor count as equal."""
    # The last bits of a mean are no difference.
    return max(factor.resolution, 1e-9 * factor.span) * (1 + 1e-9)


def compare(factor: Factor, a: Sequence[Observation], b: Sequence[Observation]) -> Comparison:
    """Compare one factor between two groups of results."""
    if factor.kind == "category":
        return _compare_levels(factor, a, b)
    pairs_a = _known(as_interval(o.factors.get(factor.name)) for o in a)
    pairs_b = _known(as_interval(o.factors.get(factor.name)) for o in b)
    mean_a, mean_b = _mean(pairs_a), _mean(pairs_b)
    found = Comparison(
        factor, mean_a, mean_b, _range(pairs_a), _range(pairs_b),
        recorded_a=(len(pairs_a), len(a)), recorded_b=(len(pairs_b), len(b)),
        differs=False, ratio=None, levels_a=_plate_levels(factor, a), levels_b=_plate_levels(factor, b),
    )  # fmt: skip
    if mean_a is None or mean_b is None:
        return found
    change = abs(mean_b - mean_a)
    # Two nozzles in A against one in B between them have one mean and differ all the same.
    spread = bool(found.levels_a and found.levels_b) and _unlike(factor, found.levels_a, found.levels_b)
    differs, likely = change > _least(factor) or spread, False
    # An estimate with bounds (water content) differs only where the bounds leave no doubt.
    if _uncertain(pairs_a) or _uncertain(pairs_b):
        likely, differs = differs, differs and not _overlap(found.range_a, found.range_b)
    if factor.error > 0:
        plates = [len({o.plate for o in group}) for group in (a, b)]
        doubt = factor.error * math.sqrt(1 / plates[0] + 1 / plates[1])
        likely, differs = change > doubt, differs and change > 1.96 * doubt
    ratio = change / factor.resolution if factor.resolution > 0 else None
    return replace(found, differs=differs, ratio=ratio, likely=likely or differs)


def _plate_levels(factor: Factor, group: Sequence[Observation]) -> tuple[tuple[float | str, int], ...]:
    """Return the values with counts where each plate has one value, as settings do; else nothing."""
    by_plate: dict[str, set[float]] = {}
    values: list[float] = []
    for o in group:
        value = o.factors.get(factor.name)
        if isinstance(value, str | tuple) or value is None or not math.isfinite(value):
            return ()
        by_plate.setdefault(o.plate, set()).add(float(value))
        values.append(float(value))
    if any(max(found) - min(found) > _least(factor) for found in by_plate.values()):
        return ()
    merged: list[tuple[float, int]] = []
    for value, count in sorted(Counter(values).items()):
        # Values within the resolution are one level, named by its first.
        if merged and value - merged[-1][0] <= _least(factor):
            merged[-1] = (merged[-1][0], merged[-1][1] + count)
        else:
            merged.append((value, count))
    return tuple(merged)


def _unlike(
    factor: Factor, a: Sequence[tuple[float | str, int]], b: Sequence[tuple[float | str, int]]
) -> bool:
    """Whether a level of one side is on no piece of the other."""
    numbers = [[float(level) for level, _ in side] for side in (a, b)]
    return any(
        min(abs(level - other) for other in numbers[1 - side]) > _least(factor)
        for side in (0, 1)
        for level in numbers[side]
    )


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
        factor, _written(found_a), _written(found_b), None, None, (n_a, len(a)), (n_b, len(b)), differs, None,
        tuple(sorted(found_a.items())), tuple(sorted(found_b.items())), differs,
    )  # fmt: skip


def _levels(levels: Iterable[str | None]) -> Counter[str]:
    return Counter(level for level in levels if level is not None)


def _written(levels: Counter[str]) -> str | None:
    if len(levels) <= 1:
        return next(iter(levels), None)
    return ", ".join(f"{level} ({count})" for level, count in sorted(levels.items()))


def compare_materials(a: Sequence[Observation], b: Sequence[Observation]) -> Comparison:
    """Compare the materials of two groups as if they were a category."""
    as_factor = Factor("material", kind="category")
    return _compare_levels(as_factor, *([_of_material(o) for o in group] for group in (a, b)))


def _of_material(observation: Observation) -> Observation:
    return Observation("", "", 0.0, "", "", factors={"material": observation.material})


def in_order(comparisons: Iterable[Comparison]) -> tuple[Comparison, ...]:
    """Return comparisons as people want to read them: settings, largest first, then notes, then persons."""
    return tuple(
        sorted(
            comparisons,
            key=lambda c: (
                c.factor.person,
                c.factor.listed,
                c.factor.kind == "number",
                -(c.ratio or math.inf),
            ),
        )
    )


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
