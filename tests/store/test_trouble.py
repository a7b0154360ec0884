"""Full disks, read-only books, damaged files: refused in one line, nothing half-written."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import NoReturn

import pytest
from sqlalchemy import event, text

from tests.books import add_in_bulk, add_material, add_measurement, fill
from tests.databases import Places
from tracker.backup import BackupError, backup
from tracker.book import BOOK_FILE, Book, BookError, new_book, open_book
from tracker.errors import Refused
from tracker.files import FilesError
from tracker.model import Measurement
from tracker.verify import Findings, verify


@pytest.fixture
def place(places: Places) -> str:
    """Give a filled book on SQLite."""
    place = places.fresh("sqlite")
    with open_book(place) as book:
        fill(book)
        add_in_bulk(book, 200)
    return place


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Mount a disk of one megabyte, where that is allowed."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    if os.geteuid() or subprocess.run(mount, check=False, capture_output=True).returncode:
        pytest.skip("only root may mount a small disk")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


class TestFull:
    """No room."""

    def test_rows(self, small_disk: Path) -> None:
        """A disk that runs full in the middle of an act costs that act only."""
        with new_book(str(small_disk / "b"), "Ada") as book:
            fill(book)
            with pytest.raises(Refused, match=r"does not fit on the disk|cannot be written") as refusal:
                _write_until_refused(book)
            assert "\n" not in str(refusal.value)
            assert verify(book).clean

    def test_going_on(self, small_disk: Path) -> None:
        """When room was made the same book goes on."""
        ballast = small_disk / "ballast"
        with new_book(str(small_disk / "b"), "Ada") as book:
            ballast.write_bytes(b"\0" * 500_000)
            with pytest.raises(Refused, match="does not fit on the disk any more"):
                _write_until_refused(book)
            ballast.unlink()
            add_material(book, "fits")
            assert verify(book).clean

    def test_reading(self, small_disk: Path, places: Places) -> None:
        """SQLite needs room beside a book even to read it; that there is none is said."""
        place = str(small_disk / "b")
        shutil.copytree(places.fresh("sqlite"), place)
        _fill_up(small_disk)
        with pytest.raises(BookError, match="does not fit on the disk any more"), open_book(place) as book:
            verify(book)

    def test_attachments(self, book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
        """A disk that runs full under an attachment is said, with nothing left of the act."""
        fill(book)
        before = verify(book)

        def full(_handle: int) -> NoReturn:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        with monkeypatch.context() as patch:
            patch.setattr("tracker.files.os.fsync", full)
            with pytest.raises(FilesError, match=r"No space left.*Free some space"):
                _attach(book)

        assert verify(book).as_json() == before.as_json()

    def test_a_backup(self, small_disk: Path, place: str) -> None:
        """A backup that does not fit leaves nothing behind."""
        (small_disk / "ballast").write_bytes(b"\0" * 1_040_000)

        with open_book(place) as book, pytest.raises(BackupError, match="No space left"):
            backup(book, small_disk / "b.backup")

        assert [path.name for path in small_disk.iterdir()] == ["ballast"]

    def test_a_table_space(self, place: str) -> None:
        """SQLite's own limit on the size of a file is refused the same way."""
        with open_book(place) as book:
            event.listen(
                book.engine, "connect", lambda driver, _: driver.execute("PRAGMA max_page_count = 100")
            )
            book.engine.dispose()
            with pytest.raises(BookError, match="does not fit on the disk"):
                add_in_bulk(book, 20_000)
            assert verify(book).clean


class TestReadOnly:
    """A book that may not be written."""

    def test_a_query_only_book(self, book: Book) -> None:
        """Writing to a book that may only be read is refused, and reading goes on."""
        fill(book)
        book.engine.dispose()
        sqlite = book.engine.dialect.name == "sqlite"
        statement = "PRAGMA query_only = ON" if sqlite else "SET default_transaction_read_only = on"

        def read_only(driver: object, _record: object) -> None:
            driver.execute(statement)  # type: ignore[attr-defined]
            if not sqlite:
                driver.commit()  # type: ignore[attr-defined]

        event.listen(book.engine, "connect", read_only)

        with pytest.raises(BookError, match="may not be written"):
            add_material(book, "no")
        assert verify(book).clean

    @pytest.mark.skipif(bool(os.geteuid()), reason="only root can mount a folder read-only")
    def test_a_read_only_disk(self, place: str, tmp_path: Path) -> None:
        """A book on a read-only disk can be read; writing is refused in one line."""
        seen = tmp_path / "seen"
        seen.mkdir()
        bind = subprocess.run(["mount", "--bind", place, str(seen)], check=False, capture_output=True)
        if bind.returncode:
            pytest.skip("mounting is not allowed here")
        try:
            subprocess.run(["mount", "-o", "remount,bind,ro", str(seen)], check=True)
            with open_book(str(seen)) as book:
                assert verify(book).clean
                with pytest.raises(Refused) as refusal:
                    add_measurement(book, 1)
        finally:
            subprocess.run(["umount", "-l", str(seen)], check=True)
        assert "\n" not in str(refusal.value)


