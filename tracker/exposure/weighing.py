"""What weighings of a spool say, what they do not, and how they hold the model against the spool itself.

What a drying takes away is *mass loss on drying*: monomer, plasticiser and the reel's own water count with
it. Only Karl Fischer and the other methods of ISO 15512 measure water.

To correct the model, the unknowns (diffusion coefficient, isotherm, water at the start, winding, empty reel)
are sampled from their priors and weighed by how well they give the losses that were found. One weighing is
one equation: it narrows the water, and is never used to state a diffusion coefficient. How often the
intervals hold the truth is shown by ``python -m tests.bench.water``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final, Literal

from numpy.typing import NDArray

from tracker.errors import Refused
from tracker.exposure.days import Drying, Timeline
from tracker.exposure.families import Assumptions, Family
from tracker.exposure.physics import Array
from tracker.exposure.runs import (
    NINETY,
    Runs,
    Steps,
    Triple,
    equilibrium_pct,
    every_run,
    march,
    march_parts,
    start_rh,
)
from tracker.lazy_modules import np

"""Weighings that a drying needs before its shape says anything."""

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class MassLoss:
    """The change of mass over a drying; the basis of each percentage is in its name.

    Attributes:
        grams: Before minus after, g; negative for a gain.
        u_g: Its standard uncertainty, g.
        kind: ``"loss"``, ``"below uncertainty"`` where the change is within twice its uncertainty, or
            ``"gain"``. A gain is never turned into zero.
        wet_pct: 100 Δ / filament before, least and greatest over the possible empty masses, %.
        dry_pct: 100 Δ / filament after, %.
        u_pct: Standard uncertainty of a percentage from the weighing alone, %.
        empty_known: Whether the empty reel was weighed.
    """

    grams: float
    u_g: float
    kind: Literal["loss", "below uncertainty", "gain"]
    wet_pct: Interval
    dry_pct: Interval
    u_pct: float
    empty_known: bool


def mass_loss(before_g: float, after_g: float, empty_g: float | Interval, u_g: float) -> MassLoss:
    """Return the change of mass over a drying on both bases.

    Args:
        before_g: Filament with its reel, g.
        after_g: The same after drying and cooling in a closed bag, g.
        empty_g: The empty reel, or the least and greatest it may weigh, g.
        u_g: Standard uncertainty of the difference, g.

    Raises:
        Refused: No filament is left when the empty reel is taken off.
    """
    low, high = empty_g if isinstance(empty_g, tuple) else (empty_g, empty_g)
    if not 0.0 <= low <= high < min(before_g, after_g):
        raise Refused(
            f"weighings {before_g:g} g and {after_g:g} g",
            why=f"an empty reel of {high:g} g leaves no filament",
            do="Correct the weighings or the empty mass.",
        )
    change = before_g - after_g
    # Not set to zero: a gain, or a loss the scales cannot show, is reported as such.
    small = abs(change) <= 2.0 * u_g
    # Both bases and both ends: with an unknown reel the percentage is an interval, while the grams are
    # exact.
    wet = sorted(100.0 * change / (before_g - s) for s in (low, high))
    dry = sorted(100.0 * change / (after_g - s) for s in (low, high))
    return MassLoss(
        grams=change,
        u_g=u_g,
        kind="below uncertainty" if small else "loss" if change > 0.0 else "gain",
        wet_pct=(wet[0], wet[1]),
        dry_pct=(dry[0], dry[1]),
        u_pct=100.0 * u_g / (after_g - high),
        empty_known=low == high,
    )


_EXPONENTS: Final = (-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5)
_SAMPLES: Final = 1000
_MODEL_OFF: Final = 0.1
"""How far a loss may be off by the model's own fault, as a part of it.

