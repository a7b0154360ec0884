"""Tension: strength, modulus, yield, proof stress and strain at break.

Formulas after ISO 527-1 (clause 10, from memory): σ = F/A with the section before the test, ε = ΔL/L₀,
E = (σ₂ − σ₁)/(ε₂ − ε₁) with ε₁ = 0.05 % and ε₂ = 0.25 %.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field

from tracker.api import (
    Curve,
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
    break_index,
    from_foot,
    proof_stress,
    section_area,
    section_remarks,
    slope_of,
    yield_index,
)
from tracker.api.picture import FAINT, INK, RESULT

# A dial and a recording of one pull agree within half a per cent, or one of them is wrong.
_APART = 0.005
# A tenth of the interval of the modulus: below it a foot is within the readings' scatter.
_FOOT_SEEN = 2e-4
_NO_SECTION = "no section: give width and thickness, or area"
_NO_STRAIN = "strain is not known: attach a curve with strain, or with extension and give gauge_length"
_ENDED_HIGH = 0.2


class TensileReadings(Readings):
    """What is read when a piece is pulled apart."""

    max_force: Annotated[float | None, Reading("N", "greatest force shown", resolution=1.0), Field(gt=0)] = (
        None
    )
    width: Annotated[
        float | None,
        Reading("mm", "width of the gauge section, before the test", resolution=0.01),
        Field(gt=0),
    ] = None
    thickness: Annotated[
        float | None,
        Reading("mm", "thickness of the gauge section, before the test", resolution=0.01),
        Field(gt=0),
    ] = None
    area: Annotated[
        float | None,
        Reading("mm^2", "section, where width and thickness are not known", ask=False),
        Field(gt=0),
    ] = None
    curve: Annotated[
        Recording | None, Reading(help="recording: force against time, extension or strain", ask=False)
    ] = None
    gauge_length: Annotated[
        float | None,
        Reading("mm", "length that the extension is related to", resolution=0.1, ask=False),
        Field(gt=0),
    ] = None
    break_position: Annotated[
        Literal["gauge", "shoulder", "grip"] | None, Reading(help="where it broke", ask=False)
    ] = None
    modulus_rule: Annotated[
        Literal["chord", "least squares"],
        Reading(help="rule of the modulus, 0.05 to 0.25 % strain", ask=False),
    ] = "chord"
    strain_zero: Annotated[
        Literal["as recorded", "foot"],
        Reading(help="foot: strain counted from the foot of the straight part", ask=False),
    ] = "as recorded"


@dataclass(frozen=True)
class Pull:
    """One pull, as far as it can be put in stress and strain.

    Attributes:
        force: Greatest force in N, with its uncertainty; None where nothing was read.
        area: Section in mm², with its uncertainty; None where it is not known.
        curve: The recording, or None.
        strain: Shape (n,), a pure number, or None.
        slope: The straight part, or the reason why there is none.
        remarks: What holds for every result of this pull.
    """

    force: Any
    area: Any
    curve: Curve | None
    strain: Any
    slope: Slope | str
    remarks: tuple[str, ...]

    @property
    def stress(self) -> Any:
        """MPa, shape (n,), without uncertainty; only where curve and area are known."""
        return None if self.curve is None or self.area is None else self.curve.force_n / nominal(self.area)


class Tensile(Method):
    """Tension on a bench rig."""

    id = "tensile"
    title = "Tension"
    version = "1.0"
    standard = (
        "ISO 527-1:2019 and ISO 527-2:2012, as far as a bench rig can. Departures: printed pieces instead of "
        "moulded or machined ones; speed and alignment as the rig gives them; "
        "strain from the recording as it is, no extensometer of class 1; "
        "fewer than five pieces are not refused; room conditions as recorded."
    )
    cautions = (
        "Stored energy: a piece that breaks throws fragments. Eye protection, and a guard before it.",
        "Keep fingers out of grips and drive; a hand-cranked or dead-weight rig falls when the piece breaks.",
    )
    destructive = True
    Readings = TensileReadings
    quantities = (
        Quantity("tensile.strength", "MPa", True, "tensile strength", property="strength"),
        Quantity("tensile.modulus", "MPa", None, "tensile modulus", property="modulus"),
        Quantity("tensile.strain_at_break", "%", True, "strain at break"),
        Quantity("tensile.yield", "MPa", True, "stress at yield"),
        Quantity("tensile.proof_stress", "MPa", True, "0.2 % proof stress"),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer strength from force and section, the others from a curve with strain."""
        try:
            pull = pull_of(readings, piece)
        except Refused as refusal:
            return [_refused("strength", f"the curve cannot be read: {refusal}")]
        outcomes = [_strength(pull)]
        if pull.curve is not None:
            outcomes += [
                _modulus(readings, pull),
                _strain_at_break(readings, pull),
                *_stresses(readings, pull),
            ]
        return outcomes

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw force against what it was recorded against, with maximum, break and straight part."""
        try:
            pull = pull_of(readings, piece)
        except Refused:
            return None
        return None if pull.curve is None else _drawn(pull, pull.curve, tuple(outcomes))

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        return [
            {"max_force": 1143.2, "area": 25.0},
            {"max_force": 1480.0, "width": 10.02, "thickness": 4.03, "break_position": "gauge"},
            {"width": 10.0, "thickness": 4.0, "gauge_length": 50.0, "curve": example_curve()},
        ]


def pull_of(readings: Any, piece: Piece) -> Pull:
    """Put readings in stress and strain.

    Raises:
        Refused: There is a curve and it cannot be read.
    """
    curve = None if readings.curve is None else read_curve(readings.curve)
    area = section_area(readings)
    strain = None if curve is None else _strain(curve, readings)
    slope: Slope | str = _NO_STRAIN if area is not None else _NO_SECTION
    if curve is not None and strain is not None and area is not None:
        slope = slope_of(strain, curve.force_n / nominal(area), readings.modulus_rule)
        # Only where asked for: moving the zero moves strain at break too, and two laboratories differ by
        # it.
        if readings.strain_zero == "foot" and isinstance(slope, Slope):
            strain, slope = from_foot(strain, curve.force_n / nominal(area), readings.modulus_rule)
    remarks = (*section_remarks(readings, piece), *_position(readings), *_area_twice(readings))
    return Pull(_force(readings, curve), area, curve, strain, slope, (*remarks, *_about(readings, curve)))


def _force(readings: Any, curve: Curve | None) -> Any:
    """The curve's maximum is the force used; it was recorded, not read off in passing."""
    if curve is None:
        return readings.max_force
    return measured(readings, "curve", curve.force_n.max(), "N")


