"""A spool's days drawn: as a picture, and as a few lines of text for a terminal, a pipe or a message."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from io import BytesIO
from typing import TYPE_CHECKING, Any, Final

from tracker.errors import Refused
from tracker.exposure.days import Timeline, Whereabouts
from tracker.exposure.statement import GRADES, WaterHistory
from tracker.lazy_modules import lazy
from tracker.moments import local_day

if TYPE_CHECKING:
    import matplotlib as mpl
    from matplotlib import figure as mpl_figure
else:
    mpl = lazy("matplotlib")
    mpl_figure = lazy("matplotlib.figure")

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
        raise Refused(
            "chart of a spool", why="nothing is recorded of it", do="Record a storage period first."
        )
    # Matplotlib takes half a second to import: only who wants a picture waits for it. A bare Figure
    # needs no display and leaves no global state behind.

    # No axis for what is not known: an empty one would look like dry filament.
    wet = history is not None and len(history.centre_pct) > 0
    heights = [1.5] + [1.6] * wet + [0.9] * bool(mass_left)
    with mpl.rc_context(_STEADY):
        figure = mpl_figure.Figure(figsize=(8.0, 0.7 + 1.15 * sum(heights)), layout="constrained")
        axes = figure.subplots(
            len(heights), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights}
        )[:, 0]
        _draw_places(axes[0], days)
        if wet and history is not None:
            _draw_water(axes[1], history)
        if mass_left:
            _draw_mass(axes[-1], mass_left, days.until)
        _finish(figure, axes, days, title)
        out = BytesIO()
        # Without a date the same days give the same bytes.
        figure.savefig(out, format=form, dpi=150, metadata={"Date": None} if form == "svg" else None)
    return out.getvalue()


def _draw_places(axis: Any, days: Timeline) -> None:
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


def _draw_water(axis: Any, history: WaterHistory) -> None:
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


def _draw_mass(axis: Any, mass_left: Sequence[tuple[datetime, float]], until: datetime) -> None:
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
    locator = dates.AutoDateLocator(tz=days.zone)
    axes[-1].xaxis.set_major_locator(locator)
    axes[-1].xaxis.set_major_formatter(dates.ConciseDateFormatter(locator, tz=days.zone))
    axes[-1].set_xlim(days.began, days.until)
    axes[-1].set_xlabel(str(days.zone))
    if title:
        figure.suptitle(title, x=0.01, ha="left", fontsize=11)


LETTERS: Final[dict[Whereabouts, str]] = {
    "open air": "o",
    "sealed bag": "s",
    "dry box": "b",
    "printer": "p",
    "dryer": "D",
    "unlogged": "?",
}
"""The letter that stands for each place."""

_LABEL = 9
_NARROWEST = 30
_BARS = " ▁▂▃▄▅▆▇█"
_DIGITS = " 123456789"


def days_text(
    days: Timeline,
    history: WaterHistory | None = None,
    mass_left: Sequence[tuple[datetime, float]] = (),
    *,
    width: int = 76,
    ascii_only: bool = False,
) -> str:
    """Return the spool's days as text of at most ``width`` columns, without colour.

    One column is an equal share of the days. A place shows where most of that share was spent, except
    that a drying, however short, is never hidden.

    Args:
        days: The spool's days.
        history: Water at several moments; its lines are left out without it or at grade D.
        mass_left: Moments with the filament left in g, in order.
        width: Columns to use, at least 30.
        ascii_only: Digits 1 to 9 in place of block characters.

    Raises:
        Refused: Fewer than 30 columns.
    """
    if width < _NARROWEST:
        raise Refused(f"{width} columns", why=f"a spool's days need at least {_NARROWEST}")
    if days.began is None:
        return "nothing recorded yet"
    columns = _columns(days.began, days.until, width - _LABEL)
    lines = [_dates(days, days.began, width), _line("place", _places(days, columns))]
    if days.jobs:
        lines.append(_line("jobs", _jobs(days, columns)))
    bars = _DIGITS if ascii_only else _BARS
    if history is not None and len(history.centre_pct):
        lines.extend(_water(history, columns, bars))
    if mass_left:
        lines.append(_line("left", _curve(columns, mass_left, (0.0, max(g for _, g in mass_left)), bars)))
    return "\n".join([*lines, *_in_lines([*_letters(days), *_scales(history, mass_left)], width)])


def _columns(began: datetime, until: datetime, count: int) -> list[tuple[datetime, datetime]]:
    """Return the beginning and end of each column."""
    share = (until - began) / count
    return [(began + i * share, began + (i + 1) * share) for i in range(count)]


def _line(label: str, body: str) -> str:
    """Return a line with its label."""
    return f"{label:<{_LABEL}}{body}".rstrip()


def _dates(days: Timeline, began: datetime, width: int) -> str:
    """Return the line with the first and last day, in the bench's zone."""
    first, last = str(local_day(began, days.zone)), str(local_day(days.until, days.zone))
    return f"{'days':<{_LABEL}}{first}{last:>{width - _LABEL - len(first)}}"


