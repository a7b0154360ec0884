"""Pictures of results: every single point with mean and interval; curves over each other."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any, Final

from tracker.table.cells import Cell
from tracker.table.summary import SummaryTable
from tracker.units import shown

_INK: Final = "#26323a"
_POINT: Final = "#8a6d1f"
_MEAN: Final = "#1f5f7a"
_FORMS: Final = ("svg", "png")


def chart(table: SummaryTable, quantities: Sequence[str], form: str = "svg") -> bytes:
    """Return a picture of quantities: a panel each, a line for each material, condition and way of lying.

    Every result is a point; the bar is the 95 % interval of the mean, the stroke the mean.

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
    from matplotlib.figure import Figure  # noqa: PLC0415 - see above

    panels = [_lines(table, quantity) for quantity in quantities]
    height = 1.2 + sum(0.6 + 0.34 * max(1, len(panel)) for panel in panels)
    figure = Figure(figsize=(9.0, height), layout="constrained")
    axes = figure.subplots(
        len(panels), 1, squeeze=False, height_ratios=[max(1, len(p)) + 1.5 for p in panels]
    )
    for axis, quantity, panel in zip(axes[:, 0], quantities, panels, strict=True):
        unit = shown(table.units.get(quantity, ""))
        _draw(axis, f"{quantity} [{unit}]" if unit else quantity, panel)
    figure.supxlabel(table.caution.partition(". ")[0] + ".", fontsize=7, color=_INK)
    return rendered(figure, form)


def rendered(figure: Any, form: str) -> bytes:
    """Return a figure as bytes; equal figures give equal bytes."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format=form, dpi=130, metadata={"Date": None} if form == "svg" else None)
    return buffer.getvalue()


def _lines(table: SummaryTable, quantity: str) -> list[tuple[str, Cell]]:
    found = []
    for row in table.rows:
        for (name, lie), each in row.cells.items():
            if name == quantity and each.values:
                found.append((" · ".join(part for part in (row.material, row.words, lie) if part), each))
    return found


def _draw(axis: Any, title: str, panel: Sequence[tuple[str, Cell]]) -> None:
    # Without it the first bar's edge would lie on the frame and hide its points.
    axis.use_sticky_edges = False
    axis.set_title(title, loc="left", fontsize=10, color=_INK)
    for place, (_, each) in enumerate(panel):
        if each.low is not None and each.high is not None and not each.uninformative:
            axis.barh(place, each.high - each.low, left=each.low, height=0.55, color=_MEAN, alpha=0.22)
        axis.plot(each.values, [place] * len(each.values), "o", color=_POINT, markersize=4, alpha=0.8)
        if each.mean is not None:
            axis.plot([each.mean, each.mean], [place - 0.3, place + 0.3], color=_MEAN, linewidth=2)
    axis.set_yticks(range(len(panel)), [f"{name}  (n {each.n})" for name, each in panel], fontsize=8)
    axis.invert_yaxis()
    axis.tick_params(colors=_INK, labelsize=8)
    axis.grid(axis="x", color="#d5d8d6", linewidth=0.6)
    for side in ("top", "right", "left"):
        axis.spines[side].set_visible(False)
