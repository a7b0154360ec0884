"""The read model: what is loaded in a batch is what is loaded one by one, and what the store holds."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pytest

from tests.lineage.scene import Scene, at
from tracker.book import Book
from tracker.lineage import Reader, of_jobs, of_measurements, of_piece, of_specimens, spool_histories
from tracker.model import (
    Drying,
    FactorRecord,
    Job,
    JobLog,
    JobSpool,
    Material,
    Measurement,
    MeasurementFile,
    MeasurementRig,
    Result,
    SettingChange,
    Specimen,
    Spool,
    StoragePeriod,
    Verdict,
)

HEAVY = ("numpy", "pydantic", "pint", "matplotlib", "uncertainties")


def more(book: Book) -> None:
    """Add a second spool, a plate of two spools, a plate of none, and measurements on piece and spool."""
    with book.act("test", "Ada Bench") as act:
        session = act.session
        session.add(Material(name="Basalt PA"))
        session.flush()
        session.add(Spool(material_id=2, lot="L-18"))
        session.add_all([Job(started_at=at(8.5)), Job(material_id=2)])
        session.flush()
        session.add_all(
            [JobSpool(job_id=3, spool_id=2, tool=0), JobSpool(job_id=3, spool_id=1, tool=1)]
            + [Specimen(job_id=job, piece=piece) for job in (3, 4) for piece in (1, 2)]
        )
        session.flush()
        for piece in (5, 5, 7):
            session.add(Measurement(specimen_id=piece, method="shear", source="typed"))
        session.add(Measurement(spool_id=1, method="density", source="typed"))


def test_a_batch_of_specimens_is_the_specimens_one_by_one(book: Book, scene: Scene) -> None:
    """With their measurements, spools, storage and dryings."""
    del scene
    more(book)
    with Reader(book.engine) as reader:
        together = of_specimens(reader, range(1, 20))
        alone = {number: of_specimens(reader, [number])[number] for number in range(1, 9)}

    assert together == alone
    assert [len(each.measured) for each in together.values()] == [0, 0, 1, 0, 2, 0, 1, 0]


def test_a_batch_of_measurements_is_the_measurements_one_by_one(book: Book, scene: Scene) -> None:
    """Those of spools among those of pieces."""
    del scene
    more(book)
    with Reader(book.engine) as reader:
        together = of_measurements(reader, range(1, 20))
        alone = {number: of_measurements(reader, [number])[number] for number in range(1, 6)}

    assert together == alone
    assert [each.measured[0].measurement.id for each in together.values()] == [1, 2, 3, 4, 5]
    assert together[5].specimen is None
    assert together[5].spools[0].spool.id == 1


def test_a_piece_is_found_by_job_and_number(book: Book, scene: Scene) -> None:
    """As its label names it."""
    with Reader(book.engine) as reader:
        found = of_piece(reader, scene.job, 1)
        assert of_piece(reader, scene.job, 9) is None

    assert found is not None
    assert found.specimen is not None
    assert found.specimen.id == scene.specimen


def test_a_spool_comes_to_a_job_as_it_was_when_it_began(book: Book, scene: Scene) -> None:
    """The drying on day 8 came after the plates of day 3, and before the plate of day 8.5."""
    del scene
    more(book)
    with Reader(book.engine) as reader:
        prints = of_jobs(reader, [2, 3])
        whole = spool_histories(reader, [1])[1]

    assert [len(prints[2].spools[0].dryings), len(prints[3].spools[1].dryings), len(whole.dryings)] == [
        1,
        2,
        2,
    ]
    assert [len(prints[2].spools[0].storage), len(whole.storage)] == [2, 3]


def test_of_a_print_whose_start_nobody_recorded_everything_is_reported(book: Book, scene: Scene) -> None:
    """Nothing can be said to have come after it."""
    with book.act("test", "Ada Bench") as act:
        act.session.get_one(Job, scene.job).started_at = None
    with Reader(book.engine) as reader:
        main = of_jobs(reader, [scene.job])[scene.job].main

    assert main is not None
    assert (len(main.dryings), len(main.storage)) == (2, 3)


def test_the_main_spool_gives_the_material(book: Book, scene: Scene) -> None:
    """Of two spools the one in the lowest tool; without a spool the job's own material."""
    del scene
    more(book)
    with Reader(book.engine) as reader:
        prints = of_jobs(reader, [2, 3, 4])

    assert [each.material.name for each in prints.values() if each.material] == [
        "Quarzit ASA", "Basalt PA", "Basalt PA",
    ]  # fmt: skip
    assert [each.main.spool.id if each.main else None for each in prints.values()] == [1, 2, None]


