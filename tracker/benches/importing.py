"""A site that another bench published, taken into the book as theirs: their IDs, their licence."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy import select

from tracker.book import Book
from tracker.errors import Refused
from tracker.model import OtherBench, OtherResult
from tracker.publish.manifest import own_files

_MOST_BYTES: Final = 200_000_000
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
    package, told = _described(folder), _results(folder)
    code = str(package.get("id", "")).rpartition(":")[2]
    if code == book.code:
        raise Refused("These are results of this very book", why=f"both have the code {code}")
    facts = _bench_facts(package, code)
    with book.read() as session:
        bench = session.scalar(select(OtherBench).where(OtherBench.code == code))
        had = {}
        for row in () if bench is None else bench.results:
            had[row.measurement, row.quantity] = _values(row)
    new = [key for key in told if key not in had]
    changed = [key for key in told if key in had and had[key] != told[key]]
    gone = [key for key in had if key not in told]
    counts = Imported(
        code, str(facts["title"]), str(facts["licence"] or ""), len(new), len(changed), len(gone),
        len(told) - len(new) - len(changed),
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
        rows = {(row.measurement, row.quantity): row for row in bench.results}
        for key in new:
            session.add(OtherResult(bench_id=bench.id, measurement=key[0], quantity=key[1], **told[key]))
        for key in changed:
            for name, value in told[key].items():
                setattr(rows[key], name, value)
        for key in gone:
            rows[key].voided = act.seq
        entry = act.seq
    return Imported(**{**vars(counts), "entry": entry})


def _described(folder: Path) -> Mapping[str, Any]:
    try:
        package = json.loads((folder / "datapackage.json").read_text("utf-8"))
    except (OSError, ValueError) as error:
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
    """Yield the rows of a table of a site, held against the site's own manifest first."""
    place = folder / path
    if not place.is_file():
        raise Refused(f"{place} is missing", why="the site is not whole")
    if place.stat().st_size > _MOST_BYTES:
        raise Refused(f"{place} is larger than any site's ({_MOST_BYTES // 10**6} MB)")
    data = place.read_bytes()
    if hashlib.sha256(data).hexdigest() != digests.get(path):
        raise Refused(
            f"{path} is not what the site's manifest lists", why="it was altered, or is damaged",
            do="Fetch the site again; strandbook check says what else differs",
        )  # fmt: skip
    yield from csv.DictReader(io.StringIO(data.decode("utf-8")))


def _results(folder: Path) -> dict[tuple[str, str], dict[str, Any]]:
    digests = own_files(folder)
    results, factors = (list(_rows(folder, path, digests)) for path in _TABLES)
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


def _values(row: OtherResult) -> dict[str, Any]:
    return {name: getattr(row, name) for name in _KEPT}


def _number(text: str) -> float | None:
    try:
        return float(text) if text else None
    except ValueError as error:
        raise Refused(f"{text!r} in a table of the site is no number") from error
