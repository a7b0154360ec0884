"""Why two runs of the same material differ, computed (data in, answer out; no database).

Modules in the order of the work: ``problem`` (what is asked), ``differed``
(what was not alike), ``design`` (columns), ``posterior`` (the model),
``separable`` (what cannot be told apart), ``working`` (these together),
``answering`` → ``answer`` with its parts and forms (``parts``, ``as_data``,
``words``, ``picture``); then ``plan`` → ``followup`` (what to print next); beside
them ``directions`` (published effects).
"""

from tracker.why.answer import Answer
from tracker.why.answering import answer
from tracker.why.followup import Plan, explain, followup
from tracker.why.plan import Limit, PlannedPlate, Wishes
from tracker.why.problem import Factor, Observation, Problem, Question, Value

__all__ = [
    "Answer",
    "Factor",
    "Limit",
    "Observation",
    "Plan",
    "PlannedPlate",
    "Problem",
    "Question",
    "Value",
    "Wishes",
    "answer",
    "explain",
    "followup",
]
