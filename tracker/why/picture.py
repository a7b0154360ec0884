"""Pictures: every point of both groups beside their shares, the lineage with what changed lit, charts."""

from __future__ import annotations

import io
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tracker.lazy_modules import lazy
from tracker.why.effects import STATIONS, arrows, station_of
from tracker.why.findings import Findings, Span
from tracker.why.watch import PlateChart, Watch
from tracker.why.words import number

if TYPE_CHECKING:
    import matplotlib as mpl
    from matplotlib import figure as mpl_figure
    from matplotlib import patches
    from matplotlib.axes import Axes
    from matplotlib.backends import backend_agg
    from matplotlib.figure import Figure
else:
    backend_agg = lazy("matplotlib.backends.backend_agg")
    mpl_figure = lazy("matplotlib.figure")
    mpl = lazy("matplotlib")
    patches = lazy("matplotlib.patches")


_INK = "#1b1f24"
_A, _B, _QUIET = "#1f6f8b", "#c2571a", "#8a9099"
_LONGEST_NAME, _HIGHEST_NAME = 26, 36


@dataclass(frozen=True)
class _Line:
    """One line of the forest: its name, its interval, how it is drawn."""

    name: str
    span: Span | None
    colour: str
    bracket: int | None


_NARROW_IN, _POINTS_IN = 3.7, 3.0


def draw(found: Findings, form: str, *, narrow: bool = False) -> bytes:
    """Return the picture as ``"svg"`` or ``"png"`` bytes; matplotlib is loaded only here.

    Args:
        found: What is drawn.
        form: Of the file.
        narrow: For a phone: the two halves below each other, as wide as letters of its size allow.
    """
    lines = _lines(found)
    height = max(3.2, 1.6 + 0.36 * len(lines))
    wide = 10.0 if lines else 5.0
    if narrow:
        wide, height = _NARROW_IN, _POINTS_IN + (height if lines else 0)
    # A bare Figure instead of pyplot: no global state, no window system, safe in a server's threads.
    figure = mpl_figure.Figure(figsize=(wide, height), layout="constrained")
    backend_agg.FigureCanvasAgg(figure)
    if not lines:
        points = figure.subplots()
    elif narrow:
        # Figures of their own: the room that the forest's names take is none of the points'.
        halves = figure.subfigures(2, 1, squeeze=False, height_ratios=(_POINTS_IN, height - _POINTS_IN))
        points, forest = (half.subplots() for half in halves[:, 0])
    else:
        points, forest = figure.subplots(1, 2, width_ratios=(1, 1.9))
    if lines:
        _draw_forest(forest, found, lines, narrow=narrow)
    _draw_points(points, found)
    title = _title(found)
    figure.suptitle(textwrap.fill(title, 40) if narrow else title, fontsize=11, color=_INK)
    return _saved(figure, form)


def _saved(figure: Figure, form: str) -> bytes:
    """Return a figure as a file, the same bytes for the same figure."""
    out = io.BytesIO()
    # Without dates and random names the same answer gives the same file, and published pages do
    # not change when nothing has. Text stays text, so that it can be searched and read aloud.
    with mpl.rc_context({"svg.hashsalt": "strandbook", "svg.fonttype": "none"}):
        figure.savefig(out, format=form, dpi=144, metadata={"Date": None} if form == "svg" else None)
    drawn = out.getvalue()
    # Styles of an element yield only to what is marked important; text without one is black.
    return drawn.replace(b"</defs>", f"<style>{_IN_THE_DARK}</style></defs>".encode(), 1)


_DARK = {
    "#ffffff": "#251f18", "#fff4ec": "#43291a", "#000000": "#f3e9d8", _INK: "#f3e9d8", _A: "#79c2cf",
    _B: "#f0a35e", _QUIET: "#98a0a8", "#5b6169": "#c3b5a0", "#b7bdc4": "#6b6356", "#e3e6ea": "#3c342a",
}  # fmt: skip
"""Each colour of the drawing with the one that takes its place where a dark page shows it."""

_IN_THE_DARK = (
    "@media (prefers-color-scheme: dark) { text { fill: #f3e9d8; } "
    + " ".join(
        f'[style*="{part}: {light}"] {{ {part}: {dark} !important; }}'
        for light, dark in _DARK.items()
        for part in ("fill", "stroke")
    )
    + " }"
)


