"""A spool's days in order: what is closed, cut, flagged and refused."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields, is_dataclass
from datetime import datetime, timedelta, timezone
from importlib import import_module
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.exposure.days import hour
from tracker.errors import Refused
from tracker.exposure import Drying, JobUse, Place, StoragePeriod, Timeline, timeline
from tracker.exposure.days import check_event


def period(place: Place, began: float, ended: float | None, key: str = "stay") -> StoragePeriod:
    """Return a storage period in hours."""
    return StoragePeriod(place, hour(began), None if ended is None else hour(ended), 23.0, 50.0, key=key)


def drying(began: float, ended: float, key: str = "D1") -> Drying:
    """Return a drying in hours."""
    return Drying(hour(began), hour(ended), 80.0, key=key)


def shape(days: Timeline) -> list[tuple[str, float]]:
    """Return places and hours in order."""
    return [(segment.place, segment.hours) for segment in days.segments]


def test_what_nobody_logged_is_a_segment() -> None:
    """A gap between two storage periods is there as 'unlogged'."""
    days = timeline([period("open air", 0, 2), period("dry box", 5, 6)], [], [], hour(6))
    assert shape(days) == [("open air", 2.0), ("unlogged", 3.0), ("dry box", 1.0)]


def test_the_time_after_the_last_storage_period_is_unlogged() -> None:
    """From the end of the last stay on nothing is known."""
    assert shape(timeline([period("sealed bag", 0, 2)], [], [], hour(3)))[-1] == ("unlogged", 1.0)


def test_a_drying_is_taken_out_of_its_storage_period() -> None:
    """A spool taken from its box to the dryer is in the dryer, and in the box before and after."""
    days = timeline([period("dry box", 0, 10)], [drying(2, 5)], [], hour(10))
    assert shape(days) == [("dry box", 2.0), ("dryer", 3.0), ("dry box", 5.0)]


def test_a_drying_may_reach_over_two_storage_periods() -> None:
    """A drying that covers the end of one storage period and the beginning of the next shortens both."""
    days = timeline([period("open air", 0, 4), period("dry box", 4, 8)], [drying(3, 5)], [], hour(8))
    assert shape(days) == [("open air", 3.0), ("dryer", 2.0), ("dry box", 3.0)]


def test_an_open_storage_period_runs_on_and_is_flagged() -> None:
    """A storage period nobody closed is counted up to the end, and the answer says so."""
    days = timeline([period("open air", 0, None, "stay 4")], [], [], hour(7))
    assert shape(days) == [("open air", 7.0)]
    assert "stay 4 is still open" in days.flags[0]


def test_an_open_storage_period_ends_where_the_next_begins() -> None:
    """A storage period nobody closed ends with the next one, and both are named."""
    days = timeline([period("open air", 0, None, "S1"), period("dry box", 4, 5, "S2")], [], [], hour(5))
    assert shape(days) == [("open air", 4.0), ("dry box", 1.0)]
    assert days.flags == ("S1 was never closed; taken to end when S2 began.",)


def test_a_job_before_any_storage_period_begins_the_days() -> None:
    """The first job counts as the first record."""
    days = timeline([period("open air", 5, 6)], [], [JobUse(hour(1), hour(2))], hour(6))
    assert shape(days) == [("unlogged", 4.0), ("open air", 1.0)]


def test_nothing_after_the_end_is_looked_at() -> None:
    """What begins later is left out, what runs over is cut."""
    days = timeline([period("open air", 0, 9), period("dry box", 9, 12)], [drying(13, 14)], [], hour(5))
    assert shape(days) == [("open air", 5.0)]
    assert days.dryings == ()


def test_a_spool_without_records() -> None:
    """A spool of which nothing is recorded has no days."""
    days = timeline([], [], [], hour(1))
    assert (days.segments, days.began) == ((), None)


def test_overlapping_storage_periods_are_refused_by_name() -> None:
    """Two storage periods at one time are refused and both are named."""
    with pytest.raises(Refused, match=r"S1 and S2 overlap.*one place at a time"):
        timeline([period("open air", 0, 5, "S1"), period("dry box", 4, 6, "S2")], [], [], hour(6))


def test_two_open_storage_periods_from_one_moment_are_refused() -> None:
    """Two storage periods that begin together cannot close each other."""
    with pytest.raises(Refused, match="S1 and S2 overlap"):
        timeline([period("open air", 0, None, "S1"), period("dry box", 0, None, "S2")], [], [], hour(6))


def test_overlapping_dryings_are_refused_by_name() -> None:
    """Two dryings at one time are refused and both are named."""
    with pytest.raises(Refused, match="D1 and D2 overlap"):
        timeline([], [drying(0, 5), drying(4, 6, "D2")], [], hour(6))


@pytest.mark.parametrize(("began", "ended"), [(4, 6), (1, 3), (2, 4), (0, None)])
def test_drying_during_a_print_is_refused_by_name(began: float, ended: float | None) -> None:
    """A drying that ends after a print began is refused and both are named."""
    job = JobUse(hour(began), None if ended is None else hour(ended), key="J0001-X")
    with pytest.raises(Refused, match=r"D1 and J0001-X overlap.*ends at .* after the print began"):
        timeline([], [drying(2, 5)], [job], hour(9))


def test_a_long_print_is_found_behind_a_short_one() -> None:
    """The drying is compared with the print that still runs, not only the latest."""
    jobs = [JobUse(hour(0), hour(9), key="J1"), JobUse(hour(1), hour(2), key="J2")]
    with pytest.raises(Refused, match="D1 and J1 overlap"):
        timeline([], [drying(5, 6)], jobs, hour(9))


def test_drying_up_to_the_print_is_fine() -> None:
    """A drying may end in the moment the print begins."""
    assert timeline([], [drying(2, 5)], [JobUse(hour(5), hour(6))], hour(6)).jobs


@pytest.mark.parametrize(
    "event", [period("open air", 3, 1, "S1"), drying(3, 1, "S1"), JobUse(hour(3), hour(1), key="S1")]
)
def test_negative_hours_are_refused(event: StoragePeriod | Drying | JobUse) -> None:
    """A record that ends before it begins is refused with its name and the hours."""
    periods = [event] if isinstance(event, StoragePeriod) else []
    dryings = [event] if isinstance(event, Drying) else []
    jobs = [event] if isinstance(event, JobUse) else []
    with pytest.raises(Refused, match=r"S1: it ends before it begins \(-2.00 h\)"):
        timeline(periods, dryings, jobs, hour(6))


@pytest.mark.parametrize("zone", [None, timezone(timedelta(hours=2))])
def test_times_must_be_in_utc(zone: timezone | None) -> None:
    """A time without zone or in another zone is refused, not guessed."""
    began = datetime(2025, 3, 1, 12, tzinfo=zone)
    with pytest.raises(Refused, match="not in UTC"):
        timeline([StoragePeriod("open air", began, key="S1")], [], [], hour(99))


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (StoragePeriod("cellar", hour(0), key="S1"), "'cellar' is no place"),  # type: ignore[arg-type]
        (StoragePeriod("open air", hour(0), rh_pct=104.0, key="S1"), "humidity 104 %"),
        (StoragePeriod("open air", hour(0), rh_pct=-1.0, key="S1"), "humidity -1 %"),
        (StoragePeriod("open air", hour(0), temperature_c=293.0, key="S1"), "temperature 293 °C"),
        (StoragePeriod("open air", hour(0), rh_pct=50.0, rh_low_pct=55.0, key="S1"), "least, mean, greatest"),
    ],
)
def test_impossible_readings_are_refused(wrong: StoragePeriod, words: str) -> None:
    """A reading that cannot be is refused with the record's name."""
    with pytest.raises(Refused, match=f"S1.*{words}"):
        timeline([wrong], [], [], hour(1))


