"""Which results are meant: filters as people type them, and results with what they came from."""

from __future__ import annotations

from tracker.selection.filters import Filter, FilterError, Term, parse_filter
from tracker.selection.narrowing import (
    Narrowed,
    Of,
    begins_with_few,
    check_filter,
    check_names,
    check_quantities,
    column_without,
    measured_on,
    measured_where,
    names_in_force,
    narrowed,
    narrowed_columns,
    quantities_of,
    recorded_names,
    term_without,
    why_none,
)
from tracker.selection.rows import (
    OWN_NAMES,
    ResultRow,
    check_asked,
    pieces_of,
    result_rows,
    selected,
    why_not,
    with_factors,
)

__all__ = [
    "OWN_NAMES",
    "Filter",
    "FilterError",
    "Narrowed",
    "Of",
    "ResultRow",
    "Term",
    "begins_with_few",
    "check_asked",
    "check_filter",
    "check_names",
    "check_quantities",
    "column_without",
    "measured_on",
    "measured_where",
    "names_in_force",
    "narrowed",
    "narrowed_columns",
    "parse_filter",
    "pieces_of",
    "quantities_of",
    "recorded_names",
    "result_rows",
    "selected",
    "term_without",
    "why_none",
    "why_not",
    "with_factors",
]
