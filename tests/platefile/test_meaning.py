"""What each command and comment means, word for word, and what limits of motion a command sets."""

from __future__ import annotations

from typing import Any

import pytest

from tests.frozen import changeable
from tracker.platefile.meaning import COMMANDS, of_comment, of_line, take_apart
from tracker.platefile.state import Plan, State, changed_by

ENDS = ("ends",)
STILL = ("dwell", 0.0)


def unknown(code: str) -> tuple[Any, ...]:
    """Return what an unknown command means."""
    return ("unknown", code)


LINES: dict[str, tuple[Any, ...]] = {
    "G0 X1 Y-2.5": (("move", 1, (("X", 1.0), ("Y", -2.5))),),
    "G1 X1 F": (("move", 1, (("X", 1.0),)),),
    "G2 X1 I2": (("move", 2, (("X", 1.0), ("I", 2.0))),),
    "G3 X1 J2": (("move", 3, (("X", 1.0), ("J", 2.0))),),
    "G4 P500": (("dwell", 0.5),),
    "G4 S2 P500": (("dwell", 2.0),),
    "G4 S0 P500": (("dwell", 0.0),),
    "G4": (STILL,),
    "G10": (("retract",),),
    "G10 P1 S215": (("nozzle", 215.0, 1.0),),
    "G10 P1": (unknown("G10"),),
    "G10 S1": (unknown("G10"),),
    "G10 L2 P1 S0": (unknown("G10"),),
    "G10 P1 S215 X3": (unknown("G10"),),
    "G10 R120": (unknown("G10"),),
    "G11": (("recover",),),
    "G17": (("plane", True),),
    "G18": (("plane", False),),
    "G19": (("plane", False),),
    "G20": (("unit", 25.4),),
    "G21": (("unit", 1.0),),
    "G28": (STILL, ("home", "XYZ"), ENDS),
    "G28 Y X": (STILL, ("home", "XY"), ENDS),
    "G28 Z0": (STILL, ("home", "Z"), ENDS),
    "G29": (STILL, unknown("G29")),
    "G32": (STILL, unknown("G32")),
    "G34": (STILL, unknown("G34")),
    "G80": (STILL, unknown("G80")),
    "G90": (("relative", False),),
    "G91": (("relative", True),),
    "G92": (("set_e", 0.0), ("position", (("X", 0.0), ("Y", 0.0), ("Z", 0.0)))),
    "G92 E0": (("set_e", 0.0),),
    "G92 E1.5 Z2": (("set_e", 1.5), ("position", (("Z", 2.0),))),
    "G92 X E": (("set_e", 0.0), ("position", (("X", 0.0),))),
    "G92 F3": (("set_e", 0.0), ("position", (("X", 0.0), ("Y", 0.0), ("Z", 0.0)))),
    "M82": (("relative_e", False),),
    "M83": (("relative_e", True),),
    "M104 S215": (("nozzle", 215.0, None),),
    "M104 S215 T1": (("nozzle", 215.0, 1.0),),
    "M104 S0": (("nozzle", 0.0, None), ENDS),
    "M104 R200": (),
    "M104 P100": (("nozzle", 100.0, None),),
    "M104 P99": (),
    "M109 S215": (STILL, ("nozzle", 215.0, None)),
    "M109 R180": (STILL, ("nozzle", 180.0, None)),
    "M109": (STILL,),
    "M109 P200": (STILL, ("nozzle", 200.0, None)),
    "M140 S60": (("bed", 60.0, None),),
    "M140 S0": (("bed", 0.0, None), ENDS),
    "M140 P100": (),
    "M140 R60": (),
    "M190 S60": (STILL, ("bed", 60.0, None)),
    "M190 R60": (STILL, ("bed", 60.0, None)),
    "M141 S40": (("chamber", 40.0, None),),
    "M141 R40": (),
    "M191 S40": (STILL, ("chamber", 40.0, None)),
    "M191 R40": (STILL, ("chamber", 40.0, None)),
    "M106": (("fan", 0, 255.0),),
    "M106 S0": (("fan", 0, 0.0),),
    "M106 P2 S128": (("fan", 2, 128.0),),
    "M106 P1 T2": (),
    "M106 T2 S90": (("fan", 0, 90.0),),
    "M107": (("fan", 0, 0.0),),
    "M107 P3": (("fan", 3, 0.0),),
    "M200 D1.75": (("volumetric", 1.75),),
    "M200 D2.85 S0": (("volumetric", 0.0),),
    "M200 D2.85 S1": (("volumetric", 2.85),),
    "M200 D0": (("volumetric", 0.0),),
    "M200": (("volumetric", 0.0),),
    "M201 X500 Y": (("limits", "M201", (("X", 500.0),)),),
    "M203 X200": (("limits", "M203", (("X", 200.0),)),),
    "M204 P900": (("limits", "M204", (("P", 900.0),)),),
    "M205 X8": (("limits", "M205", (("X", 8.0),)),),
    "M566 X480": (("limits", "M566", (("X", 480.0),)),),
    "SET_VELOCITY_LIMIT ACCEL=3000 VELOCITY=250": (
        ("limits", "SET_VELOCITY_LIMIT", (("ACCEL", 3000.0), ("VELOCITY", 250.0))),
    ),
    "SET_VELOCITY_LIMIT ACCEL={a} SQUARE_CORNER_VELOCITY=5": (
        ("limits", "SET_VELOCITY_LIMIT", (("SQUARE_CORNER_VELOCITY", 5.0),)),
    ),
    "SET_VELOCITY_LIMIT": (),
    "SET_HEATER_TEMPERATURE HEATER=extruder TARGET=215": (("nozzle", 215.0, None),),
    "SET_HEATER_TEMPERATURE HEATER=heater_bed TARGET=60": (("bed", 60.0, None),),
    "SET_HEATER_TEMPERATURE HEATER=Chamber": (("chamber", 0.0, None),),
    "SET_HEATER_TEMPERATURE HEATER=other TARGET=60": (),
    "SET_HEATER_TEMPERATURE HEATER=extruder TARGET={t}": (),
    "M220 S80": (("speed_factor", 80.0, None),),
    "M220 B": (("speed_factor", "B", None),),
    "M220 R": (("speed_factor", "R", None),),
    "M221 S95 T1": (("flow_factor", 95.0, 1.0),),
    "M221 S": (),
    "M221 X0 Y0 Z0": (),
    "T1": (("tool", 1),),
    "T0 P0": (("tool", 0),),
    "M600": (STILL, ("pause", "M600"), ENDS),
    "M601": (STILL, ("pause", "M601"), ENDS),
    "M0": (STILL, ("pause", "M0"), ENDS),
    "M1": (STILL, ("pause", "M1"), ENDS),
    "M25": (STILL, ("pause", "M25"), ENDS),
    "M226": (STILL, ("pause", "M226"), ENDS),
    "PAUSE": (STILL, ("pause", "PAUSE"), ENDS),
    "M486 S3": (("object", 0, "3", ""),),
    "M486 S-1": (("object", 0, "", ""),),
    "M486 S0": (("object", 0, "0", ""),),
    'M486 A"bar 1"': (("object_label", "bar 1"),),
    "M486 S2 Abar": (("object", 0, "2", ""), ("object_label", "bar")),
    "M486 Abar S5 P2": (("object_label", "bar S5 P2"),),
    "M486 P2": (("trouble", "an object is cancelled inside the file (M486 P, U or C)"),),
    "M486 U2": (("trouble", "an object is cancelled inside the file (M486 P, U or C)"),),
    "M486 C": (("trouble", "an object is cancelled inside the file (M486 P, U or C)"),),
    "M486 T5": (),
    "EXCLUDE_OBJECT_DEFINE NAME=bar": (),
    "EXCLUDE_OBJECT_START NAME='bar 1'": (("object", 1, "bar 1", "bar 1"),),
    "EXCLUDE_OBJECT_END NAME=bar": (("object", 1, "", ""),),
    "M624 x ; start printing object, unique label id: 7": (("object", 2, "unique label id: 7", "7"),),
    "M625 x ; stop printing object, unique label id: 7": (("object", 2, "", ""),),
    "M624 ; layer": (),
    "M73 P100": (ENDS,),
    "M73 P99": (),
    "M73": (),
    "M2": (ENDS,),
    "M18": (ENDS,),
    "M30": (ENDS,),
    "M81": (ENDS,),
    "M84": (ENDS,),
    **dict.fromkeys(("M117 x", "M118", "M900 K1", "M572", "M17", "M105", "M110", "M115", "M302", "M400"), ()),
    "M999": (unknown("M999"),),
    "G123.4": (unknown("G123.4"),),
    "START_PRINT BED=60": (unknown("START_PRINT"), ("macro", "START_PRINT", (("BED", "60"),))),
    "Q": (unknown("Q"),),
    "": (),
    "X5 Y5": (("trouble", "coordinates without a command"),),
}  # fmt: skip
"""A line, and what it means."""


