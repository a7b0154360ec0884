"""What a plate file says of one piece, as the book keeps it: plain numbers, each with its basis."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from tracker.errors import Refused
from tracker.platefile import (
    NOT_STATED,
    STATED,
    Flow,
    Hint,
    Plate,
    PlateObject,
    Reading,
    Section,
    ToolUse,
    Window,
    corners_of,
    gauge_window,
    orientation_of,
    own_window,
    piece_named,
    read_gauge,
    section,
)

_FAN: Final = 0
"""Index of the fan that cools the part; what the others do is the machine's."""

_WHAT: Final = ("nozzle_c", "bed_c", "chamber_c")


def facts_of(
    piece: PlateObject, geometry: str, plate: Plate, gauge: str | None = None, by: str = ""
) -> dict[str, Any]:
    """Return what is kept of an object of a plate.

    Args:
        piece: The object.
        geometry: Id of its template, which says where its gauge section lies.
        plate: The plate, for what holds for all of it.
        gauge: The gauge section as a person stated it, in the place of the template's; None for that.
        by: Who stated it.

    Raises:
        Refused: The stated gauge section cannot be read or misses the piece.
    """
    side_words = orientation_of(piece)
    cut = cut_section(piece, geometry, gauge)
    return {
        "key": piece.key,
        "box_mm": _rounded(piece.box_mm),
        "centre_mm": _rounded(piece.centre_mm),
        "size_mm": _rounded(piece.size_mm),
        "rect_mm": _rounded(piece.rect_mm),
        "angle_deg": round(piece.angle_deg, 2),
        # A straight piece is drawn as its box; only one that lies askew needs its outline.
        "outline_mm": [_rounded(point) for point in piece.outline_mm] if side_words.rotation_deg else [],
        "contour_mm": [_rounded(point) for point in piece.contour_mm],
        "gauge_mm": [_rounded(point) for point in corners_of(cut.window, piece)],
        **({"bed_mm": [_rounded(point) for point in plate.bed_mm]} if plate.bed_mm else {}),
        "lies": side_words.text,
        "layers": piece.layers,
        "layer_time_min_s": round(piece.layer_time_min_s, 2),
        "own_layer_time_min_s": round(piece.own_layer_time_min_s, 2),
        "aux_mm": round(piece.aux_mm, 2),
        "flow": _flow(piece.flow_mm3_s),
        "flow_by_feature": {name: _flow(flow) for name, flow in piece.flow_by_feature},
        "retractions": piece.retractions.count + piece.retractions.by_firmware,
        "pauses": [pause.text for pause in piece.pauses],
        "tools": _tools(piece),
        "basis": {
            "object": "told apart by islands, guessed" if plate.objects_guessed else plate.dialect,
            "filament_mm": piece.filament_basis,
            "filament_g": piece.filament_g_basis,
            "line_width_mm": piece.line_width_basis,
            "time": plate.time_basis,
        },
        "first_layer_s": round(first_layer_s(plate), 1),
        **({"read_as": kept} if (kept := plate.read_as.as_data()) else {}),
        "section": section_facts(piece, cut, plate.hints) | ({"gauge": gauge, "by": by} if gauge else {}),
        "spans_s": [[round(start, 1), round(end, 1)] for start, end in cut.spans_s],
        "tops_mm": [
            round(layer.z_mm, 3) for layer in piece.layer_facts[cut.first_layer - 1 : cut.last_layer]
        ],
    }


def _tools(piece: PlateObject) -> list[dict[str, Any]]:
    return [
        {
            "tool": use.tool,
            "filament_mm": round(use.filament_mm, 3),
            "body_mm": round(use.body_mm, 3),
            "filament_g": _short(use.filament_g),
            "diameter_mm": use.diameter_mm,
            "density_g_cm3": use.density_g_cm3,
            "nozzle_c": as_data(use.nozzle_c),
        }
        for use in piece.tools
    ]


def first_layer_s(plate: Plate) -> float:
    """Return when the first layer of a plate begins, in s of planned motion."""
    return min((piece.layer_facts[0].start_s for piece in plate.objects), default=0.0)


def stated_section(piece: PlateObject, gauge: str) -> Section:
    """Cut out the gauge section that a person stated.

    Raises:
        Refused: It cannot be read, or misses the piece.
    """
    return section(piece, own_window(read_gauge(gauge), piece))


def cut_section(piece: PlateObject, geometry: str, gauge: str | None = None) -> Section:
    """Cut the gauge section out; where a template's window misses the piece, the whole piece is taken.

    Raises:
        Refused: The stated gauge section cannot be read, or misses the piece.
    """
    if gauge:
        return stated_section(piece, gauge)
    try:
        return section(piece, gauge_window(piece_named(geometry), piece))
    except Refused:
        return section(piece, Window.heights(piece.box_mm[2], piece.box_mm[5]))


