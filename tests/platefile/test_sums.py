"""From sums to layers, objects and facts: each rule of the last steps by itself, on cells made by hand."""

from __future__ import annotations

import math
import random
import struct
from collections import Counter
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from tracker.platefile import digest, gather, layering
from tracker.platefile.digest import Digest, problems_of
from tracker.platefile.facts import (
    COMMANDED,
    ESTIMATED,
    GIVEN,
    NOT_STATED,
    STATED,
    WITH_FLOW_FACTOR,
    Flow,
    Layer,
    Pause,
    Reading,
    Retractions,
    SetPoints,
    Stated,
    Stretch,
)
from tracker.platefile.layering import Layering, Part, reading, set_points
from tracker.platefile.state import Context, State
from tracker.platefile.tally import (
    HIGHEST_LEVEL,
    LOWEST_LEVEL,
    NO_LAYER,
    Cell,
    Tally,
    bin_rate,
    hull,
    is_ramp,
    layer_key,
    ramp_key,
    rate_bin,
)
from tracker.platetext.source import NoExtrusion

AREA = math.pi / 4 * 1.75**2


def a_cell(**more: Any) -> Cell:
    """Return a cell of 10 mm of filament along 100 mm in 4 s."""
    known: dict[str, Any] = {
        "filament": 10.0, "moving": 10.0, "own": 5.0, "busy": 4.0, "path": 100.0, "speed": 300.0, "x0": 0.0,
        "x1": 20.0, "y0": 0.0, "y1": 10.0, "z1": 0.2, "t0": 0.0, "t1": 4.0, "fastest": 3.0,
    }  # fmt: skip
    return Cell(**{**known, **more})


def a_part(key: int = 200, island: int = 1, context: Context | None = None, **more: Any) -> Part:
    """Return a cell with what it belongs to."""
    return Part(context or Context(nozzle=255.0), key, island, a_cell(z1=key / 1000, **more))


# Keys, bins, cells


def test_heights_are_keys_in_micrometres_and_ramps_lie_below_all() -> None:
    """Rounded; bounded on both sides; a ramp is known by its mark, else by its twentieth of a mm."""
    assert [layer_key(z) for z in (0.2, 0.2004, 0.2006, 0.0, -1.0)] == [200, 200, 201, 0, -1000]
    assert (layer_key(1e9), layer_key(-1e9)) == (HIGHEST_LEVEL, LOWEST_LEVEL + 1)
    assert (HIGHEST_LEVEL, LOWEST_LEVEL) == (1 << 33, -(1 << 33))
    assert ramp_key(0.26, 7) == -(1 << 34) - 7
    assert [ramp_key(z, 0) + (1 << 36) for z in (0.0, 0.049, 0.05, 1.26)] == [0, 0, 1, 25]
    keys = [
        NO_LAYER,
        NO_LAYER + 1,
        ramp_key(0.2, 3),
        ramp_key(5.0, 0),
        LOWEST_LEVEL - 1,
        LOWEST_LEVEL,
        0,
        200,
    ]
    assert [is_ramp(key) for key in keys] == [False, True, True, True, True, False, False, False]


@pytest.mark.parametrize("rate", [0.001, 0.5, 1.0, 1.9999, 2.0, 7.3, 25.0, 4000.0])
def test_rates_fall_into_256_bins_a_doubling(rate: float) -> None:
    """Sign, exponent and eight leading bits of an IEEE 754 double; a bin stands for its middle."""
    number = rate_bin(rate)
    mantissa, exponent = math.frexp(rate)

    assert number == (exponent - 1 + 1023) * 256 + math.floor((2 * mantissa - 1) * 256)
    low = struct.unpack("<d", struct.pack("<q", number << 44))[0]
    high = struct.unpack("<d", struct.pack("<q", (number + 1) << 44))[0]
    assert low <= rate < high
    assert bin_rate(number) == pytest.approx((low + high) / 2, rel=1e-12)
    assert rate_bin(2 * rate) == number + 256


def test_cells_are_added_up() -> None:
    """Sums add, spans and boxes widen, the greatest rate, top and mark stay; the unknown changes nothing."""
    one, other = (
        a_cell(mark=2),
        a_cell(t0=-3.0, t1=2.0, fastest=9.0, x0=-1.0, x1=5.0, y0=3.0, y1=44.0, z1=0.1, mark=1),
    )
    one.merge(other)

    assert (one.filament, one.moving, one.own, one.busy, one.path, one.speed) == (20, 20, 10, 8, 200, 600)
    assert (one.t0, one.t1, one.fastest) == (-3.0, 4.0, 9.0)
    assert (one.x0, one.x1, one.y0, one.y1, one.z1, one.mark) == (-1.0, 20.0, 0.0, 44.0, 0.2, 2)
    one.widen((math.nan,) * 4, math.nan, 5)
    assert (one.x0, one.x1, one.y0, one.y1, one.z1, one.mark) == (-1.0, 20.0, 0.0, 44.0, 0.2, 5)
    bare = Cell()
    bare.merge(a_cell(mark=3))
    assert bare == a_cell(mark=3)


def test_a_tally_knows_its_cells_tools_and_reaches() -> None:
    """A change is where another tool lays; a reach counts where it is two hundredths of a mm beyond."""
    tally = Tally(State())
    tally.cell((1, 200, 0)).filament = 3.0
    assert tally.cell((1, 200, 0)).filament == 3.0
    assert tally.cell((1, 400, 0)).filament == 0.0
    for tool, at in ((1, 0.0), (1, 5.0), (0, 7.0), (0, 8.0), (2, 9.0)):
        tally.use_tool(tool, at)
    assert (tally.changes_s, tally.tool) == ([7.0, 9.0], 2)
    body = (("",), 1)
    reach = [0.0, 0.0, 0.0, -5.0, 5.0, 5.0, 10.0, 5.0]
    assert tally.widens(body, reach)
    assert not tally.widens(body, reach)
    for place, sign in enumerate([-1] * 4 + [1] * 4):
        near, far = list(reach), list(reach)
        near[place] += sign * 0.0199
        far[place] += sign * 0.0201
        assert not tally.widens(body, near)
        assert tally.widens(body, far)
        assert not tally.widens(body, far)
    assert not tally.widens(body, [math.nan] * 8)
    assert tally.widens((("",), 2), [math.nan] * 7 + [1.0])
    tally.add_hull(body, [])
    assert tally.hulls == {}
    tally.add_hull(body, [(0, 0), (4, 0), (0, 4)])
    tally.add_hull(body, [(4, 4), (1, 1)])
    assert tally.hulls[body] == [(0, 0), (4, 0), (4, 4), (0, 4)]


