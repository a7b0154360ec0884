"""A day's readings from a sheet, onto specimens that the book has."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.bench import Cli
from tests.desk.bench import DAY_MAP, PULL_CURVE

HEAD = "piece;when;who;rig;F;b;h;file;note\n"


@pytest.fixture
def day(cli: Cli, tmp_path: Path) -> tuple[Cli, list[str], Path]:
    """Give a book with four bars and a rig, their IDs, and a folder with the column map and a recording."""
    cli.id("material", "add", "Nordlicht ASA", "--family", "ASA")
    spool = cli.id("spool", "add", "Nordlicht ASA")
    job = cli.id("job", "add", "--spool", spool, "--piece", "bar:ZXY:4", "--started", "2026-03-01 8:00")
    cli.id("job", "end", job, "--outcome", "finished", "--ended", "2026-03-01 10:00")
    cli.id("offbed", job, "--good", "1-4")
    cli.id("rig", "add", "Gantry", "--role", "rig", "--measures", "force", "--capacity", "5 kN")
    folder = tmp_path / "day"
    folder.mkdir()
    (folder / "map.toml").write_text(DAY_MAP)
    (folder / "pull.csv").write_text(PULL_CURVE)
    return cli, [row["id"] for row in cli.json("list", "specimens")], folder


def _sheet(folder: Path, *rows: str) -> tuple[str, ...]:
    (folder / "day.csv").write_text(HEAD + "".join(f"{row}\n" for row in rows))
    return ("measure", "--from", str(folder / "day.csv"), "--columns", str(folder / "map.toml"))


def test_a_recording_can_be_named_as_the_other_readings_are(day: tuple[Cli, list[str], Path]) -> None:
    """``curve=pull.csv`` is the file of that name, without --file."""
    cli, pieces, folder = day
    words = ("measure", pieces[0], "tensile", "width=10", "thickness=4", f"curve={folder / 'pull.csv'}")
    assert cli.json(*words)["results"][0]["value"] == pytest.approx(37.5)
    assert "cannot be read" in cli.refused(*words[:-1], "curve=no.csv")


def test_a_day_is_stored_as_one_act(day: tuple[Cli, list[str], Path]) -> None:
    """Each row is a measurement with its own time, person, rig and recording; the journal has one entry."""
    cli, pieces, folder = day
    before = cli.entries()
    words = _sheet(
        folder,
        f"{pieces[0]};2026-03-02 10:05;Ben;Gantry;1,83;10,0;4,0;;",
        f"{pieces[1].lower()};2026-03-02 10:09;Cleo;Gantry;1,79;10,0;4,0;;slow start",
        f"{pieces[2]};2026-03-02 10:15;Cleo;;;10,0;4,0;pull.csv;",
    )
    cli.done(*words)
    assert cli.entries() == before + 1
    results = {
        row["specimen"]: row for row in cli.json("list", "results") if row["quantity"] == "tensile.strength"
    }
    assert [results[each]["value"] for each in pieces[:3]] == pytest.approx([45.75, 44.75, 37.5])
    shown = cli.json("show", "M0002-W")
    assert (shown["operator"], shown["remark"], shown["at"][:16]) == (
        "Cleo",
        "slow start",
        "2026-03-02T10:09",
    )
    assert cli.json("show", "M0003-U")["files"]


def test_a_dry_run_stores_nothing_and_says_what_would_be(day: tuple[Cli, list[str], Path]) -> None:
    """The numbers are shown; book and journal are as before."""
    cli, pieces, folder = day
    before = cli.entries()
    answer = cli.json(*_sheet(folder, f"{pieces[0]};2026-03-02 10:05;Ben;;1,83;10,0;4,0;;"), "--dry-run")
    assert answer["stored"] is False
    strength = answer["measurements"][0]["results"][0]
    assert strength["value"] == pytest.approx(45.75)
    assert (cli.entries(), cli.json("list", "measurements")) == (before, [])


def test_one_wrong_line_stores_nothing_and_all_wrong_lines_are_named(
    day: tuple[Cli, list[str], Path],
) -> None:
    """An ID that is none, a spool in place of a specimen: both are said at once."""
    cli, pieces, folder = day
    before = cli.entries()
    said = cli.refused(
        *_sheet(
            folder,
            f"{pieces[0]};;;;1,83;10,0;4,0;;",
            "J0001-09-Z;;;;1,83;10,0;4,0;;",
            "S0001-R;;;;1,83;10,0;4,0;;",
        )
    )
    assert "line 3" in said
    assert "line 4" in said
    assert "Nothing was stored" in said
    assert (cli.entries(), cli.json("list", "measurements")) == (before, [])


def test_a_cell_that_is_no_number_is_refused_with_its_line(day: tuple[Cli, list[str], Path]) -> None:
    """Before the book is asked for anything."""
    cli, pieces, folder = day
    assert "line 2" in cli.refused(*_sheet(folder, f"{pieces[0]};;;;1,8x3;10,0;4,0;;"))


def test_the_same_questions_are_asked_and_yes_answers_them(day: tuple[Cli, list[str], Path]) -> None:
    """A specimen pulled twice in the sheet is asked about by its line; off a terminal --yes is needed."""
    cli, pieces, folder = day
    words = _sheet(folder, f"{pieces[0]};;;;1,83;10,0;4,0;;", f"{pieces[0]};;;;1,80;10,0;4,0;;")
    assert "line 3" in cli.refused(*words)
    assert cli.json("list", "measurements") == []
    cli.done(*words, "--yes")
    assert len(cli.json("list", "measurements")) == 2


def test_a_recording_outside_of_the_folder_is_refused(day: tuple[Cli, list[str], Path]) -> None:
    """A sheet that came by mail brings no files of this computer into the book."""
    cli, pieces, folder = day
    assert "leads out of the folder" in cli.refused(
        *_sheet(folder, f"{pieces[0]};;;;;10,0;4,0;../secret.csv;")
    )


def test_a_map_names_every_key_that_is_wrong(day: tuple[Cli, list[str], Path]) -> None:
    """A misspelt key is an error: passed over, its column would silently not be taken in."""
    cli, pieces, folder = day
    words = _sheet(folder, f"{pieces[0]};;;;1,83;10,0;4,0;;")
    (folder / "map.toml").write_text(DAY_MAP.replace('id = "piece"', 'idd = "piece"'))
    said = cli.refused(*words)
    assert "day.id is missing" in said
    assert "day.idd is unknown" in said


def test_twelve_specimens_come_off_the_bed_by_one_command_of_forty_characters(
    cli: Cli, tmp_path: Path
) -> None:
    """Judged, the job ended, their labels drawn."""
    cli.id("material", "add", "Nordlicht ASA")
    job = cli.id("job", "add", "--material", "Nordlicht ASA", "--piece", "bar:ZXY:12", "--started", "1 h ago")
    words = ("offbed", job, "-g", "-o", "l.pdf")
    assert len(" ".join(("strandbook", *words))) + 1 <= 40
    with pytest.MonkeyPatch.context() as here:
        here.chdir(tmp_path)
        cli.done(*words)
    assert (tmp_path / "l.pdf").read_bytes().startswith(b"%PDF")
    assert {row["outcome"] for row in cli.json("list", "specimens")} == {"good"}
    ended = cli.json("show", job)
    assert (ended["outcome"], ended["ended_at"] is not None) == ("finished", True)
