"""The check before a print, at the command line."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.cli.bench import Cli
from tests.plates import FLAT, UPRIGHT, plate
from tests.realdata import real_data

SHEET = (
    "--nozzle-low", "240", "--nozzle-high", "270", "--bed-low", "80", "--bed-high", "110",
    "--chamber-low", "50", "--chamber-high", "80", "--density", "1.07", "--family", "ASA",
)  # fmt: skip
FITS: dict[str, Any] = {"nozzle": 250, "bed": 90, "chamber": 60}


@pytest.fixture
def spool(cli: Cli) -> str:
    """Give a full spool of a material with a data sheet, dried three hours ago."""
    cli.id("material", "add", "Nordlicht ASA", *SHEET)
    made = cli.id("spool", "add", "Nordlicht ASA", "--net", "1 kg", "--empty", "210", "--gross", "1210")
    cli.id("spool", "keep", made, "sealed bag", "--began", "20 h ago")
    cli.id("dry", made, "--set", "80", "--began", "9 h ago", "--ended", "3 h ago")
    return made


@pytest.fixture
def sent(tmp_path: Path) -> Callable[..., str]:
    """Give a function that writes a plate file and returns its path."""

    def write(bars: dict[str, Any] = FLAT, name: str = "plate.gcode", **how: Any) -> str:
        (tmp_path / name).write_bytes(plate(bars, **{"layers": 20, **FITS, **how}))
        return str(tmp_path / name)

    return write


def told(cli: Cli, *words: str) -> dict[str, Any]:
    """Return what a preflight says as JSON, whether it stops or not."""
    import json  # noqa: PLC0415 - of this helper only

    result = cli("preflight", *words, "--json")
    found: dict[str, Any] = json.loads(result.stdout)
    assert result.exit_code == (0 if found["go"] else 1), result.output
    return found


def abouts(found: dict[str, Any], kind: str) -> list[str]:
    """Return what the stops or warnings are about."""
    return [each["about"] for each in found[kind]]


def test_a_plate_that_fits_goes(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """Exit code 0 and no stop; that the programme lacks more pieces is a warning."""
    found = told(cli, sent(), "--spool", spool)
    assert (found["stops"], abouts(found, "warnings")) == ([], ["pieces"])


def test_nothing_is_written(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """A preflight is a question."""
    before = cli.entries()
    told(cli, sent(nozzle=300), "--spool", spool)
    assert cli.entries() == before


@pytest.mark.parametrize(
    ("how", "about", "words"),
    [
        ({"nozzle": 300}, "nozzle", "300 °C; the data sheet says 240 – 270 °C"),
        ({"nozzle": 230}, "nozzle", "230 °C"),
        ({"bed": 120}, "bed", "120 °C"),
        ({"chamber": 90}, "chamber", "90 °C"),
        ({"chamber": None}, "chamber", "sets no chamber temperature; the data sheet wants 50 – 80 °C"),
    ],
)
def test_set_points_outside_of_the_data_sheet_stop(
    cli: Cli, spool: str, sent: Callable[..., str], how: dict[str, Any], about: str, words: str
) -> None:
    """So does a chamber that is wanted and not set."""
    found = told(cli, sent(**how), "--spool", spool)
    assert abouts(found, "stops") == [about]
    assert words in found["stops"][0]["text"]


def test_part_of_a_plate_outside_of_the_sheet_is_a_warning(
    cli: Cli, spool: str, sent: Callable[..., str]
) -> None:
    """The last five layers at 285 °C."""
    found = told(cli, sent(later=["M104 S285"], later_from=16), "--spool", spool)
    assert (found["go"], abouts(found, "warnings")) == (True, ["nozzle", "pieces"])


def test_a_spool_too_light_for_the_plate_stops(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """Half a gram is left after the weighing."""
    cli.id("spool", "weigh", spool, "210.1")
    found = told(cli, sent(), "--spool", spool)
    assert abouts(found, "stops") == ["filament"]
    assert found["left_g"] == pytest.approx(0.1)
    # A sixth of what twenty layers of two bars take, the bar at the back first.
    assert "; it runs out in about layer 4 (0.8 mm) of second" in found["stops"][0]["text"]


def test_a_little_too_light_is_too_light(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """Nine tenths of what the plate needs; a twentieth more than it needs is close."""
    need = told(cli, sent(), "--spool", spool)["filament_g"]
    cli.id("spool", "weigh", spool, str(round(210 + 0.9 * need, 4)), "--at", "2 h ago")
    assert abouts(told(cli, sent(), "--spool", spool), "stops") == ["filament"]
    cli.id("spool", "weigh", spool, str(round(210 + 1.05 * need, 4)), "--at", "1 h ago")
    assert abouts(told(cli, sent(), "--spool", spool), "warnings") == ["filament", "pieces"]


def test_what_earlier_jobs_took_is_gone(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """A weighing of one and a half plates, then a job of one."""
    need = told(cli, sent(), "--spool", spool)["filament_g"]
    cli.id("spool", "weigh", spool, str(round(210 + 1.5 * need, 3)), "--at", "2 h ago")
    assert told(cli, sent(), "--spool", spool)["go"]
    cli.id("job", "add", sent(), "--spool", spool, "--started", "1 h ago")
    found = told(cli, sent(), "--spool", spool)
    assert found["left_g"] == pytest.approx(0.5 * need, abs=0.01)
    assert abouts(found, "stops") == ["filament"]


def test_filament_that_was_never_dried_is_a_warning(cli: Cli, sent: Callable[..., str]) -> None:
    """The family wants it."""
    cli.id("material", "add", "Nordlicht ASA", *SHEET)
    spool = cli.id("spool", "add", "Nordlicht ASA", "--net", "1 kg")
    assert "drying" in abouts(told(cli, sent(), "--spool", spool), "warnings")


def test_filament_long_in_the_air_is_overdue(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """Three hours at 80 %RH since the drying; hours and estimated water are reported."""
    cli.id("correct", spool, "stay1.ended_at=9 h ago", "--reason", "taken out")
    cli.id("spool", "keep", spool, "open air", "--rh", "80", "--began", "3 h ago")
    found = told(cli, sent(), "--spool", spool)
    text = next(each["text"] for each in found["warnings"] if each["about"] == "drying")
    assert "Overdue for drying" in text
    assert "wt% water, grade C" in text


def test_differences_from_a_job_come_largest_first(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """Fan from 50 to 100 per cent, nozzle from 250 to 260."""
    job = cli.id("job", "add", sent(), "--spool", spool)
    found = told(cli, sent(name="new.gcode", nozzle=260, fan=255), "--spool", spool, "--like", job)
    named = [(each["what"], each["plate"], each["like"]) for each in found["differences"]]
    assert named == [("fan_pct", 100.0, 50.2), ("nozzle_c", 260.0, 250.0)]
    assert found["differences"][1]["relative"] == pytest.approx(0.04)


def test_a_job_repeated_as_it_was_differs_in_nothing(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """The same file."""
    job = cli.id("job", "add", sent(), "--spool", spool)
    assert told(cli, sent(), "--spool", spool, "--like", job)["differences"] == []


def test_settings_of_the_slicer_are_held_against_each_other(
    cli: Cli, spool: str, sent: Callable[..., str]
) -> None:
    """Keys as they stand, whatever they are called."""
    job = cli.id("job", "add", sent(settings=["wall count = 2", "seam = rear"]), "--spool", spool)
    other = sent(name="new.gcode", settings=["wall count = 3", "seam = rear"])
    found = told(cli, other, "--spool", spool, "--like", job)["differences"]
    assert [(each["what"], each["plate"], each["like"], each["relative"]) for each in found] == [
        ("wall count", "3", "2", 0.5)
    ]


def test_a_setting_written_otherwise_is_no_difference(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """0.2 and 0.200 are one number."""
    job = cli.id("job", "add", sent(settings=["height = 0.200"]), "--spool", spool)
    other = sent(name="new.gcode", settings=["height = 0.2"])
    assert told(cli, other, "--spool", spool, "--like", job)["differences"] == []


def test_a_percentage_is_not_held_against_a_number(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """50 % of what, and 15 mm/s: different, but by no part; two percentages are by one."""
    job = cli.id("job", "add", sent(settings=["speed = 50%", "overlap = 20%"]), "--spool", spool)
    other = sent(name="new.gcode", settings=["speed = 15", "overlap = 55%"])
    found = told(cli, other, "--spool", spool, "--like", job)["differences"]
    assert [(each["what"], each["relative"]) for each in found] == [("overlap", 1.75), ("speed", None)]


ORDERED = ("brim = 3", "wall = 4", "gap = 6", "seam = rear")
BEFORE = ("brim = 0", "wall = 2", "gap = 5", "seam = front", "old = 1")


def test_what_was_zero_comes_first_and_what_one_side_states_last(
    cli: Cli, spool: str, sent: Callable[..., str]
) -> None:
    """A number against zero is no part of it; words come after numbers."""
    job = cli.id("job", "add", sent(settings=BEFORE), "--spool", spool)
    other = sent(name="new.gcode", settings=[*ORDERED, "new = 1"])
    found = told(cli, other, "--spool", spool, "--like", job)["differences"]
    assert [each["what"] for each in found] == ["brim", "wall", "gap", "seam", "new", "old"]


def test_settings_of_one_side_are_counted_in_one_line(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """They stand in the JSON; the table is for what can be compared."""
    job = cli.id("job", "add", sent(settings=BEFORE), "--spool", spool)
    other = sent(name="new.gcode", settings=[*ORDERED, "new = 1", "newer = 2"])
    said = " ".join(cli("preflight", other, "--spool", spool, "--like", job).stdout.split())
    assert f"in --json: 1 that only {job} states, 2 that only this plate states." in said
    assert "newer" not in said


def test_a_set_point_of_one_side_stays_in_the_table(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """A chamber that is no longer set is what a preflight is for."""
    job = cli.id("job", "add", sent(), "--spool", spool)
    said = cli("preflight", sent(name="new.gcode", chamber=None), "--spool", spool, "--like", job).stdout
    assert any(line.split() == ["chamber_c", "–", "60", "–"] for line in said.splitlines())


def test_it_fits_sixty_columns(
    cli: Cli, spool: str, sent: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Long names and long values alike, on a narrow terminal and where it is piped."""
    monkeypatch.setenv("COLUMNS", "60")
    name = "first layer support material interface pattern of the second tool"
    job = cli.id("job", "add", sent(settings=[f"{name} = {'rectilinear ' * 4}"]), "--spool", spool)
    other = sent(name="new.gcode", nozzle=300, settings=[f"{name} = {'concentric ' * 4}"])
    said = cli("preflight", other, "--spool", spool, "--like", job).stdout
    assert "first layer" in said
    assert max(map(len, said.splitlines())) <= 60


