"""Factors: everything recorded about how a specimen came to be and was tested, each with its basis."""

from __future__ import annotations

from tracker.factors.heating import Heating, heating
from tracker.factors.inforce import Changed, InForce, in_force
from tracker.factors.printed import changed_by_hand
from tracker.factors.reading import factors_of, in_registry_order
from tracker.factors.registry import MOISTURE, REGISTRY, Factor, factor_named, unit_of
from tracker.factors.tested import measurement_factors
from tracker.factors.values import Factors
from tracker.factors.words import factor_data, factor_words, value_words

__all__ = [
    "MOISTURE",
    "REGISTRY",
    "Changed",
    "Factor",
    "Factors",
    "Heating",
    "InForce",
    "changed_by_hand",
    "factor_data",
    "factor_named",
    "factor_words",
    "factors_of",
    "heating",
    "in_force",
    "in_registry_order",
    "measurement_factors",
    "unit_of",
    "value_words",
]
