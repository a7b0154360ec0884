"""Where real input lies, for the checks that use it; none of it is in the repository."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

_BESIDE_THE_CHECKOUT = Path(__file__).resolve().parents[2] / "shared" / "data"


def real_data(*parts: str) -> Path:
    """Return a path inside the folder of real input, or skip the running test where it is absent.

    The folder is ``shared/data`` beside the checkout unless ``STRANDBOOK_REAL_DATA`` names another.
    """
    folder = Path(os.environ.get("STRANDBOOK_REAL_DATA", _BESIDE_THE_CHECKOUT))
    path = folder.joinpath(*parts)
    if not path.exists():
        pytest.skip(f"real input {'/'.join(parts)} is not beside this checkout")
    return path
