"""How much water the filament held at a moment: always an interval with a grade, never a bare number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from tracker.errors import Refused
from tracker.exposure.days import MeasuredWater, Timeline
from tracker.exposure.families import Assumptions, Family, load_families
from tracker.exposure.physics import Array
from tracker.exposure.runs import MIDDLE, Kind, Steps, arrhenius, build_steps, every_run, march
from tracker.exposure.statement import (
    Grade,
    Interval,
    OpenAir,
    Water,
    WaterHistory,
    assumption_notes,
    open_air,
    statement,
)
from tracker.exposure.weighing import Corrected, correct
from tracker.lazy_modules import np

_EXPONENTS: Final = (-1.0, 0.0, 1.0)
_T90: Final = 0.334413
"""τ at which a strand has made 90 % of its change."""


@dataclass(frozen=True, slots=True)
class _Bounds:
    """Low, centre, high of T moments, shape (T, 3), with what they rest on."""

    pct: Array
    grades: tuple[Grade, ...]
    notes: tuple[str, ...]
    winding: Array | None = None
    diffusion: Array | None = None
    used: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Spool:
    """A spool as the model sees it, checked."""

    days: Timeline
    family: Family | None
    diameter_mm: float
    start_pct: float | None
    measured: Sequence[MeasuredWater]
    assumed: Assumptions
    winding: float

    def __post_init__(self) -> None:
        if not 0.5 <= self.diameter_mm <= 10.0:  # noqa: PLR2004 - filament is 1.75 or 2.85 mm
            raise Refused(
                f"filament diameter {self.diameter_mm:g} mm", why="outside 0.5 to 10 mm", do="Give it in mm."
            )
        if self.start_pct is not None and not 0.0 <= self.start_pct <= 100.0:  # noqa: PLR2004 - per cent
            raise Refused(f"water at the beginning {self.start_pct:g} %", why="outside 0 to 100 %")
        if not self.winding >= 1.0:
            raise Refused(
                f"winding {self.winding:g}", why="a wound spool is never faster than loose filament"
            )

    def steps(self, family: Family, times: Sequence[datetime]) -> Steps:
        """Return the spool's days as numbers."""
        return build_steps(
            self.days,
            times,
            family,
            self.diameter_mm,
            start_pct=self.start_pct,
            assumed=self.assumed,
            measured=self.measured,
        )

    def bounds(self, times: Sequence[datetime]) -> _Bounds | None:
        """Give the bounds at ``times``, in order; None for a family that allows no number."""
        family = self.family
        if family is None or family.no_estimate is not None:
            return None
        steps = self.steps(family, times)
        records = _records(steps, times, self.days.began or times[0])
        # A measured content beats any weighing: it replaces what the weighings would only narrow.
        if Kind.KNOWN in steps.kind:
            return self._generic(steps, records, ())
        if not any(d.before_g is not None and d.after_g is not None for d in self.days.dryings):
            return self._generic(steps, records, steps.notes)
        found = self._corrected(family, times, records)
        notes = (*steps.notes, *found.notes)
        if not found.used:
            return self._generic(steps, records, notes)
        return _Bounds(found.pct, tuple("B" for _ in times), notes, used=found.used)

    def _generic(self, steps: Steps, records: Sequence[int], notes: tuple[str, ...]) -> _Bounds:
        """Return bounds from the family's figures alone."""
        means = march(steps, every_run(_EXPONENTS, self.winding))
        runs = means[records].reshape(len(records), 3, len(_EXPONENTS), 3)
        middle = runs[:, MIDDLE]
        return _Bounds(
            # Least and greatest over all runs: after an interrupted uptake slow drying can give the drier
            # strand, so no single run is the bound.
            pct=np.stack([runs.min(axis=(1, 2, 3)), middle[:, 1, 0], runs.max(axis=(1, 2, 3))], axis=1),
            grades=tuple(_measured_grade(steps, record) for record in records),
            notes=notes,
            winding=_ends(middle[:, 1:2]),
            diffusion=_ends(middle),
        )

    def _corrected(self, family: Family, times: Sequence[datetime], records: Sequence[int]) -> Corrected:
        """Return bounds corrected by the spool's weighings, if any can be used."""
        # The spread of the isotherm is one of the things sampled, so it must not be in the steps as well.
        steps = self.steps(replace(family, w_relative=0.0), times)
        return correct(
            steps,
            records,
            self.days,
            family=family,
            assumed=self.assumed,
            start_pct=self.start_pct,
            winding=self.winding,
        )


