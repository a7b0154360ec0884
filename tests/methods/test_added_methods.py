"""Heat deflection, layer adhesion, compression, hardness, notched impact, flatness: against known values."""

from __future__ import annotations

import io
import math
import wave
from typing import Any

import numpy as np
import pytest
from tracker_methods.adhesion import Adhesion, shape
from tracker_methods.compression import Compression
from tracker_methods.density import Density
from tracker_methods.flatness import Flatness
from tracker_methods.hardness import Hardness
from tracker_methods.heatdeflection import HeatDeflection, load_for, standard_deflection
from tracker_methods.impact import Impact
from tracker_methods.notchedimpact import NotchedImpact
from tracker_methods.softening import Softening
from tracker_methods.taptone import Taptone

from tests.api.close import approx
from tracker.api import Piece, Recording, nominal, testing

BAR = {"force": 0.75, "span": 64.0, "width": 10.0, "thickness": 4.0}


@pytest.mark.parametrize(("stress", "newton"), [(1.80, 3.000), (0.45, 0.750), (8.00, 13.3333)])
def test_loads_of_iso_75(stress: float, newton: float) -> None:
    """A, B and C on 10 × 4 mm over 64 mm (recomputed)."""
    assert load_for(stress, 64.0, 10.0, 4.0) == approx(newton, abs=5e-5)


@pytest.mark.parametrize(
    ("thickness", "printed"), [(3.8, 0.36), (3.9, 0.35), (4.0, 0.34), (4.1, 0.33), (4.2, 0.33)]
)
def test_standard_deflection_is_that_of_the_printed_table(thickness: float, printed: float) -> None:
    """ISO 75-2, table of standard deflections (from memory), to its two digits."""
    assert standard_deflection(64.0, thickness) == approx(printed, abs=0.0055)


def test_heat_deflection_is_between_two_rows() -> None:
    """Rows of 55 to 59 °C and 0.341333 mm: 57.56807 °C (recomputed)."""
    rows = "54,0\n55,0.221\n56,0.255\n57,0.301\n58,0.372\n59,0.480\n"
    log = Recording("oven.csv", ("temperature_c,deflection_mm\n" + rows).encode())
    found = testing.outcomes(HeatDeflection(), {**BAR, "log": log})["heatdeflection.temperature"]
    assert nominal(found.value) == approx(57.56807, abs=1e-5)
    assert found.group == "method B"


def test_a_noisy_dial_widens_the_heat_deflection() -> None:
    """Noise of 0.02 mm where the bar sinks 0.02 mm a degree is a degree; a dial without noise adds little."""
    rng = np.random.default_rng(2)

    def u(noise: float) -> float:
        mm = [max(0.0, 0.0213 * (c - 45.0)) + float(rng.normal(0.0, noise)) for c in range(25, 80)]
        rows = "".join(f"{25 + i},{each:.6f}\n" for i, each in enumerate(mm))
        log = Recording("oven.csv", f"temperature_c,deflection_mm\n{rows}".encode())
        value = testing.outcomes(HeatDeflection(), {**BAR, "log": log})["heatdeflection.temperature"].value
        parts = {str(source.tag): part for source, part in value.error_components().items()}
        return float(parts.get("log: noise and step of the deflection", 0.0))

    assert u(0.0) < 0.01
    assert 0.2 < u(0.02) < 3.0


def test_a_bar_that_never_gave_is_a_limit() -> None:
    """The end of the oven is a lower bound, not a lost piece."""
    log = Recording("oven.csv", b"temperature_c,deflection_mm\n20,0\n60,0.05\n100,0.1\n")
    found = testing.outcomes(HeatDeflection(), {**BAR, "log": log})["heatdeflection.temperature"]
    assert (nominal(found.value), found.relation) == (100.0, ">")


@pytest.mark.parametrize(("x", "printed"), [(0.45, 2.29), (0.50, 2.66), (0.55, 3.14)])
def test_the_shape_of_a_notched_bar(x: float, printed: float) -> None:
    """ASTM E399, table of f(a/W) for the bend specimen (from memory), to its two decimals."""
    assert shape(x) == approx(printed, abs=0.0055)


