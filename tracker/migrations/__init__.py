"""Alembic migrations of a book, from the first schema on; each runs up and down on both databases."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection

_HERE: Final = Path(__file__).parent

LOCATIONS: Final = [_HERE / "versions"]
"""Folders of revision files; a test of a migration yet to come adds its own."""


def _config(connection: Connection) -> Config:
    config = Config()
    config.set_main_option("script_location", str(_HERE))
    config.set_main_option("path_separator", "newline")
    config.set_main_option("version_locations", "\n".join(map(str, LOCATIONS)))
    config.attributes["connection"] = connection
    return config


def upgrade(connection: Connection, revision: str = "head") -> None:
    """Bring the tables to a revision, inside the connection's transaction."""
    command.upgrade(_config(connection), revision)


def downgrade(connection: Connection, revision: str) -> None:
    """Take the tables back to a revision, inside the connection's transaction."""
    command.downgrade(_config(connection), revision)