def test_a_hull_is_the_smallest_convex_one() -> None:
    """Corners alone, counter-clockwise from the least; those of Qhull by SciPy."""
    rng = random.Random(4)
    for count in (3, 4, 9, 60):
        points = [(rng.uniform(-9, 9), rng.uniform(-9, 9)) for _ in range(count)]
        found = hull([*points, *points])
        assert set(found) == {points[at] for at in ConvexHull(np.array(points)).vertices}
        turns = [
            (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])
            for a, b, c in zip(found, found[1:] + found[:1], found[2:] + found[:2], strict=True)
        ]
        assert min(turns) > 0
        assert found[0] == min(points)
    assert hull([(1, 1), (0, 0), (1, 1)]) == [(0, 0), (1, 1)]
    assert hull([(0, 0), (1, 1), (2, 2), (3, 3)]) == [(0, 0), (3, 3)]
    assert hull([]) == []


# Set-points and layers


def test_a_reading_is_weighted_and_knows_its_share() -> None:
    """What is unknown or weighs nothing does not count; one value throughout is that value."""
    assert reading([(250.0, 3.0), (260.0, 1.0)]) == Reading(252.5, 250.0, 260.0, COMMANDED, 1.0)
    assert reading([(250.0, 3.0), (None, 1.0)], STATED) == Reading(250.0, 250.0, 250.0, STATED, 0.75)
    assert reading([(0.1, 0.1), (0.1, 0.2), (0.1, 0.7)]).value == 0.1
    assert reading([(250.0, 3.0), (90.0, 0.0)]) == Reading(250.0, 250.0, 250.0, COMMANDED, 1.0)
    assert reading([(250.0, 2.0)], GIVEN) == Reading(250.0, 250.0, 250.0, GIVEN, 1.0)
    for nothing in ([(250.0, 0.0)], [(None, 2.0)], [], [(None, 1.0), (250.0, 0.0)], [(250.0, -1.0)]):
        assert reading(nothing) == Reading()


def a_stretch(**more: Any) -> Stretch:
    """Return a stretch of 10 mm of filament."""
    known: dict[str, Any] = {
        "box_mm": (0, 0, 1, 1), "start_s": 0.0, "end_s": 1.0, "filament_mm": 10.0, "nozzle_c": 250.0,
        "bed_c": 90.0, "chamber_c": None, "fans_pct": (), "speed_mm_s": 40.0,
    }  # fmt: skip
    return Stretch(**{**known, **more})


def test_set_points_are_those_of_stretches_by_filament_or_other_weights() -> None:
    """Fans by their numbers; one that is not commanded in a stretch is unknown there."""
    stretches = [
        a_stretch(fans_pct=((0, 40.0), (2, 100.0))),
        a_stretch(nozzle_c=260.0, filament_mm=30.0, fans_pct=((0, 60.0),)),
        a_stretch(fans_pct=((0, 40.0), (2, 100.0)), bed_c=80.0, chamber_c=50.0),
    ]  # fmt: skip
    found = set_points(stretches)

    assert found.nozzle_c == Reading(256.0, 250.0, 260.0, COMMANDED, 1.0)
    assert found.bed_c == Reading(88.0, 80.0, 90.0, COMMANDED, 1.0)
    assert found.chamber_c == Reading(50.0, 50.0, 50.0, COMMANDED, 0.2)
    assert found.fans_pct == (
        (0, Reading(52.0, 40.0, 60.0, COMMANDED, 1.0)), (2, Reading(100.0, 100.0, 100.0, COMMANDED, 0.4)),
    )  # fmt: skip
    assert set_points(stretches, [1.0, 1.0, 0.0]).nozzle_c == Reading(255.0, 250.0, 260.0, COMMANDED, 1.0)
    assert set_points([]) == SetPoints()


def layers_of(parts: list[Part], heights: list[float | None] | None = None, areas: Any = None) -> Any:
    """Return the body's parts and the layers of an object."""
    return Layering(100.0 / 255.0, heights or [], areas or {0: AREA, 1: 2 * AREA}).layers(parts)


def test_layers_are_lowest_first_each_until_the_next_begins() -> None:
    """Heights from top to top, the first from the bed; the last lasts until its own end."""
    two = Context(nozzle=255.0, tool=1, flow=1.5)
    parts = [
        a_part(500, t0=20.0, t1=26.0), a_part(200, t0=1.0, t1=5.0, busy=2.0),
        a_part(200, context=two, t0=6.0, t1=9.0, filament=4.0, moving=4.0, own=1.0, busy=3.0, speed=80.0),
        a_part(200, filament=0.5, moving=0.0, own=2.0, t0=math.inf, t1=-math.inf, busy=0.0, speed=0.0),
    ]  # fmt: skip
    own, (first, second) = layers_of(parts)

    assert own == parts[:3]
    assert (first.z_mm, first.height_mm, second.z_mm, second.height_mm) == (0.2, 0.2, 0.5, 0.3)
    assert (first.start_s, first.end_s, first.time_s) == (1.0, 9.0, 19.0)
    assert (second.start_s, second.end_s, second.time_s) == (20.0, 26.0, 6.0)
    assert first.own_time_s == 5.0 + 1.0 + 2.0
    assert first.filament_mm == pytest.approx(10.0 + 6.0 + 0.5)
    assert first.flow_mm3_s == pytest.approx((10.0 * AREA + 4.0 * 1.5 * 2 * AREA) / 5.0)
    assert first.speed_mm_s == pytest.approx((300.0 + 80.0) / 14.0)
    assert [(s.tool, s.filament_mm, s.flow_factor, s.speed_mm_s) for s in first.stretches] == [
        (0, 10.0, 1.0, 30.0), (1, 6.0, 1.5, 20.0),
    ]  # fmt: skip
    assert (first.stretches[0].box_mm, first.stretches[0].start_s, first.stretches[0].end_s) == (
        (0, 0, 20, 10),
        1.0,
        5.0,
    )
    # Laid the other way round: stretches in order of time.
    late = [parts[1]._replace(cell=a_cell(t0=50.0, t1=51.0)), parts[2]]
    assert [s.tool for s in layers_of(late)[1][0].stretches] == [1, 0]
    assert layers_of([a_part(busy=0.0)])[1][0].flow_mm3_s is None


