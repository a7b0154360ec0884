"""Several benches: what others published taken in as theirs, and precision over benches by ISO 5725-2.

What another bench published comes in with its IDs and its licence. Of books beside each other, each material
and orientation is a level.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path
from typing import Any, Final, NamedTuple, TypeVar
from xml.sax.saxutils import escape

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.acts import Act
from tracker.book import WITH_VOIDED, Book
from tracker.errors import Refused
from tracker.factors import factors_of
from tracker.inputs import read_input
from tracker.model import OtherBench, OtherResult
from tracker.orientation import oriented
from tracker.plugins import Plugged
from tracker.publish.manifest import own_files
from tracker.selection import Filter, ResultRow, pieces_of, result_rows, selected, with_factors
from tracker.selection.rows import other_rows
from tracker.statistics.precision import Precision, VarianceComponents, precision, variance_components
from tracker.stored_rows import batched

T = TypeVar("T")

_TABLES: Final = ("data/results.csv", "data/factors.csv")
_COLUMNS: Final = (
    "specimen", "job", "material", "family", "orientation", "method", "method_version", "unit", "relation",
)  # fmt: skip


@dataclass(frozen=True)
class Imported:
    """What a site brought.

    Attributes:
        code: Of the other book.
        title: Of the site.
        licence: SPDX identifier of the licence of its data; empty where none is stated.
        new: Results that were not in the book.
        changed: Results that were, and are different now.
        gone: Results that the site no longer has; they are taken back.
        same: Results that stand as they were.
        entry: Number of the journal entry; None where nothing was written.
    """

    code: str
    title: str
    licence: str
    new: int
    changed: int
    gone: int
    same: int
    entry: int | None = None


def import_site(book: Book, who: str, folder: Path, *, dry: bool = False) -> Imported:
    """Take the results of a published site into a book as another bench's; again, it brings them up to date.

    Args:
        book: Where to.
        who: By whom.
        folder: The site.
        dry: Say what would be written; write nothing.

    Raises:
        Refused: It is no site, its files are not those of its manifest, or it is of this very book.
    """
    package, results = _described(folder), _results(folder)
    code = str(package.get("id", "")).rpartition(":")[2]
    if code == book.code:
        raise Refused("These are results of this very book", why=f"both have the code {code}")
    facts = _bench_facts(package, code)
    with book.read() as session:
        bench = session.scalar(select(OtherBench).where(OtherBench.code == code))
        had = {} if bench is None else _had(session, bench.id)
    found = _compared(had, results)
    counts = Imported(
        code, str(facts["title"]), str(facts["licence"] or ""), len(found.new) + len(found.back),
        len(found.changed), len(found.lost),
        len(results) - len(found.new) - len(found.back) - len(found.changed),
    )  # fmt: skip
    if dry:
        return counts
    with book.act("import site", who, reason=f"{facts['title']}, version {facts['version']}") as act:
        session = act.session
        bench = session.scalar(select(OtherBench).where(OtherBench.code == code))
        if bench is None:
            bench = OtherBench(**facts)
            session.add(bench)
        for name, value in facts.items():
            setattr(bench, name, value)
        session.flush()
        _add(
            act, bench.id, [{"measurement": key[0], "quantity": key[1], **results[key]} for key in found.new]
        )
        _renew(act, found, results)
        entry = act.seq
    return Imported(**{**vars(counts), "entry": entry})


class _Compared(NamedTuple):
    """What a site has, compared with what the book has of it.

    Attributes:
        new: Results that the book never had.
        back: Numbers of rows that the site had taken back and publishes again, which count as new.
        changed: Numbers of rows that it publishes otherwise.
        lost: Numbers of rows that it does not publish any more.
    """

    new: list[tuple[str, str]]
    back: dict[int, tuple[str, str]]
    changed: dict[int, tuple[str, str]]
    lost: list[int]


def _compared(
    had: Mapping[tuple[str, str], _Had], results: Mapping[tuple[str, str], dict[str, Any]]
) -> _Compared:
    live = {key: each for key, each in had.items() if not each.voided}
    return _Compared(
        [key for key in results if key not in had],
        {each.number: key for key, each in had.items() if each.voided and key in results},
        {
            each.number: key
            for key, each in live.items()
            if key in results and each.digest != _digest(results[key])
        },
        [each.number for key, each in live.items() if key not in results],
    )


def _renew(act: Act, found: _Compared, results: Mapping[tuple[str, str], dict[str, Any]]) -> None:
    """Write what changed or came back into its rows, and take back what was lost."""
    renewed = {**found.changed, **found.back}
    for some in batched([*renewed, *found.lost], _AT_ONCE):
        asked = select(OtherResult).where(OtherResult.id.in_(some))
        for row in act.session.scalars(asked, execution_options={WITH_VOIDED: True}):
            if row.id not in renewed:
                row.voided = act.seq
                continue
            row.voided = None
            for name, value in results[renewed[row.id]].items():
                setattr(row, name, value)


_AT_ONCE: Final = 500
_MANY: Final = 2_000


class _Had(NamedTuple):
    number: int
    digest: bytes
    voided: bool


def _had(session: Session, bench: int) -> dict[tuple[str, str], _Had]:
    """Return the results of a bench that are in the book, those that it took back too."""
    columns = [getattr(OtherResult, name) for name in ("id", "measurement", "quantity", "voided", *_KEPT)]
    asked = select(*columns).where(OtherResult.bench_id == bench)
    rows = session.execute(asked.execution_options(yield_per=_AT_ONCE, **{WITH_VOIDED: True}))
    return {
        (row.measurement, row.quantity): _Had(
            row.id, _digest({name: getattr(row, name) for name in _KEPT}), row.voided is not None
        )
        for row in rows
    }


def _digest(values: Mapping[str, Any]) -> bytes:
    """Return what stands for values in a comparison: of a large site they would be held twice."""
    text = json.dumps([values[name] for name in _KEPT], sort_keys=True)
    return hashlib.sha256(text.encode()).digest()[:16]


def _add(act: Act, bench: int, new: Sequence[Mapping[str, Any]]) -> None:
    """Put new results in: a few are reported one by one by the journal, many by a manifest."""
    if len(new) <= _MANY:
        act.session.add_all(OtherResult(bench_id=bench, **each) for each in new)
        return
    table: Any = OtherResult.__table__
    number = act.next_number(table)
    for some in batched(new, _AT_ONCE):
        rows = [{"id": number + at, "bench_id": bench, "voided": None, **row} for at, row in enumerate(some)]
        number += len(rows)
        act.bulk(OtherResult, rows)


def _described(folder: Path) -> Mapping[str, Any]:
    try:
        package = json.loads(read_input(folder / "datapackage.json", "table of a site"))
    except (OSError, ValueError, RecursionError) as error:
        raise Refused(
            f"{folder} is no published site", why="it has no datapackage.json that can be read",
            do="Name the folder that strandbook publish wrote",
        ) from error  # fmt: skip
    if not isinstance(package, dict) or not str(package.get("id", "")).startswith("urn:strandbook:"):
        raise Refused(f"{folder} was not published by strandbook")
    return package


def _bench_facts(package: Mapping[str, Any], code: str) -> dict[str, Any]:
    authors = package.get("contributors") or [{}]
    licences = package.get("licenses") or [{}]
    return {
        "code": code, "title": package.get("title"), "author": authors[0].get("title"),
        "licence": licences[0].get("name"), "address": package.get("homepage"),
        "version": package.get("version"),
    }  # fmt: skip


def _rows(folder: Path, path: str, digests: Mapping[str, str]) -> Iterator[dict[str, str]]:
    """Yield the rows of a table of a site, compared with the site's own manifest first."""
    place = folder / path
    if not place.is_file():
        raise Refused(f"{place} is missing", why="the site is not whole")
    data = read_input(place, "table of a site")
    if hashlib.sha256(data).hexdigest() != digests.get(path):
        raise Refused(
            f"{path} is not what the site's manifest lists", why="it was altered, or is damaged",
            do="Fetch the site again; strandbook check says what else differs",
        )  # fmt: skip
    text = io.TextIOWrapper(io.BytesIO(data), "utf-8", newline="")
    yield from csv.DictReader(text)


