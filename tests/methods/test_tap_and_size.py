"""Tap tone against an independent beam solution and a real sound; dimensions."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq
from tracker_methods import taptone
from tracker_methods.dimensions import Dimensions, radius, shrinkage
from tracker_methods.taptone import Taptone

from tests.api.close import approx
from tests.realdata import real_data
from tracker.api import Outcome, Recording, nominal, testing

PLASTIC = {"length": 80.05, "width": 10.02, "thickness": 4.01, "mass": 3.968, "poisson": 0.36}


def timoshenko(
    young: float, poisson: float, density: float, length: float, width: float, thickness: float
) -> float:
    """Return the first flexural frequency (Hz) of a free-free Timoshenko beam, SI units.

    Independent of the formula under test: the four end conditions (no moment, no shear at both ends) as
    a determinant of exponential solutions of the beam's two coupled equations.
    """
    area, inertia = width * thickness, width * thickness**3 / 12
    kappa = 5 * (1 + poisson) / (6 + 5 * poisson)
    shear = kappa * young / (2 * (1 + poisson)) * area

    def determinant(hertz: float) -> float:
        w2 = (2 * np.pi * hertz) ** 2
        # w'' − ψ' + ρA ω²/S·w = 0 and EI ψ'' + S (w' − ψ) + ρI ω² ψ = 0, with w, ψ ∝ exp(λx).
        a = density * area * w2 / shear
        b = density * inertia * w2 / (young * inertia)
        c = shear / (young * inertia)
        squares = np.roots([1.0, a + b, a * (b - c)]).astype(complex)
        roots = np.concatenate([np.sqrt(squares), -np.sqrt(squares)])
        tilt = (roots**2 + a) / roots
        rows = [e * r for e in (np.ones(4), np.exp(roots * length)) for r in (tilt * roots, roots - tilt)]
        return float(np.real(np.linalg.det(np.array(rows)) / 1j))

    euler = 22.3733 / (2 * np.pi * length**2) * np.sqrt(young * inertia / (density * area))
    return float(brentq(determinant, 0.8 * euler, 1.02 * euler))


@pytest.mark.parametrize(
    ("slenderness", "poisson", "t1"),
    [(0.05, 0.30, 1.01796564), (0.05, 0.36, 1.01856361), (0.10, 0.30, 1.07107979), (0.20, 0.30, 1.27427448)],
)
def test_correction_factor(slenderness: float, poisson: float, t1: float) -> None:
    """T₁ of ASTM E1876 (recomputed; its constants as published in a public script)."""
    assert taptone.correction(slenderness, poisson) == approx(t1, abs=5e-9)


def test_modulus_of_a_plastic_bar() -> None:
    """1049 Hz, 3.968 g, 80.05 × 10.02 × 4.01 mm: 3.342290 GPa (recomputed)."""
    found = testing.values(Taptone(), {**PLASTIC, "frequency": 1049.0})
    assert found["taptone.modulus"] == approx(3342.290, abs=5e-4)


def test_the_independent_beam_has_its_known_frequency() -> None:
    """3.5 GPa, 80 × 10 × 4 mm, 1240 kg/m³: 1069.646 Hz (recomputed)."""
    assert timoshenko(3.5e9, 0.36, 1240, 0.080, 0.010, 0.004) == approx(1069.646, abs=5e-3)


@pytest.mark.parametrize(
    ("length", "poisson", "within"),
    [
        *((80.0, 0.25, 5e-4), (80.0, 0.36, 5e-4), (80.0, 0.45, 1.1e-3)),
        *((48.0, 0.25, 1.3e-3), (48.0, 0.36, 1.3e-3), (48.0, 0.45, 2.7e-3)),
    ],
)
def test_modulus_agrees_with_an_independent_timoshenko_beam(
    length: float, poisson: float, within: float
) -> None:
    """The beam's own pitch gives its modulus back within 0.05 % at L/t = 20, 0.13 % at 12.

    At a Poisson's ratio of 0.45 they differ by twice as much.
    """
    hertz = timoshenko(3.5e9, poisson, 1240, length / 1000, 0.010, 0.004)
    mass = 1240 * length * 10 * 4 * 1e-6
    assert taptone.modulus(mass, hertz, length, 10, 4, poisson) == approx(3500, rel=within)


def test_logarithmic_decrement() -> None:
    """1 to .2 in 50 cycles: δ .03218876, Q 97.599 (recomputed)."""
    decrement, q = taptone.quality(5.0, 50)
    assert (decrement, q) == (approx(0.03218876, abs=5e-9), approx(97.599, abs=5e-4))


def steel() -> dict[str, Outcome]:
    """Return what is answered of a real struck bar (github.com/jjderooy/pyRFDA, MIT)."""
    raw: dict[str, Any] = {"length": 114.36, "width": 25.44, "thickness": 3.12, "mass": 71.3, "poisson": 0.29}
    raw["recording"] = Recording("steel-bar.wav", real_data("sound", "steel-bar.wav").read_bytes())
    return testing.outcomes(Taptone(), raw)


def test_a_real_bar_s_fundamental_is_not_its_tallest_tone() -> None:
    """1279.3 Hz, though 7020 Hz stands taller."""
    found = steel()["taptone.frequency"]
    assert nominal(found.value) == approx(1279.3, abs=0.1)
    assert "The tallest tone, 7020" in found.remarks[1]


def test_a_real_bar_s_modulus() -> None:
    """214.9 GPa."""
    assert nominal(steel()["taptone.modulus"].value) / 1000 == approx(214.9, abs=0.1)


def test_a_real_clip_is_too_short_for_damping() -> None:
    """The loss factor is refused with the reason."""
    assert steel()["taptone.loss_factor"].refused.startswith("the clip is too short")


def test_a_sound_gives_pitch_modulus_and_loss() -> None:
    """The made-up tap: 1049 Hz, loss factor 0.02, and a taller tone that is none."""
    found = testing.values(Taptone(), {**PLASTIC, "recording": taptone.example_sound()})
    assert found["taptone.frequency"] == approx(1049.0, rel=5e-4)
    assert found["taptone.modulus"] == approx(3342.3, rel=1e-3)
    assert found["taptone.loss_factor"] == approx(0.02, rel=0.03)


def test_a_typed_pitch_beside_a_sound_is_a_hint() -> None:
    """The recording's own pitch is used, and both are reported."""
    raw = {**PLASTIC, "recording": taptone.example_sound(), "frequency": 1040}
    found = testing.outcomes(Taptone(), raw)["taptone.frequency"]
    assert found.remarks[-1] == "The recording's 1049.0 Hz was used; typed was 1040 Hz."


