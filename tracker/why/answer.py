"""From a problem to its answer: the difference, the verdict, the shares, and what they rest on."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from scipy.special import ndtri

from tracker.errors import Refused
from tracker.lazy_modules import lazy, np
from tracker.statistics import RankTest, Welch, permutation_p, rank_test, welch
from tracker.why import checks
from tracker.why.design import Array
from tracker.why.differed import Comparison, in_order, settings_that_differ
from tracker.why.effects import Roles, property_of, published
from tracker.why.findings import (
    Check,
    Difference,
    Explanation,
    Findings,
    GroupShare,
    NotRecorded,
    Scope,
    Share,
    Side,
    Span,
    Verdict,
    findings_as_data,
)
from tracker.why.picture import draw, draw_graph
from tracker.why.posterior import quantiles
from tracker.why.problem import Cleaned, Observation, Problem, cleaned
from tracker.why.separable import MATERIAL
from tracker.why.words import findings_in_words, items_in_words
from tracker.why.working import Extra, Working, compared_in, noise_weights, plates_beyond_factors, work

if TYPE_CHECKING:
    from scipy import special
else:
    special = lazy("scipy.special")

NAMED = 0.65
"""Probability from which one factor is named: more than two to one against everything else together."""
_USUAL = 0.05
"""Probability of error at which a difference is claimed."""
_MATTERS = 0.05
"""Smallest difference that matters, of a positive quantity: 5 % of A's mean (common practice, no source)."""
_LIMITS = (0.025, 0.5, 0.975)
_FEWEST_FOR_PERMUTATION = 4


@dataclass(frozen=True)
class Answer(Findings):
    """Findings that can be given to a person or to another program.

    Attributes:
        working: What they were read from, for planning the next plates; None where only ranks are compared.
    """

    working: Working | None = field(default=None, repr=False, compare=False)

    def as_json(self) -> dict[str, Any]:
        """Return the answer as plain data with the keys other people's scripts read."""
        return findings_as_data(self)

    def sentences(self, width: int = 80) -> list[str]:
        """Return the answer in plain sentences, wrapped to ``width`` columns; the verdict first."""
        return findings_in_words(self, width)

    def items(self) -> list[tuple[str, list[str]]]:
        """Return the sentences unwrapped, each with the lines below it; the first three are the verdict."""
        return items_in_words(self)

    def picture_svg(self, *, narrow: bool = False) -> bytes:
        """Return the picture as SVG: every point of both groups, and the shares with intervals.

        Args:
            narrow: Below each other, for a phone.
        """
        return draw(self, "svg", narrow=narrow)

    def picture_png(self) -> bytes:
        """Return the same picture as PNG."""
        return draw(self, "png")

    def graph_svg(self) -> bytes:
        """Return the lineage as SVG: what follows from what, the changed nodes lit."""
        return draw_graph(self)


def at_level(found: Answer, level: float) -> Answer:
    """Return an answer whose difference has the limits of another probability of error."""
    working, span = found.working, found.difference.span
    if working is None or span is None:
        return found
    total = _one(working, len(working.names) + len(working.groups) + 2)
    low, high = quantiles(total, (level / 2, 1 - level / 2))[:, 0]
    display, centre = display_of(working)
    means = found.difference.a.mean or 0.0, found.difference.b.mean or 0.0
    wider = _difference_span(display, (centre, float(low), float(high)), means)
    return replace(found, difference=replace(found.difference, span=wider, level=level))


@dataclass(frozen=True)
class Display:
    """Turns working numbers into units and fractions.

    Logarithms become units by the logarithmic mean of the two means, with which
    shares and remainder add up to the difference exactly (the additive
    decomposition of B. W. Ang, Energy Policy 32, 2004, 1131-1139).

    Attributes:
        log: True where working numbers are logarithms.
        per_unit: Units of the quantity per working unit.
        base: What a fraction refers to, A's mean; None where a fraction makes no sense.
    """

    log: bool
    per_unit: float
    base: float | None

    def span(self, delta: float, low: float, high: float) -> Span:
        """Return an estimate with limits, given on the working scale."""
        numbers = [self.per_unit * x for x in (delta, low, high)]
        if self.base is None:
            return Span(*numbers)
        return Span(*numbers, *(self.fraction(x) for x in (delta, low, high)))

    def fraction(self, working: float) -> float:
        """Return a working difference as a fraction of A."""
        return math.expm1(working) if self.log else self.per_unit * working / (self.base or math.nan)


