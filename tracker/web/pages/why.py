"""Why two runs differ, asked from a page, and what to print to find out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from tracker.comparing import Why, follow_up, plan_text, why
from tracker.errors import Refused
from tracker.kinds import listed
from tracker.web.bench import Bench
from tracker.web.render import download, linked, page, picture
from tracker.web.visitors import Here, Reader

router = APIRouter()

Group = Annotated[str, Query(max_length=500)]


def answered(bench: Bench, a: str, b: str, of: str) -> Why:
    """Return the answer, made anew only after something was written.

    Raises:
        Refused: The groups name nothing, overlap, or share no quantity.
    """
    return bench.of_state(("why", a, b, of), lambda: why(bench.book, bench.plugged, a, b, of or None))


@router.get("/why")
def difference(
    request: Request, bench: Here, visitor: Reader, a: Group = "", b: Group = "", of: Group = ""
) -> Response:
    """Say whether A and B differ, what differed, and what cannot be told apart."""
    facts: dict[str, Any] = {"a": a, "b": b, "of": of, "told": None, "shared": [], "refusal": None}
    if a.strip() and b.strip():
        try:
            facts |= _told(bench, a.strip(), b.strip(), of.strip())
        except Refused as refusal:
            facts["refusal"] = refusal
    with bench.book.connect() as connection:
        jobs = [{"id": row["id"], "name": row["name"]} for row in listed(connection, "jobs")][::-1][:100]
    return page(request, bench, visitor, "why", jobs=jobs, **facts)


def _told(bench: Bench, a: str, b: str, of: str) -> dict[str, Any]:
    told = answered(bench, a, b, of)
    shared = [each.problem.question.quantity for each in told.overview.answers]
    lines = told.sentences(10_000)
    return {
        "told": told,
        "lines": [linked(line) for line in lines],
        "shared": list(dict.fromkeys(shared)),
        "measured": [] if told.answer is None else _behind(told),
    }


def _behind(told: Why) -> list[tuple[str, Sequence[str]]]:
    """Return the measurements behind each side, so that every number can be walked back."""
    problem = told.answer.problem if told.answer is not None else None
    return [] if problem is None else [("A", sorted(problem.a)), ("B", sorted(problem.b))]


@router.get("/why.svg")
def difference_picture(
    request: Request, bench: Here, visitor: Reader, a: Group, b: Group, of: Group
) -> Response:
    """Draw the answer."""
    del visitor
    told = answered(bench, a, b, of)
    if told.answer is None:
        raise Refused("An overview has no picture", do="Name a quantity")
    return picture(request, bench.of_state(("why.svg", a, b, of), told.answer.picture_svg))


@router.get("/followup.toml")
def plan(bench: Here, visitor: Reader, a: Group, b: Group, of: Group = "") -> Response:
    """Give the plan of the next plates as a file, to check a plate file against."""
    del visitor
    found, material = follow_up(bench.book, bench.plugged, a, b, of or None)
    return download(plan_text(found, material).encode(), "plan.toml", "application/toml")
