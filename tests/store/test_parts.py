"""Ledger, replay, recomputing, acts, rows and attachments by themselves, without a whole book."""

from __future__ import annotations

import contextlib
import datetime as dt
import errno
import gzip
import hashlib
import io
import json
import os
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NoReturn, Self

import pytest
from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Date,
    DateTime,
    ForeignKey,
    Integer,
    MetaData,
    Table,
    Text,
    create_engine,
    insert,
    make_url,
    text,
)

from tracker import files as files_module
from tracker.acts.act import _LAST, BACKWARDS, ClockDoubt, _check_clock, insert_rows, manifest
from tracker.acts.derived import Touched, _only_used_up, working_out
from tracker.acts.recording import Insert, check_value, dated_columns, highest, written
from tracker.backup import BackupError
from tracker.backup.restoring import _beside, _check_room, _to_be_made
from tracker.backup.saving import _refused, copy_to
from tracker.backup.tables import _converter, _stored_moment, check_references, put_rows, tables_of
from tracker.errors import Refused
from tracker.files import MARKER, AwayError, Files, FilesError, make_private_folder
from tracker.heads import Head
from tracker.inputs import MB
from tracker.journal import RowChange, canonical, moment
from tracker.stored_rows import RawTable, digest
from tracker.verify import _hash, _processes, clean, verify
from tracker.verify.attachments import _note_unnamed, check_attachments
from tracker.verify.chain import Link
from tracker.verify.findings import Findings, Origin
from tracker.verify.heads import Heads
from tracker.verify.ledger import Ledger, Replay, _differences, _differing, manifest_rows
from tracker.verify.parallel import _divided, _spans, worked
from tracker.verify.recomputed import TOLERANCE, _agrees, _check, _differs, note_missing

SERVER, FILE = make_url("postgresql+psycopg://").get_dialect()(), make_url("sqlite://").get_dialect()()
AT = dt.datetime(2026, 5, 4, 10, 11, 12, 345678, tzinfo=dt.UTC)
META = MetaData()
THING = Table(
    "thing", META, Column("id", Integer, primary_key=True), Column("name", Text), Column("entry", Integer)
)
PAIR = Table(
    "pair", META, Column("a", Integer, primary_key=True), Column("b", Text, primary_key=True),
    Column("entry", Integer),
)  # fmt: skip


def origin(seq: int = 1, at: str = "2026-05-04T10:11:12.000000Z") -> Origin:
    """Return the head of an entry."""
    return Origin(seq, at, "Ada", "add")


def link(seq: int, at: str = "2026-05-04T10:11:12.000000Z", hash_: str = "a" * 64, **body: Any) -> Link:
    """Return an entry of the journal."""
    return Link(origin(seq, at), body, hash_)


class TestLedger:
    """What rows should be."""

    def test_a_later_note_takes_the_place_of_an_earlier_one(self) -> None:
        """By table and key; what is taken is gone, what is left comes by entry and key."""
        with Ledger(["thing", "pair"]) as ledger:
            ledger.note("thing", [(1, 1, b"one"), (2, 1, b"two"), (3, 1, b"three")])
            ledger.note("thing", [(2, 4, b"TWO")])
            ledger.note("pair", [("1:x", 2, b"pair"), ("0:x", 2, b"pair")])
            assert ledger.last("thing", 2) == (4, b"TWO")
            assert ledger.last("thing", 9) is None
            assert ledger.last("pair", "1:x") == (2, b"pair")
            assert ledger.take("thing", [1, 9]) == {1: (1, b"one")}
            assert ledger.take("thing", [1]) == {}
            assert list(ledger.left("thing")) == [(3, 1), (2, 4)]
            assert list(ledger.left("pair")) == [("0:x", 2), ("1:x", 2)]
            (cache,) = ledger._base.execute("PRAGMA cache_size").fetchone()
            (journal,) = ledger._base.execute("PRAGMA journal_mode").fetchone()
        # 64 MB, and nothing written twice.
        assert (cache, journal) == (-65536, "off")


@pytest.fixture
def replay(tmp_path: Path) -> Any:
    """Give a replay of two tables, with a third that is looked at elsewhere."""
    tables = {table.name: RawTable(table, "sqlite") for table in (THING, PAIR)}
    with Ledger(tables) as ledger:
        yield Replay(tables, Files(tmp_path), ledger, Findings(), elsewhere=frozenset({"far"}))


def row(key: int, name: str, entry: int) -> dict[str, Any]:
    """Return a row as the journal has it."""
    return {"id": key, "name": name, "entry": entry}


