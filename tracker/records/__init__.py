"""What the book says of one record (``show``) and of all of a kind (``list``).

The public names are loaded when first asked for: a list needs no word of how a spool is shown, and
the command line is quick because of such things.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tracker.records.listing import KINDS, listed
    from tracker.records.showing import Shown, shown_record

__all__ = ["KINDS", "Shown", "listed", "shown_record"]

_HOME = {"KINDS": "listing", "listed": "listing", "Shown": "showing", "shown_record": "showing"}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
