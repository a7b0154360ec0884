"""Pictures of a site, drawn as SVG by ourselves: light, and the same bytes every time.

A picture is one of two: a strip of results (every point, mean and interval, what was set aside as hollow
marks) or curves over each other.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final
from xml.sax.saxutils import escape

_WIDTH: Final = 480
"""Narrow, so that words in it can still be read where a telephone shows it across its screen."""

_ROW: Final = 36
_TOP: Final = 26
_FOOT: Final = 24
_STYLE: Final = (
    "<style>text{font:12px system-ui,sans-serif;fill:#22303a}.f{fill:#66727b}"
    ".g{stroke:#dcdfdd;stroke-width:1}"
    ".p{stroke:#a8620b;stroke-width:6;stroke-linecap:round}.h{fill:none;stroke:#a8620b;stroke-width:1.3}.m{stroke:#0f5c66;stroke-width:2.4}"
    ".i{fill:#0f5c66;opacity:.2}.b{text-anchor:middle}.e{text-anchor:end}.c{fill:none;stroke-width:1.4;stroke-linejoin:round}.t{font-weight:600}"
    "@media(prefers-color-scheme:dark){text{fill:#dde4e2}.f{fill:#9aa6ac}.g{stroke:#39454b}.p{stroke:#e0a050}"
    ".h{stroke:#e0a050}.m{stroke:#6fc3cc}.i{fill:#6fc3cc}}</style>"
)
COLOURS: Final = ("#0f5c66", "#a8620b", "#5a4a8a", "#3f7a3a", "#a33b4a", "#4a5560", "#2f7fb5", "#8a7a20")


@dataclass(frozen=True)
class Strip:
    """One line of a strip: results of one group.

    Attributes:
        name: Of the group.
        values: Single results that count.
        aside: Results that were set aside.
        mean: Of those that count.
        low: Lower end of the mean's 95 % interval.
        high: Upper end.
        limits: Values that the truth lies above or below.
        note: Beside the line: ``n 5 on 2 plates, 1 of 8 failed``.
    """

    name: str
    values: Sequence[float]
    aside: Sequence[float] = ()
    mean: float | None = None
    low: float | None = None
    high: float | None = None
    note: str = ""
    limits: Sequence[float] = ()


@dataclass(frozen=True)
class Curve:
    """One curve: places, and the colour of its group."""

    x: Sequence[float]
    y: Sequence[float]
    group: int = 0


_MOST_STEPS: Final = 6
"""Steps of a scale: more would crowd a phone."""


def ticks(low: float, high: float) -> list[float]:
    """Return round numbers from below ``low`` to above ``high``: steps of 1, 2 or 5 times a power of ten."""
    if not high > low:
        high, low = low + (abs(low) or 1.0) * 0.5, low - (abs(low) or 1.0) * 0.5
    raw = (high - low) / _MOST_STEPS
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= raw * 0.999)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [number * step for number in range(first, last + 1)]


def strips(title: str, lines: Sequence[Strip]) -> str:
    """Return a picture of groups of results over one scale, from zero where that is near.

    Each group has its name and note in one line, and its results below them.
    """
    every = [
        v
        for each in lines
        for v in (*each.values, *each.aside, *each.limits, each.low, each.high)
        if v is not None
    ]
    low, high = min(every, default=0.0), max(every, default=1.0)
    if 0 < low < 0.5 * high:
        low = 0.0
    scale = ticks(low, high)
    left, right, bottom = 14, _WIDTH - 14, _TOP + _ROW * len(lines)

    def place(value: float) -> float:
        return left + (value - scale[0]) / (scale[-1] - scale[0]) * (right - left)

    parts = [*_begun(title, bottom + _FOOT)]
    ruled = "".join(f"M{place(tick):.0f} {_TOP}V{bottom}" for tick in scale)
    parts.append(f"<path class='g' d='{ruled}'/>")
    parts += [_words(place(tick), bottom + 15, f"{tick:.6g}", "middle", "f") for tick in scale]
    for number, each in enumerate(lines):
        parts += _strip(each, _TOP + _ROW * number, place)
    return "".join([*parts, "</svg>\n"])


def _strip(each: Strip, top: float, at: Callable[[float], float]) -> Iterator[str]:
    y = top + 25
    yield _words(0, top + 12, _short(each.name, 76 - len(each.note)))
    yield _words(_WIDTH, top + 12, each.note, "end", "f")
    if each.low is not None and each.high is not None:
        width = max(at(each.high) - at(each.low), 0.5)
        yield f"<rect class='i' x='{at(each.low):.1f}' y='{y - 7}' width='{width:.1f}' height='14'/>"
    if each.values:
        # A line of no length with a round end is a dot: the shortest that SVG can say.
        dots = "".join(f"M{at(v):.1f} {y}h0" for v in each.values)
        yield f"<path class='p' d='{dots}'/>"
    yield from (f"<circle class='h' cx='{at(v):.1f}' cy='{y}' r='3.2'/>" for v in each.aside)
    for value in each.limits:
        yield f"<path class='h' d='M{at(value) - 4:.1f} {y + 3.5}h8l-4 -7z'/>"
    if each.mean is not None:
        yield f"<path class='m' d='M{at(each.mean):.1f} {y - 8}v16'/>"


def curves(
    title: str,
    axes: tuple[str, str],
    drawn: Sequence[Curve],
    groups: Sequence[str] = (),
    *,
    alone: bool = True,
) -> str:
    """Return a picture of curves over each other; groups are told apart by colour and named below.

    Args:
        title: Above it.
        axes: What is at x and y, with units.
        drawn: The curves.
        groups: Names of the groups.
        alone: It is a file of its own; else it is within a page, whose style it takes.
    """
    xs, ys = [x for each in drawn for x in each.x], [y for each in drawn for y in each.y]
    across, up = (ticks(_from(each), max(each)) for each in (xs, ys))
    left, right, top, bottom = 46, _WIDTH - 12, 34 if alone else 20, 252

    def x_of(value: float) -> float:
        return left + (value - across[0]) / (across[-1] - across[0]) * (right - left)

    def y_of(value: float) -> float:
        return bottom - (value - up[0]) / (up[-1] - up[0]) * (bottom - top)

    height = bottom + 36 + 18 * len(groups)
    parts = [*_begun(title, height, alone=alone)]
    ruled = "".join(f"M{x_of(tick):.0f} {top}V{bottom}" for tick in across)
    ruled += "".join(f"M{left} {y_of(tick):.0f}H{right}" for tick in up)
    parts.append(f"<path class='g' d='{ruled}'/>")
    parts += [_words(x_of(tick), bottom + 14, f"{tick:.6g}", "middle", "f") for tick in across]
    parts += [_words(left - 5, y_of(tick) + 4, f"{tick:.6g}", "end", "f") for tick in up]
    for each in drawn:
        thin = thinned(each)
        points = [(x_of(x), y_of(y)) for x, y in zip(thin.x, thin.y, strict=True)]
        parts.append(f"<path class='c' stroke='{COLOURS[each.group % len(COLOURS)]}' d='{_path(points)}'/>")
    parts.append(_words(right, bottom + 29, axes[0], "end", "f"))
    parts.append(_words(left, top - 6, axes[1], kind="f"))
    for number, name in enumerate(groups):
        y = bottom + 40 + 18 * number
        colour = COLOURS[number % len(COLOURS)]
        parts.append(f"<rect x='{left}' y='{y - 7}' width='18' height='4' fill='{colour}'/>")
        parts.append(_words(left + 26, y, name))
    return "".join([*parts, "</svg>\n"])


def _path(points: Sequence[tuple[float, float]]) -> str:
    """Return a line through points as SVG's path data: whole fifths of a unit, each from the one before."""
    whole = [(round(5 * x), round(5 * y)) for x, y in points]
    steps = [(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(whole)]
    moves = " ".join(f"{x / 5:g} {y / 5:g}" for x, y in steps if (x, y) != (0, 0))
    return f"M{whole[0][0] / 5:g} {whole[0][1] / 5:g}l{moves}".replace(" -", "-")


def _from(values: Sequence[float]) -> float:
    """Return where a scale begins: at zero, unless values reach well below it."""
    low, high = min(values), max(values)
    return low if low < -0.02 * (high - low) else 0.0


_MOST: Final = 60
"""Places of a curve in a picture."""


def thinned(each: Curve) -> Curve:
    """Return the places of a curve that the eye can tell apart: least and greatest of each stretch."""
    count = min(len(each.x), len(each.y))
    if count <= _MOST:
        return each
    kept = {0, count - 1}
    step = math.ceil(2 * count / (_MOST - 2))
    for start in range(0, count, step):
        some = range(start, min(start + step, count))
        kept |= {min(some, key=each.y.__getitem__), max(some, key=each.y.__getitem__)}
    places = sorted(kept)
    return Curve([each.x[i] for i in places], [each.y[i] for i in places], each.group)


def _begun(title: str, height: float, *, alone: bool = True) -> Iterator[str]:
    """Yield the beginning; a picture within a page takes its size, style and title from there."""
    name = escape(_clean(title), {"'": "&apos;"})
    if not alone:
        yield f"<svg class='curve' viewBox='0 0 {_WIDTH} {height:.0f}' role='img' aria-label='{name}'>"
        return
    yield (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {_WIDTH} {height:.0f}' width='{_WIDTH}' "
        f"height='{height:.0f}' role='img'><title>{name}</title>{_STYLE}"
    )
    yield _words(0, 14, title, kind="t")


def _words(x: float, y: float, text: str, anchor: str = "start", kind: str = "") -> str:
    if not text:
        return ""
    look = f"{kind} {_ANCHORS[anchor]}".strip()
    css = f" class='{look}'" if look else ""
    return f"<text x='{x:.0f}' y='{y:.0f}'{css}>{escape(_clean(text))}</text>"


_ANCHORS: Final = {"start": "", "middle": "b", "end": "e"}
"""Classes of words by what of them is at the place named."""


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _clean(text: str) -> str:
    """Leave out what XML 1.0 cannot hold."""
    return "".join(each for each in text if each >= " " and each not in "\ufffe\uffff")
