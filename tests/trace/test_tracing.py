"""Traces: the JSON that other people's scripts read, and which number is meant."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.lineage.scene import CURVE, PLATE, Scene
from tracker.book import Book
from tracker.ids import IdError, measurement_id, specimen_id
from tracker.model import Measurement, Result
from tracker.plugins import load
from tracker.trace import TraceError, described_by, trace

CONTRACT = [
    "number", "method", "readings", "rig", "specimen", "job", "spools", "stays", "dryings", "material",
    "factors", "journal", "not_recorded",
]  # fmt: skip


def sha256(data: bytes) -> str:
    """Return a digest as the book writes it."""
    import hashlib  # noqa: PLC0415 - wanted here only

    return hashlib.sha256(data).hexdigest()


def measure_again(book: Book, quantity: str, value: float | None) -> int:
    """Add a second measurement with one result to the scene's specimen; return its number."""
    with book.act("measure", "Bo Helper") as act:
        measurement = Measurement(specimen_id=3, method="shear", source="typed", readings={"max_force": 1.0})
        act.session.add(measurement)
        act.session.flush()
        act.session.add(
            Result(
                measurement_id=measurement.id, quantity=quantity, value=value, unit="MPa", remarks=[],
                refused=None if value else "no section", counted=value is not None,
            )
        )  # fmt: skip
        return measurement.id


def test_all_keys_of_the_contract_are_there(traced: dict[str, Any]) -> None:
    """A script finds every key it was promised."""
    assert set(CONTRACT) <= set(traced)


def test_the_json_is_plain(traced: dict[str, Any]) -> None:
    """Everything can be written as JSON, without NaN, and comes back the same."""
    assert json.loads(json.dumps(traced, allow_nan=False)) == traced


def test_the_number_is_the_result(traced: dict[str, Any]) -> None:
    """Quantity, value, unit and uncertainty are those of the result, with the budget behind it."""
    number = traced["number"]

    assert (number["quantity"], number["value"], number["unit"], number["uncertainty"]) == (
        "tensile.strength", 48.42, "MPa", 0.2,
    )  # fmt: skip
    assert number["budget"][0] == {"source": "R0001: calibration", "u": 0.194, "share": 0.93}


def test_a_reader_can_rebuild_the_number(traced: dict[str, Any]) -> None:
    """Method version, readings, digest of the recording and the rig's uncertainty are all there."""
    assert traced["method"] == {"id": "tensile", "version": "1.0"}
    assert traced["readings"] == {"max_force": 1210.5, "area": 25.0}
    assert traced["files"] == [
        {"field": "curve", "name": "pull.csv", "sha256": sha256(CURVE), "size": len(CURVE), "read_as": None}
    ]
    assert traced["rig"]["resolution"] == 0.5
    assert traced["rig"]["calibration"]["u_rel"] == 0.004


def test_ids_are_those_on_the_labels(traced: dict[str, Any]) -> None:
    """Specimen, job, spool, drying and rig bear their IDs."""
    assert [
        traced["id"], traced["specimen"]["id"], traced["job"]["id"], traced["job"]["again_of"],
        traced["spools"][0]["id"], traced["dryings"][0]["id"], traced["rig"]["id"],
    ] == ["M0001-Y", "J0002-01-T", "J0002-H", "J0001-J", "S0001-R", "D0001-Q", "R0001-M"]  # fmt: skip


def test_meant_and_measured_stand_apart(traced: dict[str, Any]) -> None:
    """The chamber's set and measured temperature are two figures."""
    assert (traced["job"]["chamber_set_c"], traced["job"]["chamber_measured_c"]) == (70, 58.5)


def test_the_plate_file_is_named_by_digest(traced: dict[str, Any]) -> None:
    """The plate file can be fetched from the attachments."""
    assert traced["job"]["plate"] == {"name": "bars.gcode", "sha256": sha256(PLATE), "size": len(PLATE)}


def test_changes_by_hand_and_logs_belong_to_the_job(traced: dict[str, Any]) -> None:
    """A setting changed while the job ran, and the chamber's log, are on the way."""
    assert [(each["setting"], each["value"], each["layer"]) for each in traced["job"]["changes"]] == [
        ("nozzle_c", 255, 12)
    ]
    assert traced["job"]["logs"][0]["name"] == "chamber.csv"


def test_what_happened_after_the_print_is_left_out(traced: dict[str, Any]) -> None:
    """A drying and a storage period begun after the print have no part in its number."""
    assert [each["id"] for each in traced["dryings"]] == ["D0001-Q"]
    assert [each["place"] for each in traced["storage"]] == ["open air", "dry box"]
    assert traced["stays"] == traced["storage"]


def test_times_are_utc(traced: dict[str, Any]) -> None:
    """Times in the JSON are RFC 3339 in UTC."""
    assert traced["job"]["started_at"] == "2026-02-05T08:00:00.000000Z"


def test_the_material_is_that_of_the_spool(traced: dict[str, Any]) -> None:
    """The job names no material of its own; its spool does."""
    assert (traced["material"]["name"], traced["spools"][0]["material"]) == ("Quarzit ASA", "Quarzit ASA")


def test_factors_say_where_they_come_from(traced: dict[str, Any]) -> None:
    """A factor given for the piece has a basis and a source."""
    assert traced["factors"] == [
        {"name": "raster_deg", "value": 45.0, "basis": "typed", "source": "Bo Helper"}
    ]


def test_a_result_is_chosen_by_its_quantity(book: Book, scene: Scene) -> None:
    """Asked for the modulus, the trace gives the modulus, though it has no value."""
    del scene
    number = trace(book, "M0001-Y", "tensile.modulus").as_json()["number"]

    assert (number["value"], number["refused"]) == (None, "strain is not known")


