"""What hangs on a spool, a drying or a rig."""

from __future__ import annotations

from tests.lineage.scene import Scene, at
from tracker.book import Book
from tracker.model import Drying, Job, JobSpool, Rig
from tracker.trace import trace


def test_the_jobs_of_a_spool_hang_on_it(book: Book, scene: Scene) -> None:
    """Both plates were printed from the spool; one piece of the second was pulled."""
    del scene
    hangs = trace(book, "S0001-R").as_json()["hangs"]

    assert [(each["id"], each["specimens"], each["measurements"]) for each in hangs] == [
        ("J0001-J", 2, 0), ("J0002-H", 2, 1),
    ]  # fmt: skip


def test_a_spool_shows_all_its_dryings_and_storage_periods(book: Book, scene: Scene) -> None:
    """Looked at from the spool, nothing is left out for lying after a print."""
    del scene
    found = trace(book, "S0001-R").as_json()

    assert (len(found["dryings"]), len(found["storage"])) == (2, 3)


def test_only_later_jobs_hang_on_a_drying(book: Book, scene: Scene) -> None:
    """The first drying came before both plates, the second after them."""
    del scene

    assert [len(trace(book, ident).as_json()["hangs"]) for ident in ("D0001-Q", "D0002-O")] == [2, 0]


def test_a_print_without_a_start_stays_in_sight_of_a_drying(book: Book, scene: Scene) -> None:
    """It may have come after the drying: what nobody recorded is no ground to leave a print out."""
    del scene
    with book.act("job add", "Ada Bench") as act:
        for number, started in ((3, None), (4, at(0.5))):
            act.session.add(Job(name=f"plate {number}", outcome="finished", started_at=started))
            act.session.flush()
            act.session.add(JobSpool(job_id=number, spool_id=1, tool=0))
    hangs = [
        [each["id"] for each in trace(book, ident).as_json()["hangs"]] for ident in ("D0001-Q", "D0002-O")
    ]

    assert hangs == [["J0001-J", "J0002-H", "J0003-F"], ["J0003-F"]]


def test_measurements_hang_on_a_rig_by_calibration(book: Book, scene: Scene) -> None:
    """One measurement was taken under the rig's calibration."""
    del scene
    found = trace(book, "R0001-M").as_json()

    assert found["hangs"] == [
        {"measurements": 1, "calibration": "2026-01-05", "first": "M0001-Y", "last": "M0001-Y"}
    ]
    assert found["rig"]["calibrations"][0]["reference"] == "weights"


def test_a_drying_without_spools_is_shown_alone(book: Book, scene: Scene) -> None:
    """A drying in which no spool is recorded still has its own figures."""
    del scene
    with book.act("dry", "Bo Helper") as act:
        act.session.add(Drying(began_at=act.at, set_c=70))
    found = trace(book, "D0003-M").as_json()

    assert ([each["set_c"] for each in found["dryings"]], found["spools"]) == ([70], [])


def test_a_rig_never_used_has_nothing_on_it(book: Book, scene: Scene) -> None:
    """A new rig says that nothing hangs on it and that it was never calibrated."""
    del scene
    with book.act("rig add", "Ada Bench") as act:
        act.session.add(Rig(name="caliper", role="instrument", unit="mm"))
    found = trace(book, "R0002-K")

    assert (found.as_json()["hangs"], found.missing) == ([], ["rig.calibration"])
    assert any("nothing yet" in line for line in found.lines())