No run is the spool itself: humidity is held at three values and winding at two. Chosen on random histories of
eight families: without it the intervals of PA6 hold the truth in 79 %, with it all families' in 88 to 95 %.
"""

_TOO_FEW: Final = 25.0
_MISFIT: Final = 9.0


@dataclass(frozen=True, slots=True)
class Corrected:
    """Water after the weighings, 5, 50 and 95 % at each of T moments.

    Attributes:
        pct: Shape (T, 3), wt%.
        used: Names of the dryings whose weighings were used.
        notes: What was and was not concluded, each one sentence.
    """

    pct: Array
    used: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Weighed:
    """A drying with its loss and the moments before and after it among the n + 1."""

    drying: Drying
    loss: MassLoss
    before: int
    after: int


def correct(
    steps: Steps,
    records: Sequence[int],
    days: Timeline,
    *,
    family: Family,
    assumed: Assumptions,
    start_pct: float | None,
    winding: float,
) -> Corrected:
    """Return the water at ``records`` corrected by the weighings; without any that help, ``pct`` is empty.

    Args:
        steps: The days with the isotherm at its middle (built for a family without ``w_relative``).
        records: Indices into the n + 1 moments between the steps.
        days: Only dryings that ended by the last step are used.
        family: For the priors.
        assumed: For the priors.
        start_pct: Water at the beginning if known, wt%.
        winding: How many times slower a wound spool may be.

    Returns:
        ``pct`` of shape (T, 3) for T records, wt%; of shape (0, 3) where no weighing could be used.
    """
    weighed, notes = _weighed(steps, days, assumed)
    if not weighed:
        return Corrected(np.empty((0, 3)), (), tuple(notes))
    runs = every_run(_EXPONENTS, winding)
    parts = march_parts(steps, runs, _wetting(steps, winding))
    drawn = _draw(family, start_rh(days, assumed), start_pct)
    weight = _weigh(weighed, runs, parts, drawn, assumed)
    names = tuple(each.drying.name for each in weighed)
    if weight is None:
        notes.append(
            f"The loss weighed in {', '.join(names)} is outside what the model allows for {family.name} and "
            "was not used: a wet reel, other volatiles or a wrong empty mass would explain it."
        )
        return Corrected(np.empty((0, 3)), (), tuple(notes))
    notes.append(
        "Weighings before and after a drying do not settle the diffusion coefficient, which is traded "
        "against the water at the start: the water is narrowed, the coefficient is not."
    )
    return Corrected(_answers(records, weight, parts, drawn), names, tuple(notes))


def _weighed(steps: Steps, days: Timeline, assumed: Assumptions) -> tuple[list[_Weighed], list[str]]:
    """Return the weighings that may be used, and for each other one why not."""
    found: list[_Weighed] = []
    notes: list[str] = []
    for drying in days.dryings:
        if days.began is None or drying.before_g is None or drying.after_g is None:
            continue
        # A microsecond on, as ends of steps are sums of floats and may come out a hair later than the
        # moment itself.
        began, ended = ((m - days.began).total_seconds() + 1e-6 for m in (drying.began, drying.ended))
        if ended > steps.ends_s[-1] + 1.0:
            continue
        u_g = assumed.balance_u_g if drying.weighing_u_g is None else drying.weighing_u_g
        empty = assumed.empty_reel_g if drying.empty_g is None else drying.empty_g
        try:
            loss = mass_loss(drying.before_g, drying.after_g, empty, u_g)
        except Refused as refused:
            notes.append(f"The weighings of {drying.name} are not used: {refused.why}.")
            continue
        doubt = _doubt(drying, loss)
        if doubt:
            notes.append(f"The weighings of {drying.name} are not used: {doubt}.")
            continue
        before, after = np.searchsorted(steps.ends_s, (began, ended), side="right").tolist()
        found.append(_Weighed(drying, loss, before, after))
    return found, notes


def _doubt(drying: Drying, loss: MassLoss) -> str:
    """Return why a loss is no filament water, or nothing."""
    if loss.kind == "gain":
        return f"the spool gained {-loss.grams:.2f} g in the dryer"
    if drying.reel == "cardboard":
        return "a cardboard reel alone loses more water than most filaments hold"
    if drying.reel is None:
        return "it is not recorded what the reel is made of, and a cardboard one loses its own water"
    return ""


@dataclass(frozen=True, slots=True)
class _Drawn:
    """M samples of what is not known; the parts are fractions of their ranges."""

    start: Array
    scale: Array
    empty_part: Array
    reel_part: Array

    def water(self, parts: tuple[Array, Array], moment: int) -> Array:
        """Return the water of every run and sample at a moment, shape (K, M)."""
        first, second = parts
        return np.asarray(
            self.start * first[moment][:, np.newaxis] + self.scale * second[moment][:, np.newaxis]
        )


def _wetting(steps: Steps, winding: float) -> NDArray[np.bool_]:
    """Return the direction of each step in the run of a strand with middle figures."""
    centre = Runs(*(np.array([1]), np.array([0]), np.array([0])), np.array([0.0]), winding)
    means = march(steps, centre)[:-1, 0]
    return np.asarray(steps.surface[:, 1] > means)


def _prior(runs: Runs) -> Array:
    """Return the logarithm of each run's weight before anything was weighed."""
    inputs = np.log([1 / 6, 2 / 3, 1 / 6])[runs.inputs]
    return np.asarray(inputs - (runs.exponents[runs.scale] * NINETY) ** 2 / 2.0)


