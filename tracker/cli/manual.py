"""The manual at the command line, and the reference that is made from the program itself."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from tracker import manual
from tracker.cli._bench import Bench, pass_bench
from tracker.cli._output import as_json, print_json, table, width
from tracker.errors import Refused
from tracker.lazy_modules import lazy

if TYPE_CHECKING:
    from rich import console, markdown

    from tracker import reference as _reference_pages
    from tracker.cli import _app
else:
    console = lazy("rich.console")
    markdown = lazy("rich.markdown")
    _reference_pages = lazy("tracker.reference")
    _app = lazy("tracker.cli._app")

_REFERENCE = "reference"


@click.command("manual", epilog="Example: strandbook manual first-evening; strandbook manual --search dry")
@click.argument("topic", required=False)
@click.option("--search", "words", metavar="WORDS", help="Every line that holds these words.")
@as_json
@pass_bench
def manual_command(bench: Bench, /, topic: str | None, words: str | None, as_json: bool) -> None:
    """Read the manual: the list of its pages, one page, or what it says of some words.

    The page `reference` is made from the program: its commands, filters, quantities, factors and hooks.
    """
    if words is not None:
        _print_matches(words, as_json)
    elif topic is None:
        rows = [{"page": each.name, "title": each.title} for each in manual.topics()]
        rows.append(
            {
                "page": _REFERENCE,
                "title": "Reference: commands, filters, quantities, factors, column maps, hooks",
            }
        )
        if as_json:
            print_json(rows)
        else:
            table(rows)
    else:
        page = _reference(bench) if topic.casefold() == _REFERENCE else manual.topic(topic)
        if as_json:
            print_json({"page": page.name, "title": page.title, "text": page.text})
        else:
            _print_page(manual.on_terminal(page.text))


def _print_matches(words: str, json_wanted: bool) -> None:
    found = [{"page": each.topic, "under": each.heading, "line": each.line} for each in manual.search(words)]
    if json_wanted:
        print_json(found)
    elif found:
        table(found)
    else:
        raise Refused(
            f"The manual does not speak of {words!r}", do="Search for one word, or read strandbook manual"
        )


def _print_page(text: str) -> None:
    """Print a page: drawn on a terminal, as it is written in a pipe."""
    if not sys.stdout.isatty():
        click.echo(text, nl=False)
        return

    console.Console(width=min(width(), 100)).print(markdown.Markdown(text))


def _reference(bench: Bench) -> manual.Topic:
    return _reference_pages.reference(bench.plugged, commands())


def commands() -> Iterator[str]:
    """Yield what every command does and the options it has, as lines of Markdown."""
    for words, command in _leaves(_app.strandbook):
        yield f"- `strandbook {' '.join(words)}`: {command.get_short_help_str(200)}"
        for option in command.params:
            if isinstance(option, click.Option) and option.help and "--help" not in option.opts:
                yield f"    - `{', '.join((*option.opts, *option.secondary_opts))}`: {option.help}"


def _leaves(
    group: click.Group, before: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from _leaves(command, (*before, name))
        elif command is not None:
            yield (*before, name), command
