"""Fixtures of this room."""

from __future__ import annotations

import pytest

from tracker.plugins import Plugged, load


@pytest.fixture(scope="session")
def plugged() -> Plugged:
    """Give the installed plugins."""
    return load()
