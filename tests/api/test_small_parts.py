"""Sections, lines, schemas, pictures, and what importing costs."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import scipy.stats
from tracker_methods.dimensions import Dimensions
from tracker_methods.tensile import Tensile
from tracker_methods.torsion import Torsion
from uncertainties import ufloat

from tests.api.close import approx
from tracker.api import Outcome, Piece, budget_picture, picture, schema, validate
from tracker.api.maths import family_span, section_area, section_remarks, straight_line
from tracker.api.signals import Finding, _clipped


def test_an_area_as_read_goes_before_its_sides() -> None:
    """Area, then width × thickness, then diameter."""
    assert section_area(SimpleNamespace(area=25.0, width=1.0, thickness=1.0)) == 25.0
    assert section_area(SimpleNamespace(width=10.0, thickness=4.0)) == 40.0
    assert section_area(SimpleNamespace(width=10.0, diameter=5.0)) == approx(19.6349541)


def test_without_a_section_there_is_none() -> None:
    """Nothing is guessed from one side alone."""
    assert section_area(SimpleNamespace(width=10.0, thickness=None)) is None


def test_a_section_far_from_its_template_is_reported() -> None:
    """More than five per cent off, and the template named."""
    piece = Piece(geometry="bar", nominal_mm={"width": 10.0, "thickness": 4.0})
    readings = validate(Tensile, {"width": 10.4, "thickness": 3.6})
    assert section_remarks(readings, piece) == ("thickness 3.6 mm differs by -10.0 % from the 4 mm of bar.",)


def test_the_certified_line_is_found() -> None:
    """NIST StRD Norris, from the file that scipy ships with its tests: eleven digits."""
    file = Path(scipy.stats.__file__).parent / "tests/data/nist_linregress/Norris.dat"
    if not file.exists():
        pytest.skip("this build of scipy comes without its test data")
    y, x = np.loadtxt(file, skiprows=60).T.tolist()
    slope, start = straight_line(list(zip(x, y, strict=True)))
    assert (slope.nominal_value, start.nominal_value) == (
        approx(1.00211681802045, rel=1e-11),
        approx(-0.262323073774029, rel=1e-9),
    )
    # Their certified standard deviations: the scatter about the line is in the coefficients.
    assert slope.std_dev == approx(0.000429796848199937, rel=1e-9)
    assert start.std_dev == approx(0.232818234301152, rel=1e-9)


def test_roundings_that_say_more_than_the_scatter_are_not_counted_twice() -> None:
    """Three readings on a line have no scatter, and keep the uncertainty of their steps."""
    rounded = [(float(x), ufloat(2.0 * x, 0.1, tag="rows: resolution")) for x in range(3)]
    slope, _ = straight_line(rounded)
    assert slope.std_dev == approx(0.1 / 2**0.5)
    bent = [(x, y + (0.03 if x == 1.0 else 0.0)) for x, y in rounded]
    assert straight_line(bent)[0].std_dev == approx(0.1 / 2**0.5)


def test_one_place_makes_no_line() -> None:
    """Readings at one x are refused."""
    with pytest.raises(ValueError, match="two readings apart"):
        straight_line([(1.0, 2.0), (1.0, 3.0)])


def test_the_schema_carries_units_bounds_and_choices() -> None:
    """Other people's programs can check readings before they send them."""
    made = schema(Tensile)["properties"]
    assert made["width"] == {
        "description": "width of the gauge section, before the test",
        "unit": "mm",
        "type": "number",
        "exclusiveMinimum": 0.0,
    }
    assert made["break_position"]["enum"] == ["gauge", "shoulder", "grip"]
    assert "curve" not in made


def test_the_schema_of_a_series_describes_its_parts() -> None:
    """Each part has its name, and its unit or its words."""
    items = schema(Dimensions)["properties"]["sizes"]["items"]
    assert [part["title"] for part in items["prefixItems"]] == ["axis", "nominal", "measured"]
    assert items["prefixItems"][0]["enum"] == ["X", "Y", "Z"]


def test_the_schema_holds_two_bounds() -> None:
    """An angle between arm and force lies inside 0 and 180."""
    angle = schema(Torsion)["properties"]["arm_angle_deg"]
    assert (angle["exclusiveMinimum"], angle["exclusiveMaximum"]) == (0.0, 180.0)
    json.dumps(schema(Torsion))


def test_a_picture_has_labelled_axes() -> None:
    """Axes carry quantity and unit."""
    _, axes = picture("T", ("time / s", "force / N"))
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("time / s", "force / N")


def test_a_budget_picture_needs_a_value() -> None:
    """A refused quantity has no budget to draw."""
    assert budget_picture("T", [Outcome("a.b", refused="why")], "a.b") is None


@pytest.mark.parametrize(
    "work", ["import tracker.api", "import tracker_methods.taptone", "import tracker.plugins as p; p.load()"]
)
def test_neither_importing_nor_arriving_loads_anything_heavy(work: str) -> None:
    """Numbers, pictures and units are loaded by whoever first needs them."""
    heavy: Any = ("numpy", "scipy", "matplotlib", "pint", "uncertainties")
    code = f"import sys; {work}; print([m for m in {heavy!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("family", "modulus", "strength", "density"),
    [
        ("PLA", (1500, 4200), (10, 75), (1.17, 1.30)),
        ("PETG", (900, 2500), (8, 60), (1.20, 1.33)),
        ("ABS", (900, 2800), (6, 55), (1.00, 1.12)),
        ("ASA", (900, 2800), (6, 60), (1.03, 1.12)),
        ("PC", (1200, 2800), (10, 75), (1.15, 1.25)),
        ("PA", (300, 3800), (8, 90), (0.98, 1.18)),
        ("TPU", (3, 600), (4, 65), (1.05, 1.27)),
        ("PP", (400, 1900), (5, 40), (0.86, 0.93)),
        ("PA6-CF", (300, 22_800), (8, 225), (0.98, 1.652)),
    ],
)
def test_what_a_polymer_family_usually_has(
    family: str, modulus: tuple[float, float], strength: tuple[float, float], density: tuple[float, float]
) -> None:
    """The limits that a doubt names to a person (common practice, no source); they change on purpose only."""
    found = [family_span(family, kind) for kind in ("modulus", "strength", "density")]
    assert found == [approx(modulus), approx(strength), approx(density)]


@pytest.mark.parametrize(("lowest", "clipped"), [(88.0, False), (87.0, True)])
def test_a_ceiling_is_run_into_from_more_than_twelve_steps_below(lowest: float, clipped: bool) -> None:
    """Five rows at 100 N after five that climb: a rounded summit climbs less over its own width."""
    course = np.array([*np.arange(60.0, lowest), lowest, 91, 94, 97, 99, *[100.0] * 5, 40, 0, 0, 0])
    found: list[Finding] = []
    assert _clipped(course, 0.0, {}, found) is clipped
    assert [each.name for each in found] == ["clipping"] * clipped
