"""Saving, restoring and bringing up to date, step by step, on books that answer as they are told."""

from __future__ import annotations

import datetime as dt
import io
import json
from contextlib import contextmanager, nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from sqlalchemy.exc import IntegrityError

from tracker.backup import BackupError, restoring, saving
from tracker.backup.folder import FolderWriter
from tracker.backup.restoring import (
    _check_before,
    _fill,
    _go_on_without,
    _place,
    _put_files,
    _put_tables,
    restore,
)
from tracker.backup.saving import _files, _named_files, _table, _write, backup_into, opened_backup
from tracker.book import BookError
from tracker.files import FilesError

AT = dt.datetime(2026, 5, 4, 10, 11, 12, tzinfo=dt.UTC)


class Told:
    """Progress that was told."""

    def __init__(self) -> None:
        self.all: list[tuple[str, int, int]] = []

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Note it."""
        self.all.append((stage, done, total))


# Saving


def test_files_are_named_by_rows_and_by_the_lists_of_entries() -> None:
    """An entry that cannot be read names none, and ends nothing."""
    answers = iter(
        [
            [("a", "curve.csv"), ("b", "plate.gcode")],
            [
                (3, json.dumps({"bulk": [{"manifest": "m"}, {"manifest": "a"}]})), (4, "{"), (5, "{}"),
                (6, '{"bulk":[{}]}'), (7, '{"bulk":[3]}'), (8, json.dumps({"bulk": [{"manifest": "n"}]})),
            ],
        ]
    )  # fmt: skip
    connection: Any = SimpleNamespace(execute=lambda _: next(answers))

    assert _named_files(connection) == {
        "a": "list of the rows of entry 3", "b": "plate.gcode", "m": "list of the rows of entry 3",
        "n": "list of the rows of entry 8",
    }  # fmt: skip


def test_a_table_is_written_batch_by_batch(monkeypatch: pytest.MonkeyPatch) -> None:
    """In the order of its keys, with progress; a value that is damaged ends it by the table's name."""
    asked: list[Any] = []

    class Rows:
        """A table of three rows."""

        def __init__(self, table: Any, dialect: str) -> None:
            asked.append((table.name, dialect))
            self.columns = ["id"]

        def batches(self, _: Any, *, in_order: bool) -> Any:
            """Give two batches."""
            asked.append(in_order)
            return iter([[[1], [2]], [[3]]])

    monkeypatch.setattr(saving, "RawTable", Rows)
    monkeypatch.setattr(saving, "select", lambda _: SimpleNamespace(select_from=lambda _: "counted"))
    connection: Any = SimpleNamespace(dialect=SimpleNamespace(name="sqlite"), scalar=lambda _: 3)
    table: Any = SimpleNamespace(name="spool")
    told = Told()
    writer: Any = SimpleNamespace(table=lambda name, columns, rows: (name, columns, list(rows)))

    assert _table(connection, table, writer, told) == ("spool", ["id"], [[1], [2], [3]])
    assert asked == [("spool", "sqlite"), True]
    assert told.all == [("spool", 2, 3), ("spool", 3, 3)]

    def damaged(*_: Any) -> None:
        raise ValueError("Out of range float values are not JSON compliant")

    writer.table = damaged
    with pytest.raises(BackupError, match="table spool holds a value that is damaged: Out of range"):
        _table(connection, table, writer, told)


def test_attachments_are_written_one_by_one() -> None:
    """Those that are not what they were are returned."""
    book: Any = SimpleNamespace(files=SimpleNamespace(opened=nullcontext))
    writer: Any = SimpleNamespace(file=lambda digest, stream: digest == stream and digest != "b")
    told = Told()

    assert _files(book, ["a", "b", "c"], writer, told) == ["b"]
    assert told.all == [("attachments", n, 3) for n in (1, 2, 3)]


def written(monkeypatch: pytest.MonkeyPatch, writer: Any, *, as_it_is: bool, last: Any = (7, "h")) -> Any:
    """Return the contents of a book of three attachments: one missing, one damaged."""
    monkeypatch.setattr(saving, "_named_files", lambda _: {"c": "whole", "a": "gone", "b": "damaged"})
    monkeypatch.setattr(saving, "tables_of", lambda _: [SimpleNamespace(name="spool")])
    monkeypatch.setattr(saving, "_table", lambda *_: "table")
    monkeypatch.setattr(saving, "schema_of", lambda _: None)
    asked: list[Any] = []
    monkeypatch.setattr(saving, "_files", lambda _, digests, *__: asked.append(digests) or ["b"])
    monkeypatch.setattr(saving, "KeyRing", lambda: SimpleNamespace(sign=lambda *given: given))
    head = last and SimpleNamespace(seq=last[0], hash=last[1])
    own = SimpleNamespace(code="AB2", title="Bench")
    rows = iter([SimpleNamespace(one=lambda: own), SimpleNamespace(one_or_none=lambda: head)])
    connection: Any = SimpleNamespace(execute=lambda _: next(rows))
    files = SimpleNamespace(has=lambda digest: digest != "a", where="/srv", trouble=lambda: "")
    book: Any = SimpleNamespace(files=files, clock=lambda: AT)
    contents = _write(connection, book, writer, Told(), as_it_is)
    assert asked == [["b", "c"]]
    return contents


