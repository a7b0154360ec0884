"""What a file states of itself, beside what its moves give."""

from __future__ import annotations

import pytest

from tests.platefile.builder import HEAD, TWO, boxes, text
from tracker.platefile import Contradiction, Plate, read_plate

BED = "; bed_shape = 0x0,200x0,200x200,0x200"


def read(*settings: str, lines: list[str] | None = None) -> Plate:
    """Read a plate of two bars with a settings block; its moves lay 18 mm of filament."""
    return read_plate(text([*(lines or boxes(TWO)), *settings]))


def only(plate: Plate) -> Contradiction:
    """Return the one contradiction of a plate."""
    (found,) = plate.contradictions
    return found


LENGTH = read().commanded_mm * 10
LONG = boxes(TWO, layers=30)


TOTALS = (
    "; filament used [mm] = {mm:.2f}",
    "; total filament length [m] : {m:.4f}",
    ";Filament used: {m:.5f}m",
    ";Material#1 Used: {mm:.1f}",
    ";Filament used: {mm3:.2f}mm3",
    "; filament used [cm3] = {cm3:.4f}",
)
VOLUMES = ("; use_volumetric_e = 1", ";Filament used: {mm3:.2f}mm3", ";MATERIAL:{mm3:.0f}")


@pytest.mark.parametrize("line", TOTALS)
@pytest.mark.parametrize(("factor", "apart"), [(1.0, False), (0.985, False), (1.05, True), (0.9, True)])
def test_a_stated_length_or_volume_is_compared(line: str, factor: float, apart: bool) -> None:
    """More than 2 % apart is a finding, in every way of stating it."""
    mm = read(lines=LONG).commanded_mm * factor
    mm3 = mm * 2.405281875
    told = line.format(mm=mm, m=mm / 1000, mm3=mm3, cm3=mm3 / 1000)
    found = [one.what for one in read(told, lines=LONG).contradictions]
    assert found == (["filament"] if apart else [])


def test_a_lost_decimal_point_in_x_names_its_line() -> None:
    """``X11934`` for ``X119.34`` lies outside the bed, and its line is named."""
    lines = boxes(TWO, layers=30)
    at = next(n for n, line in enumerate(lines) if n > 60 and line.startswith("G1 X50 "))
    lines[at] = lines[at].replace("X50", "X11934")
    found = only(read(BED, lines=lines))
    assert (found.what, found.line, found.text) == ("bed", at + 1, lines[at])
    assert "outside the bed" in found.words


def test_a_lost_decimal_point_in_e_names_its_line() -> None:
    """``E03241`` for ``E0.3241`` pushes metres of filament, and its line is named."""
    lines = boxes(TWO, layers=30)
    at = next(n for n, line in enumerate(lines) if n > 60 and " E0.3" in line)
    lines[at] = f"{lines[at].partition(' E')[0]} E03241"
    total = read(lines=LONG).commanded_mm
    found = only(read(f"; filament used [mm] = {total:.2f}", lines=lines))
    assert (found.what, found.line, found.text) == ("filament", at + 1, lines[at])


def test_a_piece_inside_the_bed_is_no_finding() -> None:
    """The bed's own shape counts, wherever its origin lies."""
    assert read(BED).contradictions == ()
    assert read("; printable_area = -100x-100,100x-100,100x100,-100x100").contradictions == ()
    assert only(read("; bed_shape = 0x0,60x0,60x60,0x60")).what == "bed"


@pytest.mark.parametrize(("factor", "apart"), [(1.0, False), (1.1, False), (1.3, True), (0.7, True)])
def test_a_stated_time_is_compared(factor: float, apart: bool) -> None:
    """More than 15 % apart is a finding."""
    seconds = read(lines=LONG).time_s * factor
    found = read(f";TIME:{seconds:.0f}", lines=LONG).contradictions
    assert [one.what for one in found] == (["time"] if apart else [])


def test_a_stated_mass_is_compared_by_the_files_own_density() -> None:
    """A mass that fits neither length nor density of the file is a finding."""
    mm = read(lines=LONG).commanded_mm
    grams = mm * 2.405281875 * 1.24 / 1000
    settings = (f"; filament used [mm] = {mm:.2f}", "; filament_density = 1.24")
    assert read(*settings, f"; filament used [g] = {grams:.3f}", lines=LONG).contradictions == ()
    assert only(read(*settings, f"; filament used [g] = {2 * grams:.3f}", lines=LONG)).what == "mass"


@pytest.mark.parametrize(
    "told", ["; use_volumetric_e = 1", ";Filament used: {mm3:.2f}mm3", ";MATERIAL:{mm3:.0f}"]
)
def test_volumes_without_m200_are_recognised(told: str) -> None:
    """E in mm³ is read as that where the settings or the totals say so."""
    lines = boxes(TWO, layers=30)
    mm3 = read(lines=lines).commanded_mm
    plate = read(told.format(mm3=mm3), lines=lines)
    assert plate.filament_mm == pytest.approx(mm3 / 2.405281875, rel=1e-6)
    assert plate.contradictions == ()
    assert any("as a volume" in problem for problem in plate.problems)


def test_volumes_with_m200_are_left_alone() -> None:
    """M200 has said it already."""
    lines = boxes(TWO, layers=30, head=(*HEAD, "M200 D1.75"))
    mm3 = read(lines=LONG).commanded_mm
    plate = read(f";Filament used: {mm3:.2f}mm3", lines=lines)
    assert plate.filament_mm == pytest.approx(mm3 / 2.405281875, rel=1e-6)
    assert plate.problems == ()
