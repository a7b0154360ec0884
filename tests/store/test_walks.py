"""Verify, part by part, on connections that answer as they are told."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from contextlib import nullcontext
from importlib import import_module
from types import SimpleNamespace
from typing import Any

import pytest
from sqlalchemy import Boolean, Column, DateTime, Float, Integer, MetaData, Table, Text, make_url
from sqlalchemy.exc import OperationalError

from tracker import heads, write_queue
from tracker.acts import act, recording
from tracker.acts.derived import Touched
from tracker.backup import archive, folder
from tracker.book import book, engines
from tracker.errors import Refused
from tracker.ids import job_id, measurement_id, spool_id
from tracker.model import Measurement
from tracker.stored_rows import RawTable, digest
from tracker.verify import _check_in_parts, attachments, ledger, parallel, recomputed
from tracker.verify import findings as findings_module
from tracker.verify.attachments import _finding, _manifest_finding, _use, check_attachments
from tracker.verify.chain import Link
from tracker.verify.findings import Finding, Findings, Origin, noting
from tracker.verify.ledger import Ledger, Replay, _add_findings, _recall, _Suspect, compare
from tracker.verify.parallel import Done, Part, parts_of
from tracker.verify.recomputed import check_derived, check_results, mend_derived

ORIGIN = Origin(7, "2026-05-04T10:11:12.000000Z", "Ada", "add")
SAID = "entry 7 (2026-05-04 10:11:12 UTC, Ada, add)"
THING = Table(
    "thing",
    MetaData(),
    Column("id", Integer, primary_key=True),
    Column("name", Text),
    Column("entry", Integer),
)


def answering(*answers: Any) -> Any:
    """Return a connection that gives these answers one after the other, and notes what was asked."""
    left = list(answers)
    asked: list[str] = []

    def answer(statement: Any) -> Any:
        asked.append(str(statement))
        return left.pop(0)

    return SimpleNamespace(scalar=answer, scalars=answer, execute=answer, asked=asked)


# Attachments


def test_an_attachment_is_told_by_what_uses_it() -> None:
    """A measurement first, then a job whose plate file it is, then a photograph; else nobody."""
    one, two, three = measurement_id(3), job_id(4), job_id(5)

    assert _use(answering(3), "d") == (one, f", of measurement {one}")
    assert _use(answering(None, 4, 5), "d") == (two, f", the plate file of job {two}")
    assert _use(answering(None, None, 5), "d") == (three, f", a photograph of job {three}")
    assert _use(answering(None, None, None), "d") == ("", "")


def test_a_finding_of_an_attachment_names_it_and_who_brought_it_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sixty characters of its name, twelve of its digest; a damaged entry is not looked up."""
    monkeypatch.setattr(attachments, "origin_of", lambda *_: ORIGIN)
    row = SimpleNamespace(sha256="ab" * 32, name="n" * 99, entry=7)
    found = _finding(answering(None, 4, None), row, "is missing")
    row.entry = "seven"
    damaged = _finding(answering(None, None, None), row, "is missing")

    name = "n" * 60
    used = f", the plate file of job {job_id(4)}"
    assert found.text == f"The attachment {name!r} (abababababab…{used}) is missing; {SAID} brought it in"
    assert (found.id, found.table, found.key, found.origin) == (job_id(4), "attachment", "ab" * 32, ORIGIN)
    assert damaged.text == f"The attachment {name!r} (abababababab…) is missing"
    listed = _manifest_finding("cd" * 32, ORIGIN, "has changed")
    assert (
        listed.text
        == f"The list of rows (cdcdcdcdcdcd…) that {SAID} imported has changed; its rows cannot be checked"
    )


