"""A book into one file or a growing folder, and back into an empty place on either database.

The copy is logical: the same file goes back to SQLite or PostgreSQL, and a book of an older schema is
copied as it is and brought up to date when it is restored.
"""

from __future__ import annotations

from tracker.backup.archive import BackupError, Contents
from tracker.backup.folder import prune
from tracker.backup.restoring import Upgraded, restore, upgrade_book
from tracker.backup.saving import Run, backup, backup_into, check_backup, copy_to, head_in

__all__ = [
    "BackupError",
    "Contents",
    "Run",
    "Upgraded",
    "backup",
    "backup_into",
    "check_backup",
    "copy_to",
    "head_in",
    "prune",
    "restore",
    "upgrade_book",
]
