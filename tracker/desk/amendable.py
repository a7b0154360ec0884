"""What can be corrected of a record, with what is recorded now: the other half of ``amend``."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, cast

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.api import fields, text_of
from tracker.book import Book
from tracker.desk.corrections import FORMS, PARTS, target_of
from tracker.desk.finding import ident_of
from tracker.desk.forms import Ask, FormError
from tracker.desk.rigs import rig_answers
from tracker.ids import spool_id
from tracker.model import Drying, Material, Measurement, Rig
from tracker.plugins import Plugged


@dataclass(frozen=True)
class Amendable:
    """A value that ``amend`` can put right.

    Attributes:
        name: As ``amend`` wants it: ``net_g``, ``stay3.ended_at``, a reading of the method.
        label: Words for it.
        unit: Of a bare number.
        choices: Words allowed, for a choice.
        was: What is recorded, as it could be typed; empty for "not recorded".
    """

    name: str
    label: str
    unit: str
    choices: tuple[str, ...]
    was: str


def amendable(book: Book, plugged: Plugged, target: str) -> tuple[str, list[Amendable]]:
    """Return the name of a record and all that can be corrected of it.

    Raises:
        Refused: There is no such record.
    """
    with book.read() as session:
        row = target_of(book, session, target)
        name = row.name if isinstance(row, Material) else str(ident_of(row))
        found = [*_own(row, book.zone), *_parts(session, row, book.zone)]
        if isinstance(row, Measurement):
            found += _readings(plugged, row)
        if isinstance(row, Drying):
            found += _masses(row)
        return name, found


def changed(sent: Mapping[str, str], was: Mapping[str, str], now: list[Amendable]) -> list[str]:
    """Return what was changed in a form, as ``amend`` wants it.

    Args:
        sent: What stands in the fields, by name.
        was: What stood in them when the form was made.
        now: What is recorded now.

    Raises:
        FormError: Somebody else corrected one of the values meanwhile.
    """
    current = {each.name: each for each in now}
    names = [name for name in sent if name in current and sent[name].strip() != was.get(name, "").strip()]
    for name in names:
        if current[name].was.strip() != was.get(name, "").strip():
            says = current[name].was or "nothing"
            raise FormError(
                f"{current[name].label} was corrected meanwhile: it says {says} now",
                do="Load the page again and look",
            )
    return [f"{name}={sent[name].strip()}" for name in names]


def _own(row: Any, zone: dt.tzinfo) -> Iterator[Amendable]:
    answers: Mapping[str, Any] = rig_answers(row) if isinstance(row, Rig) else {}
    for ask in FORMS[type(row)]:
        yield _of(ask, ask.name, answers.get(ask.name, getattr(row, ask.name)), zone)


def _of(ask: Ask, name: str, value: Any, zone: dt.tzinfo, before: str = "") -> Amendable:
    return Amendable(name, f"{before}{ask.label}", ask.unit, ask.choices, _written(value, zone))


def _written(value: Any, zone: dt.tzinfo) -> str:
    """Return a value as it could be typed again."""
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return f"{value.astimezone(zone):%Y-%m-%d %H:%M:%S}"
    return repr(value).removesuffix(".0") if isinstance(value, float) else str(value)


def _parts(session: Session, row: Any, zone: dt.tzinfo) -> Iterator[Amendable]:
    for kind, (model, form, owner) in PARTS.items():
        if not isinstance(row, Material) and owner.split("_")[0] == ident_of(row).kind:
            for part in session.scalars(
                select(model).where(getattr(model, owner) == row.id).order_by(model.id)
            ):
                name = f"{kind}{part.id}"
                for ask in form:
                    yield _of(ask, f"{name}.{ask.name}", getattr(part, ask.name), zone, f"{name}, ")


def _readings(plugged: Plugged, row: Measurement) -> Iterator[Amendable]:
    # Of a method that is gone the other values can still be put right.
    if row.method not in plugged.methods:
        return
    for each in fields(plugged.method(row.method).Readings):
        if each.kind != "file":
            value = (row.readings or {}).get(each.name)
            was = "" if value is None else text_of(each, value)
            yield Amendable(each.name, each.name.replace("_", " "), each.unit, each.choices, was)


def _masses(row: Drying) -> Iterator[Amendable]:
    for each in row.spools:
        for column, word in (("before_g", "before"), ("after_g", "after")):
            of = spool_id(each.spool_id)
            was = _written(cast("float | None", getattr(each, column)), dt.UTC)
            yield Amendable(f"{of}.{column}", f"Mass of {of} {word}", "g", (), was)
