"""What is missing is named, for every quantity of every method; pictures show what they should."""

from __future__ import annotations

from typing import Any

import pytest

from tracker import plugins
from tracker.api import Outcome, Piece, Recording, testing, validate

MANAGER = plugins.load()
BAR = {"width": 10.0, "thickness": 4.0}


def why(quantity: str, **raw: Any) -> str:
    """Return why a quantity is refused."""
    method = MANAGER.method(quantity.split(".", maxsplit=1)[0])
    found: Outcome = testing.outcomes(method, raw)[quantity]
    assert found.value is None
    return found.refused


@pytest.mark.parametrize(
    ("quantity", "raw", "text"),
    [
        ("shear.strength", BAR, "give max_force"),
        ("torsion.torque_max", BAR, "give max_force, force_at_90 or mass_at_90"),
        ("torsion.torque_at_90", {"mass_at_90": 1.0}, "no arm"),
        ("torsion.stress_max", {"max_force": 1.0, "arm": 100.0}, "give width and thickness, or diameter"),
        ("torsion.modulus", {**BAR, "angle_deg": 5.0, "free_length": 50.0}, "no torque belongs to angle_deg"),
        (
            "torsion.modulus",
            {**BAR, "angle_deg": 5.0, "arm": 100.0, "force_at_90": 1.0},
            "give the length between the grips",
        ),
        ("creep.strain_1h", {"series": "1:80.1"}, "no reference_length"),
        ("creep.strain_1h", {"reference_length": 80.0}, "no readings after loading"),
        (
            "creep.strain_24h",
            {"reference_length": 80.0, "series": "1:80.1"},
            "run from 1 to 1 h and do not reach 24 h",
        ),
        (
            "creep.modulus_1h",
            {"reference_length": 80.0, "series": "1:80.1"},
            "give force, width and thickness, or stress",
        ),
        ("impact.energy", {"fall_angle": 150.0, "rise_angle": 100.0}, "give moment, or mass and arm_length"),
        (
            "impact.energy",
            {"moment": 2.0},
            "give fall_angle and rise_angle, or fall_distance and rise_distance",
        ),
        ("impact.energy", {"moment": 2.0, "fall_distance": 100.0}, "a distance needs arm_length"),
        (
            "impact.energy",
            {"mass": 1.0, "arm_length": 0.3, "fall_distance": 300.0, "rise_distance": 10.0},
            "is not less than the arm",
        ),
        ("impact.energy", {"moment": 2.0, "fall_angle": 100.0, "rise_angle": 100.0}, "no energy was taken"),
        (
            "impact.energy",
            {"moment": 2.0, "fall_angle": 100.0, "rise_angle": 50.0, "free_angle": 110.0},
            "rose higher than it fell",
        ),
        ("impact.energy", {"dial_energy": 3.0, "pendulum_energy": 2.0}, "which must exceed it"),
        (
            "impact.strength",
            {"moment": 2.0, "fall_angle": 100.0, "rise_angle": 50.0},
            "give width and thickness",
        ),
        (
            "impact.strength",
            {**BAR, "notch": 10.0, "moment": 2.0, "fall_angle": 100.0, "rise_angle": 50.0},
            "as deep as the width",
        ),
        ("bending.modulus_1s", {"rows": "5: .4 .4 .4"}, "give span, width and thickness"),
        (
            "bending.modulus_60s",
            {**BAR, "span": 64.0, "rows": "5: .4 .4 -"},
            "no deflection was read at that time",
        ),
        (
            "bending.modulus_1s",
            {**BAR, "span": 64.0, "rows": "2: .4 .4 .4; 5: .3 .3 .3"},
            "does not grow with the load",
        ),
        ("bending.creep_ratio", {"rows": "5: .4 .4 -"}, "after 1 s and after 60 s"),
        (
            "bending.modulus",
            {**BAR, "span": 64.0, "curve": Recording("b.csv", b"time_s,force_N\n0,1\n1,2\n")},
            "name its column like deflection_mm",
        ),
        (
            "bending.stress",
            {**BAR, "span": 64.0, "curve": Recording("b.csv", b"deflection_mm,force_N\n0,0\n1,20\n")},
            "does not reach the conventional deflection 6 mm",
        ),
        ("bending.strength", {**BAR, "span": 64.0, "max_force": 90.0, "broke": "no"}, "it did not break"),
        ("softening.onset", {}, "attach a log, or give onset_c, deflection_c, highest_c"),
        ("density.apparent", {"mass_air": 4.0}, "not read: mass_liquid, liquid_c"),
        ("density.voids", {"mass_air": 4.0, "mass_liquid": 0.8, "liquid_c": 23.0}, "give reference_density"),
        ("taptone.frequency", {}, "attach a recording, or give frequency"),
        ("taptone.modulus", {"frequency": 1000.0}, "give length, width, thickness and mass"),
        (
            "diameter.mean",
            {"log": Recording("d.csv", b"colour,place\n1,2\n2,3\n")},
            "d.csv has no column of diameter",
        ),
        ("dimensions.warp_radius", {"lift": 0.3}, "give the length over which the lift was measured"),
        ("appearance.stringing", {}, "give one or more of stringing"),
        ("bendcheck.least_diameter", {}, "give mandrel:outcome"),
        (
            "tensile.modulus",
            {"area": 40.0, "curve": Recording("t.csv", b"strain,force_N\n0,0\n0.001,9\n")},
            "not all of",
        ),
        ("tensile.yield", {"curve": Recording("t.csv", b"strain,force_N\n0,0\n0.01,9\n")}, "no section"),
    ],
)
def test_a_refusal_names_what_would_give_a_value(quantity: str, raw: dict[str, Any], text: str) -> None:
    """At the bench the next step is read off the message."""
    assert text in why(quantity, **raw)