def answer(problem: Problem) -> Answer:
    """Answer why two groups of results differ (steps 1 to 4).

    Raises:
        Refused: The groups are equal, overlap, are empty, name unknown results or hold
            no usable value; or a factor or a result is given twice, or a span is not
            positive.
    """
    usable = cleaned(problem)
    return by_rank(usable) if usable.by_rank else from_work(work(usable))


def from_work(working: Working) -> Answer:
    """Put the finished work into the form of an answer."""
    usable = working.cleaned
    display, centre = display_of(working)
    # Quantiles of the mixture and not mean ± 1.96: with few plates the scatters are wide open and the tails
    # are heavier than a Gaussian's.
    low, high = quantiles(working.posterior, (_LIMITS[0], _LIMITS[2]))
    means = working.posterior.weight @ working.posterior.mean
    spans = [display.span(*map(float, triple)) for triple in zip(means, low, high, strict=True)]
    s, g = len(working.names), len(working.groups)
    explanations = _explanations(working, difference_seen(working))
    # What the other plates show of a recorded factor does not depend on which plate was picked out; only
    # what rests on A's and B's own plates is the luck of the lowest of many.
    recorded = sum(each.p for each in explanations if each.kind in {"factor", "group", "combination"})
    level = working.level(picked=recorded < NAMED)
    limits = (float(low[-2]), float(high[-2]))
    if level < _USUAL:
        least, most = quantiles(_one(working, s + g + 2), (level / 2, 1 - level / 2))[:, 0]
        limits = (float(least), float(most))
    verdict = _verdict(working, display, limits, explanations, widened=level < _USUAL)
    difference = _difference(working, display, limits, verdict, level)
    joint = tuple(
        GroupShare(part.factors, part.moved_along, span)
        for part, span in zip(working.groups, spans[s : s + g], strict=True)
    )
    # Delta was observed; only the sums are uncertain, so their limits change places here.
    shares_low, shares_high = _limits_of(working, working.rows.sum(axis=0))
    shares_mean = float(means[:s].sum())
    remainder = display.span(centre - shares_mean, centre - shares_high, centre - shares_low)
    total = s + g + 2
    luck = display.span(centre - float(means[total]), centre - float(high[total]), centre - float(low[total]))
    found = checks.implausible(working)
    leading, verdict, found = _named(working, verdict, found)
    changed = [item for item in working.comparisons if item.differs]
    return Answer(
        problem=usable.problem,
        verdict=verdict,
        difference=difference,
        differed=in_order(changed),
        unknown=in_order(c for c in working.comparisons if c.state == "unknown"),
        settings=settings_that_differ(usable.problem.settings_a, usable.problem.settings_b),
        not_recorded=_not_recorded(working.comparisons),
        shares=_shares(working, spans[:s]),
        groups=joint,
        together=spans[s + g] if working.together.any() else None,
        unrecorded=spans[s + g + 1] if working.hidden else None,
        remainder=remainder,
        luck=luck,
        roles=working.roles,
        suspects=checks.suspects(working),
        checks=found,
        bends=tuple(_bends(working)),
        scope=_scope(usable, working.comparisons, working),
        leading=leading,
        working=working,
    )


def _bends(working: Working) -> Iterator[str]:
    """Yield in words which factors act together, or not along a straight line."""
    for extra in working.extras:
        if _shown_bend(working, extra):
            names = " and ".join(_label(working.cleaned.problem, name) for name in extra.factors)
            how = "act together" if len(extra.factors) > 1 else "does not act along a straight line"
            yield f"{names} {how}"


