"""Speed of keeping: one act, a bulk import, eight writers, verify, each beside bare statements."""

from __future__ import annotations

import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, Final

from tests.bench._row import Row
from tests.databases import ServerOnDemand
from tests.store import writers
from tracker.book import BOOK_FILE, Book, new_book, open_book
from tracker.model import Job, Specimen
from tracker.verify import verify

_ACTS, _ROUNDS = 250, 7
_MANY: Final = 100_000
_WAIT_S: Final = 2.0
_WHO: Final = "Ada Bench"


def _timed(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def _bare(file: Path) -> sqlite3.Connection:
    """Return a bare connection as durable as a book's."""
    connection = sqlite3.connect(file, isolation_level=None)
    for pragma in ("journal_mode=WAL", "foreign_keys=ON", "synchronous=FULL"):
        connection.execute(f"PRAGMA {pragma}")
    return connection


def _with_job(place: Path) -> Book:
    book = new_book(str(place), _WHO)
    with book.act("job add", _WHO) as act:
        act.session.add(Job(name="plate"))
    return book


def _one_act(folder: Path) -> Row:
    """Time a specimen with its journal entry, and two bare inserts of the same rows, in turn."""
    with _with_job(folder / "acts") as book, closing(_bare_copy(folder, "acts")) as bare:
        pieces = iter(range(1, 10**9))
        with book.connect() as connection:
            body = connection.exec_driver_sql("SELECT body FROM journal WHERE seq = 2").scalar_one()

        def ours() -> None:
            with book.act("offbed", _WHO) as act:
                act.session.add(Specimen(job_id=1, piece=next(pieces), orientation="XY", outcome="good"))

        def floor() -> None:
            piece = next(pieces)
            bare.execute("BEGIN IMMEDIATE")
            bare.execute(
                "INSERT INTO specimen (id, job_id, piece, orientation, outcome, entry) "
                "VALUES (?, 1, ?, 'XY', 'good', ?)",
                (piece, piece, piece),
            )
            bare.execute(
                "INSERT INTO journal VALUES (?, '2026-03-02 08:00:00.000000', ?, 'offbed', ?, ?)",
                (piece + 10, _WHO, body, "0" * 64),
            )
            bare.execute("COMMIT")

        times = _in_turn(_repeated(ours), _repeated(floor))
    least = [_ACTS / min(each) for each in times]
    median = [_ACTS / statistics.median(each) for each in times]
    note = f"median {median[0]:,.0f} beside {median[1]:,.0f}; floor: two inserts by sqlite3, synchronous=FULL"
    return Row("one act: specimen and journal entry", least[0], least[1], "≥ 0.25", "1/s", note)


def _repeated(work: Callable[[], None]) -> Callable[[], None]:
    def many() -> None:
        for _ in range(_ACTS):
            work()

    return many


def _in_turn(*works: Callable[[], object], rounds: int = _ROUNDS) -> list[list[float]]:
    """Return the times of each piece of work in s, over alternating rounds after one to warm up."""
    for work in works:
        work()
    times: list[list[float]] = [[] for _ in works]
    for _ in range(rounds):
        for each, work in zip(times, works, strict=True):
            each.append(_timed(work))
    return times


def _bare_copy(folder: Path, name: str) -> sqlite3.Connection:
    """Return a bare connection to a copy of a book."""
    copy = folder / f"{name}-bare.sqlite"
    with (
        closing(sqlite3.connect(folder / name / BOOK_FILE)) as book,
        closing(sqlite3.connect(copy)) as target,
    ):
        book.backup(target)
    return _bare(copy)


def _bulk(folder: Path) -> Row:
    """Time a bulk import with real numbers, manifest and journal, and a bare ``executemany``, in turn."""
    with _with_job(folder / "bulk") as book, closing(_bare_copy(folder, "bulk")) as bare:
        pieces = iter(range(1, 10**9, _MANY))

        def ours() -> None:
            first = next(pieces)
            with book.act("import", _WHO) as act:
                number = act.next_number(Specimen.__table__)  # type: ignore[arg-type]
                act.bulk(Specimen, [_row(number + n, first + n) for n in range(_MANY)])

        def floor() -> None:
            first = next(pieces)
            bare.execute("BEGIN IMMEDIATE")
            bare.executemany(
                "INSERT INTO specimen (id, job_id, piece, orientation, outcome, x_mm, y_mm, note, entry) "
                "VALUES (:id, :job_id, :piece, :orientation, :outcome, :x_mm, :y_mm, :note, 7)",
                [_row(first + n, first + n) for n in range(_MANY)],
            )
            bare.execute("COMMIT")

        times = _in_turn(ours, floor, rounds=3)
    note = "floor: executemany, synchronous=FULL"
    rates = [_MANY / min(each) for each in times]
    return Row(f"bulk import of {_MANY:,} specimens", rates[0], rates[1], "≥ 0.2", "rows/s", note)


def _row(number: int, piece: int) -> dict[str, Any]:
    return {
        "id": number, "job_id": 1, "piece": piece, "orientation": "XY", "outcome": "good",
        "x_mm": piece * 0.1, "y_mm": 12.5, "note": "edge of the plate",
    }  # fmt: skip


def _writers(folder: Path, server: ServerOnDemand, kind: str) -> Iterator[Row]:
    """Time 8 writers of 1,000 acts in all, and one writer of as many."""
    waits, speeds, alone = [], [], []
    for _ in range(2):
        place = _place(folder, server, kind)
        together = writers.run(place, 8, 1000)
        with open_book(place) as book:
            assert verify(book).clean
        waits.append(together.longest_s)
        speeds.append(1000 / together.seconds)
        alone.append(1000 / writers.run(_place(folder, server, kind), 1, 1000).seconds)
    note = "none lost, chain whole, no error; floor: the bound of two seconds"
    yield Row(f"8 writers, 1,000 acts, longest wait, {kind}", max(waits), _WAIT_S, "≤ 1.0", note=note)
    yield Row(f"8 writers, all together, {kind}", max(speeds), max(alone), "-", "1/s", "floor: one writer")


def _place(folder: Path, server: ServerOnDemand, kind: str) -> str:
    files = folder / f"w{time.time_ns():x}"
    if kind != "SQLite":
        return server.get().fresh(files)
    new_book(str(files), _WHO).close()
    return str(files)


def _verify(folder: Path) -> Row:
    """Time verify over a book made in bulk, and the bare reading of its rows."""
    with open_book(str(folder / "bulk")) as book, closing(_bare(folder / "bulk" / BOOK_FILE)) as bare:

        def read() -> None:
            for _ in bare.execute("SELECT * FROM specimen"):
                pass

        ours, floor = _in_turn(lambda: verify(book), read, rounds=2)
        many = verify(book).counts["rows"]
    note = f"{min(ours) / many * 1e6:.0f} s for a million; floor: reading the rows once"
    return Row(f"verify {many:,} rows", min(ours), min(floor), "-", note=note)


def rows() -> Iterator[Row]:
    """Yield the rows of this room."""
    server = ServerOnDemand(f"bench{time.time_ns():x}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        try:
            yield _one_act(folder)
            yield _bulk(folder)
            yield _verify(folder)
            for kind in ("SQLite", "PostgreSQL"):
                yield from _writers(folder, server, kind)
        finally:
            server.stop()
