"""Canonical JSON and the chain of hashes."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import json
import struct
from typing import Any

import pytest
import rfc8785
from hypothesis import assume, example, given
from hypothesis import strategies as st

from tracker.journal import (
    Entry,
    RowChange,
    canonical,
    canonical_row,
    canonical_rows,
    hash_of,
    moment,
    plain,
)

SAFE = 2**53 - 1
FINITE = st.floats(allow_nan=False, allow_infinity=False)
TEXT = st.text(st.characters(exclude_categories=["Cs"]))
CELL = st.one_of(st.none(), st.booleans(), st.integers(-SAFE, SAFE), FINITE, TEXT)
JSON = st.recursive(CELL, lambda inner: st.lists(inner) | st.dictionaries(TEXT, inner), max_leaves=8)
VALUES = st.dictionaries(TEXT, JSON, max_size=4)
SEAMS = [
    0.0, -0.0, 1.0, -1.0, 1e-4, 9.999999999999999e-5, 1e-5, 1e-6, 9.999999999999999e-7, 1e-7, 1e15, 1e16,
    9007199254740991.0, 9007199254740992.0, 9007199254740994.0, 1e17, 1e20, 1e21, 9.999999999999999e20,
    123456789012345680000.0, 1.7976931348623157e308, 5e-324, 2.2250738585072014e-308, 0.1,
    0.30000000000000004, 4.35, 333333333.33333329, 2.0**60, 1e22, 1e23,
]  # fmt: skip
# RFC 8785, Appendix B, from memory: the bits of a float, and its text.
SAMPLES = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]  # fmt: skip


def _float(bits: str) -> float:
    return float(struct.unpack(">d", bytes.fromhex(bits))[0])


class TestCanonical:
    """RFC 8785."""

    @pytest.mark.parametrize(("bits", "text"), SAMPLES)
    def test_published_numbers(self, bits: str, text: str) -> None:
        """The number samples of the standard's Appendix B come out as they stand there."""
        assert canonical(_float(bits)) == text
        assert canonical_row([_float(bits)]) == f"[{text}]"

    @given(st.lists(JSON, max_size=8))
    @example(list(SEAMS))
    @example(['\u2028\u2029\x7f\x00\x1f"\\/', "\U0001f52c", "é"])
    @example([{"\U0001f52c": 1, "\ufb33": 2}])
    def test_rows(self, row: list[Any]) -> None:
        """The quick way of writing a row gives the very bytes of the plain way."""
        assert canonical_row(row) == rfc8785.dumps(row).decode()

    @given(st.lists(st.tuples(JSON, CELL, FINITE), max_size=5))
    @example([(value, 1, value) for value in SEAMS])
    @example([(2**53 - 1, None, 0.5), (1 - 2**53, True, -0.0), (7, "a", 2.0)])
    @example([(2**53, 10**16, 0.5), (-(2**53), -(10**21), 0.5)])
    # A text between two documents as it stands between two rows, or at the end of one.
    @example([([1], "\0", 1.0), ([{}], '],"\0",[', 2.0)])
    @example([(1, "\0", [2]), ("\0", "\0", "\0")])
    def test_many_rows(self, rows: list[tuple[Any, ...]]) -> None:
        """Rows written together are the texts of each written alone."""
        assert canonical_rows(list(zip(*rows, strict=True))) == [canonical_row(row) for row in rows]

    @pytest.mark.parametrize("value", SEAMS)
    def test_at_the_seams(self, value: float) -> None:
        """The same for floats where either way of writing changes its form, alone and among others."""
        assert canonical_row([value, 1]) == rfc8785.dumps([value, 1]).decode()

    @given(FINITE)
    def test_floats_come_back(self, value: float) -> None:
        """A float is read back as the same float, whether as integer or not."""
        assert float(json.loads(canonical(value))) == value

    @given(FINITE)
    def test_twice(self, value: float) -> None:
        """What was read back is written the same again."""
        text = canonical_row([value, {"a": value}])

        assert canonical_row(json.loads(text)) == text

    @pytest.mark.parametrize(
        "value", [float("nan"), float("inf"), 2**53 + 1, -(2**60), 10**400, "\ud800", {1: 2}, object(), b"x"]
    )
    def test_what_is_not_json(self, value: object) -> None:
        """What JSON cannot hold is an error on both ways."""
        with pytest.raises((ValueError, TypeError)):
            canonical(value).encode()
        with pytest.raises((ValueError, TypeError)):
            canonical_row([value]).encode()

    @pytest.mark.parametrize("value", [10**16, -(10**21), 2**53])
    def test_large_integers_that_a_float_holds(self, value: int) -> None:
        """They are written with these very digits, as RFC 8785 writes the float of that value."""
        assert json.loads(canonical(value)) == value
        assert canonical(value) == canonical(float(value))

    def test_order_of_names(self) -> None:
        """Names are ordered by UTF-16 code units, so a pair of surrogates comes before U+FB33."""
        assert canonical({"\ufb33": 1, "\U0001f600": 2, "a": 3}) == '{"a":3,"\U0001f600":2,"\ufb33":1}'


class TestEntry:
    """What an entry says, and its hash."""

    ENTRY = Entry(
        seq=2,
        at=dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.timezone(dt.timedelta(hours=1))),
        who="Ada",
        act="amend",
        prev="0" * 64,
        reason="misread",
        about=("M0001-Y",),
        rows=(RowChange("result", "1", {"value": 1.0}, {"value": 2.5}),),
    )

    def test_body(self) -> None:
        """An entry is one line of canonical JSON with every part named."""
        assert self.ENTRY.body() == (
            '{"about":["M0001-Y"],"act":"amend","at":"2026-03-02T08:00:00.000000Z","bulk":[],"prev":"'
            + "0" * 64
            + '","reason":"misread","rows":[{"after":{"value":2.5},"before":{"value":1},"key":"1",'
            '"table":"result"}],"seq":2,"who":"Ada"}'
        )

    @given(st.lists(st.tuples(TEXT, st.none() | VALUES, VALUES), max_size=3), st.booleans())
    def test_rows_are_written_as_the_whole_would_be(self, rows: list[Any], kept: bool) -> None:
        """Row by row, with what a change left as it was written once, the text is that of all in one."""
        changes = tuple(
            RowChange(name, name, {**after, **before} if kept and before is not None else before, after)
            for name, before, after in rows
        )
        entry = dataclasses.replace(self.ENTRY, rows=changes)
        whole = {**json.loads(self.ENTRY.body()), "rows": [dataclasses.asdict(each) for each in changes]}

        assert entry.body() == canonical(whole)

    def test_hash(self) -> None:
        """The hash is the SHA-256 of the text."""
        assert hash_of("ü") == hashlib.sha256("ü".encode()).hexdigest()

    @given(st.datetimes(timezones=st.just(dt.UTC)), st.integers(-720, 720))
    def test_one_moment_one_text(self, utc: dt.datetime, minutes: int) -> None:
        """A moment has one text, whatever the zone it was given in, and comes back from it."""
        assume(1 < utc.year < dt.MAXYEAR)
        zone = dt.timezone(dt.timedelta(minutes=minutes))

        assert moment(utc.astimezone(zone)) == moment(utc)
        assert dt.datetime.fromisoformat(moment(utc)) == utc

    def test_plain(self) -> None:
        """Dates and times become text, the rest stays."""
        assert [plain(dt.date(2026, 3, 2)), plain(1.5), plain(None)] == ["2026-03-02", 1.5, None]
