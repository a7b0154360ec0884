"""A spool's days as the book has them, up to a moment, on both databases."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any

import pytest

from tests.desk.bench import WHO, a_job, a_material, a_spool, at, row_of
from tracker import exposure
from tracker.book import Book
from tracker.errors import Refused
from tracker.history import (
    SpoolDays,
    exposure_line,
    many_spool_days,
    spool_days,
    water_at,
    water_at_many,
)
from tracker.kinds import find
from tracker.model import BookRecord, Drying, DryingSpool, Job, JobSpool, Spool, StoragePeriod

NOON = at("2026-03-02 12:00")


def hour(count: float) -> dt.datetime:
    """Return the moment so many hours after noon."""
    return NOON + dt.timedelta(hours=count)


@pytest.fixture
def spool(book: Book) -> str:
    """Enter a spool of which nothing is recorded yet."""
    a_material(book, family="ASA")
    return a_spool(book)


def enter(book: Book, *rows: Any) -> None:
    """Enter rows past the desk, which would refuse some of them."""
    with book.act("test", WHO) as act:
        act.session.add_all(rows)


def period(began: float, ended: float | None = None, spool: int = 1) -> StoragePeriod:
    """Return a storage period in open air, in hours after noon."""
    gone = None if ended is None else hour(ended)
    return StoragePeriod(spool_id=spool, place="open air", rh_pct=50.0, began_at=hour(began), ended_at=gone)


def drying(began: float, ended: float | None = None, spool: int = 1, **more: Any) -> Drying:
    """Return a drying of a spool, in hours after noon."""
    row = Drying(began_at=hour(began), ended_at=None if ended is None else hour(ended), **more)
    row.spools = [DryingSpool(spool_id=spool)]
    return row


def job(began: float, ended: float | None = None, spool: int = 1) -> Job:
    """Return a job from a spool, in hours after noon."""
    row = Job(started_at=hour(began), ended_at=None if ended is None else hour(ended))
    row.spools = [JobSpool(spool_id=spool, tool=0)]
    return row


def days_of(book: Book, spool: str, until: dt.datetime = NOON) -> SpoolDays:
    """Return a spool's days up to noon, or to another moment."""
    with book.read() as session:
        return spool_days(session, find(book, session, spool, "spool"), until)


def test_storage_periods_dryings_and_jobs_are_in_the_days(book: Book, spool: str) -> None:
    """One of each, in its place."""
    enter(book, period(-9, -5), drying(-5, -3, set_c=80), job(-2, -1))
    days = days_of(book, spool).timeline
    assert [each.place for each in days.segments] == ["open air", "dryer", "unlogged"]
    assert [each.key for each in days.dryings] == ["D0001-Q"]
    assert [each.began for each in days.jobs] == [hour(-2)]


def test_days_hold_the_jobs_of_their_own_spool(book: Book, spool: str) -> None:
    """The one of another spool is no part of them."""
    a_job(book, spools=(a_spool(book),), started_at="2026-03-02 06:00")
    a_job(book, spools=(spool,), started_at="2026-03-02 07:00")
    assert [(each.key, each.began) for each in days_of(book, spool).timeline.jobs] == [("J0002-H", hour(-5))]


def test_a_storage_period_that_begins_at_the_end_of_the_days_is_not_in_them(book: Book, spool: str) -> None:
    """Nothing is said of a storage period that has not had a second."""
    enter(book, period(-2, 0), period(0))
    assert days_of(book, spool).timeline.flags == ()


LATER: Mapping[str, Callable[[], tuple[Any, ...]]] = {
    "stays that overlap": lambda: (period(1, 4), period(2, 5)),
    "a drying without an end": lambda: (drying(1, set_c=80), period(-2, -1)),
    "a job during a drying": lambda: (drying(-1, 4, set_c=80), job(2, 3)),
}


