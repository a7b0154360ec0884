"""The plugin that reads CSV logs; what it rests on is loaded when the first log comes.

Loading plugins happens before every measurement, and numbers in bulk are wanted only by logs.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from tracker.api import ReadLog, hookimpl
from tracker.lazy_modules import lazy

if TYPE_CHECKING:
    from tracker.chamberlog import reading
else:
    reading = lazy("tracker.chamberlog.reading")


@hookimpl
def strandbook_read_log(path: Path) -> ReadLog | None:
    """Read a CSV log; None leaves a file that is none to another reader."""
    return reading.log_of(path)
