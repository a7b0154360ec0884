"""Migrations run up and down on filled books, and lead to what the models say."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import inspect, text

from tests.books import add_in_bulk, add_job, fill
from tests.databases import Places, ServerOnDemand
from tracker import migrations
from tracker.backup import BackupError, backup, restore, restoring, upgrade_book
from tracker.backup.tables import let_tables_be_copied
from tracker.book import Book, BookError, open_book
from tracker.model import SCHEMA, Base
from tracker.verify import verify

pytestmark = pytest.mark.usefixtures("really_migrated")

NEXT = f"{int(SCHEMA) + 1:04d}"

REVISION = '''
"""A revision yet to come: a new column, a stricter one, an index."""
import sqlalchemy as sa
from alembic import op

revision = "{next}"
down_revision = "{schema}"


def upgrade():
    with op.batch_alter_table("specimen") as batch:
        batch.add_column(sa.Column("mass_g", sa.Double(), nullable=True))
        batch.create_index("ix_specimen_outcome", ["outcome"])
    with op.batch_alter_table("job") as batch:
        batch.alter_column("name", existing_type=sa.Text(), nullable={nullable})


def downgrade():
    with op.batch_alter_table("job") as batch:
        batch.alter_column("name", existing_type=sa.Text(), nullable=True)
    with op.batch_alter_table("specimen") as batch:
        batch.drop_index("ix_specimen_outcome")
        batch.drop_column("mass_g")
'''


@pytest.fixture
def filled(book: Book) -> Book:
    """Give a filled book, closed but for what a test opens."""
    fill(book)
    add_in_bulk(book, 20)
    return book


@pytest.fixture
def newer_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, server: ServerOnDemand) -> Iterator[Path]:
    """Let the program be one revision ahead."""
    # The server's template book first: made by a program that is ahead, it would be ahead for all tests.
    with suppress(pytest.skip.Exception):
        server.get().make_template()
    with _ahead(tmp_path, monkeypatch, nullable=False) as file:
        yield file


@contextmanager
def _ahead(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, nullable: bool) -> Iterator[Path]:
    folder = tmp_path / "versions"
    folder.mkdir()
    file = folder / f"{NEXT}_next.py"
    file.write_text(REVISION.format(next=NEXT, schema=SCHEMA, nullable=nullable))
    with monkeypatch.context() as patch:
        patch.setattr(migrations, "LOCATIONS", [*migrations.LOCATIONS, folder])
        for module in (
            "tracker.book.place",
            "tracker.backup.restoring",
            "tracker.verify",
        ):
            patch.setattr(f"{module}.SCHEMA", NEXT)
        yield file


class TestModels:
    """The migrated tables and the models."""

    def test_they_agree(self, book: Book) -> None:
        """The migrations lead to exactly the tables, columns, types and indexes of the models."""
        with book.connect() as connection:
            context = MigrationContext.configure(connection, opts={"compare_type": True})

            assert compare_metadata(context, Base.metadata) == []

    def test_checks_agree(self, book: Book) -> None:
        """The check constraints are the models' too, which the comparison above does not see."""
        with book.connect() as connection:
            there = {
                (name, check["name"])
                for name in Base.metadata.tables
                for check in inspect(connection).get_check_constraints(name)
            }
        wanted = {
            (table.name, str(constraint.name))
            for table in Base.metadata.tables.values()
            for constraint in table.constraints
            if type(constraint).__name__ == "CheckConstraint"
        }

        assert there == wanted

    def test_the_schema_is_the_head(self, book: Book) -> None:
        """The schema the program speaks of is the newest revision."""
        with book.connect() as connection:
            assert connection.scalar(text("SELECT version_num FROM alembic_version")) == SCHEMA

    def test_every_constraint_is_named(self, book: Book) -> None:
        """Every constraint and index has a name, so that a later migration can address it."""
        with book.connect() as connection:
            seen = inspect(connection)
            names = [
                part["name"]
                for table in Base.metadata.tables
                for part in (
                    seen.get_pk_constraint(table),
                    *seen.get_foreign_keys(table),
                    *seen.get_unique_constraints(table),
                    *seen.get_check_constraints(table),
                    *seen.get_indexes(table),
                )
            ]

        assert len(names) > 50
        assert None not in names


class TestUpAndDown:
    """Every revision, on a book with rows in it."""

    def test_down_to_nothing_and_up(self, filled: Book) -> None:
        """A filled book can be taken back revision by revision to nothing, and made again."""
        _without_keys(filled)
        for revision in (*(f"{n:04d}" for n in range(int(SCHEMA) - 1, 0, -1)), "base"):
            with filled.writing(fresh=True) as connection:
                migrations.downgrade(connection, revision)
        with filled.connect() as connection:
            left = set(inspect(connection).get_table_names()) - {"alembic_version"}
        with filled.writing(fresh=True) as connection:
            migrations.upgrade(connection)

        assert left == set()
        with filled.connect() as connection:
            context = MigrationContext.configure(connection, opts={"compare_type": True})
            assert compare_metadata(context, Base.metadata) == []

    def test_one_up_and_down(self, filled: Book, newer_program: Path) -> None:
        """A revision to come goes up and down again on a filled book, and no row changes."""
        del newer_program
        _without_keys(filled)

        with filled.writing() as connection:
            migrations.upgrade(connection, NEXT)
        with filled.writing() as connection:
            migrations.downgrade(connection, SCHEMA)

        with filled.writing() as connection:
            connection.execute(text("UPDATE alembic_version SET version_num = :v"), {"v": NEXT})
        # Called a version that it is not only so that this program opens it: the schema then differs, by what
        # the revision does, and nothing else may.
        assert [each.text for each in verify(filled).found] == [
            "The column name of table job is not as it was made",
            "The column mass_g of table specimen is missing",
            "The index ix_specimen_outcome of table specimen is missing",
        ]

    def test_each_revision_and_back(self, book: Book) -> None:
        """An empty book goes down by one revision and up again, for each revision there is."""
        _without_keys(book)
        for number in range(int(SCHEMA) - 1, 0, -1):
            with book.writing() as connection:
                migrations.downgrade(connection, f"{number:04d}")
                migrations.upgrade(connection, f"{number + 1:04d}")
                migrations.downgrade(connection, f"{number:04d}")
        with book.writing() as connection:
            migrations.upgrade(connection)

        assert verify(book).clean


