"""The answer, with the three forms in which it is given: data, sentences, picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from tracker.why.as_data import findings_as_data
from tracker.why.parts import Findings
from tracker.why.picture import draw
from tracker.why.words import findings_in_words


@dataclass(frozen=True)
class Answer(Findings):
    """Findings that can be given to a person or to another program."""

    def as_json(self) -> dict[str, Any]:
        """Return the answer as plain data with the keys other people's scripts read."""
        return findings_as_data(self)

    def sentences(self, width: int = 80) -> list[str]:
        """Return the answer in plain sentences, wrapped to ``width`` columns, one screen."""
        return findings_in_words(self, width)

    def picture_svg(self) -> bytes:
        """Return the picture as SVG: every point of both groups, and the shares with intervals."""
        return draw(self, "svg")

    def picture_png(self) -> bytes:
        """Return the same picture as PNG."""
        return draw(self, "png")