@pytest.mark.parametrize(
    ("key", "mark", "heights", "height"),
    [
        (200, 0, [], 0.2), (1200, 0, [], 1.2), (1201, 0, [], 0.3), (0, 0, [], 0.3), (-100, 0, [], 0.3),
        (200, 1, [0.35], 0.35), (200, 2, [0.35, 0.28], 0.28), (200, 2, [0.35], 0.2), (200, 1, [None], 0.2),
        (200, 1, [0.0], 0.2), (200, 1, [-0.3], 0.2), (200, 0, [0.35], 0.2),
    ],
)  # fmt: skip
def test_the_first_layer_is_as_high_as_its_mark_says_or_stands_on_the_bed(
    key: int, mark: int, heights: list[float | None], height: float
) -> None:
    """Up to 1.2 mm it is taken from the bed; above it is as high as the others: it stands on a raft."""
    parts = [a_part(key, mark=mark), a_part(key + 300, t0=9.0, t1=10.0, mark=mark)]

    assert layers_of(parts, heights)[1][0].height_mm == pytest.approx(height)


@pytest.mark.parametrize(
    ("tops", "step"),
    [
        ([0.2, 0.4, 0.7], 0.3),
        ([0.2, 0.4, 0.6, 0.9], 0.2),
        ([0.3], 0.2),
        ([0.15], 0.15),
        ([0.0], 0.2),
        ([-1.0], 0.2),
    ],
)
def test_the_typical_step_is_the_middle_one(tops: list[float], step: float) -> None:
    """Of a single layer its own height up to the usual one."""
    assert layering._typical(tops) == pytest.approx(step)


def test_what_lies_before_the_first_mark_is_no_layer_and_skirts_are_no_body() -> None:
    """A piece marked as nothing but auxiliary is still a piece; what moves nothing lays nothing."""
    begun, skirt = Context(begun=True), Context(begun=True, auxiliary=True)
    start, body, around = a_part(), a_part(400, context=begun), a_part(400, context=skirt)

    assert layering._own([start, body, around]) == [body]
    assert layering._own([start, around]) == [around]
    assert layering._own([start]) == [start]
    assert layering._own([a_part(context=Context(auxiliary=True)), start]) == [start]
    assert layering._own([start, a_part(NO_LAYER), a_part(600, moving=0.0)]) == [start]


def test_what_climbs_belongs_to_the_level_layer_of_its_mark() -> None:
    """A seam is part of its layer; ramps alone are a turn of a spiral; without marks bands of 0.2 mm."""
    level = a_part(400, mark=2)
    seam = Part(Context(), ramp_key(0.45, 2), 1, a_cell(mark=2, z1=0.45))
    turn = Part(Context(), ramp_key(0.8, 3), 1, a_cell(mark=3, z1=0.78))
    found = layering._levels([level, seam, turn], [level, seam, turn])
    assert [(each.z, each.parts) for each in found] == [(0.4, [level, seam]), (0.78, [turn])]

    climbing = [
        Part(Context(), ramp_key(z, 0), 1, a_cell(mark=0, z1=z)) for z in (0.1, 0.29, 0.31, 0.49, 0.51)
    ]
    bands = layering._levels(climbing, climbing)
    assert [(each.z, len(each.parts)) for each in bands] == [(0.1, 1), (0.29, 1), (0.49, 2), (0.51, 1)]
    # A level layer that has no mark does not take ramps without one.
    bare = a_part(400)
    assert len(layering._levels([bare, climbing[0]], [bare, climbing[0]])) == 2
    idle = a_part(400, moving=0.0)
    (one,) = layering._levels([level, idle], [level])
    assert (one.parts, one.deposited) == ([level, idle], [level])
    assert layering._levels([level, a_part(600, moving=0.0)], [level])[0].parts == [level]


@pytest.mark.parametrize(
    ("context", "force"),
    [
        (Context(nozzle=255.0, bed=90.0, chamber=50.0), (255.0, 90.0, 50.0, ())),
        (Context(nozzle=100.0, bed=0.0), (100.0, 0.0, None, ())),
        (Context(nozzle=99.9, bed=0.0), (None, None, None, ())),
        (Context(nozzle=None, bed=None), (None, None, None, ())),
        (Context(nozzle=0.0, bed=60.0), (None, 60.0, None, ())),
        (Context(nozzle=255.0, fans=((0, 127.5), (3, 300.0))), (255.0, None, None, ((0, 50.0), (3, 100.0)))),
    ],
)  # fmt: skip
def test_a_nozzle_below_100_degrees_is_set_in_a_macro(context: Context, force: Any) -> None:
    """A bed of 0 beside it says as little; fans are told in per cent, 100 at most."""
    assert Layering(100.0 / 255.0, [], {0: AREA})._force(context) == force


# Objects


def tally_of(*parts: Part, **more: Any) -> Tally:
    """Return a tally of these cells."""
    state = more.pop("state", State())
    tally = Tally(state, **more)
    for context, key, island, cell in parts:
        tally.cells[state.contexts(context), key, island] = cell
    return tally


def marked(name: str, dialect: int = 0, **more: Any) -> Context:
    """Return a context inside an object's markers of one dialect."""
    objects = [""] * 5
    objects[dialect] = name
    return Context(tuple(objects), nozzle=255.0, **more)


