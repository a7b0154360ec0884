"""Which spool printed what of a job: by tool, from a layer on, or piece by piece."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

from sqlalchemy import select

from tracker.acts import Act
from tracker.book import WITH_VOIDED, Book
from tracker.desk.doubts import Done
from tracker.forms import Ask, FormError, clean, when_at
from tracker.history import check_days, contradiction
from tracker.ids import spool_id
from tracker.kinds import find, name_of
from tracker.kinds.job import spools_by_tool
from tracker.model import Job, JobSpool

SPOOL_USE_FORM: Final = (
    Ask("spool", "Spool", "record", required=True, of=("spool",)),
    Ask("tool", "Tool, counted from 0", "whole", low=0, high=99),
    Ask("from_layer", "First layer printed from it", "whole", low=1, high=1_000_000),
    Ask("pieces", "Pieces printed from it (3,4 or 2-5; empty: all)"),
    Ask("filament_g", "Mass that the job took from it", "number", "g", low=0, high=50_000),
)


def use_spool(book: Book, who: str, job: str, typed: Mapping[str, Any]) -> Done:
    """Enter another spool that a job was printed from: of another tool, from a layer on, or for some pieces.

    Raises:
        FormError: A field is wrong, or nothing tells this spool's part from the other's.
        Refused: There is no such job or spool, or the spool's records cannot all be true with it.
    """
    with book.act("job spool", who) as act:
        row: Job = find(book, act.session, job, "job")
        put_spool(book, act, row, typed, replace=False)
        act.about.insert(0, name_of(row))
    return Done(name_of(row))


def put_spool(book: Book, act: Act, job: Job, typed: Mapping[str, Any], *, replace: bool) -> None:
    """Put a spool into a job.

    Args:
        book: The book.
        act: Under way.
        job: The job.
        typed: Answers to :data:`SPOOL_USE_FORM`.
        replace: It was printed from this spool and not from the one recorded for that tool; with a layer or
            pieces the other stays for the rest.

    Raises:
        FormError: A field is wrong, or nothing tells this spool's part from the other's.
    """
    values = clean(SPOOL_USE_FORM, typed, when_at(book))
    session = act.session
    spool = find(book, session, values["spool"], "spool")
    pieces = _numbers(values["pieces"], job) if values["pieces"] else None
    tool, layer = values["tool"] or 0, values["from_layer"]
    asked = select(JobSpool).where(JobSpool.job_id == job.id)
    there = list(session.scalars(asked, execution_options={WITH_VOIDED: True}))
    live = [each for each in there if each.voided is None and each.spool_id != spool.id]
    same = [each for each in live if each.tool == tool and each.from_layer == layer and each.pieces == pieces]
    if same and not replace:
        raise FormError(
            f"{name_of(job)} is printed from {spool_id(same[0].spool_id)} there already",
            do="Say --tool, --from-layer or --pieces; to put a mistake right: strandbook correct "
            f"{name_of(job)} spool={name_of(spool)} --reason WHY",
        )
    for each in same:
        each.voided = act.seq
    link = next((each for each in there if each.spool_id == spool.id), None)
    if link is None:
        link = JobSpool(job_id=job.id, spool_id=spool.id)
        session.add(link)
    link.voided, link.tool, link.from_layer, link.pieces = None, tool, layer, pieces
    link.filament_g = values["filament_g"]
    already = contradiction(session, spool, when_at(book).now)
    check_days(session, spool, when_at(book).now, besides=already)
    act.about.append(name_of(spool))
    session.flush()
    session.expire(job, ["spools"])


def _numbers(typed: str, job: Job) -> list[int]:
    """Return the numbers of pieces from ``3,4`` or ``2-5``.

    Raises:
        FormError: It names none, or one that the job has not.
    """
    found: set[int] = set()
    for part in typed.split(","):
        match = re.fullmatch(r"\s*(\d{1,3})(?:\s*-\s*(\d{1,3}))?\s*", part)
        if match is None:
            raise FormError(f"{typed!r} names no pieces", do="Write 3,4 or 2-5")
        found |= set(range(int(match[1]), int(match[2] or match[1]) + 1))
    strangers = sorted(found - {each.piece for each in job.specimens})
    if strangers or not found:
        raise FormError(f"{name_of(job)} has no piece {', '.join(map(str, strangers)) or typed}")
    return sorted(found)


def spool_answers(job: Job) -> Iterator[tuple[str, str, str]]:
    """Yield name, label and value of what can be corrected of a job's first spool."""
    links = spools_by_tool(job)
    first = links[0] if links else None
    yield "spool", "Spool", spool_id(first.spool_id) if first is not None else ""
    yield "from_layer", "Spool, first layer printed from it", str(first.from_layer or "") if first else ""
