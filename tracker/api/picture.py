"""One look for the pictures of all methods."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any, Final

from tracker.api.uncertainty import budget, nominal
from tracker.lazy_modules import lazy

if TYPE_CHECKING:
    from matplotlib import figure as mpl_figure
else:
    mpl_figure = lazy("matplotlib.figure")

_MOST_BARS = 8

INK, RESULT, FAINT = "#1f3a5f", "#c1440e", "#8a8f98"


class LinesAlone:
    """A figure, or its axes, that keeps the lines drawn on it and lets everything else pass.

    Attributes:
        axes: Of a figure, its axes.
        labels: Of axes, what is at x and y.
        lines: Of axes, x and y of every line in the order drawn; values as they were given.
    """

    def __init__(self, *axes: LinesAlone, labels: tuple[str, str] = ("", "")) -> None:
        self.axes = axes
        self.labels = labels
        self.lines: list[tuple[Any, Any]] = []

    def plot(self, x: Any, y: Any, *_: Any, **__: Any) -> LinesAlone:
        """Keep a line."""
        self.lines.append((x, y))
        return self

    def __getattr__(self, name: str) -> Any:
        return self

    def __call__(self, *_: Any, **__: Any) -> LinesAlone:
        """Take whatever else is drawn, labelled or set."""
        return self

    def __iter__(self) -> Iterator[LinesAlone]:
        yield self

    def __getitem__(self, _: object) -> LinesAlone:
        return self


_LINES_ALONE: Final[ContextVar[bool]] = ContextVar("lines alone", default=False)


@contextmanager
def lines_alone() -> Iterator[None]:
    """Let :func:`picture` give :class:`LinesAlone` in the context, far less work than a real figure."""
    token = _LINES_ALONE.set(True)
    try:
        yield
    finally:
        _LINES_ALONE.reset(token)


def picture(title: str, *labels: tuple[str, str]) -> tuple[Any, Any]:
    """Return a figure and its axes, side by side, one for each pair of axis labels.

    Made without pyplot, so that it may be drawn in any thread and nothing stays behind.

    Args:
        title: Above all axes.
        labels: (x, y) of each axes, with units: ``("time / s", "force / N")``.

    >>> figure, axes = picture("Pull", ("time / s", "force / N"))
    >>> axes.get_ylabel()
    'force / N'
    """
    if _LINES_ALONE.get():
        bare = [LinesAlone(labels=each) for each in labels]
        return LinesAlone(*bare), bare[0] if len(bare) == 1 else bare

    # Not pyplot: it keeps every figure in a global list until somebody closes it.
    figure = mpl_figure.Figure(figsize=(6.4 if len(labels) == 1 else 9.6, 4.0), layout="constrained")
    figure.suptitle(title, fontsize=11)
    axes = [figure.add_subplot(1, len(labels), number + 1) for number in range(len(labels))]
    for each, (x, y) in zip(axes, labels, strict=True):
        each.set_xlabel(x)
        each.set_ylabel(y)
        each.grid(visible=True, color="#e3e5e8", linewidth=0.6)
        each.set_axisbelow(True)
        each.spines[["top", "right"]].set_visible(False)
    return figure, axes[0] if len(axes) == 1 else axes


def budget_picture(title: str, outcomes: Iterable[Any], name: str) -> Any | None:
    """Draw where the uncertainty of one result comes from, for methods whose readings make no curve.

    Args:
        title: Above the picture.
        outcomes: The results as computed.
        name: The quantity to draw.

    Returns:
        A figure; None if that quantity has no value.

    >>> from tracker.api import Contribution, Outcome
    >>> parts = (Contribution("max_force: resolution", 0.2, 1.0),)
    >>> drawn = budget_picture("Shear", [Outcome("shear.strength", 31.2, budget=parts)], "shear.strength")
    >>> drawn.axes[0].get_xlabel()
    'share of the variance / %'
    """
    found = next((o for o in outcomes if o.quantity == name and o.value is not None), None)
    if found is None:
        return None
    parts = (found.budget or budget(found.value))[:_MOST_BARS]
    figure, axes = picture(f"{title}: {nominal(found.value):.4g}", ("share of the variance / %", ""))
    axes.barh([part.source for part in parts][::-1], [100 * part.share for part in parts][::-1], color=INK)
    axes.set_xlim(0, 100)
    if not parts:
        axes.set_title("nothing is known of its uncertainty", fontsize=9, color=FAINT)
    return figure
