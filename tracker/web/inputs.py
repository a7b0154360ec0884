"""What stands in a form: made from the desk's forms and from the methods' readings, never by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import Any, Final

from starlette.datastructures import FormData, UploadFile

from tracker.api import Field, Method, fields
from tracker.desk.forms import Ask, When, read
from tracker.units import compact, shown

READING: Final = "r-"
"""Before the names of readings: a method may call one ``remark``, as the desk does."""


@dataclass(frozen=True)
class Input:
    """One field of a form on a page.

    Attributes:
        name: Of the field, as it is sent.
        label: Words beside it.
        kind: ``number``, ``text``, ``choice``, ``series``, ``file`` or ``moment``.
        unit: Shown beside it; what a bare number means.
        required: Marked as needed.
        choices: For a choice.
        hint: The last value, or what to type; never taken for an answer.
        help: One line below it.
        step: Smallest step of the reading, in words.
        value: What stands in it.
        problem: What was wrong with it.
        shown: Words for the choices, where they differ from what is sent.
        usual: Shown at once; what is seldom known folds away.
        was: What is recorded, beside a correction.
    """

    name: str
    label: str
    kind: str = "text"
    unit: str = ""
    required: bool = False
    choices: tuple[str, ...] = ()
    hint: str = ""
    help: str = ""
    step: str = ""
    value: str = ""
    problem: str = ""
    shown: tuple[str, ...] = ()
    usual: bool = True
    was: str | None = None


def text_of(form: FormData | None, name: str) -> str:
    """Return what was typed into a field; empty where nothing was, a file was, or no form was sent."""
    value = form.get(name) if form is not None else None
    return value if isinstance(value, str) else ""


def asked(
    form: Sequence[Ask],
    when: When,
    held: Mapping[str, str] | None = None,
    problems: Mapping[str, str] | None = None,
    offered: Mapping[str, Sequence[tuple[str, str]]] | None = None,
    given: Mapping[str, str] | None = None,
) -> list[Input]:
    """Return the fields of a form that enters a record.

    Args:
        form: What is asked.
        when: The present, for a date that is usually today's.
        held: What was sent and comes back; None for a form that nobody filled in yet.
        problems: What is wrong with it, by field.
        offered: What can be chosen out of the book, by field.
        given: Answers that are known already, for a form that nobody filled in yet.
    """
    made = []
    for ask, each in zip(form, of_form(form, held or {}), strict=True):
        fresh = (given or {}).get(ask.name) or _usual(ask, when)
        choices = (offered or {}).get(ask.name)
        more: dict[str, Any] = {} if choices is None else {
            "kind": "choice", "choices": tuple(one for one, _ in choices),
            "shown": tuple(words for _, words in choices),
        }  # fmt: skip
        problem = (problems or {}).get(ask.name, "")
        usual = ask.required or ask.prompt or bool(problem or each.value)
        made.append(
            replace(
                each, value=each.value if held is not None else fresh, problem=problem, usual=usual, **more
            )
        )
    return made


def _usual(ask: Ask, when: When) -> str:
    """Return what is usually answered; a date as browsers write it."""
    return str(read(ask, ask.usual, when)) if ask.usual and ask.kind == "date" else ask.usual


def of_form(form: Sequence[Ask], values: Mapping[str, str] | None = None) -> list[Input]:
    """Return the fields of one of the desk's forms."""
    held = values or {}
    return [
        Input(
            name=ask.name,
            label=ask.label,
            kind="number" if ask.kind == "whole" else ask.kind,
            unit=shown(ask.unit),
            required=ask.required,
            choices=ask.choices,
            hint="now" if ask.kind == "moment" else "",
            value=held.get(ask.name, ""),
        )
        for ask in form
    ]


def of_readings(
    method: Method,
    last: Mapping[str, Any],
    values: Mapping[str, str] | None = None,
    problems: Mapping[str, str] | None = None,
) -> list[Input]:
    """Return the fields of a method's readings.

    Args:
        method: The method.
        last: Readings of the last measurement by it: hints.
        values: What was typed before, by field.
        problems: What was wrong with it, by field.
    """
    return [
        _reading(
            each, last.get(each.name), (values or {}).get(each.name, ""), (problems or {}).get(each.name, "")
        )
        for each in fields(method.Readings)
        if each.ask
    ]


def _reading(each: Field, last: Any, value: str, problem: str) -> Input:
    unit = shown(each.unit)
    return Input(
        name=READING + each.name,
        label=each.name.replace("_", " "),
        kind=each.kind,
        unit=unit,
        required=each.required,
        choices=each.choices,
        hint=_hint(each, last),
        help=each.help,
        step=f"step {compact(each.resolution)} {unit}".rstrip() if each.resolution is not None else "",
        value=value,
        problem=problem,
    )


def _hint(each: Field, last: Any) -> str:
    if isinstance(last, bool) or not isinstance(last, int | float | str):
        return each.hint if each.kind == "series" else ""
    return f"last {compact(last) if isinstance(last, float) else last}"


def typed(form: FormData, names: Sequence[str], before: str = "") -> dict[str, str]:
    """Return the texts that were sent under names, the names' beginning left off; files are left out."""
    found = {}
    for name in names:
        value = form.get(before + name)
        if isinstance(value, str):
            found[name] = value
    return found


def typed_asks(form: FormData, asked: Sequence[Ask]) -> dict[str, str]:
    """Return what was sent for one of the desk's forms."""
    return typed(form, [ask.name for ask in asked])


def key_of(form: FormData, path: str) -> str:
    """Return the key under which a form is stored once; empty where it brought none.

    What was filled in is part of it. Sent twice, a form is the same; gone back to, changed and sent
    again, it is another, though the browser still holds the key that came with the page.
    """
    key = form.get("key")
    if not isinstance(key, str) or not key:
        return ""
    said = [path, key]
    for name, value in form.multi_items():
        if name not in ("csrf", "sure"):
            said += [name, f"{value.filename} {value.size}" if isinstance(value, UploadFile) else value]
    return sha256("\0".join(said).encode("utf-8", "replace")).hexdigest()[:40]