def test_an_absent_quantity_is_refused_with_those_there(book: Book, scene: Scene) -> None:
    """What the measurement does not have is refused, and what it has is named."""
    del scene
    with pytest.raises(
        TraceError, match=r"has no tensile\.yield.*It has tensile\.modulus, tensile\.strength"
    ):
        trace(book, "M0001-Y", "tensile.yield")


def test_a_specimen_measured_once_has_its_number(book: Book, scene: Scene) -> None:
    """Where there is one measurement, the specimen's number is that of it."""
    found = trace(book, specimen_id(scene.job, 1)).as_json()

    assert found["number"]["value"] == 48.42


def test_a_specimen_measured_twice_has_none_alone(book: Book, scene: Scene) -> None:
    """Which of two measurements is meant is not guessed: both are listed."""
    measure_again(book, "shear.strength", 30.0)
    found = trace(book, specimen_id(scene.job, 1)).as_json()

    assert found["number"] is None
    assert [each["method"] for each in found["measurements"]] == ["tensile", "shear"]


def test_a_specimen_measured_twice_has_one_by_name(book: Book, scene: Scene) -> None:
    """Named by its quantity, the number is found among the measurements."""
    measure_again(book, "shear.strength", 30.0)
    found = trace(book, specimen_id(scene.job, 1), "shear.strength").as_json()

    assert (found["number"]["value"], found["method"]["id"]) == (30.0, "shear")


def test_of_two_of_one_quantity_the_newest_is_meant(book: Book, scene: Scene) -> None:
    """A second pull of the same quantity stands for the piece."""
    measure_again(book, "tensile.strength", 50.0)

    assert trace(book, specimen_id(scene.job, 1), "tensile.strength").as_json()["number"]["value"] == 50.0


def test_a_measurement_without_values_still_traces(book: Book, scene: Scene) -> None:
    """A refused result is the number: with its reason, and the way behind it whole."""
    del scene
    found = trace(book, measurement_id(measure_again(book, "shear.strength", None))).as_json()

    assert (found["number"]["value"], found["number"]["refused"]) == (None, "no section")
    assert found["spools"]


def test_a_job_lists_its_pieces(book: Book, scene: Scene) -> None:
    """The trace of a job names its specimens and has no number."""
    found = trace(book, f"J{scene.job:04d}-H").as_json()

    assert found["number"] is None
    assert [each["id"] for each in found["specimens"]] == ["J0002-01-T", "J0002-02-R"]


def test_a_measurement_on_a_spool_traces_to_the_spool(book: Book, scene: Scene) -> None:
    """A measurement of the filament itself has no specimen and no job; the spool is there."""
    del scene
    with book.act("measure", "Bo Helper") as act:
        act.session.add(Measurement(spool_id=1, method="density", source="typed", readings={"mass": 1.0}))
    found = trace(book, measurement_id(2)).as_json()

    assert (found["specimen"], found["job"]) == (None, None)
    assert found["spools"][0]["id"] == "S0001-R"


@pytest.mark.parametrize("text", ["m0001y", "M0001-Y", " m0001 - y "])
def test_an_id_is_read_forgivingly(book: Book, scene: Scene, text: str) -> None:
    """Lower case, blanks and missing dashes are understood."""
    del scene

    assert trace(book, text).id == "M0001-Y"


def test_a_label_of_this_book_is_read(book: Book, scene: Scene) -> None:
    """The whole text of a label's code is understood."""
    del scene

    assert trace(book, f"M0001-Y.{book.code}").id == "M0001-Y"


def test_a_label_of_another_book_is_refused_by_name(book: Book, scene: Scene) -> None:
    """A label of another book is not misread."""
    del scene
    other = "QQQ" if book.code != "QQQ" else "ZZZ"
    with pytest.raises(TraceError, match=rf"another book \({other}\)"):
        trace(book, f"M0001-Y.{other}")


def test_what_does_not_exist_is_refused(book: Book, scene: Scene) -> None:
    """An ID that nothing has is refused in one line."""
    del scene
    with pytest.raises(TraceError, match="There is no M0009-"):
        trace(book, measurement_id(9))


def test_what_is_no_id_is_refused(book: Book) -> None:
    """A text that is no ID is refused as such."""
    with pytest.raises(IdError, match="'STRENGTHOFBAR1' is not an ID"):
        trace(book, "strength of bar 1")


def test_methods_can_be_described(book: Book, scene: Scene) -> None:
    """With the plugins at hand, title and units of the readings stand beside the method."""
    del scene
    method = trace(book, "M0001-Y", describe=described_by(load())).as_json()["method"]

    assert (method["id"], method["version"]) == ("tensile", "1.0")
    assert method["units"]["max_force"] == "N"


def test_a_method_that_is_gone_stays_undescribed(book: Book, scene: Scene) -> None:
    """Without its plugin a measurement traces all the same."""
    del scene
    number = measure_again(book, "polishing.gloss", 1.0)
    with book.act("amend", "Bo Helper", reason="test") as act:
        act.session.get_one(Measurement, number).method = "polishing"

    method = trace(book, measurement_id(number), describe=described_by(load())).as_json()["method"]
    assert method == {"id": "polishing", "version": None}


def test_a_slip_in_an_id_is_answered_with_what_is_close(book: Book, scene: Scene) -> None:
    """As everywhere else at the bench."""
    del scene

    with pytest.raises(IdError, match=r"lacks its check character\. Did you mean M0001-Y\?"):
        trace(book, "M1")