@pytest.mark.parametrize("name", sorted(MANAGER.methods))
def test_every_method_names_a_standard_s_edition_or_says_that_there_is_none(name: str) -> None:
    """So that a result can be read in ten years."""
    standard = MANAGER.method(name).standard
    assert (
        "No standard" in standard or "no product standard" in standard or any(c.isdigit() for c in standard)
    )


@pytest.mark.parametrize("name", ["tensile", "shear", "torsion", "impact", "softening"])
def test_methods_that_use_the_piece_up_say_so(name: str) -> None:
    """A second destructive test on one piece is a mistake."""
    assert MANAGER.method(name).destructive


@pytest.mark.parametrize("name", ["diameter", "bendcheck"])
def test_methods_on_strand_are_done_on_a_spool(name: str) -> None:
    """Not on a printed piece."""
    assert MANAGER.method(name).subject == "spool"


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("tensile", "fragments"),
        ("shear", "flies"),
        ("torsion", "store energy"),
        ("creep", "falls"),
        ("impact", "raised pendulum"),
        ("bending", "Hung masses"),
        ("softening", "fumes"),
        ("softening", "safety data sheet"),
        ("density", "safety data sheet"),
    ],
)
def test_hazards_are_shown_where_readings_are_taken(name: str, words: str) -> None:
    """Stored energy, falling loads, heat and fumes."""
    assert words in " ".join(MANAGER.method(name).cautions)


def drawn(name: str, example: int) -> Any:
    """Return the figure of one example of a method."""
    method = MANAGER.method(name)
    readings = validate(method, method.examples()[example])
    return method.figure(readings, Piece(), MANAGER.compute(name, readings).outcomes)


@pytest.mark.parametrize(
    ("name", "example", "labels"),
    [
        ("tensile", 2, {"maximum 30 MPa", "break", "modulus 2.26e+03 MPa"}),
        ("bending", 1, {"after 1 s", "after 30 s", "after 60 s"}),
        ("bending", 2, {"recording", "maximum"}),
        ("creep", 0, {"read", "Findley's law", "one decade beyond"}),
        (
            "softening",
            0,
            {"log", "baseline", "standard deflection", "onset 53.1 °C", "at_deflection 59.0 °C"},
        ),
        ("taptone", 1, {"flexural fundamental"}),
        ("diameter", 0, {"d1", "d2", "mean"}),
        ("dimensions", 0, {"X", "Y", "Z"}),
    ],
)
def test_a_picture_shows_readings_and_results(name: str, example: int, labels: set[str]) -> None:
    """Named in its legend."""
    legend = drawn(name, example).axes[0].get_legend()
    assert {text.get_text() for text in legend.get_texts()} == labels


@pytest.mark.parametrize("name", ["shear", "torsion", "density", "impact"])
def test_a_method_without_a_curve_draws_its_budget(name: str) -> None:
    """Where the doubt comes from, largest on top."""
    axes = drawn(name, 0).axes[0]
    widths = [bar.get_width() for bar in axes.patches]
    assert widths == sorted(widths)
    assert sum(widths) == pytest.approx(100, abs=0.1)


@pytest.mark.parametrize(
    ("name", "raw"),
    [
        ("tensile", {"max_force": 100.0}),
        ("bending", {}),
        ("creep", {}),
        ("softening", {"onset_c": 50.0}),
        ("taptone", {"frequency": 1000.0}),
        ("diameter", {}),
        ("dimensions", {"chord": 80.0, "lift": 0.1}),
        ("bendcheck", {}),
        ("appearance", {}),
    ],
)
def test_without_anything_to_draw_there_is_no_picture(name: str, raw: dict[str, Any]) -> None:
    """An empty frame would look like a result."""
    method = MANAGER.method(name)
    assert method.figure(validate(method, raw), Piece(), ()) is None