def _shown_bend(working: Working, extra: Extra) -> bool:
    """Whether an interaction likely acts, or a curve (not a material's own slope) entered."""
    if len(extra.factors) == 1:
        return working.data.q == 1
    index = next(i for i, cause in enumerate(working.causes) if cause.column == extra.column)
    return working.mixture.acts(index) > 0.5  # noqa: PLR2004 - more likely than not


def _one(working: Working, index: int) -> Any:
    post = working.posterior
    return replace(post, mean=post.mean[:, [index]], variance=post.variance[:, [index]])


def _limits_of(working: Working, row: Array) -> tuple[float, float]:
    """Return the 95 % limits of the sum of all shares, from the draws."""
    del row
    together = working.draws[:, : len(working.names)].sum(axis=1)
    low, high = np.quantile(together, (_LIMITS[0], _LIMITS[2]))
    return float(low), float(high)


@dataclass(frozen=True)
class _Part:
    """One possible explanation with its draws."""

    explanation: Explanation
    draws: Array


def _parts(working: Working) -> list[_Part]:
    """Return the parts that the true difference is the sum of: causes, groups, together, unrecorded."""
    s = len(working.names)
    problem = working.cleaned.problem
    grouped = {name for part in working.groups for name in part.factors}
    parts = []
    for i, name in enumerate(working.names):
        if name not in grouped:
            words = _label(problem, name)
            parts.append(_Part(Explanation("factor", (name,), words, 0.0), working.draws[:, i]))
    for group in working.groups:
        at = [working.names.index(name) for name in group.factors]
        words = " or ".join(_label(problem, name) for name in group.factors)
        parts.append(_Part(Explanation("group", group.factors, words, 0.0), working.draws[:, at].sum(axis=1)))
    words = "something not recorded"
    unknown = [c.factor.words for c in working.comparisons if c.state == "unknown"]
    if unknown:
        words += f", or not known to be alike ({', '.join(unknown)})"
    parts.append(_Part(Explanation("unrecorded", (), words, 0.0), working.draws[:, s + 1]))
    if working.together.any():
        words = "factors acting together, or a combination"
        parts.append(_Part(Explanation("combination", (), words, 0.0), working.draws[:, s]))
    return parts


def explained(parts: Sequence[Array], total: Array, seen: float, luck: float) -> Array:
    """Return for each draw who made most of the difference: index of a part, -1 several, -2 chance.

    Chance made it where the true difference is less than a third of the one seen, or than half of what
    plates and pieces differ by luck anyway. Else the part that is largest in the direction of the true
    difference made it, if it is at least half of it; else several did.

    Args:
        parts: Draws of each part, shape (d,) each.
        total: Draws of the true difference, shape (d,).
        seen: The difference seen.
        luck: Standard deviation of the difference between two such groups by luck alone.
    """
    toward = math.copysign(1.0, seen)
    truth = toward * total
    stacked = np.column_stack([*(toward * part for part in parts), np.full(len(truth), -np.inf)])
    first = np.argmax(stacked, axis=1)
    largest = stacked[np.arange(len(truth)), first]
    who = np.where(largest >= truth / 2, first, -1)
    return np.where(truth < max(abs(seen) / 3, luck / 2), -2, who)


def difference_seen(working: Working) -> float:
    """Return the difference seen, working scale; an odd plate of A or B counts for as little as it should."""
    design = working.design
    k = len(working.data.counts)
    ends = []
    for group in (working.cleaned.a, working.cleaned.b):
        own = working.index(group)
        pieces = np.bincount(design.plate, weights=own, minlength=k)
        mean = np.bincount(design.plate, weights=own * design.y, minlength=k) / np.maximum(pieces, 1.0)
        weight = (pieces > 0) / working.data.looseness
        ends.append(float(weight @ mean / weight.sum()))
    return ends[1] - ends[0]


def _odd_plates(working: Working) -> tuple[str, ...]:
    """Return the plates of A and B that count less than half of what a usual plate of theirs does."""
    ends = (*working.cleaned.a, *working.cleaned.b)
    at = np.unique(working.design.plate[working.index(ends) > 0])
    usual = float(np.median(working.data.looseness[at]))
    names = {
        int(plate): o.plate
        for plate, o in zip(working.design.plate, working.cleaned.observations, strict=True)
    }
    return tuple(sorted(names[int(j)] for j in at if working.data.looseness[j] > 2 * usual))