def test_each_attachment_and_list_is_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Missing, changed or whole; progress every hundred of all; files that nobody names are listed."""
    monkeypatch.setattr(attachments, "_use", lambda *_: ("", ""))
    monkeypatch.setattr(attachments, "origin_of", lambda *_: None)
    state = {"a": True, "b": False, "c": None, "l": False}
    rows = [SimpleNamespace(sha256=name, name=name, entry=1) for name in "abc"]
    files = SimpleNamespace(
        trouble=lambda: "", unchanged=lambda each: state.get(each, True), stored=lambda: iter("abcxyl"),
    )  # fmt: skip
    findings, told = Findings(), list[Any]()
    replay: Any = SimpleNamespace(files=files, findings=findings, manifests={"l": ORIGIN}, after=0)
    monkeypatch.setattr(attachments, "_EVERY", 2)
    check_attachments(
        answering(3, SimpleNamespace(all=lambda: rows), list("abc")), replay, lambda *each: told.append(each)
    )

    assert [each.text.partition(") ")[2] for each in findings.found[:2]] == [
        "has changed: its bytes are not the ones that were kept", "is missing from the attachment folder",
    ]  # fmt: skip
    assert findings.found[2].text.startswith("The list of rows (l…)")
    assert told == [("attachments", 2, 4), ("attachments", 4, 4)]
    assert findings.counts["attachments"] == 4
    assert findings.unnamed == ["x", "y"]
    assert findings.notes[0].startswith("2 files in the attachment folder belong to no act: x…, y…; ")


@pytest.mark.parametrize("holds", [True, False])
def test_a_place_of_attachments_that_is_away_is_one_finding(holds: bool) -> None:
    """Where it holds any they are read all the same."""
    findings = Findings()

    def stored() -> Iterator[str]:
        if not holds:
            raise OSError
        yield "x"

    files = SimpleNamespace(trouble=lambda: "is of another book", noun="folder", where="/srv", stored=stored)
    replay: Any = SimpleNamespace(files=files, findings=findings, manifests={}, after=5)
    check_attachments(answering(0, SimpleNamespace(all=list)), replay, lambda *_: None)

    more = "" if holds else "; no attachment and no list of imported rows could be read"
    assert [each.text for each in findings.found] == [f"The folder /srv is of another book{more}"]


# Rows against the journal


def a_replay(files: Any = None, **how: Any) -> Any:
    """Return a replay of the table of things."""
    reader = RawTable(THING, "sqlite")
    opened = Ledger(["thing"])
    return reader, Replay({"thing": reader}, files, opened, Findings(), **how)


def test_a_row_is_recalled_from_the_entry_that_wrote_it_last(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of its own table, by its key; from a list where the entry's text does not hold it."""

    def row(key: int, name: str) -> dict[str, Any]:
        return {"id": key, "name": name, "entry": 7}

    body = {
        "rows": [
            {"table": "aaa", "key": "1", "after": row(1, "of another table")},
            {"table": "thing", "key": "1", "after": row(1, "one")},
            {"table": "zzz", "key": "2", "after": row(2, "of another table")},
            {"table": "thing", "key": "9", "after": row(9, "not asked")},
            {"table": "aaa", "key": "4", "after": row(4, "of another table")},
        ],
        "bulk": [{"table": "other", "manifest": "m0"}, {"table": "thing", "manifest": "m1"}],
    }
    read: list[str] = []

    def manifest(_: Any, name: str) -> Iterable[dict[str, Any]]:
        read.append(name)
        return [row(2, "two"), row(3, "three"), row(1, "listed")]

    monkeypatch.setattr(ledger, "body_of", lambda *_: body)
    monkeypatch.setattr(ledger, "manifest_rows", manifest)
    reader, replay = a_replay()
    asked: Any = None

    assert _recall(asked, replay, reader, 7, {1}) == {1: row(1, "one")}
    assert read == []
    found = _recall(asked, replay, reader, 7, {1, 2, 4})
    assert {key: each["name"] for key, each in found.items()} == {1: "listed", 2: "two"}
    assert read == ["m1"]
    monkeypatch.setattr(ledger, "body_of", lambda *_: {})
    assert _recall(asked, replay, reader, 7, {1}) == {}


