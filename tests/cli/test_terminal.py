"""At a terminal: prompts with units, a bad answer asked again, Ctrl-C that writes nothing."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from unittest.mock import Mock

import pytest

from tests.cli.bench import Cli, Filled, Terminal
from tests.plates import FLAT, plate
from tracker.cli._output import at_words

Opened = Callable[..., Terminal]


def test_prompts_show_the_unit_and_ask_again_after_a_bad_answer(cli: Cli, terminal: Opened) -> None:
    """A wrong answer costs itself and nothing else."""
    seat = terminal("material", "add", "Tuff PA")
    seat.expect("Polymer family")
    seat.send("PA6")
    seat.expect("Maker")
    seat.send("")
    seat.expect("Density [g/cm³]")
    seat.send("5 kg")
    seat.expect("5 kg is not a quantity in g/cm³")
    seat.expect("Density [g/cm³]")
    seat.send("1,14")
    seat.expect("Drying temperature advised [°C]")
    seat.send("176 °F")
    assert seat.ended() == 0
    row = cli.json("list", "materials")[0]
    assert [row["density_g_cm3"], row["drying_c"]] == pytest.approx([1.14, 80.0])
    assert row["maker"] is None


def test_a_command_pasted_into_a_question_is_no_answer(cli: Cli, terminal: Opened) -> None:
    """Two lines pasted together: the second one does not become the maker's name."""
    seat = terminal("material", "add", "Tuff PA", "--family", "PA6", "--density", "1.14", "--drying", "80")
    seat.expect("Maker")
    seat.send('strandbook spool add "Tuff PA"')
    seat.expect("That is a command")
    seat.expect("Maker")
    seat.send("Nordlicht")
    assert seat.ended() == 0
    assert cli.json("list", "materials")[0]["maker"] == "Nordlicht"


def test_progress_at_a_terminal_is_a_bar_and_no_codes(terminal: Opened) -> None:
    """What moves the cursor is obeyed, where all else that could do so is shown as text."""
    seat = terminal("verify", TERM="xterm")
    assert "\\u001b" not in seat.expect("Looked at")


def test_what_is_required_is_asked_until_it_is_given(cli: Cli, terminal: Opened) -> None:
    """Enter does not pass over what nothing can be stored without."""
    seat = terminal("rig", "add", "Gantry", "--measures", "force", "--capacity", "5 kN", "--resolution", "1")
    seat.expect("(rig, instrument)")
    seat.send("")
    seat.expect("is missing")
    seat.expect("(rig, instrument)")
    seat.send("rig")
    assert seat.ended() == 0
    assert cli.json("list", "rigs")[0]["role"] == "rig"


def test_enter_takes_what_is_offered_and_says_so_and_a_dash_means_none(
    filled: Filled, terminal: Opened
) -> None:
    """What stands in brackets is never taken unseen, and can be left out."""
    seat = terminal("job", "add", "--piece", "bar:ZXY:1", book=str(filled.place))
    seat.expect("Spools printed from (IDs), Enter if not known: ")
    seat.send("S9999")
    seat.expect("Spools printed from (IDs), Enter if not known: ")
    seat.send(filled.spool)
    seat.expect("Printer: ")
    seat.send("-")
    seat.expect("Started [now]: ")
    seat.send("")
    seat.expect("taken: now")
    seat.expect("Chamber temperature set [°C]: ")
    seat.send("6O")
    seat.expect("Chamber temperature set [°C]: ")
    seat.send("-")
    assert seat.ended() == 0
    job = filled.json("list", "jobs")[-1]
    assert (job["printer"], job["chamber_set_c"], job["started_at"] is not None) == (None, None, True)


def test_who_does_not_know_a_spools_id_sees_those_with_filament(
    filled: Filled, terminal: Opened, tmp_path: Path
) -> None:
    """The newest few before the question, all on a question mark; Enter takes the last one printed from."""
    for _ in range(4):
        filled.id("spool", "add", filled.material, "--net", "750 g")
    filled.id("spool", "wind", "S0005-J", "--gross", "690", "--empty", "190", "--yes")
    (tmp_path / "plate.gcode").write_bytes(plate(FLAT, layers=20))
    seat = terminal("preflight", str(tmp_path / "plate.gcode"), book=str(filled.place))
    shown = seat.expect(f"(ID) [{filled.spool}]: ")
    assert [line.split()[0] for line in shown.splitlines() if line.startswith("  S")] == [
        filled.spool, "S0006-H", "S0004-L", "S0003-N",
    ]  # fmt: skip
    assert "Nordlicht ASA, 1000 ± 20 g left, lot 7731" in shown
    assert "1 more: ?" in shown
    seat.send("?")
    seat.expect("S0002-P")
    seat.expect(f"(ID) [{filled.spool}]: ")
    seat.send("-")
    seat.expect("is missing; ? lists them, Ctrl-C leaves")
    seat.send("")
    seat.expect(f"taken: {filled.spool}")
    seat.ended()


