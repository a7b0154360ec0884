"""What is not recorded is named, and what is recorded is not."""

from __future__ import annotations

from typing import Any

from tests.lineage.scene import Scene
from tracker.book import Book
from tracker.ids import measurement_id
from tracker.model import FactorRecord, Job, Material, Measurement, Result, Specimen
from tracker.trace import WORDS, trace


def bare(book: Book) -> dict[str, Any]:
    """Return the trace of a number of which hardly anything is known."""
    with book.act("import", "Ada Bench") as act:
        act.session.add(Material(name="Basalt PA"))
        act.session.flush()
        act.session.add(Job(name="old", material_id=1))
        act.session.flush()
        act.session.add(Specimen(job_id=1, piece=1))
        act.session.flush()
        act.session.add(
            FactorRecord(specimen_id=1, name="printer", text="left", basis="stated", source="old.csv")
        )
        act.session.add(Measurement(specimen_id=1, method="tensile", source="given"))
        act.session.flush()
        act.session.add(
            Result(
                measurement_id=1, quantity="tensile.strength", value=48, unit="MPa", remarks=[], counted=True
            )
        )
    return trace(book, measurement_id(1)).as_json()


def test_gaps_of_a_whole_way_are_few(traced: dict[str, Any]) -> None:
    """Of the scene, only the line width and the room's humidity at the print were never written down."""
    assert traced["not_recorded"] == ["job.line_width_mm", "job.room_rh_pct"]


def test_gaps_of_a_bare_number_are_all_named(book: Book) -> None:
    """A value out of an old table lacks readings, rig, spool, drying and more; each is named."""
    assert {
        "number.uncertainty", "readings", "method.version", "rig", "measurement.at", "measurement.operator",
        "job.plate_sha256", "job.started_at", "spools", "dryings", "storage", "material.family",
    } <= set(bare(book)["not_recorded"])  # fmt: skip


def test_a_factor_fills_the_gap_of_its_name(book: Book) -> None:
    """The printer is given as a factor of the piece: it is not missing, though the job has none."""
    assert "job.printer" not in bare(book)["not_recorded"]


def test_a_bare_number_is_no_dead_end(book: Book) -> None:
    """Without a spool the way still ends at the material."""
    found = bare(book)

    assert (found["spools"], found["material"]["name"]) == ([], "Basalt PA")


def test_a_rig_without_calibration_is_named(book: Book, scene: Scene) -> None:
    """A rig used without calibration leaves a gap of its own."""
    del scene
    with book.act("measure", "Bo Helper") as act:
        from tracker.model import MeasurementRig  # noqa: PLC0415 - wanted here only

        act.session.add(
            Measurement(specimen_id=3, method="tensile", source="typed", readings={"max_force": 1})
        )
        act.session.flush()
        act.session.add(MeasurementRig(measurement_id=2, rig_id=1))

    assert "rig.calibration" in trace(book, measurement_id(2)).as_json()["not_recorded"]


def test_every_gap_has_words(book: Book) -> None:
    """No gap is shown by its place alone."""
    assert set(bare(book)["not_recorded"]) <= set(WORDS)