def test_a_million_suspects_are_told_and_five_hundred_recalled(monkeypatch: pytest.MonkeyPatch) -> None:
    """With what they should be; rows that nobody entered are not looked up."""
    asked: list[tuple[int, set[Any]]] = []
    monkeypatch.setattr(ledger, "_recall", lambda *given: asked.append((given[3], given[4])) or {})
    monkeypatch.setattr(ledger, "_finding", lambda _, __, suspect: Finding("row", str(suspect.key)))
    reader, replay = a_replay()
    suspects = [_Suspect(n, None if n == 3 else n % 2, [n, "x", 1]) for n in range(502)]
    _add_findings(None, replay, reader, suspects)  # type: ignore[arg-type]

    assert [entry for entry, _ in asked] == [0, 1]
    assert asked[0][1] == set(range(0, 500, 2))
    assert asked[1][1] == set(range(1, 500, 2)) - {3}
    assert len(replay.findings.found) + replay.findings.more == 502


def test_rows_of_a_table_are_counted_and_what_is_left_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Batch by batch, of all that are to be looked at; rows of the ledger that were not met are missing."""
    monkeypatch.setattr(ledger, "named", lambda *given: ("", f"{given[1]} {given[2]}"))
    monkeypatch.setattr(ledger, "origin_of", lambda *_: ORIGIN)
    monkeypatch.setattr(ledger, "_recall", lambda *_: {2: {"id": 2, "name": "two", "entry": 7}})
    reader, replay = a_replay(after=3)
    rows = [[1, 1, "one"], [7, 2, "TWO"], [7, 4, "odd"]]
    replay.ledger.note("thing", [(1, 1, digest(rows[0])), (2, 7, digest([7, 2, "two"])), (5, 7, b"x")])
    told: list[Any] = []
    reader.batches = lambda _, after: iter([rows[:2], rows[2:]]) if after == 3 else None  # type: ignore[method-assign]
    connection = answering(3)
    compare(connection, replay, lambda *each: told.append(each))

    (difference,) = replay.findings.found[0].differences
    assert (difference.column, difference.journal, difference.book) == ("name", "two", "TWO")
    assert [each.text for each in replay.findings.found] == [
        f"The thing 2 is not as {SAID} left it: {difference}",
        "The thing 4 is in the book, but no journal entry speaks of it: nobody entered it",
        f"The thing 5 is gone; {SAID} wrote it",
    ]
    assert [each.key for each in replay.findings.found] == ["2", "4", "5"]
    assert told == [("thing", 2, 3), ("thing", 3, 3)]
    assert replay.findings.counts["rows"] == 3
    assert "thing.entry > :" in connection.asked[0]


# What is kept beside the records, and results


class Keeper:
    """What works derived rows out, as far as verify asks it."""

    def __init__(self) -> None:
        self.asked: list[Any] = []

    def differing(self, _: Any, __: Any, span: Any) -> list[tuple[int, str]]:
        """Return two plates of which something else is kept."""
        self.asked.append(span)
        return [(4, "a for b"), (-2, "c for d"), (0, "e")]

    def stray(self, _: Any) -> list[str]:
        """Return what belongs to nothing."""
        self.asked.append("stray")
        return ["a row of nothing"]

    def refill(self, connection: Any, progress: Any) -> None:
        """Note that it was worked out again."""
        self.asked.append((connection, progress))


@pytest.mark.parametrize(("span", "stray"), [(None, True), ((1, 9), True), ((2, 9), False), ((0, 9), True)])
def test_what_is_kept_is_told_by_plate_and_what_is_stray_once(
    span: tuple[int, int] | None, stray: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Jobs, and below zero spools; of parts the first alone looks for what belongs to nothing."""
    keeper, findings = Keeper(), Findings()
    monkeypatch.setattr(recomputed, "working_out", lambda: (keeper,))
    check_derived(None, findings, lambda *_: None, span)  # type: ignore[arg-type]
    names = [job_id(4), spool_id(2), job_id(0)]
    said = [f"What is kept of {name} is not what its records give: {text}; verify --clean mends it"
            for name, text in zip(names, ("a for b", "c for d", "e"), strict=True)]  # fmt: skip
    said += ["What is kept is not what its records give: a row of nothing; verify --clean mends it"] * stray

    assert keeper.asked == [span, *["stray"] * stray]
    assert [each.text for each in findings.found] == said
    assert [(each.id, each.key) for each in findings.found][:2] == [(job_id(4), "4"), (spool_id(2), "-2")]
    book: Any = SimpleNamespace(writing=lambda: nullcontext("connection"))
    progress: Any = "progress"
    mend_derived(book, progress)
    assert keeper.asked[-1] == ("connection", "progress")


