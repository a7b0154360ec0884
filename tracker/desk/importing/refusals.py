"""What an import refuses: the whole of it, a line, or a quantity of a line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tracker.errors import Refused


class ImportRefusedError(Refused, ValueError):
    """A spreadsheet, its column map, or the import of it cannot be taken as it is."""


class MapError(ImportRefusedError):
    """A column map that does not fit; the text names each key and what is allowed.

    Attributes:
        lines: One for each key at fault.
    """

    def __init__(self, name: str, lines: Sequence[str]) -> None:
        self.lines = tuple(lines)
        super().__init__(f"The column map {name} does not fit", why="; ".join(self.lines))


@dataclass(frozen=True, slots=True)
class LineRefusal:
    """A line of the sheet, or one quantity of it, that is not taken.

    Attributes:
        line: Line number in the file, the header being line 1.
        why: The reason, and what would mend it.
        quantity: Name of the quantity; empty where the whole line is refused.
    """

    line: int
    why: str
    quantity: str = ""

    def __str__(self) -> str:
        """The refusal as it is shown: ``line 12: tensile.strength refused: no section``."""
        return f"line {self.line}{f': {self.quantity}' if self.quantity else ''} refused: {self.why}"
