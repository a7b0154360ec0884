"""From raw values to readings, and back."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tracker_methods.bending import Bending
from tracker_methods.creep import Creep
from tracker_methods.dimensions import Dimensions
from tracker_methods.tensile import Tensile

from tracker.api import (
    Method,
    ReadingsError,
    Recording,
    dump,
    nominal,
    recordings,
    row,
    units_of,
    validate,
    with_uncertainty,
)
from tracker.errors import Refused


def refused(method: type[Method], **raw: Any) -> ReadingsError:
    """Return the refusal of readings."""
    with pytest.raises(ReadingsError) as caught:
        validate(method, raw)
    return caught.value


def test_readings_are_kept_as_given() -> None:
    """Numbers, text that is a number, and choices become readings."""
    readings: Any = validate(Tensile, {"max_force": 1480, "width": "10,02", "break_position": "gauge"})
    assert (readings.max_force, readings.width, readings.break_position) == (1480.0, 10.02, "gauge")


@pytest.mark.parametrize("nothing", [None, "", "   "])
def test_blank_means_not_read(nothing: Any) -> None:
    """A blank cell is an absent reading, not zero."""
    readings: Any = validate(Tensile, {"max_force": nothing})
    assert readings.max_force is None


@pytest.mark.parametrize(
    "value", [-3, 0, float("nan"), float("inf"), float("-inf"), "nan", "abc", True, [1], "5 kg"]
)
@pytest.mark.parametrize("name", ["max_force", "width", "area"])
def test_impossible_forces_lengths_and_areas_are_refused(name: str, value: Any) -> None:
    """Negative, zero, non-finite and non-numeric values never become readings."""
    assert refused(Tensile, **{name: value}).errors[0].field == name


def test_a_refusal_names_field_value_unit_and_what_is_allowed() -> None:
    """One line says all that is needed to type it right."""
    assert refused(Tensile, max_force=-3).lines == ("max_force -3 N: must be greater than 0",)


def test_each_field_at_fault_gets_one_line() -> None:
    """Several slips are said at once."""
    assert [error.field for error in refused(Tensile, width=0, thickness=-1).errors] == ["width", "thickness"]


def test_units_go_with_the_readings_that_were_taken() -> None:
    """Those not taken, and words, have none."""
    taken = validate(Tensile, {"max_force": 1830.0, "width": 10.0})
    assert units_of(taken) == {"max_force": "N", "width": "mm"}


def test_a_series_has_the_units_of_its_parts() -> None:
    """In the order in which they are written."""
    taken = validate(Creep, {"force": 50, "reference_length": 50, "series": "0.1:50.02; 24:50.11"})
    assert units_of(taken)["series"] == "h:mm"


def test_a_misspelt_reading_is_answered_with_the_nearest_name() -> None:
    """A slip of the finger is recognised."""
    assert refused(Tensile, widht=10).lines == ("widht: no such reading; did you mean width?",)


def test_a_strange_reading_is_answered_with_those_known() -> None:
    """Where nothing is near, all are named."""
    assert "known are sizes, chord, lift" in str(refused(Dimensions, colour=3))


def test_a_wrong_choice_is_answered_with_those_allowed() -> None:
    """A choice names its answers."""
    assert "allowed are 'gauge', 'shoulder' or 'grip'" in str(refused(Tensile, break_position="middle"))


def test_a_value_where_a_file_is_due_is_refused() -> None:
    """A number is not mistaken for a recording."""
    assert "a file is wanted" in str(refused(Tensile, curve=3))


def test_a_file_where_a_value_is_due_is_refused() -> None:
    """A recording is not mistaken for a number."""
    assert "a number in N is wanted" in str(refused(Tensile, max_force=Recording("x.csv", b"1")))


def test_a_bad_entry_of_a_series_is_found() -> None:
    """The entry and its part are named."""
    assert refused(Dimensions, sizes="X:80:79.6 Y:60:-1").lines == (
        "sizes -1.0: entry 2, measured: must be greater than 0",
    )


def test_a_part_of_a_series_may_be_missing_where_the_model_says_so() -> None:
    """A deflection that was not read is None, not zero."""
    readings: Any = validate(Bending, {"rows": "5: 0.42 - 0.46"})
    assert readings.rows == ((5.0, 0.42, None, 0.46),)


def test_a_refusal_is_one_line_whatever_was_typed() -> None:
    """Line breaks and long texts cannot break the message."""
    text = str(refused(Tensile, break_position="a\nb" * 200))
    assert "\n" not in text
    assert len(text) < 250


def test_a_refusal_is_caught_as_ours_and_as_the_builtin() -> None:
    """Both kinds of caller can catch it."""
    error = refused(Tensile, width=0)
    assert isinstance(error, Refused)
    assert isinstance(error, ValueError)


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "max_force": st.floats(min_value=1e-300, allow_infinity=False),
            "width": st.floats(min_value=1e-300, allow_infinity=False),
            "break_position": st.sampled_from(["gauge", "shoulder", "grip"]),
            "modulus_rule": st.sampled_from(["chord", "least squares"]),
        },
    )
)
def test_readings_written_as_json_come_back_unchanged(raw: dict[str, Any]) -> None:
    """Nothing is lost on the way into the store and out of it."""
    readings = validate(Tensile, raw)
    assert validate(Tensile, json.loads(json.dumps(dump(readings)))) == readings


@given(st.lists(st.tuples(st.sampled_from("XYZ"), *[st.floats(1e-3, 1e6)] * 2), max_size=5))
def test_a_series_written_as_a_cell_comes_back_unchanged(sizes: list[tuple[str, float, float]]) -> None:
    """A CSV file holds a series without loss."""
    readings = validate(Dimensions, {"sizes": [list(size) for size in sizes]})
    assert validate(Dimensions, row(readings)) == readings


def test_files_travel_beside_the_readings() -> None:
    """A recording is left out of the JSON and found by its field."""
    curve = Recording("a.csv", b"time_s,force_N\n0,1\n")
    readings = validate(Tensile, {"area": 25, "curve": curve})
    assert "curve" not in dump(readings)
    assert recordings(readings) == {"curve": curve}


def test_readings_that_carry_uncertainty_are_written_as_plain_numbers() -> None:
    """The store holds what was read, not what is thought of it."""
    readings = with_uncertainty(validate(Tensile, {"max_force": 1480}), {})
    assert dump(readings)["max_force"] == nominal(1480.0)
