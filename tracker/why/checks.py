"""Checks of the fit, made before a cause is named: where one fails, the claim is withdrawn."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from tracker.lazy_modules import np
from tracker.why.design import Array, limits, to_working
from tracker.why.findings import Check, Suspect
from tracker.why.posterior import Sums, sums, weighted
from tracker.why.problem import Factor, Observation
from tracker.why.working import Working, typical_scatters

_FAR = 3.0
"""Spans beyond everything else in the book at which a level is doubted."""
_SURPRISE = 2.6
"""Standard deviations by which B may miss what the other plates foresee: one in a hundred."""
_MOST_REMOVED = 40
_ROUGH = 0.3
"""Spans: an error from which a factor's own change says little of what it did."""
ROUGH = "recorded finely enough"
"""Name of the check whose failure leaves nothing to be claimed."""
_FAINT = 0.15


def implausible(working: Working) -> tuple[Check, ...]:
    """Point at numbers of A and B far outside everything else: mostly a slip of typing or of the unit."""
    usable = working.cleaned
    # Against one other plate alone either of the two may be the odd one.
    if len({o.plate for o in usable.observations}) < 3:  # noqa: PLR2004
        return ()
    sides = []
    for side, group in (("A", usable.a), ("B", usable.b)):
        ids = {o.result_id for o in group}
        sides.append((side, group, [o for o in usable.observations if o.result_id not in ids]))
    found = []
    for item in working.comparisons:
        factor = item.factor
        if factor.kind != "number" or item.state == "equal" or factor.listed:
            continue
        for side, group, others in sides:
            text = _far_outside(factor, side, _numbers(factor.name, group), _numbers(factor.name, others))
            if text:
                found.append(Check("implausible level", passed=False, text=text, factor=factor.name))
    return tuple(found)


def _far_outside(factor: Factor, side: str, own: Sequence[float], rest: Sequence[float]) -> str:
    """Return a sentence about the number of one side that is farthest outside all others; empty for none."""
    if not own or not rest:
        return ""
    low, high = min(rest), max(rest)
    beyond, value = max(((max(low - x, x - high), x) for x in own), key=lambda pair: pair[0])
    if beyond <= _FAR * factor.span:
        return ""
    text = (
        f"{factor.words} {value:g} {factor.unit} on {side} lies far outside all others "
        f"({low:g} to {high:g}); was it typed wrong?"
    )
    celsius = (value - 32) / 1.8
    if factor.unit == "°C" and low - factor.span <= celsius <= high + factor.span:
        text += f" In °F it would be {celsius:.0f} °C."
    return text


def too_rough(working: Working) -> tuple[Check, ...]:
    """Point at factors that may have moved and were recorded too roughly to say how far."""
    found = []
    for item in working.comparisons:
        factor = item.factor
        if factor.kind == "number" and factor.error > _ROUGH * factor.span and (item.likely or item.differs):
            text = f"{factor.words} was recorded to ± {factor.error:.2g} {factor.unit} only"
            found.append(Check(ROUGH, passed=False, text=text, factor=factor.name))
    return tuple(found)


NOTE = "note"
"""Name of the listed factor that holds what people wrote on pieces, jobs and measurements."""
NO_NOTE = "none"


def noted(working: Working) -> tuple[Check, ...]:
    """Point at notes on one side only: what somebody saw there may have made the difference."""
    item = next((c for c in working.comparisons if c.factor.name == NOTE), None)
    if item is None:
        return ()
    problem = working.cleaned.problem
    sides = ((problem.label_a, item.levels_a, item.levels_b), (problem.label_b, item.levels_b, item.levels_a))
    found = []
    for label, own, other in sides:
        elsewhere = {level for level, _ in other}
        texts = {str(level): n for level, n in own if level != NO_NOTE and level not in elsewhere}
        if texts:
            whole = "wholly" if sum(texts.values()) == sum(n for _, n in own) else "partly"
            text = f"{whole} confounded with what the notes say: {label} alone has “{'”, “'.join(texts)}”"
            found.append(Check("notes", passed=False, text=text, factor=NOTE))
    return tuple(found)


def _numbers(name: str, group: Sequence[Observation]) -> list[float]:
    low, high = limits([o.factors.get(name) for o in group])
    middle = (low + high) / 2
    return list(middle[np.isfinite(middle)].tolist())


def of_claim(working: Working, name: str) -> tuple[Check, ...]:
    """Check the claim that one factor made most of the difference."""
    return (_foreseen(working, name), _held_by_several(working, name))


def _fit(working: Working, data: Sums, name: str) -> tuple[Array, Array, float]:
    """Return effects and their covariance where only ``name`` acts, and σ, at typical scatters."""
    sigma, rho, kappa = typical_scatters(working.posterior)
    a, b, _, _ = weighted(data, rho, kappa)
    size = np.full(len(a), 0.5 * kappa)
    for cause in working.names:
        if cause != name:
            size[data.q + working.design.columns_of(cause)[0]] = _FAINT * kappa
    for hidden in working.hidden:
        size[data.q + working.design.columns_of(hidden)[0]] = 1e-3 * kappa
    at = int(data.q + working.design.columns_of(name)[0])
    size[at] = kappa
    effects = np.arange(data.q, len(a))
    a[effects, effects] += size[effects] ** -2.0
    inverse = np.linalg.inv(a)
    return np.asarray(inverse @ b), np.asarray(sigma**2 * inverse), sigma


