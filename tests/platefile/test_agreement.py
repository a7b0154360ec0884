"""The fast reader and the plain interpreter give the same sums."""

from __future__ import annotations

import random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.platefile.agreement import differences
from tests.platefile.builder import DIALECTS, TWO, boxes, text
from tests.realdata import real_data
from tracker.platefile.meaning import COMMANDS

REAL = (
    "four-objects-m486",
    "four-objects-no-layer-comments",
    "one-object-mesh-comments",
    "one-object-printing-comments",
)

hundredths = st.integers(-30_000, 30_000).map(lambda n: f"{n / 100:g}")
finer = st.decimals(-300, 300, places=5).map(str)
little = st.integers(-200, 500).map(lambda n: f"{n / 1000:.5f}")
# Great amounts are rare: after one of them nothing rises above the mark again for long.
amount = st.one_of(little, little, little, little, little, little, finer)
feed = st.sampled_from(["", " F1200", " F600.5", " F9000", " F0"])


@st.composite
def straight(draw: st.DrawFn) -> str:
    """A straight move with any of its words."""
    words = [f"{axis}{draw(hundredths)}" for axis in "XY" if draw(st.booleans())]
    words += [f"Z{draw(st.sampled_from(['0.2', '0.4', '0.6', '1']))}"] if draw(st.integers(0, 5)) == 0 else []
    words += [f"E{draw(amount)}"] if draw(st.booleans()) else []
    return f"G{draw(st.sampled_from('01'))} {' '.join(words)}{draw(feed)}"


@st.composite
def arc(draw: st.DrawFn) -> str:
    """An arc by centre or by radius, a full circle, a helix."""
    ends = [f"{axis}{draw(hundredths)}" for axis in "XY" if draw(st.integers(0, 4))]
    centre = (
        [f"I{draw(hundredths)}", f"J{draw(hundredths)}"]
        if draw(st.integers(0, 4))
        else [f"R{draw(hundredths)}"]
    )
    rest = (
        [f"E{draw(amount)}"]
        if draw(st.booleans())
        else [f"Z{draw(hundredths)}"]
        if draw(st.booleans())
        else []
    )
    return f"G{draw(st.sampled_from('23'))} {' '.join([*ends, *centre, *rest])}{draw(feed)}"


OTHER = (
        "G90", "G91", "M82", "M83", "G92 E0", "G92 X5 Y5", "G92 Z0.1 E3", "G28 X", "G28", "G20", "G21",
        "M104 S210", "M104 S230", "M109 S200", "M140 S60", "M141 S40", "M106 S127.5", "M107", "M106 P2 S255",
        "M204 S500", "M204 P800 T1200 R900", "M205 X4 Y4 Z1", "M203 X50 Y60 Z5 E20",
        "M201 X400 Y300 Z50 E900",
        "SET_VELOCITY_LIMIT ACCEL=2000 SQUARE_CORNER_VELOCITY=6", "M205 J0.02",
        "M220 S50", "M221 S95", "G4 P500",
        "T0", "T1", "G10", "G11", "M600", "M486 S0", "M486 S1", "M486 S-1", "EXCLUDE_OBJECT_START NAME=a",
        "EXCLUDE_OBJECT_END", "; printing object b id:1 copy 0", "; stop printing object b id:1 copy 0",
        ";MESH:m",
        ";MESH:NONMESH", ";PRINTING: p", ";PRINTING_ID: 3", ";PRINTING_ID: -1", ";LAYER_CHANGE", ";Z:0.4",
        ";TYPE:Outer wall", ";TYPE:Skirt", ";TYPE:Infill", ";WIDTH:0.45", ";WIDTH:0.6", "; key = value",
        "", "M117 hi",
        "START X=1", "G17", "G18", "M200 D1.75", "M200 D0",
)  # fmt: skip
other = st.sampled_from(OTHER)

LETTERS = "XYZEFIJRPSTDHLABCUWV"
VALUES = st.one_of(
    st.none(),
    st.integers(0, 3000),
    st.sampled_from([0, 1, 0.5, 2, 60, 210, 255, 1.75, 100]),
    st.decimals(-20, 400, places=2).filter(lambda value: abs(value) > 0.05),
)
WORDS = {
    "SET_VELOCITY_LIMIT": ("ACCEL", "SQUARE_CORNER_VELOCITY", "VELOCITY"),
    "SET_HEATER_TEMPERATURE": ("TARGET",),
}


