"""What is on a page, as data: boxes of dots that a painter turns into a raster or into SVG."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tracker_labels.code import Code

MM_PER_INCH = 25.4


def dots(mm: float, dpi: float) -> int:
    """Return a length in whole printer dots."""
    return round(mm * dpi / MM_PER_INCH)


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in dots; x to the right and y downwards from the page's upper left corner."""

    x: int
    y: int
    width: int
    height: int

    @property
    def right(self) -> int:
        """The first dot to the right of the box."""
        return self.x + self.width

    @property
    def bottom(self) -> int:
        """The first dot below the box."""
        return self.y + self.height

    def moved(self, dx: int, dy: int) -> Box:
        """Return the box somewhere else."""
        return Box(self.x + dx, self.y + dy, self.width, self.height)

    def overlaps(self, other: Box) -> bool:
        """Tell whether two boxes share a dot."""
        beside = self.right <= other.x or other.right <= self.x
        return not (beside or self.bottom <= other.y or other.bottom <= self.y)


@dataclass(frozen=True, slots=True)
class CodeMark:
    """A matrix code; its box includes the quiet zone, which is painted too.

    Attributes:
        box: Where it stands.
        code: Its modules.
        module: Dots a module.
    """

    box: Box
    code: Code
    module: int

    @property
    def symbol(self) -> Box:
        """The box of the modules, without the quiet zone."""
        quiet, side = self.code.quiet * self.module, self.code.size * self.module
        return Box(self.box.x + quiet, self.box.y + quiet, side, side)


@dataclass(frozen=True, slots=True)
class TextMark:
    """One row of text; nothing is painted outside its box.

    Attributes:
        box: Where it stands; its left edge is that of the ink.
        text: What is drawn, every character of which the font holds.
        size: Size of the font, in dots.
        bold: Whether it is bold.
        baseline: Dots from the box's upper edge down to the baseline.
        left: Dots from the text's origin to its ink; negative where a letter reaches back.
    """

    box: Box
    text: str
    size: int
    bold: bool
    baseline: int
    left: int


@dataclass(frozen=True, slots=True)
class RuleMark:
    """A filled rectangle: a hairline, a tick, a fold."""

    box: Box


@dataclass(frozen=True, slots=True)
class LineMark:
    """A closed or open hairline through points: the edge of a label that hands cut out, a piece's outline.

    Attributes:
        box: What the line stays inside of.
        points: Corners in dots, measured from the box's upper left corner.
        thickness: Dots.
    """

    box: Box
    points: tuple[tuple[int, int], ...]
    thickness: int


Mark = CodeMark | TextMark | RuleMark | LineMark


@dataclass(frozen=True, slots=True)
class Page:
    """One page.

    Attributes:
        width_mm: Its exact width.
        height_mm: Its exact height.
        marks: What stands on it.
    """

    width_mm: float
    height_mm: float
    marks: tuple[Mark, ...]


def moved(mark: Mark, dx: int, dy: int) -> Mark:
    """Return a mark somewhere else."""
    return replace(mark, box=mark.box.moved(dx, dy))
