"""README and DEVELOPERS say what is true of the program."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from tests.cli.bench import commands
from tracker.plugins import hooks

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")

TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "tracker", "plugins", "labels", "tests", "demo_db",
       "LICENSE", "CHANGELOG.md", "compose.yaml"}  # fmt: skip


def test_the_two_commands_stand_in_readme() -> None:
    """Word for word: other people's scripts call them."""
    assert "python3 -m venv .venv && .venv/bin/pip install '.[all]' && .venv/bin/strandbook demo\n" in README
    assert (
        "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/python -m pytest\n"
        in README
    )


def test_the_top_level_is_the_plan() -> None:
    """Nothing lies at the top that the plan of the house does not name."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not in a checkout")
    top = {name.partition("/")[0] for name in listed.stdout.splitlines()}

    assert {name for name in top if not name.startswith(".")} <= TOP


@pytest.mark.parametrize("name", sorted(hooks()))
def test_every_hook_is_documented_with_its_arguments(name: str) -> None:
    """The heading in DEVELOPERS.md has the hook's exact argument list."""
    arguments = ", ".join(hooks()[name])

    assert f"`{name}({arguments})`" in DEVELOPERS


def test_readme_is_a_front_door() -> None:
    """It is read in a minute; the tasks have their pages in the manual."""
    assert len(README.splitlines()) <= 120


def shown_commands() -> list[str]:
    """Return the first words of the commands in README's code blocks."""
    blocks = re.findall(r"^```\n(.*?)^```", README, re.MULTILINE | re.DOTALL)
    return sorted(set(re.findall(r"^strandbook (\w+)", "\n".join(blocks), re.MULTILINE)))


@pytest.mark.parametrize("line", shown_commands())
def test_readme_shows_no_command_that_is_not_there(line: str) -> None:
    """Every example begins with a real command."""
    assert line in {words[0] for words in commands()}