def section_facts(piece: PlateObject, cut: Section, hints: Sequence[Hint]) -> dict[str, Any]:
    """Return the facts of a gauge section: where it lies, and the values in force while it was deposited."""
    layers = piece.layer_facts[cut.first_layer - 1 : cut.last_layer]
    # Nothing is laid on the top layer, so its time bonds nothing.
    times = [layer.time_s for layer in layers if layer is not piece.layer_facts[-1]] or [layers[-1].time_s]
    heights = [layer.height_mm for layer in layers]
    points = cut.set_points
    fans = dict(points.fans_pct)
    return {
        "window": cut.window.text,
        "how": cut.how,
        "z_mm": _rounded(cut.z_mm),
        "first_layer": cut.first_layer,
        "last_layer": cut.last_layer,
        **{what: _or_hint(what, getattr(points, what), hints) for what in _WHAT},
        "fan_pct": as_data(fans.get(_FAN, Reading())),
        "layer_height_mm": _of(statistics.fmean(heights), min(heights), max(heights), "commanded"),
        "line_width_mm": _same(piece.line_width_mm, piece.line_width_basis),
        "layer_time_s": _of(cut.layer_time_median_s, min(times), max(times), "estimated"),
        "flow_mm3_s": as_data(cut.flow_mm3_s),
        "print_speed_mm_s": as_data(cut.speed_mm_s),
        "flow_factor_pct": as_data(cut.flow_factor_pct),
        "pauses": _same(len(cut.pauses), "commanded"),
        "pauses_at": [pause.text for pause in cut.pauses],
    }


def _flow(flow: Flow) -> dict[str, Any]:
    """Return a volume flow in mm³/s as the book keeps it."""
    return {
        "median": _short(flow.median),
        "p95": _short(flow.p95),
        "max": _short(flow.most),
        "unit": "mm^3/s",
        "basis": flow.basis,
    }


def as_data(reading: Reading) -> dict[str, Any]:
    """Return a reading as the book keeps it."""
    return _of(reading.value, reading.low, reading.high, reading.basis)


def _of(value: float | None, low: float | None, high: float | None, basis: str) -> dict[str, Any]:
    return {"value": _short(value), "low": _short(low), "high": _short(high), "basis": basis}


def _same(value: float, basis: str) -> dict[str, Any]:
    return _of(value, value, value, basis)


def _or_hint(what: str, reading: Reading, hints: Sequence[Hint]) -> dict[str, Any]:
    """Return a set-point; one that no command states is taken from a hint where all hints agree."""
    if reading.value is not None:
        return as_data(reading)
    hint = agreed_hint(what, hints)
    if hint is None:
        return _of(None, None, None, NOT_STATED)
    return {**_same(hint.value, STATED), "origin": hint.origin}


def agreed_hint(what: str, hints: Iterable[Hint]) -> Hint | None:
    """Return the hint at a set-point, or None where there is none or they contradict each other."""
    found = [hint for hint in hints if hint.what == what]
    return found[0] if len({hint.value for hint in found}) == 1 else None


def usual_set_points(plate: Plate) -> dict[str, float]:
    """Return the set-points under which most of the filament was deposited, of those that are commanded.

    Returns:
        ``nozzle_c`` and the like to its value, in the unit of its name; one that nothing commands is absent.
    """
    weights: dict[str, dict[float, float]] = defaultdict(lambda: defaultdict(float))
    for piece in plate.objects:
        for layer in piece.layer_facts:
            for stretch in layer.stretches:
                for name, value in _commanded(stretch):
                    weights[name][value] += stretch.filament_mm
    return {name: max(held, key=held.__getitem__) for name, held in weights.items()}


def _commanded(stretch: Any) -> Iterable[tuple[str, float]]:
    for what in _WHAT:
        value = getattr(stretch, what)
        if value is not None:
            yield what, value
    fan = dict(stretch.fans_pct).get(_FAN)
    if fan is not None:
        yield "fan_pct", round(fan, 1)


def object_of(name: str, facts: Mapping[str, Any]) -> PlateObject:
    """Return an object as far as a map needs it, from what is kept of a piece."""
    return PlateObject(
        key=facts["key"],
        name=name,
        box_mm=tuple(facts["box_mm"]),
        centre_mm=tuple(facts["centre_mm"]),
        size_mm=tuple(facts["size_mm"]),
        rect_mm=tuple(facts["rect_mm"]),
        angle_deg=facts["angle_deg"],
        outline_mm=tuple(tuple(point) for point in facts["outline_mm"]),
        contour_mm=tuple(tuple(point) for point in facts.get("contour_mm", ())),
        gauge_mm=tuple(tuple(point) for point in facts.get("gauge_mm", ())),
        tools=tuple(
            ToolUse(each["tool"], each["filament_mm"], each.get("filament_g"), 0.0, None, Reading())
            for each in facts.get("tools", ())
        ),
        **_BLANK,
    )


def boxed(key: str, name: str, box_mm: Sequence[float]) -> PlateObject:
    """Return an object of which nothing but its box is known, in mm."""
    x0, y0, z0, x1, y1, z1 = box_mm
    facts = {
        "key": key, "box_mm": box_mm, "centre_mm": ((x0 + x1) / 2, (y0 + y1) / 2),
        "size_mm": (x1 - x0, y1 - y0, z1 - z0), "rect_mm": (x1 - x0, y1 - y0), "angle_deg": 0.0,
        "outline_mm": (),
    }  # fmt: skip
    return object_of(name, facts)


_BLANK: Final[dict[str, Any]] = {
    "line_width_mm": 0.0, "line_width_basis": "", "layer_height_mm": 0.0, "filament_mm": 0.0,
    "filament_basis": "", "aux_mm": 0.0, "filament_g": None, "filament_g_basis": "", "layer_facts": (),
    "flow_mm3_s": None, "speed_mm_s": None, "retractions": None, "set_points": None,
}  # fmt: skip
"""What a map does not look at."""


def _rounded(numbers: Iterable[float]) -> list[float]:
    return [round(number, 3) for number in numbers]


def _short(number: float | None) -> float | None:
    return None if number is None else round(number, 3)
