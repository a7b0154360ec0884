"""A fortnight at the bench through the page, with its slips, by the forms as a person sees them."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.databases import Places
from tests.web.person import Person, ids_in
from tests.web.site import Browser, served
from tests.web.site import Site as Running
from tracker.book import Book, open_book
from tracker.desk.measuring import recomputing
from tracker.kinds import listed
from tracker.plugins import Plugged
from tracker.verify import verify

PULL = {"max force": "1830", "width": "10", "thickness": "4"}


@pytest.fixture
def empty_book(places: Places, kind: str) -> Iterator[Book]:
    """Give an empty book, on each database in turn."""
    with open_book(places.fresh(kind)) as book:
        yield book


@pytest.fixture
def ada(empty_book: Book, plugged: Plugged) -> Iterator[Person]:
    """Give a person at the page of an empty book."""
    with served(Running("", empty_book, [], ""), empty_book, plugged) as url, Browser(url) as browser:
        yield Person(browser)


def strengths(book: Book) -> dict[str, float]:
    """Return the counted tensile strengths by specimen, MPa."""
    with book.connect() as connection:
        rows = [row for row in listed(connection, "results") if row["quantity"] == "tensile.strength"]
    return {row["specimen"]: row["value"] for row in rows if row["counted"]}


def test_a_fortnight_of_slips_at_the_page_ends_in_a_book_that_is_right_and_sound(  # noqa: PLR0915 - one story
    ada: Person, empty_book: Book, plugged: Plugged
) -> None:
    """Each slip is asked about or taken back; what was wrong counts nowhere, and verify finds nothing."""
    # Monday: the spool comes in twice, is kept in two places at once, and dried.
    ada.opens("/new/material")
    ada.presses("Enter", {"Name": "Nordlicht ASA", "Polymer family": "ASA", "Highest drying": "85"})
    for _ in range(2):
        ada.opens("/new/spool")
        ada.presses("Enter", {"Material": "Nordlicht ASA", "Lot": "7731", "Date received": "12 days ago"})
    spool, twice = "S0001-R", "S0002-P"
    ada.opens(f"/{spool}")
    ada.goes("Merge with another")
    ada.presses("Merge them", {"ID or name of the other": twice, "Why": "entered twice"})
    assert ada.address == f"/{spool}"
    ada.opens(f"/{twice}")
    assert ada.address == f"/{spool}"
    first = {"Place": "dry box", "Since when": "9 days ago", "Until when": "5 days ago"}
    ada.presses("Enter the storage period", first)
    second = {"Place": "open air", "Since when": "6 days ago", "Until when": "4 days ago"}
    ada.presses("Enter the storage period", second)
    assert "overlaps dry box" in ada.page.text
    ada.means_it()
    assert "cannot both be true" in ada.opens(f"/{spool}").text
    ada.goes("Correct")
    ada.presses("Correct", {"storage1, Until when": "7 days ago", "Why": "misread the calendar"})
    assert "cannot both be true" not in ada.opens(f"/{spool}").text

    # A drying of six hours that was forgotten: its end is not taken to be now.
    ada.presses("into the dryer", {"Temperature set": "80", "Time planned": "6", "Began": "3 days ago"})
    ada.opens(f"/{spool}")
    ada.presses("out of the dryer (D0001-Q)")
    assert (ada.status, "when did it end" in ada.page.text.lower()) == (422, True)
    ada.presses("out of the dryer (D0001-Q)", {"Ended": "66 h ago"})
    assert "not ended" not in ada.opens("/D0001-Q").text

    # Thursday: a plate from another spool than was chosen, without its specimens.
    ada.opens("/new/spool")
    ada.presses("Enter", {"Material": "Nordlicht ASA", "Lot": "8002", "Date received": "12 days ago"})
    other = ids_in(ada.page.text, "S")[0]
    ada.opens("/new/job")
    ada.presses("Enter the job", {"Spool": next(
        words for words in ada.page.forms[-1].choices["spool"] if words.startswith(spool)
    ), "Started": "50 h ago"})  # fmt: skip
    job = "J0001-J"
    ada.opens(f"/{job}")
    ada.goes("Enter specimens")
    ada.presses("Enter the specimens", {"NAME:ORIENTATION:COUNT": "bar:ZXY:4"})
    ada.opens(f"/{job}")
    ada.presses("Ended", {"How it ended": "finished"})
    assert (ada.status, "when did it end" in ada.page.text.lower()) == (422, True)
    ada.presses("Ended", {"How it ended": "finished", "Ended": "47 h ago"})
    ada.opens(f"/correct?of={job}")
    ada.presses("Correct", {"Spool": other, "Why": "took the other reel"})
    assert f"{other} Nordlicht ASA" in ada.opens(f"/{job}").text
    ada.opens(f"/{job}/bed")
    ada.presses("Enter, the rest is good")
    bars = sorted(each for each in ids_in(ada.page.text, "J") if each.startswith("J0001-0"))
    assert len(bars) == 4

    # Friday: an empty form, half a form, the wrong bar, a slip of the decimal point.
    ada.opens("/new/rig")
    ada.presses(
        "Enter",
        {"Name": "pull", "Role": "rig", "What it reads": "force", "Greatest reading": "5 kN"},
    )
    ada.opens(f"/{bars[0]}?method=tensile")
    ada.presses("Store and compute")
    assert "give no result" in ada.page.text
    ada.presses("Store and compute", {"max force": "1830"})
    assert ("give no result" in ada.page.text, strengths(empty_book)) == (True, {})
    ada.presses("Store and compute", PULL)
    assert strengths(empty_book) == {bars[0]: pytest.approx(45.75)}
    ada.opens(f"/{bars[0]}?method=tensile")
    ada.presses("Store and compute", {**PULL, "max force": "1790"})
    assert "used up" in ada.page.text
    ada.opens("/correct?of=M0001-Y")
    ada.presses("Correct", {"Measured on": bars[1], "Why": "scanned the wrong bar"})
    assert strengths(empty_book) == {bars[1]: pytest.approx(45.75)}
    for bar, force in ((bars[0], "1790"), (bars[2], "1810")):
        ada.opens(f"/{bar}?method=tensile")
        ada.presses("Store and compute", {**PULL, "max force": force})
    ada.opens(f"/{bars[3]}?method=tensile")
    ada.presses("Store and compute", {**PULL, "max force": "18.1"})
    assert bars[3] not in strengths(empty_book)
    ada.means_it()
    wrong = ids_in(ada.page.text, "M")[0]
    ada.opens(f"/{wrong}")
    ada.goes("Take back")
    ada.presses("Enter it", {"Why": "kilonewtons typed as newtons"})
    assert bars[3] not in strengths(empty_book)
    ada.opens(f"/{bars[3]}?method=tensile")
    ada.presses("Store and compute", {**PULL, "max force": "1.81 kN"})
    before = strengths(empty_book)
    assert before[bars[3]] == pytest.approx(45.25)
    ada.opens(f"/{bars[2]}")
    ada.goes("Exchange labels")
    ada.presses("Exchange them", {"ID of the other specimen": bars[3], "Why": "labels mixed up"})
    ada.presses("Undo")
    assert strengths(empty_book) == before

    # The next days: a specimen is cut, a creep test is read twice, the second reading is undone.
    ada.opens(f"/{bars[0]}")
    ada.goes("Cut into parts")
    ada.presses("Enter the parts", {"What the parts are called": "left, right"})
    assert "used up" in ada.page.text
    ada.means_it()
    part = next(each for each in ids_in(ada.opens(f"/{job}").text, "J") if each.startswith("J0001-05"))
    ada.opens(f"/{part}?method=creep")
    creep = {"force": "280", "width": "10", "thickness": "4", "reference length": "80"}
    ada.presses("Store and compute", {**creep, "Measured at": "26 h ago"})
    ada.opens(f"/{part}")
    ada.presses("Add the reading", {"length": "80.36", "Read at": "25 h ago"})
    ada.opens(f"/{part}")
    ada.presses("Add the reading", {"length": "83.9"})
    ada.presses("Undo")
    assert "1 readings" in ada.opens(f"/{part}").text

    # What was taken back stays readable, counts nowhere, and the book is sound.
    assert "Taken back" in ada.opens(f"/{wrong}").text
    assert verify(empty_book, recomputing(empty_book, plugged)).found == []
