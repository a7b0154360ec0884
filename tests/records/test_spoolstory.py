"""The story of a spool: its days, what is left, its water; in words, as JSON, as a picture."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.conftest import BenchClock, begun_with
from tests.desk.bench import WHO, a_job, a_material, a_spool, at, weigh_spool
from tracker.book import Book
from tracker.desk.dryings import start_drying
from tracker.desk.entering import keep_spool
from tracker.errors import Refused
from tracker.records import SpoolStory, spool_story


def _told(book: Book) -> SpoolStory:
    a_material(book, family="ASA")
    spool = a_spool(book, received_on="2026-02-01", net_g=1000, empty_g=200, diameter_mm=1.75)
    start_drying(
        book, WHO, [spool], {"set_c": 80, "began_at": "2026-03-01 20:00", "ended_at": "2026-03-02 02:00"}
    )
    keep_spool(
        book,
        WHO,
        spool,
        {"place": "open air", "rh_pct": 50, "began_at": "2026-03-02 02:00", "ended_at": "2026-03-02 04:00"},
    )
    weigh_spool(book, WHO, spool, {"mass_g": 1105, "at": "2026-03-02 03:00"})
    return spool_story(book, spool)


def _unknown(book: Book) -> SpoolStory:
    a_material(book)
    return spool_story(book, a_spool(book))


book_place = begun_with(told=_told, unknown=_unknown)


@pytest.fixture
def told(book: Book, begun: dict[str, Any]) -> SpoolStory:
    """Tell of a spool of 1000 g that was dried, lay in open air for two hours, and was then lost sight of."""
    del book
    story: SpoolStory = begun["told"]
    return story


@pytest.fixture
def unknown(book: Book, begun: dict[str, Any]) -> SpoolStory:
    """Tell of a spool of which nothing is recorded."""
    del book
    story: SpoolStory = begun["unknown"]
    return story


def test_the_json_says_what_is_left_and_how_it_is_known(told: SpoolStory) -> None:
    """Each point with its moment in UTC."""
    data = told.as_json()
    assert data["mass_left"] == [
        {"at": "2026-02-01T00:00:00+00:00", "g": 1000},
        {"at": "2026-03-02T03:00:00+00:00", "g": 905},
    ]
    assert (data["left_g"], data["left_u_g"]) == (905, 0)
    assert data["left_how"] == "weighed 2026-03-02, less the empty reel"


def test_the_json_says_where_the_spool_was(told: SpoolStory) -> None:
    """From its reception to now, without a gap: nobody logged the month before its drying."""
    days = told.as_json()["days"]
    assert [each["place"] for each in days] == ["unlogged", "dryer", "open air", "unlogged"]
    assert [each["ended"] for each in days[:-1]] == [each["began"] for each in days[1:]]
    assert days[0]["began"] == "2026-02-01T00:00:00+00:00"
    assert days[1]["began"] == "2026-03-01T20:00:00+00:00"


def test_the_json_says_the_water_with_its_bounds_and_what_it_rests_on(told: SpoolStory) -> None:
    """Two hours of open air since the drying, then four of which nothing is known."""
    water = json.loads(json.dumps(told.as_json()))["water"]
    assert water["low_pct"] < water["pct"] < water["high_pct"]
    assert (water["since"], water["open_air_h"]) == ("D0001-Q", 2)
    assert water["unlogged_h"] == pytest.approx(4, abs=0.01)
    assert told.water is not None
    assert (water["grade"], water["statement"]) == (told.water.grade, told.water.sentence)
    assert water["assumed"] == list(told.water.sentences)


def test_nothing_recorded_gives_no_water_and_no_days(unknown: SpoolStory) -> None:
    """Not zero: null."""
    data = unknown.as_json()
    assert (data["water"], data["days"], data["left_g"], data["left_u_g"]) == (None, [], None, None)


def test_the_curve_begins_with_the_days_at_what_was_left_before(told: SpoolStory) -> None:
    """The label's kilogram is at the day of reception, with which the days begin."""
    assert list(told.points) == [(at("2026-02-01 00:00"), 1000), (at("2026-03-02 03:00"), 905)]