def _strain(curve: Curve, readings: Any) -> Any:
    if curve.strain is not None:
        return curve.strain
    if curve.extension_mm is None or readings.gauge_length is None:
        return None
    # From the first reading: rigs seldom zero the extension after gripping.
    return (curve.extension_mm - curve.extension_mm[0]) / nominal(readings.gauge_length)


def _position(readings: Any) -> Iterator[str]:
    # Said and not refused: of a printed piece even such a break is a lower bound, and the person decides by
    # verdict.
    if readings.break_position in {"shoulder", "grip"}:
        yield f"It broke in the {readings.break_position}: ISO 527-1 does not count such a piece."


def _area_twice(readings: Any) -> Iterator[str]:
    if readings.area is None or readings.width is None or readings.thickness is None:
        return
    product = nominal(readings.width) * nominal(readings.thickness)
    if abs(product / nominal(readings.area) - 1) > _APART:
        yield (f"area {nominal(readings.area):g} mm² was used; width × thickness give {product:.4g} mm².")


def _about(readings: Any, curve: Curve | None) -> Iterator[str]:
    if curve is None:
        return
    yield from curve.problems
    # Compared before any uncertainty: this is about two records of one fact.
    top = float(curve.force_n.max())
    typed = top if readings.max_force is None else nominal(readings.max_force)
    if abs(typed - top) > _APART * abs(top):
        yield f"The curve's maximum {top:.6g} N was used; the typed max_force {typed:.6g} N is another."


def _refused(name: str, why: str, remarks: tuple[str, ...] = ()) -> Outcome:
    return Outcome(f"tensile.{name}", refused=why, remarks=remarks)


