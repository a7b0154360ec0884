"""What readings carry of their rounding and of their instruments."""

from __future__ import annotations

import math
from typing import Any

import pytest
from tracker_methods.creep import Creep
from tracker_methods.dimensions import Dimensions
from tracker_methods.tensile import Tensile

from tests.api.close import approx
from tracker.api import Instrument, Recording, measured, nominal, remarks_of, validate, with_uncertainty
from tracker.api.maths import budget, range_remarks

CELL = Instrument("R0001-A", "N", resolution=0.5, u_rel=0.005, low=20, capacity=1000)
CALIPER = Instrument("R0002-B", "mm", u_abs=0.02)
ONE_STEP = 1 / (2 * math.sqrt(3))


def carried(
    raw: dict[str, Any], instruments: dict[str, Instrument] | None = None, method: Any = Tensile
) -> Any:
    """Return readings with their uncertainty."""
    return with_uncertainty(validate(method, raw), instruments or {})


def test_rounding_is_a_rectangle_over_one_step() -> None:
    """U = step/(2√3), the step being the field's own."""
    assert carried({"width": 10.0}).width.std_dev == approx(0.01 * ONE_STEP)


def test_the_instrument_decides_the_step() -> None:
    """An instrument's resolution goes before the one declared with the reading."""
    parts = {part.source: part.u for part in budget(carried({"max_force": 100}, {"force": CELL}).max_force)}
    assert parts == {"max_force: resolution": approx(0.5 * ONE_STEP), "R0001-A: calibration": approx(0.5)}


def test_a_number_that_nothing_is_known_against_stays_plain() -> None:
    """No step and no instrument: no uncertainty is made up."""
    assert carried({"area": 25.0}).area == 25.0


def test_one_calibration_is_shared_by_all_readings_of_an_instrument() -> None:
    """An offset of the caliper cancels in a difference."""
    readings = carried({"width": 10.0, "thickness": 4.0}, {"length": CALIPER})
    assert (readings.width - readings.thickness).std_dev == approx(0.01 * ONE_STEP * math.sqrt(2))


def test_a_relative_calibration_cancels_in_a_ratio() -> None:
    """A scale error of the load cell drops out of F₁/F₂."""
    cell = Instrument("R", "N", u_rel=0.01)
    readings = carried({"max_force": 500}, {"force": cell})
    other = measured(readings, "curve", 250.0, "N")
    assert (readings.max_force / other).std_dev == approx(2 * ONE_STEP / 500)


def test_the_field_s_own_instrument_goes_before_the_dimension_s() -> None:
    """``width`` beats ``length``."""
    fine = Instrument("fine", "mm", u_abs=0.001)
    readings = carried({"width": 10.0, "thickness": 4.0}, {"length": CALIPER, "width": fine})
    assert {part.source for part in budget(readings.width)} == {"width: resolution", "fine: calibration"}
    assert "R0002-B: calibration" in {part.source for part in budget(readings.thickness)}


def test_an_instrument_of_another_dimension_is_not_used() -> None:
    """A balance named for a width takes no part in it."""
    readings = carried({"width": 10.0}, {"width": Instrument("balance", "g", u_abs=1.0)})
    assert [part.source for part in budget(readings.width)] == ["width: resolution"]


def test_an_instrument_s_unit_is_converted() -> None:
    """A rig calibrated in kN serves a reading in N."""
    readings = carried({"max_force": 500}, {"force": Instrument("R", "kN", resolution=0.001, u_abs=0.002)})
    assert readings.max_force.std_dev == approx(math.hypot(2.0, 1.0 * ONE_STEP))


def test_numbers_inside_a_series_carry_it_too_each_with_its_own_rounding() -> None:
    """Two lengths of a series are rounded independently and share the caliper."""
    readings = carried({"reference_length": 80, "series": "1:80.1 2:80.2"}, {"length": CALIPER}, Creep)
    first, second = (length for _, length in readings.series)
    assert (second - first).std_dev == approx(0.01 * ONE_STEP * math.sqrt(2))


def test_a_part_that_was_not_read_but_given_carries_nothing() -> None:
    """The nominal size on the drawing is exact, whatever the caliper."""
    readings = carried({"sizes": "X:80:79.6"}, {"length": CALIPER}, Dimensions)
    _, meant, read = readings.sizes[0]
    assert (meant, nominal(read)) == (80.0, 79.6)
    assert not hasattr(meant, "std_dev")


def test_a_part_of_a_series_may_have_its_own_instrument() -> None:
    """``series.length_mm`` names one column."""
    dial = Instrument("dial", "mm", u_abs=0.001)
    raw = {"reference_length": 80, "series": "1:80.1"}
    readings = carried(raw, {"series.length_mm": dial, "length": CALIPER}, Creep)
    assert {part.source for part in budget(readings.series[0][1])} == {
        "series: resolution",
        "dial: calibration",
    }


def test_the_readings_themselves_are_not_changed() -> None:
    """Uncertainty goes into a copy."""
    readings: Any = validate(Tensile, {"width": 10.0})
    with_uncertainty(readings, {"length": CALIPER})
    assert type(readings.width) is float


@pytest.mark.parametrize(
    ("force", "remark"),
    [
        (1200, "max_force 1200 N is above the 1000 N that R0001-A may be used for."),
        (10, "max_force 10 N is below the 20 N from which R0001-A may be used."),
    ],
)
def test_a_reading_outside_the_rig_s_range_is_reported(force: float, remark: str) -> None:
    """Range and rig are named."""
    assert range_remarks(validate(Tensile, {"max_force": force}), {"force": CELL}) == (remark,)


def test_a_reading_within_the_range_is_no_remark() -> None:
    """Nothing is said where nothing is wrong."""
    assert range_remarks(validate(Tensile, {"max_force": 500}), {"force": CELL}) == ()


def test_a_number_read_off_a_file_is_held_to_the_range_as_well() -> None:
    """The maximum of a curve is a reading of the same rig."""
    readings = carried({"curve": Recording("a.csv", b"")}, {"force": CELL})
    measured(readings, "curve", 1500.0, "N")
    assert remarks_of(readings) == ("curve 1500 N is above the 1000 N that R0001-A may be used for.",)


def test_a_number_read_off_a_file_of_plain_readings_is_plain() -> None:
    """Without instruments there is nothing to carry."""
    assert measured(validate(Tensile, {}), "curve", 5.0, "N") == 5.0


def test_the_budget_adds_up() -> None:
    """Shares of the variance sum to one, the largest first."""
    readings = carried({"max_force": 500, "width": 10, "thickness": 4}, {"force": CELL, "length": CALIPER})
    parts = budget(readings.max_force / (readings.width * readings.thickness))
    assert math.fsum(part.share for part in parts) == approx(1.0)
    assert [part.u for part in parts] == sorted((part.u for part in parts), reverse=True)


def test_a_plain_number_has_no_budget() -> None:
    """Nothing is said of what nothing is known of."""
    assert budget(3.0) == ()
