"""Tension: strength, modulus, yield, proof stress and strain at break.

Formulas after ISO 527-1 (clause 10, from memory): σ = F/A with the section before the test, ε = ΔL/L₀,
E = (σ₂ − σ₁)/(ε₂ − ε₁) with ε₁ = 0.05 % and ε₂ = 0.25 %.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
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
    from_foot,
    instrument_of,
    proof_stress,
    section_area,
    section_remarks,
    slope_of,
    step_of,
    uncertainties,
    yield_index,
)
from tracker.api.picture import FAINT, INK, RESULT

# A dial and a recording of one pull agree within half a per cent, or one of them is wrong.
_APART = 0.005
# A tenth of the interval of the modulus: below it a foot is within the readings' scatter.
_FOOT_SEEN = 2e-4
_NO_SECTION = "no section: give width and thickness, or area"
_NO_STRAIN = "strain is not known: attach a curve with strain, or with extension and give gauge_length"


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
    area_u: Annotated[
        float | None,
        Reading("mm^2", "standard uncertainty of area; 0 where it is exact", exact=True, ask=False),
        Field(ge=0),
    ] = None
    curve: Annotated[
        Recording | None,
        Reading(help="recording: force against time, extension or strain", ask=False, reads="curve"),
    ] = None
    gauge_length: Annotated[
        float | None,
        Reading("mm", "length that the extension is related to", resolution=0.1, ask=False),
        Field(gt=0),
    ] = None
    break_position: Annotated[
        Literal["gauge", "shoulder", "grip"] | None, Reading(help="where it broke", ask=False)
    ] = None
    extension_by: Annotated[
        Literal["extensometer", "grip travel"] | None,
        Reading(help="what the extension was read from, where the recording does not say", ask=False),
    ] = None
    speed: Annotated[
        float | None, Reading("mm/min", "test speed", exact=True, ask=False), Field(gt=0, le=1000)
    ] = None
    grip_distance: Annotated[
        float | None, Reading("mm", "distance between the grips", resolution=0.5, ask=False), Field(gt=0)
    ] = None
    modulus_rule: Annotated[
        Literal["chord", "least squares"],
        Reading(help="rule of the modulus, 0.05 to 0.25 % strain", ask=False),
    ] = "least squares"
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
        by: ``extensometer``, ``grip travel``, ``corrected grip travel``; empty for not recorded.
        remarks: What holds for every result of this pull.
    """

    force: Any
    area: Any
    curve: Curve | None
    strain: Any
    slope: Slope | str
    by: str
    remarks: tuple[str, ...]

    @property
    def group(self) -> str:
        """``apparent`` for what holds the rig's own give: never averaged with what does not."""
        return "apparent" if self.by == "grip travel" else ""

    @property
    def stress(self) -> Any:
        """MPa, shape (n,), without uncertainty; only where curve and area are known."""
        return None if self.curve is None or self.area is None else self.curve.force_n / nominal(self.area)


