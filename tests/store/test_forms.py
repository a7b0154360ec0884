"""The forms of a backup by themselves, made by hand without a book: what is counted, and what is refused."""

from __future__ import annotations

import errno
import gzip
import hashlib
import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.frozen import changeable
from tracker.backup import BackupError, check_backup, prune
from tracker.backup.archive import Contents, TableContents, Writer, read_contents, reading, writing
from tracker.backup.folder import FolderReader, FolderWriter, adding, is_backup_folder, object_place, runs_of
from tracker.heads import Head
from tracker.progress import silent

ROWS: dict[str, tuple[list[str], list[list[Any]]]] = {
    "spool": (["id", "label"], [[1, "one"], [2, "zwei ü"], [3, None]]),
    "journal": (["hash", "seq"], [["a" * 64, 1], ["b" * 64, 2]]),
}
FILES = [b"first", b"second one"]
HEAD = Head("AB2", 2, "b" * 64, "2026-05-04T10:00:00.000000Z")


def digest(data: bytes) -> str:
    """Return the name of an attachment."""
    return hashlib.sha256(data).hexdigest()


def put(writer: Writer | FolderWriter, signed: Head = HEAD, **changes: Any) -> Contents:
    """Write a whole backup."""
    tables = {name: writer.table(name, columns, rows) for name, (columns, rows) in ROWS.items()}
    for data in FILES:
        assert writer.file(digest(data), io.BytesIO(data))
    contents = Contents(
        "0013", "AB2", "Bench", "2026-05-04T10:11:12.000000Z", "b" * 64, tables, len(FILES),
        writer.attachment_bytes,
    )  # fmt: skip
    contents = replace(contents, **changes)
    writer.finish(contents, signed)
    return contents


def archive(folder: Path, **changes: Any) -> Path:
    """Write a backup in one file without reading it back; returns it."""
    file = folder / "b.backup"
    with zipfile.ZipFile(file, "w") as packed:
        put(Writer(packed), **changes)
    return file


def folder(place: Path, **changes: Any) -> Path:
    """Write a run into a backup folder; returns the run."""
    writer = FolderWriter(place / "backups")
    (place / "backups").mkdir(exist_ok=True)
    put(writer, **changes)
    assert writer.run is not None
    return writer.run


FORMS = pytest.mark.parametrize("made", [archive, folder])


@FORMS
def test_what_is_written_is_read(tmp_path: Path, made: Callable[..., Path]) -> None:
    """Rows, attachments, head, and what the contents say of them, in numbers."""
    file = made(tmp_path)
    seen: list[tuple[str, int, int]] = []
    with reading(file) if made is archive else _run(file) as reader:
        head = reader.check(lambda *step: seen.append(step))
        contents = reader.contents
        rows = {name: list(reader.rows(name)) for name in contents.tables}
        files = dict(reader.files())

    assert head == HEAD
    assert rows == {name: rows for name, (_, rows) in ROWS.items()}
    assert files == {digest(data): len(data) for data in FILES}
    lines = '[1,"one"]\n[2,"zwei ü"]\n[3,null]\n'.encode()
    assert contents.tables["spool"] == TableContents(["id", "label"], 3, digest(lines), len(lines))
    assert (contents.rows, contents.attachments, contents.attachment_bytes) == (5, 2, 15)
    assert seen == [("spool", 3, 3), ("journal", 2, 2), ("attachments", 1, 2), ("attachments", 2, 2)]


class _run:  # noqa: N801 - stands for `reading`
    """A run as `reading` gives an archive."""

    def __init__(self, file: Path) -> None:
        self.reader = FolderReader(file)

    def __enter__(self) -> FolderReader:
        return self.reader

    def __exit__(self, *_: object) -> None:
        """Nothing is held open."""


def refusal(file: Path, made: Callable[..., Path]) -> str:
    """Check a backup that cannot be sound; returns why it is refused."""
    with pytest.raises(BackupError) as refused, reading(file) if made is archive else _run(file) as reader:
        reader.check(silent)
    assert refused.value.what == f"The backup {file} is damaged"
    return str(refused.value.why)


