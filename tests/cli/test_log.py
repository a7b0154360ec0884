"""The journal for people: today, by person, by record."""

from __future__ import annotations

from tests.cli.bench import Cli, Filled
from tracker.book import open_book
from tracker.records import acts


def test_the_newest_act_comes_first_with_person_and_record(filled: Filled) -> None:
    """Who measured what."""
    first = filled.json("log")[0]
    assert (first["act"], first["who"]) == ("measure", "Ada Bench")
    assert filled.measurement in first["about"]


def test_a_correction_shows_what_changed_and_why(filled: Filled) -> None:
    """From what to what, with the reason."""
    filled.done("correct", filled.measurement, "width=10.20", "--reason", "read the wrong scale")
    first = filled.json("log")[0]
    assert first["reason"] == "read the wrong scale"
    assert "width 10 → 10.2" in first["changes"]
    result = next(each for each in first["changes"] if each.startswith("tensile.strength"))
    assert result == "tensile.strength 45.750 ± 0.086 MPa → 44.853 ± 0.085 MPa"


def test_who_corrects_sees_what_changed(filled: Filled) -> None:
    """The reading and the result, each from what to what: 1830 N on 40 and on 40.8 mm²."""
    said = filled("correct", filled.measurement, "width=10.20", "--reason", "wrong scale").stderr
    assert "width 10 → 10.2\n" in said
    assert "Tensile strength 45.750 ± 0.086 MPa → 44.853 ± 0.085 MPa" in said


def test_the_log_shows_the_number_by_which_an_act_is_undone(filled: Filled) -> None:
    """What comes first in a line is what ``undo --entry`` takes."""
    filled.done("spool", "weigh", filled.spool, "1100")
    filled.done("spool", "keep", filled.spool, "open air")
    line = next(each for each in filled.done("log", filled.spool) if "spool weigh" in each)
    assert "Undone: spool weigh" in filled("undo", "--entry", line.split()[0], "--yes").output


def test_one_person_or_one_record_can_be_asked_for(filled: Filled) -> None:
    """Names in any case; a job stands for its specimens."""
    filled.done("--who", "Ben", "spool", "keep", filled.spool, "open air")
    assert {row["who"] for row in filled.json("log", "--person", "ben")} == {"Ben"}
    assert all(filled.spool in row["about"] for row in filled.json("log", filled.spool.lower()))
    acts = {row["act"] for row in filled.json("log", filled.job)}
    assert {"job add", "job end", "offbed", "measure"} <= acts


def test_the_log_of_today_ends_with_yesterday(cli: Cli) -> None:
    """The book was begun in January; all else was entered today: in this test, not in one before midnight."""
    cli.id("material", "add", "Nordlicht ASA")
    cli.id("spool", "add", "Nordlicht ASA")
    *today, begun = cli.json("log", "--most", "200")
    assert (begun["act"], len(today)) == ("init", 2)
    assert cli.json("log", "--today") == today
    assert "is in the future" in cli.refused("log", "--since", "2999-01-01")


def test_the_log_until_a_moment_leaves_that_moment_out(cli: Cli) -> None:
    """An act at the very end of what is asked for is left out; one at its beginning is shown."""
    with open_book(str(cli.place)) as book, book.connect() as connection:
        (begun,) = acts(connection, book.zone)
        assert list(acts(connection, book.zone, until=begun.at)) == []
        assert [each.act for each in acts(connection, book.zone, since=begun.at)] == ["init"]


def test_what_is_left_out_is_reported(filled: Filled) -> None:
    """With how to see it."""
    result = filled("log", "--most", "2")
    assert len(result.stdout.splitlines()) == 3
    assert "--most 4" in result.stderr