def test_the_first_dialect_inside_whose_markers_anything_is_laid_names_the_objects() -> None:
    """Markers that hold no deposit hide nothing; without any, islands are objects."""
    assert Digest(tally_of(a_part(context=marked("a", 2)), a_part(context=marked("b", 1))))._dialect == 1
    assert (
        Digest(tally_of(a_part(context=marked("a", 1), moving=0.0), a_part(context=marked("b", 2))))._dialect
        == 2
    )
    alone = Digest(tally_of(a_part()))
    assert alone._dialect == digest._ISLANDS == 5
    assert (alone._who(("",) * 5, 3), alone._who(("",) * 5, 0), alone._marked(("",) * 5)) == (
        "piece 3",
        "",
        "",
    )
    inside = Digest(tally_of(a_part(context=marked("a"))))
    assert (inside._who(marked("a").objects, 0), inside._marked(marked("a").objects)) == ("a", "a")
    apart = Digest(tally_of(a_part(context=marked("a"))), separate=True)
    assert [apart._who(marked("a").objects, n) for n in (0, 2)] == ["", "a\x002"]
    assert apart._who(("",) * 5, 2) == ""


def test_objects_stand_in_the_order_in_which_they_were_begun() -> None:
    """Names that several share are numbered; islands are counted."""
    state = State()
    state.names = {(0, "10"): "bar", (0, "2"): "bar", (0, "7"): ""}
    parts = [
        a_part(context=marked("2"), t0=50.0, t1=60.0), a_part(context=marked("10"), t0=5.0, t1=6.0),
        a_part(400, context=marked("10"), t0=70.0, t1=80.0), a_part(context=marked("7"), t0=20.0, t1=21.0),
        a_part(context=marked("9"), moving=0.0, t0=1.0),
    ]  # fmt: skip
    plate = Digest(tally_of(*parts, state=state)).plate()

    assert [one.name for one in plate.objects] == ["bar #1", "object 7", "bar #2"]
    assert [len(one.layer_facts) for one in plate.objects] == [2, 1, 1]
    assert (plate.layers, plate.objects_guessed) == (2, False)
    pieces = Digest(tally_of(a_part(island=5, t0=9.0), a_part(island=2, t0=3.0), a_part(island=0))).plate()
    assert [(one.name, one.key) for one in pieces.objects] == [("piece 1", "piece 2"), ("piece 2", "piece 5")]
    assert pieces.objects_guessed
    assert pieces.unassigned_mm == pytest.approx(10.0)


def test_another_dialect_may_know_the_name_of_a_numbered_object() -> None:
    """Where its own markers give none, and something is laid; the lower dialect's name counts."""
    state = State()
    state.names = {(1, "one"): "bar", (2, "two"): "rod", (1, "three"): "never laid"}

    def both(number: str, *others: tuple[int, str], **more: Any) -> Part:
        objects = [number, "", "", "", ""]
        for dialect, name in others:
            objects[dialect] = name
        return a_part(context=Context(tuple(objects)), **more)

    found = Digest(
        tally_of(
            both("1", (2, "two"), (1, "one")), both("2", (2, "two"), t0=1.0),
            both("3", (1, "three"), moving=0.0),
            both("3", t0=2.0), state=state,
        )
    ).plate()  # fmt: skip

    assert [one.name for one in found.objects] == ["bar", "rod", "object 3"]


def test_each_tool_lays_what_the_spool_the_file_or_the_trade_says() -> None:
    """What was measured first, then the settings, then 1.75 mm; the plate's is of the tool that laid most."""
    state = State()
    state.settings = {"filament_diameter": "2.85,2.9", "filament_density": "1.24,1.07"}
    parts = [
        a_part(context=Context(tool=1), filament=30.0, moving=30.0), a_part(400, context=Context(tool=0)),
        a_part(400, context=Context(tool=3), filament=0.0, moving=0.0),
    ]  # fmt: skip
    tally = tally_of(*parts, state=state)
    of_file = Digest(tally).plate()
    measured = Digest(tally, [1.7, None], 1.3).plate()
    bare = Digest(tally_of(*parts)).plate()

    assert (of_file.filament_diameter_mm, of_file.filament_diameter_basis, of_file.density_g_cm3) == (
        2.9,
        STATED,
        1.07,
    )
    assert [(use.tool, use.diameter_mm, use.density_g_cm3) for use in of_file.tools] == [
        (0, 2.85, 1.24),
        (1, 2.9, 1.07),
    ]
    assert of_file.tools[0].filament_g == pytest.approx(10.0 * math.pi / 4 * 2.85**2 * 1.24 / 1000)
    assert [(use.diameter_mm, use.density_g_cm3) for use in measured.tools] == [(1.7, 1.3), (2.9, 1.3)]
    assert (measured.filament_diameter_basis, measured.density_g_cm3) == (STATED, 1.3)
    assert Digest(tally, [None, 1.7]).plate().filament_diameter_basis == GIVEN
    assert measured.filament_g == pytest.approx(sum(use.filament_g or 0 for use in measured.tools))
    assert (bare.filament_diameter_mm, bare.filament_diameter_basis, bare.density_g_cm3, bare.filament_g) == (
        1.75, ESTIMATED, None, None,
    )  # fmt: skip
    assert [one.filament_g_basis for one in Digest(tally_of(*parts), None, 1.2).plate().objects] == [GIVEN]
    assert [one.filament_g_basis for one in bare.objects] == [NOT_STATED]
    assert digest._of_tools([1.0, 2.0, 3.0], [1, 2]) == {0: 1.0, 1: 2.0, 2: 3.0}
    assert digest._of_tools([1.0, 2.0], [1, 3]) == {1: 1.0, 3: 2.0}
    assert digest._of_tools(1.5, [1, 3]) == {1: 1.5, 3: 1.5}
    assert digest._of_tools(None, [0]) == {0: None}