def _without_keys(book: Book) -> None:
    """Switch foreign keys off as the upgrade of a book does."""
    book.engine.dispose()
    let_tables_be_copied(book.engine)


class TestUpgrade:
    """An older book."""

    def test_refused_until_then(self, filled: Book, book_place: str, newer_program: Path) -> None:
        """An older book is refused, with the command that mends it."""
        del newer_program, filled

        with pytest.raises(BookError, match=f"older version .schema {SCHEMA}.*strandbook upgrade"):
            open_book(book_place)

    def test_upgrade(self, filled: Book, book_place: str, newer_program: Path) -> None:
        """An upgraded book opens, is clean, and tells of the upgrade in its journal."""
        del newer_program
        before = verify(filled).counts["entries"]
        filled.close()

        done = upgrade_book(book_place, "Ada Bench")

        assert (done.found, done.now) == (SCHEMA, NEXT)
        with open_book(book_place) as book:
            findings = verify(book)
            assert findings.clean, findings.lines()
            assert findings.counts["entries"] == before + 1
            assert add_job(book)

    def test_the_backup(self, filled: Book, book_place: str, newer_program: Path, places: Places) -> None:
        """The backup made before an upgrade holds the old book, and is brought up to date when restored."""
        del newer_program
        filled.close()
        done = upgrade_book(book_place, "Ada Bench")
        assert done.backup is not None

        contents = restore(done.backup, places.empty("sqlite"))

        assert contents.schema == SCHEMA

    def test_an_old_backup(self, filled: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                           empty_place: str) -> None:  # fmt: skip
        """A backup of an older version becomes a book of this one."""
        file = tmp_path / "old.backup"
        backup(filled, file)

        with _ahead(tmp_path, monkeypatch, nullable=True):
            restore(file, empty_place)

            with open_book(empty_place) as book:
                assert verify(book).clean

    def test_nothing_to_do(self, filled: Book, book_place: str) -> None:
        """A book of this version is left alone, without a backup."""
        del filled

        assert upgrade_book(book_place, "Ada Bench").backup is None

    def test_what_is_foreign_is_named_where_nothing_is_to_do(self, filled: Book, book_place: str) -> None:
        """The schema is looked at all the same."""
        with filled.writing() as connection:
            connection.execute(text("CREATE TABLE mine (x INTEGER)"))

        assert upgrade_book(book_place, "Ada Bench").foreign == [
            "The table mine is none that the program made"
        ]

    def test_newer(self, filled: Book, book_place: str) -> None:
        """A newer book is refused by its version, by opening and by upgrading."""
        with filled.writing() as connection:
            connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))

        for refused in (open_book, lambda place: upgrade_book(place, "Ada")):
            with pytest.raises(BookError, match=r"newer version \(schema 9999"):
                refused(book_place)

    def test_a_migration_that_fails(self, filled: Book, book_place: str, newer_program: Path) -> None:
        """Where a migration fails the book is as before."""
        newer_program.write_text(
            newer_program.read_text().replace(
                "def downgrade", "    raise ValueError('no')\n\n\ndef downgrade", 1
            )
        )
        filled.close()

        with pytest.raises(ValueError, match="no"):
            upgrade_book(book_place, "Ada Bench")

        with pytest.raises(BookError, match=f"schema {SCHEMA}"):
            open_book(book_place)

    def test_rows_that_do_not_fit(self, filled: Book, book_place: str, newer_program: Path) -> None:
        """A migration that the rows do not fit is refused in one line, and the book is as before."""
        del newer_program
        add_job(filled, name=None)
        filled.close()

        with pytest.raises(BookError, match="did not take this"):
            upgrade_book(book_place, "Ada Bench")

        with pytest.raises(BookError, match=f"schema {SCHEMA}"):
            open_book(book_place)

    def test_no_room_for_the_backup(
        self, filled: Book, book_place: str, newer_program: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Where the backup cannot be written nothing is migrated."""
        del newer_program
        filled.close()
        monkeypatch.setattr(restoring, "_beside", lambda *_: Path("/nowhere/backup"))

        with pytest.raises(BackupError, match="cannot be written"):
            upgrade_book(book_place, "Ada Bench")

        with pytest.raises(BookError, match=f"schema {SCHEMA}"):
            open_book(book_place)
