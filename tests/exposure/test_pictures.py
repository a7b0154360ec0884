"""What the charts of a spool's days show: rows, bands and steps of the picture, each column of the text."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from matplotlib.colors import to_hex
from matplotlib.dates import date2num
from matplotlib.figure import Figure

from tests.exposure.days import hour
from tracker.errors import Refused
from tracker.exposure import (
    Drying,
    JobUse,
    StoragePeriod,
    Timeline,
    WaterHistory,
    days_png,
    days_text,
    timeline,
)

MASS = [(hour(5), 1000.0), (hour(20), 500.0), (hour(30), 0.0)]
WATER = WaterHistory(
    (hour(0), hour(10), hour(20)), np.array([0.1, 0.4, 0.2]), np.array([0.0, 0.2, 0.1]),
    np.array([0.2, 0.8, 0.4]), "C",
)  # fmt: skip


def the_days(**more: Any) -> Timeline:
    """Return 36 hours: a bag, open air with a job, a drying, the printer with a job that runs on."""
    periods = [
        StoragePeriod("sealed bag", hour(0), hour(4)),
        StoragePeriod("open air", hour(4), hour(12), 23.0, 50.0),
        StoragePeriod("printer", hour(20), hour(36), 28.0, 40.0),
    ]
    jobs = [JobUse(hour(6), hour(8), "J1"), JobUse(hour(30), None, "J2")]
    return timeline(periods, [Drying(hour(12), hour(14), 80.0)], jobs, hour(36), **more)


def test_each_column_is_an_hour_of_the_days() -> None:
    """36 columns for 36 hours: the place, a mark for each job, the newest value by the end of the hour."""
    assert days_text(the_days(), WATER, MASS, width=45).splitlines() == [
        "days     2025-03-01                2025-03-02",
        "place    ssssooooooooDD??????pppppppppppppppp",
        "jobs     ......JJJ.....................JJJJJJ",
        "water hi ▃▃▃▃▃▃▃▃▃██████████▅▅▅▅▅▅▅▅▅▅▅▅▅▅▅▅▅",
        "  centre ▂▂▂▂▂▂▂▂▂▅▅▅▅▅▅▅▅▅▅▃▃▃▃▃▃▃▃▃▃▃▃▃▃▃▃▃",
        "      lo ▁▁▁▁▁▁▁▁▁▃▃▃▃▃▃▃▃▃▃▂▂▂▂▂▂▂▂▂▂▂▂▂▂▂▂▂",
        "left         ███████████████▅▅▅▅▅▅▅▅▅▅▁▁▁▁▁▁▁",
        "o open air, s sealed bag, p printer, D dryer",
        "? unlogged, J job, water 0 to 0.8 wt%",
        "grade C, left 0 to 1000 g",
    ]


def test_digits_stand_for_bars() -> None:
    """Nine of them: a half is 5, the greatest 9, nothing at all still 1."""
    lines = days_text(the_days(), None, MASS, width=45, ascii_only=True).splitlines()

    assert lines[3] == "left         99999999999999955555555551111111"


def test_a_drying_shorter_than_a_column_is_shown_and_the_longest_else() -> None:
    """Ten hours a column: most of the first were in the box; a minute of drying hides what else there was."""
    periods = [
        StoragePeriod("open air", hour(0), hour(4.9)),
        StoragePeriod("dry box", hour(4.9), hour(200)),
    ]
    dryings = [Drying(hour(55), hour(55) + timedelta(minutes=1), 80.0)]
    days = timeline(periods, dryings, [], hour(210))
    lines = days_text(days, width=30).splitlines()

    assert lines[1] == "place    bbbbbDbbbbbbbbbbbbbb?"
    # 22 columns of 9.5 h: more than half of the first in open air.
    assert days_text(days, width=31).splitlines()[1].startswith("place    obbbbD")


@pytest.mark.parametrize(("width", "wide"), [(29, False), (30, True)])
def test_thirty_columns_are_the_fewest(width: int, wide: bool) -> None:
    """Below, a column would be more than a day of a month."""
    if wide:
        assert days_text(the_days(), width=width)
    else:
        with pytest.raises(Refused, match="at least 30"):
            days_text(the_days(), width=width)


def test_a_spool_of_nothing_left_has_the_lowest_bar() -> None:
    """Where all values are zero there is no scale; a blank would say that nothing is known."""
    assert days_text(the_days(), None, [(hour(0), 0.0)], width=45).splitlines()[3] == "left     " + "▁" * 36


def pictured(monkeypatch: pytest.MonkeyPatch, *asked: Any, **more: Any) -> Any:
    """Return the figure of a spool's days."""
    kept: list[Any] = []
    monkeypatch.setattr(Figure, "savefig", lambda figure, *_, **how: kept.append((figure, how)))
    days_png(*asked, **more)
    ((figure, how),) = kept
    assert (how["dpi"], how["format"]) == (150, "png")
    return figure


def spans(bars: Any) -> list[tuple[float, ...]]:
    """Return beginnings and ends of bars in hours, and their lower and upper edges."""
    boxes = [path.get_extents() for path in bars.get_paths()]
    return [
        (
            *(round(24 * (x - date2num(hour(0))), 3) for x in (box.x0, box.x1)),
            round(box.y0, 3),
            round(box.y1, 3),
        )
        for box in boxes
    ]


