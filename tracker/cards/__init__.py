"""What is shown of a record: one structure, drawn as text, as JSON and as a page.

A :class:`Card` holds a title, facts (a label, a text, and for machines the value with its unit), tables, and
pictures by name. What is not recorded is a fact too, and says so. Every kind of record fills a card
(``tracker.kinds``); :func:`card_lines` draws one as text, ``card.html`` beside this file as HTML, and
``data`` is its JSON.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

NOT_RECORDED: Final = "not recorded"
TEMPLATES: Final = Path(__file__).parent
"""Folder of ``card.html``, for the loaders of pages."""


@dataclass(frozen=True)
class Fact:
    """One fact that is shown.

    Attributes:
        label: What it is; empty where it goes on under the label before.
        text: In words, with the unit; None for "not recorded".
        value: For machines, in ``unit``; None where the text says it all.
        unit: Of the value.
        struck: It was taken back: shown struck through, counted nowhere.
    """

    label: str
    text: str | None
    value: Any = None
    unit: str = ""
    struck: bool = False

    @property
    def words(self) -> str:
        """The text, or that it is not recorded."""
        return NOT_RECORDED if self.text is None else self.text


@dataclass(frozen=True)
class CardTable:
    """Rows under headings. ``struck`` are the places of rows that were taken back."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    struck: frozenset[int] = frozenset()


@dataclass(frozen=True)
class CardPicture:
    """A picture of a record: the name it is asked for by (``plate``, ``days``), and what it shows."""

    name: str
    title: str


@dataclass
class Card:
    """A record, ready to be shown.

    Attributes:
        title: First line.
        data: The same for machines: the JSON of ``show``.
        facts: In the order in which they are shown.
        tables: Below the facts.
        pictures: That can be asked for.
        voided: Who took it back, when and why, in words; empty while it counts.
        kind: Name of the kind of record.
    """

    title: str
    data: dict[str, Any] = field(default_factory=dict)
    facts: list[Fact] = field(default_factory=list)
    tables: list[CardTable] = field(default_factory=list)
    pictures: list[CardPicture] = field(default_factory=list)
    voided: str = ""
    kind: str = ""

    def add(self, label: str, text: Any, value: Any = None, unit: str = "", *, struck: bool = False) -> None:
        """Add a fact; None or an empty text is "not recorded"."""
        words = None if text is None or text == "" else str(text)
        self.facts.append(Fact(label, words, value, unit, struck))

    def add_all(self, label: str, texts: Iterable[str | Fact], none: str | None = "") -> None:
        """Add facts under one label; with none of them ``none`` is shown, nothing where that is empty."""
        texts = list(texts)
        for number, each in enumerate(texts):
            found = each if isinstance(each, Fact) else Fact("", each)
            self.facts.append(Fact("" if number else label, found.text, struck=found.struck))
        if not texts and none != "":
            self.add(label, none)

    @property
    def lines(self) -> list[tuple[str, str]]:
        """Label and words of each fact."""
        return [(fact.label, fact.words) for fact in self.facts]


_LABEL: Final = 30
"""Letters of a label beside which its words stand."""


def card_lines(card: Card, width: int, strike: Any = None) -> Iterator[str]:
    """Yield the facts of a card as lines of text, labels in a column of their own; its tables stand below.

    Args:
        card: The card.
        width: Columns; texts are folded to it.
        strike: Marks a text as taken back where the terminal can; else the word does.
    """
    mark = strike or (lambda text: text)
    yield card.title
    if card.voided:
        yield f"  Taken back {card.voided}. It counts nowhere."
    # One long label would push the words of all others to the right: it gets a line of its own.
    column = max((len(fact.label) for fact in card.facts if len(fact.label) <= _LABEL), default=0)
    for fact in card.facts:
        lines = textwrap.wrap(fact.words, max(20, width - column - 4), break_on_hyphens=False) or [""]
        lines = [mark(line) for line in lines] if fact.struck else lines
        if len(fact.label) > column:
            yield f"  {fact.label}"
            lines = ["", *lines]
        else:
            yield f"  {fact.label:<{column}}  {lines[0]}".rstrip()
        yield from (" " * (column + 4) + line for line in lines[1:])


def table_of(title: str, rows: Sequence[Mapping[str, Any]], struck: Iterable[int] = ()) -> CardTable:
    """Return a table of rows that have the same keys; None is "not recorded"."""
    columns = tuple(rows[0]) if rows else ()
    cells = tuple(
        tuple(NOT_RECORDED if row[each] is None else str(row[each]) for each in columns) for row in rows
    )
    return CardTable(title, columns, cells, frozenset(struck))
