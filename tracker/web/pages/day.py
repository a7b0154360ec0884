"""The day board: what runs, what waits, what is due, what was measured today; it renews itself."""

from __future__ import annotations

import datetime as dt

from fastapi import APIRouter, Request
from starlette.responses import Response

from tracker.comparing import watched
from tracker.day import Day, day_board
from tracker.web.bench import Bench
from tracker.web.platemap import mini_map
from tracker.web.render import page
from tracker.web.tasks import of_book
from tracker.web.visitors import Here, Reader, Visitor

router = APIRouter()


@router.get("/")
def first(request: Request, bench: Here, visitor: Reader) -> Response:
    """Show the day."""
    return first_page(request, bench, visitor)


def first_page(
    request: Request, bench: Bench, visitor: Visitor, message: str | None = None, status: int = 200
) -> Response:
    """Return the day board, with what became of a scan."""
    # What is due and how long a spool was in the open go on by themselves: a minute old at most.
    minute = int(bench.book.clock().timestamp() // 60)
    # As part of the mark: of another question there would be no older answer to give.
    found = bench.lately("day", lambda: day_board(bench.book, bench.plugged), f"{visitor.state} {minute}")
    day: Day = found.value
    return page(
        request, bench, visitor, "day", status=status, message=message, scan_first=True, day=day,
        minis={each.id: mini_map(each.outlines) for each in day.jobs}, watch=_watch(bench),
        late=_late, as_of=found.as_of,
    )  # fmt: skip


def _late(at: dt.datetime | None, now: dt.datetime) -> bool:
    return at is not None and at < now


_SLOT_S = 600.0


def _watch(bench: Bench) -> list[str] | None:
    """Return what stands out among all results, as far as it is known: looked over once in ten minutes.

    After each write would be too often: in a large book it takes minutes.
    """
    slot = int(bench.serving.clock() // _SLOT_S)
    task = bench.tasks.ask(("watched", slot), lambda _: of_book(bench.serving.book, bench.plugged, watched))
    if not task.ready(0):
        return None
    try:
        found, _ = task.answer()
    except Exception:  # noqa: BLE001 - a board without drift is worth more than none
        return []
    lines = (line for each in found for line in each.sentences(10_000))
    return [line for line in lines if not line.endswith("nothing stands out.")]
