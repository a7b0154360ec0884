"""The text of a label: how large the ID may be, what goes below it, and what has to be shortened."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tracker_labels.label import Label
from tracker_labels.lettering import font, ink, missing, shorten, visible, width
from tracker_labels.marks import Box, Mark, RuleMark, TextMark, dots, moved

SEPARATOR = " · "

# Heights of type in mm. The smallest is 5.4 point: common practice for what is read at arm's
# length, no source.
_ID_LARGEST, _ID_SMALLEST = 6.0, 2.1
_BODY_LARGEST, _BODY_SMALLEST = 3.1, 1.9
_ID_SHARE_OF_HEIGHT = 0.36
_BODY_SHARE_OF_ID = 0.8
# Steps, so that IDs of nearly the same width come out in the same size on a sheet.
_STEP = 0.92
_RULE_MM, _GAP_MM = 0.15, 0.7


@dataclass(frozen=True, slots=True)
class Area:
    """Where text may stand, in dots.

    Attributes:
        box: The room.
        dpi: Dots per inch.
        circle: Centre x, centre y and radius, where the room is a part of a circle; rows are then centred.
    """

    box: Box
    dpi: float
    circle: tuple[float, float, float] | None = None

    def span(self, top: int, bottom: int) -> tuple[int, int]:
        """Return the left edge and the width that a row between two heights may use."""
        if self.circle is None:
            return self.box.x, self.box.width
        x, y, radius = self.circle
        farthest = max(abs(top - y), abs(bottom - y))
        half = math.floor(math.sqrt(max(0.0, radius * radius - farthest * farthest)))
        return math.ceil(x - half), max(0, 2 * half - 1)


@dataclass(frozen=True, slots=True)
class Block:
    """Text that has found its place.

    Attributes:
        marks: The rows and the hairline.
        width: Width of the widest row, in dots.
        remarks: What was shortened or replaced, for the person who prints.
    """

    marks: tuple[Mark, ...]
    width: int
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Row:
    """A row of text before it is shortened."""

    text: str
    size: int
    bold: bool
    top: int

    @property
    def bottom(self) -> int:
        """The first dot below the row."""
        return self.top + _height(self.size, self.bold)


def set_text(label: Label, area: Area) -> Block:
    """Place a label's texts: the ID as large as it may be, then up to three rows below a hairline.

    Args:
        label: What to write.
        area: Where; nothing is placed outside it.
    """
    id_row = _id_row(visible(label.id_text, bold=True), area)
    gap = dots(_GAP_MM, area.dpi)
    rule = max(1, dots(_RULE_MM, area.dpi))
    below = id_row.bottom if area.circle else id_row.bottom + gap + rule + gap // 2
    body = _body_rows(label, area, below, id_row.size)
    rows = [id_row, *body] if id_row.text else body
    texts = [mark for row in rows if (mark := _draw(row, area)) is not None]
    widest = max((mark.box.width for mark in texts), default=0)
    marks: list[Mark] = list(texts)
    if not area.circle and len(texts) > 1 and id_row.text:
        marks.append(RuleMark(Box(area.box.x, id_row.bottom + gap // 2, widest, rule)))
    remarks = tuple(_remarks(label, [mark.text for mark in texts]))
    return Block(tuple(_centred(marks, area)), widest, remarks)


def _id_row(text: str, area: Area) -> _Row:
    """Return the row of the ID, in the largest size that fits."""
    largest = min(dots(_ID_LARGEST, area.dpi), math.floor(area.box.height * _ID_SHARE_OF_HEIGHT))
    smallest = dots(_ID_SMALLEST, area.dpi)
    size = max(largest, smallest)
    while True:
        row = _Row(text, size, bold=True, top=area.box.y)
        if size == smallest or _fits(row, area):
            return row
        size = max(smallest, math.floor(size * _STEP))


def _body_rows(label: Label, area: Area, top: int, id_size: int) -> list[_Row]:
    """Return the rows below the ID: as many as there is height for, in the largest size that shows them all."""
    room = area.box.bottom - top
    smallest = dots(_BODY_SMALLEST, area.dpi)
    most = room // _height(smallest, bold=False)
    groups = _groups([visible(text, bold=False) for text in _body(label)], most)
    if not groups:
        return []
    largest = min(dots(_BODY_LARGEST, area.dpi), math.floor(id_size * _BODY_SHARE_OF_ID))
    size = max(smallest, largest)
    while True:
        rows = _stack(groups, size, top)
        high = rows[-1].bottom <= area.box.bottom
        if size == smallest or (high and all(_fits(row, area) for row in rows)):
            return _split(rows, area, most) if size == smallest else rows
        size = max(smallest, math.floor(size * _STEP))


def _body(label: Label) -> tuple[str, str, str, str]:
    """Return what stands below the ID."""
    return label.material, label.orientation, label.date, label.line


def _groups(texts: Sequence[str], most: int) -> list[str]:
    """Join material, orientation, date and line to at most ``most`` rows."""
    material, orientation, date, line = texts
    if most < 1:
        return []
    rows = [row for row in (material, _join(orientation, date), line) if row]
    while len(rows) > most:
        rows[-2:] = [_join(*rows[-2:])]
    return rows


def _join(*texts: str) -> str:
    """Join the texts that say something."""
    return SEPARATOR.join(text for text in texts if text)


def _split(rows: list[_Row], area: Area, most: int) -> list[_Row]:
    """Give a joined row that is too wide two rows of its own, where there is height for them."""
    wide = [at for at, row in enumerate(rows) if SEPARATOR in row.text and not _fits(row, area)]
    if not wide or len(rows) >= most:
        return rows
    texts = [row.text for row in rows]
    texts[wide[0] : wide[0] + 1] = texts[wide[0]].split(SEPARATOR, 1)
    return _stack(texts, rows[0].size, rows[0].top)


def _stack(texts: Sequence[str], size: int, top: int) -> list[_Row]:
    """Put rows of one size below one another."""
    height = _height(size, bold=False)
    return [_Row(text, size, bold=False, top=top + at * height) for at, text in enumerate(texts)]


def _height(size: int, bold: bool) -> int:
    """Return the height of a row: from the highest accent to the lowest tail."""
    ascent, descent = font(size, bold).getmetrics()
    return ascent + descent


def _fits(row: _Row, area: Area) -> bool:
    """Tell whether a row is narrow enough for where it stands."""
    return width(row.text, row.size, row.bold) <= area.span(row.top, row.bottom)[1]


def _draw(row: _Row, area: Area) -> TextMark | None:
    """Return the row as a mark, shortened if need be; None where not one letter has room."""
    x, room = area.span(row.top, row.bottom)
    text = shorten(row.text, room, row.size, row.bold)
    left, right = ink(text, row.size, row.bold)
    if right <= left or row.bottom > area.box.bottom:
        return None
    indent = (room - (right - left)) // 2 if area.circle else 0
    box = Box(x + indent, row.top, right - left, row.bottom - row.top)
    return TextMark(box, text, row.size, row.bold, font(row.size, row.bold).getmetrics()[0], left)


def _centred(marks: list[Mark], area: Area) -> list[Mark]:
    """Move the block to the middle of its height; in a circle it stays below the code."""
    if area.circle or not marks:
        return marks
    spare = area.box.bottom - max(mark.box.bottom for mark in marks)
    return [moved(mark, 0, spare // 2) for mark in marks]


def _remarks(label: Label, drawn: Sequence[str]) -> list[str]:
    """Say what of a label is not on it as it was written."""
    said: list[str] = []
    shown = SEPARATOR.join(drawn)
    for name, text, bold in _named(label):
        lost = missing(text, bold)
        if lost:
            said.append(
                f"{label.id_text}: the font has no {lost!r} (in its {name}); a square stands for each"
            )
        if visible(text, bold) not in shown:
            said.append(f"{label.id_text}: no room for the whole {name}, {text!r}")
    return said


def _named(label: Label) -> tuple[tuple[str, str, bool], ...]:
    """Return each text of a label with its name, and whether it is bold."""
    return (
        ("ID", label.id_text, True),
        ("material", label.material, False),
        ("orientation", label.orientation, False),
        ("date", label.date, False),
        ("line", label.line, False),
    )
