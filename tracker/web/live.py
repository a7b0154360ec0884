"""What is new: a page that is open learns within two seconds that the book was written to."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Final

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from starlette.responses import FileResponse, Response, StreamingResponse

from tracker.web.bench import Bench
from tracker.web.render import STATIC, mark_of
from tracker.web.visitors import Here, Reader, reader

router = APIRouter()

STEP_S: Final = 0.5
"""How often the book is asked whether it was written to: one question for all that watch."""

_KEEP_ALIVE_S: Final = 15.0


@router.get("/live/state")
def state(request: Request, bench: Here, visitor: Reader) -> Response:
    """Give the mark of the book's state; 304 as long as it is the one that the browser has."""
    mark = mark_of(bench, visitor.state)
    tag = f'"{mark}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(mark, media_type="text/plain", headers=headers)


@router.get("/live")
async def stream(request: Request, bench: Here) -> Response:
    """Send the mark of the book's state whenever it changes, as server-sent events."""
    # Asked in a thread: a question to the book must not hold the event loop.
    await run_in_threadpool(reader, request, bench)
    return StreamingResponse(
        _events(request, bench),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )


async def _events(request: Request, bench: Bench) -> AsyncIterator[str]:
    watch = _watch_of(request, bench)
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
                state = await run_in_threadpool(self._bench.book.state)
                self._mark = mark_of(self._bench, state)
                self._at = loop.time()
        return self._mark


def _watch_of(request: Request, bench: Bench) -> Watch:
    """Return the one that watches for a running page."""
    state = request.app.state
    if not hasattr(state, "watch"):
        state.watch = Watch(bench)
    found: Watch = state.watch
    return found


@router.get("/sw.js")
def service_worker() -> Response:
    """Give the script that keeps pages for times without connection; from the root, as it serves all."""
    return FileResponse(STATIC / "sw.js", media_type="text/javascript", headers={"Cache-Control": "no-cache"})
