"""The year: does the program find what was really going on? The truth stands in ``year.toml``."""

from __future__ import annotations

import datetime as dt
import shlex
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import tracker_demo
from tracker_demo.rigs import TAKEN
from tracker_demo.year import story

from tracker.benches import compare_benches
from tracker.book import Book
from tracker.comparing import watched, why
from tracker.desk.measuring import recomputing
from tracker.kinds import listed
from tracker.plugins import load
from tracker.table import summary_table
from tracker.verify import verify

CAUSES = story().causes


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Name a folder for the year."""
    return tmp_path_factory.mktemp("year") / "bench"


@pytest.fixture(scope="module")
def year(place: Path) -> Iterator[Book]:
    """Build the year once."""
    with tracker_demo.build_year(str(place)) as book:
        yield book


@pytest.fixture(scope="module")
def strength(year: Book) -> Any:
    """Watch tensile strength once: all three causes in it are asked of the same answer."""
    found, _ = watched(year, load(), "tensile.strength")
    return found


def rows(book: Book, kind: str) -> list[dict[str, Any]]:
    """Return all records of a kind."""
    with book.connect() as connection:
        return list(listed(connection, kind))


def day_of(moment: str) -> dt.date:
    """Return the day of a moment of a list."""
    return dt.date.fromisoformat(moment[:10])


def shown(found: Any) -> str:
    """Return all that a watch shows, as one text."""
    return " ".join(signal.text for each in found for signal in each.signals if signal.shown)


def test_it_is_a_year_of_a_bench(year: Book, place: Path) -> None:
    """Eight materials, 120 jobs, about 1,500 results or more over eleven months, two benches."""
    assert len(rows(year, "materials")) == 8
    assert len(rows(year, "jobs")) == 120
    counted = [row for row in rows(year, "results") if row["value"] is not None]
    assert len(counted) >= 1500
    days = [day_of(row["started_at"]) for row in rows(year, "jobs")]
    assert max(days) - min(days) > dt.timedelta(days=330)
    assert (place / "second-bench-site" / "index.html").exists()


def test_every_bundled_method_has_results(year: Book) -> None:
    """And the generator has one function for each, so that a new method is missed here."""
    bundled = {
        name
        for name, each in load().methods.items()
        if type(each.method).__module__.startswith("tracker_methods")
    }
    with_values = {
        row["quantity"].partition(".")[0] for row in rows(year, "results") if row["value"] is not None
    }

    assert set(TAKEN) == bundled
    assert with_values >= bundled


def test_it_has_recordings_and_photographs(year: Book) -> None:
    """Curves, oven logs and sounds with noise, chamber logs, and plates that were photographed."""
    with year.connect() as connection:
        names = connection.exec_driver_sql("SELECT name FROM attachment").scalars().all()
    ends = Counter(name.rpartition(".")[2] for name in names)

    assert ends["csv"] >= 100
    assert ends["wav"] >= 16
    assert ends["jpg"] >= 10
    assert ends["gcode"] >= 8


def test_verify_is_clean(year: Book) -> None:
    """A day's readings went in as one act; chain, rows, files and each fifth result agree."""
    again = recomputing(year, load())

    assert verify(year, lambda row: None if row.id % 5 else again(row)).clean


def test_watch_finds_the_rig_that_reads_low(strength: Any) -> None:
    """The second pull rig, of two, and with the right sign."""
    readers = [each for found in strength for each in found.readers if each.level == CAUSES["rig"]["rig"]]

    assert f"rig {CAUSES['rig']['rig']} reads −" in shown(strength)
    assert all(each.differs and each.delta < 0 for each in readers)


def test_watch_finds_the_reader_who_reads_low(year: Book) -> None:
    """By the pendulum, Jonas."""
    found, _ = watched(year, load(), "impact.strength")

    assert f"operator {CAUSES['reader']['operator']} reads −" in shown(found)


