"""Means over spans of a job: over the layers of a gauge section, for example."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from numpy.typing import NDArray

from tracker.chamberlog.aligning import Aligned
from tracker.chamberlog.log import Array, ChannelName
from tracker.errors import Refused
from tracker.lazy_modules import np


@dataclass(frozen=True, slots=True)
class Stats:
    """A channel over spans of a job.

    Attributes:
        mean: Weighted by time, readings joined by straight lines; None where nothing is covered.
        low: Least value.
        high: Greatest value.
        readings: How many readings lie within the spans.
        covered: The part of the spans' length that the log covers, 0 to 1.
        unit: Unit of the values.
    """

    mean: float | None
    low: float | None
    high: float | None
    readings: int
    covered: float
    unit: str


def cut(aligned: Aligned, channel: ChannelName, spans: Sequence[tuple[float, float]]) -> Stats:
    """Return mean, least and greatest value of a channel over spans of a job.

    Spans that overlap count once. A gap in the log is not bridged; it lowers ``covered``.

    Args:
        aligned: A log laid beside the job.
        channel: Which quantity.
        spans: From and to in seconds after the job's start.

    Raises:
        Refused: The log has no such channel, or a span ends before it begins (or is no number).
    """
    found = aligned.log.channels.get(channel)
    if found is None:
        raise Refused(
            f"channel '{channel}'", why="the log has none", do=f"It has {', '.join(aligned.log.channels)}."
        )
    edges = _merged(spans)
    if not len(edges) or not len(found.t_s):
        return Stats(None, None, None, 0, 0.0, found.unit)
    curve = _Curve(found.t_s + aligned.offset_s, found.values, found.gap_s)
    length = float(np.sum(edges[:, 1] - edges[:, 0]))
    covered, integral = curve.between(edges)
    inside = curve.inside(edges)
    ends = curve.at(edges.ravel())
    # The ends too: a span shorter than a logger's step holds no reading, and yet the log says what it was.
    values = np.concatenate([found.values[inside], ends[~np.isnan(ends)]])
    return Stats(
        mean=integral / covered if covered > 0.0 else float(values.mean()) if values.size else None,
        low=float(values.min()) if values.size else None,
        high=float(values.max()) if values.size else None,
        readings=int(np.count_nonzero(inside)),
        covered=covered / length if length > 0.0 else float(values.size > 0),
        unit=found.unit,
    )


def _merged(spans: Sequence[tuple[float, float]]) -> Array:
    """Return the spans in order, those that overlap joined; shape (n, 2).

    Raises:
        Refused: A span ends before it begins.
    """
    merged: list[list[float]] = []
    for since, until in sorted(spans):
        if not until >= since:
            raise Refused(f"span {since:g} to {until:g} s", why="it ends before it begins")
        # Layers of a plate of many pieces overlap in time; counted twice they would weigh double.
        if merged and since <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], until)
        else:
            merged.append([since, until])
    return np.array(merged, dtype=float).reshape(-1, 2)


class _Curve:
    """Readings joined by straight lines, except across gaps, with running integrals."""

    def __init__(self, t_s: Array, values: Array, gap_s: float) -> None:
        self._t, self._v = t_s, values
        steps = np.diff(t_s)
        self._joined = steps <= gap_s
        # A gap counts as nothing, neither time nor value: a straight line across it would invent the hour
        # in which the logger was off.
        width = np.where(self._joined, steps, 0.0)
        self._time = np.concatenate([[0.0], np.cumsum(width)])
        self._area = np.concatenate([[0.0], np.cumsum(width * (values[1:] + values[:-1]) / 2.0)])

    def between(self, edges: Array) -> tuple[float, float]:
        """Return the length covered within the spans, and the integral over it."""
        time, area = self._until(edges)
        return float(np.sum(time[:, 1] - time[:, 0])), float(np.sum(area[:, 1] - area[:, 0]))

    def inside(self, edges: Array) -> NDArray[np.bool_]:
        """Say which readings lie within the spans."""
        place = np.searchsorted(edges[:, 0], self._t, side="right") - 1
        return np.asarray((place >= 0) & (self._t <= edges[np.maximum(place, 0), 1]))

    def at(self, moments: Array) -> Array:
        """Return the value at moments, NaN where the log does not cover them."""
        i, part, joined = self._place(moments)
        value = self._v[i] + part * (self._v[np.minimum(i + 1, len(self._v) - 1)] - self._v[i])
        exact = moments == self._t[i]
        outside = (moments < self._t[0]) | (moments > self._t[-1]) | ~(joined | exact)
        return np.where(outside, np.nan, np.where(exact, self._v[i], value))

    def _until(self, moments: Array) -> tuple[Array, Array]:
        """Return covered time and integral from the first reading up to moments."""
        i, part, joined = self._place(moments)
        nxt = np.minimum(i + 1, len(self._v) - 1)
        step = np.where(joined, part * (self._t[nxt] - self._t[i]), 0.0)
        value = self._v[i] + part * (self._v[nxt] - self._v[i])
        return self._time[i] + step, self._area[i] + step * (self._v[i] + value) / 2.0

    def _place(self, moments: Array) -> tuple[NDArray[np.intp], Array, NDArray[np.bool_]]:
        """Return the reading before each moment, the part of the way to the next, and if they are joined."""
        last = max(len(self._t) - 2, 0)
        i = np.clip(np.searchsorted(self._t, moments, side="right") - 1, 0, last)
        nxt = np.minimum(i + 1, len(self._t) - 1)
        width = self._t[nxt] - self._t[i]
        part = np.divide(moments - self._t[i], width, out=np.zeros(np.shape(moments)), where=width > 0.0)
        joined = np.append(self._joined, False)[i]
        return i, np.clip(part, 0.0, 1.0), joined
