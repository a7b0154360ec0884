"""Books beside each other, and repeatability and reproducibility over benches by ISO 5725-2.

Each material and orientation is a level.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import count
from typing import Any, Final
from xml.sax.saxutils import escape

from tracker.book import Book
from tracker.errors import Refused
from tracker.factors import factors_of, measurement_factors
from tracker.ids import read_id
from tracker.orientation import in_words
from tracker.plugins import Plugged
from tracker.selection import Filter, ResultRow, result_rows, selected, with_factors
from tracker.selection.rows import other_rows
from tracker.statistics.precision import Precision, VarianceComponents, precision, variance_components

_FEWEST: Final = 3
"""Benches from which Mandel's statistics exist."""


@dataclass(frozen=True)
class BenchLevel:
    """One level: a material in one orientation, measured at several benches.

    Attributes:
        material: Its name, the same at all of them.
        orientation: In words; empty where it is not recorded.
        unit: Of all figures.
        values: Readings of each bench, by its name.
        components: Repeatability and reproducibility.
        found: All of ISO 5725-2; None with two benches, or where one has a single reading.
        left_out: Benches left out, with why.
    """

    material: str
    orientation: str
    unit: str
    values: dict[str, list[float]]
    components: VarianceComponents
    found: Precision | None
    left_out: tuple[str, ...] = ()

    def lines(self) -> list[str]:
        """Return the level as text."""
        c = self.components
        said = [f"{self.material} {self.orientation}".rstrip()]
        for name, values in self.values.items():
            said.append(f"  {name}: {sum(values) / len(values):.4g} {self.unit}, n {len(values)}")
        said.append(
            f"  s_r {c.s_r:.3g}, s_R {c.s_big_r:.3g} {self.unit}; repeatability limit r {c.r:.3g}, "
            f"reproducibility limit R {c.big_r:.3g}"
        )
        if self.found is None:
            said.append("  h and k, Cochran's and Grubbs' tests need three benches with repeated readings")
        else:
            said += [f"  {text}" for text in _hints(self.found)]
        return said + [f"  left out: {text}" for text in self.left_out]

    def as_json(self) -> dict[str, Any]:
        """Return the level as plain JSON values."""
        c, found = self.components, self.found
        return {
            "material": self.material, "orientation": self.orientation, "unit": self.unit,
            "values": self.values,
            "mean": c.mean, "s_r": c.s_r, "s_L": c.s_l, "s_R": c.s_big_r, "r": c.r, "R": c.big_r,
            "h": None if found is None else dict(zip(found.names, found.mandel.h, strict=True)),
            "k": None if found is None else dict(zip(found.names, found.mandel.k, strict=True)),
            "hints": [] if found is None else _hints(found), "left_out": list(self.left_out),
        }  # fmt: skip


