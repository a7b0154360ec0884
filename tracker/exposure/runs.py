"""From a spool's days to numbers, and many runs over the same days at once.

A step has its length in τ and the surface value it drives towards; a run follows all steps with other
constants, other humidities or a slower winding.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import IntEnum
from itertools import product
from typing import Final

from numpy.typing import NDArray

from tracker.exposure.days import Drying, MeasuredWater, Segment, Timeline
from tracker.exposure.families import Assumptions, Family
from tracker.exposure.physics import KELVIN, MODES, RATES, SEALED_RATE, WEIGHTS, Array, rh_elsewhere
from tracker.exposure.statement import EXPOSED
from tracker.lazy_modules import np

GAS_J_MOL_K: Final = 8.314462618
REFERENCE_K: Final = 23.0 + KELVIN
LOW, MIDDLE, HIGH = 0, 1, 2
"""Which end of what is not known for certain an array's column stands for."""

NINETY: Final = 1.6449
"""Standard deviations from the middle within which 90 % of a normal distribution lie: 5 to 95 %."""

Triple = tuple[float, float, float]


class Kind(IntEnum):
    """What a step does to the water."""

    EXPOSED = 0
    SEALED = 1
    MAYBE = 2
    """Half of a time nobody logged: counted in the middle; at an end only if it moves that way."""
    MAYBE_TOO = 3
    """The other half: not counted in the middle."""
    KNOWN = 4
    """No time at all: a measured water content replaces the state."""


@dataclass(frozen=True, slots=True)
class Steps:
    """The days of one spool as numbers, n steps.

    Attributes:
        kind: :class:`Kind`, shape (n,).
        ends_s: End of each step in seconds after the timeline's beginning, shape (n,).
        tau: Length D t/a² at the middle diffusion coefficient, shape (n,).
        spread: Natural logarithm of the factor by which D may be off in this step, shape (n,).
        surface: Surface value in wt% at the low, middle and high end, shape (n, 3); the water content
            itself in a step of kind KNOWN.
        start: Water at the beginning in wt%, low, middle, high.
        notes: What was assumed, each one sentence.
    """

    kind: NDArray[np.intp]
    ends_s: Array
    tau: Array
    spread: Array
    surface: Array
    start: Triple
    notes: tuple[str, ...]


def equilibrium_pct(rh_pct: Array, w50_pct: float, w100_pct: float) -> Array:
    """Return the equilibrium water in wt%: straight lines through 0, (50 %RH, w50) and (100 %RH, w100).

    Two figures of a data sheet cannot fix a curve with three parameters; the knee at 50 %RH keeps the
    usual range right, where a single line to w100 would be too high by up to a factor of two.

    Args:
        rh_pct: Relative humidity, any shape, %; above 100 counts as 100, below 0 as 0.
        w50_pct: Water in equilibrium with 50 %RH, wt%.
        w100_pct: Water in equilibrium with 100 %RH, wt%.
    """
    return np.asarray(np.interp(rh_pct, (0.0, 50.0, 100.0), (0.0, w50_pct, w100_pct)))


def arrhenius(t_c: Array, e_kj_mol: float) -> Array:
    """Return D(T)/D(23 °C) = exp(-E/R (1/T - 1/296.15 K)), dimensionless.

    Args:
        t_c: Temperature, any shape, °C.
        e_kj_mol: Activation energy E, kJ/mol.
    """
    return np.exp(-e_kj_mol * 1000.0 / GAS_J_MOL_K * (1.0 / (t_c + KELVIN) - 1.0 / REFERENCE_K))