@pytest.mark.parametrize("line", LINES)
def test_what_a_line_means(line: str) -> None:
    """Every command of the table, with the words it listens to and those it passes over."""
    assert of_line(line.encode()) == LINES[line]


def test_every_command_is_in_the_table_above() -> None:
    """A new one brings its line."""
    codes = {take_apart(line.encode()).code for line in LINES}
    assert set(COMMANDS) - codes == set()


COMMENTS: dict[str, tuple[Any, ...] | None] = {
    "printing object bar id:3 copy 0": ("object", 2, "bar id:3 copy 0", "bar"),
    "start printing object, unique label id: 12": ("object", 2, "unique label id: 12", "12"),
    "stop printing object bar id:3 copy 0": ("object", 2, "", ""),
    "stop printing object, unique label id: 12": ("object", 2, "", ""),
    "INIT printing object bar id:3 copy 0": ("setting", "INIT printing object bar id", "3 copy 0"),
    "MESH:bar.stl": ("object", 3, "bar.stl", "bar.stl"),
    "MESH:NONMESH": ("object", 3, "", "NONMESH"),
    "PRINTING: bar": ("object", 4, "bar", "bar"),
    "PRINTING: non-object": ("object", 4, "", "non-object"),
    "PRINTING_ID: -1": ("object_id", "-1"),
    "PRINTING_ID:7": ("object_id", "7"),
    "TYPE:Outer wall": ("feature", False, True, "Outer wall"),
    "TYPE:External perimeter": ("feature", False, True, "External perimeter"),
    "FEATURE: Skirt/Brim": ("feature", True, False, "Skirt/Brim"),
    **{f"TYPE:{word}": ("feature", True, False, word) for word in (
        "support material", "Raft", "Prime tower", "Wipe", "Purge", "Custom", "Ooze shield", "Skeleton")},
    "TYPE:Solid infill": ("feature", False, False, "Solid infill"),
    "WIDTH:0.42": ("width", 0.42),
    "LINE_WIDTH: .5": ("width", 0.5),
    "LAYER_CHANGE": ("layer", None, "LAYER_"),
    "CHANGE_LAYER": ("layer", None, "CHANGE"),
    "LAYER:12": ("layer", None, "LAYER:"),
    "LAYER:-2": ("layer", None, "LAYER:"),
    "BEGIN_LAYER_OBJECT z=0.400 z_thickness=0.200": ("layer", 0.4, "BEGIN"),
    "; --- layer 3 (0.2 @ 0.6) ---": ("layer", 0.6, "; --- "),
    "Z:0.6": ("layer_z", 0.6),
    "Z_HEIGHT: 1": ("layer_z", 1.0),
    "HEIGHT:0.2": ("layer_height", 0.2),
    "LAYER_HEIGHT: 0.25": ("layer_height", 0.25),
    "BEFORE_LAYER_CHANGE": None,
    "thumbnail begin 16x16 500": ("thumbnail", True),
    "thumbnail_PNG end": ("thumbnail", False),
    "CONFIG_BLOCK_START": ("bracket", "CONFIG_BLOCK", 1),
    "HEADER_BLOCK_END": ("bracket", "HEADER_BLOCK", -1),
    "prusaslicer_config = begin": ("bracket", "PRUSASLICER_CONFIG", 1),
    "end of print": ENDS,
    "print end": ENDS,
    "END-PRINT": ENDS,
    "SETTING_3 abc": ("chunk", "abc"),
    "fill_density = 40%": ("setting", "fill_density", "40%", True),
    "fill_density =": ("setting", "fill_density", "", True),
    "infill: 40": ("setting", "infill", "40"),
    f"{'k' * 80} = 1": ("setting", "k" * 80, "1", True),
    f"{'k' * 81} = 1": None,
    f"{'k' * 80}: 1": ("setting", "k" * 80, "1"),
    f"{'k' * 81}: 1": None,
    "home all axes": None,
}  # fmt: skip
"""A comment, and what it means."""


