"""A trace as a graph in SVG, drawn by ourselves: the way down the left, what is shown beside it on the right.

A box of which the book knows nothing is drawn dashed and pale: a gap in the way is seen before it is read.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape, quoteattr

from tracker.trace.stations import stations
from tracker.trace.way import WORDS, Station, Way, correction_lines, journal_lines, kept_together

_WIDTH: Final = 900
_MARGIN: Final = 24
_SPINE: Final = (_MARGIN, 360)
_SIDE: Final = (444, _WIDTH - _MARGIN - 444)
_PAD: Final = 10
_LINE: Final = 17
_GAP: Final = 44
_SIDE_GAP: Final = 8
_EM: Final = {"head": 8.2, "fact": 6.9}
"""Widths of an average character in px, on the wide side: a line is rather wrapped early than cut off."""

_INK, _FAINT, _RULE, _PAPER, _FIRST = "#1d2a33", "#6b7883", "#a9b4bd", "#ffffff", "#e8f0ec"
_FONT: Final = "font-family='DejaVu Sans, Helvetica, Arial, sans-serif'"


@dataclass(frozen=True)
class _Box:
    """A station put in its place: text lines by style, left edge, width, height in px."""

    station: Station
    lines: tuple[tuple[str, str], ...]
    x: int
    width: int

    @property
    def height(self) -> int:
        return len(self.lines) * _LINE + 2 * _PAD


def picture(way: Way) -> str:
    """Return the trace as an SVG document."""
    drawn: list[str] = []
    y = _MARGIN
    stops = stations(way)
    for place, station in enumerate(stops):
        box = _boxed(station, *_SPINE)
        sides = [_boxed(side, *_SIDE) for side in station.sides]
        drawn += _box(box, y, fill=_FIRST if place == 0 else _PAPER)
        drawn += _sides(sides, y, box)
        beside = sum(side.height + _SIDE_GAP for side in sides) - _SIDE_GAP
        following = y + max(box.height, beside) + _GAP
        if place < len(stops) - 1:
            drawn += _link(station.link, y + box.height, following)
        y = following
    drawn += _footer(way, y - _GAP // 2)
    height = y + _footer_height(way)
    return "\n".join([*_opened(way, height), *drawn, "</svg>", ""])


def _opened(way: Way, height: int) -> Iterator[str]:
    title = escape(_clean(f"The way back from {way.id}"))
    yield (
        f"<svg xmlns='http://www.w3.org/2000/svg' width='{_WIDTH}' height='{height}' "
        f"viewBox='0 0 {_WIDTH} {height}' role='img' {_FONT}>"
    )
    yield f"<title>{title}</title>"
    yield f"<rect width='{_WIDTH}' height='{height}' fill='{_PAPER}'/>"


def _boxed(station: Station, x: int, width: int) -> _Box:
    lines = [("label", station.label)]
    lines += [("head", line) for line in wrapped(station.head, width - 2 * _PAD, _EM["head"])]
    for fact in station.facts:
        lines += [("fact", line) for line in wrapped(fact, width - 2 * _PAD, _EM["fact"])]
    return _Box(station, tuple(lines), x, width)


def _box(box: _Box, y: int, fill: str) -> Iterator[str]:
    dash = "" if box.station.known else " stroke-dasharray='5 4'"
    yield (
        f"<rect x='{box.x}' y='{y}' width='{box.width}' height='{box.height}' rx='5' "
        f"fill='{fill}' stroke='{_RULE}'{dash}/>"
    )
    for place, (style, text) in enumerate(box.lines):
        yield _text(box.x + _PAD, y + _PAD + place * _LINE + 12, text, style, known=box.station.known)


def _sides(sides: list[_Box], y: int, box: _Box) -> Iterator[str]:
    """Draw what is shown beside a station, each joined to it by a bracket."""
    rail = (box.x + box.width + _SIDE[0]) // 2
    top = y + _PAD + 8
    at = y
    middle = top
    for side in sides:
        middle = at + _PAD + 8
        yield _stroke(rail, middle, side.x, middle)
        yield from _box(side, at, fill=_PAPER)
        at += side.height + _SIDE_GAP
    if sides:
        yield _stroke(box.x + box.width, top, rail, top)
        yield _stroke(rail, top, rail, middle)


def _link(words: str, y: int, end: int) -> Iterator[str]:
    middle = _SPINE[0] + 40
    yield _stroke(middle, y, middle, end - 6)
    yield f"<path d='M{middle - 4} {end - 7} l4 6 l4 -6 z' fill='{_RULE}'/>"
    yield _text(middle + 10, end - 16, words, "label", known=True)


def _footer_lines(way: Way) -> list[tuple[str, str]]:
    gaps = ", ".join(WORDS[place] for place in way.missing)
    parts = [("journal", text) for text in journal_lines(way)]
    parts += [("corrected", text) for text in correction_lines(way)]
    parts.append(("not recorded", gaps or "nothing is missing"))
    found: list[tuple[str, str]] = []
    for label, text in parts:
        for place, line in enumerate(wrapped(text, _WIDTH - 2 * _MARGIN - 110, _EM["fact"])):
            found.append((label if place == 0 else "", line))
    return found


def _footer(way: Way, y: int) -> Iterator[str]:
    yield _stroke(_MARGIN, y - 4, _WIDTH - _MARGIN, y - 4)
    for place, (label, line) in enumerate(_footer_lines(way)):
        at = y + (place + 1) * _LINE
        if label:
            yield _text(_MARGIN, at, label, "label", known=True)
        yield _text(_MARGIN + 110, at, line, "fact", known=True)


def _footer_height(way: Way) -> int:
    return len(_footer_lines(way)) * _LINE + _MARGIN


def _stroke(x1: int, y1: int, x2: int, y2: int) -> str:
    return f"<path d='M{x1} {y1} L{x2} {y2}' stroke='{_RULE}' fill='none'/>"


def _text(x: int, y: int, text: str, style: str, *, known: bool) -> str:
    size, weight = {"head": (14, "bold"), "fact": (12, "normal"), "label": (11, "normal")}[style]
    colour = _FAINT if style == "label" or not known else _INK
    return (
        f"<text x='{x}' y='{y}' font-size='{size}' font-weight={quoteattr(weight)} fill='{colour}' "
        f"xml:space='preserve'>{escape(_clean(text))}</text>"
    )


def wrapped(text: str, width: int, em: float) -> list[str]:
    """Return a text in lines no wider than ``width`` px, broken at blanks, and within words too long."""
    room = int(width / em)
    found: list[str] = []
    for word in kept_together(_clean(text)).split(" "):
        for piece in _broken(word, room):
            if found and _columns(found[-1]) + 1 + _columns(piece) <= room:
                found[-1] += f" {piece}"
            else:
                found.append(piece)
    return found or [""]


def _broken(word: str, room: int) -> Iterator[str]:
    piece = ""
    for character in word:
        if _columns(piece + character) > room:
            yield piece
            piece = ""
        piece += character
    yield piece


def _columns(text: str) -> int:
    """Return how many average characters a text is wide; those of CJK scripts count twice."""
    return sum(2 if unicodedata.east_asian_width(each) in "WF" else 1 for each in text)


def _clean(text: str) -> str:
    """Leave out what XML 1.0 cannot hold."""
    return "".join(each for each in text if each >= " " and each not in "\ufffe\uffff")
