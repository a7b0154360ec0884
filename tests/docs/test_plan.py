"""DEVELOPERS.md holds the plan that the import contracts give."""

from __future__ import annotations

import re
from pathlib import Path

import tracker
from tests.plan import plan, written

ROOT = Path(__file__).resolve().parents[2]


def test_the_plan_is_as_the_contracts_have_it() -> None:
    """Whoever moves a room writes the plan again: `python -m tests.plan`."""
    assert (ROOT / "DEVELOPERS.md").read_text("utf-8") == written()


def test_every_room_of_the_tree_is_in_the_plan() -> None:
    """No module or package of `tracker` is left out."""
    rooms = {
        path.stem
        for path in (ROOT / "tracker").iterdir()
        if not path.name.startswith(("_", ".")) and (path.suffix == ".py" or (path / "__init__.py").exists())
    }

    assert rooms == set(re.findall(r"^\| \d+ \| `(\w+)` \|", plan(), re.MULTILINE))


def test_the_version_is_in_one_place() -> None:
    """Neither pyproject.toml nor any other file of the packages repeats it."""
    assert f'version = "{tracker.__version__}"' not in (ROOT / "pyproject.toml").read_text("utf-8")
