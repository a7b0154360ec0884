"""What a kind of record is: what commands, pages, lists and labels want to know of it, in one place.

A kind is a subclass of :class:`Kind` with one instance. What it does not say follows from its form: the
command that enters it, its card, its list, its label, its corrections. It overrides what its people are used
to read otherwise.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, ClassVar, Final

from sqlalchemy import Row, Select, inspect, select
from sqlalchemy.orm import Session, object_session

from tracker import ids
from tracker.book import WITH_VOIDED
from tracker.cards import Card, Fact
from tracker.forms import Ask, FormError, When, read, refuse_taken
from tracker.ids import Ident
from tracker.model import JournalRecord
from tracker.moments import local_time
from tracker.stating import compact, shown

Listing = Select[*tuple[Any, ...]]


class Kind:
    """A kind of record.

    Attributes:
        name: One word for it; that of its command and its forms.
        plural: Of the name; what lists call it.
        model: Its table.
        title: Heading of the form that enters one; empty where no form of its own does.
        form: What is entered, corrected and shown of it.
        unique: Column by which people name it, each name once; empty for those that have only an ID.
        owner: Columns that say which record it is a part of: it is taken back with that one.
        part: Beginning of the name of a part without an ID: ``storage`` for ``storage3``.
        aliases: Other beginnings that are understood.
        place: Where it is in lists of kinds: in the order in which a spool travels.
        verb: The act that enters one, as the command line and the journal have it.
    """

    name: ClassVar[str]
    plural: ClassVar[str]
    model: ClassVar[Any]
    title: ClassVar[str] = ""
    form: ClassVar[tuple[Ask, ...]] = ()
    unique: ClassVar[str] = ""
    owner: ClassVar[tuple[str, ...]] = ()
    part: ClassVar[str] = ""
    aliases: ClassVar[tuple[str, ...]] = ()
    place: ClassVar[int] = 100
    verb: ClassVar[str] = ""

    def __init_subclass__(cls, **more: Any) -> None:
        """Name the act that enters one after the kind, where it has no name of its own."""
        super().__init_subclass__(**more)
        if "verb" not in cls.__dict__:
            cls.verb = f"{cls.name} add"

    # --- names -----------------------------------------------------------------------------------------

    @property
    def has_id(self) -> bool:
        """Whether its records carry an ID with a check character, which is on labels."""
        return self.name in ids.KINDS.values() or self.name == "specimen"

    def name_of(self, row: Any) -> str:
        """Return what a row is called: its ID, its name, or its kind with its number (``storage3``)."""
        if self.has_id:
            return str(Ident(self.name, row.id))
        return str(getattr(row, self.unique)) if self.unique else f"{self.part}{row.id}"

    def by_name(self, session: Session, typed: str) -> Any:
        """Return the row of a name, upper and lower case alike, or None; a merged one leads to the other."""
        if not self.unique:
            return None
        wanted = typed.strip()
        asked = select(getattr(self.model, self.unique), self.model.id)
        names = {row[0]: row[1] for row in session.execute(asked)}
        found = names.get(wanted) or {each.casefold(): names[each] for each in names}.get(wanted.casefold())
        if found is not None:
            return session.get(self.model, found)
        if not hasattr(self.model, "merged_into_id"):
            return None
        asked = asked.where(self.model.merged_into_id.is_not(None))
        for name, number in session.execute(asked, execution_options={WITH_VOIDED: True}):
            if name.casefold() == wanted.casefold():
                return merged_into(session, session.get_one(self.model, number, execution_options=_GONE_TOO))
        return None

    # --- entering and correcting -----------------------------------------------------------------------

    def read(self, ask: Ask, typed: Any, when: When) -> Any:
        """Return the value of one answer.

        Raises:
            FormError: It is missing, or not what was asked for.
        """
        return read(ask, typed, when)

    def columns(self, answers: Mapping[str, Any]) -> dict[str, Any]:
        """Return columns from clean answers to the form; links to records are rows by now.

        Raises:
            FormError: Together they cannot be.
        """
        mapped = inspect(self.model).relationships
        return {
            (name if not hasattr(value, "__table__") or name in mapped else f"{name}_id"): (
                value.id if hasattr(value, "__table__") and name not in mapped else value
            )
            for name, value in answers.items()
        }

    def answers(self, row: Any) -> dict[str, Any]:
        """Return a row as answers to the form: what corrections begin from."""
        return {ask.name: self.answer(row, ask) for ask in self.form}

    def answer(self, row: Any, ask: Ask) -> Any:
        """Return the answer to one question of the form; of a link, the linked row or None."""
        if ask.kind != "record" or ask.name in inspect(self.model).relationships:
            return getattr(row, ask.name)
        target = next(iter(self.model.__table__.c[f"{ask.name}_id"].foreign_keys)).column.table
        model = next(each.class_ for each in self.model.registry.mappers if each.local_table is target)
        session, number = object_session(row), getattr(row, f"{ask.name}_id")
        return None if session is None or number is None else session.get(model, number)

    def check(self, session: Session, row: Any, when: When) -> None:
        """Hold a row to what must hold of it, when it is entered and after each correction.

        Raises:
            FormError: It does not.
        """
        del when
        if self.unique:
            others = select(getattr(self.model, self.unique), self.model.voided)
            if row.id is not None:
                others = others.where(self.model.id != row.id)
            found = session.execute(others, execution_options={WITH_VOIDED: True}).all()
            name = str(getattr(row, self.unique))
            refuse_taken(self.name, name, [each[0] for each in found if each.voided is None])
            for each in found:
                # The name stays with what was taken back: its journal would else speak of two things.
                if str(each[0]).casefold() == name.casefold():
                    raise FormError(
                        f"There was a {self.name} {each[0]!r}, taken back since",
                        do=f"Bring it back: strandbook void {each[0]!r} --back --reason WHY",
                    )

    def odd(self, session: Session, row: Any, when: When) -> Iterable[str]:
        """Yield what is unusual about a row that was just entered or corrected, a question each."""
        del session, row, when
        return ()

    def remarks(self, session: Session, row: Any, when: When) -> list[str]:
        """Return what the person should know of a row just entered, one sentence each."""
        del session, row, when
        return []

    # --- telling ---------------------------------------------------------------------------------------

    def listing(self) -> Listing:
        """Return the statement of its list; columns named as the list shows them."""
        names = [ask.name for ask in self.form if ask.name != "note" and ask.kind != "record"]
        columns = [getattr(self.model, name) for name in names]
        return select(self.model.id, *columns).order_by(self.model.id)

    def listed(self, row: Row[Any]) -> dict[str, Any]:
        """Return a row of the list under the keys of its JSON; the first is ``id``."""
        named: dict[str, Any] = dict(row._mapping)
        if self.has_id:
            return {**named, "id": str(Ident(self.name, named["id"]))}
        own = named[self.unique] if self.unique else f"{self.part}{named['id']}"
        return {**named, "id": own}

    def head(self, row: Any) -> str:
        """Return the first line of its card."""
        name = self.name_of(row)
        own = str(getattr(row, self.unique)) if self.unique else ""
        return name if own in ("", name) else f"{name}  {own}"

    def card(self, session: Session, row: Any, zone: dt.tzinfo) -> Card:
        """Return what is shown of a row."""
        card = self.begun(session, row, zone)
        for ask in self.form:
            if ask.name == self.unique or (ask.name == "note" and not row.note):
                continue
            value = self.answer(row, ask)
            card.add(ask.label.lower(), written(value, ask, zone), plain(value), ask.unit)
        return card

    def begun(self, session: Session, row: Any, zone: dt.tzinfo) -> Card:
        """Return a card with title and columns, and word of its having been taken back or confirmed."""
        card = Card(self.head(row), data={"id": self.name_of(row), **columns_of(row)}, kind=self.name)
        if row.voided is not None:
            card.voided = taken_back(session, row, zone)
            card.data["voided"] = card.voided
        if getattr(row, "merged_into_id", None) is not None:
            kept = self.name_of(session.get_one(self.model, row.merged_into_id))
            card.add("merged into", kept)
            card.data["merged_into"] = kept
        for sentence in getattr(row, "confirmed", None) or ():
            card.add("confirmed though unusual", sentence)
        if getattr(row, "confirmed", None):
            card.data["confirmed"] = row.confirmed
        return card

    def label(self, row: Any, zone: dt.tzinfo) -> dict[str, str] | None:
        """Return what can be on a label beside the code, by name; None for what bears no label."""
        del zone
        if not self.has_id:
            return None
        own = str(getattr(row, self.unique)) if self.unique else ""
        return {"material": own, "orientation": self.name, "lot": "", "date": "", "job": "", "name": own}


def merged_into(session: Session, row: Any) -> Any:
    """Return the row that one was merged into, over several steps; itself where it was not."""
    while getattr(row, "merged_into_id", None) is not None:
        row = session.get_one(type(row), row.merged_into_id, execution_options=_GONE_TOO)
    return row


_GONE_TOO: Final[dict[str, Any]] = {WITH_VOIDED: True}
LEFT_OUT: Final = frozenset({"id", "entry", "plate_facts", "voided", "confirmed"})


def columns_of(row: Any) -> dict[str, Any]:
    """Return a row's own columns as JSON has them; its number, entry and links are left out."""
    return {
        column.name: plain(getattr(row, column.key))
        for column in row.__table__.c
        if column.name not in LEFT_OUT and not column.name.endswith("_id")
    }


