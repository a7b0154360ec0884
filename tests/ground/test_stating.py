"""How results are stated: coverage factors beside published tables, rounding beside JCGM 100."""

from __future__ import annotations

import math
from types import SimpleNamespace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import t

from tracker.stating import coverage_factor, rounded, state, state_row

# JCGM 100:2008, table G.2, columns p = 95 % and 99 % (from memory; 16 was read in public test suites).
TABLE = [
    (1, 12.71, 63.66), (2, 4.30, 9.92), (5, 2.57, 4.03), (10, 2.23, 3.17), (16, 2.12, 2.92),
    (20, 2.09, 2.85), (50, 2.01, 2.68), (math.inf, 1.960, 2.576),
]  # fmt: skip


@pytest.mark.parametrize(("dof", "at_95", "at_99"), TABLE)
def test_coverage_factors_are_those_of_the_guide(dof: float, at_95: float, at_99: float) -> None:
    """To the two digits printed there."""
    assert coverage_factor(dof) == pytest.approx(at_95, abs=0.0051)
    assert coverage_factor(dof, 0.99) == pytest.approx(at_99, abs=0.0051)


@given(st.integers(1, 5000), st.floats(0.01, 0.999))
def test_coverage_factors_agree_with_scipy(dof: int, level: float) -> None:
    """The finite sum, and beyond it the expansion, give Student's quantile."""
    assert coverage_factor(dof, level) == pytest.approx(float(t.ppf(0.5 + level / 2, dof)), rel=1e-7)


def test_degrees_of_freedom_are_truncated() -> None:
    """16.7 counts as 16 (JCGM 100, G.4.1 NOTE 1), and below one as one."""
    assert coverage_factor(16.7) == coverage_factor(16)
    assert coverage_factor(0.2) == coverage_factor(1)


def test_the_end_gauge_of_the_guide() -> None:
    """JCGM 100, H.1.6: u_c = 32 nm, ν_eff = 16.7; U_99 = 2.92 · 32 nm = 93 nm."""
    assert coverage_factor(16.7, 0.99) * 32 == pytest.approx(93, abs=0.5)


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (48.3, 0.65, "48.3 ± 1.3 MPa (U, k = 2.0, 95 %)"),
        (48.3, 0.498, "48.30 ± 0.98 MPa (U, k = 2.0, 95 %)"),
        # 0.9957 rounds to two digits as 1.0: the value ends at the tenth, not at the hundredth.
        (48.3, 0.508, "48.3 ± 1.0 MPa (U, k = 2.0, 95 %)"),
        (2113.4, 435.0, "2110 ± 850 MPa (U, k = 2.0, 95 %)"),
        (-0.001, 0.2, "0.00 ± 0.39 MPa (U, k = 2.0, 95 %)"),
        (48.3, None, "48.3 MPa"),
        (48.3, 0.0, "48.3 MPa"),
        (None, None, "no value"),
    ],
)
def test_two_digits_of_u_and_the_value_to_its_place(value: float | None, u: float | None, text: str) -> None:
    """JCGM 100, 7.2.6."""
    assert state(value, u, "MPa").text == text


def test_few_degrees_of_freedom_widen_the_interval() -> None:
    """Ten readings: k is 2.26, and both ends of the interval follow it."""
    stated = state(10.0, 1.0, "N", dof=9)
    assert stated.text == "10.0 ± 2.3 N (U, k = 2.3, 95 %)"
    assert (stated.low, stated.high) == pytest.approx((10 - 2.262157, 10 + 2.262157))


def test_a_limit_says_so() -> None:
    """A value that is only a bound keeps its sign."""
    assert state(5.0, None, "N", relation=">").text == "> 5 N"
    assert state(45.0, 0.5, "MPa", relation=">").text == "> 45.00 ± 0.98 MPa (U, k = 2.0, 95 %)"


def test_a_drawn_interval_is_stated_by_its_ends() -> None:
    """Monte Carlo: no ± is claimed, for the interval need not lie evenly about the value."""
    stated = state(0.12, 0.1, "J", low=0.01, high=0.42)
    assert stated.text == "0.12 (0.01 to 0.42) J (95 % interval, Monte Carlo)"
    assert stated.expanded is None


def test_machines_get_all_digits() -> None:
    """u, ν, U, k and the probability, none of them rounded."""
    data = state(48.31234, 0.654321, "MPa", dof=9).data()
    assert (data["value"], data["uncertainty"], data["dof"], data["coverage"]) == (
        48.31234,
        0.654321,
        9,
        0.95,
    )
    assert data["expanded_uncertainty"] == pytest.approx(data["k"] * 0.654321)


def test_rows_and_mappings_are_stated_alike() -> None:
    """An older row without degrees of freedom is stated with the normal distribution."""
    row = {"value": 1.0, "uncertainty": 0.1, "unit": "N", "relation": "="}
    assert state_row(row) == state_row(SimpleNamespace(**row)) == state(1.0, 0.1, "N")


@given(st.floats(-1e15, 1e15), st.floats(1e-12, 1e12))
def test_rounding_never_moves_a_value_by_more_than_a_twentieth_of_u(value: float, u: float) -> None:
    """Half a unit of the second digit of U, whatever the numbers."""
    stated = state(value, u)
    assume(stated.expanded is not None)
    assert "\n" not in stated.text
    assert abs(rounded(value, stated.expanded) - value) <= 0.0501 * (stated.expanded or 0) + 1e-15 * abs(
        value
    )
