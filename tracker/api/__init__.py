"""What plugins are written against: methods, readings, quantities, hooks, readers of recordings.

This is the contract: what stands here keeps its meaning. The arithmetic that methods share is in
``tracker.api.maths``, the checks that every method must pass in ``tracker.api.testing``. Nothing heavy is
loaded with it: numpy, scipy, pint and uncertainties wait for their first use.

Every name has an example in its docstring, which runs after ``from typing import Annotated`` and
``from tracker.api import *``.
"""

from __future__ import annotations

from tracker.api.hooks import FactorValue, LabelDesign, ReadLog, ResultFacts, hookimpl
from tracker.api.method import Due, Formula, Method, Outcome, Piece, Quantity, schema
from tracker.api.picture import budget_picture, picture
from tracker.api.readings import Field, Reading, Readings, Recording, fields
from tracker.api.recordings import (
    Curve,
    Heating,
    Understood,
    heating_of,
    read_curve,
    read_diameters,
    understood,
)
from tracker.api.signals import Finding
from tracker.api.sound import Sound, read_sound
from tracker.api.tables import Ambiguous, NumberTable, read_numbers
from tracker.api.uncertainty import Contribution, Instrument, measured, nominal, remarks_of, with_uncertainty
from tracker.api.validate import (
    FieldError,
    ReadingsError,
    dump,
    entries,
    number,
    recordings,
    row,
    text_of,
    units_of,
    validate,
)
from tracker.errors import Refused

__all__ = [
    "Ambiguous",
    "Contribution",
    "Curve",
    "Due",
    "FactorValue",
    "Field",
    "FieldError",
    "Finding",
    "Formula",
    "Heating",
    "Instrument",
    "LabelDesign",
    "Method",
    "NumberTable",
    "Outcome",
    "Piece",
    "Quantity",
    "ReadLog",
    "Reading",
    "Readings",
    "ReadingsError",
    "Recording",
    "Refused",
    "ResultFacts",
    "Sound",
    "Understood",
    "budget_picture",
    "dump",
    "entries",
    "fields",
    "heating_of",
    "hookimpl",
    "measured",
    "nominal",
    "number",
    "picture",
    "read_curve",
    "read_diameters",
    "read_numbers",
    "read_sound",
    "recordings",
    "remarks_of",
    "row",
    "schema",
    "text_of",
    "understood",
    "units_of",
    "validate",
    "with_uncertainty",
]
