"""Pieces of a plate as a person left them after looking at what was derived."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tracker.desk.plates import PlateRead
from tracker.forms import FormError
from tracker.orientation import checked_letters
from tracker.platefile import piece_named


@dataclass(frozen=True)
class PieceSaid:
    """What a person says of one piece; an empty orientation is "not recorded"."""

    name: str
    orientation: str
    geometry: str
    dummy: bool


def settle(read: PlateRead, said: Sequence[PieceSaid]) -> None:
    """Put what a person says in the place of what was derived, piece by piece.

    Raises:
        FormError: There are more pieces, or fewer, or every one is a dummy.
        Refused: No such letters, or no such template.
    """
    if len(said) != len(read.pieces):
        raise FormError(
            f"The plate holds {len(read.pieces)} pieces, the form {len(said)}", do="Look at the plate again"
        )
    if all(each.dummy for each in said):
        raise FormError("Every piece is a dummy", do="Leave at least one to be tested")
    for piece, each in zip(read.pieces, said, strict=True):
        piece.name = " ".join(each.name.split())[:80] or piece.name
        piece.orientation = checked_letters(each.orientation) if each.orientation.strip() else ""
        piece.geometry = piece_named(each.geometry).id
        piece.dummy = each.dummy
