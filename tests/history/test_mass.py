"""What is left on a spool, on both databases."""

from __future__ import annotations

from typing import Any

import pytest

from tests.desk.bench import WHO, a_job, a_material, a_spool, at, row_of, weigh_spool
from tracker.book import Book
from tracker.desk.dryings import start_drying
from tracker.desk.merging import wind_spool
from tracker.errors import Refused
from tracker.history import MassLeft, grams_of, many_spool_days, mass_left
from tracker.kinds import find
from tracker.model import Job, JobSpool

NOON = at("2026-03-02 12:00")


def left(book: Book, spool: str) -> MassLeft:
    """Return what is left at noon."""
    with book.read() as session:
        return mass_left(session, find(book, session, spool, "spool"), NOON, book.zone)


def spool_of(book: Book, **masses: Any) -> str:
    """Enter a spool with masses."""
    a_material(book)
    return a_spool(book, received_on="2026-03-01", **masses)


def used(book: Book, spool: str, grams: float | None, started: str) -> None:
    """Enter a job that took filament."""
    job = a_job(book, spools=(spool,), started_at=started)
    with book.act("test", WHO) as act:
        act.session.get_one(Job, row_of(book, job.id).id).filament_g = grams


def test_of_a_spool_without_masses_nothing_is_known(book: Book) -> None:
    """Not recorded, not zero."""
    assert left(book, spool_of(book)) == MassLeft()


def test_before_any_weighing_the_label_counts(book: Book) -> None:
    """Within two per cent."""
    found = left(book, spool_of(book, net_g=1000))
    assert (found.left_g, found.u_g, found.how) == (1000, 20, "net mass on the label")


def test_jobs_take_from_the_label(book: Book) -> None:
    """Two jobs of 30 and 50 g."""
    spool = spool_of(book, net_g=1000)
    used(book, spool, 30, "2026-03-02 06:00")
    used(book, spool, 50, "2026-03-02 07:00")
    found = left(book, spool)
    assert [grams for _, grams in found.points] == [1000, 970, 920]
    assert found.how == "net mass on the label, less jobs since"


def test_a_weighing_is_taken_before_what_was_reckoned(book: Book) -> None:
    """It was 905 g and not 920."""
    spool = spool_of(book, net_g=1000, empty_g=200)
    used(book, spool, 80, "2026-03-02 06:00")
    weigh_spool(book, WHO, spool, {"mass_g": 1105, "at": "2026-03-02 07:00"})
    found = left(book, spool)
    assert (found.left_g, found.u_g) == (905, 0)


def test_a_job_before_the_weighing_is_not_taken_twice(book: Book) -> None:
    """Order of time, not of entry."""
    spool = spool_of(book, net_g=1000, empty_g=200)
    weigh_spool(book, WHO, spool, {"mass_g": 1105, "at": "2026-03-02 07:00"})
    used(book, spool, 80, "2026-03-02 06:00")
    assert left(book, spool).left_g == 905


def test_weighings_of_a_drying_count(book: Book) -> None:
    """After it the spool had 796 g."""
    spool = spool_of(book, net_g=1000, empty_g=200)
    cycle = {"set_c": 80, "began_at": "2026-03-01 20:00", "ended_at": "2026-03-02 02:00"}
    start_drying(book, WHO, [spool], cycle, before=["1000"], after=["996"])
    assert left(book, spool).left_g == 796


def test_without_the_empty_reel_gross_less_net_is_taken(book: Book) -> None:
    """As sure as the label."""
    spool = spool_of(book, net_g=1000, gross_g=1250)
    weigh_spool(book, WHO, spool, {"mass_g": 750, "at": "2026-03-02 07:00"})
    found = left(book, spool)
    assert (found.left_g, found.u_g) == (500, 20)
    assert "gross less net" in found.how


def test_a_weighing_without_any_reel_mass_says_nothing(book: Book) -> None:
    """Filament and reel cannot be told apart."""
    spool = spool_of(book)
    weigh_spool(book, WHO, spool, {"mass_g": 750, "at": "2026-03-02 07:00"})
    assert left(book, spool).left_g is None


def test_a_job_of_unknown_mass_is_named(book: Book) -> None:
    """The number stands, with a word."""
    spool = spool_of(book, net_g=1000)
    used(book, spool, None, "2026-03-02 06:00")
    assert left(book, spool).how.endswith("less a job of unknown mass")


