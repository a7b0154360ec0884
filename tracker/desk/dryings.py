"""Dryings: one cycle of one or more spools, entered when it starts, when it ends, or afterwards."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from tracker import cautions
from tracker.book import Book
from tracker.desk.doubts import Done, confirm, doubt
from tracker.desk.entering import fill_in
from tracker.forms import NONE, FormError, check_order, clean, when_at
from tracker.ids import drying_id, spool_id
from tracker.kinds import KINDS, find
from tracker.kinds.base import refuse_assumed_end
from tracker.model import Drying, DryingSpool, Spool
from tracker.units import parse

DRYING_FORM: Final = KINDS["drying"].form


def start_drying(
    book: Book,
    who: str,
    spools: Sequence[str],
    typed: Mapping[str, Any],
    *,
    before: Sequence[str] = (),
    after: Sequence[str] = (),
    sure: bool = False,
    caution: Callable[[str], None] | None = None,
) -> Done:
    """Enter a drying of spools, begun now or at the time given.

    Args:
        book: The book.
        who: Who enters it.
        spools: Their IDs.
        typed: Answers to :data:`DRYING_FORM`.
        before: Masses before, one for each spool in order, or none.
        after: Masses after, likewise.
        sure: The person knows that it is hotter than the material is said to stand.
        caution: Tells the usual caution when nothing is wrong with it, before it is stored; without it the
            caution stands in what is returned.

    Raises:
        Doubt: It is hotter than a material stands, or cannot be true beside the spool's other records.
        FormError: A field is wrong, the masses do not go with the spools, or a spool is named twice.
        Refused: There is no such spool.
    """
    when = when_at(book)
    values = clean(DRYING_FORM, typed, when)
    values["began_at"] = values["began_at"] or when.now
    check_order(values["began_at"], values["ended_at"], "The drying", book.zone)
    befores, afters = _masses(before, spools, "before"), _masses(after, spools, "after")
    with book.act("dry", who) as act:
        rows = [find(book, act.session, spool, "spool") for spool in spools]
        # Two ways of typing one ID are one spool, with one mass before and one after.
        if len({row.id for row in rows}) < len(rows):
            raise FormError("A spool is named twice", do="Name each once")
        # A doubt and no refusal: some dry hotter on purpose, and what is entered afterwards has happened.
        _check_heat(rows, values, sure=sure)
        drying = Drying(**values)
        drying.spools = [
            DryingSpool(spool=row, before_g=b, after_g=a)
            for row, b, a in zip(rows, befores, afters, strict=True)
        ]
        act.session.add(drying)
        act.session.flush()
        confirm(drying, KINDS["drying"].odd(act.session, drying, when), sure=sure)
        act.about += [drying_id(drying.id), *(spool_id(row.id) for row in rows)]
        if caution is not None:
            caution(cautions.DRYING)
    told = [cautions.DRYING] if caution is None else []
    return Done(drying_id(drying.id), [*told, *_mass_notes(drying)])


def end_drying(
    book: Book,
    who: str,
    drying: str,
    typed: Mapping[str, Any],
    after: Sequence[str] = (),
    *,
    sure: bool = False,
) -> Done:
    """Complete a drying: when it ended, what was measured, the masses after.

    Args:
        book: The book.
        who: Who enters it.
        drying: ID of the drying.
        typed: Fields of the drying's form; without an end it ends now, if that can be by its plan.
        after: Masses of the spools with their reels after drying.
        sure: What is unusual about it is meant.

    Raises:
        Doubt: It ended long after the time that was meant, or during a job.
        FormError: A field or a mass is wrong, it would end before it began, or a spool was weighed after
            it already.
        Refused: There is no such drying.
    """
    with book.act("dry end", who) as act:
        row = find(book, act.session, drying, "drying")
        # A bare time is of the drying's own day: it may have run past midnight.
        when = when_at(book, row.began_at)
        given = {key: value for key, value in clean(DRYING_FORM, typed, when).items() if value is not None}
        if "ended_at" not in given and typed.get("ended_at") != NONE:
            if row.ended_at is None:
                refuse_assumed_end(row.began_at, when.now, row.planned_h, drying_id(row.id), book.zone)
            given["ended_at"] = row.ended_at or when.now
        fill_in(row, given, drying_id(row.id))
        check_order(row.began_at, row.ended_at, "The drying", book.zone)
        for spool, mass in zip(row.spools, _masses(after, row.spools, "after"), strict=True):
            _weigh_after(row, spool, mass)
        confirm(row, KINDS["drying"].odd(act.session, row, when), sure=sure)
        act.about += [drying_id(row.id), *(spool_id(each.spool_id) for each in row.spools)]
        notes = _mass_notes(row)
    return Done(drying_id(row.id), notes)


def _weigh_after(row: Drying, spool: DryingSpool, mass: float | None) -> None:
    if mass is None or mass == spool.after_g:
        return
    # A second mass for the same drying is a correction; overwritten, the first would be lost without a
    # reason.
    if spool.after_g is not None:
        name, of = drying_id(row.id), spool_id(spool.spool_id)
        raise FormError(
            f"{of} was weighed after {name} already: {spool.after_g:g} g",
            do=f"Correct it with its reason: strandbook correct {name} {of}.after_g={mass:g} --reason WHY",
        )
    spool.after_g = mass


def _masses(typed: Sequence[str], spools: Sequence[Any], which: str) -> list[float | None]:
    if not typed:
        return [None] * len(spools)
    # Masses are told apart by their order alone: one too few would shift all that follow.
    if len(typed) != len(spools):
        raise FormError(
            f"{len(typed)} masses {which} for {len(spools)} spools",
            do=f"Give --{which} once for each spool, in their order",
        )
    masses = [parse(each, "g", f"mass {which}") for each in typed]
    if min(masses) <= 0:
        raise FormError(f"A mass {which} must be above zero")
    return list(masses)


def _check_heat(spools: Sequence[Spool], values: Mapping[str, Any], *, sure: bool) -> None:
    # The hotter of set and measured: a dryer that overshoots harms whatever its dial says.
    hottest = max((values[key] for key in ("set_c", "measured_c") if values[key] is not None), default=None)
    for spool in spools:
        limit = spool.material.drying_max_c
        if hottest is not None and limit is not None and hottest > limit:
            doubt(
                f"{hottest:g} °C is hotter than {spool.material.name} withstands ({limit:g} °C)",
                why="the windings may weld together and the reel may warp",
                sure=sure,
            )


def _mass_notes(drying: Drying) -> list[str]:
    """Say what the scales said; a gain is a gain and not clipped."""
    notes = []
    for each in drying.spools:
        if each.before_g is not None and each.after_g is not None:
            lost = each.before_g - each.after_g
            word = "lost" if lost >= 0 else "GAINED (check the weighings)"
            notes.append(f"{spool_id(each.spool_id)} {word} {abs(lost):.1f} g.")
    return notes
