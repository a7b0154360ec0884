"""Pseudo-terminals at which strandbook runs, each forked from one program that has its libraries loaded.

To load them takes a second; a test at a terminal has a start or two of its own.
"""

from __future__ import annotations

import array
import functools
import importlib
import json
import os
import pty
import signal
import socket
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

ROOT: Final = Path(__file__).resolve().parents[2]
_LIBRARIES: Final = (
    "alembic.command", "click", "numpy", "pint", "pluggy", "psycopg", "pydantic", "rich.console",
    "rich.table", "sqlalchemy.orm", "uncertainties",
)  # fmt: skip


class Seats:
    """The program that opens the terminals, and waits for what runs there."""

    def __init__(self) -> None:
        self._line, theirs = socket.socketpair()
        command = [sys.executable, "-m", "tests.cli.seats", str(theirs.fileno())]
        self._program = subprocess.Popen(command, pass_fds=[theirs.fileno()], cwd=ROOT)
        theirs.close()

    def open(self, words: Sequence[str], env: Mapping[str, str]) -> tuple[int, int]:
        """Start a command; returns its process and our end of its terminal."""
        self._ask({"words": list(words), "env": dict(env), "folder": str(Path.cwd())})
        space = array.array("i").itemsize
        data, more, _, _ = self._line.recvmsg(64, socket.CMSG_LEN(space))
        (end,) = array.array("i", more[0][2][:space])
        return int(data), end

    def ended(self, process: int) -> int:
        """Wait for the end of a process and return its exit code."""
        self._ask({"process": process})
        return int(self._line.recv(64))

    def _ask(self, question: Any) -> None:
        self._line.sendall(json.dumps(question).encode() + b"\n")


@functools.cache
def seats() -> Seats:
    """Return the program of this process; it ends with it."""
    return Seats()


def _serve(line: socket.socket) -> None:
    for asked in line.makefile("rb"):
        question = json.loads(asked)
        if "process" in question:
            status = os.waitpid(question["process"], 0)[1]
            line.sendall(str(os.waitstatus_to_exitcode(status)).encode())
            continue
        child, end = pty.fork()
        if not child:
            line.close()
            _run(question)
            return
        sent = [(socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", [end]))]
        line.sendmsg([str(child).encode()], sent)
        os.close(end)


def _run(question: Any) -> None:
    # Tests run in the background inherit an ignored Ctrl-C; a person's terminal does not.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    os.environ.clear()
    os.environ.update(question["env"])
    os.chdir(question["folder"])
    sys.argv = ["strandbook", *question["words"]]
    # Only now, for the program may look at its surroundings where it is loaded.
    from tracker.cli import main  # noqa: PLC0415

    main()


if __name__ == "__main__":
    for name in _LIBRARIES:
        importlib.import_module(name)
    _serve(socket.socket(fileno=int(sys.argv[1])))
