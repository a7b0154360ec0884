"""What the settings block says: diameter, density, the slicer's own totals, hidden set-points.

Found by general patterns over key names, never by a list of one program's keys.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator

from tracker.platefile.facts import Hint, Stated
from tracker.platefile.state import heated_by

Settings = dict[str, str]
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)")
_DIAMETER = re.compile(r"^filament[ _]diameter", re.IGNORECASE)
_DENSITY = re.compile(r"^filament[ _]density", re.IGNORECASE)
_PER_CUBIC_METRE_ABOVE = 50.0
_HEAT = (
    ("chamber", re.compile(r"chamber.*temp", re.IGNORECASE)),
    ("bed", re.compile(r"bed.*temp", re.IGNORECASE)),
    ("nozzle", re.compile(r"(?:nozzle|extruder|hotend|print).*temp|^temperature$", re.IGNORECASE)),
)
_NO_SET_POINT = re.compile(
    r"range|first|initial|final|layer_?0|min|max|low(?!ering)|high|limit|standby|idle|preheat|cool|delta|offset|tolerance|wait"
    r"|warn|change|start|end|load|purge|wipe|ramm",
    re.IGNORECASE,
)
"""What a key holds beside the words of a set-point where it means something else: bounds, first layers."""
_HEAT_RANGE = {"nozzle": (100.0, 600.0), "bed": (20.0, 250.0), "chamber": (20.0, 250.0)}
_MOST_HINTS = 12


def per_tool(text: str) -> list[float]:
    """Return the numbers of a list with one value per tool, separated by commas or semicolons."""
    return [float(found) for part in re.split(r"[,;]", text) if (found := _first(part)) is not None]


def _first(text: str) -> str | None:
    found = _NUMBER.search(text)
    return found.group(0) if found else None


def of_tool(settings: Settings, pattern: re.Pattern[str], tool: int) -> float | None:
    """Return the first positive number under a key that fits, of the tool where there is one for each."""
    for key, text in settings.items():
        values = [value for value in per_tool(text) if value > 0] if pattern.search(key) else []
        if values:
            # A single value stands for all tools.
            return values[tool] if tool < len(values) else values[0]
    return None


def diameter(settings: Settings, tool: int) -> float | None:
    """Return the filament's diameter in mm, None if not stated."""
    return of_tool(settings, _DIAMETER, tool)


def density(settings: Settings, tool: int) -> float | None:
    """Return the filament's density in g/cm³, None if not stated (0 means not set)."""
    value = of_tool(settings, _DENSITY, tool)
    # Some programs state kg/m³; no polymer weighs 50 g/cm³.
    if value is not None and value > _PER_CUBIC_METRE_ABOVE:
        return value / 1000
    return value


def with_chunks(settings: Settings, joined: str) -> Settings:
    """Add the settings that stand as numbered pieces of JSON, flattened; unreadable ones are left out."""
    if not joined:
        return settings
    try:
        tree = json.loads(joined.replace("\\\\n", "\\n"))
    except (ValueError, RecursionError):
        return settings
    return settings | {key: value for key, value in _leaves(tree, "") if key not in settings}


def _leaves(tree: object, path: str) -> Iterator[tuple[str, str]]:
    if isinstance(tree, dict):
        for key, value in tree.items():
            yield from _leaves(value, f"{path}.{key}" if path else str(key))
    elif isinstance(tree, list):
        for number, value in enumerate(tree):
            yield from _leaves(value, f"{path}.{number}")
    elif isinstance(tree, str) and "\n" in tree:
        yield from _ini(tree, path)
    else:
        yield path, str(tree)


def _ini(text: str, path: str) -> Iterator[tuple[str, str]]:
    for line in text.splitlines():
        key, equals, value = line.partition("=")
        if equals:
            yield f"{path}.{key.strip()}", value.strip()