def _explanations(working: Working, centre: float) -> list[Explanation]:
    """Return what made most of the difference, likeliest first; the probabilities sum to one."""
    total = working.draws[:, -2]
    parts = _parts(working)
    who = explained([part.draws for part in parts], total, centre, chance_luck(working))
    explanations = [replace(part.explanation, p=float(np.mean(who == i))) for i, part in enumerate(parts)]
    several = float(np.mean(who == -1))
    if any(each.kind == "combination" for each in explanations):
        explanations = [
            replace(each, p=each.p + several) if each.kind == "combination" else each for each in explanations
        ]
    else:
        explanations.append(Explanation("combination", (), "a combination, none of them half of it", several))
    luck = "chance between plates" if noise_weights(working)[1] > 0 else "chance between pieces"
    explanations.append(Explanation("chance", (), luck, float(np.mean(who < -1))))
    return sorted(explanations, key=lambda each: -each.p)


def _verdict(
    working: Working,
    display: Display,
    limits: tuple[float, float],
    explanations: list[Explanation],
    *,
    widened: bool,
) -> Verdict:
    total = working.draws[:, -2]
    centre = difference_seen(working)
    matters, fraction = _matters(working, display)
    sizes = np.abs([display.fraction(x) if fraction else display.per_unit * x for x in total])
    chance = next(each.p for each in explanations if each.kind == "chance")
    shown = limits[0] > 0 or limits[1] < 0
    # Pieces of one plate have no chance between plates: what it had cancels, their own scatter is left.
    apart = noise_weights(working)[1] > 0
    return Verdict(
        # A difference of which chance made most is not claimed, whatever its interval says: head and body
        # are read from the same draws.
        differs=shown and not (apart and chance >= 0.5),  # noqa: PLR2004 - more likely than not
        p_differs=float(np.mean(math.copysign(1.0, centre) * total > 0)),
        matters=matters,
        matters_fraction=fraction,
        p_matters=float(np.mean(sizes >= matters)),
        explanations=tuple(explanations),
        extremes=_extremes_in_words(working, widened=widened),
    )


def _matters(working: Working, display: Display) -> tuple[float, bool]:
    """Return the smallest difference that matters, and whether it is a fraction of A's mean.

    Where nobody said: 5 % of a positive quantity, else twice the scatter of pieces.
    """
    problem = working.cleaned.problem
    if problem.matters is not None:
        return problem.matters, not problem.matters_in_unit and display.base is not None
    return (_MATTERS, True) if display.base is not None else (2 * _scatter(working)[0], False)


def chance_luck(working: Working) -> float:
    """Return by how much two such groups differ by luck alone, working scale: one standard deviation."""
    per_piece, per_plate = noise_weights(working)
    post = working.posterior
    variance = post.sigma**2 * (per_piece + per_plate * post.rho**2)
    return math.sqrt(float(post.weight @ variance))


def _extremes_in_words(working: Working, *, widened: bool) -> tuple[str, ...]:
    labels = {"A": working.cleaned.problem.label_a, "B": working.cleaned.problem.label_b}
    return tuple(
        f"{labels[e.side]} is the {e.end} of {e.of} plates; one always is, and "
        + ("the interval allows for it." if widened else "what was recorded explains it.")
        for e in working.extremes
    )


def _named(
    working: Working, verdict: Verdict, found: tuple[Check, ...]
) -> tuple[str | None, Verdict, tuple[Check, ...]]:
    """Return the factor that is named, the verdict with what was withdrawn, and all checks."""
    found = (*found, *checks.too_rough(working))
    rough = tuple(check.text for check in found if not check.passed and check.name == checks.ROUGH)
    if rough:
        return None, replace(verdict, withdrawn=rough), found
    first = verdict.explanations[0]
    if not verdict.differs or first.kind != "factor" or first.p < NAMED:
        return None, verdict, found
    name = first.factors[0]
    found = (*found, *checks.noted(working))
    if name != MATERIAL:
        found = (*found, *checks.of_claim(working, name))
    failed = tuple(check.text for check in found if not check.passed and check.factor in (name, checks.NOTE))
    return (None if failed else name), replace(verdict, withdrawn=failed), found


