"""Templates to answers, with what every page shows."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import secrets
from collections.abc import Callable, Hashable
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from fastapi import Request
from fastapi.templating import Jinja2Templates
from jinja2 import Environment, FileSystemLoader, StrictUndefined, pass_context, select_autoescape
from jinja2.runtime import Context
from starlette.responses import HTMLResponse, RedirectResponse, Response

from tracker import cautions
from tracker.cards import TEMPLATES as CARD_TEMPLATES
from tracker.desk.doubts import Doubt
from tracker.errors import Refused
from tracker.ids import KINDS
from tracker.moments import local_time as local
from tracker.stating import compact, shown, state_row
from tracker.web.bench import Bench
from tracker.web.refusals import plainly, status_of
from tracker.web.visitors import Visitor, keep_session

_HERE: Final = Path(__file__).parent
STATIC: Final = _HERE / "static"

PICTURE_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; sandbox"
"""For pictures: drawings carry styles of their own; opened by itself one may do nothing at all."""


_ID: Final = re.compile(rf"\b[{''.join(KINDS)}]\d{{4,}}(?:-\d{{2,}})?-[0-9A-Z]\b")


def linked(line: str) -> list[tuple[str, bool]]:
    """Return a line in pieces, each with whether it is an ID that can be opened."""
    parts: list[tuple[str, bool]] = []
    at = 0
    for found in _ID.finditer(line):
        parts += [(line[at : found.start()], False), (found.group(), True)]
        at = found.end()
    return [*parts, (line[at:], False)]


_QUANTITY: Final = re.compile(r"\b[a-z][a-z0-9_-]*\.[a-z][a-z0-9_]*\b")


@pass_context
def _title_of(context: Context, quantity: str) -> str:
    """Return the title of a quantity, as people read it; its identifier where no method of it is there."""
    titles: dict[str, str] = context["titles"]
    return titles.get(quantity, quantity)


@pass_context
def _titles(context: Context, text: str) -> str:
    """Return a text with the titles of quantities in the place of their identifiers."""
    titles: dict[str, str] = context["titles"]
    return _QUANTITY.sub(lambda found: titles.get(found.group(), found.group()), text)


@pass_context
def _method_title(context: Context, method: str) -> str:
    methods: dict[str, str] = context["methods_by_id"]
    return methods.get(method, method)


def _named_picture(name: str) -> bool:
    return name.lower().endswith((".png", ".jpg", ".jpeg", ".webp", ".gif"))


def _column(name: str) -> str:
    """Return the name of a list's column as people read it, its unit in brackets: ``Net mass [g]``."""
    stem, unit = next(
        ((name.removesuffix(ending), unit) for ending, unit in _ENDINGS.items() if name.endswith(ending)),
        (name, ""),
    )
    words = stem.replace("_", " ")
    return f"{words[:1].upper()}{words[1:]}{f' [{unit}]' if unit else ''}"


_ENDINGS: Final = {
    "_g_cm3": "g/cm³", "_mm3_s": "mm³/s", "_rh_pct": "% RH", "_pct": "%", "_days": "d", "_mm": "mm",
    "_g": "g", "_c": "°C", "_h": "h", "_s": "s",
}  # fmt: skip


def _moment(text: str, zone: dt.tzinfo) -> str:
    return local(dt.datetime.fromisoformat(text), zone)


def _clock(at: dt.datetime, zone: dt.tzinfo) -> str:
    return f"{at.astimezone(zone):%H:%M:%S}"


def _environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader([_HERE / "templates", CARD_TEMPLATES]),
        # Whatever a template is called: what people typed is text, never markup.
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["unit"] = shown
    made.filters["compact"] = compact
    made.filters["local"] = local
    made.filters["moment"] = _moment
    made.filters["clock"] = _clock
    made.filters["column"] = _column
    made.filters["ids"] = linked
    made.filters["is_picture"] = _named_picture
    made.filters["title_of"] = _title_of
    made.filters["titles"] = _titles
    made.filters["method_title"] = _method_title
    made.globals["state_row"] = state_row
    made.globals["cautions"] = cautions
    return made


TEMPLATES: Final = Jinja2Templates(env=_environment())


