"""A site that another bench published, taken into the book as theirs: their IDs, their licence."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NamedTuple, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.acts import Act
from tracker.book import WITH_VOIDED, Book
from tracker.errors import Refused
from tracker.inputs import read_input
from tracker.model import OtherBench, OtherResult
from tracker.publish.manifest import own_files
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
    package, told = _described(folder), _results(folder)
    code = str(package.get("id", "")).rpartition(":")[2]
    if code == book.code:
        raise Refused("These are results of this very book", why=f"both have the code {code}")
    facts = _bench_facts(package, code)
    with book.read() as session:
        bench = session.scalar(select(OtherBench).where(OtherBench.code == code))
        had = {} if bench is None else _had(session, bench.id)
    new = [key for key in told if key not in had]
    # What they had taken back and publish again has its row still, and counts as new.
    back = {each.number: key for key, each in had.items() if each.voided and key in told}
    changed = {
        each.number: key
        for key, each in had.items()
        if not each.voided and key in told and each.digest != _digest(told[key])
    }
    gone = [each.number for key, each in had.items() if not each.voided and key not in told]
    counts = Imported(
        code, str(facts["title"]), str(facts["licence"] or ""), len(new) + len(back), len(changed), len(gone),
        len(told) - len(new) - len(back) - len(changed),
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
        _add(act, bench.id, [{"measurement": key[0], "quantity": key[1], **told[key]} for key in new])
        renewed = {**changed, **back}
        for some in batched([*renewed, *gone], _AT_ONCE):
            asked = select(OtherResult).where(OtherResult.id.in_(some))
            for row in session.scalars(asked, execution_options={WITH_VOIDED: True}):
                row.voided = None if row.id in renewed else act.seq
                for name, value in told[renewed[row.id]].items() if row.id in renewed else ():
                    setattr(row, name, value)
        entry = act.seq
    return Imported(**{**vars(counts), "entry": entry})


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
    """Put new results in: a few are told one by one by the journal, many by a manifest."""
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
    """Yield the rows of a table of a site, held against the site's own manifest first."""
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
