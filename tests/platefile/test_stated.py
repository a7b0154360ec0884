"""What a file states of itself: beds, totals and how it is to be read, each limit from both sides."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from tests.frozen import with_slots
from tracker.platefile import consistency
from tracker.platefile.consistency import bed_limits
from tracker.platefile.facts import Contradiction, ReadAs
from tracker.platefile.reader import _diameter, _is_volume, _other_reading
from tracker.platefile.settings_block import bed, density, volumetric, with_chunks
from tracker.platefile.state import State, heated_by

AREA = math.pi / 4 * 1.75**2


def near(value: float) -> Any:
    """Return what equals a number to a thousandth of it."""
    return pytest.approx(value, rel=1e-3)


def a_plate(**more: Any) -> Any:
    """Return a plate that laid 100 m, and states nothing of itself."""
    stated = dict.fromkeys(("filament_mm", "filament_mm3", "filament_g", "time_s"))
    known = {
        "objects": [], "commanded_mm": 1e5, "filament_mm": 1e5, "aux_mm": 0.0, "in_layers_mm": None,
        "tools": [],
        "filament_diameter_mm": 1.75, "settings": (), "time_s": 1000.0, "bed_mm": (), "volumetric": False,
    }  # fmt: skip
    return SimpleNamespace(**{**known, "stated": SimpleNamespace(**stated), **more})


def an_object(x0: float, y0: float, x1: float, y1: float, filament: float = 0.0, aux: float = 0.0) -> Any:
    """Return an object of lines of 0.4 mm in a box."""
    return SimpleNamespace(
        box_mm=(x0, y0, 0.0, x1, y1, 5.0), line_width_mm=0.4, filament_mm=filament, aux_mm=aux
    )


@pytest.mark.parametrize(
    ("stated", "more", "relative"),
    [
        # 2 % of what is stated.
        (1e5 / 1.0199, {}, None), (1e5 / 1.0201, {}, 0.0201), (1e5 / 0.9801, {}, None),
        (1e5 / 0.9799, {}, 0.0201),
        # The nearest of the sums counts: with flow factor, as commanded, objects, without skirts, in layers.
        (9e4, {"commanded_mm": 9e4}, None), (9e4, {"aux_mm": 1e4}, None), (9e4, {"in_layers_mm": 9e4}, None),
        (9e4, {"objects": [an_object(0, 0, 9, 9, 5e4), an_object(0, 0, 9, 9, 4e4)]}, None),
        (8e4, {"objects": [an_object(0, 0, 9, 9, 5e4, 1e4), an_object(0, 0, 9, 9, 4e4)]}, None),
        (9.5e4, {"in_layers_mm": 0.0}, 1 / 19),
        # Less than 2 cm is no total.
        (19.9, {}, None), (20.0, {}, 1.0), (0.0, {}, None), (None, {}, None),
    ],
)  # fmt: skip
def test_a_stated_length_is_held_against_the_nearest_sum(stated: Any, more: Any, relative: Any) -> None:
    """Some totals leave start code, skirt or flow factor out."""
    found = consistency._length(_of(stated, more))
    if relative is None:
        assert found is None
    else:
        assert found == Contradiction("filament", stated, 1e5, "mm", near(relative))


def _of(stated: Any, more: Any) -> Any:
    made = a_plate(**more)
    made.stated.filament_mm = stated
    return made


@pytest.mark.parametrize(
    ("factor", "apart"), [(1.0199, False), (1.0201, True), (0.981, False), (0.979, True)]
)
def test_a_stated_volume_is_held_against_length_times_area(factor: float, apart: bool) -> None:
    """Where no length is stated that is one."""
    made = _of(None, {})
    made.stated.filament_mm3 = 1e5 * AREA / factor
    found = consistency._length(made)
    assert (found is not None) is apart
    if found is not None:
        assert (found.unit, found.read) == ("mm³", near(1e5 * AREA))
        assert found.relative == pytest.approx(abs(factor - 1), rel=1e-2)
    made.stated.filament_mm = 5.0
    assert (consistency._length(made) is not None) is apart
    made.stated.filament_mm = 1e5
    assert consistency._length(made) is None


@pytest.mark.parametrize(
    ("stated", "apart"),
    [(1000.0, False), (1149.0, False), (1180.0, True), (869.0, True), (870.0, False), (0, False)],
)
def test_a_stated_time_may_be_fifteen_in_a_hundred_off(stated: float, apart: bool) -> None:
    """Of what is stated: 1000 s against 870 or 1176."""
    made = a_plate()
    made.stated.time_s, made.time_s = stated, 1000.0
    found = consistency._time(made)
    assert found == (
        Contradiction("time", stated, 1000.0, "s", near(abs(1000 - stated) / stated)) if apart else None
    )


@pytest.mark.parametrize(
    ("grams", "more", "apart"),
    [
        (1.0, {}, False), (1 / 1.0199, {}, False), (1 / 1.021, {}, True), (1.0, {"length": 2e5}, True),
        # Of two grams and less six thousandths: totals are written with two decimals.
        (0.25, {"mm": 0.2559e5 * 1.0}, False), (0.25, {"mm": 0.2565e5}, True),
        (5.0, {"density": ""}, False), (0.0, {}, False), (5.0, {"tools": []}, False),
    ],
)  # fmt: skip
def test_a_stated_mass_is_length_by_area_by_density(grams: float, more: Any, apart: bool) -> None:
    """The file's own density, and its diameter, tool by tool; the share of the stated length counts."""
    mm = more.get("mm", 1e5)
    use = SimpleNamespace(tool=0, filament_mm=mm, diameter_mm=2.0)
    key = more.get("density", 1000 / (math.pi / 4 * 4.0 * 1e5))
    made = a_plate(settings=(("filament_density", f"{key}"),), tools=more.get("tools", [use]))
    made.filament_mm, made.stated.filament_g = mm, grams
    made.stated.filament_mm = more.get("length")
    found = consistency._mass(made)
    assert (found is not None) is apart
    if found is not None:
        assert (found.what, found.unit, found.stated) == ("mass", "g", grams)


