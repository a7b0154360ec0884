"""The page as an application: its rooms, what is before them, refusals in one shape, and what is news.

A page that is open learns within two seconds that the book was written to.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from http import HTTPStatus
from typing import Any, Final
from urllib.parse import quote

import anyio.to_thread
from fastapi import APIRouter, FastAPI, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import ClientDisconnect
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Receive, Scope, Send

from tracker import __version__
from tracker.book import BookError, DatabaseRefusal, UnreachableError, refusal_for, shown
from tracker.errors import Refused, missing_extra
from tracker.ids import IdError
from tracker.kinds import NotFoundError, WrongKindError
from tracker.web import acting, pages, programacts, programs
from tracker.web.bench import Bench, Serving
from tracker.web.guard import Guard
from tracker.web.inputs import asked_in_address
from tracker.web.pages import acts
from tracker.web.refusals import NotPairedError, status_of, unread, without_commands
from tracker.web.render import STATIC, mark_of, own_path, page, there
from tracker.web.visitors import COOKIE, Here, Visitor, anyone, reader

THREADS = 12
"""Requests that are answered at once. Each holds one connection of the book, whose pool gives fifteen: a
thread never waits for a connection, and what the pool has left serves the clocks of the page itself."""


def make_app(serving: Serving) -> FastAPI:
    """Return the page of a book, ready to be served."""
    app = FastAPI(
        title="strandbook",
        version=__version__,
        description="Rigs post measurements here and read the book back. "
        "Results are comparisons between printed specimens on home-made rigs: not design allowables. "
        f"An answer with the header {programs.WARNING} was read while the book's attachments are away.",
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
    )
    app.state.bench = Bench(serving)
    app.include_router(programs.router)
    app.include_router(programacts.router)
    app.mount("/static", StaticFiles(directory=STATIC))
    app.include_router(news, include_in_schema=False)
    app.include_router(acting.router, include_in_schema=False)
    for router in pages.ROUTERS:
        app.include_router(router, include_in_schema=False)
    app.add_exception_handler(Refused, _refused)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(ClientDisconnect, _gone)
    app.add_exception_handler(DatabaseRefusal, _database_refused)
    app.add_exception_handler(Exception, _unforeseen)
    app.add_middleware(GZipMiddleware, minimum_size=2000, compresslevel=5)
    app.add_middleware(_Threads)
    app.add_middleware(Guard, hosts=serving.hosts)
    return app


class _Threads:
    """Bounds how many requests are answered at once; the rest wait in order."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._bounded = False

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if not self._bounded:
            # Set from within: the bound belongs to the event loop that serves.
            anyio.to_thread.current_default_thread_limiter().total_tokens = THREADS
            self._bounded = True
        await self._app(scope, receive, send)


def _refused(request: Request, refusal: Any) -> Response:
    status = status_of(refusal)
    if _for_programs(request):
        return JSONResponse(programs.as_json(refusal), status)
    if isinstance(refusal, NotPairedError):
        return there(f"/pair?next={quote(request.url.path, safe='/')}")
    asks: dict[str, str] = {}
    if isinstance(refusal, NotFoundError | IdError | WrongKindError):
        # What names no record is asked for again on this very page.
        asks = {name: "" for name in ("of", "name", "material") if name in request.query_params}
    return _error_page(request, status, without_commands(refusal), asks)


def _error_page(request: Request, status: int, words: str, asks: Mapping[str, str] | None = None) -> Response:
    bench: Bench = request.app.state.bench
    try:
        visitor = anyone(request, bench)
    except (DatabaseRefusal, BookError) as error:
        return _database_refused(request, error)
    if not visitor.paired:
        # Neither the names of people nor what the book holds: a bare line, whatever was asked.
        return PlainTextResponse("This device is not paired.", status)
    act = acts.ACTS.get(request.url.path.removeprefix("/act/"))
    inputs = [
        asked_in_address(
            bench,
            name,
            request.query_params.get(name, ""),
            problem,
            act.kinds if act else (),
            request.url.path,
        )
        for name, problem in (asks or {}).items()
    ]
    kept = [(name, value) for name, value in request.query_params.multi_items() if name not in (asks or {})]
    return page(
        request, bench, visitor, "refused", status=status, words=words, status_code=status,
        sent=request.method != "GET", inputs=inputs, kept=kept,
    )  # fmt: skip


def _invalid(request: Request, error: Any) -> Response:
    """Answer a request whose parts cannot be read: a program in pydantic's words, a person in ours."""
    if _for_programs(request):
        found = [
            {"field": ".".join(str(part) for part in each["loc"][1:]), "problem": str(each["msg"])}
            for each in error.errors()
        ]
        words = "; ".join(f"{each['field']}: {each['problem']}" for each in found)
        return JSONResponse({"refused": words, "do": "", "fields": found}, 422)
    faults = unread(error.errors())
    asks = {each.name: each.problem for each in faults if each.place == "query"}
    if len(asks) < len(faults):
        return _error_page(request, 404, "There is no page of this address.", asks)
    return _error_page(request, 422, "Something more is needed to show this.", asks)


