"""Print queues of this computer, where it has any: labels at their exact size, without a dialogue."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from functools import lru_cache
from pathlib import Path
from time import monotonic
from typing import Final

from tracker.errors import Refused

_WAIT_S: Final = 10.0
_FRESH_S: Final = 60.0
_NAME: Final = re.compile(r"[A-Za-z0-9_.@+-]{1,127}")


class PrintError(Refused):
    """Something cannot be printed here."""


def print_queues() -> tuple[str, ...]:
    """Return the names of the print queues; empty where this computer has none."""
    return _queues(int(monotonic() / _FRESH_S))


@lru_cache(maxsize=1)
def _queues(minute: int) -> tuple[str, ...]:
    """Return the queues, asked for once a minute: the answer may take a second where a printer sleeps."""
    del minute
    asking = shutil.which("lpstat")
    if asking is None or shutil.which("lp") is None:
        return ()
    try:
        answer = subprocess.run(  # noqa: S603 - a fixed command of the system, without anything typed
            [asking, "-e"], capture_output=True, text=True, timeout=_WAIT_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return ()
    return tuple(line.strip() for line in answer.stdout.splitlines() if _NAME.fullmatch(line.strip()))


def print_pdf(pdf: bytes, queue: str, title: str) -> str:
    """Hand a PDF to a print queue at 100 %, and return what the queue says.

    Args:
        pdf: The document; its page is the stock's.
        queue: One of :func:`print_queues`.
        title: Of the print job.

    Raises:
        PrintError: There is no such queue, or it refuses.
    """
    if queue not in print_queues():
        raise PrintError(
            f"There is no printer {queue!r} here", do=f"There are {', '.join(print_queues()) or 'none'}"
        )
    command = shutil.which("lp")
    if command is None:
        raise PrintError("This computer has no print queue", do="Save the labels and print them elsewhere")
    with tempfile.TemporaryDirectory(prefix="labels-") as folder:
        file = Path(folder) / "labels.pdf"
        file.write_bytes(pdf)
        # Without "print-scaling=none" the queue would fit the page to its margins, and no label would sit.
        options = ["-o", "print-scaling=none", "-o", "fit-to-page=false"]
        try:
            answer = subprocess.run(  # noqa: S603 - the queue is one of those that exist
                [command, "-d", queue, "-t", title, *options, str(file)],
                capture_output=True, text=True, timeout=_WAIT_S, check=False,
            )  # fmt: skip
        except (OSError, subprocess.TimeoutExpired) as error:
            raise PrintError(f"The printer {queue} does not answer", do="Look whether it is on") from error
    if answer.returncode != 0:
        raise PrintError(f"The printer {queue} refused", why=answer.stderr.strip()[:200], do="Look at it")
    return f"Sent to {queue}."
