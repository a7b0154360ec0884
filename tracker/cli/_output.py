"""How commands answer: results on stdout, the rest on stderr, JSON when asked for."""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import sys
import textwrap
import unicodedata
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from importlib.util import find_spec
from itertools import chain, islice, zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import click

from tracker.cards import Card, card_lines
from tracker.desk.doubts import Done
from tracker.errors import Refused
from tracker.lazy_modules import lazy
from tracker.safe_text import visible

if TYPE_CHECKING:
    from rich import console as rich_console
    from rich import progress as rich_progress
    from rich import text as rich_text
else:
    rich_console = lazy("rich.console")
    rich_text = lazy("rich.text")
    rich_progress = lazy("rich.progress")

as_json = click.option("--json", "as_json", is_flag=True, help="Answer as JSON.")
sure = click.option("-y", "--yes", is_flag=True, help="Assume yes: ask nothing.")

_LEAST_WIDTH: Final = 40


def width() -> int:
    """Return the columns of the terminal; wide enough for anything where there is none.

    An editor's pseudo-terminal may say 0: then 80 is as good a guess as any.
    """
    if not sys.stdout.isatty():
        named = os.environ.get("COLUMNS", "")
        return int(named) if named.isascii() and named.isdigit() and int(named) else 120
    return max(_LEAST_WIDTH, shutil.get_terminal_size((80, 24)).columns or 80)


def print_json(value: Any) -> None:
    """Print JSON: ours is one value a command, non-ASCII as it is.

    An object has a field ``warnings`` where the book's attachments are away.
    """
    context = click.get_current_context(silent=True)
    bench = context.find_root().obj if context is not None else None
    warnings = getattr(bench, "warnings", None)
    if isinstance(value, dict) and warnings:
        value = {**value, "warnings": warnings}
    click.echo(json.dumps(value, ensure_ascii=False, indent=2, default=str))


def print_json_stream(items: Iterable[Any]) -> None:
    """Print an array that may be longer than memory, an element a line."""
    first = True
    for item in items:
        click.echo(("[\n" if first else ",\n") + json.dumps(item, ensure_ascii=False, default=str), nl=False)
        first = False
    click.echo("[]" if first else "\n]")


_QUANTITY: Final = re.compile(r"(?<![\w.=])(?<!--of )[a-z][a-z0-9_-]*\.[A-Za-z][A-Za-z0-9_]*(?!\w|\.\w)")
"""What may be the name of a quantity, where it is not something to be typed."""


@cache
def _bundled_titles() -> Mapping[str, str]:
    found = find_spec("tracker_methods")
    if found is None or found.origin is None:
        return {}
    titles: dict[str, str] = json.loads(Path(found.origin).with_name("titles.json").read_text("utf-8"))
    return titles


def titled(text: str) -> str:
    """Return a text with the titles of quantities in the place of their names, as people read them.

    The titles of the bundled methods stand in a file beside them. Only where there is another name the
    methods themselves are asked, which takes as long as a whole command.
    """
    names = set(_QUANTITY.findall(text))
    context = click.get_current_context(silent=True)
    if context is None or not names:
        return text
    titles = _bundled_titles()
    if not names <= titles.keys():
        titles = context.find_root().obj.plugged.titles
    return _QUANTITY.sub(lambda found: titles.get(found.group(), found.group()), text)


def note(text: str) -> None:
    """Tell the person something that is no result; at a terminal, on lines that end between words."""
    click.echo(at_words(text), err=True)


def at_words(text: str) -> str:
    """Return text as it is read at a terminal: lines broken between words.

    A line with a command stays whole, so that it can be copied; so does what goes to a file or a pipe.
    """
    if not sys.stderr.isatty():
        return visible(text)
    columns = max(_LEAST_WIDTH, shutil.get_terminal_size((80, 24)).columns or 80)
    return "\n".join(
        line if len(line) <= columns or "strandbook " in line else _broken(line, columns)
        for line in visible(text).split("\n")
    )


def _broken(line: str, columns: int) -> str:
    inset = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.fill(
        line, columns, subsequent_indent=inset,
        break_on_hyphens=False, break_long_words=False, drop_whitespace=True,
    )  # fmt: skip


def folded(text: str, ahead: str = "") -> str:
    """Return text on lines of the terminal's width, the later ones indented; ``ahead`` comes first."""
    return textwrap.fill(
        visible(text), width(), initial_indent=ahead, subsequent_indent=ahead + "  ",
        break_on_hyphens=False, break_long_words=False,
    )  # fmt: skip


def done(act: Done, json_wanted: bool, following: str = "") -> None:
    """Tell what was done: remarks on stderr, IDs on stdout, the act's own ID on the last line."""
    if json_wanted:
        print_json({"id": act.id, "also": act.also, "parts": act.parts, "notes": act.notes})
        return
    for sentence in act.notes:
        note(titled(sentence))
    if following:
        note(f"Next: {following}")
    for each in act.also:
        click.echo(each)
    click.echo(act.id)


