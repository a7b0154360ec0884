"""Limits of motion: what a plate file says of accelerations, jerk and speeds."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

DEFAULT_ACCELERATION = 1500.0
"""mm/s²; assumed where the file states none. Fitted, with the jerks, to the layer times of one real plate."""
DEFAULT_RETRACT_ACCELERATION = 10_000.0
"""mm/s² of E alone; assumed likewise."""
DEFAULT_JERK = 5.0
"""mm/s in X and Y; assumed likewise."""
DEFAULT_JERK_Z = 0.2
"""mm/s in Z; assumed likewise."""
_INFINITE = float("inf")
_PER_MINUTE_ABOVE = 2000.0


class Plan(NamedTuple):
    """Limits of motion in force; mm and s.

    Attributes:
        printing: Acceleration of depositing moves.
        travel: Acceleration of moves without E.
        retract: Acceleration of moves of E alone.
        jerk_xy: Speed jump allowed in X and Y.
        jerk_z: Speed jump allowed in Z.
        corner: Square corner velocity; 0 where the classic rule holds.
        deviation: Junction deviation in mm; 0 where the classic rule holds.
        speed_x: Greatest speed in X; likewise the next three.
        speed_y: See ``speed_x``.
        speed_z: See ``speed_x``.
        speed_e: See ``speed_x``.
        speed: Greatest speed along the path.
        factor: Speed factor, 1 = 100 %.
        limit_xy: Greatest acceleration of X and Y, whatever is asked for.
        limit_z: The same of Z.
        limit_e: The same of E.
    """

    printing: float = DEFAULT_ACCELERATION
    travel: float = DEFAULT_ACCELERATION
    retract: float = DEFAULT_RETRACT_ACCELERATION
    jerk_xy: float = DEFAULT_JERK
    jerk_z: float = DEFAULT_JERK_Z
    corner: float = 0.0
    deviation: float = 0.0
    speed_x: float = _INFINITE
    speed_y: float = _INFINITE
    speed_z: float = _INFINITE
    speed_e: float = _INFINITE
    speed: float = _INFINITE
    factor: float = 1.0
    limit_xy: float = _INFINITE
    limit_z: float = _INFINITE
    limit_e: float = _INFINITE


def changed_by(code: str, words: dict[str, float]) -> dict[str, float]:
    """Return the fields of `Plan` that a command changes, with their new values.

    Args:
        code: ``M201``, ``M203``, ``M204``, ``M205``, ``M566`` or ``SET_VELOCITY_LIMIT``.
        words: Its words with their numbers as written.

    Returns:
        Field to value, in the field's unit: mm/s for speeds, jerk and corners, mm/s² for accelerations, mm
        for a junction deviation.

    Raises:
        KeyError: ``code`` is none of these.
    """
    return _LIMITS[code](words)


def _acceleration(words: dict[str, float]) -> dict[str, float]:
    # The old form sets both; what is named beside it wins.
    both = words.get("S")
    named = {"printing": words.get("P", both), "travel": words.get("T", both), "retract": words.get("R")}
    return {name: value for name, value in named.items() if value}


def _speeds(words: dict[str, float]) -> dict[str, float]:
    # One firmware family writes mm/min here; no printer moves at 2 m/s.
    scale = 60.0 if max(words.values(), default=0.0) > _PER_MINUTE_ABOVE else 1.0
    return {f"speed_{axis.lower()}": words[axis] / scale for axis in "XYZE" if words.get(axis)}


def _jerk(words: dict[str, float]) -> dict[str, float]:
    changed: dict[str, float] = {}
    if words.get("J"):
        changed["deviation"] = words["J"]
    sideways = [words[axis] for axis in "XY" if words.get(axis)]
    if sideways:
        # Classic jerk in the file says that the other rule is not in use.
        changed.update(jerk_xy=min(sideways), deviation=0.0, corner=0.0)
    if words.get("Z"):
        changed["jerk_z"] = words["Z"]
    return changed


def _jerk_per_minute(words: dict[str, float]) -> dict[str, float]:
    return _jerk({axis: value / 60 for axis, value in words.items() if axis in "XYZE"})


def _velocity_limit(words: dict[str, float]) -> dict[str, float]:
    changed: dict[str, float] = {}
    if words.get("ACCEL"):
        # This form knows one acceleration for everything.
        changed.update(printing=words["ACCEL"], travel=words["ACCEL"])
    if words.get("SQUARE_CORNER_VELOCITY"):
        changed["corner"] = words["SQUARE_CORNER_VELOCITY"]
    if words.get("VELOCITY"):
        changed["speed"] = words["VELOCITY"]
    return changed


def _axis_accelerations(words: dict[str, float]) -> dict[str, float]:
    sideways = [words[axis] for axis in "XY" if words.get(axis)]
    changed = {"limit_xy": min(sideways)} if sideways else {}
    return changed | {f"limit_{axis.lower()}": words[axis] for axis in "ZE" if words.get(axis)}


_LIMITS: dict[str, Callable[[dict[str, float]], dict[str, float]]] = {
    "M204": _acceleration,
    "M203": _speeds,
    "M205": _jerk,
    "M566": _jerk_per_minute,
    "M201": _axis_accelerations,
    "SET_VELOCITY_LIMIT": _velocity_limit,
}
