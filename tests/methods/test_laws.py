"""Laws that hold whatever the numbers: scaling, symmetry, and doubt carried two ways."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tracker_methods.bending import Bending
from tracker_methods.creep import Creep
from tracker_methods.density import Density
from tracker_methods.dimensions import Dimensions
from tracker_methods.impact import Impact, pendulum_energy
from tracker_methods.shear import Shear
from tracker_methods.taptone import Taptone
from tracker_methods.tensile import Tensile
from tracker_methods.torsion import Torsion, stress_factor, twist_factor

from tests.api.close import approx
from tracker.api import Instrument, Method, Piece, nominal, testing, validate, with_uncertainty
from tracker.api.maths import monte_carlo

SIZE = st.floats(0.5, 200)
FACTOR = st.floats(0.1, 10)
RIGS = {
    "force": Instrument("R0001-A", "N", resolution=1.0, u_rel=0.01),
    "length": Instrument("R0002-B", "mm", resolution=0.01, u_abs=0.02),
    "mass": Instrument("R0003-C", "g", resolution=0.01, u_abs=0.01),
}


def ratio(method: Method, quantity: str, raw: dict[str, Any], **changes: Any) -> float:
    """Return how a quantity grows when readings are changed."""
    before, after = testing.values(method, raw), testing.values(method, {**raw, **changes})
    return after[f"{method.id}.{quantity}"] / before[f"{method.id}.{quantity}"]


@given(SIZE, SIZE, SIZE, FACTOR)
def test_strengths_grow_with_the_force(force: float, width: float, thickness: float, factor: float) -> None:
    """Twice the force, twice the stress; in tension, shear and torsion."""
    raw = {"max_force": force, "width": width, "thickness": thickness}
    more = {"max_force": force * factor}
    assert ratio(Tensile(), "strength", raw, **more) == approx(factor)
    assert ratio(Shear(), "strength", raw, **more) == approx(factor)
    assert ratio(Torsion(), "stress_max", {**raw, "arm": 100.0}, **more) == approx(factor)


@given(SIZE, SIZE, FACTOR)
def test_a_piece_twice_as_large_bears_torque_with_the_cube(
    width: float, thickness: float, factor: float
) -> None:
    """All lengths of the section scaled alike: stress falls with the third power."""
    raw = {"max_force": 10.0, "arm": 100.0, "width": width, "thickness": thickness}
    scaled = {"width": width * factor, "thickness": thickness * factor}
    assert ratio(Torsion(), "stress_max", raw, **scaled) == approx(factor**-3)


@given(st.floats(1, 50))
def test_torsion_factors_rise_to_a_third_and_stay_below(sides: float) -> None:
    """A thin strip has α = β = 1/3."""
    assert twist_factor(sides) <= stress_factor(sides) + 1e-12 < 1 / 3 + 1e-9
    assert stress_factor(sides) < stress_factor(sides * 1.1) + 1e-9


@given(st.floats(10, 200), FACTOR)
def test_bending_moduli_grow_with_the_cube_of_the_span(span: float, factor: float) -> None:
    """E = L³F/(4bh³s)."""
    raw = {"span": span, "width": 10.0, "thickness": 4.0, "rows": "5: .42 .45 .46"}
    assert ratio(Bending(), "modulus_1s", raw, span=span * factor) == approx(factor**3)


@given(st.floats(1e-3, 1), st.floats(1.05, 3))
def test_more_deflection_after_a_minute_is_a_larger_creep_ratio(first: float, grown: float) -> None:
    """The ratio is that of the deflections."""
    raw = {"rows": [[5.0, first, first, first * grown]]}
    assert testing.values(Bending(), raw)["bending.creep_ratio"] == approx(grown)


# Hundredths of a degree: nearer angles than a dial can show differ by less than the rounding of a cosine.
degrees = st.integers(500, 17_500).map(lambda hundredths: hundredths / 100)


@given(degrees, degrees)
def test_a_pendulum_that_rises_less_gave_more(fall: float, rise: float) -> None:
    """And none if it rises as high as it fell."""
    assert (pendulum_energy(2.0, fall, rise) > 0) == (rise < fall)
    assert pendulum_energy(2.0, fall, fall) == approx(0.0)


@given(st.floats(20, 170), st.floats(0.2, 0.9), st.floats(0.001, 0.05))
def test_losses_never_make_energy(fall: float, part: float, lost: float) -> None:
    """Net energy is below gross energy, and above gross less the whole free swing's loss."""
    raw = {"arm_length": 0.3, "mass": 1.0, "fall_angle": fall, "rise_angle": fall * part}
    gross = testing.values(Impact(), raw)["impact.energy"]
    net = testing.values(Impact(), {**raw, "free_angle": fall * (1 - lost)}).get("impact.energy", 0.0)
    whole = float(pendulum_energy(9.80665 * 0.3, fall, fall * (1 - lost)))
    assert gross - whole - 1e-12 <= net < gross


