"""What a command loads: nothing that it does not read or write with."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.bench import PROGRAM, Filled, run

HEAVY = (
    "sqlalchemy",
    "pydantic",
    "numpy",
    "scipy",
    "matplotlib",
    "pint",
    "alembic",
    "uncertainties",
    "PIL",
    "rich",
)
CODE = "import sys\ntry:\n    {}\nexcept SystemExit:\n    pass\nprint(*sys.modules, file=sys.stderr)"


def loaded(statement: str, *words: str, place: Path | None = None) -> set[str]:
    """Return the top-level modules that a fresh interpreter holds after a statement."""
    code = CODE.format(statement)
    done = subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, check=True,
        env={"STRANDBOOK": str(place), "PATH": ""},
    )  # fmt: skip
    return {name.partition(".")[0] for name in done.stderr.split()}


def test_importing_the_command_line_costs_click_alone() -> None:
    """Tab completion and help are answered at once."""
    assert loaded("import tracker.cli").isdisjoint(HEAVY)


@pytest.mark.parametrize("words", [("--help",), ("--version",)])
def test_help_costs_no_more(words: tuple[str, ...]) -> None:
    """The list of commands imports none of them."""
    assert loaded("import tracker.cli; tracker.cli.main()", *words).isdisjoint(HEAVY)


LOOKING = """
import sys
import tracker.cli
for words in sys.argv[1:]:
    before, sys.argv = set(sys.modules), ["strandbook", *words.split()]
    try:
        tracker.cli.main()
    except SystemExit as ended:
        print(words, ended.code or 0, *set(sys.modules) - before, sep="\\t", file=sys.stderr)
"""
"""Runs commands one after the other; of each its words, its exit code and the modules that it brought."""


def test_looking_loads_the_store_and_nothing_else(filled: Filled) -> None:
    """No method, no arithmetic, no drawing; no dialect of a server, no event loop, no reader of packages."""
    commands = [
        f"show {filled.piece}", f"show {filled.measurement}", "list results", "list spools --json", "log",
    ]  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", LOOKING, *commands], capture_output=True, text=True, check=True,
        env={"STRANDBOOK": str(filled.place), "PATH": ""},
    )  # fmt: skip
    brought = [line.split("\t") for line in done.stderr.splitlines()]
    assert [(words, code) for words, code, *_ in brought] == [(words, "0") for words in commands]
    modules = {words: {name.partition(".")[0] for name in names} & {*HEAVY} for words, _, *names in brought}
    assert modules == {words: {"sqlalchemy"} if words == commands[0] else set() for words in commands}
    unused = {"sqlalchemy.dialects.postgresql", "asyncio.base_events", "importlib.metadata._adapters"}
    assert all(unused.isdisjoint(names) for names in brought)


def test_labels_load_the_drawing_and_no_methods(filled: Filled, tmp_path: Path) -> None:
    """A label is drawn while the piece is still warm."""
    words = ("label", filled.piece, "-o", str(tmp_path / "a.pdf"))
    held = loaded("import tracker.cli; tracker.cli.main()", *words, place=filled.place)
    assert held & set(HEAVY) == {"sqlalchemy", "PIL"}


def test_the_program_runs_as_a_process_of_its_own(filled: Filled) -> None:
    """Answer on stdout, nothing on stderr, exit code 0."""
    done = run("show", filled.piece, env={"STRANDBOOK": str(filled.place)})
    assert (done.returncode, done.stderr, filled.piece in done.stdout) == (0, "", True)


@pytest.mark.parametrize(("words", "code"), [(("show", "S0009-1"), 1), (("shew",), 2)])
def test_exit_codes_reach_the_shell(filled: Filled, words: tuple[str, ...], code: int) -> None:
    """1 is refused, 2 is wrong usage."""
    done = run(*words, env={"STRANDBOOK": str(filled.place)})
    assert (done.returncode, done.stdout, "Traceback" in done.stderr) == (code, "", False)


def test_a_reader_that_goes_away_is_no_failure(filled: Filled) -> None:
    """``strandbook list … | head -1`` ends quietly."""
    with subprocess.Popen(
        [*PROGRAM, "list", "specimens", "--json"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={"STRANDBOOK": str(filled.place), "PATH": ""},
    ) as program:  # fmt: skip
        assert program.stdout is not None
        assert program.stderr is not None
        program.stdout.close()
        assert "Traceback" not in program.stderr.read()