class TestDamaged:
    """Bytes that are not what they were."""

    def test_no_database(self, place: str) -> None:
        """A file that is no database is refused by name."""
        Path(place, BOOK_FILE).write_bytes(b"Dear diary, " * 1000)

        with pytest.raises(BookError, match="is no SQLite file"):
            open_book(place)

    def test_cut_off(self, place: str) -> None:
        """A file that was cut off is refused or found out, never a traceback."""
        file = Path(place, BOOK_FILE)
        data = file.read_bytes()
        for part in (0.0, 0.05, 0.5, 0.95):
            file.write_bytes(data[: int(part * len(data))])
            found = _look(place)
            assert found is None or not found.clean

    def test_a_flipped_byte_in_a_text(self, place: str) -> None:
        """A byte flipped in a number or text of the file is found, and its row named."""
        file = Path(place, BOOK_FILE)
        data = file.read_bytes()
        file.write_bytes(data.replace(b"Beispielwerk", b"Beispielwerj", 1))

        found = _look(place)

        assert found is not None
        # Whichever row with that word lies first in the file.
        assert {"material", "dispute"} & {finding.table for finding in found.found} or found.of("chain")

    def test_a_flipped_byte_anywhere(self, place: str) -> None:
        """Wherever a byte of the file is flipped, nothing ends in a traceback."""
        file = Path(place, BOOK_FILE)
        data = file.read_bytes()
        seen = []
        for at in range(0, len(data), len(data) // 60):
            file.write_bytes(data[:at] + bytes([data[at] ^ 0x41]) + data[at + 1 :])
            found = _look(place)
            seen.append(found is None or not found.clean)
        file.write_bytes(data)

        found = _look(place)
        assert found is not None
        assert found.clean
        # Most of a small file is unused room in its pages, where a byte means nothing.
        assert sum(seen) > 5

    def test_the_journal_in_the_file(self, place: str) -> None:
        """A byte flipped in a journal row of the file is found, and the entry named."""
        file = Path(place, BOOK_FILE)
        data = file.read_bytes()
        at = data.index(b'"act":"rig add"')
        file.write_bytes(data[: at + 8] + b"f" + data[at + 9 :])

        found = _look(place)

        assert found is not None
        assert "The text of entry 6 (" in found.of("chain")[0].text

    @pytest.mark.parametrize(
        ("column", "value"),
        [
            ("remark", "x'ff41'"),
            ("remark", "CAST(x'ff41' AS TEXT)"),
            ("at", "'yesterday'"),
            ("readings", "'{'"),
            ("room_c", "9e999"),
        ],
    )
    def test_text_that_is_none(self, book: Book, column: str, value: str) -> None:
        """A value that is no text, no time and no document any more is named with its row."""
        if book.engine.dialect.name != "sqlite":
            pytest.skip("a server keeps types")
        fill(book)
        with book.engine.begin() as connection:
            connection.execute(text(f"UPDATE measurement SET {column} = {value} WHERE id = 1"))  # noqa: S608 - ours

        findings = verify(book, lambda _: {"tensile.strength": 45.8})

        assert column in {d.column for finding in findings.of("row") for d in finding.differences}
        assert "\n" not in "".join(finding.text for finding in findings.found)

    def test_a_server_that_is_gone(self, tmp_path: Path) -> None:
        """A server that does not answer is said in one line."""
        with pytest.raises(BookError, match="cannot be reached") as refusal:
            open_book(f"postgresql://nobody@/none?host={tmp_path}&files={tmp_path}")

        assert "\n" not in str(refusal.value)


def _fill_up(disk: Path) -> None:
    with (disk / "ballast").open("wb", buffering=0) as ballast, contextlib.suppress(OSError):
        while True:
            ballast.write(bytes(4096))


def _write_until_refused(book: Book) -> None:
    for number in range(10_000):
        add_material(book, f"{number} {'x' * 5000}")


def _attach(book: Book) -> None:
    with book.act("measure", "Ada") as act:
        act.session.add(Measurement(specimen_id=1, method="tensile", source="typed"))
        act.session.flush()
        act.attach(b"another curve", "c.csv")


def _limit_pages(driver: sqlite3.Connection, _record: object) -> None:
    driver.execute("PRAGMA max_page_count = 100")


def _look(place: str) -> Findings | None:
    """Open and verify a book; None where it is refused."""
    for tail in ("-wal", "-shm"):
        Path(place, f"{BOOK_FILE}{tail}").unlink(missing_ok=True)
    try:
        with open_book(place) as book:
            return verify(book, lambda m: {"tensile.strength": (m.readings or {})["max_force"] / 40})
    except Refused:
        return None