@pytest.mark.parametrize("what", LATER)
def test_what_begins_after_the_days_cannot_contradict_them(book: Book, spool: str, what: str) -> None:
    """Days that end at noon are not refused for what came in the afternoon."""
    enter(book, *LATER[what]())
    assert days_of(book, spool).timeline.until == NOON


@pytest.mark.parametrize("what", LATER)
def test_each_of_many_spools_ends_at_its_own_moment(book: Book, spool: str, what: str) -> None:
    """Another spool whose days go on into the evening brings nothing of it into those that end at noon."""
    enter(book, *LATER[what]())
    assert isinstance(among_many(book, spool), SpoolDays)


def among_many(book: Book, spool: str) -> SpoolDays | Refused:
    """Return a spool's days up to noon, read together with those of another that go on into the evening."""
    number = row_of(book, spool).id
    until = {number: NOON, row_of(book, a_spool(book)).id: hour(9)}
    with book.read() as session:
        return many_spool_days(session, until)[number]


def test_a_storage_period_is_not_named_at_its_very_beginning_among_many_either(
    book: Book, spool: str
) -> None:
    """One spool alone or with others: the same days."""
    enter(book, period(-2, 0), period(0))
    assert among_many(book, spool) == days_of(book, spool)


@pytest.mark.parametrize(
    ("ended", "planned_h", "found"),
    [(None, 4, -4), (None, 20, 0), (None, None, 0), (-2, 4, -2)],
    ids=["as planned", "planned beyond the days", "nothing planned", "as recorded"],
)
def test_a_drying_ends_as_recorded_else_as_planned(
    book: Book, spool: str, ended: float | None, planned_h: float | None, found: float
) -> None:
    """It began eight hours before noon; a running one is not counted beyond the days."""
    enter(book, drying(-8, ended, set_c=80, planned_h=planned_h))
    assert days_of(book, spool).timeline.dryings[0].ended == hour(found)


def test_a_drying_of_unknown_temperature_leaves_its_hours_unlogged(book: Book, spool: str) -> None:
    """Nobody can say what it did."""
    enter(book, period(-9, -8), drying(-8, -4))
    days = days_of(book, spool).timeline
    assert (days.dryings, [each.place for each in days.segments]) == ((), ["open air", "unlogged"])


def contradict(book: Book) -> None:
    """Enter a job during a drying, which cannot both be true."""
    enter(book, drying(-8, -4, set_c=80), job(-6, -5))


def test_a_contradiction_makes_no_spool_unreadable(book: Book, spool: str) -> None:
    """The hours that two records claim are not recorded; both are named, all else is as before."""
    contradict(book)
    days = days_of(book, spool).timeline
    assert [(each.place, each.began, each.ended) for each in days.segments] == [
        ("dryer", hour(-8), hour(-6)), ("unlogged", hour(-6), hour(-5)), ("dryer", hour(-5), hour(-4)),
        ("unlogged", hour(-4), NOON),
    ]  # fmt: skip
    assert "D0001-Q and J0001-J overlap" in days.conflicts[0].sentence
    assert "count as unlogged" in days.flags[0]


def test_a_short_storage_period_inside_a_long_one_is_unlogged_however_many_follow(
    book: Book, spool: str
) -> None:
    """Each that begins before the longest has ended contradicts it, also where its neighbour does not."""
    enter(book, period(-9, -1), period(-8, -7), period(-5, -4))
    days = days_of(book, spool).timeline
    unlogged = [(each.began, each.ended) for each in days.segments if each.place == "unlogged"]
    assert unlogged == [(hour(-8), hour(-7)), (hour(-5), hour(-4)), (hour(-1), NOON)]
    assert len(days.conflicts) == 2


def test_days_without_a_fault_have_no_conflicts(book: Book, spool: str) -> None:
    """Nothing is made up."""
    enter(book, period(-9, -5))
    assert days_of(book, spool).timeline.conflicts == ()


