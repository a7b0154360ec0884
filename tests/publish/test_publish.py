"""The summary as a folder of pages and open data."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from sqlalchemy import select

from tests.desk.bench import WHO, a_job, a_material, a_pull, a_spool
from tracker.api import Recording
from tracker.book import Book
from tracker.desk.correcting import correct
from tracker.desk.measuring import measure
from tracker.desk.plans import choose
from tracker.desk.verdicts import judge
from tracker.errors import Refused
from tracker.ids import payload, read_id
from tracker.model import JournalRecord
from tracker.plugins import Plugged, load
from tracker.publish import publish
from tracker.publish.gathering import slugs
from tracker.selection import parse_filter

CURVE = Recording("pull.csv", b"extension_mm,force_N\n0,0\n0.1,200\n0.2,380\n0.5,700\n0.8,810\n0.9,790\n")
NASTY = "<script>alert(1)</script> & \"co\" 'x'"


@pytest.fixture(scope="module")
def plugged() -> Plugged:
    """Load the methods once."""
    return load()


@pytest.fixture
def filled(book: Book, plugged: Plugged) -> Book:
    """Give a book of two materials: curves, a verdict, a correction, and names that try to be markup."""
    a_material(book)
    a_material(book, name=NASTY)
    spool = a_spool(book, lot="L-17", note="paid in cash")
    cool = a_job(book, "bar:XYZ:2", "bar:ZXY:2", spools=(spool,), nozzle_set_c=245).also
    hot = a_job(book, "bar:XYZ:2", spools=(spool,), nozzle_set_c=270).also
    for piece, force in zip([*cool, *hot], (1800, 1850, 900, 950, 1900, 1950), strict=True):
        a_pull(book, piece, {"max_force": str(force), "area": "40"})
    other = a_job(book, "bar:XYZ:1", spools=(a_spool(book, NASTY),)).also
    typed = {"area": "40", "gauge_length": "50"}
    measure(book, WHO, plugged, other[0], "tensile", typed, files={"curve": CURVE})
    judge(book, WHO, "M0002-W", counted=False, reason="slipped in the grips", quantity="tensile.strength")
    correct(book, WHO, plugged, "M0003-U", ["area=41"], "read the wrong scale")
    return book


@pytest.fixture
def site(filled: Book, plugged: Plugged, tmp_path: Path) -> Path:
    """Publish the book."""
    return publish(filled, plugged, tmp_path / "site").folder


def texts(site: Path, ending: str) -> dict[str, str]:
    """Return the files of one kind, by their paths in the site."""
    found = sorted(site.rglob(f"*{ending}"))
    assert found
    return {str(path.relative_to(site)): path.read_text("utf-8") for path in found}


class Links(HTMLParser):
    """Gathers what a page points to, and the places in it that can be pointed to."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.targets: list[str] = []
        self.loaded: list[str] = []
        self.places: set[str] = set()
        self.tags: set[str] = set()
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note links, pictures and places."""
        given = dict(attrs)
        self.tags.add(tag)
        self.targets += [value for name in ("href", "src") if (value := given.get(name))]
        if tag in ("script", "link", "img"):
            self.loaded += [value for name in ("href", "src") if (value := given.get(name))]
        if given.get("id"):
            self.places.add(str(given["id"]))


def pointed(site: Path) -> Iterator[tuple[str, str, str]]:
    """Yield page, target and place within it of every link of a site."""
    for path, page in texts(site, ".html").items():
        for target in Links(page).targets:
            file, _, place = target.partition("#")
            yield path, unquote(file), place


def test_every_link_leads_to_a_file_of_the_site(site: Path) -> None:
    """From a disk, with no server."""
    broken = [
        (page, file)
        for page, file, _ in pointed(site)
        if not ((site / page).parent / file).resolve().is_file()
    ]

    assert broken == []


def test_every_place_that_is_pointed_to_is_there(site: Path) -> None:
    """Figures on the first page lead to the results of their material."""
    pages = texts(site, ".html")
    places = [
        (str(((site / page).parent / file).resolve()), place) for page, file, place in pointed(site) if place
    ]

    assert places
    assert all(place in Links(Path(path).read_text("utf-8")).places for path, place in places)
    assert pages


def test_nothing_comes_from_another_host(site: Path) -> None:
    """No address with a host; script and style are the site's own files."""
    for page in texts(site, ".html").values():
        links = Links(page)
        assert not any(re.match(r"[a-z]+:|//", target) for target in links.targets)
        assert {path.rpartition("/")[2] for path in links.loaded if "assets" in path} == {
            "site.css",
            "site.js",
        }
        assert links.tags.isdisjoint({"iframe", "object", "embed"})
    for text in (*texts(site, ".css").values(), *texts(site, ".js").values()):
        assert "url(" not in text
        assert "@import" not in text
        assert not re.search(r"[a-z]+://", text)