def a_writer(kind: Any = SimpleNamespace) -> Any:
    """Return a writer that notes how it was finished."""
    made = kind() if kind is SimpleNamespace else object.__new__(kind)
    made.attachment_bytes = 9
    made.finished = []
    made.finish = lambda *given: made.finished.append(given)
    return made


def test_what_is_missing_or_damaged_ends_a_backup_unless_it_is_kept_as_it_is(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Then it is listed. A folder holds no damaged attachment, a file does; an empty journal has no head."""
    one = a_writer()
    contents = written(monkeypatch, one, as_it_is=True)
    assert (contents.missing, contents.damaged, contents.attachments, contents.attachment_bytes) == (
        ["a"],
        ["b"],
        2,
        9,
    )
    assert (contents.schema, contents.code, contents.title, contents.head) == ("", "AB2", "Bench", "h")
    assert (contents.made_at[:19], contents.tables) == ("2026-05-04T10:11:12", {"spool": "table"})
    assert one.finished == [(contents, ("AB2", 7, "h", AT))]
    folder = a_writer(FolderWriter)
    assert written(monkeypatch, folder, as_it_is=True, last=None).attachments == 1
    assert folder.finished[0][1] == ("AB2", 0, "", AT)
    with pytest.raises(BackupError, match=r"1 attachments are missing from /srv: 'gone' \(a…\)"):
        written(monkeypatch, a_writer(), as_it_is=False)


def test_a_damaged_attachment_alone_ends_a_backup(monkeypatch: pytest.MonkeyPatch) -> None:
    """By its name."""
    monkeypatch.setattr(saving, "_named_files", lambda _: {"b": "curve.csv"})
    monkeypatch.setattr(saving, "tables_of", lambda _: [])
    monkeypatch.setattr(saving, "_files", lambda *_: ["b"])
    files = SimpleNamespace(has=lambda _: True, where="/srv", trouble=lambda: "is of another book")
    with pytest.raises(
        BackupError,
        match=r"1 attachments are damaged in /srv: 'curve.csv' \(b…\): the folder is of another book",
    ):
        _write(None, SimpleNamespace(files=files), a_writer(), Told(), False)  # type: ignore[arg-type]


def test_a_run_into_a_folder_has_its_file_and_what_was_new(monkeypatch: pytest.MonkeyPatch) -> None:
    """A run that ended without a file is a fault of the program."""
    monkeypatch.setattr(saving, "_write", lambda *given: given[4])
    writer = SimpleNamespace(run=Path("/b/runs/x.json"), added=12)
    monkeypatch.setattr(saving, "adding", lambda _: nullcontext(writer))
    book: Any = SimpleNamespace(connect=lambda: nullcontext("connection"))
    run = backup_into(book, Path("/b"), as_it_is=True)

    assert (run.contents, run.file, run.added) == (True, Path("/b/runs/x.json"), 12)
    writer.run = None  # type: ignore[assignment]
    with pytest.raises(AssertionError):
        backup_into(book, Path("/b"))


def test_a_backup_is_a_file_a_run_or_the_last_run_of_a_folder(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A file in a folder of that name that is no backup folder is read as one file."""
    monkeypatch.setattr(saving, "FolderReader", lambda run: ("run", run))
    monkeypatch.setattr(saving, "reading", lambda file: nullcontext(("file", file)))
    folder, other = tmp_path / "b", tmp_path / "o"
    monkeypatch.setattr(saving, "is_backup_folder", lambda each: each == folder)
    runs = [folder / "runs" / "1.json", folder / "runs" / "2.json"]
    monkeypatch.setattr(saving, "runs_of", lambda _: runs)

    def found(file: Path) -> Any:
        with opened_backup(file) as reader:
            return reader

    assert found(folder) == ("run", runs[1])
    assert found(runs[0]) == ("run", runs[0])
    for file in (other / "runs" / "1.json", folder / "1.json"):
        assert found(file) == ("file", file)
    runs.clear()
    with pytest.raises(BackupError, match="holds no run yet"):
        found(folder)


# Restoring


def a_reader(**more: Any) -> Any:
    """Return a backup of two tables and two attachments."""
    tables = {name: SimpleNamespace(columns=["id"], rows=2, bytes=5) for name in ("spool", "journal")}
    contents = SimpleNamespace(tables=tables, attachments=2, schema="0007", code="AB2", attachment_bytes=9)
    known: dict[str, Any] = {
        "contents": contents, "file": Path("b.backup"), "files": lambda: iter([("a", 3), ("b", 6)]),
        "open_file": lambda digest: nullcontext(io.BytesIO(digest.encode())), "rows": lambda name: [name],
        "damaged": lambda why: BackupError(f"b.backup is damaged: {why}"), "check": lambda _: None,
    }  # fmt: skip
    return SimpleNamespace(**{**known, **more})


def test_attachments_are_put_under_the_names_they_had() -> None:
    """Those that were there already are not taken away where filling fails."""
    kept: list[Any] = []
    files: Any = SimpleNamespace(
        has=lambda digest: digest == "a",
        put_as=lambda *given: kept.append((given[0], given[1].read(), given[2])),
    )
    put, told = list[str](), Told()
    _put_files(files, a_reader(), put, told)

    assert put == ["b"]
    assert kept == [("a", b"a", 3), ("b", b"b", 6)]
    assert told.all == [("attachments", 1, 2), ("attachments", 2, 2)]


def test_every_table_of_the_schema_is_in_a_backup(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows that do not fit are refused by the table's name, with the first line of what the database says."""
    given: list[Any] = []
    tables = [SimpleNamespace(name="spool"), SimpleNamespace(name="journal")]
    monkeypatch.setattr(restoring, "tables_of", lambda _: tables)
    monkeypatch.setattr(restoring, "put_rows", lambda *each: given.append((each[1].name, *each[2:])))
    told = Told()
    nobody: Any = None
    _put_tables(nobody, a_reader(), told)
    assert given == [("spool", ["id"], ["spool"]), ("journal", ["id"], ["journal"])]
    assert told.all == [("spool", 2, 2), ("journal", 2, 2)]
    for error, why in (
        (ValueError("one\ntwo"), "one"), (KeyError(), "KeyError"), (RecursionError("deep"), "deep"),
        (IntegrityError("INSERT", {}, Exception("doubled")), r"\(builtins.Exception\) doubled"),
    ):  # fmt: skip

        def fails(*_: Any, error: Exception = error) -> None:
            raise error

        monkeypatch.setattr(restoring, "put_rows", fails)
        with pytest.raises(BackupError, match=f"table spool of b.backup does not fit: {why}"):
            _put_tables(nobody, a_reader(), told)
    tables.append(SimpleNamespace(name="rig"))
    tables.reverse()
    with pytest.raises(BackupError, match="the table rig is missing"):
        _put_tables(nobody, a_reader(), told)


def test_a_book_is_filled_attachments_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """At the backup's own schema, then brought up to date; what follows is worked out; its mark last."""
    done: list[Any] = []
    for name in ("check_empty", "check_encoding", "check_references"):
        monkeypatch.setattr(restoring, name, lambda *_, name=name: done.append(name))
    monkeypatch.setattr(restoring, "_put_files", lambda *_: done.append("files"))
    monkeypatch.setattr(restoring, "_put_tables", lambda *_: done.append("tables"))
    monkeypatch.setattr(restoring, "upgrade", lambda _, to="newest": done.append(to))
    monkeypatch.setattr(
        restoring, "working_out", lambda: [SimpleNamespace(refill=lambda *_: done.append("refill"))]
    )

    def writing(*, fresh: bool) -> Any:
        done.append(("fresh", fresh))
        return nullcontext("connection")

    book: Any = SimpleNamespace(writing=writing, place="/b", files=SimpleNamespace(mark=done.append))
    _fill(book, a_reader(), [], Told())

    assert done == [
        ("fresh", True), "check_empty", "check_encoding", "files", "0007", "tables", "newest",
        "check_references", "refill",
        "AB2",
    ]  # fmt: skip


@pytest.mark.parametrize("fails", [None, ValueError, KeyboardInterrupt])
def test_where_filling_fails_what_was_made_is_removed(
    fails: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And nothing that was there before; attachments that were put are taken back, as far as that can be."""
    removed: list[Any] = []

    def remove(digest: str) -> None:
        removed.append(digest)
        if digest == "b":
            raise FilesError("gone")

    (tmp_path / "own.txt").write_text("mine")
    before, made = tmp_path / "own.txt", tmp_path / "book" / "files"
    made.mkdir(parents=True)
    (made / "x").touch()
    monkeypatch.setattr(restoring, "files_folder", lambda _: made)
    monkeypatch.setattr(restoring, "_to_be_made", lambda *_: [before, tmp_path / "book2", tmp_path / "f"])
    monkeypatch.setattr(restoring, "make_engine", lambda *_, **how: how)
    monkeypatch.setattr(restoring, "files_of", lambda _: SimpleNamespace(remove=remove))
    monkeypatch.setattr(restoring, "let_tables_be_copied", removed.append)

    class Book:
        """A book that is to be filled."""

        def __init__(self, place: str, engine: Any, files: Any) -> None:
            self.place, self.engine, self.files = place, engine, files

        def __enter__(self) -> Any:
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def close(self) -> None:
            """Note that it was closed."""
            removed.append("closed")

    monkeypatch.setattr(restoring, "Book", Book)
    with pytest.raises(fails) if fails else nullcontext(), _place("/b") as (_, put):
        put += ["a", "b", "c"]
        (tmp_path / "book2").mkdir()
        (tmp_path / "book2" / "inside").touch()
        (tmp_path / "f").touch()
        if fails:
            raise fails

    assert removed == [{"fresh": True}, *(["closed", "a", "b"] if fails else [])]
    assert before.exists()
    assert [(tmp_path / name).exists() for name in ("book2", "f")] == [fails is None] * 2


@pytest.mark.parametrize(
    ("schema", "why"),
    [("0007", None), (restoring.SCHEMA, None), ("9999", "written by a newer version"),
     ("001", "is no version of a schema"),
     ("000x", "is no version of a schema")],
)  # fmt: skip
@pytest.mark.parametrize("dry_run", [True, False])
def test_a_backup_is_read_and_checked_before_anything_is_written(
    schema: str, why: str | None, dry_run: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A trial writes nothing; heads noted after the backup are forgotten where it is brought back."""
    done: list[Any] = []
    reader = a_reader(check=lambda _: done.append("read"))
    reader.contents.schema = schema
    monkeypatch.setattr(restoring, "opened_backup", lambda _: nullcontext(reader))
    monkeypatch.setattr(restoring, "_check_room", lambda *_: done.append("room"))
    monkeypatch.setattr(restoring, "_check_place", lambda _: done.append("place"))
    monkeypatch.setattr(restoring, "_fill", lambda *_: done.append("filled"))
    ring = SimpleNamespace(forget_after=lambda *given: done.append(given))
    monkeypatch.setattr(restoring, "KeyRing", lambda: ring)

    @contextmanager
    def place(_: str) -> Any:
        done.append("made")
        yield "book", []

    monkeypatch.setattr(restoring, "_place", place)
    with pytest.raises(BackupError, match=why) if why else nullcontext():
        assert restore(Path("b.backup"), "/b", dry_run=dry_run) is reader.contents
    if why:
        assert done == []
    else:
        assert done == ["read", "room", *(["place"] if dry_run else ["made", "filled", ("AB2", 2)])]


def test_a_place_of_a_book_is_taken(tmp_path: Path) -> None:
    """By the file of its database."""
    restoring._check_place(str(tmp_path))
    (tmp_path / "book.sqlite").touch()
    with pytest.raises(BookError, match="is a book already"):
        restoring._check_place(str(tmp_path))


# Bringing up to date


@pytest.mark.parametrize(
    ("found", "left", "why"),
    [
        ([], [], None),
        ([("foreign", False)], ["foreign"], None),
        ([("foreign", True)], None, "foreign"),
        ([("missing", False)], None, "missing"),
        ([("other", False), ("foreign", False)], None, "other"),
        ([("missing", False)] * 6, None, "missing; missing; missing; missing; missing$"),
    ],
)
def test_a_schema_is_looked_at_before_it_is_brought_up_to_date(
    found: list[tuple[str, bool]], left: list[str] | None, why: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is somebody's own may stay unless it acts; up to five of what is wrong are named."""

    class Difference(SimpleNamespace):
        """One of them."""

        def __str__(self) -> str:
            return str(self.kind)

    monkeypatch.setattr(
        restoring, "schema_differences", lambda *_: [Difference(kind=kind, acts=acts) for kind, acts in found]
    )
    nobody: Any = None
    if why is None:
        assert _check_before("/b", nobody, "0007") == left
    else:
        with pytest.raises(BackupError) as refused:
            _check_before("/b", nobody, "0007")
        assert refused.value.what.startswith("The schema of /b is not the one of version 0007: ")
        assert refused.value.what.partition(": ")[2] == why.removesuffix("$")


@pytest.mark.parametrize(
    ("code", "named", "marked"), [("AB2", [], ["AB2"]), ("AB2", ["AB2", "X"], []), (None, [], [])]
)
def test_the_place_of_attachments_becomes_the_one_that_is_named(
    code: str | None, named: list[str], marked: list[str]
) -> None:
    """Unless it is marked already, or the book has no code."""
    done: list[str] = []
    book: Any = SimpleNamespace(files=SimpleNamespace(named=lambda: named, mark=done.append))
    _go_on_without(book, SimpleNamespace(scalar=lambda _: code))  # type: ignore[arg-type]
    assert done == marked