def test_a_point_at_the_very_beginning_stands_once(book: Book) -> None:
    """A weighing as the days begin is the curve's first point."""
    a_material(book)
    spool = a_spool(book, empty_g=200)
    keep_spool(book, WHO, spool, {"place": "open air", "began_at": "2026-03-02 02:00"})
    weigh_spool(book, WHO, spool, {"mass_g": 1105, "at": "2026-03-02 02:00"})
    assert list(spool_story(book, spool).points) == [(at("2026-03-02 02:00"), 905)]


def test_without_days_there_is_no_curve(unknown: SpoolStory) -> None:
    """Nothing to draw it on."""
    assert unknown.points == ()


def test_the_sentences_say_what_is_left_and_the_water(told: SpoolStory) -> None:
    """A weighing with the reel's mass known is as good as the scales: nothing is behind it."""
    left, water, *_ = told.sentences()
    assert left == "Left: 905.0 g (weighed 2026-03-02, less the empty reel)."
    assert told.water is not None
    assert water == told.water.sentence


def test_the_sentences_say_how_far_a_label_may_be_off(book: Book) -> None:
    """Two per cent of a kilogram."""
    a_material(book)
    spool = a_spool(book, net_g=1000)
    assert spool_story(book, spool).sentences() == ["Left: 1000.0 ± 20 g (net mass on the label)."]


def test_what_is_left_of_a_spool_without_masses_is_not_known(unknown: SpoolStory) -> None:
    """And why."""
    assert unknown.sentences() == ["Left: not known (neither weighed nor a net mass recorded)."]


def test_days_that_begin_this_moment_have_no_water_yet(book: Book, clock: BenchClock) -> None:
    """A job that began as the question is asked: the days have no length."""
    a_material(book)
    spool = a_spool(book)
    clock.forward(hours=2)
    a_job(book, spools=(spool,), started_at="2026-03-02 09:30")
    clock.at = at("2026-03-02 09:29:59")
    story = spool_story(book, spool)
    assert (story.water, story.history) == (None, None)


@pytest.mark.parametrize(("form", "begins"), [("png", b"\x89PNG"), ("svg", b"<?xml")])
def test_the_days_are_drawn_in_each_form(told: SpoolStory, form: str, begins: bytes) -> None:
    """As a file of that form begins."""
    assert told.picture(form).startswith(begins)


def test_no_other_form_is_drawn(told: SpoolStory) -> None:
    """With the two that are."""
    with pytest.raises(Refused, match=r"as 'pdf'.*\.svg or \.png"):
        told.picture("pdf")


def test_the_text_is_as_wide_as_it_is_asked_to_be(told: SpoolStory) -> None:
    """No line goes beyond, and one at least goes near."""
    lines = told.text(60).splitlines()
    assert 40 < max(map(len, lines)) <= 60


def test_a_book_without_the_spool_says_so(book: Book) -> None:
    """By the ID asked for."""
    with pytest.raises(Refused, match="S0001-R"):
        spool_story(book, "S0001-R")


def test_a_weighing_says_the_step_and_what_is_left(book: Book) -> None:
    """From the spool as it came, then from the weighing before: 1236 - 1180.2 and 1180.2 - 1149 g."""
    a_material(book)
    spool = a_spool(book, net_g=1000, gross_g=1236, empty_g=200)
    first = weigh_spool(book, WHO, spool, {"mass_g": 1180.2, "at": "2026-03-01 10:00"})
    assert first.notes == [
        "55.8 g lighter than as it came (1236 g).",
        "Left: 980.2 g (weighed 2026-03-01, less the empty reel).",
    ]
    second = weigh_spool(book, WHO, spool, {"mass_g": 1149, "at": "2026-03-01 11:00"})
    assert second.notes[0] == "31.2 g lighter than 2026-03-01 10:00 (1180.2 g)."
    assert weigh_spool(book, WHO, spool, {"mass_g": 1149, "at": "2026-03-01 12:00"}).notes[0] == (
        "As heavy as 2026-03-01 11:00."
    )
