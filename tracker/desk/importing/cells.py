"""Numbers in the cells of a sheet: decimal points or commas, told apart over the whole sheet.

A single cell cannot say whether ``1,143`` is a little more than one or more than a thousand; its
neighbours often can. What stays open is refused, never guessed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final, Literal

from tracker.desk.importing.refusals import ImportRefusedError
from tracker.units import parse

Style = Literal["point", "comma", "open"]
STYLES: Final[tuple[Style, ...]] = ("point", "comma", "open")

_PLAIN: Final = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?")
_DECIMAL: Final = {mark: re.compile(rf"[+-]?[0-9]+\{mark}[0-9]+") for mark in ",."}
_GROUP_LIKE: Final = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:[.,][0-9]{3})+")
_BOTH: Final = {
    "comma": re.compile(r"[+-]?[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]+"),
    "point": re.compile(r"[+-]?[0-9]{1,3}(?:,[0-9]{3})+\.[0-9]+"),
}
_MISSING: Final = {"nan", "na", "n/a", "#n/a", "-", "–", "—", "?", "none", "null"}


def style_of(cells: Iterable[str]) -> Style:
    """Return how a sheet writes decimals, from all its cells that should be numbers."""
    comma = point = False
    for cell in cells:
        comma = comma or ("," in cell and _clear(cell, ",", "comma"))
        point = point or ("." in cell and _clear(cell, ".", "point"))
        # Both styles in one sheet: nothing can be inferred, and each doubtful cell is asked about.
        if comma and point:
            return "open"
    return "comma" if comma else "point" if point else "open"


def _clear(cell: str, mark: str, style: str) -> bool:
    """Whether a cell leaves no doubt that the mark is its decimal mark."""
    if _BOTH[style].fullmatch(cell):
        return True
    return bool(_DECIMAL[mark].fullmatch(cell)) and not _GROUP_LIKE.fullmatch(cell)


def read_number(cell: str, style: Style, unit: str, what: str) -> float:
    """Return the finite number in a cell.

    Args:
        cell: Its text, not blank; a unit behind the number is converted.
        style: How the sheet writes decimals.
        unit: Unit of a bare number.
        what: Name for the refusal.

    Raises:
        Refused: It is no finite number, or could be two.
    """
    if style == "comma":
        cell = _with_point(cell, what)
    elif _BOTH["point"].fullmatch(cell):
        cell = cell.replace(",", "")
    if _PLAIN.fullmatch(cell):
        number = float(cell)
        if number not in (float("inf"), float("-inf")):
            return number
    # What sheets write for "not measured": it needs no mending as a number, but an empty cell.
    if cell.casefold() in _MISSING:
        raise ImportRefusedError(
            f"{what}: {cell!r} is not a number", do="Leave the cell empty if it is not known"
        )
    return parse(cell, unit, what)


def _with_point(cell: str, what: str) -> str:
    """Return a number of a sheet with decimal commas as it is written with a point.

    Raises:
        ImportRefusedError: It has a point alone, before three digits.
    """
    if "," not in cell and _GROUP_LIKE.fullmatch(cell):
        raise ImportRefusedError(
            f"{what}: {cell} can mean {cell.replace('.', '')} or {cell.replace('.', ',')}",
            do="The other numbers of this sheet have decimal commas; write this one without a point",
        )
    return cell.replace(".", "").replace(",", ".") if "," in cell else cell
