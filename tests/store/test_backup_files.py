"""Attachments in backups: compared with rows and manifests; folders that grow; second places."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.books import Filled, add_in_bulk, add_job, add_material
from tests.databases import Places
from tests.store.test_backup import _everything
from tracker.backup import (
    BackupError,
    backup,
    backup_into,
    check_backup,
    copy_to,
    prune,
    restore,
    upgrade_book,
)
from tracker.backup.folder import runs_of
from tracker.book import Book, open_book
from tracker.cli import strandbook
from tracker.files import MARKER, AwayError, FilesError
from tracker.verify import verify


@pytest.fixture
def filled(book: Book, filled_once: Filled) -> Book:
    """Give a filled book."""
    del filled_once
    add_in_bulk(book, 30)
    return book


def an_attachment(book: Book) -> Path:
    """Return where the plate file of the first job is."""
    with book.connect() as connection:
        digest = connection.exec_driver_sql("SELECT plate_sha256 FROM job WHERE id = 1").scalar()
    return book.files.path(str(digest))


def _take_away(folder: Path, to: Path, how: str) -> None:
    """Have a folder as it is while its share is not connected."""
    if how == "another book's":
        (folder / MARKER).write_text("QQQ\n")
        return
    folder.rename(to)
    if how == "empty":
        folder.mkdir()
    if how == "dead":
        # Any look at it fails, as at a share whose server went away (there: not connected).
        folder.symlink_to("x" * 300)


class TestAttachments:
    """What a row names must be in the backup, and be what it was."""

    def test_a_missing_one_is_named(self, filled: Book, tmp_path: Path) -> None:
        """By its name; there is no file afterwards."""
        an_attachment(filled).unlink()
        with pytest.raises(BackupError, match=r"1 attachments are missing from .*'a\.gcode'"):
            backup(filled, tmp_path / "b")
        assert list(tmp_path.glob("*b*")) == list(tmp_path.glob("book*"))

    def test_a_damaged_one_is_named(self, filled: Book, tmp_path: Path) -> None:
        """Its bytes are not those of its digest any more."""
        an_attachment(filled).write_bytes(b"; something else")
        with pytest.raises(BackupError, match=r"1 attachments are damaged in .*'a\.gcode'"):
            backup(filled, tmp_path / "b")
        with pytest.raises(BackupError, match=r"1 attachments are damaged in .*'a\.gcode'"):
            backup_into(filled, tmp_path / "backups")

    def test_a_missing_manifest_is_named(self, filled: Book, tmp_path: Path) -> None:
        """The rows of a bulk import stand in it alone."""
        with filled.connect() as connection:
            rows = set(connection.exec_driver_sql("SELECT sha256 FROM attachment").scalars())
        (manifest,) = set(filled.files.stored()) - rows
        filled.files.path(manifest).unlink()
        with pytest.raises(BackupError, match=r"list of the rows of entry \d+"):
            backup(filled, tmp_path / "b")

    def test_as_it_is(self, filled: Book, tmp_path: Path, places: Places) -> None:
        """A backup that says what is wrong is better than none, and comes back as it was."""
        an_attachment(filled).write_bytes(b"; something else")
        contents = backup(filled, tmp_path / "b", as_it_is=True)
        assert contents.damaged == [an_attachment(filled).name]
        place = places.empty("sqlite")
        restore(tmp_path / "b", place)
        with open_book(place) as again:
            assert [finding.kind for finding in verify(again).found] == ["attachment"]

    def test_a_folder_counts_what_is_in_it(self, filled: Book, tmp_path: Path) -> None:
        """A damaged attachment is not put among the sound ones, and not counted with them."""
        whole = backup_into(filled, tmp_path / "a").contents.attachments
        an_attachment(filled).write_bytes(b"; something else")
        run = backup_into(filled, tmp_path / "b", as_it_is=True).contents
        assert (run.attachments, len(run.damaged)) == (whole - 1, 1)

    def test_what_no_act_names_is_left_out(self, filled: Book, tmp_path: Path) -> None:
        """A file that an act broken off left."""
        before = backup(filled, tmp_path / "a").attachments
        filled.files.put(b"left behind")
        assert backup(filled, tmp_path / "b").attachments == before


class TestFolder:
    """Runs into one folder."""

    def test_each_run_is_the_whole_book(self, filled: Book, tmp_path: Path, places: Places) -> None:
        """An earlier run brings the book of then back, the folder itself the last."""
        folder = tmp_path / "backups"
        then = backup_into(filled, folder)
        before = _everything(filled)
        add_job(filled)
        backup_into(filled, folder)
        for source, expected in ((then.file, before), (folder, _everything(filled))):
            place = places.empty("sqlite")
            restore(source, place)
            with open_book(place) as again:
                assert _everything(again) == expected
                assert verify(again).clean

    def test_a_damaged_attachment_is_listed_and_not_counted(self, filled: Book, tmp_path: Path) -> None:
        """A folder takes in no bytes that are not those of their digest; its run is whole without them."""
        folder, whole = tmp_path / "backups", backup(filled, tmp_path / "b").attachments
        an_attachment(filled).write_bytes(b"; something else")
        run = backup_into(filled, folder, as_it_is=True)
        assert run.contents.attachments == whole - 1
        assert check_backup(folder)[0].damaged == [an_attachment(filled).name]

    def test_only_what_is_new_is_written(self, filled: Book, tmp_path: Path) -> None:
        """The second run of an unchanged book adds its own small list and nothing else."""
        folder = tmp_path / "backups"
        first = backup_into(filled, folder)
        objects = set(folder.glob("objects/??/*"))
        second = backup_into(filled, folder)
        assert set(folder.glob("objects/??/*")) == objects
        assert second.added == second.file.stat().st_size < first.added

    def test_pruning_keeps_the_last_runs_whole(self, filled: Book, tmp_path: Path) -> None:
        """And takes away what none of them needs."""
        folder = tmp_path / "backups"
        for number in range(4):
            add_material(filled, f"M{number}")
            backup_into(filled, folder)
        objects = len(list(folder.glob("objects/??/*")))
        assert prune(folder, 2) == 2
        assert len(runs_of(folder)) == 2
        assert len(list(folder.glob("objects/??/*"))) < objects
        for run in runs_of(folder):
            check_backup(run)

    def test_a_run_broken_off_leaves_the_others(self, filled: Book, tmp_path: Path) -> None:
        """Its objects belong to no run, and go with the next pruning."""
        folder = tmp_path / "backups"
        backup_into(filled, folder)
        whole = set(folder.glob("objects/??/*"))
        add_job(filled)

        def interrupt(stage: str, _done: int, _total: int) -> None:
            if stage == "attachments":
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            backup_into(filled, folder, interrupt)
        assert set(folder.glob("objects/??/*")) > whole
        assert len(runs_of(folder)) == 1
        prune(folder, 1)
        assert set(folder.glob("objects/??/*")) == whole

    def test_a_changed_object_is_found(self, filled: Book, tmp_path: Path) -> None:
        """Whichever of them: every byte of the folder is under a digest."""
        folder = tmp_path / "backups"
        run = backup_into(filled, folder).file
        for each in list(folder.glob("objects/??/*"))[:8]:
            data = each.read_bytes()
            each.write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
            with pytest.raises(BackupError, match=r"damaged|not as it was written"):
                check_backup(run)
            each.write_bytes(data)
        check_backup(run)

    def test_two_at_once(self, filled: Book, tmp_path: Path) -> None:
        """The second is told of the first."""
        folder = tmp_path / "backups"

        def again(*_: object) -> None:
            with pytest.raises(BackupError, match="Another backup is at work"):
                prune(folder, 1)

        backup_into(filled, folder, again)

    def test_a_folder_of_something_else(self, filled: Book, tmp_path: Path) -> None:
        """Nothing is put among somebody's files."""
        (tmp_path / "thesis").mkdir()
        (tmp_path / "thesis" / "a.txt").write_text("x")
        with pytest.raises(BackupError, match="holds something else"):
            backup_into(filled, tmp_path / "thesis")


