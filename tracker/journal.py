"""The journal: what an entry says, how it is written down, how it is chained.

An entry is canonical JSON (RFC 8785) with these keys: ``seq``, ``at``, ``who``, ``act``, ``reason``,
``about`` (IDs), ``rows`` (``table``, ``key``, ``before``, ``after``), ``bulk`` (digests of manifests
of rows too many to list) and ``prev``, the hash of the entry before. Its hash is the SHA-256 of it.
"""

from __future__ import annotations

import datetime as dt
import functools
import hashlib
import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import chain
from typing import Any, Final

from tracker.lazy_modules import lazy

# Wanted only for what the quick way of writing leaves to it.
rfc8785 = lazy("rfc8785")

FIRST_PREV: Final = "0" * 64
"""What the first entry names as the hash before it."""

_SAFE_INTEGER: Final = 2**53
_LARGEST: Final = int(sys.float_info.max)
_PLAIN_LOW: Final = 1e-4


@dataclass(frozen=True)
class RowChange:
    """One row as it was and as it is; ``before`` is None for a new row.

    Attributes:
        table: Name of the table.
        key: Primary key, parts joined by ``:``.
        before: Values by column, as JSON has them.
        after: The same, after the act.
    """

    table: str
    key: str
    before: Mapping[str, Any] | None
    after: Mapping[str, Any]


@dataclass(frozen=True)
class Entry:
    """One act of a person, as the journal keeps it."""

    seq: int
    at: dt.datetime
    who: str
    act: str
    prev: str
    reason: str = ""
    about: tuple[str, ...] = ()
    rows: tuple[RowChange, ...] = ()
    bulk: tuple[Mapping[str, Any], ...] = field(default=())

    def body(self) -> str:
        """Return the canonical JSON of the entry."""
        # Row by row: one small number that the quick encoder would write otherwise costs its own row the long
        # way, and not those of a whole plate beside it.
        head = canonical(
            {
                "about": list(self.about),
                "act": self.act,
                "at": moment(self.at),
                "bulk": list(self.bulk),
                "prev": self.prev,
                "reason": self.reason,
            }
        )
        tail = canonical({"seq": self.seq, "who": self.who})
        return f'{head[:-1]},"rows":[{",".join(map(_row_text, self.rows))}],{tail[1:]}'


def _row_text(row: RowChange) -> str:
    """Return a row of an entry as canonical JSON; what a change left as it was is written once for both."""
    if row.before is None:
        before, after = "null", canonical(row.after)
    elif row.before.keys() != row.after.keys() or not all(map(str.isascii, row.after)):
        before, after = canonical(row.before), canonical(row.after)
    else:
        names = sorted(row.after)
        old = [f"{_ENCODE(name)}:{canonical(row.before[name])}" for name in names]
        new = [
            text if row.after[name] is row.before[name] else f"{_ENCODE(name)}:{canonical(row.after[name])}"
            for name, text in zip(names, old, strict=True)
        ]
        before, after = f"{{{','.join(old)}}}", f"{{{','.join(new)}}}"
    return f'{{"after":{after},"before":{before},"key":{canonical(row.key)},"table":{canonical(row.table)}}}'


def hash_of(body: str) -> str:
    """Return the SHA-256 of an entry's body, hexadecimal."""
    return hashlib.sha256(body.encode()).hexdigest()


def moment(value: dt.datetime) -> str:
    """Return a moment as RFC 3339 text in UTC with microseconds: one moment, one text."""
    # Not strftime: it writes the year 999 in three digits on some systems.
    return value.astimezone(dt.UTC).isoformat(timespec="microseconds")[:-6] + "Z"


def plain(value: Any) -> Any:
    """Return a column's value as JSON has it: times and dates as text, the rest as it is."""
    if isinstance(value, dt.datetime):
        return moment(value)
    if isinstance(value, dt.date):
        return value.isoformat()
    return value


def canonical(value: Any) -> str:
    """Return canonical JSON by RFC 8785.

    An integer past 2⁵³ is taken for the float it is the text of, where there is one: RFC 8785 writes
    2.0**60 as 1152921504606847000, and so do PostgreSQL's documents, and it is read back as an integer.

    Raises:
        ValueError: The value is not JSON (NaN, infinity, a lone surrogate, any other integer past 2⁵³).
    """
    try:
        text = _ENCODE(_quick(value))
    except _LongWayError:
        return _plainly(value)
    # A lone surrogate passes the encoder and has no bytes to be hashed.
    text.encode()
    return text


