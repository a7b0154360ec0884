"""What looks wrong about a number before it is kept: beside its siblings, its family, its instrument.

Each finding is a question for the person who measured; nothing here corrects or refuses a number.
Siblings are results of the same quantity on the same material in the same orientation. How far one stands
apart is counted in robust standard deviations of the logarithm (median and 1.4826 × median absolute
deviation), with a floor: three pieces that happen to agree to a tenth of a per cent do not make the fourth,
1 % off, a slip.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from sqlalchemy import Integer, bindparam, select
from sqlalchemy.orm import Session

from tracker.api import Instrument, Method, Quantity, fields
from tracker.api.maths import dimension, family_span, scale
from tracker.desk.method_inputs import piece_of
from tracker.lineage import made_of, material_of_specimen
from tracker.model import Measurement, Result, Specimen, Spool
from tracker.plugins import Computed
from tracker.stating import plain, shown

_Z: Final = 6.0
# Printed pieces of one material scatter by a tenth or so; two siblings say little about their scatter.
_FLOOR: Final = 0.10
_FLOOR_FEW: Final = 0.25
_FEW: Final = 3
_FEW_AROUND_ZERO: Final = 5
_MOST_SIBLINGS: Final = 60
_BEYOND_FAMILY: Final = 3.0
_SECTION: Final = ("width", "thickness", "diameter")
"""Readings of a method that are sides of the section."""
# Printed pieces differ from their drawing by tenths of a millimetre; a piece taken for another by more.
_WIDER: Final = 1.15
_WIDER_MM: Final = 0.5
_BAR: Final = 1.5


@dataclass(frozen=True)
class Siblings:
    """Numbers of the same kind, and how far one stands from them.

    Attributes:
        count: How many there are.
        low: The least of them.
        high: The greatest.
        z: Robust distance of the number asked about, in standard deviations of the logarithm.
    """

    count: int
    low: float
    high: float
    z: float

    @property
    def words(self) -> str:
        """``the other 3 of this material and orientation lie at 44 to 46``, in the unit of the number."""
        span = plain(self.low) if self.low == self.high else f"{plain(self.low)} to {plain(self.high)}"
        if self.count == 1:
            return f"the other of this material and orientation is at {span}"
        return f"the other {self.count} of this material and orientation lie at {span}"


def beside(
    value: float, others: Sequence[float], u: float = 0.0, *, positive: bool = True
) -> Siblings | None:
    """Return how far a number stands from its siblings; None where too few are there to compare with.

    Positive numbers are compared by their logarithm (a slip is a factor), others by their difference, for
    which five siblings are wanted: around zero there is no per cent that two or three could be held to.

    Args:
        value: The number.
        others: Its siblings, in the same unit.
        u: Standard uncertainty of the number, in its unit: nearer than that nothing stands apart.
        positive: Whether the quantity has a logarithm; an offset that happens to be above zero has none.
    """
    kept = [each for each in others if math.isfinite(each)]
    if not kept:
        return None
    floor = _FLOOR if len(kept) >= _FEW else _FLOOR_FEW
    if positive and value > 0 and min(kept) > 0:
        logs = [math.log(each) for each in kept]
        middle, at = statistics.median(logs), math.log(value)
    else:
        if len(kept) < _FEW_AROUND_ZERO:
            return None
        logs, at = list(kept), value
        middle = statistics.median(logs)
        floor = max(floor * max(abs(each) for each in kept), u, 1e-12)
    scatter = 1.4826 * statistics.median(abs(each - middle) for each in logs)
    return Siblings(len(kept), min(kept), max(kept), (at - middle) / max(scatter, floor))


def unasked_span(others: Sequence[float], *, positive: bool) -> tuple[float, float]:
    """Return between what numbers nothing is asked; an empty span where that cannot be said beforehand.

    What :func:`beside` finds of each number in it is at most the distance that is asked about.
    """
    if not others or not positive or min(others) <= 0:
        return math.inf, -math.inf
    logs = [math.log(each) for each in others]
    middle = statistics.median(logs)
    scatter = 1.4826 * statistics.median(abs(each - middle) for each in logs)
    # A hair narrower, so that rounding cannot tell otherwise than the distance itself.
    reach = _Z * max(scatter, _FLOOR if len(others) >= _FEW else _FLOOR_FEW) * (1 - 1e-9)
    return math.exp(middle - reach), math.exp(middle + reach)


class SiblingValues:
    """Counted values of siblings: what the book has, and what earlier lines of one act will add to it.

    Each is asked of the book once; the lines of a sheet then need not be written one by one for the next
    one to be compared with them.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self._held: dict[tuple[Any, ...], deque[float]] = {}
        self._unwritten = False

    def of(self, subject: Specimen | Spool, outcome: Computed) -> Sequence[float]:
        """Return the values that a result is compared with, the newest first."""
        key = self._key(subject, outcome)
        if key not in self._held:
            values = sibling_values(
                self.session, subject, outcome.quantity, outcome.unit, group=outcome.group
            )
            self._held[key] = deque(values, maxlen=_MOST_SIBLINGS)
        return self._held[key]

    def add(self, subject: Specimen | Spool, outcomes: Iterable[Computed]) -> None:
        """Take in what a measurement gives that is in the session and not yet written."""
        for outcome in filter(_is_compared, outcomes):
            self.of(subject, outcome)
            self._held[self._key(subject, outcome)].appendleft(float(outcome.value or 0.0))
        self._unwritten = True

    def write(self) -> None:
        """Write what was added, so that the book can be asked for more than its values."""
        if self._unwritten:
            self.session.flush()
        self._unwritten = False

    def _key(self, subject: Specimen | Spool, outcome: Computed) -> tuple[Any, ...]:
        kind: tuple[Any, ...] = ("spools", subject.material_id) if isinstance(subject, Spool) else ()
        if isinstance(subject, Specimen):
            material = material_of_specimen(subject)
            kind = ("piece", subject.id) if material is None else (material.id, subject.orientation or "")
        return (*kind, outcome.quantity, outcome.unit, outcome.group)


