"""Creep under a constant load: strain and creep modulus with time, and Findley's law.

ε(t) = (l(t) − l₀)/l₀, E(t) = σ/ε(t) with the stress at the start (ISO 899-1, from memory). Findley:
ε = ε₀ + A·tⁿ, t in hours.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Annotated, Any

from pydantic import Field

from tracker.api import (
    Due,
    Formula,
    Method,
    Outcome,
    Piece,
    Quantity,
    Reading,
    Readings,
    hookimpl,
    nominal,
    picture,
)
from tracker.api.maths import DECADE, Findley, findley_fit, section_area, section_remarks
from tracker.api.picture import FAINT, INK, RESULT

_MARKS = (1.0, 24.0, 168.0)
# Two per cent in time: a reading at 24 h 20 min is the 24 h reading.
_AT = 0.02


MARKS_H = (1.0, 24.0, 48.0, 168.0)
"""Hours after loading at which creep is read: the series of ISO 899-1, thinned (from memory).

Thinned to what one person at a bench will really come back for; the fit wants decades, not many points.
"""


class CreepReadings(Readings):
    """What is read on a piece that hangs under load for days."""

    force: Annotated[float | None, Reading("N", "constant load", resolution=0.1), Field(gt=0)] = None
    width: Annotated[float | None, Reading("mm", "width before loading", resolution=0.01), Field(gt=0)] = None
    thickness: Annotated[
        float | None, Reading("mm", "thickness before loading", resolution=0.01), Field(gt=0)
    ] = None
    stress: Annotated[float | None, Reading("MPa", "or: stress at the start", ask=False), Field(gt=0)] = None
    reference_length: Annotated[
        float | None, Reading("mm", "length between the marks before loading", resolution=0.01), Field(gt=0)
    ] = None
    series: Annotated[
        tuple[tuple[Annotated[float, Field(ge=0)], Annotated[float, Field(gt=0)]], ...],
        Reading(
            help="hours since the full load : length between the marks, such as 1:80.12 24:80.31",
            columns=("t_h", "length_mm"),
            units=("h", "mm"),
            resolutions=(None, 0.01),
        ),
    ] = ()


class Creep(Method):
    """Tensile creep over days."""

    id = "creep"
    title = "Creep"
    version = "1.0"
    standard = (
        "ISO 899-1:2017. Departures: dead load on a bench rig, length between marks read by caliper or dial "
        "instead of an extensometer; room temperature and humidity as they are; readings when somebody is "
        "there."
    )
    cautions = (
        "A load that hangs for days falls one day: nothing and nobody underneath, a catch close below it.",
        "Eye protection when adding or taking off load.",
    )
    Readings = CreepReadings
    over_time = "series"
    quantities = (
        *(Quantity(f"creep.strain_{m:g}h", "%", False, f"creep strain after {m:g} h") for m in _MARKS),
        *(Quantity(f"creep.modulus_{m:g}h", "MPa", True, f"creep modulus after {m:g} h") for m in _MARKS),
        Quantity("creep.e0", "%", False, "Findley: strain at once", positive=False),
        Quantity("creep.A", "%", False, "Findley: strain added in the first hour"),
        Quantity("creep.n", "1", False, "Findley: exponent of time"),
    )
    formulas = (
        Formula(
            "ε(t) = (l(t) − l₀)/l₀",
            "ε creep strain; l length between marks, l₀ before the load, mm; t time, h",
            "ISO 899-1:2017 (from memory)",
        ),
        Formula(
            "E(t) = σ/ε(t), σ = F/A",
            "E creep modulus, MPa; F load, N; A section before the test, mm²",
            "ISO 899-1:2017 (from memory)",
        ),
        Formula(
            "ε = ε₀ + A tⁿ",
            "fitted by least squares; t in h",
            "W. N. Findley's power law (from memory)",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer strains and moduli at the marks that readings reach, and Findley's law where it shows."""
        strains = strains_of(readings)
        if isinstance(strains, str):
            return [Outcome("creep.strain_1h", refused=strains)]
        # Fitted once, and used for marks that no reading reaches; marks between readings need no law.
        found = findley_fit(strains)
        stress = _stress(readings)
        outcomes = [outcome for mark in _MARKS for outcome in _at(mark, strains, found, stress)]
        remarks = section_remarks(readings, piece)
        return [
            *[replace(outcome, remarks=(*outcome.remarks, *remarks)) for outcome in outcomes],
            *_law(found),
        ]

    def next_due(self, readings: Any) -> Due | None:
        """Return the next of the marks at which creep is read."""
        # A record without a series was loaded and not read yet: its first mark is due.
        last = max((float(entry[0]) for entry in readings.series), default=0.0)
        # A thousandth of slack, as 24 h typed from two clock times may come out a second short.
        coming = next((mark for mark in MARKS_H if mark > last * 1.001), None)
        return None if coming is None else Due((coming - last) * 3600, f"read creep at {coming:g} h")

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw strain against time, the fit, and where one decade beyond the readings ends."""
        del piece, outcomes
        strains = strains_of(readings)
        return None if isinstance(strains, str) else _drawn(strains, findley_fit(strains))

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        times = (0.05, 0.1, 0.25, 0.5, 1, 2, 5, 10, 24, 48, 100, 168)
        lengths = [[t, round(80 * (1.0042 + 0.00035 * t**0.2), 4)] for t in times]
        bar = {"force": 280.0, "width": 10.0, "thickness": 4.0, "reference_length": 80.0}
        return [
            {**bar, "series": lengths},
            {"stress": 7.0, "reference_length": 80.0, "series": "1:80.36 24:80.39"},
        ]


def strains_of(readings: Any) -> list[tuple[float, Any]] | str:
    """Return (hours, strain as a pure number) in order of time, t > 0, or why there are none."""
    if readings.reference_length is None:
        return "no reference_length: give the length between the marks before loading"
    start = readings.reference_length
    strains = [
        (float(nominal(t)), (length - start) / start) for t, length in readings.series if nominal(t) > 0
    ]
    if not strains:
        return "no readings after loading: give series as hours:length"
    return sorted(strains, key=lambda pair: pair[0])


def strain_at(mark: float, strains: list[tuple[float, Any]]) -> tuple[Any, str] | None:
    """Return the strain at a time from readings alone, and how; None if they do not reach over it.

    Between two readings strain runs straight over the logarithm of time.

    Args:
        mark: Time under load, h.
        strains: (hours, strain as a pure number), as from :func:`strains_of`.
    """
    # A reading taken near the mark is the answer; interpolated, it would lean on its neighbours for
    # nothing.
    close = [pair for pair in strains if abs(math.log(pair[0] / mark)) < _AT]
    if close:
        time, strain = min(close, key=lambda pair: abs(math.log(pair[0] / mark)))
        return strain, f"Read at {time:g} h."
    before = [pair for pair in strains if pair[0] < mark]
    after = [pair for pair in strains if pair[0] > mark]
    if not before or not after:
        return None
    (t1, e1), (t2, e2) = before[-1], after[0]
    # Creep runs nearly straight over log time, so this errs less than a line over time.
    part = math.log(mark / t1) / math.log(t2 / t1)
    return e1 + part * (e2 - e1), f"Between the readings at {t1:g} and {t2:g} h, straight over log time."


def _stress(readings: Any) -> Any | None:
    if readings.stress is not None:
        return readings.stress
    area = section_area(readings)
    return None if area is None or readings.force is None else readings.force / area


def _at(
    mark: float, strains: list[tuple[float, Any]], found: Findley | str, stress: Any
) -> Iterator[Outcome]:
    name = f"{mark:g}h"
    got = strain_at(mark, strains) or _beyond(mark, strains, found)
    if isinstance(got, str):
        yield Outcome(f"creep.strain_{name}", refused=got)
        return
    strain, how = got
    yield Outcome(f"creep.strain_{name}", 100 * strain, remarks=(how,))
    if stress is None:
        yield Outcome(
            f"creep.modulus_{name}", refused="no stress: give force, width and thickness, or stress"
        )
    # A piece that got shorter has no creep modulus; a negative one would enter a mean.
    elif nominal(strain) <= 0:
        yield Outcome(
            f"creep.modulus_{name}", refused="it is not longer than before loading: check the lengths"
        )
    else:
        yield Outcome(f"creep.modulus_{name}", stress / strain, remarks=(how, "Stress as at the start."))


def _beyond(mark: float, strains: list[tuple[float, Any]], found: Findley | str) -> tuple[Any, str] | str:
    """Return the fitted strain at a time no reading reaches, at most one decade away, or why not."""
    first, last = strains[0][0], strains[-1][0]
    if isinstance(found, str):
        return f"the readings run from {first:g} to {last:g} h and do not reach {mark:g} h; {found}"
    # A decade beyond the readings is as far as a power law may be trusted; a week read off one day's points
    # would be a guess with three digits.
    if not first / DECADE <= mark <= last * DECADE:
        return f"{mark:g} h is more than one decade beyond the readings, {first:g} to {last:g} h"
    return found.strain(
        mark
    ), f"Extrapolated by Findley's law from readings between {first:g} and {last:g} h."


def _law(found: Findley | str) -> list[Outcome]:
    if isinstance(found, str):
        return [Outcome(f"creep.{name}", refused=found) for name in ("e0", "A", "n")]
    remarks = (
        f"Least squares over {found.points} readings, {found.first:g} to {found.last:g} h.",
        "Correlations e0–A {:+.3f}, e0–n {:+.3f}, A–n {:+.3f}.".format(*found.correlations),
    )
    values = (100 * found.e0, 100 * found.a, found.n)
    return [
        Outcome(f"creep.{name}", value, remarks=remarks)
        for name, value in zip(("e0", "A", "n"), values, strict=True)
    ]


def _drawn(strains: list[tuple[float, Any]], found: Findley | str) -> Any:
    figure, axes = picture("Creep", ("time under load / h", "strain / %"))
    axes.set_xscale("log")
    axes.plot(
        [t for t, _ in strains], [100 * nominal(e) for _, e in strains], "o", color=RESULT, label="read"
    )
    if isinstance(found, Findley):
        first, last = strains[0][0], strains[-1][0]
        inside = [first * (last / first) ** (i / 100) for i in range(101)]
        ahead = [last * DECADE ** (i / 50) for i in range(51)]
        axes.plot(inside, [100 * found.plain(t) for t in inside], color=INK, label="Findley's law")
        axes.plot(ahead, [100 * found.plain(t) for t in ahead], "--", color=INK, label="one decade beyond")
        axes.axvline(last * DECADE, color=FAINT, linewidth=0.8)
    axes.legend(frameon=False)
    return figure


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Creep()]
