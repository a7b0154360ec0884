"""What is noted of rows before they have times: loops, layers, points, widths, and what belongs together."""

from __future__ import annotations

import math
from collections import Counter
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tests.platefile.test_sums import a_cell, marked, tally_of
from tracker.platefile import islands, motion
from tracker.platefile.islands import Roots
from tracker.platefile.lines import Channel, Held
from tracker.platefile.motion import Deposits, Finder, Follower, runs
from tracker.platefile.state import Context, State
from tracker.platefile.tally import HIGHEST_LEVEL, NO_LAYER, Tally, ramp_key

BODY = (("",), 1)


def a_path(points: list[tuple[float, ...]], **more: Any) -> Any:
    """Return a path from the first point through the others, one row each."""
    at = [np.array([point[axis] if axis < len(point) else 0.2 for point in points]) for axis in range(3)]
    known: dict[str, Any] = {
        "was": [axis[:-1] for axis in at], "at": [axis[1:] for axis in at], "bends": None, "unknown": False,
        "step": [np.diff(axis) for axis in at], "climbs": False,
    }  # fmt: skip
    return SimpleNamespace(**{**known, **more})


def rows(*numbers: int) -> Any:
    """Return numbers of rows."""
    return np.array(numbers, dtype=np.intp)


def loops_of(*paths: Any, chosen: Any = None) -> Any:
    """Return the loop that is kept of a body after some paths."""
    tally = Tally(State())
    for path in paths:
        motion._note_loops(tally, BODY, path, np.arange(len(path.at[0])) if chosen is None else chosen)
    return tally.loops.get(BODY)


SQUARE = [(0.0, 0.0), (4.0, 0.0), (4.0, 3.0), (0.0, 3.0), (0.0, 0.0)]


def test_a_closed_loop_is_kept_with_its_area() -> None:
    """By the shoelace formula, whichever way round; the largest of a body stays."""
    assert loops_of(a_path(SQUARE)) == (12.0, SQUARE[:-1])
    back = SQUARE[::-1]
    assert loops_of(a_path(back)) == (12.0, back[:-1])
    small = [(x / 2, y / 2) for x, y in SQUARE]
    assert (
        loops_of(a_path(SQUARE), a_path(small))
        == loops_of(a_path(small), a_path(SQUARE))
        == (12.0, SQUARE[:-1])
    )
    assert loops_of(a_path(SQUARE), a_path(back)) == (12.0, SQUARE[:-1])
    triangle = [(0.0, 0.0), (4.0, 0.0), (0.0, 3.0), (0.0, 0.0)]
    assert loops_of(a_path(triangle)) == (6.0, triangle[:-1])


@pytest.mark.parametrize(("gap", "closed"), [(0.999, True), (1.0, False), (1.5, False)])
def test_a_loop_is_closed_within_a_millimetre(gap: float, closed: bool) -> None:
    """It ends a line width before its start at most."""
    found = loops_of(a_path([*SQUARE[:-1], (0.0, gap)]))

    assert (found is not None) is closed
    if found is not None:
        assert found[1] == SQUARE[:-1]


def test_a_loop_has_three_rows_that_follow_each_other() -> None:
    """A row between that lays nothing ends one; what is left may still be one."""
    assert loops_of(a_path([(0.0, 0.0), (4.0, 0.0), (0.0, 0.5)])) is None
    assert loops_of(a_path(SQUARE), chosen=rows(0, 1, 3)) is None
    two = a_path([(9.0, 9.0), (0.0, 0.0), *SQUARE[1:], (9.0, 9.0)])
    assert loops_of(two, chosen=rows(1, 2, 3, 4)) == (12.0, SQUARE[:-1])
    assert loops_of(two, chosen=rows(1, 2, 3)) is None
    both = a_path([*SQUARE, (20.0, 0.0), (29.0, 0.0), (29.0, 9.0), (20.0, 9.0), (20.0, 0.0)])
    assert loops_of(both, chosen=rows(0, 1, 2, 3, 5, 6, 7, 8))[0] == 81.0
    unknown = a_path([(math.nan, 0.0), *SQUARE[1:]])
    assert loops_of(unknown) is None


