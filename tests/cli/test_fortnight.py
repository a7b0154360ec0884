"""A fortnight at the bench, with every slip that a tired person makes and how it is taken back.

One story on each database, told by commands as a person types them; the page does the same acts through the
same desk functions (tests/web).
"""

from __future__ import annotations

from typing import Any

import pytest
from click.testing import CliRunner, Result

from tests.databases import Places
from tracker.cli import strandbook

PULL = ("width=10", "thickness=4", "--rig", "pull")


class _Ada:
    """Ada at her book, wherever it lies.

    Args:
        place: Of the book.
    """

    def __init__(self, place: str) -> None:
        self._place = place

    def __call__(self, *words: str) -> Result:
        given = {"STRANDBOOK": self._place, "STRANDBOOK_WHO": "Ada Bench"}
        return CliRunner().invoke(strandbook, ["--no-input", *words], env=given, prog_name="strandbook")

    def does(self, *words: str) -> str:
        """Do something; return the last line of stdout."""
        result = self(*words)
        assert result.exit_code == 0, (words, result.output)
        return (result.stdout.splitlines() or [""])[-1]

    def is_refused(self, *words: str) -> str:
        """Do something that cannot be done; return the one line that says why."""
        result = self(*words)
        assert (result.exit_code, result.stdout) == (1, ""), (words, result.output)
        return result.stderr

    def sees(self, *words: str) -> Any:
        """Return what a command answers as JSON."""
        import json  # noqa: PLC0415 - used here only

        result = self(*words, "--json")
        assert result.exit_code == 0, (words, result.output)
        return json.loads(result.stdout)

    def strengths(self) -> dict[str, float]:
        """Return the counted tensile strengths by specimen, MPa."""
        rows = [row for row in self.sees("list", "results") if row["quantity"] == "tensile.strength"]
        return {row["specimen"]: row["value"] for row in rows if row["counted"]}


@pytest.fixture
def ada(places: Places, kind: str) -> _Ada:
    """Give Ada at an empty book, on each database in turn."""
    return _Ada(places.fresh(kind))


def test_a_fortnight_of_slips_ends_in_a_book_that_is_right_and_sound(ada: _Ada) -> None:  # noqa: PLR0915 - one story
    """Each slip is asked about or taken back; what was wrong counts nowhere, and verify finds nothing."""
    # Monday: the spool comes in twice, dried in the evening, kept in the wrong place.
    ada.does("material", "add", "Nordlicht ASA", "--family", "ASA", "--drying-max", "85")
    spool = ada.does("spool", "add", "Nordlicht ASA", "--lot", "7731", "--received", "12 days ago")
    twice = ada.does("spool", "add", "Nordlicht ASA", "--lot", "7731", "--received", "12 days ago")
    ada.does("merge", spool, twice, "--reason", "entered twice", "--yes")
    assert ada.sees("show", twice)["id"] == spool
    ada.does("spool", "keep", spool, "open air", "--began", "12 days ago")
    ada.is_refused("dry", spool, "--set", "80", "--began", "20 days ago", "--ended", "21 days ago")
    drying = ada.does(
        "dry", spool, "--set", "80", "--planned-hours", "6", "--began", "240 h ago", "--ended", "234 h ago"
    )
    never = ada.does(
        "dry", spool, "--set", "60", "--planned-hours", "6", "--began", "192 h ago", "--ended", "186 h ago"
    )
    ada.does("void", never, "--reason", "planned, and never done", "--yes")
    assert [row["id"] for row in ada.sees("list", "dryings")] == [drying]

    # Thursday: a plate, printed from another spool than was typed.
    other = ada.does("spool", "add", "Nordlicht ASA", "--lot", "8002", "--received", "12 days ago")
    job = ada.does(
        "job",
        "add",
        "--spool",
        spool,
        "--piece",
        "bar:ZXY:4",
        "--started",
        "3 days ago",
        "--chamber-set",
        "60",
    )
    ada.does("job", "end", job, "--outcome", "finished", "--ended", "2 days ago")
    ada.does("correct", job, f"spool={other}", "--reason", "took the other reel")
    assert other in str(ada.sees("show", job)["spools"])
    ada.does("offbed", job, "--good", "1-4")
    bars = [row["id"] for row in ada.sees("list", "specimens")]

    # Friday: the tests. An empty measurement, a decimal slip, the wrong bar, two labels mixed up.
    ada.does("rig", "add", "pull", "--role", "rig", "--measures", "force", "--capacity", "5 kN")
    ada.is_refused("measure", bars[0], "tensile")
    first = ada.does("measure", bars[0], "tensile", "max_force=1830", *PULL)
    assert "used up" in ada.is_refused("measure", bars[0], "tensile", "max_force=1790", *PULL)
    ada.does("correct", first, f"specimen={bars[1]}", "--reason", "scanned the wrong bar")
    assert ada.strengths() == {bars[1]: pytest.approx(45.75)}
    ada.does("measure", bars[0], "tensile", "max_force=1790", *PULL)
    ada.does("measure", bars[2], "tensile", "max_force=1810", *PULL)
    odd = ada.is_refused("measure", bars[3], "tensile", "max_force=18.1", *PULL)
    assert "0.4525" in odd
    wrong = ada.does("measure", bars[3], "tensile", "max_force=18.1", *PULL, "--yes")
    ada.does("void", wrong, "--reason", "kilonewtons typed as newtons", "--yes")
    assert bars[3] not in ada.strengths()
    ada.does("measure", bars[3], "tensile", "max_force=1.81 kN", *PULL)
    before = ada.strengths()
    ada.does("relabel", bars[2], bars[3], "--reason", "labels mixed up")
    ada.does("undo", "--yes")
    assert ada.strengths() == before
    assert ada.strengths()[bars[3]] == pytest.approx(45.25)

    # The next week: a creep test over days, a reading of yesterday, one of the wrong day taken back.
    job_2 = ada.does("job", "add", "--spool", other, "--piece", "bar:ZXY:1", "--started", "30 h ago")
    ada.does("job", "end", job_2, "--outcome", "finished", "--ended", "28 h ago")
    ada.does("offbed", job_2, "--good", "1")
    hanging = ada.sees("show", job_2)["specimens"][0]["id"]
    creep = ada.does(
        "measure",
        hanging,
        "creep",
        "force=280",
        "width=10",
        "thickness=4",
        "reference_length=80",
        "--at",
        "26 h ago",
    )
    ada.does("append", hanging, "80.36", "--at", "25 h ago")
    ada.does("append", hanging, "83.9")
    ada.does("undo", "--yes")
    ada.does("append", hanging, "80.39")
    assert [row[1] for row in ada.sees("show", creep)["readings"]["series"]] == [80.36, 80.39]

    # What was taken back stays readable, counts nowhere, and the book is sound.
    assert ada.sees("show", wrong)["id"] == wrong
    assert wrong not in {row["id"] for row in ada.sees("list", "measurements")}
    assert {row["act"] for row in ada.sees("log", "--most", "200")} >= {"void", "undo", "merge", "correct"}
    assert ada("verify").exit_code == 0