def _foreseen(working: Working, name: str) -> Check:
    """Hold B's mean against what all other plates foresee for it, if ``name`` did it."""
    in_b = working.index(working.cleaned.b) > 0
    plates_b = np.isin(working.design.plate, np.unique(working.design.plate[in_b]))
    design = working.design
    rest = replace(
        design,
        y=design.y[~plates_b],
        x=design.x[~plates_b],
        plate=np.unique(design.plate[~plates_b], return_inverse=True)[1],
        material=design.material[~plates_b],
        open_variance=design.open_variance[np.unique(design.plate[~plates_b])],
        weight=None if design.weight is None else design.weight[~plates_b],
        plate_weight=None
        if design.plate_weight is None
        else design.plate_weight[np.unique(design.plate[~plates_b])],
    )
    if not plates_b.any() or len(np.unique(rest.material)) < len(design.materials):
        return Check("foreseen by the other plates", passed=True, text="", factor=name)
    data = sums(rest)
    theta, covariance, sigma = _fit(working, data, name)
    _, rho, _ = typical_scatters(working.posterior)
    mean = float(working.row_b @ theta) + float(rest.y.mean())
    k = len(np.unique(design.plate[in_b]))
    plate_variance = (sigma * rho) ** 2 / k * float(np.mean(working.data.looseness))
    counts_for = working.weight(working.cleaned.b)
    own_variance = plate_variance + sigma**2 * float(counts_for @ counts_for)
    spread = math.sqrt(float(working.row_b @ covariance @ working.row_b) + own_variance)
    seen = float(counts_for @ design.y)
    miss = (seen - mean) / spread
    words = _words(working, name)
    return Check(
        "foreseen by the other plates",
        passed=abs(miss) <= _SURPRISE,
        text=f"what the other plates say of {words} misses B by {abs(miss):.1f} standard deviations",
        factor=name,
    )


def _held_by_several(working: Working, name: str) -> Check:
    """Whether the share stays when any one other plate is taken away."""
    ends = np.unique(working.design.plate[working.index((*working.cleaned.a, *working.cleaned.b)) > 0])
    others = np.setdiff1d(np.arange(len(working.data.counts)), ends)
    at = int(working.data.q + working.design.columns_of(name)[0])
    row = working.rows[working.names.index(name)]
    full = float(row @ _fit(working, working.data, name)[0])
    leverage = np.abs(working.data.plate_x[others, at] / np.maximum(working.data.counts[others], 1e-9))
    worst, least = "", 1.0
    for j in others[np.argsort(-leverage)][:_MOST_REMOVED]:
        part = float(row @ _fit(working, _without(working.data, int(j)), name)[0]) / (full or math.inf)
        if part < least:
            least, worst = part, _plate_names(working)[int(j)]
    return Check(
        "held by more than one plate",
        passed=least > 0.25,  # noqa: PLR2004 - a quarter of the share without it is no share
        text=f"without plate {worst} {100 * max(least, 0):.0f} % of its share is left",
        factor=name,
    )


def _without(data: Sums, plate: int) -> Sums:
    """Return the sums with one plate's precision taken down to nothing."""
    loose = data.looseness.copy()
    loose[plate] = 1e6
    # Within the plate pieces still say what varies among them; as a whole it says nothing any more.
    return replace(data, looseness=loose)


def _plate_names(working: Working) -> list[str]:
    """Return the name of each plate, in order of index."""
    first = np.unique(working.design.plate, return_index=True)[1]
    return [working.cleaned.observations[int(row)].plate for row in first]


def _words(working: Working, name: str) -> str:
    return next((f.words for f in working.cleaned.problem.factors if f.name == name), name)


def suspects(working: Working) -> tuple[Suspect, ...]:
    """Return the is/is-not table: for each cause, other plates that had it, and whether they read like B.

    Only plates of A's and B's materials; a plate reads like B where its mean, less what else is known of it,
    is nearer to B's mean than to A's.
    """
    design, usable = working.design, working.cleaned
    in_a, in_b = (working.index(group) > 0 for group in (usable.a, usable.b))
    y = (
        to_working(design.scale, np.array([o.value for o in usable.observations]))
        if len(design.y)
        else design.y
    )
    middle = (y[in_a].mean() + y[in_b].mean()) / 2
    sign = math.copysign(1.0, float(y[in_b].mean() - y[in_a].mean()))
    own = {o.material for o in (*usable.a, *usable.b)}
    right_material = np.array([o.material in own for o in usable.observations])
    ends = np.unique(design.plate[in_a | in_b])
    others = np.setdiff1d(np.unique(design.plate[right_material]), ends)
    k = len(design.open_variance)
    count = np.bincount(design.plate, minlength=k)
    like = sign * (np.bincount(design.plate, weights=y, minlength=k) / count - middle) > 0
    plates = _plate_names(working)
    found = []
    for name in working.names:
        column = design.x[:, design.columns_of(name)[0]]
        level_a, level_b = column[in_a].mean(), column[in_b].mean()
        level = np.bincount(design.plate, weights=column, minlength=k) / count
        near_b = np.abs(level - level_b) < np.abs(level - level_a)
        with_it = [(plates[j], bool(like[j])) for j in others if near_b[j]]
        without = [bool(like[j]) for j in others if not near_b[j]]
        found.append(
            Suspect(
                name, _words(working, name), len(with_it), sum(alike for _, alike in with_it), len(without),
                sum(without), tuple(with_it),
            )
        )  # fmt: skip
    return tuple(found)
