"""What is asked: a quantity, two groups of results, and everything else known of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from tracker.errors import Refused

Value = float | str | tuple[float, float] | None
"""A factor's value: a number, a level, an interval (low, high), or None for "not recorded"."""


@dataclass(frozen=True)
class Factor:
    """Something recorded about how a piece came to be that could explain a result.

    Attributes:
        name: Unique name, as in ``nozzle_c``.
        unit: Unit of its numbers; empty for a category.
        resolution: Differences up to this size count as equal; same unit.
        span: The change that is typical between plates (nozzle 30 °C, fan 40 %); same
            unit, positive. One span is what the prior of its effect refers to.
        kind: ``"number"`` or ``"category"``.
        same_cause: Factors that share this word measure one cause (water content,
            open-air hours); only one of them is used, the earlier in the list
            where it is recorded on both sides.
        label: Words for people; the name where empty.
        settable: False for what cannot be set for a next plate.
        error: Standard deviation with which its numbers were recorded; same unit.
        of_test: True for what belongs to the measurement (rig, operator) and not to the piece.
        person: True where its levels are people.
        listed: True for what is only listed where it differs (notes, dates) and never gets a share.
    """

    name: str
    unit: str = ""
    resolution: float = 0.0
    span: float = 1.0
    kind: Literal["number", "category"] = "number"
    same_cause: str = ""
    label: str = ""
    settable: bool = True
    error: float = 0.0
    of_test: bool = False
    person: bool = False
    listed: bool = False

    @property
    def words(self) -> str:
        """The label, or the name with blanks where there is none."""
        return self.label or self.name


@dataclass(frozen=True)
class Observation:
    """One counted result, with how its piece came to be.

    Attributes:
        result_id: Unique ID of the result.
        quantity: Its quantity, as in ``tensile.strength``.
        value: In the quantity's unit; NaN is treated as absent, and said.
        material: Material of the piece.
        plate: The job that printed it; pieces of one job share what that job had.
        specimen: ID of the piece.
        factors: Factor name to value; a name that is absent was not recorded.
        censored: ``"above"`` or ``"below"`` where the value is only a bound.
        note: Remark for people, as in ``imported``.
        order: Position in time (any increasing number), where known.
    """

    result_id: str
    quantity: str
    value: float
    material: str
    plate: str
    specimen: str = ""
    factors: Mapping[str, Value] = field(default_factory=dict)
    censored: Literal["above", "below"] | None = None
    note: str = ""
    order: float | None = None


@dataclass(frozen=True)
class Question:
    """The quantity that is compared.

    Attributes:
        quantity: Its name.
        unit: Its unit.
        larger_is_better: True, False, or None where neither is.
        positive: True where only positive values make sense; these are analysed
            as natural logarithms and shown as per cent and in units.
        ordinal: True for grades, which are compared by rank and never averaged.
        repeatability: Piece-to-piece standard deviation known from elsewhere (a
            fraction for positive quantities, else in ``unit``); it narrows the prior.
        about: What the pieces were, for published directions of effect:
            ``"interlayer"``, ``"in-plane"`` or empty.
        pieces: What tells it from the same question of other pieces, as in ``"upright"``; or empty.
        title: What people call the quantity; its name where empty.
    """

    quantity: str
    unit: str = ""
    larger_is_better: bool | None = None
    positive: bool = True
    ordinal: bool = False
    repeatability: float | None = None
    about: str = ""
    pieces: str = ""
    title: str = ""

    @property
    def named(self) -> str:
        """The quantity by its name, and of which pieces: ``tensile.strength of upright pieces``."""
        return f"{self.quantity} of {self.pieces} pieces" if self.pieces else self.quantity

    @property
    def called(self) -> str:
        """The quantity as people call it, and of which pieces: ``tensile strength of upright pieces``."""
        called = self.title or self.quantity
        return f"{called} of {self.pieces} pieces" if self.pieces else called


