"""Speed and memory of whole commands in a large book on both databases, beside the bounds set for them.

``STRANDBOOK_SCALE`` is the number of specimens (a million unless it says otherwise). The book is made once,
by acts in bulk with their manifests, so that ``verify`` finds it sound; it lies among the temporary files.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, Final

import psycopg
from psycopg import sql
from sqlalchemy import JSON, Boolean, Date, DateTime, make_url
from sqlalchemy.types import TypeDecorator

from tests.bench._largebook import _tables, say
from tests.bench._row import Row
from tests.bench.import_ import _MAP, sheet
from tests.bench.table import SAME_ROWS, best
from tests.databases import Server
from tracker.acts.derived import Touched, working_out
from tracker.book import BOOK_FILE, Book, new_book, open_book
from tracker.ids import job_id
from tracker.model import SCHEMA, Base, Result
from tracker.plugins import load
from tracker.table import HeldResults, graded, summary_table

FOLDER: Final = Path(tempfile.gettempdir()) / "strandbook-scale"
_AT_ONCE: Final = 50_000
_IMPORTED: Final = 200_000
_ROUNDS: Final = 3
_TURNS: Final = 2
_BOUND_OF_PAGES: Final = 200_000
_PAGE: Final = 40
_WIDTH, _THICKNESS = 10.02, 4.01
_LEFT_OUT: Final = frozenset({"journal"})
_COMMAND: Final = (
    sys.executable,
    "-c",
    "import sys; sys.argv[0] = 'strandbook'; from tracker.cli import main; main()",
)


def size() -> int:
    """Return how many specimens the book has."""
    return int(os.environ.get("STRANDBOOK_SCALE", "1000000"))


def scale_book(specimens: int) -> Path:
    """Return the folder of a book of so many specimens, making it if it is not there yet."""
    place = FOLDER / f"book-{specimens}-{SCHEMA}"
    if not place.exists():
        begun = FOLDER / f"begun-{specimens}"
        shutil.rmtree(begun, ignore_errors=True)
        say(f"making a book of {specimens:,} specimens, once ({place})")
        with new_book(str(begun), "Ada Bench") as book:
            _fill(book, specimens)
            with book.writing() as connection:
                for keeper in working_out():
                    keeper.refill(connection)
        begun.rename(place)
    return place


class Untouched(Touched):
    """Takes no row in."""

    def take_rows(self, table: str, rows: Iterable[Mapping[str, Any]]) -> None:
        """Leave them be."""

    def add(self, other: Touched) -> None:
        """Leave them be."""


def _fill(book: Book, specimens: int) -> None:
    version = load().method("tensile").version
    models = {mapper.local_table.name: mapper.class_ for mapper in Base.registry.mappers}
    for name, rows in _tables(specimens):
        if name in _LEFT_OUT:
            continue
        say(f"  {name}")
        read = [(column.name, _reader(column.type)) for column in models[name].__table__.c]
        shaped = (
            {key: convert(row[key]) for key, convert in read if key in row and key != "entry"} for row in rows
        )
        while some := list(islice(shaped, _AT_ONCE)):
            with book.act("import", "Ada Bench", reason="bench") as act:
                # Table by table every job would be worked out again with each: once at the end is enough.
                act.touched = Untouched()
                if name == "attachment":
                    act.attach(b"; a plate\n", "plate.gcode")
                else:
                    act.bulk(models[name], [_true(name, row, version) for row in some])


def _true(table: str, row: dict[str, Any], version: str) -> dict[str, Any]:
    """Return a row as the desk would have written it: results are those of their readings."""
    row.pop("plate_sha256", None)
    if table in ("measurement", "result"):
        force = 1850.0 + (row["id"] * 7919) % 200
        row["method_version"] = version
        if table == "result":
            return row | {"value": force / (_WIDTH * _THICKNESS)}
        return row | {"readings": {"max_force": force, "width": _WIDTH, "thickness": _THICKNESS}}
    return row


def _reader(kind: Any) -> Any:
    kind = kind.impl if isinstance(kind, TypeDecorator) else kind
    if isinstance(kind, DateTime):
        return lambda text: text and dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)
    if isinstance(kind, Date):
        return lambda text: text and dt.date.fromisoformat(text)
    if isinstance(kind, JSON):
        return lambda text: text and json.loads(text)
    return bool if isinstance(kind, Boolean) else lambda value: value


@dataclass(frozen=True)
class Ran:
    """A command that ran.

    Attributes:
        first_s: Seconds from its start to its first line.
        whole_s: Seconds to its end, or to the last line that was read.
        processor_s: Seconds of processor time, of the database's server too, which other work on the machine
            lengthens less.
        memory_mb: The most memory it held, in MB.
    """

    first_s: float
    whole_s: float
    processor_s: float
    memory_mb: float


def run(place: str, words: Iterable[str], *, stop_after: int = 0) -> Ran:
    """Run a command of the program in a process of its own.

    Args:
        place: Of the book.
        words: The command.
        stop_after: Close its output after so many lines, as ``head`` does; 0 reads all.
    """
    server = _server_of(place)
    before = _server_s(server)
    # The time that a person waits: from the start of the process.
    env = {name: text for name, text in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    env |= {"STRANDBOOK": place, "STRANDBOOK_WHO": "Ada Bench"}
    began = time.perf_counter()
    child = subprocess.Popen([*_COMMAND, *words], env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert child.stdout is not None
    assert child.stderr is not None
    first = 0.0
    for number, _ in enumerate(child.stdout, start=1):
        first = first or time.perf_counter() - began
        if number == stop_after:
            break
    child.stdout.close()
    said = child.stderr.read().decode()
    _, status, used = os.wait4(child.pid, 0)
    took = time.perf_counter() - began
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in (0, 120) and not stop_after:
        raise RuntimeError(f"{' '.join(words)}: {said}")
    own = used.ru_utime + used.ru_stime
    return Ran(first or took, took, own + _server_s(server) - before, used.ru_maxrss / 1024)


def _server_of(place: str) -> int | None:
    """Return the process of the server on which a book lies; None for SQLite, or where it cannot be told."""
    if "://" not in place:
        return None
    with psycopg.connect(_plain(place)) as connection:
        folder = connection.execute("SHOW data_directory").fetchone()
    assert folder is not None
    file = Path(folder[0]) / "postmaster.pid"
    return int(file.read_text().split()[0]) if file.exists() else None


def _server_s(server: int | None) -> float:
    """Return the processor time in s of a server, of the processes it has and of those it had."""
    if server is None:
        return 0.0
    ticks = 0
    for file in Path("/proc").glob("[0-9]*/stat"):
        try:
            # Behind the name, which may hold anything: state, parent, …, own times, those of ended children.
            fields = file.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(file.parent.name) == server:
            ticks += sum(map(int, fields[11:15]))
        elif int(fields[1]) == server:
            ticks += sum(map(int, fields[11:13]))
    return ticks / os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Bound:
    """A command with its bounds: s to the first line or to the end, and MB."""

    words: tuple[str, ...]
    seconds: float
    megabytes: float
    first: bool = False


def _bounds(specimens: int) -> list[Bound]:
    jobs = specimens // 8
    near, far = job_id(jobs // 2), job_id(jobs // 2 + 4)
    return [
        Bound(("list", "results", "material='Material 7'"), 2, 150, first=True),
        Bound(("list", "specimens", "nozzle_c>200"), 2, 150, first=True),
        Bound(("list", "specimens", "lot=L77"), 2, 150, first=True),
        Bound(("list", "results", "infill_pct>50"), 2, 150, first=True),
        Bound(("table",), 5, 300),
        Bound(("table", "material='Material 7'"), 5, 300),
        Bound(("table", "nozzle_c>200"), 5, 300),
        Bound(("why", near, far), 2, 250),
        Bound(("watch", "--of", "tensile.strength"), 30, 500),
        Bound(("programme", "Material 7"), 5, 300),
        Bound(("verify",), 300, 500),
    ]


def rows() -> Iterator[Row]:
    """Yield the rows of this room, making its book first where it is not there."""
    specimens = size()
    FOLDER.mkdir(exist_ok=True)
    place = scale_book(specimens)
    wanted = os.environ.get("STRANDBOOK_SCALE_OF", "")
    kinds = os.environ.get("STRANDBOOK_SCALE_ON", "SQLite PostgreSQL").split()
    places: dict[str, str] = {}
    for kind in kinds:
        server = None if kind == "SQLite" else Server("scale")
        places[kind] = str(place) if server is None else _copied(server, place, specimens)
    for bound in _bounds(specimens):
        if wanted in " ".join(bound.words):
            yield from _measured(places, bound, specimens)
    if wanted in "table":
        for kind, where in places.items():
            yield from _tables_made(kind, where, specimens)
    if wanted in "import":
        yield from _import(kinds)


def _copied(server: Server, place: Path, specimens: int) -> str:
    """Return the place of the same book on a server, copied row by row; attachments are the same files."""
    name, files = f"scale_{specimens}_{SCHEMA}", place / "files"
    there = server.url(name, files)
    with psycopg.connect(_plain(server.url("postgres", files)), autocommit=True) as admin:
        if admin.execute("SELECT 1 FROM pg_database WHERE datname = %s", (name,)).fetchone():
            return there
        say(f"copying the book of {specimens:,} specimens to PostgreSQL")
        admin.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
    with tempfile.TemporaryDirectory() as folder:
        new_book(server.url(name, Path(folder)), "Ada Bench").close()
    source = sqlite3.connect(place / BOOK_FILE)
    with psycopg.connect(_plain(there)) as target:
        target.execute("SET timezone = 'UTC'")
        target.execute("DELETE FROM journal; DELETE FROM book")
        for table in Base.metadata.sorted_tables:
            _copy_rows(source, target, table)
        target.commit()
        target.autocommit = True
        target.execute("VACUUM ANALYZE")
    return there


def _plain(place: str) -> str:
    """Return the address of a database without what is ours in it."""
    return make_url(place).difference_update_query(["files"]).render_as_string(hide_password=False)


def _copy_rows(source: sqlite3.Connection, target: psycopg.Connection[Any], table: Any) -> None:
    say(f"  {table.name}")
    columns = list(table.c)
    quoted = ", ".join(f'"{column.name}"' for column in columns)
    truths = {place for place, column in enumerate(columns) if isinstance(column.type, Boolean)}
    rows = source.execute(f'SELECT {quoted} FROM "{table.name}"')  # noqa: S608 - our own names
    with target.cursor().copy(f'COPY "{table.name}" ({quoted}) FROM STDIN'.encode()) as copy:
        for row in rows:
            copy.write_row([bool(v) if n in truths and v is not None else v for n, v in enumerate(row)])


def _measured(places: Mapping[str, str], bound: Bound, specimens: int) -> Iterator[Row]:
    """Yield time and memory of a command in books by their database, in turn, the better of each.

    On PostgreSQL the floor is what SQLite took.
    """
    ran: dict[str, list[Ran]] = {kind: [] for kind in places}
    for _ in range(_TURNS):
        for kind, place in places.items():
            ran[kind].append(run(place, bound.words, stop_after=_PAGE if bound.first else 0))
    yield from _rows_of(ran, " ".join(bound.words), bound, specimens)


def _rows_of(ran: Mapping[str, Sequence[Ran]], words: str, bound: Bound, specimens: int) -> Iterator[Row]:
    until = "first page" if bound.first else "whole"
    alone, alone_s = 0.0, 0.0
    for kind, turns in ran.items():
        ours = min(each.first_s if bound.first else each.whole_s for each in turns)
        processor = min(each.processor_s for each in turns)
        alone, alone_s = alone or ours, alone_s or processor
        note = f"{processor:.2f} s of processor, client and server: {processor / alone_s:.2f} of the first"
        yield Row(
            f"{words}, {specimens:,}, {until}, {kind}", ours, alone, f"≤ {bound.seconds:g} s", note=note
        )
        yield Row(
            f"{words}, memory, {kind}", max(each.memory_mb for each in turns), bound.megabytes,
            f"≤ {bound.megabytes:g} MB", "MB", note="floor: the bound",
        )  # fmt: skip


def _tables_made(kind: str, place: str, results: int) -> Iterator[Row]:
    """Yield what the statistics of a table cost beyond a plain query, and a page's table after a write."""
    plugged = load()
    grades = graded(plugged)
    with open_book(place) as book:

        def grouped() -> None:
            with book.connect() as connection:
                connection.exec_driver_sql(SAME_ROWS).fetchall()

        ours, floor = best(
            lambda: summary_table(book, ordinal=grades, plugged=plugged), grouped, rounds=_ROUNDS
        )
        yield Row(
            f"table with intervals from plate to plate, {results:,} results, {kind}", ours, floor, "≤ 2.0",
            note="floor: the same rows and columns by one plain GROUP BY, counts and means alone",
        )  # fmt: skip
        held = HeldResults(grades)
        summary_table(book, ordinal=grades, plugged=plugged, held=held)

        def write() -> None:
            with book.act("verdict", "Ada Bench", reason="bench") as act:
                act.session.get_one(Result, results // 2).uncertainty = time.perf_counter() % 1.0

        def look() -> None:
            write()
            assert summary_table(book, ordinal=grades, plugged=plugged, held=held).rows[:16]

        both, alone = best(look, write, rounds=_ROUNDS)
        yield Row(
            f"the page's table after a write, {results:,} results, {kind}", both - alone, alone,
            "≤ 0.3 s" if results <= _BOUND_OF_PAGES else "", note="floor: the write",
        )  # fmt: skip


def _import(kinds: Iterable[str]) -> Iterator[Row]:
    """Yield time and memory of an import into new books."""
    rows = min(_IMPORTED, size())
    ran: dict[str, list[Ran]] = {kind: [] for kind in kinds}
    bound = Bound(("import",), 60, 400)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "map.toml").write_bytes(_MAP)
        words = ("import", str(sheet(folder / "pieces.csv", rows)), "--columns", str(folder / "map.toml"))
        for turn in range(_TURNS):
            for kind, turns in ran.items():
                if kind == "SQLite":
                    place = str(folder / f"book{turn}")
                    new_book(place, "Ada Bench").close()
                else:
                    place = Server("scale").fresh(folder / f"files{turn}")
                turns.append(run(place, words))
    yield from _rows_of(ran, f"import of {rows:,} rows", bound, rows)
