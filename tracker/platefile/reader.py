"""The fast reader: chunks of text to sums, most lines as whole arrays."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import BinaryIO

import numpy as np

from tracker.platefile import meaning as m
from tracker.platefile import scan
from tracker.platefile.channels import Channel
from tracker.platefile.gather import Gatherer
from tracker.platefile.islands import Shadow
from tracker.platefile.motion import Channels, Follower, Locate
from tracker.platefile.remarks import Meaning
from tracker.platefile.source import Progress, chunks
from tracker.platefile.state import State
from tracker.platefile.tally import Tally

_REMEMBERED_LINES = 1 << 15
_REMEMBERED_LENGTH = 96
_WHOLE_WORDS = re.compile(rb"\s*[GMTgmt]\s*\d+(?:\s*[A-Za-z]\s*[-+]?(?:\d+\.?\d*|\.\d+)?)*\s*(?:[;(*].*)?")
_CUT_WORD = re.compile(rb"[A-Za-z]\s*[-+]?$|\.$")


class Reader:
    """Reads one plate.

    Args:
        relative_e: How E is read before the file says so.
        g90_sets_e: Whether G90 and G91 set E too.
        locate: Finds islands where the file has no markers.
        shadow: Is drawn what belongs to no marked object.
    """

    def __init__(
        self, *, relative_e: bool = False, g90_sets_e: bool = False, locate: Locate | None = None,
        shadow: Shadow | None = None,
    ) -> None:
        self.state = State(relative_e=relative_e, g90_sets_e=g90_sets_e)
        self.tally = Tally(self.state)
        self._follower = Follower(self.tally, locate, shadow)
        self._gatherer = Gatherer(self.tally)
        self._remembered: dict[bytes, tuple[Meaning, ...]] = {}
        self._dwells: dict[int, float] = {}
        self._cuts: list[tuple[int, Meaning]] = []

    def read(self, stream: BinaryIO, size: int, progress: Progress | None = None) -> Tally:
        """Read all of it and return the sums.

        Args:
            stream: Stands at the start of the text.
            size: Bytes to read at a time.
            progress: Is told bytes done and bytes in all.
        """
        for chunk in chunks(stream, size, progress):
            self._chunk(chunk if chunk.endswith(b"\n") else self._last_line(chunk))
        self._gatherer.settle(last=True)
        self._follower.finish()
        return self.tally

    def _last_line(self, line: bytes) -> bytes:
        """Judge a last line that no line end follows: half a command is dropped."""
        if line.lstrip()[:1] in b"GMTgmt" and (_CUT_WORD.search(line) or not _WHOLE_WORDS.fullmatch(line)):
            self.tally.cuts.append("the last line breaks off inside a command")
            return b"\n"
        if line.lstrip()[:1] in b"Gg":
            self.tally.cuts.append("the last line is a move without a line end")
        return line + b"\n"

    def _chunk(self, chunk: bytes) -> None:
        found = scan.scan(chunk)
        channels = self._channels()
        self._dwells.clear()
        self._cuts.clear()
        self._other_lines(chunk, found, channels)
        start = 0
        for line, cut in [*self._cuts, (len(found.kinds), ("end",))]:
            if line > start:
                rows = self._follower.span(found, self._dwells, channels, start, line)
                if rows is not None:
                    self._gatherer.take(rows)
            start = max(start, line)
            self._cut(cut)
        self._gatherer.settle()
        self.tally.lines += len(found.kinds)

    def _cut(self, cut: Meaning) -> None:
        if cut[0] == "home":
            self._follower.home(cut[1])  # type: ignore[arg-type]
        elif cut[0] == "position":
            self._follower.call_position(cut[1], cut[2])  # type: ignore[arg-type]

    def _channels(self) -> Channels:
        state = self.state
        return Channels(
            Channel(state.contexts(state.context)),
            Channel(state.plans(state.plan)),
            Channel(state.modes(state.mode)),
            Channel(state.visit),
            Channel(len(state.marks)),
            Channel(state.widths(state.outer_width)),
        )

    def _other_lines(self, chunk: bytes, found: scan.Scan, channels: Channels) -> None:
        """Let every line that is no plain move have its effect, in order."""
        others = found.others
        places = zip(
            others.tolist(), found.starts.take(others).tolist(), found.ends.take(others).tolist(), strict=True
        )
        remembered = self._remembered
        for line, start, end in places:
            text = chunk[start:end]
            meanings = remembered.get(text)
            if meanings is None:
                meanings = self._look_up(text)
            if meanings:
                self._apply(meanings, line, found, channels)

    def _look_up(self, text: bytes) -> tuple[Meaning, ...]:
        if self.state.in_thumbnail and text.lstrip()[:1] == b";" and b"end" not in text:
            return ()
        meanings = m.of_line(text)
        if len(text) <= _REMEMBERED_LENGTH:
            if len(self._remembered) >= _REMEMBERED_LINES:
                self._remembered.clear()
            self._remembered[text] = meanings
        return meanings

    def _apply(
        self, meanings: tuple[Meaning, ...], line: int, found: scan.Scan, channels: Channels
    ) -> None:
        state = self.state
        before = (state.context, state.plan, state.mode, state.outer_width)
        visit, marks = state.visit, len(state.marks)
        for meaning in meanings:
            if not self._row(meaning, line, found):
                state.apply(meaning)
        # What a line sets holds from the next one on: a line that waits belongs to what was before it.
        after = line + 1
        if state.context is not before[0]:
            channels.context.change(after, state.contexts(state.context))
        if state.plan is not before[1]:
            channels.plan.change(after, state.plans(state.plan))
        if state.mode is not before[2]:
            channels.mode.change(after, state.modes(state.mode))
        if state.outer_width is not before[3]:
            channels.width.change(after, state.widths(state.outer_width))
        if state.visit != visit:
            channels.visit.change(after, state.visit)
        if len(state.marks) != marks:
            channels.mark.change(after, len(state.marks))

    def _row(self, meaning: Meaning, line: int, found: scan.Scan) -> bool:
        """Put a line into the table of rows if it is one; False if it is not."""
        name = meaning[0]
        if name == "move":
            found.values[:, line] = np.nan
            for letter, value in meaning[2]:  # type: ignore[attr-defined]
                if letter in scan.COLUMNS:
                    found.values[scan.COLUMNS.index(letter), line] = value
            found.kinds[line] = meaning[1]
        elif name == "set_e":
            found.values[scan.E, line] = meaning[1]
            found.kinds[line] = m.SET_E
        elif name == "dwell":
            self._dwells[line] = meaning[1]  # type: ignore[assignment]
            found.kinds[line] = m.PAUSE
        elif name == "home":
            self._cuts.append((line + 1, meaning))
        elif name == "position":
            self._cuts.append((line + 1, (*meaning, self.state.mode.unit)))
        else:
            return False
        return True


def lines_of(text: bytes) -> Iterator[bytes]:
    """Yield lines, for whoever looks at a head only."""
    yield from text.replace(b"\r", b"\n").split(b"\n")
