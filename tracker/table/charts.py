"""Pictures of results: a measurement as its method draws it, results with means, curves over each other.

What a line of a curve means is the method's business: its picture is asked for, and its lines are taken over
with their strokes and marks, such as the dashed end of a creep curve at one decade. Colour is ours: it tells
materials, conditions and orientations apart. Nothing here loads matplotlib before something is drawn.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy.orm import Session

from tracker.api import Piece, Readings
from tracker.book import Book
from tracker.desk.measuring import computed, readings_of
from tracker.desk.method_inputs import piece_of
from tracker.errors import Refused
from tracker.ids import measurement_id
from tracker.kinds import find
from tracker.lazy_modules import lazy
from tracker.model import Measurement
from tracker.plugins import Computation, Plugged
from tracker.table.cells import Cell
from tracker.table.results import Column
from tracker.table.summary import CAUTION, SummaryTable, TableRow

if TYPE_CHECKING:
    from matplotlib import figure as mpl_figure
else:
    mpl_figure = lazy("matplotlib.figure")

_INK: Final = "#26323a"
_POINT: Final = "#8a6d1f"
_MEAN: Final = "#1f5f7a"
_FORMS: Final = ("svg", "png")
_TOWARDS: Final = {">": ">", "<": "<"}
"""Marks of limits: arrow heads towards where the value lies."""


def chart(table: SummaryTable, quantities: Sequence[str], form: str = "svg") -> bytes:
    """Return a picture of quantities: a panel each, a line for each cell of the table.

    Every result is a point, a limit an open arrow head; the bar is the 95 % interval of the mean, which holds
    for the material and not for its plates alone; the stroke is the mean.

    Args:
        table: From :func:`tracker.table.summary_table`.
        quantities: Panels, in order.
        form: ``svg`` or ``png``.

    Raises:
        ValueError: An unknown form.
    """
    if form not in _FORMS:
        raise ValueError(form)
    # Matplotlib takes half a second to load; only pictures need it.

    panels = [_lines(table, quantity) for quantity in quantities]
    height = 1.2 + sum(0.6 + 0.34 * max(1, len(panel)) for panel in panels)
    figure = mpl_figure.Figure(figsize=(9.0, height), layout="constrained")
    axes = figure.subplots(
        len(panels), 1, squeeze=False, height_ratios=[max(1, len(p)) + 1.5 for p in panels]
    )
    for axis, quantity, panel in zip(axes[:, 0], quantities, panels, strict=True):
        _draw(axis, table.heading(quantity), panel)
    figure.supxlabel(table.caution.partition(". ")[0] + ".", fontsize="x-small", color=_INK)
    return rendered(figure, form)


def rendered(figure: Any, form: str) -> bytes:
    """Return a figure as bytes; equal figures give equal bytes."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format=form, dpi=130, metadata={"Date": None} if form == "svg" else None)
    return buffer.getvalue()


def _lines(table: SummaryTable, quantity: str) -> list[tuple[str, Cell]]:
    found = []
    for row in table.rows:
        for column, each in row.cells.items():
            if column.quantity == quantity and (each.values or each.limits):
                found.append((_name(row, column), each))
    return found


def _name(row: TableRow, column: Column) -> str:
    """Return what tells a line of a picture from the others."""
    return " · ".join(part for part in (row.material, row.words, column.orientation, column.group) if part)


