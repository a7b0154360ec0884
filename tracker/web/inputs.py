"""What is in a form: made from the desk's forms and from the methods' readings, never by hand."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import Annotated, Any, Final

from fastapi import Query
from starlette.datastructures import FormData, UploadFile

from tracker.api import Field, Method, fields
from tracker.forms import Ask, When, read
from tracker.kinds import newest
from tracker.moments import local_time as local
from tracker.stating import compact, shown
from tracker.web.bench import Bench

READING: Final = "r-"
"""Before the names of readings: a method may call one ``remark``, as the desk does."""


@dataclass(frozen=True)
class Input:
    """One field of a form on a page.

    Attributes:
        name: Of the field, as it is sent.
        label: Words beside it.
        kind: ``number``, ``text``, ``choice``, ``suggested``, ``series``, ``file`` or ``moment``.
        unit: Card beside it; what a bare number means.
        required: Marked as needed.
        choices: For a choice.
        hint: The last value, or what to type; never taken for an answer, and never a time.
        help: One line below it.
        step: Smallest step of the reading, in words.
        value: What stands in it.
        problem: What was wrong with it.
        shown: Words for the choices, where they differ from what is sent.
        usual: Card at once; what is seldom known folds away.
        was: What is recorded, beside a correction.
        now: It holds the present moment, and follows the clock until somebody types into it.
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
    now: bool = False


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
    now: Collection[str] = (),
) -> list[Input]:
    """Return the fields of a form that enters a record.

    Args:
        form: What is asked.
        when: The present, for a date that is usually today's.
        held: What was sent and comes back; None for a form that nobody filled in yet.
        problems: What is wrong with it, by field.
        offered: What can be chosen out of the book, by field.
        given: Answers that are known already, for a form that nobody filled in yet.
        now: Names of moments that are usually the present one; the others stay "not recorded".
    """
    made = []
    for ask, each in zip(form, of_form(form, held, now=now, when=when), strict=True):
        fresh = (given or {}).get(ask.name) or _usual(ask, when) or (each.value if each.now else "")
        choices = (offered or {}).get(ask.name)
        more: dict[str, Any] = {} if choices is None else {
            "kind": "choice" if len(choices) < MOST_CHOICES else "suggested",
            "choices": tuple(one for one, _ in choices), "shown": tuple(words for _, words in choices),
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


def of_form(
    form: Sequence[Ask],
    values: Mapping[str, str] | None = None,
    *,
    now: Collection[str] = (),
    when: When | None = None,
    problems: Mapping[str, str] | None = None,
) -> list[Input]:
    """Return the fields of one of the desk's forms.

    Args:
        form: What is asked.
        values: What was sent and comes back; None for a form that nobody filled in yet.
        now: Names of moments that are filled in with the present one.
        when: The present, where a moment is filled in.
        problems: What is wrong, by field.
    """
    made = []
    for ask in form:
        fills = ask.name in now and when is not None and ask.name not in (values or {})
        made.append(
            Input(
                name=ask.name,
                label=ask.label,
                kind="number" if ask.kind == "whole" else ask.kind,
                unit=shown(ask.unit),
                required=ask.required,
                choices=ask.choices,
                # Where nothing is filled in, the field says what an empty one means.
                hint="not recorded" if ask.kind == "moment" else "",
                value=local(when.now, when.zone)
                if fills and when is not None
                else (values or {}).get(ask.name, ""),
                problem=(problems or {}).get(ask.name, ""),
                usual=ask.required or ask.prompt,
                now=fills,
            )
        )
    return made


_ORDER: Final = {"file": 0}
"""A recording comes first: where there is one, most of the rest is read from it."""


def of_readings(
    method: Method,
    last: Mapping[str, Any],
    values: Mapping[str, str] | None = None,
    problems: Mapping[str, str] | None = None,
) -> list[Input]:
    """Return the fields of all of a method's readings: recordings, what is usually typed, then the rest.

    Args:
        method: The method.
        last: Readings of the last measurement by it: hints.
        values: What was typed before, by field.
        problems: What was wrong with it, by field.
    """
    made = [
        _reading(
            each, last.get(each.name), (values or {}).get(each.name, ""), (problems or {}).get(each.name, "")
        )
        for each in fields(method.Readings)
    ]
    return sorted(made, key=lambda each: (not each.usual, _ORDER.get(each.kind, 1)))


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
        usual=each.ask or each.required or each.kind == "file" or bool(value or problem),
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
    parts = [path, key]
    for name, value in form.multi_items():
        if name not in ("csrf", "sure"):
            parts += [name, f"{value.filename} {value.size}" if isinstance(value, UploadFile) else value]
    return sha256("\0".join(parts).encode("utf-8", "replace")).hexdigest()[:40]


_LABEL: Final = re.compile(
    r"(?:https?://\S+/)?\b([SJMDR]\d{4,}(?:-\d{2,})?-[0-9A-Z])\.([0-9A-Z]{3})\s*$", re.IGNORECASE
)
_TAKES_IDS: Final = frozenset(
    {"text", "a", "b", "of", "specimen", "spool", "spool2", "spool3", "again", "into", "back", "other"}
)


def scanned_into(form: FormData, code: str) -> tuple[str, str]:
    """Return the field that a label was scanned into by mistake, and the label's ID; empty where none was.

    A scanner types wherever the cursor is. What ends like a label of this book is no remark.

    Args:
        form: What was sent.
        code: The book's three characters.
    """
    for name, value in form.multi_items():
        found = _LABEL.search(value) if isinstance(value, str) and name not in _TAKES_IDS else None
        if found is not None and found[2].upper() == code:
            return name, found[1].upper()
    return "", ""


Choices = Sequence[tuple[str, str]]
"""What is sent, and the words that are shown for it."""

MOST_CHOICES: Final = 200
"""More nobody looks through: the newest are suggested, and any other may be typed or scanned."""

_KINDS: Final = {"material": "materials", "spool": "spools", "again": "jobs", "rig": "rigs"}
_MORE: Final = ("name", "material", "lot")


def offered(bench: Bench) -> Mapping[str, Choices]:
    """Return what can be chosen for fields of these names, the newest first, at most :data:`MOST_CHOICES`."""
    made: Mapping[str, Choices] = bench.of_state("offered", lambda: _offered(bench))
    return made


def _offered(bench: Bench) -> Mapping[str, Choices]:
    with bench.book.connect() as connection:
        return {
            field: [(str(row["id"]), _words(row)) for row in newest(connection, kind, MOST_CHOICES)]
            for field, kind in _KINDS.items()
        }


def _words(row: Mapping[str, Any]) -> str:
    more = (str(row[key]) for key in _MORE if row.get(key) and row[key] != row["id"])
    return " ".join([str(row["id"]), *more])


_RECORD: Final = "Scan its label, or type the ID printed on it, as J0012-04-K"
_IN_ADDRESS: Final[Mapping[str, tuple[str, str]]] = {
    "of": ("Which record", f"{_RECORD}. A material goes by its name."),
    "name": ("Which material", "Its name, as the list of materials has it."),
    "material": ("Which material", "Its name, as the list of materials has it."),
    "a": ("A", "An ID, a material, or conditions such as nozzle_c>260."),
    "b": ("B", "An ID, a material, or conditions such as nozzle_c<240."),
    "quantity": ("Which quantity", "As the table has it."),
    "where": ("Only where this holds", "Conditions with blanks between, as in orientation=ZXY nozzle_c>260."),
    "text": ("Look for", "An ID, a name, a lot, a remark, an operator or a day."),
    "words": ("Look for", ""),
    "page": ("Page", ""),
}
"""What a part of an address is called where a person is asked for it, and what to type."""

_SUGGESTED: Final = 15
"""Of each kind, so many of the newest are suggested."""

Of = Annotated[str, Query(min_length=1, max_length=400, pattern=r"\S")]
"""The record that a page is about."""


def asked_in_address(
    bench: Bench, name: str, value: str, problem: str, kinds: Sequence[str] = (), path: str = ""
) -> Input:
    """Return the field that asks for a part of an address which is missing or leads nowhere.

    Args:
        bench: The running page.
        name: Of the part.
        value: What was given.
        problem: What is wrong with it.
        kinds: Of records that are wanted; any where empty.
        path: Of the page, which says what ``of`` means on it.
    """
    label, help_ = _IN_ADDRESS.get(name, (name.replace("_", " ").capitalize(), ""))
    if name == "of" and (path.startswith(("/table", "/why", "/followup")) or path.endswith("/trace")):
        label, help_ = _IN_ADDRESS["quantity"]
        found = list(bench.titles.items())
    else:
        by = {"of": ("material", "spool", "again", "rig"), "name": ("material",), "material": ("material",)}
        fields = [each for each in by.get(name, ()) if not kinds or _SINGULAR[each] in kinds]
        found = [one for each in fields for one in offered(bench)[each][:_SUGGESTED]]
    if name == "of" and kinds:
        label = f"Which {' or '.join(kinds)}"
        help_ = "Its name, as the list of materials has it." if kinds == ("material",) else f"{_RECORD}."
    return Input(
        name=name, label=label, kind="suggested" if found else "text", required=not value, value=value[:400],
        problem=problem, help=help_, choices=tuple(one for one, _ in found),
        shown=tuple(words for _, words in found),
    )  # fmt: skip


_SINGULAR: Final = {"material": "material", "spool": "spool", "again": "job", "rig": "rig"}
