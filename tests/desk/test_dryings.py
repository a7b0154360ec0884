"""Dryings: started, ended, weighed; too hot is asked about."""

from __future__ import annotations

from typing import Any

import pytest

from tests.conftest import BenchClock
from tests.desk.bench import WHO, a_material, a_spool, entries, row_of
from tracker.book import Book
from tracker.cautions import DRYING
from tracker.desk.doubts import Doubt
from tracker.desk.dryings import end_drying, start_drying
from tracker.forms import FormError
from tracker.kinds import WrongKindError


@pytest.fixture
def spool(book: Book) -> str:
    """Give a spool of a material that stands 85 °C."""
    a_material(book)
    return a_spool(book)


def dry(book: Book, *spools: str, **more: Any) -> Any:
    """Start a drying at 80 °C."""
    typed = {"set_c": 80, **more.pop("typed", {})}
    return start_drying(book, WHO, spools, typed, **more)


def test_a_drying_begins_now_unless_given_otherwise(book: Book, spool: str, clock: BenchClock) -> None:
    """No time typed is this moment."""
    row = row_of(book, dry(book, spool).id)
    assert abs((row.began_at - clock.at).total_seconds()) < 10


def test_the_usual_caution_is_shown(book: Book, spool: str) -> None:
    """Hot plastic in an oven is dangerous, and the person is told each time."""
    assert DRYING in dry(book, spool).notes


@pytest.mark.parametrize("typed", [{"set_c": 90}, {"set_c": 80, "measured_c": 86}, {"set_c": "200 °F"}])
def test_hotter_than_the_material_stands_is_asked_about(
    book: Book, spool: str, typed: dict[str, Any]
) -> None:
    """Set or measured: what is too hot is too hot."""
    before = entries(book)
    with pytest.raises(Doubt, match=r"hotter than Nordlicht ASA withstands \(85 °C\)"):
        dry(book, spool, typed=typed)
    assert entries(book) == before


def test_too_hot_is_done_when_it_is_meant(book: Book, spool: str) -> None:
    """The person knows the oven better than we do."""
    assert row_of(book, dry(book, spool, typed={"set_c": 90}, sure=True).id).set_c == 90.0


def test_a_material_without_a_limit_raises_no_doubt(book: Book) -> None:
    """What is not known cannot be exceeded."""
    a_material(book, drying_max_c=None)
    assert dry(book, a_spool(book), typed={"set_c": 120}).id


def test_one_spool_too_tender_is_enough_for_a_doubt(book: Book, spool: str) -> None:
    """The most tender material in the oven counts."""
    a_material(book, "Tuff PA", drying_max_c=110)
    with pytest.raises(Doubt, match="Nordlicht ASA"):
        dry(book, a_spool(book, "Tuff PA"), spool, typed={"set_c": 100})


def test_what_was_lost_is_reported(book: Book, spool: str) -> None:
    """Before minus after, in grams."""
    done = dry(book, spool, before=["1236.4"], after=["1229.9 g"])
    assert f"{spool} lost 6.5 g." in done.notes


def test_a_gain_is_reported_and_not_clipped(book: Book, spool: str) -> None:
    """A spool that got heavier points to a mistake at the scales, not to zero loss."""
    done = dry(book, spool, before=["1229.9"], after=["1236.4"])
    assert f"{spool} GAINED (check the weighings) 6.5 g." in done.notes


def test_masses_go_with_spools_in_their_order(book: Book, spool: str) -> None:
    """The first mass is the first spool's."""
    other = a_spool(book)
    row = row_of(book, dry(book, other, spool, before=["200", "100"]).id)
    assert {each.spool_id: each.before_g for each in row.spools} == {1: 100.0, 2: 200.0}


def test_one_mass_for_two_spools_is_refused(book: Book, spool: str) -> None:
    """No mass is guessed for a spool."""
    with pytest.raises(FormError, match="1 masses before for 2 spools"):
        dry(book, spool, a_spool(book), before=["200"])


@pytest.mark.parametrize("mass", ["0", "-3 g"])
def test_a_mass_of_nothing_is_refused(book: Book, spool: str, mass: str) -> None:
    """A spool on the scales weighs something."""
    with pytest.raises(FormError, match="above zero"):
        dry(book, spool, before=[mass])


def test_a_spool_named_twice_is_refused(book: Book, spool: str) -> None:
    """One spool is in the oven once."""
    with pytest.raises(FormError, match="named twice"):
        dry(book, spool, spool)


def test_only_spools_are_dried(book: Book, spool: str) -> None:
    """A drying is not dried."""
    with pytest.raises(WrongKindError, match="is a drying"):
        dry(book, dry(book, spool).id)


def test_ending_takes_the_moment_and_the_masses(book: Book, spool: str, clock: BenchClock) -> None:
    """Out of the oven now, weighed at once."""
    started = dry(book, spool, before=["1236.4"])
    clock.forward(hours=6)
    done = end_drying(book, WHO, started.id, {"measured_c": 76.5}, ["1229.9"])
    row = row_of(book, started.id)
    assert (row.measured_c, abs((row.ended_at - clock.at).total_seconds()) < 10) == (76.5, True)
    assert done.notes == [f"{spool} lost 6.5 g."]


def test_ending_leaves_what_was_entered_before(book: Book, spool: str) -> None:
    """What is not said again stays."""
    started = dry(book, spool, before=["1236.4"], typed={"planned_h": 6})
    end_drying(book, WHO, started.id, {})
    row = row_of(book, started.id)
    assert (row.planned_h, row.set_c, row.spools[0].before_g) == (6.0, 80.0, 1236.4)


def test_a_drying_that_ends_before_it_began_is_refused(book: Book, spool: str) -> None:
    """The end comes after the beginning."""
    started = dry(book, spool)
    with pytest.raises(FormError, match="before it began"):
        end_drying(book, WHO, started.id, {"ended_at": "2026-03-01 08:00"})


def test_a_drying_entered_afterwards_has_both_ends(book: Book, spool: str, clock: BenchClock) -> None:
    """A cycle may be entered when it is over."""
    clock.forward(days=1)
    times = {"began_at": "2026-03-02 10:00", "ended_at": "2026-03-02 16:00"}
    row = row_of(book, dry(book, spool, typed=times).id)
    assert (row.ended_at - row.began_at).total_seconds() == 6 * 3600


def test_now_is_not_taken_for_the_end_of_a_drying_long_over(book: Book, spool: str) -> None:
    """Six hours were meant, a day went by: the end is named, and asked about where it is far beyond."""
    started = start_drying(
        book, WHO, [spool], {"began_at": "2026-03-01 06:00", "set_c": "70", "planned_h": "6"}, sure=True
    )
    with pytest.raises(FormError, match="was to take 6 h: when did it end"):
        end_drying(book, WHO, started.id, {}, sure=True)
    with pytest.raises(Doubt, match="ended 20 h after it began; the plan says 6 h"):
        end_drying(book, WHO, started.id, {"ended_at": "2026-03-02 02:00"})
    end_drying(book, WHO, started.id, {"ended_at": "2026-03-01 12:30"})