def spool(**changes: Any) -> dict[str, TableContents]:
    """Return the tables with what is said of the spools changed."""
    lines = '[1,"one"]\n[2,"zwei ü"]\n[3,null]\n'.encode()
    journal = f'["{"a" * 64}",1]\n["{"b" * 64}",2]\n'.encode()
    return {
        "spool": replace(TableContents(["id", "label"], 3, digest(lines), len(lines)), **changes),
        "journal": TableContents(["hash", "seq"], 2, digest(journal), len(journal)),
    }


@FORMS
@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"tables": spool(rows=2)}, "the table spool holds more than the contents say"),
        ({"tables": spool(rows=4)}, "the table spool is not as it was written"),
        ({"tables": spool(sha256="0" * 64)}, "the table spool is not as it was written"),
        ({"tables": spool(columns=["id"])}, "row 1 of the table spool has not one value a column"),
        ({"head": "a" * 64}, "its journal does not end with the entry that the contents name"),
        ({"attachments": 1}, "it holds 2 attachments, and should hold 1"),
        ({"attachments": 3}, "it holds 2 attachments, and should hold 3"),
        ({"attachment_bytes": 14}, "its attachments are not as large as the contents say"),
        ({"attachment_bytes": 0}, "its attachments are not as large as the contents say"),
        ({"code": "AB3"}, "the head of the journal that was written along is of another journal"),
    ],
)
def test_each_figure_of_the_contents_is_held(
    tmp_path: Path, made: Callable[..., Path], changes: dict[str, Any], why: str
) -> None:
    """One more, one less, another digest: each is told."""
    assert refusal(made(tmp_path, **changes), made) == why


@FORMS
@pytest.mark.parametrize(
    "head", [replace(HEAD, entry=1), replace(HEAD, hash="a" * 64), replace(HEAD, book="AB3")]
)
def test_a_head_is_that_of_the_journal(tmp_path: Path, made: Callable[..., Path], head: Head) -> None:
    """Its book, its entry, its hash."""
    assert "is of another journal" in refusal(made(tmp_path, signed=head), made)


@FORMS
def test_what_format_1_did_not_say_is_not_asked_for(tmp_path: Path, made: Callable[..., Path]) -> None:
    """Sizes: of tables and attachments."""
    file = made(tmp_path, tables=spool(bytes=None), attachment_bytes=None)
    with reading(file) if made is archive else _run(file) as reader:
        assert reader.check(silent) == HEAD


def test_a_table_that_is_larger_than_said(tmp_path: Path) -> None:
    """In an archive its size is seen without unpacking; in a folder while it is read."""
    less = spool(bytes=spool()["spool"].bytes - 1)  # type: ignore[operator]
    assert refusal(archive(tmp_path, tables=less), archive) == (
        "tables/spool.jsonl is not as large as the contents say"
    )
    assert (
        refusal(folder(tmp_path, tables=less), folder) == "the table spool holds more than the contents say"
    )


def without_head(file: Path, format_: int) -> None:
    """Write an archive anew as an earlier program did."""
    with zipfile.ZipFile(file) as packed:
        members = {name: packed.read(name) for name in packed.namelist() if name != "head.json"}
    members["book.json"] = json.dumps({**json.loads(members["book.json"]), "format": format_}).encode()
    members[f"files/{digest(FILES[0])}"] = b"FIRST"
    with zipfile.ZipFile(file, "w") as packed:
        for name, data in members.items():
            packed.writestr(name, data)


def test_format_1_has_no_head_and_may_hold_what_was_damaged(tmp_path: Path) -> None:
    """It kept damaged attachments without a word; from format 2 the contents name them."""
    file = archive(tmp_path)
    without_head(file, 1)
    with reading(file) as reader:
        assert reader.check(silent) is None
    without_head(file, 2)
    why = refusal(file, archive)
    assert why == f"the attachment {digest(FILES[0])[:12]}… is not as it was written"