def wet(book: Book, **typed: Any) -> SpoolDays:
    """Return the days of a spool of some diameter that was dried, then lay in open air for four hours."""
    spool = a_spool(book, **typed)
    number = row_of(book, spool).id
    enter(book, drying(-8, -4, number, set_c=80), period(-4, None, number))
    return days_of(book, spool)


@pytest.mark.usefixtures("spool")
def test_a_filament_of_unknown_diameter_is_taken_for_the_usual_one(book: Book) -> None:
    """1.75 mm, for one moment and for many; a thicker one takes up less in the same time."""
    unknown, usual, thick = wet(book), wet(book, diameter_mm=1.75), wet(book, diameter_mm=2.85)
    assert water_at(unknown, NOON).centre_pct == water_at(usual, NOON).centre_pct
    assert water_at(thick, NOON).centre_pct != water_at(usual, NOON).centre_pct
    several = [water_at_many(days, [hour(-1), NOON]).centre_pct for days in (unknown, usual, thick)]
    assert list(several[0]) == list(several[1])
    assert list(several[2]) != list(several[1])


def test_the_exposure_of_a_spool_without_records_is_reported_to_be_so(book: Book, spool: str) -> None:
    """Not zero hours."""
    assert exposure_line(days_of(book, spool), NOON) == f"{spool}: neither drying nor storage recorded"


def test_the_exposure_of_a_dried_spool_names_its_drying(book: Book, spool: str) -> None:
    """And counts the hours since."""
    enter(book, drying(-8, -4, set_c=80), period(-4))
    assert exposure_line(days_of(book, spool), NOON) == f"{spool}: dried in D0001-Q, then 4.0 h open air"


def test_the_exposure_of_a_spool_never_dried_says_what_is_not_recorded(book: Book, spool: str) -> None:
    """Two hours in open air, then nobody knows."""
    enter(book, period(-5, -3))
    assert exposure_line(days_of(book, spool), NOON) == (
        f"{spool}: no drying recorded, then 2.0 h open air, 3 h not recorded"
    )


def test_an_impossible_record_refuses_its_own_spool_alone(book: Book, spool: str) -> None:
    """The others are read with it, and have their days."""
    other = a_spool(book)
    numbers = [row_of(book, each).id for each in (spool, other)]
    enter(book, period(-2, -3, numbers[0]), period(-4, -3, numbers[1]))
    with book.read() as session:
        found = many_spool_days(session, dict.fromkeys(numbers, NOON))

    assert isinstance(found[numbers[0]], Refused)
    assert "ends before it begins" in str(found[numbers[0]])
    assert isinstance(found[numbers[1]], SpoolDays)


def test_all_that_is_recorded_of_a_drying_reaches_the_days(book: Book) -> None:
    """Temperatures, humidities, weighings and the reel; where it was only measured that was its setting."""
    a_material(book, family="ASA")
    spool = a_spool(book, empty_g=200, reel="plastic")
    row = drying(
        -8, -4, set_c=80, measured_c=76, room_c=22, room_rh_pct=45, dryer_rh_pct=9, planned_h=6,
    )  # fmt: skip
    row.spools[0].before_g, row.spools[0].after_g = 1000.0, 994.0
    enter(book, row, drying(-3, -2, measured_c=61))
    whole, bare = days_of(book, spool).timeline.dryings

    assert whole == exposure.Drying(
        hour(-8), hour(-4), 80, 76, before_g=1000, after_g=994, empty_g=200, room_c=22, room_rh_pct=45,
        dryer_rh_pct=9, key="D0001-Q", reel="plastic",
    )  # fmt: skip
    assert (bare.set_c, bare.measured_c, bare.temperature_c) == (61, 61, 61)