def _is_compared(outcome: Computed) -> bool:
    """Return whether a result is a value that siblings are compared with, and that is asked about itself."""
    return outcome.value is not None and outcome.relation == "="


def questions(
    session: Session,
    subject: Specimen | Spool,
    method: Method,
    readings: Mapping[str, Any] | None,
    outcomes: Iterable[Computed],
    instruments: Iterable[Instrument] = (),
    *,
    leave_out: int | None = None,
    siblings: SiblingValues | None = None,
) -> list[str]:
    """Return what should be asked before a measurement is kept, one sentence each; none where it looks right.

    Args:
        session: To the book.
        subject: What was measured.
        method: By which it was measured.
        readings: As they are to be stored, numbers in the fields' units; None for results without readings.
        outcomes: What they give.
        instruments: What they were taken with.
        leave_out: Number of the measurement that is being corrected: it is no sibling of itself.
        siblings: Where many are entered by one act: their values, those of earlier lines among them.
    """
    asked: list[str] = []
    for outcome in filter(_is_compared, outcomes):
        others = (
            siblings.of(subject, outcome)
            if siblings is not None
            else sibling_values(
                session, subject, outcome.quantity, outcome.unit, group=outcome.group, leave_out=leave_out
            )
        )
        asked += _of_outcome(subject, method, outcome, others)
    if asked and readings:
        if siblings is not None:
            siblings.write()
        # Which reading it was is what the person looks for next.
        asked[0] += _readings_apart(session, subject, method, readings, leave_out)
    return [
        *asked,
        *_unlike_the_body(subject, readings or {}),
        *_beyond_instruments(method, readings or {}, list(instruments)),
    ]


def _of_outcome(
    subject: Specimen | Spool, method: Method, outcome: Computed, others: Sequence[float]
) -> list[str]:
    declared = {each.name: each for each in method.quantities}.get(outcome.quantity)
    family = piece_of(subject).family if declared is not None and declared.property else None
    return outcome_questions(outcome, declared, others, family)


