"""Which results are meant: filters as people type them, and results with what they came from."""

from __future__ import annotations

from tracker.selection.filters import Filter, FilterError, Term, parse_filter
from tracker.selection.knowing import check_names, check_quantities, why_none
from tracker.selection.rows import ResultRow, check_asked, result_rows, selected, why_not, with_factors

__all__ = [
    "Filter",
    "FilterError",
    "ResultRow",
    "Term",
    "check_asked",
    "check_names",
    "check_quantities",
    "parse_filter",
    "result_rows",
    "selected",
    "why_none",
    "why_not",
    "with_factors",
]
