"""A large book verified by several processes: tables, measurements and jobs divided among them.

The journal is one chain and is walked by the process that asks. Each other process reads what it needs of the
book for itself, in one state of it: what is entered meanwhile is checked whole or not at all.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from sqlalchemy import Connection, func, select

from tracker.book import Book, open_book
from tracker.model import DERIVED, Base, Job, Measurement
from tracker.progress import Progress, silent
from tracker.stored_rows import RawTable, lenient_text, raw
from tracker.verify.chain import links
from tracker.verify.findings import Finding, Findings, noting
from tracker.verify.ledger import Ledger, Replay, compare
from tracker.verify.recomputed import Recompute, check_derived, check_results

Recomputing = Callable[[Book], Recompute]
"""Gives what computes results again, in a process of its own: a function that is in a module."""

_MEASUREMENTS: Final = 25_000
_JOBS: Final = 10_000
UNSPOKEN: Final = frozenset({"journal", *DERIVED})
"""Tables of whose rows no journal entry speaks."""


@dataclass(frozen=True)
class Part:
    """A part of the work.

    Attributes:
        what: Rows against the journal, results computed again, or what is kept beside the records.
        tables: Of rows, the tables.
        low: Else the first number, of measurements or jobs.
        high: The number after the last.
        after: Only what entries after this one wrote.
    """

    what: Literal["rows", "results", "derived"]
    tables: tuple[str, ...] = ()
    low: int = 0
    high: int = 0
    after: int = 0


@dataclass
class Done:
    """What was found in a part, to be put together with the others."""

    found: list[Finding] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    missing: dict[str, int] = field(default_factory=dict)
    more: int = 0


_opened: tuple[Book, Recompute | None] | None = None


def _open(place: str, recomputing: Recomputing | None) -> None:
    """Open the book in a process that has just begun; it stays open until the process ends."""
    global _opened  # noqa: PLW0603 - what a process of a pool keeps between its parts has no other place
    book = open_book(place)
    _opened = book, None if recomputing is None else recomputing(book)


def _work(part: Part) -> Done:
    if _opened is None:
        raise AssertionError("the pool opens the book before it gives work")
    book, recompute = _opened
    findings, missing = Findings(), dict[str, int]()
    with book.connect() as connection, lenient_text(connection):
        if part.what == "rows":
            _rows(connection, book, part, findings)
        elif part.what == "results" and recompute is not None:
            with noting(findings, "The measurements"):
                span = (part.low, part.high)
                missing = check_results(connection, recompute, findings, silent, part.after, span)
        elif part.what == "derived":
            with noting(findings, "The factors in force"):
                check_derived(connection, findings, silent, (part.low, part.high))
    return Done(findings.found, findings.notes, findings.counts, missing, findings.more)


def _rows(connection: Connection, book: Book, part: Part, findings: Findings) -> None:
    known = Base.metadata.tables
    tables = {name: RawTable(known[name], connection.dialect.name) for name in part.tables}
    with Ledger(tables) as ledger:
        replay = Replay(tables, book.files, ledger, findings, after=part.after, elsewhere=frozenset(known))
        with noting(findings, "The journal"):
            for link in links(connection, part.after):
                replay.take(link)
        with noting(findings, "The tables"):
            compare(connection, replay, silent)


def parts_of(connection: Connection, processes: int, after: int) -> Iterator[Part]:
    """Yield the parts of a book's verification, the longest first.

    Args:
        connection: To the book.
        processes: Among so many the tables are divided.
        after: Only what entries after this one wrote is to be checked.
    """
    for tables in _divided(connection, processes, after):
        yield Part("rows", tables, after=after)
    for low, high in _spans(connection, Measurement, _MEASUREMENTS):
        yield Part("results", low=low, high=high, after=after)
    if not after:
        for low, high in _spans(connection, Job, _JOBS):
            yield Part("derived", low=low, high=high)


def _divided(connection: Connection, processes: int, after: int) -> list[tuple[str, ...]]:
    """Return the tables in as many groups of about as many rows."""
    sizes = {}
    for name, table in Base.metadata.tables.items():
        if name not in UNSPOKEN:
            counted = select(func.count()).select_from(table)
            if after:
                counted = counted.where(raw(table.c.entry) > after)
            sizes[name] = connection.scalar(counted) or 0
    groups: list[list[str]] = [[] for _ in range(processes)]
    loads = [0] * processes
    for name in sorted(sizes, key=sizes.__getitem__, reverse=True):
        least = loads.index(min(loads))
        groups[least].append(name)
        # Each table costs something, be it empty.
        loads[least] += sizes[name] + 1
    return [tuple(group) for group in groups if group]


def _spans(connection: Connection, model: Any, length: int) -> Iterator[tuple[int, int]]:
    table = model.__table__
    last = connection.scalar(select(func.max(raw(table.c.id)))) or 0
    for low in range(1, int(last) + 1, length):
        yield low, low + length


def worked(
    book: Book,
    parts: Sequence[Part],
    recomputing: Recomputing | None,
    processes: int,
    own: Callable[[], None],
    progress: Progress,
) -> list[Done]:
    """Have parts done by processes, and this one's own work meanwhile; the answers stand as the parts do.

    Args:
        book: Open here; each process opens it for itself.
        parts: What is to be done.
        recomputing: Gives what computes results again.
        processes: How many.
        own: What this process does while they work.
        progress: Called as parts are done.
    """
    # Started anew and not forked: threads and connections of this process must not come along.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, context, _open, (book.place, recomputing)) as pool:
        futures: list[Future[Done]] = [pool.submit(_work, part) for part in parts]
        try:
            own()
            for number, _ in enumerate(as_completed(futures), start=1):
                progress("parts of the book", number, len(parts))
            return [future.result() for future in futures]
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
