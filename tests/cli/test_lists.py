"""Lists: one grammar of filters for all, what was taken back by itself, refusals as JSON."""

from __future__ import annotations

import json

import pytest

from tests.cli.bench import Cli, Filled, command_at, commands

WITHOUT_JSON = {("serve",), ("rig", "watch")}
"""Commands that go on until they are ended."""


def test_a_job_is_named_by_its_id_or_its_name_in_every_list(filled: Filled) -> None:
    """Specimens and jobs as results and measurements."""
    filled.id("correct", filled.job, "name=PETG Z 1", "--reason", "named")
    for where in ('job="PETG Z 1"', f"job={filled.job}"):
        assert len(filled.json("list", "specimens", where)) == 3
        assert [row["id"] for row in filled.json("list", "jobs", where)] == [filled.job]
        assert len(filled.json("list", "measurements", where)) == 1
    assert filled.json("list", "specimens", 'job!="PETG Z 1"') == []


@pytest.mark.parametrize(
    ("kind", "where", "count"),
    [
        ("spools", "lot=7731", 1), ("spools", "material=Other", 0), ("storage", "rh_pct<20", 1),
        ("dryings", "set_c>=80", 1), ("rigs", "role=rig", 1), ("calibrations", "u_abs<2", 1),
    ],
)  # fmt: skip
def test_every_list_is_filtered_by_its_columns(filled: Filled, kind: str, where: str, count: int) -> None:
    """The same words everywhere."""
    assert len(filled.json("list", kind, where)) == count


def test_what_was_taken_back_is_listed_by_itself(filled: Filled) -> None:
    """The list says that there is some."""
    filled.id("void", filled.measurement, "--reason", "scanned the wrong bar")
    result = filled("list", "measurements")
    assert filled.measurement not in result.stdout
    assert "1 taken back" in result.stderr
    assert [row["id"] for row in filled.json("list", "measurements", "--voided")] == [filled.measurement]
    assert "Taken back" in filled("show", filled.measurement).stdout


def test_colour_and_reel_are_shown(filled: Filled) -> None:
    """What the form recorded, list and card tell."""
    spool = filled.id("spool", "add", filled.material, "--colour", "signal red", "--reel", "cardboard")
    assert "signal red" in filled("list", "spools").stdout
    shown = filled("show", spool).stdout
    assert ("signal red" in shown, "cardboard" in shown) == (True, True)


@pytest.mark.parametrize(
    "words", [("show", "S0009-1"), ("void", "S0009-1", "--reason", "x"), ("list", "specimens", "colour=9")]
)
def test_a_refusal_is_json_where_the_answer_would_be(filled: Filled, words: tuple[str, ...]) -> None:
    """On stderr, one line: what, why and what to do."""
    result = filled(*words, "--json")
    assert (result.exit_code, result.stdout) == (1, "")
    told = json.loads(result.stderr)
    assert {"refused", "what", "why", "do", "questions"} <= told.keys()
    assert told["what"]


def test_questions_come_one_by_one_in_json(filled: Filled) -> None:
    """What --yes would confirm can be read by a program."""
    result = filled("void", filled.job, "--reason", "twice", "--json")
    assert len(json.loads(result.stderr)["questions"]) == 1


def test_every_command_answers_as_json() -> None:
    """But for pages and pictures."""
    named = {words: {option.name for option in command_at(words).params} for words in commands()}
    lacking = {words for words, options in named.items() if "as_json" not in options}
    assert lacking <= WITHOUT_JSON


def test_labels_that_cannot_be_drawn_stop_the_whole(filled: Filled) -> None:
    """Nothing is entered of the pieces when their labels could not be had."""
    before = filled.entries()
    for wrong in (
        ("--stock", "nothing"),
        ("-o", "x.txt"),
        ("-o", "no/such/folder/x.pdf"),
        ("--design", "none"),
    ):
        filled.refused("offbed", filled.job, "--rest-good", *wrong)
    assert filled.entries() == before


def test_undo_merge_cut_and_relabel_from_the_command_line(filled: Filled) -> None:
    """Each says what it did; undo takes back the last one."""
    other = filled.id("spool", "add", filled.material, "--lot", "7731")
    assert filled.id("merge", filled.spool, other, "--reason", "entered twice") == filled.spool
    assert filled.json("show", other)["id"] == filled.spool
    filled.done("undo")
    assert filled.json("show", other)["id"] == other
    two = filled.json("list", "specimens")[1]["id"]
    lines = filled.done("cut", two, "--into", "left", "--into", "right")
    assert len(lines) == 3
    filled.done("relabel", filled.piece, two, "--reason", "mixed up")
    assert filled.json("show", filled.measurement)["specimen"] == two


def test_a_list_that_is_none_is_refused_with_those_that_are(cli: Cli) -> None:
    """As wrong usage."""
    assert "none of materials" in cli("list", "spoons").stderr


def test_the_command_line_holds_who_to_the_people(cli: Cli) -> None:
    """By initials it writes the name; a stranger is refused before anything is written."""
    cli.id("person", "add", "AB", "--name", "Ada Bench")
    cli.done("material", "add", "Südwind PETG", env={"STRANDBOOK_WHO": "ab"})
    before = cli.entries()
    refused = cli("material", "add", "Nordlicht ASA", "--json", env={"STRANDBOOK_WHO": "Cy"})
    assert (refused.exit_code, refused.stdout, cli.entries()) == (1, "", before)
    told = json.loads(refused.stderr)
    assert told["what"] == "Nobody here is called 'Cy'"
    assert "AB Ada Bench" in told["do"]