def _label(problem: Problem, name: str) -> str:
    return next((factor.words for factor in problem.factors if factor.name == name), name)


def _difference(
    working: Working, display: Display, limits: tuple[float, float], verdict: Verdict, level: float
) -> Difference:
    """Return step 1, its limits from the same posterior as everything else."""
    usable = working.cleaned
    a, b = usable.a, usable.b
    mean_a, mean_b = _mean(a), _mean(b)
    total = _one(working, len(working.names) + len(working.groups) + 2)
    _, centre = display_of(working)
    span = _difference_span(display, (centre, *limits), (mean_a, mean_b))
    sigma, tau = _scatter(working)
    mean = float(total.weight @ total.mean[:, 0])
    spread = math.sqrt(float(total.weight @ (total.variance[:, 0] + (total.mean[:, 0] - mean) ** 2)))
    # Two plates are A's and B's own: their difference is the question and tells nothing of scatter.
    known = len(working.data.counts) > 2 and plates_beyond_factors(working) >= 1  # noqa: PLR2004
    return Difference(
        a=_side(a, mean_a),
        b=_side(b, mean_b),
        span=span,
        claimed=verdict.differs,
        sigma=sigma,
        tau=tau,
        plate_scatter_known=known,
        welch=_welch(a, b),
        permutation=_permutation(a, b),
        standardised=mean / spread if spread else 0.0,
        remarks=_remarks(working),
        scatters=not _without_scatter((*a, *b)),
        tail=2 * _smaller_tail(total),
        level=level,
        scatter_ratio=working.scatter,
        zeros=usable.zeros,
        with_aside=_with_aside(working, display),
        likely=display.span(mean, *limits),
        odd=_odd_plates(working),
    )


def _smaller_tail(total: Any) -> float:
    """Return the probability on the smaller side of zero."""
    below = float(total.weight @ special.ndtr(-total.mean[:, 0] / np.sqrt(total.variance[:, 0] + 1e-300)))
    return min(below, 1 - below)


def _with_aside(working: Working, display: Display) -> tuple[Span, int, int] | None:
    """Return the difference with the pieces that were set aside, its limits moved along."""
    problem = working.cleaned.problem
    usable = [o for o in problem.aside if math.isfinite(o.value) and o.quantity == problem.question.quantity]
    if display.log:
        usable = [o for o in usable if o.value > 0]
    more_a = [o for o in usable if o.result_id in problem.aside_a]
    more_b = [o for o in usable if o.result_id not in problem.aside_a]
    if not usable:
        return None
    mean_a, mean_b = _mean((*working.cleaned.a, *more_a)), _mean((*working.cleaned.b, *more_b))
    was_a, was_b = _mean(working.cleaned.a), _mean(working.cleaned.b)
    if display.log:
        moved = math.log(mean_b / mean_a) - math.log(was_b / was_a)
    else:
        moved = ((mean_b - mean_a) - (was_b - was_a)) / display.per_unit
    _, centre = display_of(working)
    index = len(working.names) + len(working.groups) + 2
    low, high = quantiles(_one(working, index), (_LIMITS[0], _LIMITS[2]))[:, 0]
    change = (centre + moved, float(low) + moved, float(high) + moved)
    return _difference_span(display, change, (mean_a, mean_b)), len(more_a), len(more_b)


def _side(group: tuple[Observation, ...], mean: float | None) -> Side:
    return Side(mean, tuple((o.value, o.plate) for o in group))


def display_of(working: Working) -> tuple[Display, float]:
    """Return how working numbers are shown, and Δ on the working scale."""
    mean_a, mean_b = _mean(working.cleaned.a), _mean(working.cleaned.b)
    scale = working.design.scale
    if not scale.log:
        fractions = working.cleaned.problem.question.positive and mean_a > 0
        base = mean_a if fractions else None
        return Display(log=False, per_unit=scale.unit, base=base), (mean_b - mean_a) / scale.unit
    # The means people compute by hand are shown, not geometric ones; the two differ by about half
    # the squared scatter, far inside the interval.
    centre = math.log(mean_b / mean_a)
    # The logarithmic mean tends to the mean itself where the two are equal.
    per_unit = (mean_b - mean_a) / centre if abs(centre) > 1e-9 else mean_a  # noqa: PLR2004
    return Display(log=True, per_unit=per_unit, base=mean_a), centre