def _plainly(value: Any) -> str:
    written: bytes
    try:
        written = rfc8785.dumps(value)
    except rfc8785.IntegerDomainError:
        written = rfc8785.dumps(_with_floats(value))
    return written.decode()


def _with_floats(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {name: _with_floats(inner) for name, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_with_floats(inner) for inner in value]
    if isinstance(value, int) and _SAFE_INTEGER <= abs(value) < _LARGEST:
        # Only where the float is written with these very digits: any other integer would be rounded
        # silently.
        near = float(value)
        return near if int(Decimal(repr(near))) == value else value
    return value


def canonical_row(values: Sequence[Any]) -> str:
    """Return the canonical JSON array of one row's values (already :func:`plain`).

    The standard library's encoder, written in C, gives the text of RFC 8785 for everything but some
    floats and names beyond ASCII; those rows alone go the long way. The tests hold the two ways equal.
    """
    try:
        # Most columns of a row are empty or text, and half of the time would go into the calls.
        return _ENCODE([value if value is None or type(value) is str else _quick(value) for value in values])
    except _LongWayError:
        return _plainly(list(values))


def canonical_rows(columns: Sequence[Sequence[Any]]) -> list[str]:
    """Return the canonical JSON array of each of many rows, as :func:`canonical_row` does of one.

    Args:
        columns: Values of the rows (already :func:`plain`), column by column; as many in each.

    To call the encoder costs as much as to write a row of numbers, so it is called once and its text is taken
    apart again, at a text between the rows. A row that holds this very text makes one part too many.
    """
    try:
        rows = list(zip(*map(_quick_column, columns), strict=True))
    except _LongWayError:
        return [canonical_row(row) for row in zip(*columns, strict=True)]
    parts = _ENCODE(list(chain.from_iterable((row, _BETWEEN) for row in rows)))[1:].split(_CUT)
    if len(parts) != len(rows):
        return [canonical_row(row) for row in rows]
    # Behind the last row stands the text between rows and the end of the whole array.
    parts[-1] = parts[-1][: -len(_CUT)]
    return parts


def _quick_column(values: Sequence[Any]) -> Sequence[Any]:
    """Return the values of a column as :func:`_quick` returns each.

    Raises:
        _LongWayError: One is not written quickly.
    """
    kinds = set(map(type, values))
    if kinds <= _AS_THEY_ARE or (
        kinds == {int} and max(values) < _SAFE_INTEGER and min(values) > -_SAFE_INTEGER
    ):
        return values
    return [value if value is None or type(value) is str else _quick(value) for value in values]


class _LongWayError(Exception):
    """A value that the quick encoder may write otherwise than RFC 8785."""


_ENCODE: Final = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode
_AS_THEY_ARE: Final = frozenset({str, bool, type(None)})
_BETWEEN: Final = "\0"
_CUT: Final = f",{_ENCODE(_BETWEEN)},"


def _quick(value: Any) -> Any:
    """Return a value as the quick encoder writes it canonically: whole floats as integers, names in order.

    Raises:
        _LongWayError: It would not.
    """
    kind = type(value)
    # SQLAlchemy's names are texts of a class of their own.
    if kind is str or value is None or kind is bool or isinstance(value, str):
        return value
    if kind is float:
        if value.is_integer() and abs(value) < _SAFE_INTEGER:
            return int(value)
        if _PLAIN_LOW <= abs(value) < _SAFE_INTEGER:
            return value
        raise _LongWayError
    if kind is int and abs(value) < _SAFE_INTEGER:
        return value
    return _quick_within(value)


def _quick_within(value: Any) -> Any:
    """Return a list or an object as :func:`_quick` returns what is in it.

    Raises:
        _LongWayError: It is neither, or something in it is not written quickly.
    """
    # Apart from the plain values, which are nearly all that a row holds.
    kind = type(value)
    if kind is list or kind is tuple:
        return [_quick(inner) for inner in value]
    if kind is dict:
        return {name: _quick(value[name]) for name in _in_order(tuple(value))}
    raise _LongWayError


@functools.lru_cache(maxsize=1024)
def _in_order(names: tuple[Any, ...]) -> tuple[str, ...]:
    """Return the names of an object as RFC 8785 orders them; of thousands of rows they are the same.

    Raises:
        _LongWayError: One is no text, or beyond ASCII: the order is by UTF-16 units, and only within ASCII
            that of the texts.
    """
    if not all(isinstance(name, str) and name.isascii() for name in names):
        raise _LongWayError
    return tuple(sorted(names))