@pytest.mark.parametrize(
    ("box", "over"),
    [
        # The middle of the outermost line counts: a box half a line wider may lie on the edge.
        ((-0.69, 0, 50, 50), None), ((-0.71, 0, 50, 50), 0.51), ((0, -0.71, 50, 50), 0.51),
        ((0, 0, 100.69, 50), None), ((0, 0, 100.8, 50), 0.6), ((0, 0, 50, 50.9), 0.7),
        ((-1.2, 0, 101, 52), 1.8),
    ],
)  # fmt: skip
def test_a_piece_may_lie_half_a_millimetre_off_the_bed(box: Any, over: float | None) -> None:
    """On any side; the worst one is told, of a bed of 100 by 50 mm."""
    corners = ((0, 0), (100, 0), (100, 50), (0, 50))
    made = a_plate(objects=[an_object(10, 10, 20, 20), an_object(*box)], bed_mm=corners)
    found = consistency._bed(made)
    if over is None:
        assert found is None
    else:
        assert found is not None
        assert (found.what, found.stated, found.unit) == ("bed", 100, "mm")
        assert (found.read, found.relative) == (near(100 + over), near(over / 100))


def test_no_bed_is_two_metres_from_nought() -> None:
    """Where a file states none; without pieces nothing lies anywhere."""
    assert bed_limits(a_plate()) == (-2000, -2000, 2000, 2000)
    assert bed_limits(a_plate(bed_mm=((5, 7), (105, 7), (105, 57), (5, 57)))) == (5, 7, 105, 57)
    assert consistency._bed(a_plate(objects=[])) is None
    assert consistency._bed(a_plate(objects=[an_object(0, 0, 2000.6, 9)])) is None
    found = consistency._bed(a_plate(objects=[an_object(0, 0, 2001, 9)]))
    assert found is not None
    assert (found.stated, found.read) == (4000, near(4000.8))


@pytest.mark.parametrize(
    ("what", "of"), [("filament", "filament"), ("mass", "filament mass"), ("time", "time")]
)
def test_a_contradiction_in_words(what: str, of: str) -> None:
    """Six digits, the distance to a tenth of a hundredth, and the line as far as it is short."""
    found = Contradiction(what, 1234.5678, 1300.0, "mm", 0.05304)
    words = f"the file states 1234.57 mm of {of}, its moves give 1300 mm (5.3 % apart)"
    assert found.words == words
    assert found.at(7, "G1 " + "X" * 60).words == f"{words}; first at line 7: G1 {'X' * 57}"
    off = Contradiction("bed", 200.0, 212.3456, "mm", 0.06).at(3, "G1 X212")
    assert off.words == "a piece lies 12.35 mm outside the bed; first at line 3: G1 X212"