def build_steps(
    days: Timeline,
    times: Sequence[datetime],
    family: Family,
    diameter_mm: float,
    *,
    start_pct: float | None,
    assumed: Assumptions,
    measured: Sequence[MeasuredWater] = (),
) -> Steps:
    """Return the steps up to the last of ``times``, cut so that a step ends at each of them.

    Args:
        days: The spool's days.
        times: Aware, UTC, in order.
        family: One that allows an estimate.
        diameter_mm: Of the filament.
        start_pct: Water at the beginning, wt%; None to assume a range and say so.
        assumed: What to take where nothing was recorded.
        measured: Water contents measured on this spool; each replaces the state.

    Raises:
        ValueError: The family allows no estimate; the caller should have asked.
    """
    if (
        family.w50_pct is None
        or family.w100_pct is None
        or family.d23_m2_s is None
        or family.e_kj_mol is None
    ):
        raise ValueError(f"family {family.name} allows no estimate")
    rows = list(_Climates(days, assumed).rows(times, measured))
    table = np.array([row[1:] for row in rows]).reshape(-1, 6)
    seconds, t_c, rh, ends = table[:, 0], table[:, 1], table[:, 2:5], table[:, 5]
    kind = np.array([row[0] for row in rows], dtype=np.intp)
    # Low goes with low: dry air and a polymer that holds little are both the drier end, and the bounds are
    # meant to hold the worst of both.
    part = np.array([1.0 - family.w_relative, 1.0, 1.0 + family.w_relative])
    surface = equilibrium_pct(rh, family.w50_pct.value, family.w100_pct.value) * part
    surface[kind == Kind.KNOWN] = rh[kind == Kind.KNOWN]
    start = np.array(start_rh(days, assumed))
    held = equilibrium_pct(start, family.w50_pct.value, family.w100_pct.value) * part
    low, middle, high = (start_pct,) * 3 if start_pct is not None else held.tolist()
    # The radius, in metres: with the diameter everything would take four times as long.
    per_second = family.d23_m2_s.value / (diameter_mm / 2000.0) ** 2
    half_e = (family.e_kj_mol.high - family.e_kj_mol.low) / 2.0
    return Steps(
        kind=kind,
        ends_s=ends,
        tau=seconds * per_second * arrhenius(t_c, family.e_kj_mol.value),
        # Two independent doubts: how fast this brand is at 23 °C, and how much faster in the dryer. The
        # second is nothing on the bench and a factor of two at 80 °C.
        spread=np.hypot(math.log(family.d_factor), np.log(arrhenius(t_c, half_e))),
        surface=surface,
        start=(low, middle, high),
        notes=tuple(_start_notes(days, start_pct, assumed)),
    )


def start_rh(days: Timeline, assumed: Assumptions) -> Triple:
    """Return the humidities in equilibrium with which the water at the beginning is taken.

    Before the first record of a spool whose reception is not recorded it may have lain anywhere.
    """
    low, middle, high = assumed.start_rh_pct
    return (low, middle, high) if days.received else (low, middle, max(high, assumed.open_rh_pct[2]))


def _start_notes(days: Timeline, start_pct: float | None, assumed: Assumptions) -> Iterator[str]:
    """Give a sentence on the water at the beginning."""
    if start_pct is None:
        low, middle, high = start_rh(days, assumed)
        before = "on arrival" if days.received else "before the first record, as its reception,"
        yield (
            f"Water {before} is not recorded: taken as even, in equilibrium with {middle:g} %RH "
            f"({low:g} to {high:g})."
        )
    else:
        yield f"Water at the beginning taken as {start_pct:g} wt%, even over the filament."


Row = tuple[int, float, float, float, float, float, float]


