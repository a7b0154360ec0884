"""Factors: everything recorded about how a specimen came to be and was tested, each with its basis."""

from __future__ import annotations

from tracker.factors.inforce import Changed, Heating, InForce, heating, in_force
from tracker.factors.kept import OF_DAYS, days_of
from tracker.factors.printed import changed_by_hand
from tracker.factors.reading import (
    factors_of,
    in_registry_order,
    measurement_factors,
    values_of_test,
)
from tracker.factors.registry import (
    MOISTURE,
    REGISTRY,
    Factor,
    Factors,
    factor_data,
    factor_named,
    factor_words,
    unit_of,
    value_words,
)

__all__ = [
    "MOISTURE",
    "OF_DAYS",
    "REGISTRY",
    "Changed",
    "Factor",
    "Factors",
    "Heating",
    "InForce",
    "changed_by_hand",
    "days_of",
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
    "values_of_test",
]