def test_a_job_that_took_nothing_takes_nothing(book: Book) -> None:
    """Zero is a mass that is known."""
    spool = spool_of(book, net_g=1000)
    used(book, spool, 0, "2026-03-02 06:00")
    assert (left(book, spool).left_g, left(book, spool).how) == (
        1000,
        "net mass on the label, less jobs since",
    )


def test_a_spool_never_holds_less_than_nothing(book: Book) -> None:
    """Jobs that took more than there was leave zero."""
    spool = spool_of(book, net_g=10)
    used(book, spool, 30, "2026-03-02 06:00")
    assert left(book, spool).left_g == 0


def test_days_of_many_spools_are_those_of_each(book: Book) -> None:
    """Read together or alone."""
    spools = [spool_of(book, net_g=1000), a_spool(book)]
    for spool in spools:
        a_job(book, spools=(spool,), started_at="2026-03-02 06:00")
    numbers = [row_of(book, spool).id for spool in spools]
    with book.read() as session:
        found = many_spool_days(session, dict.fromkeys(numbers, NOON))
    told = [found[number] for number in numbers]
    assert [each.spool for each in told if not isinstance(each, Refused)] == spools


def test_no_spools_have_no_days(book: Book) -> None:
    """Nothing is asked."""
    with book.read() as session:
        assert many_spool_days(session, {}) == {}


@pytest.mark.parametrize("late", ["2026-03-02 13:00"])
def test_what_comes_later_does_not_count(book: Book, late: str, clock: Any) -> None:
    """A job after noon takes nothing before it."""
    clock.forward(hours=8)
    spool = spool_of(book, net_g=1000)
    used(book, spool, 30, late)
    assert left(book, spool).left_g == 1000


def test_gross_less_empty_is_as_good_as_the_label(book: Book) -> None:
    """1250 g on the shelf with a reel of 250 g hold 1000 g."""
    assert left(book, spool_of(book, gross_g=1250, empty_g=250)).left_g == 1000


def test_gross_alone_tells_nothing(book: Book) -> None:
    """Without the reel's mass filament and reel cannot be told apart."""
    assert left(book, spool_of(book, gross_g=1250)).left_g is None


def test_a_weighing_before_a_drying_counts_from_its_beginning(book: Book) -> None:
    """The drying still runs: 1000 g with a reel of 200 g are 800 g."""
    spool = spool_of(book, net_g=900, empty_g=200)
    start_drying(book, WHO, [spool], {"set_c": 80, "began_at": "2026-03-01 20:00"}, before=["1000"])
    assert left(book, spool).points[-1] == (at("2026-03-01 20:00"), 800)


def test_a_job_after_the_weighing_takes_from_it(book: Book) -> None:
    """905 g less 80 g."""
    spool = spool_of(book, net_g=1000, empty_g=200)
    weigh_spool(book, WHO, spool, {"mass_g": 1105, "at": "2026-03-02 06:00"})
    used(book, spool, 80, "2026-03-02 07:00")
    assert left(book, spool).left_g == 825


def test_the_label_of_a_spool_received_nobody_knows_when_stands_before_all(book: Book) -> None:
    """What jobs took is taken from it."""
    a_material(book)
    spool = a_spool(book, net_g=1000)
    used(book, spool, 30, "2026-03-02 06:00")
    assert [grams for _, grams in left(book, spool).points] == [1000, 970]


def test_the_curve_of_what_is_left_ends_at_nothing(book: Book) -> None:
    """Not below it, and not above."""
    spool = spool_of(book, net_g=10)
    used(book, spool, 30, "2026-03-02 06:00")
    assert [grams for _, grams in left(book, spool).points] == [10, 0]


def test_what_each_of_two_spools_gave_is_not_guessed(book: Book) -> None:
    """A job of 80 g from two spools of which no piece is told: neither has lost 80 g, and it is said."""
    spools = [spool_of(book, net_g=1000), a_spool(book, received_on="2026-03-01", net_g=1000)]
    job = a_job(book, spools=tuple(spools), started_at="2026-03-02 06:00")
    with book.act("test", WHO) as act:
        act.session.get_one(Job, row_of(book, job.id).id).filament_g = 80
    for spool in spools:
        found = left(book, spool)
        assert (found.left_g, found.how) == (1000, "net mass on the label, less a job of unknown mass")


