"""The summary as a folder of pages and open data."""

from __future__ import annotations

import csv
import gzip
import hashlib
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from sqlalchemy import select

from tests.desk.bench import WHO
from tests.publish.scene import CURVE
from tracker.book import Book, open_book
from tracker.desk.entering import choose
from tracker.errors import Refused
from tracker.ids import payload, read_id
from tracker.model import JournalRecord
from tracker.plugins import Plugged
from tracker.publish import publish
from tracker.publish.evidence import measurements_of, read_packed
from tracker.publish.gathering import slugs
from tracker.selection import parse_filter


def texts(site: Path, ending: str) -> dict[str, str]:
    """Return the files of one kind, by their paths in the site."""
    found = sorted(site.rglob(f"*{ending}"))
    assert found
    return {
        str(path.relative_to(site)): (
            gzip.decompress(path.read_bytes()).decode() if ending.endswith(".gz") else path.read_text("utf-8")
        )
        for path in found
    }


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
        assert {path.rpartition("/")[2] for path in links.loaded if "assets" in path} <= {
            "site.css",
            "site.js",
        }
        assert links.tags.isdisjoint({"iframe", "object", "embed"})
    for text in (*texts(site, ".css").values(), *texts(site, ".js").values()):
        assert "url(" not in text
        assert "@import" not in text
        assert not re.search(r"[a-z]+://", text)


def leads_on(page: str) -> bool:
    """Whether a page holds nothing but the way to another one."""
    return 'http-equiv="refresh"' in page


@pytest.mark.parametrize("ending", [".html", ".json", ".json.gz"])
def test_the_caution_is_on_every_page_and_in_every_description_of_data(site: Path, ending: str) -> None:
    """Numbers travel further than their table. Tables hold data alone; what describes them has it."""
    not_told = ("made-of.json", "head.json")
    ours = {path: text for path, text in texts(site, ending).items() if path not in not_told}
    moved = {path: text for path, text in ours.items() if leads_on(text)}
    ours = {path: text for path, text in ours.items() if path not in moved}

    assert all(re.sub("<[^>]*>", "", text).split() for text in moved.values())
    assert not any("MPa" in text for text in moved.values())
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
    """Return the JSON of a measurement, put together from what its job shares and its own."""
    for place in (site / "data/measurements").iterdir():
        for each in measurements_of(read_packed(place)):
            if each["id"] == ident:
                return each
    raise LookupError(ident)


def test_every_result_has_its_page_and_data(site: Path) -> None:
    """From each measurement a page, its JSON and its provenance."""
    measurements = {row["measurement"] for row in rows_of(site, "results")}

    assert len(measurements) == 7
    for ident in measurements:
        assert page_of(site, ident).is_file()
        assert data_of(site, ident)["id"] == ident
    assert {path.name for path in (site / "data/provenance").iterdir()} == {
        "J0001-J.json.gz", "J0002-H.json.gz", "J0003-F.json.gz",
    }  # fmt: skip


def test_every_id_has_a_page_where_its_label_leads(site: Path, published_once: Path) -> None:
    """Spools, jobs, specimens and measurements, at the path that a label's code ends in."""
    with open_book(str(published_once / "book")) as book:
        code = book.code
    for name in ("spools", "jobs", "specimens", "measurements"):
        for row in rows_of(site, name):
            path = payload(read_id(row[name[:-1]])[0], code, "example.org").rpartition("/")[2]
            assert (site / path / "index.html").is_file()
            assert row["page"] == f"{path}/"


def test_the_permalink_of_a_measurement_leads_to_its_section(site: Path) -> None:
    """On the page of its specimen, where an anchor has its ID."""
    page = page_of(site, "M0001-Y").read_text("utf-8")
    target = next(each for each in Links(page).targets)
    file, _, place = target.partition("#")
    subject = (page_of(site, "M0001-Y").parent / file).resolve()

    assert f"url={target}" in page
    assert place == "M0001-Y"
    assert subject == page_of(site, "J0001-01-Z").resolve()
    assert place in Links(subject.read_text("utf-8")).places


