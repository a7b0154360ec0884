"""Modulus rules, proof stress, yield and break on bare arrays."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.api.close import approx
from tracker.api import Slope, break_index, chord_modulus, fitted_modulus, proof_stress, rising, yield_index

# Ductile cast iron, 4.8 × 15.9 mm, gauge length 75 mm: load (N) and length (mm). Callister, Materials
# Science and Engineering, chapter 6 problem; table as read at zuoti.pro solution e9k71k69j.
LOAD = np.array(
    [
        *(0, 4740, 9140, 12920, 16540, 18300, 20170, 22900, 25070, 26800),
        *(28640, 30240, 31100, 31280, 30820, 29180, 27190, 24140, 18970),
    ],
    dtype=float,
)
LENGTH = np.array(
    [
        *(75.000, 75.025, 75.050, 75.075, 75.113, 75.150, 75.225, 75.375, 75.525, 75.750),
        *(76.500, 78.000, 79.500, 81.000, 82.500, 84.000, 85.500, 87.000, 88.725),
    ]
)
STRAIN = LENGTH / 75 - 1
STRESS = LOAD / (4.8 * 15.9)
BENT = np.arange(0, 0.005, 0.0001)


def bent(strain: Any) -> Any:
    """σ = 2400 ε − 20 000 ε² (MPa): a chord of exactly 2340 MPa."""
    return 2400 * strain - 20_000 * strain**2


def test_the_chord_of_the_cast_iron() -> None:
    """80 549 MPa, interpolated between readings (recomputed by numpy)."""
    assert chord_modulus(STRAIN, STRESS).modulus == approx(80_549, abs=0.5)


def test_least_squares_of_the_cast_iron() -> None:
    """88 870 MPa from four readings (recomputed by numpy)."""
    found = fitted_modulus(STRAIN, STRESS)
    assert (found.modulus, found.points) == (approx(88_870, abs=0.5), 4)


def test_both_rules_see_that_too_few_readings_lie_in_the_interval() -> None:
    """Four readings between 0.05 and 0.25 % are fewer than five."""
    assert chord_modulus(STRAIN, STRESS).points == 4


def test_the_chord_of_a_parabola_is_exact() -> None:
    """E = (5.875 − 1.195)/0.002 = 2340 MPa."""
    assert chord_modulus(BENT, bent(BENT)).modulus == approx(2340.0, rel=1e-12)


def test_least_squares_of_a_parabola_is_its_chord() -> None:
    """For equally spaced readings over the interval the two rules agree."""
    assert fitted_modulus(BENT, bent(BENT)).modulus == approx(2340.0, rel=1e-9)


def test_a_straight_line_has_no_foot_and_no_scatter() -> None:
    """σ = 2000 ε meets zero at zero."""
    found = fitted_modulus(BENT, 2000 * BENT)
    assert (found.modulus, found.foot, found.u) == (approx(2000), approx(0, abs=1e-12), approx(0, abs=1e-6))


@given(st.floats(-4e-4, 4e-4))
def test_the_foot_is_where_the_line_meets_zero(shift: float) -> None:
    """A shifted line has its shift as foot, and the same modulus."""
    strain = np.arange(-0.001, 0.005, 0.0001)
    found = chord_modulus(strain, 2000 * (strain - shift))
    assert (found.modulus, found.foot) == (approx(2000), approx(shift, abs=1e-9))


def test_a_curve_that_ends_too_early_has_no_modulus() -> None:
    """The reach of the curve is named."""
    with pytest.raises(ValueError, match=r"covers 0 to 0\.2 % of strain"):
        chord_modulus(np.array([0, 0.001, 0.002]), np.array([0, 1.0, 2.0]))


def test_two_readings_are_no_fit() -> None:
    """Two points fit any line."""
    strain = np.array([0, 0.001, 0.002, 0.003])
    with pytest.raises(ValueError, match="only 2 readings"):
        fitted_modulus(strain, 2000 * strain)


def test_only_the_rising_part_is_interpolated() -> None:
    """What lies beyond the maximum, and readings that step back, are left out."""
    strain, _ = rising(np.array([0, 1, 0.5, 2, 3]), np.array([0, 1, 1, 3, 2]))
    assert strain.tolist() == [0, 1, 2]


def test_proof_stress_of_the_cast_iron() -> None:
    """With the initial slope 179 638 MPa: about 280 MPa (graphical, from memory)."""
    slope = Slope(STRESS[2] / STRAIN[2], 3, 0.0)
    assert slope.modulus == approx(179_638, abs=0.5)
    assert proof_stress(STRAIN, STRESS, slope) == approx(280, abs=10)


def test_proof_stress_of_an_ideal_plastic() -> None:
    """A curve that stays at 30 MPa is proven at 30 MPa."""
    strain = np.linspace(0, 0.1, 1001)
    stress = np.minimum(2000 * strain, 30 + strain)
    assert proof_stress(strain, stress, Slope(2000, 10, 0.0)) == approx(30.0, abs=0.05)


def test_a_brittle_curve_has_no_proof_stress() -> None:
    """A line that never bends does not leave its own modulus."""
    assert proof_stress(BENT, 2000 * BENT, Slope(2000, 10, 0.0)) is None


def test_the_cast_iron_yields_at_its_maximum() -> None:
    """The load falls after 31 280 N while the bar still stretches."""
    assert yield_index(STRAIN, LOAD) == 13


def test_the_cast_iron_breaks_at_its_last_reading() -> None:
    """Strain at break 0.18300 (recomputed from the published table)."""
    assert STRAIN[break_index(LOAD)] == approx(0.18300, abs=5e-6)


def test_the_tail_after_the_break_is_not_the_break() -> None:
    """A recording that runs on at nothing ends where the force fell."""
    assert break_index(np.array([0, 5, 10, 9, 1, 0, 0])) == 3


def test_a_brittle_break_is_no_yield() -> None:
    """A force that falls at once did not yield."""
    assert yield_index(np.arange(12.0), np.array([*range(10), 7, 0], dtype=float)) is None


def test_hardening_after_a_drop_still_yields_at_the_first_maximum() -> None:
    """The first maximum counts, even where a later one is higher."""
    force = np.concatenate([np.linspace(0, 30, 30), np.linspace(29, 25, 20), np.linspace(25, 40, 60)])
    assert yield_index(np.arange(len(force), dtype=float), force) == 29