def test_pieces_of_one_kind_are_one_line(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """With their numbers, as they are typed off the bed."""
    many = {f"bar.stl_id_0_copy_{n}": (20.0, 20.0 + 12.0 * n, 79.6, 9.6) for n in range(3)}
    found = told(cli, sent(many), "--spool", spool)
    assert len(found["pieces"]) == 1
    assert found["pieces"][0].startswith("1-3  bar: ")


def test_a_plate_of_other_pieces_is_one_warning(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """And not one for each name on either side."""
    job = cli.id("job", "add", sent(UPRIGHT), "--spool", spool)
    found = told(cli, sent(name="new.gcode"), "--spool", spool, "--like", job)
    texts = [each["text"] for each in found["warnings"] if "repeated" in each["text"]]
    assert texts == [
        "On this plate are 1 second, 1 bar; in the job to be repeated, 1 tower, 1 tower_#2, 1 cube."
    ]


def test_a_missing_spool_is_refused_with_the_way_to_one(cli: Cli, sent: Callable[..., str]) -> None:
    """In one line."""
    assert "list spools" in cli.refused("preflight", sent())


def test_pieces_that_lie_otherwise_than_in_the_job_stop(
    cli: Cli, spool: str, sent: Callable[..., str]
) -> None:
    """The same names, on edge then and flat now."""
    job = cli.id("job", "add", sent(), "--spool", spool, "--piece", "bar:XZY", "--piece", "second:XZY")
    found = told(cli, sent(), "--spool", spool, "--like", job)
    assert abouts(found, "stops") == ["orientation", "orientation"]


def test_a_plan_names_the_plate_that_is_meant(
    cli: Cli, spool: str, sent: Callable[..., str], tmp_path: Path
) -> None:
    """The nearest of its plates; a plate that is none of them stops."""
    plan = tmp_path / "plan.toml"
    plan.write_text(
        "[[plate]]\npieces = 2\n[plate.levels]\nnozzle_c = 250\n"
        "[[plate]]\npieces = 2\n[plate.levels]\nnozzle_c = 265\norientation = 'XYZ'\n"
    )
    assert told(cli, sent(nozzle=265), "--spool", spool, "--like", str(plan))["go"]
    found = told(cli, sent(nozzle=262), "--spool", spool, "--like", str(plan))
    assert abouts(found, "stops") == ["plan"]
    assert found["like"].startswith("plate 2 of")


@pytest.mark.parametrize("text", ["", "[[plate]]\npieces = 2\n", "[plate", "plate = 3"])
def test_a_file_that_is_no_plan_is_refused(
    cli: Cli, spool: str, sent: Callable[..., str], tmp_path: Path, text: str
) -> None:
    """One line, and what to write."""
    plan = tmp_path / "plan.toml"
    plan.write_text(text)
    refusal = cli.refused("preflight", sent(), "--spool", spool, "--like", str(plan))
    assert "plan" in refusal


def test_pieces_the_programme_does_not_need_are_named(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """Thirty flat bars where the usual programme wants 27, and one piece of any orientation."""
    many = {f"bar{n}": (20.0, 20.0 + 12.0 * n, 79.6, 9.6) for n in range(30)}
    found = told(cli, sent(many), "--spool", spool)
    assert any("needs: 2 flat." in each["text"] for each in found["warnings"]), found["warnings"]


def test_a_truncated_plate_stops(cli: Cli, spool: str, tmp_path: Path) -> None:
    """It would be printed as far as it goes."""
    data = plate(UPRIGHT, **FITS)
    file = tmp_path / "cut.gcode"
    file.write_bytes(data[: len(data) // 2])
    assert "file" in abouts(told(cli, str(file), "--spool", spool), "stops")


def test_it_is_reported_in_words_too(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """Pieces, differences as a table, stops before warnings, and the verdict last."""
    job = cli.id("job", "add", sent(), "--spool", spool)
    said = cli("preflight", sent(name="new.gcode", nozzle=300), "--spool", spool, "--like", job)
    lines = said.stdout.splitlines()
    assert said.exit_code == 1
    assert lines[-1] == "Do not print it as it is."
    assert any(line.startswith("STOP: The nozzle is set to 300 °C") for line in lines)
    assert any(line.split()[:3] == ["nozzle_c", "300", "250"] for line in lines)


@pytest.mark.parametrize(
    "name",
    [
        "four-objects-m486.gcode",
        "four-objects-no-layer-comments.gcode",
        "one-object-define-markers.gcode",
        "one-object-mesh-comments.gcode",
        "one-object-printing-comments.gcode",
    ],
)
def test_real_plates_are_checked(cli: Cli, spool: str, name: str) -> None:
    """None of them is right for this material, and each is told why."""
    found = told(cli, str(real_data("plates", name)), "--spool", spool)
    assert not found["go"]
    assert {"nozzle", "chamber"} & set(abouts(found, "stops"))


def test_a_nozzle_too_cold_to_print_stops(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """At 120 °C nothing flows, whatever the data sheet says."""
    found = told(cli, sent(nozzle=120), "--spool", spool)
    assert any("nothing flows" in each["text"] for each in found["stops"])


def test_a_section_that_is_printed_otherwise_is_named(
    cli: Cli, spool: str, sent: Callable[..., str], tmp_path: Path
) -> None:
    """One piece alone is printed with the fan full on: the plate is not as the job, and it is named."""
    file = Path(sent(UPRIGHT, layers=60))
    job = cli.id("job", "add", str(file), "--spool", spool)
    same = told(cli, str(file), "--spool", spool, "--like", job)
    assert (same["agrees"], same["differences"]) == (True, [])
    assert f"As {job} in every value" in cli("preflight", str(file), "--spool", spool, "--like", job).stdout
    begin, end = b"EXCLUDE_OBJECT_START NAME=cube\n", b"EXCLUDE_OBJECT_END NAME=cube\n"
    other = file.read_bytes().replace(begin, begin + b"M106 S255\n").replace(end, end + b"M106 S128\n")
    (tmp_path / "other.gcode").write_bytes(other)
    found = told(cli, str(tmp_path / "other.gcode"), "--spool", spool, "--like", job)
    assert not found["agrees"]
    (fan,) = [each for each in found["differences"] if each["factor"] == "fan_pct"]
    assert (fan["what"], fan["plate"]) == ("fan of cube", 100)


def test_a_pause_in_the_gauge_section_is_a_warning(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """A wait for a person halfway up cools the layer below it."""
    found = told(cli, sent(later=["M600"], later_from=11), "--spool", spool)
    (pause,) = [each["text"] for each in found["warnings"] if each["about"] == "pause"]
    assert pause == "The printer waits in the gauge section of all specimens: M600 after layer 10 (2 mm)."
    assert {each["pauses"]["value"] for each in found["sections"]} == {1}


def test_two_tools_want_two_spools(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """A plate that changes tools is not printed from one spool."""
    found = told(cli, sent(later=["T1"], later_from=11), "--spool", spool)
    assert "2 tools (T0 0.11 m, T1 0.11 m) and one spool is named" in next(
        each["text"] for each in found["stops"] if each["about"] == "tools"
    )


def test_a_plate_that_contradicts_itself_stops(cli: Cli, spool: str, sent: Callable[..., str]) -> None:
    """The length that the file states is compared with its moves."""
    found = told(cli, sent(settings=["filament used [mm] = 999"]), "--spool", spool)
    assert abouts(found, "stops") == ["filament"]


def of_two_tools(sent: Callable[..., str], nozzle: int = 250) -> str:
    """Write a plate on which tool 0 prints one bar and tool 1 the other."""
    path = Path(sent())
    begin = b"EXCLUDE_OBJECT_START NAME=second\n"
    data = path.read_bytes().replace(begin, b"T1\n" + begin)
    data = data.replace(b"EXCLUDE_OBJECT_END NAME=second\n", b"EXCLUDE_OBJECT_END NAME=second\nT0\n")
    path.write_bytes(data.replace(b"M104 S250\n", b"M104 S250\nM104 T1 S%d\n" % nozzle))
    return str(path)


@pytest.fixture
def other(cli: Cli) -> str:
    """Give half a gram of a heavier material that wants a colder nozzle."""
    cli.id(
        "material", "add", "Südwind PLA", "--nozzle-low", "195", "--nozzle-high", "230", "--density", "1.3",
        "--drying", "50",
    )  # fmt: skip
    made = cli.id("spool", "add", "Südwind PLA", "--net", "1 kg", "--empty", "210", "--gross", "1210")
    cli.id("spool", "weigh", made, "210.1")
    return made


def test_each_spool_is_held_against_its_own_tool(
    cli: Cli, spool: str, other: str, sent: Callable[..., str]
) -> None:
    """Nozzle, density and what is left are those of the spool that feeds the tool."""
    found = told(cli, of_two_tools(sent, 250), "--spool", spool, "--spool", other)
    stops = {each["about"]: each["text"] for each in found["stops"]}
    assert set(stops) == {"nozzle", "filament"}
    assert f"for {other} in tool 1" in stops["nozzle"]
    assert f"of {other} in tool 1" in stops["filament"]
    assert re.search(
        r"runs out in about layer \d+ \([\d.]+ mm\) of second. Printed from it: second.$", stops["filament"]
    )
    dried = [each for each in found["warnings"] if each["about"] == "drying"]
    assert [(other in each["text"], each["specimens"]) for each in dried] == [(True, ["second"])]
    need = [each["needs_g"] for each in found["spools"]]
    assert need[1] / need[0] == pytest.approx(1.3 / 1.07)
    assert [(each["name"], each["material"], each["spools"]) for each in found["sections"]] == [
        ("second", "Südwind PLA", [f"{other} in tool 1"]),
        ("bar", "Nordlicht ASA", [f"{spool} in tool 0"]),
    ]


def test_specimens_know_the_spool_of_their_tool(
    cli: Cli, spool: str, other: str, sent: Callable[..., str]
) -> None:
    """The job takes from each spool what its tool laid, and each specimen is of its own material."""
    job = cli.id("job", "add", of_two_tools(sent, 220), "--spool", spool, "--spool", other, "--yes")
    pieces = {each["name"]: each["id"] for each in cli.json("show", job)["specimens"]}
    assert cli.json("show", pieces["second"])["material"] == "Südwind PLA"
    assert cli.json("show", pieces["bar"])["material"] == "Nordlicht ASA"
    shown = cli("show", job).stdout
    assert f"{other} Südwind PLA (tool 1; pieces 1)" in " ".join(shown.split()), shown
    listed = {each["id"]: each["material"] for each in cli.json("list", "specimens")}
    assert listed == {pieces["second"]: "Südwind PLA", pieces["bar"]: "Nordlicht ASA"}


def test_a_specimen_is_of_the_material_that_most_of_it_is_laid_from(
    cli: Cli, spool: str, other: str, sent: Callable[..., str]
) -> None:
    """Three quarters of each bar come from the second tool: pages, lists and what is kept say so alike."""
    path = sent(later=["M104 T1 S220", "T1"], later_from=6)
    found = told(cli, path, "--spool", spool, "--spool", other)
    assert {each["material"] for each in found["sections"]} == {"Südwind PLA"}
    job = cli.id("job", "add", path, "--spool", spool, "--spool", other, "--yes")
    pieces = [each["id"] for each in cli.json("show", job)["specimens"]]
    assert [cli.json("show", each)["material"] for each in pieces] == ["Südwind PLA"] * 2
    assert [each["material"] for each in cli.json("list", "specimens")] == ["Südwind PLA"] * 2
    cli("verify")


def test_replicates_that_are_not_printed_alike_are_reported(
    cli: Cli, spool: str, sent: Callable[..., str]
) -> None:
    """Two bars of one name, of which one is cooled by twice the fan."""
    path = Path(sent({"bar": FLAT["bar"], "bar #2": FLAT["second"]}))
    begin, end = b"EXCLUDE_OBJECT_START NAME=bar_#2\n", b"EXCLUDE_OBJECT_END NAME=bar_#2\n"
    data = path.read_bytes().replace(begin, begin + b"M106 S255\n").replace(end, end + b"M106 S128\n")
    path.write_bytes(
        data.replace(b"bar_#2", b"bar.stl_id_1_copy_0").replace(b"=bar\n", b"=bar.stl_id_0_copy_0\n")
    )
    found = told(cli, str(path), "--spool", spool)
    (text,) = [each["text"] for each in found["warnings"] if each["about"] == "replicates"]
    assert text == "bar is not printed alike: fan 50.2 % in bar #1, 100 % in bar #2."
    assert not [e for e in told(cli, sent(), "--spool", spool)["warnings"] if e["about"] == "replicates"]


def test_specimens_unlike_those_tested_already_are_reported(
    cli: Cli, spool: str, sent: Callable[..., str]
) -> None:
    """A programme counts five bars: the sixth, printed 15 °C hotter, is no replicate of them."""
    job = cli.id("job", "add", sent(), "--spool", spool, "--started", "2 h ago", "--yes")
    cli.id("offbed", job, "--rest-good")
    first = cli.json("show", job)["specimens"][0]["id"]
    cli.id("measure", first, "tensile", "max_force=1830", "area=40", "--yes")
    assert not [e for e in told(cli, sent(), "--spool", spool)["warnings"] if e["about"] == "programme"]
    found = told(cli, sent(nozzle=265), "--spool", spool)
    (text,) = [each["text"] for each in found["warnings"] if each["about"] == "programme"]
    assert text.startswith("all specimens: nozzle 265 °C; the 1 of that orientation tested so far, 250 °C.")
