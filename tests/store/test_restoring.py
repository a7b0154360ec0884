"""A restore that fails takes away what it made and nothing else; an upgrade keeps others out meanwhile."""

from __future__ import annotations

import json
import os
import sqlite3
import stat
import zipfile
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import text

from tests.books import fill
from tests.databases import KINDS, Places
from tests.store.test_backup import _everything, _spoil
from tests.store.test_migrations import NEXT, newer_program
from tracker.backup import BackupError, backup, restore, upgrade_book
from tracker.backup import archive as archiving
from tracker.backup import tables as copying
from tracker.book import BOOK_FILE, Book, BookError, files_folder, is_url, open_book
from tracker.model import DERIVED, SCHEMA, Job, JournalRecord

__all__ = ["newer_program"]


@pytest.fixture
def file(book: Book, tmp_path: Path) -> Path:
    """Fill the book of the test and back it up."""
    fill(book)
    backup(book, tmp_path / "book.backup")
    return tmp_path / "book.backup"


@pytest.fixture
def spoiled(file: Path) -> Path:
    """Give a backup whose last table does not fit."""
    _spoil(file)
    return file


def fail(spoiled: Path, place: str) -> None:
    """Restore what cannot be restored whole."""
    with pytest.raises(BackupError, match="does not fit"):
        restore(spoiled, place)


class TestFailing:
    """What is left of a restore that fails."""

    def test_no_attachment_is_left(self, spoiled: Path, empty_place: str) -> None:
        """Attachments were put there first, and go again with their folder."""
        fail(spoiled, empty_place)
        assert not files_folder(empty_place).exists()

    def test_no_folder_is_left(self, spoiled: Path, places: Places) -> None:
        """A folder that was made for the book goes with it."""
        place = places.empty("sqlite")
        fail(spoiled, place)
        assert not Path(place).exists()

    def test_what_was_in_the_folder_stays(self, spoiled: Path, tmp_path: Path) -> None:
        """Somebody's own files are not taken for ours, and nothing of ours stays beside them."""
        folder = tmp_path / "mine"
        folder.mkdir()
        (folder / "thesis.txt").write_text("years of work")
        fail(spoiled, str(folder))
        assert [(each.name, each.read_text()) for each in folder.iterdir()] == [
            ("thesis.txt", "years of work")
        ]

    def test_attachments_that_were_there_stay(self, spoiled: Path, empty_place: str) -> None:
        """A folder of attachments may be shared with another book."""
        kept = files_folder(empty_place) / "ab" / "abc"
        kept.parent.mkdir(parents=True)
        kept.write_text("of another book")
        fail(spoiled, empty_place)
        assert kept.read_text() == "of another book"

    def test_a_book_that_is_there_stays(self, file: Path, places: Places, kind: str) -> None:
        """A closed book is opened again after the refusal and has its attachments."""
        place = places.fresh(kind)
        with open_book(place) as there:
            fill(there)
            before, kept = _everything(there), list(there.files.stored())
        with pytest.raises(BookError, match="is a book already"):
            restore(file, place)
        with open_book(place) as there:
            assert (_everything(there), list(there.files.stored())) == (before, kept)

    def test_an_interrupt_leaves_nothing(self, file: Path, places: Places) -> None:
        """The keyboard's too: half a book would be taken for a book."""

        def interrupt(stage: str, _done: int, _total: int) -> None:
            if stage == "job":
                raise KeyboardInterrupt

        place = places.empty("sqlite")
        with pytest.raises(KeyboardInterrupt):
            restore(file, place, interrupt)
        assert not Path(place).exists()


