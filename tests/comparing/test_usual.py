"""What counts as unusual beside other plates of a material."""

from __future__ import annotations

import pytest

from tracker.api import FactorValue
from tracker.comparing.usual import _usual


def nozzle(celsius: float) -> FactorValue:
    """Return a nozzle's temperature as it was commanded."""
    return FactorValue("nozzle_c", celsius, "degC", basis="commanded")


@pytest.mark.parametrize(
    ("here", "theirs", "is_usual"),
    [
        (240.0, [240.0, 240.0, 240.0], True),
        (240.9, [240.0, 240.0, 260.0], True),
        (241.1, [240.0, 240.0, 260.0], False),
        (238.9, [240.0, 240.0, 260.0], False),
        (250.0, [240.0, 250.0, 260.0], True),
        (261.1, [240.0, 250.0, 260.0], False),
    ],
)
def test_a_number_beside_those_of_other_plates(here: float, theirs: list[float], is_usual: bool) -> None:
    """Unusual is what leaves the value of two thirds of the plates, or else their range, by over 1 degree."""
    assert (_usual(nozzle(here), [nozzle(each) for each in theirs], 1.0) == "") is is_usual
