"""The picture of an answer: every point of both groups, and a forest of shares."""

from __future__ import annotations

import io
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tracker.why.parts import Findings, Span
from tracker.why.words import number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_INK = "#1b1f24"
_A, _B, _QUIET = "#1f6f8b", "#c2571a", "#8a9099"
_LONGEST_NAME = 26


@dataclass(frozen=True)
class _Line:
    """One line of the forest: its name, its interval, how it is drawn."""

    name: str
    span: Span | None
    colour: str
    bracket: int | None


def draw(found: Findings, form: str) -> bytes:
    """Return the picture as ``"svg"`` or ``"png"`` bytes; matplotlib is loaded only here."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: PLC0415 - slow to load
    from matplotlib.figure import Figure  # noqa: PLC0415

    lines = _lines(found)
    height = max(3.2, 1.6 + 0.36 * len(lines))
    # A bare Figure instead of pyplot: no global state, no window system, safe in a server's threads.
    figure = Figure(figsize=(10 if lines else 5, height), layout="constrained")
    FigureCanvasAgg(figure)
    if lines:
        points, forest = figure.subplots(1, 2, width_ratios=(1, 1.9))
        _draw_forest(forest, found, lines)
    else:
        points = figure.subplots()
    _draw_points(points, found)
    figure.suptitle(_title(found), fontsize=11, color=_INK)
    out = io.BytesIO()
    # Without dates and random names the same answer gives the same file, and published pages do
    # not change when nothing has. Text stays text, so that it can be searched and read aloud.
    import matplotlib as mpl  # noqa: PLC0415 - slow to load

    with mpl.rc_context({"svg.hashsalt": "strandbook", "svg.fonttype": "none"}):
        figure.savefig(out, format=form, dpi=144, metadata={"Date": None} if form == "svg" else None)
    return out.getvalue()


def _title(found: Findings) -> str:
    verdict = "a difference is shown" if found.difference.claimed else "no difference shown beyond noise"
    return f"{found.problem.question.quantity}: {verdict}"


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
    axes.set_ylabel(_with_unit(found.problem.question.quantity, found.problem.question.unit))
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
    lines += [_Line(s.words, s.span, _colour(s.span), None) for s in found.shares[:20] if s.span]
    if found.shares:
        lines.append(_Line("left over", found.remainder, _QUIET, None))
    return lines


def _colour(span: Span) -> str:
    return _B if span.excludes_zero else _QUIET


def _draw_forest(axes: Axes, found: Findings, lines: list[_Line]) -> None:
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
    axes.set_xlabel(_with_unit("share of the difference, 95 % interval", unit))
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


def caption(found: Findings) -> str:
    """Return one line that says in words what the picture shows, for those who cannot see it."""
    step = found.difference
    means = " and ".join(
        f"{label} {number(side.mean)}" if side.mean is not None else label
        for label, side in ((found.problem.label_a, step.a), (found.problem.label_b, step.b))
    )
    return f"{_title(found)}; means {means} {found.problem.question.unit}".rstrip() + "."