def _strength(pull: Pull) -> Outcome:
    if pull.area is None:
        return _refused("strength", _NO_SECTION, pull.remarks)
    if pull.force is None:
        return _refused("strength", "no force: give max_force, or attach a curve", pull.remarks)
    # A load cell wired the other way round: its maximum would be the noise before the pull.
    if nominal(pull.force) <= 0:
        return _refused(
            "strength", "the curve never pulls: its greatest force is not above zero", pull.remarks
        )
    return Outcome("tensile.strength", pull.force / pull.area, remarks=pull.remarks)


def _modulus(readings: Any, pull: Pull) -> Outcome:
    if isinstance(pull.slope, str):
        return _refused("modulus", pull.slope)
    if pull.slope.modulus <= 0:
        return _refused("modulus", "force does not rise with strain between 0.05 and 0.25 %")
    return Outcome(
        "tensile.modulus", _carried_modulus(readings, pull, pull.slope), remarks=_rule(readings, pull)
    )


def _carried_modulus(readings: Any, pull: Pull, slope: Slope) -> Any:
    """Give the slope the uncertainty of force, section, gauge length and (where fitted) its residuals.

    E = (F₂ − F₁)/(A·(ε₂ − ε₁)), with ε from extension over gauge length where it was so recorded.
    """
    from uncertainties import ufloat  # noqa: PLC0415 - loads numpy

    area = nominal(pull.area)
    width = CHORD[1] - CHORD[0]
    level = (slope.foot + CHORD[0], slope.foot + CHORD[1]) if slope.foot > 0 else CHORD
    low, high = (measured(readings, "curve", slope.modulus * (e - slope.foot) * area, "N") for e in level)
    # Strain that was recorded as such brings its extensometer's doubts with it, which are not known here.
    strain: Any = width
    if pull.curve is not None and pull.curve.strain is None and readings.gauge_length is not None:
        gauge = readings.gauge_length
        # Two readings of one extension: an offset of the rig cancels in their difference.
        ends = [measured(readings, "curve", e * nominal(gauge), "mm") for e in level]
        strain = (ends[1] - ends[0]) / gauge
    carried = (high - low) / (pull.area * strain)
    return carried + ufloat(0.0, slope.u, tag="curve: scatter about the line") if slope.u else carried


def _rule(readings: Any, pull: Pull) -> tuple[str, ...]:
    slope = pull.slope
    if isinstance(slope, str):
        return ()
    name = "Chord" if readings.modulus_rule == "chord" else "Least squares"
    remarks = [f"{name} between 0.05 and 0.25 % strain; {slope.points} readings lie in it."]
    if slope.points < ENOUGH_POINTS:
        remarks.append(
            f"Fewer than {ENOUGH_POINTS} readings lie in the interval: the modulus is a rough one."
        )
    if readings.strain_zero == "foot":
        remarks.append("Strain counted from the foot of the straight part; the interval moved with it.")
    else:
        # Which rule was used stands beside every modulus: chord and least squares differ by a tenth on a
        # sparse record, and by twofold from an initial slope.
        remarks.append("Strain zero as recorded, no toe compensation.")
        if abs(slope.foot) > _FOOT_SEEN:
            remarks.append(
                f"The straight part meets zero stress at {100 * slope.foot:.3f} % strain: "
                "slack, pre-load or curvature."
            )
    if pull.curve is not None and pull.curve.strain is None:
        remarks.append(
            "Strain from extension over gauge length; where that is grip travel it holds the rig's own give."
        )
    return tuple(remarks)


def _strain_at_break(readings: Any, pull: Pull) -> Outcome:
    if pull.curve is None or pull.strain is None:
        return _refused("strain_at_break", _NO_STRAIN)
    end = break_index(pull.curve.force_n)
    remarks = ["Break: last reading before the force fell below 20 % of its maximum."]
    # A recording stopped early ends high: said with its share, as the strain then is a lower bound.
    if end == len(pull.curve.force_n) - 1:
        left = pull.curve.force_n[end] / pull.curve.force_n.max()
        remarks = [f"Break: last reading of the recording, at {100 * left:.0f} % of the greatest force."]
    if readings.strain_zero == "foot":
        remarks.append("Strain counted from the foot of the straight part.")
    at = float(pull.strain[end])
    if at <= 0:
        return _refused("strain_at_break", "the recording shows no strain before the break")
    return Outcome("tensile.strain_at_break", _carried_strain(readings, pull, at), remarks=tuple(remarks))