def _difference_span(
    display: Display, change: tuple[float, float, float], means: tuple[float, float]
) -> Span:
    """Return Δ with its limits; the estimate in units is the plain difference of means."""
    mean_a, mean_b = means
    if not display.log:
        return replace(display.span(*change), delta=mean_b - mean_a)
    centre, low, high = (math.expm1(x) for x in change)
    return Span(mean_b - mean_a, mean_a * low, mean_a * high, centre, low, high)


def _scatter(working: Working) -> tuple[float, float]:
    """Return posterior medians of σ and τ, as fractions for logarithms, else in units."""
    post = working.posterior
    unit = working.design.scale.unit
    return (
        unit * _median(post.sigma, post.weight),
        unit * _median(post.sigma * post.rho, post.weight),
    )


def _median(values: Array, weight: Array) -> float:
    order = np.argsort(values)
    return float(values[order][np.searchsorted(np.cumsum(weight[order]), 0.5)])


def _mean(group: tuple[Observation, ...]) -> float:
    """Return the mean of the plates' means: pieces of one plate share its luck, so the plate is the unit."""
    by_plate: dict[str, list[float]] = {}
    for o in group:
        by_plate.setdefault(o.plate, []).append(o.value)
    return math.fsum(math.fsum(plate) / len(plate) for plate in by_plate.values()) / len(by_plate)


def _welch(a: tuple[Observation, ...], b: tuple[Observation, ...]) -> Welch | None:
    # Beside the answer, never instead of it: a single piece or no scatter simply leaves it out.
    try:
        return welch([o.value for o in a], [o.value for o in b])
    except Refused:
        return None


def _permutation(a: tuple[Observation, ...], b: tuple[Observation, ...]) -> float | None:
    # Three against three can be dealt in twenty ways only: the least probability there is would be one in
    # ten, and look like a finding.
    if min(len(a), len(b)) < _FEWEST_FOR_PERMUTATION:
        return None
    return permutation_p([o.value for o in a], [o.value for o in b])


def _remarks(working: Working) -> tuple[str, ...]:
    usable = working.cleaned
    remarks = []
    plates = {o.plate for o in usable.a} & {o.plate for o in usable.b}
    if plates:
        remarks.append(f"A and B share {len(plates)} plate(s): what those plates had in common cancels.")
    values = [o.value for o in (*usable.a, *usable.b)]
    if len(values) > 2 and len(set(values)) == 1:  # noqa: PLR2004 - two equal readings are no wonder
        remarks.append("All values are equal: look whether they were rounded or copied.")
    elif _without_scatter((*usable.a, *usable.b)):
        remarks.append(
            "Pieces of one plate all read the same: they were rounded, or cannot scatter, and the interval "
            "is too narrow."
        )
    if usable.problem.question.positive and not working.design.scale.log:
        remarks.append("Some values are not above zero, so no logarithms were taken.")
    return tuple(remarks)


def _without_scatter(chosen: tuple[Observation, ...]) -> bool:
    """Whether every plate gave one value only, though three pieces or more were read on it."""
    by_plate: dict[str, list[float]] = {}
    for o in chosen:
        by_plate.setdefault(o.plate, []).append(o.value)
    return all(len(values) > 2 and len(set(values)) == 1 for values in by_plate.values())  # noqa: PLR2004 - as above


def _not_recorded(comparisons: tuple[Comparison, ...]) -> tuple[NotRecorded, ...]:
    lacking = [item for item in comparisons if not item.complete]
    return tuple(NotRecorded(c.factor.name, c.recorded_a, c.recorded_b) for c in lacking)