def hints(settings: Settings, macros: dict[str, tuple[tuple[str, str], ...]]) -> tuple[Hint, ...]:
    """Return set-points that are in macro arguments, else in settings, with where they are."""
    arguments = (
        (heated_by(key), value, f"{macro} {key}={value}")
        for macro, args in macros.items()
        for key, value in args
        if not _NO_SET_POINT.search(key)
    )
    lines = (
        (_heated(key), value, f"{key} = {value}")
        for key, value in settings.items()
        if not _NO_SET_POINT.search(key)
    )
    given = list(_hints(arguments))[:_MOST_HINTS]
    # What the start macro is told is done; the settings hold whatever profile was chosen.
    stated = {hint.what for hint in given}
    return (*given, *[hint for hint in _hints(lines) if hint.what not in stated][:_MOST_HINTS])


def _heated(key: str) -> str | None:
    return next((what for what, pattern in _HEAT if pattern.search(key)), None)


def _hints(pairs: Iterable[tuple[str | None, str, str]]) -> Iterator[Hint]:
    for what, text, origin in pairs:
        number = _first(text)
        if number is None or what is None:
            continue
        low, high = _HEAT_RANGE[what]
        # A nozzle of 0 or a bed of 5 under a fitting key is a switch or an offset, no temperature.
        if low <= float(number) <= high:
            yield Hint(f"{what}_c", float(number), origin[:120])


def stated(settings: Settings) -> Stated:
    """Return the slicer's own totals with the lines they were read from."""
    lines: list[tuple[str, str, str]] = []

    def note(what: str, found: tuple[float, str] | None) -> float | None:
        if found is None:
            return None
        lines.append((what, found[1], settings[found[1]]))
        return found[0]

    length = note("filament_mm", _length(settings))
    mass = note("filament_g", _mass(settings))
    seconds = note("time_s", _time(settings))
    if length == 0:
        # A header that nobody filled in: all its totals are place holders.
        lines, length, seconds = [], None, None
    layers = note("layers", _layers(settings))
    volume = note("filament_mm3", _volume(settings)) if length is None else None
    return Stated(
        length,
        mass,
        seconds,
        None if layers is None else int(layers),
        volume,
        density(settings, 0),
        tuple(lines),
    )


_LENGTH_IN_KEY = re.compile(
    r"filament (?:used|length)\s*\[(mm|m)\]$|filament_(?:used|length)_(mm|m)$", re.IGNORECASE
)
_LENGTH_IN_TEXT = re.compile(r"^filament used$", re.IGNORECASE)
_LENGTH_BY_SPOOL = re.compile(r"^material\s*#?\d* used$", re.IGNORECASE)
_UNIT_M = re.compile(r"[\d.]\s*m(?![a-z0-9³])", re.IGNORECASE)


def _length(settings: Settings) -> tuple[float, str] | None:
    for key, text in settings.items():
        unit = _LENGTH_IN_KEY.search(key)
        if unit:
            scale = 1000.0 if (unit.group(1) or unit.group(2)).lower() == "m" else 1.0
            # One number per tool: the plate's total is their sum.
            return sum(per_tool(text)) * scale, key
        if _LENGTH_IN_TEXT.search(key) and _UNIT_M.search(text):
            return sum(per_tool(text)) * 1000, key
    spools = [key for key in settings if _LENGTH_BY_SPOOL.search(key)]
    return (sum(sum(per_tool(settings[key])) for key in spools), spools[0]) if spools else None


_VOLUME_IN_KEY = re.compile(
    r"filament (?:used|volume)\s*\[(mm|cm)(?:3|³|\^3)\]$|filament_volume_(mm|cm)3$", re.IGNORECASE
)
_VOLUME_IN_TEXT = re.compile(r"^filament used$", re.IGNORECASE)
_VOLUME_BY_SPOOL = re.compile(r"^material\d*$", re.IGNORECASE)
_UNIT_MM3 = re.compile(r"mm\s*(?:3|³|\^3)", re.IGNORECASE)


def _volume(settings: Settings) -> tuple[float, str] | None:
    for key, text in settings.items():
        unit = _VOLUME_IN_KEY.search(key)
        if unit:
            scale = 1000.0 if (unit.group(1) or unit.group(2)).lower() == "cm" else 1.0
            return sum(per_tool(text)) * scale, key
        if _VOLUME_IN_TEXT.search(key) and _UNIT_MM3.search(text):
            return sum(per_tool(_UNIT_MM3.sub("", text))), key
    spools = [key for key in settings if _VOLUME_BY_SPOOL.search(key) and settings[key].strip().isdecimal()]
    total = sum(float(settings[key]) for key in spools)
    return (total, spools[0]) if total > 0 else None


