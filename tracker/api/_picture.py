"""One look for the pictures of all methods."""

from __future__ import annotations

from typing import Any

INK, RESULT, FAINT = "#1f3a5f", "#c1440e", "#8a8f98"


def picture(title: str, *labels: tuple[str, str]) -> tuple[Any, Any]:
    """Return a figure and its axes, side by side, one for each pair of axis labels.

    Made without pyplot, so that it may be drawn in any thread and nothing stays behind.

    Args:
        title: Above all axes.
        labels: (x, y) of each axes, with units: ``("time / s", "force / N")``.
    """
    from matplotlib.figure import Figure  # noqa: PLC0415 - heavy to load

    figure = Figure(figsize=(6.4 if len(labels) == 1 else 9.6, 4.0), layout="constrained")
    figure.suptitle(title, fontsize=11)
    axes = [figure.add_subplot(1, len(labels), number + 1) for number in range(len(labels))]
    for each, (x, y) in zip(axes, labels, strict=True):
        each.set_xlabel(x)
        each.set_ylabel(y)
        each.grid(visible=True, color="#e3e5e8", linewidth=0.6)
        each.spines[["top", "right"]].set_visible(False)
    return figure, axes[0] if len(axes) == 1 else axes
