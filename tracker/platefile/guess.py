"""Whether E is absolute or relative where the file does not say."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import BinaryIO

_LOOKED_AT = 1 << 20
_SAYS = re.compile(rb"^[ \t]*(?:N\d+[ \t]*)?M8[23]\b", re.IGNORECASE | re.MULTILINE)
_MOVE = re.compile(
    rb"^[ \t]*(?:N\d+[ \t]*)?G0*[0-3][ \t]*[XYFIJRZ][^;\n\r]*?E[ \t]*([-+]?(?:\d+\.?\d*|\.\d+))",
    re.IGNORECASE | re.MULTILINE,
)
_FALLING_SHARE = 0.2


def e_is_relative(stream: BinaryIO) -> bool:
    """Guess from the first MiB how E is read until the file says so; the stream stays where it is.

    With absolute E the counter rises from one depositing move to the next; with
    relative E about every second value is less than the one before.
    """
    here = stream.tell()
    head = stream.read(_LOOKED_AT)
    stream.seek(here)
    # What stands behind the first M82 or M83 needs no guess.
    said = _SAYS.search(head)
    end = said.start() if said else len(head)
    values = [float(found) for found in _MOVE.findall(head[:end])]
    # Nothing to go by: absolute, as firmware powers up.
    if not values:
        return False
    falling = sum(b < a for a, b in pairwise(values))
    # A fifth and not a half: runs of equal lines give equal increments, which neither rise nor fall.
    return falling > _FALLING_SHARE * len(values)
