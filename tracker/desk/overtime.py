"""Tests that run over days: a reading is added when somebody is there, and the clock gives its time.

Which series of a method grows is the method's own declaration (:attr:`tracker.api.Method.over_time`); the
first part of an entry is the time since the test was begun. Who added which reading is in the journal.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.api import Method, Recording, dump, fields, units_of, validate
from tracker.book import Book
from tracker.desk.doubts import ask_all
from tracker.desk.measuring import Measured, compute_again, stored_measurement
from tracker.forms import Ask, FormError, read, when_at
from tracker.ids import measurement_id
from tracker.kinds import find, name_of
from tracker.model import Measurement, Specimen
from tracker.moments import local_time
from tracker.plugins import Plugged
from tracker.units import parse

_HOUR: Final = 3600.0
_SECONDS: Final = {"h": _HOUR, "min": 60.0, "s": 1.0, "d": 24 * _HOUR}
_STEP: Final = 3.0
_FACTOR: Final = 5.0
"""Common practice, no source: what is looked at again, not what is wrong."""
_AT: Final = Ask("at", "Read at", "moment")


@dataclass(frozen=True)
class Running:
    """A test that takes a further reading.

    Attributes:
        id: ID of its measurement.
        subject: ID of the specimen.
        method: The method.
        began: When it was begun.
        count: Readings so far.
        parts: What is read each time: name and unit of each part of an entry, its time left out.
    """

    id: str
    subject: str
    method: Method
    began: dt.datetime
    count: int
    parts: tuple[tuple[str, str], ...]


def running(book: Book, plugged: Plugged, target: str, method: str | None = None) -> list[Running]:
    """Return the tests over time on a specimen, or the one that a measurement's ID names.

    Args:
        book: The book.
        plugged: The methods.
        target: ID or label text.
        method: Only tests by this method.

    Raises:
        Refused: There is no such record.
    """
    with book.read() as session:
        return [_running(row, each) for row, each in _of(book, session, plugged, target, method)]


def append(
    book: Book,
    who: str,
    plugged: Plugged,
    target: str,
    typed: Sequence[str],
    *,
    at: str = "",
    method: str | None = None,
    sure: bool = False,
) -> Measured:
    """Add a reading to a test over time, and compute what all of its readings give now.

    Args:
        book: The book.
        who: Who read it.
        plugged: The methods.
        target: The specimen that is under test, or the measurement's ID.
        typed: One text for each part of an entry, its time left out.
        at: When it was read; now where empty.
        method: Needed where a specimen is in several tests over time.
        sure: The reading is meant although its time is before an earlier one, or its value looks wrong.

    Raises:
        Doubt: The reading is earlier than the last one, or far from where the earlier ones lead.
        FormError: No test over time runs there, or several do; or a part is missing or cannot be read.
        ReadingsError: The method does not take the reading.
    """
    when = when_at(book)
    moment: dt.datetime = read(_AT, at, when) or when.now
    with book.act("append", who) as act:
        row, chosen = _one(book, act.session, plugged, target, method)
        test = _running(row, chosen)
        values = _values(test, typed)
        entry = [_since(test, moment, book.zone), *values]
        series = [list(each) for each in (row.readings or {}).get(chosen.over_time) or []]
        ask_all(_questions(test, entry, series, moment, book.zone), sure=sure)
        fresh = validate(
            chosen,
            {**(row.readings or {}), chosen.over_time: sorted([*series, entry]), **_files(book, row, chosen)},
        )
        row.readings, row.units = dump(fresh), units_of(fresh)
        # The time of a measurement over days is that of its last reading: the start follows from both.
        row.at = test.began + dt.timedelta(
            seconds=max(each[0] for each in [*series, entry]) * _unit_s(chosen)
        )
        computation = compute_again(act, book, plugged, row)
        act.about += [measurement_id(row.id), test.subject]
        return stored_measurement(row, computation, book.zone)


def _of(
    book: Book, session: Session, plugged: Plugged, target: str, method: str | None
) -> list[tuple[Measurement, Method]]:
    row = find(book, session, target, "specimen", "measurement")
    rows: Sequence[Measurement] = [row] if isinstance(row, Measurement) else _measured(session, row)
    found = [(each, plugged.methods[each.method].method) for each in rows if each.method in plugged.methods]
    return [
        (each, chosen)
        for each, chosen in found
        if chosen.over_time and each.at is not None and method in (None, chosen.id)
    ]


def _measured(session: Session, row: Specimen) -> Sequence[Measurement]:
    return session.scalars(
        select(Measurement).where(Measurement.specimen_id == row.id).order_by(Measurement.id)
    ).all()


def _one(
    book: Book, session: Session, plugged: Plugged, target: str, method: str | None
) -> tuple[Measurement, Method]:
    found = _of(book, session, plugged, target, method)
    if not found:
        over_time = ", ".join(name for name, each in plugged.methods.items() if each.method.over_time)
        raise FormError(
            f"No test over time runs on {target}",
            do=f"Begin one with measure {target} METHOD; methods over time are {over_time or 'none'}",
        )
    # Two tests by one method on one specimen follow each other: the later one hangs there.
    if len({chosen.id for _, chosen in found}) > 1:
        names = ", ".join(sorted({chosen.id for _, chosen in found}))
        raise FormError(f"Several tests over time run on {target}: {names}", do="Name one with --method")
    return found[-1]


def _running(row: Measurement, method: Method) -> Running:
    field = next(each for each in fields(method.Readings) if each.name == method.over_time)
    series = (row.readings or {}).get(method.over_time) or []
    last = max((float(entry[0]) for entry in series), default=0.0)
    assert row.at is not None  # noqa: S101 - only such rows come here; this tells the type checker
    return Running(
        measurement_id(row.id),
        name_of(row.specimen) if row.specimen is not None else "",
        method,
        row.at - dt.timedelta(seconds=last * _unit_s(method)),
        len(series),
        tuple(zip(field.columns[1:], field.units[1:], strict=True)),
    )


def _unit_s(method: Method) -> float:
    """Return the seconds of the unit in which a method's series has its times."""
    field = next(each for each in fields(method.Readings) if each.name == method.over_time)
    return _SECONDS[field.units[0]]


