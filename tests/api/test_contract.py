"""The contract of plugins: few names, each documented, its examples run."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import tracker.api
from tracker.api import maths

MODULES = [f"tracker.api.{each.name}" for each in pkgutil.iter_modules(tracker.api.__path__)]


def test_the_contract_is_small() -> None:
    """Fifty names at most; the arithmetic has a module of its own."""
    assert len(tracker.api.__all__) <= 50
    assert all(hasattr(tracker.api, name) for name in tracker.api.__all__)
    assert not set(tracker.api.__all__) & set(maths.__all__)


@pytest.mark.parametrize("module", [*MODULES, "tracker.stating"])
def test_examples_in_docstrings_run(module: str) -> None:
    """What a docstring shows is what happens."""
    found = doctest.testmod(importlib.import_module(module))
    assert found.failed == 0