@pytest.mark.parametrize("comment", COMMENTS)
def test_what_a_comment_means(comment: str) -> None:
    """Marks of objects, layers and features, settings, and nothing."""
    found = of_comment(comment)
    if found == ("nothing",):
        found = None
    assert found == COMMENTS[comment]
    assert of_line(f" ;{comment}".encode()) in ((), (of_comment(comment),))


@pytest.mark.parametrize(
    ("code", "words", "changed"),
    [
        ("M204", {"S": 900.0}, {"printing": 900.0, "travel": 900.0}),
        ("M204", {"S": 900.0, "T": 1500.0}, {"printing": 900.0, "travel": 1500.0}),
        ("M204", {"P": 800.0, "R": 2000.0}, {"printing": 800.0, "retract": 2000.0}),
        ("M204", {"S": 0.0, "P": -5.0}, {}),
        # No printer moves at 2 m/s: a word beyond is mm/min, and so are those beside it.
        ("M203", {"X": 2000.0, "E": 60.0}, {"speed_x": 2000.0, "speed_e": 60.0}),
        ("M203", {"X": 2000.4, "E": 60.0}, {"speed_x": 33.34, "speed_e": 1.0}),
        ("M203", {"Y": 180.0, "Z": 12.0, "F": 9.0}, {"speed_y": 180.0, "speed_z": 12.0}),
        ("M203", {}, {}),
        ("M205", {"X": 8.0, "Y": 6.0}, {"jerk_xy": 6.0, "deviation": 0.0, "corner": 0.0}),
        ("M205", {"Y": 6.0, "Z": 0.4}, {"jerk_xy": 6.0, "deviation": 0.0, "corner": 0.0, "jerk_z": 0.4}),
        ("M205", {"J": 0.02}, {"deviation": 0.02}),
        ("M205", {"Z": 0.4, "X": 0.0}, {"jerk_z": 0.4}),
        (
            "M566",
            {"X": 480.0, "Y": 360.0, "Z": 24.0},
            {"jerk_xy": 6.0, "deviation": 0.0, "corner": 0.0, "jerk_z": 0.4},
        ),
        ("M566", {"J": 60.0}, {}),
        (
            "M201",
            {"X": 500.0, "Y": 400.0, "Z": 100.0, "E": 5000.0},
            {"limit_xy": 400.0, "limit_z": 100.0, "limit_e": 5000.0},
        ),
        ("M201", {"X": 0.0, "Z": 100.0}, {"limit_z": 100.0}),
        (
            "SET_VELOCITY_LIMIT",
            {"ACCEL": 3000.0, "SQUARE_CORNER_VELOCITY": 5.0, "VELOCITY": 250.0},
            {"printing": 3000.0, "travel": 3000.0, "corner": 5.0, "speed": 250.0},
        ),
        ("SET_VELOCITY_LIMIT", {"ACCEL": 0.0}, {}),
    ],
)  # fmt: skip
def test_what_limits_a_command_sets(code: str, words: dict[str, float], changed: dict[str, float]) -> None:
    """Field by field of the plan; nought and what is negative set none."""
    found = changed_by(code, words)
    assert found == pytest.approx(changed)
    assert set(found) <= set(Plan._fields)


