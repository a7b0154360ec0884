"""People: who works at the bench, by initials and name, and what they are called in public."""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.book import Book
from tracker.errors import Refused, did_you_mean
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


_PEOPLE: Final = PersonKind()


def known_person(book: Book, typed: str) -> str:
    """Return the full name of the person that initials, a name or a pseudonym stands for.

    A book without people takes any name: they are entered when somebody wants them told apart.

    Raises:
        Refused: The book has people, and none of them is meant.
    """
    with book.read() as session:
        row = _PEOPLE.by_name(session, typed)
        if row is not None:
            return str(row.name)
        people = [*session.scalars(select(Person).order_by(Person.id))]
        if not people:
            return typed
        names = [name for each in people for name in (each.initials, each.name)]
        listed = "; ".join(f"{each.initials} {each.name}" for each in people)
        raise Refused(
            f"Nobody here is called {typed!r}",
            do=f"{did_you_mean(typed, names)} Say --who with one of: {listed}".strip(),
        )


def people_of(book: Book) -> list[tuple[str, str]]:
    """Return initials and name of everybody at the bench."""
    with book.read() as session:
        return [(each.initials, each.name) for each in session.scalars(select(Person).order_by(Person.id))]


KINDS = (_PEOPLE,)