def test_what_the_contents_name_as_damaged_is_let_through(tmp_path: Path) -> None:
    """For verify to say."""
    changed = b"other"
    with zipfile.ZipFile(tmp_path / "b.backup", "w") as packed:
        writer = Writer(packed)
        assert not writer.file(digest(b"whole"), io.BytesIO(changed))
        tables = {name: writer.table(name, columns, rows) for name, (columns, rows) in ROWS.items()}
        damaged = [digest(b"whole")]
        writer.finish(Contents("0013", "AB2", "", "", "b" * 64, tables, 1, 5, damaged), HEAD)
    assert check_backup(tmp_path / "b.backup")[1] == HEAD


@pytest.mark.parametrize(
    ("name", "kept"), [("files/" + "f" * 64, True), ("files/" + "F" * 64, False), ("tables/job.jsonl", False)]
)
def test_only_members_of_a_backup_are_in_one(tmp_path: Path, name: str, kept: bool) -> None:
    """Those of the contents, and attachments by their digests."""
    file = archive(tmp_path)
    with zipfile.ZipFile(file, "a") as packed:
        packed.writestr(name, b"")
    assert (f"it holds {name[:60]!r}, which no backup does" in refusal(file, archive)) != kept


@pytest.mark.parametrize(("size", "bomb"), [(40_000, False), (80_000, True)])
def test_what_unpacks_to_too_much_is_a_bomb(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int, bomb: bool
) -> None:
    """More than the small size, and than 200 times what is packed: here 50 kB, and about 20 times."""
    monkeypatch.setattr("tracker.backup.archive._SMALL", 50_000)
    monkeypatch.setattr("tracker.backup.archive._TIGHTEST", 20)
    file = archive(tmp_path)
    with zipfile.ZipFile(file, "a", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr(f"files/{digest(bytes(size))}", bytes(size))
    assert ("are no book: they are made to fill a disk" in refusal(file, archive)) == bomb


@pytest.mark.parametrize(("longest", "kept"), [(15, True), (14, False)])
def test_a_row_has_an_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, longest: int, kept: bool) -> None:
    """A row of the spools has at most 14 bytes; one as long as can be read at once is longer than any."""
    file = archive(tmp_path)
    monkeypatch.setattr("tracker.backup.archive._LONGEST_LINE", longest)
    with reading(file) as reader:
        if kept:
            assert len(list(reader.lines("spool"))) == 3
        else:
            with pytest.raises(BackupError, match="a row of the table spool is longer than any can be"):
                list(reader.lines("spool"))


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"what": "something else"}, "it is some other archive"),
        ({"format": 3}, None),
        ({"attachments": -1}, "a number in its contents is none"),
        ({"attachments": "2"}, "a number in its contents is none"),
        ({"code": 7}, "a text in its contents is none"),
        ({"title": None}, "a text in its contents is none"),
        ({"head": 1.5}, "a text in its contents is none"),
        ({"schema": 13}, "a text in its contents is none"),
        ({"tables": {"Spool": vars(spool()["spool"])}}, "'Spool' is no table"),
        ({"tables": {"s" * 61: vars(spool()["spool"])}}, f"'{'s' * 61}' is no table"),
        ({"tables": {"spool": vars(spool(columns=["id", 2])["spool"])}}, "'spool' is no table"),
        ({"tables": {"spool": vars(spool(rows=-1)["spool"])}}, "a number in its contents is none"),
        ({"tables": {"spool": {"columns": []}}}, ""),
    ],
)
def test_contents_of_other_kinds_are_refused(changes: dict[str, Any], why: str | None) -> None:
    """Before anything is read by them."""
    sound = {
        "what": "strandbook backup", "format": 2, "schema": "0013", "code": "AB2", "title": "",
        "made_at": "", "head": "", "tables": {}, "attachments": 0,
    }  # fmt: skip
    assert read_contents(Path("b"), json.dumps(sound).encode()).code == "AB2"
    with pytest.raises(BackupError) as refused:
        read_contents(Path("b"), json.dumps({**sound, **changes}).encode())
    if why is None:
        assert refused.value.what == "b was written by a newer version (backup format 3, this program: 2)"
    else:
        assert why in str(refused.value.why)


