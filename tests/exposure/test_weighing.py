"""What weighings say: basis, unknown reel, uncertainty, the course of a drying."""

from __future__ import annotations

import pytest

from tracker.errors import Refused
from tracker.exposure import mass_loss

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
def test_a_change_within_the_uncertainty_is_reported_to_be(after: float) -> None:
    """A change below twice its uncertainty is called that, and kept as it is."""
    loss = mass_loss(1000.0, after, 200.0, U_G)
    assert loss.kind == "below uncertainty"
    assert loss.grams == pytest.approx(1000.0 - after)


def test_a_reel_heavier_than_the_spool_is_refused() -> None:
    """A reel that leaves no filament is refused."""
    with pytest.raises(Refused, match="leaves no filament"):
        mass_loss(240.0, 239.0, (150.0, 260.0), U_G)