def test_an_impossible_mass_is_refused() -> None:
    """A negative weighing is refused."""
    with pytest.raises(Refused, match="mass -3 g"):
        timeline([], [Drying(hour(0), hour(1), 80.0, before_g=-3.0, key="D1")], [], hour(1))


def test_records_without_a_key_are_named_by_their_beginning() -> None:
    """A record that the caller gave no key is still named."""
    with pytest.raises(Refused, match="storage in open air from 2025-03-01 00:00 and storage in dry box"):
        timeline([period("open air", 0, 5, ""), period("dry box", 4, 6, "")], [], [], hour(6))


@given(st.lists(st.tuples(st.sampled_from(["stay", "drying", "gap"]), st.integers(1, 50)), max_size=30))
def test_segments_tile_the_days(plan: list[tuple[str, int]]) -> None:
    """Whatever was recorded, the segments follow each other without gap or overlap up to the end."""
    at, periods, dryings = 0, [], []
    for kind, length in plan:
        if kind == "stay":
            periods.append(period("open air", at, at + length))
        elif kind == "drying":
            dryings.append(drying(at, at + length))
        at += length
    days = timeline(periods, dryings, [], hour(at + 1))
    edges = [(s.began, s.ended) for s in days.segments]
    assert all(a[1] == b[0] for a, b in pairwise(edges))
    assert not edges or edges[-1][1] == hour(at + 1)


