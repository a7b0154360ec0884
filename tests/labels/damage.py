"""What a printer, a hand and a telephone do to a label, with a seed."""

from __future__ import annotations

from io import BytesIO

import numpy as np
from PIL import Image, ImageFilter

# Ink on paper under a lamp is neither black nor white.
_BLACK, _WHITE = 45.0, 215.0
_FINE = 4


def damaged(
    picture: Image.Image,
    seed: int,
    *,
    turn: float = 10.0,
    blur: float = 0.6,
    noise: float = 10.0,
    quality: int = 45,
    scale: float = 1.0,
) -> Image.Image:
    """Return a picture of a printed label as a camera would see it.

    Args:
        picture: The label, dark on light, one pixel a printer dot.
        seed: Of everything that is left to chance.
        turn: The label is turned by up to this many degrees either way.
        blur: Standard deviation of the blur, in printer dots.
        noise: Standard deviation of the noise, in 255ths of the whole range.
        quality: Of the JPEG file in between.
        scale: Pixels of the camera per printer dot; 1 is a scan at the printer's own resolution.
    """
    chance = np.random.default_rng(seed)
    # Turned and blurred finely, then sampled coarsely, as the optics come before the sensor.
    fine = picture.convert("L").resize(
        (picture.width * _FINE, picture.height * _FINE), Image.Resampling.NEAREST
    )
    fine = fine.rotate(
        float(chance.uniform(-turn, turn)), Image.Resampling.BICUBIC, expand=True, fillcolor=255
    ).filter(ImageFilter.GaussianBlur(blur * _FINE))
    shift = chance.uniform(0, _FINE, 2)
    size = (round(fine.width / _FINE * scale), round(fine.height / _FINE * scale))
    box = (shift[0], shift[1], fine.width, fine.height)
    seen = np.asarray(fine.resize(size, Image.Resampling.BOX, box=box), dtype=float)
    light = np.linspace(1.0, chance.uniform(0.7, 1.0), seen.shape[1])
    seen = (_BLACK + seen / 255 * (_WHITE - _BLACK)) * light + chance.normal(0, noise, seen.shape)
    file = BytesIO()
    Image.fromarray(np.clip(seen, 0, 255).astype(np.uint8)).save(file, "JPEG", quality=quality)
    return Image.open(BytesIO(file.getvalue()))
