"""Options and prompts made from the desk's forms, and the one way in which anything is asked at a terminal.

At every prompt Enter takes what is offered in brackets and says so, ``-`` means none, and an answer that
cannot be read costs that answer only.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any, TypeVar

import click

from tracker.cli._bench import Bench, DeclinedError
from tracker.errors import Refused
from tracker.forms import NONE, Ask, When, clean, read
from tracker.safe_text import visible

F = TypeVar("F", bound=Callable[..., Any])
T = TypeVar("T")


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
    question: str, reader: Callable[[str], Any] | None = None, offered: str = "", *, needed: bool = False
) -> str:
    """Ask for one answer until it can be read, and return it as typed.

    Args:
        question: Without colon.
        reader: Raises a refusal for an answer that cannot be read; not called for none.
        offered: Stands in brackets; Enter takes it, and says so.
        needed: Something must be answered.

    Returns:
        The answer; empty for none where nothing was offered, ``-`` where something was and none is meant.
    """
    while True:
        typed = click.prompt(question, default=offered, show_default=bool(offered), err=True).strip()
        if typed in ("", NONE):
            if not needed:
                return NONE if offered else ""
            click.echo(f"  {question.strip()} is missing", err=True)
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


def finder(bench: Bench, *kinds: str) -> Callable[[str], None]:
    """Return a reader of answers that name records of these kinds, one or several with spaces between."""

    def find_all(typed: str) -> None:
        from tracker.kinds import find  # noqa: PLC0415 - most prompts name no record

        with bench.book.read() as session:
            for each in typed.split():
                find(bench.book, session, each, *kinds)

    return find_all


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
        from tracker.desk.entering import linked  # noqa: PLC0415 - few commands ask for a record

        with bench.book.read() as session:
            linked(bench.book, session, ask, text)


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
            told = str(error) if isinstance(error, Refused) else "Nothing is stored yet; answer again"
            click.echo(f"  {visible(told)}", err=True)
            defaults |= {name: text for name, text in answers.items() if text not in (None, "", NONE)}
            for ask in asked:
                # What was left empty is answered too.
                given[ask.name] = None if ask.name in wrong else answers[ask.name] or NONE
