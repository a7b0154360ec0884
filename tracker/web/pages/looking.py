"""Where people look things up: lists and the search, the journal, the manual, the way back from a number.

Lists have filters, sorting and pages to the very end; the search goes over all kinds. The way back is one
line with a stop for each record that a number comes from.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query, Request
from markupsafe import Markup
from starlette.responses import Response

from tracker import manual
from tracker.browse import (
    COUNTED,
    KINDS,
    Line,
    Listing,
    choices_of,
    filters_of,
    journal_page,
    list_page,
    search,
    sorts_of,
)
from tracker.comparing import unusual
from tracker.errors import Refused
from tracker.lazy_modules import lazy
from tracker.manual import topic, topics
from tracker.trace import WORDS, correction_lines, journal_lines, stations, trace
from tracker.web.bench import Bench
from tracker.web.pages.day import first_page
from tracker.web.platemap import Mini, mini_map, shape_map
from tracker.web.render import page, picture
from tracker.web.visitors import Here, Reader

if TYPE_CHECKING:
    import markdown_it
else:
    markdown_it = lazy("markdown_it")


router = APIRouter()

_COLUMNS: Final = "columns-"
"""Before the kind: the cookie of the columns that a browser chose."""

_KEPT_S: Final = 400 * 24 * 3600

EXAMPLES: Final = {
    "materials": "family=ASA", "spools": "lot=L-17", "dryings": "set_c>70", "jobs": "chamber_set_c>=70",
    "specimens": "nozzle_c>260 outcome=good", "measurements": "method=tensile nozzle_c>260",
    "rigs": "capacity>1000",
}  # fmt: skip
"""A filter for each list; the tests try every one."""


@router.get("/list/{kind}")
def all_of(
    request: Request, bench: Here, visitor: Reader,
    kind: Annotated[str, Path(pattern="^[a-z]{1,20}$")],
    text: Annotated[str, Query(max_length=200)] = "",
    where: Annotated[str, Query(max_length=500)] = "",
    sort: Annotated[str, Query(max_length=40)] = "",
    number: Annotated[int, Query(alias="page", ge=1, le=10**7)] = 1,
    begin: Annotated[int, Query(ge=0, le=10**9)] = 0,
    columns: Annotated[list[str] | None, Query(max_length=60)] = None,
) -> Response:  # fmt: skip
    """Show the records of a kind, a page at a time; ``columns`` are kept by the browser that chose them."""
    if kind not in KINDS:
        return first_page(request, bench, visitor, f"There is no list of {kind}.", 404)
    chosen = {name: request.query_params.get(name, "")[:200] for name in filters_of(kind)}
    key = ("list", kind, tuple(chosen.items()), text, where, sort, number, begin)
    minute = int(bench.book.clock().timestamp() // 60) if kind == "spools" else 0

    def make() -> Listing:
        return list_page(
            bench.book, kind, chosen, text=text, where=where, plugged=bench.plugged, sort=sort, page=number,
            begin=begin,
        )  # fmt: skip

    problem, as_of = None, None
    try:
        found = bench.lately((key, minute), make, visitor.state)
        listing, as_of = found.value, found.as_of
    except Refused as refusal:
        problem, listing = refusal, Listing([], 0, 1, 1, choices_of(bench.book, kind))

    def address(**changes: Any) -> str:
        asked = {
            **{name: value for name, value in chosen.items() if value},
            "text": text,
            "where": where,
            "sort": sort,
            **changes,
        }
        return f"/list/{kind}?{urlencode({name: value for name, value in asked.items() if value})}"

    kept = columns if columns is not None else request.cookies.get(_COLUMNS + kind, "").split(".")
    there = list(listing.lines[0].columns) if listing.lines else []
    shown = [each for each in there if each in kept]
    answer = page(
        request, bench, visitor, "list", kind=kind, listing=listing, chosen=chosen, text=text, where=where,
        sort=sort, refusal=problem, sorts=sorts_of(kind), address=address, columns=there, shown=shown,
        minis=_minis(listing.lines), examples=EXAMPLES, as_of=as_of, begin=listing.begin,
    )  # fmt: skip
    if columns is not None and there:
        # A taste and no secret: what is in it is compared with the columns there are.
        answer.set_cookie(_COLUMNS + kind, ".".join(shown), max_age=_KEPT_S, samesite="lax", httponly=True,
                          secure=bench.serving.secure)  # fmt: skip
    return answer


@router.get("/search")
def searched(
    request: Request, bench: Here, visitor: Reader, text: Annotated[str, Query(max_length=200)] = ""
) -> Response:
    """Show where a text is found: name, lot, material, remark, note, operator, day."""
    found = bench.lately(("search", text), lambda: search(bench.book, text), visitor.state)
    return page(
        request, bench, visitor, "search", text=text, found=found.value, counted=COUNTED, scan_first=True,
        minis={name: drawn for each in found.value for name, drawn in _minis(each.lines).items()},
        as_of=found.as_of,
    )  # fmt: skip


def _minis(lines: Sequence[Line]) -> dict[str, Mini | None]:
    """Return by ID the plate of a job or the outline of a specimen in small."""
    return {each.id: shape_map(each.shape) or mini_map(each.outlines) for each in lines}


@router.get("/journal")
def journal(
    request: Request, bench: Here, visitor: Reader,
    before: Annotated[int, Query(ge=0, le=2**53)] = 0,
    who: Annotated[str, Query(max_length=100)] = "",
    of: Annotated[str, Query(max_length=60)] = "",
) -> Response:  # fmt: skip
    """Show who did what, the newest first."""
    entries = journal_page(bench.book, before=before, who=who, about=of.strip().upper())
    return page(
        request, bench, visitor, "journal", who=who, of=of, before=before,
        entries=entries,
        older=urlencode({"before": entries[-1]["seq"], "who": who, "of": of}) if entries else "",
    )  # fmt: skip


@router.get("/help")
def contents(
    request: Request, bench: Here, visitor: Reader, words: Annotated[str, Query(max_length=100)] = ""
) -> Response:
    """Show the pages of the manual, and the lines in which some words stand."""
    found = list(manual.search(words, bench.reference))[:_FOUND] if words.strip() else []
    return page(
        request, bench, visitor, "help", topics=topics(), words=words, found=found, text="", title="Help"
    )


_FOUND: Final = 60


@router.get("/help/{name}")
def opened(
    request: Request, bench: Here, visitor: Reader, name: Annotated[str, Path(max_length=60)]
) -> Response:
    """Show a page of the manual."""
    chosen = bench.reference if name == "reference" else topic(name)
    return page(
        request, bench, visitor, "help", topics=topics(), words="", found=(), title=chosen.title,
        text=_drawn(chosen.text.partition("\n")[2]),
    )  # fmt: skip


@router.get("/help/pictures/{name}")
def shown(
    request: Request, bench: Here, visitor: Reader, name: Annotated[str, Path(max_length=60)]
) -> Response:
    """Show a picture of the manual."""
    del bench, visitor
    return picture(request, manual.picture(name), "image/png")


@cache
def _drawn(text: str) -> Markup:
    """Return a page of ours as HTML; markup in it is shown as text all the same."""
    return Markup(markdown_it.MarkdownIt("commonmark", {"html": False}).enable("table").render(text))  # noqa: S704 - made from a page of our own, with raw markup switched off


@router.get("/{text}/trace")
def way_back(
    request: Request,
    bench: Here,
    visitor: Reader,
    text: Annotated[str, Path(max_length=400)],
    of: Annotated[str, Query(max_length=200)] = "",
    part: Annotated[str, Query(pattern="^(list)?$")] = "",
) -> Response:
    """Show the way back; ``part=list`` gives the list alone, to be unfolded in another page."""
    facts: dict[str, Any] = bench.of_state(
        ("trace", text, of), lambda: _facts(bench, text, of), visitor.state
    )
    return page(request, bench, visitor, "waylist" if part else "trace", **facts)


_WHOSE: Final = {"measured": "test", "job": "print", "spool": "spool"}
"""Stations beside which stands what differs from the material's usual, by what it is of."""


def _facts(bench: Bench, text: str, of: str) -> dict[str, Any]:
    way = trace(bench.book, text, of or None)
    differing = unusual(bench.book, bench.plugged, way.id)
    stops = stations(way)
    return {
        "ident": way.id,
        "of": of,
        "stations": stops,
        "marks": [[each.words for each in differing if each.of == _WHOSE.get(stop.label)] for stop in stops],
        "journal": [*journal_lines(way), *(f"corrected: {line}" for line in correction_lines(way))],
        "gaps": [WORDS[place] for place in way.missing],
    }
