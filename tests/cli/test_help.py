"""Help: everywhere, with an example, quick, and fit for a narrow terminal."""

from __future__ import annotations

import re

import pytest
from click.testing import CliRunner

from tests.cli.bench import Cli, command_at, commands, run
from tracker.cli import strandbook

ALL = list(commands())


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_every_command_has_help_with_an_example(words: tuple[str, ...]) -> None:
    """A command tells what it does, and shows itself at work."""
    command = command_at(words)
    assert command.help
    assert re.search(rf"strandbook (--book \S+ )?{' '.join(words)}\b", str(command.epilog))


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_every_option_says_what_it_is(words: tuple[str, ...]) -> None:
    """No option is there without words."""
    options = [each for each in command_at(words).params if each.param_type_name == "option"]
    assert [each.name for each in options if not getattr(each, "help", None)] == []


@pytest.mark.parametrize("words", ALL, ids=" ".join)
@pytest.mark.parametrize("flag", ["-h", "--help"])
def test_help_is_shown_without_a_book(words: tuple[str, ...], flag: str) -> None:
    """Nobody needs a book to read how to begin one."""
    result = CliRunner().invoke(strandbook, [*words, flag], env={"STRANDBOOK": "/nowhere"})
    assert (result.exit_code, "Usage:" in result.stdout) == (0, True)


@pytest.mark.parametrize(
    "verb",
    [
        "init", "demo", "upgrade", "backup", "restore", "verify", "material", "spool", "dry", "job", "offbed",
        "label", "rig", "methods", "scan", "measure", "correct", "verdict", "show", "list", "trace", "import",
    ],
)  # fmt: skip
def test_every_verb_is_listed_in_the_help(verb: str) -> None:
    """What can be done is seen at a glance."""
    lines = CliRunner().invoke(strandbook, ["--help"]).stdout.splitlines()
    assert any(line.split()[:1] == [verb] for line in lines)


@pytest.mark.parametrize(
    "words",
    [
        ("material", "add"), ("spool", "add"), ("spool", "keep"), ("spool", "weigh"), ("job", "add"),
        ("job", "change"), ("job", "end"), ("rig", "add"), ("rig", "calibrate"),
    ],
)  # fmt: skip
def test_every_noun_has_its_verbs(words: tuple[str, ...]) -> None:
    """Records are entered by noun, then verb."""
    assert words in ALL


@pytest.mark.parametrize("columns", ["40", "80", "200"])
def test_help_keeps_to_the_width_of_the_terminal(columns: str) -> None:
    """No line is wider than the terminal; below fifty columns click itself does not go."""
    text = run("spool", "add", "--help", env={"COLUMNS": columns}).stdout
    assert max(map(len, text.splitlines())) <= max(int(columns), 50)


def test_the_version_is_reported() -> None:
    """Which one is installed."""
    result = CliRunner().invoke(strandbook, ["--version"])
    assert result.stdout.startswith("strandbook ")


def test_the_help_says_what_the_numbers_are_not() -> None:
    """Comparisons on home-made rigs are no design allowables."""
    assert "not design allowables" in " ".join(CliRunner().invoke(strandbook, ["--help"]).stdout.split())


def test_a_near_miss_is_named_and_never_run(cli: Cli) -> None:
    """A slip of the finger is answered with the command that was meant."""
    result = cli("labl")
    assert (result.exit_code, "Did you mean label" in result.stderr) == (2, True)


@pytest.mark.parametrize(
    "words", [("nothing",), ("list", "flowers"), ("show",), ("spool", "add", "x", "--weight", "5"), ("dry",)]
)
def test_wrong_usage_is_exit_code_two(cli: Cli, words: tuple[str, ...]) -> None:
    """Usage is told apart from refusal."""
    result = cli(*words)
    assert (result.exit_code, "Usage:" in result.stderr, result.stdout) == (2, True, "")
