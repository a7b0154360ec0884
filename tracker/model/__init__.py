"""The tables of a book, as SQLAlchemy models; one module for each stretch of the way a spool travels.

The annotations of these modules are real ones, no texts: the mapper would compile hundreds of texts in every
command, a sixth of what mapping takes.
"""

from tracker.model.base import SCHEMA, Base, Voidable, live, utc
from tracker.model.derived import DERIVED, OWN_MATERIAL, FactorInForce, JobInForce, PlateSum
from tracker.model.keeping import (
    Attachment,
    BookRecord,
    Choice,
    Device,
    Dispute,
    JournalRecord,
    OtherBench,
    OtherResult,
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