def _results(folder: Path) -> dict[tuple[str, str], dict[str, Any]]:
    digests = own_files(folder)
    results, factors = (_rows(folder, path, digests) for path in _TABLES)
    of: dict[str, dict[str, Any]] = defaultdict(dict)
    for row in factors:
        of[row["specimen"]][row["factor"]] = _number(row["value"]) if row["value"] else row["text"]
    found = {}
    for row in results:
        found[row["measurement"], row["quantity"]] = {
            **{name: row[name] or None for name in _COLUMNS},
            "unit": row["unit"], "relation": row["relation"] or "=", "value": _number(row["value"]),
            "uncertainty": _number(row["uncertainty"]), "counted": row["counted"] == "true",
            "factors": of.get(row["specimen"]) or None,
        }  # fmt: skip
    return found


_KEPT: Final = (*_COLUMNS, "value", "uncertainty", "counted", "factors")


def _number(text: str) -> float | None:
    try:
        return float(text) if text else None
    except ValueError as error:
        raise Refused(f"{text!r} in a table of the site is no number") from error


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
        lines = [f"{self.material} {self.orientation}".rstrip()]
        for name, values in self.values.items():
            lines.append(f"  {name}: {sum(values) / len(values):.4g} {self.unit}, n {len(values)}")
        lines.append(
            f"  s_r {c.s_r:.3g}, s_R {c.s_big_r:.3g} {self.unit}; repeatability limit r {c.r:.3g}, "
            f"reproducibility limit R {c.big_r:.3g}"
        )
        if self.found is None:
            lines.append("  h and k, Cochran's and Grubbs' tests need three benches with repeated readings")
        else:
            lines += [f"  {text}" for text in _hints(self.found)]
        return lines + [f"  left out: {text}" for text in self.left_out]

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
    return row.material or "not recorded", oriented(row.orientation), row.unit


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
    hints = []
    for name, strong, weak in (
        ("Cochran's test of the largest scatter", found.cochran, found.cochran_5),
        ("Grubbs' test of the farthest mean", found.grubbs, found.grubbs_5),
    ):
        index = getattr(weak, "index", None)
        if index is None or not weak.is_outlier:
            hints.append(f"{name}: none at 5 %")
            continue
        grade = "possible outlier (1 %)" if strong.is_outlier else "straggler (5 %)"
        hints.append(
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
            hints.append(f"Mandel's {letter} beyond its 1 % value: {', '.join(far)}")
    return hints


_WIDTH, _BAR, _TOP, _HALF = 720, 16, 40, 70


def mandel_picture(levels: Sequence[BenchLevel], quantity: str) -> str:
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
        with_factors(session, rows, factors_of(session, pieces_of(rows), plugged))
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
