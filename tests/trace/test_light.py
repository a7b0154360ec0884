"""A trace answers at once: nothing heavy is loaded for it."""

from __future__ import annotations

import subprocess
import sys

HEAVY = ("numpy", "scipy", "matplotlib", "pint", "pydantic", "uncertainties", "alembic", "PIL")


def test_nothing_heavy_is_imported_with_it() -> None:
    """Importing the room loads none of the heavy libraries."""
    code = f"import sys, tracker.trace; print([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"
