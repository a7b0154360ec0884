"""What a shell completes at the bench."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.bench import Filled, run


def _offered(filled: Filled, *words: str) -> list[str]:
    """Return what bash would offer for the last word."""
    asked = {
        "_STRANDBOOK_COMPLETE": "bash_complete", "COMP_WORDS": " ".join(("strandbook", *words)),
        "COMP_CWORD": str(len(words)), "STRANDBOOK": str(filled.place),
    }  # fmt: skip
    return [line.partition(",")[2] for line in run(env=asked).stdout.splitlines()]


def test_ids_are_completed_of_the_kind_that_is_asked_for(filled: Filled) -> None:
    """A job's command offers jobs, in lower case typed too; show offers all that has an ID."""
    assert _offered(filled, "job", "end", "j") == [filled.job]
    assert filled.piece in _offered(filled, "show", "J0001-")
    assert _offered(filled, "trace", "M") == [filled.measurement]


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (("methods", "tens"), "tensile"),
        (("label", "--stock", "tape-2"), "tape-24"),
        (("why", "--of", "tensile.str"), "tensile.strength"),
        (("manual", "first"), "first-evening"),
    ],
)
def test_words_of_the_program_are_completed(filled: Filled, words: tuple[str, ...], offered: str) -> None:
    """Methods, stocks, quantities and pages of the manual."""
    assert offered in _offered(filled, *words)


def test_without_a_book_nothing_is_offered_and_nothing_fails(tmp_path: Path) -> None:
    """No refusal is printed into the line that somebody types."""
    asked = {
        "_STRANDBOOK_COMPLETE": "bash_complete", "COMP_WORDS": "strandbook trace M", "COMP_CWORD": "2",
        "STRANDBOOK": f"{tmp_path}/none",
    }  # fmt: skip
    done = run(env=asked)
    assert (done.stdout.strip(), done.stderr) == ("", "")
