"""A book of a million specimens, made once, in bulk, and kept in ``.bench/``; its copy on PostgreSQL.

It is a book to be read: its rows are as the desk would write them, but only the sampled ones have journal
entries of their own, and the others share one for each ten thousand, without manifests.
"""

from __future__ import annotations

import datetime as dt
import random
import shutil
import sqlite3
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Final

from tracker.acts.derived import working_out
from tracker.book import BOOK_FILE, new_book, open_book
from tracker.journal import Entry, RowChange, hash_of
from tracker.model import SCHEMA, Base

FOLDER: Final = Path(__file__).resolve().parents[2] / ".bench"
_VERSION: Final = f"{SCHEMA}-2"
_PIECES, _SPOOLS_OF = 8, 50
_BLOCK: Final = 10_000
_SAMPLED: Final = 200
_DAY: Final = dt.datetime(2020, 1, 1, 8, tzinfo=dt.UTC)
_DIGEST: Final = "5f" * 32


def large_book(specimens: int) -> Path:
    """Return the folder of a book of so many specimens, making it if it is not there yet."""
    place = FOLDER / f"book-{specimens}-{_VERSION}"
    if not place.exists():
        begun = FOLDER / f"begun-{specimens}"
        shutil.rmtree(begun, ignore_errors=True)
        say(f"making a book of {specimens:,} specimens, once ({place})")
        new_book(str(begun), "Ada Bench").close()
        _fill(begun / BOOK_FILE, specimens)
        with open_book(str(begun)) as book, book.engine.begin() as connection:
            for keeper in working_out():
                keeper.refill(connection)
        begun.rename(place)
    return place