def _places(days: Timeline, columns: Sequence[tuple[datetime, datetime]]) -> str:
    """Return a letter for each column."""
    found, at = [], 0
    for since, until in columns:
        while at + 1 < len(days.segments) and days.segments[at].ended <= since:
            at += 1
        spent: dict[Whereabouts, timedelta] = {}
        for segment in days.segments[at:]:
            if segment.began >= until:
                break
            shared = min(segment.ended, until) - max(segment.began, since)
            spent[segment.place] = spent.get(segment.place, timedelta(0)) + shared
        found.append("dryer" if "dryer" in spent else max(spent, key=lambda place: spent[place]))
    return "".join(LETTERS[place] for place in found)


def _jobs(days: Timeline, columns: Sequence[tuple[datetime, datetime]]) -> str:
    """Return the marks of the jobs."""
    spans = [(job.began, job.ended or days.until) for job in days.jobs]
    return "".join(
        "J" if any(b < until and e >= since for b, e in spans) else "." for since, until in columns
    )


def _water(history: WaterHistory, columns: Sequence[tuple[datetime, datetime]], bars: str) -> Iterator[str]:
    """Give the three lines of the water."""
    top = float(history.high_pct.max())
    for label, values in (
        ("water hi", history.high_pct),
        ("  centre", history.centre_pct),
        ("      lo", history.low_pct),
    ):
        pairs = list(zip(history.times, values.tolist(), strict=True))
        yield _line(label, _curve(columns, pairs, (0.0, top), bars))


def _curve(
    columns: Sequence[tuple[datetime, datetime]],
    pairs: Sequence[tuple[datetime, float]],
    scale: tuple[float, float],
    bars: str,
) -> str:
    """Return a bar for each column, blank before the first value."""
    drawn, at = [], -1
    rank = _rank(scale, len(bars) - 1)
    # The newest value up to the end of each column: a mean would smooth away the hours after a drying.
    for _, until in columns:
        while at + 1 < len(pairs) and pairs[at + 1][0] <= until:
            at += 1
        drawn.append(" " if at < 0 else bars[rank(pairs[at][1])])
    return "".join(drawn)


def _rank(scale: tuple[float, float], most: int) -> Callable[[float], int]:
    """Return what gives a value its bar."""
    low, high = scale
    # The lowest bar is kept for "almost nothing": a blank means that nothing is known.
    return lambda value: 1 + min(most - 1, int((value - low) / (high - low) * most)) if high > low else 1


def _letters(days: Timeline) -> Iterator[str]:
    """Give the letters that occur, each with its place."""
    seen = {segment.place for segment in days.segments}
    yield from (f"{letter} {place}" for place, letter in LETTERS.items() if place in seen)
    if days.jobs:
        yield "J job"


def _scales(history: WaterHistory | None, mass_left: Sequence[tuple[datetime, float]]) -> Iterator[str]:
    """Give the ranges of the curves."""
    if history is not None and len(history.centre_pct):
        yield f"water 0 to {float(history.high_pct.max()):.2g} wt%"
        yield f"grade {history.grade}"
    if mass_left:
        yield f"left 0 to {max(g for _, g in mass_left):.0f} g"


def _in_lines(words: Iterable[str], width: int) -> Iterator[str]:
    """Join words by commas into lines of at most ``width``; a word is never parted."""
    line = ""
    for word in words:
        if line and len(line) + 2 + len(word) > width:
            yield line
            line = ""
        line = f"{line}, {word}" if line else word
    yield line
