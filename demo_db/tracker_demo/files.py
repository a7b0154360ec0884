"""Files of an invented bench: plates by a small generator of its own, their logs, and drawn photographs.

The text of a plate is ordinary RepRap-style G-code: objects marked by M486, layers with their
height, a settings block at the end. Beads are outlines and a zigzag; nobody should print them.
A photograph is what a phone held over a plate would have seen, drawn by Pillow.
"""

from __future__ import annotations

import datetime as dt
import io
import math
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from PIL import Image, ImageDraw

_AREA_MM2: Final = math.pi / 4 * 1.75**2
_SIZES: Final[Mapping[tuple[str, str], tuple[float, float, float]]] = {
    ("bar", "XYZ"): (80.0, 10.0, 4.0),
    ("bar", "ZXY"): (10.0, 4.0, 80.0),
    ("step block", "XYZ"): (80.0, 40.0, 20.0),
    ("tower", "ZXY"): (12.0, 12.0, 80.0),
}
"""Lengths in mm along X, Y and Z; bars are those of ISO 178 and ISO 179-1."""

_BED_MM: Final = 220.0
_FEED_MM_MIN: Final = 900.0
_GAP_MM: Final = 8.0


@dataclass(frozen=True)
class Placed:
    """A piece on the plate: name, size, and its corner next to the origin, in mm."""

    number: int
    name: str
    size: tuple[float, float, float]
    corner: tuple[float, float]


def plate_text(pieces: Sequence[str], settings: Mapping[str, Any]) -> str:
    """Return a plate file.

    Args:
        pieces: ``NAME:ORIENTATION:COUNT`` of names the generator knows.
        settings: ``nozzle_set_c``, ``bed_set_c``, ``chamber_set_c``, ``fan_set_pct``, ``layer_height_mm``,
            ``line_width_mm``.
    """
    placed = list(_placed(pieces))
    lines = [*_begin(settings), *_layers(placed, settings), *_end(settings)]
    return "\n".join(lines) + "\n"


def _placed(pieces: Sequence[str]) -> Iterator[Placed]:
    """Place pieces in rows from the front left corner on."""
    x, y, deep, number = 20.0, 20.0, 0.0, 0
    for text in pieces:
        name, way, count = text.split(":")
        size = _SIZES[name, way]
        for _ in range(int(count)):
            if x + size[0] > _BED_MM - 20:
                x, y, deep = 20.0, y + deep + _GAP_MM, 0.0
            yield Placed(number, name, size, (x, y))
            x, deep, number = x + size[0] + _GAP_MM, max(deep, size[1]), number + 1


def _begin(settings: Mapping[str, Any]) -> Iterator[str]:
    yield f"M141 S{settings['chamber_set_c']:g} ; chamber"
    yield f"M140 S{settings['bed_set_c']:g}"
    yield f"M104 S{settings['nozzle_set_c'] + 5:g}"
    yield f"M190 S{settings['bed_set_c']:g}"
    yield f"M109 S{settings['nozzle_set_c'] + 5:g} ; first layer hotter"
    yield from ("G21", "G90", "M83", "M204 P1500 T1500", "M107", "G28", "G92 E0")


def _layers(placed: Sequence[Placed], settings: Mapping[str, Any]) -> Iterator[str]:
    height, width = settings["layer_height_mm"], settings["line_width_mm"]
    tallest = max(piece.size[2] for piece in placed)
    for layer in range(1, round(tallest / height) + 1):
        z = layer * height
        yield ";LAYER_CHANGE"
        yield f";Z:{z:.3f}"
        yield f";HEIGHT:{height:g}"
        if layer == 2:  # noqa: PLR2004 - the second layer gets the plate's own settings
            yield f"M104 S{settings['nozzle_set_c']:g}"
            yield f"M106 S{255 * settings['fan_set_pct'] / 100:.1f}"
        for piece in placed:
            if z <= piece.size[2] + 1e-9:
                yield from _piece(piece, z, height, width, layer)


def _piece(piece: Placed, z: float, height: float, width: float, layer: int) -> Iterator[str]:
    yield f"M486 S{piece.number} A{piece.name}"
    yield ";TYPE:outer wall"
    yield f";WIDTH:{width:g}"
    x, y = piece.corner
    per_mm = height * width / _AREA_MM2
    for loop in range(2):
        inset = width * (loop + 0.5)
        corners = _rectangle(x + inset, y + inset, piece.size[0] - 2 * inset, piece.size[1] - 2 * inset)
        yield from _path(corners, z, per_mm)
    yield ";TYPE:infill"
    yield from _path(_zigzag(piece, 2.5 * width, layer), z, per_mm)
    yield "M486 S-1"


def _rectangle(x: float, y: float, wide: float, deep: float) -> list[tuple[float, float]]:
    return [(x, y), (x + wide, y), (x + wide, y + deep), (x, y + deep), (x, y)]


