"""Straight lines through readings, and the acceleration that makes a mass a force."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

# Conventional value, 3rd CGPM 1901; local values differ from it by up to 0.3 %.
STANDARD_GRAVITY = 9.80665


def straight_line(pairs: Sequence[tuple[Any, Any]]) -> tuple[Any, Any]:
    """Return slope and intercept of y = slope·x + intercept by least squares.

    The coefficients are linear in y, so y (and x) may carry their uncertainty.

    Args:
        pairs: (x, y); at least two different x.

    Raises:
        ValueError: All x are the same.
    """
    middle = sum(x for x, _ in pairs) / len(pairs)
    spread = sum((x - middle) ** 2 for x, _ in pairs)
    if spread == 0:
        raise ValueError("a line needs two readings apart")
    # Plain sums and no library: they carry uncertainty from reading to slope, which an array routine would
    # drop.
    slope = sum((x - middle) * y for x, y in pairs) / spread
    return slope, sum(y for _, y in pairs) / len(pairs) - slope * middle
