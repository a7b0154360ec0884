"""Settings that a person changed by hand while a job ran."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.desk.heatings import heating_doubt
from tracker.forms import Ask, FormError, check_order, clean, when_at
from tracker.ids import job_id
from tracker.kinds import find
from tracker.kinds.job import SETTINGS
from tracker.model import SettingChange
from tracker.moments import local_time as local
from tracker.units import UnitError, parse

_PLACE: Final = (
    Ask("at", "When", "moment"),
    Ask("layer", "From layer", "whole", low=0, high=1_000_000),
    Ask("height_mm", "From height", "number", "mm", low=0, high=5_000),
    Ask("note", "Note"),
)


def change_setting(book: Book, who: str, job: str, assignment: str, typed: Mapping[str, Any]) -> Done:
    """Enter a setting changed by hand while a job ran, from a time, a layer or a height on.

    Args:
        book: The book.
        who: Who changed it.
        job: ID of the job.
        assignment: ``fan=50`` or any ``name=value``.
        typed: ``at``, ``layer`` or ``height_mm`` (one of them; now where none is given), ``note``.

    Raises:
        FormError: No assignment, a field that cannot be read, two places at once, or a time outside the job.
        Refused: There is no such job.
    """
    setting, value, words = read_assignment(assignment)
    with book.act("job change", who) as act:
        row = find(book, act.session, job, "job")
        when = when_at(book, row.started_at)
        values = clean(_PLACE, typed, when)
        places = [key for key in ("at", "layer", "height_mm") if values[key] is not None]
        if len(places) > 1:
            raise FormError(f"{' and '.join(places)} are both given", do="Say from when only one way")
        if not places:
            values["at"] = when.now
        check_order(row.started_at, values["at"], "The change", book.zone)
        if values["at"] is not None and row.ended_at is not None and values["at"] > row.ended_at:
            raise FormError(
                f"{local(values['at'], book.zone)} lies after {job_id(row.id)} ended"
                f" ({local(row.ended_at, book.zone)})",
                do="Say from when with --at, --layer or --height",
            )
        act.session.add(SettingChange(job_id=row.id, setting=setting, value=value, text=words, **values))
        act.about.append(job_id(row.id))
        # By a layer or a height it is certain; by the clock it hangs on how long the printer heated.
        early = heating_doubt(row, []) if values["at"] is not None else []
    return Done(job_id(row.id), early)


def read_assignment(assignment: str) -> tuple[str, float | None, str | None]:
    """Return setting, number and text of ``fan=50 %`` or ``first_layer=slow``.

    Raises:
        FormError: There is no ``=``, or a known setting has no number in its unit.
    """
    name, sign, typed = assignment.partition("=")
    name, typed = name.strip().lower(), typed.strip()
    if not sign or not name or not typed:
        raise FormError(f"{assignment!r} is no setting", do="Write NAME=VALUE, as in fan=50")
    try:
        return name, parse(typed, SETTINGS.get(name, "1"), name), None
    except UnitError as error:
        if name in SETTINGS:
            raise FormError(str(error)) from error
        return name, None, typed