def plainly(periods: list[StoragePeriod], dryings: list[Drying], jobs: list[JobUse], until: int) -> list[str]:
    """Return the place of each hour: what one record alone claims; unlogged where none or two do."""
    found = []
    for at in range(until):
        kept = [each for each in periods if each.began <= hour(at) < (each.ended or hour(until))]
        dried = [each for each in dryings if each.began <= hour(at) < each.ended]
        printed = [each for each in jobs if each.began <= hour(at) < (each.ended or hour(until))]
        alone = len(kept) < 2 and len(dried) < 2 and not (dried and printed)
        place = "dryer" if dried else kept[0].place if kept else "unlogged"
        found.append(place if alone else "unlogged")
    return found


_SPANS = st.lists(st.tuples(st.integers(0, 20), st.integers(1, 9)), max_size=4)


@settings(max_examples=60)
@given(_SPANS, _SPANS, _SPANS, st.integers(1, 26))
def test_every_hour_is_where_one_record_alone_puts_it(
    periods: list[tuple[int, int]], dryings: list[tuple[int, int]], jobs: list[tuple[int, int]], until: int
) -> None:
    """Whatever overlaps whatever: asked of each hour by itself, the answer is the same."""
    places: tuple[Place, ...] = ("open air", "dry box", "sealed bag", "printer")
    kept = [period(places[at], began, began + long) for at, (began, long) in enumerate(periods)]
    dried = [drying(began, began + long, f"D{at}") for at, (began, long) in enumerate(dryings)]
    used = [JobUse(hour(began), hour(began + long), f"J{at}") for at, (began, long) in enumerate(jobs)]
    days = timeline(kept, dried, used, hour(until), settle=True)
    first = min((began for began, _ in (*periods, *dryings, *jobs)), default=until)

    hours = [segment.place for segment in days.segments for _ in range(round(segment.hours))]
    assert hours == plainly(kept, dried, used, until)[first:]


def test_records_that_contradict_each_other_all_the_time_leave_days_of_which_nothing_is_known() -> None:
    """The spool was there: its days begin with the first of them, unlogged."""
    days = timeline(
        [period("open air", 1, 3, "A"), period("dry box", 1, 3, "B")], [], [], hour(4), settle=True
    )

    assert (days.began, shape(days)) == (hour(1), [("unlogged", 3.0)])


def test_a_conflict_lasts_as_long_as_both_claim_the_spool() -> None:
    """From where the second begins to where the first of them ends, with both by name."""
    cases: list[tuple[list[StoragePeriod], list[Drying], list[JobUse], tuple[str, str, float, float]]] = [
        ([period("open air", 0, 5, "A"), period("dry box", 3, 9, "B")], [], [], ("A", "B", 3, 5)),
        ([period("open air", 0, 9, "A"), period("dry box", 3, 5, "B")], [], [], ("A", "B", 3, 5)),
        ([], [drying(1, 6, "D1"), drying(4, 5, "D2")], [], ("D1", "D2", 4, 5)),
        ([], [drying(1, 6, "D1")], [JobUse(hour(4), hour(9), "J1")], ("D1", "J1", 4, 6)),
        ([], [drying(1, 6, "D1")], [JobUse(hour(4), hour(5), "J1")], ("D1", "J1", 4, 5)),
        ([], [drying(5, 6, "D1")], [JobUse(hour(4), None, "J1")], ("D1", "J1", 5, 6)),
        ([], [drying(5, 9, "D1")], [JobUse(hour(4), hour(7), "J1")], ("D1", "J1", 5, 7)),
    ]
    for periods, dryings, jobs, told in cases:
        (found,) = timeline(periods, dryings, jobs, hour(10), settle=True).conflicts
        first, second, began, ended = told
        assert (found.first.name, found.second.name, found.began, found.ended) == (
            first, second, hour(began), hour(ended),
        )  # fmt: skip


def test_what_only_touches_does_not_contradict() -> None:
    """One ends in the moment in which the other begins."""
    periods = [period("open air", 0, 2), period("dry box", 2, 4), period("open air", 6, 8)]
    days = timeline(periods, [drying(4, 6, "D1"), drying(8, 9, "D2")], [JobUse(hour(6), hour(8))], hour(9))

    assert shape(days) == [
        ("open air", 2.0), ("dry box", 2.0), ("dryer", 2.0), ("open air", 2.0), ("dryer", 1.0),
    ]  # fmt: skip


