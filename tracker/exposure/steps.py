"""From a spool's days to numbers: for every step its length in τ and the surface value it drives towards."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tracker.exposure.air import KELVIN, rh_elsewhere
from tracker.exposure.diffusion import Array
from tracker.exposure.events import Drying, MeasuredWater
from tracker.exposure.families import Assumptions, Family
from tracker.exposure.openair import EXPOSED
from tracker.exposure.spans import Segment, Timeline

GAS_J_MOL_K: Final = 8.314462618
REFERENCE_K: Final = 23.0 + KELVIN
LOW, MIDDLE, HIGH = 0, 1, 2
"""Which end of what is not known for certain an array's column stands for."""

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
    start = np.array(assumed.start_rh_pct)
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
        notes=tuple(_start_notes(start_pct, assumed)),
    )


def _start_notes(start_pct: float | None, assumed: Assumptions) -> Iterator[str]:
    """Give a sentence on the water at the beginning."""
    if start_pct is None:
        low, middle, high = assumed.start_rh_pct
        yield (
            f"Water on arrival is not recorded: taken as even, in equilibrium with {middle:g} %RH "
            f"({low:g} to {high:g})."
        )
    else:
        yield f"Water at the beginning taken as {start_pct:g} wt%, even over the strand."


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
            s.stay.humidity
            for s in self.days.segments
            if s.place in EXPOSED and s.stay is not None and s.stay.humidity is not None
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
        stay, drying = segment.stay, segment.drying
        if drying is not None:
            return Kind.EXPOSED, drying.temperature_c, self._dryer(drying)
        if stay is None:
            # Between nothing and all of it in the worst air logged; leaving it out would call the unknown
            # harmless.
            return Kind.MAYBE, self.assumed.temperature_c, self.logged
        t_c = self.assumed.temperature_c if stay.temperature_c is None else stay.temperature_c
        if stay.place == "sealed bag":
            # No humidity: a bag without desiccant changes nothing but the profile. Taking it for dry air
            # would be wrong, and on the flattering side.
            return Kind.SEALED, t_c, (0.0, 0.0, 0.0)
        humidity = self._widened(stay.humidity)
        if stay.place == "dry box":
            return Kind.EXPOSED, t_c, humidity or self.assumed.box_rh_pct
        # A spool in a warm enclosure sees the room's vapour at a higher temperature, and so a lower
        # relative humidity.
        if stay.place == "printer":
            return Kind.EXPOSED, t_c, humidity or _warmed(self.room[1], self.room[0], t_c)
        # Kept for what follows: a dryer or a printer draws the air in which the spool lay last, where
        # nobody recorded its own.
        self.room = (t_c, humidity or self.logged)
        return Kind.EXPOSED, t_c, humidity or self.logged

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
            low, high = max(0.0, m.pct - 2.0 * m.u_pct), m.pct + 2.0 * m.u_pct
            yield (Kind.KNOWN, 0.0, 23.0, low, m.pct, high, (at - began).total_seconds())
