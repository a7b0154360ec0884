"""Checking a book at the command line, and the head to write down."""

from __future__ import annotations

from tests.cli.bench import Cli


def test_the_head_is_shown_and_found_again(cli: Cli) -> None:
    """What was written down on paper is given back later, with other things entered since."""
    head = cli.done("verify")[-1].rpartition(" ")[2]
    cli.id("material", "add", "Nordlicht ASA", "--family", "ASA")
    told = cli.json("verify", "--noted", head)

    assert told["noted"]["hash"] == head
    assert told["noted"]["entry"]["seq"] == told["head_entry"] - 1
    assert cli.done("verify", "--noted", head[:12])[-1].endswith("1 entry since")


def test_a_head_of_another_journal_is_found_out(cli: Cli) -> None:
    """Exit code 1, as for every finding."""
    result = cli("verify", "--noted", "0123456789abcdef")

    assert result.exit_code == 1
    assert "No entry has the hash 0123456789abcdef" in result.stdout


def test_what_is_no_head_is_one_line(cli: Cli) -> None:
    """With what to give."""
    assert "is no head of a journal" in cli.refused("verify", "--noted", "J0001-J")


def test_a_demonstration_passes_no_book_over(cli: Cli) -> None:
    """``--book X demo`` would build it elsewhere, in the folder one happens to be in."""
    assert cli.refused("--book", "there", "demo").endswith("strandbook demo there")