@dataclass(frozen=True)
class Problem:
    """A question about two groups, within everything comparable that the book holds.

    Attributes:
        question: The quantity.
        factors: The registry of factors, in order of preference within one cause.
        observations: All counted results in scope, those of A and B among them.
        a: IDs of the results of group A.
        b: IDs of the results of group B.
        label_a: What to call A.
        label_b: What to call B.
        settings_a: Raw settings of A's plates, compared as text.
        settings_b: Raw settings of B's plates.
        excluded: Why results were left out: reason to count.
        scope: Words for the scope (method, orientation, family).
        aside: Results of A and B that were set aside by a verdict; no part of ``observations``.
        aside_a: IDs of those of A; the others are B's.
        matters: Smallest difference that matters, a fraction of A's mean; None for the usual one.
        matters_in_unit: True where ``matters`` is in the quantity's unit instead.
        nowhere: Labels of factors that nobody recorded on any result of A or B.
        costs: Plate to (hours, grams of filament) where known.
    """

    question: Question
    factors: tuple[Factor, ...]
    observations: tuple[Observation, ...]
    a: frozenset[str]
    b: frozenset[str]
    label_a: str = "A"
    label_b: str = "B"
    settings_a: Mapping[str, str] = field(default_factory=dict)
    settings_b: Mapping[str, str] = field(default_factory=dict)
    excluded: Mapping[str, int] = field(default_factory=dict)
    scope: str = ""
    aside: tuple[Observation, ...] = ()
    aside_a: frozenset[str] = frozenset()
    matters: float | None = None
    matters_in_unit: bool = False
    nowhere: tuple[str, ...] = ()
    costs: Mapping[str, tuple[float | None, float | None]] = field(default_factory=dict)


@dataclass(frozen=True)
class Zeros:
    """Pieces that read exactly zero, compared as a share of their own: (zeros, pieces) of A and of B."""

    a: tuple[int, int]
    b: tuple[int, int]


@dataclass(frozen=True)
class Cleaned:
    """A problem that can be answered, and what was left out to make it so.

    Attributes:
        problem: The problem as asked.
        observations: Usable results, sorted by ID.
        a: Results of A among them.
        b: Results of B among them.
        excluded: Reason to count, the problem's own and ours.
        by_rank: True where grades or bounds allow ranks only.
        zeros: Pieces that read zero and were taken out of the means, where there were such.
    """

    problem: Problem
    observations: tuple[Observation, ...]
    a: tuple[Observation, ...]
    b: tuple[Observation, ...]
    excluded: Mapping[str, int]
    by_rank: bool
    zeros: Zeros | None = None


def cleaned(problem: Problem) -> Cleaned:
    """Check the two groups and set aside what cannot be used.

    Raises:
        Refused: The groups are equal, overlap, are empty, name unknown results,
            or hold no usable value; a factor or a result is given twice; a factor is
            called material; or a number's span is not above zero.
    """
    _check_groups(problem)
    _check_factors(problem.factors)
    of_quantity = [o for o in problem.observations if o.quantity == problem.question.quantity]
    # Sorted, so that sums round alike and the answer is the same whatever order the book hands out.
    usable = sorted((o for o in of_quantity if math.isfinite(o.value)), key=lambda o: o.result_id)
    a = tuple(o for o in usable if o.result_id in problem.a)
    b = tuple(o for o in usable if o.result_id in problem.b)
    _check_held(problem, a, b)
    excluded = dict(problem.excluded)
    _count(excluded, "value is not a number", len(of_quantity) - len(usable))
    # A bound in A or B decides how they can be compared; one elsewhere only teaches nothing.
    by_rank = problem.question.ordinal or any(o.censored for o in (*a, *b))
    if not by_rank:
        _count(excluded, "only a bound is known", sum(o.censored is not None for o in usable))
        usable = [o for o in usable if o.censored is None]
    zeros = None if by_rank else _zeros(problem.question, usable, a, b)
    if zeros is not None:
        # A piece that came apart in the hand has no logarithm: how often that happened is one question,
        # how strong the others are another (a hurdle model).
        _count(excluded, "reads zero, compared as a share", sum(o.value == 0 for o in usable))
        usable = [o for o in usable if o.value != 0]
        a, b = (tuple(o for o in group if o.value != 0) for group in (a, b))
    return Cleaned(problem, tuple(usable), a, b, excluded, by_rank, zeros)