class TestSecondPlace:
    """A copy elsewhere."""

    def test_it_is_the_same_and_checked(self, filled: Book, tmp_path: Path) -> None:
        """Byte by byte, for its owner alone, with the head of the journal in it."""
        backup(filled, tmp_path / "b")
        (tmp_path / "other").mkdir()
        copy = copy_to(tmp_path / "b", tmp_path / "other")
        assert copy.read_bytes() == (tmp_path / "b").read_bytes()
        assert copy.stat().st_mode & 0o777 == 0o600
        _, head = check_backup(copy)
        assert head is not None
        assert head.hash == verify(filled).head

    def test_on_the_command_line(self, filled: Book, book_place: str, tmp_path: Path) -> None:
        """Backup --to, --folder, --check."""
        filled.close()
        (tmp_path / "other").mkdir()

        def run(*arguments: str) -> str:
            answer = CliRunner().invoke(strandbook, ["--book", book_place, *arguments])
            assert answer.exit_code == 0, answer.stderr
            return answer.stdout

        run("backup", str(tmp_path / "b"), "--to", str(tmp_path / "other"))
        run("backup", "--check", str(tmp_path / "other" / "b"))
        run("backup", "--folder", str(tmp_path / "all"), "--keep", "1")
        run("backup", "--check", "--folder", str(tmp_path / "all"))
        assert "rows" in run("restore", "--json", "-n", str(tmp_path / "all"), str(tmp_path / "new"))
        assert not (tmp_path / "new").exists()


