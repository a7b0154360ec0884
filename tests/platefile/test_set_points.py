"""Set-points in force while something was deposited, each with its basis."""

from __future__ import annotations

import pytest

from tests.platefile.builder import ring, text
from tracker.platefile import Change, Plate, PlateObject, Reading, read_plate

START = ("M83", "G90", "G1 X0 Y0 F6000")


def read(*lines: str) -> Plate:
    """Read a plate of these lines."""
    return read_plate(text([*START, *lines]))


def layer(z: float) -> list[str]:
    """Return one layer of an object."""
    return [f"G1 Z{z}", *ring(0, 0, 20, 10)]


def piece(*lines: str) -> PlateObject:
    """Read one object: the lines, then two layers."""
    return read(*lines, ";MESH:a", *layer(0.2), *layer(0.4)).objects[0]


@pytest.mark.parametrize(
    ("line", "what", "value"),
    [
        ("M104 S215", "nozzle_c", 215),
        ("M109 S215", "nozzle_c", 215),
        ("M109 R215", "nozzle_c", 215),
        ("M104 T0 S215", "nozzle_c", 215),
        ("SET_HEATER_TEMPERATURE HEATER=extruder TARGET=215", "nozzle_c", 215),
        ("M140 S60", "bed_c", 60),
        ("M190 S60.5", "bed_c", 60.5),
        ("M190 R60", "bed_c", 60),
        ("SET_HEATER_TEMPERATURE HEATER=heater_bed TARGET=60", "bed_c", 60),
        ("M141 S45", "chamber_c", 45),
        ("M191 S45", "chamber_c", 45),
    ],
)
def test_commanded_temperatures(line: str, what: str, value: float) -> None:
    """A commanded temperature is in force from there on."""
    nozzle = [] if what == "nozzle_c" else ["M104 S200"]

    assert getattr(piece(*nozzle, line), what) == Reading(value, value, value, "commanded", 1.0)


@pytest.mark.parametrize("what", ["nozzle_c", "bed_c", "chamber_c"])
def test_nothing_commanded_is_not_stated(what: str) -> None:
    """Without a command a set-point is unknown, not zero."""
    assert getattr(piece(), what) == Reading()


@pytest.mark.parametrize("lines", [["M104 S0"], ["M104 S60"], ["M104 S215", "M104 S0"]])
def test_cold_nozzle_while_depositing_is_not_stated(lines: list[str]) -> None:
    """Nothing is deposited below 100 °C: the set-point hides in a macro."""
    assert piece(*lines).nozzle_c.basis == "not stated"


def test_macro_hides_what_was_commanded_before() -> None:
    """A macro given another temperature sets it out of sight; its argument is a hint with its origin."""
    plate = read(
        "M104 S0", "M140 S0", "START EXTRUDER_TEMP=220 BED_TEMP=55", "M104 S220", ";MESH:a", *layer(0.2)
    )
    hints = {(hint.what, hint.value, hint.origin) for hint in plate.hints}

    assert (plate.objects[0].nozzle_c.value, plate.objects[0].bed_c.value) == (220, None)
    assert ("bed_c", 55.0, "START BED_TEMP=55") in hints


def test_macro_with_the_same_temperature_hides_nothing() -> None:
    """An argument equal to the commanded value leaves it in force."""
    assert piece("M104 S200", "M190 S60", "START BED=60").bed_c.value == 60


def test_nozzle_belongs_to_the_tool() -> None:
    """A tool's own set-point holds when it is chosen."""
    assert piece("M104 T1 S250", "M104 T0 S200", "T1").nozzle_c.value == 250


@pytest.mark.parametrize(
    ("lines", "fans"),
    [
        (["M106 S255"], {0: 100.0}),
        (["M106"], {0: 100.0}),
        (["M106 S127.5"], {0: 50.0}),
        (["M106 S51", "M106 P2 S255"], {0: 20.0, 2: 100.0}),
        (["M106 S255", "M107"], {0: 0.0}),
        (["M106 P1 S255", "M107 P1"], {1: 0.0}),
        (["M106 S0.5", "M106 P1 S1"], {0: 50.0, 1: 100.0}),
    ],
    ids=["full", "no number is full", "fraction of 255", "two fans", "off", "off by index", "0 to 1"],
)
def test_fans(lines: list[str], fans: dict[int, float]) -> None:
    """Duty in percent per index; a file that never goes above 1 writes fractions."""
    assert {index: one.value for index, one in piece(*lines).fans_pct} == pytest.approx(fans)


def test_mean_is_weighted_by_filament() -> None:
    """A layer at another temperature counts by what was deposited in it."""
    one = read("M104 S200", ";MESH:a", *layer(0.2), "M104 S230", *layer(0.4), *layer(0.6)).objects[0]

    assert (one.nozzle_c.value, one.nozzle_c.low, one.nozzle_c.high) == pytest.approx((220, 200, 230))


def test_changes_by_height() -> None:
    """Each change names what, where and from what to what."""
    one = read(
        "M104 S200", "M106 S0", ";MESH:a", *layer(0.2), "M104 S230", *layer(0.4), "M106 S255", *layer(0.6)
    )

    assert one.objects[0].changes == (
        Change("nozzle_c", 0.4, 2, 200.0, 230.0),
        Change("fan0_pct", 0.6, 3, 0.0, 100.0),
    )


def test_set_points_of_travel_do_not_count() -> None:
    """A temperature that holds only between deposits is in force for nothing."""
    one = read("M104 S200", ";MESH:a", *layer(0.2), "M104 S150", "G1 X100", "M104 S200", *layer(0.4)).objects[
        0
    ]

    assert (one.nozzle_c.low, one.nozzle_c.high) == (200, 200)


def test_speed_is_the_commanded_one() -> None:
    """Rings are laid at 1800 mm/min."""
    assert piece().speed_mm_s.value == pytest.approx(30)


def test_waiting_line_belongs_to_what_was_before() -> None:
    """The wait for a temperature is no deposit under it."""
    one = read("M104 S200", ";MESH:a", *layer(0.2), "M109 S230", *layer(0.4)).objects[0]

    assert [layer.set_points.nozzle_c.value for layer in one.layer_facts] == [200, 230]
