"""Several books read together: the results of others beside those of the first, as those of other benches."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import count

from tracker.book import Book
from tracker.errors import Refused
from tracker.factors import factors_of, measurement_factors
from tracker.ids import read_id
from tracker.plugins import Plugged
from tracker.selection import ResultRow, result_rows, with_factors


def rows_of_books(
    books: Iterable[Book], plugged: Plugged, *, first: str, quantities: Sequence[str] | None = None
) -> list[ResultRow]:
    """Return the results of other books, read only, with the factors in force and the bench among them.

    As with results from published sites, their IDs have the code of their book before them, and their
    numbers are negative: none is one of the first book's.

    Args:
        books: The others, open.
        plugged: The methods.
        first: Code of the first book.
        quantities: Only these; all where None.

    Raises:
        Refused: Two of the books have one code.
    """
    books = list(books)
    check_codes([first, *(book.code for book in books)])
    numbers, found = count(_BELOW_SITES, -1), []
    for book in books:
        found += [_as_others(row, book.code, next(numbers)) for row in _own_rows(book, plugged, quantities)]
    return found


def check_codes(codes: Sequence[str]) -> None:
    """Refuse books that cannot be read together.

    Args:
        codes: Of all of them.

    Raises:
        Refused: Two have one code: a book and its copy, or one book named twice.
    """
    twice = next((code for code in codes if codes.count(code) > 1), None)
    if twice is not None:
        raise Refused(
            f"Two of the books have the code {twice}", why="their IDs could not be told apart",
            do="Name each book once; a copy of a book is the same book",
        )  # fmt: skip


_BELOW_SITES = -1_000_000_000
"""Results from published sites are numbered from -1 downwards."""


def _own_rows(book: Book, plugged: Plugged, quantities: Sequence[str] | None) -> list[ResultRow]:
    with book.read() as session:
        rows = result_rows(session.connection(), quantities=quantities)
        pieces = {row.specimen_row for row in rows if row.specimen_row is not None}
        idents = {read_id(row.measurement)[0].number: row.measurement for row in rows}
        own = measurement_factors(session, idents)
        with_factors(
            rows,
            factors_of(session, sorted(pieces), plugged),
            {idents[number]: factors for number, factors in own.items()},
        )
    return rows


def _as_others(row: ResultRow, code: str, number: int) -> ResultRow:
    return replace(
        row,
        result=number,
        measurement=f"{code}:{row.measurement}",
        specimen=f"{code}:{row.specimen}",
        job=None if row.job is None else f"{code}:{row.job}",
        specimen_row=None,
        material_id=None,
        bench=code,
        factors={**row.factors, "bench": code},
    )
