"""Who may read a book, where one may be kept, and what is asked when the clock went back."""

from __future__ import annotations

import contextlib
import ctypes
import datetime as dt
import os
import struct
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner
from sqlalchemy import select

from tests.books import add_in_bulk, add_material, fill
from tests.conftest import BenchClock
from tests.databases import Places
from tracker.acts import ClockDoubt
from tracker.backup import backup, restore
from tracker.book import BOOK_FILE, Book, BookError, engines, new_book, open_book
from tracker.cli import strandbook
from tracker.model import SCHEMA, BookRecord, Material
from tracker.verify import verify

NFS = "36 25 0:31 / {at} rw,relatime shared:1 - {kind} server:/export rw,vers=4.2\n"
ROOT = "25 1 254:0 / / rw - ext4 /dev/root rw\n"


@pytest.fixture(params=[0, 0o077, 0o027])
def umask(request: pytest.FixtureRequest) -> Iterator[int]:
    """Set the mask that new files are made with."""
    before = os.umask(request.param)
    yield request.param
    os.umask(before)


class TestModes:
    """A book is its owner's, whatever the umask."""

    def test_a_new_book(self, umask: int, tmp_path: Path) -> None:
        """Folders 0700, files 0600: database, its log, locks, attachments, marker."""
        del umask
        with new_book(str(tmp_path / "b"), "Ada") as book:
            fill(book)
            add_in_bulk(book, 5)
            for path in [tmp_path / "b", *(tmp_path / "b").rglob("*")]:
                assert oct(path.stat().st_mode & 0o777) == ("0o700" if path.is_dir() else "0o600"), path

    def test_backups(self, umask: int, places: Places, tmp_path: Path) -> None:
        """A backup and what is restored from it."""
        del umask
        with open_book(places.fresh("sqlite")) as book:
            fill(book)
            backup(book, tmp_path / "b")
        restore(tmp_path / "b", str(tmp_path / "again"))
        for path in [
            tmp_path / "b",
            tmp_path / "again" / BOOK_FILE,
            *(tmp_path / "again" / "files").rglob("*"),
        ]:
            assert path.stat().st_mode & 0o077 == 0, path

    def test_a_folder_that_is_shared_with_a_group(self, book: Book) -> None:
        """Opened to a group once, all that comes later is open to it, and to nobody else."""
        book.files.folder.chmod(0o770)
        before = os.umask(0o077)
        try:
            place = book.files.path(book.files.put(b"curve"))
        finally:
            os.umask(before)
        assert (place.stat().st_mode & 0o777, place.parent.stat().st_mode & 0o777) == (0o660, 0o770)

    @pytest.mark.parametrize("named", ["absolute", "relative"])
    def test_a_book_that_one_may_only_read(
        self, places: Places, monkeypatch: pytest.MonkeyPatch, named: str
    ) -> None:
        """Nothing is left beside it: no -shm that its owner would find in another's name."""
        place = Path(places.fresh("sqlite"))
        with open_book(str(place)) as book:
            fill(book)
        before = {path.name for path in place.iterdir()}
        may = os.access
        monkeypatch.setattr(os, "access", lambda path, mode: mode != os.W_OK and may(path, mode))
        if named == "relative":
            monkeypatch.chdir(place.parent)
            place = Path(place.name)
        with open_book(str(place)) as book:
            assert verify(book).clean
        assert {path.name for path in place.iterdir()} == before


