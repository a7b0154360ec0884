"""Drawn photographs: what a phone held over a plate would have seen, by Pillow."""

from __future__ import annotations

import io
import random
from typing import Final

from PIL import Image, ImageDraw

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
