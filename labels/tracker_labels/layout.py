"""One label's plan: how large its code can be on a stock, and where code and text stand."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from tracker_labels.block import Area, Block, set_text
from tracker_labels.errors import LabelError
from tracker_labels.geometry import Stock, stocks
from tracker_labels.label import Label
from tracker_labels.marks import MM_PER_INCH, Box, CodeMark, Mark, RuleMark, dots
from tracker_labels.qr import QUIET, Code, choose, encode

FEWEST_DOTS = 3
"""Dots a module below which a code is refused."""

_GOOD_DOTS = 4
"""Dots a module that printers' guides ask for at least (qrcode.com, "cell size")."""

# What 3 dots are at 300 dpi: a finer printer must not make the code too fine for a telephone.
_FINEST_MM = 0.25
# A code larger than this is read no better and takes room from the text.
_COARSEST_MM = 0.8
_CODE_SHARE_OF_WIDTH = 0.42
_LEAST_TEXT_MM = 13.0
# Of the radius: how far below the middle of a circle the code may end, if all is well and at most.
_ROUND_ENDS_GOOD, _ROUND_ENDS_AT_MOST = 0.14, 0.45
_FOLD_TICK_MM, _FOLD_LINE_MM = 1.6, 0.25


@dataclass(frozen=True, slots=True)
class Plan:
    """One label in dots, its own upper left corner being the origin.

    Attributes:
        width: Width in dots.
        height: Height in dots.
        marks: What stands on it; exactly one is the code.
        remarks: What was shortened or replaced.
    """

    width: int
    height: int
    marks: tuple[Mark, ...]
    remarks: tuple[str, ...]


def plan(label: Label, stock: Stock, dpi: float) -> Plan:
    """Plan one label.

    Raises:
        LabelError: The code cannot reach 3 dots a module on this stock; the message names the smallest
            bundled stock that can hold it.
    """
    module = module_dots(17 + 4 * choose(label.payload)[0], stock, dpi)
    if module == 0:
        raise _too_small(label, stock, dpi)
    code = encode(label.payload)
    return _ARRANGEMENTS[stock.kind](label, code, module, stock, dpi)


def module_dots(modules: int, stock: Stock, dpi: float) -> int:
    """Return how many dots each module of a code may take on a stock; 0 if the code cannot be held.

    Args:
        modules: Modules a side, without the quiet zone.
        stock: Where it shall stand.
        dpi: Dots per inch of the printer.
    """
    good, most = _room(stock, dpi)
    symbol = dots(stock.label_height_mm - 2 * stock.clear_mm, dpi) // modules
    coarsest = max(FEWEST_DOTS, math.floor(_COARSEST_MM * dpi / MM_PER_INCH))
    whole = modules + 2 * QUIET
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
    width, height = dots(stock.label_width_mm, dpi), dots(stock.label_height_mm, dpi)
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
    """Return the side of the largest square that stands in a circle and ends ``end`` radii below its middle.

    With half side h and unit radius the upper corners lie at √(1 − h²) above the middle, so that
    2 h = end + √(1 − h²); solved for h.
    """
    half = (2 * end + math.sqrt(5 - end * end)) / 5
    return math.floor(half * diameter)


def _face(stock: Stock, dpi: float) -> int:
    """Return the width of one face of a flag."""
    return dots((stock.label_width_mm - stock.wrap_mm) / 2, dpi)


def _beside(label: Label, code: Code, module: int, stock: Stock, dpi: float) -> Plan:
    """Put the code on the left and the text beside it."""
    width, height = dots(stock.label_width_mm, dpi), dots(stock.label_height_mm, dpi)
    clear = dots(stock.clear_mm, dpi)
    side = code.size_with_quiet * module
    mark = CodeMark(Box(max(0, clear - QUIET * module), (height - side) // 2, side, side), code, module)
    x = mark.box.right
    room = Box(x, clear, width - clear - x, height - 2 * clear)
    block = set_text(label, Area(room, dpi, top=mark.symbol.y))
    return Plan(width, height, (*block.marks, mark), block.remarks)


def _tape(label: Label, code: Code, module: int, stock: Stock, dpi: float) -> Plan:
    """Do as ``_beside``, then cut the tape where the text ends."""
    whole = _beside(label, code, module, stock, dpi)
    end = max(mark.box.right for mark in whole.marks) + dots(stock.clear_mm, dpi)
    length = min(whole.width, max(end, dots(stock.shortest_mm, dpi)))
    return replace(whole, width=length)


def _flag(label: Label, code: Code, module: int, stock: Stock, dpi: float) -> Plan:
    """Put the code on one face and the text on the other, with ticks where the wrap begins and ends."""
    width, height = dots(stock.label_width_mm, dpi), dots(stock.label_height_mm, dpi)
    clear, face = dots(stock.clear_mm, dpi), _face(stock, dpi)
    side = code.size_with_quiet * module
    mark = CodeMark(Box((face - side) // 2, (height - side) // 2, side, side), code, module)
    area = Box(width - face + clear, clear, face - 2 * clear, height - 2 * clear)
    block = set_text(label, Area(area, dpi, top=mark.symbol.y))
    return Plan(width, height, (*_folds(face, width, height, dpi), *block.marks, mark), block.remarks)


def _folds(face: int, width: int, height: int, dpi: float) -> list[Mark]:
    """Return ticks at both edges where the two faces meet the wrap."""
    tick, line = dots(_FOLD_TICK_MM, dpi), max(1, dots(_FOLD_LINE_MM, dpi))
    return [RuleMark(Box(x, y, line, tick)) for x in (face, width - face - line) for y in (0, height - tick)]


def _round(label: Label, code: Code, module: int, stock: Stock, dpi: float) -> Plan:
    """Put the code as high as it goes in a circle and the text below it, centred."""
    side, radius = code.size_with_quiet * module, dots(stock.label_height_mm, dpi) / 2
    top = math.ceil(radius - math.sqrt(radius * radius - side * side / 4))
    mark = CodeMark(Box(round(radius - side / 2), top, side, side), code, module)
    inner = radius - dots(stock.clear_mm, dpi)
    diameter = round(2 * radius)
    text = Box(0, mark.box.bottom, diameter, math.floor(radius + inner) - mark.box.bottom)
    block: Block = set_text(label, Area(text, dpi, circle=(radius, radius, inner)))
    return Plan(diameter, diameter, (*block.marks, mark), block.remarks)


_ARRANGEMENTS = {"sheet": _beside, "tape": _tape, "flag": _flag, "round": _round}


def _too_small(label: Label, stock: Stock, dpi: float) -> LabelError:
    """Return the refusal of a code that a stock cannot hold, with the smallest bundled stock that can."""
    modules = 17 + 4 * choose(label.payload)[0]
    # Whoever named a printer's dots prints the other stock on that printer too.
    named = None if dpi == stock.dpi else dpi
    holders = [other for other in stocks().values() if module_dots(modules, other, named or other.dpi)]
    smallest = min(holders, key=lambda other: other.area_mm2, default=None)
    advice = f"Use {smallest.name} ({smallest.description})" if smallest else "No bundled stock can hold it"
    return LabelError(
        f"The code of {label.id_text or label.payload} is too fine for {stock.name}",
        why=f"its {len(label.payload)} characters need {modules} × {modules} modules, "
        f"and at {dpi:g} dpi each gets fewer than {FEWEST_DOTS} dots or less than {_FINEST_MM} mm",
        do=f"{advice}, or shorten the payload.",
    )
