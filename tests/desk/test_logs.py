"""Logs of jobs, on both databases: readers, alignment, cutting, corrections."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest

from tests.desk.bench import WHO, a_job, a_material, a_spool, at, row_of
from tests.plates import UPRIGHT, plate
from tracker.api import ReadLog, hookimpl
from tracker.book import Book
from tracker.chamberlog import read_csv_log
from tracker.chamberlog.reading import handed_over, taken_over
from tracker.csvlog import strandbook_read_log
from tracker.desk.correcting import correct
from tracker.desk.jobplates import PlateFile
from tracker.desk.jobs import add_job, end_job
from tracker.desk.logs import LogFile, add_log
from tracker.desk.measuring import recomputing
from tracker.errors import Refused
from tracker.model import Job
from tracker.plugins import Plugged, load
from tracker.verify import verify

START = "2026-03-02 07:00"


def rising(start: str = START, rows: int = 60, zone: str = "Z") -> bytes:
    """Return a log, a row a minute, a degree more each."""
    began = at(start)
    lines = ["time,chamber"]
    lines += [f"{began + dt.timedelta(minutes=n):%Y-%m-%dT%H:%M:%S}{zone},{40 + n}" for n in range(rows)]
    return "\n".join(lines).encode()


def a_plate_job(book: Book) -> str:
    """Enter a job of two towers and a cube that began at 07:00 and return its ID."""
    a_material(book)
    file = PlateFile("plate.gcode", plate(UPRIGHT))
    return add_job(book, WHO, {"started_at": START}, spools=[a_spool(book)], plate=file).id


def logged(book: Book, job: str, number: int = 0) -> dict[str, Any]:
    """Return the log facts of a piece."""
    found: dict[str, Any] = row_of(book, job).specimens[number].log_facts
    return found


class Foreign:
    """A plugin that reads files of its own."""

    @hookimpl
    def strandbook_read_log(self, path: Path) -> ReadLog | None:
        """Read files that end in ``.own``."""
        if path.suffix != ".own":
            return None
        start = at(START).timestamp()
        times = [start + 60.0 * n for n in range(60)]
        return ReadLog(
            {"chamber_c": [70.0] * 60, "pressure": [1.0] * 60}, times, absolute=True, how=("mine",)
        )


def test_a_log_is_kept_whole_with_how_it_was_read(book: Book) -> None:
    """Bytes, offset, guesses and channels."""
    job = a_plate_job(book)
    done = add_log(book, WHO, load(), job, LogFile("log.csv", rising("2026-03-02 06:58")))
    kept = row_of(book, job).logs[0]
    assert (book.files.get(kept.sha256), kept.offset_s, kept.aligned_by) == (
        rising("2026-03-02 06:58"), -120.0, "clock",
    )  # fmt: skip
    assert [channel["name"] for channel in kept.channels] == ["chamber"]
    assert any("120 s before" in sentence for sentence in done.notes)


def test_a_piece_gets_the_mean_over_its_own_layers(book: Book) -> None:
    """A degree a minute from 40 °C at the start: the mean is 40 and the mean minute of its spans."""
    job = a_plate_job(book)
    add_log(book, WHO, load(), job, LogFile("log.csv", rising()))
    spans = row_of(book, job).specimens[0].plate_facts["spans_s"]
    length = sum(end - start for start, end in spans)
    middle = sum((end - start) * (start + end) / 2 for start, end in spans) / length
    found = logged(book, job)["section"]["chamber"]
    assert found["mean"] == pytest.approx(40 + middle / 60, abs=0.02)
    assert found["covered"] == 1.0


def test_without_a_plate_the_whole_job_counts(book: Book) -> None:
    """An hour from 40 to 100 °C."""
    job = a_job(book, started_at=START)
    end_job(book, WHO, job.id, {"outcome": "finished", "ended_at": "2026-03-02 07:50"})
    add_log(book, WHO, load(), job.id, LogFile("log.csv", rising()))
    found = logged(book, job.id)
    assert (found["over"], found["section"]["chamber"]["mean"]) == ("whole job", 65.0)


def test_of_two_logs_the_one_that_covers_more_counts(book: Book) -> None:
    """A log of the first minute only does not take the place of a whole one."""
    job = a_plate_job(book)
    add_log(book, WHO, load(), job, LogFile("log.csv", rising()))
    whole = logged(book, job)
    add_log(book, WHO, load(), job, LogFile("short.csv", rising(rows=3).replace(b",4", b",7")))
    assert logged(book, job) == whole


def test_of_two_logs_that_cover_alike_the_later_counts_and_older_cuts_stay(book: Book) -> None:
    """59 of 90 min are 0.65556, kept as 0.6556. A cut kept by another rule is sound until it is cut again."""
    job = a_job(book, started_at="2026-03-02 05:30")
    end_job(book, WHO, job.id, {"outcome": "finished", "ended_at": "2026-03-02 07:00"})
    add_log(book, WHO, load(), job.id, LogFile("log.csv", rising("2026-03-02 05:30")))
    earlier = logged(book, job.id)
    add_log(book, WHO, load(), job.id, LogFile("again.csv", rising("2026-03-02 05:30").replace(b",4", b",7")))
    assert (earlier["section"]["chamber"]["covered"], earlier["section"]["chamber"]["log"]) == (0.6556, 1)
    cuts = [logged(book, job.id)["section"]["chamber"]["log"]]
    with book.act("as an earlier version kept it", WHO) as act:
        for piece in act.session.get_one(Job, 1).specimens:
            piece.log_facts = earlier
    assert verify(book, recompute=recomputing(book, load())).clean
    correct(book, WHO, load(), job.id, ["ended_at=2026-03-02 07:01"], reason="clock read again")
    assert [*cuts, logged(book, job.id)["section"]["chamber"]["log"]] == [2, 2]


def test_a_log_of_local_time_is_taken_in_the_zone_that_is_named(book: Book) -> None:
    """08:00 in Vienna in March is 07:00 UTC."""
    job = a_plate_job(book)
    file = LogFile("log.csv", rising("2026-03-02 08:00", zone=""), zone="Europe/Vienna")
    add_log(book, WHO, load(), job, file)
    assert row_of(book, job).logs[0].offset_s == 0.0


def test_a_log_without_a_usable_clock_is_aligned_by_its_rise(book: Book) -> None:
    """The logger's clock stood in another year."""
    job = a_plate_job(book)
    flat = b"time,chamber\n" + b"".join(b"2020-01-01T00:%02d:00Z,20\n" % n for n in range(10))
    hot = b"".join(b"2020-01-01T00:%02d:00Z,60\n" % n for n in range(10, 50))
    done = add_log(book, WHO, load(), job, LogFile("log.csv", flat + hot), "first rise")
    assert row_of(book, job).logs[0].offset_s == pytest.approx(-540, abs=60)
    assert any("first lasting rise" in sentence for sentence in done.notes)


