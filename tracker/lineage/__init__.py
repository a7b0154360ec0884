"""One lineage: what a number came from, read in one way for everybody who asks.

``records`` holds the read model and loads it in batches; ``spools`` the one rule for the spool and material
of a specimen and of a plate; ``questions`` the statements; ``reading`` runs them quickly. Nothing here loads
numpy, pydantic or pint.
"""

from __future__ import annotations

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
from tracker.lineage.spools import (
    among_all_made_of,
    in_tool_order,
    join_main_spool,
    join_material,
    load_spools,
    made_of,
    main_spool_id,
    material_id_of_job,
    material_of_job,
    material_of_specimen,
    spools_of_job,
    spools_of_piece,
    spools_of_specimen,
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
    "among_all_made_of",
    "columns_of",
    "in_tool_order",
    "join_main_spool",
    "join_material",
    "load_spools",
    "made_of",
    "main_spool_id",
    "material_id_of_job",
    "material_of_job",
    "material_of_specimen",
    "of_jobs",
    "of_measurements",
    "of_piece",
    "of_specimens",
    "spool_histories",
    "spools_of_job",
    "spools_of_piece",
    "spools_of_specimen",
]
