"""The changes themselves: they are made where code runs, and each is one change of it."""

from __future__ import annotations

import ast
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.mutants.__main__ import ROOMS, ROOT
from tests.mutants.changes import changes_of, made
from tests.mutants.running import Reached, _takes_long, run
from tests.mutants.swapping import swap, swaps_of

SOURCE = '''"""A module of 1 line."""

from __future__ import annotations


def larger(a: float | None, b: float = 2.0) -> float | None:
    """Return the larger of 2."""
    return a if a is not None and a > b else b
'''


def test_what_is_never_run_is_left_alone(tmp_path: Path) -> None:
    """Annotations and docstrings have numbers and bars too, and no test could notice them."""
    file = tmp_path / "larger.py"
    file.write_text(SOURCE, "utf-8")
    lines = {
        (each.line, SOURCE.splitlines()[each.line - 1][each.column :][:1])
        for each in changes_of(file, tmp_path)
    }

    assert lines
    assert {line for line, _ in lines} <= {6, 8}
    assert (6, "|") not in lines


def test_overloads_and_strict_are_left_alone(tmp_path: Path) -> None:
    """Type checkers read the one; the other tells of what is wrong already. All else of the call stays."""
    text = "@overload\ndef of(it=1): ...\n\n\n@cache\ndef of(it):\n"
    text += "    return zip(it, it[1:], strict=True), strict(a=True)\n"
    file = tmp_path / "pairs.py"
    file.write_text(text, "utf-8")
    found = {
        (each.line, text.splitlines()[each.line - 1][each.column :][:4])
        for each in changes_of(file, tmp_path)
    }

    assert found == {(5, "@cac"), (7, "1:],"), (7, "True")}
    assert {each.column for each in changes_of(file, tmp_path) if each.line == 7} == {22, 50}


def test_every_change_is_python_and_another_program(tmp_path: Path) -> None:
    """What cannot be read, or means the same, is no change."""
    file = tmp_path / "larger.py"
    file.write_text(SOURCE, "utf-8")
    texts = [text for each in changes_of(file, tmp_path) if (text := made(each, SOURCE)) is not None]

    assert len(texts) > 10
    assert all(ast.dump(ast.parse(text)) != ast.dump(ast.parse(SOURCE)) for text in texts)


def test_a_constant_is_tried_by_tests_that_look_at_it() -> None:
    """No line of the file runs when a table is compared: such tests reach nothing, and come first."""
    seconds = {"through": 0.1, "own": 0.5, "table": 0.3}
    lines = {"f.py": {"1": [], "9": [0, 1]}, "g.py": {"1": [0], "2": [0]}}
    reached = Reached(seconds, lines, list(seconds))

    assert reached.tests_of("f.py", 1) == ["table", "own", "through"]
    assert reached.tests_of("f.py", 9) == ["through", "own"]


def test_an_exception_named_with_its_module_is_left_alone(tmp_path: Path) -> None:
    """cosmic-ray fails on it; one such place must not end the run of a room."""
    text = "import json\n\ntry:\n    pass\nexcept (json.JSONDecodeError, KeyError):\n    pass\n"
    file = tmp_path / "reads.py"
    file.write_text(text, "utf-8")
    texts = {made(each, text) for each in changes_of(file, tmp_path) if "Exception" in each.operator}

    assert None in texts
    assert any("KeyError" not in each for each in texts if each)


def test_the_quickest_tests_that_reach_a_line_come_first() -> None:
    """Slow ones are left out; others of the file follow, since the first of all alone fills a cache."""
    of = {"f.py": {"4": [0, 1, 2], "9": [], "12": [3]}}
    reached = Reached({"a": 3.0, "b": 0.1, "c": 9.0, "d": 0.05}, of, ["a", "b", "c", "d"])

    assert reached.tests_of("f.py", 4) == ["b", "a", "d"]
    assert reached.tests_of("f.py", 12) == ["d", "b", "a"]
    assert reached.tests_of("f.py", 30) == ["d", "b", "a"]
    assert reached.tests_of("other.py", 1) == []


