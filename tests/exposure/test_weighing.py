"""What weighings say: basis, unknown reel, uncertainty, the course of a drying."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tracker.errors import Refused
from tracker.exposure import difference_u_g, fit_drying, left_after, mass_loss, uptake

U_G = 0.1472


def test_known_reel() -> None:
    """6.5 g off 1236.4 g with a reel of 221.0 g is 0.640142 % wet basis and 0.644266 % dry basis."""
    loss = mass_loss(1236.4, 1229.9, 221.0, U_G)
    assert loss.wet_pct == pytest.approx((0.640142, 0.640142), abs=1e-6)
    assert loss.dry_pct == pytest.approx((0.644266, 0.644266), abs=1e-6)
    assert (loss.kind, loss.empty_known) == ("loss", True)


def test_unknown_reel() -> None:
    """With a reel of 150 to 260 g both percentages are intervals, the grams are not."""
    loss = mass_loss(1236.4, 1229.9, (150.0, 260.0), U_G)
    assert loss.wet_pct == pytest.approx((0.598306, 0.665711), abs=1e-6)
    assert loss.dry_pct == pytest.approx((0.601908, 0.670172), abs=1e-6)
    assert loss.grams == pytest.approx(6.5)
    assert not loss.empty_known


def test_uncertainty_of_a_difference() -> None:
    """Readability and repeatability of 0.1 g make 0.1472 g."""
    assert difference_u_g(0.1, 0.1) == pytest.approx(0.1472, abs=5e-5)


@pytest.mark.parametrize(("filament_g", "pct"), [(1000.0, 0.0147), (100.0, 0.147)])
def test_uncertainty_in_per_cent(filament_g: float, pct: float) -> None:
    """0.1472 g is 0.0147 % of a full spool and 0.147 % of 100 g left."""
    assert mass_loss(filament_g + 226.0, filament_g + 220.0, 220.0, U_G).u_pct == pytest.approx(pct, abs=1e-3)


def test_a_gain_is_a_gain() -> None:
    """A spool that weighs more after drying is reported so, with a negative loss."""
    loss = mass_loss(1000.0, 1001.0, 200.0, U_G)
    assert loss.kind == "gain"
    assert loss.grams == pytest.approx(-1.0)
    assert loss.dry_pct[0] < 0.0


@pytest.mark.parametrize("after", [999.8, 1000.2])
def test_a_change_within_the_uncertainty_is_said_to_be(after: float) -> None:
    """A change below twice its uncertainty is called that, and kept as it is."""
    loss = mass_loss(1000.0, after, 200.0, U_G)
    assert loss.kind == "below uncertainty"
    assert loss.grams == pytest.approx(1000.0 - after)


def test_a_reel_heavier_than_the_spool_is_refused() -> None:
    """A reel that leaves no filament is refused."""
    with pytest.raises(Refused, match="leaves no filament"):
        mass_loss(240.0, 239.0, (150.0, 260.0), U_G)


@pytest.mark.parametrize(
    ("tau", "fraction", "before", "left"),
    [
        (0.1, 0.605824, 1.203454, 0.559188),
        (0.2, 0.782148, 0.963714, 0.319448),
        (0.4, 0.931569, 0.831593, 0.187327),
    ],
)
def test_what_is_left_hangs_on_the_diffusion_coefficient(
    tau: float, fraction: float, before: float, left: float
) -> None:
    """The same loss leaves three times as much water with a quarter of the diffusion coefficient."""
    assert uptake(tau) == pytest.approx(fraction, abs=1e-6)
    assert left_after(0.644266, tau, 0.14) == pytest.approx((before, left), abs=1e-6)


def _weighings(d_m2_s: float, hours: list[float], loss_g: float = 20.0) -> list[tuple[float, float]]:
    """Return what a perfect balance would show."""
    return [(h, 1200.0 - loss_g * (uptake(d_m2_s * h * 3600.0 / 0.000875**2) if h else 0.0)) for h in hours]


def test_the_course_of_a_drying_gives_d_back() -> None:
    """Weighings made with a known coefficient give it back, and the mass at the end."""
    fit = fit_drying(_weighings(5e-12, [0, 1, 2, 4, 8, 48, 60]), 1.75, U_G)
    assert fit.d_m2_s == pytest.approx(5e-12, rel=0.02)
    assert fit.plateau_g == pytest.approx(1180.0, abs=0.1)
    assert fit.on_plateau
    assert fit.d_low_m2_s < 5e-12 < fit.d_high_m2_s


def test_a_drying_broken_off_is_not_on_a_plateau() -> None:
    """Two last weighings that still differ are no plateau."""
    assert not fit_drying(_weighings(5e-12, [0, 1, 2, 4]), 1.75, 0.02).on_plateau


def test_noise_widens_the_range() -> None:
    """A coarser balance gives a wider range of the coefficient."""
    data = _weighings(5e-12, [0, 1, 2, 4, 8])
    fine, coarse = fit_drying(data, 1.75, 0.05), fit_drying(data, 1.75, 0.5)
    assert math.log(coarse.d_high_m2_s / coarse.d_low_m2_s) > math.log(fine.d_high_m2_s / fine.d_low_m2_s)


def test_two_weighings_are_refused() -> None:
    """One end-point cannot tell the coefficient from the water at the start."""
    with pytest.raises(Refused, match="fewer than three"):
        fit_drying([(0.0, 1200.0), (8.0, 1190.0)], 1.75, U_G)


def test_a_flat_course_is_refused() -> None:
    """A spool that loses nothing settles no coefficient."""
    with pytest.raises(Refused, match="settles no diffusion coefficient"):
        fit_drying([(float(h), 1200.0) for h in range(5)], 1.75, U_G)


def test_times_out_of_order_are_refused() -> None:
    """Weighings whose times do not rise are refused."""
    with pytest.raises(Refused, match="do not rise"):
        fit_drying([(0.0, 1200.0), (4.0, 1190.0), (2.0, 1195.0)], 1.75, U_G)


def test_covering_of_the_range() -> None:
    """Over many noisy dryings the stated range holds the true coefficient about nine times in ten."""
    rng = np.random.default_rng(3)
    clean = _weighings(5e-12, [0, 0.5, 1, 2, 4, 8])
    inside = 0
    for _ in range(100):
        noisy = [(h, g + rng.normal(0.0, U_G / math.sqrt(2.0))) for h, g in clean]
        fit = fit_drying(noisy, 1.75, U_G)
        inside += fit.d_low_m2_s <= 5e-12 <= fit.d_high_m2_s
    assert 80 <= inside <= 98