def test_assumed_limits_of_a_machine_that_states_none() -> None:
    """Fitted to the layer times of one real plate; a speed, or an acceleration of an axis, has no limit."""
    plan = Plan()
    assert (plan.printing, plan.travel, plan.retract) == (1500.0, 1500.0, 10_000.0)
    assert (plan.jerk_xy, plan.jerk_z, plan.corner, plan.deviation, plan.factor) == (5.0, 0.2, 0.0, 0.0, 1.0)
    rest = [plan.speed_x, plan.speed_y, plan.speed_z, plan.speed_e, plan.speed]
    assert {*rest, plan.limit_xy, plan.limit_z, plan.limit_e} == {float("inf")}


def state_after(*lines: str, **how: Any) -> State:
    """Return the state that lines leave."""
    state = State(**how)
    for line in lines:
        for meaning in of_line(line.encode()):
            state.apply(meaning)
    return state


def test_marks_of_layers() -> None:
    """A height belongs to the mark before it that has none; another height without a mark is a new layer."""
    state = state_after(
        ";Z:0.2", ";HEIGHT:0.2", ";LAYER_CHANGE", ";Z:0.4", ";Z:0.4", ";HEIGHT:0.2", ";HEIGHT:0.3", ";Z:0.6"
    )
    assert state.marks == [[0.2, 0.2], [0.4, 0.2], [0.6, None]]
    assert dict(state.mark_counts) == {"z": 2, "LAYER_": 1}
    assert state.context.begun
    assert not state_after(";HEIGHT:0.2").context.begun


