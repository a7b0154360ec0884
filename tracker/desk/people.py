"""Who is doing it: a person of the book, where it has people."""

from __future__ import annotations

from sqlalchemy import select

from tracker.book import Book
from tracker.errors import Refused
from tracker.kinds import KINDS
from tracker.model import Person
from tracker.suggest import did_you_mean


def known_person(book: Book, typed: str) -> str:
    """Return the full name of the person that initials, a name or a pseudonym stands for.

    A book without people takes any name: they are entered when somebody wants them told apart.

    Raises:
        Refused: The book has people, and none of them is meant.
    """
    with book.read() as session:
        row = KINDS["person"].by_name(session, typed)
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


def pseudonyms(book: Book) -> dict[str, str]:
    """Return what people are called in public, by full name; who has no pseudonym is left out."""
    with book.read() as session:
        people = session.scalars(select(Person))
        return {each.name: each.pseudonym for each in people if each.pseudonym}