def water(
    days: Timeline,
    at: datetime,
    family: Family | None,
    diameter_mm: float,
    start_pct: float | None = None,
    *,
    measured: Sequence[MeasuredWater] = (),
    assumed: Assumptions | None = None,
    winding: float | None = None,
) -> Water:
    """Return the water content of the filament at ``at``.

    Args:
        days: The spool's days.
        at: Aware, UTC, not later than the timeline.
        family: Constants of the polymer family; None for an unknown one, which gets hours only.
        diameter_mm: Of the filament.
        start_pct: Water at the first record, wt%; None if not known, which is then assumed and said.
        measured: Water contents measured on this spool; each replaces the model's state.
        assumed: What to take where nothing was recorded; None for the bundled assumptions.
        winding: How many times slower a wound spool may be than a strand; None for the assumed one.

    Raises:
        Refused: ``at`` later than the timeline or without a zone, a diameter outside 0.5 to 10 mm, a
            start outside 0 to 100 %, or a winding below 1.
    """
    assumed = assumed or load_families().assumptions
    exposure = open_air(days, at)
    spool = _Spool(days, family, diameter_mm, start_pct, measured, assumed, winding or assumed.winding)
    bounds = spool.bounds([at])
    notes = (*days.flags, *assumption_notes(days, at, family, assumed))
    if bounds is None:
        hours_only = Water(
            at, None, None, None, "D", "not estimated", None, None, exposure, sentence="", sentences=notes
        )
        return replace(hours_only, sentence=statement(hours_only, days, family, spool.winding, ()))
    low, centre, high = bounds.pct[0].tolist()
    found = Water(
        at=at,
        centre_pct=centre,
        low_pct=low,
        high_pct=high,
        grade=bounds.grades[0],
        regime=_regime(exposure, family, diameter_mm, assumed),
        winding_pct=_pair(bounds.winding),
        diffusion_pct=_pair(bounds.diffusion),
        exposure=exposure,
        sentence="",
        sentences=(*notes, *bounds.notes),
    )
    return replace(found, sentence=statement(found, days, family, spool.winding, bounds.used))


def water_history(
    days: Timeline,
    times: Sequence[datetime],
    family: Family | None,
    diameter_mm: float,
    start_pct: float | None = None,
) -> WaterHistory:
    """Return the water content at each of ``times`` in one pass; arguments as for :func:`water`.

    Weighings up to the last of ``times`` correct the whole curve, also what comes before them.

    Raises:
        Refused: A moment later than the timeline or without a zone, a diameter outside 0.5 to 10 mm, a
            start outside 0 to 100 %.
    """
    assumed = load_families().assumptions
    spool = _Spool(days, family, diameter_mm, start_pct, (), assumed, assumed.winding)
    moments = sorted(times)
    for at in moments[:1] + moments[-1:]:
        days.known_until(at)
    bounds = spool.bounds(moments) if moments else None
    if bounds is None:
        none = np.empty(0)
        return WaterHistory(tuple(moments), none, none, none, "D")
    low, centre, high = bounds.pct.T
    # The worst grade for the whole curve: letters sort from A, measured, to C.
    return WaterHistory(tuple(moments), centre, low, high, max(bounds.grades))


def _records(steps: Steps, times: Sequence[datetime], began: datetime) -> list[int]:
    """Return which of the n + 1 moments each time is."""
    seconds = np.array([(at - began).total_seconds() for at in times])
    # A microsecond of grace: the ends are sums of the same numbers, rounded.
    return [int(i) for i in np.searchsorted(steps.ends_s, seconds + 1e-6, side="right")]


def _ends(runs: Array) -> Array:
    """Return least and greatest of runs, shape (T, 2)."""
    return np.stack([runs.min(axis=(1, 2)), runs.max(axis=(1, 2))], axis=1)


def _pair(ends: Array | None) -> Interval | None:
    """Return the bounds of the first moment."""
    return None if ends is None else (float(ends[0, 0]), float(ends[0, 1]))


def _measured_grade(steps: Steps, record: int) -> Grade:
    """Return A where a measured content still stands, else C."""
    known = np.flatnonzero(steps.kind[:record] == Kind.KNOWN)
    # Measured, and since then nothing but a sealed bag: an hour in open air and the number is a model's
    # again.
    if len(known) and np.all(steps.kind[known[-1] + 1 : record] == Kind.SEALED):
        return "A"
    return "C"


def _regime(exposure: OpenAir, family: Family | None, diameter_mm: float, assumed: Assumptions) -> str:
    """Return what the uncertainty hangs on."""
    if family is None or family.d23_m2_s is None or family.e_kj_mol is None:
        return "not estimated"
    exposed = exposure.hours + exposure.hours_box
    if exposed + exposure.hours_unlogged == 0.0:
        return "as the drying or the bag left it (what the drying left dominates)"
    t_c = exposure.temperature_mean_c
    warm = arrhenius(np.array(assumed.temperature_c if t_c is None else t_c), family.e_kj_mol.value)
    seconds = _T90 * (diameter_mm / 2000.0) ** 2 / (family.d23_m2_s.value * float(warm))
    # Three times the time for 90 %: then it is no matter how fast the water comes, only how much the
    # polymer holds.
    if exposed > 3.0 * seconds / 3600.0:
        return "equilibrium-limited (the isotherm dominates)"
    return "uptake-limited (the diffusion coefficient dominates)"
