"""Propagation of distributions after JCGM 101:2008."""

from __future__ import annotations

import math
from typing import Any

import pytest
from uncertainties import ufloat

from tests.api.close import approx
from tracker.api.maths import Spread, combine, monte_carlo, simulated_budget
from tracker.api.uncertainty import Shape


def additive(a: Any, b: Any, c: Any, d: Any) -> Any:
    """Y = X₁ + X₂ + X₃ + X₄, the model of 9.2."""
    return a + b + c + d


def four(shape: Shape) -> dict[str, Spread]:
    """Return four inputs of mean 0 and standard deviation 1."""
    return dict.fromkeys("abcd", Spread(0.0, 1.0, shape=shape))


def test_four_normal_inputs_as_in_9_2_2() -> None:
    """9.2.2 prints u = 2.00 and [−3.92, 3.92] (from memory, reproduced by 2·10⁶ draws)."""
    found = monte_carlo(additive, four("normal"), draws=400_000)
    assert (found.u, found.low, found.high) == (
        approx(2.0, abs=0.01),
        approx(-3.92, abs=0.03),
        approx(3.92, abs=0.03),
    )


def test_four_rectangular_inputs_as_in_9_2_3() -> None:
    """9.2.3 prints [−3.88, 3.88] (from memory, reproduced)."""
    found = monte_carlo(additive, four("rectangular"), draws=400_000)
    assert (found.low, found.high) == (approx(-3.88, abs=0.02), approx(3.88, abs=0.02))


def test_a_fixed_factor_fails_where_9_2_3_says_it_should() -> None:
    """K = 1.96 gives ±3.92 for rectangular inputs, outside what the draws allow."""
    found = monte_carlo(additive, four("rectangular"), draws=400_000)
    assert abs(1.96 * combine(additive, four("rectangular")).u - found.high) > 0.02


@pytest.mark.parametrize("shape", ["normal", "rectangular", "triangular", "arcsine"])
def test_every_shape_has_the_stated_standard_deviation(shape: Shape) -> None:
    """Draws have mean and u of their input."""
    found = monte_carlo(lambda x: x, {"x": Spread(5.0, 2.0, shape=shape)})
    assert (found.mean, found.u) == (approx(5.0, abs=0.02), approx(2.0, abs=0.02))


def test_a_t_distribution_keeps_its_wider_tails() -> None:
    """With ν degrees of freedom the standard deviation is √(ν/(ν − 2)) times u."""
    found = monte_carlo(lambda x: x, {"x": Spread(0.0, 1.0, dof=10, shape="t")})
    assert found.u == approx(math.sqrt(10 / 8), abs=0.02)


def test_the_same_seed_gives_the_same_digits() -> None:
    """A result can be computed again."""
    assert monte_carlo(additive, four("normal"), 1000) == monte_carlo(additive, four("normal"), 1000)


def test_another_seed_gives_others() -> None:
    """The seed is really used."""
    assert monte_carlo(additive, four("normal"), 1000, seed=1) != monte_carlo(
        additive, four("normal"), 1000, seed=2
    )


def test_what_two_numbers_share_is_drawn_once() -> None:
    """One calibration cancels in a difference."""
    shared = ufloat(0.0, 1.0, "R: calibration")
    found = monte_carlo(lambda a, b: a - b, {"a": 5 + shared, "b": 3 + shared})
    assert (found.mean, found.u) == (approx(2.0), approx(0.0, abs=1e-12))


def test_a_rounding_is_drawn_as_a_rectangle() -> None:
    """The 95 % interval of a rounding reaches 0.95·√3·u."""
    found = monte_carlo(lambda a: a, {"a": ufloat(0.0, 1.0, "width: resolution")})
    assert found.high == approx(0.95 * math.sqrt(3), abs=0.01)


def test_a_calibration_is_drawn_normal() -> None:
    """The 95 % interval of a calibration reaches 1.96 u."""
    assert monte_carlo(lambda a: a, {"a": ufloat(0.0, 1.0, "R: calibration")}).high == approx(1.96, abs=0.03)


def test_plain_numbers_stand_still() -> None:
    """A number without uncertainty is the same in every draw."""
    assert monte_carlo(lambda a: a, {"a": 4.0}, 100).u == 0.0


def test_draws_where_the_function_is_undefined_are_counted() -> None:
    """Lost draws are reported, not hidden."""

    def root(x: Any) -> Any:
        return x**0.5

    found = monte_carlo(root, {"x": Spread(1.0, 1.0)}, 10_000)
    assert found.lost == approx(1587, abs=150)
    assert found.draws + found.lost == 10_000


def test_mostly_undefined_functions_are_refused() -> None:
    """A result from less than half of the draws is none."""
    with pytest.raises(ValueError, match="gave no finite value"):
        monte_carlo(lambda x: x**0.5, {"x": Spread(-5.0, 1.0)}, 1000)


def test_draws_agree_with_the_law_of_propagation_for_a_nearly_straight_function() -> None:
    """The plain law is the oracle where it holds."""
    inputs = {"f": Spread(1480.0, 8.0), "b": Spread(10.02, 0.02), "h": Spread(4.03, 0.02)}

    def stress(f: Any, b: Any, h: Any) -> Any:
        return f / (b * h)

    assert monte_carlo(stress, inputs).u == approx(combine(stress, inputs).u, rel=0.01)


def test_the_simulated_budget_names_the_largest_source_first() -> None:
    """Each input is drawn alone, the others held."""
    inputs = {"a": Spread(0.0, 1.0), "b": Spread(0.0, 3.0), "c": 2.0}
    parts = simulated_budget(lambda a, b, c: a + b + c, inputs)
    assert [part.source for part in parts] == ["b", "a"]
    assert parts[0].share == approx(0.9, abs=0.01)