def test_layers_are_heights_in_micrometres() -> None:
    """Rounded and bounded; what is unknown has none; what climbs goes by the marks passed."""
    z = [0.2, 0.6000000001, 0.2, 1e9, math.nan, 0.25]
    path = a_path([(0.0, 0.0, 0.2), *[(float(n), 0.0, each) for n, each in enumerate(z)]])
    marks = Held(np.array([0, 3]), np.array([1, 2]))
    laid = rows(0, 1, 3, 4)
    found = motion._layers(path, laid, np.array([0, 1, 3, 4]), marks)
    assert found.tolist() == [200, 600, HIGHEST_LEVEL, NO_LAYER]

    path.climbs = True
    path.step[2] = np.array([0.0, 0.4, 0.0, 0.0, 0.0, 0.05])
    found = motion._layers(path, rows(0, 1, 2, 5), np.array([0, 1, 2, 5]), marks)
    assert found.tolist() == [200, ramp_key(z[1], 1), 200, ramp_key(0.25, 2)]
    bare = motion._layers(path, rows(1), np.array([1]), Held(np.array([0]), np.array([0])))
    assert bare.tolist() == [ramp_key(z[1], 0)]


def test_points_of_rows_are_both_their_ends() -> None:
    """Of few rows one by one, of many by arrays; what is half unknown is left out."""
    path = a_path([(0.0, 0.0), (4.0, 0.0), (4.0, 3.0), (1.0, 9.0)])
    assert motion._points(path, rows(0, 2)) == [(0.0, 0.0), (4.0, 3.0), (4.0, 0.0), (1.0, 9.0)]
    assert motion._points(path, rows(0, 1, 2)) == [(0, 0), (4, 0), (4, 3), (4, 0), (4, 3), (1, 9)]
    lost = a_path([(0.0, 0.0), (4.0, math.nan), (4.0, 3.0)], unknown=True)
    assert motion._points(lost, rows(0, 1)) == [(0.0, 0.0), (4.0, 3.0)]


def test_runs_begin_where_any_column_changes() -> None:
    """The first row begins one."""
    a, b = np.array([1, 1, 1, 2, 2]), np.array([5, 5, 6, 6, 6])
    assert runs(a).tolist() == [0, 3]
    assert runs(a, b).tolist() == [0, 2, 3]
    assert runs(a[:1]).tolist() == [0]


def test_a_channel_holds_from_its_line_on() -> None:
    """Changes to the same value are none; runs without rows are left out."""
    channel = Channel(3)
    for line, value in ((2, 5), (4, 5), (6, 3), (6, 9)):
        channel.change(line, value)
    held = channel.fixed()
    lines = np.array([0, 1, 3, 5, 8])

    assert [part.tolist() for part in held.runs(lines)] == [[0, 2, 4], [3, 5, 9]]
    assert held.at(np.array([0, 1, 2, 5, 6, 7])).tolist() == [3, 3, 5, 5, 9, 9]
    assert held.spread(lines).tolist() == [3, 3, 5, 5, 9]
    assert held.spread(np.array([3, 5])).tolist() == [5, 5]
    assert Channel(4).fixed().spread(lines).tolist() == [4] * 5
    assert held.through(np.arange(10) * 10).spread(lines).tolist() == [30, 30, 50, 50, 90]


def finder_of(*contexts: Context, separate: bool = False) -> Finder:
    """Return what tells islands, in a plate of these contexts."""
    state = State()
    for each in contexts:
        state.contexts(each)
        state.names |= {(0, each.objects[0]): "x"} if each.objects[0] else {}
    return Finder(Tally(state), separate=separate)


def two_bars(z: tuple[float, ...] = (0.2, 0.2, 0.2, 0.2)) -> Any:
    """Return a path of two lines ten millimetres apart, twice."""
    points = [(0.0, 0.0, z[0]), (5.0, 0.0, z[0]), (5.0, 10.0, z[1]), (0.0, 10.0, z[1])]
    return a_path([*points, (0.0, 0.0, z[2]), (5.0, 0.0, z[2]), (5.0, 10.0, z[3]), (0.0, 10.0, z[3])])


LAID = rows(0, 2, 4, 6)


