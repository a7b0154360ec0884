"""An older book brought up to date, after a backup."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, text

from tracker.backup.archive import BackupError
from tracker.backup.references import check_references, let_tables_be_copied
from tracker.backup.saving import save
from tracker.book import Book, check_schema, files_folder, is_url, make_engine, schema_of
from tracker.files import Files
from tracker.migrations import upgrade
from tracker.model import SCHEMA
from tracker.progress import Progress, silent


@dataclass(frozen=True)
class Upgraded:
    """What an upgrade did.

    Attributes:
        found: Schema version the book had.
        now: Schema version it has.
        backup: The backup made before; None where there was nothing to do.
    """

    found: str
    now: str
    backup: Path | None


def upgrade_book(place: str, who: str, progress: Progress | None = None) -> Upgraded:
    """Bring a book to the schema of this program, after a backup of it as it was.

    Backup and migration are one transaction: nobody writes in between, and where the migration fails
    the book is as before.

    Args:
        place: Folder or URL.
        who: The person, for the journal.
        progress: Called with the stage, what is done and how much it is.

    Raises:
        BookError: There is no book, it is of a newer version, or it cannot be written.
        BackupError: The backup cannot be written; then nothing was migrated.
    """
    with Book(place, make_engine(place), Files(files_folder(place))) as book:
        let_tables_be_copied(book.engine)
        with book.connect() as connection:
            found = schema_of(connection)
            if found is None or found >= SCHEMA:
                check_schema(place, connection)
                return Upgraded(SCHEMA, SCHEMA, None)
        with book.writing() as connection:
            _lock(connection)
            file = _beside(place, f"before-{SCHEMA}-{book.clock():%Y%m%dT%H%M%S}.backup")
            save(connection, book, file, progress or silent)
            upgrade(connection)
            # SQLite did not look while tables were copied; before the commit is the last moment to.
            check_references(connection)
            with book.doing(connection, act="upgrade", who=who, reason=f"schema {found} to {SCHEMA}"):
                pass
    return Upgraded(found, SCHEMA, file)


def _beside(place: str, name: str) -> Path:
    if not is_url(place):
        return Path(place) / name
    folder = files_folder(place)
    try:
        # The first attachment makes it; a book may have none yet.
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BackupError(
            f"The backup {folder / name} cannot be written",
            why=error.strerror or str(error),
            do="Nothing was changed; check who may write there",
        ) from error
    return folder / name


def _lock(connection: Connection) -> None:
    """Keep acts from being done on PostgreSQL until the migration is; SQLite has locked all already."""
    if connection.dialect.name != "sqlite":
        connection.execute(text("SELECT id FROM book FOR UPDATE"))
