"""Pictures of a site, drawn as SVG by ourselves: light, and the same bytes every time.

A picture is one of two: a strip of results (every point, mean and interval, what was set aside as hollow
marks) or curves over each other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape

_WIDTH: Final = 900
_NAMES: Final = 340
_ROW: Final = 26
_TOP: Final = 34
_FOOT: Final = 34
_STYLE: Final = (
    "<style>text{font:12px system-ui,sans-serif;fill:#22303a}.f{fill:#66727b}"
    ".g{stroke:#dcdfdd;stroke-width:1}"
    ".p{fill:#a8620b}.h{fill:none;stroke:#a8620b;stroke-width:1.3}.m{stroke:#0f5c66;stroke-width:2.4}"
    ".i{fill:#0f5c66;opacity:.2}.c{fill:none;stroke-width:1.4;stroke-linejoin:round}.t{font-weight:600}"
    "@media(prefers-color-scheme:dark){text{fill:#dde4e2}.f{fill:#9aa6ac}.g{stroke:#39454b}.p{fill:#e0a050}"
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


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return round numbers from below ``low`` to above ``high``: steps of 1, 2 or 5 times a power of ten."""
    if not high > low:
        high, low = low + (abs(low) or 1.0) * 0.5, low - (abs(low) or 1.0) * 0.5
    raw = (high - low) / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= raw * 0.999)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [number * step for number in range(first, last + 1)]


def strips(title: str, lines: Sequence[Strip]) -> str:
    """Return a picture of groups of results, one line each, over one scale, from zero where that is near."""
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
    height = _TOP + _ROW * len(lines) + _FOOT
    left, right = _NAMES, _WIDTH - 150

    def place(value: float) -> float:
        return left + (value - scale[0]) / (scale[-1] - scale[0]) * (right - left)

    parts = [*_begun(title, height)]
    bottom = _TOP + _ROW * len(lines)
    for tick in scale:
        parts.append(f"<path class='g' d='M{place(tick):.1f} {_TOP}V{bottom}'/>")
        parts.append(_words(place(tick), bottom + 16, f"{tick:.6g}", "middle", "f"))
    for number, each in enumerate(lines):
        parts += _strip(each, _TOP + _ROW * number + _ROW / 2, place, right)
    return "".join([*parts, "</svg>\n"])


def _strip(each: Strip, y: float, place: object, right: float) -> Iterator[str]:
    at = place if callable(place) else float
    yield _words(0, y + 4, _short(each.name, 52))
    if each.low is not None and each.high is not None:
        width = max(at(each.high) - at(each.low), 0.5)
        yield f"<rect class='i' x='{at(each.low):.1f}' y='{y - 8:.1f}' width='{width:.1f}' height='16'/>"
    yield from (f"<circle class='p' cx='{at(v):.1f}' cy='{y:.1f}' r='3'/>" for v in each.values)
    yield from (f"<circle class='h' cx='{at(v):.1f}' cy='{y:.1f}' r='3.2'/>" for v in each.aside)
    for value in each.limits:
        yield f"<path class='h' d='M{at(value) - 4:.1f} {y + 3.5:.1f}h8l-4 -7z'/>"
    if each.mean is not None:
        yield f"<path class='m' d='M{at(each.mean):.1f} {y - 9:.1f}v18'/>"
    yield _words(right + 14, y + 4, each.note, kind="f")


def curves(title: str, axes: tuple[str, str], drawn: Sequence[Curve], groups: Sequence[str] = ()) -> str:
    """Return a picture of curves over each other; groups are told apart by colour and named below."""
    xs, ys = [x for each in drawn for x in each.x], [y for each in drawn for y in each.y]
    across, up = (ticks(_from(each), max(each)) for each in (xs, ys))
    left, right, top, bottom = 64, _WIDTH - 14, _TOP + 14, 380

    def x_of(value: float) -> float:
        return left + (value - across[0]) / (across[-1] - across[0]) * (right - left)

    def y_of(value: float) -> float:
        return bottom - (value - up[0]) / (up[-1] - up[0]) * (bottom - top)

    parts = [*_begun(title, bottom + 44 + 18 * len(groups))]
    for tick in across:
        parts.append(f"<path class='g' d='M{x_of(tick):.1f} {top}V{bottom}'/>")
        parts.append(_words(x_of(tick), bottom + 15, f"{tick:.6g}", "middle", "f"))
    for tick in up:
        parts.append(f"<path class='g' d='M{left} {y_of(tick):.1f}H{right}'/>")
        parts.append(_words(left - 6, y_of(tick) + 4, f"{tick:.6g}", "end", "f"))
    for each in drawn:
        colour = COLOURS[each.group % len(COLOURS)]
        points = " ".join(f"{x_of(x):.1f},{y_of(y):.1f}" for x, y in _thinned(each))
        parts.append(f"<polyline class='c' stroke='{colour}' points='{points}'/>")
    parts.append(_words(right, bottom + 32, axes[0], "end", "f"))
    parts.append(_words(left, top - 6, axes[1], kind="f"))
    for number, name in enumerate(groups):
        y = bottom + 44 + 18 * number
        parts.append(
            f"<rect x='{left}' y='{y - 8}' width='18' height='4' fill='{COLOURS[number % len(COLOURS)]}'/>"
        )
        parts.append(_words(left + 26, y, name))
    return "".join([*parts, "</svg>\n"])


def _from(values: Sequence[float]) -> float:
    """Return where a scale begins: at zero, unless values reach well below it."""
    low, high = min(values), max(values)
    return low if low < -0.02 * (high - low) else 0.0


_MOST: Final = 240


def _thinned(each: Curve) -> Iterator[tuple[float, float]]:
    """Yield the places of a curve that the eye can tell apart: of each stretch its least and its greatest."""
    count = min(len(each.x), len(each.y))
    if count <= _MOST:
        yield from zip(each.x[:count], each.y[:count], strict=True)
        return
    step = math.ceil(2 * count / _MOST)
    for start in range(0, count, step):
        some = range(start, min(start + step, count))
        kept = {min(some, key=each.y.__getitem__), max(some, key=each.y.__getitem__)}
        kept |= {0} & set(some) | {count - 1} & set(some)
        yield from ((each.x[i], each.y[i]) for i in sorted(kept))


def _begun(title: str, height: float) -> Iterator[str]:
    yield (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {_WIDTH} {height:.0f}' width='{_WIDTH}' "
        f"height='{height:.0f}' role='img'><title>{escape(_clean(title))}</title>{_STYLE}"
    )
    yield _words(0, 14, title, kind="t")


def _words(x: float, y: float, text: str, anchor: str = "start", kind: str = "") -> str:
    side = "" if anchor == "start" else f" text-anchor='{anchor}'"
    look = f" class='{kind}'" if kind else ""
    return f"<text x='{x:.1f}' y='{y:.1f}'{side}{look}>{escape(_clean(text))}</text>"


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _clean(text: str) -> str:
    """Leave out what XML 1.0 cannot hold."""
    return "".join(each for each in text if each >= " " and each not in "\ufffe\uffff")