def _draw(axis: Any, title: str, panel: Sequence[tuple[str, Cell]]) -> None:
    # Without it the first bar's edge would lie on the frame and hide its points.
    axis.use_sticky_edges = False
    axis.set_title(title, loc="left", fontsize="medium", color=_INK)
    for place, (_, each) in enumerate(panel):
        if each.low is not None and each.high is not None and not each.uninformative:
            axis.barh(place, each.high - each.low, left=each.low, height=0.55, color=_MEAN, alpha=0.22)
        axis.plot(each.values, [place] * len(each.values), "o", color=_POINT, markersize=4, alpha=0.8)
        for text in each.limits:
            _draw_limit(axis, place, text)
        if each.mean is not None:
            axis.plot([each.mean, each.mean], [place - 0.3, place + 0.3], color=_MEAN, linewidth=2)
    axis.set_yticks(
        range(len(panel)), [f"{name}  ({_count(each)})" for name, each in panel], fontsize="small"
    )
    # A line of which nothing is drawn keeps its room all the same.
    axis.set_ylim(len(panel) - 0.4, -0.6)
    axis.tick_params(colors=_INK, labelsize="small")
    axis.grid(axis="x", color="#d5d8d6", linewidth=0.6)
    for side in ("top", "right", "left"):
        axis.spines[side].set_visible(False)


def method_picture(book: Book, plugged: Plugged, target: str, form: str = "svg") -> bytes:
    """Return what a measurement's method draws of its readings.

    Args:
        book: Read only.
        plugged: The methods.
        target: ID of the measurement.
        form: ``svg`` or ``png``.

    Raises:
        IdError: The text is no ID.
        Refused: There is no such measurement, it has no readings, its method is gone or draws nothing.
    """
    with book.read() as session:
        row: Measurement = find(book, session, target, "measurement")
        picture = stored_picture(book, plugged, row, form)
    if picture is None:
        fault = plugged.faults[-1] if plugged.faults else f"{row.method} draws nothing of these readings"
        raise Refused(f"{measurement_id(row.id)} has no picture", why=fault)
    return picture


def stored_picture(book: Book, plugged: Plugged, row: Measurement, form: str = "svg") -> bytes | None:
    """Return the picture of a stored measurement; None where its method draws none.

    Raises:
        Refused: It has no readings, or its method or a file is gone.
    """
    readings, piece, computation = taken(book, plugged, row)
    return plugged.figure(row.method, readings, piece, computation.outcomes, form)


def taken(book: Book, plugged: Plugged, row: Measurement) -> tuple[Readings, Piece, Computation]:
    """Return a stored measurement's readings, what it was done on, and what its method makes of it today.

    Raises:
        Refused: It has no readings, or its method or a file is gone.
    """
    if row.readings is None:
        raise Refused(
            f"{measurement_id(row.id)} has no readings to draw", why="its numbers came without them"
        )
    readings = readings_of(book, plugged, row)
    subject = row.specimen if row.specimen is not None else row.spool
    piece = piece_of(subject) if subject is not None else Piece()
    return readings, piece, computed(plugged, readings, row)


@contextmanager
def stored(book: Book, numbers: list[int]) -> Iterator[Iterator[Measurement]]:
    """Give measurements by their numbers, read one after another."""
    with book.read() as session:
        yield _each(session, numbers)


def _each(session: Session, numbers: list[int]) -> Iterator[Measurement]:
    for number in numbers:
        yield session.get_one(Measurement, number)
        # Each brings its piece, files and results along; a long list need not be held at once.
        session.expunge_all()


_COLOURS: Final = (
    "#1f5f7a", "#c1440e", "#3a7d44", "#b8912a", "#7a3b69", "#26323a",
    "#58a6d6", "#e58f7b", "#8fbf6a", "#8c6046", "#b58fd0", "#8a8f98",
)  # fmt: skip
"""What the eye still tells apart in thin lines; as many groups fit into one picture."""

_FAINT: Final = "#8a8f98"
_MOST: Final = 400
"""Curves in one picture; more would be a grey field that takes minutes to draw."""
_LONG: Final = 45
"""Letters of a name beside which no second column fits."""

_POINTS: Final = 2000
"""Readings of a line that are drawn: more than there are dots across any screen or page."""


@dataclass(frozen=True)
class _Line:
    """A line of a method's picture.

    Attributes:
        x: Readings; one place for an upright line through the whole panel, which has no ``y``.
        y: Readings; one place for a level line, which has no ``x``.
        look: Stroke and mark.
        label: What the method calls it.
    """

    x: Sequence[float]
    y: Sequence[float]
    look: Mapping[str, Any]
    label: str


