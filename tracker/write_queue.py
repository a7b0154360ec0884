"""Whose turn it is to write to a SQLite file: a fair queue in front of SQLite's own lock.

SQLite's busy handler asks again after ever longer pauses, up to a tenth of a second, so that whoever
has waited longest asks least often: of eight programs writing without pause one waited five seconds.
Here two locks make a turnstile. Only the one who holds ``next`` may wait for ``turn``, and lets go of
``next`` on getting it: whoever has just written must queue again and cannot slip in before. The locks
are the system's own (``flock``), so they end with the program that holds them, however it ends.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

try:
    import fcntl
except ImportError:  # pragma: no cover - Windows has none: there SQLite's own lock must do
    fcntl = None  # type: ignore[assignment]

LOCK_SUFFIXES: Final = ("-next", "-turn")
"""Endings of the two lock files beside the book's own."""

_PAUSE_NEXT_S: Final = 0.002
# One waits here at most, so asking often costs little, and every pause is time nobody writes.
_PAUSE_TURN_S: Final = 0.0002


@contextmanager
def wait_turn(file: Path, patience_s: float) -> Iterator[bool]:
    """Wait for the turn to write to a file, and keep it.

    Args:
        file: What is to be written to; the locks lie beside it.
        patience_s: Longest to wait, seconds.

    Yields:
        Whether it is our turn; False where others kept theirs longer than we wait. Where no lock
        can be made, as in a read-only folder, it is everybody's turn and SQLite's lock decides.
    """
    handles = _opened(file)
    try:
        if not handles:
            yield True
            return
        first, second = handles
        # One deadline for both waits, by a clock that nobody can set back.
        until = time.monotonic() + patience_s
        ours = _locked(first, _PAUSE_NEXT_S, until) and _locked(second, _PAUSE_TURN_S, until)
        # Let go only now that the turn is ours: earlier, and two would wait for it at once.
        fcntl.flock(first, fcntl.LOCK_UN)
        yield ours
    finally:
        _close(handles)


def _opened(file: Path) -> list[int]:
    """Return handles of the two lock files, or none where they cannot be had."""
    name, flags = str(file), os.O_RDONLY | os.O_CREAT
    handles: list[int] = []
    try:
        # Each holder opens them again: flock tells open files apart, and so threads of one program too.
        handles.extend(os.open(name + tail, flags, 0o600) for tail in LOCK_SUFFIXES if fcntl is not None)
    except OSError:
        # The first may be open by now.
        _close(handles)
        return []
    return handles


def _close(handles: list[int]) -> None:
    for handle in handles:
        os.close(handle)


def _locked(handle: int, pause_s: float, until: float) -> bool:
    """Lock a file, asking at equal intervals: a wait that blocks could not be given up."""
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > until:
                return False
            time.sleep(pause_s)
        except OSError:
            return True  # a file system without such locks
        else:
            return True
