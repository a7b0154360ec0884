"""Diffusion in a strand against tables, another method and what must hold for any history."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import jn_zeros

from tests.exposure.finite_volume import history, rings
from tracker.errors import Refused
from tracker.exposure import uptake
from tracker.exposure.physics import (
    RATES,
    WEIGHTS,
    ZEROS,
    bessel_zeros,
    exposed,
    mean_pct,
    profile,
    sealed,
    short_time_uptake,
    uniform,
)

O1 = [(1.0, 0.05), (0.0, 0.02), (0.5, 0.10), (0.0, 0.40)]
"""An open history: surface value and dimensionless length of each step, from a dry start."""

O1_MEANS = [0.452121, 0.224195, 0.392337, 0.023611]
"""Its means after each step; modal and finite-volume computations agree on them to 2e-10."""

step = st.tuples(st.floats(0.0, 10.0), st.just(0.0) | st.floats(1e-12, 2.0))
"""Surface and τ; between no time at all and the shortest step a filament can notice lies nothing real."""
steps = st.lists(step, max_size=8)


def means(start: float, through: list[tuple[float, float]]) -> list[float]:
    """Return the mean after each step."""
    state, found = uniform(start), []
    for surface, tau in through:
        state = exposed(state, surface, tau)
        found.append(mean_pct(state))
    return found


def test_zeros_of_the_bessel_function() -> None:
    """The first zeros of J0 are those of Abramowitz and Stegun, Table 9.5."""
    table = [2.404825558, 5.520078110, 8.653727913, 11.791534439, 14.930917708]
    assert ZEROS[:5] == pytest.approx(table, abs=5e-10)


def test_all_zeros_against_another_library() -> None:
    """Every zero agrees with SciPy's to 1e-12."""
    assert np.max(np.abs(bessel_zeros(400) - jn_zeros(0, 400))) < 1e-12


def test_few_zeros() -> None:
    """Fewer zeros than are tabulated can be asked for."""
    assert bessel_zeros(3) == pytest.approx(ZEROS[:3])


def test_weights_make_a_whole() -> None:
    """The weights sum to one, and the tail has the weight 4/(π² N) that is left over."""
    assert float(WEIGHTS.sum()) == pytest.approx(1.0, abs=1e-15)
    assert WEIGHTS[-1] == pytest.approx(4.0 / (math.pi**2 * 200.25), rel=1e-3)


# Fractional uptake of a cylinder, computed by the series, by inverting the Laplace image (Talbot) and by
# finite volumes, which agree to 1e-9; Crank, The Mathematics of Diffusion, section 5.3 has the formula.
TABLE = [
    (0.001, 0.070359),
    (0.005, 0.154507),
    (0.01, 0.215474),
    (0.05, 0.452121),
    (0.1, 0.605824),
    (0.2, 0.782148),
    (0.5, 0.961621),
    (1.0, 0.997870),
]


@pytest.mark.parametrize(("tau", "fraction"), TABLE)
def test_fractional_uptake(tau: float, fraction: float) -> None:
    """The fractional uptake agrees with the table to 1e-6."""
    assert uptake(tau) == pytest.approx(fraction, abs=1e-6)


@pytest.mark.parametrize(("tau", "fraction"), TABLE)
def test_fractional_uptake_against_finite_volumes(tau: float, fraction: float) -> None:
    """A solver without any Bessel function gives the same uptake to 1e-8."""
    assert history(0.0, [(1.0, tau)])[0] == pytest.approx(uptake(tau), abs=1e-8)
    assert fraction < 1.0


@pytest.mark.parametrize(
    ("fraction", "tau"),
    [
        (0.1, 0.002045),
        (0.2, 0.008553),
        (0.3, 0.020208),
        (0.5, 0.063058),
        (0.6, 0.097631),
        (0.7, 0.145344),
        (0.9, 0.334413),
        (0.95, 0.454261),
        (0.99, 0.732556),
    ],
)
def test_time_for_a_fraction(fraction: float, tau: float) -> None:
    """The fraction is reached within 1e-6 of the table's time; Crank gives 0.063 for the half."""
    assert uptake(tau - 1e-6) < fraction < uptake(tau + 1e-6)