def test_results_bring_their_verdicts_and_rigs_their_calibration(book: Book, scene: Scene) -> None:
    """As recorded, each once."""
    with Reader(book.engine) as reader:
        measured = of_measurements(reader, [scene.measurement])[scene.measurement].measured[0]

    assert [(each.result.quantity, len(each.verdicts)) for each in measured.results] == [
        ("tensile.strength", 1), ("tensile.modulus", 0),
    ]  # fmt: skip
    assert measured.rigs[0].calibration is not None
    assert [each.file.name for each in measured.files] == ["pull.csv"]


def test_nothing_heavy_is_imported_with_it() -> None:
    """Looking at a record must not wait for arithmetic and drawing."""
    code = f"import sys, tracker.lineage; print([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("load", [of_specimens, of_measurements, of_jobs, spool_histories])
def test_what_does_not_exist_is_left_out(book: Book, load: object) -> None:
    """No row, no record; not an empty one."""
    with Reader(book.engine) as reader:
        assert load(reader, [1, 2]) == {}  # type: ignore[operator] # one of four functions alike


@pytest.mark.parametrize(
    ("model", "key"),
    [(JobSpool, (2, 1)), (StoragePeriod, 1), (Drying, 1), (SettingChange, 1), (JobLog, 1),
     (MeasurementRig, (1, 1)), (MeasurementFile, (1, "curve")), (FactorRecord, (3, "raster_deg")),
     (Verdict, 1), (Result, 2)],
)  # fmt: skip
def test_what_was_taken_back_is_no_part_of_a_lineage(book: Book, scene: Scene, model: Any, key: Any) -> None:
    """The short way to the rows leaves out what every other statement leaves out, and nothing else."""

    def counted() -> int:
        with Reader(book.engine) as reader:
            found = of_measurements(reader, [scene.measurement])[scene.measurement]
        print_, measured = found.printed, found.measured[0]
        assert print_ is not None
        spools = [len(each.storage) + len(each.dryings) for each in print_.spools]
        verdicts = sum(len(each.verdicts) for each in measured.results)
        parts = (print_.changes, print_.logs, measured.results, measured.rigs, measured.files, found.given)
        return sum(map(len, parts)) + len(spools) + sum(spools) + verdicts

    before = counted()
    with book.act("void", "Ada Bench", reason="a slip") as act:
        act.session.get_one(model, key).voided = act.seq
    lost = 1 + (3 if model is JobSpool else 0)

    assert counted() == before - lost


def test_a_piece_comes_from_the_spools_it_was_printed_from(book: Book, scene: Scene) -> None:
    """Of two spools in one tool, each has its pieces; the one in use in the middle of a piece is its own."""
    del scene
    more(book)
    with book.act("test", "Ada Bench") as act:
        first, second = (act.session.get_one(JobSpool, (3, number)) for number in (2, 1))
        first.tool, first.pieces = 0, [1]
        second.tool, second.pieces = 0, [2]
    with Reader(book.engine) as reader:
        found = of_specimens(reader, [5, 6])

    assert [[spool.spool.id for spool in each.spools] for each in found.values()] == [[2], [1]]
    assert [each.material.name for each in found.values() if each.material] == ["Basalt PA", "Quarzit ASA"]


def test_the_spool_in_the_lowest_tool_stands_for_a_plate(book: Book, scene: Scene) -> None:
    """Whatever its number; a plate without spools has none, and the material that the job names itself."""
    del scene
    more(book)
    with Reader(book.engine) as reader:
        jobs = of_jobs(reader, [3, 4])

    assert jobs[3].main is not None
    assert (jobs[3].main.spool.id, jobs[4].main) == (2, None)
    assert [each.material and each.material.name for each in jobs.values()] == ["Basalt PA", "Basalt PA"]
