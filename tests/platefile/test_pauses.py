"""Pauses, flow factors and tools as facts of a piece; set-points where two places state them."""

from __future__ import annotations

import pytest

from tests.platefile.builder import HEAD, ring, text
from tracker.desk.platefacts import agreed_hint
from tracker.platefile import Plate, Window, read_plate, section


def plate(between: dict[int, list[str]], layers: int = 10, head: tuple[str, ...] = HEAD) -> Plate:
    """Read a plate of two objects, with commands given before layers by number."""
    lines = [*head]
    for layer in range(1, layers + 1):
        lines += [f"G1 Z{0.2 * layer:.1f} F3000", *between.get(layer, [])]
        lines += ["M486 S0", *ring(10, 10, 40, 10), *between.get(-layer, []), "G1 X30 Y15 E0.5"]
        lines += ["M486 S1", *(ring(80, 10, 10, 40) if layer <= 5 else []), "M486 S-1"]
    return read_plate(text([*lines, "M104 S0", "; filament_density = 1.24"]))


@pytest.mark.parametrize("code", ["M0", "M1", "M25", "M226", "M600", "M601", "PAUSE"])
def test_a_pause_belongs_to_the_layers_it_stands_between(code: str) -> None:
    """A wait before layer 8 is one of the piece that goes on, and none of the one that is finished."""
    long, short = plate({8: [code]}).objects
    assert [(each.code, each.layer, each.z_mm, each.inside) for each in long.pauses] == [
        (code, 7, 1.4, False)
    ]
    assert short.pauses == ()


def test_a_pause_within_a_layer_says_so() -> None:
    """A wait after a part of a layer lies within it."""
    (pause,) = plate({-4: ["M600"]}).objects[0].pauses
    assert (pause.layer, pause.inside) == (4, True)


def test_a_bare_stop_at_the_end_is_no_pause() -> None:
    """M0 behind the last layer pauses no piece."""
    found = read_plate(text([*HEAD, "G1 Z0.2", "M486 S0", *ring(1, 1, 9, 9), "M486 S-1", "M0"]))
    assert found.objects[0].pauses == ()
    assert found.pauses == (("M0", 0),)


@pytest.mark.parametrize(("low", "high", "count"), [(1.0, 1.8, 1), (0.1, 1.3, 0), (1.5, 1.9, 0)])
def test_pauses_of_a_gauge_section(low: float, high: float, count: int) -> None:
    """A pause counts in the section where the layers on both sides of it do."""
    cut = section(plate({8: ["M600"]}).objects[0], Window.heights(low, high))
    assert len(cut.pauses) == count


def test_a_flow_factor_is_reported_for_the_section() -> None:
    """M221 in force while the section was laid is a figure of it, with its range."""
    piece = plate({6: ["M221 S90"]}).objects[0]
    whole = section(piece, Window.heights(0, 2)).flow_factor_pct
    assert (whole.low, whole.high) == (90, 100)
    assert section(piece, Window.heights(1.01, 2)).flow_factor_pct.value == 90


def test_a_flow_factor_of_another_tool_changes_nothing() -> None:
    """M221 T1 holds for tool 1, and comes into force when that is taken up."""
    piece = plate({3: ["M221 S50 T1"], 6: ["T1"]}).objects[0]
    assert section(piece, Window.heights(0, 0.99)).flow_factor_pct.value == 100
    assert section(piece, Window.heights(1.01, 2)).flow_factor_pct.value == 50


def test_each_tool_lays_its_own_filament() -> None:
    """Length, diameter, density and nozzle are reported for each tool that laid any of a piece."""
    head = (*HEAD, "; filament_diameter = 1.75,2.85", "; filament_density = 1.24,1.05", "M104 T1 S255")
    piece = plate({6: ["T1"]}, head=head).objects[0]
    first, second = piece.tools
    assert (first.tool, first.diameter_mm, first.density_g_cm3, first.nozzle_c.value) == (0, 1.75, 1.24, 210)
    assert (second.tool, second.diameter_mm, second.density_g_cm3, second.nozzle_c.value) == (
        1,
        2.85,
        1.05,
        255,
    )
    assert first.filament_mm + second.filament_mm == pytest.approx(piece.filament_mm)
    # Areas 2.40528 and 6.37940 mm² by pi d²/4.
    grams = (first.filament_mm * 2.40528 * 1.24 + second.filament_mm * 6.37940 * 1.05) / 1000
    assert piece.filament_g == pytest.approx(grams, rel=1e-5)


