"""Where the linear budget fails the interval is drawn, and said to be (JCGM 101)."""

from __future__ import annotations

from tracker import plugins
from tracker.api import Instrument, validate
from tracker.stating import state_row

FOUND = plugins.load()


def test_a_result_near_nothing_has_a_drawn_interval() -> None:
    """0.02 J between two angles read to a degree: ± U would reach below zero, the drawn interval does not."""
    raw = {"arm_length": 0.23, "mass": 0.9, "fall_angle": 90, "rise_angle": 89.4}
    readings = validate(FOUND.method("impact"), raw)
    rig = {"angle": Instrument("R1", "deg", resolution=1.0, u_abs=0.3)}
    energy = FOUND.compute("impact", readings, instruments=rig).outcomes[0]
    assert energy.low is not None
    assert energy.high is not None
    assert energy.low < (energy.value or 0) < energy.high
    assert any("Monte Carlo" in each for each in energy.remarks)
    assert state_row(energy).text.endswith("(95 % interval, Monte Carlo)")


def test_an_ordinary_result_keeps_its_even_interval() -> None:
    """A strength known to a per cent is stated with U and k."""
    raw = {"max_force": 1480.0, "width": 10.02, "thickness": 4.03}
    strength = FOUND.compute("tensile", validate(FOUND.method("tensile"), raw)).outcomes[0]
    assert (strength.low, strength.high) == (None, None)
