"""What is meant: the programme of a material, and which of several conditions is published."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select

from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.forms import FormError
from tracker.kinds import material_named
from tracker.model import Choice, Programme
from tracker.units import UnitError, parse


def choose(
    book: Book, who: str, material: str, settings: Sequence[str], reason: str, remark: str | None = None
) -> Done:
    """Choose the condition of a material that is published.

    Args:
        book: The book.
        who: Whose choice it is.
        material: Name of the material.
        settings: ``nozzle_c=255`` and the like: what tells the condition from the others.
        reason: Why; always wanted.
        remark: What shall stand beside the published values.

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
