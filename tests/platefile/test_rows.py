"""Rows against the plain rule, one after the other: speeds, accelerations, junctions, times, filament."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.platefile.builder import text
from tracker.platefile import planning, read_plate
from tracker.platefile.filament import Filament
from tracker.platefile.motion import _outermost
from tracker.platefile.path import Bends, followed, held, shifted
from tracker.platefile.plain import Plain
from tracker.platefile.planning import Limits, Moves, Pace
from tracker.platefile.state import Plan

CHANGES: tuple[dict[str, float], ...] = (
    {},
    {"corner": 8.0},
    {"deviation": 0.05},
    {"jerk_xy": 3.0, "jerk_z": 0.2},
    {"travel": 900.0, "retract": 700.0},
    {"printing": 800.0, "limit_xy": 850.0},
    {"limit_z": 40.0, "limit_e": 600.0},
    {"speed_x": 30.0, "speed_y": 45.0},
    {"speed_z": 4.0, "speed_e": 1.5},
    {"speed": 55.0, "factor": 0.5},
    {"factor": 1.5},
    {"corner": 5.0, "deviation": 0.02},
)
STEPS: tuple[tuple[float, float, float], ...] = (
    (10, 0, 0), (10, 0, 0), (0, 10, 0), (6, 8, 0), (-6, -8, 0), (0, 0, 2), (3, 0, 4), (0, 0, 0),
    (10, 0.01, 0),
)  # fmt: skip
rows_of = st.lists(
    st.tuples(
        st.sampled_from(STEPS), st.sampled_from([0.0, 0.4, -0.8]), st.sampled_from([0.0, 1200.0, 6000.0]),
        st.integers(0, 3),
    ),
    min_size=1, max_size=9,
)  # fmt: skip
plans_of = st.lists(st.sampled_from(CHANGES), min_size=4, max_size=4)


def moves_of(rows: Sequence[Any], bends: Bends | None = None) -> Moves:
    """Return moves from X, Y, Z of each, its E, its feed and the number of its limits."""
    length = np.array([math.hypot(*step) for step, *_ in rows])
    e = np.array([row[1] for row in rows])
    none = np.zeros(len(rows), np.intp)
    return Moves(
        way=np.where(length > 0, length, np.abs(e)), length=length,
        into=[np.array([float(row[0][axis]) for row in rows]) for axis in range(3)], bends=bends,
        feed=np.array([row[2] for row in rows]), e=e, plan=np.array([row[3] for row in rows], np.intp),
        dwell=np.zeros(len(rows)), deposit=np.maximum(e, 0), deposits=e > 0, owner=none, visit=none, key=none,
        island=none,
    )  # fmt: skip


def per(most: float, share: float) -> float:
    """Return the rate along the path at which an axis with a share of it reaches its limit."""
    return most / abs(share) if share else math.inf


def by_rule(rows: Sequence[Any], plans: Sequence[Plan]) -> list[tuple[float, float, float]]:
    """Return speed, acceleration and the square at its beginning of each row."""
    found: list[tuple[float, float, float]] = []
    before, speed_before, alone_before, halted = [0.0, 0.0, 0.0], 0.0, True, True
    for step, e, feed, number in rows:
        plan, length = plans[number], math.hypot(*step)
        into = [each / length if length else 0.0 for each in step]
        way = length or abs(e)
        speed = min((feed or 1500.0) * plan.factor / 60, plan.speed)
        most = (plan.speed_x, plan.speed_y, plan.speed_z)
        speed = min(speed, *(per(limit, share) for limit, share in zip(most, into, strict=True)))
        speed = min(speed, per(plan.speed_e, e / (way or 1.0)))
        asked = plan.printing if e else plan.travel
        acceleration = min(asked, plan.limit_xy, per(plan.limit_z, into[2]))
        if not length:
            acceleration = min(plan.retract, plan.limit_e)
        slower = min(speed, speed_before)
        if plan.corner or plan.deviation:
            cosine = sum(a * b for a, b in zip(before, into, strict=True))
            half = math.sqrt(max(0.0, (1 + cosine) / 2))
            push = plan.corner**2 * (math.sqrt(2) - 1) if plan.corner else plan.deviation * acceleration
            square = math.inf if half > 0.999999 else push * half / (1 - half)
            square = 0.0 if alone_before or not length else min(slower**2, square)
        else:
            jump = max(abs(a - b) for a, b in zip(before[:2], into[:2], strict=True))
            square = min(slower, per(plan.jerk_xy, jump), per(plan.jerk_z, before[2] - into[2])) ** 2
        if halted or not way:
            square = 0.0
        found.append((speed, acceleration, square))
        before, speed_before, alone_before, halted = into, speed, not length, not way
    return found


@settings(max_examples=60)
@given(rows_of, plans_of, st.integers(0, 9))
def test_rows_are_planned_as_one_after_the_other(rows: list[Any], changes: list[Any], cut: int) -> None:
    """Limits of every kind, standstills and retractions between; also where the rows come in two pieces."""
    plans = [Plan(**change) for change in changes]
    pace, found = Pace(), list[Any]()
    for part in (rows[:cut], rows[cut:]):
        if part:
            planned = pace.plan(moves_of(part), plans)
            found += zip(planned.speed, planned.acceleration, planned.limit, strict=True)

    for one, other in zip(found, by_rule(rows, plans), strict=True):
        assert one == pytest.approx(other, rel=1e-9, abs=1e-9)


def test_a_row_after_an_arc_follows_the_direction_in_which_it_ends() -> None:
    """Begun along X and ended along Y: straight on along Y nothing slows down, along X it is a corner."""
    plan = [Plan(jerk_xy=5.0, printing=1e9)]
    arc = ((10, 0, 0), 0.4, 6000.0, 0)
    nothing = np.zeros((5, 1))
    bends = Bends(np.array([0]), np.array([[0.0], [10.0]]), nothing, nothing)
    for step, square in (((0, 10, 0), 100.0**2), ((10, 0, 0), 5.0**2)):
        rows = [arc, (step, 0.4, 6000.0, 0)]
        assert Pace().plan(moves_of(rows, bends), plan).limit[1] == pytest.approx(square)


def test_limits_of_rows_are_one_number_where_all_share_it() -> None:
    """Of the plans in force over these rows alone; else one for each row."""
    plans = [Plan(speed=5.0), Plan(speed=9.0, corner=3.0), Plan(speed=7.0), Plan(speed=7.0, corner=1.0)]
    mixed = Limits(plans, np.array([2, 3, 2]))
    assert (mixed.of("speed"), mixed.most("corner"), mixed.least("corner")) == (7.0, 1.0, 0.0)
    assert list(mixed.of("corner")) == [0.0, 1.0, 0.0]  # type: ignore[arg-type]
    alone = Limits(plans, np.array([1, 1]))
    assert (alone.of("speed"), alone.most("speed"), alone.least("speed")) == (9.0, 9.0, 9.0)
    assert list(Limits(plans, np.array([0, 1])).of("speed")) == [5.0, 9.0]  # type: ignore[arg-type]


@settings(max_examples=40)
@given(
    st.lists(
        st.tuples(st.floats(0.1, 50), st.floats(1, 200), st.floats(100, 5000), st.floats(0, 200)),
        min_size=1, max_size=6,
    )
)  # fmt: skip
def test_times_of_rows_are_those_of_trapezoids(rows: list[tuple[float, ...]]) -> None:
    """Up, along and down, each worked out by itself, with ends that the row can reach."""
    ways, speeds, rates, wanted = (np.array(column) for column in zip(*rows, strict=True))
    squares = np.minimum(np.append(wanted, 0.0), np.append(speeds, speeds[-1])) ** 2
    gains = 2 * rates * ways
    travelled = planning.sums(gains)
    stopping = planning.backward(squares[:-1], gains, travelled, 0.0)
    squares = np.maximum(planning.forward(np.append(stopping, 0.0), travelled), 0.0)
    found = planning.times(squares, ways, speeds, rates)
    for at, (way, speed, rate) in enumerate(zip(ways, speeds, rates, strict=True)):
        begin, end = math.sqrt(squares[at]), math.sqrt(squares[at + 1])
        top = min(speed, math.sqrt(rate * way + (begin**2 + end**2) / 2))
        ramps = (2 * top**2 - begin**2 - end**2) / (2 * rate)
        assert found[at] == pytest.approx(
            (2 * top - begin - end) / rate + max(0.0, way - ramps) / top, rel=1e-6, abs=1e-9
        )


def laid(steps: Sequence[tuple[float, int]]) -> tuple[list[float], list[float]]:
    """Return what each row lays by the rule, and every retraction: how deep E was below its mark."""
    depth: dict[int, float] = {}
    found, deepest, now = [], [], None
    last = None
    for step, tool in steps:
        below = depth.get(tool, 0.0)
        found.append(max(0.0, step - below))
        depth[tool] = max(0.0, below - step)
        if last is not None and last != tool and now is not None:
            deepest.append(now)
            now = None
        if depth[tool] > 1e-6:
            now = max(now or 0.0, depth[tool])
        elif now is not None:
            deepest.append(now)
            now = None
        last = tool
    return [each if each >= 1e-7 else 0.0 for each in found], deepest + ([now] if now is not None else [])


a_step = st.sampled_from([0.0, 0.5, 0.25, 1.0, -0.5, -0.75, -2.0, 0.01, 2.0, 2.0])


@settings(max_examples=80)
@given(st.lists(a_step, min_size=1, max_size=60), st.integers(0, 60))
def test_a_rise_of_the_highest_mark_is_laid(steps: list[float], cut: int) -> None:
    """Whatever is pulled back and pushed out again, near by or much later, in one piece or two."""
    counted: list[float] = []
    follower = Filament(lambda _who, _feed, length, number: counted.extend([length / 100] * number))
    found: list[float] = []
    for part in (steps[:cut], steps[cut:]):
        if part:
            none = np.zeros(len(part), np.intp)
            found += follower.follow(np.array(part), 0, none, np.full(len(part), 1800.0)).tolist()
    follower.close()
    rule, deepest = laid([(step, 0) for step in steps])

    assert found == pytest.approx(rule, abs=1e-9)
    assert sorted(counted) == pytest.approx(sorted(round(each, 2) for each in deepest), abs=1e-9)


@settings(max_examples=40)
@given(st.lists(st.tuples(a_step, st.integers(0, 2)), min_size=1, max_size=40))
def test_each_tool_has_a_mark_of_its_own(steps: list[tuple[float, int]]) -> None:
    """A retraction before the change of tools is made good when the tool is back."""
    follower, none = Filament(None), np.zeros(len(steps), np.intp)
    tools = np.array([tool for _, tool in steps], np.intp)
    found = follower.follow(np.array([step for step, _ in steps]), tools, none, np.zeros(len(steps)))

    assert found.tolist() == pytest.approx(laid(steps)[0], abs=1e-9)


values_of = st.lists(st.tuples(st.floats(-9, 9), st.booleans(), st.booleans()), min_size=1, max_size=24)


@settings(max_examples=60)
@given(values_of, st.sampled_from([0.0, 5.0, math.nan]))
def test_positions_are_followed_row_by_row(rows: list[tuple[float, bool, bool]], before: float) -> None:
    """What is given stands or is added; where nothing is given it stays, few gaps or many."""
    values, given_, relative = (np.array(column) for column in zip(*rows, strict=True))
    kept, absolute, added = [], [], []
    at, last, total = before, before, before
    for value, is_given, is_relative in rows:
        at = at + value if is_given and is_relative else value if is_given else at
        last = value if is_given else last
        total += value if is_given else 0.0
        kept.append(at)
        absolute.append(last)
        added.append(total)
    near: dict[str, Any] = {"rel": 1e-9, "abs": 1e-9, "nan_ok": True}
    # An unknown place stays unknown under increments until an absolute value is given.
    assert followed(values, given_, relative, before).tolist() == pytest.approx(kept, **near)
    assert followed(values, given_, False, before).tolist() == pytest.approx(absolute, **near)
    assert followed(values, given_, True, before).tolist() == pytest.approx(added, **near)
    assert held(values, given_, before).tolist() == pytest.approx(absolute, **near)
    assert shifted(values, before).tolist() == pytest.approx([before, *values[:-1]], **near)


def test_arcs_among_some_rows_are_numbered_anew() -> None:
    """Of arcs at rows 1, 4 and 7 those that are among 4, 6, 7 are the second and the third."""
    out, extent, circles = (np.arange(3.0) + np.zeros((n, 1)) for n in (2, 4, 5))
    bends = Bends(np.array([1, 4, 7]), out, extent, circles)
    found = bends.among(np.array([4, 6, 7]))
    assert (found.rows.tolist(), found.out.tolist()) == ([0, 2], [[1.0, 2.0]] * 2)
    assert (found.extent.tolist(), found.circles.tolist()) == ([[1.0, 2.0]] * 4, [[1.0, 2.0]] * 5)
    assert bends.among(np.array([0, 2, 9])).rows.tolist() == []
    assert bends.among(np.zeros(0, np.intp)).rows.tolist() == []


@pytest.mark.parametrize("length", [1.0, 0.25])
def test_the_plain_reader_slows_down_in_time(length: float) -> None:
    """100 mm at 100 mm/s and 1000 mm/s² in short rows: 0.1 s up, 0.9 s along, 0.1 s down; then a corner."""
    start = ["M83", "G90", "M204 P1000 T1000 R1000", "M205 X0.001 Y0.001", "G1 X0 Y0 Z0.2 F6000", ";MESH:a"]
    rows = [f"G1 X{n * length:g} E0.03" for n in range(1, round(100 / length) + 1)]
    whole = text([*start, *rows, "G1 Y100 E3"])
    plain = Plain(relative_e=True, g90_sets_e=False, separate=False, volumetric_mm=0.0).read(whole)
    assert plain.time == pytest.approx(2.2, abs=1e-3)
    assert read_plate(whole).time_s == pytest.approx(2.2, abs=1e-3)


@pytest.mark.parametrize("number", [1, 2, 64, 65, 2000])
def test_points_of_a_hull_are_few_and_hold_every_corner(number: int) -> None:
    """Up to 64 all are kept; of more at least those that lie farthest in any direction."""
    turns = np.arange(number) * 2.399963
    x, y = np.sqrt(np.arange(number) + 1.0) * np.cos(turns), np.sqrt(np.arange(number) + 1.0) * np.sin(turns)
    found = _outermost(x, y)
    assert len(found) == number if number <= 64 else len(found) < number
    for angle in np.linspace(0, 2 * np.pi, 90):
        far = int(np.argmax(x * np.cos(angle) + y * np.sin(angle)))
        assert (float(x[far]), float(y[far])) in found


@pytest.mark.parametrize("gap", [0, 1, 2, 8, 9])
def test_a_gap_is_filled_with_what_is_above_it(gap: int) -> None:
    """In the first row by what was before; one gap or two in a row of ten."""
    values, known = np.arange(10.0), np.ones(10, np.bool_)
    for more in (1, 2):
        known[gap : gap + more] = False
        wanted = [float(at) if known[at] else (gap - 1.0 if gap else 77.0) for at in range(10)]
        assert held(values, known, 77.0).tolist() == wanted