def outcome_questions(
    outcome: Computed, declared: Quantity | None, others: Sequence[float], family: str | None
) -> list[str]:
    """Return what should be asked about one result, beside its siblings or, without any, its family.

    Args:
        outcome: The result; it has a value.
        declared: Its quantity as the method declares it.
        others: Values of its siblings, in its unit.
        family: Polymer family of its material, where that is known.
    """
    value = float(outcome.value or 0.0)
    title = (declared.title if declared else "") or outcome.quantity
    head = f"{title[:1].upper()}{title[1:]} {plain(value)}{_unit(outcome.unit)}"
    if others:
        positive = declared is None or declared.positive
        found = beside(value, others, outcome.uncertainty or 0.0, positive=positive)
        return [f"{head}, where {found.words}"] if found is not None and abs(found.z) > _Z else []
    span = family_span(family, declared.property) if declared is not None and declared.property else None
    if not span or span[0] / _BEYOND_FAMILY <= value <= span[1] * _BEYOND_FAMILY:
        return []
    within = f"{span[0]:g} and {span[1]:g}{_unit(outcome.unit)}"
    return [f"{head}, where {family or 'any polymer'} lies between {within}"]


def _unit(unit: str) -> str:
    return f" {shown(unit)}" if shown(unit) else ""


def sibling_values(
    session: Session,
    subject: Specimen | Spool,
    quantity: str,
    unit: str,
    *,
    group: str = "",
    leave_out: int | None = None,
) -> list[float]:
    """Return the counted values of a quantity on the same material and orientation, the newest first."""
    if isinstance(subject, Specimen) and (material := material_of_specimen(subject)) is not None:
        return values_of_material(session, material.id, subject.orientation, quantity, unit, group, leave_out)
    statement = _values(bool(group))
    if leave_out is not None:
        statement = statement.where(Measurement.id != leave_out)
    asked = {"quantity": quantity, "unit": unit, "group": group}
    return _floats(session, _newest(_of_the_kind(statement, subject)), asked)


def values_of_material(
    session: Session,
    material: int,
    orientation: str | None,
    quantity: str,
    unit: str,
    group: str = "",
    leave_out: int | None = None,
) -> list[float]:
    """Return the counted values of a quantity on pieces of a material, by its number, in an orientation."""
    asked = {
        "material": material, "orientation": orientation, "quantity": quantity, "unit": unit, "group": group,
        "leave_out": -1 if leave_out is None else leave_out,
    }  # fmt: skip
    return _floats(session, _on_material(bool(group), bool(orientation)), asked)


@cache
def _on_material(grouped: bool, oriented: bool) -> Any:
    """Return the statement of :func:`values_of_material`, made once: each result of a day asks it."""
    of_material = made_of(bindparam("material", type_=Integer))
    same = Specimen.orientation == bindparam("orientation") if oriented else Specimen.orientation.is_(None)
    return _newest(
        _values(grouped)
        .where(Measurement.id != bindparam("leave_out"), of_material, same)
        .join(Specimen, Specimen.id == Measurement.specimen_id)
    )


def _values(grouped: bool) -> Any:
    return (
        select(Result.value)
        .join(Measurement, Measurement.id == Result.measurement_id)
        .where(
            Result.quantity == bindparam("quantity"), Result.counted.is_(True), Result.value.is_not(None),
            Result.relation == "=", Result.unit == bindparam("unit"),
            Result.group == bindparam("group") if grouped else Result.group.is_(None),
        )
    )  # fmt: skip


def _newest(statement: Any) -> Any:
    return statement.order_by(Result.id.desc()).limit(_MOST_SIBLINGS)


def _floats(session: Session, statement: Any, asked: Mapping[str, Any]) -> list[float]:
    return [float(value) for value in session.scalars(statement, asked) if value is not None]


def _of_the_kind(statement: Any, subject: Specimen | Spool) -> Any:
    """Keep what was measured on the material of a piece in its orientation, or on spools of the material."""
    if isinstance(subject, Spool):
        return statement.join(Spool, Spool.id == Measurement.spool_id).where(
            Spool.material_id == subject.material_id
        )
    material = material_of_specimen(subject)
    if material is None:
        return statement.where(Measurement.specimen_id == subject.id)
    return _of_material(statement, material.id, subject.orientation)


def _of_material(statement: Any, material: int, orientation: str | None) -> Any:
    same = Specimen.orientation == orientation if orientation else Specimen.orientation.is_(None)
    return statement.join(Specimen, Specimen.id == Measurement.specimen_id).where(made_of(material), same)


