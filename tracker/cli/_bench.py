"""What every command has at hand: the book when it is needed, the person, and leave to ask."""

from __future__ import annotations

import gc
import os
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

if TYPE_CHECKING:
    from tracker.book import Book
    from tracker.plugins import Plugged

T = TypeVar("T")

_SELDOM = 20_000
"""New objects after which garbage is looked for: a short command makes fewer, a long one finds it still."""


class DeclinedError(click.Abort):
    """The person was asked whether something unusual is meant, and said no."""


class Bench:
    """The context of a command.

    Args:
        place: The book as named on the command line or in the environment.
        who: The person as named there.
        may_ask: Whether there is a terminal to ask at.
        here: Gives the folder from which a book is looked for.
        key: Under which the command's acts are done once; drawn where none is given.
        clock_is_right: Acts may be entered earlier than the last one.
    """

    def __init__(
        self,
        place: str | None,
        who: str | None,
        may_ask: bool,
        here: Callable[[], Path],
        *,
        key: str = "",
        clock_is_right: bool = False,
    ) -> None:
        self.place = place
        self.key = key or secrets.token_hex(8)
        self._clock_is_right = clock_is_right
        self._who = who
        self._known: str | None = None
        self.may_ask = may_ask
        self._here = here
        self._book: Book | None = None
        self._plugged: Plugged | None = None

    @property
    def named(self) -> str:
        """The place of the book, as it was found."""
        from tracker.book import find_place  # noqa: PLC0415 - not every command needs a book

        return find_place(self._here(), self.place)

    @property
    def book(self) -> Book:
        """The book, opened when first asked for."""
        if self._book is None:
            self._book = self._opened()
        return self._book

    def _opened(self) -> Book:
        # Tables and mappers are objects by the hundred thousand that live to the end: to look for waste
        # among them while they are made, and ever after, would cost a tenth of a short command's time.
        gc.disable()
        try:
            from tracker.book import open_book  # noqa: PLC0415 - not every command needs a book

            book = open_book(self.named).keyed(self.key)
            book.clock_is_right = self._clock_is_right
            return book
        finally:
            gc.freeze()
            gc.set_threshold(_SELDOM, 20, 20)
            gc.enable()

    @property
    def plugged(self) -> Plugged:
        """The plugins, loaded when first asked for; one that cannot be used is named once."""
        if self._plugged is None:
            from tracker.plugins import load  # noqa: PLC0415 - looking and labelling need no methods

            self._plugged = load()
            for problem in self._plugged.problems:
                click.echo(f"strandbook: plugin left out: {problem}", err=True)
        return self._plugged

    @property
    def who(self) -> str:
        """The person who does this: one of the book's people, where it has any.

        Raises:
            Refused: The book has people, none of them is meant, and there is nobody to ask.
        """
        if self._known is None:
            self._known = self._person(self.named_who)
        return self._known

    def _person(self, typed: str) -> str:
        from tracker.book import BookError  # noqa: PLC0415 - only acts ask who does them
        from tracker.desk.people import known_person, people_of  # noqa: PLC0415 - the same
        from tracker.errors import Refused  # noqa: PLC0415 - the same

        try:
            book = self.book
        except BookError:
            # It is about to be made.
            return typed
        while True:
            try:
                return known_person(book, typed)
            except Refused as refusal:
                if not self.may_ask:
                    raise
                click.echo(f"  {refusal.what}.", err=True)
                people = ", ".join(f"{initials} {name}" for initials, name in people_of(book))
                typed = click.prompt(f"Who is doing this ({people})", err=True)

    @property
    def named_who(self) -> str:
        """Who does this as it was said, in the environment or by the computer."""
        if self._who:
            return self._who
        import getpass  # noqa: PLC0415 - looking asks nobody's name

        try:
            return getpass.getuser()
        except (OSError, KeyError):
            return f"user {os.getuid()}"

    def close(self) -> None:
        """Give back what was opened."""
        if self._book is not None:
            self._book.close()

    def sure(self, act: Callable[[bool], T], yes: bool) -> T:
        """Do an act that may raise a doubt; the person is asked where there is a terminal.

        Raises:
            Doubt: There is nobody to ask, and ``yes`` was not said beforehand.
        """
        from tracker.desk.doubts import Doubt  # noqa: PLC0415 - only acts have doubts

        try:
            return act(yes)
        except Doubt as question:
            if yes:
                # What was said beforehand answers this one too: asked again, it lets the act through.
                return act(True)
            if not self.may_ask:
                raise
            head = f"{question.what}: {question.why}" if question.why else question.what
            if not click.confirm(f"{head}. Go on?", err=True):
                raise DeclinedError from question
            return act(True)


pass_bench = click.make_pass_decorator(Bench)
