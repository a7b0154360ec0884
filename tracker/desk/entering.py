"""Records entered by one form: a material, a spool, a weighing, a rig, a calibration, a person; plans.

Where a kind asks for more than its form (a job with its pieces, a drying of several spools) it has an act of
its own; all of them use what stands here. A material's plans are its programme and its published condition.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.acts import Act
from tracker.book import Book
from tracker.desk.doubts import Done, confirm
from tracker.forms import Ask, FormError, clean, when_at
from tracker.kinds import KINDS, Kind, find, material_named, name_of
from tracker.model import Choice, Programme, Spool, StoragePeriod
from tracker.moments import local_time as local
from tracker.units import UnitError, parse


def add_record(book: Book, who: str, kind: str, typed: Mapping[str, Any], *, sure: bool = False) -> Done:
    """Enter a record of a kind that one form describes.

    Args:
        book: The book.
        who: Who enters it.
        kind: Name of the kind.
        typed: Answers to its form.
        sure: What is unusual about it is meant.

    Returns:
        The record; for a part without an ID the record it is a part of, and the part in ``also``.

    Raises:
        Doubt: Something about it is unusual; all of it is named.
        FormError: A field is wrong, or a name is taken.
        Refused: A record that it names is not there.
    """
    of, when = KINDS[kind], when_at(book)
    values = clean(of.form, with_defaults(of.form, typed), when)
    with book.act(of.verb, who) as act:
        row = new_row(book, act, of, values)
        of.check(act.session, row, when)
        act.session.flush()
        confirm(row, of.odd(act.session, row, when), sure=sure)
        owner = owner_of(act.session, of, row)
        act.about.append(name_of(owner if owner is not None else row))
        made, remarks = name_of(row), of.remarks(act.session, row, when)
    if owner is not None:
        return Done(name_of(owner), remarks, parts=[made])
    return Done(made, remarks)


def with_defaults(form: Iterable[Ask], typed: Mapping[str, Any]) -> dict[str, Any]:
    """Return answers in which what nobody answered is what it means not to: now, or today."""
    blank = {ask.name: ask.default for ask in form if ask.default and typed.get(ask.name) in (None, "")}
    return {**typed, **blank}


def new_row(book: Book, act: Act, kind: Kind, values: Mapping[str, Any]) -> Any:
    """Put a row of clean answers into an act, its links found; it has no number yet.

    Raises:
        Refused: A record that it names is not there.
    """
    linked = {**values, **links_of(book, act.session, kind.form, values)}
    row = kind.model(**kind.columns(linked))
    act.session.add(row)
    return row


def links_of(book: Book, session: Session, form: Iterable[Ask], values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the rows that answers name, by field.

    Raises:
        Refused: One is not there.
    """
    wanted = {ask.name: ask for ask in form if ask.kind == "record" and values.get(ask.name) is not None}
    return {name: linked(book, session, ask, str(values[name])) for name, ask in wanted.items()}


def linked(book: Book, session: Session, ask: Ask, typed: str) -> Any:
    """Return the row that the answer to one question names.

    Raises:
        Refused: There is none.
    """
    return material_named(session, typed) if ask.of == ("material",) else find(book, session, typed, *ask.of)


def owner_of(session: Session, kind: Kind, row: Any) -> Any:
    """Return the record that a row is a part of; None for one that stands by itself."""
    for column in kind.owner:
        number = getattr(row, column)
        if number is not None:
            target = next(iter(kind.model.__table__.c[column].foreign_keys)).column.table
            model = next(each.model for each in KINDS.values() if each.model.__table__ is target)
            return session.get(model, number)
    return None


def fill_in(
    row: Any, given: Mapping[str, Any], name: str, provisional: Mapping[str, Any] | None = None
) -> None:
    """Put values into the open columns of a record; what is recorded is corrected with a reason, not here.

    Args:
        row: The record; changed in place.
        given: Values by column.
        name: Its ID, for the refusal.
        provisional: Values that stood only until the real one came (an outcome of ``running``).

    Raises:
        FormError: A column says something else already.
    """
    for column, value in given.items():
        before = getattr(row, column)
        # The same value twice is no contradiction: a command repeated after a broken connection must not
        # fail.
        if before is not None and before != value and before != (provisional or {}).get(column):
            raise FormError(
                f"{column} of {name} is recorded as {before} already",
                do=f"Correct it with its reason: strandbook correct {name} '{column}={value}' --reason WHY",
            )
        setattr(row, column, value)


