"""Logs looked at before they are kept, and drawn over the layers of a piece; on both databases."""

from __future__ import annotations

import datetime as dt
import xml.etree.ElementTree as ET
from types import SimpleNamespace
from typing import Any

import pytest

from tests.desk.bench import WHO, a_job, entries, row_of
from tests.desk.test_logs import START, a_plate_job, rising
from tracker.book import Book
from tracker.chamberlog import Band
from tracker.desk.correcting import correct
from tracker.desk.logs import LogFile, _of_job, add_log, look_at_log, offset_typed, piece_log, piece_log_chart
from tracker.errors import Refused
from tracker.ids import specimen_id
from tracker.kinds import find
from tracker.plugins import load

LOG = LogFile("log.csv", rising("2026-03-02 06:58"))


def test_looking_keeps_nothing_and_says_what_keeping_would(book: Book) -> None:
    """The same words and offset as of the log kept afterwards; until then no entry."""
    job = a_plate_job(book)
    before = entries(book)
    look = look_at_log(book, load(), job, LOG)
    assert (entries(book), look.offset_s) == (before, -120.0)
    done = add_log(book, WHO, load(), job, LOG)
    assert [*look.how, look.placing, *look.doubts] == done.notes[: len(look.how) + 1 + len(look.doubts)]


def test_a_log_that_does_not_fit_is_reported_and_drawn(book: Book) -> None:
    """One of another day is shown with the reason, so that another way of laying it can be tried."""
    look = look_at_log(book, load(), a_plate_job(book), LogFile("log.csv", rising("2026-03-05 07:00")))
    assert (look.offset_s, "another time" in look.refusal) == (None, True)
    assert "chamber [°C]" in look.chart


def test_an_own_offset_is_kept_through_corrections(book: Book) -> None:
    """A stated place stays as it was stated when the job's end is corrected."""
    job = a_plate_job(book)
    add_log(book, WHO, load(), job, LOG, "own offset", -300.0)
    correct(book, WHO, load(), job, ["ended_at=2026-03-02T07:50Z"], "not entered")
    kept = row_of(book, job).logs[0]
    assert (kept.aligned_by, kept.offset_s) == ("own offset", -300.0)


def test_an_own_offset_has_to_be_given(book: Book) -> None:
    """Chosen and left empty it is refused, never taken as nothing."""
    with pytest.raises(Refused, match="No offset was stated"):
        add_log(book, WHO, load(), a_plate_job(book), LOG, "own offset")


@pytest.mark.parametrize(("typed", "seconds"), [("", None), ("-90", -90.0), ("2 min", 120.0)])
def test_an_offset_is_typed_with_or_without_its_unit(typed: str, seconds: float | None) -> None:
    """A bare number is seconds."""
    assert offset_typed(typed) == seconds


def test_a_piece_without_a_log_says_so(book: Book) -> None:
    """There is nothing to show and nothing to draw."""
    job = a_job(book, started_at=START)
    with book.read():
        assert piece_log(row_of(book, job.id).specimens[0]) is None
    with pytest.raises(Refused, match="No log was kept"):
        piece_log_chart(book, load(), job.also[0])


def test_a_pieces_chart_shades_its_layers_and_marks_where_it_broke(book: Book) -> None:
    """Piece and gauge section are shaded, the gauge section within the piece; the break lies in both."""
    job = a_plate_job(book)
    add_log(book, WHO, load(), job, LOG)
    piece = row_of(book, job).specimens[0]
    name = specimen_id(piece.job_id, piece.piece)
    with book.act("measure", WHO) as act:
        find(book, act.session, name, "specimen").broken_height_mm = 10.0
    drawn = ET.fromstring(piece_log_chart(book, load(), name))  # noqa: S314 - our own drawing
    found = {each.get("class"): each for each in drawn.iter() if each.get("class")}
    left = {kind: float(found[kind].get("x")) for kind in ("piece", "gauge")}
    wide = {kind: float(found[kind].get("width")) for kind in ("piece", "gauge")}
    assert left["piece"] <= left["gauge"]
    assert left["piece"] < float(found["broke"].get("x1")) < left["piece"] + wide["piece"]
    assert left["gauge"] + wide["gauge"] <= left["piece"] + wide["piece"] + 0.2


def test_a_job_of_known_begin_and_end_is_one_band_of_the_log() -> None:
    """From its start, second 0, to its end an hour later, whatever its plate file planned."""
    began = dt.datetime(2026, 3, 2, 7, tzinfo=dt.UTC)
    job: Any = SimpleNamespace(
        started_at=began,
        ended_at=began + dt.timedelta(hours=1),
        specimens=[SimpleNamespace(plate_facts={"spans_s": [(60.0, 900.0)]})],
    )
    bands, marks = _of_job(job, known=True)
    assert [(band.since_s, band.until_s, band.kind) for band in bands] == [(0.0, 3600.0, "job")]
    assert [(mark.at_s, mark.word, mark.kind) for mark in marks] == [(0.0, "start", "start")]
    assert _of_job(job, known=False) == ([], [])
    job.ended_at = None
    assert _of_job(job, known=True)[0] == [Band(60.0, 900.0, "job")]
    job.specimens.append(SimpleNamespace(plate_facts={"spans_s": [(30.0, 90.0), (800.0, 899.0)]}))
    job.specimens += [SimpleNamespace(plate_facts=None), SimpleNamespace(plate_facts={})]
    job.started_at, job.ended_at = None, began
    assert _of_job(job, known=True)[0] == [Band(30.0, 900.0, "job")]
    job.specimens = job.specimens[2:]
    assert _of_job(job, known=True) == ([], marks)
