"""Recordings of a piece that is heated: temperature against deflection, and where it gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from tracker.api._curve import column_role, header_tokens
from tracker.api._readings import Recording
from tracker.api._table import read_numbers
from tracker.errors import Refused

_ROLES = {
    "temperature": ("temperature", "temp", "t", "temperatur", "oven", "sample", "°c", "degc"),
    "deflection": ("deflection", "distance", "displacement", "sag", "d", "weg", "position", "height"),
    "time": ("time", "zeit", "elapsed", "seconds", "minutes"),
}
_TO_MM = {"um": 1e-3, "µm": 1e-3, "cm": 10.0, "m": 1e3}
_TO_S = {"ms": 1e-3, "min": 60.0, "h": 3600.0, "minutes": 60.0}
_STEPS = (1.0, 0.5, 0.25, 0.1, 0.0625, 0.05, 0.01)
_BASELINE = 0.25
LEAST_BASELINE = 6


@dataclass(frozen=True)
class Heating:
    """An oven log: temperature in °C, deflection in mm (growing), time in s or None; shape (n,)."""

    celsius: Any
    mm: Any
    seconds: Any
    problems: tuple[str, ...]

    @property
    def step(self) -> float | None:
        """The step that temperatures were written with, if all lie on one of the usual; else None."""
        import numpy as np  # noqa: PLC0415 - heavy to load

        for step in _STEPS:
            if np.allclose(self.celsius / step, np.round(self.celsius / step), atol=1e-6):
                return step
        return None


def heating_of(recording: Recording, zero: str) -> Heating:
    """Read an oven log; deflection is turned so that giving way counts positive.

    Raises:
        Refused: No table, or no temperature beside a deflection.
    """
    import numpy as np  # noqa: PLC0415 - heavy to load

    table = read_numbers(recording)
    columns: dict[str, int] = {}
    for index, word in enumerate(table.words):
        columns.setdefault(column_role(word, _ROLES), index)
    if "temperature" not in columns or "deflection" not in columns:
        raise Refused(
            f"{recording.name} has no temperature beside a deflection",
            why=f"its header words are {', '.join(table.words)}",
            do="Name the columns like temperature_c,deflection_mm.",
        )
    used = [columns["temperature"], columns["deflection"]]
    good = np.isfinite(table.values[:, used]).all(axis=1)
    values, lost = table.values[good], int((~good).sum())
    if len(values) < 2:  # noqa: PLR2004 - a course takes two
        raise Refused(f"{recording.name} holds fewer than two readings")
    mm = values[:, used[1]] * _unit_factor(table.words[used[1]], _TO_MM)
    mm = mm - mm[0] if zero == "first reading" else mm
    # Giving way is the larger of the two excursions, whichever sign the dial gave it.
    mm = -mm if -mm.min() > mm.max() else mm
    seconds = None
    if "time" in columns:
        seconds = values[:, columns["time"]] * _unit_factor(table.words[columns["time"]], _TO_S)
    problems = [f"{lost} rows of the log left out: not a finite number."] if lost else []
    return Heating(values[:, used[0]], mm, seconds, (*table.problems, *problems))


def _unit_factor(word: str, factors: dict[str, float]) -> float:
    return next((factors[token] for token in header_tokens(word)[1:] if token in factors), 1.0)


def crossing(celsius: Any, mm: Any, target: float, run: int = 2) -> int | None:
    """Return the index of the first reading at or beyond a deflection that stays beyond it.

    Args:
        celsius: Temperatures in °C, shape (n,).
        mm: Deflections in mm, shape (n,).
        target: Deflection sought in mm.
        run: Readings in a row that must lie beyond it (fewer only at the end of the log).
    """
    beyond = mm >= target
    for i in range(len(celsius)):
        # Fewer readings at the end of the log count: the oven was switched off because the piece gave.
        if bool(beyond[i : i + run].all()):
            return i
    return None


def between(celsius: Any, mm: Any, index: int, target: Any) -> Any:
    """Return the temperature (°C) at a deflection in mm, straight between a reading and the one before it.

    Args:
        celsius: Temperatures in °C, shape (n,).
        mm: Deflections in mm, shape (n,).
        index: The later of the two readings; 0 gives the first temperature as it stands.
        target: Deflection sought in mm.
    """
    if index == 0:
        return celsius[0]
    rise = mm[index] - mm[index - 1]
    if rise == 0:
        return celsius[index]
    return celsius[index - 1] + (target - mm[index - 1]) / rise * (celsius[index] - celsius[index - 1])


def baseline(celsius: Any, mm: Any) -> tuple[float, float, float] | None:
    """Return slope (mm/K), intercept and scatter (sd), both in mm, of the line through the coolest quarter.

    None where fewer than six readings lie in it.

    Args:
        celsius: Temperatures in °C, shape (n,), in time order.
        mm: Deflections in mm, shape (n,).
    """
    import numpy as np  # noqa: PLC0415 - heavy to load

    reach = celsius[0] + _BASELINE * (celsius.max() - celsius[0])
    # Up to the first reading beyond, in time: an oven that cools again does not come back in.
    inside = np.arange(len(celsius)) < int(np.argmax(celsius > reach))
    if inside.sum() < LEAST_BASELINE or np.ptp(celsius[inside]) == 0:
        return None
    slope, start = np.polyfit(celsius[inside], mm[inside], 1)
    off = mm[inside] - (slope * celsius[inside] + start)
    return float(slope), float(start), float(np.sqrt((off @ off) / (inside.sum() - 2)))