@pytest.mark.parametrize(
    ("params", "fixtures", "takes_long"),
    [
        (None, (), False), ({"kind": "postgresql"}, (), True), ({"kind": "sqlite"}, (), False),
        ({"place": "postgresql://lab"}, (), False), (None, ("chromium",), True),
    ],
)  # fmt: skip
def test_browsers_and_the_second_database_are_left_out(
    params: dict[str, str] | None, fixtures: tuple[str, ...], takes_long: bool
) -> None:
    """A test that has an address of a server in its name is none that is run on one."""
    item = SimpleNamespace(fixturenames=fixtures)
    if params is not None:
        item.callspec = SimpleNamespace(params=params)

    assert _takes_long(item) is takes_long


def test_the_test_that_reaches_least_takes_turns_with_the_quickest() -> None:
    """A test of one rule that is slower than all that pass by would not get its turn."""
    seconds = {"one": 0.1, "two": 0.2, "three": 0.3, "rule": 2.9, **{f"more{n}": 2.5 for n in range(9)}}
    lines = {"4": list(range(13)), **{str(n): [0, 1, 2, *range(4, 13)] for n in range(10, 20)}}
    reached = Reached(seconds, {"f.py": lines}, list(seconds))

    assert reached.tests_of("f.py", 4)[:4] == ["one", "rule", "two", "three"]
    assert len(reached.tests_of("f.py", 4)) == 10


LOADED = """
from functools import cache

LEAST = 3

class Shelf:
    @staticmethod
    @cache
    def holds(count):
        return count > 3
"""


def test_a_loaded_function_is_changed_wherever_it_is_held() -> None:
    """Also behind decorators: what was imported from the module by name, and wrapped, answers otherwise."""
    names: dict[str, Any] = {}
    exec(compile(LOADED, "shelf.py", "exec", dont_inherit=True), names)  # noqa: S102 - our own text
    holds = names["Shelf"].holds
    found = swaps_of(LOADED, LOADED.replace("count > 3", "count >= 3"), "shelf.py")
    assert found is not None
    swap(found)

    assert holds(3) is True


def test_a_function_that_was_made_by_another_is_changed_too() -> None:
    """A table of commands is made of such functions while its module is loaded."""
    text = "def more(than):\n    def holds(count):\n        return count > than\n    return holds\n"
    text += "MORE = more(3)\n"
    names: dict[str, Any] = {}
    exec(compile(text, "more.py", "exec", dont_inherit=True), names)  # noqa: S102 - our own text
    found = swaps_of(text, text.replace("count > than", "count >= than"), "more.py")
    assert found is not None
    swap(found)

    assert names["MORE"](3) is True
    assert names["more"](4)(4) is True


@pytest.mark.parametrize(
    ("old", "new"), [("LEAST = 3", "LEAST = 4"), ("(count)", "(count=3)"), ("    @cache\n", "")]
)
def test_what_loading_uses_cannot_be_swapped(old: str, new: str) -> None:
    """Constants, defaults and decorators were used when the module was loaded: it is loaded again."""
    assert swaps_of(LOADED, LOADED.replace(old, new), "shelf.py") is None


def test_every_place_of_a_room_is_there() -> None:
    """A module that was moved would leave its room unseen, and nothing would say so."""
    for sources, tests in ROOMS.values():
        assert [place for place in (*sources, *tests) if not (ROOT / place).exists()] == []


PASSES = "def test_holds() -> None:\n    assert True\n"


@pytest.mark.parametrize(
    ("files", "name", "verdict"),
    [
        ({"test_shelf.py": PASSES}, "test_shelf.py::test_holds", "survived"),
        ({"test_shelf.py": PASSES}, "test_shelf.py::test_gone[a\\n]", "untold"),
        ({"test_shelf.py": f"import no_such_shelf\n{PASSES}"}, "test_shelf.py::test_holds", "noticed"),
        ({"test_shelf.py": PASSES, "conftest.py": "1 / 0"}, "test_shelf.py::test_holds", "noticed"),
    ],
)  # fmt: skip
def test_a_name_that_is_not_found_tells_nothing(
    tmp_path: Path, files: dict[str, str], name: str, verdict: str
) -> None:
    """By its code alone it looks like a module that cannot be loaded, which is noticed."""
    for file, text in files.items():
        (tmp_path / file).write_text(text, "utf-8")

    assert run(tmp_path, [name]) == (verdict, 1)