def facts(title: str, pairs: Sequence[tuple[str, str]]) -> None:
    """Print label and text, wrapped so that labels keep their own column."""
    click.echo(title)
    column = max((len(label) for label, _ in pairs), default=0)
    for label, text in pairs:
        indent = " " * (column + 4)
        lines = textwrap.wrap(visible(text), max(20, width() - column - 4), break_on_hyphens=False) or [""]
        click.echo(f"  {label:<{column}}  {lines[0]}".rstrip())
        for line in lines[1:]:
            click.echo(indent + line)


def print_card(card: Card) -> None:
    """Print what is shown of a record; what was taken back is struck through where the terminal can."""
    strike = (lambda text: click.style(text, strikethrough=True)) if sys.stdout.isatty() else None
    facts = [
        replace(each, label=titled(each.label), text=None if each.text is None else titled(each.text))
        for each in card.facts
    ]
    for line in card_lines(replace(card, facts=facts), width(), strike):
        click.echo(line)
    for each in card.tables:
        click.echo(f"  {each.title}")
        rows = [dict(zip(each.columns, map(titled, row), strict=True)) for row in each.rows]
        table(rows, each.columns, struck=each.struck, ahead="    ")
    if sys.stdout.isatty():
        for picture in card.pictures:
            note(f"{picture.title} as a picture: --picture FILE.svg")


SEEN_FIRST: Final = 200
"""So many rows of a table are read before the first of them is drawn."""


def table(
    rows: Iterable[Mapping[str, Any]],
    columns: Sequence[str] | None = None,
    *,
    fit: bool = False,
    wrapped: Mapping[str, int] | None = None,
    struck: Collection[int] = (),
    ahead: str = "",
) -> int:
    """Draw rows under their headings: the one way in which a table comes to a terminal or into a pipe.

    At a terminal the headings stand out and the table is as wide as the terminal at most: long texts are
    shortened with an ellipsis, IDs never. In a pipe it is plain text and nothing is shortened, unless it is
    to ``fit``. The first of many rows say how wide the columns are, so that they are seen before the last one
    is read.

    Args:
        rows: By column.
        columns: In their order; those of the first row where None.
        fit: Shorten in a pipe too.
        wrapped: Columns that go on below in a narrow terminal and are not shortened, with their least width.
        struck: Places of rows that were taken back.
        ahead: Before every line.

    Returns:
        How many rows there were.
    """
    coming = iter(rows)
    held = list(islice(coming, SEEN_FIRST))
    if not held:
        return 0
    names, wrapped = list(columns or held[0]), wrapped or {}
    heading = [name.replace("_", " ") for name in names]
    first = [[_cell(row.get(name)) for name in names] for row in held]
    later = ([_cell(row.get(name)) for name in names] for row in coming)
    at_terminal = sys.stdout.isatty()
    room = width() - len(ahead) if fit or at_terminal else None
    form = _columns_for(names, heading, first, wrapped, room, ahead)
    show = _at_terminal() if at_terminal else _in_a_pipe
    for line in form.lines_of(heading):
        show(line, "heading")
    count = 0
    for cells in chain(first, later):
        for line in form.lines_of(cells):
            show(line, "struck" if count in struck else "")
        count += 1
    return count


class _Columns(NamedTuple):
    """How wide the columns of a table are, which go on below, which are never shortened; what comes ahead."""

    ahead: str
    widths: Sequence[int]
    wrapped: Collection[int]
    whole: Collection[int]

    def lines_of(self, cells: Sequence[str]) -> Iterator[str]:
        """Yield the lines of one row."""
        parts = [
            _lines(text, self.widths[i]) if i in self.wrapped else [text] for i, text in enumerate(cells)
        ]
        for line in zip_longest(*parts, fillvalue=""):
            padded = (_padded(text, self.widths[i], whole=i in self.whole) for i, text in enumerate(line))
            yield f"{self.ahead}{'  '.join(padded)}".rstrip()


def _columns_for(
    names: Sequence[str],
    heading: Sequence[str],
    rows: Sequence[Sequence[str]],
    wrapped: Mapping[str, int],
    room: int | None,
    ahead: str,
) -> _Columns:
    """Return the columns of a table whose lines have room for so many characters; None for any number."""
    of_wrapped = {i: wrapped[name] for i, name in enumerate(names) if name in wrapped}
    widths = [max(map(_columns_of, column)) for column in zip(heading, *rows, strict=True)]
    if room is None:
        return _Columns(ahead, widths, of_wrapped, range(len(names)))
    of_ids = [i for i, column in enumerate(zip(*rows, strict=True)) if any(map(_ID.match, column))]
    whole = set(of_ids) - set(of_wrapped)
    return _Columns(ahead, _narrowed(widths, room, whole, of_wrapped), of_wrapped, whole)


