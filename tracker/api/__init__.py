"""What plugins are written against: methods, readings, quantities, hooks, and arithmetic they share.

Imports nothing of ours but the base class of refusals, so a plugin can be tested without a book.
Nothing heavy is loaded with it: numpy, scipy, pint and uncertainties wait for their first use.
"""

from __future__ import annotations

from tracker.api._curve import Curve, column_role, header_tokens, read_curve
from tracker.api._elastic import (
    CHORD,
    ENOUGH_POINTS,
    Slope,
    break_index,
    chord_modulus,
    fitted_modulus,
    from_foot,
    proof_stress,
    rising,
    slope_of,
    yield_index,
)
from tracker.api._fields import Field, fields
from tracker.api._findley import DECADE, Findley, LeastSquares, findley_fit, least_squares
from tracker.api._gum import (
    Combined,
    Contribution,
    Source,
    Spread,
    budget,
    combine,
    dof_of,
    expanded,
    mean_u,
    shares,
    welch_satterthwaite,
)
from tracker.api._heating import LEAST_BASELINE, Heating, baseline, between, crossing, heating_of
from tracker.api._hookspecs import (
    GROUP,
    FactorValue,
    LabelDesign,
    ReadLog,
    ResultFacts,
    hookimpl,
    hookspec,
)
from tracker.api._line import STANDARD_GRAVITY, straight_line
from tracker.api._method import Method
from tracker.api._montecarlo import Simulated, monte_carlo, simulated_budget
from tracker.api._picture import FAINT, INK, RESULT, budget_picture, picture
from tracker.api._piece import Instrument, Piece
from tracker.api._quantity import Outcome, Quantity
from tracker.api._readings import Reading, Readings, Recording
from tracker.api._schema import schema
from tracker.api._section import section_area, section_remarks
from tracker.api._sound import Decay, Sound, Tone, decay_of, flexural_tone, read_sound
from tracker.api._table import NumberTable, read_numbers, text_of_file
from tracker.api._text import entries, number, text_of
from tracker.api._uncertainty import measured, nominal, range_remarks, remarks_of, with_uncertainty
from tracker.api._units import dimension, readable, scale
from tracker.api._validate import FieldError, ReadingsError, dump, recordings, row, units_of, validate
from tracker.errors import Refused

__all__ = [
    "CHORD",
    "DECADE",
    "ENOUGH_POINTS",
    "FAINT",
    "GROUP",
    "INK",
    "LEAST_BASELINE",
    "RESULT",
    "STANDARD_GRAVITY",
    "Combined",
    "Contribution",
    "Curve",
    "Decay",
    "FactorValue",
    "Field",
    "FieldError",
    "Findley",
    "Heating",
    "Instrument",
    "LabelDesign",
    "LeastSquares",
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
    "Simulated",
    "Slope",
    "Sound",
    "Source",
    "Spread",
    "Tone",
    "baseline",
    "between",
    "break_index",
    "budget",
    "budget_picture",
    "chord_modulus",
    "column_role",
    "combine",
    "crossing",
    "decay_of",
    "dimension",
    "dof_of",
    "dump",
    "entries",
    "expanded",
    "fields",
    "findley_fit",
    "fitted_modulus",
    "flexural_tone",
    "from_foot",
    "header_tokens",
    "heating_of",
    "hookimpl",
    "hookspec",
    "least_squares",
    "mean_u",
    "measured",
    "monte_carlo",
    "nominal",
    "number",
    "picture",
    "proof_stress",
    "range_remarks",
    "read_curve",
    "read_numbers",
    "read_sound",
    "readable",
    "recordings",
    "remarks_of",
    "rising",
    "row",
    "scale",
    "schema",
    "section_area",
    "section_remarks",
    "shares",
    "simulated_budget",
    "slope_of",
    "straight_line",
    "text_of",
    "text_of_file",
    "units_of",
    "validate",
    "welch_satterthwaite",
    "with_uncertainty",
    "yield_index",
]