def _draw(family: Family, start_rh_pct: Triple, start_pct: float | None) -> _Drawn:
    """Return samples of isotherm, start, empty reel and its water."""
    # An additive recurrence fills the cube evenly and gives the same answer every time.
    root = 1.1673039782614187
    cube = (0.5 + np.outer(np.arange(1, _SAMPLES + 1), root ** -np.arange(1.0, 5.0))) % 1.0
    quantile = NormalDist().inv_cdf
    normal = np.array([quantile(min(max(u, 1e-9), 1 - 1e-9)) for u in cube[:, 0].tolist()])
    scale = np.exp(normal * math.log1p(family.w_relative) / NINETY)
    most = 0.0
    if family.w50_pct and family.w100_pct:
        wettest = np.array(start_rh_pct[-1])
        most = float(equilibrium_pct(wettest, family.w50_pct.value, family.w100_pct.value))
    start = np.full(_SAMPLES, start_pct) if start_pct is not None else cube[:, 1] * most
    return _Drawn(start, scale, cube[:, 2], cube[:, 3])


def _weigh(
    weighed: Sequence[_Weighed], runs: Runs, parts: tuple[Array, Array], drawn: _Drawn, assumed: Assumptions
) -> Array | None:
    """Return the weight of every run and sample, shape (K, M), or None if nothing fits the losses."""
    log_weight = _prior(runs)[:, np.newaxis] + np.zeros(_SAMPLES)
    for each in weighed:
        chi2 = _chi2(each, drawn.water(parts, each.before), drawn.water(parts, each.after), drawn, assumed)
        # Three standard deviations even at the best sample: forced to fit, the samples would crowd into a
        # corner and look certain.
        if chi2.min() > _MISFIT:
            return None
        log_weight = log_weight - chi2 / 2.0
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    # The effective number of samples: an answer that rests on a handful of them is an accident of the
    # drawing.
    return weight if 1.0 / float((weight**2).sum()) >= _TOO_FEW else None


def _chi2(each: _Weighed, wet: Array, dry: Array, drawn: _Drawn, assumed: Assumptions) -> Array:
    """Return the squared misfit of one loss for every run and sample."""
    drying, known = each.drying, each.drying.empty_g
    low, high = assumed.empty_reel_g if known is None else (known, known)
    empty = low + drawn.empty_part * (high - low)
    # The reel loses water too: laid on the filament it would dry it on paper only.
    reel = 0.0 if drying.reel == "none" else drawn.reel_part * assumed.reel_water_relative * empty
    polymer = ((drying.after_g or 0.0) - empty) / (1.0 + dry / 100.0)
    expected = (wet - dry) / 100.0 * polymer + reel
    off = math.hypot(each.loss.u_g, _MODEL_OFF * each.loss.grams)
    return np.asarray(((each.loss.grams - expected) / off) ** 2)


def _answers(records: Sequence[int], weight: Array, parts: tuple[Array, Array], drawn: _Drawn) -> Array:
    """Return 5, 50 and 95 % of the water at each moment."""
    kept = weight > weight.max() * 1e-7
    return np.array([_quantiles(drawn.water(parts, record)[kept], weight[kept]) for record in records])


def _quantiles(values: Array, weight: Array) -> Array:
    """Return the weighted 5, 50 and 95 % of values."""
    order = np.argsort(values)
    reached = np.cumsum(weight[order]) - weight[order] / 2.0
    return np.interp((0.05, 0.5, 0.95), reached / weight.sum(), values[order])
