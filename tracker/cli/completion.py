"""What the shell completes: IDs, methods, stocks, quantities and materials of the book at hand.

A parameter's metavar says which word it takes, so that no command says it twice. Loaded only while a
shell asks.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click
from click.shell_completion import CompletionItem

from tracker.errors import Refused
from tracker.lazy_modules import lazy

if TYPE_CHECKING:
    import tracker_labels

    from tracker import book as _book
    from tracker import kinds as _kinds
    from tracker import manual, plugins
else:
    _book = lazy("tracker.book")
    _kinds = lazy("tracker.kinds")
    plugins = lazy("tracker.plugins")
    tracker_labels = lazy("tracker_labels")
    manual = lazy("tracker.manual")

_MOST: Final = 200
"""More would fill the screen and help nobody; a further letter narrows them."""

_KINDS: Final = {
    "SPOOL": ("spools",), "JOB": ("jobs",), "DRYING": ("dryings",), "RIG": ("rigs",),
    "MATERIAL": ("materials",),
    "SPOOL…|DRYING": ("spools", "dryings"), "ID|NAME": ("rigs",), "JOB|PLAN.toml": ("jobs",),
    "ID": ("spools", "jobs", "specimens", "rigs", "dryings", "measurements"),
    "ID…": ("spools", "jobs", "specimens", "rigs", "dryings"), "[ID]": ("jobs", "spools", "specimens"),
}  # fmt: skip


def attach(command: click.Command) -> click.Command:
    """Let the parameters of a command, and of those below it, complete what they take."""
    for each in command.params:
        names = (
            each.metavar or "",
            (each.name or "").upper(),
            *(name.lstrip("-").upper() for name in each.opts),
        )
        found = next((_WORDS[name] for name in names if name in _WORDS), None)
        if found is not None:
            each._custom_shell_complete = _completer(found)  # noqa: SLF001 - click sets it at the making only
    if isinstance(command, click.Group):
        for name in command.list_commands(click.Context(command)):
            below = command.get_command(click.Context(command), name)
            if below is not None:
                attach(below)
    return command


def _completer(words: Callable[[], Iterable[tuple[str, str]]]) -> Callable[..., list[CompletionItem]]:
    def complete(ctx: click.Context, parameter: click.Parameter, begun: str) -> list[CompletionItem]:
        del parameter
        root = ctx.find_root()
        if root.params.get("places"):
            os.environ["STRANDBOOK"] = str(root.params["places"][0])
        try:
            fitting = [each for each in words() if each[0].casefold().startswith(begun.casefold())]
        except Refused:
            # No book here: nothing to offer, and no place for a refusal while somebody types.
            return []
        return [CompletionItem(word, help=what or None) for word, what in fitting[:_MOST]]

    return complete


def _ids(kinds: Iterable[str]) -> Callable[[], Iterable[tuple[str, str]]]:
    def words() -> Iterable[tuple[str, str]]:
        with (
            _book.open_book(_book.find_place(Path.cwd(), os.environ.get("STRANDBOOK"))) as book,
            book.connect() as connection,
        ):
            for kind in kinds:
                for row in _kinds.listed(connection, kind):
                    yield str(row["id"]), _what(row)

    return words


def _what(row: Any) -> str:
    return " ".join(str(row[key]) for key in ("name", "material", "lot", "method") if row.get(key))


def _methods() -> Iterable[tuple[str, str]]:
    return [(name, each.method.title) for name, each in plugins.load().methods.items()]


def _quantities() -> Iterable[tuple[str, str]]:
    return [
        (each.name, each.title) for one in plugins.load().methods.values() for each in one.method.quantities
    ]


def _stocks() -> Iterable[tuple[str, str]]:
    return [(name, each.description) for name, each in tracker_labels.stocks().items()]


def _topics() -> Iterable[tuple[str, str]]:
    return [(each.name, each.title) for each in manual.topics()]


_WORDS: Final[dict[str, Callable[[], Iterable[tuple[str, str]]]]] = {
    **{metavar: _ids(kinds) for metavar, kinds in _KINDS.items()},
    "METHOD": _methods, "QUANTITY": _quantities, "OF": _quantities, "STOCK": _stocks, "TOPIC": _topics,
}  # fmt: skip