class TestReplay:
    """Entries replayed."""

    def test_rows_are_noted_by_their_digest(self, replay: Replay) -> None:
        """As the entry leaves them."""
        replay.take(link(1, rows=[{"table": "thing", "key": "7", "before": None, "after": row(7, "x", 1)}]))
        replay.take(
            link(2, rows=[{"table": "thing", "key": "7", "before": row(7, "x", 1), "after": row(7, "y", 2)}])
        )
        assert replay.ledger.last("thing", 7) == (2, digest([2, 7, "y"]))
        assert replay.findings.found == []

    @pytest.mark.parametrize(
        ("before", "after_entry", "told"),
        [
            (row(7, "x", 1), 0, None),
            (row(7, "z", 1), 0, "but entry 1 left it otherwise"),
            (None, 0, "but entry 1 left it otherwise"),
            (row(8, "x", 1), 0, None),
        ],
    )
    def test_what_was_before_is_held_against_what_is_noted(
        self, replay: Replay, before: Any, after_entry: int, told: str | None
    ) -> None:
        """A row that was changed behind the journal shows in the next entry."""
        replay.after = after_entry
        replay.take(link(1, rows=[{"table": "thing", "key": "7", "before": None, "after": row(7, "x", 1)}]))
        change = {"table": "thing", "key": "7", "before": before, "after": row(7, "y", 2)}
        if before and before["id"] == 8:
            change = {**change, "before": None, "key": "8"}
        replay.take(link(2, rows=[change]))
        if told is None:
            assert replay.findings.found == []
            return
        (finding,) = replay.findings.found
        assert finding.text == (
            "Entry 2 (2026-05-04 10:11:12 UTC, Ada, add) says how thing 7 was before it, " + told
        )
        assert (finding.kind, finding.table, finding.key, finding.origin) == (
            "chain",
            "journal",
            "2",
            origin(2),
        )

    @pytest.mark.parametrize(
        ("entry", "after", "unread", "doubted"),
        [
            (1, 0, False, True),
            (3, 3, False, False),
            (4, 3, False, True),
            (4, 3, True, False),
            ("3", 3, False, True),
        ],
    )
    def test_what_was_written_before_the_replay_cannot_be_known(
        self, replay: Replay, entry: Any, after: int, unread: bool, doubted: bool
    ) -> None:
        """Up to the entry it begins behind, or in a list that cannot be read; else nobody wrote it."""
        replay.after = after
        if unread:
            replay.unread.add(("thing", 4))
        before = {**row(7, "x", 1), "entry": entry}
        replay.take(link(5, rows=[{"table": "thing", "key": "7", "before": before, "after": row(7, "y", 5)}]))
        assert ["an earlier entry never wrote it" in each.text for each in replay.findings.found] == [
            True
        ] * doubted

    def test_a_table_that_is_none(self, replay: Replay) -> None:
        """Is reported once; one that is looked at elsewhere is passed by."""
        for name in ("far", "none"):
            replay.take(link(1, rows=[{"table": name, "key": "7", "before": None, "after": {}}]))
        assert [each.text for each in replay.findings.found] == [
            "Entry 1 (2026-05-04 10:11:12 UTC, Ada, add) speaks of a table 'none' that a book does not have"
        ]

    @pytest.mark.parametrize(
        "change", [{}, {"table": "thing"}, None, {"table": "thing", "key": 7, "before": None}]
    )
    def test_rows_that_cannot_be_made_out(self, replay: Replay, change: Any) -> None:
        """Are one finding, and not the end of the walk."""
        replay.take(link(3, rows=[change]))
        (finding,) = replay.findings.found
        assert finding.text.startswith("The rows that entry 3 ")

    def test_a_list_of_rows(self, replay: Replay) -> None:
        """Each is noted by the entry that names the list; a lost list leaves its rows unread."""
        rows = [row(n, f"n{n}", 4) for n in (1, 2)]
        name = replay.files.put(manifest(THING, ["entry", "id", "name"], rows, 4))
        named = {"table": "thing", "rows": 2, "manifest": name}
        replay.take(link(4, bulk=[named]))
        assert replay.ledger.last("thing", 2) == (4, digest([4, 2, "n2"]))
        assert list(manifest_rows(replay.files, name)) == rows
        replay.take(
            link(5, bulk=[{**named, "manifest": "f" * 64}, {**named, "table": "far", "manifest": "e" * 64}])
        )
        assert replay.manifests == {name: origin(4), "f" * 64: origin(5), "e" * 64: origin(5)}
        assert replay.unread == {("thing", 5)}

    def test_rows_that_differ(self, replay: Replay) -> None:
        """Another digest, a row nobody wrote; one of an unread list is neither right nor wrong."""
        reader = replay.tables["thing"]
        replay.ledger.note("thing", [(1, 1, digest([1, 1, "a"])), (2, 1, digest([1, 2, "b"]))])
        replay.unread.add(("thing", 5))
        rows = [[1, 1, "a"], [1, 2, "B"], [1, 3, "c"], [5, 4, "d"]]
        found = _differing(replay, reader, rows)
        assert [(each.key, each.entry, each.found) for each in found] == [
            (2, 1, [1, 2, "B"]),
            (3, None, [1, 3, "c"]),
        ]
        assert list(replay.ledger.left("thing")) == []

    def test_columns_that_differ(self) -> None:
        """By their digests: 1 and 1.0 are the same in JSON; a column nobody noted is one."""
        found = _differences({"a": 1, "b": "x", "c": None}, {"a": 1.0, "b": "y", "c": None})
        assert [(each.column, each.journal, each.book) for each in found] == [("b", "y", "x")]


class TestResults:
    """Results worked out again."""

    @pytest.mark.parametrize(
        ("value", "again", "agrees"),
        [
            (100.0, 100.0 * (1 + 0.9 * TOLERANCE), True), (100.0, 100.0 * (1 + 1.1 * TOLERANCE), False),
            (100.0, 100.0 * (1 - 1.1 * TOLERANCE), False), (0.0, 0.0, True), (0.0, 1e-300, False),
            (None, None, True), (None, 0.0, False), (0.0, None, False),
        ],
    )  # fmt: skip
    def test_a_value_agrees_within_rounding(
        self, value: float | None, again: float | None, agrees: bool
    ) -> None:
        """A billionth of it; a value is none where there was none, whatever its size."""
        result: Any = SimpleNamespace(quantity="q", value=value)
        assert _agrees(result, {"q": again}) == agrees
        assert _agrees(result, {}) == (value is None)
        assert TOLERANCE == 1e-9

    def test_what_differs_is_told_in_figures(self) -> None:
        """As it stands in the book, and computed again."""
        result: Any = SimpleNamespace(
            id=5, quantity="tensile.strength", value=31.25, unit="MPa", method_version="1.2"
        )
        measurement: Any = SimpleNamespace(id=3, method="tensile")
        found = _differs(measurement, result, 31.5)
        assert found.text.endswith(
            "no longer give its tensile.strength: 31.25 MPa in the book (by tensile version 1.2), "
            "31.5 MPa computed again"
        )
        assert (found.kind, found.table, found.key, found.differences[0].journal) == (
            "result",
            "result",
            "5",
            31.5,
        )
        result.value, result.method_version = None, ""
        bare = _differs(measurement, result, None).text
        assert bare.endswith(
            "no value in the book (by tensile version not recorded), no value computed again"
        )

    def test_methods_that_are_not_here_are_counted(self) -> None:
        """By measurement; one without results is nothing to look at."""
        findings, missing = Findings(), dict[str, int]()
        result = SimpleNamespace(quantity="q", value=1.0, id=1, unit="", method_version="")
        tests: list[Any] = [SimpleNamespace(id=n, method="m", results=[result]) for n in (1, 2)]
        for each in (*tests, SimpleNamespace(id=3, method="m", results=[])):
            _check(each, lambda _: None, findings, missing)
        assert (missing, findings.counts["results"]) == ({"m": 2}, 0)
        _check(tests[0], lambda _: {"q": 1.0}, findings, missing)
        assert (findings.counts["results"], findings.found) == (1, [])
        note_missing(missing, findings)
        assert findings.notes == [
            "2 measurements by 'm' were not computed again: that version of the method is not installed"
        ]