class TestRows:
    """Rows on their way back."""

    @pytest.mark.parametrize("other", KINDS)
    def test_a_reference_to_a_row_of_a_later_portion(
        self, book: Book, file: Path, places: Places, other: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A job may be another attempt at one that comes back with the next portion; most are at none."""
        with book.act("amend", "Ada") as act:
            again = Job(name="later")
            act.session.add(again)
            act.session.flush()
            act.session.get_one(Job, 1).again_of_id = again.id
        file.unlink()
        backup(book, file)
        monkeypatch.setattr(copying, "BATCH", 1)
        place = places.empty(other)
        restore(file, place)
        with open_book(place) as restored:
            assert _everything(restored) == _everything(book)

    @pytest.mark.parametrize("damaged", ["yesterday", "2026-03-02T08:00", 17, "2026-03-02 08:00:00,000000Z-"])
    def test_a_damaged_moment(self, places: Places, tmp_path: Path, damaged: object) -> None:
        """What is no moment comes back as it was, for verify to say."""
        with open_book(places.fresh("sqlite")) as book:
            fill(book)
            with book.engine.begin() as connection:
                connection.execute(text("UPDATE specimen SET broken_at = :it WHERE id = 1"), {"it": damaged})
            backup(book, tmp_path / "b")
            place = places.empty("sqlite")
            restore(tmp_path / "b", place)
            with open_book(place) as restored:
                assert _everything(restored)["specimen"] == _everything(book)["specimen"]

    def test_progress(self, file: Path, places: Places) -> None:
        """Each table is told when it is there, with all its rows."""
        told: dict[str, tuple[int, int]] = {}
        contents = restore(
            file,
            places.empty("sqlite"),
            lambda stage, done, total: told.update({stage: (done, total)}),
        )
        assert told.pop("attachments") == (contents.attachments, contents.attachments)
        assert told.pop("factors in force") == told.pop("sums of plates") == (1, 1)
        assert told == {name: (table.rows, table.rows) for name, table in contents.tables.items()}

    def test_contents_count_what_is_in_the_backup(self, book: Book, file: Path, places: Places) -> None:
        """Rows of all tables, and attachments."""
        contents = restore(file, places.empty("sqlite"))
        there = _everything(book)
        assert contents.rows == sum(len(rows) for name, rows in there.items() if name not in DERIVED)
        assert contents.attachments == len(list(book.files.stored()))


def as_format_1(file: Path) -> None:
    """Make a backup one as programs before format 2 wrote it."""
    with zipfile.ZipFile(file) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    del members["head.json"]
    told = json.loads(members["book.json"])
    for name in ("attachment_bytes", "damaged", "missing"):
        del told[name]
    for table in told["tables"].values():
        del table["bytes"]
    members["book.json"] = json.dumps({**told, "format": 1}).encode()
    with zipfile.ZipFile(file, "w") as archive:
        for name, data in members.items():
            archive.writestr(name, data)


class TestWriting:
    """A backup on its way to the disk."""

    def test_the_format_is_the_second(self, file: Path) -> None:
        """Programs of today read it tomorrow by this number."""
        with zipfile.ZipFile(file) as archive:
            assert json.loads(archive.read("book.json"))["format"] == 2

    def test_the_first_format_is_still_read(self, book: Book, file: Path, places: Places) -> None:
        """It had no sizes, no head, and no lists of what was missing."""
        as_format_1(file)
        place = places.empty("sqlite")
        restore(file, place)
        with open_book(place) as again:
            assert _everything(again) == _everything(book)

    def test_it_is_on_the_disk_whole_before_it_has_its_name(
        self, book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A power cut after the name must not find the file shorter; then the name is written down too."""
        file = tmp_path / "b"
        synced: list[tuple[bool, int]] = []
        folders: list[tuple[Path, bool]] = []

        def sync(handle: int) -> None:
            found = os.fstat(handle)
            if stat.S_ISREG(found.st_mode):
                synced.append((file.exists(), found.st_size))

        monkeypatch.setattr(os, "fsync", sync)
        monkeypatch.setattr(archiving, "sync_folder", lambda at: folders.append((at, file.exists())))
        backup(book, file)
        assert synced[-1:] == [(False, file.stat().st_size)]
        assert folders == [(tmp_path, True)]


class TestUpgrading:
    """An older book while it is brought up to date."""

    def test_nobody_writes_meanwhile(self, book: Book, book_place: str, newer_program: Path) -> None:
        """Whoever would begin an act during the backup must wait."""
        del newer_program
        fill(book)
        book.close()
        barred: list[bool] = []

        def look(stage: str, _done: int, _total: int) -> None:
            if stage == "job":
                barred.append(_is_barred(book_place))

        upgrade_book(book_place, "Ada Bench", look)
        assert barred == [True]

    def test_the_journal_tells_of_it(self, book: Book, book_place: str, newer_program: Path) -> None:
        """Who did it, and from where to where."""
        del newer_program
        book.close()
        upgrade_book(book_place, "Ben Bench")
        with open_book(book_place) as upgraded, upgraded.read() as session:
            entry = session.query(JournalRecord).order_by(JournalRecord.seq.desc()).first()
            assert entry is not None
            body = json.loads(entry.body)
        assert (entry.act, entry.who) == ("upgrade", "Ben Bench")
        assert body["reason"] == f"schema {SCHEMA} to {NEXT}"

    def test_the_backup_is_with_the_book(self, book: Book, book_place: str, newer_program: Path) -> None:
        """In its folder; of a book on a server in that of its attachments, though it has none yet."""
        del newer_program
        book.close()
        done = upgrade_book(book_place, "Ada Bench").backup
        assert done is not None
        assert done.parent == (files_folder(book_place) if is_url(book_place) else Path(book_place))

    def test_a_folder_for_the_backup_that_cannot_be_made(
        self, places: Places, newer_program: Path, tmp_path: Path
    ) -> None:
        """Where a file is in its way nothing is migrated."""
        del newer_program
        place = places.fresh("postgresql")
        (tmp_path / "file").write_text("")
        server = place.replace(str(files_folder(place)), str(tmp_path / "file" / "below"))
        with pytest.raises(BackupError, match="cannot be written"):
            upgrade_book(server, "Ada Bench")
        with pytest.raises(BookError, match=f"schema {SCHEMA}"):
            open_book(place)


def _is_barred(place: str) -> bool:
    """Whether another program would have to wait for its turn to write."""
    if not is_url(place):
        other = sqlite3.connect(Path(place) / BOOK_FILE, timeout=0)
        try:
            other.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError:
            return True
        finally:
            other.close()
        return False
    with psycopg.connect(place.split("?files", maxsplit=1)[0].split("&files", maxsplit=1)[0]) as server:
        try:
            server.execute("SELECT id FROM book FOR UPDATE NOWAIT")
        except psycopg.errors.LockNotAvailable:
            return True
    return False
