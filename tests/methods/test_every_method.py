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
