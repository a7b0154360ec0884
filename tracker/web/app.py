"""The page as an application: its rooms, what stands before them, and refusals in one shape."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any
from urllib.parse import quote

import anyio.to_thread
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Receive, Scope, Send

from tracker import __version__
from tracker.book import refusal_for
from tracker.errors import Refused, missing_extra
from tracker.ids import IdError
from tracker.kinds import NotFoundError, WrongKindError
from tracker.web import acting, live, pages, programacts, programs
from tracker.web.bench import Bench, Serving
from tracker.web.guard import Guard
from tracker.web.inputs import asked_in_address
from tracker.web.pages import acts
from tracker.web.refusals import NotPairedError, status_of, unread, without_commands
from tracker.web.render import STATIC, page, there
from tracker.web.visitors import anyone

THREADS = 12
"""Requests that are answered at once. Each holds one connection of the book, whose pool gives fifteen: a
thread never waits for a connection, and what the pool has left serves the clocks of the page itself."""


def make_app(serving: Serving) -> FastAPI:
    """Return the page of a book, ready to be served."""
    app = FastAPI(
        title="strandbook",
        version=__version__,
        description="Rigs post measurements here and read the book back. "
        "Results are comparisons between printed specimens on home-made rigs: not design allowables.",
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
    )
    app.state.bench = Bench(serving)
    app.include_router(programs.router)
    app.include_router(programacts.router)
    app.mount("/static", StaticFiles(directory=STATIC))
    app.include_router(live.router, include_in_schema=False)
    app.include_router(acting.router, include_in_schema=False)
    for router in pages.ROUTERS:
        app.include_router(router, include_in_schema=False)
    app.add_exception_handler(Refused, _refused)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _http)
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
    visitor = anyone(request, bench)
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
    return _error_page(request, error.status_code, f"{words}.")


def _unforeseen(request: Request, error: Exception) -> Response:
    """Answer what nobody foresaw without a word of its inside; the server's own log has that."""
    del request
    words = "This should not have happened. What was stored before is safe."
    if type(error).__module__.startswith("sqlalchemy"):
        words = str(refusal_for("of this page", error))
    if (missing := missing_extra(error)) is not None:
        words = str(missing)
    return JSONResponse({"refused": words, "do": "Try again", "fields": []}, 500)


def _for_programs(request: Request) -> bool:
    return request.url.path.startswith(("/api/", "/openapi.json"))
