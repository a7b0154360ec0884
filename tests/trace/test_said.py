"""Small things that a trace says, and that nobody would miss until they were wrong."""

from __future__ import annotations

import datetime as dt
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from typing import Any

import pytest

from tests.lineage.scene import at
from tracker.book import Book
from tracker.model import FactorRecord, Job, Measurement, MeasurementRig, Result, Rig, Specimen
from tracker.trace import stations, trace

SVG = "{http://www.w3.org/2000/svg}"

pytestmark = pytest.mark.usefixtures("scene")


def change(book: Book, model: Any, number: int, **values: Any) -> None:
    """Set columns of a row."""
    with book.act("test", "Ada Bench") as act:
        row = act.session.get_one(model, number)
        for name, value in values.items():
            setattr(row, name, value)


def told(book: Book, ident: str = "M0001-Y") -> dict[str, Any]:
    """Return a trace as JSON."""
    return trace(book, ident).as_json()


def keys(value: Any) -> Iterator[str]:
    """Yield every key within a JSON value, but for what a plate file or a reading names itself."""
    if isinstance(value, dict):
        yield from value
        for each in value.values():
            yield from keys(each)
    if isinstance(value, list):
        for each in value:
            yield from keys(each)


def test_no_column_of_the_store_alone_is_in_the_json(book: Book) -> None:
    """Numbers of rows and the mark of a form sent twice are nobody's business."""
    change(book, Measurement, 1, posted_key="5" * 40)
    found = set(keys(told(book)))
    assert not {"posted_key", "job_id", "specimen_id", "calibration_id", "result_id", "entry_id"} & found


def test_every_entry_of_the_journal_has_its_moment_and_hand(book: Book) -> None:
    """In UTC; scripts read these keys."""
    for entry in told(book)["journal"]:
        assert entry.keys() == {"entry", "at", "who", "act", "reason", "hash", "wrote", "changed"}
        assert dt.datetime.fromisoformat(entry["at"]).utcoffset() == dt.timedelta(0)


def test_the_rig_is_the_rig_and_not_an_instrument(book: Book) -> None:
    """A calliper used with it is among the instruments, and has no calibration of the rig's."""
    with book.act("test", "Ada Bench") as act:
        calliper = Rig(name="calliper", role="instrument", measures="length", unit="mm", resolution=0.01)
        act.session.add(calliper)
        act.session.flush()
        act.session.add(MeasurementRig(measurement_id=1, rig_id=calliper.id))
    measured = told(book)["measurements"][0]
    assert measured["rig"]["name"] == "crank"
    assert [each["name"] for each in measured["instruments"]] == ["crank", "calliper"]
    assert [bool(each.get("calibration")) for each in measured["instruments"]] == [True, False]


def test_a_job_that_began_with_a_drying_hangs_on_it(book: Book) -> None:
    """At the very moment: it may have been printed from the warm spool."""
    change(book, Job, 1, started_at=at(8), ended_at=at(8.1))
    assert [each["id"] for each in told(book, "D0002-O")["hangs"]] == ["J0001-J"]


@pytest.mark.parametrize(("second", "shared"), [("annealed", ["annealed"]), ("as printed", [])])
def test_a_word_given_for_all_pieces_alike_is_the_jobs(book: Book, second: str, shared: list[str]) -> None:
    """Another word for one of them is the piece's own."""
    with book.act("test", "Ada Bench") as act:
        for piece, word in ((3, "annealed"), (4, second)):
            act.session.add(
                FactorRecord(specimen_id=piece, name="treatment", text=word, basis="told", source="typed")
            )
    assert [row["text"] for row in trace(book, "J0002-H").path.factors] == shared


def test_what_was_logged_over_the_gauge_section_is_reported(book: Book) -> None:
    """Its mean, with the range where there was one."""
    heard = {"chamber": {"mean": 58.25, "low": 57.1, "high": 59.4, "unit": "°C"}}
    change(book, Specimen, 3, log_facts={"section": heard})
    (station,) = (
        each for each in stations(trace(book, "M0001-Y")) for each in each.sides if each.label == "logged"
    )
    assert station.facts == ("chamber 58.2 °C (57.1 to 59.4)",)


def test_settings_are_reported_as_far_as_they_are_recorded(book: Book) -> None:
    """The line width is not, so it is not among them."""
    every = [side for station in stations(trace(book, "J0002-H")) for side in (station, *station.sides)]
    (settings,) = (each for each in every if each.label == "settings")
    assert {"fan 20 %", "layer height 0.2 mm"} <= set(settings.facts)
    assert not [fact for fact in settings.facts if "line width" in fact]


def test_every_value_of_a_piece_measured_twice_is_reported_with_its_unit(book: Book) -> None:
    """What has no value is not among them."""
    with book.act("test", "Ada Bench") as act:
        again = Measurement(specimen_id=3, method="mass", at=at(6), source="typed", readings={"mass": 4.2})
        again.results = [Result(quantity="mass.piece", value=4.2, unit="g", remarks=[], counted=True)]
        act.session.add(again)
    every = [side for station in stations(trace(book, "J0002-01-T")) for side in (station, *station.sides)]
    (measured,) = (each for each in every if each.label == "measured")
    assert measured.head == "2 times"
    assert [fact.split(maxsplit=1)[1] for fact in measured.facts] == [
        "tensile.strength 48.42 ± 0.39 MPa (U, k = 2.0, 95 %)",
        "mass.piece 4.2 g",
    ]


def test_arrows_join_the_boxes_of_the_way(book: Book) -> None:
    """One fewer than boxes: none leads out of the last one."""
    way = trace(book, "M0001-Y")
    picture = ET.fromstring(way.svg())  # noqa: S314 - it is our own
    heads = [each for each in picture.iter(f"{SVG}path") if each.attrib["d"].endswith("l4 6 l4 -6 z")]
    assert len(heads) == len(stations(way)) - 1


def test_the_foot_of_the_picture_has_journal_and_gaps(book: Book) -> None:
    """Each under its label."""
    picture = ET.fromstring(trace(book, "M0001-Y").svg())  # noqa: S314 - it is our own
    said = [each.text or "" for each in picture.iter(f"{SVG}text")]
    gaps = said.index("not recorded")
    assert said[gaps + 1].startswith("line width, room humidity at the print")
    assert "journal" in said[:gaps]


def test_prov_states_what_is_known_and_nothing_else(book: Book) -> None:
    """A null would say that something is nothing."""
    document = trace(book, "M0001-Y").prov()
    for kind in ("entity", "activity", "agent"):
        for attributes in document[kind].values():
            assert None not in attributes.values()
    assert {each.get("prov:label") for each in document["agent"].values()} >= {"Bo Helper"}
    assert {each["prov:activity"] for each in document["wasAssociatedWith"].values()} >= {"sb:M0001-Y"}
