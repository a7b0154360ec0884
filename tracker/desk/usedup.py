"""Whether a specimen is used up: that follows from the tests that count."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.model import Measurement, Specimen
from tracker.plugins import Plugged


def settle_used_up(session: Session, plugged: Plugged, piece: Specimen, gone: Measurement) -> None:
    """Say anew when a specimen was used up, after a measurement was taken back, moved or restored.

    What a person entered by hand stays: only a time that a destructive test gave follows the tests.

    Args:
        session: In the middle of an act.
        plugged: Says which methods destroy the piece; one that is gone is taken to have done so.
        piece: The specimen.
        gone: The measurement that was taken back or moved.
    """
    session.flush()
    rows = session.scalars(
        select(Measurement).where(Measurement.specimen_id == piece.id, Measurement.at.is_not(None))
    )
    destroyed = [row.at for row in rows if _destroys(plugged, row) and row.at is not None]
    if piece.broken_at is None or piece.broken_at == gone.at or piece.broken_at in destroyed or not destroyed:
        hand_set = piece.broken_at is not None and piece.broken_at != gone.at and not destroyed
        piece.broken_at = piece.broken_at if hand_set else max(destroyed, default=None)


def _destroys(plugged: Plugged, row: Measurement) -> bool:
    loaded = plugged.methods.get(row.method)
    return loaded is None or loaded.method.destructive