def test_toughness_of_a_bar() -> None:
    """62 N on 10 × 5 mm, a/W 0.5, span 40 mm: F·S/(B·W^1.5)·f = 1.319 MPa·√m (recomputed by hand)."""
    raw = {"max_force": 62.0, "width": 10.0, "thickness": 5.0, "notch": 5.0, "span": 40.0}
    hand = 62.0 * 0.040 / (0.005 * 0.010**1.5) * float(shape(0.5)) / 1e6
    assert testing.values(Adhesion(), raw)["adhesion.toughness"] == approx(hand, rel=1e-12)
    assert hand == approx(1.321, abs=0.002)


def test_hardness_is_the_mean_with_its_scatter() -> None:
    """70 72 74: 72, standard deviation 2, so that u is 2/√3 and the degrees of freedom two."""
    found = testing.outcomes(Hardness(), {"points": "70 72 74"})["hardness.shore"]
    assert nominal(found.value) == 72.0
    assert found.value.std_dev == approx(math.hypot(2 / math.sqrt(3), 0.5 / math.sqrt(12) / math.sqrt(3)))
    assert found.group == "Shore D"


def test_notched_impact_takes_off_friction_and_toss() -> None:
    """0.20 J, free swing 0.01 J, second throw 0.02 J: 0.18 J over 4 × 8 mm is 5.625 kJ/m²."""
    raw = {"energy": 0.20, "loss": 0.01, "toss": 0.02, "thickness": 4.0, "left_width": 8.0}
    assert testing.values(NotchedImpact(), raw)["notchedimpact.strength"] == approx(5.625)


@pytest.mark.parametrize("method", [NotchedImpact(), Impact()], ids=["notched", "plain"])
def test_a_piece_that_did_not_break_is_counted_in_its_group(method: Any) -> None:
    """N has no value and is not lost."""
    raw = {"energy": 0.2, "thickness": 4, "left_width": 8} if method.id == "notchedimpact" else {}
    found = testing.outcomes(method, {**raw, "break_type": "N"})[f"{method.id}.strength"]
    assert found.value is None
    assert found.group.split()[-1] == "N"


def test_flatness_of_a_twisted_plate() -> None:
    """Corners 0.1 mm up and down on a tilted plane: 0.2 mm whatever the tilt."""
    corners = [(0, 0, 1), (80, 0, -1), (80, 40, 1), (0, 40, -1)]
    points = [[x, y, 0.3 + 0.01 * x - 0.02 * y + 0.1 * sign] for x, y, sign in corners]
    assert testing.values(Flatness(), {"points": points})["flatness.deviation"] == approx(0.2)


def test_bridges_held_up_to_the_first_that_hung_through() -> None:
    """A longer one that held after a shorter one failed held by luck."""
    found = testing.outcomes(Flatness(), {"bridges": "10:0.05 20:0.9 40:0.3"})
    assert nominal(found["flatness.longest_bridge"].value) == 10.0
    assert nominal(found["flatness.sag"].value) == 0.9


def test_compression_of_a_block() -> None:
    """2,470 N on 100 mm²; pressed flat without a break it is a lower bound."""
    block = {"width": 10.0, "thickness": 10.0, "height": 20.0}
    assert testing.values(Compression(), {**block, "max_force": 2470})["compression.strength"] == approx(24.7)
    rows = "\n".join(f"{i * 0.005:.3f},{min(6.0 * i, 2000 + i):.1f}" for i in range(1000))
    curve = Recording("press.csv", f"travel_mm,force_N\n{rows}\n".encode())
    found = testing.outcomes(Compression(), {**block, "curve": curve})
    assert found["compression.strength"].relation == ">"
    assert nominal(found["compression.stress_10"].value) == approx(24.0, abs=0.5)
    assert found["compression.modulus"].group == "apparent"


def test_a_floater_is_a_limit() -> None:
    """It swims: lighter than the water."""
    found = testing.outcomes(Density(), {"mass_air": 2.0, "mass_liquid": 0.0, "liquid_c": 23})
    assert (found["density.apparent"].relation, round(nominal(found["density.apparent"].value), 4)) == (
        "<",
        0.9975,
    )