def test_what_tools_lay_is_told_with_flow_and_nozzle() -> None:
    """Grams by diameter and density; a cold nozzle is not stated; skirts are no part of the body."""
    parts = [
        a_part(context=Context(nozzle=250.0, flow=1.1)),
        a_part(400, context=Context(nozzle=260.0, auxiliary=True)),
        a_part(600, context=Context(nozzle=99.0)), a_part(600, context=Context(tool=1), filament=0.0),
        a_part(800, context=Context(tool=1), filament=-2.0),
    ]  # fmt: skip
    made = Digest(tally_of(*parts), None, 2.0)
    (use,) = made._tools(made._parts)

    assert use.filament_mm == pytest.approx(11.0 + 10.0 + 10.0)
    assert use.filament_g == pytest.approx(31.0 * AREA * 2.0 / 1000)
    assert use.nozzle_c == Reading(255.0, 250.0, 260.0, COMMANDED, pytest.approx(2 / 3))
    assert use.body_mm == pytest.approx(21.0)
    assert digest._grams(()) is None
    known, unknown = SimpleNamespace(filament_g=1.0), SimpleNamespace(filament_g=None)
    assert digest._grams((known, known)) == 2.0  # type: ignore[arg-type]
    assert digest._grams((known, unknown)) is None  # type: ignore[arg-type]


def test_changes_of_tool_take_what_the_stated_time_leaves() -> None:
    """Five minutes each at most; what begins right at a change comes after it, what ends there before."""

    def cells(stated: str | None, changes: list[float]) -> tuple[float, list[tuple[float, float]]]:
        state = State()
        state.settings = {} if stated is None else {"estimated printing time (normal mode)": stated}
        parts = [a_part(t0=0.0, t1=10.0), a_part(400, t0=10.0, t1=20.0), a_part(600, t0=25.0, t1=40.0)]
        made = Digest(tally_of(*parts, state=state, time=40.0, changes_s=changes))
        return made._change_s, [(part.cell.t0, part.cell.t1) for part in made._parts]

    assert cells("1m 20s", [10.0, 25.0]) == (20.0, [(0.0, 10.0), (30.0, 40.0), (65.0, 80.0)])
    plain = [(0.0, 10.0), (10.0, 20.0), (25.0, 40.0)]
    assert cells("1m 20s", []) == (0.0, plain)
    assert cells(None, [10.0]) == (0.0, plain)
    assert cells("40s", [10.0]) == (0.0, plain)
    assert cells("30s", [10.0]) == (0.0, plain)
    assert cells("5m 40s", [10.0])[0] == 300.0
    assert cells("5m 41s", [10.0]) == (0.0, plain)


def test_totals_of_a_plate() -> None:
    """With and without flow factor, auxiliary, behind the first mark; time with what changes take."""
    begun = Context(begun=True, flow=2.0)
    state = State()
    state.marks = [[0.2, 0.2]]
    parts = [
        a_part(context=begun),
        a_part(400, context=begun._replace(auxiliary=True)),
        a_part(600, island=0),
    ]
    plate = Digest(tally_of(*parts, state=state, time=33.0)).plate()

    assert (plate.filament_mm, plate.commanded_mm, plate.aux_mm, plate.in_layers_mm) == (
        50.0,
        30.0,
        20.0,
        40.0,
    )
    assert plate.filament_basis == WITH_FLOW_FACTOR
    assert plate.unassigned_mm == pytest.approx(10.0)
    assert plate.time_s == 33.0
    assert Digest(tally_of(a_part())).plate().in_layers_mm is None
    assert Digest(tally_of(a_part())).plate().filament_basis == COMMANDED


def test_the_basis_of_a_time_names_accelerations_and_changes() -> None:
    """Those in the file, or assumed ones."""
    made = Digest(tally_of(a_part()))
    assert made._time_basis() == f"{ESTIMATED}, with assumed accelerations (the file states none)"
    for command in ("M204", "SET_VELOCITY_LIMIT"):
        made._state.stated_plan = {command}
        assert made._time_basis() == f"{ESTIMATED}, with the accelerations in the file"
    made._state.stated_plan, made._change_s, made._tally.changes_s = {"M203"}, 12.345, [1.0, 2.0]
    assert made._time_basis().endswith(
        "(the file states none), and 12.3 s for each of 2 tool changes by the file's total"
    )


def test_a_file_that_lays_nothing_says_what_it_does_instead() -> None:
    """Travel in layers; moves without E, in which unit; nothing at all."""

    def said(*parts: Part, **how: Any) -> str:
        state = State()
        state.marks = how.get("marks", [])
        if how.get("inches"):
            state.modes(state.mode._replace(unit=25.4))
        with pytest.raises(NoExtrusion) as refused:
            Digest(tally_of(*parts, state=state)).plate()
        return str(refused.value)

    idle = a_part(moving=0.0, filament=3.0)
    assert "its layers hold travel only" in said(idle, marks=[[0.2, 0.2]])
    assert "its layers hold travel only" in said(a_part(context=Context(begun=True), moving=0.0))
    assert "1 group(s) of moves without E, in mm" in said(idle)
    assert "1 group(s) of moves without E, in inch" in said(idle, inches=True)
    assert "it holds no moves" in said()


def test_signs_of_a_cut() -> None:
    """An object left open, fewer layers than stated, an open block, and nothing behind the last deposit."""

    def signs(dialect: int = 4, stated: Stated | None = None, **how: Any) -> list[str]:
        state = State()
        state.mark_counts = Counter(how.pop("marks", {}))
        state.context = how.pop("context", Context())
        state.in_thumbnail = how.pop("picture", False)
        state.brackets = Counter(how.pop("brackets", {}))
        tally = tally_of(a_part(filament=1000.0), state=state, **{"ended": True, **how})
        return digest._signs_of_a_cut(tally, dialect, stated or Stated())

    assert signs() == []
    assert signs(cuts=["torn"]) == ["torn"]
    for dialect in range(5):
        open_ = signs(dialect, context=marked("a", dialect))
        assert open_ == (["the last object is still open at the end"] if dialect < 3 else [])
    assert signs(stated=Stated(layers=5), marks={"a": 3, "b": 4}) == ["4 layers of 5 stated"]
    assert signs(stated=Stated(layers=5), marks={"a": 5}) == []
    assert signs(stated=Stated(layers=5)) == []
    block = ["a block of settings or a picture is still open at the end"]
    assert signs(picture=True) == block
    assert signs(brackets={"x": 1}) == block
    assert signs(brackets={"x": 0, "y": -1}) == []
    behind = ["nothing comes after the last move that deposits"]
    assert signs(ended=False) == behind
    assert signs(ended=False, stated=Stated(filament_mm=1004.9)) == []
    assert signs(ended=False, stated=Stated(filament_mm=1005.1)) == behind
    assert signs(ended=False, stated=Stated(layers=5), marks={"a": 5}) == []
    assert signs(ended=False, stated=Stated(layers=5), marks={"a": 4}) == ["4 layers of 5 stated", *behind]


