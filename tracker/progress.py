"""How long work tells how far it is."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, int, int], None]
"""Called now and then with the stage, what is done of it, and how much it is (0 where not known)."""


def silent(_stage: str, _done: int, _total: int) -> None:
    """Tell nobody."""
