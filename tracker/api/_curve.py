"""Recordings of a pull or a press: force against time, extension or strain."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tracker.api._readings import Recording
from tracker.api._table import NumberTable, read_numbers
from tracker.errors import Refused

_WORDS = {
    "time": ("time", "zeit", "temps", "tiempo", "t", "elapsed", "sec", "seconds"),
    "force": ("force", "load", "kraft", "last", "fuerza", "f", "p"),
    "extension": (
        *("extension", "elongation", "displacement", "deflection", "stroke", "travel", "crosshead"),
        *("position", "weg", "length", "dl", "extensometer", "grip", "grips", "durchbiegung", "disp", "ext"),
    ),
    "strain": ("strain", "dehnung", "eps", "epsilon", "ε"),
}
# Factors to s, N, mm and a pure number.
_UNITS = {
    "time": {"s": 1.0, "sec": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "min": 60.0, "h": 3600.0},
    "force": {
        "n": 1.0,
        "kn": 1e3,
        "kgf": 9.80665,
        "kg": 9.80665,
        "gf": 9.80665e-3,
        "g": 9.80665e-3,
        "lbf": 4.4482216152605,
        "lb": 4.4482216152605,
    },
    "extension": {"mm": 1.0, "um": 1e-3, "µm": 1e-3, "cm": 10.0, "m": 1e3, "in": 25.4, "inch": 25.4},
    "strain": {"%": 0.01, "pct": 0.01, "percent": 0.01, "1": 1.0, "mm/mm": 1.0, "ue": 1e-6, "µe": 1e-6},
}
# What a column without a unit is taken to be in; said beside the result, as a kilonewton taken for a newton
# is a thousandfold.
_ASSUMED = {"time": "s", "force": "N", "extension": "mm", "strain": "1"}


@dataclass(frozen=True)
class Curve:
    """A recording, in time order, finite throughout; arrays of shape (n,).

    Attributes:
        time_s: Seconds, or None where the recording has no time.
        extension_mm: Millimetres as recorded, zero not shifted, or None.
        strain: As a pure number (0.01 is 1 %), or None.
        force_n: Newtons, as recorded.
        how: What was decided on the way, one sentence each.
        problems: What was left out or looks wrong, one sentence each.
    """

    time_s: Any
    extension_mm: Any
    strain: Any
    force_n: Any
    how: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()


def read_curve(recording: Recording) -> Curve:
    """Read a force curve; the header words say which column is what (``time_ms,force_N``).

    Raises:
        Refused: No text, no table of numbers, or no force beside a time, an extension or a strain.
    """
    table = read_numbers(recording)
    columns = _columns(recording.name, table.words)
    kept, problems = _finite(table, [index for index, _, _ in columns.values()])
    if not len(kept):
        raise Refused(f"{recording.name} holds no row whose force is a finite number")
    arrays = {role: kept[:, index] * factor for role, (index, factor, _) in columns.items()}
    how = (*table.how[1:], *(said for _, _, said in columns.values()))
    time = arrays.get("time")
    # Kept and said, not sorted: the order of the rows is what the rig saw.
    if time is not None and (time[1:] < time[:-1]).any():
        problems.append("The clock of the recording runs backwards in places.")
    return Curve(
        time_s=time,
        extension_mm=arrays.get("extension"),
        strain=arrays.get("strain"),
        force_n=arrays["force"],
        how=how,
        problems=(*table.problems, *problems),
    )


def _columns(name: str, words: tuple[str, ...]) -> dict[str, tuple[int, float, str]]:
    """Return index, factor and a sentence for each role that a header word claims first.

    Raises:
        Refused: No force, or nothing it could be drawn against.
    """
    found: dict[str, tuple[int, float, str]] = {}
    for index, word in enumerate(words):
        claimed = column_role(word, _WORDS)
        # The first column of a kind counts; rigs repeat them in other units behind.
        if claimed and claimed not in found:
            found[claimed] = (index, *_factor(claimed, word))
    others = [role for role in ("time", "extension", "strain") if role in found]
    if "force" not in found or not others:
        raise Refused(
            f"{name} has no column of {'force' if 'force' not in found else 'time, extension or strain'}",
            why=f"its header words are {', '.join(words)}",
            do="Name the columns like time_ms,force_N or extension_mm,force_N or strain,force_N.",
        )
    return found


def header_tokens(word: str) -> list[str]:
    """Split a header word: ``Force (kN)`` and ``force_kN`` both give ``force``, ``kn``."""
    return [token for token in re.split(r"[\s_\[\](){}:,;=]+", word.casefold().replace("μ", "µ")) if token]


def column_role(word: str, roles: Mapping[str, tuple[str, ...]]) -> str:
    """Return the first role one of whose words stands in a header word, or empty text."""
    # Only the first two words: "time of force sensor" is a time.
    tokens = header_tokens(word)
    return next((role for token in tokens[:2] for role, names in roles.items() if token in names), "")


def _factor(role: str, word: str) -> tuple[float, str]:
    units = _UNITS[role]
    unit = next((token for token in header_tokens(word)[1:] if token in units), "")
    if unit:
        return units[unit], f"{role} from column {word!r}"
    return 1.0, f"{role} from column {word!r}, taken as {_ASSUMED[role]}"


def _finite(table: NumberTable, used: list[int]) -> tuple[Any, list[str]]:
    import numpy as np  # noqa: PLC0415 - heavy to load

    good = np.isfinite(table.values[:, used]).all(axis=1)
    lost = int((~good).sum())
    problems = [f"{lost} of {len(good)} rows left out: not a finite number."] if lost else []
    return (table.values if not lost else table.values[good]), problems