def plain(value: Any) -> Any:
    """Return a value as JSON has it."""
    if hasattr(value, "__table__"):
        return getattr(value, "name", None)
    return value.isoformat() if isinstance(value, (dt.datetime, dt.date)) else value


def numbered(row: Any) -> dict[str, Any]:
    """Return a part without an ID: its columns, and the number by which it is named."""
    return {"number": row.id, **columns_of(row)}


def written(value: Any, ask: Ask, zone: dt.tzinfo) -> str | None:
    """Return the answer to a question as people read it; None where there is none."""
    if value is None:
        return None
    if isinstance(value, dt.datetime):
        return local_time(value, zone)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return compact(value, ask.unit)
    if isinstance(value, int):
        return f"{value} {shown(ask.unit)}".strip()
    return str(getattr(value, "name", value))


def typed_again(value: Any, zone: dt.tzinfo) -> str:
    """Return a value as it could be typed again; empty for "not recorded"."""
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return f"{value.astimezone(zone):%Y-%m-%d %H:%M:%S}"
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    return str(getattr(value, "name", value))


def span(low: float | None, high: float | None, unit: str = "degC") -> str | None:
    """Return a range, an open end as ``…``; None where neither end is known."""
    if low is None and high is None:
        return None
    return f"{compact(low, missing='…')} – {compact(high, unit, missing='…')}"