def test_all_that_is_recorded_of_a_storage_period_reaches_the_days(book: Book, spool: str) -> None:
    """Place, climate and its range, under a name that says which it is."""
    row = period(-3, -1)
    row.place, row.temperature_c, row.rh_low_pct, row.rh_high_pct = "dry box", 24.0, 41.0, 58.0
    enter(book, row)
    segment, _ = days_of(book, spool).timeline.segments

    assert segment.period == exposure.StoragePeriod(
        "dry box", hour(-3), hour(-1), 24.0, 50.0, 41.0, 58.0, key=f"storage1 of {spool} (dry box)"
    )
    assert (segment.key, segment.hours) == (f"storage1 of {spool} (dry box)", 2.0)


def test_a_job_reaches_the_days_with_what_it_took(book: Book, spool: str) -> None:
    """What was entered for the spool before what the job took in all."""
    first, second = job(-5, -4), job(-3, -2)
    first.filament_g = second.filament_g = 80.0
    second.spools[0].filament_g = 30.0
    enter(book, first)
    enter(book, second)
    assert [each.mass_g for each in days_of(book, spool).timeline.jobs] == [80.0, 30.0]


@pytest.mark.parametrize(
    ("received", "began", "came"),
    [
        ("2026-03-01", "2026-03-01 00:00", True),
        ("2026-03-02", "2026-03-02 00:00", True),
        ("2026-03-03", None, False),
    ],
)
def test_days_begin_at_midnight_of_the_day_on_which_a_spool_came(
    book: Book, received: str, began: str | None, came: bool
) -> None:
    """One that came after the days has not come in them."""
    a_material(book)
    spool = a_spool(book, received_on="2026-03-01")
    with book.act("test", WHO) as act:
        act.session.get_one(Spool, row_of(book, spool).id).received_on = dt.date.fromisoformat(received)
    days = days_of(book, spool).timeline

    assert (days.began, days.received) == (began and at(began), came)


def test_filament_wound_twice_has_the_days_of_all_its_reels(book: Book, spool: str) -> None:
    """On each reel until it was wound onto the next; what happened to an empty reel later is none of its."""
    numbers = [row_of(book, each).id for each in (spool, a_spool(book), a_spool(book))]
    with book.act("test", WHO) as act:
        for new, old, wound in ((1, 0, -6), (2, 1, -3)):
            row = act.session.get_one(Spool, numbers[new])
            row.wound_from_id, row.wound_at = numbers[old], hour(wound)
    enter(
        book, period(-9, -8, numbers[0]), period(-5, -4, numbers[0]), period(-5, -4, numbers[1]),
        period(-2.5, -2, numbers[1]), period(-2, -1, numbers[2]), period(-7, -6.5, numbers[1]),
    )  # fmt: skip
    with book.read() as session:
        last = spool_days(session, session.get_one(Spool, numbers[2]), NOON).timeline
        first = spool_days(session, session.get_one(Spool, numbers[0]), NOON).timeline

    assert [each.began for each in last.segments if each.place == "open air"] == [
        hour(-9), hour(-7), hour(-5), hour(-2),
    ]  # fmt: skip
    assert [each.began for each in first.segments if each.place == "open air"] == [hour(-9), hour(-5)]


@pytest.mark.parametrize(("minutes", "told"), [(29, False), (36, True)])
def test_less_than_half_an_hour_is_not_told_as_not_recorded(
    book: Book, spool: str, minutes: int, told: bool
) -> None:
    """It would read: 0 h not recorded."""
    enter(book, period(-4, -minutes / 60))
    assert ("1 h not recorded" in exposure_line(days_of(book, spool), NOON)) is told
    assert ("not recorded" in exposure_line(days_of(book, spool), NOON)) is told


def test_days_are_told_in_the_zone_of_the_book(book: Book, spool: str) -> None:
    """As the book has it now: noon in UTC is one o'clock there."""
    with book.act("test", WHO) as act:
        act.session.get_one(BookRecord, 1).zone = "Europe/Berlin"
    assert days_of(book, spool).timeline.when(NOON) == "2026-03-02 13:00"
