"""Why a file cannot be read as a plate at all, each with what to do instead."""

from __future__ import annotations

from tracker.errors import Refused


class PlateRefused(Refused):
    """A file that is not a readable plate; the base of every refusal of this room."""


class BinaryPlate(PlateRefused):
    """The file is binary G-code, whatever its name ends in."""

    def __init__(self) -> None:
        super().__init__(
            "This is binary G-code (it begins with GCDE)",
            do="Export the plate as plain text, or convert it first, and give that file.",
        )


class PackedPlate(PlateRefused):
    """The file is a container or is compressed.

    Args:
        kind: What it is, in words.
    """

    def __init__(self, kind: str) -> None:
        super().__init__(
            f"This is a {kind}, not the text of a plate",
            do="Unpack it (in a container plates lie under Metadata/ as plate_*.gcode) and give one plate.",
        )


class PictureInstead(PlateRefused):
    """The file is a picture.

    Args:
        kind: PNG or JPEG.
    """

    def __init__(self, kind: str) -> None:
        super().__init__(
            f"This is a {kind} picture, not a plate", do="Give the G-code file the printer was sent."
        )


class NotText(PlateRefused):
    """The first 64 kB hold NUL bytes.

    Args:
        offset: Where the first one stands, in bytes from the start.
    """

    def __init__(self, offset: int) -> None:
        super().__init__(
            f"This is not text: byte {offset} is NUL",
            do="Export the plate again as plain-text G-code; the copy may be damaged.",
        )


class EmptyPlate(PlateRefused):
    """The file holds nothing."""

    def __init__(self) -> None:
        super().__init__("The file is empty", do="Export or copy the plate again.")


class NoExtrusion(PlateRefused):
    """The file is text but nothing in it deposits filament.

    Args:
        why: What was found instead, in words; empty if nothing telling.
    """

    def __init__(self, why: str = "") -> None:
        super().__init__(
            "No extrusion found: no move in this file deposits filament",
            why=why,
            do="A milling or laser file, or one cut off before its first layer, has no pieces to follow.",
        )


class BadWindow(PlateRefused):
    """A gauge window that selects nothing of the piece.

    Args:
        window: The window as text.
        have: What the piece spans, as text.
    """

    def __init__(self, window: str, have: str) -> None:
        super().__init__(f"No layer of the piece lies in {window}", why=f"it spans {have}")


class BadNotation(PlateRefused):
    """Letters that are no orientation.

    Args:
        letters: What was given.
        why: What is wrong with it.
    """

    def __init__(self, letters: str, why: str) -> None:
        super().__init__(
            f"{letters!r} is not an orientation",
            why=why,
            do="Type the axes by falling length: XYZ, XZY, YXZ, YZX, ZXY, ZYX, the first two of them, "
            "or one letter where the other two dimensions are alike.",
        )
