"""Giving a material its programme."""

from __future__ import annotations

from sqlalchemy import select

from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.kinds import material_named
from tracker.model import Programme


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
