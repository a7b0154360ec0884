"""Forms that come twice: what is sent again under its key finds what was done, and does nothing.

A browser that lost the answer sends its form again, a finger taps twice, two servers stand before one
book. Only the book itself sees all of that, so the key is kept there, by the very act that it belongs to.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.acts import Act
from tracker.book import Book
from tracker.model import JournalRecord, SentForm


class DoneBefore(Exception):  # noqa: N818 - no error: it ends an act of which nothing is left to do
    """What a key stands for was done already.

    Attributes:
        id: The ID or name that was made or changed then; empty where the act named none.
    """

    def __init__(self, name: str) -> None:
        self.id = name
        super().__init__(name)


class _KeyedBook(Book):
    """A book whose next act is done once under a key."""

    key = ""

    @contextmanager
    def act(self, act: str, who: str, *, reason: str = "", about: tuple[str, ...] = ()) -> Iterator[Act]:
        """Do an act, or none where its key was used.

        Raises:
            DoneBefore: The key was used.
        """
        with super().act(act, who, reason=reason, about=about) as doing:
            # Asked inside the act, where nobody else writes: of two that come at once one finds the other.
            _refuse_twice(doing.session, self.key)
            yield doing
            doing.session.add(SentForm(key=self.key))


def under(book: Book, key: str) -> Book:
    """Return a book on which one act can be done under a key; the same book where the key is empty."""
    if not key:
        return book
    keyed: _KeyedBook = copy.copy(book)  # type: ignore[assignment]
    # The same connections and files: opening the book anew for each form would cost more than the form.
    keyed.__class__ = _KeyedBook
    keyed.key = key
    return keyed


def check_new(book: Book, key: str) -> None:
    """Let through a key that was not used, before anything is read for it.

    Raises:
        DoneBefore: It was.
    """
    if key:
        with book.read() as session:
            _refuse_twice(session, key)


def _refuse_twice(session: Session, key: str) -> None:
    body = session.scalar(
        select(JournalRecord.body)
        .join(SentForm, SentForm.entry == JournalRecord.seq)
        .where(SentForm.key == key)
    )
    if body is not None:
        raise DoneBefore(next(iter(json.loads(body)["about"]), ""))