def volumetric(settings: Settings) -> bool | None:
    """Tell whether the settings say that E is a volume; None where they say nothing."""
    for key, text in settings.items():
        if _VOLUMETRIC.search(key):
            return text.strip().lower() in ("1", "true", "yes")
        if _FLAVOUR.search(key) and "volumetric" in text.lower():
            return True
    return None


_FLAVOUR = re.compile(r"flavou?r$", re.IGNORECASE)
_VOLUMETRIC = re.compile(r"use_volumetric_e|volumetric_extrusion$", re.IGNORECASE)
_BED = re.compile(r"^(?:bed_shape|printable_area|bed_polygon)$", re.IGNORECASE)
_BED_SIDE = {
    "width": re.compile(r"(?:^|\.)(?:machine_width|bed_size_x|bed_width)$", re.IGNORECASE),
    "depth": re.compile(r"(?:^|\.)(?:machine_depth|bed_size_y|bed_depth)$", re.IGNORECASE),
}
_CENTRED = re.compile(r"(?:^|\.)machine_center_is_zero$", re.IGNORECASE)
_CORNER = re.compile(r"(-?\d+(?:\.\d+)?)\s*x\s*(-?\d+(?:\.\d+)?)", re.IGNORECASE)
_LEAST_CORNERS = 3


def bed(settings: Settings) -> tuple[tuple[float, float], ...]:
    """Return the corners of the bed in mm; empty where it is not stated."""
    sides: dict[str, float] = {}
    centred = False
    for key, text in settings.items():
        if _BED.search(key):
            corners = tuple((float(x), float(y)) for x, y in _CORNER.findall(text))
            if len(corners) >= _LEAST_CORNERS:
                return corners
        for side, pattern in _BED_SIDE.items():
            number = _first(text) if pattern.search(key) else None
            if number is not None and float(number) > 0:
                sides.setdefault(side, float(number))
        centred |= bool(_CENTRED.search(key)) and text.strip().lower() in ("1", "true")
    if len(sides) < len(_BED_SIDE):
        return ()
    x, y = (-sides["width"] / 2, -sides["depth"] / 2) if centred else (0.0, 0.0)
    return (
        (x, y),
        (x + sides["width"], y),
        (x + sides["width"], y + sides["depth"]),
        (x, y + sides["depth"]),
    )


_MASS = re.compile(r"filament (?:used|weight)\s*\[g\]$|filament_weight_g$", re.IGNORECASE)


def _mass(settings: Settings) -> tuple[float, str] | None:
    for key, text in settings.items():
        total = sum(per_tool(text)) if _MASS.search(key) else 0.0
        if total > 0:
            return total, key
    return None


_TIME_IN_WORDS = re.compile(
    r"estimated printing time|^print(?:ing)? ?time$|total estimated time", re.IGNORECASE
)
_TIME_IN_SECONDS = re.compile(r"^(?:print(?:ing)? )?time$", re.IGNORECASE)
_PART = re.compile(r"(\d+(?:\.\d+)?)\s*(d|h|m|s)(?![a-z])", re.IGNORECASE)
_SECONDS = {"d": 86400.0, "h": 3600.0, "m": 60.0, "s": 1.0}


def _time(settings: Settings) -> tuple[float, str] | None:
    for key, text in settings.items():
        if not (_TIME_IN_WORDS.search(key) or _TIME_IN_SECONDS.search(key)):
            continue
        parts = _PART.findall(text)
        if parts:
            return sum(float(number) * _SECONDS[unit.lower()] for number, unit in parts), key
        number = _first(text)
        if number is not None and float(number) > 0:
            return float(number), key
    return None


_LAYERS = re.compile(r"^layer[ _]count$|^total layers? (?:count|number)$", re.IGNORECASE)


def _layers(settings: Settings) -> tuple[float, str] | None:
    for key, text in settings.items():
        number = _first(text) if _LAYERS.search(key) else None
        if number is not None:
            return float(number), key
    return None
