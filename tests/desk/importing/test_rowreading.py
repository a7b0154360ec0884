"""Rows of a sheet as pieces: what a method is given, and what is refused."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import pytest

from tests.desk.bench import Plain, PlainReadings, plugged_with
from tests.desk.importing.sheets import MAP, bring_in, plan_of
from tests.desk.importing.test_planning import row
from tracker.api import Outcome, Piece, Reading
from tracker.book import Book
from tracker.desk.importing import MapError
from tracker.desk.importing.planning import plan_json
from tracker.plugins import Plugged

PLAIN = """
[specimen]
material = "material"
plate = ["material"]
outcome = "note"

[factors]
layer_height_mm = "layer"
printer = "printer"

[readings.plain]
load = { column = "force", unit = "N" }
"""


class WordyReadings(PlainReadings):
    """A number, a file and a word."""

    grip: Annotated[str | None, Reading(help="what held it")] = None


class Seeing(Plain):
    """A method that keeps the pieces it was given."""

    Readings = WordyReadings

    def __init__(self) -> None:
        self.seen: list[Piece] = []

    def compute(self, readings: Any, piece: Any) -> Iterator[Outcome]:
        """Keep the piece, and give the load back."""
        self.seen.append(piece)
        yield Outcome("plain.load", readings.load)


def test_a_method_is_given_factors_as_numbers_and_words(book: Book, tmp_path: Path) -> None:
    """A number where the column holds numbers, the word where it holds words."""
    method = Seeing()
    plan_of(book, plugged_with(method), tmp_path, row(note="good"), columns=PLAIN)
    assert method.seen[0].factors == {"layer_height_mm": 0.2, "printer": "left"}


def test_a_column_of_numbers_holds_numbers(book: Book, tmp_path: Path) -> None:
    """Though its name ends in no unit."""
    method = Seeing()
    plan_of(book, plugged_with(method), tmp_path, row(printer="7"), row(printer="8"), columns=PLAIN)
    assert [piece.factors["printer"] for piece in method.seen] == [7, 8]


@pytest.mark.parametrize("word", ["good", "Usable", "FAILED"])
def test_an_outcome_is_one_of_three_whatever_its_capitals(book: Book, tmp_path: Path, word: str) -> None:
    """Kept small, and so given to the method."""
    method = Seeing()
    plan = plan_of(book, plugged_with(method), tmp_path, row(note=word), columns=PLAIN)
    assert plan.jobs[0].specimens[0].texts["outcome"] == word.lower()
    assert method.seen[0].outcome == word.lower()


def test_another_outcome_refuses_its_line(book: Book, tmp_path: Path) -> None:
    """With the three that are."""
    plan = plan_of(book, plugged_with(Seeing()), tmp_path, row(note="fair"), columns=PLAIN)
    assert [each.why for each in plan.refused_rows] == ["outcome 'fair' is none of good, usable, failed"]


def test_a_word_has_no_unit(book: Book, tmp_path: Path) -> None:
    """A map that gives it one is refused by the key."""
    columns = PLAIN + 'grip = { column = "session", unit = "mm" }\n'
    with pytest.raises(MapError, match=r"readings\.plain\.grip is .*: leave out its unit"):
        plan_of(book, plugged_with(Seeing()), tmp_path, columns=columns)


def test_a_recording_that_cannot_be_read_refuses_its_line(
    book: Book, plugged: Plugged, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is there, and the disk does not give it out: said with its name, and the other lines are taken."""
    give = os.open

    def unreadable(path: Any, *how: Any, **more: Any) -> int:
        if str(path).endswith("pull.csv"):
            raise PermissionError(13, "Permission denied")
        return give(path, *how, **more)

    monkeypatch.setattr(os, "open", unreadable)
    plan = plan_of(book, plugged, tmp_path)
    assert [(each.line, each.why) for each in plan.refused_rows] == [
        (4, "'pull.csv' cannot be read: Permission denied")
    ]
    assert plan.counts()["specimens"] == 2


@pytest.mark.parametrize(("number", "more"), [(3, ""), (4, " and 1 more")])
def test_three_names_that_exist_are_reported_and_the_rest_counted(
    book: Book, plugged: Plugged, tmp_path: Path, number: int, more: str
) -> None:
    """Three show the pattern."""
    plates = [row(session=str(n)) for n in range(number)]
    bring_in(book, plugged, tmp_path, *plates)
    again = plan_of(book, plugged, tmp_path, *plates, row(session="new")).notes
    (note,) = (each for each in again if each.startswith("The book has jobs of these names"))
    assert note.count("Quarzit ASA XY") == 3
    assert note.endswith(f"){more}; further ones are made")


def test_programs_read_what_is_refused_by_line_quantity_and_reason(
    book: Book, plugged: Plugged, tmp_path: Path
) -> None:
    """A whole line, and a quantity of another."""
    said = plan_json(plan_of(book, plugged, tmp_path, row(area=""), row(area="-1")))
    (line,) = said["refused_rows"]
    assert (line["line"], line.keys()) == (3, {"line", "why"})
    (strength,) = (each for each in said["refused_quantities"] if each.get("quantity") == "tensile.strength")
    assert strength == {
        "line": 2,
        "quantity": "tensile.strength",
        "why": "no section: give width and thickness, or area (area is empty)",
    }


def test_a_column_named_by_nothing_is_refused(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A number, or a blank, is no name of a column; every such key is reported at once."""
    columns = MAP.replace('"printer"', "7").replace('"note"', '" "')
    with pytest.raises(MapError) as caught:
        plan_of(book, plugged, tmp_path, columns=columns)
    assert [line.split(" must be written as ")[0] for line in caught.value.lines] == [
        "specimen.note",
        "factors.printer",
    ]
