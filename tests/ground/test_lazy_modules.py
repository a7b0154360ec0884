"""Modules that are loaded when they are first used."""

from __future__ import annotations

import inspect
import os
import subprocess
import sys
import textwrap
import threading
from pathlib import Path
from types import ModuleType

import pytest

from tracker.lazy_modules import lazy, postpone


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


CODE = """
import time
runs = globals().get("runs", 0) + 1
time.sleep(0)
answer = 42
"""
"""Lets other threads run in the middle, and counts how often it is run."""


@pytest.fixture
def postponed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """Give a module of a few lines as a program gets it that imports it after it was postponed."""
    (tmp_path / "postponed_sample.py").write_text(CODE)
    monkeypatch.syspath_prepend(str(tmp_path))
    # What is imported by the test is taken out of the interpreter with it.
    monkeypatch.setitem(sys.modules, "postponed_sample", ModuleType("other"))
    del sys.modules["postponed_sample"]
    postpone("postponed_sample")
    return __import__("postponed_sample")


def test_a_postponed_module_runs_when_a_name_is_asked_of_it(postponed: ModuleType) -> None:
    """Importing it runs nothing; afterwards it is a module as any other, the same that was imported."""
    assert "runs" not in vars(postponed)
    assert postponed.answer == 42
    assert (type(postponed), postponed.runs) == (ModuleType, 1)
    assert sys.modules["postponed_sample"] is postponed
    assert not hasattr(postponed, "no_such_name")


def test_a_postponed_module_runs_once_for_all_threads(postponed: ModuleType) -> None:
    """Threads that ask at the same time wait for one of them, and each gets its answer."""
    got: list[int] = []
    threads = [threading.Thread(target=lambda: got.append(postponed.answer)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (got, postponed.runs) == ([42] * 4, 1)


def test_a_postponed_module_that_fails_says_why_each_time(tmp_path: Path, postponed: ModuleType) -> None:
    """As an import that failed is tried again by the next."""
    (tmp_path / "postponed_sample.py").write_text('raise OSError("unreadable")')
    for _ in range(2):
        with pytest.raises(OSError, match="unreadable"):
            _ = postponed.answer


def test_a_module_that_is_loaded_stays_as_it_is() -> None:
    """Nor is one made up that is not there: whoever imports it gets the usual error."""
    postpone("textwrap", "no_such_module_anywhere")
    assert type(textwrap) is ModuleType
    assert "no_such_module_anywhere" not in sys.modules


def test_event_loops_run_after_they_were_postponed() -> None:
    """A program that serves pages gets all of asyncio; a package knows its part that was postponed."""
    code = """
from tracker.lazy_modules import postpone
postpone("asyncio", "importlib.metadata")
import asyncio, importlib, sys
assert asyncio.iscoroutine(None) is False and "asyncio.base_events" not in sys.modules
import asyncio.queues
async def answer():
    await asyncio.sleep(0)
    return importlib.metadata.version("click")
print(asyncio.run(answer()) != "", type(asyncio).__name__, asyncio.queues.Queue is asyncio.Queue)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "module", "True"]
