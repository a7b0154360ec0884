"""One label: how large its code can be on a stock, where code and text stand, what has to be shortened."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from tracker_labels.code import QUIET, Code, choose, encode, encode_small
from tracker_labels.drawing import MM_PER_INCH, Box, CodeMark, Mark, RuleMark, TextMark, dots, moved
from tracker_labels.label import Label, LabelError
from tracker_labels.lettering import font, ink, missing, shorten, visible, width
from tracker_labels.stock import Stock, stocks

FEWEST_DOTS = 3
"""Dots a module below which a code is refused."""

_GOOD_DOTS = 4
"""Dots a module that printers' guides ask for at least (qrcode.com, "cell size")."""

# What 3 dots are at 300 dpi: a finer printer must not make the code too fine for a telephone.
_FINEST_MM = 0.25
# A code larger than this is read no better and takes room from the text.
_COARSEST_MM = 1.1
_CODE_SHARE_OF_WIDTH = 0.42
_LEAST_TEXT_MM = 13.0
# Of the radius: how far below the middle of a circle the code may end, if all is well and at most.
_ROUND_ENDS_GOOD, _ROUND_ENDS_AT_MOST = 0.14, 0.45
_FOLD_TICK_MM, _FOLD_LINE_MM = 1.6, 0.25
_CUT_RIM_MM, _BESIDE_CODE_MM = 0.4, 1.2


@dataclass(frozen=True, slots=True)
class Plan:
    """One label in dots, its own upper left corner being the origin.

    Attributes:
        width: Width in dots.
        height: Height in dots.
        marks: What is on it; exactly one is the code.
        remarks: What was shortened or replaced.
        id_size: Size of the ID's type, in dots.
    """

    width: int
    height: int
    marks: tuple[Mark, ...]
    remarks: tuple[str, ...]
    id_size: int


def plan(label: Label, stock: Stock, dpi: float, *, largest_id: int | None = None) -> Plan:
    """Plan one label.

    Args:
        label: What is on it.
        stock: Where.
        dpi: Dots per inch of the printer.
        largest_id: The ID is set no larger than this, in dots, so that all IDs of a sheet are of one size.

    Raises:
        LabelError: The code cannot reach 3 dots a module on this stock; the message names the smallest
            bundled stock that can hold it.
    """
    code, module = _code_on(label, stock, dpi)
    made = _ARRANGEMENTS[stock.kind](label, code, module, stock, dpi, largest_id)
    if code.symbology == "QR":
        return made
    hint = (
        f"{label.id_text}: too small a face for a QR code; its Data Matrix is read by scanners and the bench"
    )
    return replace(made, remarks=(*made.remarks, f"{hint} page, not by the camera of every telephone"))


def _code_on(label: Label, stock: Stock, dpi: float) -> tuple[Code, int]:
    """Return the code for a label, a QR code if the stock can hold it, and its dots a module."""
    module = module_dots(17 + 4 * choose(label.payload)[0], stock, dpi)
    if module:
        return encode(label.payload), module
    small = encode_small(label.payload)
    module = module_dots(small.size, stock, dpi, small.quiet) if small else 0
    if small is None or module == 0:
        raise _too_small(label, stock, dpi)
    return small, module


