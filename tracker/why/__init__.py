"""Why two runs of the same material differ, computed (data in, answer out; no database).

Modules in the order of the work: ``problem`` (what is asked), ``differed``
(what was not alike), ``design`` (columns), ``posterior`` (the model),
``separable`` (what cannot be told apart), ``working`` (these together),
``answering`` → ``answer`` with its parts and forms (``parts``, ``as_data``,
``words``, ``picture``); then ``plan`` → ``followup`` (what to print next); ``overview`` (all
quantities at once) and ``watching`` → ``watch`` (a whole book); beside them ``directions``
(published effects).
"""

from tracker.why.answer import Answer
from tracker.why.answering import answer
from tracker.why.followup import Plan, explain, followup
from tracker.why.overview import Overview, overview
from tracker.why.plan import Limit, PlannedPlate, Wishes
from tracker.why.problem import Factor, Observation, Problem, Question, Value
from tracker.why.watch import Improbable, PlateChart, Precision, ReaderLevel, Watch
from tracker.why.watching import watch

__all__ = [
    "Answer",
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
    "Value",
    "Watch",
    "Wishes",
    "answer",
    "explain",
    "followup",
    "overview",
    "watch",
]
