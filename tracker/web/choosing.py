"""What a form offers out of the book: materials, spools, jobs and rigs, the newest first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from tracker.records import listed
from tracker.web.bench import Bench

Choices = Sequence[tuple[str, str]]
"""What is sent, and the words that are shown for it."""

_KINDS: Final = {"material": "materials", "spool": "spools", "again": "jobs", "rig": "rigs"}
_MORE: Final = ("name", "material", "lot")


def offered(bench: Bench) -> Mapping[str, Choices]:
    """Return what can be chosen for fields of these names."""
    made: Mapping[str, Choices] = bench.of_state("offered", lambda: _read(bench))
    return made


def _read(bench: Bench) -> Mapping[str, Choices]:
    with bench.book.connect() as connection:
        return {
            field: [(str(row["id"]), _words(row)) for row in listed(connection, kind, bench.book.zone)][::-1]
            for field, kind in _KINDS.items()
        }


def _words(row: Mapping[str, Any]) -> str:
    more = (str(row[key]) for key in _MORE if row.get(key) and row[key] != row["id"])
    return " ".join([str(row["id"]), *more])
