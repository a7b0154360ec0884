"""Small helpers to write a spool's days down in hours."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from tracker.exposure import Family, Figure, load_families

START = datetime(2025, 3, 1, tzinfo=UTC)


def hour(count: float) -> datetime:
    """Return the moment ``count`` hours after the beginning."""
    return START + timedelta(hours=count)


def family(name: str) -> Family:
    """Return a bundled family that must be there."""
    found = load_families().find(name)
    assert found is not None
    return found


def made_up(d23: float, e_kj: float, w50: float, w100: float, *, d_factor: float = 10.0) -> Family:
    """Return a family with exactly these figures and no spread but that of D."""

    def exactly(value: float) -> Figure:
        return Figure(value, value, value, "made up")

    return Family(
        "X", "made up", exactly(w50), exactly(w100), exactly(d23), exactly(e_kj), d_factor, 0.0, None, None
    )