def test_places_have_rows_and_jobs_the_topmost(monkeypatch: pytest.MonkeyPatch) -> None:
    """In the order from unknown to dry, as far as they occur; told apart by colour and hatch."""
    figure = pictured(monkeypatch, the_days(), title="S0007-K")
    (axis,) = figure.axes
    *places, first, second = axis.collections

    assert [each.get_text() for each in axis.get_yticklabels()] == [
        "unlogged", "open air", "printer", "sealed bag", "dryer", "jobs",
    ]  # fmt: skip
    assert [spans(each) for each in places] == [
        [(14, 20, -0.35, 0.35)], [(4, 12, 0.65, 1.35)], [(20, 36, 1.65, 2.35)], [(0, 4, 2.65, 3.35)],
        [(12, 14, 3.65, 4.35)],
    ]  # fmt: skip
    assert [spans(first), spans(second)] == [[(6, 8, 4.7, 5.3)], [(30, 36, 4.7, 5.3)]]
    colours = [to_hex(each.get_facecolor()[0]) for each in (*places, first)]
    assert len(set(colours)) == 6
    assert [each.get_hatch() for each in places] == ["////", "", "", "", ""]
    assert axis.get_ylim() == (-0.6, 5.6)
    assert figure.get_suptitle() == "S0007-K"
    assert figure._suptitle.get_position()[0] == 0.01
    assert figure._suptitle.get_horizontalalignment() == "left"
    assert tuple(figure.get_size_inches()) == (8.0, pytest.approx(0.7 + 1.15 * 1.5))


def test_days_without_jobs_have_no_row_for_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nor a title that nobody gave."""
    figure = pictured(monkeypatch, timeline([StoragePeriod("dry box", hour(0), hour(2))], [], [], hour(2)))

    assert [each.get_text() for each in figure.axes[0].get_yticklabels()] == ["dry box"]
    assert figure.axes[0].get_ylim() == (-0.6, 0.6)
    assert figure.get_suptitle() == ""


def test_water_is_a_band_and_mass_left_are_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    """A band from least to greatest with its middle, from zero up; what is left stays until the next job."""
    figure = pictured(monkeypatch, the_days(), WATER, MASS)
    _, water, left = figure.axes
    (band,) = water.collections
    (middle,) = water.get_lines()
    (steps,) = left.get_lines()
    edges = {(round(24 * (x - date2num(hour(0)))), round(y, 3)) for x, y in band.get_paths()[0].vertices}

    assert edges == {(0, 0.0), (10, 0.2), (20, 0.1), (0, 0.2), (10, 0.8), (20, 0.4)}
    assert list(middle.get_ydata()) == [0.1, 0.4, 0.2]
    assert [each.get_text() for each in water.get_legend().get_texts()] == ["interval", "middle estimate"]
    assert water.get_title(loc="right").startswith("grade C: model with generic figures")
    assert (water.get_ylabel(), left.get_ylabel()) == ("water, wt%", "left, g")
    assert (water.get_ylim()[0], left.get_ylim()[0]) == (0, 0)
    assert list(steps.get_xdata()) == [hour(5), hour(20), hour(30), hour(36)]
    assert list(steps.get_ydata()) == [1000.0, 500.0, 0.0, 0.0]
    assert steps.get_drawstyle() == "steps-post"
    ratios = left.get_gridspec().get_height_ratios()
    assert list(ratios) == [1.5, 1.6, 0.9]
    assert tuple(figure.get_size_inches()) == (8.0, pytest.approx(0.7 + 1.15 * 4.0))


def test_the_band_lets_its_middle_and_the_grid_show(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines stand out from the grid; nothing but the axes that are read has a frame."""
    figure = pictured(monkeypatch, the_days(), WATER, MASS)
    _, water, left = figure.axes
    legend = water.get_legend()
    place = legend.get_bbox_to_anchor().transformed(water.transAxes.inverted())

    assert 0.1 < water.collections[0].get_alpha() < 0.6
    assert all(1 < axis.get_lines()[0].get_linewidth() < 2 for axis in (water, left))
    assert (legend.get_frame_on(), legend._ncols) == (False, 2)
    assert (place.x0, place.y0) == (pytest.approx(0.0), pytest.approx(0.98))
    for axis in figure.axes:
        assert axis.get_xgridlines()[0].get_linewidth() < 1
        assert axis.get_axisbelow() is True
        assert [axis.spines[side].get_visible() for side in ("top", "right", "left", "bottom")] == [
            False, False, True, True,
        ]  # fmt: skip


def test_time_runs_over_the_days_in_the_benchs_zone(monkeypatch: pytest.MonkeyPatch) -> None:
    """From the first record to the end, for all curves alike, with the zone below."""
    zone = ZoneInfo("Europe/Berlin")
    figure = pictured(monkeypatch, the_days(zone=zone), None, MASS)
    *_, last = figure.axes

    assert [axis.get_xlim() for axis in figure.axes] == [(date2num(hour(0)), date2num(hour(36)))] * 2
    assert last.get_xlabel() == "Europe/Berlin"
    assert last.xaxis.get_major_locator().tz == zone


def test_a_grade_without_a_number_has_no_curve(monkeypatch: pytest.MonkeyPatch) -> None:
    """An empty axis would look like dry filament."""
    none = np.empty(0)
    times: tuple[datetime, ...] = (hour(0),)
    figure = pictured(monkeypatch, the_days(), WaterHistory(times, none, none, none, "D"))

    assert len(figure.axes) == 1
