"""The demonstration: built once, looked at from all sides."""

from __future__ import annotations

import io
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import tracker_demo
import zxingcpp
from PIL import Image
from tracker_demo import pictures
from tracker_demo.pictures import PAGES, drawn, photographed

from tracker.book import Book
from tracker.desk.measuring import recomputing
from tracker.kinds import listed
from tracker.manual import picture
from tracker.plugins import load
from tracker.trace import trace
from tracker.verify import verify


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Name a folder for the demonstration."""
    return tmp_path_factory.mktemp("demo") / "bench"


@pytest.fixture(scope="module")
def demo(place: Path) -> Iterator[Book]:
    """Build the demonstration once."""
    with tracker_demo.build(str(place)) as book:
        yield book


def rows(book: Book, kind: str) -> list[dict[str, object]]:
    """Return all records of a kind."""
    with book.connect() as connection:
        return list(listed(connection, kind))


def test_it_has_what_was_promised(demo: Book) -> None:
    """Two materials, two lots of one of them, five jobs or more, about forty pieces or more."""
    lots = {row["lot"] for row in rows(demo, "spools") if row["material"] == "Tarnholm ASA 40"}

    assert len(rows(demo, "materials")) == 2
    assert len(lots) == 2
    assert len(rows(demo, "jobs")) >= 5
    assert len(rows(demo, "specimens")) >= 40


def test_a_plate_failed_in_part_and_was_printed_again(demo: Book) -> None:
    """Failed pieces carry their cause."""
    failed = [row for row in rows(demo, "specimens") if row["outcome"] == "failed"]

    assert failed
    assert all(row["remark"] for row in failed)


def test_meant_and_measured_differ_somewhere(demo: Book) -> None:
    """A chamber that was not what it was set to is the point of the story."""
    jobs = [row for row in rows(demo, "jobs") if row["chamber_measured_c"] is not None]

    assert any(abs(row["chamber_set_c"] - row["chamber_measured_c"]) > 10 for row in jobs)  # type: ignore[operator]


def test_verify_is_clean(demo: Book) -> None:
    """Chain, rows, attachments, and every result from its readings."""
    findings = verify(demo, recomputing(demo, load()))

    assert findings.clean


def test_every_result_is_traced_to_its_spool(demo: Book) -> None:
    """No dead end: a spool, a material and a journal at the end of every way."""
    ways = [
        trace(demo, str(row["measurement"]), str(row["quantity"])).as_json() for row in rows(demo, "results")
    ]

    assert all(way["spools"] and way["material"] and way["journal"] for way in ways)


def test_the_walk_draws_labels_that_can_be_read(demo: Book, place: Path) -> None:
    """The label sheet is there, and one label was read back from its own picture."""
    told = tracker_demo.walk(demo, place)

    assert told.labels.read_bytes().startswith(b"%PDF")
    assert told.scanned[1].startswith(told.scanned[0].split()[-1].partition(".")[0])


def test_the_pictures_of_the_manual_can_be_drawn_again(demo: Book) -> None:
    """Each that needs no browser, of the size of the one that is kept."""
    made = dict(drawn(demo))

    assert {"labels", "why"} == set(made)
    for name, data in made.items():
        kept = Image.open(io.BytesIO(picture(f"{name}.png")))
        assert Image.open(io.BytesIO(data)).size == kept.size


@pytest.mark.skipif(
    shutil.which("chromium") is None, reason="there is no Chromium here: apt-get install chromium"
)
def test_a_page_can_be_photographed_again(demo: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    """The day board; one start of the browser shows that the way is open."""
    monkeypatch.setattr(pictures, "PAGES", {"day": PAGES["day"]})
    ((name, data),) = photographed(demo)

    assert name == "day"
    assert Image.open(io.BytesIO(data)).size == PAGES["day"][1:]


def test_the_scenario_is_the_same_twice(demo: Book, tmp_path: Path) -> None:
    """Built again, the numbers are the same: there is no chance in it."""
    with tracker_demo.build(str(tmp_path / "again")) as again:
        values = [[row["value"] for row in rows(book, "results")] for book in (demo, again)]

    assert values[0] == values[1]


def test_a_label_picture_is_read_by_a_plain_reader(demo: Book, tmp_path: Path) -> None:
    """Without our retries too."""
    from tracker.desk.labelling import label_sheet  # noqa: PLC0415 - of this test only

    picture = tmp_path / "label.png"
    picture.write_bytes(label_sheet(demo, ["J0001-01-Z"], "tape-24").pages_png()[0])
    found = zxingcpp.read_barcodes(Image.open(picture).convert("L"))

    assert [each.text for each in found] == [f"J0001-01-Z.{demo.code}"]