def test_what_is_not_meant_after_all_is_asked_again_with_the_answers_offered(
    filled: Filled, terminal: Opened
) -> None:
    """A no to a question loses nothing of what was typed."""
    from tracker.api import fields  # noqa: PLC0415 - the methods load with the first test that needs them
    from tracker.plugins import load  # noqa: PLC0415 - the same

    names = [each.name for each in fields(load().method("tensile").Readings) if each.ask]
    seat = terminal("measure", filled.json("list", "specimens")[1]["id"], "tensile", book=str(filled.place))
    for name in names:
        seat.expect(f"{name} ")
        seat.expect(": ")
        seat.send({"max_force": "18.30", "width": "=", "thickness": "4"}.get(name, "-"))
    seat.expect("Measured with")
    seat.send("-")
    seat.expect("Go on? [y/N]: ")
    seat.send("n")
    for name in names:
        offered = {"max_force": "[18.30]: ", "width": "[10]: ", "thickness": "[4]: "}.get(name, ": ")
        seat.expect(offered)
        seat.send("1830" if name == "max_force" else "")
    seat.expect("Tensile strength  45.75")
    assert seat.ended() == 0


def test_ctrl_c_at_a_prompt_writes_nothing(cli: Cli, terminal: Opened) -> None:
    """No half record, no entry, no traceback, exit code 1."""
    before = cli.entries()
    seat = terminal("material", "add", "Tuff PA")
    seat.expect("Polymer family")
    seat.send("PA6")
    seat.expect("Maker")
    seat.interrupt()
    assert seat.ended() == 1
    assert ("Aborted" in seat.seen, "Traceback" in seat.seen) == (True, False)
    assert (cli.entries(), cli.json("list", "materials")) == (before, [])


def test_no_input_asks_nothing_even_at_a_terminal(terminal: Opened) -> None:
    """What is missing is refused with the option that gives it."""
    seat = terminal("--no-input", "rig", "add", "Gantry")
    assert seat.ended() == 1
    assert "--role" in seat.seen


def test_a_doubt_is_asked_at_a_terminal_and_no_writes_nothing(filled: Filled, terminal: Opened) -> None:
    """The person decides; anything but yes is no."""
    before = filled.entries()
    words = ("dry", filled.spool, "--set", "90", "--planned-hours", "6", "--began", "now", "--before", "1 kg")
    seat = terminal(*words, book=str(filled.place))
    seat.expect("withstands (85 °C)")
    seat.expect("Go on?")
    seat.send("n")
    assert seat.ended() == 1
    assert filled.entries() == before


def test_a_doubt_answered_with_yes_is_done(filled: Filled, terminal: Opened) -> None:
    """And the act is written."""
    words = ("dry", filled.spool, "--set", "90", "--planned-hours", "6", "--began", "now", "--before", "1 kg")
    seat = terminal(*words, book=str(filled.place))
    seat.expect("Go on?")
    seat.send("y")
    assert seat.ended() == 0
    assert len(filled.json("list", "dryings")) == 2


def test_readings_are_asked_with_their_units_and_the_last_value(filled: Filled, terminal: Opened) -> None:
    """The method's own fields make the prompts; its cautions come first."""
    piece = filled.json("list", "specimens")[1]["id"]
    seat = terminal("measure", piece, "tensile", book=str(filled.place))
    seat.expect("Caution: ")
    seat.expect("max_force [N], last 1830")
    seat.send("1.9 kN")
    seat.expect("width [mm], last 10")
    seat.send("10 kg")
    seat.expect("10 kg is not a quantity in mm")
    seat.send("10")
    seat.expect("thickness [mm]")
    seat.send("4")
    seat.expect(f"Measured with (IDs of rigs) [{filled.rig}]")
    seat.send("")
    seat.expect("Tensile strength  47.5")
    assert seat.ended() == 0


def test_pieces_are_asked_one_by_one_off_the_bed(cli: Cli, terminal: Opened) -> None:
    """A letter for each; a cause for what failed."""
    cli.id("material", "add", "A")
    job = cli.id("job", "add", "--material", "A", "--piece", "bar:X:3")
    seat = terminal("offbed", job)
    seat.expect("J0001-01")
    seat.send("g")
    seat.expect("J0001-02")
    seat.send("f")
    seat.expect("cause")
    seat.send("came loose")
    seat.expect("J0001-03")
    seat.send("")
    assert seat.ended() == 0
    assert [row["outcome"] for row in cli.json("list", "specimens")] == ["good", "failed", None]


