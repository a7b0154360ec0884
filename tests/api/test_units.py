"""The table of units known without the registry."""

from __future__ import annotations

from typing import Any

import pint
import pytest

from tests.api.close import approx
from tracker.api import Refused
from tracker.api.maths import dimension, readable, scale
from tracker.api.units import _REFERENCE, _TABLE

REGISTRY: Any = pint.UnitRegistry()


@pytest.mark.parametrize("unit", sorted(_TABLE))
def test_every_unit_of_the_table_is_what_pint_says(unit: str) -> None:
    """Dimension and factor agree with the registry."""
    word, factor = _TABLE[unit]
    one, zero = (REGISTRY.Quantity(n, REGISTRY.Unit(unit)).to(_REFERENCE[word]).magnitude for n in (1.0, 0.0))
    assert one - zero == approx(factor, rel=1e-12)


@pytest.mark.parametrize("unit", ["furlong", "bar", "N/m"])
def test_other_units_are_asked_of_pint(unit: str) -> None:
    """A plugin may use any unit that pint reads."""
    assert readable(unit)


@pytest.mark.parametrize("unit", ["", "blorps", "kg kg kg ("])
def test_what_is_no_unit_is_none(unit: str) -> None:
    """A slip in a unit is found on arrival, not at the bench."""
    assert not readable(unit)


def test_the_dimension_of_an_unusual_length_is_found() -> None:
    """Pint decides where the table ends."""
    assert (dimension("furlong"), dimension("MPa"), dimension("mm")) == ("length", "pressure", "length")


def test_differences_are_scaled_without_offsets() -> None:
    """A step of 1 °F is 5/9 °C."""
    assert scale("degF", "degC") == approx(5 / 9)


def test_units_of_different_things_are_refused() -> None:
    """A mass is no length."""
    with pytest.raises(Refused, match="different things"):
        scale("kg", "mm")
