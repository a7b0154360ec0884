"""What an answer is made of: what is claimed, what is not, and in which numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tracker.statistics import RankTest, Welch
from tracker.why.differed import Comparison, Setting
from tracker.why.directions import Direction
from tracker.why.problem import Problem


@dataclass(frozen=True)
class Span:
    """An estimate with its 95 % interval, in the quantity's unit and as a fraction.

    Attributes:
        delta: Estimate, B less A, unit of the quantity.
        low: Lower limit, same unit.
        high: Upper limit, same unit.
        relative: The estimate as a fraction of A; None where a fraction makes no sense.
        relative_low: Lower limit as a fraction.
        relative_high: Upper limit as a fraction.
    """

    delta: float
    low: float
    high: float
    relative: float | None = None
    relative_low: float | None = None
    relative_high: float | None = None

    @property
    def excludes_zero(self) -> bool:
        """True where the whole interval lies on one side of zero."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class Side:
    """One of the two groups.

    Attributes:
        mean: Mean in the quantity's unit; None where only ranks are compared.
        values: Its results as (value, plate).
    """

    mean: float | None
    values: tuple[tuple[float, str], ...]

    @property
    def n(self) -> int:
        """Number of results."""
        return len(self.values)

    @property
    def plates(self) -> int:
        """Number of plates."""
        return len({plate for _, plate in self.values})


@dataclass(frozen=True)
class Difference:
    """Step 1: is there a difference?

    Attributes:
        a: Group A.
        b: Group B.
        span: B - A with its interval; None where only ranks are compared.
        claimed: True where the interval excludes zero.
        sigma: Piece-to-piece scatter, posterior median, in the unit or as a fraction.
        tau: Plate-to-plate scatter, likewise.
        plate_scatter_known: False where τ rests on its prior.
        welch: Welch's interval on the values as they are, where it can be computed.
        permutation: Permutation probability, where both groups have four or more.
        ranks: The rank test of grades or bounds.
        standardised: B - A in its own standard deviations; for ranks the normal score of p.
        remarks: Plain sentences about the data themselves.
        scatters: False where pieces of one plate all read the same, so that the interval is too narrow.
    """

    a: Side
    b: Side
    span: Span | None
    claimed: bool
    sigma: float | None
    tau: float | None
    plate_scatter_known: bool
    welch: Welch | None = None
    permutation: float | None = None
    ranks: RankTest | None = None
    standardised: float = 0.0
    remarks: tuple[str, ...] = ()
    scatters: bool = True


@dataclass(frozen=True)
class Share:
    """Step 3: how much of the difference one factor is consistent with.

    Attributes:
        factor: Its name.
        words: Its label.
        span: The share; None where the factor cannot be told apart from others.
        group: Index of its group, or None.
        published: Direction of effect in the literature, a note and no evidence.
        agrees: True or False where a shown share can be held against ``published``.
    """

    factor: str
    words: str
    span: Span | None
    group: int | None
    published: Direction | None = None
    agrees: bool | None = None

    @property
    def separable(self) -> bool:
        """True where the share is its own."""
        return self.group is None

    @property
    def shown(self) -> bool:
        """True where the share is its own and its interval excludes zero."""
        return self.span is not None and self.span.excludes_zero


@dataclass(frozen=True)
class GroupShare:
    """Step 4: factors that cannot be told apart, with their joint share.

    Attributes:
        factors: Names of the changed factors; ``material`` may be one.
        moved_along: Factors equal in A and B that moved with one of them elsewhere.
        span: The joint share.
    """

    factors: tuple[str, ...]
    moved_along: tuple[str, ...]
    span: Span


@dataclass(frozen=True)
class NotRecorded:
    """A factor that A or B lacks: results that have it, of how many."""

    factor: str
    a: tuple[int, int]
    b: tuple[int, int]

    @property
    def wholly(self) -> bool:
        """True where one group lacks it on every result."""
        return self.a[0] == 0 or self.b[0] == 0


@dataclass(frozen=True)
class Scope:
    """What the answer rests on.

    Attributes:
        results: Results used.
        plates: Plates among them.
        materials: Their materials.
        equal: Factors equal in A and B.
        imputed: Factor to number of results on which it was imputed.
        pooled: Factor to number of levels pooled as "other".
        unused: Factor left aside to the one used for the same cause.
        excluded: Reason to number of results left out.
        marked: Remark to number of results that carry it.
        words: The caller's words for the scope.
        log: True where logarithms were analysed.
    """

    results: int
    plates: int
    materials: tuple[str, ...]
    equal: tuple[str, ...]
    imputed: Mapping[str, int]
    pooled: Mapping[str, int]
    unused: Mapping[str, str]
    excluded: Mapping[str, int]
    marked: Mapping[str, int]
    words: str
    log: bool


@dataclass(frozen=True)
class Findings:
    """The five steps, answered.

    Attributes:
        problem: What was asked.
        difference: Step 1.
        differed: Step 2, factors, largest first.
        settings: Step 2, raw settings whose text differs.
        not_recorded: What nobody wrote down.
        shares: Step 3, largest first; members of groups carry no number.
        groups: Step 4.
        remainder: What the shares leave of the difference; None where only ranks are compared.
        scope: What it rests on.
        followup: Step 5 as rows of a table, where it was asked for.
        leading: The factor whose own share is larger than every other with 95 % probability, if any.
        no_followup: Why no plate is proposed, where it was asked for and refused.
    """

    problem: Problem
    difference: Difference
    differed: tuple[Comparison, ...]
    settings: tuple[Setting, ...]
    not_recorded: tuple[NotRecorded, ...]
    shares: tuple[Share, ...]
    groups: tuple[GroupShare, ...]
    remainder: Span | None
    scope: Scope
    followup: tuple[Mapping[str, Any], ...] = ()
    no_followup: str = ""
    leading: str | None = None
