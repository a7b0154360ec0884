"""Readings at the command line: ``field=value``, files, and prompts made from the method's own model."""

from __future__ import annotations

import select
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import click

from tracker import scanning
from tracker.api import Ambiguous, Field, Method, ReadingsError, Recording, fields, validate
from tracker.cautions import FIRST
from tracker.cli._bench import Bench, DeclinedError, finder, prompt, yes_or_no
from tracker.cli._output import folded, note, titled
from tracker.desk.measuring import (
    IncompleteError,
    Measured,
    in_units,
    last_readings,
    last_rigs,
    measure,
    understandings,
)
from tracker.errors import Refused
from tracker.forms import NONE
from tracker.ids import IdError, read_payload
from tracker.inputs import read_input
from tracker.stating import compact, shown, state_row
from tracker.units import parse

_LOOK_EVERY_S: Final = 0.3


def assigned(words: Sequence[str]) -> dict[str, str]:
    """Return readings from ``field=value`` words.

    Raises:
        Refused: A word has no ``=``.
    """
    readings: dict[str, str] = {}
    for word in words:
        name, sign, value = word.partition("=")
        if not sign:
            raise Refused(f"{word!r} is no reading", do="Write field=value, as in width=10.02")
        readings[name.strip()] = value
    return readings


def file_fields(method: Method) -> list[Field]:
    """Return the readings of a method that are files."""
    return [each for each in fields(method.Readings) if each.kind == "file"]


def recordings(method: Method, named: Sequence[str]) -> dict[str, Recording]:
    """Return files by field from ``field=PATH``, or ``PATH`` for a method that takes one kind of file.

    Raises:
        Refused: The field is not clear, or the file cannot be read.
    """
    takes = [each.name for each in file_fields(method)]
    found: dict[str, Recording] = {}
    for text in named:
        name, sign, path = text.partition("=")
        if not sign or name not in takes:
            if len(takes) != 1:
                raise Refused(f"{text}: which file is it", do=f"Write {' or '.join(takes) or 'no file'}=PATH")
            name, path = takes[0], text
        found[name] = read_recording(Path(path))
    return found


def read_with(
    files: Mapping[str, Recording], read_as: Sequence[str], takes: Sequence[str]
) -> dict[str, Recording]:
    """Return recordings with what was said about reading them.

    Raises:
        Refused: A word has no ``=``, or there is no recording to read.
    """
    options = assigned(read_as)
    options |= {f"take.{name}": way for name, way in assigned(takes).items()}
    if options and not files:
        raise Refused("There is no recording to read", do="Attach one with --file")
    return {
        name: replace(each, read_as={**each.read_as, **options}) if options else each
        for name, each in files.items()
    }


def shown_before_kept(
    bench: Bench, method: Method, files: Mapping[str, Recording], *, quiet: bool
) -> dict[str, Recording]:
    """Show what is understood of recordings, ask what they leave open, and return them as they are kept.

    Raises:
        Ambiguous: A file can be read in two ways, and there is nobody to ask.
    """
    kept = dict(files)
    while True:
        try:
            previews = understandings(method, kept)
            break
        except Ambiguous as question:
            if not bench.may_ask:
                raise
            answer = _chosen(question.what, [(value, meaning) for value, meaning in question.choices])
            kept = {
                name: replace(each, read_as={**each.read_as, question.option: answer})
                for name, each in kept.items()
            }
    for name, each in () if quiet else previews.items():
        note(f"{name}, {each.name}:")
        for line in each.lines():
            note(f"  {line}")
    if bench.may_ask:
        for name, each in previews.items():
            for finding in each.findings:
                if finding.open:
                    way = _chosen(finding.text, [(way, "") for way in finding.ways])
                    kept[name] = replace(kept[name], read_as={**kept[name].read_as, finding.option: way})
    return kept


def _chosen(question: str, choices: Sequence[tuple[str, str]]) -> str:
    note(question)
    for value, meaning in choices:
        note(f"  {value}{f': {meaning}' if meaning else ''}")
    words = [value for value, _ in choices]

    def check(typed: str) -> None:
        if typed not in words:
            raise Refused(f"{typed!r} is none of {', '.join(words)}")

    return prompt("Which", check, needed=True)


def read_recording(path: Path) -> Recording:
    """Return a file as a recording.

    Raises:
        Refused: It cannot be read.
    """
    return Recording(path.name, read_input(path, "recording"))


class StepBackError(Exception):
    """The person wants the question before the first one again."""


