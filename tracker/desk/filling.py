"""Filling in what was left open; what is recorded already is corrected with a reason, never overwritten."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tracker.desk.forms import FormError


def fill_in(
    row: Any, given: Mapping[str, Any], name: str, provisional: Mapping[str, Any] | None = None
) -> None:
    """Put values into the open columns of a record.

    Args:
        row: The record; changed in place.
        given: Values by column.
        name: Its ID, for the refusal.
        provisional: Values that stood only until the real one came (an outcome of ``running``).

    Raises:
        FormError: A column says something else already.
    """
    for column, value in given.items():
        before = getattr(row, column)
        # The same value twice is no contradiction: a command repeated after a broken connection must not
        # fail.
        if before is not None and before != value and before != (provisional or {}).get(column):
            raise FormError(
                f"{column} of {name} is recorded as {before} already",
                do=f"Correct it with its reason: strandbook amend {name} '{column}={value}' --reason WHY",
            )
        setattr(row, column, value)
