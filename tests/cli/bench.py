"""The command line in a test: in this process, as a program of its own, and at a terminal."""

from __future__ import annotations

import codecs
import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Self

import click
from click.testing import CliRunner, Result

from tests.cli.seats import seats
from tracker.cli import strandbook

PROGRAM = (
    sys.executable,
    "-c",
    "import sys; sys.argv[0] = 'strandbook'; from tracker.cli import main; main()",
)
"""The installed program's own two lines, with the interpreter of this run."""


class Cli:
    """Runs commands on one book, in this process and without a terminal.

    Args:
        place: Folder of the book.
    """

    def __init__(self, place: Path) -> None:
        self.place = place
        self._runner = CliRunner()

    def __call__(self, *words: str, typed: str = "", env: Mapping[str, str] | None = None) -> Result:
        """Run a command."""
        given = {"STRANDBOOK": str(self.place), "STRANDBOOK_WHO": "Ada Bench", **(env or {})}
        return self._runner.invoke(strandbook, words, input=typed, env=given, prog_name="strandbook")

    def done(self, *words: str, **more: Any) -> list[str]:
        """Run a command that is done, and return the lines of stdout."""
        result = self(*words, **more)
        assert result.exit_code == 0, (words, result.output)
        return result.stdout.splitlines()

    def id(self, *words: str) -> str:
        """Run a command that writes, and return the ID on its last line."""
        return self.done(*words)[-1]

    def json(self, *words: str) -> Any:
        """Run a command with ``--json`` and return what it said."""
        return json.loads("\n".join(self.done(*words, "--json")))

    def refused(self, *words: str, **more: Any) -> str:
        """Run a command that is refused, and return its one line on stderr."""
        result = self(*words, **more)
        lines = result.stderr.splitlines()
        assert (result.exit_code, result.stdout, len(lines)) == (1, "", 1), (words, result.output)
        assert lines[0].startswith("strandbook: ")
        return lines[0].removeprefix("strandbook: ")

    def entries(self) -> int:
        """Return how many acts the book has seen."""
        from tests.desk.bench import entries  # noqa: PLC0415 - the desk's helpers load the methods
        from tracker.book import open_book  # noqa: PLC0415 - the same

        with open_book(str(self.place)) as book:
            return entries(book)


class Filled(Cli):
    """A book with one of everything, made by the commands themselves."""

    def fill(self) -> Self:
        """Enter a material, spool, stay, drying, job, outcomes, rig, calibration and measurement."""
        self.material = self.id("material", "add", "Nordlicht ASA", "--family", "ASA", "--drying-max", "85")
        self.spool = self.id("spool", "add", self.material, "--lot", "7731", "--net", "1 kg")
        self.id("spool", "keep", self.spool, "dry box", "--rh", "15")
        self.drying = self.id("dry", self.spool, "--set", "80", "--began", "20 h ago", "--ended", "14 h ago")
        job = ("--piece", "bar:ZXY:3", "--started", "3 h ago", "--chamber-set", "60")
        self.job = self.id("job", "add", "--spool", self.spool, *job)
        self.id("job", "end", self.job, "--outcome", "finished", "--chamber-measured", "55")
        self.id("offbed", self.job, "--good", "1-2", "--failed", "3=came loose")
        self.piece = self.json("list", "specimens")[0]["id"]
        self.rig = self.id(
            "rig", "add", "Gantry", "--role", "rig", "--measures", "force", "--capacity", "5 kN"
        )
        self.id("rig", "calibrate", self.rig, "--uncertainty", "2 N", "--k", "2")
        pull = ("max_force=1 830 N", "width=10.00", "thickness=4.00")
        self.measurement = self.id("measure", self.piece, "tensile", *pull, "--rig", self.rig)
        return self


def commands(group: click.Group = strandbook, before: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Yield the words of every command that is listed.

    One that cannot be loaded is yielded all the same: its own tests fail, and no others.
    """
    context = click.Context(group)
    for name in group.list_commands(context):
        command = None
        with suppress(ImportError, AttributeError):
            command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from commands(command, (*before, name))
        else:
            yield (*before, name)


def command_at(words: tuple[str, ...]) -> click.Command:
    """Return the command that the words name."""
    command: click.Command = strandbook
    for word in words:
        assert isinstance(command, click.Group)
        found = command.get_command(click.Context(command), word)
        assert found is not None
        command = found
    return command


def run(*words: str, env: Mapping[str, str] | None = None, **how: Any) -> subprocess.CompletedProcess[str]:
    """Run the program as a process of its own."""
    return subprocess.run(
        [*PROGRAM, *words],
        env={**os.environ, "STRANDBOOK_WHO": "Ada Bench", **(env or {})},
        capture_output=True, text=True, check=False, timeout=600, **how,
    )  # fmt: skip


class Terminal:
    """The program at a pseudo-terminal: what a person at the bench sees and types.

    Args:
        words: The command.
        env: Beside the environment of the tests.
    """

    def __init__(self, *words: str, env: Mapping[str, str]) -> None:
        self.seen = ""
        # What comes is cut anywhere: within a letter, and within the end of a line.
        self._letters = codecs.getincrementaldecoder("utf-8")("replace")
        self._code: int | None = None
        self._pid, self._end = seats().open(words, {**os.environ, "TERM": "dumb", **env})

    def expect(self, text: str, seconds: float = 300) -> str:
        """Wait until a text is seen; returns all that was seen up to it, which is then forgotten."""
        deadline = time.monotonic() + seconds
        while text not in self.seen:
            assert time.monotonic() < deadline, f"{text!r} not in {self.seen!r}"
            assert self._read(deadline), f"ended without {text!r}: {self.seen!r}"
        before, _, self.seen = self.seen.partition(text)
        return before + text

    def send(self, line: str) -> None:
        """Type a line and Enter."""
        os.write(self._end, f"{line}\n".encode())

    def interrupt(self, hand: float = 0.5, again: float = 60) -> None:
        """Press Ctrl-C as a person does: a moment after the prompt, and again where nothing comes of it.

        Python looks for signals between steps of its own and not on the way from a prompt to waiting for the
        keyboard: a Ctrl-C sent by a machine in that tenth of a millisecond is only heard with the next key.
        """
        for _ in range(6):
            time.sleep(hand)
            os.write(self._end, b"\x03")
            deadline = time.monotonic() + again
            while self._read(deadline):
                pass
            if time.monotonic() < deadline:
                return

    def ended(self, seconds: float = 300) -> int:
        """Wait for the end and return the exit code."""
        deadline = time.monotonic() + seconds
        while self._read(deadline):
            pass
        assert time.monotonic() < deadline, f"still running after {self.seen!r}"
        return self._wait()

    def close(self) -> None:
        """End the program if it still runs, and let go of the terminal."""
        if self._code is None:
            os.kill(self._pid, signal.SIGKILL)
            self._wait()
        os.close(self._end)

    def _wait(self) -> int:
        if self._code is None:
            self._code = seats().ended(self._pid)
        return self._code

    def _read(self, deadline: float) -> bool:
        ready, _, _ = select.select([self._end], [], [], max(0.0, deadline - time.monotonic()))
        if not ready:
            return False
        try:
            data = os.read(self._end, 65536)
        except OSError:  # Linux tells the end of a pseudo-terminal as an error
            return False
        text = self._letters.decode(data)
        if self.seen.endswith("\r") and text.startswith("\n"):
            self.seen = self.seen[:-1]
        self.seen += text.replace("\r\n", "\n")
        return bool(data)
