"""What every command has at hand: the book, the person, and the one way in which anything is asked.

At every prompt Enter takes what is offered in brackets and says so, ``-`` means none, and an answer that
cannot be read costs that answer only.
"""

from __future__ import annotations

import gc
import getpass
import os
import secrets
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from tracker.cli._output import at_words, width
from tracker.errors import Doubt, Refused, without_passwords
from tracker.forms import NONE, Ask, When, clean, read
from tracker.lazy_modules import lazy
from tracker.safe_text import visible

if TYPE_CHECKING:
    from tracker import benches, plugins, records
    from tracker import book as _book
    from tracker import kinds as _kinds
    from tracker.book import Book
    from tracker.desk import entering
    from tracker.kinds import person as _people
    from tracker.plugins import Plugged
else:
    _kinds = lazy("tracker.kinds")
    entering = lazy("tracker.desk.entering")
    _book = lazy("tracker.book")
    benches = lazy("tracker.benches")
    plugins = lazy("tracker.plugins")
    records = lazy("tracker.records")
    _people = lazy("tracker.kinds.person")


T = TypeVar("T")

_SELDOM = 20_000
"""New objects after which garbage is looked for: a short command makes fewer, a long one finds it still."""


def warn_of_password(named_by: str, *places: str) -> None:
    """Say that a password in a place on the command line is no secret.

    Args:
        named_by: What of the command line names the places, for the person.
        places: As they were typed.
    """
    # Without SQLAlchemy's parser: most commands name no server, and loading it costs more than they do.
    if any("://" in place and without_passwords(place) != place for place in places):
        click.echo(
            f"strandbook: everybody on this computer can read the password in {named_by} while the command "
            "runs, and the shell keeps it; put it into ~/.pgpass or a file that PGPASSFILE names",
            err=True,
        )


class DeclinedError(click.Abort):
    """The person was asked whether something unusual is meant, and said no."""


class Bench:
    """The context of a command.

    Args:
        place: The book as named on the command line or in the environment.
        others: Books named beside it, to be read together with it.
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
        others: tuple[str, ...] = (),
    ) -> None:
        self.place = place
        self._others = others
        self._beside: list[Book] | None = None
        self.key = key or secrets.token_hex(8)
        self._clock_is_right = clock_is_right
        self._who = who
        self._known: str | None = None
        self.may_ask = may_ask
        self._here = here
        self._book: Book | None = None
        self._plugged: Plugged | None = None
        self.warnings: list[str] = []
        self._unsaid = 0

    @property
    def named(self) -> str:
        """The place of the book, as it was found."""
        return _book.find_place(self._here(), self.place)

    @property
    def book(self) -> Book:
        """The book, opened when first asked for."""
        if self._book is None:
            # Tables and mappers are objects by the hundred thousand that live to the end: to look for waste
            # among them while they are made, and ever after, would cost a tenth of a short command's time.
            gc.disable()
            try:
                book = _book.open_book(self.named).keyed(self.key)
                book.clock_is_right = self._clock_is_right
                self._look_for_attachments(book)
            finally:
                gc.freeze()
                gc.set_threshold(_SELDOM, 20, 20)
                gc.enable()
            self._book = book
        return self._book

    @property
    def books_beside(self) -> list[Book]:
        """The books named beside the first, opened when first asked for; they are only read."""
        if self._beside is None:
            self._beside = [_book.open_book(place) for place in self._others]
            for book in self._beside:
                self._look_for_attachments(book)
            if self._beside:
                benches.check_codes([self.book.code, *(book.code for book in self._beside)])
        return self._beside

    def _look_for_attachments(self, book: Book) -> None:
        if trouble := book.files.trouble():
            where = f"The {book.files.noun} {book.files.where}"
            self.warnings.append(
                f"{where} {trouble}. The book can be read; nothing is written until the right one is there"
            )
            if self.may_ask:
                # Before anything is typed that could not be stored.
                self.warn()

    def warn(self, *, aloud: bool = True) -> None:
        """Say once what is not as it must be; not ``aloud`` where something else says it."""
        unsaid, self._unsaid = self.warnings[self._unsaid :], len(self.warnings)
        for line in unsaid if aloud else ():
            click.echo(at_words(f"strandbook: {line}"), err=True)

    @property
    def plugged(self) -> Plugged:
        """The plugins, loaded when first asked for; one that cannot be used is named once."""
        if self._plugged is None:
            self._plugged = plugins.load()
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
        try:
            book = self.book
        except _book.BookError:
            # It is about to be made.
            return typed
        while True:
            try:
                return _people.known_person(book, typed)
            except Refused as refusal:
                if not self.may_ask:
                    raise
                click.echo(f"  {refusal.what}.", err=True)
                people = ", ".join(f"{initials} {name}" for initials, name in _people.people_of(book))
                typed = click.prompt(f"Who is doing this ({people})", err=True)

    @property
    def named_who(self) -> str:
        """Who does this as it was said, in the environment or by the computer."""
        if self._who:
            return self._who

        try:
            return getpass.getuser()
        except (OSError, KeyError):
            return f"user {os.getuid()}"

    def close(self) -> None:
        """Give back what was opened."""
        self.warn()
        for book in (self._book, *(self._beside or ())):
            if book is not None:
                book.close()

    def sure(self, act: Callable[[bool], T], yes: bool) -> T:
        """Do an act that may raise a doubt; the person is asked where there is a terminal.

        Raises:
            Doubt: There is nobody to ask, and ``yes`` was not said beforehand.
        """
        try:
            return act(yes)
        except Doubt as question:
            if yes:
                # What was said beforehand answers this one too: asked again, it lets the act through.
                return act(True)
            if not self.may_ask:
                raise
            head = f"{question.what}: {question.why}" if question.why else question.what
            if not yes_or_no(at_words(f"{head}. Go on?")):
                raise DeclinedError from question
            return act(True)


pass_bench = click.make_pass_decorator(Bench)

F = TypeVar("F", bound=Callable[..., Any])


class Station(click.Group):
    """Commands of one station of the work, each listed with a whole sentence."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List them; click would cut a sentence at the width of the terminal."""
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl(
                [(name, each.get_short_help_str(400)) for name, each in sorted(self.commands.items())]
            )


