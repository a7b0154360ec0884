"""Findley's law, fitted."""

from __future__ import annotations

import numpy as np
import pytest
from uncertainties import ufloat

from tests.api.close import approx
from tracker.api import nominal
from tracker.api.maths import Findley, budget, findley_fit, least_squares

HOURS = [0.05, 0.1, 0.25, 0.5, 1, 2, 5, 10, 24, 48, 100, 168]
ROUNDED = [4.39, 4.42, 4.47, 4.50, 4.55, 4.60, 4.68, 4.75, 4.86, 4.96, 5.08, 5.18]


def exact(hours: float) -> float:
    """Return ε = 0.0042 + 0.00035·t^0.2."""
    return 0.0042 + 0.00035 * float(hours**0.2)


def test_the_certified_power_law_is_found() -> None:
    """NIST StRD DanWood, y = b₁·x^b₂ (certified values from memory, reproduced by scipy): nine digits."""
    x = [1.309, 1.471, 1.490, 1.565, 1.611, 1.680]
    y = [2.138, 3.421, 3.597, 4.340, 4.882, 5.660]
    found = least_squares(x, y, offset=False, exponents=(1.0, 6.0))
    assert found.constants[1:] == approx((7.6886226176e-1, 3.8604055871), rel=1e-9)
    assert np.sqrt(np.diag(found.covariance)) == approx([1.8281973860e-2, 5.1726610913e-2], rel=1e-7)
    assert found.residual == approx(3.2853114039e-2, rel=1e-9)


def test_exact_strains_give_their_constants_back() -> None:
    """To ten digits."""
    assert least_squares(HOURS, [exact(t) for t in HOURS]).constants == approx(
        (0.0042, 0.00035, 0.2), rel=1e-10
    )


def test_rounded_strains_give_the_recomputed_constants() -> None:
    """Constants, standard deviations and sum of squares as scipy's curve_fit gives them."""
    found = least_squares(HOURS, ROUNDED)
    assert found.constants == approx((4.2103308, 0.33761784, 0.205741381), rel=1e-7)
    assert np.sqrt(np.diag(found.covariance)) == approx([0.0069620, 0.0072283, 0.0030306], rel=2e-5)
    assert found.residual**2 * 9 == approx(6.455322e-5, rel=1e-6)


def test_a_straight_line_in_time_is_no_findley_creep_within_bounds() -> None:
    """An exponent at the edge is refused."""
    with pytest.raises(ValueError, match="no exponent"):
        least_squares(HOURS, [t**3 for t in HOURS])


@pytest.mark.parametrize(
    ("strains", "why"),
    [
        ([(1.0, 1e-3), (10.0, 2e-3)], "wants 5 readings"),
        ([(float(t), exact(t)) for t in range(1, 20)], "span 1.3 decades"),
        ([(t, 0.005 - exact(t)) for t in HOURS], "does not grow"),
    ],
)
def test_what_cannot_be_identified_is_refused(strains: list[tuple[float, float]], why: str) -> None:
    """Too few, too short, or not creeping: the reason is given."""
    assert why in str(findley_fit(strains))


def test_constants_hidden_by_scatter_are_refused() -> None:
    """A fit whose n is not known to half is none."""
    noise = np.random.default_rng(3).normal(0, 5e-4, len(HOURS))
    found = findley_fit([(t, exact(t) + e) for t, e in zip(HOURS, noise, strict=True)])
    assert isinstance(found, str)


def test_correlations_are_strong_and_reported() -> None:
    """ε₀ and A hang together almost fully."""
    found = findley_fit([(t, e / 1000) for t, e in zip(HOURS, ROUNDED, strict=True)])
    assert isinstance(found, Findley)
    assert found.correlations[0] < -0.9


def test_what_all_readings_share_shifts_the_start_only() -> None:
    """An offset common to all strains goes into ε₀ and cancels in A and n."""
    shift = ufloat(0.0, 1e-4, "caliper: calibration")
    found = findley_fit([(t, exact(t) + shift) for t in HOURS])
    assert isinstance(found, Findley)
    parts = {part.source: part.u for part in budget(found.e0)}
    assert parts["caliper: calibration"] == approx(1e-4)
    assert "caliper: calibration" not in {part.source for part in budget(found.a)}


def test_a_strain_from_the_fit_is_surer_than_its_constants() -> None:
    """Within the readings the correlated constants make a narrow strain."""
    found = findley_fit([(t, e / 1000) for t, e in zip(HOURS, ROUNDED, strict=True)])
    assert isinstance(found, Findley)
    assert found.strain(10.0).std_dev < 0.5 * found.e0.std_dev
    assert nominal(found.strain(10.0)) == approx(found.plain(10.0))