def test_measurements_are_asked_for_by_number(monkeypatch: pytest.MonkeyPatch) -> None:
    """A thousand at a time behind the last; of a span alone; of those that later entries wrote."""
    monkeypatch.setattr(recomputed, "_loaded", lambda _, ids, __: iter(ids))
    checked: list[Any] = []
    monkeypatch.setattr(recomputed, "_check", lambda measurement, *_: checked.append(measurement))
    monkeypatch.setattr(recomputed, "_SOME", 2)
    statements: list[Any] = []

    def asked(found: list[list[int]]) -> Any:
        left = [*found, []]
        statements.clear()

        def scalars(statement: Any) -> Any:
            statements.append(statement)
            some = left.pop(0)
            return SimpleNamespace(all=lambda: some)

        return SimpleNamespace(scalars=scalars, scalar=lambda _: 9)

    def bounds() -> list[dict[str, Any]]:
        return [
            {name.rpartition("_")[0]: value for name, value in each.compile().params.items()}
            for each in statements
        ]

    told: list[Any] = []
    assert (
        check_results(asked([[3, 4], [7, 9], [12]]), None, Findings(), lambda *each: told.append(each)) == {}
    )  # type: ignore[arg-type]
    assert checked == [3, 4, 7, 9, 12]
    assert told == [("results", 2, 9), ("results", 4, 9)]
    assert [each["id"] for each in bounds()] == [0, 4, 9, 12]
    assert all("measurement.id < " not in str(each) for each in statements)
    check_results(asked([[5]]), None, Findings(), lambda *_: None, after=8, span=(5, 20))  # type: ignore[arg-type]
    first = str(statements[0])
    assert "measurement.id < " in first
    assert "result.entry > " in first
    assert "measurement.entry > " in first
    values = sorted(value for value in statements[0].compile().params.values() if isinstance(value, int))
    assert values == [2, 4, 8, 8, 20]


# Among processes


