"""Thirty bars by scan: one method, one label after another, and only what differs typed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.bench import Cli, Filled, Terminal

Opened = Callable[..., Terminal]

CURVE = "time s,force N\n" + "".join(
    f"{i / 10:.1f},{min(i * 60, 1500) if i < 28 else 5}\n" for i in range(30)
)


@pytest.fixture
def bars(cli: Cli) -> tuple[Cli, list[str]]:
    """Give a book with thirty bars off the bed, and their IDs."""
    cli.id("material", "add", "Nordlicht ASA", "--family", "ASA")
    spool = cli.id("spool", "add", "Nordlicht ASA")
    job = cli.id("job", "add", "--spool", spool, "--piece", "bar:ZXY:30", "--started", "30 h ago")
    cli.id("job", "end", job, "--outcome", "finished", "--ended", "28 h ago")
    cli.id("offbed", job, "--good", "1-30")
    return cli, [row["id"] for row in cli.json("list", "specimens")]


def _session(terminal: Opened, cli: Cli, *more: str) -> Terminal:
    return terminal("scan", "--method", "tensile", *more, book=str(cli.place))


def _types(seat: Terminal, answers: list[str]) -> int:
    """Type answers as the prompts come; return how many characters that was, Enter counted."""
    typed = 0
    for answer in answers:
        seat.expect(": ")
        seat.send(answer)
        typed += len(answer) + 1
    return typed


def test_thirty_bars_take_at_most_230_characters(bars: tuple[Cli, list[str]], terminal: Opened) -> None:
    """Typed, with Enter counted and labels scanned, are a force for each bar and one width and thickness."""
    cli, pieces = bars
    seat = _session(terminal, cli, "--same", "width,thickness")
    typed = 0
    forces = [1800 + 7 * (at % 5) for at in range(30)]
    fields = [each["name"] for each in _asked_of_tensile(cli)]
    for at, (bar, force) in enumerate(zip(pieces, forces, strict=True)):
        seat.expect("Label: ")
        seat.send(bar)
        answers = {"max_force": str(force), "width": "10", "thickness": "4"}
        asked = fields if at == 0 else ["max_force"]
        typed += _types(seat, [answers.get(name, "") for name in asked])
        seat.expect("Tensile strength")
    seat.expect("Label: ")
    seat.send("")
    assert seat.ended() == 0
    assert "30 specimens measured" in seat.seen
    rows = [row for row in cli.json("list", "results") if row["quantity"] == "tensile.strength"]
    assert [row["value"] for row in rows] == pytest.approx([force / 40 for force in forces])
    assert typed <= 230


def _asked_of_tensile(cli: Cli) -> list[dict[str, str]]:
    from tracker.api import fields  # noqa: PLC0415 - the methods load with the first test that needs them
    from tracker.plugins import load  # noqa: PLC0415 - the same

    del cli
    method = load().method("tensile")
    return [{"name": each.name} for each in fields(method.Readings) if each.ask]


@pytest.fixture
def seat(bars: tuple[Cli, list[str]], terminal: Opened) -> tuple[Terminal, Cli, list[str]]:
    """Give a session whose first bar is measured: from now on force, width and thickness are asked for."""
    cli, pieces = bars
    session = _session(terminal, cli)
    session.expect("Label: ")
    session.send(pieces[0])
    answers = {"max_force": "1800", "width": "10", "thickness": "4"}
    _types(session, [answers.get(each["name"], "") for each in _asked_of_tensile(cli)])
    session.expect("Tensile strength")
    session.expect("Label: ")
    return session, cli, pieces


def _strengths(cli: Cli) -> dict[str, float]:
    rows = cli.json("list", "results")
    return {row["specimen"]: row["value"] for row in rows if row["quantity"] == "tensile.strength"}


def test_an_equals_sign_takes_the_last_value(seat: tuple[Terminal, Cli, list[str]]) -> None:
    """It is said which value that is."""
    session, cli, pieces = seat
    session.send(pieces[1])
    _types(session, ["1720", "=", "="])
    assert "thickness 4" in session.expect("Tensile strength")
    session.expect("Label: ")
    session.send("")
    assert session.ended() == 0
    assert _strengths(cli)[pieces[1]] == pytest.approx(43.0)


def test_a_step_back_asks_the_question_before_again(seat: tuple[Terminal, Cli, list[str]]) -> None:
    """A slip noticed one prompt later costs one prompt."""
    session, cli, pieces = seat
    session.send(pieces[1])
    _types(session, ["172", "<", "1720", "=", "="])
    session.expect("Tensile strength")
    session.expect("Label: ")
    session.send("")
    assert session.ended() == 0
    assert _strengths(cli)[pieces[1]] == pytest.approx(43.0)


def test_a_step_back_at_the_first_question_stores_nothing(seat: tuple[Terminal, Cli, list[str]]) -> None:
    """The wrong label was scanned: back to the label."""
    session, cli, pieces = seat
    session.send(pieces[1])
    _types(session, ["<"])
    session.expect("Nothing stored.")
    session.expect("Label: ")
    session.send("")
    assert session.ended() == 0
    assert set(_strengths(cli)) == {pieces[0]}


def test_a_bad_answer_costs_its_own_question(seat: tuple[Terminal, Cli, list[str]]) -> None:
    """The question is asked again, the others are not."""
    session, cli, pieces = seat
    session.send(pieces[1])
    _types(session, ["17w0", "1720", "=", "="])
    session.expect("Tensile strength")
    session.expect("Label: ")
    session.send("")
    assert session.ended() == 0
    assert _strengths(cli)[pieces[1]] == pytest.approx(43.0)


def test_a_label_scanned_at_a_reading_is_asked_about(seat: tuple[Terminal, Cli, list[str]]) -> None:
    """It never becomes a reading; with yes the session goes on with that specimen."""
    session, cli, pieces = seat
    session.send(pieces[1])
    _types(session, [pieces[2]])
    session.expect("is a label")
    session.expect(": ")
    session.send("y")
    _types(session, ["1720", "=", "="])
    session.expect("Tensile strength")
    session.expect("Label: ")
    session.send("")
    assert session.ended() == 0
    assert set(_strengths(cli)) == {pieces[0], pieces[2]}


def test_what_is_scanned_into_a_doubt_is_said_not_to_be_taken(seat: tuple[Terminal, Cli, list[str]]) -> None:
    """Whoever works through a row of labels sees where the scan went; the question is not shown again."""
    session, cli, pieces = seat
    session.send(pieces[1])
    _types(session, ["18000", "=", "="])
    session.expect("Go on? [y/N]: ")
    session.send(pieces[2])
    session.expect(f"'{pieces[2]}' is neither y (yes) nor n (no), and was not taken. y or n [n]: ")
    session.send("n")
    _types(session, ["1800", "", ""])
    session.expect("Tensile strength")
    session.expect("Label: ")
    session.send("")
    assert session.ended() == 0
    assert set(_strengths(cli)) == {pieces[0], pieces[1]}


def test_a_recording_that_appears_in_the_folder_is_the_reading(
    bars: tuple[Cli, list[str]], terminal: Opened, tmp_path: Path
) -> None:
    """What lay there before is not taken, what comes after the scan is."""
    cli, pieces = bars
    folder = tmp_path / "rig"
    folder.mkdir()
    (folder / "old.csv").write_text(CURVE)
    seat = _session(terminal, cli, "--watch", str(folder))
    seat.expect("Label: ")
    seat.send(pieces[0])
    seat.expect("waiting for a recording")
    (folder / "pull-1.csv").write_text(CURVE)
    seat.expect("pull-1.csv")
    answers = {"width": "10", "thickness": "4"}
    _types(seat, [answers.get(each["name"], "") for each in _asked_of_tensile(cli)])
    seat.expect("Tensile strength")
    seat.expect("Label: ")
    seat.send("")
    assert seat.ended() == 0
    assert _strengths(cli)[pieces[0]] == pytest.approx(37.5)


def test_a_reading_that_is_none_cannot_stay_the_same(filled: Filled, terminal: Opened) -> None:
    """The refusal lists the method's readings."""
    seat = terminal("scan", "--method", "tensile", "--same", "breadth", book=str(filled.place))
    assert seat.ended() == 1
    assert "breadth is no reading of tensile" in seat.seen
    assert "thickness" in seat.seen


def test_off_a_terminal_a_session_says_what_to_do(cli: Cli) -> None:
    """Nobody can be asked, and the other ways are named."""
    assert "measure ID METHOD" in cli.refused("scan", "--method", "tensile")
