"""The curve of a measurement as numbers to be drawn: as many points as a screen shows, extremes kept."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

from tracker.api import Recording, fields
from tracker.book import Book
from tracker.errors import Refused
from tracker.lazy_modules import lazy, np
from tracker.model import Measurement
from tracker.plugins import Plugged

if TYPE_CHECKING:
    from tracker import api
    from tracker.api import Curve
else:
    api = lazy("tracker.api")

POINTS: Final = 400
"""Points of a curve: about two for each pixel of a phone's width."""

Pair = tuple[float, float]


@dataclass(frozen=True)
class DrawnCurve:
    """A curve to be drawn.

    Attributes:
        of: ID of what it was measured on.
        x_title: Of the abscissa, with its unit.
        y_title: Of the ordinate, with its unit.
        points: Pairs in the order of the recording.
    """

    of: str
    x_title: str
    y_title: str
    points: tuple[Pair, ...]

    def as_json(self) -> dict[str, Any]:
        """Return it as plain JSON values."""
        return {"of": self.of, "x": self.x_title, "y": self.y_title, "points": self.points}


def curve_of(book: Book, plugged: Plugged, row: Measurement, subject: str) -> DrawnCurve | None:
    """Return the first recording of a measurement that is a force curve, thinned; None where none is.

    Args:
        book: For its attachments.
        plugged: Knows which readings are recordings.
        row: The measurement.
        subject: ID of what it was measured on.
    """
    method = plugged.methods.get(row.method)
    files = (
        {each.name for each in fields(method.method.Readings) if each.kind == "file"}
        if method is not None
        else set()
    )
    for each in row.files:
        if each.field in files or not files:
            try:
                return thinned_curve(Recording(each.name, book.files.get(each.sha256)), subject)
            except Refused:
                continue
    return None


def thinned_curve(recording: Recording, subject: str, most: int = POINTS) -> DrawnCurve:
    """Return a recording as a thinned curve.

    Raises:
        Refused: It is no force curve.
    """
    curve: Curve = api.read_curve(recording)
    if curve.strain is not None:
        x, title = curve.strain * 100.0, "strain [%]"
    elif curve.extension_mm is not None:
        x, title = curve.extension_mm, "extension [mm]"
    elif curve.time_s is not None:
        x, title = curve.time_s, "time [s]"
    else:
        raise Refused(f"{recording.name} holds force alone")
    return DrawnCurve(subject, title, "force [N]", thinned(x, curve.force_n, most))


def thinned(x: Any, y: Any, most: int) -> tuple[Pair, ...]:
    """Return about ``most`` points of a curve: of each part its first, lowest, highest and last one.

    Each fourth point would miss the peak, and the peak is what a pull is about.

    Args:
        x: Shape (n,).
        y: Shape (n,).
        most: At least 8.
    """
    count = len(y)
    if count <= most:
        kept = np.arange(count)
    else:
        edges = np.linspace(0, count, max(2, most // 4) + 1).astype(int)
        picked = {0, count - 1}
        for low, high in pairwise(edges):
            part = y[low:high]
            picked |= {low, high - 1, low + int(np.argmin(part)), low + int(np.argmax(part))}
        kept = np.array(sorted(picked))
    return tuple((float(f"{a:.6g}"), float(f"{b:.6g}")) for a, b in zip(x[kept], y[kept], strict=True))


_WIDE, _HIGH = 240.0, 48.0


def spark_svg(points: Any) -> str:
    """Return the path of a curve in small, for an SVG of 240 by 48; empty for less than two points."""
    if len(points) < 2:  # noqa: PLR2004 - a line needs two
        return ""
    xs, ys = [each[0] for each in points], [each[1] for each in points]
    wide, high = (max(xs) - min(xs)) or 1.0, (max(ys) - min(ys)) or 1.0
    at = (
        f"{2 + (x - min(xs)) / wide * (_WIDE - 4):.1f} {_HIGH - 2 - (y - min(ys)) / high * (_HIGH - 4):.1f}"
        for x, y in points
    )
    return "M" + "L".join(at)