def test_a_part_of_the_tables_is_held_against_the_whole_journal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its own tables are replayed; others are known and passed over; what is none is told."""

    def link(seq: int, table: str) -> Link:
        row = {"table": table, "key": "3", "before": None, "after": {"id": 3, "name": "x", "entry": seq}}
        return Link(Origin(seq, ORIGIN.at, "Ada", "add"), {"rows": [row]}, "a" * 64)

    noted: list[Any] = []
    asked: list[int] = []
    meta = MetaData()
    for name in ("thing", "far"):
        Table(
            name,
            meta,
            Column("id", Integer, primary_key=True),
            Column("name", Text),
            Column("entry", Integer),
        )
    monkeypatch.setattr(parallel, "Base", SimpleNamespace(metadata=meta))
    monkeypatch.setattr(
        parallel,
        "links",
        lambda _, after: asked.append(after) or [link(5, "far"), link(6, "thing"), link(7, "none")],
    )
    monkeypatch.setattr(
        parallel,
        "compare",
        lambda _, replay, __: noted.append((replay.ledger.last("thing", 3), replay.after)),
    )
    findings = Findings()
    connection: Any = SimpleNamespace(dialect=SimpleNamespace(name="sqlite"))
    parallel._rows(connection, SimpleNamespace(files=None), Part("rows", ("thing",), after=4), findings)  # type: ignore[arg-type]

    assert asked == [4]
    assert noted == [((6, digest([6, 3, "x"])), 4)]
    assert [each.text.partition(") ")[2] for each in findings.found] == [
        "speaks of a table 'none' that a book does not have"
    ]


def test_each_kind_of_part_has_its_own_work(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a span of measurements or jobs; without what computes results again these are passed over."""
    done: list[Any] = []
    monkeypatch.setattr(parallel, "lenient_text", lambda _: nullcontext())
    monkeypatch.setattr(parallel, "_rows", lambda *given: done.append(("rows", given[2].tables)))
    monkeypatch.setattr(
        parallel, "check_results", lambda *given: done.append(("results", *given[4:])) or {"m": 2}
    )
    monkeypatch.setattr(parallel, "check_derived", lambda *given: done.append(("derived", *given[3:])))
    opened = SimpleNamespace(connect=lambda: nullcontext("connection"))
    parts = [Part("rows", ("a",)), Part("results", low=1, high=5, after=3), Part("derived", low=6, high=9)]
    monkeypatch.setattr(parallel, "_opened", (opened, lambda _: {}))
    answers = [parallel._work(part) for part in parts]
    assert done == [("rows", ("a",)), ("results", 3, (1, 5)), ("derived", (6, 9))]
    assert [each.missing for each in answers] == [{}, {"m": 2}, {}]
    monkeypatch.setattr(parallel, "_opened", (opened, None))
    assert parallel._work(parts[1]).missing == {}
    monkeypatch.setattr(parallel, "_opened", None)
    with pytest.raises(AssertionError):
        parallel._work(parts[0])
    assert len(done) == 3


