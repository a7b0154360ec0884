"""The manual: pages of Markdown that come with the program, one for each task at the bench."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Final

from tracker.errors import Refused, close_names

__all__ = ["Found", "Topic", "on_terminal", "picture", "search", "topic", "topics"]

_PICTURE: Final = re.compile(r"^!\[([^\]]*)\]\(pictures/([a-z-]+\.png)\)$", re.MULTILINE)
"""A line of its own: what is to be seen, and the file."""


@dataclass(frozen=True, slots=True)
class Topic:
    """A page of the manual.

    Attributes:
        name: As typed: ``first-evening``.
        title: Its heading.
        text: The page, Markdown.
    """

    name: str
    title: str
    text: str


@dataclass(frozen=True, slots=True)
class Found:
    """A place where the manual speaks of something.

    Attributes:
        topic: Name of the page.
        heading: The heading it stands under.
        line: The line itself.
    """

    topic: str
    heading: str
    line: str


@cache
def topics() -> tuple[Topic, ...]:
    """Return the pages in the order in which they are best read."""
    folder = files(__name__) / "pages"
    pages = sorted(
        (page for page in folder.iterdir() if page.name.endswith(".md")), key=lambda page: page.name
    )
    found = []
    for page in pages:
        text = page.read_text("utf-8")
        name = page.name.partition("-")[2].removesuffix(".md")
        found.append(Topic(name, text.splitlines()[0].removeprefix("# "), text))
    return tuple(found)


def topic(name: str) -> Topic:
    """Return a page by its name, or by a beginning that only one has.

    Raises:
        Refused: There is none; the names nearest to it are listed.
    """
    wanted = name.strip().casefold().replace(" ", "-")
    known = {each.name: each for each in topics()}
    fitting = [each for each in topics() if each.name.startswith(wanted)]
    if wanted in known:
        return known[wanted]
    if wanted and len(fitting) == 1:
        return fitting[0]
    near = close_names(wanted, known, most=2)
    hint = f"Did you mean {' or '.join(near)}? " if near else ""
    raise Refused(f"The manual has no page {name!r}", do=f"{hint}Its pages are {', '.join(known)}")


def picture(name: str) -> bytes:
    """Return a picture of the manual, PNG, by the name of its file.

    Raises:
        Refused: There is none of this name.
    """
    found = {each.name: each for each in (files(__name__) / "pictures").iterdir()}
    if name not in found:
        raise Refused(f"The manual has no picture {name!r}", do="Look under strandbook manual")
    return found[name].read_bytes()


def on_terminal(text: str) -> str:
    """Return a page with a line in the place of each picture, that says what it shows and where it lies."""
    folder = files(__name__) / "pictures"
    return _PICTURE.sub(
        lambda shown: f"(Picture: {shown[1]}: {folder / shown[2]}, or Help on the page)", text
    )


def search(words: str, *more: Topic) -> Iterator[Found]:
    """Yield every paragraph of the manual that holds all of some words, in any case, with its heading.

    A row of a table, an item of a list and a line to be typed stand for themselves. Words such as ``in`` and
    ``the`` are not looked for where others are.

    Args:
        words: What is looked for.
        more: Pages that are looked through after those of the manual.
    """
    typed = words.casefold().split()
    wanted = [word for word in typed if word not in _SMALL] or typed
    for page in (*topics(), *more):
        for heading, lines in _paragraphs(page):
            text = " ".join((heading, *lines)).casefold()
            if wanted and all(word in text for word in wanted):
                best = max(lines, key=lambda line: sum(word in line.casefold() for word in wanted))
                yield Found(page.name, heading, best.strip("# "))


_SMALL: Final = frozenset(
    (
        "a", "an", "and", "at", "by", "do", "for", "from", "how", "i", "in", "is", "it", "my", "of", "on",
        "or", "the", "to", "was", "what", "with",
    )
)  # fmt: skip
_ALONE: Final = ("#", "|", "- ", "strandbook ")


def _paragraphs(page: Topic) -> Iterator[tuple[str, list[str]]]:
    """Yield heading and lines of each paragraph of a page."""
    heading, held = page.title, list[str]()
    for line in (*page.text.splitlines(), ""):
        if held and (not line.strip() or line.startswith((*_ALONE, "```"))):
            yield heading, held
            held = []
        if line.startswith("#"):
            heading = line.lstrip("# ")
        if line.strip("# `"):
            held.append(line)
        if held and line.startswith(_ALONE):
            yield heading, held
            held = []