@pytest.mark.parametrize(("tau", "bound"), [(0.001, 1e-8), (0.01, 1.3e-6), (0.1, 6e-4)])
def test_short_time_series(tau: float, bound: float) -> None:
    """The series in the root of time falls behind the modes no faster than its next term."""
    assert abs(short_time_uptake(tau) - uptake(tau)) < bound


def test_both_forms_meet() -> None:
    """Where the series hands over to the modes, the two agree to 1e-11."""
    below, above = uptake(0.9999999e-4), uptake(1.0000001e-4)
    assert above - below == pytest.approx(2e-11 * 2.0 / math.sqrt(math.pi * 1e-4), rel=0.02)


def test_open_history() -> None:
    """The open history O1 agrees with its means to 1e-6."""
    assert means(0.0, O1) == pytest.approx(O1_MEANS, abs=1e-6)


def test_open_history_against_finite_volumes() -> None:
    """A solver without any Bessel function gives the open history to 1e-9."""
    assert means(0.0, O1) == pytest.approx(history(0.0, list(O1)), abs=1e-9)


def test_profile_after_the_second_step() -> None:
    """The profile after two steps of O1 agrees with the known one to 1e-5."""
    state = exposed(exposed(uniform(0.0), *O1[0]), *O1[1])
    found = profile(state, np.array([0.0, 0.5, 0.8, 0.95]))
    assert found == pytest.approx([0.05302, 0.24671, 0.31345, 0.09488], abs=2e-5)


def test_profile_against_finite_volumes() -> None:
    """The profile agrees with that of the rings inside the strand."""
    state = exposed(exposed(uniform(0.0), *O1[0]), *O1[1])
    radii, values = rings(0.0, list(O1[:2]))
    inside = radii < 0.97
    assert profile(state, radii[inside]) == pytest.approx(values[inside], abs=1e-4)


def _reset_each_step() -> list[float]:
    """Return O1 as it comes out when the profile is forgotten at each step."""
    mean, found = 0.0, []
    for surface, tau in O1:
        mean = mean_pct(exposed(uniform(mean), surface, tau))
        found.append(mean)
    return found


def _without_tail(modes: int) -> list[float]:
    """Return O1 as it comes out when the tail is dropped."""
    state, found = np.zeros(modes), []
    for surface, tau in O1:
        state = surface + (state - surface) * np.exp(-RATES[:modes] * tau)
        found.append(float(WEIGHTS[:modes] @ state))
    return found


def _one_exponential() -> list[float]:
    """Return O1 as it comes out with the slowest mode alone."""
    mean, found = 0.0, []
    for surface, tau in O1:
        mean = surface + (mean - surface) * math.exp(-RATES[0] * tau)
        found.append(mean)
    return found


@pytest.mark.parametrize(
    ("wrong", "signature"),
    [
        (_reset_each_step(), [0.452121, 0.317134, 0.427919, 0.029283]),
        (_without_tail(50), [0.444056, 0.224195, 0.388305, 0.023611]),
        (_one_exponential(), [0.251107, 0.223680, 0.345028, 0.034136]),
        (means(0.0, [(c, t / 4.0) for c, t in O1]), [0.239529, 0.126055, 0.226536, 0.051321]),
    ],
    ids=["profile forgotten", "tail dropped", "one exponential", "diameter for radius"],
)
def test_wrong_answers_are_distinguished(wrong: list[float], signature: list[float]) -> None:
    """Each known mistake gives its own signature, and ours is none of them."""
    assert wrong == pytest.approx(signature, abs=1e-6)
    assert max(abs(a - b) for a, b in zip(wrong, O1_MEANS, strict=True)) > 1e-3


