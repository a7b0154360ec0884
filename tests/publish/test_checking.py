"""An outsider's proof: numbers of a folder computed again without the book, and damage found."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from tests.desk.bench import a_job, a_pull
from tests.publish.conftest import change_document
from tracker.api import Recording
from tracker.book import Book
from tracker.errors import Refused
from tracker.plugins import Plugged
from tracker.publish import publish
from tracker.publish.checking import check_site

DOCUMENT = "data/measurements/J0001-J.json.gz"
CURVED = "data/measurements/J0003-F.json.gz"
CURVE = "data/recordings/M0007-M.curve.csv"


def test_every_number_of_a_site_holds(site: Path, plugged: Plugged) -> None:
    """From recordings and typed readings alike."""
    found = check_site(site, plugged)

    assert found.holds
    assert {each.measurement for each in found.of("holds")} >= {"M0001-Y", "M0003-U", "M0007-M"}
    assert found.of("differs") == []


@pytest.mark.parametrize(
    ("change", "state"),
    [
        (lambda told: told["results"][0].update(value=99.0), "differs"),
        (lambda told: told["readings"].update(max_force=1.0), "differs"),
        (lambda told: told["method"].update(version="0.1"), "cannot be computed"),
        (lambda told: told["method"].update(id="polishing"), "cannot be computed"),
        (lambda told: told.update(readings=None, files=[]), "cannot be computed"),
        (lambda told: told.pop("results"), "differs"),
    ],
)
def test_a_number_that_was_altered_is_found(
    site: Path, plugged: Plugged, change: Callable[[dict[str, Any]], object], state: str
) -> None:
    """Value, reading, method: each is named, and the file is no longer what the manifest lists."""
    change_document(site / DOCUMENT, "M0001-Y", change)
    found = check_site(site, plugged)

    assert state in {each.state for each in found.numbers if each.measurement == "M0001-Y"}
    assert found.files == {DOCUMENT: "is not what the manifest lists"}
    assert not found.holds


def test_an_altered_recording_changes_its_number(site: Path, plugged: Plugged) -> None:
    """The strength is that of the curve in the folder."""
    place = site / CURVE
    place.write_bytes(place.read_bytes().replace(b"810", b"880"))
    found = check_site(site, plugged)

    assert "M0007-M" in {each.measurement for each in found.of("differs")}


def test_a_missing_file_is_named(site: Path, plugged: Plugged) -> None:
    """A recording that is gone costs its number, and is named as missing."""
    (site / CURVE).unlink()
    found = check_site(site, plugged)

    assert found.files[CURVE] == "is missing"
    assert "M0007-M" in {each.measurement for each in found.of("cannot be computed")}


def test_a_recording_outside_the_folder_is_not_read(site: Path, plugged: Plugged) -> None:
    """A site that somebody else made cannot point anywhere on the reader's disk."""
    change_document(site / CURVED, "M0007-M", lambda told: told["files"][0].update(path="../../etc/hostname"))

    assert "M0007-M" in {each.measurement for each in check_site(site, plugged).of("cannot be computed")}


def test_a_table_that_says_otherwise_is_found(site: Path, plugged: Plugged) -> None:
    """Most readers take the numbers from the table: each must be one that was computed again."""
    place = site / "data/results.csv"
    text = place.read_text("utf-8")
    place.write_text(text.replace(",45.0,", ",54.0,", 1), encoding="utf-8")
    found = check_site(site, plugged)
    place.write_text(f"{text}{text.splitlines()[1].replace('M0001-Y', 'M0099-Y')}\n", encoding="utf-8")
    more = check_site(site, plugged)

    assert "M0001-Y tensile.strength" in found.table["data/results.csv"]
    assert "of which there is no evidence" in more.table["data/results.csv"]
    assert not found.holds
    assert not more.holds


def test_a_document_that_cannot_be_read_is_named(site: Path, plugged: Plugged) -> None:
    """Damage costs the numbers of its job, and no traceback."""
    (site / DOCUMENT).write_bytes(b"\x1f\x8b\x08 no")
    found = check_site(site, plugged)

    assert ("J0001-J", "differs") in {(each.measurement, each.state) for each in found.numbers}
    assert not found.holds


def test_a_site_of_an_earlier_version_is_not_reported_to_be_false(site: Path, plugged: Plugged) -> None:
    """Its documents lie otherwise: that is no difference in its numbers."""
    (site / "data/measurements/M0001-Y.json").write_text("{}", encoding="utf-8")
    with pytest.raises(Refused, match="earlier version"):
        check_site(site, plugged)


def test_what_is_no_site_is_refused(tmp_path: Path, plugged: Plugged) -> None:
    """In one line."""
    with pytest.raises(Refused, match="is no published folder"):
        check_site(tmp_path, plugged)


def test_a_long_recording_is_packed_and_still_proves_its_number(
    book: Book, plugged: Plugged, tmp_path: Path
) -> None:
    """By gzip, named for it: pandas reads it with no options, and the number is computed from it."""
    rows = "".join(f"{place / 400:.4f},{place * 1.14375:.3f}\n" for place in range(1601))
    piece = a_job(book).also[0]
    curve = Recording("pull.csv", f"extension_mm,force_N\n{rows}".encode())
    a_pull(book, piece, {"width": "10", "thickness": "4"}, plugged=plugged, files={"curve": curve})
    folder = publish(book, plugged, tmp_path / "site").folder
    file = folder / "data/recordings/M0001-Y.curve.csv.gz"

    assert len(curve.data) > 6_000
    assert file.stat().st_size < len(curve.data) / 2
    table = pd.read_csv(file)
    assert (list(table.columns), len(table)) == (["extension_mm", "force_N"], 1601)
    found = check_site(folder, plugged)
    assert found.holds
    assert "M0001-Y" in {each.measurement for each in found.of("holds")}
