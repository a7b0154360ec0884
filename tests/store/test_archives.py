"""Archives that somebody made to do harm, or that are not whole: refused before anything is written."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.books import fill
from tests.databases import Places
from tracker.backup import BackupError, backup, check_backup, restore
from tracker.book import BookError, files_folder, open_book

ROOT = Path(__file__).resolve().parents[2]
Members = dict[str, bytes]


@pytest.fixture(scope="module")
def whole(book_template: Path, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Give the bytes of a backup of a filled book."""
    folder = tmp_path_factory.mktemp("whole")
    shutil.copytree(book_template, folder / "book")
    with open_book(str(folder / "book")) as book:
        fill(book)
        backup(book, folder / "b.backup")
    return (folder / "b.backup").read_bytes()


@pytest.fixture
def file(whole: bytes, tmp_path: Path) -> Path:
    """Give a backup of a filled book."""
    (tmp_path / "b.backup").write_bytes(whole)
    return tmp_path / "b.backup"


def changed(file: Path, change: Callable[[Members], None]) -> Path:
    """Write a backup again with its members changed."""
    with zipfile.ZipFile(file) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    change(members)
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return file


def rewrite(members: Members, **values: object) -> None:
    """Change the contents."""
    members["book.json"] = json.dumps({**json.loads(members["book.json"]), **values}).encode()


def _check(file: Path, places: Places, match: str) -> None:
    """Restore, expect a refusal and an untouched place."""
    place = places.empty("sqlite")
    with pytest.raises(BackupError, match=match):
        restore(file, place)
    assert not Path(place).exists()


class TestMembers:
    """Only what a backup is made of."""

    @pytest.mark.parametrize(
        "name",
        [
            "files/../../../etc/passwd", "/etc/passwd", "files/" + "g" * 64, "files/abc", "tables/x.sql",
            "tables/evil.jsonl", "files/" + "a" * 64 + "/x", "..\\evil", "README",
        ],
    )  # fmt: skip
    def test_a_strange_name(self, file: Path, places: Places, name: str) -> None:
        """A member that no backup has ends it, whatever it is called, and lands nowhere."""
        _check(changed(file, lambda members: members.update({name: b"x"})), places, "which no backup does")

    @pytest.mark.filterwarnings("ignore:Duplicate name")
    def test_two_of_one_name(self, file: Path, places: Places) -> None:
        """Which of them would be checked, and which restored?"""
        with zipfile.ZipFile(file, "a") as archive:
            archive.writestr("tables/spool.jsonl", b"")
        _check(file, places, "two members of one name")

    def test_an_attachment_under_another_digest(self, file: Path, places: Places) -> None:
        """Its bytes must be those that its name is the digest of."""

        def exchange(members: Members) -> None:
            name = next(each for each in members if each.startswith("files/"))
            members[name] = bytes(len(members[name]))

        _check(changed(file, exchange), places, "attachment .* is not as it was written")

    def test_an_attachment_that_is_left_out(self, file: Path, places: Places) -> None:
        """The contents count them."""

        def leave_out(members: Members) -> None:
            del members[next(each for each in members if each.startswith("files/"))]

        _check(changed(file, leave_out), places, r"holds \d attachments, and should hold \d")

    def test_an_attachment_too_many(self, file: Path, places: Places) -> None:
        """One that is sound in itself, and that the book never had."""
        name = f"files/{hashlib.sha256(b'x').hexdigest()}"
        _check(changed(file, lambda members: members.update({name: b"x"})), places, "attachments")

    def test_a_row_too_many(self, file: Path, places: Places) -> None:
        """Though its digest was made to fit."""

        def add(members: Members) -> None:
            contents = json.loads(members["book.json"])
            lines = members["tables/spool.jsonl"] * 2
            members["tables/spool.jsonl"] = lines
            contents["tables"]["spool"]["sha256"] = hashlib.sha256(lines).hexdigest()
            rewrite(members, tables=contents["tables"])

        _check(changed(file, add), places, "spool")

    @pytest.mark.parametrize("line", [b"[" * 100_000 + b"\n", b"{}\n", b"17\n", b"[1,2]\n", b"\xff\n"])
    def test_a_row_that_is_none(self, file: Path, places: Places, line: bytes) -> None:
        """Nested without end, no list, or not one value a column."""

        def put(members: Members) -> None:
            contents = json.loads(members["book.json"])
            members["tables/spool.jsonl"] = line
            contents["tables"]["spool"] |= {
                "sha256": hashlib.sha256(line).hexdigest(), "rows": 1, "bytes": len(line)
            }  # fmt: skip
            rewrite(members, tables=contents["tables"])

        _check(changed(file, put), places, "is damaged")

    def test_a_head_of_another_journal(self, file: Path, places: Places) -> None:
        """The contents name the last entry, and the journal must end with it."""
        _check(
            changed(file, lambda members: rewrite(members, head="0" * 64)),
            places,
            "journal does not end",
        )

    def test_a_head_whose_signature_does_not_hold(self, file: Path, places: Places) -> None:
        """It was signed when the backup was made."""

        def forge(members: Members) -> None:
            members["head.json"] = json.dumps({**json.loads(members["head.json"]), "at": "2020"}).encode()

        _check(changed(file, forge), places, "signature")

    @pytest.mark.parametrize("schema", ["head", "base", "../x", "0001; DROP", ""])
    def test_a_version_that_is_none(self, file: Path, places: Places, schema: str) -> None:
        """It is handed to the migrations."""
        _check(
            changed(file, lambda members: rewrite(members, schema=schema)),
            places,
            "is damaged|newer version",
        )