def _carried_strain(readings: Any, pull: Pull, at: float) -> Any:
    if pull.curve is not None and pull.curve.strain is None and readings.gauge_length is not None:
        gauge = readings.gauge_length
        return 100 * measured(readings, "curve", at * nominal(gauge), "mm") / gauge
    return 100 * at


def _stresses(readings: Any, pull: Pull) -> Iterator[Outcome]:
    if pull.curve is None or pull.area is None:
        yield _refused("yield", _NO_SECTION)
        return
    yield _yield(readings, pull, pull.curve)
    yield _proof(readings, pull, pull.curve)


def _yield(readings: Any, pull: Pull, curve: Curve) -> Outcome:
    # Grip travel will do here: yield is a maximum of force, and only its place is read off the travel.
    travel = pull.strain if pull.strain is not None else curve.extension_mm
    if travel is None:
        return _refused("yield", _NO_STRAIN)
    top = yield_index(travel, curve.force_n)
    if top is None:
        return _refused(
            "yield", "it broke without yielding: force never fell by 1 % while the piece went on stretching"
        )
    rule = (
        "First maximum after which force fell by 1 % of the greatest while stretching at least 2 % further."
    )
    return Outcome(
        "tensile.yield", measured(readings, "curve", curve.force_n[top], "N") / pull.area, remarks=(rule,)
    )


def _proof(readings: Any, pull: Pull, curve: Curve) -> Outcome:
    if isinstance(pull.slope, str):
        return _refused("proof_stress", pull.slope)
    stress = proof_stress(pull.strain, curve.force_n / nominal(pull.area), pull.slope)
    if stress is None:
        return _refused(
            "proof_stress", "the curve stays within 0.2 % strain of its straight part up to its maximum"
        )
    rule = f"0.2 % offset from the line of the {readings.modulus_rule} modulus."
    force = measured(readings, "curve", stress * nominal(pull.area), "N")
    return Outcome("tensile.proof_stress", force / pull.area, remarks=(rule,))


def _drawn(pull: Pull, curve: Curve, outcomes: tuple[Any, ...]) -> Any:
    x, label = _against(pull, curve)
    stress = pull.stress
    y = curve.force_n if stress is None else stress
    figure, axes = picture("Tension", (label, "force / N" if stress is None else "stress / MPa"))
    axes.plot(x, y, color=INK, linewidth=1.2)
    top, end = int(y.argmax()), break_index(curve.force_n)
    unit = "N" if stress is None else "MPa"
    axes.plot(x[top], y[top], "o", color=RESULT, label=f"maximum {y[top]:.4g} {unit}")
    axes.plot(x[end], y[end], "x", color=RESULT, label="break")
    if isinstance(pull.slope, Slope) and pull.strain is not None and stress is not None:
        reach = [pull.slope.foot, pull.slope.foot + y[top] / pull.slope.modulus]
        axes.plot([100 * e for e in reach], [0, y[top]], "--", color=FAINT, label=_label(outcomes))
    axes.legend(frameon=False)
    return figure


def _label(outcomes: tuple[Any, ...]) -> str:
    found = [o for o in outcomes if o.quantity == "tensile.modulus" and o.value is not None]
    return f"modulus {nominal(found[0].value):.3g} MPa" if found else "straight part"


def _against(pull: Pull, curve: Curve) -> tuple[Any, str]:
    if pull.strain is not None:
        return 100 * pull.strain, "strain / %"
    if curve.extension_mm is not None:
        return curve.extension_mm, "extension / mm"
    return curve.time_s, "time / s"


def example_curve() -> Recording:
    """Return a made-up pull: 2400 MPa, bending over, broken at 2 % strain (section 40 mm², L₀ 50 mm)."""
    rows = [
        (i * 0.01, 40.0 * (2400 * e - 45_000 * e * e)) for i in range(101) if (e := i * 0.01 / 50) is not None
    ]
    lines = ["extension_mm,force_N", *(f"{x:.3f},{force:.3f}" for x, force in rows), "1.010,4.0"]
    return Recording("example.csv", "\n".join(lines).encode())


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Tensile()]