@pytest.mark.parametrize("ending", [".html", ".json"])
def test_the_caution_is_on_every_page_and_in_every_description_of_data(site: Path, ending: str) -> None:
    """Numbers travel further than their table. Tables hold data alone; what describes them has it."""
    ours = {path: text for path, text in texts(site, ending).items() if path != "made-of.json"}

    assert [path for path, text in ours.items() if "not design allowables" not in text] == []
    assert [path for path, text in ours.items() if "safety data sheet" not in text] == []


def test_names_are_text_and_never_markup(site: Path) -> None:
    """What people type cannot become part of a page."""
    pages = texts(site, ".html")

    assert not any("<script>alert" in page for page in pages.values())
    assert "&lt;script&gt;" in pages["index.html"]


def rows_of(site: Path, name: str) -> list[dict[str, str]]:
    """Return the rows of a table of the open data."""
    return list(csv.DictReader((site / f"data/{name}.csv").read_text("utf-8").splitlines()))


def page_of(site: Path, ident: str) -> Path:
    """Return the page of an ID: in the folder that a label of the book leads to."""
    return next(site.glob(f"{ident}.*/index.html"))


def data_of(site: Path, ident: str) -> dict[str, Any]:
    """Return the JSON of a measurement."""
    told: dict[str, Any] = json.loads((site / f"data/measurements/{ident}.json").read_text("utf-8"))
    return told


def test_every_result_has_its_page_and_data(site: Path) -> None:
    """From each measurement a page, its JSON and its provenance."""
    measurements = {row["measurement"] for row in rows_of(site, "results")}

    assert len(measurements) == 7
    for ident in measurements:
        assert page_of(site, ident).is_file()
        assert data_of(site, ident)["id"] == ident
    assert {path.name for path in (site / "data/provenance").iterdir()} == {
        "J0001-J.json", "J0002-H.json", "J0003-F.json",
    }  # fmt: skip


def test_every_id_on_a_label_has_a_page_where_its_label_leads(site: Path, filled: Book) -> None:
    """Spools, jobs, specimens and measurements, at the path that a label's code ends in."""
    for name, column in (("spools", "spool"), ("jobs", "job"), ("specimens", "specimen")):
        for row in rows_of(site, name):
            path = payload(read_id(row[column])[0], filled.code, "example.org").rpartition("/")[2]
            assert (site / path / "index.html").is_file()
            assert row["page"] == f"{path}/"


def test_a_number_can_be_computed_again_from_its_data(site: Path) -> None:
    """Force over area, both in the measurement's JSON."""
    told = data_of(site, "M0001-Y")

    assert told["readings"]["max_force"] / told["readings"]["area"] == pytest.approx(told["number"]["value"])


def test_recordings_are_there_as_they_were_read(site: Path) -> None:
    """Byte for byte, named by their digest."""
    told = data_of(site, "M0007-M")["files"][0]

    assert (site / told["path"]).read_bytes() == CURVE.data
    assert told["path"] == f"data/recordings/{told['sha256']}.csv"


def test_what_was_set_aside_is_listed_with_its_reason(site: Path) -> None:
    """On a page of its own, and out of the mean on the first."""
    pages = texts(site, ".html")

    assert "set aside: slipped in the grips" in pages["set-aside.html"]
    assert "M0002-W" not in pages["index.html"]


