"""Modulus rules, proof stress, yield and break on bare arrays."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.api.close import approx
from tracker.api.maths import (
    Slope,
    break_index,
    chord_modulus,
    fitted_modulus,
    from_foot,
    proof_stress,
    rising,
    slope_of,
    yield_index,
)

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


def test_both_rules_see_that_too_few_readings_are_in_the_interval() -> None:
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


def test_scatter_of_a_fitted_slope_agrees_with_the_reference_library() -> None:
    """Slope and its standard error as SciPy's linregress has them, of the readings inside the interval."""
    from scipy.stats import linregress  # noqa: PLC0415 - an oracle of its own

    stress = bent(BENT) + 0.01 * np.sin(np.arange(len(BENT)))
    found = fitted_modulus(BENT, stress)
    oracle = linregress(BENT[5:26], stress[5:26])
    assert (found.modulus, found.u, found.points) == (
        approx(oracle.slope),
        approx(oracle.stderr, rel=1e-6),
        21,
    )


def test_three_readings_are_a_fit() -> None:
    """One more than a line needs."""
    strain = np.array([0.0005, 0.0015, 0.0025])
    assert fitted_modulus(strain, 2000 * strain).points == 3


def test_readings_on_both_ends_of_the_interval_count() -> None:
    """0.05 and 0.25 % belong to it, whatever rounding made of them."""
    strain = np.array([0.0, 0.05, 0.15, 0.25, 0.4]) / 100
    assert chord_modulus(strain, 2000 * strain).points == 3


def test_a_curve_that_begins_too_late_has_no_modulus() -> None:
    """Its first strain is beyond 0.05 %."""
    strain = np.array([0.001, 0.002, 0.003])
    with pytest.raises(ValueError, match=r"covers 0\.1 to 0\.3 % of strain and not all of 0\.05 and 0\.25 %"):
        chord_modulus(strain, 2000 * strain)


def test_an_interval_of_ones_own_is_kept() -> None:
    """Between 0.1 and 0.3 % the parabola's chord is 2400 − 20 000·0.004 = 2320 MPa by either rule."""
    for rule in (chord_modulus, fitted_modulus):
        assert rule(BENT, bent(BENT), (0.001, 0.003)).modulus == approx(2320)


def test_a_flat_chord_has_its_foot_where_it_begins() -> None:
    """A modulus of zero meets zero stress nowhere: the begin of the interval stands, not infinity."""
    found = chord_modulus(np.array([0, 0.0005, 0.0025, 0.003]), np.array([0, 0, 0, 1.0]))
    assert (found.modulus, found.foot) == (0.0, 0.0005)


def test_why_there_is_no_slope_is_reported() -> None:
    """The reason comes back as text where a caller wants no exception."""
    strain = np.array([0, 0.001])
    assert "covers 0 to 0.1 % of strain" in str(slope_of(strain, 2000 * strain, "chord"))


def test_rules_are_distinguished_by_name() -> None:
    """A chord has no scatter, a fit of a curve has."""
    chord, fit = (slope_of(BENT, bent(BENT), rule) for rule in ("chord", "least squares"))
    assert isinstance(chord, Slope)
    assert isinstance(fit, Slope)
    assert chord.u == 0 < fit.u


@pytest.mark.parametrize("shift", [0.002, -0.0005, 1e-6])
def test_strain_counted_from_the_foot_begins_there(shift: float) -> None:
    """A toe is cut off: strain, interval and modulus are those of the curve without it."""
    strain = np.arange(-0.004, 0.006, 0.0001)
    stress = np.maximum(0, bent(strain))
    moved, slope = from_foot(strain + shift, stress, "chord")
    there, same = from_foot(strain, stress, "chord")
    assert isinstance(slope, Slope)
    assert isinstance(same, Slope)
    assert moved == approx(there, abs=1e-8)
    assert (slope.modulus, slope.foot) == (approx(same.modulus, rel=1e-6), approx(0, abs=1e-8))


def test_a_foot_beyond_the_curve_is_reported() -> None:
    """Where the interval moves off the end of the curve there is no modulus left."""
    strain = np.array([0, 0.0004, 0.0005, 0.0025])
    assert isinstance(from_foot(strain, np.array([0, 0, 0, 10.0]), "chord")[1], str)