def test_two_spools_wound_onto_other_reels_have_the_days_of_their_own(book: Book) -> None:
    """Each new reel goes on with the drying of the spool that it was wound from, and with no other's."""
    news = []
    for old in (spool_of(book, net_g=1000), a_spool(book, received_on="2026-03-01", net_g=1000)):
        start_drying(
            book, WHO, [old], {"set_c": 70, "began_at": "2026-03-01 08:00", "ended_at": "2026-03-01 14:00"}
        )
        news.append(wind_spool(book, WHO, old, {"wound_at": "2026-03-02 07:00"}).id)
    numbers = [row_of(book, new).id for new in news]
    with book.read() as session:
        found = many_spool_days(session, dict.fromkeys(numbers, NOON))
    days = [found[number] for number in numbers]
    assert [[each.key for each in one.timeline.dryings] for one in days if not isinstance(one, Refused)] == [
        ["D0001-Q"],
        ["D0002-O"],
    ]


@pytest.mark.parametrize(
    ("masses", "said"),
    [
        ({}, "Left: not known (neither weighed nor a net mass recorded)."),
        ({"net_g": 1000}, "Left: 1000.0 ± 20 g (net mass on the label)."),
    ],
)
def test_what_is_left_in_words(book: Book, masses: dict[str, Any], said: str) -> None:
    """With how far it may be off, as far as that is known."""
    spool = spool_of(book, **masses)
    assert left(book, spool).sentence == said


def test_a_weighing_less_a_known_reel_has_no_doubt_to_tell(book: Book) -> None:
    """To what the scales show; the day of the weighing is the bench's."""
    spool = spool_of(book, net_g=1000, empty_g=200)
    weigh_spool(book, WHO, spool, {"mass_g": 1105, "at": "2026-03-02 05:00"})
    used(book, spool, 30, "2026-03-02 06:00")
    used(book, spool, None, "2026-03-02 06:30")
    used(book, spool, None, "2026-03-02 07:00")

    assert left(book, spool).sentence == (
        "Left: 875.0 g (weighed 2026-03-02, less the empty reel, less jobs since, "
        "less a job of unknown mass)."
    )


def test_a_reel_that_was_wound_onto_another_is_empty(book: Book) -> None:
    """From then on; and what jobs took afterwards it did not give."""
    spool = spool_of(book, net_g=1000)
    wind_spool(book, WHO, spool, {"wound_at": "2026-03-02 07:00"})
    found = left(book, spool)

    assert (found.left_g, found.u_g, found.how) == (0, 0, "wound onto another reel 2026-03-02")
    assert [grams for _, grams in found.points] == [1000, 0]


def link_of(book: Book, *, entered: float | None = None, several: bool = True, **how: Any) -> float | None:
    """Return what a job of 80 g took from its first spool; its three pieces are of 10, 20 and 30 g."""
    spools = [spool_of(book, net_g=1000), *([a_spool(book)] if several else [])]
    number = row_of(book, a_job(book, spools=tuple(spools), started_at="2026-03-02 06:00").id).id
    with book.act("test", WHO) as act:
        job = act.session.get_one(Job, number)
        job.filament_g = 80
        for piece in job.specimens:
            piece.filament_g = how.get("pieces_g", {1: 10.0, 2: 20.0, 3: 30.0})[piece.piece]
        link = act.session.get_one(JobSpool, (number, row_of(book, spools[0]).id))
        link.filament_g, link.pieces, link.from_layer = entered, how.get("pieces"), how.get("from_layer")
    with book.read() as session:
        return grams_of(session.get_one(JobSpool, (number, link.spool_id)))


@pytest.mark.parametrize(
    ("how", "grams"),
    [
        ({"entered": 12.5, "pieces": [1, 3]}, 12.5),
        ({"entered": 0.0}, 0.0),
        ({"several": False}, 80.0),
        ({"pieces": [1, 3]}, 40.0),
        ({"pieces": [2]}, 20.0),
        ({"pieces": [9]}, None),
        ({}, None),
        ({"pieces": [1, 3], "from_layer": 8}, None),
        ({"pieces": [1, 3], "pieces_g": {1: 10.0, 2: 20.0, 3: None}}, None),
    ],
)
@pytest.mark.one_database("reads the same columns on both")
def test_what_a_job_took_from_one_of_its_spools(book: Book, how: dict[str, Any], grams: float | None) -> None:
    """What was entered; all of it from an only spool; of certain pieces what these hold; else not known."""
    assert link_of(book, **how) == grams


def test_pieces_of_their_own_spool_are_taken_from_it(book: Book) -> None:
    """The curve of each spool knows them: 10 g and 20 g of 1000 g."""
    link_of(book, pieces=[1, 2])
    assert left(book, "S0001-R").left_g == 970