class TestSizes:
    """Bounded by what the archive says of itself, and by what can be."""

    def test_a_bomb(self, places: Places, file: Path, tmp_path: Path) -> None:
        """A megabyte that unpacks to a gigabyte is refused within 200 MB of memory."""
        bomb = tmp_path / "bomb.backup"
        with zipfile.ZipFile(file) as archive:
            members = {name: archive.read(name) for name in archive.namelist()}
        with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
            for name, data in members.items():
                archive.writestr(name, data)
            with archive.open(f"files/{'0' * 64}", "w", force_zip64=True) as stream:
                for _ in range(32):
                    stream.write(bytes(1 << 25))
        assert bomb.stat().st_size < 1_400_000
        script = (
            "import resource, sys; resource.setrlimit(resource.RLIMIT_DATA, (200_000_000, 200_000_000));"
            "from pathlib import Path; from tracker.backup import BackupError, restore\n"
            "try: restore(Path(sys.argv[1]), sys.argv[2])\n"
            "except BackupError as refusal: print(refusal)\n"
            "print(next(l for l in open('/proc/self/status') if l.startswith('VmHWM')).split()[1])"
        )
        place = places.empty("sqlite")
        said = subprocess.run(
            [sys.executable, "-c", script, str(bomb), place],
            capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert "made to fill a disk" in said.stdout, said.stderr
        assert not Path(place).exists()
        # Its own peak in kB since it began; what the system counts for a child holds its parent's too.
        assert int(said.stdout.split()[-1]) < 300_000

    def test_a_table_larger_than_the_contents_say(self, file: Path, places: Places) -> None:
        """Refused before a row of it is read."""

        def shrink(members: Members) -> None:
            contents = json.loads(members["book.json"])
            contents["tables"]["spool"]["bytes"] -= 1
            rewrite(members, tables=contents["tables"])

        _check(changed(file, shrink), places, "not as large as the contents say")

    def test_contents_larger_than_any(self, file: Path, places: Places) -> None:
        """They are read whole, so they are bounded first."""
        _check(
            changed(file, lambda members: rewrite(members, title="x" * 5_000_000)),
            places,
            "larger than any",
        )

    def test_no_room_for_it(self, file: Path, places: Places, monkeypatch: pytest.MonkeyPatch) -> None:
        """Said before anything is written."""
        free = type("Usage", (), {"free": 10})
        monkeypatch.setattr("tracker.backup.restoring.shutil.disk_usage", lambda _: free)
        _check(file, places, "needs 1 MB, and 0 MB are free")

    @pytest.mark.parametrize("what", ["pipe", "folder", "device"])
    def test_no_regular_file(self, tmp_path: Path, places: Places, what: str) -> None:
        """A pipe nobody writes to would wait for ever."""
        place = {"pipe": tmp_path / "p", "folder": tmp_path, "device": Path("/dev/zero")}[what]
        if what == "pipe":
            os.mkfifo(place)
        with pytest.raises(BackupError, match="cannot be read"):
            restore(place, places.empty("sqlite"))


class TestWithoutWriting:
    """Looking at a backup, and at whether it could be restored."""

    def test_checking_needs_no_book(self, file: Path) -> None:
        """It gives the contents and the signed head."""
        contents, head = check_backup(file)
        assert head is not None
        assert (head.book, head.hash) == (contents.code, contents.head)
        assert head.signature

    def test_a_dry_run_writes_nothing(self, file: Path, empty_place: str) -> None:
        """Neither database nor folder of attachments."""
        restore(file, empty_place, dry_run=True)
        assert not files_folder(empty_place).exists()
        with pytest.raises(BookError, match="is not a book"):
            open_book(empty_place)

    def test_a_dry_run_says_what_the_restore_would(self, file: Path, book_place: str) -> None:
        """A place where there is a book."""
        with pytest.raises(BookError, match="is a book already"):
            restore(file, book_place, dry_run=True)
