"""Plates of bars for the tests: made line by line, so that every figure of theirs can be worked out."""

from __future__ import annotations

from collections.abc import Iterable

from tests.platefile.builder import DIALECTS, ring, text

Bar = tuple[float, float, float, float]
"""x, y of the lower left corner, length along X, width along Y, of the centre line in mm."""

UPRIGHT: dict[str, Bar] = {
    "tower": (20.0, 60.0, 9.6, 3.6),
    "tower #2": (60.0, 60.0, 9.6, 3.6),
    "cube": (20.0, 20.0, 19.6, 19.6),
}
"""Two towers in the back row and a cube in front of them."""

FLAT: dict[str, Bar] = {"bar": (20.0, 20.0, 79.6, 9.6), "second": (20.0, 60.0, 79.6, 9.6)}
"""Two bars of ISO 178 along X, ``second`` in the back row."""


def plate(
    bars: dict[str, Bar],
    layers: int = 100,
    height: float = 0.2,
    *,
    nozzle: int = 250,
    bed: int = 90,
    chamber: int | None = None,
    fan: int = 128,
    later: Iterable[str] = (),
    later_from: int = 0,
    settings: Iterable[str] = (),
    feed: int = 1200,
) -> bytes:
    """Return a plate file of rectangular rings, one turn a layer and piece.

    Args:
        bars: Name to its place.
        layers: How many.
        height: Of each.
        nozzle: Set-point.
        bed: Set-point.
        chamber: Set-point; None sets none.
        fan: Duty, 0 to 255.
        later: Commands given before layer ``later_from``.
        later_from: Number of a layer, from 1.
        settings: Lines of the settings block, without ``;``.
        feed: mm/min while depositing.
    """
    begin, end = DIALECTS["EXCLUDE_OBJECT"]
    lines = ["G21", "G90", "M83", f"M140 S{bed}", f"M104 S{nozzle}", f"M106 S{fan}"]
    lines += [f"M141 S{chamber}"] if chamber is not None else []
    lines += ["G1 Z5 F3000", "G1 X0 Y0 F9000"]
    for layer in range(1, layers + 1):
        lines += list(later) if layer == later_from else []
        lines += [";LAYER_CHANGE", f";Z:{layer * height:.3f}", f"G1 Z{layer * height:.3f} F3000"]
        for number, (name, box) in enumerate(bars.items()):
            moves = [line.replace("F1800", f"F{feed}") for line in ring(*box)]
            word = name.replace(" ", "_")
            lines += [begin(number, word), ";WIDTH:0.4", *moves, end(number, word)]
    return text([*lines, "M104 S0", "M140 S0", *(f"; {line}" for line in settings)])