def test_what_is_worth_saying_of_a_file() -> None:
    """Signs of a cut first; what happened several times is counted; how E was taken, last."""
    state = State(relative_e=True)
    state.troubles = Counter({"a line of 9 characters": 1, "an odd command": 3})
    tally = tally_of(a_part(), state=state, ended=True, problems=["odd"])
    notes, complete = problems_of(tally, 4, Stated())

    assert complete
    assert notes == (
        "odd", "a line of 9 characters", "an odd command (3 times)",
        "neither M82 nor M83: E was taken as relative (guessed)",
    )  # fmt: skip
    state.mode = state.mode._replace(e_stated=True)
    tally.ended = False
    notes, complete = problems_of(tally, 4, Stated())
    assert not complete
    assert notes[0] == "incomplete: nothing comes after the last move that deposits"
    assert len(notes) == 4
    state.mode = state.mode._replace(e_stated=False, relative_e=False)
    assert problems_of(tally, 4, Stated())[0][-1].endswith("taken as absolute (guessed)")


def test_a_line_is_as_wide_as_stated_or_as_its_section_gives() -> None:
    """That of most filament; else a rectangle with round ends: w = A/h + h (1 - π/4)."""
    tally = tally_of(
        a_part(context=marked("a")),
        widths={(marked("a").objects, 0.42): 3.0, (marked("a").objects, 0.5): 2.0},
    )
    assert Digest(tally)._width("a", [], 0.2) == (0.42, STATED)
    bare = Digest(tally_of(a_part(context=marked("a"))))
    section = 10.0 * AREA / 100.0
    assert bare._width("a", bare._parts, 0.2)[0] == pytest.approx(section / 0.2 + 0.2 * (1 - math.pi / 4))
    assert bare._width("a", bare._parts, 0.2)[1] == ESTIMATED
    assert bare._width("a", [a_part(path=0.0)], 0.2)[0] == pytest.approx(0.2 * (1 - math.pi / 4))


def test_retractions_are_the_commonest_and_not_the_mean() -> None:
    """Length by all its speeds, speed of that length; by firmware apart; of a part those of its object."""
    counted = Counter({(80, 2400.0): 3, (80, 1800.0): 4, (200, 600.0): 6})
    tally = tally_of(a_part(context=marked("a")), retractions={marked("a").objects: counted})
    tally.state.firmware_retracts[marked("a").objects] = 2
    made = Digest(tally)

    assert made._retractions("a") == Retractions(13, 0.8, 30.0, 2, COMMANDED)
    assert made._retractions("a\x003") == made._retractions("a")
    assert made._retractions("b") == Retractions()
    tally.retractions.clear()
    assert Digest(tally)._retractions("a") == Retractions(by_firmware=2, basis=COMMANDED)
    tally.retractions[marked("a").objects] = Counter({(80, 0.0): 1})
    assert Digest(tally)._retractions("a") == Retractions(1, 0.8, None, 2, COMMANDED)


def test_flows_are_quantiles_of_what_was_laid() -> None:
    """Half and nineteen of twenty parts of the filament were laid more slowly; together and by feature."""
    low, middle, high = (rate_bin(rate) for rate in (1.0, 2.0, 3.0))
    table = {middle: 4.5, low: 5.0, high: 0.5}
    assert digest._quantiles(table) == (bin_rate(low), bin_rate(middle))
    assert digest._quantiles({low: 4.9, middle: 4.5, high: 0.6}) == (bin_rate(middle), bin_rate(high))
    assert digest._quantiles({low: 1.0}) == (bin_rate(low),) * 2
    assert digest._quantiles({low: 0.01, middle: 0.99}) == (bin_rate(middle),) * 2
    rates = [
        ("wall", {low: 5.0}, 1.5),
        ("", {low: 9.0}, 8.0),
        ("wall", {low: 1.0, high: 1.0}, 4.0),
        ("infill", {}, 2.0),
    ]
    assert digest._flow(rates[:1], 2.0) == Flow(2 * bin_rate(low), 2 * bin_rate(low), 3.0, ESTIMATED)
    # In all 15 at the low rate and 1 at the high one; the greatest is given.
    assert digest._flow(rates, 1.0, most=7.0) == Flow(bin_rate(low), bin_rate(high), 7.0, ESTIMATED)
    assert digest._flow(rates, 1.0).most == 8.0
    assert digest._flow_by_feature(rates, 1.0) == (
        ("wall", Flow(bin_rate(low), bin_rate(high), 4.0, ESTIMATED)), ("infill", Flow()),
    )  # fmt: skip
    assert digest._flow((), 1.0) == Flow()


def a_layer(z: float, height: float = 0.2, filament: float = 10.0, *stretches: Stretch) -> Layer:
    """Return a layer."""
    return Layer(z, height, 0.0, 1.0, 1.0, 1.0, filament, 1.0, 40.0, SetPoints(), stretches or (a_stretch(),))


def test_a_pause_lies_behind_the_last_layer_laid_before_it() -> None:
    """Inside a layer where more of that follows; one that came before anything was laid is none."""
    codes = [("M0", 0), ("M600", 1), ("M601", 2), ("M25", 3)]
    layers = (
        a_layer(0.2, 0.2, 1.0, a_stretch(pauses=1)),
        a_layer(0.4, 0.2, 1.0, a_stretch(pauses=1), a_stretch(pauses=2)),
        a_layer(0.6, 0.2, 1.0, a_stretch(pauses=2)), a_layer(0.8, 0.2, 1.0, a_stretch(pauses=4)),
    )  # fmt: skip
    assert digest._pauses(layers, codes) == (
        Pause("M600", 2, 0.4, True), Pause("M601", 3, 0.6, False), Pause("M25", 3, 0.6, False),
    )  # fmt: skip
    assert digest._pauses(layers, []) == ()
    assert digest._pauses(layers[:1], codes) == ()
    assert digest._pauses(layers, codes[:2]) == (Pause("M600", 2, 0.4, True),)