def _title(found: Findings) -> str:
    verdict = "a difference is shown" if found.difference.claimed else "no difference shown beyond noise"
    return f"{found.problem.question.called}: {verdict}"


def _draw_points(axes: Axes, found: Findings) -> None:
    step = found.difference
    for place, (side, colour) in enumerate(((step.a, _A), (step.b, _B))):
        plates = sorted({plate for _, plate in side.values})
        for index, plate in enumerate(plates):
            values = [value for value, of in side.values if of == plate]
            # Plates side by side: pieces of one plate are not independent, and it should be seen.
            at = place + (index - (len(plates) - 1) / 2) * min(0.5 / len(plates), 0.12)
            axes.plot(_jitter(at, len(values)), values, "o", color=colour, alpha=0.75, markersize=5.5, mew=0)
        if side.mean is not None:
            axes.plot([place - 0.32, place + 0.32], [side.mean] * 2, color=_INK, lw=1.6)
    labels = [
        f"{_folded(label)}\n{side.n} on {side.plates} plate{'s' * (side.plates != 1)}"
        for label, side in ((found.problem.label_a, step.a), (found.problem.label_b, step.b))
    ]
    axes.set_xticks([0, 1], labels)
    axes.set_xlim(-0.6, 1.6)
    title = _with_unit(found.problem.question.called, found.problem.question.unit)
    axes.set_ylabel(textwrap.fill(title, _HIGHEST_NAME))
    _quieten(axes)


def _jitter(at: float, count: int) -> list[float]:
    """Spread points of one plate sideways by a fixed pattern, so that none hides another."""
    return [at + 0.035 * ((i % 5) - 2) / 2 for i in range(count)]


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST_NAME else text[: _LONGEST_NAME - 1] + "…"


def _folded(label: str) -> str:
    """Break a label into short lines, so that the two beside each other do not meet."""
    return "\n".join(textwrap.wrap(label, 16, max_lines=3, placeholder=" …"))


def _with_unit(name: str, unit: str) -> str:
    return f"{name} / {unit}" if unit else name


def _lines(found: Findings) -> list[_Line]:
    """Return the forest from top to bottom: the difference, groups, own shares, the rest."""
    if found.difference.span is None:
        return []
    words = {share.factor: share.words for share in found.shares}
    lines = [_Line("difference B - A".replace("-", "\N{MINUS SIGN}"), found.difference.span, _INK, None)]
    for index, group in enumerate(found.groups):
        lines += [_Line(words.get(name, name), None, _QUIET, index) for name in group.factors]
        lines.append(_Line("together", group.span, _colour(group.span), index))
    lines += [_Line(s.words, s.span, _colour(s.span), None) for s in found.shares if s.span]
    if found.together is not None:
        lines.append(_Line("factors acting together", found.together, _colour(found.together), None))
    if found.unrecorded is not None:
        lines.append(_Line("something not recorded", found.unrecorded, _colour(found.unrecorded), None))
    if found.luck is not None:
        lines.append(_Line("luck of plates and pieces", found.luck, _QUIET, None))
    return lines


def _colour(span: Span) -> str:
    return _B if span.excludes_zero else _QUIET


def _draw_forest(axes: Axes, found: Findings, lines: list[_Line], *, narrow: bool) -> None:
    relative = found.difference.span is not None and found.difference.span.relative is not None
    for place, line in enumerate(lines):
        if line.span is not None:
            middle, low, high = _shown(line.span, relative=relative)
            axes.plot([low, high], [place, place], color=line.colour, lw=2.2, solid_capstyle="round")
            axes.plot([middle], [place], "o", color=line.colour, markersize=6.5)
    # Zero is what every interval is read against.
    axes.axvline(0, color=_INK, lw=0.8)
    axes.set_yticks(range(len(lines)), [_short(line.name) for line in lines])
    axes.set_ylim(len(lines) - 0.4, -0.6)
    unit = "%" if relative else found.problem.question.unit
    between = "\n" if narrow else " "
    axes.set_xlabel(_with_unit(f"share of the difference,{between}95 % interval", unit))
    _quieten(axes)
    _draw_brackets(axes, lines)


def _shown(span: Span, *, relative: bool) -> tuple[float, float, float]:
    if relative and span.relative is not None:
        return 100 * span.relative, 100 * (span.relative_low or 0.0), 100 * (span.relative_high or 0.0)
    return span.delta, span.low, span.high