_FEWEST_ABOVE_ZERO = 3


def _zeros(
    question: Question, usable: Sequence[Observation], a: Sequence[Observation], b: Sequence[Observation]
) -> Zeros | None:
    """Return how many read zero where the rest is positive and enough to be compared, else None."""
    values = [o.value for o in usable]
    if not question.positive or 0.0 not in values or min(values) < 0:
        return None
    (zero_a, zero_b) = (sum(o.value == 0 for o in group) for group in (a, b))
    if min(len(a) - zero_a, len(b) - zero_b) < _FEWEST_ABOVE_ZERO:
        return None
    return Zeros((zero_a, len(a)), (zero_b, len(b)))


def _count(excluded: dict[str, int], reason: str, count: int) -> None:
    if count:
        excluded[reason] = excluded.get(reason, 0) + count


def _check_groups(problem: Problem) -> None:
    if not problem.a or not problem.b:
        empty = problem.label_b if problem.a else problem.label_a
        raise Refused(
            f"group {empty} holds no results of {problem.question.quantity}",
            do="Name pieces that were tested for it, or ask about another quantity.",
        )
    # Equal groups overlap too, but deserve the plainer sentence.
    if problem.a == problem.b:
        raise Refused(
            f"{problem.label_a} and {problem.label_b} are the same results",
            why="nothing can differ",
            do="Name two different groups.",
        )
    shared = sorted(problem.a & problem.b)
    if shared:
        raise Refused(
            f"{len(shared)} results are in both groups, first {shared[0]}",
            why="a result cannot be compared with itself",
            do="Narrow the filters until the groups no longer overlap.",
        )


def _check_factors(factors: tuple[Factor, ...]) -> None:
    # A registry may hold factors of plugins; their slips are refused by name here, not found as a singular
    # matrix later.
    names = [factor.name for factor in factors]
    for factor in factors:
        if factor.name == "material":
            raise Refused(
                "a factor is called material",
                why="every observation names its material already",
                do="Leave it out of the registry.",
            )
        if names.count(factor.name) > 1:
            raise Refused(f"factor {factor.name} is declared twice", do="Give each factor a name of its own.")
        if factor.kind == "number" and not (math.isfinite(factor.span) and factor.span > 0):
            raise Refused(
                f"factor {factor.name} has the span {factor.span:g}",
                why="a typical span is a positive number",
                do="Declare how far it usually moves between plates.",
            )


def _check_held(problem: Problem, a: tuple[Observation, ...], b: tuple[Observation, ...]) -> None:
    ids = [o.result_id for o in problem.observations if o.quantity == problem.question.quantity]
    if len(set(ids)) != len(ids):
        twice = next(name for name in ids if ids.count(name) > 1)
        raise Refused(f"result {twice} is given twice", do="Give every result once.")
    for label, found in ((problem.label_a, a), (problem.label_b, b)):
        if not found:
            raise Refused(
                f"{label} holds no usable value of {problem.question.quantity}",
                why="its pieces were not tested for it, or their values are not numbers",
                do="Ask about a quantity that both groups have; leave --of away to see which.",
            )
    # Last, because a group without any value is the commoner slip and has the clearer remedy.
    missing = sorted((problem.a | problem.b) - set(ids))
    if missing:
        raise Refused(f"result {missing[0]} is not in the scope", do="Hand in every result of A and B.")
