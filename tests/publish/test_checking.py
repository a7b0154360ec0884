"""An outsider's proof: numbers of a folder computed again without the book, and damage found."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.publish.test_publish import filled, plugged, site
from tracker.errors import Refused
from tracker.plugins import Plugged
from tracker.publish.checking import check_site

__all__ = ["filled", "plugged", "site"]


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
def test_a_number_that_was_altered_is_found(site: Path, plugged: Plugged, change: object, state: str) -> None:
    """Value, reading, method: each is named, and the file is no longer what the manifest lists."""
    place = site / "data/measurements/M0001-Y.json"
    told = json.loads(place.read_text("utf-8"))
    change(told)  # type: ignore[operator] # one of the functions above
    place.write_text(json.dumps(told), encoding="utf-8")
    found = check_site(site, plugged)

    assert state in {each.state for each in found.numbers if each.measurement == "M0001-Y"}
    assert found.files == {"data/measurements/M0001-Y.json": "is not what the manifest lists"}
    assert not found.holds


def test_an_altered_recording_changes_its_number(site: Path, plugged: Plugged) -> None:
    """The strength is that of the curve in the folder."""
    told = json.loads((site / "data/measurements/M0007-M.json").read_text("utf-8"))
    place = site / told["files"][0]["path"]
    place.write_bytes(place.read_bytes().replace(b"810", b"880"))
    found = check_site(site, plugged)

    assert "M0007-M" in {each.measurement for each in found.of("differs")}


def test_a_missing_file_is_named(site: Path, plugged: Plugged) -> None:
    """A recording that is gone costs its number, and is named as missing."""
    told = json.loads((site / "data/measurements/M0007-M.json").read_text("utf-8"))
    (site / told["files"][0]["path"]).unlink()
    found = check_site(site, plugged)

    assert found.files[told["files"][0]["path"]] == "is missing"
    assert "M0007-M" in {each.measurement for each in found.of("cannot be computed")}


def test_a_recording_outside_the_folder_is_not_read(site: Path, plugged: Plugged) -> None:
    """A site that somebody else made cannot point anywhere on the reader's disk."""
    place = site / "data/measurements/M0007-M.json"
    told = json.loads(place.read_text("utf-8"))
    told["files"][0]["path"] = "../../etc/hostname"
    place.write_text(json.dumps(told), encoding="utf-8")

    assert "M0007-M" in {each.measurement for each in check_site(site, plugged).of("cannot be computed")}


def test_what_is_no_site_is_refused(tmp_path: Path, plugged: Plugged) -> None:
    """In one line."""
    with pytest.raises(Refused, match="is no published folder"):
        check_site(tmp_path, plugged)
