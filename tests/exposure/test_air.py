"""Moist air against the WMO form and Hyland-Wexler."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.errors import Refused
from tracker.exposure import (
    rh_elsewhere,
    saturation_hpa,
    vapour_hpa,
)

# Source of the form and its coefficients: WMO-No. 8, Annex 4.B; the figures are that form evaluated.


@pytest.mark.parametrize(
    ("t_c", "hpa"),
    [(0.0, 6.1120), (20.0, 23.3260), (22.0, 26.3742), (23.0, 28.0251), (25.0, 31.6006), (70.0, 313.9768)],
)
def test_saturation_follows_the_wmo_form(t_c: float, hpa: float) -> None:
    """The saturation pressure agrees with the WMO form to four decimals."""
    assert saturation_hpa(t_c) == pytest.approx(hpa, abs=5e-5)


@pytest.mark.parametrize(
    ("t_c", "rh", "e_hpa", "dew_c", "g_m3"),
    [
        (22.0, 50.0, 13.1871, 11.095, 9.681),
        (23.0, 50.0, 14.0126, 12.014, 10.252),
        (30.0, 80.0, 33.8698, 26.169, 24.208),
    ],
)
def test_one_state_of_the_air_in_three_terms(
    t_c: float, rh: float, e_hpa: float, dew_c: float, g_m3: float
) -> None:
    """Vapour pressure, dew point and absolute humidity of one state agree with the WMO form."""
    assert vapour_hpa(rh, t_c) == pytest.approx(e_hpa, abs=5e-5)
    # Air is saturated at its dew point; the slope there is below 2 hPa/K.
    assert saturation_hpa(dew_c) == pytest.approx(e_hpa, abs=1e-3)
    # An ideal gas: e / (461.5 J/(kg K) · T).
    assert vapour_hpa(rh, t_c) * 1e5 / (461.5 * (t_c + 273.15)) == pytest.approx(g_m3, abs=1.5e-3)


@pytest.mark.parametrize(
    ("t_c", "rh"),
    [
        (45.0, 13.766),
        (50.0, 10.682),
        (55.0, 8.360),
        (65.0, 5.244),
        (70.0, 4.200),
        (80.0, 2.750),
        (90.0, 1.847),
        (110.0, 0.892),
    ],
)
def test_room_air_in_a_vented_dryer(t_c: float, rh: float) -> None:
    """Air of 22 °C and 50 %RH, heated without taking up water, has the humidity of the WMO form."""
    assert rh_elsewhere(50.0, 22.0, t_c) == pytest.approx(rh, abs=5e-4)


@pytest.mark.parametrize(("rh", "t_c", "warm"), [(60.0, 25.0, 6.039), (80.0, 30.0, 10.787)])
def test_damp_rooms_leave_damper_dryers(rh: float, t_c: float, warm: float) -> None:
    """A warmer, damper room gives a damper dryer at 70 °C."""
    assert rh_elsewhere(rh, t_c, 70.0) == pytest.approx(warm, abs=5e-4)


def test_hyland_wexler_in_the_dryer() -> None:
    """The better form above 60 °C gives 4.239 % where the WMO form gives 4.200 %."""
    assert rh_elsewhere(50.0, 22.0, 70.0, "hyland-wexler") == pytest.approx(4.239, abs=5e-4)


@pytest.mark.parametrize(
    ("t_c", "off_pct"), [(23.0, -0.28), (60.0, 0.25), (70.0, 0.64), (80.0, 1.1), (90.0, 1.7), (110.0, 3.1)]
)
def test_the_two_forms_part_slowly(t_c: float, off_pct: float) -> None:
    """The WMO form runs away from Hyland-Wexler above 60 °C by the known amount."""
    off = saturation_hpa(t_c) / saturation_hpa(t_c, "hyland-wexler") - 1.0
    assert 100.0 * off == pytest.approx(off_pct, abs=0.06)


def test_hyland_wexler_at_the_boiling_point() -> None:
    """At 100 °C water boils under one atmosphere (1013.25 hPa, within 0.1 %)."""
    assert saturation_hpa(100.0, "hyland-wexler") == pytest.approx(1013.25, rel=1e-3)


def test_sealed_box_keeps_the_density() -> None:
    """A sealed rigid box of 22 °C and 50 %RH has 4.883 % at 70 °C: its vapour expands as the air does."""
    assert rh_elsewhere(50.0, 22.0, 70.0) * 343.15 / 295.15 == pytest.approx(4.883, abs=5e-4)


@pytest.mark.parametrize(("t_c", "rh"), [(65.0, 0.076), (80.0, 0.040)])
def test_dry_air_dryer(t_c: float, rh: float) -> None:
    """Air of -40 °C dew point has next to no relative humidity in the dryer."""
    assert rh_elsewhere(100.0, -40.0, t_c) == pytest.approx(rh, abs=5e-4)


def test_a_spool_warmer_than_the_sensor_sees_drier_air() -> None:
    """Three kelvin above the sensor lower the humidity by about a sixth."""
    assert rh_elsewhere(50.0, 23.0, 26.0) / 50.0 == pytest.approx(0.84, abs=0.01)


@given(st.floats(0.1, 100.0), st.floats(-40.0, 60.0), st.floats(-40.0, 110.0))
def test_there_and_back(rh: float, t_from: float, t_to: float) -> None:
    """Air taken to another temperature and back has the humidity it had."""
    assert rh_elsewhere(rh_elsewhere(rh, t_from, t_to), t_to, t_from) == pytest.approx(rh, rel=1e-12)


@pytest.mark.parametrize("t_c", [-100.0, 300.0, float("nan")])
def test_impossible_temperatures_are_refused(t_c: float) -> None:
    """A temperature no room or dryer has is refused."""
    with pytest.raises(Refused, match="air temperature"):
        saturation_hpa(t_c)


def test_negative_humidity_is_refused() -> None:
    """Less water than none is refused."""
    with pytest.raises(Refused, match="cannot be negative"):
        rh_elsewhere(-1.0, 20.0, 70.0)