def test_a_brim_or_raft_that_nothing_names_is_wider_on_every_side() -> None:
    """By more than 1.2 mm, up to six layers, and not more than half of them."""

    def piece(*margins: float, sides: tuple[int, ...] = (1, 1, 1, 1), count: int = 12) -> list[Part]:
        wide = [*margins, *[0.0] * (count - len(margins))]
        return [
            a_part(
                200 * (n + 1), x0=-m * sides[0], y0=-m * sides[1], x1=20 + m * sides[2], y1=10 + m * sides[3]
            )
            for n, m in enumerate(wide)
        ]

    def below(parts: list[Part]) -> int:
        upper, count = digest._body(parts)
        assert len(upper) == len(parts) - count
        return count

    assert below(piece(1.21)) == 1
    assert below(piece(1.19)) == 0
    assert below(piece(3.0, 3.0, 3.0)) == 3
    assert below(piece(*[3.0] * 6)) == 6
    assert below(piece(*[3.0] * 7)) == 0
    assert below(piece(3.0, 3.0, count=4)) == 2
    assert below(piece(3.0, 3.0, count=3)) == 0
    for side in range(4):
        sides = tuple(int(n != side) for n in range(4))
        assert below(piece(3.0, sides=sides)) == 0  # type: ignore[arg-type]
    climbing = Part(Context(), ramp_key(0.3, 0), 1, a_cell())
    assert digest._body([climbing]) == ([climbing], 0)


def test_the_usual_layer_height_is_that_of_most_filament() -> None:
    """To a micrometre; of a single layer its own."""
    layers = (a_layer(0.3, 0.3, 9.0), a_layer(0.5, 0.20004, 5.0), a_layer(0.7, 0.19996, 5.0))
    assert digest._typical_height(layers) == 0.2
    assert digest._typical_height(layers[:2]) == 0.3
    assert digest._typical_height((a_layer(0.12345, 0.12345),)) == 0.123


def test_a_box_is_half_a_line_wider_than_its_centre_lines() -> None:
    """From the bottom of the first layer to the top of the last."""
    parts = [a_part(x0=1.0, y0=2.0, x1=9.0, y1=8.0), a_part(x0=3.0, y0=0.0, x1=11.0, y1=5.0)]
    layers = (a_layer(0.5, 0.3), a_layer(0.7))
    assert digest._box(parts, layers, 0.4) == pytest.approx((0.8, -0.2, 0.2, 11.2, 8.2, 0.7))


def test_set_points_of_all_layers_are_those_of_each_where_they_share_them() -> None:
    """The same object; else weighed anew by filament."""
    shared = SetPoints(Reading(250.0, 250.0, 250.0, COMMANDED, 1.0))
    layer = a_layer(0.2)
    same = tuple(
        Layer(*[shared if name == "set_points" else getattr(layer, name) for name in Layer.__slots__])
        for _ in "ab"
    )
    assert digest._in_force(same) is shared
    assert digest._in_force((*same, a_layer(0.4, 0.2, 1.0, a_stretch(nozzle_c=260.0)))).nozzle_c.high == 260.0


def test_an_object_has_an_outline_a_place_and_what_it_took() -> None:
    """Hull where there is one, else the box of its centre lines; auxiliary filament apart."""
    context = marked("a\nid")
    tally = tally_of(
        a_part(context=context), a_part(400, context=context._replace(auxiliary=True), t0=9.0),
        hulls={(context.objects, 1): [(0.0, 0.0), (20.0, 0.0), (20.0, 10.0)]},
    )  # fmt: skip
    (one,) = Digest(tally, None, 1.0).plate().objects
    width = one.line_width_mm

    assert one.key == "a id id"
    assert one.outline_mm == ((0.0, 0.0), (20.0, 0.0), (20.0, 10.0))
    assert one.size_mm == pytest.approx((20 + width, 10 + width, 0.2))
    assert one.centre_mm == pytest.approx((10.0, 5.0))
    assert (one.filament_mm, one.aux_mm, one.parts) == (20.0, 10.0, 1)
    assert one.filament_g == pytest.approx(20.0 * AREA / 1000)
    tally.hulls.clear()
    tally.apart[context.objects] = 3
    (bare,) = Digest(tally).plate().objects
    assert [pytest.approx(point) for point in bare.outline_mm] == [(0, 0), (20, 0), (20, 10), (0, 10)]
    assert bare.rect_mm == pytest.approx((20 + width, 10 + width))
    assert bare.parts == 3
    # How a map draws it is no fact of it.
    assert replace(bare, contour_mm=((0.0, 0.0),), gauge_mm=((1.0, 1.0),)) == bare


# Rows added up


def test_sums_between_places() -> None:
    """From each start to before each stop, of nothing nought; they may touch and end with the last."""
    values = np.array([1.0, 2.0, 4.0, 8.0, 16.0])
    for starts, stops in (
        ([0, 2], [2, 5]),
        ([1, 3], [1, 4]),
        ([0], [5]),
        ([], []),
        ([0, 3, 4], [3, 3, 5]),
    ):
        found = gather._between(values, np.array(starts, dtype=np.intp), np.array(stops, dtype=np.intp))
        assert found.tolist() == [sum(values[a:b]) for a, b in zip(starts, stops, strict=True)]