def test_a_number_can_be_computed_again_from_its_data(site: Path) -> None:
    """Force over area, both in the measurement's JSON."""
    told = data_of(site, "M0001-Y")

    assert told["readings"]["max_force"] / told["readings"]["area"] == pytest.approx(told["number"]["value"])


def test_recordings_are_there_as_they_were_read(site: Path) -> None:
    """Byte for byte, named by measurement and field, with their digest beside them."""
    told = data_of(site, "M0007-M")["files"][0]

    assert (site / told["path"]).read_bytes() == CURVE.data
    assert told["path"] == "data/recordings/M0007-M.curve.csv"
    assert told["sha256"] == hashlib.sha256(CURVE.data).hexdigest()


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


def test_corrections_are_reported_with_their_reason(site: Path) -> None:
    """Without the journal's entries."""
    page, told = page_of(site, "J0001-03-V").read_text("utf-8"), data_of(site, "M0003-U")

    assert "read the wrong scale" in page
    assert "(entry" not in page
    assert any(each["reason"] == "read the wrong scale" for each in told["corrected"])


def test_notes_and_the_journal_stay_in_the_book(site: Path, published_once: Path) -> None:
    """What people wrote to themselves is nobody else's business; nor is any entry of the journal.

    The signed head names the last entry by number and hash, which tells nothing of what it says.
    """
    with open_book(str(published_once / "book")) as book, book.connect() as connection:
        hashes = list(connection.scalars(select(JournalRecord.hash)))
    assert hashes
    for ending in (".html", ".json", ".csv", ".json.gz"):
        for path, text in texts(site, ending).items():
            assert "paid in cash" not in text
            assert '"journal"' not in text
            assert path == "head.json" or not any(each in text for each in hashes)


def files_of(root: Path) -> dict[str, bytes]:
    """Return the files of a site but for the signed head, which says when it was signed."""
    return {
        str(path.relative_to(root)): path.read_bytes()
        for path in root.rglob("*")
        if path.is_file() and path.name != "head.json"
    }


def test_the_same_book_gives_the_same_bytes(
    site: Path, published_once: Path, plugged: Plugged, tmp_path: Path
) -> None:
    """A site that is kept under version control changes only where the book did."""
    with open_book(str(published_once / "book")) as book:
        again = publish(book, plugged, tmp_path / "again").folder

    assert files_of(site) == files_of(again)


def test_both_databases_give_the_same_site(
    site: Path, filled: Book, plugged: Plugged, tmp_path: Path
) -> None:
    """Of books filled alike: the same pages, and the same figures in them."""
    other = publish(filled, plugged, tmp_path / "other").folder
    code = page_of(site, "J0001-J").parent.suffix

    def paths(root: Path) -> set[str]:
        return {path.replace(code, f".{filled.code}") for path in files_of(root)}

    def figures(root: Path, table: str) -> list[dict[str, str]]:
        when = ("at", "page", "age_h")
        return [{k: v for k, v in row.items() if k not in when} for row in rows_of(root, table)]

    assert paths(site) == paths(other)
    for table in ("results", "readings", "factors", "specimens", "measurements"):
        assert figures(site, table) == figures(other, table)


def test_what_is_no_longer_published_leaves_nothing_behind(
    site: Path, published_once: Path, plugged: Plugged
) -> None:
    """No page, no data, no folder."""
    with open_book(str(published_once / "book")) as book:
        publish(book, plugged, site, parse_filter("nozzle_c=270"))

    assert sorted(path.name.partition(".")[0] for path in site.glob("M*")) == ["M0005-Q", "M0006-O"]
    assert [path.name for path in (site / "data/measurements").iterdir()] == ["J0002-H.json.gz"]
    assert sorted(path.name for path in site.glob("J*")) == sorted(path.name for path in site.glob("J0002*"))
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
