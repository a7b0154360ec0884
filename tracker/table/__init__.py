"""The running summary: materials set beside each other, and what is behind each mean.

``results`` reads results, as sums of plates or one by one; ``conditions`` tells the rows of a material apart;
``cells`` says what the pieces of a cell say together, ``summary`` puts cells into rows and columns, ``forms``
writes them down, ``charts`` draws them and the curves behind them; ``filtering`` says which results a filter
lets in.
"""

from __future__ import annotations

from tracker.table.cells import Cell, Ratio
from tracker.table.filtering import results_where
from tracker.table.forms import (
    ComparedRow,
    as_csv,
    as_html,
    as_lines,
    as_markdown,
    compared,
    filled_columns,
    remarks,
)
from tracker.table.held import HeldResults
from tracker.table.results import Column
from tracker.table.summary import (
    CAUTION,
    Choosable,
    Meant,
    SummaryTable,
    TableRow,
    choosable,
    columns_of,
    graded,
    meant_by,
    measured_by,
    strengths,
    summary_table,
)

__all__ = [
    "CAUTION",
    "Cell",
    "Choosable",
    "Column",
    "ComparedRow",
    "HeldResults",
    "Meant",
    "Ratio",
    "SummaryTable",
    "TableRow",
    "as_csv",
    "as_html",
    "as_lines",
    "as_markdown",
    "choosable",
    "columns_of",
    "compared",
    "filled_columns",
    "graded",
    "meant_by",
    "measured_by",
    "remarks",
    "results_where",
    "strengths",
    "summary_table",
]
