"""Label stocks: where the labels lie on a page, read from TOML files, in millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from tracker_labels.errors import StockError
from tracker_labels.stockfile import read_stock_file

BUNDLED = Path(__file__).parent / "stock"
"""The folder of the stocks that come with the package."""


@dataclass(frozen=True, slots=True)
class Stock:
    """The geometry of one kind of label; every length in millimetres.

    Attributes:
        name: Short name, as typed.
        description: What it is, in plain words.
        kind: ``sheet``, ``round``, ``tape`` or ``flag``.
        dpi: Dots per inch of the printer that usually prints it.
        label_width_mm: Width of one label; for a tape, its longest length.
        label_height_mm: Height of one label; for a tape, the tape's width.
        clear_mm: Rim inside each label that stays free of ink.
        page_width_mm: Width of the page; one label's width where a page is a label.
        page_height_mm: Height of the page.
        columns: Labels side by side on a page.
        rows: Labels below one another on a page.
        left_mm: From the page's left edge to the first label.
        top_mm: From the page's upper edge to the first label.
        pitch_x_mm: From one label's left edge to the next one's.
        pitch_y_mm: From one label's upper edge to the next one's.
        corner_mm: Radius of the corners.
        wrap_mm: Part of a flag that goes round the piece, between its two faces.
        shortest_mm: Shortest length of a tape label.
    """

    name: str
    description: str
    kind: str
    dpi: float
    label_width_mm: float
    label_height_mm: float
    clear_mm: float
    page_width_mm: float
    page_height_mm: float
    columns: int = 1
    rows: int = 1
    left_mm: float = 0.0
    top_mm: float = 0.0
    pitch_x_mm: float = 0.0
    pitch_y_mm: float = 0.0
    corner_mm: float = 0.0
    wrap_mm: float = 0.0
    shortest_mm: float = 0.0

    @property
    def places(self) -> int:
        """How many labels one page holds."""
        return self.columns * self.rows

    @property
    def area_mm2(self) -> float:
        """Area of one label (of a tape's shortest), in mm²: what "smallest stock" goes by."""
        return (self.shortest_mm or self.label_width_mm) * self.label_height_mm

    def corner_of(self, place: int) -> tuple[float, float]:
        """Return the upper left corner of a place, in mm from the page's; places count from 0, by rows."""
        row, column = divmod(place, self.columns)
        return self.left_mm + column * self.pitch_x_mm, self.top_mm + row * self.pitch_y_mm


def load_stock(path: Path | str) -> Stock:
    """Read a stock from a TOML file.

    Args:
        path: The file. Its keys are those of the bundled files beside this module.

    Raises:
        StockError: The file cannot be read, or a key is missing, unknown or outside its allowed values,
            or the labels do not fit on the page; the message names the key and what is allowed.
    """
    return Stock(**read_stock_file(Path(path)))


@cache
def _bundled() -> tuple[Stock, ...]:
    """Return the bundled stocks, read once."""
    return tuple(load_stock(path) for path in sorted(BUNDLED.glob("*.toml")))


def stocks() -> dict[str, Stock]:
    """Return the bundled stocks by name, in alphabetical order."""
    return {stock.name: stock for stock in _bundled()}


def find_stock(name: str) -> Stock:
    """Return a bundled stock by its name, or a person's own by the path of its TOML file.

    Raises:
        StockError: There is no such stock; the message lists those that exist.
    """
    # By its ending and not by whether it exists: a mistyped path is then named as a path.
    if name.lower().endswith(".toml"):
        return load_stock(name)
    known = stocks()
    if name not in known:
        raise StockError(
            f"There is no label stock {name!r}",
            do=f"Name one of {', '.join(known)}, or the path of a .toml file of your own.",
        )
    return known[name]
