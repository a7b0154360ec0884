"""What holds for every installed method, ours and anybody's."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tracker import plugins
from tracker.api import Method, testing

METHODS = [loaded.method for loaded in plugins.load().methods.values()]


@pytest.mark.parametrize("check", testing.CHECKS, ids=lambda check: check.__name__)
@pytest.mark.parametrize("method", METHODS, ids=lambda method: method.id)
def test_every_method_passes_every_check(method: Method, check: Callable[[Method], None]) -> None:
    """An installed method passes a check before its author writes a test."""
    check(method)


@pytest.mark.parametrize("method", METHODS, ids=lambda method: method.id)
def test_every_method_states_its_formulas_with_their_sources(method: Method) -> None:
    """Who reads a published result finds by which formula it came about and where that is from."""
    assert method.formulas
    for formula in method.formulas:
        assert formula.text
        assert formula.source


def test_which_quantities_can_be_zero_or_negative() -> None:
    """Their logarithms are never analysed: grades, °C, departures, scatter, and shares of nothing."""
    found = {each.name for method in METHODS for each in method.quantities if not each.positive}
    assert found == {
        *(f"appearance.{name}" for name in ("stringing", "overhang", "bridging", "gaps", "warping", "seam")),
        *(f"dimensions.{name}_{axis}" for name in ("shrinkage", "offset") for axis in "xyz"),
        *("dimensions.warp", "flatness.deviation", "flatness.sag", "diameter.sd", "diameter.ovality"),
        *("creep.e0", "density.voids"),
        *("heatdeflection.temperature", "softening.onset", "softening.at_deflection"),
    }