@dataclass(slots=True)
class _Climates:
    """Reads the climate of each segment, falling back on what was logged elsewhere, then on assumptions."""

    days: Timeline
    assumed: Assumptions
    logged: Triple = field(init=False)
    room: tuple[float, Triple] = field(init=False)

    def __post_init__(self) -> None:
        found = [
            s.period.humidity
            for s in self.days.segments
            if s.place in EXPOSED and s.period is not None and s.period.humidity is not None
        ]
        self.logged = self.assumed.open_rh_pct
        if found:
            low, high = min(f[0] for f in found), max(f[2] for f in found)
            self.logged = (low, (low + high) / 2.0, high)
        self.room = (self.assumed.temperature_c, self.logged)

    def rows(self, times: Sequence[datetime], measured: Sequence[MeasuredWater]) -> Iterator[Row]:
        """Give kind, seconds, °C, three humidities and the end in seconds for every step."""
        began = self.days.began
        if began is None or not times:
            return
        known = sorted((m for m in measured if began <= m.at <= times[-1]), key=lambda m: m.at)
        cuts = sorted({*times, *(m.at for m in known)})
        cut = 0
        for segment in self.days.until_moment(times[-1]):
            climate = self._climate(segment)
            since = segment.began
            while cut < len(cuts) and cuts[cut] < segment.ended:
                if cuts[cut] > since:
                    yield from _pieces(climate, since, cuts[cut], began)
                    since = cuts[cut]
                yield from _known(known, cuts[cut], began)
                cut += 1
            yield from _pieces(climate, since, segment.ended, began)
        yield from (row for at in cuts[cut:] for row in _known(known, at, began))

    def _climate(self, segment: Segment) -> tuple[Kind, float, Triple]:
        """Return kind, °C and three humidities of a segment."""
        period, drying = segment.period, segment.drying
        if drying is not None:
            return Kind.EXPOSED, drying.temperature_c, self._dryer(drying)
        if period is None:
            # Between nothing and all of it in the worst air logged or usual in a room; leaving it out would
            # call the unknown harmless.
            return Kind.MAYBE, self.assumed.temperature_c, self._anywhere()
        t_c = self.assumed.temperature_c if period.temperature_c is None else period.temperature_c
        if period.place == "sealed bag":
            # No humidity: a bag without desiccant changes nothing but the profile. Taking it for dry air
            # would be wrong, and on the flattering side.
            return Kind.SEALED, t_c, (0.0, 0.0, 0.0)
        humidity = self._widened(period.humidity)
        if period.place == "dry box":
            return Kind.EXPOSED, t_c, humidity or self.assumed.box_rh_pct
        # A spool in a warm enclosure sees the room's vapour at a higher temperature, and so a lower
        # relative humidity.
        if period.place == "printer":
            return Kind.EXPOSED, t_c, humidity or _warmed(self.room[1], self.room[0], t_c)
        # Kept for what follows: a dryer or a printer draws the air in which the spool lay last, where
        # nobody recorded its own.
        self.room = (t_c, humidity or self.logged)
        return Kind.EXPOSED, t_c, humidity or self.logged

    def _anywhere(self) -> Triple:
        """Return the humidity of a time that nobody logged."""
        low, middle, high = self.logged
        if low < high:
            return self.logged
        # One reading is no range: what it was that day says little of the days that nobody logged.
        usual = self.assumed.open_rh_pct
        return min(low, usual[0]), middle, max(high, usual[2])

    def _widened(self, humidity: Triple | None) -> Triple | None:
        """Return a humidity with its uncertainty, None without any."""
        # A single reading is known to the sensor's uncertainty; a logged range speaks for itself.
        if humidity is None or humidity[0] < humidity[2]:
            return humidity
        return self._around(humidity[1])

    def _around(self, rh: float) -> Triple:
        """Return a reading with the sensor's uncertainty to both sides."""
        off = self.assumed.sensor_rh_pct
        return max(0.0, rh - off), rh, min(100.0, rh + off)

    def _dryer(self, drying: Drying) -> Triple:
        """Return the humidity in a dryer, read or computed from its room."""
        if drying.dryer_rh_pct is not None:
            return self._around(drying.dryer_rh_pct)
        room_c = self.room[0] if drying.room_c is None else drying.room_c
        room_rh = self.room[1] if drying.room_rh_pct is None else self._around(drying.room_rh_pct)
        return _warmed(room_rh, room_c, drying.temperature_c)


def _warmed(rh: Triple, from_c: float, to_c: float) -> Triple:
    """Return humidities of one vapour pressure at another temperature, at most saturated."""
    # Hyland-Wexler, because dryers and chambers go beyond the 60 °C of the WMO form.
    low, middle, high = (min(100.0, rh_elsewhere(each, from_c, to_c, "hyland-wexler")) for each in rh)
    return low, middle, high