def test_the_longest_of_several_jobs_and_dryings_is_held_against() -> None:
    """A short one in between does not hide the long one that still runs."""
    jobs = [JobUse(hour(0), hour(9), "long"), JobUse(hour(1), hour(2), "short")]
    (found,) = timeline([], [drying(5, 6, "D1")], jobs, hour(10), settle=True).conflicts
    assert found.second.name == "long"
    dryings = [drying(0, 9, "long"), drying(1, 2, "short")]
    found = timeline([], dryings, [JobUse(hour(5), hour(6), "J1")], hour(10), settle=True).conflicts[-1]
    assert (found.first.name, found.began, found.ended) == ("long", hour(5), hour(6))


def test_segments_up_to_a_moment_are_cut_there() -> None:
    """Those that begin at it are not among them."""
    days = timeline([period("open air", 0, 2), period("dry box", 2, 6)], [drying(6, 8)], [], hour(8))

    def until(at: float) -> list[tuple[str, float]]:
        return [(each.place, each.hours) for each in days.until_moment(hour(at))]

    assert until(2) == [("open air", 2.0)]
    assert until(3) == [("open air", 2.0), ("dry box", 1.0)]
    assert until(8) == [("open air", 2.0), ("dry box", 4.0), ("dryer", 2.0)]
    assert until(0) == []


def test_the_last_drying_is_the_latest_that_had_begun() -> None:
    """At its very beginning it has not."""
    days = timeline([], [drying(1, 2, "D1"), drying(4, 5, "D2")], [], hour(9))
    found = [days.last_drying(hour(at)) for at in (1, 1.5, 4, 4.5)]

    assert [None if each is None else each.key for each in found] == [None, "D1", "D1", "D2"]
    assert [each.key for each in timeline([], days.dryings, [], hour(4)).dryings] == ["D1"]


def test_days_begin_with_the_reception_or_with_the_first_record() -> None:
    """A spool that came before its first record has days from then on, unlogged."""
    job = JobUse(hour(3), hour(4))
    came = timeline([period("open air", 5, 6)], [], [job], hour(6), received=hour(1))
    bare = timeline([period("open air", 5, 6)], [], [job], hour(6))

    assert (came.began, came.received, shape(came)[0]) == (hour(1), True, ("unlogged", 4.0))
    assert (bare.began, bare.received, shape(bare)[0]) == (hour(3), False, ("unlogged", 2.0))
    assert timeline([], [], [], hour(6)).began is None
    assert [each.began for each in timeline([], [], [job, JobUse(hour(6))], hour(6)).jobs] == [hour(3)]


def test_moments_outside_the_days_are_refused() -> None:
    """The end itself is covered; later is not, nor a time that no zone belongs to."""
    days = timeline([period("open air", 0, 2)], [], [], hour(2))
    days.known_until(hour(2))
    for wrong in (hour(2.001), hour(1).replace(tzinfo=None)):
        with pytest.raises(Refused, match="the timeline ends at 2025-03-01T02:00:00"):
            days.known_until(wrong)


@pytest.mark.parametrize(
    ("right", "wrong", "said"),
    [
        ({"rh_pct": 0.0}, {"rh_pct": -0.1}, "humidity -0.1 %"),
        ({"rh_pct": 100.0}, {"rh_pct": 100.1}, "humidity 100.1 %"),
        ({"rh_low_pct": 0.0}, {"rh_low_pct": -0.1}, "humidity -0.1 %"),
        ({"rh_high_pct": 100.0}, {"rh_high_pct": 100.1}, "humidity 100.1 %"),
        ({"temperature_c": -40.0}, {"temperature_c": -40.1}, "temperature -40.1 °C"),
        ({"temperature_c": 200.0}, {"temperature_c": 200.1}, "temperature 200.1 °C"),
        (
            {"rh_low_pct": 40.0, "rh_pct": 40.0},
            {"rh_low_pct": 40.1, "rh_pct": 40.0},
            "40.1, 40 % are not",
        ),
        ({"rh_pct": 40.0, "rh_high_pct": 40.0}, {"rh_pct": 40.1, "rh_high_pct": 40.0}, "40.1, 40 % are not"),
    ],
)
def test_readings_of_a_stay_may_be_up_to_their_bounds(
    right: dict[str, float], wrong: dict[str, float], said: str
) -> None:
    """At the bound it is taken, a tenth beyond refused with the figure."""
    check_event(StoragePeriod("open air", hour(0), hour(0), **right))
    with pytest.raises(Refused, match=said):
        check_event(StoragePeriod("open air", hour(0), hour(1), **wrong))


