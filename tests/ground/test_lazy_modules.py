"""Modules that are loaded when they are first used."""

from __future__ import annotations

import inspect
import os
import subprocess
import sys
import textwrap

import pytest

from tracker.lazy_modules import lazy


def test_nothing_is_loaded_until_it_is_used() -> None:
    """Naming a module loads nothing; the first attribute does."""
    sys.modules.pop("colorsys", None)
    colours = lazy("colorsys")
    assert "colorsys" not in sys.modules
    assert colours.rgb_to_hsv(1.0, 0.0, 0.0) == (0.0, 1.0, 1.0)
    assert "colorsys" in sys.modules


def test_what_is_missing_is_reported_when_it_is_used() -> None:
    """With the name of what is missing, as any import."""
    missing = lazy("no_such_module_anywhere")
    with pytest.raises(ModuleNotFoundError, match="no_such_module_anywhere"):
        _ = missing.anything


def test_it_is_the_module_itself_that_answers() -> None:
    """What is got through the stand-in is the module's own."""
    assert lazy("textwrap").dedent is textwrap.dedent


def test_it_is_taken_for_a_module_without_being_loaded() -> None:
    """Whoever looks through the names of a plugin asks that of each of them."""
    sys.modules.pop("colorsys", None)
    assert inspect.ismodule(lazy("colorsys"))
    assert "colorsys" not in sys.modules


def test_what_is_put_into_a_module_later_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """A name that was used already and is replaced in the module is replaced in the stand-in."""
    stand_in = lazy("textwrap")
    assert stand_in.dedent is textwrap.dedent
    monkeypatch.setattr(textwrap, "dedent", str.upper)
    assert stand_in.dedent("a") == "A"


def test_what_a_module_lacks_is_an_error_of_the_usual_kind() -> None:
    """So that ``getattr`` with a default and ``hasattr`` work."""
    assert not hasattr(lazy("math"), "no_such_function")


def test_arrays_are_multiplied_by_one_thread_unless_set_otherwise() -> None:
    """Small matrices gain nothing from a second one, and wait for it where the processors are busy."""
    code = "import os, tracker.lazy_modules; print(os.environ['OPENBLAS_NUM_THREADS'])"
    for given, wanted in (({}, "1"), ({"OPENBLAS_NUM_THREADS": "2"}, "2")):
        bare = {name: text for name, text in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
        done = subprocess.run(
            [sys.executable, "-c", code], env=bare | given, capture_output=True, text=True, check=True
        )
        assert done.stdout.split() == [wanted]