def module_dots(modules: int, stock: Stock, dpi: float, quiet: int = QUIET) -> int:
    """Return how many dots each module of a code may take on a stock; 0 if the code cannot be held.

    Args:
        modules: Modules a side, without the quiet zone.
        stock: Where it shall stand.
        dpi: Dots per inch of the printer.
        quiet: Modules of the quiet zone on each side.
    """
    good, most = _room(stock, dpi)
    symbol = dots(stock.label_height_mm - 2 * stock.clear_mm, dpi) // modules
    coarsest = math.floor(_COARSEST_MM * dpi / MM_PER_INCH)
    whole = modules + 2 * quiet
    if stock.kind == "round":
        # The quiet zone keeps the symbol off the rim of a circle, whatever the rim.
        symbol = most // whole
    # First as large as looks well; where that is too fine for comfort, text gives way down to its least.
    # Whole dots a module, always: a module of 3.5 dots comes out as 3 and 4 in turn, which eats the
    # reader's tolerance.
    module = min(good // whole, symbol, coarsest)
    if module < _GOOD_DOTS:
        module = min(most // whole, symbol, _GOOD_DOTS)
    return module if module >= max(FEWEST_DOTS, _FINEST_MM * dpi / MM_PER_INCH) else 0


def _room(stock: Stock, dpi: float) -> tuple[int, int]:
    """Return the side of the square for code and quiet zone: the one that looks well, and the largest."""
    rim = 2 * dots(_CUT_RIM_MM, dpi) if stock.cut else 0
    width, height = dots(stock.label_width_mm, dpi) - rim, dots(stock.label_height_mm, dpi) - rim
    if stock.kind == "round":
        return _square_in_circle(height, _ROUND_ENDS_GOOD), _square_in_circle(height, _ROUND_ENDS_AT_MOST)
    # The two faces lie back to back, so that neither takes room from the other.
    if stock.kind == "flag":
        face = min(height, _face(stock, dpi))
        return face, face
    most = min(height, width - dots(_LEAST_TEXT_MM + stock.clear_mm, dpi))
    if stock.kind == "tape":
        return most, most
    return min(most, math.floor(width * _CODE_SHARE_OF_WIDTH)), most


def _square_in_circle(diameter: int, end: float) -> int:
    """Return the side of the largest square that fits into a circle and ends ``end`` radii below its middle.

    With half side h and unit radius the upper corners lie at √(1 − h²) above the middle, so that
    2 h = end + √(1 − h²); solved for h.
    """
    half = (2 * end + math.sqrt(5 - end * end)) / 5
    return math.floor(half * diameter)


def _face(stock: Stock, dpi: float) -> int:
    """Return the width of one face of a flag."""
    return dots((stock.label_width_mm - stock.wrap_mm) / 2, dpi)


def _beside(label: Label, code: Code, module: int, stock: Stock, dpi: float, largest_id: int | None) -> Plan:
    """Put the code on the left and the text beside it."""
    width, height = dots(stock.label_width_mm, dpi), dots(stock.label_height_mm, dpi)
    clear = dots(stock.clear_mm, dpi)
    side = code.size_with_quiet * module
    # A line to cut along must not be painted over by the quiet zone.
    edge = dots(_CUT_RIM_MM, dpi) if stock.cut else 0
    left = max(edge, clear - code.quiet * module)
    mark = CodeMark(Box(left, (height - side) // 2, side, side), code, module)
    x = max(mark.box.right, mark.symbol.right + dots(_BESIDE_CODE_MM, dpi))
    room = Box(x, clear, width - clear - x, height - 2 * clear)
    block = set_text(label, Area(room, dpi, top=mark.symbol.y), largest_id)
    return Plan(width, height, (*block.marks, mark), block.remarks, block.id_size)


def _tape(label: Label, code: Code, module: int, stock: Stock, dpi: float, largest_id: int | None) -> Plan:
    """Do as ``_beside``, then cut the tape where the text ends."""
    whole = _beside(label, code, module, stock, dpi, largest_id)
    end = max(mark.box.right for mark in whole.marks) + dots(stock.clear_mm, dpi)
    length = min(whole.width, max(end, dots(stock.shortest_mm, dpi)))
    return replace(whole, width=length)


def _flag(label: Label, code: Code, module: int, stock: Stock, dpi: float, largest_id: int | None) -> Plan:
    """Put the code on one face and the text on the other, with ticks where the wrap begins and ends."""
    width, height = dots(stock.label_width_mm, dpi), dots(stock.label_height_mm, dpi)
    clear, face = dots(stock.clear_mm, dpi), _face(stock, dpi)
    side = code.size_with_quiet * module
    mark = CodeMark(Box((face - side) // 2, (height - side) // 2, side, side), code, module)
    area = Box(width - face + clear, clear, face - 2 * clear, height - 2 * clear)
    block = set_text(label, Area(area, dpi, top=mark.symbol.y), largest_id)
    return Plan(
        width, height, (*_folds(face, width, height, dpi), *block.marks, mark), block.remarks, block.id_size
    )


def _folds(face: int, width: int, height: int, dpi: float) -> list[Mark]:
    """Return ticks at both edges where the two faces meet the wrap."""
    tick, line = dots(_FOLD_TICK_MM, dpi), dots(_FOLD_LINE_MM, dpi)
    return [RuleMark(Box(x, y, line, tick)) for x in (face, width - face - line) for y in (0, height - tick)]


def _round(label: Label, code: Code, module: int, stock: Stock, dpi: float, largest_id: int | None) -> Plan:
    """Put the code as high as it goes in a circle and the text below it, centred."""
    side, radius = code.size_with_quiet * module, dots(stock.label_height_mm, dpi) / 2
    top = math.ceil(radius - math.sqrt(radius * radius - side * side / 4))
    mark = CodeMark(Box(round(radius - side / 2), top, side, side), code, module)
    inner = radius - dots(stock.clear_mm, dpi)
    diameter = round(2 * radius)
    text = Box(0, mark.box.bottom, diameter, math.floor(radius + inner) - mark.box.bottom)
    block = set_text(label, Area(text, dpi, circle=(radius, radius, inner)), largest_id)
    return Plan(diameter, diameter, (*block.marks, mark), block.remarks, block.id_size)


_ARRANGEMENTS = {"sheet": _beside, "tape": _tape, "flag": _flag, "round": _round}


def _too_small(label: Label, stock: Stock, dpi: float) -> LabelError:
    """Return the refusal of a code that a stock cannot hold, with the smallest bundled stock that can."""
    modules = 17 + 4 * choose(label.payload)[0]
    # Whoever named a printer's dots prints the other stock on that printer too.
    named = None if dpi == stock.dpi else dpi
    small = encode_small(label.payload)
    holders = [
        other
        for other in stocks().values()
        if module_dots(modules, other, named or other.dpi)
        or (small and module_dots(small.size, other, named or other.dpi, small.quiet))
    ]
    smallest = min(holders, key=lambda other: other.area_mm2, default=None)
    advice = f"Use {smallest.name} ({smallest.description})" if smallest else "No bundled stock can hold it"
    return LabelError(
        f"The code of {label.id_text or label.payload} is too fine for {stock.name}",
        why=f"its {len(label.payload)} characters need {modules} × {modules} modules, "
        f"and at {dpi:g} dpi each gets fewer than {FEWEST_DOTS} dots or less than {_FINEST_MM} mm",
        do=f"{advice}, or shorten the payload.",
    )


SEPARATOR = " · "

# Heights of type in mm. The smallest is 5.4 point: common practice for what is read at arm's
# length, no source.
_ID_LARGEST, _ID_SMALLEST = 6.5, 2.1
_BODY_LARGEST, _BODY_SMALLEST = 3.6, 1.9
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
        id_size: Size of the ID's type, in dots.
    """

    marks: tuple[Mark, ...]
    width: int
    remarks: tuple[str, ...]
    id_size: int


@dataclass(frozen=True, slots=True)
class _Row:
    """A row of text before it is shortened; ``kept`` is its end that is never cut."""

    text: str
    size: int
    bold: bool
    top: int
    kept: str = ""

    @property
    def baseline(self) -> int:
        """Where the letters stand."""
        return self.top + font(self.size, self.bold).getmetrics()[0]

    @property
    def bottom(self) -> int:
        """The first dot below the row."""
        return self.top + _height(self.size, self.bold)


def set_text(label: Label, area: Area, largest_id: int | None = None) -> Block:
    """Place a label's texts: the ID as large as it may be, then a hairline and the rows below it.

    Args:
        label: What to write.
        area: Where; nothing is placed outside it.
        largest_id: The ID is set no larger than this, in dots.
    """
    # The ID is placed first and gives way last: it is what the eye looks for when the code is scratched.
    id_row = _id_row(visible(label.id_text, bold=True), area, largest_id)
    gap, rule = dots(_GAP_MM, area.dpi), dots(_RULE_MM, area.dpi)
    below = id_row.bottom if area.circle else id_row.bottom + gap + rule + gap // 2
    rows = [id_row, *_body_rows(label, area, below, id_row.size)]
    texts = [mark for row in rows if row.text and (mark := _draw(row, area)) is not None]
    widest = max((mark.box.width for mark in texts), default=0)
    marks: list[Mark] = list(texts)
    # In a circle the hairline would end at no edge that the eye can find.
    if not area.circle and len(texts) > 1:
        marks.append(RuleMark(Box(area.box.x, id_row.bottom + gap // 2, widest, rule)))
    remarks = tuple(_remarks(label, [mark.text for mark in texts]))
    return Block(tuple(_at_height(marks, area, id_row.size)), widest, remarks, id_row.size)


def _id_row(text: str, area: Area, largest_id: int | None) -> _Row:
    """Return the row of the ID, in the largest size that fits."""
    share = _ID_SHARE_IN_CIRCLE if area.circle else _ID_SHARE_OF_HEIGHT
    largest = min(dots(_ID_LARGEST, area.dpi), math.floor(area.box.height * share))
    if largest_id is not None:
        largest = min(largest, largest_id)
    for size in _sizes(largest, dots(_ID_SMALLEST, area.dpi)):
        row = _Row(text, size, bold=True, top=area.box.y)
        if _fits(row, area):
            break
    return row


def _body_rows(label: Label, area: Area, top: int, id_size: int) -> list[_Row]:
    """Return the rows below the ID, in the largest size in which they can be shown whole.

    Name and orientation tell two specimens apart: where they would be cut, the material gives way to them,
    and then the date.
    """
    texts = [visible(text, bold=False) for text in _body(label)]
    _, orientation, date, line = texts
    fewer = (texts, ["", orientation, date, line], ["", orientation, "", line])
    tried = [_rows_of(each, area, top, id_size) for each in (fewer[:2] if area.circle else fewer)]
    return next((each for each in tried if _shows(each, orientation, area)), tried[0])


def _shows(rows: Sequence[_Row], text: str, area: Area) -> bool:
    """Whether all words of a text can be read in rows as they are drawn."""
    shown = " ".join(_shortened(row, area.span(row.top, row.baseline)[1]) for row in rows)
    return all(word in shown.split() for word in text.replace(SEPARATOR, " ").split())


def _rows_of(texts: Sequence[str], area: Area, top: int, id_size: int) -> list[_Row]:
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
    """Return what is below the ID."""
    return label.material, label.orientation, label.date, label.line


def _arrange(texts: Sequence[str], size: int, top: int, area: Area) -> list[_Row]:
    """Join the texts to as many rows as there is height for; break rows that are too wide."""
    most = (area.box.bottom - top) // _height(size, bold=False)
    if most < 1:
        return []
    material, orientation, date, line = texts
    parts = [part for part in (material, orientation, date, line) if part]
    # The last rows of a circle are too narrow for a date alone.
    if len(parts) > most or area.circle:
        parts = [part for part in (material, _join(orientation, date), line) if part]
    # Rather one long row that is shortened with a mark than a text that is gone without one.
    while len(parts) > most:
        parts[-2:] = [_join(*parts[-2:])]
    while len(parts) < most:
        rows = _stack(parts, date, size, top)
        at = next((at for at, row in enumerate(rows) if not _fits(row, area)), None)
        if at is None or len(broken := _broken(rows[at], area)) == 1:
            break
        more = [*parts[:at], *broken, *parts[at + 1 :]]
        # Rows of a circle get narrower: none is broken that would push the date to where it has no room.
        if not all(_fits(replace(row, text=row.kept), area) for row in _stack(more, date, size, top)):
            break
        parts = more
    return _stack(parts, date, size, top)


def _broken(row: _Row, area: Area) -> list[str]:
    """Return a row that is too wide as two, broken where texts were joined, or at a blank."""
    if SEPARATOR in row.text:
        return row.text.split(SEPARATOR, 1)
    head = shorten(row.text, area.span(row.top, row.baseline)[1], row.size, row.bold)
    first = row.text[: len(head)].rpartition(" ")[0]
    return [first, row.text[len(first) + 1 :]] if first else [row.text]


def _join(*texts: str) -> str:
    """Join the texts that say something."""
    return SEPARATOR.join(text for text in texts if text)


def _stack(texts: Sequence[str], date: str, size: int, top: int) -> list[_Row]:
    """Put rows of one size below one another; a date at the end of a row is never cut."""
    height = _height(size, bold=False)
    return [
        _Row(text, size, bold=False, top=top + at * height, kept=date if date and text.endswith(date) else "")
        for at, text in enumerate(texts)
    ]


def _height(size: int, bold: bool) -> int:
    """Return the height of a row: from the highest accent to the lowest tail."""
    ascent, descent = font(size, bold).getmetrics()
    return ascent + descent


def _fits(row: _Row, area: Area) -> bool:
    """Tell whether a row is narrow enough for where it is."""
    return width(row.text, row.size, row.bold) <= area.span(row.top, row.baseline)[1]


def _draw(row: _Row, area: Area) -> TextMark | None:
    """Return the row as a mark, shortened if need be; None where not one letter has room."""
    x, room = area.span(row.top, row.baseline)
    text = _shortened(row, room)
    left, right = ink(text, row.size, row.bold)
    if right <= left or row.bottom > area.box.bottom:
        return None
    indent = (room - (right - left)) // 2 if area.circle else 0
    box = Box(x + indent, row.top, right - left, row.bottom - row.top)
    return TextMark(box, text, row.size, row.bold, font(row.size, row.bold).getmetrics()[0], left)


def _shortened(row: _Row, room: int) -> str:
    """Return a row's text cut to a width; half a date is a wrong date, so what comes before it gives way."""
    if not row.kept or width(row.text, row.size, row.bold) <= room:
        return shorten(row.text, room, row.size, row.bold)
    tail = SEPARATOR + row.kept
    head = shorten(row.text.removesuffix(tail), room - width(tail, row.size, row.bold), row.size, row.bold)
    whole = f"{head}{tail}"
    if head and head != row.kept and width(whole, row.size, row.bold) <= room:
        return whole
    return row.kept if width(row.kept, row.size, row.bold) <= room else ""


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
    remarks: list[str] = []
    # A text that was broken, at a blank or where it was joined, is whole again when its rows are joined.
    shown = " ".join(drawn).replace(SEPARATOR, " ")
    for name, text, bold in _named(label):
        lost = missing(text, bold)
        if lost:
            remarks.append(
                f"{label.id_text}: the font has no {lost!r} (in its {name}); a square is printed for each"
            )
        if visible(text, bold).replace(SEPARATOR, " ") not in shown:
            remarks.append(f"{label.id_text}: no room for the whole {name}, {text!r}")
    return remarks


def _named(label: Label) -> tuple[tuple[str, str, bool], ...]:
    """Return each text of a label with its name, and whether it is bold."""
    return (
        ("ID", label.id_text, True),
        ("material", label.material, False),
        ("orientation", label.orientation, False),
        ("date", label.date, False),
        ("line", label.line, False),
    )