def asks(form: Sequence[Ask]) -> Callable[[F], F]:
    """Give a command one option for each field of a form."""

    def decorate(function: F) -> F:
        for ask in reversed(form):
            words = ask.question + (" (required)" if ask.required else "")
            function = click.option(ask.option, ask.name, metavar=_metavar(ask), help=words)(function)
        return function

    return decorate


def _metavar(ask: Ask) -> str:
    return {"choice": "WORD", "number": "NUMBER", "whole": "NUMBER", "date": "DATE", "moment": "TIME"}.get(
        ask.kind, "TEXT"
    )


def given_of(form: Sequence[Ask], options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the part of a command's options that belongs to a form."""
    return {ask.name: options.get(ask.name) for ask in form}


def prompt(
    question: str,
    reader: Callable[[str], Any] | None = None,
    offered: str = "",
    *,
    needed: bool = False,
    show_choices: Callable[[], None] | None = None,
) -> str:
    """Ask for one answer until it can be read, and return it as typed.

    Args:
        question: Without colon.
        reader: Raises a refusal for an answer that cannot be read; not called for none.
        offered: Stands in brackets; Enter takes it, and says so.
        needed: Something must be answered.
        show_choices: Shows what could be answered, to whom types ``?``.

    Returns:
        The answer; empty for none where nothing was offered, ``-`` where something was and none is meant.
    """
    while True:
        typed = click.prompt(question, default=offered, show_default=bool(offered), err=True).strip()
        if typed.startswith("strandbook "):
            # Lines that were pasted together: the next command would become the answer to this question.
            click.echo("  That is a command, and this a question: answer it, Enter for none", err=True)
            continue
        if typed == "?" and show_choices is not None:
            show_choices()
            continue
        if typed in ("", NONE):
            if not needed:
                return NONE if offered else ""
            more = "; ? lists them, Ctrl-C leaves" if show_choices is not None else ""
            click.echo(f"  {question.strip()} is missing{more}", err=True)
            continue
        try:
            if reader is not None:
                reader(typed)
        except Refused as refusal:
            click.echo(f"  {visible(str(refusal))}", err=True)
            continue
        if typed == offered:
            click.echo(f"  taken: {visible(offered)}", err=True)
        return typed


def yes_or_no(question: str) -> bool:
    """Ask until yes or no is answered; Enter is no.

    The question is shown once: it may fill the screen, and whoever scanned the next label meanwhile must
    see that it went into this question.
    """
    words = f"{question} [y/N]"
    while True:
        typed = click.prompt(words, default="", show_default=False, err=True).strip()
        if typed.lower() in ("y", "yes"):
            return True
        if typed.lower() in ("", "n", "no"):
            return False
        words = f"  {visible(typed)!r} is neither y (yes) nor n (no), and was not taken. y or n [n]"


def finder(bench: Bench, *kinds: str) -> Callable[[str], None]:
    """Return a reader of answers that name records of these kinds, one or several with spaces between."""

    def find_all(typed: str) -> None:
        with bench.book.read() as session:
            for each in typed.split():
                _kinds.find(bench.book, session, each, *kinds)

    return find_all


def prompt_spools(bench: Bench, question: str, *, needed: bool) -> str:
    """Ask for spools by ID, with those that hold filament in sight; ``?`` lists all of them.

    Args:
        bench: The book, at a terminal.
        question: Without colon.
        needed: One must be named; the one that was printed from last is then offered.
    """
    filled = records.filled_spools(bench.book)

    def show(most: int | None = None) -> None:
        for row in filled[:most]:
            click.echo(f"  {row['spool']}  {row['words']}"[: width()], err=True)
        if not filled:
            click.echo("  No spool with filament is in the book: strandbook spool add MATERIAL", err=True)
        elif most is not None and len(filled) > most:
            click.echo(f"  {len(filled) - most} more: ?", err=True)

    show(_SPOOLS_SHOWN)
    offered = filled[0]["spool"] if needed and filled else ""
    return prompt(question, finder(bench, "spool"), offered, needed=needed, show_choices=show)


_SPOOLS_SHOWN = 4


def prompt_reason(bench: Bench, given: str | None) -> str:
    """Return the reason that was given, or ask for it where there is somebody to ask."""
    return prompt("Why", needed=True) if given is None and bench.may_ask else given or ""


def answered(
    bench: Bench,
    form: Sequence[Ask],
    given: Mapping[str, Any],
    when: When,
    defaults: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Return what was given, and what the person answers to what was not.

    Args:
        bench: Whether there is somebody to ask.
        form: What is asked.
        given: From the options; texts.
        when: For dates.
        defaults: Last values, offered in brackets before the usual ones; Enter takes them.
    """
    answers = given_of(form, given)
    for ask in _open(bench, form, given):
        offered = (defaults or {}).get(ask.name, ask.usual)
        answers[ask.name] = prompt(
            ask.question,
            partial(_check, bench, ask, when),
            "" if offered is None else str(offered),
            needed=ask.required,
        )
    return answers


def _open(bench: Bench, form: Sequence[Ask], given: Mapping[str, Any]) -> list[Ask]:
    """Return what is asked at the terminal."""
    return [
        ask for ask in form if bench.may_ask and given.get(ask.name) is None and (ask.required or ask.prompt)
    ]


def _check(bench: Bench, ask: Ask, when: When, text: str) -> None:
    """Hold one answer to its question, so that a wrong one costs only itself.

    Raises:
        Refused: It cannot be read, or names nothing in the book.
    """
    read(ask, text, when)
    if ask.kind == "record":
        with bench.book.read() as session:
            entering.linked(bench.book, session, ask, text)


def until_stored(
    bench: Bench,
    form: Sequence[Ask],
    given: Mapping[str, Any],
    when: When,
    store: Callable[[dict[str, Any], bool], T],
    yes: bool,
    defaults: Mapping[str, Any] | None = None,
) -> T:
    """Ask for a form and store it; what is refused is asked again, and nothing that was typed is lost.

    Args:
        bench: Whether there is somebody to ask.
        form: What is asked.
        given: From the options; texts.
        when: For dates.
        store: Stores answers, knowing whether what is unusual is meant.
        yes: It is meant.
        defaults: Offered as in :func:`answered`.

    Raises:
        Refused: It cannot be stored, and nothing was asked that could be answered otherwise.
    """
    given, defaults = given_of(form, given), dict(defaults or {})
    asked = _open(bench, form, given)
    if asked:
        # What was given by options cannot be asked again, so it is read before anything is asked.
        clean([ask for ask in form if given[ask.name] is not None], given, when)
    while True:
        answers = answered(bench, form, given, when, defaults)
        try:
            return bench.sure(partial(store, answers), yes)
        except (Refused, DeclinedError) as error:
            wrong = set(getattr(error, "fields", ())) or {ask.name for ask in asked}
            if not wrong & {ask.name for ask in asked}:
                raise
            reason = str(error) if isinstance(error, Refused) else "Nothing is stored yet; answer again"
            click.echo(f"  {visible(reason)}", err=True)
            defaults |= {name: text for name, text in answers.items() if text not in (None, "", NONE)}
            for ask in asked:
                # What was left empty is answered too.
                given[ask.name] = None if ask.name in wrong else answers[ask.name] or NONE