def _lines(text: str, wide: int) -> list[str]:
    return textwrap.wrap(text, wide, break_on_hyphens=False) or [""]


_ID: Final = re.compile(r"[A-Z]\d{4,}(-\d+)?-[0-9A-Z]$")


def _in_a_pipe(line: str, way: str) -> None:
    click.echo(f"{line}  (taken back)" if way == "struck" else line)


def _at_terminal() -> Callable[[str, str], None]:
    """Return what draws a line with rich, which knows what the terminal can; NO_COLOR leaves it plain."""
    console, styles = (
        rich_console.Console(highlight=False, soft_wrap=True),
        {"heading": "bold", "struck": "strike"},
    )

    def show(line: str, way: str) -> None:
        console.print(
            rich_text.Text(line, style="" if os.environ.get("NO_COLOR") else styles.get(way, "")),
            soft_wrap=True,
        )

    return show


def _cell(value: Any) -> str:
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    return visible(" ".join(str(value).split()))


def _columns_of(text: str) -> int:
    """Return the columns a text takes; East Asian characters take two."""
    return sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)


def _padded(text: str, wide: int, *, whole: bool = False) -> str:
    if _columns_of(text) > wide and not whole:
        while text and _columns_of(text) > wide - 1:
            text = text[:-1]
        text += "…"
    return text + " " * max(0, wide - _columns_of(text))


def _narrowed(widths: list[int], room: int, kept: Collection[int], wrapped: Mapping[int, int]) -> list[int]:
    """Take columns from the widest until the line fits; those that are ``kept`` stay as they are.

    Those that are ``wrapped`` give first, each down to its own least width.
    """
    narrowed = list(widths)
    least = 6
    while sum(narrowed) + 2 * (len(narrowed) - 1) > room:
        giving = (i for i, own in wrapped.items() if narrowed[i] > own)
        widest = max(giving, key=narrowed.__getitem__, default=None)
        if widest is None:
            break
        narrowed[widest] -= 1
    while sum(narrowed) + 2 * (len(narrowed) - 1) > room:
        widest = max(
            (i for i in range(len(narrowed)) if i not in kept), key=narrowed.__getitem__, default=None
        )
        if widest is None or narrowed[widest] <= least:
            break
        narrowed[widest] -= 1
    return narrowed


def picture_form(path: Path) -> str:
    """Return ``svg`` or ``png``, as the name of a picture ends.

    Raises:
        Refused: It ends in neither.
    """
    form = path.suffix.lower().removeprefix(".")
    if form not in ("svg", "png"):
        raise Refused(f"{path} is no SVG or PNG file", do="End its name in .svg or .png")
    return form


def write_file(path: Path, data: bytes, json_wanted: bool = False) -> None:
    """Write a file and say its name; where JSON is wanted, as ``file``.

    Raises:
        Refused: It cannot be written.
    """
    put_file(path, data)
    if json_wanted:
        print_json({"file": str(path)})
    else:
        click.echo(str(path))


def put_file(path: Path, data: bytes) -> None:
    """Write a file whole, or leave what was there: a full disk costs nobody the last good table.

    Raises:
        Refused: It cannot be written.
    """
    # A pipe, a device or a link is written where it leads.
    beside = path.with_name(f".{path.name[:40]}-{secrets.token_hex(4)}")
    plain = not path.parent.is_dir() or path.is_symlink() or (path.exists() and not path.is_file())
    try:
        if plain or not os.access(path.parent, os.W_OK):
            path.write_bytes(data)
            return
        try:
            beside.write_bytes(data)
            if path.exists():
                shutil.copymode(path, beside)
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        raise Refused(f"{path} cannot be written", why=error.strerror or str(error)) from error


@contextmanager
def progress(what: str) -> Iterator[Any]:
    """Show a bar on a terminal; yields a function of (done, of all), silent elsewhere."""
    if not sys.stderr.isatty():
        yield lambda *_: None
        return

    # A stream of its own: what moves the cursor is shown as text on the one that guards the terminal.
    with (
        os.fdopen(os.dup(sys.stderr.fileno()), "w", encoding=sys.stderr.encoding, errors="replace") as stream,
        rich_progress.Progress(
            console=rich_console.Console(file=stream), transient=True,
            redirect_stdout=False, redirect_stderr=False,
        ) as bar,
    ):  # fmt: skip
        task = bar.add_task(what, total=None)

        def step(finished: int, of_all: int | None = None, doing: str = "") -> None:
            bar.update(task, completed=finished, total=of_all, description=visible(doing or what))

        yield step


@contextmanager
def stages() -> Iterator[Any]:
    """Show a bar for work in stages; yields a function of (stage, done, of all), silent off a terminal."""
    with progress("") as step:
        yield lambda stage, finished, of_all: step(finished, of_all or None, stage.replace("_", " "))
