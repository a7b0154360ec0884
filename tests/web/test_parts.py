"""The page's own small parts, without a server."""

from __future__ import annotations

import os
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.datastructures import FormData

from tracker.book import Book
from tracker.desk.photographs import picture_kind
from tracker.desk.platefacts import boxed
from tracker.plugins import Plugged
from tracker.web import bench, tasks
from tracker.web.bench import HELD_BYTES, HELD_S, Answer, Answers, Held
from tracker.web.guard import netloc_of
from tracker.web.inputs import key_of
from tracker.web.platemap import plate_map
from tracker.web.render import STATIC, TEMPLATES, linked


def test_what_is_remembered_is_made_once() -> None:
    """The second asking gets the first answer."""
    kept: Answers = Answers(2)
    assert [kept.get("a", lambda: 1).value, kept.get("a", lambda: 2).value] == [1, 1]


def test_of_many_that_ask_at_once_one_makes_it() -> None:
    """The others wait for its answer; where it failed, another one tries."""
    kept: Answers = Answers(2)
    begun, go_on, made = threading.Event(), threading.Event(), []

    def make() -> int:
        made.append(1)
        begun.set()
        assert go_on.wait(120)
        if len(made) == 1:
            raise ValueError
        return 7

    with ThreadPoolExecutor(4) as threads:
        first = threads.submit(kept.get, "a", make)
        assert begun.wait(120)
        others = [threads.submit(kept.get, "a", make) for _ in range(3)]
        go_on.set()
        assert isinstance(first.exception(120), ValueError)
        assert [each.result(120).value for each in others] == [7, 7, 7]
    assert len(made) == 2


def test_the_least_used_is_forgotten_first() -> None:
    """Of three, in a place for two, the one that was not asked for again goes."""
    kept: Answers = Answers(2)
    for key in ("a", "b", "a", "c"):
        kept.get(key, lambda: 1)
    assert [kept.get("a", lambda: 2).value, kept.get("b", lambda: 2).value] == [1, 2]


def test_another_mark_is_another_answer() -> None:
    """The answer to a question is made again once what it hangs on has changed, and only the last is kept."""
    kept = Answers(2)
    marks = ("one", "one", "two", "one")
    told = [kept.get("a", lambda at=at: at, mark).value for at, mark in enumerate(marks)]
    assert told == [0, 0, 2, 3]


class Making:
    """An answer that takes some seconds by a clock of its own, and says how often it was made."""

    def __init__(self, took_s: float) -> None:
        self.took_s, self.now_s, self.count = took_s, 100.0, 0
        self.kept = Answers(2, clock=lambda: self.now_s)

    def __call__(self) -> int:
        """Make it."""
        self.now_s += self.took_s
        self.count += 1
        return self.count

    def asked(self, mark: str) -> Answer[int]:
        """Ask for it, an older one too."""
        return self.kept.get("a", self, mark, older=True)


def test_a_heavy_answer_is_given_again_with_its_moment_while_it_rests() -> None:
    """What took 0.1 s is made again two seconds later at the earliest, and is marked as older until then."""
    heavy = Making(0.1)
    assert heavy.asked("one").as_of is None
    older = heavy.asked("two")
    assert (older.value, older.as_of) == (1, older.at)
    heavy.now_s += 2.1
    assert (heavy.asked("two").value, heavy.asked("two").as_of) == (2, None)


def test_a_light_answer_is_always_of_now() -> None:
    """Whoever stores and looks at a small book sees what was stored."""
    light = Making(0.04)
    assert [light.asked(mark).value for mark in ("one", "two", "three")] == [1, 2, 3]


