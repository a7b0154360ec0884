"""Pieces that no plate file names: typed by hand, or taken over from an earlier attempt."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tracker.forms import FormError
from tracker.model import Job, Specimen
from tracker.orientation import checked_letters

_MOST_PIECES: Final = 999


@dataclass(frozen=True)
class PieceWanted:
    """A piece as it is entered by hand: ``NAME:ORIENTATION[:COUNT]``."""

    name: str
    orientation: str | None
    count: int = 1


def read_piece(text: str) -> PieceWanted:
    """Return what ``bar:ZXY:5`` asks for; the orientation may be left empty (``bar::5``).

    Raises:
        FormError: It is not of that form.
    """
    parts = text.split(":")
    name = parts[0].strip()
    count = parts[2].strip() if len(parts) > 2 else "1"  # noqa: PLR2004 - the third part
    if not name or len(parts) > 3 or not re.fullmatch(r"[1-9]\d{0,2}", count):  # noqa: PLR2004 - three parts
        raise FormError(f"{text!r} names no pieces", do="Write NAME:ORIENTATION:COUNT, as in bar:ZXY:5")
    letters = parts[1].strip() if len(parts) > 1 else ""
    return PieceWanted(name, checked_letters(letters) if letters else None, int(count))


def specimens_of(pieces: Sequence[PieceWanted], earlier: Job | None) -> list[Specimen]:
    """Return the rows of pieces as they were typed; where none were, those of an earlier attempt.

    Raises:
        FormError: They are more than a plate holds.
    """
    if not pieces and earlier is not None:
        return [
            Specimen(
                piece=each.piece, name=each.name, orientation=each.orientation,
                geometry=each.geometry, gauge=each.gauge,
                x_mm=each.x_mm, y_mm=each.y_mm, size_x_mm=each.size_x_mm, size_y_mm=each.size_y_mm,
                size_z_mm=each.size_z_mm, filament_mm=each.filament_mm, filament_g=each.filament_g,
                plate_facts=each.plate_facts, dummy=each.dummy,
            )
            for each in earlier.specimens
        ]  # fmt: skip
    single = [piece for piece in pieces for _ in range(piece.count)]
    if len(single) > _MOST_PIECES:
        raise FormError(f"{len(single)} pieces are more than one plate holds", do="Check the counts")
    return [
        Specimen(piece=number, name=piece.name, orientation=piece.orientation)
        for number, piece in enumerate(single, start=1)
    ]