class TestHeads:
    """Noted heads beside the walk."""

    @staticmethod
    def heads(findings: Findings, *noted: Head) -> Heads:
        """Return what looks for heads of the book AB2."""
        return Heads("AB2", dt.UTC, list(noted), findings)

    def test_an_entry_has_the_hash_that_was_noted(self) -> None:
        """Or was written anew; or the journal ends before it. Entry 0 is that of an empty journal."""
        findings = Findings()
        noted = [
            Head("AB2", n, c * 64, "2026-05-04T23:59:59Z")
            for n, c in ((1, "a"), (2, "a"), (9, "a"), (0, "a"))
        ]
        walk = self.heads(findings, *noted, Head("CD3", 1, "a" * 64, "no moment at all"))
        for seq, c in ((1, "a"), (2, "b")):
            walk.take(link(seq, hash_=c * 64))
        walk.finish()
        assert [each.text for each in findings.found] == [
            "The noted head of no moment  is of the book CD3, and not of AB2",
            "Entry 2 is not the one that was noted on 2026-05-04: the journal up to there was rewritten",
            "The journal ends before entry 9, which was noted on 2026-05-04: its end was cut off",
        ]

    @pytest.mark.parametrize(("back_s", "told"), [(120, False), (121, True), (-500, False)])
    def test_a_clock_that_went_back(self, back_s: int, told: bool) -> None:
        """By more than two minutes between two entries; what is no moment is passed over."""
        findings = Findings()
        walk = self.heads(findings)
        times = [AT, AT - dt.timedelta(seconds=back_s)]
        for seq, at in enumerate(
            [*(each.isoformat() for each in times), "yesterday", AT.isoformat()], start=1
        ):
            walk.take(link(seq, at))
        assert len(findings.notes) == told
        if told:
            assert findings.notes[0].endswith("the entry before it is 0:02:01 later")
            assert findings.notes[0].startswith("The clock went back before entry 2 ")

    @pytest.mark.parametrize(
        ("typed", "digest_"), [("", ""), (" ABCDEF 012345 ", "abcdef012345"), ("0" * 64, "0" * 64)]
    )
    def test_a_hash_as_it_was_typed(self, typed: str, digest_: str) -> None:
        """Twelve characters to sixty-four, blanks and capitals as they come."""
        assert _hash(typed) == digest_
        for wrong in ("0" * 11, "0" * 65, "g" * 12):
            with pytest.raises(Refused, match="is no head of a journal"):
                _hash(wrong)


