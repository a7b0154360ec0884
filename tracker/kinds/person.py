"""People: who works at the bench, by initials and name, and what they are called in public."""

from __future__ import annotations

from typing import Any

from sqlalchemy.orm import Session

from tracker.forms import Ask, When, refuse_taken
from tracker.kinds.base import Kind
from tracker.model import Person


class PersonKind(Kind):
    """Somebody at the bench."""

    name, plural, model, unique, place = "person", "people", Person, "initials", 90
    title = "Somebody at the bench"
    form = (
        Ask("initials", "Initials", required=True),
        Ask("name", "Full name", required=True, prompt=True),
        Ask("pseudonym", "Name in published pages (empty: nothing is published)"),
        Ask("note", "Note"),
    )

    def by_name(self, session: Session, typed: str) -> Any:
        """By initials, full name or pseudonym."""
        wanted = typed.strip().casefold()
        people = session.query(Person).order_by(Person.id).all()
        for column in ("initials", "name", "pseudonym"):
            for row in people:
                if (getattr(row, column) or "").casefold() == wanted:
                    return row
        return None

    def check(self, session: Session, row: Any, when: When) -> None:
        """Refuse initials or a name that somebody else has: nobody could say who was meant."""
        super().check(session, row, when)
        others = session.query(Person).filter(Person.id != row.id).all()
        refuse_taken("person", row.name, [each.name for each in others])


KINDS = (PersonKind(),)
