"""What is new: a page that is open learns within two seconds that the book was written to."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Final

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from starlette.responses import Response, StreamingResponse

from tracker.web.bench import Bench
from tracker.web.visitors import Here, Reader

router = APIRouter()

STEP_S: Final = 0.5
"""How often the book is asked whether it was written to: one question for all that watch."""

_KEEP_ALIVE_S: Final = 15.0
_MARK: Final = 16


@router.get("/live/state")
def state(request: Request, visitor: Reader) -> Response:
    """Give the mark of the book's state; 304 as long as it is the one that the browser has."""
    mark = visitor.state[:_MARK]
    tag = f'"{mark}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(mark, media_type="text/plain", headers=headers)


@router.get("/live")
async def stream(request: Request, bench: Here) -> Response:
    """Send the mark of the book's state whenever it changes, as server-sent events."""
    from tracker.web.visitors import reader  # noqa: PLC0415 - asked in a thread, not on the event loop

    visitor = await run_in_threadpool(reader, request, bench)
    device = visitor.device
    return StreamingResponse(
        _events(request, bench, device.number if device is not None else None),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )


async def _events(request: Request, bench: Bench, device: int | None) -> AsyncIterator[str]:
    del device
    watch = watch_of(bench)
    last, quiet = "", 0.0
    while not await request.is_disconnected():
        mark = await watch.mark()
        if mark != last:
            last, quiet = mark, 0.0
            yield f"retry: 2000\ndata: {mark}\n\n"
        elif quiet >= _KEEP_ALIVE_S:
            quiet = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(STEP_S)
        quiet += STEP_S


class Watch:
    """Asks the book for its state once a step, however many pages are open."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._at = -STEP_S
        self._mark = ""
        self._asking: asyncio.Lock | None = None

    async def mark(self) -> str:
        """Return the mark of the book's state, at most a step old."""
        loop = asyncio.get_running_loop()
        if self._asking is None:
            self._asking = asyncio.Lock()
        async with self._asking:
            if loop.time() - self._at >= STEP_S * 0.9:
                self._mark = (await run_in_threadpool(self._bench.book.state))[:_MARK]
                self._at = loop.time()
        return self._mark


def watch_of(bench: Bench) -> Watch:
    """Return the one that watches for a running page."""
    found: Watch = bench.facts.get("watch", lambda: Watch(bench))
    return found