def test_rates_are_binned_by_place() -> None:
    """Filament by place and bin as one by one; far outside they fall into the first or last bin."""
    rng = np.random.default_rng(3)
    rates, deposit = rng.uniform(0.01, 30, 200), rng.uniform(0.1, 1, 200)
    place = rng.integers(0, 4, 200)
    sums, low = gather.Gatherer._binned(rates, deposit, place)
    plain: dict[tuple[int, int], float] = {}
    for rate, weight, at in zip(rates, deposit, place, strict=True):
        key = int(at), rate_bin(rate) - gather._BIAS
        plain[key] = plain.get(key, 0.0) + weight
    found = {(row, column + low): value for (row, column), value in np.ndenumerate(sums) if value}

    assert found.keys() == plain.keys()
    assert [found[key] for key in plain] == pytest.approx(list(plain.values()))
    edge, first = gather.Gatherer._binned(np.array([1e-9, 1e9]), np.array([1.0, 2.0]), np.array([0, 0]))
    assert (first, edge.shape, edge[0, 0], edge[0, -1]) == (0, (1, gather._RATE_BINS), 1.0, 2.0)


def test_the_greatest_rate_of_each_run() -> None:
    """Nought where no row tells one."""
    rates, measurable = np.array([3.0, 5.0, 2.0, 9.0]), np.array([1, 2, 5, 6])
    assert gather._greatest(rates, measurable, np.array([0, 3, 5]), 7).tolist() == [5.0, 0.0, 9.0]
    assert gather._greatest(rates[:0], measurable[:0], np.array([0, 3]), 7).tolist() == [0.0, 0.0]


def rows_of(deposits: list[int], **more: Any) -> Any:
    """Return rows as far as they are added up."""
    laid = np.array(deposits, dtype=bool)
    n = len(laid)
    known: dict[str, Any] = {
        "deposits": laid, "deposit": laid * 1.0, "way": np.full(n, 2.0), "speed": np.full(n, 10.0),
        "visit": np.zeros(n, np.intp), "key": np.where(laid, 200, NO_LAYER), "island": laid.astype(np.intp),
    }  # fmt: skip
    return Columns({**known, **{name: np.array(value) for name, value in more.items()}})


class Columns(SimpleNamespace):
    """Rows by their columns."""

    def __init__(self, columns: dict[str, Any]) -> None:
        super().__init__(**columns)

    def __len__(self) -> int:
        return len(self.deposits)


def test_sums_of_runs() -> None:
    """Filament standing or moving, and of depositing moves their time, way and speed by filament."""
    rows = rows_of(
        [1, 0, 1, 1], deposit=[1.0, 5.0, 2.0, 3.0], way=[2.0, 9.0, 4.0, 6.0], speed=[10.0, 99.0, 20.0, 30.0]
    )
    seconds = np.array([0.5, 7.0, 1.0, 2.0])
    found = [each.tolist() for each in gather._sums(rows, np.array([0, 2]), seconds)]
    assert found == [[6.0, 5.0], [1.0, 5.0], [7.5, 3.0], [0.5, 3.0], [2.0, 10.0], [10.0, 130.0]]


def test_spans_of_runs_begin_and_end_with_a_deposit() -> None:
    """Seconds since the start of the file; a run that lays nothing has none."""
    rows = rows_of([0, 1, 0, 0, 0, 1, 1])
    seconds = np.array([1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0])
    t0, t1 = gather._spans(rows, np.array([0, 3, 5]), seconds, 100.0)
    assert t0.tolist() == [101.0, math.inf, 131.0]
    assert t1.tolist() == [103.0, -math.inf, 227.0]


def keys_of(rows: Any, before: tuple[int, int, int] = (-1, NO_LAYER, 0)) -> tuple[list[int], list[int], Any]:
    """Return layer and island of each row, and what is remembered for those that follow."""
    made = gather.Gatherer(Tally(State()))
    made._before = before
    keys, islands = made._keys(rows)
    return keys.tolist(), islands.tolist(), made._before


def test_travel_belongs_to_the_next_deposit_of_its_visit_else_the_last() -> None:
    """Of no visit that lays anything: to no layer; the last deposit is remembered for what follows."""
    rows = rows_of(
        [0, 1, 0, 0, 1, 0, 0, 0], visit=[1, 1, 1, 2, 2, 2, 3, 3],
        key=[NO_LAYER, 200, NO_LAYER, NO_LAYER, 400, NO_LAYER, NO_LAYER, NO_LAYER],
        island=[0, 7, 0, 0, 8, 0, 0, 0],
    )  # fmt: skip
    keys, islands, before = keys_of(rows)
    assert keys == [200, 200, 200, 400, 400, 400, NO_LAYER, NO_LAYER]
    assert islands == [7, 7, 7, 8, 8, 8, 0, 0]
    assert before == (2, 400, 8)


def test_travel_of_a_visit_that_laid_before_belongs_to_that_deposit() -> None:
    """Rows come in pieces: what was laid last in the one before is remembered by its visit."""
    idle = rows_of([0, 0], visit=[4, 5], key=[NO_LAYER] * 2, island=[0, 0])
    assert keys_of(idle, (4, 600, 3)) == ([600, NO_LAYER], [3, 0], (4, 600, 3))
    first = rows_of([0, 0, 1], visit=[4, 5, 6], key=[NO_LAYER, NO_LAYER, 800], island=[0, 0, 2])
    assert keys_of(first, (4, 600, 3)) == ([600, NO_LAYER, 800], [3, 0, 2], (6, 800, 2))


def test_whole_visits_stop_behind_a_deposit() -> None:
    """Of as many rows as are settled; none without a deposit."""
    rows = rows_of([0, 1, 0, 1, 0])
    assert [gather.Gatherer._whole_visits(rows, count) for count in (5, 4, 3, 2, 1, 0)] == [4, 4, 2, 2, 0, 0]


def test_a_dwell_takes_its_own_time() -> None:
    """A row without a way; moving rows are timed as they are planned."""
    rows = rows_of([1, 0, 1], way=[10.0, 0.0, 10.0], acceleration=[1e6] * 3, dwell=[0.0, 3.5, 0.0])
    seconds = gather._seconds(rows, np.array([100.0, 100.0, 100.0, 100.0]))
    assert seconds.tolist() == pytest.approx([1.0, 3.5, 1.0])
    moving = rows_of([1], way=[10.0], acceleration=[1e6], dwell=[9.0])
    assert gather._seconds(moving, np.array([100.0, 100.0])).tolist() == pytest.approx([1.0])