def test_the_proof_stress_of_two_straight_lines_is_exact() -> None:
    """2000 MPa to 1 %, then 200 MPa: 20 + 200 (e - 0.01) = 2000 (e - 0.002) at e = 0.0122222: 20.4444 MPa."""
    strain = np.array([0, 0.005, 0.01, 0.02])
    stress = np.array([0, 10.0, 20.0, 22.0])
    assert proof_stress(strain, stress, Slope(2000, 3, 0.0)) == approx(20 + 200 * (22 / 1800 - 0.01))
    assert proof_stress(strain + 0.003, stress, Slope(2000, 3, 0.003)) == approx(
        20 + 200 * (22 / 1800 - 0.01)
    )


def test_a_wider_offset_proves_a_higher_stress() -> None:
    """With 0.5 % the same lines meet at 20 + 200 (e - 0.01) = 2000 (e - 0.005): 21.1111 MPa."""
    strain = np.array([0, 0.01, 0.02])
    found = proof_stress(strain, np.array([0, 20.0, 22.0]), Slope(2000, 3, 0.0), offset=0.005)
    assert found == approx(20 + 200 * (28 / 1800 - 0.01))


def test_a_curve_that_begins_below_the_line_has_no_proof_stress() -> None:
    """There is no reading before the crossing to draw a line from."""
    strain = np.array([0.01, 0.02, 0.03])
    assert proof_stress(strain, np.array([1.0, 2.0, 3.0]), Slope(2000, 3, 0.0)) is None


def test_a_force_of_exactly_a_fifth_is_not_yet_a_break() -> None:
    """The break is where it fell below, and the reading before that is the last of the piece."""
    assert break_index(np.array([0.0, 10.0, 2.0, 1.9])) == 2


def test_a_slow_start_is_no_break() -> None:
    """Only what comes after the maximum counts."""
    assert break_index(np.array([0.0, 0.5, 10.0, 9.0])) == 3


def test_another_share_of_the_force_may_mean_the_break() -> None:
    """At half the maximum the break comes earlier."""
    assert break_index(np.array([0.0, 10.0, 6.0, 4.0, 1.0]), left=0.5) == 2


def _pulled(fallen: list[float], travel: list[float] | None = None) -> int | None:
    """Return the yield of a force that rises to 100 at a travel of 100, and then these forces."""
    force = np.array([0.0, 25, 50, 75, 100, *fallen])
    return yield_index(np.array([0.0, 25, 50, 75, 100, *(travel or range(101, 101 + len(fallen)))]), force)


@pytest.mark.parametrize(
    ("fallen", "top"),
    [([98.9, 98.0, 97.0], 4), ([99.0, 99.0, 99.0], None), ([98.0, 97.0], None)],
    ids=["three readings lower", "a fall of exactly one per cent", "two readings lower"],
)
def test_a_yield_takes_a_fall_and_three_readings(fallen: list[float], top: int | None) -> None:
    """Less, or over fewer readings, is a wobble."""
    assert _pulled(fallen) == top


@pytest.mark.parametrize(("end", "top"), [(102.0, 4), (101.9, None)])
def test_a_yield_takes_a_stretch_of_two_per_cent(end: float, top: int | None) -> None:
    """Of the travel up to the maximum; exactly two count."""
    assert _pulled([98.0, 97.0, 96.0], [101, 101.5, end]) == top


def test_travel_is_counted_from_the_first_reading() -> None:
    """A rig whose extension begins at 1000 mm yields no later than one that begins at zero."""
    force = np.array([0.0, 50, 100, 98, 97, 96])
    travel = np.array([0.0, 50, 100, 101, 102, 103])
    assert yield_index(travel + 1000, force) == yield_index(travel, force) == 2


@pytest.mark.parametrize(("beyond", "top"), [(1.9, None), (2.1, 100)])
def test_a_yield_is_followed_by_two_per_cent_more_of_travel(beyond: float, top: int | None) -> None:
    """100 mm to the maximum, then falling by a tenth over that many more; less is the machine stopping."""
    travel = np.append(np.arange(101.0), 100 + beyond * np.array([0.25, 0.5, 0.75, 1.0]))
    force = np.append(np.arange(101.0), [97.0, 94, 91, 90])
    assert yield_index(travel, force) == top
