"""A spool's days as they are shown: where it was, when it was dried and used, what is left, its water."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tracker.book import Book
from tracker.errors import Refused
from tracker.history import MassLeft, SpoolDays, mass_left, spool_days, water_at, water_at_many
from tracker.kinds import find
from tracker.lazy_modules import lazy

if TYPE_CHECKING:
    from tracker import exposure
    from tracker.exposure import Water, WaterHistory
else:
    exposure = lazy("tracker.exposure")

_MOMENTS = 200
"""Points of the chart: more than a terminal has columns, few enough to be quick."""


@dataclass(frozen=True)
class SpoolStory:
    """A spool's days, ready to be drawn.

    Attributes:
        days: Where it was when.
        water: Now; None where nothing is recorded of its days.
        history: Water over the days.
        left: Filament left.
    """

    days: SpoolDays
    water: Water | None
    history: WaterHistory | None
    left: MassLeft

    def text(self, width: int) -> str:
        """Return the days as text of so many columns."""
        return exposure.days_text(self.days.timeline, self.history, self.points, width=width)

    def picture(self, form: str) -> bytes:
        """Return the days as a picture, ``svg`` or ``png``.

        Raises:
            Refused: There is no such form, or nothing is recorded.
        """
        if form not in ("svg", "png"):
            raise Refused(f"Days cannot be drawn as {form!r}", do="Name a file that ends in .svg or .png")
        draw = exposure.days_svg if form == "svg" else exposure.days_png
        return draw(self.days.timeline, self.history, self.points, title=f"The days of {self.days.spool}")

    @property
    def points(self) -> Sequence[tuple[dt.datetime, float]]:
        """Filament left, within the days: what was on the label before the first record stands at it."""
        began = self.days.timeline.began
        if began is None:
            return ()
        earlier = [grams for at, grams in self.left.points if at < began]
        later = [(at, grams) for at, grams in self.left.points if at >= began]
        return [(began, earlier[-1]), *later] if earlier else later

    def sentences(self) -> list[str]:
        """Return what stands under the chart: mass left and water, each with how it is known."""
        left = self.left
        if left.left_g is None:
            said = [f"Left: not known ({left.how})."]
        else:
            off = f" ± {left.u_g:.0f}" if left.u_g else ""
            said = [f"Left: {left.left_g:.1f}{off} g ({left.how})."]
        if self.water is not None:
            said += [self.water.sentence, *self.water.sentences]
        return said

    def as_json(self) -> dict[str, Any]:
        """Return it as plain JSON values."""
        water = self.water
        return {
            "left_g": self.left.left_g, "left_u_g": self.left.u_g, "left_how": self.left.how,
            "mass_left": [{"at": at.isoformat(), "g": grams} for at, grams in self.left.points],
            "water": None if water is None else {
                "pct": water.centre_pct, "low_pct": water.low_pct, "high_pct": water.high_pct,
                "grade": water.grade, "statement": water.sentence, "assumed": list(water.sentences),
                "open_air_h": water.exposure.hours, "unlogged_h": water.exposure.hours_unlogged,
                "since": water.exposure.since,
            },
            "days": [
                {"place": each.place, "began": each.began.isoformat(), "ended": each.ended.isoformat()}
                for each in self.days.timeline.segments
            ],
        }  # fmt: skip


def spool_story(book: Book, spool: str) -> SpoolStory:
    """Return a spool's days up to now.

    Raises:
        Refused: There is no such spool, or its records cannot all be true.
    """
    with book.read() as session:
        row = find(book, session, spool, "spool")
        now = book.clock()
        days, left = spool_days(session, row, now), mass_left(session, row, now, book.zone)
    began = days.timeline.began
    if began is None or began >= now:
        return SpoolStory(days, None, None, left)
    step = (now - began) / _MOMENTS
    moments = [*(began + step * number for number in range(_MOMENTS)), now]
    return SpoolStory(days, water_at(days, now), water_at_many(days, moments), left)
