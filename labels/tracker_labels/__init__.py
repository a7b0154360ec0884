"""Labels for spools and specimens: code, letters, page geometry and drawing; no database is known here.

A session:

    >>> from tracker_labels import Label, draw_sheet, find_stock
    >>> label = Label("J0012-04-K.7QX", "J0012-04-K", "ASA, grey", "ZX", "2025-03-01")
    >>> sheet = draw_sheet([label], find_stock("a4-3x8"), start_at=5)
    >>> len(sheet.pages)
    1
    >>> sheet.pdf()[:8]
    b'%PDF-1.4'

Importing the package loads neither Pillow nor the code libraries; drawing and reading do.
"""

from __future__ import annotations

from tracker_labels.errors import LabelError, StockError
from tracker_labels.geometry import Stock, find_stock, load_stock, stocks
from tracker_labels.label import ALPHANUMERIC, Label
from tracker_labels.reading import read_codes
from tracker_labels.ruler import ruler_page
from tracker_labels.sheet import Sheet, draw_sheet

__all__ = [
    "ALPHANUMERIC",
    "Label",
    "LabelError",
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
