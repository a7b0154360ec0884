"""What is answered about a spool's water: an interval with its grade, and the words that go with it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from tracker.exposure.diffusion import Array
from tracker.exposure.openair import OpenAir

Grade = Literal["A", "B", "C", "D"]
Interval = tuple[float, float]

GRADES: Final[dict[Grade, str]] = {
    "A": "measured on this spool, and nothing has reached it since",
    "B": "model corrected by this spool's own weighings",
    "C": "model with generic figures of the family, not verified by weighing",
    "D": "hours of exposure only",
}
"""What each grade stands for."""


@dataclass(frozen=True, slots=True)
class Water:
    """Water content of a spool's filament at a moment, wt%.

    Attributes:
        at: The moment, aware, UTC.
        centre_pct: Middle estimate (a loose strand with the family's middle figures, or the middle after
            weighings); None at grade D.
        low_pct: Lower bound; None at grade D.
        high_pct: Upper bound; None at grade D.
        grade: ``"A"`` to ``"D"``, see :data:`GRADES`.
        regime: What the uncertainty hangs on.
        winding_pct: Bounds from the winding alone, wt%; None at grades B and D.
        diffusion_pct: Bounds from winding and diffusion coefficient together, wt%; None at grades B and D.
        exposure: Hours since the last drying.
        sentence: The whole statement, ready to print.
        sentences: What was assumed or found doubtful, each one sentence.
    """

    at: datetime
    centre_pct: float | None
    low_pct: float | None
    high_pct: float | None
    grade: Grade
    regime: str
    winding_pct: Interval | None
    diffusion_pct: Interval | None
    exposure: OpenAir
    sentence: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WaterHistory:
    """Water at several moments, for a chart; empty arrays of values at grade D.

    Attributes:
        times: The moments, in order.
        centre_pct: Middle estimate, shape (T,) or (0,), wt%.
        low_pct: Lower bound, of the same shape, wt%.
        high_pct: Upper bound, of the same shape, wt%.
        grade: The least grade of all moments that have a number, else ``"D"``.
    """

    times: tuple[datetime, ...]
    centre_pct: Array
    low_pct: Array
    high_pct: Array
    grade: Grade