@given(st.floats(0.0, 10.0), st.lists(st.floats(0.0, 2.0), max_size=5))
def test_at_equilibrium_nothing_changes(pct: float, lengths: list[float]) -> None:
    """A strand in equilibrium with its surface stays as it is."""
    assert means(pct, [(pct, tau) for tau in lengths]) == pytest.approx([pct] * len(lengths), abs=1e-12)


@given(st.floats(0.0, 10.0), step, st.integers(2, 40))
def test_a_step_is_the_sum_of_its_pieces(start: float, whole: tuple[float, float], pieces: int) -> None:
    """Splitting a step leaves the result the same to 1e-12."""
    surface, tau = whole
    apart = means(start, [(surface, tau / pieces)] * pieces)[-1]
    assert apart == pytest.approx(means(start, [whole])[-1], abs=1e-11)


@given(st.floats(0.0, 10.0), steps)
def test_means_stay_between_what_they_were_driven_to(
    start: float, through: list[tuple[float, float]]
) -> None:
    """The mean never leaves the range of the start and the surface values."""
    values = [start, *(surface for surface, _ in through)]
    assert all(min(values) - 1e-9 <= mean <= max(values) + 1e-9 for mean in means(start, through))


@given(st.floats(0.0, 10.0), steps, st.floats(0.1, 5.0))
def test_means_are_linear(start: float, through: list[tuple[float, float]], factor: float) -> None:
    """Scaling the start and every surface value scales every mean."""
    scaled = means(start * factor, [(surface * factor, tau) for surface, tau in through])
    assert scaled == pytest.approx([factor * mean for mean in means(start, through)], abs=1e-10)


@given(st.floats(0.0, 10.0), steps, st.floats(0.0, 2.0))
def test_sealing_keeps_the_mean(start: float, through: list[tuple[float, float]], tau: float) -> None:
    """Between sealed walls no water is lost or gained."""
    state = uniform(start)
    for surface, length in through:
        state = exposed(state, surface, length)
    assert mean_pct(sealed(state, tau)) == pytest.approx(mean_pct(state), abs=1e-12)


@pytest.mark.parametrize(("tau", "bound"), [(0.005, 0.08), (0.02, 0.12), (0.1, 0.05), (0.3, 0.003)])
def test_sealing_evens_out_like_the_exact_solution(tau: float, bound: float) -> None:
    """Dried after a time in a bag, a strand keeps what finite volumes say, within the stated bound."""
    through: list[tuple[float | None, float]] = [(1.0, 0.02), (None, tau), (0.0, 0.02)]
    state = exposed(sealed(exposed(uniform(0.0), 1.0, 0.02), tau), 0.0, 0.02)
    assert mean_pct(state) == pytest.approx(history(0.0, through)[-1], rel=bound)


def test_a_long_sealed_time_forgets_the_profile() -> None:
    """After a long time in a bag the strand is even."""
    state = sealed(exposed(uniform(0.0), 1.0, 0.02), 2.0)
    assert state == pytest.approx(uniform(mean_pct(state)), abs=1e-12)


def test_no_time_changes_nothing() -> None:
    """A step without length leaves the state alone, tail included."""
    state = exposed(uniform(0.3), 1.0, 0.01)
    assert exposed(state, 9.0, 0.0).tolist() == state.tolist()


def test_half_of_the_loss_in_two_hours() -> None:
    """A 1.75 mm strand with D = 6.70541e-12 m²/s has lost half after 2 h."""
    assert uptake(6.70541e-12 * 7200.0 / 0.000875**2) == pytest.approx(0.5, rel=1e-6)


def test_impossible_times_are_refused() -> None:
    """Time does not run backwards."""
    with pytest.raises(Refused, match="cannot have a negative length"):
        uptake(-1.0)


def test_the_series_for_short_times_is_the_sum_over_modes_less_its_next_term() -> None:
    """At τ = 0.001 both hold; the next term of the asymptotic series of I1/I0, 13/96 τ³, is 1.4e-10."""
    assert short_time_uptake(1e-3) == pytest.approx(uptake(1e-3), abs=3e-10, rel=0)