def page(
    request: Request,
    bench: Bench,
    visitor: Visitor,
    name: str,
    *,
    status: int = 200,
    refusal: Refused | None = None,
    **facts: Any,
) -> Response:
    """Return a page.

    Args:
        request: What it answers.
        bench: The running page.
        visitor: Who asks; a browser without cookie gets one.
        name: Template, without ending.
        status: HTTP status, where nothing was refused.
        refusal: Why what was sent was not done; it comes first on the page, and is a question where it is a
            ``Doubt``.
        facts: For the template.
    """
    if refusal is not None:
        status = status_of(refusal)
    message = bench.words_of(request.query_params.get("done", "")[:60])
    usual = {
        "visitor": visitor,
        "csrf": visitor.csrf,
        "key": "",
        "keys": lambda: secrets.token_urlsafe(16),
        "shared": bench.serving.shared,
        "zone": bench.book.zone,
        "code": bench.book.code,
        "now": lambda: local(bench.book.clock(), bench.book.zone),
        "state": visitor.state,
        "secure": bench.serving.secure,
        "message": None,
        "as_of": None,
        "away": bench.away(),
        "scan_first": False,
        "mark": mark_of(bench, visitor.state),
        "done": message.notes,
        "undo": message.entry,
        "done_key": request.query_params.get("key", "")[:60],
        "stops": plainly(refusal)[0],
        "asks": isinstance(refusal, Doubt),
        "path": request.url.path,
        "scan_to": "",
        "titles": bench.titles,
        "methods_by_id": bench.method_titles,
    }
    answer = TEMPLATES.TemplateResponse(request, f"{name}.html", {**usual, **facts}, status_code=status)
    if visitor.fresh:
        keep_session(bench, request, answer, sid=visitor.sid)
    return answer


_MARK: Final = 16


def mark_of(bench: Bench, state: str) -> str:
    """Return the mark of what a page shows beside itself: a page with an older one is behind.

    That is the book's state, offered recordings, and whether the attachments can be reached.
    """
    away = ".away" if bench.is_away else ""
    return f"{state[:_MARK]}.{bench.offers.mark}{away}"


_TOKEN: Final = f"token-{secrets.token_hex(12)}"
_KEY: Final = f"key-{secrets.token_hex(12)}"
_NOW: Final = f"now-{secrets.token_hex(12)}"
_STATE: Final = f"state-{secrets.token_hex(12)}"
"""Stand in a remembered page for what differs from one asking to the next; nobody can type them."""


def remembered(
    request: Request,
    bench: Bench,
    visitor: Visitor,
    name: str,
    what: Hashable,
    facts: Callable[[], dict[str, Any]],
    mark: str = "",
) -> Response:
    """Return a page that hangs on the book alone; only the tokens of its forms are made again.

    Args:
        request: What it answers.
        bench: The running page.
        visitor: Who asks.
        name: Template.
        what: What is shown, together with the visitor's name and rights.
        facts: For the template, where the page has to be made.
        mark: Of that part of the book on which the page hangs; of the whole book where empty.
    """
    rights = (name, what, visitor.who, visitor.role, visitor.device, bench.away())
    asked: dict[str, Any] = {"keys": lambda: _KEY, "now": lambda: _NOW, "state": _STATE}

    def make() -> list[str]:
        neutral = replace(visitor, csrf=_TOKEN, fresh=False)
        return bytes(page(request, bench, neutral, name, **asked, **facts()).body).decode().split(_KEY)

    parts = bench.of_state(rights, make, mark or visitor.state)
    text = parts[0] + "".join(secrets.token_urlsafe(16) + part for part in parts[1:])
    present = local(bench.book.clock(), bench.book.zone)
    text = text.replace(_TOKEN, visitor.csrf).replace(_NOW, present).replace(_STATE, visitor.state)
    answer = HTMLResponse(text)
    if visitor.fresh:
        keep_session(bench, request, answer, sid=visitor.sid)
    return answer


def templated(name: str, **facts: Any) -> str:
    """Return what a template that is no page makes: a small picture, as a rule."""
    return TEMPLATES.env.get_template(f"{name}.svg").render(**facts)


def own_path(path: str) -> str:
    """Return a path of this page; anything else becomes the first page.

    Browsers read a backslash as a slash: with one behind the first, a path would lead to another host.
    """
    plain = path.startswith("/") and not path.startswith("//") and "\\" not in path and path.isprintable()
    return path if plain else "/"


def there(path: str) -> RedirectResponse:
    """Return the way to another page after something was done: to load that again repeats nothing."""
    return RedirectResponse(path, status_code=303)


def picture(request: Request, data: bytes, kind: str = "image/svg+xml") -> Response:
    """Return a picture; a browser that has it is told so."""
    tag = f'"{hashlib.sha256(data).hexdigest()[:32]}"'
    headers = {"ETag": tag, "Content-Security-Policy": PICTURE_POLICY, "Cache-Control": "private, no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(data, media_type=kind, headers=headers)


def download(
    data: bytes, name: str, kind: str = "application/octet-stream", *, saved: bool = True
) -> Response:
    """Return a file to be saved and not shown: whatever is in it, this page does not run it.

    Args:
        data: Its bytes.
        name: Its name.
        kind: Its media type.
        saved: False only for what was made here, to be opened and printed.
    """
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "._-") else "_" for c in name) or "file"
    return Response(
        data,
        media_type=kind,
        headers={
            "Content-Disposition": f'{"attachment" if saved else "inline"}; filename="{plain}"',
            # A browser's own viewer of documents would not run inside a sandbox.
            "Content-Security-Policy": PICTURE_POLICY if saved else "default-src 'none'; object-src 'self'",
        },
    )
