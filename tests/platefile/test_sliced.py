"""Plates sliced here and now by free slicers of Debian, against the solid that was sliced.

The solid is a bar made for the check, so its length, width and height are known; the slicer knows nothing
of the reader. Skipped where a slicer is not installed; ``.ci/run`` installs both.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from tracker.platefile import Plate, read_plate

BAR = (40.0, 10.0, 2.0)
"""mm along X, Y and Z."""
SLICERS = {"slic3r": (), "prusa-slicer": ("--export-gcode",)}
FACES = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))

COMMON: dict[str, tuple[str, ...]] = {
    "plain": (),
    "thin layers": ("--layer-height", "0.1"),
    "thick layers": ("--layer-height", "0.25"),
    "low first layer": ("--first-layer-height", "0.2", "--layer-height", "0.2"),
    "relative E": ("--use-relative-e-distances",),
    "volumetric E": ("--use-volumetric-e",),
    "sequential": ("--complete-objects", "--duplicate", "2"),
    "three copies": ("--duplicate", "3"),
    "raft": ("--raft-layers", "2"),
    "brim": ("--brim-width", "4"),
    "no skirt": ("--skirts", "0"),
    "many skirts": ("--skirts", "3"),
    "supports": ("--support-material",),
    "askew 30": ("--rotate", "30"),
    "askew 45": ("--rotate", "45"),
    "askew 90": ("--rotate", "90"),
    "solid": ("--fill-density", "100%", "--fill-pattern", "rectilinear"),
    "hollow": ("--fill-density", "0"),
    "wipe": ("--wipe", "--use-relative-e-distances"),
    "firmware retraction": ("--use-firmware-retraction",),
    "lift": ("--retract-lift", "0.5"),
    "wide lines": ("--extrusion-width", "0.6"),
    "verbose": ("--gcode-comments",),
    "hot": ("--temperature", "255", "--first-layer-temperature", "260", "--bed-temperature", "100"),
    "pauses": ("--layer-gcode", "M117 layer"),
    "macros": ("--start-gcode", "START_PRINT BED_TEMP=60 EXTRUDER_TEMP=210\nG28", "--end-gcode", "END_PRINT"),
    "bare stop": ("--end-gcode", "M0"),
    "another origin": ("--print-center", "60,60"),
}
FLAVOURS = ("reprapfirmware", "marlin", "marlin2", "smoothie", "repetier", "teacup")
VASE = (
    "--spiral-vase",
    "--layer-height",
    "0.2",
    "--perimeters",
    "1",
    "--fill-density",
    "0",
    "--top-solid-layers",
    "0",
)
CASES = [(slicer, name) for slicer in SLICERS for name in COMMON]


def solid(path: Path) -> None:
    """Write the bar as an STL file."""
    corners = [(x * BAR[0], y * BAR[1], z * BAR[2]) for x in (0, 1) for y in (0, 1) for z in (0, 1)]
    lines = ["solid bar"]
    for a, b, c, d in FACES:
        for three in ((a, b, c), (a, c, d)):
            points = ["vertex {:g} {:g} {:g}".format(*corners[number]) for number in three]
            lines += ["facet normal 0 0 0", "outer loop", *points, "endloop", "endfacet"]
    path.write_text("\n".join([*lines, "endsolid bar"]))


def sliced(slicer: str, options: tuple[str, ...], folder: Path) -> bytes:
    """Return the plate that a slicer makes of the bar.

    Raises:
        pytest.skip.Exception: It is not installed, or does not know an option.
    """
    program = shutil.which(slicer)
    if program is None:
        pytest.skip(f"{slicer} is not installed (.ci/run installs it)")
    solid(folder / "bar.stl")
    out = folder / "plate.gcode"
    command = [program, *SLICERS[slicer], str(folder / "bar.stl"), *options, "--output", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120, cwd=folder)
    if not out.exists():
        pytest.skip(f"{slicer} has no {' '.join(options)}: {(done.stderr or done.stdout)[-200:]}")
    return out.read_bytes()


def stated_fits(plate: Plate) -> bool:
    """Tell whether the length that the slicer states is the one read, if it states one."""
    return not any(one.what in ("filament", "bed") for one in plate.contradictions)


@pytest.mark.parametrize(("slicer", "name"), CASES, ids=[f"{slicer} {name}" for slicer, name in CASES])
def test_a_sliced_bar_is_read_as_the_bar(slicer: str, name: str, tmp_path: Path) -> None:
    """Pieces, size, height and the slicer's own total are those of the solid."""
    plate = read_plate(sliced(slicer, COMMON[name], tmp_path))
    copies = {"sequential": 2, "three copies": 3}.get(name, 1)
    assert len(plate.objects) == copies
    for piece in plate.objects:
        raised = name in ("raft", "supports")
        assert sorted(piece.rect_mm) == pytest.approx(sorted(BAR[:2]), abs=2.0 if raised else 0.35)
        assert piece.size_mm[2] == pytest.approx(BAR[2], abs=2.5 if raised else 0.36)
    assert stated_fits(plate)
    assert plate.complete


@pytest.mark.parametrize("flavour", FLAVOURS)
def test_labelled_objects_of_every_flavour(flavour: str, tmp_path: Path) -> None:
    """Two copies with markers, written for different firmware, are two specimens of the same size."""
    options = ("--gcode-flavor", flavour, "--gcode-label-objects", "--duplicate", "2")
    plate = read_plate(sliced("prusa-slicer", options, tmp_path))
    assert [sorted(one.rect_mm) for one in plate.objects] == [pytest.approx([10, 40], abs=0.35)] * 2
    assert stated_fits(plate)


@pytest.mark.parametrize("slicer", SLICERS)
def test_a_vase_has_a_layer_a_turn(slicer: str, tmp_path: Path) -> None:
    """A spiral without a seam is still cut into layers of the height that was asked for."""
    plate = read_plate(sliced(slicer, VASE, tmp_path))
    (piece,) = plate.objects
    assert piece.layers == pytest.approx(BAR[2] / 0.2, abs=2)
    assert sorted(piece.rect_mm) == pytest.approx([10, 40], abs=0.5)


@pytest.mark.parametrize("rise", [30, 45, 60])
def test_a_sliced_bar_that_rises_is_said_with_its_angle(rise: int, tmp_path: Path) -> None:
    """Turned about Y before slicing, the bar is tilted by that angle."""
    options = ("--rotate-y", str(rise), "--layer-height", "0.2", "--first-layer-height", "0.2")
    (piece,) = read_plate(sliced("prusa-slicer", options, tmp_path)).objects
    assert piece.tilt is not None
    assert piece.tilt.angle_deg == pytest.approx(rise, abs=2)
    assert piece.tilt.size_mm == pytest.approx((40, 10, 2), abs=1.2)