@st.composite
def any_command(draw: st.DrawFn) -> str:
    """Any command whose meaning is known, with any letters, each with a value of its own."""
    code = draw(st.sampled_from(sorted(COMMANDS)))
    if "_" in code or code == "PAUSE":
        keys = WORDS.get(code, ("NAME", "HEATER"))
        words = [f"{key}={draw(st.integers(1, 900))}" for key in keys if draw(st.booleans())]
        return " ".join([code, *words])
    code = f"T{draw(st.integers(0, 3))}" if code == "T" else code
    letters = draw(st.lists(st.sampled_from(LETTERS), max_size=4))
    values = ((letter, draw(VALUES)) for letter in letters)
    return " ".join([code, *(f"{letter}{'' if value is None else value}" for letter, value in values)])


plates = st.lists(
    st.one_of(straight(), straight(), straight(), arc(), other, any_command()), min_size=1, max_size=60
)


UNKNOWN_Y = ["G1 Z0.2 X0", "G1 X9 E0.1", "G1 Y0 Z0.4", "G1 X0 E0.1"]
"""A deposit of which nobody knows where it lies, below one that is known."""
FROM_NOWHERE = ["G0 Y0.01 Z0.2", "G0 X0.01 Y0 E0.001", "G0 X0 Z0.2 E0.001"]
"""A deposit from an unknown place, where another one begins in the next chunk."""
HALF_A_HUNDREDTH = ["G1 X0 Y0 Z0.2", "G1 X9 E0.204", "G1 E-0.015", "G1 E-0.03", "G1 X0 E0.3"]
"""A retraction of 0.045 mm in two pieces."""


SET_WHILE_RELATIVE = ["G1 X0 Y0 Z0.2", "G1 X9 E5", "G92 E1", "G92 X0", "M82", "G1 X0 E2"]
"""The counter of E is set while E is relative, and the next piece of the file reads it as absolute."""


@given(plates, st.sampled_from(["M82", "M83"]), st.integers(20, 4000), st.booleans())
@example(UNKNOWN_Y, "M83", 4000, False)
@example(FROM_NOWHERE, "M83", 20, False)
@example(HALF_A_HUNDREDTH, "M83", 4000, False)
@example(SET_WHILE_RELATIVE, "M83", 4000, False)
@settings(max_examples=150, deadline=None)
def test_both_readers_agree_on_any_mixture_of_lines(
    lines: list[str], mode: str, size: int, g90_sets_e: bool
) -> None:
    """Whatever is in a file, in whatever chunks it comes, both readers add up the same."""
    assert differences(text(["G21", mode, *lines]), size, g90_sets_e=g90_sets_e) == []


def drawn(chance: random.Random) -> str:
    """Return one line of a plate: mostly moves, and all that changes how they are read and timed."""
    what = chance.random()
    if what < 0.3:
        return chance.choice(OTHER)
    axes = [f"{axis}{chance.randint(-9000, 9000) / 100:g}" for axis in "XY" if chance.random() < 0.6]
    axes += [f"Z{chance.choice((0.2, 0.4, 0.6, 1))}"] if chance.random() < 0.15 else []
    words = [f"E{chance.randint(-200, 500) / 1000:g}"] if chance.random() < 0.6 else []
    words += [f"F{chance.choice((1200, 600.5, 9000, 0))}"] if chance.random() < 0.3 else []
    if what < 0.85:
        return " ".join([f"G{chance.choice('01')}", *axes, *words])
    centre = [f"{axis}{chance.randint(-2000, 2000) / 100:g}" for axis in "IJ" if chance.random() < 0.8]
    centre = centre or [f"R{chance.choice((-30, 20, 45.5))}"]
    centre += ["P2"] if chance.random() < 0.1 else []
    return " ".join([f"G{chance.choice('23')}", *axes, *centre, *words])


@pytest.mark.parametrize("seed", range(12))
def test_both_readers_agree_on_drawn_plates(seed: int) -> None:
    """Plates of eighty lines, always the same ones, read in small chunks: E both ways."""
    chance = random.Random(seed)
    for mode in ("M83", "M82"):
        lines = ["G21", mode, "G1 X0 Y0 Z0.2 F3000", *(drawn(chance) for _ in range(80))]
        how = {"g90_sets_e": seed % 2 == 0, "relative_e": seed % 4 < 2}
        assert differences(text(lines), 300, **how) == []


@pytest.mark.parametrize("dialect", [*DIALECTS, None])
def test_both_readers_agree_on_every_dialect(dialect: str | None) -> None:
    """A small plate gives the same sums in every way of marking objects."""
    assert differences(text(boxes(TWO, dialect=dialect))) == []


@pytest.mark.parametrize("name", REAL)
def test_both_readers_agree_on_real_plates(name: str) -> None:
    """On plates written by slicers the fast reader gives the plain one's sums, in whatever chunks."""
    assert differences(real_data("plates", f"{name}.gcode").read_bytes(), 5_000, 1 << 18) == []
