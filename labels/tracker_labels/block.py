"""The text of a label: how large the ID may be, what goes below it, and what has to be shortened."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tracker_labels.label import Label
from tracker_labels.lettering import font, ink, missing, shorten, visible, width
from tracker_labels.marks import Box, Mark, RuleMark, TextMark, dots, moved

SEPARATOR = " · "

# Heights of type in mm. The smallest is 5.4 point: common practice for what is read at arm's
# length, no source.
_ID_LARGEST, _ID_SMALLEST = 5.0, 2.1
_BODY_LARGEST, _BODY_SMALLEST = 2.8, 1.9
# In a circle the rows below the ID soon get narrow, so that it has to leave them more of the height.
_ID_SHARE_OF_HEIGHT, _ID_SHARE_IN_CIRCLE = 0.36, 0.26
_BODY_SHARE_OF_ID = 0.8
# Capitals end this much of the type's size below the top of their row.
_ABOVE_CAPITALS = 0.2
# Steps, so that IDs of nearly the same width come out in the same size on a sheet.
_STEP = 0.92
_RULE_MM, _GAP_MM = 0.15, 0.7


@dataclass(frozen=True, slots=True)
class Area:
    """Where text may stand, in dots.

    Attributes:
        box: The room.
        dpi: Dots per inch.
        top: Where the capitals of the ID should begin if there is height enough; its box's top without it.
        circle: Centre x, centre y and radius, where the room is a part of a circle; rows are then centred.
    """

    box: Box
    dpi: float
    top: int | None = None
    circle: tuple[float, float, float] | None = None

    def span(self, top: int, baseline: int) -> tuple[int, int]:
        """Return the left edge and the width that a row may use.

        In a circle it is the row's upper edge and its baseline that lie inside; the short tails of
        letters below it may reach into the rim.
        """
        if self.circle is None:
            return self.box.x, self.box.width
        x, y, radius = self.circle
        farthest = max(abs(top - y), abs(baseline - y))
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
    def baseline(self) -> int:
        """Where the letters stand."""
        return self.top + font(self.size, self.bold).getmetrics()[0]

    @property
    def bottom(self) -> int:
        """The first dot below the row."""
        return self.top + _height(self.size, self.bold)


def set_text(label: Label, area: Area) -> Block:
    """Place a label's texts: the ID as large as it may be, then a hairline and the rows below it.

    Args:
        label: What to write.
        area: Where; nothing is placed outside it.
    """
    # The ID is placed first and gives way last: it is what the eye looks for when the code is scratched.
    id_row = _id_row(visible(label.id_text, bold=True), area)
    gap, rule = dots(_GAP_MM, area.dpi), max(1, dots(_RULE_MM, area.dpi))
    below = id_row.bottom if area.circle else id_row.bottom + gap + rule + gap // 2
    rows = [id_row, *_body_rows(label, area, below, id_row.size)]
    texts = [mark for row in rows if row.text and (mark := _draw(row, area)) is not None]
    widest = max((mark.box.width for mark in texts), default=0)
    marks: list[Mark] = list(texts)
    # In a circle the hairline would end at no edge that the eye can find.
    if not area.circle and len(texts) > 1:
        marks.append(RuleMark(Box(area.box.x, id_row.bottom + gap // 2, widest, rule)))
    remarks = tuple(_remarks(label, [mark.text for mark in texts]))
    return Block(tuple(_at_height(marks, area, id_row.size)), widest, remarks)


def _id_row(text: str, area: Area) -> _Row:
    """Return the row of the ID, in the largest size that fits."""
    share = _ID_SHARE_IN_CIRCLE if area.circle else _ID_SHARE_OF_HEIGHT
    largest = min(dots(_ID_LARGEST, area.dpi), math.floor(area.box.height * share))
    for size in _sizes(largest, dots(_ID_SMALLEST, area.dpi)):
        row = _Row(text, size, bold=True, top=area.box.y)
        if _fits(row, area):
            break
    return row


def _body_rows(label: Label, area: Area, top: int, id_size: int) -> list[_Row]:
    """Return the rows below the ID, in the largest size in which they can be shown whole."""
    texts = [visible(text, bold=False) for text in _body(label)]
    largest = min(dots(_BODY_LARGEST, area.dpi), math.floor(id_size * _BODY_SHARE_OF_ID))
    for size in _sizes(largest, dots(_BODY_SMALLEST, area.dpi)):
        rows = _arrange(texts, size, top, area)
        if rows and all(_fits(row, area) for row in rows):
            break
    return rows


def _sizes(largest: int, smallest: int) -> Iterator[int]:
    """Yield sizes of type from the largest down to the smallest."""
    size = largest
    while size > smallest:
        yield size
        size = math.floor(size * _STEP)
    yield smallest


def _body(label: Label) -> tuple[str, str, str, str]:
    """Return what stands below the ID."""
    return label.material, label.orientation, label.date, label.line


def _arrange(texts: Sequence[str], size: int, top: int, area: Area) -> list[_Row]:
    """Join the texts to as many rows as there is height for; break rows that are too wide."""
    most = (area.box.bottom - top) // _height(size, bold=False)
    if most < 1:
        return []
    material, orientation, date, line = texts
    parts = [part for part in (material, _join(orientation, date), line) if part]
    # Rather one long row that is shortened with a mark than a text that is gone without one.
    while len(parts) > most:
        parts[-2:] = [_join(*parts[-2:])]
    while len(parts) < most:
        rows = _stack(parts, size, top)
        at = next((at for at, row in enumerate(rows) if not _fits(row, area)), None)
        if at is None or len(broken := _broken(rows[at], area)) == 1:
            break
        parts[at : at + 1] = broken
    return _stack(parts, size, top)


def _broken(row: _Row, area: Area) -> list[str]:
    """Return a row that is too wide as two, broken where texts were joined, or at a blank."""
    if SEPARATOR in row.text:
        return row.text.split(SEPARATOR, 1)
    head = shorten(row.text, area.span(row.top, row.baseline)[1], row.size, row.bold)
    blank = row.text.rfind(" ", 1, len(head))
    return [row.text] if blank < 0 else [row.text[:blank], row.text[blank + 1 :]]


def _join(*texts: str) -> str:
    """Join the texts that say something."""
    return SEPARATOR.join(text for text in texts if text)


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
    return width(row.text, row.size, row.bold) <= area.span(row.top, row.baseline)[1]


def _draw(row: _Row, area: Area) -> TextMark | None:
    """Return the row as a mark, shortened if need be; None where not one letter has room."""
    x, room = area.span(row.top, row.baseline)
    text = shorten(row.text, room, row.size, row.bold)
    left, right = ink(text, row.size, row.bold)
    if right <= left or row.bottom > area.box.bottom:
        return None
    indent = (room - (right - left)) // 2 if area.circle else 0
    box = Box(x + indent, row.top, right - left, row.bottom - row.top)
    return TextMark(box, text, row.size, row.bold, font(row.size, row.bold).getmetrics()[0], left)


def _at_height(marks: list[Mark], area: Area, id_size: int) -> list[Mark]:
    """Move the block to where its capitals should begin, or as near as its height allows."""
    if area.top is None or not marks:
        return marks
    spare = area.box.bottom - max(mark.box.bottom for mark in marks)
    wanted = area.top - round(_ABOVE_CAPITALS * id_size) - area.box.y
    down = max(0, min(wanted, spare))
    return [moved(mark, 0, down) for mark in marks]


def _remarks(label: Label, drawn: Sequence[str]) -> list[str]:
    """Say what of a label is not on it as it was written."""
    said: list[str] = []
    # A text that was broken at a blank is whole again when its rows are joined by one.
    shown = " ".join(drawn)
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
