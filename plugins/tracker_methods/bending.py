"""Three-point bending: dead loads watched for a minute, or a curve.

σ = 3FL/(2bh²), ε = 6sh/L², E = L³ΔF/(4bh³Δs)  (ISO 178; formulas as taught, clause numbers from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Annotated, Any, Literal

from pydantic import Field

from tracker.api import (
    Curve,
    Formula,
    Method,
    Outcome,
    Piece,
    Quantity,
    Reading,
    Readings,
    Recording,
    Refused,
    hookimpl,
    measured,
    nominal,
    picture,
    read_curve,
)
from tracker.api.maths import (
    CHORD,
    ENOUGH_POINTS,
    Slope,
    Source,
    break_index,
    np,
    section_remarks,
    slope_of,
    step_of,
    straight_line,
    uncertainties,
)
from tracker.api.picture import INK, RESULT

_SPAN_RULE = (15.0, 17.0)
_LARGE = 0.1
_TIMES = (("1s", 1), ("30s", 2), ("60s", 3))
_NO_SECTION = "no section or span: give span, width and thickness"
Above0 = Annotated[float, Field(gt=0)]
Deflection = Annotated[float | None, Field(ge=0)]


class BendingReadings(Readings):
    """What is read when a bar on two supports is loaded in the middle."""

    span: Annotated[float | None, Reading("mm", "distance of the supports", resolution=0.5), Field(gt=0)] = (
        None
    )
    width: Annotated[float | None, Reading("mm", "width b", resolution=0.01), Field(gt=0)] = None
    thickness: Annotated[
        float | None, Reading("mm", "thickness h, along the load", resolution=0.01), Field(gt=0)
    ] = None
    rows: Annotated[
        tuple[tuple[Above0, Deflection, Deflection, Deflection], ...],
        Reading(
            help="load: deflection after 1, 30, 60 s, one load after another, such as 5: 0.420 0.447 0.456",
            columns=("force_N", "d1", "d30", "d60"),
            units=("N", "mm", "mm", "mm"),
            resolutions=(None, 0.01, 0.01, 0.01),
        ),
    ] = ()
    max_force: Annotated[
        float | None, Reading("N", "force at which it broke", resolution=0.1, ask=False), Field(gt=0)
    ] = None
    curve: Annotated[
        Recording | None, Reading(help="recording: force against deflection", ask=False, reads="curve")
    ] = None
    modulus_rule: Annotated[
        Literal["chord", "least squares"],
        Reading(help="rule of the modulus, 0.05 to 0.25 % strain", ask=False),
    ] = "least squares"
    broke: Annotated[Literal["yes", "no"] | None, Reading(help="whether it broke", ask=False)] = None
    compliance: Annotated[
        float, Reading("mm/N", "give of the rig, measured on a thick steel bar", ask=False), Field(ge=0)
    ] = 0.0


class Bending(Method):
    """Three-point bending on a bench rig."""

    id = "bending"
    title = "Three-point bending"
    version = "2.0"
    standard = (
        "ISO 178:2019 formulas; stress beyond a deflection of a tenth of the span with the factor of ASTM "
        "D790. Departures: dead loads watched after 1, 30 and 60 s give apparent moduli that hold creep; "
        "deflection of the loading edge, supports pressed in; printed pieces."
    )
    cautions = (
        "Hung masses fall when the bar breaks or slips: nothing and nobody underneath.",
        "A bar that breaks throws fragments: eye protection.",
    )
    Readings = BendingReadings
    quantities = (
        Quantity("bending.modulus_1s", "MPa", None, "apparent flexural modulus after 1 s"),
        Quantity("bending.modulus_30s", "MPa", None, "apparent flexural modulus after 30 s"),
        Quantity("bending.modulus_60s", "MPa", None, "apparent flexural modulus after 60 s"),
        Quantity("bending.modulus", "MPa", None, "flexural modulus from the curve", property="modulus"),
        Quantity(
            "bending.stress", "MPa", None, "stress under the greatest load, or at the conventional deflection"
        ),
        Quantity("bending.creep_ratio", "1", False, "deflection after 60 s over 1 s"),
        Quantity("bending.strength", "MPa", True, "flexural strength"),
    )
    formulas = (
        Formula(
            "σ = 3 F L/(2 b h²)",
            "σ flexural stress, MPa; F force, N; L span, b width, h height, mm",
            "ISO 178:2019 (from memory)",
        ),
        Formula(
            "ε = 6 s h/L²",
            "ε flexural strain; s deflection, mm",
            "ISO 178:2019 (from memory)",
        ),
        Formula(
            "E = slope of σ over ε by least squares, 0.05 to 0.25 %; or E = (σ₂ − σ₁)/(ε₂ − ε₁) "
            "between the two",
            "E flexural modulus, MPa",
            "ISO 178:2019 (from memory)",
        ),
        Formula(
            "E(t) = F L³/(4 b h³ s(t))",
            "apparent modulus under a dead load after 1, 30 and 60 s",
            "beam theory; form of ISO 178:2019 (from memory)",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer moduli and creep from the rows, modulus and strength from the curve."""
        remarks = tuple(_remarks(readings, piece))
        yield from _creep_ratio(readings)
        if readings.span is None or readings.width is None or readings.thickness is None:
            # One refusal is enough: seven that say the same are not read.
            yield from (Outcome(f"bending.modulus_{name}", refused=_NO_SECTION) for name, _ in _TIMES[:1])
            return
        if readings.rows:
            yield from (_modulus(readings, name, column, remarks) for name, column in _TIMES)
        curve, why = _curve(readings)
        if why:
            yield Outcome("bending.modulus", refused=why)
        elif curve is not None:
            yield _curve_modulus(readings, curve, remarks)
        yield from _stress(readings, curve, remarks)
        yield from _strength(readings, curve, remarks)

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw load against deflection: one line for each waiting time, and the curve."""
        del piece, outcomes
        curve, _ = _curve(readings)
        if curve is None and not readings.rows:
            return None
        figure, axes = picture("Three-point bending", ("deflection / mm", "load / N"))
        for (name, column), mark in zip(_TIMES, "os^", strict=True):
            pairs = sorted((row[column], row[0]) for row in readings.rows if row[column] is not None)
            if pairs:
                axes.plot(*zip(*pairs, strict=True), f"{mark}-", label=f"after {name[:-1]} s", linewidth=0.8)
        if curve is not None:
            axes.plot(curve.extension_mm, curve.force_n, color=INK, linewidth=1.0, label="recording")
            top = int(curve.force_n.argmax())
            axes.plot(curve.extension_mm[top], curve.force_n[top], "o", color=RESULT, label="maximum")
        axes.set_xlim(left=0)
        axes.set_ylim(bottom=0)
        axes.legend(frameon=False)
        return figure

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        bar = {"span": 64.0, "width": 10.0, "thickness": 4.0}
        return [
            {**bar, "rows": "5.00: 0.420 0.447 0.456"},
            {
                **bar,
                "rows": "2: 0.17 0.18 0.18; 5: 0.42 0.45 0.46; 10: 0.85 0.90 -",
                "max_force": 98.4,
                "broke": "yes",
            },
            {**bar, "curve": example_curve()},
        ]


def bending_stress(force: Any, span: Any, width: Any, thickness: Any) -> Any:
    """Return the stress in the outermost fibre in MPa:  σ = 3FL/(2bh²).

    Args:
        force: F, N.
        span: L between the supports, mm.
        width: b, mm.
        thickness: h along the load, mm.
    """
    return 3 * force * span / (2 * width * thickness**2)


def bending_strain(deflection: Any, span: Any, thickness: Any) -> Any:
    """Return the strain of the outermost fibre, a pure number:  ε = 6sh/L².

    Args:
        deflection: s in the middle, mm.
        span: L between the supports, mm.
        thickness: h along the load, mm.
    """
    return 6 * deflection * thickness / span**2


def bending_modulus(stiffness: Any, span: Any, width: Any, thickness: Any) -> Any:
    """Return E = L³·(ΔF/Δs)/(4bh³) in MPa.

    Args:
        stiffness: ΔF/Δs, N/mm.
        span: L between the supports, mm.
        width: b, mm.
        thickness: h along the load, mm.
    """
    return span**3 * stiffness / (4 * width * thickness**3)


def large_deflection(deflection: Any, span: Any, thickness: Any) -> Any:
    """Return the factor on σ of ASTM D790 (its equation 4, from memory):  1 + 6(s/L)² − 4(h/L)(s/L).

    A pure number; ``deflection`` s, ``span`` L and ``thickness`` h in one unit.
    """
    return 1 + 6 * (deflection / span) ** 2 - 4 * (thickness / span) * (deflection / span)


def _rows(readings: Any, column: int) -> list[tuple[Any, Any]]:
    """Return (force, deflection) at one waiting time, the give of the rig taken off."""
    return [
        # The rig bends too, and its share grows with the load: left in, a stiff material would read soft.
        (row[0], row[column] - readings.compliance * row[0])
        for row in readings.rows
        if row[column] is not None
    ]


def _give(readings: Any, column: int) -> tuple[Any, str] | str:
    """Return deflection a newton and the rule, or why there is none."""
    pairs = _rows(readings, column)
    if not pairs:
        return "no deflection was read at that time"
    # One load cannot tell seating from give; two or more can.
    if len({nominal(force) for force, _ in pairs}) > 1:
        give, _ = straight_line(pairs)
        rule = f"Slope through {len(pairs)} loads; seating drops out."
    else:
        give = sum(deflection for _, deflection in pairs) / (len(pairs) * pairs[0][0])
        rule = "One load: seating is part of the deflection."
    return (give, rule) if nominal(give) > 0 else "deflection does not grow with the load"


def _modulus(readings: Any, name: str, column: int, remarks: tuple[str, ...]) -> Outcome:
    found = _give(readings, column)
    if isinstance(found, str):
        return Outcome(f"bending.modulus_{name}", refused=found)
    give, rule = found
    # By the third power of span and thickness: a tenth of a millimetre in 4 mm is 7.5 % of the modulus.
    value = bending_modulus(1 / give, readings.span, readings.width, readings.thickness)
    return Outcome(f"bending.modulus_{name}", value, remarks=(rule, *_far(readings, column), *remarks))


def _far(readings: Any, column: int) -> Iterator[str]:
    deepest = max(nominal(deflection) for _, deflection in _rows(readings, column))
    if deepest > _LARGE * nominal(readings.span):
        yield f"Deflection {deepest:g} mm is beyond a tenth of the span: the modulus is not corrected for it."


def _creep_ratio(readings: Any) -> Iterator[Outcome]:
    if not readings.rows:
        return
    short, long = _give(readings, 1), _give(readings, 3)
    if isinstance(short, str) or isinstance(long, str):
        yield Outcome(
            "bending.creep_ratio", refused="needs deflections after 1 s and after 60 s that grow with load"
        )
    else:
        yield Outcome("bending.creep_ratio", long[0] / short[0], remarks=(short[1],))


def _curve(readings: Any) -> tuple[Curve | None, str]:
    if readings.curve is None:
        return None, ""
    try:
        curve = read_curve(readings.curve)
    except Refused as refusal:
        return None, f"the curve cannot be read: {refusal}"
    if curve.extension_mm is None:
        return None, "the curve has no deflection: name its column like deflection_mm"
    if unclear := (*curve.signal.open_for("force"), *curve.signal.open_for("strain")):
        return None, "the recording must be looked at first: " + " ".join(each.line for each in unclear)
    return curve, ""


def _deflection(readings: Any, curve: Curve) -> Any:
    return (
        curve.extension_mm - curve.extension_mm[0] - readings.compliance * (curve.force_n - curve.force_n[0])
    )


def _curve_modulus(readings: Any, curve: Curve, remarks: tuple[str, ...]) -> Outcome:
    span, width, thick = (nominal(getattr(readings, name)) for name in ("span", "width", "thickness"))
    strain = bending_strain(_deflection(readings, curve), span, thick)
    slope = slope_of(strain, bending_stress(curve.force_n, span, width, thick), readings.modulus_rule)
    if isinstance(slope, str):
        return Outcome("bending.modulus", refused=slope)
    if slope.modulus <= 0:
        return Outcome("bending.modulus", refused="force does not rise between 0.05 and 0.25 % strain")
    # What is carried: force and deflection of the rig, and the section with its third power.
    # Back to newtons and millimetres, where the doubts of the rig are at home.
    stiffness = slope.modulus / bending_modulus(1.0, span, width, thick)
    moved = 0.002 * span**2 / (6 * thick)
    force = measured(readings, "curve", stiffness * moved, "N", column="force", rounded=False)
    carried = force / measured(readings, "curve", moved, "mm", column="extension", rounded=False)
    u, dof, source = _own_u(readings, curve, slope, bending_stress(1.0, span, width, thick))
    own = uncertainties.ufloat(0.0, u / slope.modulus, tag=Source(source, dof)) if u else 0.0
    value = bending_modulus(carried * (1.0 + own), readings.span, readings.width, readings.thickness)
    name = "Chord" if readings.modulus_rule == "chord" else "Least squares"
    notes = [f"{name} between 0.05 and 0.25 % strain; {slope.points} readings lie in it."]
    if slope.points < ENOUGH_POINTS:
        notes.append(f"Fewer than {ENOUGH_POINTS} readings lie in the interval: the modulus is a rough one.")
    return Outcome("bending.modulus", value, remarks=(*notes, *curve.problems, *remarks))


def _own_u(readings: Any, curve: Curve, slope: Slope, newton: float) -> tuple[float, float, str]:
    """Return the slope's own standard uncertainty in MPa, its degrees of freedom and its name.

    The larger of what the scatter about the line says and what the rounding of the force does; of a chord,
    what noise and rounding do at its two ends.

    Args:
        readings: With the rule of the modulus.
        curve: The recording.
        slope: Fitted to it.
        newton: Stress of one newton, MPa.
    """
    step = step_of(curve.force_n) / math.sqrt(12) * newton
    width = CHORD[1] - CHORD[0]
    if readings.modulus_rule == "chord":
        ends = math.sqrt(2) * math.hypot(curve.signal.noise * newton, step) / width
        return ends, max(1, len(curve.force_n) - 3), "curve: noise at both ends of the chord"
    # Readings spread evenly over an interval have the variance of its width squared over twelve.
    rounding = step / (width * math.sqrt(max(1, slope.points) / 12))
    if slope.u > rounding:
        return slope.u, max(1, slope.points - 2), "curve: scatter about the line"
    return rounding, math.inf, "curve: rounding of the force"


def _corrected(readings: Any, force: Any, deflection: float | None) -> tuple[Any, tuple[str, ...]]:
    """Return the stress, beyond a tenth of the span with the factor of ASTM D790, and what was done."""
    stress = bending_stress(force, readings.span, readings.width, readings.thickness)
    if deflection is None:
        return stress, ("Deflection not known: no correction for a large one.",)
    if deflection <= _LARGE * nominal(readings.span):
        return stress, ()
    # The supports slide together as the bar sags; ISO 14125 has a like factor with other numbers, so the
    # text names whose it is.
    factor = large_deflection(deflection, readings.span, readings.thickness)
    beyond = f"Deflection {deflection:.3g} mm is beyond a tenth of the span"
    return stress * factor, (f"{beyond}: factor {nominal(factor):.3f} of ASTM D790.",)


def _stress(readings: Any, curve: Curve | None, remarks: tuple[str, ...]) -> Iterator[Outcome]:
    if readings.rows:
        heaviest = max(readings.rows, key=lambda row: nominal(row[0]))
        deepest = max((nominal(d) for d in heaviest[1:] if d is not None), default=None)
        stress, correction = _corrected(readings, heaviest[0], deepest)
        yield Outcome(
            "bending.stress", stress, remarks=("Under the greatest dead load.", *correction, *remarks)
        )
    elif curve is not None:
        yield _conventional(readings, curve, remarks)


def _conventional(readings: Any, curve: Curve, remarks: tuple[str, ...]) -> Outcome:
    # ISO 178's conventional deflection: 3.5 % strain at a span of 16 h (from memory). Tough materials never
    # break, and are compared there.
    target = 1.5 * nominal(readings.thickness)
    deflection = _deflection(readings, curve)[: break_index(curve.force_n) + 1]
    beyond = (deflection >= target).nonzero()[0]
    if not len(beyond) or beyond[0] == 0:
        return Outcome(
            "bending.stress", refused=f"the curve does not reach the conventional deflection {target:.3g} mm"
        )
    last = int(beyond[0])
    force = float(np.interp(target, deflection[last - 1 : last + 1], curve.force_n[last - 1 : last + 1]))
    if force <= 0:
        return Outcome("bending.stress", refused="no force at the conventional deflection")
    stress, correction = _corrected(readings, measured(readings, "curve", force, "N"), target)
    return Outcome(
        "bending.stress", stress, remarks=("At the conventional deflection 1.5 h.", *correction, *remarks)
    )


def _strength(readings: Any, curve: Curve | None, remarks: tuple[str, ...]) -> Iterator[Outcome]:
    """Answer the strength where it broke, by what was said of it or by the curve's own end."""
    if curve is None and readings.max_force is None:
        return
    # A recording that ends high was stopped by the person, not by the piece.
    whole = curve is not None and break_index(curve.force_n) == len(curve.force_n) - 1
    if readings.broke == "no" or (readings.broke is None and readings.max_force is None and whole):
        yield Outcome(
            "bending.strength", refused="it did not break: there is no strength, only the stress it bore"
        )
        return
    force, at = readings.max_force, None
    if curve is not None:
        top = int(curve.force_n.argmax())
        force, at = (
            measured(readings, "curve", curve.force_n[top], "N"),
            float(_deflection(readings, curve)[top]),
        )
    if nominal(force) <= 0:
        yield Outcome(
            "bending.strength", refused="the curve never pushes: its greatest force is not above zero"
        )
        return
    stress, correction = _corrected(readings, force, at)
    yield Outcome("bending.strength", stress, remarks=(*correction, *remarks))


def _remarks(readings: Any, piece: Piece) -> Iterator[str]:
    yield from section_remarks(readings, piece)
    if readings.span is not None and readings.thickness is not None:
        ratio = nominal(readings.span) / nominal(readings.thickness)
        if not _SPAN_RULE[0] <= ratio <= _SPAN_RULE[1]:
            yield f"L/h = {ratio:.1f} is outside 16 ± 1: shear (short) or seating (long) takes a share."


def example_curve() -> Recording:
    """Return a made-up bend: 2000 MPa, bending over, broken at 6.5 mm (64 mm span, 10 × 4 mm)."""
    rows = [(s, 2000 * 4 * 10 * 4**3 / 64**3 * s * (1 - s / 16)) for s in (i * 0.02 for i in range(326))]
    lines = ["deflection_mm,force_N", *(f"{s:.3f},{force:.3f}" for s, force in rows), "6.520,1.0"]
    return Recording("example.csv", "\n".join(lines).encode())


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Bending()]
