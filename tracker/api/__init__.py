"""What plugins are written against: methods, readings, quantities, hooks.

Imports nothing of ours but the base class of refusals, so a plugin can be tested without a book.
"""

from __future__ import annotations

from tracker.api._hookspecs import (
    GROUP,
    FactorValue,
    LabelDesign,
    ReadLog,
    ResultFacts,
    hookimpl,
    hookspec,
)
from tracker.api._method import Method
from tracker.api._piece import Instrument, Piece
from tracker.api._quantity import Outcome, Quantity
from tracker.api._readings import Reading, Readings, Recording

__all__ = [
    "GROUP",
    "FactorValue",
    "Instrument",
    "LabelDesign",
    "Method",
    "Outcome",
    "Piece",
    "Quantity",
    "ReadLog",
    "Reading",
    "Readings",
    "Recording",
    "ResultFacts",
    "hookimpl",
    "hookspec",
]
