"""Labels for spools and specimens: code, letters, page geometry and drawing; no database is known here.

A session:

    >>> from tracker_labels import Label, draw_sheet, find_stock
    >>> label = Label("J0012-04-K.7QX", "J0012-04-K", "ASA, grey", "ZX", "2025-03-01")
    >>> sheet = draw_sheet([label], find_stock("a4-3x8"), start_at=5)
    >>> len(sheet.pages)
    1
    >>> sheet.pdf()[:8]
    b'%PDF-1.4'

Importing the package loads nothing: each name below brings its module when it is first asked for, and
Pillow and the code libraries come only with drawing and reading.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tracker_labels.label import ALPHANUMERIC, Label, LabelError, StockError
    from tracker_labels.reading import read_codes
    from tracker_labels.sheet import PlatePicture, Sheet, draw_sheet, ruler_page
    from tracker_labels.stock import Stock, find_stock, load_stock, stocks

__all__ = [
    "ALPHANUMERIC",
    "Label",
    "LabelError",
    "PlatePicture",
    "Sheet",
    "Stock",
    "StockError",
    "draw_sheet",
    "find_stock",
    "load_stock",
    "read_codes",
    "ruler_page",
    "stocks",
]

_HOMES = {
    "label": ("ALPHANUMERIC", "Label", "LabelError", "StockError"),
    "stock": ("Stock", "find_stock", "load_stock", "stocks"),
    "reading": ("read_codes",),
    "sheet": ("PlatePicture", "Sheet", "draw_sheet", "ruler_page"),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> object:
    """Return a public name, from the module that defines it."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value: object = getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return sorted({*globals(), *__all__})