def compare_benches(
    book: Book, quantity: str, where: Filter | None = None, others: Sequence[ResultRow] = ()
) -> list[BenchLevel]:
    """Return what several benches found for a quantity, a level for each material and orientation they share.

    Only results that count and are numbers enter; nothing is left out because a test points at it: whether
    such a bench is kept is a person's decision.

    Args:
        book: With results of its own, and of others from :func:`tracker.benches.import_site`.
        quantity: Its name.
        where: Only results of which this holds; of others' results it may ask what their sites tell.
        others: Results of other books that are read together with this one, from
            :func:`tracker.benches.rows_of_books`.

    Raises:
        Refused: No level has results of two benches.
    """
    with book.connect() as connection:
        own = result_rows(connection, quantities=[quantity])
        published = other_rows(connection, quantities=[quantity])
    rows = [*own, *published, *(row for row in others if row.quantity == quantity)]
    rows = selected(rows, where) if where is not None else rows
    groups: dict[tuple[str, str, str], dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        if row.counted and row.value is not None and row.relation == "=":
            groups[_level(row)][row.bench or book.code].append(row.value)
    levels = [_stated(*key, dict(benches)) for key, benches in sorted(groups.items()) if len(benches) > 1]
    found = [level for level in levels if level is not None]
    if not found:
        raise Refused(
            f"No material has {quantity} from two benches, one of them with a repeated reading",
            do="strandbook import SITE brings in what another bench published",
        )
    return found


def _level(row: ResultRow) -> tuple[str, str, str]:
    words = in_words(row.orientation) if row.orientation else ""
    return row.material or "not recorded", words, row.unit


def _stated(material: str, orientation: str, unit: str, values: dict[str, list[float]]) -> BenchLevel | None:
    """Return a level; None where no bench repeated its reading."""
    repeated = {name: each for name, each in values.items() if len(each) > 1}
    if not repeated or len(values) <= 1:
        return None
    left_out = tuple(f"{name}, a single reading" for name in values if name not in repeated)
    if len(repeated) >= _FEWEST:
        try:
            found = precision(repeated)
        except Refused:
            # Readings that do not scatter at all have no test of it.
            return BenchLevel(
                material, orientation, unit, values, variance_components(list(values.values())), None
            )
        return BenchLevel(material, orientation, unit, repeated, found.components, found, left_out)
    return BenchLevel(material, orientation, unit, values, variance_components(list(values.values())), None)


def _hints(found: Precision) -> list[str]:
    """Return what the tests say, as hints: straggler at 5 %, outlier at 1 % (ISO 5725-2, 7.3)."""
    said = []
    for name, strong, weak in (
        ("Cochran's test of the largest scatter", found.cochran, found.cochran_5),
        ("Grubbs' test of the farthest mean", found.grubbs, found.grubbs_5),
    ):
        index = getattr(weak, "index", None)
        if index is None or not weak.stands_apart:
            said.append(f"{name}: none at 5 %")
            continue
        grade = "possible outlier (1 %)" if strong.stands_apart else "straggler (5 %)"
        said.append(
            f"{name}: {found.names[index]}, {grade}, {weak.statistic:.3g}, critical {weak.critical:.3g}"
        )
    for letter, values, critical in (
        ("h", found.mandel.h, [found.mandel.h_critical] * len(found.names)),
        ("k", found.mandel.k, found.mandel.k_critical),
    ):
        far = [
            n for n, v, c in zip(found.names, values, critical, strict=True)
            if v is not None and c is not None and abs(v) > c
        ]  # fmt: skip
        if far:
            said.append(f"Mandel's {letter} beyond its 1 % value: {', '.join(far)}")
    return said


_WIDTH, _BAR, _TOP, _HALF = 720, 16, 40, 70


def picture(levels: Sequence[BenchLevel], quantity: str) -> str:
    """Return Mandel's h and k of every level as SVG: a bar for each bench, lines at the 1 and 5 % values.

    Raises:
        Refused: No level has three benches.
    """
    drawn = [level for level in levels if level.found is not None]
    if not drawn:
        raise Refused("There is nothing to draw", why="h and k need three benches with repeated readings")
    parts, y = [], _TOP
    for level in drawn:
        for letter in ("h", "k"):
            parts += _panel(level, letter, y)
            y += 2 * _HALF + 56
    title = escape(f"Mandel's h and k of {quantity}")
    style = "<style>text{font:12px system-ui,sans-serif;fill:#22303a}</style>"
    return (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {_WIDTH} {y}' width='{_WIDTH}' height='{y}' "
        f"role='img'><title>{title}</title>{style}<rect width='{_WIDTH}' height='{y}' fill='#fbfaf6'/>"
        f"<text x='12' y='20' font-weight='600'>{title}</text>{''.join(parts)}</svg>\n"
    )


def _panel(level: BenchLevel, letter: str, y: float) -> list[str]:
    found = level.found
    if found is None:
        return []
    strict, loose = found.mandel, found.mandel_5
    values = strict.h if letter == "h" else strict.k
    limits: list[float] = (
        [strict.h_critical, loose.h_critical]
        if letter == "h"
        else [max((k for k in each.k_critical if k is not None), default=0.0) for each in (strict, loose)]
    )
    scale = _HALF / max([abs(v) for v in values if v is not None] + limits + [1.0])
    zero = y + _HALF + 18
    words = f"{letter}: {level.material} {level.orientation}".rstrip()
    parts = [f"<text x='12' y='{y + 8}'>{escape(words)}</text>"]
    parts.append(f"<path d='M60 {zero}H{_WIDTH - 20}' stroke='#66727b'/>")
    for limit, dash in zip(limits, ("none", "5 4"), strict=True):
        for sign in (1, -1) if letter == "h" else (1,):
            at = zero - sign * limit * scale
            parts.append(
                f"<path d='M60 {at:.1f}H{_WIDTH - 20}' stroke='#a33b4a' "
                f"stroke-dasharray='{dash}' fill='none'/>"
            )
    step = (_WIDTH - 100) / max(len(values), 1)
    for place, (name, value) in enumerate(zip(found.names, values, strict=True)):
        x = 80 + step * place
        if value is not None:
            top, height = min(zero, zero - value * scale), abs(value) * scale
            parts.append(
                f"<rect x='{x:.1f}' y='{top:.1f}' width='{_BAR}' "
                f"height='{max(height, 0.5):.1f}' fill='#0f5c66'/>"
            )
        parts.append(f"<text x='{x:.1f}' y='{zero + _HALF + 14}'>{escape(name)}</text>")
    return parts


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
