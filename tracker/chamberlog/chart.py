"""Logs over the time of a job as a drawing: a panel a channel, stretches shaded, moments marked.

Each channel has a panel with a scale of its own: on one scale a nozzle at 260 °C would press the two
degrees by which a chamber wandered into one line.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final, Literal

from tracker.chamberlog.aligning import Aligned
from tracker.chamberlog.log import CHANNELS, Array, Channel, ChannelName
from tracker.lazy_modules import np

_WIDTH: Final = 480.0
_LEFT, _RIGHT, _TOP = 52.0, 12.0, 24.0
_PANEL: Final = 74.0
_BETWEEN: Final = 30.0
_BELOW: Final = 44.0
_BINS: Final = 300
"""Stretches of time of which the least and the greatest reading are drawn: more than there are pixels."""

_STEPS_S: Final = (
    10, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400, 172800,
)  # fmt: skip
_TICKS: Final = 6
_MINUTE_S: Final = 60
_STYLE: Final = """
svg { color-scheme: light dark; font: 14px system-ui, "DejaVu Sans", sans-serif; }
.paper { fill: #fffdf8; } text { fill: #1d2a33; } .soft { fill: #4c5a63; }
.frame { fill: none; stroke: #6b7780; }
.job { fill: #ece7da; } .piece { fill: #cfe0e6; } .gauge { fill: #7fb2c4; }
.trace { fill: none; stroke: #14323f; stroke-width: 1.8; stroke-linejoin: round; }
.start { stroke: #6d5110; stroke-width: 2; }
.broke { stroke: #9a1a1a; stroke-width: 2; stroke-dasharray: 5 3; }
@media (prefers-color-scheme: dark) {
.paper { fill: #1c2327; } text { fill: #ece8de; } .soft { fill: #b4bcbf; } .frame { stroke: #89959b; }
.job { fill: #2a3236; } .piece { fill: #2b4550; } .gauge { fill: #3f7286; }
.trace { stroke: #f3efe6; } .start { stroke: #e3c374; } .broke { stroke: #ffa294; } }
"""


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of the job's time to be shaded, in s after its start."""

    since_s: float
    until_s: float
    kind: Literal["job", "piece", "gauge"]


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment to be marked, in s after the job's start, with a word."""

    at_s: float
    word: str
    kind: Literal["start", "broke"] = "start"


def log_chart(
    logs: Sequence[Aligned], bands: Sequence[Band] = (), marks: Sequence[Mark] = (), title: str = ""
) -> str:
    """Draw logs over the time of their job as SVG, fit for a dark and a light page.

    Args:
        logs: Laid beside the job; at least one with a channel.
        bands: Shaded in this order, each over those before it.
        marks: Lines across all panels.
        title: For whoever cannot see it.
    """
    names = [name for name in CHANNELS if any(name in each.log.channels for each in logs)]
    scale = _Scale(*_extent(logs, bands, marks))
    height = _TOP + len(names) * (_PANEL + _BETWEEN) - _BETWEEN + _BELOW
    tops = [_TOP + number * (_PANEL + _BETWEEN) for number in range(len(names))]
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {height:g}" role="img">',
        f"<title>{escape(title)}</title><style>{_STYLE}</style>",
        f'<rect class="paper" width="{_WIDTH:g}" height="{height:g}"/>',
    ]
    for name, top in zip(names, tops, strict=True):
        parts += _panel(name, [each for each in logs if name in each.log.channels], top, scale, bands)
    parts += [part for mark in marks for part in _marked(mark, scale, tops)]
    parts += _time_axis(scale, tops[-1] + _PANEL if tops else _TOP)
    return "".join([*parts, "</svg>"])


class _Scale:
    """Turns seconds after the job's start into places from left to right."""

    def __init__(self, first: float, last: float) -> None:
        self.first, self.last = first, max(last, first + 1.0)
        self.factor = (_WIDTH - _LEFT - _RIGHT) / (self.last - self.first)

    def __call__(self, at_s: float) -> float:
        return _LEFT + (min(max(at_s, self.first), self.last) - self.first) * self.factor


def _extent(logs: Sequence[Aligned], bands: Sequence[Band], marks: Sequence[Mark]) -> tuple[float, float]:
    """Return from when to when is drawn: the logs, and whatever is shaded or marked."""
    edges = [edge for each in logs for edge in (each.offset_s, each.offset_s + each.log.length_s)]
    edges += [edge for band in bands for edge in (band.since_s, band.until_s)]
    edges += [mark.at_s for mark in marks]
    return (min(edges), max(edges)) if edges else (0.0, 1.0)


def _panel(
    name: ChannelName, logs: Sequence[Aligned], top: float, scale: _Scale, bands: Sequence[Band]
) -> Iterator[str]:
    """Draw a channel: shaded stretches, readings, frame, and the least and greatest value beside it."""
    values = [each.log.channels[name].values for each in logs if each.log.channels[name].values.size]
    low = min((float(each.min()) for each in values), default=0.0)
    high = max((float(each.max()) for each in values), default=1.0)
    for band in bands:
        left, right = scale(band.since_s), scale(band.until_s)
        # A layer of a second on a job of a day would be thinner than a hair, and is there all the same.
        yield (
            f'<rect class="{band.kind}" x="{left:.1f}" y="{top:g}" '
            f'width="{max(right - left, 0.6):.1f}" height="{_PANEL:g}"/>'
        )
    room = max((high - low) * 0.08, 0.5)
    base, factor = low - room, _PANEL / (high - low + 2 * room)
    for each in logs:
        for run in _runs(each.log.channels[name]):
            points = (
                f"{scale(t + each.offset_s):.1f},{top + _PANEL - (v - base) * factor:.1f}" for t, v in run
            )
            yield f'<polyline class="trace" points="{" ".join(points)}"/>'
    width = _WIDTH - _LEFT - _RIGHT
    yield f'<rect class="frame" x="{_LEFT:g}" y="{top:g}" width="{width:g}" height="{_PANEL:g}"/>'
    yield f'<text x="{_LEFT:g}" y="{top - 7:g}">{name} [{CHANNELS[name]}]</text>'
    for value in dict.fromkeys((low, high)):
        place = top + _PANEL - (value - base) * factor + 5
        yield f'<text class="soft" x="{_LEFT - 5:g}" y="{place:.1f}" text-anchor="end">{value:.4g}</text>'


def _runs(channel: Channel) -> Iterator[list[tuple[float, float]]]:
    """Give the readings in runs without a gap, thinned to what can be seen."""
    breaks = np.flatnonzero(np.diff(channel.t_s) > channel.gap_s) + 1
    size = max(1, -(-len(channel.t_s) // _BINS))
    pairs = zip(np.split(channel.t_s, breaks), np.split(channel.values, breaks), strict=True)
    for t_s, values in pairs:
        kept = _thinned(values, size)
        yield list(zip(t_s[kept].tolist(), values[kept].tolist(), strict=True))


def _thinned(values: Array, size: int) -> list[int]:
    """Return the places of the least and greatest of every ``size`` values, and of the first and last."""
    if size == 1 or not len(values):
        return list(range(len(values)))
    found = {0, len(values) - 1}
    for start in range(0, len(values), size):
        part = values[start : start + size]
        found |= {start + int(part.argmin()), start + int(part.argmax())}
    return sorted(found)


def _marked(mark: Mark, scale: _Scale, tops: Sequence[float]) -> Iterator[str]:
    x = scale(mark.at_s)
    for top in tops:
        yield f'<line class="{mark.kind}" x1="{x:.1f}" x2="{x:.1f}" y1="{top:g}" y2="{top + _PANEL:g}"/>'
    # Away from the edge that it stands at; channels' names stand at the left, so the words hang inside.
    anchor = "end" if x > _WIDTH * 0.6 else "start"
    shift = -5 if anchor == "end" else 5
    yield f'<text x="{x + shift:.1f}" y="{_TOP + 14:g}" text-anchor="{anchor}">{escape(mark.word)}</text>'


def _time_axis(scale: _Scale, bottom: float) -> Iterator[str]:
    length = scale.last - scale.first
    step = next((each for each in _STEPS_S if length / each <= _TICKS), int(length / _TICKS) + 1)
    for number in range(int(-(-scale.first // step)), int(scale.last // step) + 1):
        x = scale(number * step)
        words = _clock(number * step, short=step < _MINUTE_S)
        yield f'<line class="frame" x1="{x:.1f}" x2="{x:.1f}" y1="{bottom:g}" y2="{bottom + 5:g}"/>'
        yield f'<text class="soft" x="{x:.1f}" y="{bottom + 19:g}" text-anchor="middle">{words}</text>'
    unit = "min:s" if step < _MINUTE_S else "h:min"
    yield (
        f'<text class="soft" x="{_WIDTH - _RIGHT:g}" y="{bottom + 37:g}" text-anchor="end">'
        f"{unit} after the job's start</text>"
    )


def _clock(at_s: int, *, short: bool) -> str:
    """Write seconds as minutes and seconds, or as hours and minutes."""
    whole, part = divmod(abs(at_s) if short else abs(at_s) // _MINUTE_S, _MINUTE_S)
    return f"{'−' if at_s < 0 else ''}{whole}:{part:02d}"
