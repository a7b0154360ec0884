"""The open data, compared with the programs that others read it with."""

from __future__ import annotations

import datetime as dt
import gzip
import html
import json
import shutil
import xml.etree.ElementTree as ET
from pathlib import Path

import bagit
import frictionless
import pandas as pd
import pytest
import yaml
from csvw.metadata import CSVW
from prov.model import ProvDocument
from rocrate.rocrate import ROCrate

from tests.desk.bench import WHO
from tests.publish.scene import fill_bench
from tracker.book import Book, new_book
from tracker.model import Dispute, Spool
from tracker.plugins import Plugged
from tracker.publish import choose_publication, publish
from tracker.publish.evidence import measurements_of, read_packed
from tracker.publish.pages import wilson


@pytest.fixture(scope="module")
def described(plugged: Plugged, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Publish a book under a licence, with an answer to a number; the book is beside the site."""
    root = tmp_path_factory.mktemp("described")
    with new_book(str(root / "book"), WHO) as book:
        fill_bench(book, plugged)
        choose_publication(
            book, WHO, licence="CC-BY-4.0", author="Nordlicht Bench", address="https://bench.example.org/"
        )
        with book.act("dispute", WHO) as act:
            act.session.add(Dispute(measurement_id=1, text="We pulled <more>.", by="Beispielwerk", at=act.at))
        publish(book, plugged, root / "site")
    return root


@pytest.fixture
def site(described: Path) -> Path:
    """Give the site, to be read."""
    return described / "site"


def test_the_data_package_is_valid(site: Path) -> None:
    """Types, keys, references and digests, by frictionless (the reference implementation)."""
    report = frictionless.Package(str(site / "datapackage.json")).validate()

    assert report.flatten(["type", "note"]) == []
    assert report.stats["tasks"] == 12


def test_pandas_reads_every_table_with_no_options(site: Path) -> None:
    """Numbers come as numbers; a column of them has no text in it."""
    package = json.loads((site / "datapackage.json").read_text("utf-8"))
    for resource in package["resources"]:
        frame = pd.read_csv(site / resource["path"])
        assert list(frame.columns) == [field["name"] for field in resource["schema"]["fields"]]
        for field in resource["schema"]["fields"]:
            if field["type"] in ("number", "integer") and len(frame):
                assert pd.api.types.is_numeric_dtype(frame[field["name"]]), (resource["name"], field["name"])


def test_a_relation_is_its_sign_and_a_formula_is_guarded(
    site: Path, filled: Book, plugged: Plugged, tmp_path: Path
) -> None:
    """The data say "=" where a value is one; what a person typed is run by no spreadsheet."""
    relations = set(pd.read_csv(site / "data/results.csv")["relation"])
    assert "=" in relations
    assert relations <= {"=", ">", "<"}
    with filled.act("test", WHO) as act:
        act.session.get_one(Spool, 1).lot = "=1+1"
    publish(filled, plugged, tmp_path / "guarded")

    assert pd.read_csv(tmp_path / "guarded/data/spools.csv").loc[0, "lot"] == "'=1+1"


def test_a_mean_from_the_table_is_that_of_the_page(site: Path) -> None:
    """A reader who knows nothing of strandbook gets the same number: counted results of one condition."""
    results = pd.read_csv(site / "data/results.csv")
    flat = results[
        (results["quantity"] == "tensile.strength") & results["counted"] & (results["job"] == "J0002-H")
    ]

    assert flat["value"].mean() == pytest.approx((1900 / 40 + 1950 / 40) / 2)


def test_the_factors_are_in_the_open_data(site: Path) -> None:
    """Nozzle temperature of both plates, with its basis and unit."""
    factors = pd.read_csv(site / "data/factors.csv")
    nozzle = factors[factors["factor"] == "nozzle_c"]

    assert set(nozzle["value"]) == {245.0, 270.0}
    assert set(nozzle["unit"]) == {"degC"}
    assert set(nozzle["basis"]) == {"commanded"}


def test_the_tables_are_valid_as_csv_on_the_web(site: Path) -> None:
    """Columns, types and keys as their description says, by the csvw package; a wrong cell is found."""
    assert CSVW(str(site / "data/csv-metadata.json"), validate=True).is_valid


def test_a_cell_of_the_wrong_type_is_not_valid(
    site: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The validator notices what a description would not allow."""
    shutil.copytree(site / "data", tmp_path / "data")
    place = tmp_path / "data/results.csv"
    place.write_text(place.read_text("utf-8").replace(",45.0,", ",many,", 1), encoding="utf-8")

    assert not CSVW(str(tmp_path / "data/csv-metadata.json"), validate=True).is_valid
    assert "invalid lexical value for float: many" in caplog.text


def test_the_citation_has_what_its_format_asks_for(site: Path) -> None:
    """Keys that Citation File Format 1.2.0 requires, and the words it allows in them (from memory).

    Its own validator (cffconvert 2.0) wants a release of jsonschema that the other readers do not take.
    """
    told = yaml.safe_load((site / "CITATION.cff").read_text("utf-8"))

    assert {"cff-version", "message", "title", "authors"} <= set(told)
    assert (told["cff-version"], told["type"], told["license"]) == ("1.2.0", "dataset", "CC-BY-4.0")
    assert isinstance(told["date-released"], dt.date)
    assert told["authors"] == [{"name": "Nordlicht Bench"}]
    assert {each["type"] for each in told["identifiers"]} <= {"doi", "url", "swh", "other"}


def test_every_method_tells_its_formulas_with_their_source(site: Path) -> None:
    """On the page of the method with their symbols, beside each measurement, and in its JSON."""
    method = min((site / "methods").iterdir()).read_text("utf-8")
    piece = next(site.glob("J0001-01-Z.*/index.html")).read_text("utf-8")
    document = read_packed(site / "data/measurements/J0001-J.json.gz")
    formulas = measurements_of(document)[0]["formulas"]

    assert formulas
    for each in formulas:
        assert html.escape(each["text"], quote=False) in method
        assert html.escape(each["text"], quote=False) in piece
        assert each["source"]


def test_the_crate_is_read_by_its_reference_implementation(site: Path) -> None:
    """RO-Crate 1.1, by ro-crate-py: every file of the data is described and there."""
    crate = ROCrate(site)
    described = {entity.id for entity in crate.data_entities}

    assert crate.root_dataset["license"].id == "https://creativecommons.org/licenses/by/4.0/"
    assert {str(path.relative_to(site)) for path in (site / "data").rglob("*") if path.is_file()} == described


def test_every_provenance_document_is_read_as_prov(site: Path) -> None:
    """By the prov package: all documents together are one, as their names are unique."""
    documents = [
        ProvDocument.deserialize(content=gzip.decompress(path.read_bytes()).decode(), format="json")
        for path in sorted((site / "data/provenance").glob("*.json.gz"))
    ]
    assert len(documents) == 3
    assert all(document.get_records() for document in documents)


def test_the_site_is_a_valid_bag(site: Path) -> None:
    """RFC 8493, with the number of bytes and files of its payload."""
    bag = bagit.Bag(str(site))

    assert bag.validate()
    assert bag.info["External-Identifier"].startswith("urn:strandbook:")


def test_licence_author_and_citation_are_reported(site: Path) -> None:
    """Where people and programs look for them."""
    assert "license: CC-BY-4.0" in (site / "CITATION.cff").read_text("utf-8")
    assert "Nordlicht Bench" in (site / "CITATION.cff").read_text("utf-8")
    assert "CC-BY-4.0" in (site / "LICENCE.txt").read_text("utf-8")
    page = (site / "index.html").read_text("utf-8")
    begin, end = '<script type="application/ld+json">', "</script>"
    dataset = json.loads(page.partition(begin)[2].partition(end)[0])
    assert dataset["license"] == "https://creativecommons.org/licenses/by/4.0/"
    assert dataset["url"] == "https://bench.example.org/"


def test_an_answer_is_shown_beside_its_number(site: Path) -> None:
    """On the page of its specimen, as text, and in the data."""
    page = next(site.glob("J0001-01-Z.*/index.html")).read_text("utf-8")

    assert "We pulled &lt;more&gt;." in page
    assert "Beispielwerk" in page
    assert pd.read_csv(site / "data/answers.csv").loc[0, "about"] == "M0001-Y"


def test_the_feed_is_atom_with_the_newest_first(site: Path) -> None:
    """RFC 4287: ids, titles and moments of every entry."""
    atom = "{http://www.w3.org/2005/Atom}"
    feed = ET.fromstring((site / "feed.xml").read_text("utf-8"))  # noqa: S314 - it is our own
    entries = feed.findall(f"{atom}entry")
    moments = [entry.findtext(f"{atom}updated") for entry in entries]

    assert len(entries) == 7
    assert moments == sorted(moments, key=str, reverse=True)
    assert len({entry.findtext(f"{atom}id") for entry in entries}) == 7
    assert all(entry.findtext(f"{atom}title") for entry in entries)


def test_the_interval_of_a_failure_rate_is_wilsons() -> None:
    """Score intervals of R. G. Newcombe, Statistics in Medicine 17 (1998) 857–872, table I; from memory."""
    assert wilson(15, 148) == pytest.approx((0.0624, 0.1605), abs=5e-5)
    assert wilson(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    assert wilson(0, 20) == pytest.approx((0.0, 0.1611), abs=5e-5)
    assert wilson(1, 29) == pytest.approx((0.0061, 0.1718), abs=5e-5)
