"""Many specimens by one method: scan a label, type what differs, see the number, go on to the next."""

from __future__ import annotations

import select
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import click

from tracker.api import Field, Method, Recording, fields
from tracker.cli._bench import Bench
from tracker.cli._readings import read_recording
from tracker.cli._telling import note
from tracker.desk import scanning
from tracker.desk.measuring import Measured, in_units, measure
from tracker.errors import Refused
from tracker.ids import IdError, read_payload
from tracker.stating import state_row
from tracker.units import shown

_KEYS: Final = "= last value · - none · < one step back · a label: another specimen · Enter at Label ends"
_LOOK_EVERY_S: Final = 0.3


class _StepBackError(Exception):
    """The person wants the question before this one again."""


class _OtherLabelError(Exception):
    """A label was scanned where a reading was asked for, and the person goes on with that one."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.text = text


@dataclass
class Session:
    """One method on one specimen after another, until the person ends it.

    Attributes:
        bench: The book and the person.
        method: What is measured.
        rigs: What it is measured with.
        same: Readings that are typed once and hold for every specimen of the session.
        folder: Where the rig's computer puts its recordings, if it is watched.
        last: The readings of the specimen before, as they were typed.
        asked: The readings that are asked for; None until the first specimen has shown which are used.
    """

    bench: Bench
    method: Method
    rigs: Sequence[str] = ()
    same: Sequence[str] = ()
    folder: Path | None = None
    last: dict[str, str] = field(default_factory=dict)
    asked: list[Field] | None = None

    def run(self) -> int:
        """Measure until an empty line at the label; return how many specimens were measured.

        Raises:
            Refused: A reading named to stay the same is none of the method's, or the folder is not there.
        """
        known = {each.name for each in fields(self.method.Readings)}
        stray = sorted(set(self.same) - known)
        if stray:
            raise Refused(
                f"{stray[0]} is no reading of {self.method.id}", do=f"It takes {', '.join(sorted(known))}"
            )
        if self.folder is not None and not self.folder.is_dir():
            raise Refused(f"{self.folder} is no folder", do="Name the folder the recordings come into")
        for caution in self.method.cautions:
            note(f"Caution: {caution}")
        note(f"{self.method.title}. {_KEYS}")
        measured, waiting = 0, ""
        while text := waiting or _line("Label"):
            waiting = ""
            try:
                measured += self._one(text)
            except _OtherLabelError as other:
                waiting = other.text
            except _StepBackError:
                note("Nothing stored.")
            except Refused as refusal:
                note(str(refusal))
            except click.Abort:
                note("Left out; what was stored before is safe.")
        return measured

    def _one(self, text: str) -> bool:
        seen = scanning.seen(self.bench.book, scanning.look(self.bench.book, text))
        note(seen.lines[0])
        if seen.stop:
            note(f"Stop: {seen.stop}")
        before = _files_of(self.folder)
        typed, files = self._readings(before)
        act = self.bench.sure(
            lambda certain: measure(
                self.bench.book, self.bench.who, self.bench.plugged, seen.id, self.method.id, typed,
                files=files, rigs=self.rigs, sure=certain,
            ),
            False,
        )  # fmt: skip
        self.last |= typed
        if self.asked is None:
            self.asked = [each for each in self._fields() if each.name in typed or each.name in files]
        _tell(act)
        return True

    def _fields(self) -> list[Field]:
        """Return what is asked for: the recording first where its folder is watched."""
        every = fields(self.method.Readings)
        watched = [each for each in every if each.kind == "file" and self.folder is not None]
        return watched + [each for each in every if each.ask and each not in watched]

    def _readings(self, before: Mapping[Path, float]) -> tuple[dict[str, str], dict[str, Recording]]:
        """Ask for what differs from the specimen before; what stays the same is taken from it."""
        kept = {name: self.last[name] for name in self.same if name in self.last}
        asked = [each for each in (self.asked or self._fields()) if each.name not in kept]
        typed: dict[str, str] = dict(kept)
        files: dict[str, Recording] = {}
        at = 0
        while at < len(asked):
            each = asked[at]
            typed.pop(each.name, None)
            files.pop(each.name, None)
            try:
                if each.kind == "file":
                    self._file(each, files, before)
                else:
                    self._value(each, typed)
            except _StepBackError:
                if at == 0:
                    raise
                at -= 1
            else:
                at += 1
        return typed, files

    def _value(self, each: Field, typed: dict[str, str]) -> None:
        hint = f" [{shown(each.hint)}]" if each.hint else ""
        while True:
            answer = self._answer(_line(f"{each.name}{hint}"))
            if answer == "=":
                answer = self.last.get(each.name, "")
                note(f"  {each.name} {answer}" if answer else f"  {each.name} has no last value")
                if not answer:
                    continue
            if answer in ("", "-"):
                if not each.required:
                    return
                note(f"  {each.name} is needed")
                continue
            try:
                in_units(self.method, {each.name: answer})
            except Refused as refusal:
                # A bad answer costs this question only.
                note(f"  {refusal}")
                continue
            typed[each.name] = answer
            return

    def _file(self, each: Field, files: dict[str, Recording], before: Mapping[Path, float]) -> None:
        while True:
            if self.folder is None:
                answer = _line(f"{each.name} (file)")
            else:
                found = _next_recording(
                    self.folder, before, f"{each.name}: waiting for a recording in {self.folder}"
                )
                if isinstance(found, Path):
                    note(f"  {found.name}")
                    answer = str(found)
                else:
                    answer = found
            answer = self._answer(answer)
            if answer in ("", "-", "="):
                return
            try:
                files[each.name] = read_recording(Path(answer))
            except Refused as refusal:
                note(f"  {refusal}")
            else:
                return

    def _answer(self, text: str) -> str:
        """Return an answer; a step back and another label leave the question.

        Raises:
            _StepBackError: The person typed ``<``.
            _OtherLabelError: A label was scanned, and the person goes on with it.
        """
        if text == "<":
            raise _StepBackError
        other = self._label_in(text)
        if other:
            if click.confirm(
                f"  {text} is a label ({other}). Leave this specimen and go on with it?", err=True
            ):
                raise _OtherLabelError(text)
            return ""
        return text

    def _label_in(self, text: str) -> str:
        """Return what a text names if it is a label of this book and not a reading; else an empty text."""
        if not text or text[0].isdigit() or text[0] in "+-=.,":
            return ""
        try:
            read_payload(text)
            found = scanning.look(self.bench.book, text)
        except (IdError, Refused):
            return ""
        return str(found.ident) if found.belongs else ""


def _line(question: str) -> str:
    """Return one line; Ctrl-C ends the specimen, not the session."""
    return str(click.prompt(question, default="", show_default=False, err=True)).strip()


def _tell(act: Measured) -> None:
    values = [
        f"{each.quantity} {state_row(each).short}{f' [{each.group}]' if each.group else ''}"
        for each in act.results
        if each.value is not None
    ]
    click.echo(f"{act.id}  {'; '.join(values) or 'no value yet'}")
    for each in act.results:
        for remark in each.remarks:
            note(f"  {remark}")
    for sentence in act.says:
        note(f"  {sentence}")


def _files_of(folder: Path | None) -> dict[Path, float]:
    """Return the files of a folder with the time each was changed."""
    if folder is None:
        return {}
    return {path: path.stat().st_mtime for path in folder.iterdir() if path.is_file()}


def _next_recording(folder: Path, before: Mapping[Path, float], waiting: str) -> Path | str:
    """Return the file that appears in a folder, or the line that is typed before one does.

    A file counts when it was the same size at two looks: a rig's program writes while it pulls.
    """
    click.echo(f"{waiting} (or type a path, Enter for none): ", nl=False, err=True)
    sizes: dict[Path, int] = {}
    while True:
        for path, changed in _files_of(folder).items():
            if before.get(path) == changed or path.name.startswith("."):
                continue
            size = path.stat().st_size
            if size and sizes.get(path) == size:
                click.echo("", err=True)
                return path
            sizes[path] = size
        ready, _, _ = select.select([sys.stdin], [], [], _LOOK_EVERY_S) if _has_descriptor() else ([], [], [])
        if ready:
            line = sys.stdin.readline()
            if not line:
                raise click.Abort
            return line.strip()
        if not _has_descriptor():
            time.sleep(_LOOK_EVERY_S)


def _has_descriptor() -> bool:
    try:
        sys.stdin.fileno()
    except (OSError, ValueError):
        return False
    return True


def run(bench: Bench, method: str, **how: Any) -> None:
    """Run a session at the terminal, and say at the end how many specimens it measured.

    Raises:
        Refused: There is nobody to ask, or no such method.
    """
    if not bench.may_ask:
        raise Refused(
            "A session of one method asks at a terminal",
            do="Off a terminal give the readings with measure ID METHOD field=value, or measure --from FILE",
        )
    count = Session(bench, bench.plugged.method(method), **how).run()
    note(f"{count} {'specimen' if count == 1 else 'specimens'} measured.")
