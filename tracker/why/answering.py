"""From a problem to its answer."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from tracker.errors import Refused
from tracker.statistics import RankTest, Welch, permutation_p, rank_test, welch
from tracker.why.answer import Answer
from tracker.why.design import Array
from tracker.why.differed import Comparison, compare, compare_materials, one_per_cause, settings_that_differ
from tracker.why.directions import property_of, published
from tracker.why.leading import leader
from tracker.why.parts import Difference, GroupShare, NotRecorded, Scope, Share, Side, Span
from tracker.why.posterior import quantiles, with_noise
from tracker.why.problem import Cleaned, Observation, Problem, cleaned
from tracker.why.separable import MATERIAL
from tracker.why.working import Working, noise_weights, plates_beyond_factors, work

_LIMITS = (0.025, 0.5, 0.975)
_FEWEST_FOR_PERMUTATION = 4


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
    difference, display, centre = _difference(working)
    # Quantiles of the mixture and not mean ± 1.96: with few plates the scatters are wide open and the tails
    # are heavier than a Gaussian's.
    limits = quantiles(working.posterior, (_LIMITS[0], _LIMITS[2]))
    means = working.posterior.weight @ working.posterior.mean
    spans = [display.span(*map(float, triple)) for triple in zip(means, *limits, strict=True)]
    count = len(working.names)
    joint = tuple(
        GroupShare(part.factors, part.moved_along, span)
        for part, span in zip(working.groups, spans[count:-1], strict=True)
    )
    # Delta was observed; only the sum of shares is uncertain, so its limits change places here.
    total_low, total_high = float(limits[0][-1]), float(limits[1][-1])
    remainder = display.span(centre - float(means[-1]), centre - total_high, centre - total_low)
    return Answer(
        usable.problem,
        difference,
        _changed(working.comparisons),
        settings_that_differ(usable.problem.settings_a, usable.problem.settings_b),
        _not_recorded(working.comparisons),
        _shares(working, spans[:count]),
        joint,
        remainder,
        _scope(usable, working.comparisons, working),
        leading=leader(working),
    )


def _difference(working: Working) -> tuple[Difference, Display, float]:
    """Return step 1, the display it implies, and Δ on the working scale."""
    a, b = working.cleaned.a, working.cleaned.b
    mean_a, mean_b = _mean(a), _mean(b)
    display, centre = display_of(working)
    per_piece, per_plate = noise_weights(working)
    noise = with_noise(working.posterior, np.array([centre]), np.array([per_piece]), np.array([per_plate]))
    low, _, high = (float(x) for x in quantiles(noise, _LIMITS)[:, 0])
    span = _difference_span(display, (centre, low, high), (mean_a, mean_b))
    sigma, tau = _scatter(working)
    # Two plates are A's and B's own: their difference is the question and tells nothing of scatter.
    known = len(working.data.counts) > 2 and plates_beyond_factors(working) >= 1  # noqa: PLR2004
    difference = Difference(
        a=_side(a, mean_a),
        b=_side(b, mean_b),
        span=span,
        claimed=span.excludes_zero,
        sigma=sigma,
        tau=tau,
        plate_scatter_known=known,
        welch=_welch(a, b),
        permutation=_permutation(a, b),
        standardised=centre / math.sqrt(float(noise.weight @ noise.variance[:, 0])),
        remarks=_remarks(working),
        scatters=not _without_scatter((*a, *b)),
    )
    return difference, display, centre


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
    return math.fsum(o.value for o in group) / len(group)


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


def _changed(comparisons: tuple[Comparison, ...]) -> tuple[Comparison, ...]:
    """Return what differs: categories first, then numbers by difference ÷ resolution."""
    changed = [item for item in comparisons if item.differs]
    return tuple(sorted(changed, key=lambda c: (c.factor.kind == "number", -(c.ratio or math.inf))))


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
    return Share(
        item.factor.name, item.factor.words, None if group is not None else span, group, note, agrees
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
        equal=tuple(c.factor.name for c in compared if c.recorded and not c.differs),
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
    kept, _ = one_per_cause(usable.problem.factors, a, b)
    comparisons = (*(compare(factor, a, b) for factor in kept), compare_materials(a, b))
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
    )
    return Answer(
        usable.problem,
        difference,
        _changed(comparisons),
        settings_that_differ(usable.problem.settings_a, usable.problem.settings_b),
        _not_recorded(comparisons),
        shares=(),
        groups=(),
        remainder=None,
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