def _pieces(
    climate: tuple[Kind, float, Triple], since: datetime, until: datetime, began: datetime
) -> Iterator[Row]:
    """Give the step of one climate, or two halves where nobody logged it."""
    kind, t_c, rh = climate
    seconds = (until - since).total_seconds()
    end = (until - began).total_seconds()
    if kind is not Kind.MAYBE:
        yield (kind, seconds, t_c, *rh, end)
        return
    yield (Kind.MAYBE, seconds / 2.0, t_c, *rh, end - seconds / 2.0)
    yield (Kind.MAYBE_TOO, seconds / 2.0, t_c, *rh, end)


def _known(known: Sequence[MeasuredWater], at: datetime, began: datetime) -> Iterator[Row]:
    """Give a step without length for each content measured at a moment."""
    for m in known:
        if m.at == at:
            off = NINETY * m.u_pct
            low, high = max(0.0, m.pct - off), m.pct + off
            yield (Kind.KNOWN, 0.0, 23.0, low, m.pct, high, (at - began).total_seconds())


_BLOCK: Final = 32
"""Steps whose exponentials are held at once: small enough to stay in the cache."""

_GONE: Final = 40.0
"""A mode that decays by more than exp(-40) in a step is the surface value to rounding."""


class Winding(IntEnum):
    """How the layers of a wound spool are taken to delay the exchange."""

    STRAND = 0
    """Not at all."""
    WETTER = 1
    """Drying is slowed, wetting is not: the wetter end."""
    DRIER = 2
    """Wetting is slowed, drying is not: the drier end."""


@dataclass(frozen=True, slots=True)
class Runs:
    """K runs over the same days.

    Attributes:
        inputs: Which column of the steps' surface and start each run takes, shape (K,).
        scale: Index into ``exponents``, shape (K,).
        winding: :class:`Winding`, shape (K,).
        exponents: D is multiplied by exp(exponent · spread of the step), shape (m,).
        slowdown: How many times slower a slowed step is.
    """

    inputs: NDArray[np.intp]
    scale: NDArray[np.intp]
    winding: NDArray[np.intp]
    exponents: Array
    slowdown: float


def every_run(exponents: tuple[float, ...], slowdown: float) -> Runs:
    """Return all combinations of inputs × ``exponents`` × winding, in that order.

    Args:
        exponents: D is multiplied by exp(exponent · spread of the step); m of them.
        slowdown: How many times slower a slowed step is.
    """
    table = np.array(list(product((LOW, MIDDLE, HIGH), range(len(exponents)), Winding)), dtype=np.intp)
    return Runs(table[:, 0], table[:, 1], table[:, 2], np.array(exponents), slowdown)


def march(steps: Steps, runs: Runs) -> Array:
    """Return the mean water of every run before the first and after each step, shape (n + 1, K), wt%.

    Whether a step wets or dries is judged by each run's own mean, so a run is linear in nothing.
    """
    surface = steps.surface[:, runs.inputs]
    start = np.array(steps.start)[runs.inputs]
    return _march(steps, runs, surface, start, None)


