"""Compression: strength, stress at a given strain, modulus from the platens (ISO 604, from memory).

σ = F/A with the section before the test; ε = ΔL/L. A piece that only flattens has no strength: its stress at
10 % nominal strain is given instead.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any, Literal

from pydantic import Field

from tracker.api import (
    Formula,
    Method,
    Outcome,
    Piece,
    Quantity,
    Reading,
    Readings,
    Recording,
    Refused,
    budget_picture,
    hookimpl,
    measured,
    nominal,
    read_curve,
)
from tracker.api.maths import Slope, break_index, from_foot, section_area, section_remarks, step_of

_AT = 0.10
_STOUT = 2.5
Positive = Annotated[float | None, Field(gt=0)]


class CompressionReadings(Readings):
    """What is read when a piece is pressed."""

    width: Annotated[Positive, Reading("mm", "width of the section", resolution=0.01)] = None
    thickness: Annotated[Positive, Reading("mm", "thickness of the section", resolution=0.01)] = None
    diameter: Annotated[Positive, Reading("mm", "or: diameter of a cylinder", resolution=0.01, ask=False)] = (
        None
    )
    height: Annotated[Positive, Reading("mm", "height along the force", resolution=0.01)] = None
    max_force: Annotated[Positive, Reading("N", "greatest force shown, where it broke", resolution=1.0)] = (
        None
    )
    curve: Annotated[
        Recording | None, Reading(help="recording: force against travel", ask=False, reads="curve")
    ] = None
    travel_by: Annotated[
        Literal["extensometer", "platen travel"], Reading(help="what the travel was read from", ask=False)
    ] = "platen travel"


class Compression(Method):
    """Pressing between platens."""

    id = "compression"
    title = "Compression"
    version = "1.0"
    key = "compression.strength"
    standard = (
        "ISO 604:2002, as far as a bench rig can. Departures: printed pieces; platens and their parallelism "
        "as the rig gives them; strain from platen travel unless an extensometer is recorded: apparent."
    )
    cautions = ("A piece that bursts throws fragments: eye protection, and a guard around the platens.",)
    destructive = True
    Readings = CompressionReadings
    quantities = (
        Quantity("compression.strength", "MPa", True, "compressive strength", property="strength"),
        Quantity("compression.stress_10", "MPa", True, "compressive stress at 10 % strain"),
        Quantity("compression.modulus", "MPa", None, "compressive modulus"),
    )
    formulas = (
        Formula(
            "σ = F/A",
            "σ compressive stress, MPa; F force, N; A section before the test, mm²",
            "ISO 604:2002 (from memory)",
        ),
        Formula(
            "ε = ΔL/L",
            "ε nominal strain; ΔL shortening, L height before the test, mm",
            "ISO 604:2002 (from memory)",
        ),
        Formula(
            "E = slope of σ over ε",
            "E compressive modulus, MPa, between 0.05 and 0.25 % strain",
            "ISO 604:2002 (from memory)",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer strength from force and section, the others from a curve."""
        area = section_area(readings)
        remarks = (*section_remarks(readings, piece), *_slender(readings))
        if area is None:
            why = "no section: give width and thickness, or diameter"
            return [Outcome("compression.strength", refused=why)]
        if readings.curve is None:
            if readings.max_force is None:
                why = "no force: give max_force, or attach a curve"
                return [Outcome("compression.strength", refused=why)]
            return [Outcome("compression.strength", readings.max_force / area, remarks=remarks)]
        try:
            curve = read_curve(readings.curve)
        except Refused as refusal:
            return [Outcome("compression.strength", refused=f"the curve cannot be read: {refusal}")]
        return list(_of_curve(readings, curve, area, (*curve.problems, *remarks)))

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw where the uncertainty comes from."""
        del readings, piece
        return budget_picture("Compressive strength / MPa", outcomes, "compression.strength")

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        rows = [f"{i * 0.02:.2f},{min(40.0 * i, 2400 + 4 * i):.1f}" for i in range(120)]
        rows += ["2.40,20.0"] * 6
        curve = Recording("press.csv", ("travel_mm,force_N\n" + "\n".join(rows)).encode())
        block = {"width": 10.0, "thickness": 10.0, "height": 20.0}
        return [{**block, "max_force": 2470}, {**block, "curve": curve}]


def _slender(readings: Any) -> Iterable[str]:
    sides = (readings.width, readings.thickness, readings.diameter)
    least = min((nominal(side) for side in sides if side is not None), default=None)
    if least and readings.height is not None and nominal(readings.height) > _STOUT * least:
        yield f"Height over least width is {nominal(readings.height) / least:.1f}: it may have buckled."


def _of_curve(readings: Any, curve: Any, area: Any, remarks: tuple[str, ...]) -> Iterable[Outcome]:
    opened = curve.signal.open_for("force")
    if opened:
        why = " ".join(each.line for each in opened)
        yield Outcome("compression.strength", refused=f"the recording must be looked at first: {why}")
        return
    step = step_of(curve.force_n)

    def stress(newtons: float) -> Any:
        return measured(readings, "curve", newtons, "N", step, "force") / area

    # A break is a fall to below a fifth; one that flattens has a greatest force only as it was stopped.
    broke = break_index(curve.force_n) < len(curve.force_n) - 1
    top = stress(float(curve.force_n.max()))
    yield Outcome("compression.strength", top, "=" if broke else ">", remarks)
    if curve.extension_mm is None or readings.height is None:
        why = "strain is not known: give height, and a curve with travel"
        yield Outcome("compression.stress_10", refused=why)
        return
    travel = abs(curve.extension_mm - curve.extension_mm[0])
    strain, slope = from_foot(
        travel / nominal(readings.height), curve.force_n / nominal(area), "least squares"
    )
    yield _at_ten_percent(readings, curve, area, strain, stress, top)
    group = "apparent" if readings.travel_by == "platen travel" else ""
    if not isinstance(slope, Slope):
        yield Outcome("compression.modulus", refused=slope)
    elif slope.modulus <= 0:
        yield Outcome("compression.modulus", refused="force does not rise with strain")
    else:
        ends = [
            measured(readings, "curve", slope.modulus * e * nominal(area), "N", column="force", rounded=False)
            for e in (0.0005, 0.0025)
        ]
        value = (ends[1] - ends[0]) / area / 0.002 * (readings.height / nominal(readings.height))
        yield Outcome("compression.modulus", value, remarks=("Between 0.05 and 0.25 % strain.",), group=group)


def _at_ten_percent(readings: Any, curve: Any, area: Any, strain: Any, stress: Any, top: Any) -> Outcome:
    """Return the stress at 10 % strain, straight between rows; a limit where it was not reached."""
    name, remark = "compression.stress_10", ("Strain counted from the foot.",)
    reached = (strain >= _AT).nonzero()[0]
    if not len(reached) or reached[0] == 0:
        return Outcome(name, top, ">", ("Not reached: the recording ends before 10 % strain.",))
    i = int(reached[0])
    slope = float(curve.force_n[i] - curve.force_n[i - 1]) / float(strain[i] - strain[i - 1])
    at = float(curve.force_n[i - 1]) + slope * (_AT - float(strain[i - 1]))
    # The height decides where 10 % lies: its doubt goes through the slope of the curve there.
    moved = slope * _AT * (readings.height / nominal(readings.height) - 1) / nominal(area)
    return Outcome(name, stress(at) + moved, remarks=remark)


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Compression()]