def test_an_assumed_poisson_s_ratio_is_reported() -> None:
    """It was not measured."""
    raw = {**{k: v for k, v in PLASTIC.items() if k != "poisson"}, "frequency": 1049}
    remarks = testing.outcomes(Taptone(), raw)["taptone.modulus"].remarks
    assert any(remark.startswith("Poisson's ratio assumed") for remark in remarks)


def test_a_file_that_is_no_sound_is_refused() -> None:
    """By its name."""
    found = testing.outcomes(Taptone(), {**PLASTIC, "recording": Recording("tap.mp3", b"ID3")})
    assert found["taptone.frequency"].refused.startswith("tap.mp3 cannot be read")


def test_shrinkage_and_scale() -> None:
    """80.000 to 79.620: .475 %, factor 1.00477267 (recomputed)."""
    found = testing.values(Dimensions(), {"sizes": "X:80:79.62"})
    assert found["dimensions.shrinkage_x"] == approx(0.475)
    assert found["dimensions.scale_x"] == approx(1.00477267, abs=5e-9)


def test_shrinkages_add_up_as_the_standard_says() -> None:
    """S_T = S_M + S_P − S_M·S_P/100: .59443 % both ways (identity recomputed)."""
    first, post = shrinkage(80.0, 79.62), 0.12
    last = 79.62 * (1 - post / 100)
    assert shrinkage(80.0, last) == approx(first + post - first * post / 100) == approx(0.59443, abs=5e-6)


def test_two_lengths_tell_offset_from_scale() -> None:
    """Measured = 0.995·nominal + 0.1."""
    sizes = [["Y", n, 0.995 * n + 0.1] for n in (20.0, 80.0, 150.0)]
    found = testing.values(Dimensions(), {"sizes": sizes})
    assert found["dimensions.offset_y"] == approx(0.1)
    assert found["dimensions.scale_y"] == approx(1 / 0.995)


def test_one_length_has_no_offset() -> None:
    """It says what to measure."""
    found = testing.outcomes(Dimensions(), {"sizes": "Z:4:4.05"})["dimensions.offset_z"]
    assert "measure a second one" in found.refused


def test_a_size_far_off_is_questioned() -> None:
    """8 for 80 is a slip of the finger."""
    found = testing.outcomes(Dimensions(), {"sizes": "X:80:8"})["dimensions.shrinkage_x"]
    assert found.remarks[-1] == "X 8 mm is -90.0 % off 80 mm: a slip?"


def test_radius_of_a_warp() -> None:
    """Chord 80, lift .35: 2285.8893 mm (recomputed)."""
    assert radius(80.0, 0.35) == approx(2285.8893, abs=5e-5)


def test_a_flat_piece_has_no_radius() -> None:
    """Zero lift is a measured warp of zero."""
    found = testing.outcomes(Dimensions(), {"chord": 80, "lift": 0})
    assert nominal(found["dimensions.warp"].value) == 0
    assert "unbounded" in found["dimensions.warp_radius"].refused


def test_sizes_off_their_line_widen_scale_and_offset() -> None:
    """Residuals of a tenth of a millimetre tell more than the caliper's hundredth."""
    near = testing.outcomes(Dimensions(), {"sizes": "X:20:19.96 X:80:79.84 X:150:149.70"})
    far = testing.outcomes(Dimensions(), {"sizes": "X:20:20.06 X:80:79.64 X:150:149.80"})
    for name in ("dimensions.scale_x", "dimensions.offset_x"):
        assert far[name].value.std_dev > 5 * near[name].value.std_dev
    sources = {str(each.tag): each.tag for each in far["dimensions.offset_x"].value.error_components()}
    assert sources["scatter about the line"].dof == 1