def test_a_table_fits_a_narrow_terminal(cli: Cli, terminal: Opened) -> None:
    """Long names are shortened with an ellipsis, so that a row stays a row."""
    cli.id("material", "add", "x" * 120, "--maker", "y" * 120)
    seat = terminal("list", "materials", COLUMNS="60")
    assert seat.ended() == 0
    lines = [line for line in seat.seen.splitlines() if line]
    assert (len(lines), max(map(len, lines)) <= 60, "…" in lines[1]) == (2, True, True)


@pytest.mark.parametrize("colour", [{}, {"NO_COLOR": "1"}])
def test_no_escape_sequence_is_sent_without_need(cli: Cli, terminal: Opened, colour: dict[str, str]) -> None:
    """Plain text at a terminal too."""
    cli.id("material", "add", "A")
    seat = terminal("show", "A", **colour)
    assert seat.ended() == 0
    assert "\x1b" not in seat.seen


def test_a_specimen_that_hangs_there_is_scanned_and_one_length_typed(
    filled: Filled, terminal: Opened
) -> None:
    """The clock does the rest: the reading is the test's next one, and no method is asked for."""
    hung = ("force=280", "width=10", "thickness=4", "reference_length=80")
    piece = filled.json("list", "specimens")[1]["id"]
    test = filled.id("measure", piece, "creep", *hung, "--at", "24 h ago", "--yes")
    seat = terminal("scan", book=str(filled.place))
    seat.expect("Label: ")
    seat.send(piece)
    seat.expect("Creep since")
    seat.expect("length_mm [mm], Enter for none: ")
    seat.send("80.39")
    seat.expect("Creep strain after 24 h")
    seat.expect("Label: ")
    seat.send("")
    assert seat.ended() == 0
    ((hours, length),) = filled.json("show", test)["readings"]["series"]
    assert (round(hours), length) == (24, 80.39)


def test_a_reading_is_added_by_one_command(filled: Filled) -> None:
    """With its time, where it was read earlier; how is said when the test is begun."""
    hung = ("force=280", "width=10", "thickness=4", "reference_length=80")
    piece = filled.json("list", "specimens")[1]["id"]
    begun = filled("measure", piece, "creep", *hung, "--at", "30 h ago", "--yes")
    assert f"Next: strandbook append {piece} VALUE" in begun.stderr
    test = begun.stdout.splitlines()[-1]
    filled.done("append", piece, "80.39", "--at", "6 h ago")
    ((hours, _),) = filled.json("show", test)["readings"]["series"]
    assert round(hours) == 24


def test_ids_are_whole_in_lists_of_sixty_columns(filled: Filled, terminal: Opened) -> None:
    """Every other text may be shortened before an ID is."""
    seat = terminal("list", "measurements", COLUMNS="60", book=str(filled.place))
    assert seat.ended() == 0
    lines = seat.seen.splitlines()
    assert max(map(len, lines)) <= 60
    assert lines[-1].split()[:2] == [filled.measurement, filled.piece]


@pytest.mark.parametrize("columns", [50, 60])
def test_the_log_of_a_narrow_terminal_goes_on_below(filled: Filled, terminal: Opened, columns: int) -> None:
    """No time, ID or reason is cut; of an act on many, each is below the other."""
    seat = terminal("log", COLUMNS=str(columns), book=str(filled.place))
    assert seat.ended() == 0
    assert max(map(len, seat.seen.splitlines())) <= columns
    assert "…" not in seat.seen
    assert filled.piece in seat.seen


def test_what_was_taken_back_is_struck_through_on_a_card(filled: Filled, terminal: Opened) -> None:
    """At a terminal by a line through it, in a pipe by words."""
    filled.id("void", filled.piece, "--reason", "counted twice", "--yes")
    assert "(taken back)" in filled("show", filled.job).stdout
    seat = terminal("show", filled.job, book=str(filled.place), TERM="xterm")
    assert seat.ended() == 0
    assert "\x1b[9m" in seat.seen


def test_messages_break_between_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """At a terminal of forty columns; a line with a command stays whole to be copied, and so do pipes."""
    said = "Caution: a piece that breaks throws fragments, so wear eye protection."
    command = "Next: strandbook job end J0001-J --outcome finished --ended TIME"
    monkeypatch.setattr("shutil.get_terminal_size", lambda _: os.terminal_size((40, 24)))
    assert at_words(said) == said
    monkeypatch.setattr("sys.stderr", Mock(isatty=lambda: True))
    assert at_words(f"{said}\n{command}").split("\n") == [
        "Caution: a piece that breaks throws",
        "  fragments, so wear eye protection.",
        command,
    ]
