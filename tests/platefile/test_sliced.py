"""Plates sliced here and now by free slicers of Debian, against the solids that were sliced.

The solids are made for the check, so their sizes are known; the slicers know nothing of the reader. Each
setting is sliced once, in a few layers. Skipped where a slicer is not installed; ``.ci/run`` installs them.
"""

from __future__ import annotations

import hashlib
import math
import shutil
import subprocess
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from tracker.platefile import Plate, PlateRefused, ReadAs, WhichPlate, read_plate

BAR = (24.0, 8.0, 0.8)
"""mm along X, Y and Z."""
FACES = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))
DEFINITIONS = Path("/usr/share/cura/resources/definitions/fdmprinter.def.json")
"""Of Debian's package ``cura``, without which its engine knows no setting's default."""


@dataclass(frozen=True)
class Case:
    """One setting.

    Attributes:
        slicer: Program.
        name: Of the setting.
        options: Of the command line.
        copies: Specimens on the plate.
        wide: By how much a length may be off, mm: half a line width and the slicer's own rounding.
        high: By how much the height may be off, mm.
        tools: Tools that lay.
        size: Of each specimen.
    """

    slicer: str
    name: str
    options: tuple[str, ...] = ()
    copies: int = 1
    wide: float = 0.35
    high: float = 0.31
    tools: int = 1
    size: tuple[float, float, float] = field(default=BAR)

    @property
    def id(self) -> str:
        """The test's name."""
        return f"{self.slicer} {self.name}"


def perl_and_c() -> Iterable[Case]:
    """Yield the settings that both slicers of one family know."""
    for slicer in ("slic3r", "prusa-slicer"):
        yield Case(slicer, "plain")
        yield Case(slicer, "thin layers", ("--layer-height", "0.1"), wide=0.4)
        yield Case(slicer, "low first layer", ("--first-layer-height", "0.2", "--layer-height", "0.2"))
        yield Case(slicer, "relative E", ("--use-relative-e-distances",))
        yield Case(slicer, "volumetric E", ("--use-volumetric-e",))
        yield Case(slicer, "sequential", ("--complete-objects", "--duplicate", "2"), copies=2)
        yield Case(slicer, "raft", ("--raft-layers", "2"), wide=2.0, high=2.5)
        yield Case(slicer, "brim", ("--brim-width", "4"))
        yield Case(slicer, "skirts", ("--skirts", "3"))
        yield Case(slicer, "askew 30", ("--rotate", "30"))
        yield Case(slicer, "askew 45", ("--rotate", "45"))
        yield Case(slicer, "solid", ("--fill-density", "100%", "--fill-pattern", "rectilinear"))
        yield Case(slicer, "wipe", ("--wipe", "--use-relative-e-distances"))
        yield Case(slicer, "firmware retraction", ("--use-firmware-retraction",))
        yield Case(slicer, "lift", ("--retract-lift", "0.5"))
        yield Case(slicer, "wide lines", ("--extrusion-width", "0.6"))
        yield Case(slicer, "verbose", ("--gcode-comments",))
        yield Case(slicer, "bare stop", ("--end-gcode", "M0"))
        yield Case(slicer, "axis A", ("--gcode-flavor", "machinekit"))
        start = (
            "--start-gcode",
            "START_PRINT BED_TEMP=60 EXTRUDER_TEMP=210\nG28",
            "--end-gcode",
            "END_PRINT",
        )
        yield Case(slicer, "macros", start)
        nozzles = ("--nozzle-diameter", "0.4", "--nozzle-diameter", "0.4")
        nozzles = ("--nozzle-diameter", "0.4,0.4") if slicer == "prusa-slicer" else nozzles
        filaments = ("--filament-diameter", "1.75") * (2 if slicer == "slic3r" else 1)
        two = (*nozzles, *filaments, "--infill-extruder", "2", "--solid-infill-extruder", "2")
        yield Case(slicer, "two tools in one specimen", two, tools=2)
        vase = ("--spiral-vase", "--perimeters", "1", "--fill-density", "0", "--top-solid-layers", "0")
        yield Case(slicer, "vase", vase, wide=0.5)


def labelled() -> Iterable[Case]:
    """Yield plates with markers of every flavour of firmware, two specimens each."""
    for flavour in ("reprapfirmware", "marlin", "marlin2", "smoothie", "repetier", "teacup"):
        options = ("--gcode-flavor", flavour, "--gcode-label-objects", "--duplicate", "2")
        yield Case("prusa-slicer", f"labelled {flavour}", options, copies=2)