def test_writing_gives_the_name_last(tmp_path: Path) -> None:
    """For its owner alone, under a hidden name until it is whole; an unsound one leaves nothing."""
    file = tmp_path / "b.backup"
    with writing(file) as writer:
        assert [path.name[:10] for path in tmp_path.iterdir()] == [".b.backup-"]
        put(writer)
    assert [path.name for path in tmp_path.iterdir()] == ["b.backup"]
    assert file.stat().st_mode & 0o777 == 0o600
    with pytest.raises(BackupError, match="is damaged"), writing(tmp_path / "c.backup") as writer:
        put(writer, attachments=3)
    assert [path.name for path in tmp_path.iterdir()] == ["b.backup"]


@pytest.mark.parametrize(
    ("error", "why"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), "No space left on device"),
        (OSError("the share is away"), "the share is away"),
    ],
)
def test_a_place_that_cannot_be_written_says_why(tmp_path: Path, error: OSError, why: str) -> None:
    """By the system's word, or the error's own where it has none."""
    with pytest.raises(BackupError) as refused, writing(tmp_path / "b.backup"):
        raise error
    assert (refused.value.what, refused.value.why) == (
        f"The backup {tmp_path}/b.backup cannot be written",
        why,
    )
    with pytest.raises(BackupError) as refused, adding(tmp_path / "f"):
        raise error
    assert (refused.value.what, refused.value.why) == (
        f"The backup folder {tmp_path}/f cannot be written",
        why,
    )


