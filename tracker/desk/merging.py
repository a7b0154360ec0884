"""Records of one thing that were entered twice, merged; specimens cut, filament wound onto another reel.

Nothing is lost by any of these: both IDs of what was merged lead to one record, a cut specimen to the one
that it was cut from, and a reel to the spool whose filament it carries.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracker.acts import Act
from tracker.book import WITH_VOIDED, Book
from tracker.desk.doubts import Done, ask_all, confirm
from tracker.desk.measuring import compute_again, settle_used_up
from tracker.errors import Refused
from tracker.forms import Ask, FormError, clean, when_at
from tracker.history import mass_left
from tracker.kinds import KINDS, find, find_row, kind_of, name_of
from tracker.kinds.whereabouts import contradictions
from tracker.model import (
    Base,
    DryingSpool,
    JobSpool,
    Measurement,
    MeasurementRig,
    Photograph,
    Specimen,
    Spool,
    StoragePeriod,
)
from tracker.plugins import Plugged

_MERGED: Final = ("material", "spool", "rig")
_LINKS: Final[Mapping[type[Any], str]] = {
    JobSpool: "spool_id",
    DryingSpool: "spool_id",
    MeasurementRig: "rig_id",
}
"""Links whose key names what is merged: the old one is taken back, and one to the other put in its place."""


def merge(book: Book, who: str, keep: str, gone: str, reason: str, *, sure: bool = False) -> Done:
    """Merge two records of one material, spool or rig: what hung on either hangs on the first.

    Both IDs lead there from then on; what the first does not say is taken from the second.

    Args:
        book: The book.
        who: Who merges.
        keep: The record that stays.
        gone: The other.
        reason: Why; required.
        sure: It is meant, though they say different things.

    Raises:
        Doubt: They say different things, or a spool's records cannot all be true any more.
        Refused: They are of different kinds, or cannot be merged.
    """
    if not reason.strip():
        raise FormError("Merging needs a reason", do="Give it with --reason")
    with book.act("merge", who, reason=" ".join(reason.split())) as act:
        session = act.session
        kept, other = find_row(book, session, keep), find_row(book, session, gone)
        kind = kind_of(kept)
        if type(kept) is not type(other) or kind.name not in _MERGED:
            raise Refused(
                f"{name_of(kept)} and {name_of(other)} cannot be merged",
                do=f"Name two of a kind: {', '.join(KINDS[each].plural for each in _MERGED)}",
            )
        if kept is other:
            raise Refused(f"{name_of(kept)} is one record", do="Name another one")
        act.about += [name_of(kept), name_of(other)]
        ask_all(list(_differences(kept, other)), sure=sure)
        _fill_blanks(kept, other)
        _lead_over(act, kept, other)
        other.voided, other.merged_into_id = act.seq, kept.id
        session.flush()
        session.expire_all()
        if isinstance(kept, Spool):
            found = contradictions(session, kept.id, when_at(book).now, book.zone)
            together = "merged, its records cannot all be true"
            confirm(kept, [f"{together}: {each.sentence}" for each in found], sure=sure)
        return Done(name_of(kept), [f"{name_of(other)} leads to {name_of(kept)} from now on."])


def _differences(kept: Any, other: Any) -> Iterator[str]:
    """Yield what two records say differently, a sentence each."""
    for ask in kind_of(kept).form:
        one, two = getattr(kept, ask.name, None), getattr(other, ask.name, None)
        if ask.name not in ("name", "note") and one is not None and two is not None and one != two:
            names = [getattr(each, "name", each) for each in (one, two)]
            yield f"{ask.label}: {name_of(kept)} says {names[0]}, {name_of(other)} says {names[1]}"


def _fill_blanks(kept: Any, other: Any) -> None:
    for column in kept.__table__.c:
        name = column.name
        if name in ("id", "entry", "voided", "confirmed", "merged_into_id"):
            continue
        if getattr(kept, name) is None and getattr(other, name) is not None:
            setattr(kept, name, getattr(other, name))


def _lead_over(act: Act, kept: Any, other: Any) -> None:
    """Let whatever refers to one record refer to the other."""
    session, table = act.session, kept.__table__
    for mapper in Base.registry.mappers:
        model: Any = mapper.class_
        for column in model.__table__.c:
            if not any(key.column.table is table and key.column.name == "id" for key in column.foreign_keys):
                continue
            asked = select(model).where(getattr(model, column.name) == other.id)
            for row in session.scalars(asked, execution_options={WITH_VOIDED: True}).all():
                if _LINKS.get(model) == column.name:
                    _link_anew(act, row, column.name, kept.id)
                elif row is not kept:
                    setattr(row, column.name, kept.id)


def _link_anew(act: Act, row: Any, column: str, number: int) -> None:
    """Put a link to another record in the place of one: its key cannot be changed."""
    if row.voided is not None:
        return
    session, model = act.session, type(row)
    keys = [each.name for each in model.__table__.primary_key]
    key = tuple(number if name == column else getattr(row, name) for name in keys)
    there = session.get(model, key, execution_options={WITH_VOIDED: True})
    if there is None:
        copied = {
            each.name: getattr(row, each.name)
            for each in model.__table__.c
            if each.name not in ("entry", "voided", column)
        }
        session.add(model(**copied, **{column: number}))
    else:
        there.voided = None
    row.voided = act.seq


# --- cut and wound ---------------------------------------------------------------------------------------

CUT_FORM: Final = (
    Ask("cut_at", "Cut at", "moment", default="now"),
    Ask("note", "Note"),
)


def cut_specimen(
    book: Book, who: str, specimen: str, names: list[str], typed: Mapping[str, Any], *, sure: bool = False
) -> Done:
    """Enter that a specimen was cut: each part is a specimen of its own, and the whole is used up.

    Orientation, plate and layers are those of the whole; geometry and gauge section are the part's own, and
    not known.

    Args:
        book: The book.
        who: Who cut it.
        specimen: ID of the whole.
        names: What the parts are called, one each.
        typed: Answers to :data:`CUT_FORM`.
        sure: It is meant, though the specimen failed or is used up.

    Returns:
        The whole, with the IDs of the parts in ``also``.

    Raises:
        Doubt: The specimen failed on the bed or is used up.
        FormError: No parts, or more than a job can number.
    """
    if not names:
        raise FormError("Cut into what", do="Name the parts: --into 'left half' --into 'right half'")
    values = clean(CUT_FORM, {**typed, "cut_at": typed.get("cut_at") or "now"}, when_at(book))
    with book.act("specimen cut", who) as act:
        row: Specimen = find(book, act.session, specimen, "specimen")
        asked = [f"{name_of(row)} failed on the bed"] if row.outcome == "failed" else []
        asked += [f"{name_of(row)} is used up"] if row.broken_at is not None else []
        ask_all(asked, sure=sure)
        last = act.session.scalar(
            select(func.max(Specimen.piece)).where(Specimen.job_id == row.job_id),
            execution_options={WITH_VOIDED: True},
        )
        parts = [
            Specimen(
                job_id=row.job_id, piece=int(last or 0) + number, name=name, orientation=row.orientation,
                geometry="free", outcome=row.outcome or "good", remark=row.remark, x_mm=row.x_mm,
                y_mm=row.y_mm, plate_facts=row.plate_facts, log_facts=row.log_facts, cut_from_id=row.id,
                cut_at=values["cut_at"], note=values["note"],
            )
            for number, name in enumerate(names, start=1)
        ]  # fmt: skip
        act.session.add_all(parts)
        row.broken_at = row.broken_at or values["cut_at"]
        act.session.flush()
        for part in parts:
            confirm(part, asked, sure=True)
        made = [name_of(each) for each in parts]
        act.about += [name_of(row), *made]
    return Done(name_of(row), [], made)


WIND_FORM: Final = (
    Ask("wound_at", "Wound at", "moment", default="now"),
    Ask(
        "gross_g", "Mass of the new reel with the filament", "number", "g", prompt=True, low=0.1, high=50_000
    ),
    Ask("empty_g", "Mass of the new reel alone", "number", "g", prompt=True, low=0.1, high=50_000),
    Ask("reel", "What the new reel is made of", "choice", choices=("plastic", "cardboard", "none")),
    Ask("note", "Note"),
)


def wind_spool(book: Book, who: str, spool: str, typed: Mapping[str, Any], *, sure: bool = False) -> Done:
    """Enter that what was left on a spool was wound onto another reel, which is a spool of its own.

    What happened to the filament before, happened to it on the old reel: water and drying follow it.

    Args:
        book: The book.
        who: Who wound it.
        spool: ID of the spool it came from.
        typed: Answers to :data:`WIND_FORM`.
        sure: More than was left is meant.

    Returns:
        The new spool.

    Raises:
        Doubt: More was wound than was left, as far as is recorded.
        FormError: A field is wrong.
    """
    when = when_at(book)
    values = clean(WIND_FORM, {**typed, "wound_at": typed.get("wound_at") or "now"}, when)
    with book.act("spool wind", who) as act:
        session = act.session
        row: Spool = find(book, session, spool, "spool")
        at = values["wound_at"]
        left = mass_left(session, row, at, book.zone)
        gross, empty = values["gross_g"], values["empty_g"]
        net = gross - empty if gross is not None and empty is not None else left.left_g
        new = Spool(
            material_id=row.material_id, lot=row.lot, colour=row.colour, diameter_mm=row.diameter_mm,
            net_g=net, gross_g=gross, empty_g=empty, reel=values["reel"], supplied=row.supplied,
            supplied_by=row.supplied_by, received_on=at.astimezone(book.zone).date(),
            condition=row.condition, wound_from_id=row.id, wound_at=at, note=values["note"],
        )  # fmt: skip
        session.add(new)
        KINDS["spool"].check(session, new, when)
        session.flush()
        confirm(new, _too_much(net, left.left_g), sure=sure)
        _move_storage(session, row, new, at)
        act.about += [name_of(new), name_of(row)]
        session.flush()
    return Done(name_of(new), [f"{name_of(row)} is empty from then on."])


def _too_much(wound: float | None, left: float | None) -> list[str]:
    # Scales and labels are a few per cent off. Common practice, no source.
    if wound is None or left is None or wound <= 1.05 * left + 5:
        return []
    return [f"{wound:.0f} g were wound, and {left:.0f} g were left as far as is recorded"]


def _move_storage(session: Session, old: Spool, new: Spool, at: Any) -> None:
    """End where the old spool was kept, and go on there with the new one."""
    asked = select(StoragePeriod).where(
        StoragePeriod.spool_id == old.id, StoragePeriod.ended_at.is_(None), StoragePeriod.began_at <= at
    )
    running = session.scalars(asked.order_by(StoragePeriod.began_at.desc())).first()
    if running is not None:
        running.ended_at = at
        session.add(
            StoragePeriod(
                spool_id=new.id, place=running.place, where=running.where, began_at=at,
                temperature_c=running.temperature_c, rh_pct=running.rh_pct, rh_low_pct=running.rh_low_pct,
                rh_high_pct=running.rh_high_pct,
            )
        )  # fmt: skip


def exchange_labels(book: Book, who: str, plugged: Plugged, one: str, other: str, reason: str) -> Done:
    """Exchange two specimens whose labels were mixed up: tests and photographs go to the other one.

    Outcome, remark and what was printed stay where they are: they belong to the place on the plate.

    Raises:
        FormError: No reason, or one specimen twice.
        Refused: There is no such specimen.
    """
    if not reason.strip():
        raise FormError("Exchanging labels needs a reason", do="Give it with --reason")
    with book.act("relabel", who, reason=" ".join(reason.split())) as act:
        session = act.session
        pair: list[Specimen] = [find(book, session, each, "specimen") for each in (one, other)]
        if pair[0] is pair[1]:
            raise FormError(f"{name_of(pair[0])} is named twice", do="Name the two that were mixed up")
        act.about += [name_of(each) for each in pair]
        moved = _exchange(session, *pair)
        notes = [note for row in moved if (note := _computed_anew(act, book, plugged, row))]
        for row in moved:
            for piece in pair:
                settle_used_up(session, plugged, piece, row)
    return Done(name_of(pair[0]), notes, [name_of(pair[1])])


def _exchange(session: Session, one: Specimen, other: Specimen) -> list[Measurement]:
    """Give tests and photographs of each of two specimens to the other; returns the tests."""
    pairs = ((one, other), (other, one))
    tests = [
        (row, new)
        for old, new in pairs
        for row in session.scalars(select(Measurement).where(Measurement.specimen_id == old.id))
    ]
    photographs = [
        (row, new)
        for old, new in pairs
        for row in session.scalars(select(Photograph).where(Photograph.specimen_id == old.id))
    ]
    for row, new in tests:
        row.specimen_id = new.id
    for photograph, new in photographs:
        photograph.specimen_id, photograph.job_id = new.id, new.job_id
    session.flush()
    for row, _ in tests:
        session.expire(row, ["specimen"])
    return [row for row, _ in tests]


def _computed_anew(act: Act, book: Book, plugged: Plugged, row: Measurement) -> str:
    """Compute a measurement again; returns why that cannot be done, or nothing."""
    try:
        compute_again(act, book, plugged, row)
    except Refused as refusal:
        return f"{name_of(row)} keeps its results: {refusal}"
    return ""
