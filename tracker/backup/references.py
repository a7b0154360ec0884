"""References between rows while tables are copied: SQLite's let go of, and checked at the end."""

from __future__ import annotations

from sqlalchemy import Connection, Engine, event, text

from tracker.backup.archive import BackupError


def let_tables_be_copied(engine: Engine) -> None:
    """Switch SQLite's foreign keys off, which it allows only before a transaction begins.

    A column is changed there by copying its table and dropping the old one, which counts as deleting
    every row that others refer to.
    """
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", lambda driver, _: driver.execute("PRAGMA foreign_keys = OFF"))


def check_references(connection: Connection) -> None:
    """Refuse to go on where a row is without the row it refers to.

    Raises:
        BackupError: There is one.
    """
    if connection.dialect.name != "sqlite":
        return
    lost = connection.execute(text("PRAGMA foreign_key_check")).all()
    if lost:
        raise BackupError(
            f"{len(lost)} rows of the table {lost[0][0]} would be without what they refer to",
            do="Nothing was changed; strandbook verify names what is damaged",
        )