def test_what_nowhere_touches_is_another_island() -> None:
    """Lines of one place are one, however often they are laid; skirts and travel layers are none."""
    finder = finder_of(Context(), Context(auxiliary=True), Context(begun=True))
    path, key = two_bars(), np.full(4, 200)
    found = finder.islands(path, LAID, np.zeros(4, np.intp), key)
    root = [finder.roots.of(int(each)) for each in found]
    assert root[0] == root[2] != root[1] == root[3]
    assert 0 not in root
    key[1] = NO_LAYER
    assert finder.islands(path, LAID, np.array([0, 0, 1, 0]), key)[[1, 2]].tolist() == [0, 0]
    # What is before the first layer mark joins nothing behind it.
    behind = finder.islands(path, LAID, np.full(4, 2), np.full(4, 200))
    assert not {finder.roots.of(int(each)) for each in behind} & set(root)
    assert not finder.marked


def test_of_marked_objects_only_the_lowest_layers_are_looked_at() -> None:
    """Up to 0.6 mm above the lowest: parts that nowhere touch there are counted; skirts do not count."""

    def apart(z: tuple[float, ...], context: tuple[int, ...] = (0, 0, 0, 0), **how: Any) -> dict[Any, int]:
        finder = finder_of(marked("a"), marked("a", auxiliary=True), marked("b"))
        keys = np.rint(np.array(z) * 1000).astype(np.int64)
        keys = how.get("keys", keys)
        found = finder.islands(two_bars(z), LAID, np.array(context), keys)
        assert found.tolist() == [0] * 4
        assert finder.marked
        finder.finish()
        return {who[0]: count for who, count in finder._tally.apart.items()}

    assert apart((0.2, 0.2, 0.4, 0.4)) == {"a": 2}
    assert apart((0.2, 0.8, 0.2, 0.8)) == {"a": 2}
    assert apart((0.2, 0.801, 0.2, 0.801)) == {}
    assert apart((0.2, 0.2, 0.4, 0.4), (0, 1, 0, 1)) == {}
    assert apart((0.2, 0.2, 0.4, 0.4), (0, 2, 0, 2)) == {}
    assert apart((0.2, 0.2, 0.4, 0.4), keys=np.array([200, ramp_key(0.2, 3), 400, ramp_key(0.4, 3)])) == {}


def test_objects_that_are_told_apart_have_islands_inside_their_markers() -> None:
    """Where parts of one object are to be objects of their own."""
    finder = finder_of(marked("a"), separate=True)
    found = finder.islands(two_bars(), LAID, np.zeros(4, np.intp), np.full(4, 200))
    assert len({finder.roots.of(int(each)) for each in found}) == 2


def test_islands_are_joined_by_the_least_of_their_numbers() -> None:
    """Whichever way round; 0 is none."""
    roots = Roots()
    assert [roots.new() for _ in range(6)] == [1, 2, 3, 4, 5, 6]
    assert roots.join([5, 3]) == 3
    assert roots.join([6, 5]) == 3
    assert roots.join([2, 6]) == 2
    assert roots.table().tolist() == [0, 1, 2, 2, 4, 2, 2]
    assert roots.of(6) == 2


def settled(*cells: tuple[Context, int, int, Any], keep: bool = True, **more: Any) -> Tally:
    """Return a tally after its islands were settled, of which 2 and 3 turned out to be one."""
    tally = tally_of(*cells, **more)  # type: ignore[arg-type]
    roots = Roots()
    for _ in range(5):
        roots.new()
    roots.join([2, 3])
    islands.settle(tally, roots, keep=keep)
    return tally


