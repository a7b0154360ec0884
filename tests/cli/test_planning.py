"""What is left to do, at the command line."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.cli.bench import Cli
from tests.cli.unlike import MATERIAL, Unlike


@pytest.fixture(scope="module")
def unlike(book_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Unlike:
    """Give the command line on a book of unlike plates; nothing here writes to it."""
    place = tmp_path_factory.mktemp("unlike") / "book"
    shutil.copytree(book_template, place)
    return Unlike(place)


def test_a_programme_says_what_to_print_next(unlike: Unlike) -> None:
    """Counted, missing, and the next plate."""
    lines = unlike.done("programme", "nordlicht asa")

    assert lines[0] == "Nordlicht ASA: programme 'usual'"
    assert lines[-1].startswith("Next plate: ")


def test_a_programme_has_the_keys_that_scripts_read(unlike: Unlike) -> None:
    """Eleven upright bars were pulled; two flat ones of five."""
    told = unlike.json("programme", MATERIAL)
    needs = {(need["method"], need["orientation"]): need for need in told["needs"]}

    assert told["material"] == MATERIAL
    assert needs["tensile", "upright"]["counted"] == 11
    assert needs["tensile", "flat"]["missing"] == 3


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ("programme", "Nordlich ASA"),
            "'Nordlich ASA' in this book. Did you mean Nordlicht ASA?",
        ),
        (("programme", MATERIAL, "--set", "absent.toml"), "absent.toml cannot be read"),
    ],
)
def test_what_cannot_be_planned_is_one_line(unlike: Unlike, words: tuple[str, ...], said: str) -> None:
    """With exit code 1."""
    assert said in unlike.refused(*words)


def test_a_programme_of_nonsense_is_refused(unlike: Unlike, tmp_path: Path) -> None:
    """A file that is no programme changes nothing."""
    (tmp_path / "p.toml").write_text("name = [")

    unlike.refused("programme", MATERIAL, "--set", str(tmp_path / "p.toml"))
    assert unlike.json("programme", MATERIAL)["programme"] == "usual"


def test_what_is_due_names_its_labels(unlike: Unlike) -> None:
    """Jobs that were never ended."""
    found = unlike.json("due")

    assert {each["id"] for each in found} >= {unlike.first, unlike.clean}
    assert all({"at", "late", "id", "what"} <= each.keys() for each in found)


def test_nothing_due_is_an_empty_array(book_template: Path) -> None:
    """And a sentence for people."""
    assert Cli(book_template).json("due") == []
    assert Cli(book_template)("due").stderr == "Nothing is due.\n"
