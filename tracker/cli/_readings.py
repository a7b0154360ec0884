"""Readings at the command line: ``field=value``, files, and prompts made from the method's own model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import click

from tracker.api import Ambiguous, Field, Method, Recording, fields
from tracker.cli._asking import until_read
from tracker.cli._bench import Bench
from tracker.cli._telling import note
from tracker.desk.measuring import Measured, in_units, last_readings, last_rigs, understandings
from tracker.errors import Refused
from tracker.inputs import read_input
from tracker.stating import state_row
from tracker.units import compact, parse, shown


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


def recordings(method: Method, named: Sequence[str]) -> dict[str, Recording]:
    """Return files by field from ``field=PATH``, or ``PATH`` for a method that takes one kind of file.

    Raises:
        Refused: The field is not clear, or the file cannot be read.
    """
    takes = [each.name for each in fields(method.Readings) if each.kind == "file"]
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
            told = understandings(method, kept)
            break
        except Ambiguous as question:
            if not bench.may_ask:
                raise
            answer = _chosen(question.what, [(value, meaning) for value, meaning in question.choices])
            kept = {
                name: replace(each, read_as={**each.read_as, question.option: answer})
                for name, each in kept.items()
            }
    for name, each in () if quiet else told.items():
        note(f"{name}, {each.name}:")
        for line in each.lines():
            note(f"  {line}")
    if bench.may_ask:
        for name, each in told.items():
            for finding in each.findings:
                if finding.open:
                    way = _chosen(finding.text, [(way, "") for way in finding.ways])
                    kept[name] = replace(kept[name], read_as={**kept[name].read_as, finding.option: way})
    return kept


def _chosen(question: str, choices: Sequence[tuple[str, str]]) -> str:
    note(question)
    for value, meaning in choices:
        note(f"  {value}{f': {meaning}' if meaning else ''}")
    answer: str = click.prompt("Which", type=click.Choice([value for value, _ in choices]), err=True)
    return answer


def read_recording(path: Path) -> Recording:
    """Return a file as a recording.

    Raises:
        Refused: It cannot be read.
    """
    return Recording(path.name, read_input(path, "recording"))


def asked_readings(bench: Bench, method: Method) -> tuple[dict[str, str], dict[str, Recording]]:
    """Ask for every reading of a method; the last one's values stand beside as a hint."""
    for caution in method.cautions:
        note(f"Caution: {caution}")
    with bench.book.read() as session:
        last = last_readings(session, method.id)
    typed: dict[str, str] = {}
    files: dict[str, Recording] = {}
    for each in (every for every in fields(method.Readings) if every.ask):
        if each.kind == "file":
            path = until_read(
                f"{each.name} (file, Enter for none)", lambda text: text and read_recording(Path(text))
            )
            if path:
                files[each.name] = read_recording(Path(path))
        else:
            answer = _asked_one(method, each, last)
            if answer:
                typed[each.name] = answer
    return typed, files


def _asked_one(method: Method, each: Field, last: Mapping[str, Any]) -> str:
    hint = f" [{shown(each.hint)}]" if each.hint else ""
    before = last.get(each.name)
    beside = (
        f", last {compact(before) if isinstance(before, float) else before}" if before is not None else ""
    )
    if each.help:
        note(f"  {each.help}")
    return until_read(f"{each.name}{hint}{beside}", lambda text: _check(method, each, text))


def _check(method: Method, each: Field, text: str) -> None:
    if each.required and not text.strip():
        raise Refused(f"{each.name} is needed")
    in_units(method, {each.name: text})


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
        question = f"{name} [{shown(unit)}]" if unit else name
        leave = may_leave and not answers
        answer = until_read(
            f"{question}{', Enter for none' if leave else ''}", partial(_check_part, name, unit, leave)
        )
        if leave and not answer.strip():
            return ()
        answers.append(answer)
    return tuple(answers)


def _check_part(name: str, unit: str, may_be_empty: bool, text: str) -> None:
    if not text.strip() and may_be_empty:
        return
    if unit:
        parse(text, unit, name)


def asked_rigs(bench: Bench, method: Method) -> list[str]:
    """Ask what it was measured with; Enter takes what the last one was."""
    with bench.book.read() as session:
        last = " ".join(last_rigs(session, method.id))
    answer: str = click.prompt("Measured with (IDs of rigs)", default=last, show_default=bool(last), err=True)
    return answer.split()


def tell_measured(act: Measured) -> None:
    """Print results with their uncertainty, remarks below each, and the ID on the last line."""
    for each in act.results:
        if each.value is None:
            continue
        click.echo(f"{each.quantity}  {state_row(each).text}{f'  [{each.group}]' if each.group else ''}")
        for remark in each.remarks:
            click.echo(f"    {remark}")
    for sentence in act.says:
        note(sentence)
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
        "says": act.says,
        "problem": act.problem,
    }  # fmt: skip
