"""From a usable problem to its posterior: the columns, what may have acted, and the weights.

The order of work: compare every factor; let the graph say which of them are causes and which are adjusted
for; add the columns of something not recorded; find which plates and pieces are odd; see whether two
leading factors act together or one bends; weigh all sets of causes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from scipy.special import fdtri

from tracker.lazy_modules import np
from tracker.why.causes import Cause, Doubt, Mixture, weigh
from tracker.why.design import Array, Design, Indices, build
from tracker.why.differed import Comparison, compare, compare_materials, one_per_cause
from tracker.why.effects import Roles, roles
from tracker.why.posterior import Posterior, Prior, Sums, infer, sums, weighted
from tracker.why.problem import Cleaned, Factor, Observation
from tracker.why.separable import MATERIAL, Group, Rule, Separation, separate

_NUISANCE = -1.7
"""Prior size of an effect that was not asked about, relative to one that acts."""
_MATERIALS = 3.0
"""Materials differ by more than settings do."""
_MATERIAL_ACTS = 0.9
"""Prior probability that another material makes a difference: two of them are seldom alike."""
_OPEN = -20.0
"""Levels of other materials: twenty times the scatter of pieces, whatever effects are like."""
_UNRECORDED = "?"
"""Names of columns that stand for something not recorded begin with this."""
_DEGREES = 8.0
"""Degrees of freedom of plates and of pieces: tails heavy enough that one in fifty may be far off."""
_FEWEST_FOR_TIME = 8
_MOST_RUNS = 6
_EXPECTED = 3.0
"""Causes that are expected to act where two groups are asked about and many things changed."""
_ACTS = (0.20, 0.5)
"""λ of an effect that acts: median, and standard deviation of the logarithm."""
_PLATES = (1.2, 0.55)
"""τ/σ: median, and standard deviation of the logarithm."""
_FEWEST_PICKED_FROM = 6
_PAIR_CHANCE = 1.0
"""Interactions expected to act where ``_EXPECTED`` causes are: a third as many."""
_MOST_PAIRS = 3
_STRONG = math.log(10.0)
"""Log odds from which an interaction or a curve enters the model."""
_DRAWS = 2000
_FEWEST_FOR_ODDITY = 5


@dataclass(frozen=True)
class Extra:
    """A column beside the straight lines: two factors together, or the bend of one.

    Attributes:
        factors: The factors it belongs to.
        column: Its column of Z.
    """

    factors: tuple[str, ...]
    column: int


@dataclass(frozen=True)
class Extreme:
    """A and B as the lowest or highest of all plates in scope: in words, and of how many."""

    side: str
    end: str
    of: int


@dataclass(frozen=True)
class Working:
    """Everything the answer is read from; s causes, c columns of Z.

    Attributes:
        cleaned: The usable problem.
        comparisons: Every factor, compared; the material last.
        roles: What each factor is to the question.
        unused: Factors left aside because another stands for the same cause.
        design: The design of all results in scope.
        data: Its sums.
        names: The causes in the model, ``material`` last where it changed.
        rows: Their contrasts B - A on the columns of Z, shape (s, c).
        groups: Those that cannot be told apart.
        from_unrecorded: Whether each can be told from something not recorded.
        extras: Interactions and curves that entered.
        together: Contrast B - A of all interactions, shape (c,).
        hidden: Contrast B - A of what was not recorded: form to row, shape (c,).
        row_b: Mean row of B on the columns of Z, shape (c,).
        causes: What may have acted: the named ones, forms of something not recorded, interactions.
        mixture: The posterior over sets of causes.
        posterior: Its nodes with the contrasts: shares, groups, together, unrecorded, total, A's level.
        draws: Draws of (shares, together, unrecorded, total, A's level), shape (d, s + 4).
        scatter: Pieces' scatter of B relative to A: (ratio, low, high), where both can be seen.
        extremes: Where A or B is the lowest or highest of all plates.
    """

    cleaned: Cleaned
    comparisons: tuple[Comparison, ...]
    roles: Roles
    unused: dict[str, str]
    design: Design
    data: Sums
    names: tuple[str, ...]
    rows: Array
    groups: tuple[Group, ...]
    from_unrecorded: dict[str, bool]
    extras: tuple[Extra, ...]
    together: Array
    hidden: dict[str, Array]
    row_b: Array
    causes: tuple[Cause, ...]
    mixture: Mixture
    posterior: Posterior
    draws: Array
    scatter: tuple[float, float, float] | None
    extremes: tuple[Extreme, ...]

    def index(self, group: tuple[Observation, ...]) -> Array:
        """Return 1 at the results of a group, shape (n,)."""
        return _index(self.cleaned, group)

    def weight(self, group: tuple[Observation, ...]) -> Array:
        """Return what each result counts for in the mean of a group, shape (n,), summing to 1."""
        return _weight(self.cleaned, self.design, group)

    def level(self, *, picked: bool) -> float:
        """Return the probability of error for a claim: 5 %, less where a plate was picked out."""
        choices = math.prod(extreme.of for extreme in self.extremes) if picked else 1
        # Šidák: as if every plate that could have been the lowest had been asked about.
        return float(-math.expm1(math.log1p(-0.05) / choices))


def _index(cleaned: Cleaned, group: tuple[Observation, ...]) -> Array:
    ids = {o.result_id for o in group}
    return np.array([float(o.result_id in ids) for o in cleaned.observations])


def _weight(cleaned: Cleaned, design: Design, group: tuple[Observation, ...]) -> Array:
    """Return weights of the results in a group's mean: plates count alike, and pieces of one plate alike."""
    own = _index(cleaned, group)
    pieces = np.bincount(design.plate, weights=own)
    return np.asarray(own / np.maximum(pieces, 1.0)[design.plate] / np.count_nonzero(pieces))


def prior_for(cleaned: Cleaned, design: Design) -> Prior:
    """Return the priors, with the method's own repeatability where it is known."""
    known = cleaned.problem.question.repeatability
    if known is None or known <= 0:
        return Prior()
    # A published repeatability is somebody else's; 0.3 on the logarithm lets ours differ by a third.
    return Prior(piece=(known / design.scale.unit, 0.3))


def compared_in(cleaned: Cleaned) -> tuple[Comparison, ...]:
    """Return every factor compared between A and B, the material last."""
    a, b = cleaned.a, cleaned.b
    return (*(compare(f, a, b) for f in cleaned.problem.factors), compare_materials(a, b))


def work(cleaned: Cleaned) -> Working:
    """Do everything between a usable problem and the words of its answer."""
    compared = compared_in(cleaned)
    found, kept, unused = _chosen(cleaned, compared)
    material_changed = compared[-1].differs
    design = _built(cleaned, kept, material_changed=material_changed)
    design, hidden_names = _with_unrecorded(cleaned, design)
    design, doubts = _with_doubts(cleaned, design)
    design, changes = _turned(cleaned, design, [*found.causes, *([MATERIAL] if material_changed else [])])
    prior = prior_for(cleaned, design)
    separation = _separated(cleaned, design, list(changes), [*hidden_names, *doubts])
    design, scatter = _weighted_by_oddity(cleaned, design, prior)
    design, extras = _bent(cleaned, design, list(changes), prior)
    data = sums(design)
    row_a, row_b = _mean_rows(cleaned, design)
    change = row_b - row_a
    rows = _rows(design, data.q, changes, extras, change)
    together = np.zeros(len(change))
    for extra in extras:
        if len(extra.factors) > 1:
            together[extra.column] = change[extra.column]
    columns = {name: data.q + int(design.columns_of(name)[0]) for name in (*hidden_names, *doubts)}
    hidden = {name: np.where(np.arange(len(change)) == at, change, 0.0) for name, at in columns.items()}
    unknown = sum(c.state == "unknown" and not c.factor.listed for c in compared)
    causes = _causes(design, data.q, list(changes), hidden_names, unknown, _side_plates(cleaned))
    pairs = [extra for extra in extras if len(extra.factors) > 1]
    rare = _PAIR_CHANCE / (len(changes) + 1 + _EXPECTED)
    causes += [Cause(" with ".join(extra.factors), extra.column, rare) for extra in pairs]
    unseen = np.sum(list(hidden.values()), axis=0) if hidden else np.zeros(len(change))
    total = rows.sum(axis=0) + together + unseen
    groups = joint_rows(tuple(changes), rows, separation.groups)
    contrasts = np.vstack([rows, *groups, together, unseen, total, row_a])
    # Effects that act may be of any size; the even prior of the grid is narrower, as it has many to share.
    prior = replace(prior, effect=_ACTS, plate_ratio=_PLATES)
    doubt = _doubt(design, [columns[name] for name in doubts], len(changes))
    mixture = weigh(data, causes, contrasts, _scales(design, causes, data.q, doubts), prior, doubt)
    s, g = len(changes), len(groups)
    return Working(
        cleaned, compared, found, unused, design, data, tuple(changes), rows, separation.groups,
        dict(separation.from_unrecorded), extras, together, hidden, row_b, tuple(causes), mixture,
        mixture.posterior, mixture.draws(_DRAWS, np.r_[0:s, s + g : len(contrasts)]), scatter,
        _extremes(cleaned),
    )  # fmt: skip


def _chosen(cleaned: Cleaned, compared: tuple[Comparison, ...]) -> tuple[Roles, list[Factor], dict[str, str]]:
    """Return the roles of the factors, those that get columns, and those another stands for."""
    usable = [c for c in compared[:-1] if not c.factor.listed]
    changed = [c.factor.name for c in usable if (c.differs or c.likely) and _moved(c)]
    # The material of A and B is the same or it is a cause itself; lots and spools follow from it.
    first = [MATERIAL] if compared[-1].differs else []
    found = roles([*first, *changed], [c.factor.name for c in usable if c.factor.name not in changed])
    found = replace(found, causes=tuple(name for name in found.causes if name != MATERIAL))
    wanted = {*found.causes, *found.adjusted}
    unused = dict(found.dropped) | dict(found.through) | dict(found.dependent)
    factors = [c.factor for c in usable if c.factor.name in wanted]
    causes = [f for f in factors if f.name in found.causes]
    # Of two measures of one cause only one gets a column: that which differs, else that which is recorded.
    kept, left = one_per_cause(causes, cleaned.a, cleaned.b)
    taken = {f.same_cause: f.name for f in kept if f.same_cause}
    rest = [f for f in factors if f.name not in found.causes and f.same_cause not in taken]
    unused |= left | {
        f.name: taken[f.same_cause] for f in factors if f.name not in found.causes and f.same_cause in taken
    }
    others, left = one_per_cause(rest, cleaned.a, cleaned.b)
    names = {f.name for f in (*kept, *others)}
    causes_kept = tuple(name for name in found.causes if name in names)
    return (
        replace(found, causes=causes_kept),
        [f for f in factors if f.name in names],
        {name: other for name, other in (unused | left).items() if name not in names},
    )


def _moved(item: Comparison) -> bool:
    """Whether the two sides differ in the mean, as a column sees it."""
    if isinstance(item.a, float) and isinstance(item.b, float):
        return abs(item.a - item.b) > 1e-9 * item.factor.span
    return True


def _built(cleaned: Cleaned, kept: list[Factor], *, material_changed: bool) -> Design:
    """Return the design; where the materials differ between A and B they are a factor like any other."""
    observations = cleaned.observations
    if material_changed:
        kept = [*kept, Factor(MATERIAL, kind="category")]
        observations = tuple(
            replace(o, material="", factors={**o.factors, MATERIAL: o.material}) for o in observations
        )
    ids = {o.result_id for o in (*cleaned.a, *cleaned.b)}
    keep = observations if material_changed and len({o.material for o in cleaned.observations}) > 1 else ()
    ends = [o for o in observations if o.result_id in ids]
    return build(cleaned.problem.question, kept, observations, [*ends, *_of_each_material(keep)])


def _of_each_material(observations: tuple[Observation, ...]) -> list[Observation]:
    """Return one bare result of each material, so that no material is pooled with others."""
    names = sorted({str(o.factors[MATERIAL]) for o in observations})
    return [Observation("", "", 0.0, "", "", factors={MATERIAL: name}) for name in names]


def _with_unrecorded(cleaned: Cleaned, design: Design) -> tuple[Design, list[str]]:
    """Return the design with a column for each form of something not recorded, and their names."""
    in_a, in_b = _index(cleaned, cleaned.a), _index(cleaned, cleaned.b)
    forms: dict[str, Array] = {"B": in_b, "A": in_a}
    time = _plate_times(cleaned, design)
    if time is not None:
        first, last = (time[group > 0] for group in (in_a, in_b))
        later, earlier = (last, first) if last.mean() > first.mean() else (first, last)
        if later.min() > earlier.max():
            forms |= _runs(cleaned, time, float(earlier.max()), float(later.min()))
        if len(np.unique(time)) >= _FEWEST_FOR_TIME:
            spread = float(np.ptp(time))
            forms["time"] = (time - time.mean()) / spread if spread else time * 0
    names = []
    seen: list[Array] = []
    for form, column in forms.items():
        # A form that is the same as another on these results, or reversed, says nothing new.
        centred = column - column.mean()
        if not centred.any() or any(np.allclose(centred, s) or np.allclose(centred, -s) for s in seen):
            continue
        seen.append(centred)
        names.append(f"{_UNRECORDED}{form}")
        design = design.with_column(Factor(names[-1]), column)
    return design, names


def _with_doubts(cleaned: Cleaned, design: Design) -> tuple[Design, dict[str, float]]:
    """Return the design with what is not known of A's and B's own factors as columns, and their sizes.

    Of other plates a missing or rough value makes the plate less sure, like luck. Of A and B it is part of
    the true difference: had the value been known, its effect would stand among the shares. Every plate has an
    unknown of its own, so what k plates of a side have in common of it is a k-th of its variance; the rest
    shows in how they differ among themselves, and is left to each of them.
    """
    open_variance = design.open_variance.copy()
    sizes = {}
    for side, group in (("A", cleaned.a), ("B", cleaned.b)):
        member = _index(cleaned, group)
        plates = np.unique(design.plate[member > 0])
        size = math.sqrt(float(design.open_variance[plates].mean()) / len(plates))
        open_variance[plates] *= 1 - 1 / len(plates)
        if size > 0:
            sizes[f"{_UNRECORDED}values of {side}"] = size
            design = design.with_column(Factor(f"{_UNRECORDED}values of {side}"), member)
    return replace(design, open_variance=open_variance), sizes


def _plate_times(cleaned: Cleaned, design: Design) -> Array | None:
    """Return for each result when its plate was first seen; None where A or B has no time."""
    orders = np.array([math.nan if o.order is None else o.order for o in cleaned.observations])
    k = int(design.plate.max()) + 1
    first = np.full(k, math.nan)
    for plate, order in zip(design.plate, orders, strict=True):
        if math.isfinite(order) and not first[plate] <= order:
            first[plate] = order
    time = first[design.plate]
    ends = _index(cleaned, (*cleaned.a, *cleaned.b)) > 0
    if np.isnan(time[ends]).any():
        return None
    return np.asarray(np.where(np.isnan(time), np.nanmedian(time), time))


def _runs(cleaned: Cleaned, time: Array, after: float, until: float) -> dict[str, Array]:
    """Return steps that begin at a plate between A and B: everything since then shares something."""
    plates = {float(t): o.plate for t, o in zip(time, cleaned.observations, strict=True)}
    starts = sorted(t for t in plates if after < t <= until)
    if len(starts) > _MOST_RUNS:
        starts = [starts[i] for i in np.linspace(0, len(starts) - 1, _MOST_RUNS).astype(int)]
    return {f"since {plates[t]}": (time >= t).astype(float) for t in starts}


def _turned(cleaned: Cleaned, design: Design, names: list[str]) -> tuple[Design, dict[str, Array]]:
    """Turn the columns of each changed category so that the first is the change from A to B.

    With one prior for all its columns a category may be turned as one likes; what is left beside the change
    concerns other levels and is nuisance. Returns the design and each cause's own change.
    """
    q = len(design.materials)
    row_a, row_b = _mean_rows(cleaned, design)
    x, changes = design.x.copy(), {}
    for name in names:
        at = design.columns_of(name)
        change = (row_b - row_a)[q + at]
        size = float(np.linalg.norm(change))
        if not len(at) or size < 1e-12:  # noqa: PLR2004 - nothing but rounding
            continue
        if len(at) > 1:
            # A Householder reflection that takes the first axis to the direction of the change.
            axis = change / size - np.eye(len(at))[0]
            turn = np.eye(len(at))
            if float(axis @ axis) > 0:
                turn -= 2 * np.outer(axis, axis) / float(axis @ axis)
            x[:, at] = x[:, at] @ turn
        changes[name] = np.array([size if len(at) > 1 else float(change[0])])
    return replace(design, x=x), changes


def _separated(cleaned: Cleaned, design: Design, names: list[str], hidden: list[str]) -> Separation:
    data = sums(design)
    row_a, row_b = _mean_rows(cleaned, design)
    blocks = {f.name: data.q + design.columns_of(f.name) for f in design.factors}
    changes = {name: float((row_b - row_a)[blocks[name][0]]) for name in names}
    return separate(Rule.of(data, blocks, changes), names, hidden)


def _causes(
    design: Design, q: int, names: list[str], hidden: list[str], unknown: int, plates: dict[str, int]
) -> list[Cause]:
    """Return what may have acted, with prior probabilities.

    Up to three causes are expected among the recorded ones and something not recorded together; each
    factor counts once for itself, something not recorded as one factor and one more for each of which it is
    not known whether it differs, shared out among its forms.
    """
    each = _chance(len(names))
    chances = [_MATERIAL_ACTS if name == MATERIAL else each for name in names]
    causes = [Cause(n, q + int(design.columns_of(n)[0]), p) for n, p in zip(names, chances, strict=True)]
    odds = each / (1 - each) * (1 + unknown)
    runs = sum(name not in plates for name in hidden)
    sides = max(len(hidden) - runs, 1)
    for name in hidden:
        # Half of it for A's and B's own plates, half for runs of plates and time; what many plates share and
        # nobody wrote down is rarer than what one plate had.
        part = odds / 2 if runs else odds
        own = part / sides / plates[name] ** 2 if name in plates else part / runs
        causes.append(Cause(name, q + int(design.columns_of(name)[0]), own / (1 + own), unrecorded=True))
    return causes


def _chance(causes: int) -> float:
    """Return the prior probability that any one of so many recorded causes acts."""
    return _EXPECTED / (causes + 1 + _EXPECTED)


def _doubt(design: Design, columns: list[int], causes: int) -> Doubt | None:
    """Return what is not known of the factors' values: it acts if one of those factors does."""
    if not columns and not design.open_variance.any():
        return None
    return Doubt(tuple(columns), 1 - (1 - _chance(causes)) ** max(design.vague, 1))


def _side_plates(cleaned: Cleaned) -> dict[str, int]:
    sides = (("A", cleaned.a), ("B", cleaned.b))
    return {f"{_UNRECORDED}{side}": len({o.plate for o in group}) for side, group in sides}


def _scales(design: Design, causes: list[Cause], q: int, doubts: dict[str, float]) -> Array:
    scale = np.full(design.x.shape[1], _NUISANCE)
    for name, size in doubts.items():
        scale[design.columns_of(name)] = size
    # The levels of other materials are left open, or their number would decide how large an effect may be.
    scale[design.columns_of(MATERIAL)] = _OPEN
    for cause in causes:
        scale[cause.column - q] = _MATERIALS if cause.name == MATERIAL else 1.0
    return scale


def _rows(
    design: Design, q: int, changes: dict[str, Array], extras: tuple[Extra, ...], change: Array
) -> Array:
    """Return each cause's contrast B - A: its own columns and its bends, shape (s, c)."""
    rows = np.zeros((len(changes), len(change)))
    for row, name in zip(rows, changes, strict=True):
        at = q + design.columns_of(name)
        row[at] = change[at]
        for extra in extras:
            if extra.factors == (name,):
                row[extra.column] = change[extra.column]
    return rows


def _mean_rows(cleaned: Cleaned, design: Design) -> tuple[Array, Array]:
    z = np.hstack([np.eye(len(design.materials))[design.material], design.x])
    rows = []
    for group in (cleaned.a, cleaned.b):
        weight = _weight(cleaned, design, group)
        # From its first result, so that what all of them share comes out as it stands, to the last bit.
        first = z[int(np.argmax(weight > 0))]
        rows.append(first + weight @ (z - first))
    return rows[0], rows[1]


def joint_rows(names: tuple[str, ...], rows: Array, parts: tuple[Group, ...]) -> list[Array]:
    """Return for each group the sum of its members' rows, shape (c,) each.

    Args:
        names: Factor of each row, s of them.
        rows: Contrasts on the columns of Z, shape (s, c).
        parts: The groups.
    """
    return [np.asarray(rows[[name in part.factors for name in names]].sum(axis=0)) for part in parts]


def _weighted_by_oddity(
    cleaned: Cleaned, design: Design, prior: Prior
) -> tuple[Design, tuple[float, float, float] | None]:
    """Return the design with plates and pieces weighted as Student's t asks, and how B's scatter compares.

    A t distribution is a Gaussian whose precision is itself gamma distributed. Its expectation given the
    residual r of scale s is (ν + 1)/(ν + (r² + v)/s²), v the variance of the residual's estimate (K. Lange
    et al., J. Am. Stat. Assoc. 84, 1989, 881-896); a few rounds of that and of fitting again settle it.
    Fixed weights tell more than there is: the information in a t sample is (ν + 1)/(ν + 3) of it, and for
    the luck of A's and B's own plates the whole variance counts, ν/(ν - 2).
    """
    scatter, by_piece = _scatters(cleaned, design)
    k = int(design.plate.max()) + 1
    if k < _FEWEST_FOR_ODDITY:
        return replace(design, weight=by_piece), scatter
    nu = _DEGREES
    ends = np.bincount(design.plate, weights=_index(cleaned, (*cleaned.a, *cleaned.b)), minlength=k) > 0
    known = (nu + 1) / (nu + 3)
    plates = np.where(ends, (nu - 2) / nu, known)
    pieces = np.ones(len(design.y))
    for _ in range(2):
        now = replace(design, weight=by_piece * pieces, plate_weight=plates)
        data = sums(now)
        scatters = typical_scatters(infer(data, np.zeros((0, len(data.xy))), prior))
        luck, spread, left = _residuals(now, data, scatters)
        sigma, rho, _ = scatters
        odd = (nu + 1) / (nu + (luck**2 + spread) / (sigma * rho) ** 2)
        # Where several plates of A or B stand side by side an odd one shows; a single one has no judge.
        plates = np.where(ends, (nu - 2) / nu, known) * odd
        pieces = (nu + 1) / (nu + left**2 * by_piece / sigma**2)
        pieces /= pieces.mean()
    return replace(design, weight=by_piece * pieces, plate_weight=plates), scatter


def _residuals(
    design: Design, data: Sums, scatters: tuple[float, float, float]
) -> tuple[Array, Array, Array]:
    """Return each plate's luck with its variance, shape (k,), and what is left of each piece, shape (n,)."""
    sigma, rho, kappa = scatters
    a, b, _, _ = weighted(data, rho, kappa)
    effects = np.arange(data.q, len(a))
    a[effects, effects] += kappa**-2.0
    theta = np.linalg.solve(a, b)
    z = np.hstack([np.eye(data.q)[design.material], design.x])
    left = design.y - design.y.mean() - z @ theta
    t = rho**2 * data.looseness
    weight = np.ones(len(left)) if design.weight is None else design.weight
    gathered = np.bincount(design.plate, weights=weight * left)
    luck = t * gathered / (1 + t * data.counts)
    return luck, sigma**2 * t / (1 + t * data.counts), left - luck[design.plate]


_PRIOR_PIECES = 8.0
"""Pieces' worth of belief that A and B scatter as all others do."""


def _scatters(cleaned: Cleaned, design: Design) -> tuple[tuple[float, float, float] | None, Array]:
    """Return B's scatter of pieces relative to A's with its 95 % interval, and the precision of each piece.

    Within-plate sums of squares of A, of B and of all others; each condition's variance is drawn to the
    common one by the worth of eight pieces (a scaled inverse chi-squared prior).
    """
    k = int(design.plate.max()) + 1
    count = np.bincount(design.plate, minlength=k)
    mean = np.bincount(design.plate, weights=design.y) / count
    square = np.bincount(design.plate, weights=(design.y - mean[design.plate]) ** 2)
    in_a, in_b = (
        np.bincount(design.plate, weights=_index(cleaned, g), minlength=k) > 0 for g in (cleaned.a, cleaned.b)
    )
    sides = [np.flatnonzero(in_a & ~in_b), np.flatnonzero(in_b & ~in_a)]
    degrees = float((count - 1).sum())
    common = square.sum() / degrees if degrees else 0.0
    precision = np.ones(k)
    seen = []
    for side in sides:
        own = float((count[side] - 1).sum())
        seen.append((square[side].sum(), own))
        if common > 0 and own > 0:
            precision[side] = (_PRIOR_PIECES + own) / (_PRIOR_PIECES + square[side].sum() / common)
    (sum_a, free_a), (sum_b, free_b) = seen
    ratio = None
    if min(free_a, free_b) >= 2 and min(sum_a, sum_b) > 0:  # noqa: PLR2004 - one tells nothing of scatter
        found = (sum_b / free_b) / (sum_a / free_a)
        low, high = (found / fdtri(free_b, free_a, p) for p in (0.975, 0.025))
        ratio = (math.sqrt(found), math.sqrt(float(low)), math.sqrt(float(high)))
    return ratio, precision[design.plate]


def _bent(
    cleaned: Cleaned, design: Design, names: list[str], prior: Prior
) -> tuple[Design, tuple[Extra, ...]]:
    """Return the design with the interactions and curves that the results ask for, and slopes by material.

    Each is tried by itself against the straight model at typical scatters: the log odds of an effect
    N(0, (λ/2)²) against none are ½[v U²/(1 + v I) - log(1 + v I)], with the score U and the information I
    of its column after all others.
    """
    q = len(design.materials)
    data = sums(design)
    scatters = typical_scatters(infer(data, np.zeros((0, len(data.xy))), prior))
    extras: list[Extra] = []
    if q > 1:
        own = {o.material for o in (*cleaned.a, *cleaned.b)}
        member = np.array([float(o.material in own) for o in cleaned.observations])
        for name in names:
            at = design.columns_of(name)[0]
            extras.append(Extra((name,), q + design.x.shape[1]))
            design = design.with_column(Factor(f"{name} of this material"), design.x[:, at] * member)
        data = sums(design)
    column_a = _mean_rows(cleaned, design)[0][q:]
    ends = _index(cleaned, (*cleaned.a, *cleaned.b)) > 0
    bends = _bends(design, names, column_a)
    asked = _asked_for(design, len(data.xy), [column for _, column in bends], scatters)
    tried = [(odds, *each) for odds, each in zip(asked.tolist(), bends, strict=True)]
    for odds, factors, column in sorted(tried, key=lambda each: -each[0]):
        pair = len(factors) > 1
        # Two factors together are weighed as a cause of their own, where any other plate had both: else
        # they cannot be told from something not recorded on B. A bend enters where it is asked for.
        if pair and (np.ptp(column[~ends]) == 0 if (~ends).any() else True):
            continue
        if pair and sum(len(extra.factors) > 1 for extra in extras) >= _MOST_PAIRS:
            continue
        if odds > (0.0 if pair and len(names) > _MOST_PAIRS else -math.inf if pair else _STRONG):
            extras.append(Extra(factors, q + design.x.shape[1]))
            design = design.with_column(Factor(" with ".join(factors)), column)
    return design, tuple(extras)


def _bends(design: Design, names: list[str], at_a: Array) -> list[tuple[tuple[str, ...], Array]]:
    """Return columns of pairs of causes and of squares of numbers with three levels or more."""
    kinds = {f.name: f.kind for f in design.factors}
    own = {name: int(design.columns_of(name)[0]) for name in names}
    # Measured from A, so that a product is zero where either stands as in A.
    z = {name: design.x[:, at] - at_a[at] for name, at in own.items()}
    found: list[tuple[tuple[str, ...], Array]] = []
    for i, one in enumerate(names):
        found += [((one, other), z[one] * z[other]) for other in names[i + 1 :]]
        if kinds[one] == "number" and len(np.unique(np.round(z[one], 6))) >= 4:  # noqa: PLR2004
            found.append(((one,), z[one] ** 2))
    return found[:_MOST_BENDS]


_MOST_BENDS = 40


def _asked_for(design: Design, c: int, columns: list[Array], scatters: tuple[float, float, float]) -> Array:
    """Return the log odds that each of m further columns acts by itself, at given scatters, shape (m,).

    Args:
        design: The design without them; it has ``c`` columns of Z.
        c: Their number.
        columns: One for each result, shape (n,) each.
        scatters: σ, ρ and κ.
    """
    sigma, rho, kappa = scatters
    q = c - design.x.shape[1]
    # All of them stand beside the design at once: what they have to do with each other is not looked at.
    more = np.column_stack([column - column.mean() for column in columns]) if columns else design.x[:, :0]
    a, b, _, _ = weighted(sums(replace(design, x=np.hstack([design.x, more]))), rho, kappa)
    inner = a[:c, :c].copy()
    effects = np.arange(q, c)
    inner[effects, effects] += kappa**-2.0
    border = a[c:, :c]
    solved = np.linalg.solve(inner, np.column_stack([border.T, b[:c]]))
    information = np.diag(a)[c:] - (border * solved[:, :-1].T).sum(axis=1)
    score = (b[c:] - border @ solved[:, -1]) / sigma
    v = (kappa / 2) ** 2
    return np.asarray(
        0.5 * (v * score**2 / (1 + v * information) - np.log1p(v * np.maximum(information, 0.0)))
    )


def _extremes(cleaned: Cleaned) -> tuple[Extreme, ...]:
    """Return where A or B is one plate and the lowest or highest of all plates of its material."""
    by_plate: dict[str, list[float]] = {}
    materials = {o.material for o in (*cleaned.a, *cleaned.b)}
    for o in cleaned.observations:
        if o.material in materials:
            by_plate.setdefault(o.plate, []).append(o.value)
    means = {plate: math.fsum(values) / len(values) for plate, values in by_plate.items()}
    # Of a handful being the lowest is no distinction.
    if len(means) < _FEWEST_PICKED_FROM:
        return ()
    found = []
    for side, group in (("A", cleaned.a), ("B", cleaned.b)):
        plates = {o.plate for o in group}
        if len(plates) == 1:
            mean = means[plates.pop()]
            if mean in (min(means.values()), max(means.values())):
                end = "lowest" if mean == min(means.values()) else "highest"
                found.append(Extreme(side, end, len(means)))
    return tuple(found)


def plates_beyond_factors(working: Working) -> float:
    """Return how many plates are left to show plate-to-plate scatter once factors are fitted.

    Number of plates less materials less the effective number of effects (trace of
    the resolution matrix at the priors' medians).
    """
    a = weighted(working.data, 1.0, 0.0)[0]
    q = working.data.q
    inner = a[q:, q:] - a[q:, :q] @ np.linalg.solve(a[:q, :q], a[:q, q:])
    # Rounding may leave eigenvalues a hair below zero where columns depend on each other.
    eigen = np.maximum(np.linalg.eigvalsh(inner), 0.0) if len(inner) else np.zeros(0)
    return len(working.data.counts) - q - float((eigen / (eigen + 0.09)).sum())


def noise_weights(working: Working) -> tuple[float, float]:
    """Return (w, v) with Var(mean_B - mean_A) = σ²·w + τ²·v.

    v is 1/k_A + 1/k_B for usual plates; pieces of A and B on one plate share
    what that plate had, which cancels.
    """
    # Weights per result, summed per plate before squaring: only so does a shared plate cancel.
    weight = working.weight(working.cleaned.b) - working.weight(working.cleaned.a)
    per_plate = np.bincount(working.design.plate, weights=weight)
    # Thirds do not cancel to the last bit; what is left of them is no plate's luck.
    per_plate[np.abs(per_plate) < 1e-12] = 0.0  # noqa: PLR2004 - rounding of one
    return math.fsum(weight**2), math.fsum(per_plate**2 * working.data.looseness)


def typical_scatters(posterior: Posterior) -> tuple[float, float, float]:
    """Return the geometric means of (σ, ρ, κ): what a single believable set would be."""
    sigma, rho, kappa = (
        math.exp(float(posterior.weight @ np.log(values)))
        for values in (posterior.sigma, posterior.rho, posterior.kappa)
    )
    return sigma, rho, kappa


__all__ = ["Extra", "Extreme", "Indices", "Working", "work"]
