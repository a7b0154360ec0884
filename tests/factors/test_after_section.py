"""A setting changed by hand after the gauge section was printed changes nothing of it."""

from __future__ import annotations

from tracker.factors.inforce import Changed, in_force

SECTION = {"first_layer": 1, "spans_s": [[10.0 * n, 10.0 * n + 9] for n in range(10)], "tops_mm": [0.2] * 10}


def test_a_change_above_the_section_has_no_part_in_its_mean() -> None:
    """Of ten layers five are printed at 250 °C and five at 260; what is set at layer 20 comes too late."""
    changes = [Changed("nozzle", 260.0, layer=6), Changed("nozzle", 270.0, layer=20)]
    found = in_force((250.0, 250.0, 250.0), changes, SECTION)
    assert found is not None
    assert (found.value, found.low, found.high) == (255.0, 250.0, 260.0)
