"""Why two runs differ, asked from a page, and what to print to find out."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request
from starlette.responses import JSONResponse, Response

from tracker.comparing import Why, follow_up, plan_text, plates_to_enter, watched, why
from tracker.desk.doubts import Done
from tracker.desk.jobplates import read_piece
from tracker.desk.jobs import add_job
from tracker.errors import Refused
from tracker.kinds import listed
from tracker.progress import Progress
from tracker.web.acting import acted
from tracker.web.bench import Bench
from tracker.web.render import download, linked, page, picture
from tracker.web.tasks import Task, of_book
from tracker.web.visitors import Form, Here, Keeper, Reader, Visitor
from tracker.why import Answer

router = APIRouter()

Group = Annotated[str, Query(max_length=500)]
_LONG_S = 20.0


def _asked(bench: Bench, visitor: Visitor, a: str, b: str, of: str) -> Task:
    """Return the question as it is worked on beside the page; asked again only after a write."""

    def work(progress: Progress) -> Why:
        progress("Comparing all results", 0, 0)
        return of_book(bench.serving.book, bench.plugged, why, a, b, of or None)

    return bench.tasks.ask(("why", a, b, of, visitor.state), work)


def answered(bench: Bench, visitor: Visitor, a: str, b: str, of: str) -> Why:
    """Return the answer, waited for.

    Raises:
        Refused: The groups name nothing, overlap, or share no quantity; or it takes too long.
    """
    task = _asked(bench, visitor, a.strip(), b.strip(), of.strip())
    if not task.ready(_LONG_S):
        raise Refused("The answer is not there yet", do="Load the page again in a moment")
    found: Why = task.answer()
    return found


@router.get("/why")
def difference(
    request: Request, bench: Here, visitor: Reader, a: Group = "", b: Group = "", of: Group = ""
) -> Response:
    """Say whether A and B differ, what differed, and what cannot be told apart."""
    facts: dict[str, Any] = {"a": a, "b": b, "of": of, "found": None, "shared": [], "refusal": None}
    if a.strip() and b.strip():
        task = _asked(bench, visitor, a.strip(), b.strip(), of.strip())
        if not task.ready():
            return page(request, bench, visitor, "working", task=task)
        try:
            facts |= _answer(task.answer())
        except Refused as refusal:
            facts["refusal"] = refusal
    with bench.book.connect() as connection:
        jobs = [{"id": row["id"], "name": row["name"]} for row in listed(connection, "jobs")][::-1][:100]
    return page(request, bench, visitor, "why", jobs=jobs, **facts)


def _answer(found: Why) -> dict[str, Any]:
    shared = [each.problem.question.quantity for each in found.overview.answers]
    items = [] if found.answer is None else found.answer.items()
    verdict = 0 if found.answer is None or found.answer.verdict is None else _VERDICT
    others = found.sentences(_UNWRAPPED) if found.answer is None else []
    return {
        "found": found,
        "verdict": [linked(text) for text, _ in items[:verdict]],
        "items": [(linked(text), [linked(line) for line in below]) for text, below in items[verdict:]],
        "lines": [linked(line) for line in others],
        "shared": list(dict.fromkeys(shared)),
        "measured": [] if found.answer is None else _behind(found),
    }


_VERDICT: Final = 3
"""Sentences of the verdict, which come first."""
_UNWRAPPED: Final = 10_000


def _behind(found: Why) -> list[tuple[str, Sequence[str]]]:
    """Return the measurements behind each side, so that every number can be walked back."""
    problem = found.answer.problem if found.answer is not None else None
    return [] if problem is None else [("A", sorted(problem.a)), ("B", sorted(problem.b))]


@router.get("/why.svg")
def difference_picture(
    request: Request, bench: Here, visitor: Reader, a: Group, b: Group, of: Group, narrow: bool = False
) -> Response:
    """Draw the answer; narrow is for a phone."""
    found = _drawable(bench, visitor, a, b, of)
    draw = partial(found.picture_svg, narrow=narrow)
    return picture(request, bench.of_state(("why.svg", a, b, of, narrow), draw))


@router.get("/why-graph.svg")
def difference_graph(
    request: Request, bench: Here, visitor: Reader, a: Group, b: Group, of: Group
) -> Response:
    """Draw what follows from what, with what changed lit."""
    found = _drawable(bench, visitor, a, b, of)
    return picture(request, bench.of_state(("why-graph.svg", a, b, of), found.graph_svg))


def _drawable(bench: Bench, visitor: Visitor, a: str, b: str, of: str) -> Answer:
    """Return an answer that has a picture.

    Raises:
        Refused: No quantity is named, and an overview has none.
    """
    found = answered(bench, visitor, a, b, of).answer
    if found is None:
        raise Refused("An overview has no picture", do="Name a quantity")
    return found


@router.get("/followup.toml")
def plan(bench: Here, visitor: Reader, a: Group, b: Group, of: Group = "") -> Response:
    """Give the plan of the next plates as a file, to check a plate file against."""
    del visitor
    found, material = follow_up(bench.book, bench.plugged, a, b, of or None)
    return download(plan_text(found, material).encode(), "plan.toml", "application/toml")


def _proposed(bench: Bench, state: str, a: str, b: str, of: str) -> Task:
    def work(progress: Progress) -> Any:
        progress("Looking for the plates that tell most", 0, 0)
        return of_book(bench.serving.book, bench.plugged, plates_to_enter, a, b, of or None)

    return bench.tasks.ask(("followup", a, b, of, state), work)


@router.get("/followup")
def next_plates(
    request: Request, bench: Here, visitor: Reader, a: Group, b: Group, of: Group = ""
) -> Response:
    """Show the plates that would tell what made a difference, as a table; they can be entered as jobs."""
    return _followup_page(request, bench, visitor, a, b, of)


def _followup_page(
    request: Request, bench: Bench, visitor: Visitor, a: str, b: str, of: str, refusal: Refused | None = None
) -> Response:
    task = _proposed(bench, visitor.state, a, b, of)
    if not task.ready():
        return page(request, bench, visitor, "working", task=task)
    try:
        plan, plates = task.answer()
    except Refused as error:
        return page(
            request,
            bench,
            visitor,
            "followup",
            refusal=error,
            a=a,
            b=b,
            of=of,
            plan=None,
            rows=(),
            factors=(),
        )
    factors = list(dict.fromkeys(name for each in plan.plates for name in (*each.levels, *each.split)))
    return page(
        request, bench, visitor, "followup", refusal=refusal, a=a, b=b, of=of, plan=plan, factors=factors,
        rows=list(zip(plan.rows(), plates, strict=True)),
    )  # fmt: skip


@router.post("/followup")
def plates_entered(
    request: Request, bench: Here, visitor: Keeper, form: Form, a: Group, b: Group, of: Group = ""
) -> Response:
    """Enter the proposed plates that are ticked as jobs, planned and not begun."""

    def act() -> Done:
        task = _proposed(bench, visitor.state, a, b, of)
        if not task.ready(_LONG_S):
            raise Refused("The plates are not there yet", do="Load the page again in a moment")
        _, plates = task.answer()
        wanted = [each for number, each in enumerate(plates, start=1) if form.get(f"plate{number}") == "1"]
        if not wanted:
            raise Refused("No plate is ticked", do="Tick those that shall be printed")
        made = [
            add_job(
                bench.book, visitor.who, each.typed, spools=each.spools, material=each.material,
                pieces=[read_piece(piece) for piece in each.pieces],
                # What is unusual about them is what is asked: it is on the page with the plates.
                sure=True,
            ).id
            for each in wanted
        ]  # fmt: skip
        return Done(made[0], [f"Entered as planned: {', '.join(made)}."], made[1:])

    return acted(
        request, bench, form, lambda name: f"/{name}" if name else "/list/jobs", act,
        lambda refusal: _followup_page(request, bench, visitor, a, b, of, refusal),
    )  # fmt: skip


def _watch(bench: Bench, visitor: Visitor) -> Task:
    def work(progress: Progress) -> Any:
        progress("Looking over all results", 0, 0)
        return of_book(bench.serving.book, bench.plugged, watched)

    return bench.tasks.ask(("watched", visitor.state), work)


@router.get("/watch")
def drift(request: Request, bench: Here, visitor: Reader) -> Response:
    """Show drift, readers that differ and improbable results."""
    task = _watch(bench, visitor)
    if not task.ready():
        return page(request, bench, visitor, "watch", working=True, found=(), refused={}, quiet=())
    found, refused = task.answer()
    quiet = [each.question.named for each in found if _quiet(each)]
    watched = [
        {"at": at, "title": each.question.named, "charts": each.charts, "lines": each.sentences(10_000)}
        for at, each in enumerate(found)
        if not _quiet(each)
    ]
    return page(request, bench, visitor, "watch", working=False, found=watched, refused=refused, quiet=quiet)


def _quiet(each: Any) -> bool:
    """Whether nothing stands out of a quantity."""
    return all(line.endswith("nothing stands out.") for line in each.sentences(10_000))


@router.get("/watch.json")
def drift_chart(bench: Here, visitor: Reader, of: Annotated[int, Query(ge=0, le=10_000)]) -> Response:
    """Give the plates of each material in order of time, to be drawn by the page."""
    task = _watch(bench, visitor)
    if not task.ready(_LONG_S):
        raise Refused("The answer is not there yet", do="Load the page again in a moment")
    found, _ = task.answer()
    if of >= len(found):
        raise Refused("There is no such chart")
    each = found[of]
    points = [
        {"material": chart.material, "plate": plate, "value": value, "place": place,
         "beyond": plate in chart.beyond}
        for chart in each.charts
        for place, (plate, value) in enumerate(zip(chart.plates, chart.residuals, strict=True), start=1)
    ]  # fmt: skip
    limits = [
        {"material": chart.material, "low": chart.individuals.low, "high": chart.individuals.high}
        for chart in each.charts
    ]
    return JSONResponse({"kind": "drift", "fraction": each.fraction, "points": points, "limits": limits})
