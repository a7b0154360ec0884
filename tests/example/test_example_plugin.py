"""The example plugin, installed as a stranger's would be."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

EXAMPLE = Path(__file__).resolve().parents[2] / "plugins" / "example"
USE = """
import json
from tracker import plugins
from tracker.api import validate
found = plugins.load()
method = found.method("shored")
done = found.compute("shored", validate(method, {"points": "71 72.5 71", "thickness": 2}))
(outcome,) = done.outcomes
print(json.dumps({
    "plugin": found.methods["shored"].plugin,
    "problems": [str(p) for p in found.problems], "problem": done.problem,
    "value": outcome.value, "u": outcome.uncertainty, "remarks": outcome.remarks,
    "sources": [part.source for part in outcome.budget], "ours": "tensile" in found.methods,
    "svg": found.figure("shored", validate(method, {"points": "71"}), None, done.outcomes)[:5].decode(),
}))
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder that the example was installed into by pip, from a copy of its project."""
    folder = tmp_path_factory.mktemp("example")
    shutil.copytree(EXAMPLE, folder / "project", ignore=shutil.ignore_patterns("__pycache__", ".*"))
    command = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--disable-pip-version-check"]
    # Where the build tool is at hand nothing need be fetched.
    command += ["--no-build-isolation"] if importlib.util.find_spec("hatchling") else []
    command += ["--target", str(folder / "site"), str(folder / "project")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode and "hatchling" in done.stderr:
        pytest.skip("the build tool of the example can be neither found nor fetched")
    assert done.returncode == 0, done.stderr
    return folder / "site"


@pytest.fixture(scope="module")
def used(place: Path) -> dict[str, Any]:
    """Return what a fresh process finds and computes with the example installed."""
    path = os.pathsep.join(filter(None, (str(place), os.environ.get("PYTHONPATH", ""))))
    done = subprocess.run(
        [sys.executable, "-c", USE],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": path},
    )
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_an_installed_plugin_is_found_beside_ours(used: dict[str, Any]) -> None:
    """By its entry point, without a problem."""
    assert (used["plugin"], used["problems"], used["ours"]) == ("hardness-example", [], True)


def test_its_method_computes_with_uncertainty(used: dict[str, Any]) -> None:
    """The mean of three points, rounded to half a grade each."""
    assert used["problem"] is None
    assert used["value"] == pytest.approx(71.5)
    assert used["u"] == pytest.approx(0.5 / 12**0.5 / 3**0.5)
    assert used["sources"] == ["points: resolution"]


def test_its_remark_comes_through(used: dict[str, Any]) -> None:
    """A thin piece is said to be thin."""
    assert used["remarks"] == ["Thinner than 4 mm: the support is felt."]


def test_its_picture_comes_through(used: dict[str, Any]) -> None:
    """As SVG."""
    assert used["svg"] == "<?xml"


def test_its_own_tests_pass(place: Path) -> None:
    """As its author would run them."""
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-p",
        "no:cacheprovider",
        "-c",
        "pyproject.toml",
        "tests",
    ]
    path = os.pathsep.join((str(place), os.environ.get("PYTHONPATH", "")))
    project = place.parent / "project"
    done = subprocess.run(
        command,
        cwd=project,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": path},
    )
    assert done.returncode == 0, done.stdout


def test_the_example_is_short() -> None:
    """A whole method in 60 lines or fewer."""
    lines = (EXAMPLE / "hardness_example.py").read_text(encoding="utf-8").splitlines()
    assert len(lines) <= 60
