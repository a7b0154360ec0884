"""The settings block: kept as it is, and what is read from it by general patterns."""

from __future__ import annotations

import pytest

from tests.platefile.builder import TWO, boxes, text
from tracker.platefile import Plate, read_plate
from tracker.platefile.settings_block import _layers, _time


def read(*lines: str, **given: float) -> Plate:
    """Read a small plate with these lines at its end."""
    return read_plate(text([*boxes(TWO), *lines]), **given)  # type: ignore[arg-type]


def test_settings_are_kept_as_text() -> None:
    """Keys and values stand as in the file."""
    plate = read("; perimeters = 3", "; note: a = b", ";Filament used: 0.27m", "; empty = ")

    assert dict(plate.settings) == {"perimeters": "3", "note": "a = b", "Filament used": "0.27m", "empty": ""}


def test_first_of_two_equal_keys_wins() -> None:
    """A key that comes again, as progress remarks do, does not change what the header said."""
    assert dict(read("; k = 1", "; k = 2").settings) == {"k": "1"}


def test_long_setting_is_kept_whole() -> None:
    """21 kB in one line are no trouble."""
    value = "abc " * 5300
    assert dict(read(f"; gcode = {value}").settings)["gcode"] == value.strip()


@pytest.mark.parametrize("name", ["thumbnail", "thumbnail_QOI", "thumbnail_JPG"])
def test_thumbnails_are_skipped(name: str) -> None:
    """Picture data may look like a setting and is none."""
    plate = read(f"; {name} begin 16x16 40", "; AbC = dEf", "; k: v=", f"; {name} end", "; real = 1")

    assert plate.settings == (("real", "1"),)


def test_settings_in_numbered_pieces_of_json() -> None:
    """Pieces are joined before they are read; an unreadable join is left out."""
    plate = read(
        ';SETTING_3 {"global": "[general]\\\\nversion = 4\\\\nfilament_dens', ';SETTING_3 ity = 1.3\\\\n"}'
    )

    assert dict(plate.settings)["global.version"] == "4"
    assert read(";SETTING_3 {broken").settings == ()


@pytest.mark.parametrize(
    ("line", "diameter"),
    [
        ("; filament_diameter = 2.85", 2.85),
        ("; filament_diameter: 1.7,1.7", 1.7),
        (";Filament Diameter #1: 1.740", 1.74),
        ("; other = 1", 1.75),
    ],
)
def test_diameter(line: str, diameter: float) -> None:
    """Taken from the file, else 1.75."""
    assert read(line).filament_diameter_mm == diameter


@pytest.mark.parametrize(
    ("line", "density"),
    [
        ("; filament_density = 1.24", 1.24),
        ("; filament_density = 1.24,1.3", 1.24),
        (";Filament Density #1: 1240.000", 1.24),
        ("; filament_density = 0", None),
        ("; fill_density = 15%", None),
    ],
)
def test_density(line: str, density: float | None) -> None:
    """g/cm³; a thousand times as much is kg/m³; 0 is not set."""
    assert read(line).density_g_cm3 == density


def test_values_per_tool() -> None:
    """With one value per tool, that of the tool that deposits is used."""
    lines = boxes(TWO)
    lines.insert(3, "T1")
    plate = read_plate(text([*lines, "; filament_density = 1.24;1.30"]))

    assert plate.density_g_cm3 == 1.30


def test_mass() -> None:
    """Length times cross-section times density: 1 m of 1.75 mm at 1.25 g/cm³ is 3.0066 g."""
    plate = read(density_g_cm3=1.25)

    assert plate.filament_g == pytest.approx(plate.filament_mm * 2.40528 * 1.25 / 1000, rel=1e-5)
    assert plate.objects[0].filament_g_basis == "given"


def test_given_diameter_goes_before_the_files() -> None:
    """What was measured on the spool counts."""
    plate = read("; filament_diameter = 1.75", filament_diameter_mm=1.70)

    assert (plate.filament_diameter_mm, plate.filament_diameter_basis) == (1.70, "given")


def test_no_density_no_mass() -> None:
    """Without a density no mass is made up."""
    assert read().filament_g is None
    assert read().objects[0].filament_g is None


@pytest.mark.parametrize(
    ("line", "field", "value"),
    [
        ("; filament used [mm] = 215.44", "filament_mm", 215.44),
        ("; filament used [mm] = 0.00, 32105.52", "filament_mm", 32105.52),
        (";Filament used: 1.67714m", "filament_mm", 1677.14),
        (";Filament used: 1.2m, 0.4m", "filament_mm", 1600.0),
        (";Filament used: 4615.03mm3", "filament_mm", None),
        ("; filament_length_m = 0.2904", "filament_mm", 290.4),
        (";Material#1 Used: 1643.4", "filament_mm", 1643.4),
        ("; filament used [g] = 0.54", "filament_g", 0.54),
        ("; estimated printing time (normal mode) = 1h 32m 43s", "time_s", 5563.0),
        (";TIME:2848", "time_s", 2848.0),
        (";Print Time: 1835", "time_s", 1835.0),
        (";LAYER_COUNT:25", "layers", 25),
        ("; total layers count = 190", "layers", 190),
    ],
)
def test_stated_totals(line: str, field: str, value: float | None) -> None:
    """The slicer's own totals, with the line they were read from."""
    stated = read(line).stated

    assert getattr(stated, field) == (value if value is None else pytest.approx(value))
    told = [what for what, _, _ in stated.lines if what != "filament_mm3"]
    assert told == ([field] if value is not None else [])


def test_hints_name_their_origin() -> None:
    """A temperature in the settings is offered with its line, never used."""
    (hint,) = read("; chamber_temperature = 45").hints

    assert (hint.what, hint.value, hint.origin) == ("chamber_c", 45.0, "chamber_temperature = 45")


def test_clearances_are_no_temperatures() -> None:
    """Keys about the nozzle's surroundings are no hints."""
    assert read("; extruder_clearance_height_to_lid = 101").hints == ()


@pytest.mark.parametrize(
    ("key", "text", "seconds"),
    [
        ("estimated printing time (normal mode)", "1d 2h 3m 4s", 86400 + 7200 + 180 + 4.0),
        ("Print time", "1.5h", 5400.0),
        ("printing time", "90 m", 5400.0),
        ("total estimated time", "12s", 12.0),
        ("TIME", "6043.5", 6043.5),
        ("time", "1", 1.0),
        ("time", "0", None),
        ("time", "soon", None),
        ("print time left", "5 min", None),
        ("uptime", "5", None),
    ],
)
def test_a_stated_time_in_words_or_seconds(key: str, text: str, seconds: float | None) -> None:
    """Days, hours, minutes and seconds, or a plain number above nought."""
    assert _time({key: text}) == (None if seconds is None else (seconds, key))


@pytest.mark.parametrize(
    ("key", "layers"),
    [("layer_count", 120.0), ("LAYER count", 120.0), ("total layers count", 120.0),
     ("total layer number", 120.0), ("layers", None), ("total_layer_number", None)],
)  # fmt: skip
def test_a_stated_number_of_layers(key: str, layers: float | None) -> None:
    """By the words that slicers use; none where no number stands."""
    assert _layers({key: "120"}) == (None if layers is None else (layers, key))
    assert _layers({key: "many"}) is None
