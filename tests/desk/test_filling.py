"""What is recorded already is corrected with a reason, never overwritten on the way."""

from __future__ import annotations

import datetime as dt

import pytest

from tests.conftest import BenchClock
from tests.desk.bench import WHO, a_job, a_material, a_spool, last_entry, row_of
from tracker.book import Book
from tracker.desk.correcting import correct
from tracker.desk.dryings import end_drying, start_drying
from tracker.desk.entering import keep_spool
from tracker.desk.jobs import end_job
from tracker.desk.offbed import read_outcomes, take_off
from tracker.forms import FormError
from tracker.model import StoragePeriod
from tracker.plugins import Plugged


def test_a_job_ends_once(book: Book) -> None:
    """Ended as finished, it cannot be ended as failed without a reason."""
    job = a_job(book, started_at="3 h ago").id
    end_job(book, WHO, job, {"outcome": "finished"})
    with pytest.raises(FormError, match=r"recorded as finished already.*correct"):
        end_job(book, WHO, job, {"outcome": "failed", "cause": "clogged"})


def test_what_was_left_open_can_be_added_later(book: Book) -> None:
    """A chamber temperature found in a notebook belongs to the same end."""
    job = a_job(book, started_at="3 h ago").id
    end_job(book, WHO, job, {"outcome": "finished"})
    end_job(book, WHO, job, {"outcome": "finished", "chamber_measured_c": 55})

    assert row_of(book, job).chamber_measured_c == 55


def test_a_piece_has_one_outcome(book: Book) -> None:
    """Good cannot become failed at the bed; only by a correction."""
    job = a_job(book).id
    take_off(book, WHO, job, read_outcomes("good", "1"))
    with pytest.raises(FormError, match="recorded as good already"):
        take_off(book, WHO, job, read_outcomes("failed", "1=came loose"))


@pytest.fixture
def drying(book: Book) -> tuple[str, str]:
    """Dry a spool and weigh it before and after; returns drying and spool."""
    a_material(book)
    spool = a_spool(book)
    started = start_drying(book, WHO, [spool], {"set_c": 80, "began_at": "8 h ago"}, before=["1236.4"])
    end_drying(book, WHO, started.id, {"ended_at": "1 h ago"}, after=["1229.9"])
    return started.id, spool


def test_a_mass_after_is_weighed_once(book: Book, drying: tuple[str, str]) -> None:
    """A second mass names the correction to type."""
    with pytest.raises(FormError, match=r"after_g=1230"):
        end_drying(book, WHO, drying[0], {}, after=["1230"])


def test_a_mass_can_be_corrected(book: Book, drying: tuple[str, str]) -> None:
    """By the drying's ID and the spool's, with a reason that is in the journal."""
    name, spool = drying
    correct(book, WHO, Plugged(), name, [f"{spool}.after_g=1230.1"], "read the wrong line")

    assert row_of(book, name).spools[0].after_g == pytest.approx(1230.1)
    assert "read the wrong line" in last_entry(book).body


def test_a_short_storage_period_inside_another_lets_it_go_on(book: Book) -> None:
    """Out of the box for an hour yesterday, the spool went back into the box."""
    a_material(book)
    spool = a_spool(book)
    keep_spool(book, WHO, spool, {"place": "dry box", "where": "box 2", "began_at": "30 h ago"})
    keep_spool(book, WHO, spool, {"place": "open air", "began_at": "20 h ago", "ended_at": "19 h ago"})
    with book.read() as session:
        periods = session.query(StoragePeriod).order_by(StoragePeriod.began_at).all()

    assert [period.place for period in periods] == ["dry box", "open air", "dry box"]
    assert (periods[1].ended_at, periods[2].ended_at) == (periods[2].began_at, None)


def test_humidity_upside_down_is_refused(book: Book) -> None:
    """The lowest cannot be above the highest."""
    a_material(book)
    spool = a_spool(book)
    with pytest.raises(FormError, match="lower one first"):
        keep_spool(book, WHO, spool, {"place": "dry box", "rh_low_pct": 30, "rh_high_pct": 10})


def test_an_old_contradiction_bars_no_other_act(book: Book, clock: BenchClock) -> None:
    """A drying that ends after a print began, recorded somehow, does not stop a spool from being moved."""
    from tracker.model import Drying, DryingSpool  # noqa: PLC0415 - put in past the desk, on purpose

    a_material(book)
    spool = a_spool(book)
    job = a_job(book, "bar:ZXY:1", spools=(spool,), started_at="4 h ago")
    with book.act("test", WHO) as act:
        began = clock() - dt.timedelta(hours=6)
        row = Drying(began_at=began, ended_at=began + dt.timedelta(hours=3), set_c=80)
        act.session.add(row)
        act.session.flush()
        act.session.add(DryingSpool(drying_id=row.id, spool_id=1))

    assert job.id
    assert keep_spool(book, WHO, spool, {"place": "dry box"}).id == spool