def test_a_slow_answer_is_made_beside_the_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever asks meanwhile gets the older one; the new one is there as soon as it is made."""
    monkeypatch.setattr(bench, "SLOW_S", 0.01)
    slow, go_on = Making(0.6), threading.Event()
    slow.asked("one")
    slow.now_s += 40

    def make() -> int:
        assert go_on.wait(120)
        return slow()

    with ThreadPoolExecutor(1) as threads:
        waiting = threads.submit(slow.kept.get, "a", make, "two", older=True)
        assert waiting.result(120).as_of is not None
        assert slow.asked("three").as_of is not None
    go_on.set()
    # Without an older answer allowed it is waited for.
    assert slow.kept.get("a", slow, "two").value == 2


@given(st.text(), st.text(), st.text())
def test_the_key_of_a_form_holds_what_was_filled_in(key: str, one: str, other: str) -> None:
    """Equal forms have equal keys, and forms that differ in a field do not."""
    first, again, second = (
        key_of(FormData([("key", key), ("csrf", token), ("mass_g", value)]), "/x")
        for token, value in (("a", one), ("b", one), ("a", other))
    )
    assert first == again
    encoded = [text.encode("utf-8", "replace") for text in (one, other)]
    assert (first == second) == (not key or encoded[0] == encoded[1])


@given(st.text(alphabet="SJM0123456789-KQ x(,", max_size=60))
def test_linking_changes_no_letter(line: str) -> None:
    """The pieces of a line are the line."""
    assert "".join(part for part, _ in linked(line)) == line


def test_ids_are_found_in_a_sentence() -> None:
    """A specimen's and a spool's, and nothing else."""
    found = [part for part, opens in linked("J0012-04-K of S0007-K at 12:30, ISO-527") if opens]
    assert found == ["J0012-04-K", "S0007-K"]


def test_the_back_of_the_plate_is_up() -> None:
    """A piece at the back has the smaller Y on the screen."""
    pieces = [
        {"id": "a", "name": "x", "outcome": None, "box_mm": [0, 0, 0, 10, 10, 4]},
        {"id": "b", "name": None, "outcome": "good", "box_mm": [0, 90, 0, 10, 100, 4]},
    ]
    drawn = plate_map(pieces, "b")
    assert drawn is not None
    front, back = drawn.spots
    assert (front.y, back.y) == (90, 0)
    assert (front.meant, back.meant, front.outcome) == (False, True, "open")


def test_without_places_there_is_no_map() -> None:
    """A job that was entered by hand says nothing of where its pieces lie."""
    assert plate_map([{"id": "a", "name": "x", "outcome": None, "box_mm": None}]) is None


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"\x89PNG\r\n\x1a\n...", "image/png"),
        (b"\xff\xd8\xff\xe0", "image/jpeg"),
        (b"RIFF....WEBP", "image/webp"),
        (b"<svg>", ""),
        (b"", ""),
        (b"GIF88a", ""),
    ],
)
def test_a_picture_is_known_by_its_first_bytes(data: bytes, kind: str) -> None:
    """What a sender calls it does not count."""
    assert picture_kind(data) == kind


@given(st.text())
def test_an_origin_is_read_or_is_none(origin: str) -> None:
    """Whatever a header says, it is answered, not stumbled over."""
    assert isinstance(netloc_of(origin), str)


def test_held_files_go_when_time_is_up_or_room_is_short() -> None:
    """After an hour, and the oldest first where there are too many bytes."""
    now = [0.0]
    held = Held(lambda: now[0])
    old = held.put("a.csv", b"a", "me")
    big = held.put("b.csv", b"b" * HELD_BYTES, "me")
    assert (held.get(old, "me"), held.get(big, "you")) == (None, None)
    assert held.get(big, "me") is not None
    now[0] = HELD_S + 1
    assert held.get(big, "me") is None


def test_a_piece_that_is_askew_is_drawn_askew() -> None:
    """Its corners are the plate file's, and lines every 10 mm say how large the bed is."""
    piece: dict[str, Any] = {"id": "a", "name": "x", "outcome": None, "box_mm": [0, 0, 0, 20, 20, 4]}
    thing = replace(boxed("a", "x", piece["box_mm"]), contour_mm=((10, 0), (20, 10), (10, 20), (0, 10)))
    drawn = plate_map([piece], things={"a": thing})
    assert drawn is not None
    assert drawn.spots[0].points == "10.00,20.00 20.00,10.00 10.00,0.00 0.00,10.00"
    assert (drawn.step, "M10 " in drawn.grid) == (10, True)


def test_of_a_large_bed_the_part_around_the_specimens_is_shown() -> None:
    """The map says which part it is, and the whole bed is there in small."""
    piece: dict[str, Any] = {"id": "a", "name": "x", "outcome": None, "box_mm": [200, 100, 0, 220, 110, 4]}
    drawn = plate_map([piece], bed=((0, 0), (250, 0), (250, 210), (0, 210)))
    assert drawn is not None
    assert drawn.place == "right part of the bed (250 x 210 mm): X 195 to 225, Y 95 to 115 mm"
    assert (drawn.view, drawn.whole is not None) == ("195.00 95.00 30.00 20.00", True)


def _process(book: Book, plugged: Plugged, more: int) -> tuple[str, int, int]:
    return book.place, len(plugged.methods), os.getpid() + more


def test_a_large_book_is_asked_from_another_process(
    web_book: Book, plugged: Plugged, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same question of the same book; a small one is asked here, where that is quicker."""
    here = (web_book.place, len(plugged.methods), os.getpid() + 1)
    assert tasks.of_book(web_book, plugged, _process, 1) == here
    monkeypatch.setattr(tasks, "LARGE", 0)
    there = tasks.of_book(web_book, plugged, _process, 1)
    assert there[:2] == here[:2]
    assert there[2] != here[2]


@pytest.mark.parametrize("name", sorted(each.name for each in (STATIC.parent / "templates").glob("*.html")))
def test_every_template_can_be_read(name: str) -> None:
    """Also one that only some pages want: what is no template is found before a person asks for its page."""
    assert TEMPLATES.env.get_template(name).name == name
