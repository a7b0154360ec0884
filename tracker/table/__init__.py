"""The running summary: materials set beside each other, and what lies behind each mean.

``points`` reads the results, ``conditions`` tells the rows of a material apart, ``cells`` says what repeated
results say together, ``summary`` puts them in rows and columns, ``forms`` writes them down, ``charts`` draws
them; ``means`` answers for a whole book in one statement. ``figures`` shows one measurement as its method
draws it, ``curves`` lays several over each other; ``choosing`` says which rows a choice means.
"""

from __future__ import annotations

from tracker.table.cells import Cell, Ratio
from tracker.table.choosing import Meant, meant_by
from tracker.table.filtering import results_where
from tracker.table.forms import as_csv, as_html, as_lines, as_markdown, html_table, remarks
from tracker.table.look import html_page
from tracker.table.means import Mean, means_by
from tracker.table.summary import (
    CAUTION,
    STRENGTH,
    SummaryTable,
    TableRow,
    columns_of,
    graded,
    measured_by,
    summary_table,
)

__all__ = [
    "CAUTION",
    "STRENGTH",
    "Cell",
    "Mean",
    "Meant",
    "Ratio",
    "SummaryTable",
    "TableRow",
    "as_csv",
    "as_html",
    "as_lines",
    "as_markdown",
    "columns_of",
    "graded",
    "html_page",
    "html_table",
    "means_by",
    "meant_by",
    "measured_by",
    "remarks",
    "results_where",
    "summary_table",
]