def add_note(card: Card, note: str | None) -> None:
    """Add a note where there is one; its absence is nothing to tell."""
    if note:
        card.add("note", note)


def struck_or_plain(rows: Sequence[Any], words: Mapping[int, str] | Iterable[str]) -> Iterator[Fact]:
    """Yield a fact for each row; those that were taken back are struck through and say so."""
    for row, text in zip(rows, words, strict=True):
        gone = row.voided is not None
        yield Fact("", f"{text} (taken back)" if gone else str(text), struck=gone)


def taken_back(session: Session, row: Any, zone: dt.tzinfo) -> str:
    """Return who took a row back, when and why."""
    entry = session.get(JournalRecord, row.voided)
    if entry is None:
        return "by an act that is not in the journal"
    reason = json.loads(entry.body).get("reason") or "no reason recorded"
    return f"{local_time(entry.at, zone)} by {entry.who}: {reason}"


_SHARE_OVER, _H_OVER = 0.25, 2.0
_UNPLANNED_H: Final = 12.0


def plausible_end(began: dt.datetime | None, planned_h: float | None) -> dt.datetime | None:
    """Return until when something that was begun is over without a question; None where no start is known.

    A quarter and two hours over the plan allow for heating and for the way to the bench; without a plan
    it is half a day. Common practice, no source.

    Args:
        began: When it began.
        planned_h: How long it was to take, hours.
    """
    if began is None:
        return None
    hours = _UNPLANNED_H if planned_h is None else planned_h * (1 + _SHARE_OVER) + _H_OVER
    return began + dt.timedelta(hours=hours)


def far_end(began: dt.datetime | None, ended: dt.datetime | None, planned_h: float | None, plan: str) -> str:
    """Return what should be asked about an end long after the plan; empty where nothing should.

    Args:
        began: When it began.
        ended: When it ended.
        planned_h: How long it was to take, hours; without a plan nothing is asked.
        plan: Who says so, as ``its plate file``.
    """
    latest = plausible_end(began, planned_h)
    if planned_h is None or began is None or ended is None or latest is None or ended <= latest:
        return ""
    took = (ended - began).total_seconds() / 3600
    return f"ended {took:.3g} h after it began; {plan} says {planned_h:.3g} h"


def refuse_assumed_end(
    began: dt.datetime | None, now: dt.datetime, planned_h: float | None, what: str, zone: dt.tzinfo
) -> None:
    """Refuse to take the present for an end that nobody named, where it is long after the plan.

    Raises:
        FormError: It is; the end has to be named.
    """
    latest = plausible_end(began, planned_h)
    if latest is not None and now > latest:
        plan = f", and was to take {planned_h:.3g} h" if planned_h is not None else ""
        raise FormError(
            f"{what} began at {local_time(began, zone)}{plan}: when did it end",
            do="Give it with --ended, as --ended 'yesterday 18:30', or --ended now",
            fields={"ended_at": f"When did it end? It began at {local_time(began, zone)}{plan}"},
        )


def refuse_upside_down(low: float | None, high: float | None, what: str, unit: str = "°C") -> None:
    """Refuse a range whose low end is above its high end.

    Raises:
        FormError: It is.
    """
    if low is not None and high is not None and low > high:
        raise FormError(f"The {what} runs from {low:g} to {high:g} {unit}", do="Give the lower one first")