class TestParts:
    """A large book among processes."""

    @staticmethod
    def asked(number: int | None) -> Any:
        """Return a connection that answers every question with a number."""
        return SimpleNamespace(scalar=lambda _: number)

    @pytest.mark.parametrize(
        ("largest", "processors", "many"),
        [(None, 4, 1), (50_000, 4, 1), (50_001, 4, 4), (50_001, 16, 8), (50_001, None, 1)],
    )
    def test_how_many(
        self, largest: int | None, processors: int | None, many: int, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """One to fifty thousand pieces; then as there are processors, eight at most."""
        monkeypatch.setattr("tracker.verify.os.cpu_count", lambda: processors)
        assert _processes(self.asked(largest)) == many

    @pytest.mark.parametrize(
        ("last", "spans"), [(None, []), (0, []), (1, [(1, 11)]), (10, [(1, 11)]), (11, [(1, 11), (11, 21)])]
    )
    def test_spans_cover_every_number(self, last: int | None, spans: list[tuple[int, int]]) -> None:
        """From 1 on, as many at a time as asked."""
        assert list(_spans(self.asked(last), SimpleNamespace(__table__=THING), 10)) == spans

    def test_tables_are_divided_by_their_rows(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """The largest first, each to whoever has least; what no entry speaks of is left out."""
        sizes = {"t1": 100, "t2": 60, "t3": 50, "t4": 0, "t5": 0, "journal": 999}
        meta = MetaData()
        for name in sizes:
            Table(name, meta, Column("entry", Integer))
        monkeypatch.setattr("tracker.verify.parallel.Base", SimpleNamespace(metadata=meta))
        statements = []

        def scalar(statement: Any) -> int:
            statements.append(str(statement))
            return next(n for name, n in sizes.items() if f"FROM {name}" in str(statement))

        connection: Any = SimpleNamespace(scalar=scalar)
        found = _divided(connection, 2, 0)
        assert found == [("t1", "t4", "t5"), ("t2", "t3")]
        assert not any("WHERE" in each for each in statements)
        assert _divided(connection, 9, 3) == [(f"t{n}",) for n in (1, 2, 3, 4, 5)]
        assert "WHERE t5.entry > :" in statements[-1]

    def test_parts_are_worked_at_beside_ones_own(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Answers in the order of the parts; where one's own work ends early the others are called off."""
        done: list[Any] = []

        class Pool:
            """Processes that do their work at once, and write down what was asked of them."""

            def __init__(self, *given: Any) -> None:
                done.append((given[0], given[3]))

            def __enter__(self) -> Self:
                return self

            def __exit__(self, *_: object) -> None:
                done.append("closed")

            def submit(self, work: Any, part: Any) -> Future[Any]:
                """Return the name of the work and its part."""
                future: Future[Any] = Future()
                future.set_result((work.__name__, part))
                return future

            def shutdown(self, **how: Any) -> None:
                """Write down how it was ended."""
                done.append(how)

        monkeypatch.setattr("tracker.verify.parallel.ProcessPoolExecutor", Pool)
        book: Any = SimpleNamespace(place="/srv/book")
        parts: Any = ["one", "two"]
        told: list[Any] = []
        found: Any = worked(
            book, parts, None, 3, lambda: done.append("own"), lambda *given: told.append(given)
        )
        assert found == [("_work", "one"), ("_work", "two")]
        assert done == [(3, ("/srv/book", None)), "own", "closed"]
        assert told == [("parts of the book", 1, 2), ("parts of the book", 2, 2)]

        def interrupted() -> NoReturn:
            raise KeyboardInterrupt

        done.clear()
        with pytest.raises(KeyboardInterrupt):
            worked(book, parts, None, 3, interrupted, lambda *_: None)
        assert done[1:] == [{"wait": False, "cancel_futures": True}, "closed"]


class TestActs:
    """What an act writes."""

    @pytest.mark.parametrize(("back", "asked"), [(120.0, False), (120.001, True), (-5.0, False)])
    @pytest.mark.parametrize("as_text", [True, False])
    def test_a_clock_that_says_less_than_the_last_entry(
        self, back: float, asked: bool, as_text: bool
    ) -> None:
        """Two minutes are let through; a file gives the moment as text, in UTC."""
        last = AT.replace(tzinfo=None).isoformat(sep=" ") if as_text else AT
        with pytest.raises(ClockDoubt) if asked else contextlib.nullcontext() as doubt:
            _check_clock(AT - dt.timedelta(seconds=back), last)
        assert dt.timedelta(minutes=2) == BACKWARDS
        if doubt is not None:
            assert doubt.value.what == (
                "The clock of this computer says 2026-05-04 10:09 UTC, but the last entry in the book was "
                "made at 2026-05-04 10:11 UTC"
            )
        assert _LAST.endswith("ORDER BY seq DESC LIMIT 1")

    def test_a_list_of_rows_is_the_same_for_equal_rows(self) -> None:
        """Table and columns, then a row a line; moments as the journal has them; no time of its own."""
        table = Table(
            "t", MetaData(), Column("id", Integer), Column("at", DateTime), Column("entry", Integer)
        )
        rows: list[dict[str, Any]] = [{"id": 1, "at": AT}, {"id": 2, "at": None}]
        packed = manifest(table, ["at", "entry", "id"], rows, 9)
        assert packed == manifest(table, ["at", "entry", "id"], rows, 9)
        assert packed[4:8] == b"\0\0\0\0"
        assert gzip.decompress(packed).decode().split("\n") == [
            '{"columns":["at","entry","id"],"table":"t"}', f'["{moment(AT)}",9,1]', "[null,9,2]", "",
        ]  # fmt: skip

    @pytest.mark.parametrize(("count", "documents"), [(199, []), (200, [200]), (4001, [2000, 2000, 1])])
    def test_many_rows_go_to_a_server_in_documents(self, count: int, documents: list[int]) -> None:
        """From two hundred on, two thousand each; fewer as rows."""
        done: list[Any] = []
        connection: Any = SimpleNamespace(dialect=SERVER, exec_driver_sql=lambda _, given: done.append(given))
        insert_rows(connection, THING, ["entry", "id"], [{"id": n} for n in range(count)], 9)
        if documents:
            assert [len(json.loads(each["rows"])) for each in done] == documents
            assert json.loads(done[0]["rows"])[1] == {"id": 1, "entry": 9}
        else:
            assert [len(each) for each in done] == [count]
            assert done[0][1] == {"id": 1, "entry": 9}

    def test_a_statement_that_inserts(self) -> None:
        """Columns left out have their defaults; values in the order of the statement."""
        table = Table(
            "t",
            MetaData(),
            Column("id", Integer),
            Column("name", Text, default="none"),
            Column("ok", Boolean),
        )
        into = Insert(table, ("ok", "id"), FILE)
        assert into.text == "INSERT INTO t (id, name, ok) VALUES (?, ?, ?)"
        assert tuple(into.values({"id": 7}, ok=True)) == (7, "none", 1)
        assert into.from_document == ""
        server = Insert(table, ("ok", "id"), SERVER)
        assert server.from_document == (
            "INSERT INTO t (ok, id, name) SELECT ok, id, name "
            "FROM json_to_recordset(%(rows)s::json) AS given (ok BOOLEAN, id INTEGER, name TEXT)"
        )
        assert json.loads(server.document([{"id": 1}], ok=None)) == [{"name": "none", "id": 1, "ok": None}]
        day = server.document([{"id": 1, "name": dt.date(2026, 5, 4)}])
        assert json.loads(day)[0]["name"] == "2026-05-04"
        with pytest.raises(ValueError, match="JSON"):
            server.document([{"id": float("nan")}])

    def test_columns_and_numbers(self) -> None:
        """Which hold a moment or a day, and the highest number of each table in one question."""
        table = Table(
            "t",
            MetaData(),
            Column("id", Integer),
            Column("at", DateTime),
            Column("day", Date),
            Column("a", Text),
        )
        assert dated_columns(table) == {"at", "day"}
        engine = create_engine("sqlite://")
        META.create_all(engine)
        with engine.begin() as connection:
            connection.execute(insert(THING), [{"id": 4}, {"id": 9}])
            asked = connection.exec_driver_sql(highest((THING, THING))).one()
        assert tuple(asked) == (9, 9)

    @pytest.mark.parametrize(
        ("value", "told"),
        [
            ("x", None), ({"a": ["b", 1.0, None]}, None), ("a\0", "a NUL character"),
            ("\ud800", "half of a surrogate pair, which is no character"), ({"a\0": 1}, "a NUL character"),
            ({"a": [1.0, {"b": ("c\0",)}]}, "a NUL character"), (["\udc00"], "half of a surrogate pair"),
        ],
    )  # fmt: skip
    def test_texts_that_no_database_keeps(self, value: Any, told: str | None) -> None:
        """However deep in a document, by the name of what they are in."""
        with pytest.raises(Refused) if told else contextlib.nullcontext() as refused:
            check_value("the note", value)
        if refused is not None:
            assert refused.value.what.startswith(f"The text of the note holds {told}")

    def test_a_text_that_cannot_be_written(self) -> None:
        """Says which value it is; a person's own words for a NUL are none."""
        assert written(lambda: '"\\\\u0000"', "a row", ["\\u0000"]) == '"\\\\u0000"'
        with pytest.raises(Refused, match="The text of a row holds a NUL character"):
            written(lambda: canonical("\0"), "a row", ["\0"])
        with pytest.raises(Refused, match="This cannot be written down") as refused:
            written(lambda: canonical(float("nan")), "a row", [float("nan")])
        assert refused.value.do == "Nothing was written"


def change(table: str, before: dict[str, Any] | None, **after: Any) -> RowChange:
    """Return a row that was entered, or changed."""
    return RowChange(table, "1", before, after)


class TestTouched:
    """What follows from an act."""

    def test_what_each_kind_of_row_touches(self) -> None:
        """By table: the job it is of, the piece, the spool, the measurement."""
        found = Touched()
        assert not found
        found.take_changes(
            [
                change("job", None, id=1), change("job_spool", None, id=5, job_id=2),
                change("change", None, job_id=3),
                change("factor", None, specimen_id=40), change("result", None, measurement_id=50),
                change("note", None, id=99), change("spool", None, id=98),
            ]
        )  # fmt: skip
        assert (found.jobs, found.specimens, found.measurements) == ({1, 2, 3}, {40}, {50})
        assert (found.repeated, found.spools, found.tested, found.tested_spools) == (
            set(),
            set(),
            set(),
            set(),
        )
        assert found
        assert found.prints

    def test_rows_that_changed(self) -> None:
        """A job repeats its attempts, a spool its plates; a piece or test that moved touches both places."""
        found = Touched()
        found.take_changes(
            [
                change("job", {"id": 1}, id=1), change("spool", {"id": 2}, id=2),
                change("specimen", {"id": 3, "job_id": 10, "note": "a"}, id=3, job_id=11, note="a"),
                change("measurement", {"id": 4, "specimen_id": 20}, id=4, specimen_id=21),
                change("measurement", {"id": 5, "specimen_id": None, "spool_id": 30}, id=5, spool_id=31),
                change("result", {"measurement_id": 6}, measurement_id=7),
            ]
        )  # fmt: skip
        assert (found.jobs, found.repeated, found.spools) == ({1, 10, 11}, {1}, {2})
        assert (found.tested, found.tested_spools, found.measurements) == ({20, 21}, {30, 31}, {6, 7})

    def test_results_of_a_new_measurement_are_on_its_plate(self) -> None:
        """Whichever of the two rows comes first, entered one by one or in bulk."""
        for order in (1, -1):
            rows = [
                change("measurement", None, id=4, specimen_id=20),
                change("result", None, measurement_id=4),
            ]
            found = Touched()
            found.take_changes(rows[::order])
            assert (found.tested, found.measurements) == ({20}, set())
        found = Touched()
        found.take_rows("result", [{"measurement_id": 4}, {"measurement_id": 5}])
        found.take_rows("measurement", [{"id": 4, "specimen_id": None, "spool_id": 30}])
        found.take_rows("note", [{"id": 1}])
        assert (found.measurements, found.tested_spools, found.jobs) == ({5}, {30}, set())
        assert not found.prints

    def test_a_piece_that_was_only_used_up(self) -> None:
        """Nothing follows from that; its plate is known all the same."""
        before = {"id": 3, "job_id": 10, "broken_at": None, "entry": 1, "note": "a"}
        used = change("specimen", before, **{**before, "broken_at": "now", "entry": 2})
        assert _only_used_up(used)
        assert not _only_used_up(change("specimen", before, **{**before, "note": "b"}))
        assert not _only_used_up(change("specimen", None, **before))
        found = Touched()
        found.take_changes([used, change("measurement", None, id=1, specimen_id=3)])
        assert found.jobs == set()
        nobody: Any = None
        assert found.plates_tested(nobody) == {10}

    def test_spools_that_were_tested_are_plates_below_zero(self) -> None:
        """And there is no plate 0; measurements of results lead to their plate."""
        found = Touched(jobs={1}, tested_spools={4}, measurements={7, 8, 9})
        rows = [(5, None), (None, 6), (None, None)]
        connection: Any = SimpleNamespace(execute=lambda _: rows)
        assert found.plates_tested(connection) == {1, -4, 5, -6}
        made = Touched(jobs={1}, specimens={2}, spools={3})
        answers = iter([[10], [11]])
        assert made.jobs_made(SimpleNamespace(scalars=lambda _: next(answers))) == {1, 10, 11}  # type: ignore[arg-type]

    def test_who_works_out_what_follows(self) -> None:
        """Tests alone leave what is known of prints as it is."""
        names = [[each.__name__ for each in working_out(touched)] for touched in
                 (None, Touched(jobs={1}), Touched(spools={1}), Touched(tested={1}))]  # fmt: skip
        both = ["tracker.factors.kept", "tracker.plate_sums"]
        assert names == [both, both, both, both[1:]]


class TestCopies:
    """Rows and attachments put back."""

    @pytest.fixture
    def base(self) -> Any:
        """Give a database with a table that refers to itself and to another."""
        engine = create_engine("sqlite://")
        with engine.begin() as connection:
            for each in (
                "CREATE TABLE alembic_version (version_num TEXT)",
                "CREATE TABLE plate_sum (plate INTEGER)",
                "CREATE TABLE part (id INTEGER PRIMARY KEY, thing INTEGER REFERENCES thing (id))",
                (
                    "CREATE TABLE thing (id INTEGER PRIMARY KEY, like_id INTEGER REFERENCES thing (id), "
                    "at DATETIME, facts JSON, ok BOOLEAN)"
                ),
            ):
                connection.execute(text(each))
        return engine

    def test_tables_come_after_those_they_refer_to(self, base: Any) -> None:
        """Without the version, and without what follows from others."""
        with base.connect() as connection:
            assert [table.name for table in tables_of(connection)] == ["thing", "part"]

    def test_a_row_may_refer_to_a_later_one(self, base: Any) -> None:
        """What it refers to is put in when all are there; values as SQLite has them."""
        with base.begin() as connection:
            table = tables_of(connection)[0]
            rows: list[list[Any]] = [[1, 2, moment(AT), {"a": [1]}, True], [2, None, "yesterday", None, None]]
            assert put_rows(connection, table, ["id", "like_id", "at", "facts", "ok"], rows) == 2
            found = connection.execute(text("SELECT * FROM thing ORDER BY id")).all()
            assert [tuple(each) for each in found] == [
                (1, 2, "2026-05-04 10:11:12.345678", '{"a": [1]}', 1), (2, None, "yesterday", None, None),
            ]  # fmt: skip
            assert put_rows(connection, table, ["id"], []) == 0
            check_references(connection)
            connection.execute(text("INSERT INTO part VALUES (1, 9), (2, 8)"))
            with pytest.raises(BackupError) as refused:
                check_references(connection)
        assert refused.value.what == "2 rows of the table part would be without what they refer to"
        server: Any = SimpleNamespace(dialect=SimpleNamespace(name="postgresql"))
        check_references(server)

    def test_a_row_of_another_length(self, base: Any) -> None:
        """Does not fit."""
        with base.begin() as connection, pytest.raises(ValueError, match="zip"):
            put_rows(connection, tables_of(connection)[0], ["id", "at"], [[1]])

    @pytest.mark.parametrize(
        ("kind", "given", "sqlite_has", "server_has"),
        [
            (DateTime(), moment(AT), "2026-05-04 10:11:12.345678", AT),
            (Date(), "2026-05-04", "2026-05-04", AT.date()),
            (Boolean(), True, 1, True), (JSON(), {"a": 1}, '{"a": 1}', {"a": 1}), (Text(), "x", "x", "x"),
        ],
    )  # fmt: skip
    def test_a_value_as_each_database_takes_it(
        self, kind: Any, given: Any, sqlite_has: Any, server_has: Any
    ) -> None:
        """From the terms of JSON."""
        for dialect, wanted in (("sqlite", sqlite_has), ("postgresql", server_has)):
            table = Table("t", MetaData(), Column("a", kind, ForeignKey("t.b")), Column("b", Integer))
            assert _converter(table, "a", dialect)(given) == wanted

    @pytest.mark.parametrize("damaged", ["2026-05-04T10:11:12Z", "2026-05-04 10:11:12.000000Z", 7, None])
    def test_a_moment_that_is_none_stays(self, damaged: Any) -> None:
        """As it was: verify names it."""
        assert _stored_moment(damaged) == damaged

    def test_a_backup_that_does_not_fit(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Attachments, and of a book in one file its tables; asked where the folder will be."""
        asked: list[Path] = []

        def usage(folder: Path) -> Any:
            asked.append(folder)
            return SimpleNamespace(free=5 * MB)

        monkeypatch.setattr("tracker.backup.restoring.shutil.disk_usage", usage)
        tables = {"a": SimpleNamespace(bytes=2 * MB), "b": SimpleNamespace(bytes=None)}
        contents = SimpleNamespace(attachment_bytes=3 * MB, tables=tables)
        reader: Any = SimpleNamespace(contents=contents, file="b.backup")
        _check_room(reader, str(tmp_path / "new" / "book"))
        assert asked == [tmp_path]
        contents.attachment_bytes = 3 * MB + 1
        with pytest.raises(BackupError) as refused:
            _check_room(reader, str(tmp_path / "new" / "book"))
        assert refused.value.what == "b.backup does not fit there: it needs 6 MB, and 5 MB are free"
        server = f"postgresql://lab/x?files={tmp_path}/files"
        _check_room(reader, server)
        contents.attachment_bytes = None
        _check_room(reader, server)

    def test_what_a_restore_would_make(self, tmp_path: Path) -> None:
        """Of a book in one file its folder and the files beside it; of a server the attachments alone."""
        folder = tmp_path / "files"
        assert _to_be_made("postgresql://lab/x", folder) == [folder]
        names = ["book.sqlite", "book.sqlite-wal", "book.sqlite-shm", "book.sqlite-next", "book.sqlite-turn"]
        assert _to_be_made(str(tmp_path), folder) == [tmp_path, folder, *(tmp_path / name for name in names)]

    def test_where_the_backup_before_an_upgrade_lies(self, tmp_path: Path) -> None:
        """In the book's folder; of a server beside its attachments, which are made; or why not."""
        assert _beside(str(tmp_path), "b") == tmp_path / "b"
        folder = tmp_path / "new" / "files"
        assert _beside(f"postgresql://lab/x?files={folder}", "b") == folder / "b"
        assert folder.is_dir()
        (tmp_path / "file").touch()
        with pytest.raises(BackupError, match=r"cannot be written.*Not a directory"):
            _beside(f"postgresql://lab/x?files={tmp_path}/file/files", "b")

    @pytest.mark.parametrize(("count", "words"), [(3, ""), (4, " and 1 more")])
    def test_attachments_that_are_missing(self, count: int, words: str, tmp_path: Path) -> None:
        """Three by name, the number of all."""
        book: Any = SimpleNamespace(files=Files(tmp_path))
        found = _refused(book, "missing from", [(f"{n}" * 64, f"f{n}") for n in range(count)])
        named = ", ".join(f"'f{n}' ({str(n) * 12}…)" for n in range(3))
        assert found.what == f"{count} attachments are missing from {tmp_path}: {named}{words}"
        assert found.why == ""
        book.files.code = "AB2"
        assert _refused(book, "x", []).why.startswith("the folder has no marker of the book AB2")

    def test_a_copy_overwrites_nothing(self, tmp_path: Path) -> None:
        """Nor is anything left of one that is no backup."""
        file = tmp_path / "a"
        file.write_bytes(b"no backup")
        with pytest.raises(BackupError, match="exists already"):
            copy_to(file, tmp_path)
        (tmp_path / "there").mkdir()
        with pytest.raises(BackupError, match="is not a backup of"):
            copy_to(file, tmp_path / "there")
        assert list((tmp_path / "there").iterdir()) == []
        with pytest.raises(BackupError, match=r"The copy .* cannot be written.*No such file"):
            copy_to(file, tmp_path / "none" / "b")


class TestAttachments:
    """The folder of attachments."""

    def test_a_marker_names_every_book(self, tmp_path: Path) -> None:
        """A code a line, each once; another's folder is no place for ours."""
        files = Files(tmp_path / "f")
        assert (files.named(), files.trouble()) == ([], "")
        for code in ("AB2", "CD3", "AB2"):
            files.mark(code)
        assert (tmp_path / "f" / MARKER).read_text() == "AB2\nCD3\n"
        assert Files(tmp_path / "f", "CD3").trouble() == ""
        assert Files(tmp_path / "f", "EF4").trouble() == "belongs to the book AB2 and CD3, and not to EF4"
        assert Files(tmp_path / "none", "AB2").trouble().startswith("is not there; ")
        (tmp_path / "bare").mkdir()
        bare = Files(tmp_path / "bare", "AB2")
        assert bare.trouble().startswith("has no marker of the book AB2 (book.code); ")
        with pytest.raises(AwayError) as away:
            bare.put(b"x")
        assert away.value.what.startswith(
            f"Nothing was written: the attachment folder {tmp_path}/bare has no"
        )
        with pytest.raises(FilesError) as gone:
            bare.get("0" * 64)
        assert (gone.value.do, gone.value.why[:24]) == (
            "Connect the right folder",
            "the folder has no marker",
        )

    def test_a_folder_that_cannot_be_read(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Why, in the system's words."""

        def refuse(*_: Any, **__: Any) -> NoReturn:
            raise OSError(errno.EIO, "Input/output error")

        files = Files(tmp_path, "AB2")
        with monkeypatch.context() as patch:
            patch.setattr(Path, "stat", refuse)
            patch.setattr(Files, "named", lambda _: [])
            told = files.trouble()
        assert told == "cannot be read (Input/output error)"

    def test_bytes_are_kept_in_pieces(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Of an open file as of bytes; one of another size is written anew, one of the same is kept."""
        monkeypatch.setattr(files_module, "_CHUNK", 3)
        files, data = Files(tmp_path / "f"), b"curve of forces"
        name = hashlib.sha256(data).hexdigest()
        files.put_as(name, io.BytesIO(data), len(data))
        assert (files.get(name), files.unchanged(name), files.has(name)) == (data, True, True)
        assert files.path(name) == tmp_path / "f" / name[:2] / name
        files.put_as(name, b"x" * len(data))
        assert files.get(name) == data
        files.put_as(name, b"short")
        assert (files.get(name), files.unchanged(name)) == (b"short", False)
        files.remove(name)
        files.remove(name)
        assert (files.has(name), files.unchanged(name)) == (False, None)
        files.put_as(name, b"")
        assert files.get(name) == b""

    def test_what_a_broken_write_leaves_is_not_stored(self, tmp_path: Path) -> None:
        """Files under temporary names; sub-folders of two letters, in order."""
        files = Files(tmp_path)
        for each in ("ab/abc", "ab/.abc-1", "aa/aac", "long/abc", "cc/.x"):
            (tmp_path / each).parent.mkdir(exist_ok=True)
            (tmp_path / each).touch()
        assert list(files.stored()) == ["aac", "abc"]
        assert [each.name for each in files.remnants()] == [".abc-1", ".x"]

    def test_a_new_folder_is_on_the_disk_with_the_one_above(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Each sub-folder once; later files need their own folder alone."""
        done: list[Path] = []
        monkeypatch.setattr(files_module, "sync_folder", done.append)
        files = Files(tmp_path / "f")
        files.put_as("ab" + "0" * 62, b"1")
        files.put_as("ab" + "1" * 62, b"1")
        assert done == [tmp_path / "f" / "ab", tmp_path / "f", tmp_path / "f" / "ab"]

    def test_a_folder_of_ones_own(self, tmp_path: Path) -> None:
        """Whatever the umask; one that is there stays as open as it is."""
        before = os.umask(0o777)
        try:
            make_private_folder(tmp_path / "own")
            os.umask(0)
            make_private_folder(tmp_path / "a" / "b")
        finally:
            os.umask(before)
        for made in ("a", "a/b"):
            assert (tmp_path / made).stat().st_mode & 0o777 == 0o700
        assert (tmp_path / "own").stat().st_mode & 0o777 == 0o700
        (tmp_path / "own").chmod(0o755)
        make_private_folder(tmp_path / "own")
        assert (tmp_path / "own").stat().st_mode & 0o777 == 0o755

    @pytest.mark.parametrize("holds", [True, False])
    def test_a_place_that_is_away_is_one_finding(self, tmp_path: Path, holds: bool) -> None:
        """And not one for each attachment; where some are there they are looked at."""
        files = Files(tmp_path, "AB2")
        if holds:
            (tmp_path / "ab").mkdir()
            (tmp_path / "ab" / "abc").touch()
        replay: Any = SimpleNamespace(files=files, findings=Findings(), manifests={}, after=1)
        looked: list[str] = []

        def nothing(*_: Any) -> Any:
            looked.append("x")
            return SimpleNamespace(all=list)

        connection: Any = SimpleNamespace(scalar=lambda _: 0, execute=nothing)
        check_attachments(connection, replay, lambda *_: None)
        (finding,) = replay.findings.found
        assert finding.text.startswith(f"The attachment folder {tmp_path} has no marker")
        assert finding.text.endswith("could be read") != holds
        assert bool(looked) == holds

    @pytest.mark.parametrize(("count", "more"), [(5, ""), (6, " and 1 more")])
    def test_files_that_nobody_names_are_listed(self, tmp_path: Path, count: int, more: str) -> None:
        """Five by name, the number of all; not those of a row or of a list of rows."""
        files = Files(tmp_path)
        names = [f"{n}{n}" * 32 for n in range(count + 2)]
        for name in names:
            files.put_as(name, b"x")
        replay: Any = SimpleNamespace(files=files, findings=Findings(), manifests={names[0]: 1}, after=0)
        connection: Any = SimpleNamespace(scalars=lambda _: [names[1]])
        _note_unnamed(connection, replay)
        some = ", ".join(f"{each[:12]}…" for each in names[2:7])
        words = f"file{'s' * (count > 1)} in the attachment folder belong{'s' * (count == 1)}"
        assert replay.findings.unnamed == names[2:]
        assert replay.findings.notes[0].startswith(f"{count} {words} to no act: {some}{more}; ")
        replay.findings, replay.after = Findings(), 1
        _note_unnamed(connection, replay)
        assert (replay.findings.unnamed, replay.findings.notes) == ([], [])

    @pytest.mark.parametrize("named", [["CD3"], [], ["AB2", "CD3"]])
    def test_of_a_shared_folder_nothing_is_taken_away(self, named: list[str]) -> None:
        """Another book may name what this one does not."""
        files = SimpleNamespace(named=lambda: named, where="/srv/files")
        book: Any = SimpleNamespace(code="AB2", files=files)
        with pytest.raises(Refused) as refused:
            clean(book, ["a" * 64])
        assert refused.value.why == f"its marker names {', '.join(named) or 'none'}"

    def test_only_what_still_has_no_name_is_taken_away(self, tmp_path: Path) -> None:
        """A row or an entry may name it by now; a remnant may be gone by now."""
        files = Files(tmp_path)
        files.mark("AB2")
        names = [f"{n}{n}" * 32 for n in range(3)]
        for name in names:
            files.put_as(name, b"x")
        rows: list[Any] = [names[0], None, 7, None, None]
        connection = SimpleNamespace(scalar=lambda _: rows.pop(0))
        remnant = tmp_path / "00" / ".0-x"
        remnant.touch()

        class Seen(Files):
            """Files of which one is gone when it is looked at."""

            def remnants(self) -> Iterator[Path]:
                """Yield one that is there and one that is gone."""
                yield from (remnant, tmp_path / "00" / ".gone")

        seen = Seen(tmp_path, "AB2")
        book: Any = SimpleNamespace(
            code="AB2", files=seen, writing=lambda: contextlib.nullcontext(connection)
        )
        # Of the first there is a row; of the second an entry speaks; of the third neither.
        assert clean(book, names) == [names[2]]
        assert list(files.stored()) == names[:2]
        assert not remnant.exists()

    def test_a_name_is_looked_for_letter_by_letter(self, tmp_path: Path) -> None:
        """A file's name may hold what stands for any letter in a search."""
        files = Files(tmp_path)
        files.mark("AB2")
        asked: list[Any] = []

        def scalar(statement: Any) -> None:
            asked.append(statement.compile().params)

        connection = SimpleNamespace(scalar=scalar)
        book: Any = SimpleNamespace(
            code="AB2", files=files, writing=lambda: contextlib.nullcontext(connection)
        )
        assert clean(book, ["a_b%c"]) == ["a_b%c"]
        assert "a_b%c" in asked[0].values()
        assert "a/_b/%c" in asked[1].values()


class TestVerify:
    """The order of a verification."""

    @pytest.mark.parametrize(
        ("asked", "recompute", "anew", "in_parts", "noted"),
        [(1, True, True, False, False), (2, True, True, True, False), (2, True, False, False, False),
         (2, False, False, True, True), (1, False, False, False, True), (None, True, True, True, False)],
    )  # fmt: skip
    def test_who_works_at_it(
        self, asked: int | None, recompute: bool, anew: bool, in_parts: bool, noted: bool,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        """Several processes where results can be computed in each; a note where none are computed."""
        done: list[Any] = []
        monkeypatch.setattr("tracker.verify._processes", lambda _: 3)
        monkeypatch.setattr("tracker.verify._check_in_parts", lambda *given: done.append(("parts", given)))
        monkeypatch.setattr("tracker.verify._check_in_turn", lambda *given: done.append(("turn", given)))
        driver = SimpleNamespace(driver_connection=SimpleNamespace())
        connection: Any = SimpleNamespace(dialect=SimpleNamespace(name="postgresql"), connection=driver)
        book: Any = SimpleNamespace(
            code="AB2", zone=dt.UTC, connect=lambda: contextlib.nullcontext(connection)
        )
        since = Head("AB2", 7, "a" * 64, "2026-05-04T10:00:00Z")
        other = Head("CD3", 8, "a" * 64, "2026-05-04T10:00:00Z")
        again: Any = (lambda _: None) if recompute else None
        apart: Any = (lambda _: again) if anew else None
        found = verify(book, again, processes=asked, anew=apart, since=since)
        assert [each[0] for each in done] == ["parts" if in_parts else "turn"]
        # Behind entry 7 alone.
        assert done[0][1][5] == 7
        assert done[0][1][6:] == (((asked or 3), apart if recompute else None) if in_parts else (again,))
        assert found.notes == ["Results were not computed again"] * noted
        done.clear()
        verify(book, again, processes=1, since=other)
        assert done[0][1][5] == 0