def test_watch_finds_the_day_of_what_nobody_wrote_down(year: Book, strength: Any) -> None:
    """The step of the right material lies within two of its plates from the truth."""
    cause = CAUSES["unwritten"]
    chart = next(
        chart for found in strength for chart in found.charts
        if chart.material == cause["material"] and "upright" in found.question.called
    )  # fmt: skip
    began = {row["id"]: day_of(row["started_at"]) for row in rows(year, "jobs")}
    truth = next(n for n, plate in enumerate(chart.plates) if began[plate] >= cause["begins"])

    assert chart.since is not None
    assert abs(chart.plates.index(chart.since.plate) - truth) <= 2
    assert chart.since.change == pytest.approx(cause["factor"] - 1, abs=0.05)
    # As a step or as a drift, whichever is the plainer: the rig that reads low since July lies beneath it.
    kinds = {
        signal.kind for found in strength for signal in found.signals
        if signal.shown and signal.text.startswith(f"{cause['material']}: ")
    }  # fmt: skip
    assert kinds & {"since", "trend"}


def test_why_finds_that_the_wet_lot_is_weaker_and_parts_nothing_that_went_together(year: Book) -> None:
    """The difference is 18 %; lot, drying and water stand together, and none of them is named alone."""
    _, a, b, *_ = shlex.split(CAUSES["wet_lot"]["ask"])
    found = why(year, load(), a, b, "tensile.strength")
    text = " ".join(found.sentences(200))

    assert found.answer is not None
    assert found.answer.difference.span.relative == pytest.approx(CAUSES["wet_lot"]["factor"] - 1, abs=0.03)
    assert "water in the filament when printed" in text
    assert "lot K-118 → K-207" in text


def chamber_answer(year: Book) -> dict[str, float]:
    """Return the chance that the answer gives each explanation of the weak upright bars of the autumn."""
    _, a, b, *_ = shlex.split(CAUSES["chamber"]["ask"])
    found = why(year, load(), a, b, "tensile.strength").as_json()

    assert found["verdict"]["differs"]
    return {each["words"]: each["p"] for each in found["verdict"]["explanations"]}


def test_why_puts_the_chamber_first_of_all_that_was_recorded(year: Book) -> None:
    """Rig, reader, lot and room differed as well; none of them did it."""
    chances = chamber_answer(year)
    recorded = {
        words: p for words, p in chances.items() if not words.startswith(("something", "chance", "factors"))
    }

    assert max(recorded, key=lambda words: recorded[words]) == "chamber temperature"
    assert recorded["chamber temperature"] > 10 * max(
        p for words, p in recorded.items() if words != "chamber temperature"
    )


def test_why_gives_the_chamber_more_than_what_nobody_recorded(year: Book) -> None:
    """Fifteen plates at seven temperatures lie on one line: nothing unrecorded is needed.

    The water of each plate is known within wide bounds only, and the same ones: that takes nothing from it.
    """
    chances = chamber_answer(year)

    assert chances["chamber temperature"] > 0.9
    assert chances["something not recorded"] < 0.1


def test_the_table_parts_the_wet_lot_from_the_dry_one(year: Book) -> None:
    """Dry and wet pieces of the polyamide are rows of their own, so that no mean is over both."""
    own = [
        row.words
        for row in summary_table(year, plugged=load()).rows
        if row.material == CAUSES["wet_lot"]["material"]
    ]

    assert any("in open air since drying" in words for words in own)
    assert any(words.endswith("dried") for words in own)
    assert any("measured (60 set)" in words for words in own), "the chamber as it was, beside what was set"


def test_benches_differ_by_what_the_other_does(year: Book) -> None:
    """The second bench's mean is higher for each material they share, and s_R is wider than s_r."""
    levels = [level for level in compare_benches(year, "tensile.strength") if level.orientation == "upright"]

    assert {level.material for level in levels} == set(story().data["second"]["materials"])
    for level in levels:
        own, other = (level.values[name] for name in sorted(level.values, key=lambda name: name != year.code))
        ratio = (sum(other) / len(other)) / (sum(own) / len(own))
        assert 1.0 < ratio < 1.25
        assert level.components.s_big_r > level.components.s_r
