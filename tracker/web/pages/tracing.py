"""The whole way back from a number to its spool: one line with a stop for each record it comes from."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from tracker.comparing import unusual
from tracker.trace import WORDS, correction_lines, journal_lines, stations, trace
from tracker.web.bench import Bench
from tracker.web.render import page
from tracker.web.visitors import Here, Reader

router = APIRouter()


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