class TestFileSystems:
    """SQLite does not belong on a network."""

    @pytest.fixture
    def mounts(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
        """Give a list of mounts that tests write."""
        file = tmp_path / "mountinfo"
        monkeypatch.setattr(engines, "MOUNTS", file)
        monkeypatch.delenv(engines.I_KNOW, raising=False)
        return file

    @pytest.mark.parametrize("kind", ["nfs4", "cifs", "fuse.sshfs", "9p", "virtiofs"])
    def test_a_network_file_system(self, mounts: Path, tmp_path: Path, kind: str) -> None:
        """Refused with the way to PostgreSQL, to begin a book and to open one."""
        mounts.write_text(ROOT + NFS.format(at=tmp_path, kind=kind))
        for act in (lambda place: new_book(place, "Ada"), open_book):
            (tmp_path / "b").mkdir(exist_ok=True)
            (tmp_path / "b" / BOOK_FILE).touch()
            with pytest.raises(BookError, match=rf"network file system \({kind}\).*postgresql://.*--i-know"):
                act(str(tmp_path / "b"))
        with pytest.raises(BookError, match="network file system"):
            new_book(str(tmp_path / "not" / "made"), "Ada")
        assert not (tmp_path / "not").exists()

    @pytest.mark.parametrize(("magic", "refused"), [(0x6969, "nfs"), (0xFE534D42, "smb2"), (0xEF53, "")])
    def test_where_mounts_are_not_listed(
        self, mounts: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, magic: int, refused: str
    ) -> None:
        """statfs(2) is asked; its numbers are those of its manual page (0xEF53: ext4)."""
        assert not mounts.exists()

        def statfs(_: bytes, answer: Any) -> int:
            ctypes.memmove(answer, struct.pack("l", magic), struct.calcsize("l"))
            return 0

        monkeypatch.setattr(ctypes, "CDLL", lambda _: SimpleNamespace(statfs=statfs))
        with pytest.raises(BookError, match=rf"\({refused}\)") if refused else contextlib.nullcontext():
            engines.check_filesystem(tmp_path)

    @pytest.mark.skipif(sys.platform != "linux", reason="numbers of Linux")
    def test_statfs_of_this_system(self, mounts: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """The system's own answer is read: that of /proc is PROC_SUPER_MAGIC, 0x9fa0."""
        del mounts
        monkeypatch.setattr(engines, "_MAGIC", {0x9FA0: "nfs"})
        with pytest.raises(BookError, match=r"network file system \(nfs\)"):
            engines.check_filesystem(Path("/proc"))

    def test_those_who_know(self, mounts: Path, places: Places, monkeypatch: pytest.MonkeyPatch) -> None:
        """They say so, on the command line or for good."""
        place = places.fresh("sqlite")
        mounts.write_text(NFS.format(at="/", kind="nfs4"))
        assert CliRunner().invoke(strandbook, ["--book", place, "list", "spools"]).exit_code == 1
        assert CliRunner().invoke(strandbook, ["--i-know", "--book", place, "list", "spools"]).exit_code == 0
        monkeypatch.delenv(engines.I_KNOW, raising=False)

    def test_the_nearest_mount_counts(self, mounts: Path, tmp_path: Path) -> None:
        """A local disk below a share, a share below a local disk, blanks in its name."""
        spaced = str(tmp_path / "a b").replace(" ", r"\040")
        mounts.write_text(
            NFS.format(at=tmp_path, kind="nfs") + f"9 9 0:1 / {spaced} rw - ext4 /dev/x rw\nnonsense\n" + ROOT
        )
        kinds = [engines.kind_of(each) for each in (tmp_path, tmp_path / "a b" / "c", Path("/usr"))]
        assert kinds == ["nfs", "ext4", "ext4"]

    def test_one_that_nobody_knows_is_tried(self, mounts: Path, tmp_path: Path) -> None:
        """Two processes map one file: here they see each other, and nothing is left."""
        mounts.write_text(NFS.format(at="/", kind="newfs"))
        new_book(str(tmp_path / "b"), "Ada").close()
        assert not list((tmp_path / "b").glob(".probe*"))

    def test_one_where_processes_see_different_bytes(
        self, mounts: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """As two computers would: the other process has a copy of its own."""
        mounts.write_text(NFS.format(at="/", kind="newfs"))
        own_copy = "import shutil, sys; sys.argv[1] = shutil.copyfile(sys.argv[1], sys.argv[1] + 'x')\n"
        monkeypatch.setattr(engines, "_PROBE", own_copy + engines._PROBE)
        with pytest.raises(BookError, match="two processes do not see the same"):
            new_book(str(tmp_path / "b"), "Ada")


class TestClock:
    """A clock that went back."""

    def test_it_is_asked_about(self, book: Book, clock: BenchClock) -> None:
        """Nothing is written; repeated by the same person it is, and the book goes on."""
        add_material(book)
        clock.forward(hours=-3)
        with pytest.raises(ClockDoubt, match="the last entry in the book was made at"):
            add_material(book, "second")
        with book.read() as session:
            assert session.query(Material).count() == 1
        assert add_material(book, "second") == 2
        findings = verify(book)
        assert findings.clean
        assert any("The clock went back before entry" in note for note in findings.notes)

    def test_another_person_is_asked_again(self, book: Book, clock: BenchClock) -> None:
        """What one was asked another did not answer."""
        add_material(book)
        clock.forward(hours=-3)
        with pytest.raises(ClockDoubt, match="The clock of this computer says"):
            add_material(book)
        with pytest.raises(ClockDoubt, match="The clock of this computer says"), book.act("look", "Ben"):
            pass

    def test_two_computers_may_differ_a_little(self, book: Book, clock: BenchClock) -> None:
        """Up to two minutes nobody is asked."""
        add_material(book)
        clock.forward(seconds=-100)
        add_material(book, "second")
        with book.read() as session:
            assert session.scalars(select(Material.name).order_by(Material.id)).all()[1:] == ["second"]

    def test_on_the_command_line(self, places: Places) -> None:
        """Refused with what to type; typed, it goes."""
        place = places.fresh("sqlite")
        ahead = dt.datetime.now(dt.UTC) + dt.timedelta(days=400)
        with open_book(place, lambda: ahead) as book:
            add_material(book)
        add = ["material", "add", "Nordlicht PC"]
        refused = CliRunner().invoke(strandbook, ["--book", place, "--no-input", *add])
        assert refused.exit_code == 1
        assert "--clock-is-right" in refused.stderr
        went = CliRunner().invoke(strandbook, ["--book", place, "--no-input", "--clock-is-right", *add])
        assert went.exit_code == 0, went.stderr


class TestSettings:
    """The book's own row can be changed, by an act."""

    def test_the_zone(self, book: Book, book_place: str) -> None:
        """It holds at once and after opening again; moments stay."""
        book.change_settings("Ada", zone="America/Bogota")
        assert str(book.zone) == "America/Bogota"
        with open_book(book_place) as again, again.read() as session:
            assert str(again.zone) == "America/Bogota"
            assert session.get_one(BookRecord, 1).entry == 2
        assert verify(book).clean

    def test_a_zone_that_is_none(self, book: Book) -> None:
        """Refused before anything is written."""
        with pytest.raises(BookError, match="is no time zone"):
            book.change_settings("Ada", zone="Mars/Olympus")
        assert book.settings()["zone"] == "UTC"

    def test_on_the_command_line(self, book: Book, book_place: str) -> None:
        """Shown, and changed."""
        book.close()
        run = ["--book", book_place, "--clock-is-right", "settings"]
        assert CliRunner().invoke(strandbook, [*run, "--title", "North", "--json"]).exit_code == 0
        assert "title: North" in CliRunner().invoke(strandbook, run).stdout


def test_a_key_makes_a_command_safe_to_repeat(places: Places) -> None:
    """The second time it tells what was made the first, and makes nothing."""
    place = places.fresh("sqlite")
    run = ["--book", place, "--no-input", "--key", "k1", "material", "add", "Nordlicht PC"]
    first = CliRunner().invoke(strandbook, run)
    second = CliRunner().invoke(strandbook, run)
    assert (first.exit_code, second.exit_code) == (0, 0), first.stderr + second.stderr
    assert "done before" in second.stderr
    with open_book(place) as book, book.read() as session:
        assert session.query(Material).count() == 1


def test_the_schema_is_named_in_the_refusal_of_an_older_book(places: Places) -> None:
    """With the command that brings it up to date."""
    place = places.fresh("sqlite")
    with open_book(place) as book, book.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '0002'")
    with pytest.raises(BookError, match=f"schema 0002, this program: {SCHEMA}.*strandbook upgrade"):
        open_book(place)