def test_how_a_file_is_read_is_kept_where_it_is_unusual() -> None:
    """What is kept is read again; names that are not known are left out."""
    own = ReadAs(plate=2, separate=False, volumetric=True)
    assert (ReadAs().as_data(), own.as_data()) == ({}, {"plate": 2, "separate": False, "volumetric": True})
    assert ReadAs.from_data({**own.as_data(), "later": 1}) == own
    assert ReadAs.from_data(None) == ReadAs.from_data({}) == ReadAs(None, None, False, None, None)
    assert ReadAs(g90_sets_e=True, relative_e=False).as_data() == {"g90_sets_e": True, "relative_e": False}


@pytest.mark.parametrize(
    ("settings", "corners"),
    [
        ({"machine_width": "200", "machine_depth": "100"}, ((0, 0), (200, 0), (200, 100), (0, 100))),
        (
            {"x.bed_size_x": "200", "x.bed_size_y": "100", "x.machine_center_is_zero": "True"},
            ((-100, -50), (100, -50), (100, 50), (-100, 50)),
        ),
        ({"machine_width": "200", "machine_width_2": "9", "machine_depth": "0"}, ()),
        ({"machine_width": "200"}, ()),
        ({"machine_width": "200", "a.machine_width": "9", "machine_depth": "-5", "b.bed_depth": "7"},
         ((0, 0), (200, 0), (200, 7), (0, 7))),
        ({"bed_shape": "0x0,200x0", "machine_width": "9", "machine_depth": "8"}, ((0, 0), (9, 0), (9, 8),
        (0, 8))),
        ({"bed_shape": "0x0,200x-1.5,0X100"}, ((0, 0), (200, -1.5), (0, 100))),
        ({"machine_center_is_zero": "0", "bed_width": "9", "bed_depth": "8"}, ((0, 0), (9, 0), (9, 8),
        (0, 8))),
    ],
)  # fmt: skip
def test_the_bed_that_settings_state(settings: dict[str, str], corners: Any) -> None:
    """By its corners, three at least; else by its sides, the first of each that is more than nought."""
    assert bed(settings) == corners


def test_numbered_pieces_of_settings_are_taken_apart() -> None:
    """Sections, lists, and settings in a text of lines; what the file has itself stays."""
    joined = '{"a": {"b": "1", "c": ["x", "y"]}, "d": "e = 2\\nf=3\\nno sign", "own": "theirs"}'
    assert with_chunks({"own": "mine"}, joined) == {
        "own": "mine", "a.b": "1", "a.c.0": "x", "a.c.1": "y", "d.e": "2", "d.f": "3",
    }  # fmt: skip
    assert with_chunks({"own": "mine"}, "") == with_chunks({"own": "mine"}, "{") == {"own": "mine"}


@pytest.mark.parametrize(
    ("text", "value"), [("1.24", 1.24), ("49.9", 49.9), ("1240", 1.24), ("0", None), ("", None)]
)
def test_a_density_in_kilograms_per_cubic_metre(text: str, value: float | None) -> None:
    """No polymer weighs 50 g/cm³; nought means not set."""
    assert density({"filament_density": text}, 0) == value


@pytest.mark.parametrize(
    ("settings", "tells"),
    [
        ({}, None), ({"use_volumetric_e": "1"}, True), ({"use_volumetric_e": " True "}, True),
        ({"use_volumetric_e": "0"}, False), ({"gcode_flavor": "x (Volumetric)"}, True),
        ({"gcode_flavor": "x"}, None),
        ({"gcode_flavour": "volumetric"}, True), ({"machine_volumetric_extrusion": "yes"}, True),
    ],
)  # fmt: skip
def test_whether_settings_say_that_e_is_a_volume(settings: dict[str, str], tells: bool | None) -> None:
    """By a word for it, or by the flavour; the first that says anything."""
    assert volumetric(settings) is tells


@pytest.mark.parametrize(
    ("mm3", "more", "volume"),
    [
        (1e5, {}, True), (1.02e5, {}, True), (1.0205e5, {}, False), (0.981e5, {}, True), (0.98e5, {}, False),
        (None, {}, False), (0.0, {}, False), (1e5, {"volumetric": True}, False),
        (1e5, {"settings": (("use_volumetric_e", "0"),)}, False),
        (None, {"settings": (("use_volumetric_e", "1"),)}, True),
    ],
)  # fmt: skip
def test_e_is_a_volume_where_the_total_fits(mm3: float | None, more: Any, volume: bool) -> None:
    """To 2 % of what is stated; a setting goes before it, and M200 before both."""
    made = a_plate(**more)
    made.stated.filament_mm3 = mm3
    assert _is_volume(made) is volume