def _zigzag(piece: Placed, inset: float, layer: int) -> list[tuple[float, float]]:
    (x, y), (wide, deep, _) = piece.corner, piece.size
    along_x = layer % 2 == 0
    span, across = (wide, deep) if along_x else (deep, wide)
    count = max(2, min(6, int((across - 2 * inset) / 1.8)))
    points = []
    for line in range(count + 1):
        at = inset + (across - 2 * inset) * line / count
        ends = (inset, span - inset) if line % 2 == 0 else (span - inset, inset)
        points += [(end, at) if along_x else (at, end) for end in ends]
    return [(x + px, y + py) for px, py in points]


def _path(points: Sequence[tuple[float, float]], z: float, per_mm: float) -> Iterator[str]:
    (x, y), *rest = points
    yield f"G0 X{x:.3f} Y{y:.3f} Z{z:.3f} F9000"
    yield f"G1 F{_FEED_MM_MIN:g}"
    for next_x, next_y in rest:
        yield f"G1 X{next_x:.3f} Y{next_y:.3f} E{math.hypot(next_x - x, next_y - y) * per_mm:.5f}"
        x, y = next_x, next_y


def _end(settings: Mapping[str, Any]) -> Iterator[str]:
    yield from ("M104 S0", "M140 S0", "M141 S0", "M107", "M84")
    yield "; filament_diameter = 1.75"
    for key, value in sorted(settings.items()):
        yield f"; {key} = {value:g}"


def chamber_log(
    began: dt.datetime,
    ended: dt.datetime,
    measured_c: float,
    room_c: float,
    room_rh: float,
    seed: str,
    minutes: int = 1,
) -> str:
    """Return a log of chamber and room: a warm-up, then the level with its scatter.

    Args:
        began: Start of the job, with its zone.
        ended: Its end.
        measured_c: Level of the chamber, °C.
        room_c: Room, °C.
        room_rh: Room, per cent.
        seed: Makes the scatter always the same.
        minutes: From one line to the next.
    """
    chance = random.Random(f"log {seed}")  # noqa: S311 - repeatable, not secret
    lines = ["time;chamber °C;room °C;room humidity %"]
    for minute in range(0, int((ended - began).total_seconds() // 60) + 1, minutes):
        # The chamber is preheated; the last degrees come with the bed's heat in the first minutes.
        level = measured_c - 6.0 * math.exp(-minute / 12) + chance.gauss(0.0, 0.4)
        at = began + dt.timedelta(minutes=minute)
        humidity = room_rh + chance.gauss(0.0, 0.6)
        lines.append(f"{at.isoformat()};{level:.1f};{room_c + chance.gauss(0.0, 0.1):.1f};{humidity:.0f}")
    return "\n".join(line.replace(".", ",") if n else line for n, line in enumerate(lines)) + "\n"


_SIZE: Final = (640, 480)
_COLOURS: Final = (
    (214, 208, 190),
    (58, 62, 66),
    (120, 146, 158),
    (196, 92, 62),
    (222, 226, 228),
    (84, 118, 82),
)


def photograph(material: str, failed: bool, seed: int) -> bytes:
    """Return a plate seen from above as JPEG: bars, a block, and a tangle where a piece failed.

    Args:
        material: Its name chooses the colour.
        failed: Draw the last bar as a tangle.
        seed: Makes the light and the grain always the same.
    """
    chance = random.Random(f"{material} {seed}")  # noqa: S311 - repeatable, not secret
    picture = Image.new("RGB", _SIZE, (38, 40, 44))
    draw = ImageDraw.Draw(picture)
    draw.rounded_rectangle((30, 20, 610, 460), 14, fill=(52, 54, 50), outline=(80, 82, 78), width=3)
    colour = chance.choice(_COLOURS)
    for number in range(9):
        column, row = number % 2, number // 2
        left, top = 60 + column * 280, 50 + row * 62
        if failed and number == 8:  # noqa: PLR2004 - the last
            points = [(left + chance.gauss(110, 50), top + chance.gauss(20, 14)) for _ in range(60)]
            draw.line(points, fill=colour, width=2)
            continue
        shade = tuple(max(0, min(255, part + chance.randint(-8, 8))) for part in colour)
        draw.rounded_rectangle((left, top, left + 240, top + 34), 3, fill=shade)
        for line in range(top + 4, top + 34, 4):
            draw.line((left + 2, line, left + 238, line), fill=tuple(max(0, part - 10) for part in shade))
    draw.rectangle((60, 380, 240, 445), fill=colour, outline=(30, 30, 30))
    # The grain of a sensor: a little off everywhere, alike in the three colours.
    grain = Image.frombytes("L", _SIZE, chance.randbytes(_SIZE[0] * _SIZE[1])).convert("RGB")
    picture = Image.blend(picture, grain, 0.05)
    made = io.BytesIO()
    picture.save(made, "JPEG", quality=72)
    return made.getvalue()
