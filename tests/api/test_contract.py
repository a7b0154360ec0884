"""The contract of plugins: few names, each documented, its examples run."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
from typing import Annotated, Final

import pytest

import tracker.api
from tracker.api import maths

MODULES = [f"tracker.api.{each.name}" for each in pkgutil.iter_modules(tracker.api.__path__)]


def test_the_contract_is_small() -> None:
    """Fifty names at most; the arithmetic has a module of its own."""
    assert len(tracker.api.__all__) <= 50
    assert all(hasattr(tracker.api, name) for name in tracker.api.__all__)
    assert not set(tracker.api.__all__) & set(maths.__all__)


_AS_A_PLUGIN: Final = {name: getattr(tracker.api, name) for name in tracker.api.__all__} | {
    "Annotated": Annotated
}


@pytest.mark.parametrize("name", tracker.api.__all__)
def test_every_name_of_the_contract_has_an_example_that_runs(name: str) -> None:
    """An author of a plugin reads the example first: each name has one, and it gives what it shows."""
    thing = getattr(tracker.api, name)
    found = doctest.DocTestParser().get_doctest(inspect.getdoc(thing), dict(_AS_A_PLUGIN), name, None, 0)
    assert found.examples, f"{name} has no example in its docstring"
    assert doctest.DocTestRunner(verbose=False).run(found).failed == 0


@pytest.mark.parametrize("module", [*MODULES, "tracker.stating"])
def test_examples_in_docstrings_run(module: str) -> None:
    """What a docstring shows is what happens, also where it is no name of the contract."""
    imported = importlib.import_module(module)
    # Without the module's own "from __future__ import annotations": an example is typed at a prompt.
    names = {name: value for name, value in vars(imported).items() if name != "annotations"}
    found = doctest.testmod(imported, globs=names | _AS_A_PLUGIN)
    assert found.failed == 0
