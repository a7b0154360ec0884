"""A spool's days as text and as a picture."""

from __future__ import annotations

import subprocess
import sys
from datetime import datetime
from io import BytesIO

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from tests.exposure.days import family, hour
from tracker.errors import Refused
from tracker.exposure import (
    Drying,
    JobUse,
    StoragePeriod,
    Timeline,
    WaterHistory,
    days_png,
    days_svg,
    days_text,
    timeline,
    water_history,
)

MASS = [(hour(0), 1000.0), (hour(650), 900.0)]


def the_days() -> Timeline:
    """Return a month of a spool with everything in it."""
    periods = [
        StoragePeriod("sealed bag", hour(0), hour(100)),
        StoragePeriod("open air", hour(100), hour(272), 23.0, 50.0),
        StoragePeriod("dry box", hour(272), hour(600), 23.0, 12.0),
        StoragePeriod("printer", hour(620), hour(660), 28.0, 40.0),
    ]
    return timeline(
        periods, [Drying(hour(600), hour(601), 80.0)], [JobUse(hour(642), hour(650), "J0001-X")], hour(700)
    )


def the_water(days: Timeline) -> WaterHistory:
    """Return the water over those days."""
    return water_history(days, [hour(h) for h in range(0, 701, 50)], family("PA6"), 1.75)


def rows(text: str) -> dict[str, str]:
    """Return the lines of the chart by their label."""
    return {line[:9].strip(): line[9:] for line in text.splitlines()}


def test_every_place_has_its_letter() -> None:
    """The line of places shows bag, air, box, dryer and printer in order."""
    seen = "".join(dict.fromkeys(rows(days_text(the_days()))["place"]))
    assert seen == "sobD?p"


def test_a_short_drying_is_never_hidden() -> None:
    """One hour of drying in a month still shows."""
    assert "D" in rows(days_text(the_days(), width=30))["place"]


def test_jobs_are_marked() -> None:
    """The job is under the printer."""
    found = rows(days_text(the_days()))
    assert found["jobs"].index("J") in range(found["place"].index("p"), len(found["place"]))


def test_water_has_three_lines() -> None:
    """Upper bound, middle and lower bound are drawn, and the scale and grade are said."""
    text = days_text(the_days(), the_water(the_days()))
    assert {"water hi", "centre", "lo"} <= set(rows(text))
    assert "grade C" in text
    assert "wt%" in text


def test_mass_left_is_drawn() -> None:
    """The filament left has its line and its scale."""
    assert "left 0 to 1000 g" in days_text(the_days(), mass_left=MASS)


def test_ascii_alone() -> None:
    """On request the chart has no letter beyond ASCII."""
    assert days_text(the_days(), the_water(the_days()), MASS, ascii_only=True).isascii()


@settings(deadline=None)
@given(st.integers(30, 200))
def test_no_line_is_wider_than_asked(width: int) -> None:
    """Every line fits the columns that were asked for, and none carries colour codes."""
    text = days_text(the_days(), None, MASS, width=width)
    assert max(map(len, text.splitlines())) <= width
    assert "\x1b" not in text


def test_too_narrow_is_refused() -> None:
    """Below 30 columns there is no chart."""
    with pytest.raises(Refused, match="20 columns"):
        days_text(the_days(), width=20)


def test_nothing_recorded() -> None:
    """A spool without records has a sentence in place of a chart, and no picture."""
    empty = timeline([], [], [], hour(1))
    assert days_text(empty) == "nothing recorded yet"
    with pytest.raises(Refused, match="nothing is recorded"):
        days_png(empty)


def test_an_unknown_family_has_no_water_lines() -> None:
    """At grade D there is no curve to draw."""
    days = the_days()
    assert "water" not in days_text(days, water_history(days, [hour(5)], None, 1.75))


@pytest.mark.parametrize("mass", [[], MASS])
@pytest.mark.parametrize("wet", [True, False])
def test_picture_opens(mass: list[tuple[datetime, float]], wet: bool) -> None:
    """The PNG opens and is 1200 pixels wide, with or without water and mass."""
    days = the_days()
    image = Image.open(BytesIO(days_png(days, the_water(days) if wet else None, mass, title="S0007-K")))
    assert image.size[0] == 1200


def test_svg_says_the_same_in_words() -> None:
    """The SVG keeps its words as text: places, grade and title can be searched."""
    days = the_days()
    svg = days_svg(days, the_water(days), MASS, title="S0007-K").decode()
    for words in ("dry box", "sealed bag", "grade C", "S0007-K", "left, g"):
        assert words in svg


def test_the_same_days_give_the_same_bytes() -> None:
    """A picture drawn twice is the same to the byte."""
    assert days_svg(the_days()) == days_svg(the_days())


def test_importing_the_room_imports_no_drawing() -> None:
    """Who only asks for numbers does not wait for the drawing library, nor for SciPy."""
    code = "import sys, tracker.exposure; print([m for m in ('matplotlib', 'scipy') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
