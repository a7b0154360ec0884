"""The tables of a book, as SQLAlchemy models; one module for each stretch of the way a spool travels.

The annotations of these modules are real ones, no texts: the tables are made from them. Models that few
commands ask for are made when they are first imported from here; ``Base`` is that of all tables, and who
imports it has them all made.
"""

import importlib
from typing import TYPE_CHECKING, Any, Final

from tracker.model.base import SCHEMA, Voidable, live, utc
from tracker.model.keeping import (
    Attachment,
    BookRecord,
    Device,
    JournalRecord,
    Person,
    Programme,
    SentForm,
)
from tracker.model.printing import (
    FactorRecord,
    Job,
    JobLog,
    JobSpool,
    Photograph,
    SettingChange,
    Specimen,
)
from tracker.model.supply import Drying, DryingSpool, Material, Spool, StoragePeriod, Weighing
from tracker.model.testing import (
    Calibration,
    Measurement,
    MeasurementFile,
    MeasurementRig,
    Result,
    Rig,
    Verdict,
)

if TYPE_CHECKING:
    from tracker.model.base import Base
    from tracker.model.derived import DERIVED, OWN_MATERIAL, FactorInForce, JobInForce, PlateSum
    from tracker.model.publishing import Choice, Dispute, OtherBench, OtherResult

_LATER: Final = {
    "derived": ("DERIVED", "OWN_MATERIAL", "FactorInForce", "JobInForce", "PlateSum"),
    "publishing": ("Choice", "Dispute", "OtherBench", "OtherResult"),
    "base": ("Base",),
}
"""Modules whose models are made when they are asked for, and their names."""


def __getattr__(name: str) -> Any:
    wanted = [module for module, names in _LATER.items() if name in names or name == "Base"]
    if not wanted:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    modules = [importlib.import_module(f"{__name__}.{module}") for module in wanted]
    globals()[name] = getattr(modules[-1], name)
    return globals()[name]


__all__ = [
    "DERIVED",
    "OWN_MATERIAL",
    "SCHEMA",
    "Attachment",
    "Base",
    "BookRecord",
    "Calibration",
    "Choice",
    "Device",
    "Dispute",
    "Drying",
    "DryingSpool",
    "FactorInForce",
    "FactorRecord",
    "Job",
    "JobInForce",
    "JobLog",
    "JobSpool",
    "JournalRecord",
    "Material",
    "Measurement",
    "MeasurementFile",
    "MeasurementRig",
    "OtherBench",
    "OtherResult",
    "Person",
    "Photograph",
    "PlateSum",
    "Programme",
    "Result",
    "Rig",
    "SentForm",
    "SettingChange",
    "Specimen",
    "Spool",
    "StoragePeriod",
    "Verdict",
    "Voidable",
    "Weighing",
    "live",
    "utc",
]
