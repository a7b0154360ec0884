"""Corrections on the screen: what was wrong before, and nothing else."""

from __future__ import annotations

import datetime as dt

import pytest
from sqlalchemy import select

from tests.lineage.scene import Scene
from tracker.book import Book
from tracker.model import Job, Measurement, Result
from tracker.trace import correction_lines, trace

STRENGTH = "tensile.strength"


def corrected(book: Book) -> list[str]:
    """Return the lines under ``corrected`` of the scene's measurement."""
    return list(correction_lines(trace(book, "M0001-Y")))


@pytest.fixture
def ended(book: Book, scene: Scene) -> Book:
    """End the scene's job, made to run again: outcome and what was measured come in."""
    with book.act("job add", "Bo Helper") as act:
        act.session.get_one(Job, scene.job).outcome = "running"
    with book.act("job end", "Bo Helper") as act:
        job = act.session.get_one(Job, scene.job)
        job.outcome, job.bed_measured_c = "finished", 98.0
    return book


def test_the_end_of_a_job_corrects_nothing(ended: Book) -> None:
    """What became known at the end was never wrong."""
    assert not any("running → finished" in line or "bed_measured_c" in line for line in corrected(ended))


def test_the_end_of_a_job_stays_in_the_json(ended: Book) -> None:
    """Scripts see every change."""
    changed = [c for entry in trace(ended, "M0001-Y").as_json()["journal"] for c in entry["changed"]]

    assert {"old": "running", "new": "finished"}.items() <= next(
        c for c in changed if c["old"] == "running"
    ).items()


def test_what_follows_from_a_correction_is_not_reported_again(book: Book, scene: Scene) -> None:
    """Of a result computed again only the value is reported; budget and uncertainty stand at the number."""
    with book.act("amend", "Bo Helper", reason="wrong scale") as act:
        result = act.session.scalars(
            select(Result).where(Result.measurement_id == scene.measurement, Result.quantity == STRENGTH)
        ).one()
        result.value, result.uncertainty, result.budget = 47.0, 0.3, []

    told = [line for line in corrected(book) if "wrong scale" in line]
    assert len(told) == 1
    assert "tensile.strength value: 48.42" in told[0]
    assert "→ 47 " in told[0]


def test_a_gap_that_was_filled_with_a_reason_is_reported(book: Book, scene: Scene) -> None:
    """A value that comes in long afterwards, by an amendment, is something to doubt."""
    with book.act("amend", "Bo Helper", reason="found the note") as act:
        act.session.get_one(Measurement, scene.measurement).remark = "seen to neck"

    assert any("remark: not recorded → seen to neck" in line for line in corrected(book))


def test_moments_are_those_of_the_bench(book: Book, scene: Scene) -> None:
    """A corrected start is reported by the bench's clock, not as the store writes it."""
    with book.act("amend", "Bo Helper", reason="clock was wrong") as act:
        job = act.session.get_one(Job, scene.job)
        assert job.started_at is not None
        job.started_at -= dt.timedelta(hours=1)

    told = next(line for line in corrected(book) if "started_at" in line)
    assert "T" not in told.partition("started_at")[2].partition("(")[0]


def test_the_picture_s_foot_says_the_same(ended: Book) -> None:
    """Neither screen nor picture calls an addition a correction."""
    assert "bed_measured_c" not in trace(ended, "M0001-Y").svg()