def sample(specimens: int) -> list[int]:
    """Return the numbers of the measurements that are traced, spread over the book."""
    step = specimens // _SAMPLED
    return list(range(step // 2, specimens, step))


def _fill(file: Path, specimens: int) -> None:
    connection = sqlite3.connect(file, isolation_level=None)
    for pragma in ("synchronous=OFF", "journal_mode=MEMORY", "cache_size=-400000"):
        connection.execute(f"PRAGMA {pragma}")
    connection.execute("BEGIN")
    for table, rows in _tables(specimens):
        _insert(connection, table, rows)
    connection.execute("COMMIT")
    connection.execute("ANALYZE")
    connection.execute("PRAGMA journal_mode=WAL")
    connection.close()


def _insert(connection: sqlite3.Connection, table: str, rows: Iterable[dict[str, Any]]) -> None:
    """Insert rows that name the same columns; the others stay empty."""
    say(f"  {table}")
    rows = iter(rows)
    first = next(rows)
    names = ", ".join(f'"{name}"' for name in first)
    marks = ", ".join("?" * len(first))
    statement = f'INSERT INTO "{table}" ({names}) VALUES ({marks})'  # noqa: S608 - our own names
    connection.execute(statement, tuple(first.values()))
    connection.executemany(statement, (tuple(row.values()) for row in rows))


def _at(hours: float) -> str:
    return (_DAY + dt.timedelta(hours=hours)).strftime("%Y-%m-%d %H:%M:%S.%f")


def _tables(specimens: int) -> Iterator[tuple[str, Iterable[dict[str, Any]]]]:
    """Yield tables and their rows, those first that others name."""
    jobs = specimens // _PIECES
    spools = max(10, jobs // _SPOOLS_OF)
    chosen = {number: place for place, number in enumerate(sample(specimens))}
    first = specimens // _BLOCK + 3

    def entry(measurement: int, kind: int) -> int:
        """Number of the entry that wrote a row: its own for the sampled, else that of its block."""
        place = chosen.get(measurement)
        return 2 + measurement // _BLOCK if place is None else first + 2 * place + kind

    yield "attachment", [{"sha256": _DIGEST, "size": 1, "name": "plate.gcode", "entry": 2}]
    yield "material", ({"id": n, "name": f"Material {n}", "family": "ASA", "entry": 2} for n in range(1, 201))
    yield (
        "spool",
        (
            {
                "id": n,
                "material_id": 1 + n % 200,
                "lot": f"L{n}",
                "supplied": "bought",
                "net_g": 1000.0,
                "entry": 2,
            }
            for n in range(1, spools + 1)
        ),
    )
    yield "stay", (
        {
            "id": 3 * n + k, "spool_id": n, "place": ("open air", "dry box", "open air")[k], "entry": 2,
            "began_at": _at(24 * n + 30 * k), "ended_at": _at(24 * n + 30 * k + 30), "rh_pct": 45.0,
        }
        for n in range(1, spools + 1) for k in range(3)
    )  # fmt: skip
    yield (
        "drying",
        (
            {"id": n, "began_at": _at(24 * n + 10), "ended_at": _at(24 * n + 16), "set_c": 80.0, "entry": 2}
            for n in range(1, spools + 1)
        ),
    )
    yield (
        "drying_spool",
        (
            {"drying_id": n, "spool_id": n, "before_g": 1250.0, "after_g": 1246.5, "entry": 2}
            for n in range(1, spools + 1)
        ),
    )
    yield (
        "rig",
        (
            {"id": n, "name": f"rig {n}", "role": "rig", "unit": "N", "resolution": 0.5, "entry": 2}
            for n in (1, 2, 3)
        ),
    )
    yield (
        "calibration",
        (
            {"id": n, "rig_id": n, "done_on": "2020-01-01", "u_abs": 0.0, "u_rel": 0.004, "entry": 2}
            for n in (1, 2, 3)
        ),
    )
    yield "job", (
        {
            "id": n, "name": f"plate {n}", "plate_sha256": _DIGEST, "plate_name": "p", "printer": "left",
            "started_at": _at(24 * (1 + n // _SPOOLS_OF) + 90), "outcome": "finished", "nozzle_set_c": 250.0,
            "chamber_set_c": 70.0, "chamber_measured_c": 61.5, "layer_height_mm": 0.2,
            "entry": next((entry(m, 0) for m in range((n - 1) * _PIECES + 1, n * _PIECES + 1) if m in chosen),
                          2 + n * _PIECES // _BLOCK),
        }
        for n in range(1, jobs + 1)
    )  # fmt: skip
    yield (
        "job_spool",
        (
            {"job_id": n, "spool_id": 1 + n % spools, "tool": 0, "entry": 2 + n * _PIECES // _BLOCK}
            for n in range(1, jobs + 1)
        ),
    )
    yield (
        "change",
        (
            {"id": n, "job_id": 4 * n, "setting": "nozzle_c", "value": 255.0, "layer": 12, "entry": 2}
            for n in range(1, jobs // 4)
        ),
    )
    yield "specimen", (
        {
            "id": n, "job_id": 1 + (n - 1) // _PIECES, "piece": 1 + (n - 1) % _PIECES, "name": "bar",
            "orientation": ("XYZ", "ZXY")[n % 2], "outcome": "good", "x_mm": 20.0 * (n % 8), "y_mm": 60.0,
            "entry": entry(n, 0),
        }
        for n in range(1, specimens + 1)
    )  # fmt: skip
    yield "factor", (
        {"specimen_id": n, "name": name, "number": 45.0, "basis": "typed", "source": "", "entry": entry(n, 0)}
        for n in range(1, specimens + 1) for name in ("infill_pct", "raster_deg")
    )  # fmt: skip
    yield "measurement", (
        {
            "id": n, "specimen_id": n, "method": "tensile", "method_version": "1.0", "source": "typed",
            "readings": '{"max_force": 1210.5, "width": 10.02, "thickness": 4.01}', "at": _at(n / 5),
            "operator": "Bo Helper", "room_c": 22.0, "entry": entry(n, 1),
        }
        for n in range(1, specimens + 1)
    )  # fmt: skip
    yield (
        "measurement_rig",
        (
            {"measurement_id": n, "rig_id": 1 + n % 3, "calibration_id": 1 + n % 3, "entry": entry(n, 1)}
            for n in range(1, specimens + 1)
        ),
    )
    draw = random.Random(4)
    yield "result", (
        {
            "id": n, "measurement_id": n, "quantity": "tensile.strength", "value": draw.gauss(48, 2),
            "unit": "MPa", "uncertainty": 0.2, "relation": "=", "remarks": "[]", "counted": 1,
            "method_version": "1.0",
            "budget": '[{"source": "R0001-M: calibration", "u": 0.19, "share": 0.93}]', "entry": entry(n, 1),
        }
        for n in range(1, specimens + 1)
    )  # fmt: skip
    yield "journal", _journal(specimens, first)


def _journal(specimens: int, first: int) -> Iterator[dict[str, Any]]:
    """Yield entries: one for each block, then two for each sampled measurement, with rows in them."""
    for seq in range(2, first):
        yield _entry(seq, "import", ())
    for place, number in enumerate(sample(specimens)):
        pieces = tuple(_new("specimen", str(number + k), 24) for k in range(_PIECES))
        yield _entry(first + 2 * place, "job add", (_new("job", str(number // _PIECES), 32), *pieces))
        rows = (_new("measurement", str(number), 16), _new("result", str(number), 13))
        yield _entry(first + 2 * place + 1, "measure", rows)


def _new(table: str, key: str, columns: int) -> RowChange:
    """Return a new row of about the size that such rows have."""
    return RowChange(table, key, None, {f"column_{n}": None if n % 3 else 12.5 for n in range(columns)})


def _entry(seq: int, act: str, rows: tuple[RowChange, ...]) -> dict[str, Any]:
    entry = Entry(
        seq, _DAY + dt.timedelta(seconds=seq), "Ada Bench", act, "0" * 64, reason="bench", rows=rows
    )
    body = entry.body()
    return {
        "seq": seq, "at": _at(seq / 3600), "who": entry.who, "act": act, "body": body, "hash": hash_of(body),
    }  # fmt: skip


def copied_book(server: Any, specimens: int) -> str:
    """Return the URI of a copy of the book of so many specimens, making it if it is not there yet."""
    import psycopg  # noqa: PLC0415 - with the server only

    name = f"book_{specimens}_{_VERSION.replace('-', '_')}"
    uri = str(server.get_uri(database=name))
    uri = uri if "?" in uri else f"{uri}?"
    with psycopg.connect(server.get_uri(), autocommit=True) as admin:
        if admin.execute("SELECT 1 FROM pg_database WHERE datname = %s", (name,)).fetchone():
            return uri
        say(f"copying the book of {specimens:,} specimens to PostgreSQL, once")
        admin.execute(f'DROP DATABASE IF EXISTS "{name}_begun"'.encode())
        admin.execute(f'CREATE DATABASE "{name}_begun"'.encode())
        begun = str(server.get_uri(database=f"{name}_begun"))
        _copy(begun if "?" in begun else f"{begun}?", large_book(specimens) / BOOK_FILE)
        admin.execute(f'ALTER DATABASE "{name}_begun" RENAME TO "{name}"'.encode())
    return uri


def _copy(uri: str, file: Path) -> None:
    import psycopg  # noqa: PLC0415 - with the server only

    new_book(f"{uri}&files={FOLDER / 'files'}", "Ada Bench").close()
    source = sqlite3.connect(file)
    with psycopg.connect(uri) as target:
        for table in Base.metadata.sorted_tables:
            if table.name == "book":
                continue
            say(f"  {table.name}")
            names = [column.name for column in table.c]
            quoted = ", ".join(f'"{name}"' for name in names)
            booleans = {place for place, column in enumerate(table.c) if str(column.type) == "BOOLEAN"}
            where = " WHERE seq > 1" if table.name == "journal" else ""
            rows = source.execute(f'SELECT {quoted} FROM "{table.name}"{where}')  # noqa: S608 - our own names
            with target.cursor().copy(f'COPY "{table.name}" ({quoted}) FROM STDIN'.encode()) as copy:
                for row in rows:
                    copy.write_row(
                        [bool(v) if place in booleans and v is not None else v for place, v in enumerate(row)]
                    )
        target.commit()
        target.autocommit = True
        target.execute("VACUUM ANALYZE")
    source.close()


def say(text: str) -> None:
    """Tell whoever waits, on the error stream."""
    print(text, file=sys.stderr, flush=True)
