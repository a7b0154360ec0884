"""Why two runs of the same material differ, computed (data in, answer out; no database).

Modules in the order of the work: ``problem`` (what is asked), ``differed`` (what was not alike), ``effects``
(what follows from what, and published effects), ``design`` (columns), ``posterior`` (the Gaussian model over
its scatters), ``causes`` (which of the changed things acted), ``separable`` (what cannot be told apart),
``working`` (these together), ``findings`` (what an answer is made of), ``checks`` (of the fit), ``answer``;
then ``plan`` (what to print next), ``overview`` (all quantities at once), ``watch`` (a whole book); beside
them ``words`` and ``picture``.
"""

from tracker.why.answer import Answer, answer
from tracker.why.design import Cells, Entries, no_numbers, no_words
from tracker.why.differed import settings_that_differ
from tracker.why.overview import Overview, overview
from tracker.why.picture import draw_watch
from tracker.why.plan import Limit, Plan, PlannedPlate, Wishes, followup, with_plan
from tracker.why.problem import Factor, Observation, Problem, Question, Value
from tracker.why.watch import (
    Improbable,
    PlateChart,
    Precision,
    ReaderLevel,
    Records,
    Watch,
    screened,
    watch,
)

__all__ = [
    "Answer",
    "Cells",
    "Entries",
    "Factor",
    "Improbable",
    "Limit",
    "Observation",
    "Overview",
    "Plan",
    "PlannedPlate",
    "PlateChart",
    "Precision",
    "Problem",
    "Question",
    "ReaderLevel",
    "Records",
    "Value",
    "Watch",
    "Wishes",
    "answer",
    "draw_watch",
    "followup",
    "no_numbers",
    "no_words",
    "overview",
    "screened",
    "settings_that_differ",
    "watch",
    "with_plan",
]