class TestMarker:
    """The attachment folder must be this book's."""

    def test_a_folder_that_is_not_there(self, filled: Book, tmp_path: Path) -> None:
        """A share that is not mounted: nothing is written, and reading says so."""
        filled.files.folder.rename(tmp_path / "away")
        with pytest.raises(FilesError, match="is not there; if it is on another computer"):
            add_job(filled)
        assert any("is not there" in finding.text for finding in verify(filled).found)
        with pytest.raises(FilesError, match="the folder is not there"):
            filled.files.get(an_attachment(filled).name)

    def test_an_empty_place_for_a_share(self, filled: Book, tmp_path: Path) -> None:
        """The folder is there and bare: writing into it would be lost beneath the share."""
        filled.files.folder.rename(tmp_path / "away")
        filled.files.folder.mkdir()
        with pytest.raises(FilesError, match="has no marker of the book"):
            add_job(filled)
        assert list(filled.files.folder.iterdir()) == []

    def test_a_folder_of_another_book(self, filled: Book) -> None:
        """It is named."""
        (filled.files.folder / MARKER).write_text("QQQ\n")
        with pytest.raises(FilesError, match="belongs to the book QQQ"):
            add_job(filled)

    @pytest.mark.parametrize("how", ["not there", "empty", "dead", "another book's"])
    def test_nothing_is_written_and_everything_read_while_it_is_away(
        self, filled: Book, book_place: str, tmp_path: Path, how: str
    ) -> None:
        """Acts without an attachment are refused too; commands answer, and say once what is away."""
        folder, entries = filled.files.folder, len(_everything(filled)["journal"])
        _take_away(folder, tmp_path / "away", how)
        filled.close()

        def run(*arguments: str) -> Result:
            return CliRunner().invoke(strandbook, ["--book", book_place, "--who", "Ada Bench", *arguments])

        refused = run("material", "add", "Brand X ASA", "--family", "ASA", "--maker", "X")
        assert refused.exit_code == 1
        assert len(refused.stderr.splitlines()) == 1
        assert refused.stderr.startswith(f"strandbook: Nothing was written: the attachment folder {folder} ")
        assert "Connect the right one" in refused.stderr
        assert len(_everything(filled)["journal"]) == entries

        listed = run("list", "jobs")
        assert (listed.exit_code, listed.stderr.count(f"The attachment folder {folder}")) == (0, 1)
        assert "J0001" in listed.stdout
        (warning,) = json.loads(run("show", "J0001-J", "--json").stdout)["warnings"]
        assert warning in listed.stderr
        missing = json.loads(run("show", "J0099-X", "--json").stderr)
        assert missing["warnings"] == [warning]
        checked = run("verify")
        assert checked.exit_code == 1
        assert f"The attachment folder {folder}" in checked.stdout
        filled.close()

    def test_one_that_is_lost_for_good(self, filled: Book, book_place: str, tmp_path: Path) -> None:
        """The book goes on without it when a person says so, and verify names what is missing."""
        _take_away(filled.files.folder, tmp_path / "away", "not there")
        upgrade_book(book_place, "Ada Bench")
        with pytest.raises(AwayError, match="the attachment folder"):
            add_material(filled, "Brand X ASA")
        upgrade_book(book_place, "Ada Bench", as_it_is=True)
        add_material(filled, "Brand X ASA")
        assert any("'a.gcode'" in finding.text for finding in verify(filled).found)

    def test_cleaning(self, filled: Book, book_place: str) -> None:
        """What belongs to no act is listed and taken away; everything else stays."""
        before = list(filled.files.stored())
        left = filled.files.put(b"left behind")
        remnant = filled.files.path(left).with_name(".half")
        remnant.write_bytes(b"h")
        assert verify(filled).unnamed == [left]
        filled.close()
        answer = CliRunner().invoke(strandbook, ["--book", book_place, "verify", "--clean"])
        assert "1 file removed" in answer.stderr
        assert list(filled.files.stored()) == before
        assert not remnant.exists()
