"""Spools: taken in with what is known, kept in one place at a time, weighed."""

from __future__ import annotations

import datetime as dt
import shlex
from typing import Any

import pytest
from sqlalchemy import select

from tests.conftest import BenchClock
from tests.desk.bench import (
    WHO,
    a_job,
    a_material,
    a_spool,
    add_spool,
    entries,
    last_entry,
    row_of,
    weigh_spool,
)
from tracker.book import Book
from tracker.desk.correcting import correct
from tracker.desk.dryings import start_drying
from tracker.desk.entering import keep_spool
from tracker.errors import Doubt
from tracker.forms import FormError
from tracker.kinds import NotFoundError, card_of, find
from tracker.model import StoragePeriod, Weighing
from tracker.plugins import load


@pytest.fixture
def spool(book: Book) -> str:
    """Give a spool of a material."""
    a_material(book)
    return a_spool(book)


def periods(book: Book) -> list[StoragePeriod]:
    """Return all stays in order of their beginning."""
    with book.read() as session:
        return list(session.scalars(select(StoragePeriod).order_by(StoragePeriod.began_at)))


def keep(book: Book, spool: str, place: str, **typed: Any) -> Any:
    """Put the spool somewhere."""
    return keep_spool(book, WHO, spool, {"place": place, **typed})


def test_a_spool_gets_its_material_by_name(book: Book, spool: str) -> None:
    """The material is found in whatever letters it was typed."""
    assert row_of(book, a_spool(book, "NORDLICHT asa")).material_id == row_of(book, spool).material_id


def test_any_mass_may_be_unknown(book: Book) -> None:
    """A spool without a label is taken in all the same, and the person is told what that costs."""
    a_material(book)
    done = add_spool(book, WHO, "Nordlicht ASA", {})
    assert done.notes == ["The empty reel's mass is not recorded: what is left is known only roughly."]


def test_net_and_gross_together_tell_the_reel(book: Book) -> None:
    """With both there is nothing to warn of."""
    a_material(book)
    assert add_spool(book, WHO, "Nordlicht ASA", {"net_g": "1 kg", "gross_g": "1236.4"}).notes == []


@pytest.mark.parametrize(
    "masses", [{"net_g": 1000, "gross_g": 900}, {"empty_g": 240, "gross_g": 240}, {"net_g": 5, "gross_g": 5}]
)
def test_masses_that_contradict_each_other_are_refused(book: Book, masses: dict[str, Any]) -> None:
    """A part is lighter than the whole."""
    a_material(book)
    with pytest.raises(FormError, match="is not lighter than the whole spool"):
        a_spool(book, **masses)


@pytest.mark.parametrize("net", ["-1", "0", "NaN", "5 mm"])
def test_a_mass_that_is_none_is_refused(book: Book, net: str) -> None:
    """A spool weighs something."""
    a_material(book)
    with pytest.raises(FormError, match="Net mass"):
        a_spool(book, net_g=net)


def test_a_spool_of_an_unknown_material_is_refused_with_close_names(book: Book) -> None:
    """A slip of the finger is answered with the name that was meant."""
    a_material(book)
    with pytest.raises(NotFoundError, match=r"Did you mean Nordlicht ASA\?"):
        a_spool(book, "Nordlich ASA")


def test_a_storage_period_begins_now_unless_given_otherwise(
    book: Book, spool: str, clock: BenchClock
) -> None:
    """No time typed is this moment."""
    began = clock.at
    keep(book, spool, "dry box")
    assert periods(book)[0].began_at - began < dt.timedelta(seconds=10)


def test_a_new_storage_period_ends_the_one_that_was_running(
    book: Book, spool: str, clock: BenchClock
) -> None:
    """A spool that was put into the printer is in the box no more."""
    keep(book, spool, "dry box")
    clock.forward(hours=3)
    done = keep(book, spool, "printer")
    first, second = periods(book)
    assert first.ended_at == second.began_at
    assert done.notes == ["dry box ended 2026-03-02 11:00."]


def test_the_first_storage_period_ends_nothing(book: Book, spool: str) -> None:
    """There is nothing to tell of a first storage period."""
    assert keep(book, spool, "open air").notes == []


def test_overlapping_storage_periods_are_asked_about_and_both_are_named(
    book: Book, spool: str, clock: BenchClock
) -> None:
    """A spool is in one place at a time."""
    clock.forward(days=3)
    keep(book, spool, "sealed bag", began_at="2026-03-03 08:00", ended_at="2026-03-04 08:00")
    with pytest.raises(Doubt, match=r"open air 2026-03-03 20:00 .* overlaps sealed bag 2026-03-03 08:00"):
        keep(book, spool, "open air", began_at="2026-03-03 20:00", ended_at="2026-03-05 08:00")


