"""A spool's days as a picture: where it was, what was printed, what is left, how wet it may be."""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from datetime import datetime
from io import BytesIO
from typing import Any, Final

from tracker.errors import Refused
from tracker.exposure.answers import GRADES, WaterHistory
from tracker.exposure.spans import Timeline, Whereabouts

_ROWS: Final[tuple[Whereabouts, ...]] = ("unlogged", "open air", "printer", "dry box", "sealed bag", "dryer")
# Told apart by row, hatch and lightness as well as hue, so that a grey print still reads.
_LOOK: Final[dict[Whereabouts, tuple[str, str]]] = {
    "unlogged": ("#ffffff", "////"),
    "open air": ("#6aaed6", ""),
    "printer": ("#2b6da8", ""),
    "dry box": ("#c9b458", ""),
    "sealed bag": ("#d9d9d9", ""),
    "dryer": ("#c0392b", ""),
}
_STEADY: Final[dict[Any, Any]] = {"svg.hashsalt": "strandbook", "svg.fonttype": "none", "font.size": 9.0}


def days_svg(
    days: Timeline,
    history: WaterHistory | None = None,
    mass_left: Sequence[tuple[datetime, float]] = (),
    *,
    title: str = "",
) -> bytes:
    """Return the spool's days as SVG; arguments as for :func:`days_png`.

    Raises:
        Refused: Nothing is recorded of the spool.
    """
    return _drawn(days, history, mass_left, title, "svg")


def days_png(
    days: Timeline,
    history: WaterHistory | None = None,
    mass_left: Sequence[tuple[datetime, float]] = (),
    *,
    title: str = "",
) -> bytes:
    """Return the spool's days as PNG, 1200 pixels wide.

    Args:
        days: The spool's days.
        history: Water at several moments, drawn as a band with its middle; left out at grade D.
        mass_left: Moments with the filament left in g, in order.
        title: Above the picture.

    Raises:
        Refused: Nothing is recorded of the spool.
    """
    return _drawn(days, history, mass_left, title, "png")


def _drawn(
    days: Timeline,
    history: WaterHistory | None,
    mass_left: Sequence[tuple[datetime, float]],
    title: str,
    form: str,
) -> bytes:
    """Draw everything there is and return it in one form.

    Raises:
        Refused: Nothing is recorded of the spool.
    """
    if days.began is None:
        raise Refused("chart of a spool", why="nothing is recorded of it", do="Record a stay first.")
    # Matplotlib takes half a second to import: only who wants a picture waits for it. A bare Figure
    # needs no display and leaves no global state behind.
    from matplotlib import rc_context  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    # No axis for what is not known: an empty one would look like dry filament.
    wet = history is not None and len(history.centre_pct) > 0
    heights = [1.5] + [1.6] * wet + [0.9] * bool(mass_left)
    with rc_context(_STEADY):
        figure = Figure(figsize=(8.0, 0.7 + 1.15 * sum(heights)), layout="constrained")
        axes = figure.subplots(
            len(heights), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights}
        )[:, 0]
        _places(axes[0], days)
        if wet and history is not None:
            _water(axes[1], history)
        if mass_left:
            _mass(axes[-1], mass_left, days.until)
        _finish(figure, axes, days, title)
        out = BytesIO()
        # Without a date the same days give the same bytes.
        figure.savefig(out, format=form, dpi=150, metadata={"Date": None} if form == "svg" else None)
    return out.getvalue()


def _places(axis: Any, days: Timeline) -> None:
    """Draw a row for each place, and one for the jobs."""
    shown = [place for place in _ROWS if any(s.place == place for s in days.segments)]
    for row, place in enumerate(shown):
        colour, hatch = _LOOK[place]
        spans = [(s.began, s.ended - s.began) for s in days.segments if s.place == place]
        axis.broken_barh(
            spans, (row - 0.35, 0.7), facecolors=colour, edgecolor="#444444", linewidth=0.4, hatch=hatch
        )
    top = len(shown)
    for job in days.jobs:
        ended = job.ended or days.until
        axis.broken_barh([(job.began, ended - job.began)], (top - 0.3, 0.6), facecolors="#222222")
    labels = [*shown, "jobs"] if days.jobs else shown
    axis.set_yticks(range(len(labels)), labels)
    axis.set_ylim(-0.6, len(labels) - 0.4)


def _water(axis: Any, history: WaterHistory) -> None:
    """Draw the interval as a band with its middle."""
    times = list(history.times)
    axis.fill_between(
        times, history.low_pct, history.high_pct, color="#6aaed6", alpha=0.35, linewidth=0, label="interval"
    )
    axis.plot(times, history.centre_pct, color="#1f3b57", linewidth=1.2, label="middle estimate")
    axis.set_ylim(bottom=0.0)
    axis.set_ylabel("water, wt%")
    axis.legend(loc="lower left", bbox_to_anchor=(0.0, 0.98), fontsize=8, frameon=False, ncols=2)
    axis.set_title(f"grade {history.grade}: {GRADES[history.grade]}", fontsize=8, loc="right")


def _mass(axis: Any, mass_left: Sequence[tuple[datetime, float]], until: datetime) -> None:
    """Draw the filament left as steps."""
    times = [*(moment for moment, _ in mass_left), until]
    grams = [*(g for _, g in mass_left), mass_left[-1][1]]
    # Steps and no slope: filament leaves the spool while a job runs, and between jobs nothing changes.
    axis.step(times, grams, where="post", color="#222222", linewidth=1.2)
    axis.set_ylim(bottom=0.0)
    axis.set_ylabel("left, g")


def _finish(figure: Any, axes: Any, days: Timeline, title: str) -> None:
    """Draw the axis of time and the title."""
    dates: Any = importlib.import_module("matplotlib.dates")

    for axis in axes:
        axis.grid(axis="x", linewidth=0.4, color="#cccccc")
        axis.set_axisbelow(True)
        for side in ("top", "right"):
            axis.spines[side].set_visible(False)
    locator = dates.AutoDateLocator(tz="UTC")
    axes[-1].xaxis.set_major_locator(locator)
    axes[-1].xaxis.set_major_formatter(dates.ConciseDateFormatter(locator, tz="UTC"))
    axes[-1].set_xlim(days.began, days.until)
    axes[-1].set_xlabel("UTC")
    if title:
        figure.suptitle(title, x=0.01, ha="left", fontsize=11)
