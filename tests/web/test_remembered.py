"""What a page remembers of a book is what would be made again, whatever was written meanwhile."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest
from fastapi import FastAPI

from tests.desk.bench import PULL, WHO, a_calibrated_rig, a_job, a_material, a_pull, a_spool
from tests.web.site import Steps
from tracker.book import Book
from tracker.changed import Changed
from tracker.desk.correcting import correct
from tracker.desk.offbed import PieceOutcome, take_off
from tracker.desk.voiding import judge, void
from tracker.ids import job_id, measurement_id, spool_id
from tracker.plugins import Plugged
from tracker.web import Serving, make_app
from tracker.web.bench import Answers
from tracker.web.pages import measuring


def page_of(book: Book, plugged: Plugged) -> FastAPI:
    """Return a page of a book that remembers nothing yet."""
    page = make_app(Serving(book, plugged, "Ada Bench", b"k" * 32))
    page.state.bench.facts = Answers(99, clock=Steps())
    return page


def asked(page: FastAPI, paths: Sequence[str]) -> list[str]:
    """Return what a page says at some addresses, without what differs from one asking to the next."""

    async def every() -> list[str]:
        """Ask for one address after the other."""
        transport = httpx.ASGITransport(page)
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            return [(await client.get(path)).text for path in paths]

    # The browser of other tests may have a loop of its own running in this thread.
    with ThreadPoolExecutor(1) as apart:
        told = apart.submit(lambda: asyncio.run(every())).result()
    assert all("<main" in each for each in told)
    return [re.sub(r'name="(?:csrf|key)" value="[^"]*"|\d\d:\d\d(?::\d\d)?', "", each) for each in told]


def acts(book: Book, plugged: Plugged, mine: list[str], other: list[str]) -> Iterator[Callable[[], object]]:
    """Yield acts of many kinds on specimens of two materials."""
    rig = a_calibrated_rig(book)
    first, second = (
        (lambda: a_pull(book, other[0], plugged=plugged)),
        (lambda: a_pull(book, mine[0], rigs=[rig])),
    )
    yield first
    yield lambda: a_pull(book, other[1], {**PULL, "max_force": "1790 N"}, plugged=plugged)
    yield second
    yield lambda: judge(book, WHO, measurement_id(1), counted=False, reason="slipped in the grips")
    yield lambda: correct(book, WHO, plugged, measurement_id(2), ["max_force=1780 N"], "misread")
    yield lambda: void(book, WHO, plugged, measurement_id(1), "another specimen")
    yield lambda: take_off(book, WHO, job_id(2), [PieceOutcome(3, "failed", "came loose")])
    yield lambda: a_material(book, "Quarzit PC")
    yield lambda: a_pull(book, mine[1], plugged=plugged)
    yield lambda: correct(book, WHO, plugged, spool_id(1), ["lot=L-18"], "read again")
    yield lambda: a_job(book, spools=(spool_id(1),))


def test_pages_of_jobs_and_specimens_are_as_if_newly_made(web_book: Book, plugged: Plugged) -> None:
    """After each act a page says of jobs and specimens what it says with nothing remembered."""
    mine = a_job(web_book)
    a_material(web_book, "Basalt PA")
    other = a_job(web_book, spools=(a_spool(web_book, "Basalt PA"),))
    paths = [f"/{each}" for each in (mine.id, mine.also[0], other.also[0])]
    kept = page_of(web_book, plugged)
    bench = kept.state.bench
    asked(kept, paths)
    for number, act in enumerate(acts(web_book, plugged, list(mine.also), list(other.also))):
        act()
        remembered = asked(kept, paths)
        bench.facts, bench.changed = Answers(99, clock=Steps()), Changed(web_book)
        assert remembered == asked(kept, paths), number


def test_a_measurement_of_another_material_costs_no_page(
    web_book: Book, plugged: Plugged, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its own material's pages are made again, and no others."""
    mine = a_job(web_book)
    a_material(web_book, "Basalt PA")
    other = a_job(web_book, spools=(a_spool(web_book, "Basalt PA"),))
    kept = page_of(web_book, plugged)
    made: list[str] = []
    pages = [f"/{each.also[0]}" for each in (mine, other)]
    real = measuring.facts_of
    monkeypatch.setattr(measuring, "facts_of", lambda *args: made.append(str(args[1])) or real(*args))
    asked(kept, [*pages, *pages])
    assert made == [mine.also[0], other.also[0]]
    a_pull(web_book, other.also[1], plugged=plugged)
    asked(kept, pages)
    assert made[2:] == [other.also[0]]


def test_a_phone_that_leaves_while_it_sends_is_no_error(web_book: Book, plugged: Plugged) -> None:
    """Nothing is raised, which the server would write down as a fault of its own."""
    page = page_of(web_book, plugged)
    messages = iter([{"type": "http.request", "body": b"a=", "more_body": True}])
    answers = []

    async def receive() -> dict[str, object]:
        """Give the first bytes of a form, and then say that the phone is gone."""
        return next(messages, {"type": "http.disconnect"})

    async def send(message: dict[str, object]) -> None:
        """Keep what would be answered."""
        answers.append(message)

    scope = {
        "type": "http", "method": "POST", "path": "/import", "raw_path": b"/import", "query_string": b"",
        "headers": [(b"host", b"localhost"), (b"content-type", b"application/x-www-form-urlencoded")],
        "client": ("127.0.0.1", 5), "server": ("localhost", 80), "scheme": "http", "http_version": "1.1",
        "root_path": "",
    }  # fmt: skip
    with ThreadPoolExecutor(1) as apart:
        apart.submit(lambda: asyncio.run(page(scope, receive, send))).result()

    assert answers[0]["status"] == 400
