"""A day's sheet of measurements on the page and by a program: shown first, asked by line, stored whole."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from tests.desk.bench import a_job
from tests.web.person import Person
from tests.web.site import ON_BOTH, Site
from tracker.desk.devices import pair_device
from tracker.desk.measuring import recomputing
from tracker.kinds import listed
from tracker.plugins import load
from tracker.verify import verify

MAP = """[day]
id = "piece"
at = "when"
rig = "rig"

[readings.tensile]
max_force = { column = "F", unit = "kN" }
width = { column = "b", unit = "mm" }
thickness = { column = "h", unit = "mm" }
curve = { column = "file", file = true }
"""
HEAD = "piece;when;rig;F;b;h;file\n"
CURVE = b"time s,force N\n" + b"".join(
    b"%.1f,%d\n" % (i / 10, min(i * 60, 1500) if i < 28 else 5) for i in range(30)
)
"""Its greatest force is 1500 N: 37.5 MPa on 40 mm²."""


def sheet_of(site: Site, *rows: str) -> bytes:
    """Return a sheet whose rows begin with the pieces of the site, in order."""
    lines = [f"{piece};{row}\n" for piece, row in zip(site.pieces, rows, strict=False)]
    return (HEAD + "".join(lines)).encode()


def whole(site: Site) -> bytes:
    """Return a sheet of which nothing is asked but that a strength is far from its siblings."""
    return sheet_of(
        site, f"1 h ago;{site.rig};1,83;10;4;", f"50 min ago;{site.rig};1,79;10;4;",
        f"40 min ago;{site.rig};;10;4;C:\\pulls\\bar 3.csv",
    )  # fmt: skip


def strengths(site: Site) -> dict[str, float]:
    """Return the tensile strengths by specimen, MPa."""
    with site.book.connect() as connection:
        rows = list(listed(connection, "results"))
    return {row["specimen"]: row["value"] for row in rows if row["quantity"] == "tensile.strength"}


def entries(site: Site) -> str:
    """Return the state of the book: another one means that something was written."""
    return site.book.state()


@pytest.fixture
def ada(site: Site) -> Iterator[Person]:
    """Give a person at the page."""
    with site.browser() as browser:
        yield Person(browser)


@pytest.fixture
def rig(site: Site) -> Iterator[httpx.Client]:
    """Give the computer of a rig, with its token: it measures and does not keep the book."""
    _, token = pair_device(site.book, "Ada Bench", "load cell", rig=site.rig)
    with site.browser(headers={"Authorization": f"Bearer {token}"}) as client:
        yield client


@ON_BOTH
def test_a_day_is_looked_at_and_then_stored_as_it_was_shown(site: Site, ada: Person) -> None:
    """Nothing is written by the first press; the second one needs no file, and stores all as one act."""
    ada.opens("/list/specimens")
    ada.goes("Enter a day's sheet of measurements")
    before = entries(site)
    files = {"Sheet": [("day.csv", whole(site))], "Recordings": [("bar 3.csv", CURVE), ("other.csv", CURVE)]}
    page = ada.presses("Look at what it would store", {"The map's text": MAP}, files)
    assert "It would store 3 measurements" in page.text
    assert "Tensile strength 45.8 MPa" in page.text or "45.75" in page.text, page.text
    assert "other.csv was sent, and no line names it" in page.text
    assert (entries(site), strengths(site)) == (before, {})
    ada.presses("Store all of them")
    assert (ada.address, "3 measurements stored: M0001-Y" in ada.page.text) == ("/list/measurements", True)
    assert list(strengths(site).values()) == pytest.approx([45.75, 44.75, 37.5])
    ada.presses("Undo")
    assert strengths(site) == {}


@ON_BOTH
def test_what_looks_wrong_is_one_list_with_one_button(site: Site, ada: Person) -> None:
    """Each question names its line; without the answer nothing is stored, with it everything."""
    rows = (f"1 h ago;{site.rig};1,83;10;4;", f"1 h ago;{site.rig};1,79;10;4;")
    sheet = sheet_of(site, *rows) + sheet_of(site, *rows).split(b"\n", 1)[1]
    ada.opens("/sheet")
    page = ada.presses(
        "Look at what it would store",
        {},
        {"Sheet": [("d.csv", sheet)], "Column map": [("m.toml", MAP.encode())]},
    )
    assert "Are these right?" in page.text, page.text
    assert ("line 4: " in page.text, "line 5: " in page.text) == (True, True)
    assert strengths(site) == {}
    ada.presses("Yes, all of it is right: store it")
    assert "4 measurements stored" in ada.page.text


@ON_BOTH
def test_a_line_is_held_to_the_lines_before_it(site: Site, ada: Person) -> None:
    """A point that slipped is asked about on the first day of a material too, when the book has no others."""
    rows = (f"1 h ago;{site.rig};1,83;10;4;", f"1 h ago;{site.rig};0,183;10;4;")
    ada.opens("/sheet")
    files = {"Sheet": [("d.csv", sheet_of(site, *rows))]}
    page = ada.presses("Look at what it would store", {"The map's text": MAP}, files)
    assert "Is this right? line 3: Tensile strength 4.575 MPa" in page.text, page.text
    ada.presses("Yes, it is right: store it")
    assert strengths(site) == {
        site.pieces[0]: pytest.approx(45.75), site.pieces[1]: pytest.approx(4.575),
    }  # fmt: skip
    assert verify(site.book, recomputing(site.book, load())).found == []


@ON_BOTH
def test_a_question_that_comes_up_after_the_look_is_asked_all_the_same(site: Site, ada: Person) -> None:
    """Somebody else measured one of the bars in between: the second press stores nothing and asks."""
    ada.opens("/sheet")
    files = {"Sheet": [("d.csv", whole(site))], "Recordings": [("bar 3.csv", CURVE)]}
    ada.presses("Look at what it would store", {"The map's text": MAP}, files)
    with site.browser() as other:
        pull = {"r-max_force": "1 830 N", "r-width": "10.00", "r-thickness": "4.00"}
        other.fill(f"/{site.pieces[1]}/measure/tensile", pull)
    ada.presses("Store all of them")
    assert (ada.status, len(strengths(site))) == (409, 1)
    assert "line 3: " in ada.page.text
    button = next(each.words for each in ada.page.buttons if each.words.startswith("Yes, "))
    ada.presses(button)
    assert "3 measurements stored" in ada.page.text


def test_a_yes_answers_no_question_that_was_not_shown(site: Site, ada: Person) -> None:
    """One line is asked about; then somebody else measures the bar of another: the yes stores nothing yet."""
    rows = (f"1 h ago;{site.rig};1,83;10;4;", f"1 h ago;{site.rig};0,183;10;4;")
    ada.opens("/sheet")
    files = {"Sheet": [("d.csv", sheet_of(site, *rows))]}
    ada.presses("Look at what it would store", {"The map's text": MAP}, files)
    with site.browser() as other:
        pull = {"r-max_force": "1 830 N", "r-width": "10.00", "r-thickness": "4.00"}
        other.fill(f"/{site.pieces[0]}/measure/tensile", pull)
    ada.presses("Yes, it is right: store it")
    assert (ada.status, len(strengths(site)), "Are these right?" in ada.page.text) == (409, 1, True)
    ada.presses("Yes, all of it is right")
    assert "2 measurements stored" in ada.page.text


def test_what_is_wrong_is_mended_without_choosing_everything_again(site: Site, ada: Person) -> None:
    """A missing recording and a wrong key of the map are named; sheet and map stand there to be mended."""
    ada.opens("/sheet")
    page = ada.presses(
        "Look at what it would store", {"The map's text": MAP.replace("width", "breadth")},
        {"Sheet": [("day.csv", whole(site))]},
    )  # fmt: skip
    assert (ada.status, "breadth" in page.text, "day.csv is here" in page.text) == (422, True, True)
    page = ada.presses("Look at what it would store", {"The map's text": MAP})
    assert "no file 'bar 3.csv' was sent with the sheet" in page.text
    assert "Store all of them" not in [each.words for each in page.buttons]
    ada.presses("Look at what it would store", {}, {"Recordings": [("bar 3.csv", CURVE)]})
    ada.presses("Store all of them")
    assert len(strengths(site)) == 3


@ON_BOTH
def test_a_program_sends_a_day_and_is_asked_like_a_person(site: Site, rig: httpx.Client) -> None:
    """Dry run, questions by line, stored once under its key however often it is sent."""
    double = whole(site) + sheet_of(site, f"1 h ago;{site.rig};1,83;10;4;").split(b"\n", 1)[1]
    # Its questions name the minute of a test: one and the same, though the next one begin between two posts.
    for words, minutes in ((b"1 h ago", 60), (b"50 min ago", 50), (b"40 min ago", 40)):
        at = site.book.clock() - dt.timedelta(minutes=minutes)
        double = double.replace(words, f"{at:%Y-%m-%d %H:%M}".encode())
    before = entries(site)

    def post(**fields: Any) -> httpx.Response:
        files = [("sheet", ("day.csv", double)), ("recordings", ("bar 3.csv", CURVE))]
        return rig.post("/api/sheets", files=files, data={"columns": MAP, "key": "monday", **fields})

    dry = post(dry_run="true")
    assert (dry.status_code, dry.json()["stored"], entries(site)) == (200, False, before), dry.text
    assert [each["line"] for each in dry.json()["measurements"]] == ["line 2", "line 3", "line 4", "line 5"]
    assert any(each.startswith("line 5: ") for each in dry.json()["questions"])
    asked = post()
    assert (asked.status_code, asked.json()["questions"], strengths(site)) == (
        409, dry.json()["questions"], {},
    )  # fmt: skip
    made = post(sure="true")
    assert (made.status_code, made.json()["again"]) == (201, False)
    twice = post(sure="true")
    ids = [[each["id"] for each in answer.json()["measurements"]] for answer in (made, twice)]
    assert (twice.status_code, twice.json()["again"], ids[0]) == (200, True, ids[1])
    with site.book.connect() as connection:
        assert len(list(listed(connection, "measurements"))) == 4


def test_a_wrong_sheet_of_a_program_is_refused_in_words(site: Site, rig: httpx.Client) -> None:
    """A missing recording, a missing part, an unknown part and a flag that is none; without token nothing."""
    files = {"sheet": ("day.csv", whole(site))}
    answers = [
        rig.post("/api/sheets", files=files, data={"columns": MAP}),
        rig.post("/api/sheets", files=files),
        rig.post("/api/sheets", files=files, data={"columns": MAP, "colums": "x"}),
        rig.post("/api/sheets", files=files, data={"columns": MAP, "sure": "perhaps"}),
    ]
    words = ("bar 3.csv", "no columns", "colums", "perhaps")
    for answer, word in zip(answers, words, strict=True):
        assert (answer.status_code, word in answer.json()["refused"]) == (422, True), answer.text
    with site.browser() as stranger:
        assert stranger.post("/api/sheets", files=files, data={"columns": MAP}).status_code == 401
    assert strengths(site) == {}


def test_a_program_keeps_a_log_and_a_photograph_of_a_job(site: Site, rig: httpx.Client) -> None:
    """Both come as the file of an act, and an act of either without a file is refused."""
    log = "time_s,chamber_c\n" + "".join(f"{i * 60},{60 + i % 3}\n" for i in range(30))
    job = a_job(site.book, spools=(site.spool,), started_at="5 h ago").id
    sent = {"of": job, "file": {"name": "box.csv", "text": log}}
    placed = {"by": "own offset", "offset": "0"}
    png = "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
    photo = {"of": job, "file": {"name": "plate.png", "base64": png}, "answers": {"note": "warped"}}
    for name, body in (("log", {**sent, "answers": placed}), ("photograph", photo)):
        answer = rig.post(f"/api/acts/{name}", json=body)
        assert (answer.status_code, answer.json().get("id")) == (200, job), answer.text
        assert rig.post(f"/api/acts/{name}", json={"of": job}).status_code == 422
    with site.browser() as person:
        page = person.get(f"/{job}").text
    assert ("box.csv" in page, "warped" in page) == (True, True)