def _http(request: Request, error: Any) -> Response:
    words = (
        "There is no page of this address" if error.status_code == HTTPStatus.NOT_FOUND else str(error.detail)
    )
    if _for_programs(request):
        words = str(error.detail)
        body = {"refused": words, "do": "", "fields": []}
        return JSONResponse(body, error.status_code, headers=error.headers)
    if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED and request.method == "GET":
        # The address of a form that was refused, opened anew by a phone that had put the page away.
        first, _, rest = request.url.path.removeprefix("/").partition("/")
        return there(own_path(f"/{first}" if rest else "/"))
    return _error_page(request, error.status_code, f"{words}.")


def _gone(request: Request, error: Exception) -> Response:
    """Answer nobody: the phone left while it sent, which is no fault for the server's log."""
    del request, error
    return Response(status_code=400)


def _database_refused(request: Request, error: Exception) -> Response:
    """Answer that the book's database does not: a page would ask it again for what it shows.

    Without it nobody knows who asks, so nothing is told of where it is.
    """
    place = request.app.state.bench.book.place
    found = error if isinstance(error, BookError) else refusal_for(place, error)
    do = found.do
    if isinstance(found, UnreachableError):
        again = "" if request.method == "GET" else ": what was typed is sent once more, and stored once"
        do = f"What was stored before is safe. Load this page again in a moment{again}"
    refusal = Refused(found.what.replace(shown(place), "of this page"), do=do)
    if _for_programs(request):
        return JSONResponse(programs.as_json(refusal), 503)
    return PlainTextResponse(without_commands(refusal), 503, headers={"Retry-After": "5"})


def _unforeseen(request: Request, error: Exception) -> Response:
    """Answer what nobody foresaw without a word of its inside; the server's own log has that."""
    if type(error).__module__.startswith("sqlalchemy"):
        return _database_refused(request, error)
    words = "This should not have happened. What was stored before is safe."
    if (missing := missing_extra(error)) is not None:
        words = str(missing)
    return JSONResponse({"refused": words, "do": "Try again", "fields": []}, 500)


def _for_programs(request: Request) -> bool:
    return request.url.path.startswith(("/api/", "/openapi.json"))


news = APIRouter()

STEP_S: Final = 0.5
"""How often the book is asked whether it was written to: one question for all that watch."""

_KEEP_ALIVE_S: Final = 15.0


@news.get("/live/state")
async def state(request: Request, bench: Here) -> Response:
    """Give the mark of the book's state; 304 as long as it is the one that the browser has.

    The book itself is asked once a step for all: two hundred devices ask this every few seconds.
    """
    watch = _watch_of(request, bench)
    await watch.admit(request)
    mark = await watch.mark()
    tag = f'"{mark}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(mark, media_type="text/plain", headers=headers)


@news.get("/live")
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

    _MOST: Final = 1000

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._asking: asyncio.Lock | None = None
        self._admitted: dict[str, Visitor] = {}
        self._admitted_at = ""

    async def admit(self, request: Request) -> None:
        """Let a browser through that may read; who it is the book is asked again after each write.

        Raises:
            NotPairedError: It is not paired.
        """
        state, cookie = await self._state(), request.cookies.get(COOKIE, "")
        if state != self._admitted_at or len(self._admitted) > self._MOST:
            self._admitted, self._admitted_at = {}, state
        known = self._admitted.get(cookie)
        if known is None:
            self._admitted[cookie] = await run_in_threadpool(reader, request, self._bench)
        elif known.device is not None:
            self._bench.seen.note(known.device.number, self._bench.book.clock())

    async def mark(self) -> str:
        """Return the mark of the book's state, at most a step old."""
        return mark_of(self._bench, await self._state())

    async def _state(self) -> str:
        if self._asking is None:
            self._asking = asyncio.Lock()
        async with self._asking:
            found = self._bench.state_within(STEP_S * 0.9)
            return await run_in_threadpool(self._asked) if found is None else found

    def _asked(self) -> str:
        # In this thread as well: a share that hangs must not hold the event loop.
        self._bench.away()
        return self._bench.state_now()


def _watch_of(request: Request, bench: Bench) -> Watch:
    """Return the one that watches for a running page."""
    state = request.app.state
    if not hasattr(state, "watch"):
        state.watch = Watch(bench)
    found: Watch = state.watch
    return found


@news.get("/sw.js")
def service_worker() -> Response:
    """Give the script that keeps pages for times without connection; from the root, as it serves all."""
    return FileResponse(STATIC / "sw.js", media_type="text/javascript", headers={"Cache-Control": "no-cache"})