def test_a_tool_temperature_by_g10_is_a_set_point() -> None:
    """G10 P S sets the working temperature of a tool and is no retraction."""
    piece = plate({}, head=(*HEAD, "G10 P0 S245 R180")).objects[0]
    assert (piece.nozzle_c.value, piece.retractions.by_firmware) == (245, 0)


def test_what_a_macro_is_given_goes_before_the_settings() -> None:
    """The start macro's argument is the hint; a profile's other value does not vote against it."""
    head = ("G21", "G90", "M83", "START BED_TEMP=55 EXTRUDER_TEMP=250", "; bed_temperature = 60")
    found = plate({}, head=(*head, "; nozzle_temperature = 240"))
    assert {(hint.what, hint.value) for hint in found.hints} == {("bed_c", 55), ("nozzle_c", 250)}


NO_SET_POINTS = (
    "nozzle_temperature_range_high",
    "nozzle_temperature_range_low",
    "first_layer_bed_temperature",
    "bed_temperature_initial_layer",
    "material_print_temperature_layer_0",
    "idle_temperature",
)


@pytest.mark.parametrize("key", NO_SET_POINTS)
def test_bounds_and_first_layers_do_not_vote(key: str) -> None:
    """A range or a first layer's value is no set-point of the piece."""
    found = plate({}, head=("G21", "G90", "M83", f"; {key} = 101", "; bed_temperature = 60"))
    assert agreed_hint("bed_c", found.hints) is not None
    assert {hint.value for hint in found.hints} == {60}


def test_a_bed_hidden_with_the_nozzle_is_not_stated() -> None:
    """A start macro without arguments heats both: a bed of zero before it says nothing."""
    head = ("G21", "G90", "M83", "M140 S0", "M104 S0", "START_PRINT", "M104 S220")
    piece = plate({}, head=head).objects[0]
    assert (piece.nozzle_c.value, piece.bed_c.value) == (220, None)


def test_each_change_of_tool_takes_its_share_of_the_file_s_own_time() -> None:
    """No move says how long a change takes: the stated total does, and the layer below cools meanwhile."""
    between = {4: ["T1"], 7: ["T0"]}
    bare = plate(between)
    told = plate(between, head=(*HEAD, f"; estimated printing time = {bare.time_s + 60:.3f}s"))
    assert (bare.tool_changes, bare.tool_change_s) == (2, 0.0)
    assert told.tool_change_s == pytest.approx(30, abs=0.01)
    assert told.time_s == pytest.approx(bare.time_s + 60, abs=0.01)
    longer = [a - b for a, b in zip(told.objects[0].layer_time_s, bare.objects[0].layer_time_s, strict=True)]
    assert longer == pytest.approx([0, 0, 30, 0, 0, 30, 0, 0, 0, 0], abs=0.02)
    assert "for each of 2 tool changes" in told.time_basis


def test_a_change_of_tool_is_no_faster_than_the_moves_and_no_excuse() -> None:
    """A total below the moves, or far above them, stays a contradiction."""
    for seconds in (5, 100_000):
        found = plate({4: ["T1"]}, head=(*HEAD, f"; estimated printing time = {seconds}s"))
        assert found.tool_change_s == 0.0
        assert [each.what for each in found.contradictions] == ["time"]


def test_given_filaments_are_those_of_the_tools_that_lay() -> None:
    """Two spools of a plate that prints with tools 1 and 3 are those of 1 and 3; a third one is tool 2's."""
    lines = text([*HEAD, "T1", "G1 Z0.2", *ring(10, 10, 40, 10), "T3", *ring(60, 10, 40, 10), "M104 S0"])
    two = read_plate(lines, density_g_cm3=[1.1, 1.3], filament_diameter_mm=[1.7, None]).tools
    assert [(each.tool, each.density_g_cm3, each.diameter_mm) for each in two] == [
        (1, 1.1, 1.7),
        (3, 1.3, 1.75),
    ]
    three = read_plate(lines, density_g_cm3=[1.0, 1.1, 1.2]).tools
    assert [each.density_g_cm3 for each in three] == [1.1, None]
