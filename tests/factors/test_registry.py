"""The registry of factors."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields

import pytest

from tracker.factors import MOISTURE, REGISTRY, factor_named, unit_of
from tracker.factors.inforce import Changed, Heating, InForce
from tracker.factors.registry import Factors, factor_words, put, put_reading, value_words

NUMBERS = [factor for factor in REGISTRY if factor.kind == "number"]


def test_every_name_comes_once() -> None:
    """A factor is found by its name."""
    assert len({factor.name for factor in REGISTRY}) == len(REGISTRY)


@pytest.mark.parametrize("factor", NUMBERS, ids=lambda factor: factor.name)
def test_a_number_has_a_resolution_below_its_span(factor: object) -> None:
    """Else no difference could ever matter."""
    assert 0 < factor.resolution < factor.span  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("name", "span"),
    [
        ("nozzle_c", 30.0),
        ("chamber_c", 20.0),
        ("fan_pct", 40.0),
        ("layer_time_s", 15.0),
        ("layer_height_mm", 0.1),
        ("water_pct", 0.3),
    ],
)
def test_spans_as_the_model_of_why_takes_them(name: str, span: float) -> None:
    """The spans that priors refer to."""
    assert factor_named(name).span == span


def test_water_comes_before_hours_of_the_same_cause() -> None:
    """The estimate is preferred where it exists."""
    assert [factor.name for factor in REGISTRY if factor.same_cause == MOISTURE] == [
        "water_pct",
        "open_air_rh_h",
        "open_air_h",
    ]


def test_an_undeclared_factor_of_numbers_spans_their_range() -> None:
    """Imported numbers are numbers."""
    factor = factor_named("infill_pct", [20.0, 60.0, None])
    assert (factor.kind, factor.unit, factor.span) == ("number", "percent", 40.0)
    # Any difference beyond rounding is one.
    assert factor.resolution == 1e-9


def test_an_undeclared_factor_of_one_number_spans_one() -> None:
    """Nothing is said of how far it usually goes, and a difference is divided by it."""
    assert factor_named("infill_pct", [20.0, 20.0, None]).span == 1.0


def test_what_cannot_be_dialled_in_for_a_next_plate() -> None:
    """A follow-up proposes none of these: they are weather, outcome, history or of the test."""
    assert {factor.name for factor in REGISTRY if not factor.settable} == {
        "attempt", "filament_g", "method_version", "print_room_c", "print_room_rh", "room_c", "room_rh",
    }  # fmt: skip


def test_an_undeclared_factor_with_a_word_is_a_category() -> None:
    """A treatment is one."""
    assert factor_named("treatment", ["wet", 3.0]).kind == "category"


@pytest.mark.parametrize(
    ("name", "unit"), [("flow_mm3_s", "mm^3/s"), ("bore_mm", "mm"), ("rest_h", "h"), ("treatment", "")]
)
def test_the_ending_of_a_name_says_its_unit(name: str, unit: str) -> None:
    """As everywhere in the book."""
    assert unit_of(name) == unit


@pytest.mark.parametrize(
    ("name", "resolution", "span"),
    [
        ("nozzle_c", 1.0, 30.0), ("bed_c", 1.0, 20.0), ("chamber_c", 1.0, 20.0), ("fan_pct", 2.0, 40.0),
        ("layer_height_mm", 0.005, 0.1), ("line_width_mm", 0.01, 0.2), ("layer_time_s", 0.5, 15.0),
        ("flow_mm3_s", 0.2, 5.0), ("flow_factor_pct", 0.5, 10.0), ("pauses", 0.5, 1.0),
        ("print_speed_mm_s", 1.0, 40.0), ("water_pct", 0.02, 0.3), ("open_air_rh_h", 0.5, 24.0),
        ("open_air_h", 0.5, 48.0), ("drying_c", 1.0, 20.0), ("drying_h", 0.25, 6.0),
        ("print_room_c", 0.5, 5.0), ("print_room_rh", 2.0, 20.0), ("x_mm", 1.0, 100.0), ("y_mm", 1.0, 100.0),
        ("height_mm", 0.2, 50.0), ("filament_g", 0.02, 1.0), ("attempt", 0.5, 1.0), ("age_h", 1.0, 168.0),
        ("room_c", 0.5, 5.0), ("room_rh", 2.0, 20.0),
    ],
)  # fmt: skip
def test_what_counts_as_equal_and_what_as_a_usual_change(name: str, resolution: float, span: float) -> None:
    """Both decide what why names, so neither changes unseen (of the trade: common practice, no source)."""
    factor = factor_named(name)

    assert (factor.resolution, factor.span) == (resolution, span)


def test_what_belongs_to_the_test_and_not_to_the_piece() -> None:
    """Followup proposes other readers for these, and other plates for the rest."""
    assert {factor.name for factor in REGISTRY if factor.of_test} == {
        "operator", "rig", "method_version", "age_h", "room_c", "room_rh",
    }  # fmt: skip


def test_what_nobody_can_set_for_a_next_plate() -> None:
    """None of these is proposed."""
    assert {factor.name for factor in REGISTRY if not factor.settable} == {
        "print_room_c", "print_room_rh", "filament_g", "attempt", "method_version", "room_c", "room_rh",
    }  # fmt: skip


def known(name: str, value: object, *bounds: float | None) -> Factors:
    """Return factors of which one is known."""
    found: Factors = {}
    put(found, name, value, "measured", "log", *bounds)  # type: ignore[arg-type]
    return found


def test_a_word_in_place_of_a_number_has_no_unit_and_no_span() -> None:
    """Nor has a number where words are usual: no difference of theirs can be weighed."""
    for name, value in (("nozzle_c", "hot"), ("printer", 3.0)):
        (found,) = known(name, value).values()
        assert (found.resolution, found.span) == (None, None)
    assert known("nozzle_c", "hot")["nozzle_c"].unit == ""
    assert known("nozzle_c", 255.0)["nozzle_c"].span == 30


@pytest.mark.parametrize(
    ("bounds", "said"),
    [
        ((None, None), "62.44 °C"),
        ((58.06, 64.0), "62.44 °C (58.06 – 64)"),
        ((62.441, 62.442), "62.44 °C"),
        ((None, 64.0), "62.44 °C"),
    ],
)
def test_a_factor_in_words(bounds: tuple[float | None, float | None], said: str) -> None:
    """To four digits, with its range where there is one."""
    (found,) = known("chamber_c", 62.4419, *bounds).values()

    assert value_words(found) == said
    assert factor_words(found) == f"{said}  (measured; log)"
    assert value_words(known("printer", "left")["printer"]) == "left"


def test_a_reading_of_a_plates_facts_is_put_in_with_its_range() -> None:
    """One that the plate file does not state is left out, and so is what is no reading."""
    found: Factors = {}
    put_reading(found, "fan_pct", {"value": 20, "low": 0.0, "high": 40.0, "basis": "commanded"}, "plate file")
    for nothing in (None, {"value": None}, {}):
        put_reading(found, "bed_c", nothing, "plate file")
    (fan,) = found.values()

    assert (fan.value, fan.low, fan.high, fan.basis, fan.source) == (
        20.0,
        0.0,
        40.0,
        "commanded",
        "plate file",
    )


def test_factors_and_what_is_known_of_them_are_not_changed() -> None:
    """One registry stands for all books, and values are shared by thousands of pieces."""
    for known in (REGISTRY[0], Heating(0.0, 60.0, ""), Changed("fan", 50.0), InForce(1.0, 1.0, 1.0)):
        with pytest.raises(FrozenInstanceError):
            setattr(known, fields(known)[0].name, None)