def _values(test: Running, typed: Sequence[str]) -> list[Any]:
    if len(typed) != len(test.parts):
        wanted = " ".join(f"{name} [{unit}]" if unit else name for name, unit in test.parts)
        raise FormError(
            f"A reading of {test.method.title.lower()} is {wanted}", do="Give each, in this order"
        )
    return [
        parse(text, unit, name) if unit else text
        for text, (name, unit) in zip(typed, test.parts, strict=True)
    ]


def _since(test: Running, moment: dt.datetime, zone: dt.tzinfo) -> float:
    """Return the time since the test was begun, in the unit of its series.

    Raises:
        FormError: The reading is before the beginning.
    """
    seconds = (moment - test.began).total_seconds()
    if seconds < 0:
        raise FormError(
            f"{local_time(moment, zone)} is before {test.id} was begun, at {local_time(test.began, zone)}",
            do="Give the time of the reading, or correct when the test was begun",
        )
    return round(seconds / _unit_s(test.method), 5)


def _questions(
    test: Running, entry: Sequence[Any], series: Sequence[Sequence[Any]], moment: dt.datetime, zone: dt.tzinfo
) -> list[str]:
    last = max((float(each[0]) for each in series), default=0.0)
    if entry[0] < last:
        return [
            f"{local_time(moment, zone)} is before the last reading of {test.id}, at {last:g} since its start"
        ]
    return [
        words
        for part, (name, unit) in enumerate(test.parts, start=1)
        if unit
        for words in _jump(name, unit, entry, [(float(each[0]), float(each[part])) for each in series], part)
    ]


def _jump(
    name: str, unit: str, entry: Sequence[Any], earlier: Sequence[tuple[float, float]], part: int
) -> Iterator[str]:
    """Ask about a value that the readings so far do not lead to: a slip of a digit, or the unit.

    What runs over days slows down, or goes on as before: a step of more than thrice what the earlier
    readings span, or would span by then if they went on in a straight line over time, is looked at again.
    It may be right: a piece that is about to break runs away.
    """
    if not earlier:
        return
    value, (last_t, last) = float(entry[part]), earlier[-1]
    seen = [each for _, each in earlier]
    least, most, took = min(seen), max(seen), last_t - earlier[0][0]
    if most > least:
        ahead = (entry[0] - last_t) / took if took else 1.0
        if abs(value - last) > _STEP * (most - least) * max(1.0, ahead):
            yield f"{name} {value:g} {unit}, where the {len(seen)} before lie at {least:g} to {most:g}"
    elif last > 0 and not last / _FACTOR <= value <= last * _FACTOR:
        yield f"{name} {value:g} {unit}, where it was {last:g}"


def _files(book: Book, row: Measurement, method: Method) -> Mapping[str, Any]:
    known = {each.name for each in fields(method.Readings)}
    return {
        each.field: Recording(each.name, book.files.get(each.sha256))
        for each in row.files
        if each.field in known
    }