def march_parts(steps: Steps, runs: Runs, wetting: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Return how the mean depends on the start and on the surface values, each of shape (n + 1, K).

    With the direction of every step settled beforehand, the mean is start · first + scale · second for any
    start and any common scale of the surface values.

    Args:
        steps: The days; a KNOWN step must not be among them.
        runs: K runs.
        wetting: Whether each step wets, shape (n,).
    """
    twice = (np.tile(each, 2) for each in (runs.inputs, runs.scale, runs.winding))
    inputs, scale, winding = twice
    both = Runs(inputs, scale, winding, runs.exponents, runs.slowdown)
    surface = steps.surface[:, runs.inputs]
    means = _march(
        steps,
        both,
        np.hstack([np.zeros_like(surface), surface]),
        np.repeat([1.0, 0.0], len(runs.inputs)),
        wetting,
    )
    return means[:, : len(runs.inputs)], means[:, len(runs.inputs) :]


@dataclass(slots=True)
class _Spools:
    """The state of K runs, kept as the distance from the value the surface was last driven to.

    A new surface value is then one subtraction, a step one multiplication, and what has decayed is zero.
    ``off`` has a column for each mode and the last one for the tail, shape (K, 201).
    """

    driven: Array
    off: Array

    def mean(self) -> Array:
        """Return the mean water of each run, shape (K,), wt%."""
        return np.asarray(self.driven + self.off @ WEIGHTS)

    def know(self, pct: Array) -> None:
        """Start afresh from a known content."""
        self.driven, self.off[:] = pct, 0.0

    def seal(self, mean: Array, tau: Array) -> None:
        """Let the profile even out between sealed walls."""
        self.off += (self.driven - mean)[:, np.newaxis]
        self.off *= np.exp(-SEALED_RATE * tau)[:, np.newaxis]
        self.driven = mean

    def expose(self, surface: Array, kept: Array, level: NDArray[np.intp]) -> None:
        """Hold the surfaces at new values."""
        self.off += (self.driven - surface)[:, np.newaxis]
        self.off *= kept.take(level, axis=0)
        self.driven = surface

    def expose_some(
        self, took: NDArray[np.bool_], surface: Array, kept: Array, level: NDArray[np.intp]
    ) -> None:
        """Hold only some of the surfaces at new values."""
        some = _Spools(self.driven[took], self.off[took])
        some.expose(surface[took], kept, level[took])
        self.off[took] = some.off
        self.driven = np.where(took, surface, self.driven)


def _march(
    steps: Steps, runs: Runs, surface: Array, start: Array, wetting: NDArray[np.bool_] | None
) -> Array:
    """Follow all runs through all steps; with ``wetting`` the directions are settled beforehand."""
    tau, base = _levels(steps, runs), 2 * runs.scale
    spools = _Spools(start, np.zeros((len(start), MODES + 1)))
    when_wet, when_dry = base + (runs.winding == Winding.DRIER), base + (runs.winding == Winding.WETTER)
    means = np.empty((len(surface) + 1, len(start)))
    means[0] = start
    # One buffer for all blocks: fresh memory of this size costs more than filling it.
    kept = np.zeros((_BLOCK, tau.shape[1], MODES + 1))
    for i, kind in enumerate(steps.kind.tolist()):
        if i % _BLOCK == 0:
            _fill(kept, tau[i : i + _BLOCK])
        if kind == Kind.KNOWN:
            spools.know(surface[i])
        elif kind == Kind.SEALED:
            spools.seal(means[i], tau[i, base])
        else:
            wet = surface[i] > means[i] if wetting is None else wetting[i]
            level = np.where(wet, when_wet, when_dry)
            if kind == Kind.EXPOSED:
                spools.expose(surface[i], kept[i % _BLOCK], level)
            else:
                took = ~_not_taken(kind, runs.inputs, wet)
                spools.expose_some(took, surface[i], kept[i % _BLOCK], level)
        means[i + 1] = spools.mean()
    return means


def _fill(kept: Array, tau: Array) -> None:
    """Put into ``kept`` what each mode keeps of its distance in each step at each level.

    Args:
        kept: Shape (block, levels, 201); the tail's column stays zero.
        tau: Shape (n, levels), n at most the block.
    """
    # Exponentials are most of the work; fast levels need few of them.
    modes = np.searchsorted(RATES, _GONE / np.maximum(tau.min(axis=0), 1e-300))
    for level, count in enumerate(modes.tolist()):
        part = kept[: len(tau), level]
        np.exp(np.multiply.outer(tau[:, level], -RATES[:count]), out=part[:, :count])
        part[:, count:] = 0.0


def _levels(steps: Steps, runs: Runs) -> Array:
    """Return τ of each step at each exponent, unslowed and slowed in turn, shape (n, 2 m)."""
    scaled = steps.tau[:, np.newaxis] * np.exp(steps.spread[:, np.newaxis] * runs.exponents)
    return np.stack([scaled, scaled / runs.slowdown], axis=2).reshape(len(scaled), 2 * len(runs.exponents))


def _not_taken(kind: int, inputs: NDArray[np.intp], wet: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Say which runs leave out a time nobody logged."""
    # Time nobody logged: the high end takes it where it wets, the low end where it dries, the middle half.
    in_the_middle = (inputs == MIDDLE) & (kind == Kind.MAYBE_TOO)
    return np.asarray(in_the_middle | ((inputs == HIGH) & ~wet) | ((inputs == LOW) & wet))