def test_a_result_without_value_is_not_set_aside(site: Path) -> None:
    """A method that refused gave nothing that a verdict could keep out of a mean."""
    refused = [row for row in rows_of(site, "results") if not row["value"]]

    assert refused
    assert {row["standing"] for row in refused} == {"no value"}
    assert "Set aside: 1<" in (site / "index.html").read_text("utf-8")


def test_a_chosen_condition_stands_alone_on_the_first_page(
    filled: Book, plugged: Plugged, tmp_path: Path
) -> None:
    """The other conditions stay on the material's own page."""
    choose(filled, WHO, "Nordlicht ASA", ["nozzle_c=270"], "as its maker advises")
    site = publish(filled, plugged, tmp_path / "site").folder
    front, own = ((site / page).read_text("utf-8") for page in ("index.html", "materials/nordlicht-asa.html"))

    assert "nozzle 270" in front
    assert "nozzle 245" not in front
    assert "nozzle 245" in own


def test_where_nothing_was_chosen_the_page_says_so(site: Path) -> None:
    """Several conditions side by side are not a choice."""
    assert "No condition was chosen yet of Nordlicht ASA" in (site / "index.html").read_text("utf-8")


def test_corrections_are_told_with_their_reason(site: Path) -> None:
    """Without the journal's entries."""
    page, told = page_of(site, "M0003-U").read_text("utf-8"), data_of(site, "M0003-U")

    assert "read the wrong scale" in page
    assert "(entry" not in page
    assert any(each["reason"] == "read the wrong scale" for each in told["corrected"])


def test_notes_and_the_journal_stay_in_the_book(site: Path, filled: Book) -> None:
    """What people wrote to themselves is nobody else's business; nor is any entry of the journal."""
    with filled.connect() as connection:
        hashes = list(connection.scalars(select(JournalRecord.hash)))
    assert hashes
    for ending in (".html", ".json", ".csv"):
        for text in texts(site, ending).values():
            assert "paid in cash" not in text
            assert '"journal"' not in text
            assert not any(each in text for each in hashes)


def test_the_same_book_gives_the_same_bytes(
    site: Path, filled: Book, plugged: Plugged, tmp_path: Path
) -> None:
    """A site that is kept under version control changes only where the book did."""
    again = publish(filled, plugged, tmp_path / "again").folder

    first, second = (
        {str(path.relative_to(root)): path.read_bytes() for path in root.rglob("*") if path.is_file()}
        for root in (site, again)
    )
    assert first == second


def test_what_is_no_longer_published_leaves_nothing_behind(
    site: Path, filled: Book, plugged: Plugged
) -> None:
    """No page, no data, no folder."""
    publish(filled, plugged, site, parse_filter("nozzle_c=270"))

    assert sorted(path.name.partition(".")[0] for path in site.glob("M*")) == ["M0005-Q", "M0006-O"]
    assert sorted(path.name for path in (site / "data/measurements").iterdir()) == [
        "M0005-Q.json",
        "M0006-O.json",
    ]
    assert [path.name for path in site.iterdir() if path.name.startswith(".")] == []


def test_a_folder_of_other_things_is_left_alone(filled: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Nobody loses a folder to a slip of the keyboard."""
    (tmp_path / "thesis.txt").write_text("years of work")

    with pytest.raises(Refused, match="holds other things"):
        publish(filled, plugged, tmp_path)
    assert (tmp_path / "thesis.txt").read_text() == "years of work"


def test_nothing_to_publish_is_refused(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """And makes no folder."""
    with pytest.raises(Refused, match="nothing to publish"):
        publish(book, plugged, tmp_path / "site")
    assert list(tmp_path.glob("*site*")) == []


def test_materials_alike_in_letters_get_pages_of_their_own() -> None:
    """Names that leave the same letters, or none, are numbered."""
    assert list(slugs(["PA 6", "pa-6", "אסא", "المادة"]).values()) == [
        "pa-6",
        "pa-6-2",
        "material",
        "material-2",
    ]
