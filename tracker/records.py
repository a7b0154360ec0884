"""What follows from records, as it is shown: the journal, the factors of specimens, the days of a spool.

The journal says who did what, when, to which record, and why. A spool's days say where it was, when it was
dried and used, what is left, and its water.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, islice
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import ColumnElement, Connection, select
from sqlalchemy.orm import Session, aliased, joinedload

from tracker import ids
from tracker.book import Book, plan_for_first_rows
from tracker.cards import Card
from tracker.errors import Refused
from tracker.history import MassLeft, SpoolDays, mass_left, spool_days, water_at, water_at_many
from tracker.kinds import find, judged_in_order
from tracker.lazy_modules import lazy
from tracker.model import Job, JobSpool, JournalRecord, Specimen, Spool
from tracker.moments import NOT_RECORDED, local_time
from tracker.stating import state_row

if TYPE_CHECKING:
    from tracker import exposure, factors, selection
    from tracker.exposure import Water, WaterHistory
    from tracker.factors import Factors
    from tracker.kinds.registry import Judge
    from tracker.plugins import Plugged
else:
    exposure = lazy("tracker.exposure")
    # The journal and a spool's days are read without any factor, and so without the models of readings.
    factors, selection = lazy("tracker.factors"), lazy("tracker.selection")


_BOOKKEEPING: Final = frozenset(
    (
        "entry",
        "confirmed",
        "voided",
        "results",
        "plate_facts",
        "log_facts",
        "units",
        "readings",
        "budget",
        "broken_at",
    )
)
"""Columns whose change says nothing to a person; readings are reported one by one."""

_MOST_CHANGES: Final = 6
_MOMENT: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z")


@dataclass(frozen=True)
class Act:
    """One act of a person.

    Attributes:
        seq: Number of its entry in the journal.
        at: When.
        who: The person.
        act: What was done, as the journal names it.
        about: IDs of the records concerned.
        reason: Why, where one was given.
        changes: What was changed: ``width 10.02 → 10.20``; empty for what was new.
    """

    seq: int
    at: dt.datetime
    who: str
    act: str
    about: tuple[str, ...]
    reason: str
    changes: tuple[str, ...]

    def as_row(self, zone: dt.tzinfo) -> dict[str, str]:
        """Return the act as a row of a table."""
        what = "; ".join(part for part in (", ".join(self.changes), self.reason) if part)
        return {
            "entry": str(self.seq), "time": local_time(self.at, zone), "who": self.who, "act": self.act,
            "records": " ".join(self.about), "what": what,
        }  # fmt: skip

    def as_json(self) -> dict[str, Any]:
        """Return the act as plain JSON values; the time in UTC."""
        return {
            "entry": self.seq, "at": self.at.isoformat(), "who": self.who, "act": self.act,
            "about": list(self.about), "reason": self.reason or None, "changes": list(self.changes),
        }  # fmt: skip


def acts(
    connection: Connection,
    zone: dt.tzinfo,
    *,
    since: dt.datetime | None = None,
    until: dt.datetime | None = None,
    who: str | None = None,
    about: str | None = None,
) -> Iterator[Act]:
    """Yield the acts of the journal, the newest first.

    Args:
        connection: Read only.
        zone: The bench's zone, for moments that were changed.
        since: None before this moment.
        until: None from this moment on.
        who: Only this person's, upper and lower case alike.
        about: Only those that concern this ID; for a job its specimens' too.
    """
    rows = select(
        JournalRecord.seq, JournalRecord.at, JournalRecord.who, JournalRecord.act, JournalRecord.body
    )
    if since is not None:
        rows = rows.where(JournalRecord.at >= since)
    if until is not None:
        rows = rows.where(JournalRecord.at < until)
    for row in connection.execute(rows.order_by(JournalRecord.seq.desc()).execution_options(yield_per=500)):
        if who is not None and row.who.casefold() != who.casefold():
            continue
        body = json.loads(row.body)
        named = tuple(dict.fromkeys(body.get("about") or ()))
        if about is not None and not _concerns(named, about):
            continue
        yield Act(row.seq, row.at, row.who, row.act, named, body.get("reason") or "", changes_in(body, zone))


def _concerns(named: tuple[str, ...], wanted: str) -> bool:
    # J0012-P and its specimens J0012-04-K share what is before the check character.
    stem = wanted.rpartition("-")[0]
    return any(each == wanted or (wanted.startswith("J") and each.startswith(f"{stem}-")) for each in named)


def changes_in(body: Mapping[str, Any], zone: dt.tzinfo) -> tuple[str, ...]:
    """Return what an act changed, each change once, from the body of its entry in the journal.

    Filling a gap counts only where it has a reason.
    """
    gaps = bool(body.get("reason"))
    found: list[str] = []
    for row in body.get("rows") or ():
        before, after = row.get("before"), row.get("after") or {}
        if before is None:
            continue
        if row.get("table") == "result" and after:
            # Its value with U says it; what else is in the row follows from the readings.
            found += _result_apart(before, after)
            continue
        found += _apart(before, after, zone, gaps)
        old, new = before.get("readings"), after.get("readings")
        if isinstance(old, dict) and isinstance(new, dict):
            found += _apart(old, new, zone, gaps)
    return tuple(dict.fromkeys(found))[:_MOST_CHANGES]


def _result_apart(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[str]:
    old, new = (
        "no value" if each.get("value") is None else state_row(each).text.partition(" (")[0]
        for each in (before, after)
    )
    if old != new:
        yield f"{before['quantity']} {old} → {new}"
    if before.get("counted") and not after.get("counted"):
        yield f"{before['quantity']} set aside"
    elif after.get("counted") and not before.get("counted"):
        yield f"{before['quantity']} counted"


def _apart(before: Mapping[str, Any], after: Mapping[str, Any], zone: dt.tzinfo, gaps: bool) -> Iterator[str]:
    for name, old in before.items():
        new = after.get(name)
        if name in _BOOKKEEPING or old == new or isinstance(old or new, (dict, list)):
            continue
        if name.endswith("_id"):
            # A row's own number says nothing to a person; the act names the records.
            yield f"{name.removesuffix('_id')} changed"
        elif old is not None or gaps:
            yield f"{name} {_word(old, zone)} → {_word(new, zone)}"


def _word(value: Any, zone: dt.tzinfo) -> str:
    if value is None:
        return NOT_RECORDED
    if isinstance(value, str) and _MOMENT.fullmatch(value):
        return local_time(dt.datetime.fromisoformat(value), zone)
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def factors_with_basis(book: Book, specimen: int, plugged: Plugged | None = None) -> list[dict[str, Any]]:
    """Return the factors of a specimen as JSON, in the order of the registry.

    Args:
        book: Read only.
        specimen: Row id.
        plugged: Plugins that may add some.
    """
    with book.read() as session:
        found = factors.factors_of(session, [specimen], plugged).get(specimen, {})
    return [factors.factor_data(value) for value in factors.in_registry_order(found)]


def shown_factors(book: Book, row: Specimen, plugged: Plugged | None = None) -> Card:
    """Return the factors of a specimen as they are shown; what is not recorded is named at the end."""
    with book.read() as session:
        found = factors.factors_of(session, [row.id], plugged).get(row.id, {})
    name = ids.specimen_id(row.job_id, row.piece)
    card = Card(f"{name}  {row.name or ''}".rstrip(), data={"id": name})
    for value in factors.in_registry_order(found):
        card.add(value.name, factors.factor_words(value))
    missing = [factor.name for factor in factors.REGISTRY if not factor.of_test and factor.name not in found]
    if missing:
        card.add("not recorded", ", ".join(missing))
    card.data |= {
        "factors": [factors.factor_data(value) for value in factors.in_registry_order(found)],
        "not_recorded": missing,
    }
    return card


_PART: Final = 1000
"""Specimens whose factors are read together."""


def factor_table(
    book: Book,
    plugged: Plugged | None = None,
    *,
    bases: bool = True,
    where: Sequence[ColumnElement[bool]] = (),
    judge: Judge | None = None,
    tell: Callable[[int], None] = lambda _: None,
) -> Iterator[dict[str, Any]]:
    """Yield every specimen with its factors, a column each, some read at a time.

    Columns are the same for all: those of the registry that are recorded, then the others by name. Of a list
    of more than :data:`_PART` specimens they are all that may be recorded anywhere in the book, for the
    others are not read before the first is given.

    Args:
        book: Read only.
        plugged: Plugins that may add some.
        bases: Whether a column with the basis follows each.
        where: Conditions over specimens.
        judge: Asked of those that the conditions let through.
        tell: Called with how many were gone through while all are asked for the names of their factors.
    """

    def parts(session: Session) -> Iterator[list[int]]:
        numbers = _specimen_numbers(session.connection(), where)
        if judge is not None:
            numbers = judged_in_order(session.connection(), "specimens", numbers, judge)
        while part := list(islice(numbers, _PART)):
            yield part

    with book.read() as session:
        given = parts(session)
        first, second = next(given, []), next(given, [])
        found = factors.factors_of(session, first, plugged)
        names = {name for each in found.values() for name in each}
        if second and plugged is not None and plugged.adds_factors:
            # What a plugin adds of a specimen is known only when it was asked.
            for done, part in enumerate(parts(session), start=1):
                of_part = factors.factors_of(session, part, plugged)
                names.update(name for each in of_part.values() for name in each)
                tell(done * _PART)
        elif second:
            names |= selection.names_in_force(session.connection())
        known = [factor.name for factor in factors.REGISTRY if factor.name in names]
        columns = [*known, *sorted(names.difference(known))]
        yield from _with_factors(session, first, found, columns, bases)
        for part in chain([second], given) if second else ():
            found = factors.factors_of(session, part, plugged)
            yield from _with_factors(session, part, found, columns, bases)


def _specimen_numbers(connection: Connection, where: Sequence[ColumnElement[bool]]) -> Iterator[int]:
    asked = select(Specimen.id).where(*where).order_by(Specimen.job_id, Specimen.piece)
    plan_for_first_rows(connection)
    options = {"stream_results": True, "max_row_buffer": _PART}
    return iter(connection.scalars(asked, execution_options=options))


def _with_factors(
    session: Session, numbers: Sequence[int], found: Mapping[int, Factors], columns: Sequence[str],
    bases: bool,
) -> Iterator[dict[str, Any]]:  # fmt: skip
    asked = select(Specimen.id, Specimen.job_id, Specimen.piece, Specimen.name).where(
        Specimen.id.in_(numbers)
    )
    rows = {row.id: row for row in session.execute(asked)}
    for row in (rows[number] for number in numbers):
        own = found[row.id]
        data = {"id": ids.specimen_id(row.job_id, row.piece), "name": row.name}
        for column in columns:
            value = own.get(column)
            data[column] = value.value if value is not None else None
            if bases:
                data[f"{column} basis"] = value.basis if value is not None else "not recorded"
        yield data


_MOMENTS = 200
"""Points of the chart: more than a terminal has columns, few enough to be quick."""


@dataclass(frozen=True)
class SpoolStory:
    """A spool's days, ready to be drawn.

    Attributes:
        days: Where it was when.
        water: Now; None where nothing is recorded of its days.
        history: Water over the days.
        left: Filament left.
    """

    days: SpoolDays
    water: Water | None
    history: WaterHistory | None
    left: MassLeft

    def text(self, width: int) -> str:
        """Return the days as text of so many columns."""
        return exposure.days_text(self.days.timeline, self.history, self.points, width=width)

    def picture(self, form: str) -> bytes:
        """Return the days as a picture, ``svg`` or ``png``.

        Raises:
            Refused: There is no such form, or nothing is recorded.
        """
        if form not in ("svg", "png"):
            raise Refused(f"Days cannot be drawn as {form!r}", do="Name a file that ends in .svg or .png")
        draw = exposure.days_svg if form == "svg" else exposure.days_png
        return draw(self.days.timeline, self.history, self.points, title=f"The days of {self.days.spool}")

    @property
    def points(self) -> Sequence[tuple[dt.datetime, float]]:
        """Filament left, within the days: what was on the label before the first record is at it."""
        began = self.days.timeline.began
        if began is None:
            return ()
        earlier = [grams for at, grams in self.left.points if at < began]
        later = [(at, grams) for at, grams in self.left.points if at >= began]
        return [(began, earlier[-1]), *later] if earlier else later

    def sentences(self) -> list[str]:
        """Return what is under the chart: mass left and water, each with how it is known."""
        sentences = [self.left.sentence]
        if self.water is not None:
            sentences += [self.water.sentence, *self.water.sentences]
        return sentences

    def as_json(self) -> dict[str, Any]:
        """Return it as plain JSON values."""
        water = self.water
        return {
            "left_g": self.left.left_g, "left_u_g": self.left.u_g, "left_how": self.left.how,
            "mass_left": [{"at": at.isoformat(), "g": grams} for at, grams in self.left.points],
            "water": None if water is None else {
                "pct": water.centre_pct, "low_pct": water.low_pct, "high_pct": water.high_pct,
                "grade": water.grade, "statement": water.sentence, "assumed": list(water.sentences),
                "open_air_h": water.exposure.hours, "unlogged_h": water.exposure.hours_unlogged,
                "since": water.exposure.since,
            },
            "days": [
                {"place": each.place, "began": each.began.isoformat(), "ended": each.ended.isoformat()}
                for each in self.days.timeline.segments
            ],
        }  # fmt: skip


def filled_spools(book: Book) -> list[dict[str, Any]]:
    """Return the spools that are neither empty nor wound onto another reel, with what is left in words.

    The one that was printed from last comes first, then the others, the newest first.
    """
    with book.read() as session:
        reel = aliased(Spool)
        wound = select(reel.wound_from_id).where(reel.wound_from_id.is_not(None))
        last = session.scalar(
            select(JobSpool.spool_id)
            .join(Job)
            .where(Job.started_at.is_not(None))
            .order_by(Job.started_at.desc(), Job.id.desc(), JobSpool.tool)
            .limit(1)
        )
        rows = session.scalars(
            select(Spool)
            .options(joinedload(Spool.material))
            .where(Spool.merged_into_id.is_(None), Spool.id.not_in(wound))
            .order_by((Spool.id == (last or 0)).desc(), Spool.id.desc())
            .limit(_SPOOLS)
        )
        found = []
        for row in rows:
            left = mass_left(session, row, book.clock(), book.zone)
            if left.left_g is None or left.left_g > 0:
                off = f" ± {left.u_g:.0f}" if left.u_g else ""
                grams = "left not known" if left.left_g is None else f"{left.left_g:.0f}{off} g left"
                words = ", ".join(filter(None, (row.material.name, grams, row.lot and f"lot {row.lot}")))
                found.append({"spool": ids.spool_id(row.id), "words": words})
    return found


_SPOOLS: Final = 30
"""Spools that are listed at a prompt: a page of a terminal."""


def spool_story(book: Book, spool: str) -> SpoolStory:
    """Return a spool's days up to now.

    Raises:
        Refused: There is no such spool, or its records cannot all be true.
    """
    with book.read() as session:
        row = find(book, session, spool, "spool")
        now = book.clock()
        days, left = spool_days(session, row, now), mass_left(session, row, now, book.zone)
    began = days.timeline.began
    if began is None or began >= now:
        return SpoolStory(days, None, None, left)
    step = (now - began) / _MOMENTS
    moments = [*(began + step * number for number in range(_MOMENTS)), now]
    return SpoolStory(days, water_at(days, now), water_at_many(days, moments), left)