class TestFolder:
    """What grows."""

    def test_a_run_is_called_by_its_moment_and_book(self, tmp_path: Path) -> None:
        """To the second; a second one of that second has a number behind."""
        names = [folder(tmp_path).name for _ in range(3)]
        assert names == [
            "20260504T101112Z-AB2.json", "20260504T101112Z-AB2-02.json", "20260504T101112Z-AB2-03.json"
        ]  # fmt: skip
        assert [run.name for run in runs_of(tmp_path / "backups")] == names

    def test_runs_are_in_order_of_their_moments_and_numbers(self, tmp_path: Path) -> None:
        """The tenth of a second comes after the ninth."""
        (tmp_path / "runs").mkdir()
        stamps = [
            "20250101T000000Z-ZZ9-10",
            "20260101T000000Z-AA2",
            "20250101T000000Z-ZZ9-09",
            "20250101T000000Z-ZZ9",
        ]
        for stamp in stamps:
            (tmp_path / "runs" / f"{stamp}.json").touch()
        found = [run.stem for run in runs_of(tmp_path)]
        assert found == [stamps[3], stamps[2], stamps[0], stamps[1]]

    def test_only_what_is_new_is_added(self, tmp_path: Path) -> None:
        """A second run of the same adds its own small files; attachments and portions are there."""
        place = tmp_path / "backups"
        place.mkdir()
        first, second = FolderWriter(place), FolderWriter(place)
        put(first)
        held = {path: path.stat().st_mtime_ns for path in place.glob("objects/??/*")}
        put(second)

        assert {path: path.stat().st_mtime_ns for path in place.glob("objects/??/*")} == held
        assert first.run is not None
        assert second.run is not None
        assert second.added == second.run.stat().st_size
        assert first.added == sum(path.stat().st_size for path in [*held, first.run])
        assert (first.attachment_bytes, second.attachment_bytes) == (15, 15)

    def test_rows_are_kept_in_portions(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Two at a time here: five rows in three, and the last row changed costs its own portion."""
        monkeypatch.setattr("tracker.backup.folder._PORTION", 2)
        tmp_path.joinpath("b").mkdir()
        rows = [[n] for n in range(5)]
        for last, objects in ((4, 3), (9, 4), (4, 4)):
            told = FolderWriter(tmp_path / "b").table("spool", ["id"], [*rows[:-1], [last]])
            lines = b"".join(f"[{n}]\n".encode() for n in (0, 1, 2, 3, last))
            assert (told.rows, told.bytes, told.sha256) == (5, 20, digest(lines))
            assert len(list(tmp_path.glob("b/objects/??/*"))) == objects
        assert FolderWriter(tmp_path / "b").table("rig", ["id"], []).rows == 0

    def test_a_damaged_attachment_is_not_kept(self, tmp_path: Path) -> None:
        """Under its digest it would pass for the real one in every later run."""
        tmp_path.joinpath("b").mkdir()
        writer = FolderWriter(tmp_path / "b")
        assert not writer.file(digest(b"whole"), io.BytesIO(b"other"))
        assert writer.attachment_bytes == 0
        assert [path for path in tmp_path.rglob("*") if path.is_file()] == []

    def test_a_run_is_checked_before_it_counts(self, tmp_path: Path) -> None:
        """What does not hold is told on the day it is made."""
        with pytest.raises(BackupError, match="should hold 3"), adding(tmp_path / "b") as writer:
            put(writer, attachments=3)
        with adding(tmp_path / "b"):
            pass

    def test_a_folder_is_its_owners_and_marked(self, tmp_path: Path) -> None:
        """Folder, mark and objects; something else is not taken for one, an empty folder is."""
        with adding(tmp_path / "b") as writer:
            put(writer)
        files = [path for path in (tmp_path / "b").rglob("*") if path.is_file()]
        folders = [path for path in [tmp_path / "b", *(tmp_path / "b").rglob("*")] if path.is_dir()]
        assert {path.stat().st_mode & 0o777 for path in files} == {0o600}
        # What lies between is behind the first of them.
        assert {path.stat().st_mode & 0o777 for path in folders if path.name != "objects"} == {0o700}
        assert json.loads((tmp_path / "b" / "strandbook-backups.json").read_text()) == {
            "what": "strandbook backup folder"
        }
        assert is_backup_folder(tmp_path / "b")
        (tmp_path / "c").mkdir()
        with adding(tmp_path / "c"):
            assert is_backup_folder(tmp_path / "c")
        (tmp_path / "d").mkdir()
        (tmp_path / "d" / "mine").touch()
        for place in (tmp_path / "d", tmp_path / "d" / "mine"):
            with (
                pytest.raises(BackupError, match="it holds something else; choose an empty folder"),
                adding(place),
            ):
                pass

    def test_one_run_at_a_time(self, tmp_path: Path) -> None:
        """The other is refused, and can go on afterwards."""
        with (
            adding(tmp_path / "b"),
            pytest.raises(BackupError, match="Another backup is at work in"),
            adding(tmp_path / "b"),
        ):
            pass
        with adding(tmp_path / "b"):
            pass

    @pytest.mark.parametrize(
        ("spoil", "why"),
        [
            (lambda index: index | {"tables": {"spool": ["x"]}}, "'x' is no digest"),
            (lambda index: index | {"tables": {}}, "its index and its contents name other tables"),
            (lambda index: index | {"files": [["0" * 63, 5]]}, f"'{'0' * 63}' is no digest"),
            (lambda index: index | {"files": [[digest(b"first"), "five"]]}, "invalid literal"),
            (lambda _: [], ""),
        ],
    )
    def test_an_index_that_is_none(self, tmp_path: Path, spoil: Any, why: str) -> None:
        """Its digests, its sizes, and the tables that the contents name."""
        run = folder(tmp_path)
        told = json.loads(run.read_text())
        place = object_place(tmp_path / "backups", told["index"], ".gz")
        index = json.dumps(spoil(json.loads(gzip.decompress(place.read_bytes())))).encode()
        told["index"] = digest(index)
        other = object_place(tmp_path / "backups", told["index"], ".gz")
        other.parent.mkdir(exist_ok=True)
        other.write_bytes(gzip.compress(index))
        run.write_text(json.dumps(told))
        with pytest.raises(BackupError) as refused:
            FolderReader(run)
        assert why in str(refused.value.why)

    def test_a_portion_that_was_changed(self, tmp_path: Path) -> None:
        """Packed anew it still has to be the one of its digest; a missing one is damage as well."""
        run = folder(tmp_path)
        lines = '[1,"one"]\n[2,"zwei ü"]\n[3,null]\n'.encode()
        place = object_place(tmp_path / "backups", digest(lines), ".gz")
        place.write_bytes(gzip.compress(lines.replace(b"one", b"two")))
        assert refusal(run, folder) == f"the object {digest(lines)[:12]}… is not as it was written"
        place.unlink()
        assert "No such file" in refusal(run, folder)

    @pytest.mark.parametrize("text", ["{}", "[]", "none", '{"index": "x"}', '{"head_signed": {}}'])
    def test_what_is_no_run(self, tmp_path: Path, text: str) -> None:
        """Refused by its name."""
        (tmp_path / "r.json").write_text(text)
        with pytest.raises(BackupError, match="it is no run of a backup folder"):
            FolderReader(tmp_path / "r.json")

    def test_pruning_keeps_the_last_runs_of_each_book(self, tmp_path: Path) -> None:
        """And every object that one of them needs; a remnant and an object of none go."""
        place = tmp_path / "b"
        for code, day in (("AB2", 1), ("AB2", 2), ("AB2", 3), ("CD3", 1)):
            with adding(place) as writer:
                FILES.append(f"of {code} {day}".encode())
                try:
                    put(
                        writer, replace(HEAD, book=code), code=code, attachments=3,
                        made_at=f"2026-05-0{day}T10:00:00.000000Z",
                    )  # fmt: skip
                finally:
                    FILES.pop()
        (place / ".new-0011").touch()
        (place / "objects" / "ab").mkdir(exist_ok=True)
        (place / "objects" / "ab" / "left").touch()

        assert prune(place, 2) == 1
        assert [run.stem for run in runs_of(place)] == [
            "20260501T100000Z-CD3", "20260502T100000Z-AB2", "20260503T100000Z-AB2"
        ]  # fmt: skip
        for run in runs_of(place):
            FolderReader(run).check(silent)
        assert not object_place(place, digest(b"of AB2 1")).exists()
        assert object_place(place, digest(b"of CD3 1")).exists()
        assert not (place / ".new-0011").exists()
        assert not (place / "objects" / "ab" / "left").exists()
        assert prune(place, 1) == 1
        assert prune(place, 1) == 0

    def test_pruning_keeps_one_at_least(self, tmp_path: Path) -> None:
        """And needs a folder that it can write."""
        with pytest.raises(BackupError, match="At least one run must be kept"):
            prune(tmp_path, 0)
        (tmp_path / "mine").touch()
        with pytest.raises(BackupError, match="holds something else"):
            prune(tmp_path / "mine", 1)


# Looked at where the modules are loaded, as all that they are made of.
_changing = changeable(
    "tracker.acts",
    "tracker.book",
    "tracker.backup",
    "tracker.verify",
    "tracker.journal",
    "tracker.files",
    "tracker.heads",
    "tracker.write_queue",
    "tracker.stored_rows",
)


@pytest.mark.parametrize(("rows", "portions"), [(0, []), (1, [1]), (4096, [4096]), (4097, [4096, 1])])
def test_rows_are_kept_in_portions_of_4096(tmp_path: Path, rows: int, portions: list[int]) -> None:
    """With another number every row that did not change would be kept once more by the next run."""
    writer = FolderWriter(tmp_path)
    made = writer.table("thing", ["id"], ([number] for number in range(rows)))
    kept = [object_place(tmp_path, each, ".gz") for each in writer._tables["thing"]]

    assert [len(gzip.decompress(place.read_bytes()).splitlines()) for place in kept] == portions
    assert made.rows == rows
    assert writer.added == sum(place.stat().st_size for place in kept)


def test_records_do_not_change_once_made() -> None:
    """Whoever was given one may rely on it; what gathers while it works stands here by name."""
    assert _changing == {
        "derived.Touched",
        "findings.Findings",
        "ledger.Replay",
        "ledger._Suspect",
        "parallel.Done",
    }