@pytest.mark.parametrize(
    ("right", "wrong", "said"),
    [
        ({"room_rh_pct": 100.0, "dryer_rh_pct": 0.0}, {"room_rh_pct": 101.0}, "humidity 101 %"),
        ({"dryer_rh_pct": 100.0}, {"dryer_rh_pct": 101.0}, "humidity 101 %"),
        ({"set_c": 200.0}, {"set_c": 201.0}, "temperature 201 °C"),
        ({"measured_c": 200.0}, {"measured_c": 201.0}, "temperature 201 °C"),
        ({"room_c": -40.0}, {"room_c": -41.0}, "temperature -41 °C"),
        ({"before_g": 0.0}, {"before_g": -0.5}, "mass -0.5 g"),
        ({"after_g": 0.0}, {"after_g": -0.5}, "mass -0.5 g"),
        ({"empty_g": 0.0}, {"empty_g": float("nan")}, "mass nan g"),
    ],
)
def test_readings_of_a_drying_may_be_up_to_their_bounds(
    right: dict[str, float], wrong: dict[str, float], said: str
) -> None:
    """Each of them is looked at, and its drying is named."""
    check_event(Drying(hour(0), hour(0), **{"set_c": 80.0, **right}))
    with pytest.raises(Refused, match=f"drying from 2025-03-01 00:00.*{said}"):
        check_event(Drying(hour(0), hour(1), **{"set_c": 80.0, **wrong}))
    with pytest.raises(Refused, match=r"job from 2025-03-01 00:00.*mass -1 g"):
        check_event(JobUse(hour(0), mass_g=-1.0))


@pytest.mark.parametrize(
    ("logged", "humidity"),
    [
        ((None, None, None), None),
        ((50.0, None, None), (50.0, 50.0, 50.0)),
        ((None, 40.0, 60.0), (40.0, 50.0, 60.0)),
        ((52.0, 40.0, 60.0), (40.0, 52.0, 60.0)),
        ((52.0, 40.0, None), (40.0, 52.0, 52.0)),
        ((None, None, 60.0), (60.0, 60.0, 60.0)),
        ((0.0, None, 60.0), (0.0, 0.0, 60.0)),
    ],
)
def test_a_humidity_is_as_far_as_it_was_logged(
    logged: tuple[float | None, float | None, float | None], humidity: tuple[float, float, float] | None
) -> None:
    """Least, middle, greatest: of the extremes alone the middle, of one figure that one."""
    assert StoragePeriod("open air", hour(0), None, 23.0, *logged).humidity == humidity


def test_a_segment_names_the_record_it_comes_from() -> None:
    """A stay, a drying, or none where nobody logged."""
    days = timeline([period("open air", 0, 2, "S1")], [drying(2, 3)], [], hour(4))

    assert [(each.place, each.key) for each in days.segments] == [
        ("open air", "S1"), ("dryer", "D1"), ("unlogged", None),
    ]  # fmt: skip
    assert Drying(hour(0), hour(1), 80.0, measured_c=0.0).temperature_c == 0.0


def test_what_was_told_of_a_spool_is_not_changed_afterwards() -> None:
    """Its days are shared by all that is computed of them."""
    modules = ("days", "families", "runs", "statement", "water", "weighing")
    kinds = [
        kind
        for module in map(import_module, (f"tracker.exposure.{name}" for name in modules))
        for kind in vars(module).values()
        if isinstance(kind, type)
        and is_dataclass(kind)
        and kind.__module__ == module.__name__
        # What is worked with step by step has to change.
        and kind.__name__ not in ("_Climates", "_Spools")
    ]

    assert len(kinds) > 15
    for kind in kinds:
        with pytest.raises(FrozenInstanceError):
            setattr(object.__new__(kind), fields(kind)[0].name, None)


@pytest.mark.parametrize("moment", [0, 3, 5])
def test_an_open_stay_is_told_to_be_open_until_the_end_of_the_days(moment: float) -> None:
    """With the end as people at the bench read it; one that would begin afterwards has no length."""
    days = timeline([period("open air", 3, None, "S1")], [], [], hour(moment))

    assert days.flags == (f"S1 is still open; counted up to 2025-03-01 0{moment}:00 UTC.",)
    assert sum(each.hours for each in days.segments) == max(0, moment - 3)
