"""Propagation after JCGM 100:2008, compared with its own worked examples."""

from __future__ import annotations

import math

import pytest

from tests.api.close import approx
from tracker.api.maths import Spread, combine, expanded, mean_u, shares, welch_satterthwaite

# JCGM 100:2008 H.1, end gauge: inputs and printed results as quoted in three public test suites of
# uncertainty packages (lengths in nm; degrees of freedom as printed there).
GAUGE = {
    "ls": Spread(50_000_623.0, 25.0, 18),
    "d": Spread(215.0, 9.7, 25.6),
    "alpha_s": Spread(11.5e-6, 1.2e-6),
    "theta": Spread(-0.1, 0.41),
    "d_alpha": Spread(0.0, 0.58e-6, 50),
    "d_theta": Spread(0.0, 0.029, 2),
}


def gauge(ls: float, d: float, alpha_s: float, theta: float, d_alpha: float, d_theta: float) -> float:
    """L = ls + d − ls·(δα·θ + αs·δθ)  (H.1, equation H.3)."""
    return ls + d - ls * (d_alpha * theta + alpha_s * d_theta)


def test_the_end_gauge_has_its_printed_length() -> None:
    """H.1 prints 50.000 838 mm."""
    assert combine(gauge, GAUGE).value == approx(50_000_838.0)


def test_the_end_gauge_has_its_printed_uncertainty() -> None:
    """H.1 prints 32 nm from rounded components; at full precision it is 31.71 nm."""
    assert combine(gauge, GAUGE).u == approx(31.7106, abs=5e-5)


def test_the_end_gauge_has_its_printed_components() -> None:
    """H.1 prints 25, 9.7, 2.9 and 16.6 nm."""
    parts = {part.source: part.u for part in combine(gauge, GAUGE).contributions}
    assert parts == {
        "ls": approx(25.0, abs=0.05),
        "d_theta": approx(16.6, abs=0.1),
        "d": approx(9.7, abs=0.05),
        "d_alpha": approx(2.9, abs=0.05),
    }


def test_the_end_gauge_has_its_printed_degrees_of_freedom() -> None:
    """H.1 prints 16.7, truncated to 16; full precision gives 16.656."""
    assert combine(gauge, GAUGE).dof == approx(16.656, abs=1e-3)


def test_the_end_gauge_has_its_printed_expanded_uncertainty() -> None:
    """H.1 prints U₉₉ = 93 nm; full precision gives 92.62."""
    found = combine(gauge, GAUGE)
    assert expanded(found.u, found.dof, 0.99) == approx(92.62, abs=5e-3)


def test_the_second_order_terms_of_the_end_gauge_are_found() -> None:
    """H.1.7 prints 34 nm with them (from memory); recomputed 33.911."""
    found = combine(gauge, GAUGE, second_order=True)
    assert found.u == approx(33.911, abs=5e-4)
    assert found.second_order == approx(math.hypot(11.9, 1.74), abs=0.02)


def test_a_product_at_zero_has_only_second_order() -> None:
    """For y = a·b at a = b = 0 the exact standard deviation is u(a)·u(b), and the first order none."""
    found = combine(lambda a, b: a * b, {"a": Spread(0, 2.0), "b": Spread(0, 3.0)}, second_order=True)
    assert found.u == approx(6.0)


def test_a_square_at_zero_has_its_exact_scatter() -> None:
    """For y = x² at 0 the exact standard deviation of a normal x is √2·u²."""
    assert combine(lambda x: x * x, {"x": Spread(0, 2.0)}, second_order=True).u == approx(math.sqrt(2) * 4)


def test_the_third_derivative_takes_part() -> None:
    """For y = x³ at 1 the terms are (3u)² + (½·6² + 3·6)u⁴."""
    u = 0.1
    found = combine(lambda x: x**3, {"x": Spread(1.0, u)}, second_order=True)
    assert found.u**2 == approx((3 * u) ** 2 + 36 * u**4, rel=0.02)


def test_effective_degrees_of_freedom_of_g_4_1() -> None:
    """G.4.1 prints u = 1.03 %, ν = 19.0, U₉₅ = 2.2 % (inputs from memory, all digits reproduced)."""
    parts = [(0.25, 9), (0.57, 4), (0.82, 14)]
    u = math.sqrt(sum(part * part for part, _ in parts))
    dof = welch_satterthwaite(parts)
    assert (u, dof) == (approx(1.02947, abs=5e-6), approx(18.9987, abs=5e-5))
    # Truncation would take 18 here; the example itself rounds 18.9987 to 19.
    assert expanded(u, round(dof)) == approx(2.1547, abs=5e-5)


@pytest.mark.parametrize(("level", "t"), [(0.95, 2.12), (0.9545, 2.17), (0.99, 2.92)])
def test_student_s_t_for_16_degrees_of_freedom(level: float, t: float) -> None:
    """Table G.2 as quoted in the public test suites named above."""
    assert expanded(1.0, 16, level) == approx(t, abs=5e-3)


def test_known_uncertainties_have_infinite_degrees_of_freedom() -> None:
    """With none of them estimated the normal factor 1.96 holds."""
    assert welch_satterthwaite([(1.0, math.inf), (2.0, math.inf)]) == math.inf
    assert expanded(1.0) == approx(1.959964, abs=1e-6)


def test_degrees_of_freedom_are_truncated() -> None:
    """16.7 counts as 16."""
    assert expanded(1.0, 16.7) == expanded(1.0, 16)


def test_a_source_that_cancels_is_no_contribution() -> None:
    """A trace left by rounding is not listed."""
    assert [part.source for part in shares({"a": 1.0, "b": 1e-9})] == ["a"]


def test_a_mean_carries_s_over_root_n() -> None:
    """Type A: 1, 2, 3 give 2 ± 0.577 with two degrees of freedom."""
    assert mean_u([1.0, 2.0, 3.0]) == Spread(2.0, approx(1 / math.sqrt(3)), 2)


def test_one_value_has_no_scatter() -> None:
    """A single value is refused rather than called exact."""
    with pytest.raises(ValueError, match="at least two"):
        mean_u([1.0])
