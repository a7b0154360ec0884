"""The plugin that reads CSV logs; what it rests on is loaded when the first log comes.

Loading plugins happens before every measurement, and numbers in bulk are wanted only by logs.
"""

from __future__ import annotations

from pathlib import Path

from tracker.api import ReadLog, hookimpl


@hookimpl
def strandbook_read_log(path: Path) -> ReadLog | None:
    """Read a CSV log; None leaves a file that is none to another reader."""
    from tracker.chamberlog.plugin import log_of  # noqa: PLC0415 - the reason stands above

    return log_of(path)