def test_parts_are_tables_then_measurements_then_jobs(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is kept beside the records is looked at of a whole book alone."""
    monkeypatch.setattr(parallel, "_divided", lambda _, processes, __: [("a",) * processes, ("b",)])
    monkeypatch.setattr(parallel, "_spans", lambda _, __, length: [(1, 1 + length)])
    whole = [
        Part("rows", ("a", "a")), Part("rows", ("b",)), Part("results", low=1, high=25_001),
        Part("derived", low=1, high=10_001),
    ]  # fmt: skip
    nobody: Any = None

    assert list(parts_of(nobody, 2, 0)) == whole
    later = [
        Part("rows", ("a", "a"), after=6),
        Part("rows", ("b",), after=6),
        Part("results", low=1, high=25_001, after=6),
    ]
    assert list(parts_of(nobody, 2, 6)) == later


def test_answers_of_all_parts_are_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """In the order of a whole walk, each once; where rows are damaged what follows from them is not told."""
    module = import_module("tracker.verify")
    chain, row, derived, result = (Finding(kind, kind) for kind in ("chain", "row", "derived", "result"))
    done = [
        Done([result, chain], ["odd"], {"rows": 3, "results": 1}, {"m": 2}, more=4),
        Done([derived, chain, row], ["odd", "too"], {"rows": 5, "results": 7}, {"m": 1, "n": 1}, more=1),
    ]
    ran: list[Any] = []

    def worked(*given: Any) -> list[Done]:
        ran.append([part.what for part in given[1]])
        given[4]()
        return done

    def own(_: Any, __: Any, findings: Findings, *___: Any) -> None:
        findings.add(Finding("attachment", "attachment"))
        findings.notes.append("odd")
        findings.counts["entries"] = 9

    monkeypatch.setattr(module, "worked", worked)
    monkeypatch.setattr(module, "_check_store", lambda *_: None)
    monkeypatch.setattr(module, "_check_rows", own)
    monkeypatch.setattr(module, "parts_of", lambda *_: [Part("rows"), Part("results"), Part("derived")])
    nobody: Any = None
    findings = Findings()
    _check_in_parts(nobody, nobody, findings, nobody, nobody, 0, 2, None)

    assert ran == [["rows", "derived"]]
    assert [each.text for each in findings.found] == ["chain", "row", "attachment", "result"]
    assert (
        findings.more,
        findings.counts["rows"],
        findings.counts["results"],
        findings.counts["entries"],
    ) == (5, 8, 8, 9)
    assert findings.notes[:2] == ["odd", "too"]
    assert [note[:20] for note in findings.notes[2:]] == ["3 measurements by 'm", "1 measurements by 'n"]
    done[1].found.remove(row)
    whole = Findings()
    _check_in_parts(nobody, nobody, whole, nobody, nobody, 0, 2, lambda _: nobody)
    assert ran[1] == ["rows", "results", "derived"]
    assert [each.text for each in whole.found] == ["chain", "attachment", "derived", "result"]


# Findings


def test_a_thousand_findings_are_listed_and_the_rest_counted() -> None:
    """And what is said of them all, in sentences; a head with what was entered since."""
    findings = Findings()
    for number in range(1002):
        findings.add(Finding("row" if number else "chain", f"row {number}"))
    findings.notes.append("odd")
    findings.counts["rows"] = 5
    lines = findings.lines()

    assert (len(findings.found), findings.more, findings.clean) == (1000, 2, False)
    assert [each.text for each in findings.of("chain")] == ["row 0"]
    assert lines[999:] == [
        "row 999", "… and 2 more like these", "Note: odd",
        "Looked at 0 entries, 5 rows, 0 attachments, 0 results: 1002 found",
    ]  # fmt: skip
    clean = Findings(head="ab", head_entry=9, noted_entry=ORIGIN)
    assert clean.clean
    assert clean.lines()[0].endswith("everything is as the journal says")
    assert clean.lines()[1:] == [
        "Head of the journal: entry 9, ab",
        f"The head noted earlier is {SAID}; 2 entries since",
    ]
    for head, words in ((8, "1 entry"), (7, "no entries")):
        clean.head_entry = head
        assert clean.lines()[-1].endswith(f"; {words} since")


def test_a_database_that_cannot_be_read_on_is_a_finding() -> None:
    """By the first line of what it says; anything else goes on."""
    findings = Findings()
    for said in ("\\n torn page\\nmore", ""):
        with noting(findings, "The tables"):
            raise OperationalError("SELECT", {}, Exception(said.replace("\\n", "\n")))
    with pytest.raises(Refused), noting(findings, "The tables"):
        raise Refused("no")

    assert [each.text for each in findings.found] == [
        "The tables cannot be read to the end: torn page",
        "The tables cannot be read to the end: OperationalError",
    ]  # fmt: skip


# What an act touches


def test_plates_of_what_was_tested_are_looked_up_by_piece() -> None:
    """Of pieces whose row was not at hand, and of which nothing of the print was touched."""
    touched = Touched(tested={20, 21, 22}, specimens={22}, _plate_of={21: 11})
    connection = answering([9], [10])

    assert touched.plates_tested(connection) == {9, 10, 11}
    assert len(connection.asked) == 2
    only = answering([10])
    assert Touched(tested={20}).plates_tested(only) == {10}
    assert "specimen.id IN" in only.asked[0]


def test_waits_and_sizes_are_those_that_are_documented() -> None:
    """How long one waits for others and for a server, in seconds, and how much is read or listed at once.

    A wait of minutes holds the bench; a bound that is too small refuses what people have.
    """
    waits = {
        engines: {"BUSY_S": 30, "STATEMENT_S": 120, "_QUIET_S": 60.0, "OLDEST_SERVER": (13,)},
        book: {"LOOK_S": 20, "_LOOK_PAUSE_S": 0.5, "_ASKED_S": 600, "_ATTEMPTS": 5, "_PAUSE_S": 0.05},
        write_queue: {"_PAUSE_NEXT_S": 0.002, "_PAUSE_TURN_S": 0.0002},
    }
    sizes = {
        archive: {
            "_LONGEST_LINE": 32 << 20,
            "_LONGEST_CONTENTS": 4 << 20,
            "_TIGHTEST": 200,
            "_SMALL": 64 << 20,
        },
        folder: {"_LONGEST": 64 << 20},
        heads: {"_MOST": 1 << 20, "_KEY_BYTES": 32},
        findings_module: {"_MOST": 1000, "_LONG": 60},
        attachments: {"_SHOWN": 5},
        act: {"_MANY": 200, "_TOGETHER": 2000, "_WRITTEN_TOGETHER": 200},
    }

    for module, known in (*waits.items(), *sizes.items()):
        assert {name: getattr(module, name) for name in known} == known
    assert {name: value for name, value in engines._SERVER.items() if isinstance(value, int)} == {
        "connect_timeout": 10, "keepalives_idle": 10, "keepalives_interval": 5, "keepalives_count": 4,
        "tcp_user_timeout": 30_000,
    }  # fmt: skip


def test_what_two_parts_of_an_act_touched_is_put_together() -> None:
    """A measurement that either of them entered is none that a result alone leads to."""
    one = Touched(jobs={1}, tested={5}, measurements={7, 8}, _plate_of={5: 1})
    one.add(
        Touched(jobs={2}, spools={3}, tested_spools={4}, measurements={9}, _entered={8}, _plate_of={6: 2})
    )

    assert (one.jobs, one.spools, one.tested, one.tested_spools) == ({1, 2}, {3}, {5}, {4})
    assert (one.measurements, one._plate_of, one._entered) == ({7, 9}, {5: 1, 6: 2}, {8})


def test_rows_are_taken_apart_by_column() -> None:
    """Of one name, of several, of none."""
    rows = [{"a": 1, "b": 2}, {"a": 3, "b": 4}]
    found = [[list(each) for each in recording.columns_of(rows, names)] for names in (["b"], ["b", "a"], [])]
    assert found == [[[2, 4]], [[2, 4], [1, 3]], []]


@pytest.mark.parametrize("url", ["sqlite://", "postgresql+psycopg://"])
def test_many_rows_are_made_ready_as_one_by_one(url: str) -> None:
    """Numbers as they are, whole ones too; moments and truth as the driver has them; defaults; the entry."""
    table = Table(
        "t", MetaData(), Column("id", Integer), Column("x", Float), Column("name", Text, default="none"),
        Column("ok", Boolean), Column("at", DateTime), Column("entry", Integer),
    )  # fmt: skip
    into = recording.Insert(table, ("at", "entry", "id", "ok", "x"), make_url(url).get_dialect()())
    at = dt.datetime(2026, 5, 4, 10, 11, 12, tzinfo=dt.UTC)
    rows: list[dict[str, Any]] = [
        {"id": 1, "x": 1.5, "ok": True, "at": at}, {"id": 2, "x": None, "ok": None, "at": None},
        {"id": 3, "x": 4, "ok": False, "at": at},
    ]  # fmt: skip

    for some in (rows, rows[:2], rows[1:2]):
        found = into.many_values(some, entry=9)
        single = [into.values(row, entry=9) for row in some]
        if isinstance(single[0], dict):
            assert [dict(each) for each in found] == single
        else:
            assert [tuple(each) for each in found] == [tuple(each) for each in single]
    assert list(into.many_values([], entry=9)) == []


def test_rows_are_ready_before_an_act_takes_them() -> None:
    """With their list, their statements and what they touch; of no rows there is nothing to take."""
    dialect = make_url("sqlite://").get_dialect()()
    rows: list[dict[str, Any]] = [
        {
            **dict.fromkeys(each.name for each in Measurement.__table__.columns if each.name != "entry"),
            "id": n,
            "specimen_id": 40,
        }
        for n in (3, 4)
    ]
    bulk = act.bulk_of(Measurement, rows, 9, dialect)
    assert (bulk.table, bulk.rows, len(bulk.statements)) == ("measurement", 2, 1)
    assert bulk.manifest == act.manifest(Measurement.__table__, sorted({*rows[0], "entry"}), rows, 9)  # type: ignore[arg-type]
    assert bulk.touched is not None
    assert (bulk.touched.tested, bulk.touched._entered) == ({40}, {3, 4})
    assert act.bulk_of(Measurement, [], 9, dialect) == act.Bulk("measurement", 0)
