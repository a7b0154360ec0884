"""Label stocks: where the labels lie on a page, read from TOML files, in millimetres."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from tracker_labels.label import StockError

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
        cut: Whether hands cut the labels out, along lines that are printed with them.
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
    cut: bool = False

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


_LONGEST_FILE = 100_000


@dataclass(frozen=True, slots=True)
class _Number:
    """A number that a key may hold."""

    low: float
    high: float
    whole: bool = False
    default: float | None = None

    def describe(self) -> str:
        """Say what is allowed, in words."""
        kind = "a whole number" if self.whole else "a number"
        return f"{kind} from {self.low:g} to {self.high:g}"

    def allows(self, value: object) -> bool:
        """Tell whether a value from the file is allowed."""
        # True is a whole number to Python, but nobody means one row by it.
        if isinstance(value, bool) or not isinstance(value, int if self.whole else (int, float)):
            return False
        return math.isfinite(value) and self.low <= value <= self.high


_SIDE = _Number(5, 500)
_GRID = {
    "page_width_mm": _Number(20, 1000),
    "page_height_mm": _Number(20, 1000),
    "columns": _Number(1, 50, whole=True),
    "rows": _Number(1, 100, whole=True),
    "left_mm": _Number(0, 500),
    "top_mm": _Number(0, 500),
    "pitch_x_mm": _SIDE,
    "pitch_y_mm": _SIDE,
}
# Between the coarsest printer that can still draw a small code and a page that fits in memory.
_COMMON = {"dpi": _Number(100, 1200), "clear_mm": _Number(0, 20)}
_RECTANGLE = {"label_width_mm": _SIDE, "label_height_mm": _SIDE}
_KEYS: dict[str, dict[str, _Number]] = {
    "sheet": _COMMON | _GRID | _RECTANGLE | {"corner_mm": _Number(0, 50, default=0.0)},
    "round": _COMMON | _GRID | {"diameter_mm": _SIDE},
    "tape": _COMMON | {"tape_width_mm": _SIDE, "shortest_mm": _SIDE, "longest_mm": _Number(20, 1000)},
    "flag": _COMMON | _RECTANGLE | {"wrap_mm": _Number(1, 300)},
}
_WORDS = ("name", "description", "kind")
# Two labels may share an edge; a tenth of a micrometre is only arithmetic.
_SLACK_MM = 1e-4


def read_stock_file(path: Path) -> dict[str, Any]:
    """Read and check a stock file; return the fields of a ``Stock``.

    Raises:
        StockError: See ``tracker_labels.load_stock``.
    """
    raw = _parse(path)
    try:
        return _fields(raw)
    except StockError as error:
        raise StockError(f"{path.name}: {error.what}", why=error.why, do=error.do) from error


def _parse(path: Path) -> dict[str, Any]:
    """Return what the TOML file says.

    Raises:
        StockError: It cannot be opened, or is no TOML.
    """
    if path.exists() and not path.is_file():
        # Opening a pipe waits until somebody writes to it.
        raise StockError(f"The stock file {path} cannot be opened", why="it is no file", do="Check its path.")
    try:
        with path.open("rb") as file:
            text = file.read(_LONGEST_FILE).decode("utf-8")
        return tomllib.loads(text)
    except OSError as error:
        raise StockError(
            f"The stock file {path} cannot be opened", why=error.strerror or "", do="Check its path."
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise StockError(f"The stock file {path.name} is not TOML", why=str(error)) from error


def _fields(raw: Mapping[str, object]) -> dict[str, Any]:
    """Check every key, then the page as a whole; return the fields of a ``Stock``.

    Raises:
        StockError: A key is missing, unknown or out of bounds, or the labels do not fit on their page.
    """
    # The kind comes first: it decides which keys there are.
    words = {key: _word(raw, key) for key in _WORDS}
    if words["kind"] not in _KEYS:
        raise StockError(f"kind is {words['kind']!r}", do=f"It must be one of {', '.join(_KEYS)}.")
    allowed = _KEYS[words["kind"]]
    unknown = sorted(set(raw) - set(allowed) - set(_WORDS) - {"cut"})
    if unknown:
        raise StockError(
            f"{unknown[0]} is no key of a {words['kind']}",
            do=f"Its keys are {', '.join((*_WORDS, *allowed))}.",
        )
    numbers = {key: _number(raw, key, rule) for key, rule in allowed.items()}
    fields: dict[str, Any] = words | _SHAPES[words["kind"]](numbers)
    fields["cut"] = _cut(raw, words["kind"])
    _check_page(fields)
    return fields


def _word(raw: Mapping[str, object], key: str) -> str:
    """Return a text of the file.

    Raises:
        StockError: It is missing, or no text.
    """
    value = raw.get(key)
    if not isinstance(value, str) or not value.strip():
        raise StockError(
            f"{key} is {value!r}" if key in raw else f"{key} is missing", do="It must be a text."
        )
    return value.strip()


def _cut(raw: Mapping[str, object], kind: str) -> bool:
    """Return whether lines to cut along are printed.

    Raises:
        StockError: It is neither true nor false, or each label is a page of its own.
    """
    value = raw.get("cut", False)
    if not isinstance(value, bool) or (value and kind not in ("sheet", "round")):
        raise StockError(f"cut is {value!r} on a {kind}", do="It must be true or false, on a sheet or round.")
    return value


def _number(raw: Mapping[str, object], key: str, rule: _Number) -> float:
    """Return a number of the file, or the rule's default where it says nothing.

    Raises:
        StockError: It is missing, no number, or outside what is allowed.
    """
    if key not in raw and rule.default is not None:
        return rule.default
    value = raw.get(key)
    if key not in raw or not rule.allows(value):
        problem = f"{key} is {value!r}" if key in raw else f"{key} is missing"
        raise StockError(problem, do=f"It must be {rule.describe()}.")
    assert isinstance(value, (int, float))  # noqa: S101 - the rule has just said so; this tells the type checker
    return value


def _sheet(numbers: dict[str, float]) -> dict[str, float]:
    """Labels in rows and columns: the keys are the fields."""
    return numbers


def _round(numbers: dict[str, float]) -> dict[str, float]:
    """Circles in rows and columns: as broad as high."""
    diameter = numbers.pop("diameter_mm")
    return numbers | {"label_width_mm": diameter, "label_height_mm": diameter, "corner_mm": diameter / 2}


def _tape(numbers: dict[str, float]) -> dict[str, float]:
    """One label a page, as long as its text needs."""
    width, longest = numbers.pop("tape_width_mm"), numbers.pop("longest_mm")
    if longest < numbers["shortest_mm"]:
        raise StockError(
            f"longest_mm is {longest:g}", do=f"It must be at least shortest_mm, {numbers['shortest_mm']:g}."
        )
    return numbers | _single(longest, width)


def _flag(numbers: dict[str, float]) -> dict[str, float]:
    """One label a page, of two faces with a wrap between them."""
    width = numbers["label_width_mm"]
    if width - numbers["wrap_mm"] < 2 * _SIDE.low:
        raise StockError(
            f"wrap_mm is {numbers['wrap_mm']:g}",
            do=f"It must leave two faces of {_SIDE.low:g} mm on a flag of {width:g} mm.",
        )
    return numbers | _single(width, numbers["label_height_mm"])


def _single(width: float, height: float) -> dict[str, float]:
    """Return the fields of a page that is one label."""
    return {
        "label_width_mm": width,
        "label_height_mm": height,
        "page_width_mm": width,
        "page_height_mm": height,
        "pitch_x_mm": width,
        "pitch_y_mm": height,
    }


_SHAPES = {"sheet": _sheet, "round": _round, "tape": _tape, "flag": _flag}


def _check_page(fields: Mapping[str, Any]) -> None:
    """Refuse labels that overlap, leave the page, or have no room inside their rim.

    Raises:
        StockError: They do; the text says which, in mm.
    """
    for axis, count, first, page, label in (
        ("x", "columns", "left_mm", "page_width_mm", "label_width_mm"),
        ("y", "rows", "top_mm", "page_height_mm", "label_height_mm"),
    ):
        pitch, size, many = fields[f"pitch_{axis}_mm"], fields[label], fields.get(count, 1)
        if many > 1 and pitch < size - _SLACK_MM:
            raise StockError(
                f"pitch_{axis}_mm is {pitch:g}", do=f"It must be at least {size:g}, or labels overlap."
            )
        end = fields.get(first, 0.0) + (many - 1) * pitch + size
        if end > fields[page] + _SLACK_MM:
            raise StockError(
                f"{count} × pitch_{axis}_mm end at {end:g} mm",
                do=f"They must end within {page}, {fields[page]:g}.",
            )
        if size - 2 * fields["clear_mm"] < _SIDE.low / 2:
            raise StockError(
                f"clear_mm is {fields['clear_mm']:g}",
                do=f"It must leave {_SIDE.low / 2:g} mm of a label of {size:g} mm.",
            )
