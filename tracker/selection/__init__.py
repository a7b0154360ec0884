"""Which results are meant: filters as people type them, and results with what they came from."""

from __future__ import annotations

from tracker.selection.filters import Filter, FilterError, Term, parse_filter
from tracker.selection.rows import ResultRow, result_rows, selected, with_factors

__all__ = [
    "Filter",
    "FilterError",
    "ResultRow",
    "Term",
    "parse_filter",
    "result_rows",
    "selected",
    "with_factors",
]
