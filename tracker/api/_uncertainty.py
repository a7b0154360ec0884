"""Readings that carry what is not known of them: rounding and calibration (GUM type B).

Every number gets two contributions, as far as they are known:

* its own rounding, rectangular over one step, u = step / (2 √3), independent from reading to reading;
* the calibration of the instrument, √(u_abs² + (u_rel·x)²), as **one** variable for all readings
  taken with that instrument: it cancels in differences and ratios where it should.

Which instrument took a reading is decided by one rule: the key ``field.column`` (a part of a
series), else ``field``, else the dimension word of the unit (``force``, ``length``, ``mass``,
``angle``, ``temperature``, ``time``). An instrument of another dimension than the number is not its
instrument.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, TypeVar

from tracker.api._fields import Field, fields
from tracker.api._piece import Instrument
from tracker.api._readings import Readings
from tracker.api._units import dimension, scale

R = TypeVar("R", bound=Readings)


class Measuring:
    """The instruments of one measurement, with the one calibration variable of each.

    Args:
        instruments: By field name or dimension word.
    """

    def __init__(self, instruments: Mapping[str, Instrument]) -> None:
        self._instruments = dict(instruments)
        self._calibrations: dict[str, Any] = {}
        self.remarks: list[str] = []

    def instrument(self, field: str, unit: str, column: str = "") -> Instrument | None:
        """Return what a number of a field was taken with, or None."""
        for key in (f"{field}.{column}", field, dimension(unit)):
            # The most particular key wins; the dimension word is what a rig says of all its readings.
            found = self._instruments.get(key)
            if found is not None and found.unit and dimension(found.unit) == dimension(unit):
                return found
        return None

    def number(self, field: str, unit: str, value: Any, resolution: float | None, column: str = "") -> Any:
        """Return a number with its uncertainty; as it is where nothing is known against it.

        Args:
            field: Name of the field it was read in.
            unit: Unit of ``value``, and of what is returned.
            value: As read.
            resolution: Step of the reading in ``unit``, where the instrument does not say.
            column: Part of a series; empty for a single number.
        """
        from uncertainties import ufloat  # noqa: PLC0415 - loads numpy

        instrument = self.instrument(field, unit, column)
        step = self._step(instrument, unit, resolution)
        carried = value
        # A half step to either side is equally likely: rectangular, JCGM 100, 4.3.7.
        if step:
            carried = ufloat(value, step / (2 * math.sqrt(3)), tag=f"{field}: resolution")
        if instrument is None:
            return carried
        factor = scale(instrument.unit, unit)
        self.note_range(instrument, value, unit, field)
        # Offset and slope of one calibration, as certificates give them; both move all readings together.
        u = math.hypot(instrument.u_abs * factor, instrument.u_rel * value)
        # The sign lets a scale error grow away from zero on both sides, as a scale error does.
        return carried + math.copysign(u, value) * self._calibration(instrument) if u else carried

    def note_range(self, instrument: Instrument, value: float, unit: str, field: str) -> None:
        """Keep a remark if a reading lies outside what its instrument may be used for."""
        # Range and capacity are said in the rig's own unit, which stands on its plate.
        shown = value / scale(instrument.unit, unit)
        said = ""
        if instrument.capacity is not None and abs(shown) > instrument.capacity:
            said = f"above the {instrument.capacity:g} {instrument.unit} that {instrument.id} may be used for"
        elif instrument.low is not None and abs(shown) < instrument.low:
            said = f"below the {instrument.low:g} {instrument.unit} from which {instrument.id} may be used"
        remark = f"{field} {value:g} {unit} is {said}."
        if said and remark not in self.remarks:
            self.remarks.append(remark)

    @staticmethod
    def _step(instrument: Instrument | None, unit: str, resolution: float | None) -> float | None:
        if instrument is None or instrument.resolution is None:
            return resolution
        return instrument.resolution * scale(instrument.unit, unit)

    def _calibration(self, instrument: Instrument) -> Any:
        from uncertainties import ufloat  # noqa: PLC0415 - loads numpy

        # A variable is itself, not its value: made once, so that it correlates and can cancel.
        return self._calibrations.setdefault(
            instrument.id, ufloat(0.0, 1.0, tag=f"{instrument.id}: calibration")
        )


def with_uncertainty(readings: R, instruments: Mapping[str, Instrument]) -> R:
    """Return a copy whose numbers, also those in series, carry their standard uncertainty.

    A number against which nothing is known (no step, no instrument) stays a plain ``float``.

    Args:
        readings: As validated; not changed.
        instruments: By field name (``max_force``), part of a series (``rows.d1``) or dimension word
            (``force``).
    """
    measuring = Measuring(instruments)
    carried = {
        field.name: _carried(measuring, field, getattr(readings, field.name))
        for field in fields(type(readings))
    }
    # No validation: the model would turn numbers with uncertainty back into floats.
    copy = readings.model_copy(update=carried)
    copy._measuring = measuring  # noqa: SLF001 - this module is the other half of that attribute
    return copy


def measured(readings: Readings, field: str, value: float, unit: str, resolution: float | None = None) -> Any:
    """Return a number that was read off a file, with the uncertainty of the rig that wrote it.

    Args:
        readings: As ``compute`` got them.
        field: Name of the file field (``curve``).
        value: In ``unit``.
        unit: Its unit; it finds the instrument where the field itself has none.
        resolution: Step of the recording, where the instrument does not say.
    """
    measuring = readings._measuring or Measuring({})  # noqa: SLF001 - as above
    return measuring.number(field, unit, float(value), resolution)


def range_remarks(readings: Readings, instruments: Mapping[str, Instrument]) -> tuple[str, ...]:
    """Return one remark for each reading outside its instrument's range."""
    return tuple(with_uncertainty(readings, instruments)._measuring.remarks)  # noqa: SLF001 - as above


def remarks_of(readings: Readings) -> tuple[str, ...]:
    """Return the range remarks gathered so far by readings that carry uncertainty."""
    measuring = readings._measuring  # noqa: SLF001 - as above
    return tuple(measuring.remarks) if measuring is not None else ()


def nominal(value: Any) -> float:
    """Return the number without its uncertainty, in its own unit; a plain number as it is."""
    return float(getattr(value, "nominal_value", value))


def _carried(measuring: Measuring, field: Field, value: Any) -> Any:
    if field.reading.exact:
        return value
    if field.kind == "number" and value is not None:
        return measuring.number(field.name, field.unit, value, field.resolution)
    if field.kind == "series" and value is not None:
        return tuple(tuple(_entry(measuring, field, entry)) for entry in value)
    return value


def _entry(measuring: Measuring, field: Field, entry: Any) -> list[Any]:
    return [
        measuring.number(field.name, unit, part, step, column)
        if isinstance(part, int | float) and column not in field.reading.exact_columns
        else part
        for part, column, unit, step in zip(entry, field.columns, field.units, field.resolutions, strict=True)
    ]