def keep_spool(book: Book, who: str, spool: str, typed: Mapping[str, Any], *, sure: bool = False) -> Done:
    """Put a spool somewhere; the storage period it was in ends as this one begins.

    Raises:
        Doubt: The period overlaps another one, or began before the spool came.
        Refused: There is no such spool, or a field is wrong.
    """
    kind, when = KINDS["storage"], when_at(book)
    values = clean(kind.form, with_defaults(kind.form, {**typed, "spool": spool}), when)
    with book.act("spool keep", who) as act:
        row: Spool = find(book, act.session, spool, "spool")
        period = StoragePeriod(**kind.columns({**values, "spool": row}))
        ended = _end_running(act, row, period.began_at)
        kind.check(act.session, period, when)
        act.session.add(period)
        act.session.flush()
        confirm(period, kind.odd(act.session, period, when), sure=sure)
        # A closed period inside a running one is an excursion: afterwards the spool is back where it was.
        if ended is not None and period.ended_at is not None:
            act.session.add(_gone_on(ended, period.ended_at))
        act.about.append(name_of(row))
        notes = [f"{ended.place} ended {local(ended.ended_at, book.zone)}."] if ended is not None else []
        return Done(name_of(row), notes, parts=[name_of(period)])


def _gone_on(period: StoragePeriod, since: dt.datetime) -> StoragePeriod:
    """Return the storage period that went on where it was when a short one inside it was over."""
    return StoragePeriod(
        spool_id=period.spool_id, place=period.place, where=period.where, began_at=since,
        temperature_c=period.temperature_c, rh_pct=period.rh_pct, rh_low_pct=period.rh_low_pct,
        rh_high_pct=period.rh_high_pct, note=period.note,
    )  # fmt: skip


def _end_running(act: Act, spool: Spool, at: dt.datetime) -> StoragePeriod | None:
    running = act.session.scalar(
        select(StoragePeriod)
        .where(
            StoragePeriod.spool_id == spool.id, StoragePeriod.ended_at.is_(None), StoragePeriod.began_at <= at
        )
        .order_by(StoragePeriod.began_at.desc())
        .limit(1)
    )
    if running is not None:
        # A spool is in one place: whoever puts it into the box has taken it off the printer, and seldom
        # says so.
        running.ended_at = at
        act.session.flush()
    return running


def choose(
    book: Book, who: str, material: str, settings: Sequence[str], reason: str, remark: str | None = None
) -> Done:
    """Choose the condition of a material that is published.

    Args:
        book: The book.
        who: Whose choice it is.
        material: Name of the material.
        settings: ``nozzle_c=255`` and the like: what tells the condition from the others.
        reason: Why; required.
        remark: What shall be shown beside the published values.

    Raises:
        FormError: No reason, or no settings.
        NotFoundError: There is no such material.
    """
    if not reason.strip():
        raise FormError("A choice needs a reason", do="Give it with --reason")
    # Kept as conditions and not as a list of results: pieces tested tomorrow under the same settings belong
    # to it.
    condition = dict(_setting(each) for each in settings)
    with book.act("choose", who, reason=" ".join(reason.split())) as act:
        row = material_named(act.session, material)
        act.session.add(
            Choice(
                material_id=row.id, condition=condition, remark=remark, reason=act.reason, by=who, at=act.at
            )
        )
        act.about.append(row.name)
    return Done(row.name)


def _setting(text: str) -> tuple[str, float | str]:
    name, sign, value = (part.strip() for part in text.partition("="))
    if not sign or not name or not value:
        raise FormError(f"{text!r} is no setting", do="Write name=value, as in nozzle_c=255")
    try:
        return name, parse(value, "1", name)
    # A lot or a surface is a word; what is no number is compared as one.
    except UnitError:
        return name, value


# --- programmes ------------------------------------------------------------------------------------------


def set_programme(book: Book, who: str, material: str, name: str, text: str) -> Done:
    """Give a material a programme; one of the same name is replaced for all that have it.

    Args:
        book: The book.
        who: Who decides it.
        material: Name of the material.
        name: Of the programme.
        text: Its TOML, checked by the caller.

    Raises:
        NotFoundError: There is no such material.
    """
    with book.act("programme", who) as act:
        row = material_named(act.session, material)
        record = act.session.scalar(select(Programme).where(Programme.name == name))
        if record is None:
            record = Programme(name=name, text=text)
            act.session.add(record)
            act.session.flush()
        # By name for all materials that have it: a programme changed for one and not the other would be two
        # of one name.
        record.text = text
        row.programme_id = record.id
        act.about.append(row.name)
    return Done(row.name)
