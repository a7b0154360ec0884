"""What is installed by choice: without it one clear line, never a traceback."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions, requires
from pathlib import Path
from typing import Any

import pytest

from tracker.errors import missing_extra

ROOT = Path(__file__).resolve().parents[2]
PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
OURS = {"tracker", "tracker_methods", "tracker_labels", "tracker_demo"}


def _name(requirement: str) -> str:
    """Return the plain name of a distribution: what is before versions, extras and markers."""
    return re.split(r"[;\[<>=!~ (]", requirement, maxsplit=1)[0].lower().replace("_", "-")


def _imported() -> set[str]:
    """Return the first name of every absolute import in the package, wherever it stands."""
    found: set[str] = set()
    for path in (ROOT / "tracker").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                found |= {each.name.partition(".")[0] for each in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                found.add(node.module.partition(".")[0])
    return found - set(sys.stdlib_module_names) - OURS


def test_whatever_the_base_installation_lacks_is_named_with_its_extra() -> None:
    """Every package that is imported anywhere comes with the base, or its absence names the extra."""
    asked = {_name(each) for each in PROJECT["dependencies"]}
    # What a package of the base needs itself comes with it.
    base = asked | {_name(each) for name in asked for each in requires(name) or () if "extra ==" not in each}
    homes = packages_distributions()
    lacking = {
        name
        for name in _imported()
        if not base & {each.lower().replace("_", "-") for each in homes.get(name, [])}
    }
    untold = {
        name
        for name in lacking
        if missing_extra(ModuleNotFoundError(f"No module named {name!r}", name=name)) is None
    }
    assert untold == set()


@pytest.mark.parametrize(
    ("module", "extra"), [("anyio", "web"), ("psycopg", "postgres"), ("matplotlib.figure", "plots")]
)
def test_the_refusal_says_what_to_install(module: str, extra: str) -> None:
    """One line with the command."""
    refusal = missing_extra(ModuleNotFoundError(f"No module named {module!r}", name=module))
    assert refusal is not None
    assert f"pip install 'strandbook[{extra}]'" in str(refusal)