def engine() -> Iterable[Case]:
    """Yield the settings of the third slicer, which is told everything by name and value."""
    settings: dict[str, dict[str, str]] = {
        "plain": {}, "relative E": {"relative_extrusion": "true"}, "thin layers": {"layer_height": "0.1"},
        "skirt of three": {"skirt_line_count": "3"}, "brim": {"adhesion_type": "brim"},
        "nothing around": {"adhesion_type": "none"}, "hop": {"retraction_hop_enabled": "true"},
        "coasting": {"coasting_enable": "true"}, "accelerations": {"acceleration_enabled": "true"},
        "jerks": {"jerk_enabled": "true"}, "infill first": {"infill_before_walls": "true"},
        "concentric": {"top_bottom_pattern": "concentric"}, "firmware": {"machine_firmware_retract": "true"},
        "ironing": {"ironing_enabled": "true"}, "fuzzy": {"magic_fuzzy_skin_enabled": "true"},
        "Repetier": {"machine_gcode_flavor": "Repetier"}, "Griffin": {"machine_gcode_flavor": "Griffin"},
        "volumetric": {"machine_gcode_flavor": "RepRap (Volumetric)"},
        "macros": {"machine_start_gcode": "PRINT_START BED=60 HOTEND=210", "machine_end_gcode": "PRINT_END"},
    }  # fmt: skip
    for name, each in settings.items():
        wide = {"fuzzy": 0.9, "ironing": 0.6}.get(name, 0.45)
        yield Case("CuraEngine", name, tuple(f"{key}={value}" for key, value in each.items()), wide=wide)
    yield Case("CuraEngine", "raft", ("adhesion_type=raft",), wide=0.45, high=3.0)
    yield Case(
        "CuraEngine", "vase", ("magic_spiralize=true", "layer_height_0=0.2", "layer_height=0.2"), wide=0.6
    )
    turned = "mesh_rotation_matrix=[[0.866025,-0.5,0],[0.5,0.866025,0],[0,0,1]]"
    yield Case("CuraEngine", "askew 30", (turned,), wide=0.45)
    yield Case("CuraEngine", "sequential", ("print_sequence=one_at_a_time",), copies=2, wide=0.45)
    yield Case("CuraEngine", "two tools", (), copies=2, tools=2, wide=0.45)


CASES = [*perl_and_c(), *labelled(), *engine()]


def solid(path: Path, size: tuple[float, float, float] = BAR, tilt_deg: float = 0.0) -> None:
    """Write a bar as an STL file, turned about Y."""
    c, s = math.cos(math.radians(tilt_deg)), math.sin(math.radians(tilt_deg))
    corners = [(x * size[0], y * size[1], z * size[2]) for x in (0, 1) for y in (0, 1) for z in (0, 1)]
    corners = [(x * c - z * s, y, x * s + z * c) for x, y, z in corners]
    lines = ["solid bar"]
    for a, b, d, e in FACES:
        for three in ((a, b, d), (a, d, e)):
            points = ["vertex {:.6f} {:.6f} {:.6f}".format(*corners[number]) for number in three]
            lines += ["facet normal 0 0 0", "outer loop", *points, "endloop", "endfacet"]
    path.write_text("\n".join([*lines, "endsolid bar"]))


def command(case: Case, model: Path, out: Path) -> list[str]:
    """Return the command that slices a model."""
    program = shutil.which(case.slicer)
    if program is None or (case.slicer == "CuraEngine" and not DEFINITIONS.exists()):
        pytest.skip(f"{case.slicer} is not installed (.ci/run installs it)")
    if case.slicer != "CuraEngine":
        export = ("--export-gcode",) if case.slicer == "prusa-slicer" else ()
        return [program, *export, str(model), *case.options, "--output", str(out)]
    usual = {
        "roofing_layer_count": "0", "machine_width": "200", "machine_depth": "200", "layer_height": "0.2",
        "layer_height_0": "0.2", "adhesion_type": "skirt", "material_diameter": "1.75",
        "machine_extruder_count": str(case.tools), "extruders_enabled_count": str(case.tools),
    }  # fmt: skip
    given = usual | dict(option.split("=", 1) for option in case.options)
    settings = [word for key, value in given.items() for word in ("-s", f"{key}={value}")]
    words = [program, "slice", "-j", str(DEFINITIONS), *settings, "-e0", *settings]
    extruder = DEFINITIONS.with_name("fdmextruder.def.json")
    words += ["-e1", "-j", str(extruder), *settings, "-s", "extruder_nr=1"] if case.tools > 1 else []
    turned = [word for option in case.options if "rotation" in option for word in ("-s", option)]
    for copy in range(case.copies):
        nozzle = copy if case.tools > 1 else 0
        # The engine names objects by their files; its usual front end numbers copies itself.
        own = shutil.copy(model, model.with_name(f"bar{copy}.stl"))
        place = ("-s", f"mesh_position_y={40 * copy}", "-s", f"extruder_nr={nozzle}")
        words += [f"-e{nozzle}", "-l", str(own), *place, *turned]
    return [*words, "-o", str(out)]


