"""Options and prompts made from the desk's forms, so that the two can never disagree."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

import click

from tracker.cli._bench import Bench
from tracker.errors import Refused
from tracker.forms import Ask, FormError, When, read

F = TypeVar("F", bound=Callable[..., Any])


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

    Raises:
        FormError: Something required is missing and nobody can be asked.
    """
    answers: dict[str, Any] = {}
    for ask in form:
        typed = given.get(ask.name)
        if typed is None and bench.may_ask and (ask.required or ask.prompt):
            typed = _prompted(ask, when, (defaults or {}).get(ask.name, ask.usual or None))
        answers[ask.name] = typed
    return answers


def _prompted(ask: Ask, when: When, default: Any) -> str:
    """Ask until the answer can be read; a wrong one costs only itself."""
    while True:
        typed: str = click.prompt(
            ask.question,
            default="" if default is None else str(default),
            show_default=default is not None,
            err=True,
        )
        try:
            read(ask, typed, when)
        except FormError as error:
            click.echo(f"  {error}", err=True)
        else:
            return typed


def until_read(question: str, reader: Callable[[str], Any], default: str = "") -> str:
    """Ask until ``reader`` accepts the answer, and return it as typed."""
    while True:
        typed: str = click.prompt(question, default=default, show_default=bool(default), err=True)
        try:
            reader(typed)
        except Refused as refusal:
            click.echo(f"  {refusal}", err=True)
        else:
            return typed


def given_of(form: Sequence[Ask], options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the part of a command's options that belongs to a form."""
    return {ask.name: options.get(ask.name) for ask in form}