@dataclass
class _Panel:
    """Lines that share their axes: by group, and what the method calls them in all pieces.

    Attributes:
        groups: Name to the lines of its pieces, a list each.
        scales: Of x and y: ``linear`` or ``log``.
        from_zero: Whether the method lets x and y begin at zero.
    """

    title: str
    scales: tuple[str, str]
    from_zero: tuple[bool, bool]
    groups: dict[str, list[list[_Line]]] = field(default_factory=dict)


def curve_chart(book: Book, plugged: Plugged, table: SummaryTable, method: str, form: str = "svg") -> bytes:
    """Return the curves of all counted measurements of a table over each other.

    Args:
        book: Read only.
        plugged: The methods.
        table: Which pieces, and into which groups they fall.
        method: Id of the method whose pictures are laid over each other.
        form: ``svg`` or ``png``.

    Raises:
        Refused: No such method, its pictures hold no curves, or there are too many of them.
    """
    plugged.method(method)
    groups = _groups(table)
    for count, most, what in (
        (len(groups), _MOST, "curves"), (len(set(groups.values())), len(_COLOURS), "groups of pieces"),
    ):  # fmt: skip
        if count > most:
            raise Refused(
                f"{count} {what} are more than a picture can hold ({most})",
                do="Choose fewer with --where, as in --where material=X",
            )
    panels = _panels(book, plugged, method, groups)
    if not panels:
        raise Refused(
            f"No {method} measurement among these has a curve to draw",
            do="strandbook chart QUANTITY without --curves draws the results",
        )
    return rendered(_drawn(plugged.method(method).title, panels), form)


def _groups(table: SummaryTable) -> dict[int, str]:
    """Return the group of every counted measurement, by its number, in the order of the table."""
    found: dict[int, str] = {}
    for row in table.rows:
        for column, each in row.cells.items():
            found.update(dict.fromkeys(each.numbers, _name(row, column)))
    return found


def _count(each: Cell) -> str:
    """Return pieces, plates and limits of a line."""
    bare = each.limits.count("no value")
    limits = len(each.limits) - bare
    parts = [each.count_text() if each.n else "n 0"]
    parts += [f"{limits} limit{'s' * (limits > 1)}"] if limits else []
    parts += [f"{bare} without value"] if bare else []
    return ", ".join(parts)


def _draw_limit(axis: Any, place: int, text: str) -> None:
    """Draw a limit as an arrow head towards where the value lies; one without value is only counted."""
    relation, _, rest = text.partition(" ")
    if relation in _TOWARDS:
        value = float(rest.partition(" ")[0])
        axis.plot([value], [place], _TOWARDS[relation], color=_POINT, fillstyle="none", markersize=6)


def _panels(
    book: Book, plugged: Plugged, method: str, groups: Mapping[int, str]
) -> dict[tuple[str, str], _Panel]:
    """Gather lines by what is at their axes: stress over strain and force over time never mix."""
    panels: dict[tuple[str, str], _Panel] = {}
    with stored(book, list(groups)) as rows:
        for row in rows:
            if row.method != method or row.readings is None:
                continue
            readings, piece, computation = taken(book, plugged, row)
            figure = plugged.methods[method].method.figure(readings, piece, computation.outcomes)
            for axes in figure.axes if figure is not None else ():
                lines = list(_lines_of(axes))
                if lines:
                    _put(panels, axes, groups[row.id], lines)
    return panels


def _put(panels: dict[tuple[str, str], _Panel], axes: Any, group: str, lines: list[_Line]) -> None:
    key = (axes.get_xlabel(), axes.get_ylabel())
    scales, lows = (axes.get_xscale(), axes.get_yscale()), (axes.get_xlim()[0], axes.get_ylim()[0])
    panel = panels.setdefault(key, _Panel(axes.get_title(), scales, (lows[0] == 0, lows[1] == 0)))
    panel.groups.setdefault(group, []).append(lines)


