"""A spool's days as a few lines of text, for a terminal, a pipe or a message."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from typing import Final

from tracker.errors import Refused
from tracker.exposure.answers import WaterHistory
from tracker.exposure.spans import Timeline, Whereabouts

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
    lines = [_dates(days.began, days.until, width), _line("place", _places(days, columns))]
    if days.jobs:
        lines.append(_line("jobs", _jobs(days, columns)))
    bars = _DIGITS if ascii_only else _BARS
    if history is not None and len(history.centre_pct):
        lines.extend(_water(history, columns, bars))
    if mass_left:
        lines.append(_line("left", _curve(columns, mass_left, (0.0, max(g for _, g in mass_left)), bars)))
    return "\n".join([*lines, *_legend(days, history, mass_left, width)])


def _columns(began: datetime, until: datetime, count: int) -> list[tuple[datetime, datetime]]:
    """Return the beginning and end of each column."""
    share = (until - began) / count
    return [(began + i * share, began + (i + 1) * share) for i in range(count)]


def _line(label: str, body: str) -> str:
    """Return a line with its label."""
    return f"{label:<{_LABEL}}{body}".rstrip()


def _dates(began: datetime, until: datetime, width: int) -> str:
    """Return the line with the first and last day."""
    first, last = f"{began:%Y-%m-%d}", f"{until:%Y-%m-%d}"
    return f"{'UTC':<{_LABEL}}{first}{last:>{width - _LABEL - len(first)}}"


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


def _legend(
    days: Timeline,
    history: WaterHistory | None,
    mass_left: Sequence[tuple[datetime, float]],
    width: int,
) -> Iterator[str]:
    """Give the lines that say what the letters and scales are."""
    return _in_lines([*_letters(days), *_scales(history, mass_left)], width)


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
