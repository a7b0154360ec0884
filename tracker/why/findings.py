"""What an answer is made of, and its form as plain data: a contract with other people's scripts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal

from tracker.statistics import RankTest, Welch
from tracker.why.differed import Comparison, Setting
from tracker.why.effects import Direction, Roles
from tracker.why.problem import Problem, Zeros


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
        tail: Probability that the true difference has the other sign, twice; what is adjusted where many
            quantities are asked about at once.
        level: Probability of error at which the difference is claimed.
        adjusted: ``tail`` adjusted for the quantities asked about together; None where only one was.
        scatter_ratio: Scatter of B's pieces relative to A's, with its 95 % interval, where both show any.
        zeros: Pieces that read zero, of how many, where the means are of the others.
        with_aside: The plain difference of means with the pieces that were set aside, its limits, and how
            many of A and B they are; None where none were.
        likely: The true difference as the posterior has it, with the same limits as ``span``.
        odd: Plates of A or B that are odd among their own and count for less.
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
    tail: float = 1.0
    level: float = 0.05
    adjusted: float | None = None
    scatter_ratio: tuple[float, float, float] | None = None
    zeros: Zeros | None = None
    with_aside: tuple[Span, int, int] | None = None
    likely: Span | None = None
    odd: tuple[str, ...] = ()


@dataclass(frozen=True)
class Share:
    """Step 3: how much of the difference one factor is consistent with.

    Attributes:
        factor: Its name.
        words: Its label.
        span: The share; None where the factor cannot be told apart from others.
        group: Index of its group, or None.
        published: Direction of effect in the literature, a note and no evidence.
        agrees: True or False where a shown share can be compared with ``published``.
        represents: Other changed factors that follow from it or act through it.
        from_unrecorded: False where something else about A or B could pass for it.
    """

    factor: str
    words: str
    span: Span | None
    group: int | None
    published: Direction | None = None
    agrees: bool | None = None
    represents: tuple[str, ...] = ()
    from_unrecorded: bool = True

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


Kind = Literal["factor", "group", "unrecorded", "combination", "chance"]


@dataclass(frozen=True)
class Explanation:
    """One thing that may have made most of the difference.

    Attributes:
        kind: A recorded factor, a group that cannot be told apart, something not recorded, a combination
            of which no part makes half, or chance between plates.
        factors: The factors of a factor or a group.
        words: What to call it.
        p: Probability that it made most of the difference; those of one answer sum to one.
    """

    kind: Kind
    factors: tuple[str, ...]
    words: str
    p: float


@dataclass(frozen=True)
class Verdict:
    """The three lines that come first, read from one posterior.

    Attributes:
        differs: True where a difference is claimed.
        p_differs: Probability that the true difference has the sign of the one seen.
        matters: Smallest difference that matters: a fraction, or in the unit (see ``matters_fraction``).
        matters_fraction: True where ``matters`` is a fraction of A's mean.
        p_matters: Probability that the true difference is at least that large.
        explanations: What made most of it, likeliest first.
        withdrawn: Why the likeliest explanation is not claimed though its probability would allow it.
        extremes: Sentences on A or B being the lowest or highest of all plates.
    """

    differs: bool
    p_differs: float
    matters: float
    matters_fraction: bool
    p_matters: float
    explanations: tuple[Explanation, ...]
    withdrawn: tuple[str, ...] = ()
    extremes: tuple[str, ...] = ()

    def p(self, kind: Kind) -> float:
        """Return the probability of all explanations of one kind."""
        return sum(each.p for each in self.explanations if each.kind == kind)


@dataclass(frozen=True)
class Suspect:
    """One changed factor in the is/is-not table: other plates that had it as B, and as A.

    Attributes:
        factor: The factor.
        words: What to call it.
        with_it: Other plates nearer to B's level than to A's.
        with_it_like_b: How many of them read nearer to B than to A.
        without: Other plates nearer to A's level.
        without_like_b: How many of them read nearer to B than to A.
        plates: Names of the plates that had it, with whether they read like B.
    """

    factor: str
    words: str
    with_it: int
    with_it_like_b: int
    without: int
    without_like_b: int
    plates: tuple[tuple[str, bool], ...]


@dataclass(frozen=True)
class Check:
    """One check of the fit: its name, whether it passed, what it found, and the factor it concerns."""

    name: str
    passed: bool
    text: str
    factor: str = ""


@dataclass(frozen=True)
class Findings:
    """The five steps, answered.

    Attributes:
        problem: What was asked.
        verdict: The three lines that come first; None where only ranks are compared.
        difference: Step 1.
        differed: Step 2, factors that differ: settings, largest first, notes, persons.
        unknown: Factors of which it is not known whether they differ.
        settings: Step 2, raw settings whose text differs.
        not_recorded: What some result of A or B lacks.
        shares: Step 3, largest first; members of groups carry no number.
        groups: Step 4.
        together: What two leading factors make together beyond their shares, where the results ask for it.
        unrecorded: What something not recorded made; None where only ranks are compared.
        remainder: What the shares leave of the difference; None where only ranks are compared.
        luck: What chance between plates and pieces made of the difference seen.
        roles: What each factor is to the question.
        suspects: The is/is-not table.
        checks: Checks of the fit.
        bends: Interactions and curves that entered the model, in words.
        scope: What it rests on.
        followup: Step 5 as rows of a table, where it was asked for.
        decides: Probability that the first plate of the plan decides, where one was asked for.
        leading: The one factor that is claimed to have made most of the difference, if any.
        no_followup: Why no plate is proposed, where it was asked for and refused.
    """

    problem: Problem
    verdict: Verdict | None
    difference: Difference
    differed: tuple[Comparison, ...]
    unknown: tuple[Comparison, ...]
    settings: tuple[Setting, ...]
    not_recorded: tuple[NotRecorded, ...]
    shares: tuple[Share, ...]
    groups: tuple[GroupShare, ...]
    together: Span | None
    unrecorded: Span | None
    remainder: Span | None
    luck: Span | None
    roles: Roles
    suspects: tuple[Suspect, ...]
    checks: tuple[Check, ...]
    bends: tuple[str, ...]
    scope: Scope
    followup: tuple[Mapping[str, Any], ...] = ()
    decides: float | None = None
    leading: str | None = None
    no_followup: str = ""


def findings_as_data(found: Findings) -> dict[str, Any]:
    """Return the findings as dictionaries, lists, numbers and text that JSON can hold.

    ``relative`` is a fraction of A's mean. What cannot be claimed is null.
    """
    data: dict[str, Any] = _plain(
        {
            "verdict": _verdict(found),
            "difference": _difference(found),
            "differed": [_differed(item) for item in found.differed],
            "not_known_to_differ": [{**_differed(item), "why": item.why_unknown} for item in found.unknown],
            "equal": list(found.scope.equal),
            "recorded_nowhere": list(found.problem.nowhere),
            "settings": [asdict(setting) for setting in found.settings],
            "not_recorded": [item.factor for item in found.not_recorded],
            "not_recorded_counts": {
                item.factor: {"a": list(item.a), "b": list(item.b)} for item in found.not_recorded
            },
            "shares": [_share(share) for share in found.shares],
            "groups": [_group(group) for group in found.groups],
            "leading": found.leading,
            "remainder": _span(found.remainder),
            "unrecorded": _span(found.unrecorded),
            "together": _span(found.together),
            "chance": _span(found.luck),
            "is_is_not": [asdict(row) for row in found.suspects],
            "checks": [asdict(check) for check in found.checks],
            "curves_and_interactions": list(found.bends),
            "graph": {
                "causes": list(found.roles.causes),
                "follows_from": dict(found.roles.dependent),
                "acts_through": dict(found.roles.through),
                "adjusted_for": list(found.roles.adjusted),
                "not_adjusted_for": dict(found.roles.dropped),
            },
            "followup": [dict(row) for row in found.followup],
            "scope": _scope(found.scope),
        }
    )
    return data


def _plain(value: Any) -> Any:
    """Return a value with tuples as lists, as JSON has it."""
    if isinstance(value, Mapping):
        return {str(name): _plain(each) for name, each in value.items()}
    return [_plain(each) for each in value] if isinstance(value, list | tuple) else value


def _span(span: Span | None) -> dict[str, float | None]:
    if span is None:
        # The keys stay where nothing is claimed: a script then reads null and not a missing key.
        return dict.fromkeys(("delta", "low", "high", "relative", "relative_low", "relative_high"))
    return asdict(span)


def _verdict(found: Findings) -> dict[str, Any] | None:
    if found.verdict is None:
        return None
    return {
        **asdict(found.verdict),
        "explanations": [asdict(each) for each in found.verdict.explanations],
        "cause": found.leading,
        "next_plate_decides": found.decides,
    }


def _difference(found: Findings) -> dict[str, Any]:
    step = found.difference
    question = found.problem.question
    return {
        "quantity": question.quantity,
        "pieces": question.pieces,
        "unit": question.unit,
        "a": found.problem.label_a,
        "b": found.problem.label_b,
        "mean_a": step.a.mean,
        "mean_b": step.b.mean,
        **_span(step.span),
        "claimed": step.claimed,
        **_basis(step),
        "ranks": asdict(step.ranks) if step.ranks else None,
        "adjusted_p": step.adjusted,
        "likely": _span(step.likely),
        "odd_plates": list(step.odd),
        "scatter_ratio": list(step.scatter_ratio) if step.scatter_ratio else None,
        "zeros": asdict(step.zeros) if step.zeros else None,
        "with_set_aside": None
        if step.with_aside is None
        else {**_span(step.with_aside[0]), "of_a": step.with_aside[1], "of_b": step.with_aside[2]},
        "remarks": list(step.remarks),
    }


def _basis(step: Difference) -> dict[str, Any]:
    return {
        "n_a": step.a.n,
        "n_b": step.b.n,
        "plates_a": step.a.plates,
        "plates_b": step.b.plates,
        "piece_scatter": step.sigma,
        "plate_scatter": step.tau,
        "plate_scatter_known": step.plate_scatter_known,
        "welch": asdict(step.welch) if step.welch else None,
        "permutation_p": step.permutation,
        "standardised": step.standardised,
        "scatters": step.scatters,
    }


def _differed(item: Comparison) -> dict[str, Any]:
    return {
        "factor": item.factor.name,
        "a": item.a,
        "b": item.b,
        "unit": item.factor.unit,
        "ratio_to_resolution": item.ratio,
        "range_a": list(item.range_a) if item.range_a else None,
        "range_b": list(item.range_b) if item.range_b else None,
        "levels_a": [list(pair) for pair in item.levels_a],
        "levels_b": [list(pair) for pair in item.levels_b],
    }


def _share(share: Share) -> dict[str, Any]:
    return {
        "factor": share.factor,
        **_span(share.span),
        "separable": share.separable,
        "group": share.group,
        "shown": share.shown,
        "published": asdict(share.published) if share.published else None,
        "agrees_with_published": share.agrees,
        "represents": list(share.represents),
        "told_from_unrecorded": share.from_unrecorded,
    }


def _group(group: GroupShare) -> dict[str, Any]:
    return {
        "factors": list(group.factors),
        "moved_along": list(group.moved_along),
        **_span(group.span),
        "shown": group.span.excludes_zero,
    }


def _scope(scope: Scope) -> dict[str, Any]:
    plain = {name: getattr(scope, name) for name in ("results", "plates", "words", "log")}
    lists = {name: list(getattr(scope, name)) for name in ("materials", "equal")}
    counts = ("imputed", "pooled", "unused", "excluded", "marked")
    return plain | lists | {name: dict(sorted(getattr(scope, name).items())) for name in counts}