def _lines_of(axes: Any) -> Iterator[_Line]:
    """Yield the lines of axes; what spans a whole panel, as a limit does, keeps its place alone."""
    for line in axes.get_lines():
        in_x, in_y = line.get_transform().contains_branch_seperately(axes.transData)
        x, y = list(line.get_xdata()), list(line.get_ydata())
        places = list(_thinned(len(x)))
        label = str(line.get_label())
        yield _Line(
            [x[i] for i in places] if in_x and in_y else x[:1] if in_x else (),
            [y[i] for i in places] if in_x and in_y else y[:1] if in_y else (),
            {"linestyle": line.get_linestyle(), "marker": line.get_marker(), "linewidth": 1.0},
            "" if label.startswith("_") else label,
        )


def _thinned(count: int) -> Iterator[int]:
    """Yield places of readings that are drawn; the last, where a piece broke, is always one of them."""
    step = max(1, count // _POINTS)
    yield from range(0, count, step)
    if count and (count - 1) % step:
        yield count - 1


def _drawn(title: str, panels: Mapping[tuple[str, str], _Panel]) -> Any:
    most = max(len(panel.groups) for panel in panels.values())
    figure = mpl_figure.Figure(figsize=(9.0, 0.4 + (4.4 + 0.2 * most) * len(panels)), layout="constrained")
    figure.suptitle(title, fontsize="large")
    figure.supxlabel(CAUTION.partition(". ")[0] + ".", fontsize="x-small")
    for axes, (labels, panel) in zip(
        figure.subplots(len(panels), 1, squeeze=False)[:, 0], panels.items(), strict=True
    ):
        _fill(axes, labels, panel)
    return figure


def _fill(axes: Any, labels: tuple[str, str], panel: _Panel) -> None:
    axes.set(xlabel=labels[0], ylabel=labels[1], xscale=panel.scales[0], yscale=panel.scales[1])
    axes.set_title(panel.title, loc="left", fontsize="medium")
    axes.grid(visible=True, color="#e3e5e8", linewidth=0.6)
    axes.spines[["top", "right"]].set_visible(False)
    for place, (name, pieces) in enumerate(panel.groups.items()):
        colour = _COLOURS[place % len(_COLOURS)]
        axes.plot([], [], color=colour, linewidth=3, label=f"{name}  ({_pieces(len(pieces))})")
        for line in (line for lines in pieces for line in lines):
            _put_line(axes, line, colour)
    for line in _called_alike(panel):
        axes.plot([], [], color=_FAINT, label=line.label, markersize=4, **line.look)
    if panel.from_zero[0]:
        axes.set_xlim(left=0)
    if panel.from_zero[1]:
        axes.set_ylim(bottom=0)
    columns = 1 if max(map(len, panel.groups)) > _LONG else 2
    axes.legend(
        frameon=False, fontsize="small", loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=columns
    )


def _put_line(axes: Any, line: _Line, colour: str) -> None:
    if line.x and line.y:
        axes.plot(line.x, line.y, color=colour, markersize=4, alpha=0.85, **line.look)
    elif line.x:
        axes.axvline(line.x[0], color=colour, linewidth=0.7, linestyle=":")
    elif line.y:
        axes.axhline(line.y[0], color=colour, linewidth=0.7, linestyle=":")


def _pieces(count: int) -> str:
    return "1 piece" if count == 1 else f"{count} pieces"


def _called_alike(panel: _Panel) -> list[_Line]:
    """Return a line of each kind that is called the same in every piece: marks and strokes explained once."""
    pieces = [lines for members in panel.groups.values() for lines in members]
    common = set.intersection(*({line.label for line in lines} for lines in pieces))
    return [line for line in pieces[0] if line.label and line.label in common]