class OtherLabelError(Exception):
    """A label was scanned where a reading was asked for, and the person goes on with that one."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.text = text


KEYS: Final = "= last value · - none · < one step back · a label: another specimen"


@dataclass
class Questions:
    """The readings of a method, asked at a terminal for one specimen after another.

    Attributes:
        bench: The book and the person.
        method: What is measured.
        last: What ``=`` takes, by reading: as it was typed for the specimen before.
        same: Readings that are typed once; later specimens have what the first had.
        folder: Where the rig's computer puts its recordings, if it is watched.
        whole: The prompts say what each reading is, and what it was last.
        used: The readings that are asked for; None until the first specimen has shown which are used.
    """

    bench: Bench
    method: Method
    last: dict[str, str] = field(default_factory=dict)
    same: Sequence[str] = ()
    folder: Path | None = None
    whole: bool = True
    used: list[Field] | None = None
    _kept: dict[str, str] = field(default_factory=dict)
    _paths: dict[str, str] = field(default_factory=dict)

    def ask(self, offered: Mapping[str, str] | None = None) -> tuple[dict[str, str], dict[str, Recording]]:
        """Ask for every reading that is not kept from the specimen before; ``offered`` ones by Enter.

        Raises:
            StepBackError: The person stepped back before the first question.
            OtherLabelError: The person goes on with another specimen.
        """
        before = files_of(self.folder)
        if not offered:
            self._paths.clear()
        asked = [each for each in (self.used or self._fields()) if each.name not in self._kept]
        typed: dict[str, str] = dict(self._kept)
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
                    self._value(each, typed, (offered or {}).get(each.name, ""))
            except StepBackError:
                if at == 0:
                    raise
                at -= 1
            else:
                at += 1
        return typed, files

    def stored(self, typed: Mapping[str, str], files: Mapping[str, Recording]) -> None:
        """Remember what one specimen had, for the next one."""
        self.last |= typed
        self._kept |= {name: typed[name] for name in self.same if name in typed}
        if self.used is None:
            self.used = [each for each in self._fields() if each.name in typed or each.name in files]

    def _fields(self) -> list[Field]:
        """Return what is asked for: the recording first where its folder is watched."""
        every = fields(self.method.Readings)
        watched = [each for each in every if each.kind == "file" and self.folder is not None]
        return watched + [each for each in every if each.ask and each not in watched]

    def _value(self, each: Field, typed: dict[str, str], offered: str) -> None:
        hint = f" [{shown(each.hint)}]" if each.hint else ""
        before = self.last.get(each.name, "")
        if self.whole and each.help:
            note(f"  {each.help}")
        beside = f", last {before}" if self.whole and before else ""
        while True:
            answer = self._answer(_line(f"{each.name}{hint}{beside}", offered))
            if answer == "=":
                answer = before
                note(f"  {each.name} {answer}" if answer else f"  {each.name} has no last value")
                if not answer:
                    continue
            if answer in ("", NONE):
                if not each.required:
                    return
                note(f"  {each.name} is needed")
                continue
            try:
                _check(self.method, each, answer)
            except Refused as refusal:
                note(f"  {refusal}")
                continue
            typed[each.name] = answer
            return

    def _file(self, each: Field, files: dict[str, Recording], before: Mapping[Path, float]) -> None:
        while True:
            answer = self._answer(self._named_file(each, before, self._paths.pop(each.name, "")))
            if answer in ("", NONE, "="):
                return
            try:
                files[each.name] = read_recording(Path(answer))
            except Refused as refusal:
                note(f"  {refusal}")
            else:
                self._paths[each.name] = answer
                return

    def _named_file(self, each: Field, before: Mapping[Path, float], offered: str) -> str:
        """Return the path that is typed, or that of the recording which appears in the watched folder."""
        if self.folder is None or offered:
            none = f"{NONE if offered else 'Enter'} for none"
            return _line(f"{each.name} (file, {none})" if self.whole else f"{each.name} (file)", offered)
        waiting = f"{each.name}: waiting for a recording in {self.folder}"
        found = _next_recording(self.folder, before, waiting)
        if isinstance(found, Path):
            note(f"  {found.name}")
        return str(found)

    def _answer(self, text: str) -> str:
        """Return an answer; a step back and another label leave the question.

        Raises:
            StepBackError: The person typed ``<``.
            OtherLabelError: A label was scanned, and the person goes on with it.
        """
        if text == "<":
            raise StepBackError
        other = self._label_in(text)
        if not other:
            return text
        if yes_or_no(f"  {other} is a label. Leave this specimen and go on with that one?"):
            raise OtherLabelError(text)
        return ""

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


def last_typed(bench: Bench, method: Method) -> dict[str, str]:
    """Return the readings of the newest measurement by a method as they could be typed again."""
    with bench.book.read() as session:
        last = last_readings(session, method.id)
    plain = {name: value for name, value in last.items() if isinstance(value, (int, float, str))}
    return {name: compact(value) if isinstance(value, float) else str(value) for name, value in plain.items()}


def _line(question: str, offered: str = "") -> str:
    """Return one line; Ctrl-C ends the specimen, not the session."""
    typed = click.prompt(question, default=offered, show_default=bool(offered), err=True).strip()
    if offered and typed == offered:
        note(f"  taken: {offered}")
    return str(typed)


def _check(method: Method, each: Field, text: str) -> None:
    """Hold one reading to its field, as far as that can be done without the others.

    Raises:
        Refused: It is no value of the field.
    """
    try:
        validate(method, in_units(method, {each.name: text}))
    except ReadingsError as error:
        # What the others lack is no fault of this answer.
        own = tuple(one for one in error.errors if one.field == each.name)
        if own:
            raise ReadingsError(method.id, own) from error


def files_of(folder: Path | None) -> dict[Path, float]:
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
        for path, changed in files_of(folder).items():
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


def asked_parts(parts: Sequence[tuple[str, str]], *, may_leave: bool = False) -> tuple[str, ...]:
    """Ask for the parts of one reading of a test over time.

    Args:
        parts: Name and unit of each.
        may_leave: Enter at the first one means that nothing is read now.

    Returns:
        The answers as typed; empty where the first was left.
    """
    answers: list[str] = []
    for name, unit in parts:
        leave = may_leave and not answers
        question = (f"{name} [{shown(unit)}]" if unit else name) + (", Enter for none" if leave else "")
        reader = partial(parse, unit=unit, what=name) if unit else None
        answer = prompt(question, reader, needed=not leave)
        if not answer:
            return ()
        answers.append(answer)
    return tuple(answers)


def asked_rigs(bench: Bench, method: Method) -> list[str]:
    """Ask what it was measured with; Enter takes what the last one was."""
    with bench.book.read() as session:
        last = " ".join(last_rigs(session, method.id))
    answer = prompt("Measured with (IDs of rigs)", finder(bench, "rig"), last)
    return [] if answer == NONE else answer.split()


def cautions(method: Method) -> None:
    """Print what a method warns of."""
    for caution in method.cautions:
        note(f"Caution: {caution}")
    note(FIRST)


def measured_at_prompts(
    bench: Bench,
    questions: Questions,
    subject: str,
    rigs: Callable[[], list[str]],
    *,
    about: Mapping[str, Any] | None = None,
    incomplete: bool = False,
) -> tuple[Measured, dict[str, str], dict[str, Recording]]:
    """Ask for the readings of a specimen until they are stored; nothing that was typed is lost on the way.

    Args:
        bench: The book and the person.
        questions: What is asked.
        subject: ID of what is measured.
        rigs: Says, or asks, what it was measured with.
        about: Answers to :data:`MEASURE_FORM`.
        incomplete: Readings that give no result yet are kept.

    Returns:
        What was stored, the readings as typed, and the recordings.

    Raises:
        StepBackError: The person stepped back before the first question.
        OtherLabelError: The person goes on with another specimen.
        Refused: It is not this specimen's readings that are at fault.
    """
    typed: dict[str, str] = {}
    used: list[str] | None = None
    while True:
        typed, files = questions.ask(typed)
        files = shown_before_kept(bench, questions.method, files, quiet=not questions.whole)
        used = rigs() if used is None else used
        store = partial(
            measure, bench.book, bench.who, bench.plugged, subject, questions.method.id, typed,
            files=files, rigs=used, about=about, incomplete=incomplete,
        )  # fmt: skip
        try:
            act = bench.sure(lambda certain, store=store: store(sure=certain), False)  # type: ignore[misc]
        except (ReadingsError, IncompleteError) as refusal:
            note(f"  {refusal}")
        except DeclinedError:
            note("  Nothing is stored yet: answer again, Enter keeps an answer, < leaves this specimen.")
        else:
            return act, typed, files


def print_measured(act: Measured) -> None:
    """Print results with their uncertainty, remarks below each, and the ID on the last line."""
    for each in act.results:
        if each.value is None:
            continue
        click.echo(
            f"{titled(each.quantity)}  {state_row(each).text}{f'  [{each.group}]' if each.group else ''}"
        )
        for remark in each.remarks:
            click.echo(folded(remark, "    "))
    for sentence in act.notes:
        note(folded(titled(sentence)))
    click.echo(act.id)


def measured_data(act: Measured) -> dict[str, Any]:
    """Return a measurement just stored, with the keys that other people's scripts read."""
    return {
        "id": act.id,
        "specimen": act.subject,
        "method": act.method,
        "version": act.version,
        "results": [
            {
                "quantity": each.quantity, **state_row(each).data(), "group": each.group or None,
                "remarks": list(each.remarks), "refused": each.refused,
            }
            for each in act.results
        ],
        "notes": act.notes,
        "problem": act.problem,
    }  # fmt: skip