def test_objects_by_number_label_and_mesh() -> None:
    """A label names the current object once; copies of a mesh are told apart by their numbers."""
    state = state_after("M486 S3", "M486 Abar", "M486 Aother", "M486 S-1", "M486 Anobody")
    assert state.names == {(0, "3"): "bar"}
    assert state.context.objects[0] == ""
    state = state_after(";PRINTING: bar", ";PRINTING_ID: 2")
    assert state.context.objects[4] == "bar\n2"
    assert (state.names[4, "bar\n2"], state.visit) == ("bar", 1)
    state = state_after(";PRINTING: bar", ";PRINTING_ID: 2", ";PRINTING_ID: -1", ";PRINTING_ID: 5")
    assert (state.context.objects[4], state.visit) == ("", 2)


def test_features_settings_and_what_belongs_to_an_end() -> None:
    """The first of equal settings stands; an end is an end code, a macro not met before, or a setting."""
    state = state_after(";TYPE:Skirt", "; a = 1", "; a = 2", "START_PRINT", ";SETTING_1 x", ";SETTING_2 y")
    assert (state.context.auxiliary, state.outer, state.feature) == (True, False, "Skirt")
    assert state.settings == {"a": "1"}
    assert state.joined_chunks() == "xy"
    ends = {line: [state.ends(each) for each in of_line(line.encode())] for line in (
        "M84", "START_PRINT", "END_PRINT", "; b = 1", "; b: 1", ";SETTING_3 z", "G1 X1")}  # fmt: skip
    assert ends == {
        "M84": [True], "START_PRINT": [False, False], "END_PRINT": [False, True], "; b = 1": [True],
        "; b: 1": [False], ";SETTING_3 z": [True], "G1 X1": [False],
    }  # fmt: skip


# Looked at where the modules are loaded, as all that they are made of.
_changing = changeable("tracker.platefile", "tracker.platetext", "tracker.platemap")


def test_records_do_not_change_once_made() -> None:
    """Whoever was given one may rely on it; what gathers while it works stands here by name."""
    assert _changing == {
        "containers.Unpacked",
        "lines.Channels",
        "motion.Deposits",
        "motion._Span",
        "path.Bends",
        "path.Path",
        "path.Reading",
        "plain.Block",
        "planning.Moves",
        "planning.Rows",
        "tally.Cell",
        "tally.Tally",
    }