def test_a_plugin_reads_logs_of_its_own_form(book: Book) -> None:
    """What it guessed is told, channels we do not know are left."""
    job = a_plate_job(book)
    plugged = load(extra=[("foreign", Foreign())])
    done = add_log(book, WHO, plugged, job, LogFile("x.own", b"\0\1binary"))
    assert "mine" in done.notes
    assert logged(book, job)["section"]["chamber"]["mean"] == 70.0


def test_a_plugins_log_is_read_again_when_the_start_is_corrected(book: Book) -> None:
    """By the same reader, under its own name."""
    job = a_plate_job(book)
    plugged = load(extra=[("foreign", Foreign())])
    add_log(book, WHO, plugged, job, LogFile("x.own", b"\0\1binary"))
    correct(book, WHO, plugged, job, ["started_at=2026-03-02 07:05"], reason="wrong clock")
    assert row_of(book, job).logs[0].offset_s == -300.0


def test_a_start_on_another_day_is_refused_while_a_log_says_otherwise(book: Book) -> None:
    """Both cannot be true; nothing is written."""
    job = a_plate_job(book)
    add_log(book, WHO, load(), job, LogFile("log.csv", rising()))
    with pytest.raises(Refused, match="another time"):
        correct(book, WHO, load(), job, ["started_at=2026-02-27 07:00"], reason="slip")
    assert row_of(book, job).started_at == at(START)


def test_the_bundled_reader_is_among_the_plugins() -> None:
    """By its entry point, like anybody's."""
    assert "csvlog" in load().plugins


def test_the_bundled_reader_leaves_alone_what_is_no_log(tmp_path: Path) -> None:
    """Another reader may know it."""
    (tmp_path / "x").write_bytes(b"\0\1\2")
    assert strandbook_read_log(tmp_path / "x") is None


def test_a_log_is_the_same_after_it_was_handed_over() -> None:
    """Through the form that plugins use, and back."""
    log = read_csv_log(rising())
    plain = handed_over(log)
    back = taken_over(ReadLog(plain.channels, plain.time_s, plain.absolute))
    assert (back.began, back.length_s) == (log.began, log.length_s)
    assert back.channels["chamber"].values.tolist() == log.channels["chamber"].values.tolist()


@pytest.mark.parametrize(
    "found",
    [
        ReadLog({}, [], absolute=True),
        ReadLog({"pressure": [1.0]}, [0.0], absolute=True),
        ReadLog({"chamber_c": [1.0, 2.0]}, [0.0], absolute=True),
    ],
)
def test_a_plugins_log_that_cannot_be_is_refused(found: ReadLog) -> None:
    """No rows, no known channel, values that do not go with the times."""
    with pytest.raises(Refused, match=r"has 2 values for 1 times|found no rows|found pressure"):
        taken_over(found)


def test_a_reader_that_fails_costs_nothing(book: Book) -> None:
    """The next one is asked."""

    class Broken:
        """A plugin that raises."""

        @hookimpl
        def strandbook_read_log(self, path: Path) -> ReadLog | None:
            """Fail."""
            raise RuntimeError(path)

    job = a_plate_job(book)
    plugged: Plugged = load(extra=[("broken", Broken())])
    add_log(book, WHO, plugged, job, LogFile("log.csv", rising()))
    assert "broken" in plugged.faults[-1]