def test_a_refused_storage_period_does_not_end_the_one_before(
    book: Book, spool: str, clock: BenchClock
) -> None:
    """All or nothing: the running storage period runs on."""
    clock.forward(days=3)
    keep(book, spool, "sealed bag", began_at="2026-03-04 08:00", ended_at="2026-03-05 07:00")
    keep(book, spool, "dry box", began_at="2026-03-03 08:00", ended_at="2026-03-04 07:00")
    before = [(each.began_at, each.ended_at) for each in periods(book)]
    with pytest.raises(Doubt, match="overlaps"):
        keep(book, spool, "printer", began_at="2026-03-03 09:00")
    assert [(each.began_at, each.ended_at) for each in periods(book)] == before


def test_storage_periods_that_touch_do_not_overlap(book: Book, spool: str, clock: BenchClock) -> None:
    """Out of the bag at eight, into the printer at eight."""
    clock.forward(days=3)
    keep(book, spool, "sealed bag", began_at="2026-03-03 08:00", ended_at="2026-03-04 08:00")
    keep(book, spool, "printer", began_at="2026-03-04 08:00")
    assert len(periods(book)) == 2


def test_storage_periods_of_two_spools_have_nothing_to_do_with_each_other(book: Book, spool: str) -> None:
    """Two spools may be in two places."""
    keep(book, spool, "dry box")
    keep(book, a_spool(book), "open air")
    assert [period.ended_at for period in periods(book)] == [None, None]


def test_a_storage_period_that_ends_before_it_began_is_refused(
    book: Book, spool: str, clock: BenchClock
) -> None:
    """Both times stand in the refusal."""
    clock.forward(days=3)
    with pytest.raises(FormError, match=r"would end at 2026-03-03 08:00, before it began at 2026-03-04"):
        keep(book, spool, "dry box", began_at="2026-03-04", ended_at="2026-03-03 08:00")


def test_a_weighing_is_kept_and_named_in_the_journal(book: Book, spool: str) -> None:
    """The scales' figure, in grams, with the spool concerned."""
    weigh_spool(book, WHO, spool, {"mass_g": "1.2364 kg"})
    with book.read() as session:
        assert session.scalars(select(Weighing.mass_g)).one() == pytest.approx(1236.4)
    assert spool in last_entry(book).body


def test_a_weighing_needs_a_mass(book: Book, spool: str) -> None:
    """Nothing weighed is nothing written."""
    before = entries(book)
    with pytest.raises(FormError, match="is missing"):
        weigh_spool(book, WHO, spool, {})
    assert entries(book) == before


def test_an_overlap_that_is_there_is_shown_with_what_mends_it(
    book: Book, spool: str, clock: BenchClock
) -> None:
    """It is marked for ever where it was meant; the card names both records, and its command mends it."""
    clock.forward(days=3)
    keep(book, spool, "sealed bag", began_at="2026-03-03 08:00", ended_at="2026-03-04 08:00")
    typed = {"place": "open air", "began_at": "2026-03-03 20:00", "ended_at": "2026-03-05 08:00"}
    keep_spool(book, WHO, spool, typed, sure=True)
    assert "overlaps sealed bag" in str(periods(book)[-1].confirmed)
    found = contradictions_of(book, spool)
    assert "storage1, storage2" in found[0]["what"]
    command = shlex.split(found[0]["do"].replace("WHY", "slip"))
    assert command[:3] == ["strandbook", "correct", "storage1"]
    correct(book, WHO, load(), command[2], command[3:4], "slip")
    assert contradictions_of(book, spool) == []


def test_a_drying_during_a_job_is_shown_with_what_mends_it(book: Book, spool: str, clock: BenchClock) -> None:
    """Nothing is printed from a spool in the dryer."""
    clock.forward(days=3)
    a_job(book, spools=(spool,), started_at="2026-03-03 12:00")
    began = {"set_c": "70", "began_at": "2026-03-03 08:00", "ended_at": "2026-03-03 14:00"}
    with pytest.raises(Doubt, match=rf"{spool}: in the dryer .* overlaps printed from"):
        start_drying(book, WHO, [spool], began)
    start_drying(book, WHO, [spool], began, sure=True)
    assert "'ended_at=2026-03-03 12:00:00'" in contradictions_of(book, spool)[0]["do"]


def contradictions_of(book: Book, spool: str) -> list[dict[str, str]]:
    """Return what the card of a spool says cannot be true together."""
    with book.read() as session:
        told = card_of(session, find(book, session, spool, "spool"), book.zone).data
    return list(told.get("contradictions", []))