@given(st.floats(0.5, 50), st.floats(0.3, 3), st.floats(0, 40))
def test_density_is_that_of_which_the_masses_were_made(mass: float, rho: float, celsius: float) -> None:
    """A piece of known density, weighed without error with a sinker, gives it back."""
    from tracker_methods.density import water_density  # noqa: PLC0415 - it is the other half of this law

    pushed = mass / rho * float(water_density(celsius))
    raw = {
        "mass_air": mass,
        "mass_liquid": mass + 200 - pushed,
        "sinker": 200.0,
        "liquid_c": max(celsius, 1e-3),
        "air_buoyancy": "ignored",
    }
    assert testing.values(Density(), raw)["density.apparent"] == approx(rho, rel=1e-4)


@given(
    st.floats(0.9, 1.1),
    st.floats(-0.3, 0.3),
    st.lists(st.floats(5, 200), min_size=2, max_size=6, unique=True),
)
def test_scale_and_offset_are_found_from_any_lengths(
    scale: float, offset: float, lengths: list[float]
) -> None:
    """Measured = scale·nominal + offset gives both back."""
    sizes = [["X", length, scale * length + offset] for length in lengths]
    found = testing.values(Dimensions(), {"sizes": sizes})
    if max(lengths) - min(lengths) > 1:
        assert found["dimensions.scale_x"] == approx(1 / scale, rel=1e-6)
        assert found["dimensions.offset_x"] == approx(offset, abs=1e-6)


@given(st.floats(0.002, 0.02), st.floats(1e-4, 2e-3), st.floats(0.08, 0.6))
@settings(max_examples=25)
def test_any_findley_creep_is_found(e0: float, a: float, n: float) -> None:
    """Exact readings over four decades give the law back."""
    times = np.geomspace(0.02, 200, 14).tolist()
    series = [[t, 100 * (1 + e0 + a * t**n)] for t in times]
    raw = {"stress": 5.0, "reference_length": 100.0, "series": series}
    fine = {"length": Instrument("dial", "mm", resolution=1e-9)}
    found = testing.outcomes(Creep(), raw, None, fine)
    assert [nominal(found[f"creep.{name}"].value) for name in ("e0", "A", "n")] == approx(
        [100 * e0, 100 * a, n], rel=1e-4
    )


@given(FACTOR)
def test_tap_tone_modulus_grows_with_the_square_of_the_pitch(factor: float) -> None:
    """Twice the pitch, four times the modulus."""
    raw = {"length": 80.0, "width": 10.0, "thickness": 4.0, "mass": 4.0, "frequency": 1000.0}
    assert ratio(Taptone(), "modulus", raw, frequency=1000.0 * factor) == approx(factor**2)


@pytest.mark.parametrize(
    ("method", "quantity", "raw"),
    [
        (Tensile(), "strength", {"max_force": 1480.0, "width": 10.02, "thickness": 4.03}),
        (Shear(), "strength", {"max_force": 1480.0, "diameter": 5.0}),
        (Torsion(), "stress_max", {"max_force": 20.0, "arm": 150.0, "width": 10.0, "thickness": 4.0}),
        (Density(), "apparent", {"mass_air": 3.95, "mass_liquid": 0.76, "liquid_c": 23.0}),
        (
            Taptone(),
            "modulus",
            {"length": 80.0, "width": 10.0, "thickness": 4.0, "mass": 4.0, "frequency": 1000.0},
        ),
    ],
    ids=lambda value: getattr(value, "id", None),
)
def test_linear_propagation_agrees_with_drawing_the_readings(
    method: Method, quantity: str, raw: dict[str, Any]
) -> None:
    """Draws through the method itself, reading by reading, give the same uncertainty within 6 %."""
    carried: Any = with_uncertainty(validate(method, raw), RIGS)
    name = f"{method.id}.{quantity}"

    def once(**draw: float) -> float:
        readings = carried.model_copy(update=draw)
        return next(nominal(o.value) for o in method.compute(readings, Piece()) if o.quantity == name)

    def each(**draws: Any) -> Any:
        return np.array([once(**{k: float(v[i]) for k, v in draws.items()}) for i in range(4000)])

    linear = next(o for o in method.compute(carried, Piece()) if o.quantity == name).value
    drawn = monte_carlo(each, {field: getattr(carried, field) for field in raw}, draws=4000)
    assert linear.std_dev == approx(drawn.u, rel=0.06)