def _readings_apart(
    session: Session,
    subject: Specimen | Spool,
    method: Method,
    readings: Mapping[str, Any],
    leave_out: int | None,
) -> str:
    """Return a clause on the reading that stands farthest apart from those of siblings; empty for none."""
    statement = select(Measurement.readings).where(
        Measurement.method == method.id, Measurement.readings.is_not(None)
    )
    if leave_out is not None:
        statement = statement.where(Measurement.id != leave_out)
    statement = _of_the_kind(statement, subject).order_by(Measurement.id.desc()).limit(_MOST_SIBLINGS)
    earlier = [row for row in session.scalars(statement) if row]
    farthest, text = _Z, ""
    for field in fields(method.Readings):
        value = readings.get(field.name)
        if field.kind != "number" or isinstance(value, bool) or not isinstance(value, int | float):
            continue
        others = [row[field.name] for row in earlier if isinstance(row.get(field.name), int | float)]
        found = beside(float(value), others)
        if found is not None and abs(found.z) > farthest:
            farthest = abs(found.z)
            middle = plain(statistics.median(others))
            text = (
                f" ({field.name} {plain(float(value))}{_unit(field.unit)}, where the others lie at {middle})"
            )
    return text


def _unlike_the_body(subject: Specimen | Spool, readings: Mapping[str, Any]) -> list[str]:
    """Ask about a section that the body drawn by the plate's file cannot have: the wrong piece is in hand.

    A section may be narrower than its body, which may be waisted, and is never wider. What was cut
    afterwards is not held to the plate.
    """
    if isinstance(subject, Spool) or subject.cut_from_id is not None or subject.cut_at is not None:
        return []
    sides = (subject.size_x_mm, subject.size_y_mm, subject.size_z_mm)
    body = sorted(side for side in sides if side)
    typed = sorted(float(readings[name]) for name in _SECTION if isinstance(readings.get(name), int | float))
    if len(body) < len(sides) or not typed:
        return []
    # A bar is tested across its length; a chunky piece may be pressed on its widest face.
    across = body[:-1] if body[-1] > _BAR * body[1] else body[1:]
    fits = all(
        one <= side * _WIDER + _WIDER_MM for one, side in zip(reversed(typed), reversed(across), strict=False)
    )
    if fits:
        return []
    section = " × ".join(plain(one) for one in typed)
    drawn = " × ".join(plain(round(side, 1)) for side in sides if side)
    return [f"The section typed is {section} mm, and the plate's file draws this specimen {drawn} mm"]


def _beyond_instruments(
    method: Method, readings: Mapping[str, Any], instruments: Sequence[Instrument]
) -> list[str]:
    asked = _no_force_rig(method, readings, instruments)
    for field in fields(method.Readings):
        value = readings.get(field.name)
        if field.kind != "number" or field.reading.exact or not isinstance(value, int | float):
            continue
        for each in instruments:
            if each.capacity is None or not each.unit or dimension(each.unit) != dimension(field.unit):
                continue
            if dimension(field.unit) and abs(value) / scale(each.unit, field.unit) > each.capacity:
                asked.append(
                    f"{field.name} {plain(value)}{_unit(field.unit)} is beyond the "
                    f"{each.capacity:g} {each.unit} that {each.id} may be used for"
                )
    return asked


def _no_force_rig(
    method: Method, readings: Mapping[str, Any], instruments: Sequence[Instrument]
) -> list[str]:
    """Ask about a force where nothing that is named can measure one: a caliper is no force rig.

    A test over days hangs on weights, and needs none.
    """
    named = [each for each in instruments if each.unit]
    if method.over_time or not named or len(named) < len(instruments):
        return []
    typed = [each for each in fields(method.Readings) if readings.get(each.name) is not None]
    forces = [each for each in typed if each.unit == "N"]
    if not forces or any(dimension(each.unit) == dimension("N") for each in named):
        return []
    value = f"{forces[0].name} {plain(float(readings[forces[0].name]))} N"
    listed = " and ".join(f"{each.id} reads {shown(each.unit)}" for each in named)
    return [f"{value}: {listed}, and no rig that reads a force is named"]
