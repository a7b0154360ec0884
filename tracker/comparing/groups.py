"""What A and B name: IDs, a material, or a filter."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.book import Book
from tracker.errors import Refused
from tracker.factors import REGISTRY
from tracker.ids import IdError, job_id
from tracker.kinds import resolve
from tracker.model import JobSpool
from tracker.selection import FilterError, ResultRow, check_asked, parse_filter, selected, why_not
from tracker.suggest import did_you_mean

_SEPARATORS: Final = re.compile(r"[\s,;]+")


def group(book: Book, session: Session, text: str, rows: Sequence[ResultRow]) -> list[ResultRow]:
    """Return the results that a text names.

    Args:
        book: The book.
        session: To read with.
        text: IDs of jobs, spools, specimens or measurements; the name of a material; or a filter.
        rows: Results to choose from, with their factors where the filter asks of any.

    Raises:
        Refused: It names nothing in this book, or no result; near names are told.
    """
    if not text.strip():
        raise Refused(
            "A group is empty", do="Name IDs, a material, or a filter such as material=X nozzle_c>260"
        )
    # A material's name first, as it may hold what reads like an ID or a filter.
    of_material = [row for row in rows if (row.material or "").casefold() == text.strip().casefold()]
    if of_material:
        return of_material
    if any(sign in text for sign in "=<>"):
        return _by_filter(text, rows)
    return _by_ids(book, session, text, rows)


def _by_filter(text: str, rows: Sequence[ResultRow]) -> list[ResultRow]:
    wanted = parse_filter(text)
    if rows:
        check_asked(rows, wanted, (factor.name for factor in REGISTRY))
    found = selected(rows, wanted)
    if not found:
        raise FilterError(f"{text!r} names no results", why=why_not(rows, wanted))
    return found


def _by_ids(book: Book, session: Session, text: str, rows: Sequence[ResultRow]) -> list[ResultRow]:
    found: dict[int, ResultRow] = {}
    for word in filter(None, _SEPARATORS.split(text.strip())):
        try:
            ident = resolve(book, session, word)
        except IdError as error:
            raise _no_name(text, rows, error) from error
        names = {str(ident)}
        if ident.kind == "spool":
            jobs = session.scalars(select(JobSpool.job_id).where(JobSpool.spool_id == ident.number))
            # Results hang on plates; a spool stands for all plates printed from it.
            names |= {job_id(number) for number in jobs}
        for row in rows:
            if names & {row.job, row.specimen, row.measurement}:
                found[row.result] = row
    return list(found.values())


def _no_name(text: str, rows: Sequence[ResultRow], error: IdError) -> Refused:
    """Return what to say of a text that is no ID: it may be a material's name with a slip in it."""
    materials = {row.material for row in rows if row.material is not None}
    meant = did_you_mean(text, materials)
    if meant:
        return Refused(f"{text!r} names no results", do=meant)
    return Refused(
        f"{text!r} names no results", why=str(error).rstrip("."),
        do='Name IDs, a material, or a filter such as "material=X nozzle_c>260"',
    )  # fmt: skip