def test_sums_of_islands_that_are_one_are_added_up() -> None:
    """Pieces are numbered as they were begun; rates, hulls and loops go along; a single layer is no piece."""
    who = ("",) * 5
    tally = settled(
        (Context(), 200, 2, a_cell(t0=9.0)), (Context(), 200, 3, a_cell(t0=20.0)),
        (Context(), 400, 3, a_cell(t0=30.0)), (Context(), 200, 1, a_cell(t0=5.0)),
        (Context(), 400, 1, a_cell(t0=50.0)), (Context(), 200, 4, a_cell(t0=0.0)),
        rates={(who, 2, "wall"): {7: 1.0, 8: 2.0}, (who, 3, "wall"): {8: 3.0}, (who, 4, ""): {9: 1.0}},
        fastest={(who, 2, "wall"): 5.0, (who, 3, "wall"): 4.0, (who, 4, ""): 1.0},
        hulls={(who, 2): [(0, 0), (1, 0), (0, 1)], (who, 3): [(1, 1)], (who, 4): [(9, 9)]},
        loops={(who, 2): (3.0, [(0.0, 0.0)]), (who, 3): (4.0, [(1.0, 1.0)])},
    )  # fmt: skip

    assert {key: cell.filament for key, cell in tally.cells.items()} == {
        (0, 200, 2): 20.0, (0, 400, 2): 10.0, (0, 200, 1): 10.0, (0, 400, 1): 10.0, (0, 200, 0): 10.0,
    }  # fmt: skip
    assert tally.rates == {(who, 2, "wall"): {7: 1.0, 8: 5.0}, (who, 0, ""): {9: 1.0}}
    assert tally.fastest == {(who, 2, "wall"): 5.0, (who, 0, ""): 1.0}
    assert tally.hulls == {(who, 2): [(0, 0), (1, 0), (1, 1), (0, 1)], (who, 0): [(9, 9)]}
    assert tally.loops == {(who, 2): (4.0, [(1.0, 1.0)])}


def test_where_markers_tell_no_island_is_a_piece() -> None:
    """All goes to none; without any island nothing is touched."""
    tally = settled((Context(), 200, 2, a_cell()), (Context(), 400, 3, a_cell()), keep=False)
    assert sorted(tally.cells) == [(0, 200, 0), (0, 400, 0)]
    cells = {(0, 200, 0): a_cell()}
    bare = Tally(State(), cells=dict(cells))
    islands.settle(bare, Roots(), keep=False)
    assert bare.cells == cells


@pytest.mark.parametrize(
    ("parts", "numbers"),
    [
        ([(Context(), 200, 1, 5.0), (Context(), 200, 2, 1.0)], {2: 1, 1: 2}),
        ([(Context(), 200, 1, 5.0), (Context(), 400, 1, 6.0), (Context(), 200, 2, 1.0)], {1: 1}),
        ([(Context(), ramp_key(0.3, 0), 1, 5.0), (Context(), 200, 2, 1.0)], {1: 1}),
        ([(Context(), 200, 1, 5.0), (Context(begun=True), 200, 2, 9.0)], {2: 1}),
        ([(Context(auxiliary=True), 200, 1, 5.0), (Context(), 200, 2, 9.0)], {2: 1}),
        ([(Context(), 200, 0, 5.0)], {}),
    ],
)
def test_pieces_have_two_layers_and_stand_in_the_order_in_which_they_were_begun(
    parts: list[Any], numbers: dict[int, int]
) -> None:
    """Where none has two, all are; what lies before the first mark counts only without marks."""
    tally = tally_of(*[(context, key, island, a_cell(t0=t0)) for context, key, island, t0 in parts])  # type: ignore[arg-type]
    assert islands._numbered(tally, np.arange(9)) == numbers


def test_outer_walls_of_each_stated_width_are_added_up() -> None:
    """By object; inner walls and lines of no stated width do not count."""
    state = State()
    contexts = [state.contexts(each) for each in (marked("a"), marked("b"))]
    follower = Follower(Tally(state), [0.0, 0.42, 0.5])
    n = 8
    deposited = Deposits(
        rows=np.arange(n), lines=np.arange(n), deposit=2.0 ** np.arange(n), begins=rows(0), contexts=rows(0),
        keys=rows(0), islands=rows(0), marks=rows(0),
    )  # fmt: skip
    channels: Any = SimpleNamespace(
        outer=Held(np.array([0, 1, 6]), np.array([0, 1, 0])),
        width=Held(np.array([0, 3, 5]), np.array([1, 2, 0])),
    )
    span: Any = SimpleNamespace(context=np.array([contexts[0]] * 4 + [contexts[1]] * 4))
    follower._count_widths(channels, span, deposited)

    assert dict(follower._tally.widths) == {
        (marked("a").objects, 0.42): 2.0 + 4.0,
        (marked("a").objects, 0.5): 8.0 + 16.0,
    }
    assert state.troubles == Counter()
    follower.walker.without_centre = 3
    follower.finish()
    assert state.troubles == Counter({"an arc without a centre is taken as a straight line": 3})
    motion._count_retractions(state, follower._tally, contexts[1], 2400.0, 80, 3)
    assert follower._tally.retractions[marked("b").objects] == Counter({(80, 2400.0): 3})