def sliced(case: Case, folder: Path, tilt_deg: float = 0.0, size: tuple[float, float, float] = BAR) -> Plate:
    """Return the plate that a slicer makes of a bar, read.

    Raises:
        pytest.skip.Exception: It is not installed, or does not know an option.
    """
    model, out = folder / "bar.stl", folder / "plate.gcode"
    solid(model, size, tilt_deg)
    words = command(case, model, out)
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=600, cwd=folder)
    if not out.exists():
        pytest.skip(f"{case.id}: {(done.stderr or done.stdout)[-200:]}")
    return read_plate(out.read_bytes())


@pytest.mark.parametrize("case", CASES, ids=[case.id for case in CASES])
def test_a_sliced_bar_is_read_as_the_bar(case: Case, tmp_path: Path) -> None:
    """Specimens, size, height, tools and the slicer's own totals are those of the solid."""
    plate = sliced(case, tmp_path)
    assert len(plate.objects) == case.copies
    for piece in plate.objects:
        assert sorted(piece.rect_mm) == pytest.approx(sorted(case.size[:2]), abs=case.wide)
        assert piece.size_mm[2] == pytest.approx(case.size[2], abs=case.high)
    assert len(plate.tools) == case.tools
    assert plate.complete
    assert [each.words for each in plate.contradictions if each.what != "time"] == []
    assert not any("fast reader failed" in problem for problem in plate.problems)


@pytest.mark.parametrize("rise", [30, 60])
def test_a_sliced_bar_that_rises_is_reported_with_its_angle(rise: int, tmp_path: Path) -> None:
    """Turned about Y before slicing, the bar is tilted by that angle."""
    options = ("--layer-height", "0.25", "--first-layer-height", "0.25")
    (piece,) = sliced(Case("prusa-slicer", "tilted", options), tmp_path, rise, (24, 8, 2)).objects
    assert piece.tilt is not None
    assert piece.tilt.angle_deg == pytest.approx(rise, abs=2)
    assert piece.tilt.size_mm == pytest.approx((24, 8, 2), abs=1.2)


def run(folder: Path, *options: str, out: str) -> Path:
    """Return what one slicer makes of the bar in a folder.

    Raises:
        pytest.skip.Exception: It is not installed, or does not know an option.
    """
    program = shutil.which("prusa-slicer")
    if program is None:
        pytest.skip("prusa-slicer is not installed (.ci/run installs it)")
    words = [program, *options, "bar.stl", "--output", out]
    subprocess.run(words, capture_output=True, check=False, timeout=600, cwd=folder)
    if not (folder / out).exists():
        pytest.skip(f"prusa-slicer made no {out}")
    return folder / out


TWO_TOOLS = (
    "--export-gcode", "--nozzle-diameter", "0.4,0.4", "--filament-diameter", "1.75,1.75",
    "--infill-extruder", "2", "--solid-infill-extruder", "2",
)  # fmt: skip
CHANGES = (
    "--single-extruder-multi-material",
    "--filament-load-time",
    "10,10",
    "--filament-unload-time",
    "12,12",
)


def test_the_time_of_tool_changes_is_that_of_the_slicers_total(tmp_path: Path) -> None:
    """A slicer that counts 10 s for loading and 12 s for unloading states so much more; no move says so."""
    solid(tmp_path / "bar.stl", (24, 8, 2))
    plain = read_plate(run(tmp_path, *TWO_TOOLS, out="plain.gcode"))
    slow = read_plate(run(tmp_path, *TWO_TOOLS, *CHANGES, out="slow.gcode"))
    assert slow.stated.time_s is not None
    assert plain.stated.time_s is not None
    assert slow.tool_changes == 6
    # Nothing is unloaded before the first filament.
    assert slow.stated.time_s - plain.stated.time_s == pytest.approx(6 * 22 - 12, abs=1)
    assert slow.tool_change_s - plain.tool_change_s == pytest.approx(20, abs=0.2)


def test_a_slicers_project_and_a_container_of_its_plates(tmp_path: Path) -> None:
    """A project without plates is told so; plates put beside its models are read as they are outside."""
    solid(tmp_path / "bar.stl")
    project = run(tmp_path, "--export-3mf", out="project.3mf")
    with pytest.raises(PlateRefused, match="a project with models and no sliced plate"):
        read_plate(project)
    plates = [run(tmp_path, "--export-gcode", *more, out=f"{n}.gcode").read_bytes()
              for n, more in enumerate(((), ("--brim-width", "4")))]  # fmt: skip
    with zipfile.ZipFile(project, "a", zipfile.ZIP_DEFLATED) as archive:
        for number, plate in enumerate(plates, 1):
            archive.writestr(f"Metadata/plate_{number}.gcode", plate)
            archive.writestr(f"Metadata/plate_{number}.gcode.md5", hashlib.md5(plate).hexdigest().upper())  # noqa: S324
    with pytest.raises(WhichPlate, match="This file holds 2 plates"):
        read_plate(project)
    for number, plate in enumerate(plates, 1):
        inside = read_plate(project, read_as=ReadAs(plate=number))
        assert inside == replace(read_plate(plate), read_as=ReadAs(plate=number))