def _shares(working: Working, spans: list[Span]) -> tuple[Share, ...]:
    compared = {item.factor.name: item for item in working.comparisons}
    shares = []
    for name, span in zip(working.names, spans, strict=True):
        group = next((i for i, part in enumerate(working.groups) if name in part.factors), None)
        shares.append(_share(working, compared[name], span, group))
    return tuple(sorted(shares, key=lambda s: -abs(s.span.delta) if s.span else 0.0))


def _share(working: Working, item: Comparison, span: Span, group: int | None) -> Share:
    question = working.cleaned.problem.question
    # Looked up after the share is computed and never put into it: what others found must not make our
    # numbers agree with it.
    note = published(item.factor.name, property_of(question.quantity, question.about))
    agrees = None
    # Only a share that is shown can agree or disagree with anything.
    shown = group is None and span.excludes_zero
    if note and shown and isinstance(item.a, float) and isinstance(item.b, float):
        agrees = note.agrees(item.b - item.a, span.delta)
    name = item.factor.name
    return Share(
        name,
        item.factor.words,
        None if group is not None else span,
        group,
        note,
        agrees,
        working.roles.represents(name),
        working.from_unrecorded.get(name, True),
    )


def _scope(usable: Cleaned, comparisons: tuple[Comparison, ...], working: Working | None) -> Scope:
    observations = usable.observations
    compared = [c for c in comparisons if c.factor.name != MATERIAL]
    # Numbers given without readings are used, but nobody can recompute them; the answer says how many it
    # leans on.
    marked = Counter(o.note for o in observations if o.note)
    return Scope(
        results=len(observations),
        plates=len({o.plate for o in observations}),
        materials=tuple(sorted({o.material for o in observations})),
        # What one side lacks is not equal, whatever the other side says.
        equal=tuple(c.factor.name for c in compared if c.recorded and c.state == "equal"),
        imputed=working.design.imputed if working else {},
        pooled=working.design.pooled if working else {},
        unused=working.unused if working else {},
        excluded=dict(usable.excluded),
        marked=dict(marked),
        words=usable.problem.scope,
        log=working.design.scale.log if working else False,
    )


def by_rank(usable: Cleaned) -> Answer:
    """Answer grades and bounds: ranks, a tail statement, and no mean."""
    a, b = usable.a, usable.b
    comparisons = compared_in(usable)
    ranks = _ranks(a, b)
    # Pieces of one plate say nothing about how plates scatter, so no plate difference is claimed from them.
    several = len({o.plate for o in a}) > 1 and len({o.plate for o in b}) > 1
    difference = Difference(
        a=_side(a, None),
        b=_side(b, None),
        span=None,
        claimed=ranks.p < 0.05 and several,  # noqa: PLR2004 - 5 %, as everywhere here
        sigma=None,
        tau=None,
        plate_scatter_known=several,
        ranks=ranks,
        standardised=_normal_score(ranks),
        tail=ranks.p if several else 1.0,
    )
    return Answer(
        problem=usable.problem,
        verdict=None,
        difference=difference,
        differed=in_order(c for c in comparisons if c.differs),
        unknown=in_order(c for c in comparisons if c.state == "unknown"),
        settings=settings_that_differ(usable.problem.settings_a, usable.problem.settings_b),
        not_recorded=_not_recorded(comparisons),
        shares=(),
        groups=(),
        together=None,
        unrecorded=None,
        remainder=None,
        luck=None,
        roles=Roles(()),
        suspects=(),
        checks=(),
        bends=(),
        scope=_scope(usable, comparisons, None),
    )


def _normal_score(ranks: RankTest) -> float:
    """Return the normal deviate with the same two-sided probability, so that overviews can mix both kinds."""
    # The sign from the direction, the size from p: an overview orders by size and must not lose which side
    # reads higher.
    return math.copysign(float(-ndtri(ranks.p / 2)), ranks.b_higher - 0.5) if ranks.p < 1 else 0.0


def _ranks(a: tuple[Observation, ...], b: tuple[Observation, ...]) -> RankTest:
    return rank_test(
        [o.value for o in a],
        [o.value for o in b],
        bounds_a=[o.censored for o in a],
        bounds_b=[o.censored for o in b],
    )
