"""One lineage: what a number came from, read in one way for everybody who asks.

``records`` holds the read model and loads it in batches; ``mainspool`` the one rule for the spool that stands
for a plate; ``questions`` the statements; ``reading`` runs them quickly. Nothing here loads numpy, pydantic
or pint.
"""

from __future__ import annotations

from tracker.lineage.mainspool import (
    in_tool_order,
    join_main_spool,
    main_spool,
    main_spool_id,
    material_id_of_job,
)
from tracker.lineage.reading import Reader, Row, columns_of
from tracker.lineage.records import (
    Dried,
    Judged,
    Lineage,
    Measured,
    Print,
    Recorded,
    RigUse,
    SpoolHistory,
    of_jobs,
    of_measurements,
    of_piece,
    of_specimens,
    spool_histories,
)

__all__ = [
    "Dried",
    "Judged",
    "Lineage",
    "Measured",
    "Print",
    "Reader",
    "Recorded",
    "RigUse",
    "Row",
    "SpoolHistory",
    "columns_of",
    "in_tool_order",
    "join_main_spool",
    "main_spool",
    "main_spool_id",
    "material_id_of_job",
    "of_jobs",
    "of_measurements",
    "of_piece",
    "of_specimens",
    "spool_histories",
]