@pytest.mark.parametrize(
    ("given", "diameter"),
    [(None, 1.75), (0.0, 1.75), (2.85, 2.85), ([], 1.75), ([2.85, 1.75], 2.85), ([None, 2.85], 1.75)],
)
def test_the_diameter_of_a_volume(given: Any, diameter: float) -> None:
    """That of the first tool, else the usual one."""
    assert _diameter(given) == diameter


@pytest.mark.parametrize(
    ("other", "said"),
    [(None, False), (1000.0, False), (1001.0, False), (1001.1, True), (998.9, True), (999.0, False)],
)
def test_another_reading_of_e_is_told_from_a_thousandth_on(other: float | None, said: bool) -> None:
    """Of the longer one; with the option for the other reading."""
    tally: Any = SimpleNamespace(cells={n: SimpleNamespace(filament=500.0) for n in (1, 2)}, other_mm=other)
    for sets, does, option in ((True, "do", "leave --g90-sets-e out"), (False, "do not", "--g90-sets-e")):
        words = (
            f"firmware differs in whether G90 and G91 set E too: read as if they {does} it is 1000 "
            f"mm of filament, "
            f"else {other} mm; for that: {option}"
        )
        assert _other_reading(tally, sets=sets) == [words] * said


@pytest.mark.parametrize(
    ("key", "what"),
    [
        ("BED_TEMP", "bed"), ("CHAMBER_TEMP", "chamber"), ("EXTRUDER_TEMP", "nozzle"), ("hotend", "nozzle"),
        ("TEMPERATURE", "nozzle"), ("TEMP_1", "nozzle"), ("X", None), ("ATTEMPT", None), ("MATERIAL", None),
    ],
)  # fmt: skip
def test_what_a_macros_argument_heats(key: str, what: str | None) -> None:
    """The chamber and the bed go before the nozzle."""
    assert heated_by(key) == what


@pytest.mark.parametrize(
    ("key", "value", "left"),
    [
        ("NOZZLE", "250", (250.0, 90.0, 50.0)), ("NOZZLE", "251", (None, 90.0, 50.0)),
        ("BED_TEMP", "95", (250.0, None, 50.0)), ("CHAMBER", "60", (250.0, 90.0, None)),
        ("CHAMBER", "warm", (250.0, 90.0, None)), ("LAYERS", "9", (250.0, 90.0, 50.0)),
    ],
)  # fmt: skip
def test_a_macro_that_is_given_another_temperature_sets_it_unseen(key: str, value: str, left: Any) -> None:
    """What it is given as it was commanded stays known."""
    state = State(relative_e=False, g90_sets_e=False)
    state.context = state.context._replace(nozzle=250.0, bed=90.0, chamber=50.0)
    state._do_macro("START", ((key, value),))
    assert (state.context.nozzle, state.context.bed, state.context.chamber) == left


_slotted = with_slots("tracker.platefile", "tracker.platetext", "tracker.platemap")


def test_records_of_which_there_are_many_have_no_dictionary() -> None:
    """A plate has some hundred thousand layers and stretches."""
    assert _slotted == {
        "facts.Change", "facts.Contradiction", "facts.Flow", "facts.Hint", "facts.Layer", "facts.Pause",
        "facts.ReadAs", "facts.Reading", "facts.Retractions", "facts.SetPoints", "facts.Stated",
        "facts.Stretch", "facts.Tilt", "facts.ToolUse", "gauge.Candidate", "gauge.OwnGauge", "gauge.Piece",
        "gauge.Section", "gauge.Window", "lines.Channels", "meaning.Line", "motion.Deposits", "motion._Span",
        "orientation.Orientation", "path.Bends", "path.Path", "path.Reading", "planning.Moves",
        "planning.Rows", "platemap.Circle", "platemap.Drawing", "platemap.Layout", "platemap.Line",
        "platemap.Polygon", "platemap.Spot", "platemap.Text", "tally.Cell", "tally.Tally",
    }  # fmt: skip