def test_impact_speed_is_that_of_the_striking_point() -> None:
    """A uniform rod of 0.6 m: period 1.2689 s, L_P 0.4 m; from 90°, at its end v = √(3gL) = 4.202 m/s."""
    rod, g = 0.6, 9.80665
    period = 2 * math.pi * math.sqrt(2 * rod / 3 / g)
    raw = {"arm_length": rod / 2, "mass": 1.0, "fall_angle": 90, "rise_angle": 60, "striking_radius": rod}
    found = testing.outcomes(Impact(), {**raw, "period": period})["impact.energy"]
    assert any(f"{math.sqrt(3 * g * rod):.2f} m/s" in each for each in found.remarks)


def test_one_knock_ends_nothing() -> None:
    """A single reading of 1 mm among the flat ones leaves the onset where it was."""
    celsius = [25 + 0.5 * i for i in range(130)]
    flat = [0.0004 * (c - 25) + 0.02 * max(0.0, c - 60.0) ** 1.5 for c in celsius]
    knocked = [*flat[:30], flat[30] + 1.0, *flat[31:]]
    onsets = []
    for course in (flat, knocked):
        body = "\n".join(f"{c:.2f},{d:.5f}" for c, d in zip(celsius, course, strict=True))
        log = Recording("oven.csv", f"temperature_c,deflection_mm\n{body}\n".encode())
        onsets.append(testing.outcomes(Softening(), {"log": log})["softening.onset"])
    assert nominal(onsets[1].value) == approx(nominal(onsets[0].value), abs=0.05)
    assert any("knocked" in each for each in onsets[1].remarks)


def tap(
    parts: list[tuple[float, float, float]], seed: int, rate: int = 24_000, seconds: float = 0.4
) -> Recording:
    """Return a sound of tones (level, Hz, loss factor) in faint noise."""
    time = np.arange(int(rate * seconds)) / rate
    sound = sum(a * np.exp(-math.pi * f * q * time) * np.sin(2 * math.pi * f * time) for a, f, q in parts)
    sound = sound + np.random.default_rng(seed).normal(0, 5e-4, time.size)
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as out:
        out.setparams((1, 2, rate, time.size, "NONE", ""))
        out.writeframes((np.clip(sound / 2, -1, 1) * 32767).astype("<i2").tobytes())
    return Recording("tap.wav", buffer.getvalue())


def test_thumps_of_a_low_damped_mode_do_not_fool_the_tap() -> None:
    """Fifty thumps of a low, damped mode as loud as the tone: right, or refused, in 98 % or more."""
    size = {"length": 80.05, "width": 10.02, "thickness": 4.01, "mass": 3.968}
    source = np.random.default_rng(11)
    fooled = 0
    for seed in range(50):
        low, damping = source.uniform(120, 600), source.uniform(0.06, 0.4)
        parts = [(0.4, 1049.0, 0.02), (0.1, 2.74 * 1049, 0.02), (0.4, low, damping)]
        found = testing.outcomes(Taptone(), {**size, "recording": tap(parts, seed)}, Piece(family="PLA"))
        outcome = found["taptone.modulus"]
        fooled += outcome.value is not None and abs(nominal(outcome.value) / 3342 - 1) > 0.03
    assert fooled <= 1


def test_a_modulus_that_no_family_member_has_is_refused() -> None:
    """A mass of ten times: 33 GPa is no PLA."""
    raw = {"length": 80.05, "width": 10.02, "thickness": 4.01, "mass": 39.68, "frequency": 1049}
    found = testing.outcomes(Taptone(), raw, Piece(family="PLA"))["taptone.modulus"]
    assert "three times off what PLA has" in found.refused


@pytest.mark.parametrize(
    ("hertz", "refused"), [(404.0, True), (408.0, False), (2032.0, False), (2042.0, True)]
)
def test_a_modulus_is_doubted_beyond_three_times_what_the_family_has(hertz: float, refused: bool) -> None:
    """E grows with f², and 1049 Hz make 3,342 MPa; PLA has 1,500 to 4,200 MPa."""
    raw = {"length": 80.05, "width": 10.02, "thickness": 4.01, "mass": 3.968, "frequency": hertz}
    found = testing.outcomes(Taptone(), raw, Piece(family="PLA"))["taptone.modulus"]
    assert bool(found.refused) is refused
