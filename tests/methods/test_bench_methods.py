"""Shear, torsion, density, impact, bending: against published examples."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from tracker_methods import bending, density, impact, torsion
from tracker_methods.shear import Shear, double_shear

from tests.api.close import approx
from tracker.api import Instrument, Method, Outcome, Piece, Recording, nominal, testing
from tracker.api.maths import budget

BAR = {"span": 64.0, "width": 10.0, "thickness": 4.0}
PENDULUM = {"arm_length": 0.23, "mass": 0.9, "width": 10.0, "thickness": 4.0}


def of(method: Method, quantity: str, **raw: Any) -> Outcome:
    """Return one outcome."""
    return testing.outcomes(method, raw)[f"{method.id}.{quantity}"]


def value(method: Method, quantity: str, **raw: Any) -> float:
    """Return one plain value."""
    return nominal(of(method, quantity, **raw).value)


def test_double_shear_of_a_steel_pin() -> None:
    """15 mm at 385 MPa bears 136.070 kN (published 136 kN: gauthmath.com solution 1816996798737432)."""
    assert double_shear(136_070.0, math.pi * 15**2 / 4) == approx(385.0, abs=1e-3)


def test_double_shear_of_a_pin_and_a_bar() -> None:
    """1480 N: 37.688 MPa on 5.00 mm round, 37.000 MPa on 4 × 5 mm (recomputed)."""
    assert value(Shear(), "strength", max_force=1480, diameter=5) == approx(37.688, abs=5e-4)
    assert value(Shear(), "strength", max_force=1480, width=4, thickness=5) == approx(37.0)


def test_shear_without_a_section_is_refused() -> None:
    """It says what to give."""
    assert "give width and thickness, or diameter" in of(Shear(), "strength", max_force=1).refused


# b/t, α, β: Saint-Venant's series to k = 399, recomputed; the table printed in Timoshenko and in Beer &
# Johnston has the same to its three digits (from memory, reproduced).
TABLE = [
    *(
        (1, 0.208165, 0.140577),
        (1.2, 0.218934, 0.166119),
        (1.25, 0.221208, 0.171733),
        (1.5, 0.230969, 0.195761),
    ),
    *(
        (1.75, 0.238964, 0.214261),
        (2, 0.245878, 0.228682),
        (2.5, 0.257590, 0.249365),
        (3, 0.267208, 0.263317),
    ),
    *((4, 0.281666, 0.280813), (5, 0.291500, 0.291317), (6, 0.298359, 0.298320), (8, 0.307075, 0.307073)),
    (10, 0.312325, 0.312325),
]


@pytest.mark.parametrize(("ratio", "alpha", "beta"), TABLE)
def test_torsion_factors_of_a_rectangle(ratio: float, alpha: float, beta: float) -> None:
    """Six digits of the recomputed table."""
    assert (torsion.stress_factor(ratio), torsion.twist_factor(ratio)) == (
        approx(alpha, abs=6e-7),
        approx(beta, abs=6e-7),
    )


@pytest.mark.parametrize(
    ("wide", "thin", "torque"), [(40, 40, 532.90), (64, 25, 414.15)], ids=["square", "rectangle"]
)
def test_torques_that_two_bars_bear(wide: float, thin: float, torque: float) -> None:
    """40 MPa: 532 and 414 N·m (Beer & Johnston, Example 3.09, from memory; exact series 532.90, 414.15)."""
    assert torsion.stress_factor(wide / thin) * wide * thin**2 * 40 / 1000 == approx(torque, abs=5e-3)


def test_torque_of_a_mass_on_an_arm() -> None:
    """3.2 kg on 150 mm: 4.707192 N·m square to the arm, 4.076548 N·m at 60° (recomputed)."""
    assert value(torsion.Torsion(), "torque_at_90", mass_at_90=3.2, arm=150) == approx(4.707192, abs=5e-7)
    assert torsion.torque(3.2 * 9.80665, 150, 60) == approx(4.076548, abs=5e-7)


def test_apparent_stress_of_a_twisted_bar() -> None:
    """That torque on 10 × 4 mm: 114.212 MPa (recomputed)."""
    found = value(torsion.Torsion(), "stress_max", max_force=3.2 * 9.80665, arm=150, width=10, thickness=4)
    assert found == approx(114.212, abs=5e-4)


def test_stress_of_a_round_bar() -> None:
    """D 8 mm, 2500 N·mm: 24.86796 MPa (recomputed)."""
    assert value(torsion.Torsion(), "stress_max", max_force=25, arm=100, diameter=8) == approx(
        24.86796, abs=5e-6
    )


def test_which_side_is_called_width_does_not_matter() -> None:
    """The wider side is b, whatever it was called."""
    sides = [
        value(torsion.Torsion(), "stress_max", max_force=20, arm=150, width=w, thickness=t)
        for w, t in ((10, 4), (4, 10))
    ]
    assert sides[0] == sides[1]


def test_modulus_of_a_round_bar_twisted() -> None:
    """G = 32TL/(πd⁴θ)."""
    found = value(
        torsion.Torsion(), "modulus", diameter=8, free_length=80, arm=100, force_at_90=10, angle_deg=9
    )
    assert found == approx(32 * 1000 * 80 / (math.pi * 8**4 * math.radians(9)))


@pytest.mark.parametrize(("radians", "warned"), [(0.3999, False), (0.4001, True)])
def test_a_bar_twisted_beyond_two_per_cent_of_surface_strain_is_hardly_elastic(
    radians: float, warned: bool
) -> None:
    """γ = dθ/(2L) at the surface of a round bar (closed form): 8 mm, 80 mm and 0.4 rad make 2 %."""
    raw = {
        "diameter": 8,
        "free_length": 80,
        "arm": 100,
        "force_at_90": 10,
        "angle_deg": math.degrees(radians),
    }
    found = of(torsion.Torsion(), "modulus", **raw)
    assert ("Surface strain 2.0 %: hardly elastic any more." in found.remarks) is warned


def test_torsion_stress_is_called_apparent() -> None:
    """And so is what it assumes."""
    assert (
        of(torsion.Torsion(), "stress_max", max_force=20, arm=150, diameter=8)
        .remarks[0]
        .startswith("Apparent")
    )


def test_without_an_arm_there_is_no_torque() -> None:
    """It says what the arm is."""
    assert "no arm" in of(torsion.Torsion(), "torque_max", max_force=20).refused


# kg/m³, air-free, 101.325 kPa; 0–40 °C reference array of a public test suite for water density, equal to
# the formula of Tanaka et al., Metrologia 38 (2001) 301.
WATER = [
    *((10, 999.7027), (15, 999.1026), (18, 998.5984), (19, 998.4079), (20, 998.2067), (21, 997.9950)),
    *((22, 997.7730), (23, 997.5408), (24, 997.2988), (25, 997.0470), (26, 996.7857), (27, 996.5151)),
    *((28, 996.2353), (30, 995.6488)),
]


@pytest.mark.parametrize(("celsius", "density_kg"), WATER)
def test_density_of_water(celsius: float, density_kg: float) -> None:
    """All printed digits."""
    assert 1000 * density.water_density(celsius) == approx(density_kg, abs=6e-5)


def test_density_of_a_printed_piece() -> None:
    """3.9542 g, 0.7638 g, 23 °C: 1.236358, with air 1.236071 g/cm³, voids 0.2937 % (recomputed)."""
    raw = {"mass_air": 3.9542, "mass_liquid": 0.7638, "liquid_c": 23.0, "reference_density": 1.24}
    method = density.Density()
    assert value(method, "apparent", **raw, air_buoyancy="ignored") == approx(1.236358, abs=5e-7)
    assert value(method, "apparent", **raw) == approx(1.236071, abs=5e-7)
    assert value(method, "voids", **raw, air_buoyancy="ignored") == approx(0.2937, abs=5e-5)


def test_a_sinker_s_own_mass_drops_out() -> None:
    """A piece that floats is weighed with a sinker."""
    raw = {"mass_air": 2.0, "mass_liquid": 9.8, "sinker": 10.0, "liquid_density": 1.0}
    found = value(density.Density(), "apparent", **raw, air_buoyancy="ignored")
    assert found == approx(2.0 / 2.2)


def test_negative_voids_are_flagged_not_clipped() -> None:
    """Denser than the reference is a fact to look into."""
    found = of(density.Density(), "voids", mass_air=4, mass_liquid=0.8, liquid_c=23, reference_density=1.2)
    assert nominal(found.value) < 0
    assert found.remarks[-1].startswith("Negative")


def test_the_data_sheet_is_the_reference_where_none_is_given() -> None:
    """And that its uncertainty is unknown is said."""
    raw = {"mass_air": 3.9542, "mass_liquid": 0.7638, "liquid_c": 23.0, "air_buoyancy": "ignored"}
    found = testing.outcomes(density.Density(), raw, Piece(density_g_cm3=1.24))["density.voids"]
    assert nominal(found.value) == approx(0.2937, abs=5e-5)
    assert "data sheet" in found.remarks[-1]


@pytest.mark.parametrize(("liquid", "why"), [(4.0, "use a sinker"), (5.0, "use a sinker")])
def test_a_piece_that_floats_is_refused(liquid: float, why: str) -> None:
    """It weighs as much in the liquid as in air, or more."""
    assert why in of(density.Density(), "apparent", mass_air=4, mass_liquid=liquid, liquid_c=23).refused


def test_water_beyond_the_formula_is_refused() -> None:
    """0 to 40 °C."""
    assert "0 to 40" in of(density.Density(), "apparent", mass_air=4, mass_liquid=1, liquid_c=60).refused


@pytest.mark.parametrize(("high", "low", "joule"), [(1.20, 0.68, 112.2264), (0.75, 0.28, 101.4354)])
def test_energy_of_a_published_pendulum(high: float, low: float, joule: float) -> None:
    """22 kg, g 9.81: 112 and 101 J as published (calculator5.snowdaycalculatornow.com p=8160, p=7660)."""
    arm = 1.0
    angles = [math.degrees(math.acos(1 - h / arm)) for h in (high, low)]
    assert impact.pendulum_energy(22 * 9.81 * arm, *angles) == approx(joule, abs=5e-5)


def test_energy_in_inch_pounds() -> None:
    """60 lb on 31.5 in from 50° to 20°: 561.150 in·lbf = 63.4015 J (inputs: physicsforums thread 531485)."""
    found = impact.pendulum_energy(60 * 31.5, 50, 20)
    assert found == approx(561.150, abs=5e-4)
    assert found * 0.1129848290276167 == approx(63.4015, abs=5e-5)


def test_energy_and_strength_of_a_bench_pendulum() -> None:
    """0.8049950 J, 20.12487 kJ/m² gross; free swing to 149.2° loses 0.0143428 J (recomputed)."""
    raw = {**PENDULUM, "fall_angle": 150, "rise_angle": 118}
    assert value(impact.Impact(), "energy", **raw) == approx(0.8049950, abs=5e-8)
    assert value(impact.Impact(), "strength", **raw) == approx(20.12487, abs=5e-6)
    assert impact.pendulum_energy(0.9 * 9.80665 * 0.23, 150, 149.2) == approx(0.0143428, abs=5e-8)


def test_losses_are_shared_by_swept_angle_and_subtracted() -> None:
    """W = W_free (α + β)/(α + β_free)."""
    raw = {**PENDULUM, "fall_angle": 150, "rise_angle": 118, "free_angle": 149.2}
    loss = 0.0143428 * (150 + 118) / (150 + 149.2)
    assert value(impact.Impact(), "energy", **raw) == approx(0.8049950 - loss, abs=2e-7)


def test_losses_that_were_not_read_are_reported() -> None:
    """Gross energy is not passed off as net."""
    found = of(impact.Impact(), "energy", **PENDULUM, fall_angle=150, rise_angle=118)
    assert "Losses not subtracted: no free swing was read." in found.remarks


def test_losses_of_a_dial_pendulum() -> None:
    """E_A .030, E_B .018, E_S .850, E_M 2.71 J, from 150°: .0241132 J (formula from memory, recomputed)."""
    drop = 1 - math.cos(math.radians(150))
    assert impact.dial_loss(0.850, 2.71, 0.030, 0.018, drop) == approx(0.0241132, abs=5e-8)
    raw = {
        "dial_energy": 0.850,
        "pendulum_energy": 2.71,
        "free_loss": 0.030,
        "windage_loss": 0.018,
        "fall_angle": 150,
    }
    assert value(impact.Impact(), "energy", **raw) == approx(0.850 - 0.0241132, abs=5e-8)


def test_limits_of_the_dial_form() -> None:
    """E_S = E_A gives E_A; E_S = E_M gives E_B/2."""
    assert impact.dial_loss(0.030, 2.71, 0.030, 0.018, 1.5) == approx(0.030)
    assert impact.dial_loss(2.71, 2.71, 0.030, 0.018, 1.5) == approx(0.009)


def test_energy_from_level_distances() -> None:
    """L .40 m, .38 to .25 m, .8 kg: heights .27510004 and .08775010 m, 1.4698202 J (recomputed)."""
    assert impact.height(0.40, 0.38) == approx(0.27510004, abs=5e-9)
    found = value(impact.Impact(), "energy", arm_length=0.4, mass=0.8, fall_distance=380, rise_distance=250)
    assert found == approx(1.4698202, abs=5e-8)


def test_a_piece_that_did_not_break_has_no_energy_of_breaking() -> None:
    """Type N gives no value."""
    found = of(impact.Impact(), "strength", **PENDULUM, fall_angle=150, rise_angle=40, break_type="N")
    assert (found.value, found.refused[:7]) == (None, "type N:")


def test_break_types_are_groups_that_are_not_averaged() -> None:
    """The type travels with the result."""
    found = of(impact.Impact(), "energy", **PENDULUM, fall_angle=150, rise_angle=118, break_type="C")
    assert found.group == "C"


def test_a_notch_leaves_less_to_break() -> None:
    """The width under the notch counts."""
    raw = {**PENDULUM, "fall_angle": 150, "rise_angle": 118}
    assert value(impact.Impact(), "strength", **raw, notch=2) == approx(20.12487 * 10 / 8, abs=1e-5)


@pytest.mark.parametrize(("rise", "said"), [(149.0, True), (118.0, False), (20.0, True)])
def test_energies_outside_10_to_80_per_cent_of_the_pendulum_are_reported(rise: float, said: bool) -> None:
    """A too large or too small pendulum measures badly."""
    found = of(impact.Impact(), "energy", **PENDULUM, fall_angle=150, rise_angle=rise)
    assert any("outside 10 to 80 %" in remark for remark in found.remarks) is said


def test_stress_of_a_published_glass_bar() -> None:
    """H 5.3, b 11, L 44 mm, 300 N: 64.0797 MPa (published 64.08: homeworksource.com 1087714)."""
    assert bending.bending_stress(300, 44, 11, 5.3) == approx(64.0797, abs=5e-5)


def test_stress_and_strain_of_a_bar() -> None:
    """98.4 N on 10.02 × 4.03 over 64 mm: 58.04817 MPa; 6 mm: 3.541992 % (recomputed)."""
    assert bending.bending_stress(98.4, 64, 10.02, 4.03) == approx(58.04817, abs=5e-6)
    assert 100 * bending.bending_strain(6.0, 64, 4.03) == approx(3.541992, abs=5e-7)


def test_the_chord_of_a_bend_is_exact() -> None:
    """0.0853333 and 0.4266667 mm at 1.6666667 and 8.3333333 N: 2000 MPa (recomputed)."""
    rows = [(0.0, 0.0), (0.256 / 3, 5 / 3), (1.28 / 3, 25 / 3), (1.0, 18.0)]
    text = "deflection_mm,force_N\n" + "".join(f"{s!r},{f!r}\n" for s, f in rows)
    curve = Recording("bend.csv", text.encode())
    found = value(bending.Bending(), "modulus", **BAR, curve=curve, modulus_rule="chord")
    assert found == approx(2000.0, rel=1e-9)


def a_bend(rng: np.random.Generator, noise: float) -> Recording:
    """Return a bar of 2000 MPa bent to 0.5 mm in 200 rows, the force with noise, N."""
    s = np.linspace(0.0, 0.5, 200)
    f = 19.53125 * s + rng.normal(0.0, noise, len(s))
    rows = "".join(f"{a:.5f},{b:.6f}\n" for a, b in zip(s.tolist(), f.tolist(), strict=True))
    return Recording("bend.csv", f"deflection_mm,force_N\n{rows}".encode())


def test_the_noise_of_a_bend_is_in_its_modulus() -> None:
    """What moduli of noisy recordings scatter by is what each says of itself, within sampling."""
    rng = np.random.default_rng(5)
    found = [of(bending.Bending(), "modulus", **BAR, curve=a_bend(rng, 0.2)).value for _ in range(40)]
    real = float(np.std([nominal(each) for each in found], ddof=1))
    told = [
        part
        for each in found
        for source, part in each.error_components().items()
        if str(source.tag) == "curve: scatter about the line"
    ]
    assert len(told) == len(found)
    assert 0.7 < float(np.mean(told)) / real < 1.4


def test_a_bend_with_a_spike_is_looked_at_first() -> None:
    """A reading that stands out above both sides is no force of the bar."""
    rows = a_bend(np.random.default_rng(1), 0.0).data.decode().splitlines()
    rows[-1] = rows[-1].partition(",")[0] + ",9.0"
    rows.insert(150, rows[150].partition(",")[0] + ",60.0")
    curve = Recording("bend.csv", "\n".join(rows).encode())
    assert "--take 'spike=leave out'" in of(bending.Bending(), "modulus", **BAR, curve=curve).refused


@pytest.mark.parametrize(("deflection", "factor"), [(6, 1.029296875), (10, 1.107421875)])
def test_factors_for_large_deflections(deflection: float, factor: float) -> None:
    """L 64, h 4 mm; the factor of the standard (from memory, recomputed)."""
    assert bending.large_deflection(deflection, 64, 4) == approx(factor)


@pytest.mark.parametrize(("name", "modulus"), [("1s", 1219.05), ("30s", 1145.41), ("60s", 1122.81)])
def test_apparent_moduli_of_a_dead_load(name: str, modulus: float) -> None:
    """5 N, .420/.447/.456 mm (recomputed)."""
    assert value(bending.Bending(), f"modulus_{name}", **BAR, rows="5: .420 .447 .456") == approx(
        modulus, abs=5e-3
    )


def test_seating_drops_out_of_several_loads() -> None:
    """0.1 mm of seating does not change the slope."""
    plain = value(bending.Bending(), "modulus_1s", **BAR, rows="2: .2 .2 .2; 4: .4 .4 .4")
    seated = value(bending.Bending(), "modulus_1s", **BAR, rows="2: .3 .3 .3; 4: .5 .5 .5")
    assert plain == approx(seated)


def test_creep_ratio_is_deflection_over_deflection() -> None:
    """0.456/0.420."""
    assert value(bending.Bending(), "creep_ratio", **BAR, rows="5: .420 .447 .456") == approx(0.456 / 0.420)


def test_the_rig_s_own_give_is_taken_off() -> None:
    """0.01 mm/N of 5 N is 0.05 mm."""
    found = value(bending.Bending(), "modulus_1s", **BAR, rows="5: .470 .5 .5", compliance=0.01)
    assert found == approx(1219.05, abs=5e-3)


@pytest.mark.parametrize(("span", "said"), [(64.0, False), (40.0, True), (80.0, True)])
def test_spans_off_the_rule_are_reported(span: float, said: bool) -> None:
    """L/h = 16 ± 1."""
    found = of(bending.Bending(), "stress", **{**BAR, "span": span}, rows="5: .42 .45 .46")
    assert any("outside 16 ± 1" in remark for remark in found.remarks) is said


def test_a_deflection_beyond_a_tenth_of_the_span_is_corrected_by_name() -> None:
    """Stress times the factor of ASTM D790."""
    found = of(bending.Bending(), "stress", **BAR, rows="50: 10 10 10")
    assert nominal(found.value) == approx(bending.bending_stress(50, 64, 10, 4) * 1.107421875)
    assert any("factor 1.107 of ASTM D790" in remark for remark in found.remarks)


def test_a_bar_that_did_not_break_has_no_strength() -> None:
    """A recording that ends high shows no break."""
    text = "deflection_mm,force_N\n0,0\n1,20\n2,40\n"
    found = of(bending.Bending(), "strength", **BAR, curve=Recording("bend.csv", text.encode()))
    assert "did not break" in found.refused


def test_a_calibration_shows_in_every_budget() -> None:
    """A caliper's calibration is the larger part of a bending modulus: thickness counts three times."""
    rigs = {
        "length": Instrument("R0002-B", "mm", u_abs=0.02),
        "force": Instrument("R0001-A", "N", u_rel=0.002),
    }
    found = testing.outcomes(bending.Bending(), {**BAR, "rows": "5: .42 .45 .46"}, instruments=rigs)
    assert budget(found["bending.modulus_1s"].value)[0].source == "R0002-B: calibration"