def _draw_brackets(axes: Axes, lines: list[_Line]) -> None:
    """Bracket the members of each group at the right edge."""
    at: Any = axes.get_yaxis_transform()
    for index in sorted({line.bracket for line in lines if line.bracket is not None}):
        places = [i for i, line in enumerate(lines) if line.bracket == index]
        top, bottom = places[0] - 0.3, places[-1] + 0.3
        axes.plot(
            [0.985, 1, 1, 0.985], [top, top, bottom, bottom], color=_INK, lw=1.2, transform=at, clip_on=False
        )
        axes.annotate(
            "cannot be\ntold apart",
            (1.015, (top + bottom) / 2),
            xycoords=at,
            va="center",
            fontsize=8,
            color=_INK,
        )


def _quieten(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(colors=_INK, labelsize=9)
    axes.grid(axis="both", color="#e3e6ea", lw=0.6)
    axes.set_axisbelow(True)


_BOX_HEIGHT, _BOX_WIDTH, _STEP = 0.72, 1.86, 2.3


def draw_graph(found: Findings) -> bytes:
    """Return the lineage as SVG: a column for each station, what changed lit, an arrow for what follows.

    Drawn are the recorded factors that differ, with their levels; those not known to differ, with a broken
    edge; and equal ones that an arrow joins to one of them. The other equal ones are counted.
    """
    places = _places(found)
    tallest = max((y for _, y in places.values()), default=0) + 1
    columns = len(STATIONS)
    figure = mpl_figure.Figure(figsize=(columns * _STEP, 0.9 + 0.62 * tallest), layout="constrained")
    backend_agg.FigureCanvasAgg(figure)
    axes = figure.subplots()
    for i, (title, _) in enumerate(STATIONS):
        axes.text(i * _STEP, 0.75, title, ha="center", va="bottom", fontsize=10, color=_INK, weight="bold")
    for station, (x, y) in _not_drawn(found, places).items():
        axes.text(x, -y + 0.15, station, ha="center", va="top", fontsize=7, color=_QUIET)
    for cause, effect in arrows(places):
        _draw_arrow(axes, places[cause], places[effect], lit=_lit(found, cause) and _lit(found, effect))
    for name, place in places.items():
        _draw_node(axes, found, name, place)
    axes.set_xlim(-_STEP / 2, (columns - 0.5) * _STEP)
    axes.set_ylim(-tallest, 1.3)
    axes.axis("off")
    return _saved(figure, "svg")


def _places(found: Findings) -> dict[str, tuple[float, float]]:
    """Return the middle of each factor's box: station across, order down (as a positive number)."""
    open_ = [item.factor.name for item in (*found.differed, *found.unknown)]
    joined = {
        name for pair in arrows([*open_, *found.scope.equal]) if set(pair) & set(open_) for name in pair
    }
    names = [*open_, *(name for name in found.scope.equal if name in joined)]
    stations = [title for title, _ in STATIONS]
    order = {name: i for i, name in enumerate(name for _, members in STATIONS for name in members)}
    counts = dict.fromkeys(stations, 0)
    places = {}
    for name in sorted(
        dict.fromkeys(names), key=lambda name: (not _lit(found, name), order.get(name, len(order)))
    ):
        station = station_of(name)
        places[name] = (stations.index(station) * _STEP, float(counts[station]))
        counts[station] += 1
    return places


def _not_drawn(found: Findings, places: dict[str, tuple[float, float]]) -> dict[str, tuple[float, float]]:
    """Return for each station how many equal factors are not drawn, in words, and where to say so."""
    lowest = {title: -1.0 for title, _ in STATIONS}
    for name, (_, y) in places.items():
        lowest[station_of(name)] = max(lowest[station_of(name)], y)
    labels = {}
    for i, (title, _) in enumerate(STATIONS):
        count = sum(name not in places and station_of(name) == title for name in found.scope.equal)
        if count:
            labels[f"{count} equal" + " " * i] = (i * _STEP, lowest[title] + 0.7)
    return labels


def _lit(found: Findings, name: str) -> bool:
    return any(item.factor.name == name for item in found.differed)


def _draw_node(axes: Axes, found: Findings, name: str, place: tuple[float, float]) -> None:
    x, y = place
    labels = {factor.name: factor.words for factor in found.problem.factors}
    changed = next((item for item in found.differed if item.factor.name == name), None)
    unknown = any(item.factor.name == name for item in found.unknown)
    edge = _B if changed else _QUIET
    axes.add_patch(
        patches.FancyBboxPatch(
            (x - _BOX_WIDTH / 2, -y - _BOX_HEIGHT / 2), _BOX_WIDTH, _BOX_HEIGHT,
            boxstyle="round,pad=0.02,rounding_size=0.08", facecolor="#fff4ec" if changed else "#ffffff",
            edgecolor=edge, linewidth=1.8 if changed else 0.9, linestyle="--" if unknown else "-",
        )
    )  # fmt: skip
    words = "\n".join(textwrap.wrap(labels.get(name, name), 27, max_lines=2, placeholder=" …"))
    if changed is not None:
        words = _short(labels.get(name, name))
        a, b = (_short(number(v) if isinstance(v, float) else str(v)) for v in (changed.a, changed.b))
        words += f"\n{a[:13]} → {b[:13]} {changed.factor.unit}".rstrip()
    axes.text(x, -y, words, ha="center", va="center", fontsize=7, color=_INK if changed else "#5b6169")


def _draw_arrow(axes: Axes, start: tuple[float, float], end: tuple[float, float], *, lit: bool) -> None:
    same = start[0] == end[0]
    side = _BOX_WIDTH / 2
    here = (start[0] + side, -start[1]) if start[0] <= end[0] else (start[0] - side, -start[1])
    there = (
        (end[0] + side, -end[1]) if same else (end[0] - side if start[0] < end[0] else end[0] + side, -end[1])
    )
    bend = "arc3,rad=-0.5" if same and start[1] < end[1] else "arc3,rad=0.5" if same else "arc3,rad=0"
    axes.annotate(
        "", there, here, arrowprops={
            "arrowstyle": "-|>", "color": _B if lit else "#b7bdc4", "lw": 1.6 if lit else 0.8,
            "connectionstyle": bend,
        },
    )  # fmt: skip


def draw_watch(found: Watch) -> bytes:
    """Return the charts of a watch as SVG: each material's plates in order of time, limits, steps shown."""
    shown = [signal for signal in found.signals if signal.shown]

    def has_line(chart: PlateChart, *kinds: str) -> bool:
        return any(s.kind in kinds and s.text.startswith(f"{chart.material}: ") for s in shown)

    # Of hundreds of materials those that a line is about, first.
    charts = sorted(found.charts, key=lambda chart: not has_line(chart, "plate", "since", "trend"))[
        :_MOST_CHARTS
    ]
    figure = mpl_figure.Figure(figsize=(10, max(2.4, 2.2 * len(charts))), layout="constrained")
    backend_agg.FigureCanvasAgg(figure)
    for axes, chart in zip(
        figure.subplots(max(len(charts), 1), 1, squeeze=False)[:, 0], charts, strict=False
    ):
        stepped = has_line(chart, "since")
        _draw_chart(axes, chart, fraction=found.fraction, unit=found.question.unit, stepped=stepped)
    left = len(found.charts) - len(charts)
    more = f" ({left} more materials are not drawn)" if left else ""
    figure.suptitle(f"{found.question.called}{more}", fontsize=11, color=_INK)
    return _saved(figure, "svg")


_MOST_CHARTS = 12


def _draw_chart(axes: Axes, chart: PlateChart, *, fraction: bool, unit: str, stepped: bool) -> None:
    size = 100.0 if fraction else 1.0
    values = [size * value for value in chart.residuals]
    at = list(range(len(values)))
    axes.plot(at, values, "o-", color=_A, lw=0.8, markersize=4)
    for limit in (chart.individuals.low, chart.individuals.high):
        axes.axhline(size * limit, color=_QUIET, lw=1, ls="--")
    axes.axhline(0, color=_INK, lw=0.8)
    for plate in chart.beyond:
        place = chart.plates.index(plate)
        axes.plot([place], [values[place]], "o", color=_B, markersize=7)
        axes.annotate(plate, (place, values[place]), textcoords="offset points", xytext=(5, 5), fontsize=8)
    # A step is drawn where its line stands, and only there.
    if chart.since is not None and stepped:
        axes.axvline(chart.plates.index(chart.since.plate) - 0.5, color=_B, lw=1.4)
    every = max(len(at) // 12, 1)
    axes.set_xticks(at[::every], list(chart.plates[::every]), rotation=30, ha="right")
    axes.set_ylabel("%" if fraction else unit)
    axes.set_title(chart.material, fontsize=9, color=_INK, loc="left")
    _quieten(axes)
