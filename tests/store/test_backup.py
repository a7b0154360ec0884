"""A backup holds the whole book, and a restored book is the book."""

from __future__ import annotations

import json
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from tests.books import Filled, add_in_bulk, add_job, add_material, fill
from tests.conftest import begun_with
from tests.databases import KINDS, Places
from tracker.backup import BackupError, backup, restore
from tracker.book import Book, BookError, is_url, open_book
from tracker.model import DERIVED, SCHEMA, Base, Job, Specimen
from tracker.stored_rows import RawTable
from tracker.verify import verify


def _everything(book: Book) -> dict[str, list[list[object]]]:
    """Return all rows of all tables, as the database has them."""
    with book.connect() as connection:
        readers = [RawTable(table, connection.dialect.name) for table in Base.metadata.sorted_tables]
        found = {
            reader.table.name: sorted(
                (row for batch in reader.batches(connection) for row in batch), key=repr
            )
            for reader in readers
        }
        # What follows from other rows is worked out again by a restore, and bears its number.
        at = {
            reader.table.name: reader.columns.index("entry")
            for reader in readers
            if reader.table.name in DERIVED
        }
        return found | {
            name: sorted(([*row[:place], *row[place + 1 :]] for row in found[name]), key=repr)
            for name, place in at.items()
        }


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Name a backup to be made."""
    return tmp_path / "book.backup"


def _backed_up(book: Book) -> bytes:
    fill(book)
    add_in_bulk(book, 30)
    with tempfile.TemporaryDirectory() as folder:
        backup(book, Path(folder, "b"))
        return Path(folder, "b").read_bytes()


book_place = begun_with(backed_up=_backed_up, filled_once=fill)


@pytest.fixture
def backed_up(book: Book, begun: dict[str, Any], file: Path) -> Path:
    """Give the backup of a filled book."""
    del book
    file.write_bytes(begun["backed_up"])
    return file


@pytest.mark.parametrize("other", KINDS)
class TestRoundTrip:
    """From each database to each."""

    def test_every_row(self, book: Book, backed_up: Path, places: Places, other: str) -> None:
        """A restored book has every row of every table, on whichever database."""
        place = places.empty(other)

        restore(backed_up, place)

        with open_book(place) as again:
            assert _everything(again) == _everything(book)

    def test_verify(self, book: Book, backed_up: Path, places: Places, other: str) -> None:
        """A restored book is what its journal says, attachments and all."""
        place = places.empty(other)
        restore(backed_up, place)

        with open_book(place) as again:
            findings = verify(again)

        assert findings.clean, findings.lines()
        assert findings.counts == verify(book).counts

    def test_going_on(self, backed_up: Path, places: Places, other: str) -> None:
        """A restored book goes on where the other stopped: next number, next entry."""
        place = places.empty(other)
        restore(backed_up, place)

        with open_book(place) as again:
            assert add_job(again) == 3
            assert verify(again).clean

    def test_a_reference_forward(
        self, book: Book, filled_once: Filled, file: Path, places: Places, other: str
    ) -> None:
        """A job that was said to repeat a later one comes back so."""
        del filled_once
        later = add_job(book)
        with book.act("amend", "Ada") as act:
            act.session.get_one(Job, 1).again_of_id = later
        backup(book, file)
        place = places.empty(other)

        restore(file, place)

        with open_book(place) as again, again.read() as session:
            assert session.get_one(Job, 1).again_of_id == later

    def test_values(self, book: Book, file: Path, places: Places, other: str) -> None:
        """Numbers and documents come back as the same, a float as a float."""
        numbers = [2.0**53, 1e21, 1e-7, 5e-324, 0.1 + 0.2]
        document = {"a": 40.0, "b": [1, 2.5, None, "ü"], "n": None}
        fill(book, pieces=6)
        with book.act("amend", "Ada") as act:
            for piece, number in enumerate(numbers, 1):
                act.session.get_one(Specimen, piece).x_mm = number
            act.session.get_one(Specimen, 6).plate_facts = document
        backup(book, file)
        place = places.empty(other)

        restore(file, place)

        with open_book(place) as again, again.read() as session:
            found = [session.get_one(Specimen, piece).x_mm for piece in range(1, 6)]
            assert repr(found) == repr(numbers)
            assert repr(session.get_one(Specimen, 6).plate_facts) == repr(document)


class TestFile:
    """What a backup says of itself, and what is not taken for one."""

    def test_contents(self, book: Book, backed_up: Path) -> None:
        """A backup carries the schema version, the book's code and the hash of its last entry."""
        with zipfile.ZipFile(backed_up) as archive:
            told = json.loads(archive.read("book.json"))

        assert (told["schema"], told["code"], told["head"]) == (SCHEMA, book.code, verify(book).head)

    def test_nothing_else_is_left(self, backed_up: Path) -> None:
        """The temporary file is gone when the backup is there."""
        assert [path.name for path in backed_up.parent.glob("*book.backup*")] == ["book.backup"]

    def test_nothing_is_overwritten(self, book: Book, backed_up: Path) -> None:
        """A backup does not write over a file."""
        with pytest.raises(BackupError, match="exists already"):
            backup(book, backed_up)

    def test_a_place_that_is_not(self, book: Book, tmp_path: Path) -> None:
        """A folder that does not exist is refused in one line."""
        with pytest.raises(BackupError, match="cannot be written: No such file"):
            backup(book, tmp_path / "none" / "b")

    def test_progress(self, book: Book, filled_once: Filled, file: Path) -> None:
        """Progress is reported table by table, and each ends with all of its rows."""
        del filled_once
        last: dict[str, tuple[int, int]] = {}

        backup(book, file, lambda stage, done, total: last.update({stage: (done, total)}))

        assert {"specimen", "journal", "attachments"} <= set(last)
        assert all(done == total for done, total in last.values())

    def test_while_others_write(self, book: Book, filled_once: Filled, file: Path) -> None:
        """A backup during which somebody writes holds one state of the book."""
        del filled_once
        before = verify(book).counts["entries"]
        written: list[int] = []

        def write(_stage: str, _done: int, _total: int) -> None:
            if not written:
                written.append(add_material(book, "written meanwhile"))

        contents = backup(book, file, write)

        assert written
        assert contents.tables["journal"].rows == before

    @pytest.mark.parametrize("keep", [0, 1, 30, 0.5, 0.9, -1])
    def test_cut_short(self, backed_up: Path, places: Places, keep: float) -> None:
        """A backup that was cut short is refused, and nothing is made of it."""
        data = backed_up.read_bytes()
        backed_up.write_bytes(data[: int(keep if isinstance(keep, int) else keep * len(data))])
        place = places.empty("sqlite")

        with pytest.raises(BackupError, match="is no backup, or was cut short"):
            restore(backed_up, place)

        assert not Path(place).exists()

    def test_a_flipped_byte(self, backed_up: Path, places: Places) -> None:
        """A backup with a byte flipped anywhere is refused."""
        whole = backed_up.read_bytes()
        place = places.empty("sqlite")
        for at in range(40, len(whole) - 22, len(whole) // 16):
            backed_up.write_bytes(whole[:at] + bytes([whole[at] ^ 0x10]) + whole[at + 1 :])
            try:
                restore(backed_up, place)
            except BackupError:
                continue
            # A flip in a field of the archive that carries no meaning here, such as a date.
            with open_book(place) as again:
                assert verify(again).clean
            place = places.empty("sqlite")

    @pytest.mark.parametrize("content", [b"", b"PK", b"a,b\n1,2\n", b"\x00" * 5000])
    def test_some_other_file(self, file: Path, places: Places, content: bytes) -> None:
        """A file that is no backup is refused by name in one line."""
        file.write_bytes(content)

        with pytest.raises(BackupError, match=r"book\.backup is not a backup of a book"):
            restore(file, places.empty("sqlite"))

    @pytest.mark.parametrize("contents", [None, "{}", "[]", '{"what": "strandbook backup"}', "nonsense"])
    def test_some_other_archive(self, file: Path, places: Places, contents: str | None) -> None:
        """An archive of something else is refused in one line."""
        with zipfile.ZipFile(file, "w") as archive:
            archive.writestr("a.txt", "a")
            if contents is not None:
                archive.writestr("book.json", contents)

        with pytest.raises(BackupError) as refusal:
            restore(file, places.empty("sqlite"))

        assert "\n" not in str(refusal.value)

    def test_no_file(self, tmp_path: Path, places: Places) -> None:
        """A backup that is not there is refused in one line."""
        with pytest.raises(BackupError, match="cannot be read: No such file"):
            restore(tmp_path / "none", places.empty("sqlite"))

    @pytest.mark.parametrize(("field", "value"), [("schema", "9999"), ("format", 99)])
    def test_newer(self, backed_up: Path, places: Places, field: str, value: object) -> None:
        """A backup of a newer version is refused by its version."""
        with zipfile.ZipFile(backed_up) as archive:
            members = {name: archive.read(name) for name in archive.namelist()}
        members["book.json"] = json.dumps({**json.loads(members["book.json"]), field: value}).encode()
        with zipfile.ZipFile(backed_up, "w") as archive:
            for name, data in members.items():
                archive.writestr(name, data)

        with pytest.raises(BackupError, match=f"newer version .*{value}"):
            restore(backed_up, places.empty("sqlite"))


class TestPlace:
    """Where a backup may be restored to."""

    def test_a_book(self, backed_up: Path, book_place: str, book: Book) -> None:
        """A place that has a book is refused, and the book is as before."""
        before = _everything(book)

        with pytest.raises(BookError, match="is a book already"):
            restore(backed_up, book_place)

        assert _everything(book) == before

    def test_other_tables(self, backed_up: Path, empty_place: str) -> None:
        """A database of something else is refused."""
        if not is_url(empty_place):
            pytest.skip("a folder of our own holds no other tables")
        from tracker.book import make_engine  # noqa: PLC0415 - this test alone goes below the book

        engine = make_engine(empty_place)
        with engine.begin() as connection:
            connection.execute(text("CREATE TABLE recipes (id int)"))
        engine.dispose()

        with pytest.raises(BookError, match="holds other tables"):
            restore(backed_up, empty_place)

    def test_what_does_not_fit(self, backed_up: Path, empty_place: str) -> None:
        """A restore that fails half-way leaves an empty place, which can be used again."""
        _spoil(backed_up)

        with pytest.raises(BackupError, match="does not fit"):
            restore(backed_up, empty_place)

        with pytest.raises(BookError, match="is not a book"):
            open_book(empty_place)

    def test_an_empty_folder(self, backed_up: Path, tmp_path: Path) -> None:
        """An empty folder will do."""
        (tmp_path / "empty").mkdir()

        restore(backed_up, str(tmp_path / "empty"))

        with open_book(str(tmp_path / "empty")) as again:
            assert verify(again).clean


def _spoil(file: Path) -> None:
    """Make a backup whose digests fit and whose last table does not."""
    import hashlib  # noqa: PLC0415 - only here

    with zipfile.ZipFile(file) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    lines = members["tables/verdict.jsonl"]
    members["tables/verdict.jsonl"] = lines + lines
    contents = json.loads(members["book.json"])
    contents["tables"]["verdict"]["sha256"] = hashlib.sha256(lines + lines).hexdigest()
    for each in ("rows", "bytes"):
        contents["tables"]["verdict"][each] *= 2
    members["book.json"] = json.dumps(contents).encode()
    with zipfile.ZipFile(file, "w") as archive:
        for name, data in members.items():
            archive.writestr(name, data)