class Tensile(Method):
    """Tensile test on a bench rig."""

    id = "tensile"
    title = "Tensile test"
    version = "2.0"
    key = "tensile.strength"
    standard = (
        "ISO 527-1:2019 and ISO 527-2:2012, as far as a bench rig can. Departures: printed pieces instead of "
        "moulded or machined ones; speed and alignment as the rig gives them; "
        "strain from the recording as it is, no extensometer of class 1; modulus by least squares between "
        "0.05 and 0.25 % strain (the standard's chord on request); "
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
    formulas = (
        Formula(
            "σ = F/A",
            "σ stress, MPa; F force, N; A section before the test, mm²",
            "ISO 527-1:2019, clause 10 (from memory)",
        ),
        Formula(
            "ε = ΔL/L₀",
            "ε strain; ΔL extension, L₀ gauge length, mm",
            "ISO 527-1:2019, clause 10 (from memory)",
        ),
        Formula(
            "E = slope of σ over ε by least squares, 0.05 to 0.25 %; or E = (σ₂ − σ₁)/(ε₂ − ε₁) "
            "between the two",
            "E modulus, MPa",
            "ISO 527-1:2019, clause 10.3 (from memory)",
        ),
        Formula(
            "proof stress: σ where ε = σ/E + 0.2 %",
            "MPa",
            "common practice",
        ),
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
    curve = None if readings.curve is None else _as_written(read_curve(readings.curve), readings.max_force)
    area = section_area(readings)
    by = "" if curve is None else _extension_by(readings, curve)
    strain = None if curve is None else _strain(curve, readings, by)
    slope: Slope | str = _NO_STRAIN if area is not None else _NO_SECTION
    if curve is not None and curve.signal.open_for("strain"):
        slope, strain = _open(curve, "strain"), None
    if curve is not None and strain is not None and area is not None:
        stress = curve.force_n / nominal(area)
        slope = slope_of(strain, stress, readings.modulus_rule)
        # Only where asked for: moving the zero moves strain at break too, and two laboratories differ by
        # it.
        if readings.strain_zero == "foot":
            strain, slope = from_foot(strain, stress, readings.modulus_rule)
    remarks = (*section_remarks(readings, piece), *_position(readings), *_area_twice(readings))
    remarks = (*remarks, *_about(readings, curve), *_speed(readings), *_area_unstated(readings))
    return Pull(_force(readings, curve), area, curve, strain, slope, by, remarks)


def _as_written(curve: Curve, max_force: Any) -> Curve:
    """Let a force that somebody wrote down say whether a fall was a slip or a yield: it is one of the two."""
    at = next((i for i, each in enumerate(curve.signal.findings) if each.name == "slip"), None)
    if max_force is None or at is None:
        return curve
    slip, typed = curve.signal.findings[at], nominal(max_force)
    if not slip.open or "force" not in slip.touches:
        return curve
    first, later = float(curve.force_n[slip.first]), float(curve.force_n.max())
    fallen = slip.text.partition(" Was it")[0]
    if abs(typed - later) <= min(_APART * later, abs(typed - first)):
        text = f"{fallen} The force written down, {typed:.5g} N, is the later maximum."
        decided = replace(slip, text=text, touches=("strain",))
    elif abs(typed - first) <= _APART * first:
        text = f"{fallen} The force written down, {typed:.5g} N, is what it fell from."
        decided = replace(slip, text=text, taken="yield")
    else:
        return curve
    findings = (*curve.signal.findings[:at], decided, *curve.signal.findings[at + 1 :])
    problems = tuple(decided.line if each == slip.line else each for each in curve.problems)
    return replace(curve, problems=problems, signal=replace(curve.signal, findings=findings))


def _open(curve: Curve, what: str) -> str:
    return "the recording must be looked at first: " + " ".join(
        finding.line for finding in curve.signal.open_for(what)
    )


def _force(readings: Any, curve: Curve | None) -> Any:
    """The curve's maximum is the force used; it was recorded, not read off in passing."""
    if curve is None:
        return readings.max_force
    signal = curve.signal
    force = measured(readings, "curve", curve.force_n[_top(curve)], "N", step_of(curve.force_n), "force")
    if signal.noise:
        force = force + uncertainties.ufloat(
            0.0, signal.noise, tag=Source("curve: noise", max(1, len(curve.force_n) - 3))
        )
    # The true maximum lies above its row by anything up to the last step: rectangular.
    if signal.coarse:
        force = force + uncertainties.ufloat(0.0, signal.coarse / math.sqrt(12), tag="curve: coarse sampling")
    return force


def _top(curve: Curve) -> int:
    """The row of the first maximum (ISO 527-1); of the greatest, where the first was a slip."""
    first = next((each for each in curve.signal.findings if each.name == "several maxima"), None)
    slipped = any(each.name == "slip" and each.taken != "yield" for each in curve.signal.findings)
    yielded = next((e for e in curve.signal.findings if e.name == "slip" and e.taken == "yield"), None)
    if yielded is not None:
        return yielded.first
    return int(curve.force_n.argmax()) if first is None or slipped else first.first


def _extension_by(readings: Any, curve: Curve) -> str:
    """Tell what the extension was read from; grip travel corrected where the rig's compliance is known."""
    if curve.extension_mm is None:
        return ""
    by = readings.extension_by or curve.by
    rig = instrument_of(readings, "curve", "N", "force")
    return "corrected grip travel" if by == "grip travel" and rig is not None and rig.compliance else by


def _strain(curve: Curve, readings: Any, by: str) -> Any:
    if curve.strain is not None:
        return curve.strain
    length = readings.gauge_length
    # Travel of the grips is shared by all that lies between them.
    if length is None and by.endswith("grip travel"):
        length = readings.grip_distance
    if curve.extension_mm is None or length is None:
        return None
    # From the first reading: rigs seldom zero the extension after gripping.
    travel = curve.extension_mm - curve.extension_mm[0]
    if by == "corrected grip travel":
        rig = instrument_of(readings, "curve", "N", "force")
        assert rig is not None  # noqa: S101 - what made it corrected
        travel = travel - rig.compliance * (curve.force_n - curve.force_n[0])
    return travel / nominal(length)


def _length(readings: Any, pull: Pull) -> Any:
    if readings.gauge_length is None and pull.by.endswith("grip travel"):
        return readings.grip_distance
    return readings.gauge_length


_SPEEDS = (0.125, 0.25, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 300, 500)


def _speed(readings: Any) -> Iterator[str]:
    """Compare with ISO 527-1, table 1 (from memory): tolerances 20 % up to 10 mm/min, 10 % above."""
    speed = readings.speed
    if speed is None:
        return
    if not any(abs(speed / each - 1) <= (0.2 if each <= 10 else 0.1) for each in _SPEEDS):  # noqa: PLR2004
        yield f"Test speed {speed:g} mm/min is none of ISO 527-1's."
    length = readings.gauge_length if readings.gauge_length is not None else readings.grip_distance
    if length is not None and readings.curve is not None:
        rate = 100 * speed / nominal(length)
        if not 0.5 <= rate <= 2:  # noqa: PLR2004 - about 1 % a minute is the rule
            yield f"Strained at {rate:.2g} % a minute; for the modulus ISO 527-1 wants about 1 %."


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


def _area_unstated(readings: Any) -> Iterator[str]:
    # A number without an instrument and without a word is a nominal one: nobody knows how near it is.
    if readings.area_u is None and readings.area is not None and not hasattr(readings.area, "nominal_value"):
        yield "The uncertainty of the area was not stated (area_u) and is not in U."


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
    if pull.curve is not None and pull.curve.signal.open_for("force"):
        return _refused("strength", _open(pull.curve, "force"), pull.remarks)
    # A load cell wired the other way round: its maximum would be the noise before the pull.
    if nominal(pull.force) <= 0:
        return _refused(
            "strength", "the curve never pulls: its greatest force is not above zero", pull.remarks
        )
    limit = pull.curve is not None and pull.curve.signal.limit
    remarks = (*pull.remarks, *_later_maximum(pull))
    return Outcome("tensile.strength", pull.force / pull.area, ">" if limit else "=", remarks)


def _later_maximum(pull: Pull) -> Iterator[str]:
    if pull.curve is None or pull.area is None:
        return
    first, high = pull.curve.force_n[_top(pull.curve)], pull.curve.force_n.max()
    if high > first:
        yield (
            f"Strength is the first maximum (ISO 527-1); the later one of {high:.5g} N "
            f"is {high / nominal(pull.area):.4g} MPa."
        )


def _modulus(readings: Any, pull: Pull) -> Outcome:
    if isinstance(pull.slope, str):
        return _refused("modulus", pull.slope)
    if pull.slope.modulus <= 0:
        return _refused("modulus", "force does not rise with strain between 0.05 and 0.25 %")
    value = _carried_modulus(readings, pull, pull.slope)
    return Outcome("tensile.modulus", value, remarks=_rule(readings, pull), group=pull.group)


def _carried_modulus(readings: Any, pull: Pull, slope: Slope) -> Any:
    """Give the slope the uncertainty of force, section, gauge length, and its own.

    E = (F₂ − F₁)/(A·(ε₂ − ε₁)), with ε from extension over gauge length where it was so recorded. Its own is,
    of a fitted line, the larger of what its residuals and the rounding of the force say; of a chord, the
    noise of the curve at both ends.
    """
    assert pull.curve is not None  # noqa: S101 - there is no slope without one
    area = nominal(pull.area)
    level = (slope.foot + CHORD[0], slope.foot + CHORD[1]) if slope.foot > 0 else CHORD
    low, high = (
        measured(
            readings, "curve", slope.modulus * (e - slope.foot) * area, "N", column="force", rounded=False
        )
        for e in level
    )
    length = _length(readings, pull)
    strain: Any = CHORD[1] - CHORD[0]
    if pull.curve.strain is not None:
        ends = [measured(readings, "curve", e, "1", column="strain", rounded=False) for e in level]
        strain = ends[1] - ends[0]
    elif length is not None:
        # Two readings of one extension: an offset of the rig cancels in their difference.
        ends = [
            measured(readings, "curve", e * nominal(length), "mm", column="extension", rounded=False)
            for e in level
        ]
        strain = (ends[1] - ends[0]) / length
    if pull.by == "corrected grip travel":
        strain = strain + _doubt_of_compliance(readings, high - low, length)
    carried = (high - low) / (pull.area * strain)
    u, dof, source = _own_u(readings, pull, slope)
    return carried + uncertainties.ufloat(0.0, u, tag=Source(source, dof)) if u else carried


def _doubt_of_compliance(readings: Any, force: Any, length: Any) -> Any:
    rig = instrument_of(readings, "curve", "N", "force")
    if rig is None or not rig.u_compliance:
        return 0.0
    return (
        uncertainties.ufloat(0.0, rig.u_compliance, tag=f"{rig.id}: compliance")
        * nominal(force)
        / nominal(length)
    )


def _own_u(readings: Any, pull: Pull, slope: Slope) -> tuple[float, float, str]:
    """Return the slope's own standard uncertainty in MPa, its degrees of freedom and its name."""
    assert pull.curve is not None  # noqa: S101 - as above
    area = nominal(pull.area)
    step = step_of(pull.curve.force_n) / math.sqrt(12)
    if readings.modulus_rule == "chord":
        ends = math.sqrt(2) * math.hypot(pull.curve.signal.noise, step) / area / (CHORD[1] - CHORD[0])
        return ends, max(1, len(pull.curve.force_n) - 3), "curve: noise at both ends of the chord"
    # Readings spread evenly over an interval have the variance of its width squared over twelve.
    spread = (CHORD[1] - CHORD[0]) * math.sqrt(max(1, slope.points) / 12)
    rounding = step / area / spread
    if slope.u >= rounding:
        return slope.u, max(1, slope.points - 2), "curve: scatter about the line"
    return rounding, math.inf, "curve: rounding of the force"


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
        # Which rule was used is shown beside every modulus: chord and least squares differ by a tenth on a
        # sparse record, and by twofold from an initial slope.
        remarks.append("Strain zero as recorded, no toe compensation.")
        if abs(slope.foot) > _FOOT_SEEN:
            remarks.append(
                f"The straight part meets zero stress at {100 * slope.foot:.3f} % strain: "
                "slack, pre-load or curvature."
            )
    if pull.curve is not None and pull.curve.strain is None:
        remarks.append(_FROM.get(pull.by, _FROM[""]))
    if instrument_of(readings, "curve", "mm", "extension") is None and pull.by != "":
        remarks.append("No calibration of the extension is recorded; its uncertainty is not in the budget.")
    return tuple(remarks)


_FROM = {
    "extensometer": "Strain from an extensometer.",
    "corrected grip travel": "Strain from grip travel, the rig's own give taken off.",
    "grip travel": "Apparent: strain from grip travel, which holds the rig's own give.",
    "": "Strain from extension over gauge length; where that is grip travel it holds the rig's own give.",
}


def _strain_at_break(readings: Any, pull: Pull) -> Outcome:
    if pull.curve is None or pull.strain is None:
        open_ = pull.curve is not None and pull.curve.signal.open_for("strain")
        why = _open(pull.curve, "strain") if open_ and pull.curve is not None else _NO_STRAIN
        return _refused("strain_at_break", why)
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
    relation: Literal["=", ">"] = ">" if pull.curve.signal.unbroken else "="
    value = _carried_strain(readings, pull, at)
    return Outcome("tensile.strain_at_break", value, relation, tuple(remarks), group=pull.group)


def _carried_strain(readings: Any, pull: Pull, at: float) -> Any:
    length = _length(readings, pull)
    assert pull.curve is not None  # noqa: S101 - there is no strain without one
    if pull.curve.strain is not None or length is None:
        return 100 * measured(readings, "curve", at, "1", step_of(pull.curve.strain), "strain")
    step = step_of(pull.curve.extension_mm)
    return 100 * measured(readings, "curve", at * nominal(length), "mm", step, "extension") / length


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
    slip = next((e for e in curve.signal.findings if e.name == "slip" and e.taken != "yield"), None)
    if slip is not None and top is not None and top <= slip.last:
        return _refused("yield", _open(curve, "strain") if slip.open else slip.line)
    if top is None:
        return _refused(
            "yield", "it broke without yielding: force never fell by 1 % while the piece went on stretching"
        )
    rule = (
        "First maximum after which force fell by 1 % of the greatest while stretching at least 2 % further."
    )
    step = step_of(curve.force_n)
    force = measured(readings, "curve", curve.force_n[top], "N", step, "force")
    return Outcome("tensile.yield", force / pull.area, remarks=(rule,))


def _proof(readings: Any, pull: Pull, curve: Curve) -> Outcome:
    if isinstance(pull.slope, str):
        return _refused("proof_stress", pull.slope)
    stress = proof_stress(pull.strain, curve.force_n / nominal(pull.area), pull.slope)
    if stress is None:
        # It broke before: what is known is that the proof stress lies above what it bore.
        not_reached = (
            "Not reached: the curve stays within 0.2 % strain of its straight part up to its maximum."
        )
        return Outcome("tensile.proof_stress", pull.force / pull.area, ">", (not_reached,), group=pull.group)
    rule = f"0.2 % offset from the line of the {readings.modulus_rule} modulus."
    step = step_of(curve.force_n)
    force = measured(readings, "curve", stress * nominal(pull.area), "N", step, "force")
    return Outcome("tensile.proof_stress", force / pull.area, remarks=(rule,), group=pull.group)


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
