"""Jobs from plate files at the command line: pieces, maps, logs, changes, and files that are no plates."""

from __future__ import annotations

import datetime as dt
import io
import json
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from tests.cli.bench import Cli, Terminal
from tests.platefile.builder import ring
from tests.plates import FLAT, UPRIGHT, plate
from tests.realdata import real_data
from tracker.desk.jobplates import PlateFile

START = "2026-03-02 07:00"


@pytest.fixture
def spool(cli: Cli) -> str:
    """Give a spool of a material with a data sheet."""
    cli.id("material", "add", "Nordlicht ASA", "--family", "ASA", "--density", "1.07")
    return cli.id("spool", "add", "Nordlicht ASA", "--lot", "7731", "--net", "1 kg")


def sent(folder: Path, data: bytes, name: str = "plate.gcode") -> str:
    """Write a plate file and return its path."""
    (folder / name).write_bytes(data)
    return str(folder / name)


def a_log(folder: Path, start: str, rows: int = 60, first: float = 40.0, name: str = "log.csv") -> str:
    """Write a log of the chamber, a row a minute, rising by a degree each, and return its path."""
    at = dt.datetime.fromisoformat(start).replace(tzinfo=dt.UTC)
    lines = ["time,chamber °C,humidity %"]
    lines += [f"{at + dt.timedelta(minutes=n):%Y-%m-%dT%H:%M:%SZ},{first + n:.1f},40" for n in range(rows)]
    (folder / name).write_text("\n".join(lines))
    return str(folder / name)


def test_pieces_come_from_the_plate_in_reading_order(cli: Cli, spool: str, tmp_path: Path) -> None:
    """The back row first, from left to right."""
    told = cli.json("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool)
    assert [piece["name"] for piece in told["specimens"]] == ["tower", "tower_#2", "cube"]


def test_a_plate_tells_the_contract_keys(cli: Cli, spool: str, tmp_path: Path) -> None:
    """What other people's scripts read."""
    told = cli.json("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool)
    assert {"id", "specimens", "filament_mm", "time_s"} <= set(told)
    assert {
        "id", "name", "orientation", "box_mm", "centre_mm", "layers", "filament_mm", "filament_g",
        "layer_time_min_s",
    } <= set(told["specimens"][0])  # fmt: skip


def test_flow_of_a_piece_is_reported_for_each_feature(cli: Cli, spool: str, tmp_path: Path) -> None:
    """By the file's own names: 20 mm/s at 0.03 mm of 1.75 mm filament a mm are 1.443 mm³/s."""
    job = cli.id(
        "job", "add", sent(tmp_path, plate(FLAT, later=[";TYPE:Outer wall"], later_from=1)), "--spool", spool
    )
    told = cli.json("show", job)["specimens"][0]

    assert told["flow_by_feature"].keys() == {"Outer wall"}
    assert told["flow_by_feature"]["Outer wall"]["median"] == pytest.approx(1.443, rel=0.02)
    assert told["flow"]["max"] == pytest.approx(1.443, rel=0.02)


def test_a_tower_of_the_plate_stands_upright(cli: Cli, spool: str, tmp_path: Path) -> None:
    """10 × 4 × 20 mm, centre line and one line width: longest along Z, then X."""
    told = cli.json("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool)["specimens"][0]
    assert (told["orientation"], told["layers"]) == ("ZXY", 100)
    assert told["box_mm"] == pytest.approx([19.8, 59.8, 0.0, 29.8, 63.8, 20.0], abs=0.01)


def test_filament_of_a_piece_is_that_of_its_moves(cli: Cli, spool: str, tmp_path: Path) -> None:
    """26.4 mm around at 0.03 mm a mm, a hundred times, weighed with the material's density."""
    told = cli.json("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool)["specimens"][0]
    length = 2 * (9.6 + 3.6) * 0.03 * 100
    assert told["filament_mm"] == pytest.approx(length, abs=0.01)
    assert told["filament_g"] == pytest.approx(length * 2.40528 * 1.07 / 1000, rel=1e-3)


def test_set_points_come_from_the_plate(cli: Cli, spool: str, tmp_path: Path) -> None:
    """Nobody types what is commanded."""
    told = cli.json("job", "add", sent(tmp_path, plate(UPRIGHT, chamber=60)), "--spool", spool)
    assert (told["nozzle_set_c"], told["bed_set_c"], told["chamber_set_c"]) == (250, 90, 60)


def test_what_a_person_gives_stands_before_the_plate_and_is_pointed_out(
    cli: Cli, spool: str, tmp_path: Path
) -> None:
    """The knob was turned; how to enter that is shown."""
    done = cli("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool, "--nozzle-set", "240")
    assert "job change J0001-J nozzle=240 --layer 1" in done.stderr
    assert cli.json("show", "J0001-J")["nozzle_set_c"] == 240


def test_bars_are_known_by_their_size(cli: Cli, spool: str, tmp_path: Path) -> None:
    """80 × 10 × 4 mm is a bending bar."""
    told = cli.json("job", "add", sent(tmp_path, plate(FLAT, layers=20)), "--spool", spool)
    assert {piece["geometry"] for piece in told["specimens"]} <= {"iso178", "iso179"}


def test_a_template_may_be_named(cli: Cli, spool: str, tmp_path: Path) -> None:
    """For one piece by its name."""
    file = sent(tmp_path, plate(FLAT, layers=20))
    told = cli.json("job", "add", file, "--spool", spool, "--geometry", "second=free")["specimens"]
    assert (told[0]["name"], told[0]["geometry"]) == ("second", "free")
    assert told[1]["geometry"] != "free"


@pytest.mark.parametrize(
    ("option", "word"), [("--geometry", "brick"), ("--geometry", "third=iso178"), ("--dummy", "third")]
)
def test_an_unknown_template_or_piece_is_refused(
    cli: Cli, spool: str, tmp_path: Path, option: str, word: str
) -> None:
    """In one line that names what there is."""
    refusal = cli.refused("job", "add", sent(tmp_path, plate(FLAT)), "--spool", spool, option, word)
    assert "iso178" in refusal or "bar" in refusal


def test_letters_of_the_plate_may_be_corrected(cli: Cli, spool: str, tmp_path: Path) -> None:
    """By the name of the object."""
    file = sent(tmp_path, plate(FLAT, layers=20))
    told = cli.json("job", "add", file, "--spool", spool, "--piece", "bar:XZY")["specimens"]
    assert [(piece["name"], piece["orientation"]) for piece in told] == [("second", "XYZ"), ("bar", "XZY")]


def test_pieces_may_be_renamed_in_the_order_of_the_map(cli: Cli, spool: str, tmp_path: Path) -> None:
    """As many names as pieces."""
    file = sent(tmp_path, plate(FLAT, layers=20))
    told = cli.json("job", "add", file, "--spool", spool, "--piece", "rear", "--piece", "front")["specimens"]
    assert [(piece["name"], piece["orientation"]) for piece in told] == [("rear", "XYZ"), ("front", "XYZ")]


def test_more_names_than_pieces_are_refused(cli: Cli, spool: str, tmp_path: Path) -> None:
    """What is on the plate is reported."""
    file = sent(tmp_path, plate(FLAT))
    assert "the plate holds 2 (second, bar)" in cli.refused(
        "job", "add", file, "--spool", spool, "--piece", "rod:XYZ:5"
    )


def test_a_dummy_needs_neither_outcome_nor_label(cli: Cli, spool: str, tmp_path: Path) -> None:
    """It counts in the others' layer times all the same."""
    alone = {"tower": UPRIGHT["tower"]}
    job = cli.id("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool, "--dummy", "cube")
    cli.id("job", "add", sent(tmp_path, plate(alone), "alone.gcode"), "--spool", spool)
    off = cli.json("offbed", job, "--rest-good")
    assert len(off["also"]) == 2
    with_others = cli.json("show", job)["specimens"][0]["layer_time_min_s"]
    assert with_others > 3 * cli.json("show", "J0002-H")["specimens"][0]["layer_time_min_s"]


def test_another_attempt_with_the_same_file_keeps_the_pieces(cli: Cli, spool: str, tmp_path: Path) -> None:
    """Corrections of the first attempt hold for the second."""
    file = sent(tmp_path, plate(FLAT, layers=20))
    job = cli.id("job", "add", file, "--spool", spool, "--piece", "bar:XZY")
    again = cli.json("job", "add", file, "--again", job)
    assert [piece["orientation"] for piece in again["specimens"]] == ["XYZ", "XZY"]
    assert again["time_s"] == cli.json("show", job)["time_s"]


def test_another_attempt_with_another_file_reads_it(cli: Cli, spool: str, tmp_path: Path) -> None:
    """Its pieces and set-points are the new plate's."""
    job = cli.id("job", "add", sent(tmp_path, plate(FLAT)), "--spool", spool)
    again = cli.json("job", "add", sent(tmp_path, plate(UPRIGHT, nozzle=260), "new.gcode"), "--again", job)
    assert (len(again["specimens"]), again["nozzle_set_c"]) == (3, 260)


def test_the_map_shows_every_piece(cli: Cli, spool: str, tmp_path: Path) -> None:
    """As text with the pieces listed, as SVG and as PNG."""
    job = cli.id("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool)
    cli.id("offbed", job, "--good", "1-2", "--failed", "3=came loose")
    ids = [piece["id"] for piece in cli.json("show", job)["specimens"]]
    text = "\n".join(cli.done("job", "map", job))
    svg, png = tmp_path / "map.svg", tmp_path / "map.png"
    cli.done("job", "map", job, "-o", str(svg))
    cli.done("job", "map", job, "-o", str(png), "--mark", ids[1])
    assert all(each in text and each in svg.read_text() for each in ids)
    assert "failed" in text
    assert Image.open(png).width > 1000


def test_a_job_without_a_file_has_no_map(cli: Cli, spool: str) -> None:
    """One line says why."""
    job = cli.id("job", "add", "--spool", spool, "--piece", "bar:ZXY:3")
    assert "entered without a plate file" in cli.refused("job", "map", job)


def test_a_map_of_an_unknown_form_is_refused(cli: Cli, spool: str, tmp_path: Path) -> None:
    """The forms there are, are named."""
    job = cli.id("job", "add", sent(tmp_path, plate(FLAT)), "--spool", spool)
    assert ".svg or .png" in cli.refused("job", "map", job, "-o", str(tmp_path / "map.bmp"))


def _picture() -> bytes:
    held = io.BytesIO()
    Image.new("RGB", (4, 4)).save(held, "PNG")
    return held.getvalue()


def _project() -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as packed:
        packed.writestr("3D/3dmodel.model", "<model/>")
    return held.getvalue()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"GCDE" + struct.pack("<IH", 1, 1) + b"\0" * 90, "empty"),
        (_project(), "no sliced plate"),
        (_picture(), "PNG picture"),
        (b"G20\nG0 X1 Y1\nG1 Z-0.1 F10\nG1 X2 Y2\nM5\n", "No extrusion"),
        (b"G1 X1 Y1 E1\n\0\0\0\nG1 X2 E2\n", "NUL"),
        (b"", "empty"),
    ],
    ids=["binary", "container", "picture", "milling", "NUL", "empty"],
)
def test_a_file_that_is_no_plate_is_refused_in_one_line(
    cli: Cli, spool: str, tmp_path: Path, data: bytes, words: str
) -> None:
    """And nothing is entered."""
    file, before = sent(tmp_path, data), cli.entries()
    assert words in cli.refused("job", "add", file, "--spool", spool)
    assert words in cli.refused("preflight", file, "--spool", spool)
    assert cli.entries() == before


def test_a_plate_of_a_container_is_named_and_read_again(cli: Cli, spool: str, tmp_path: Path) -> None:
    """The number goes with the pieces, so that the kept container gives the same plate again."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as packed:
        packed.writestr("Metadata/plate_1.gcode", plate(FLAT, layers=2))
        packed.writestr("Metadata/plate_2.gcode", plate(UPRIGHT, settings=["note = second"]))
    file = sent(tmp_path, held.getvalue())
    assert "2 plates" in cli.refused("job", "add", file, "--spool", spool)
    job = cli.json("job", "add", file, "--spool", spool, "--plate", "2")
    assert [each["name"] for each in job["specimens"]] == ["tower", "tower_#2", "cube"]
    cli("job", "gauge", job["id"], "z:6-9", "--yes")


def test_a_truncated_plate_is_taken_as_far_as_it_goes(cli: Cli, spool: str, tmp_path: Path) -> None:
    """Half of the layers, and it says so; that it is meant is asked first."""
    whole = plate(UPRIGHT)
    words = ("job", "add", sent(tmp_path, whole[: len(whole) // 2]), "--spool", spool)
    refused = cli(*words)
    assert (refused.exit_code, "The plate file is incomplete" in refused.stderr) == (1, True)
    done = cli(*words, "--yes")
    assert "incomplete" in done.stderr
    assert "read as far as it goes" in done.stderr
    told = cli.json("show", "J0001-J")["specimens"]
    assert 40 < told[0]["layers"] < 60


@pytest.mark.parametrize(
    ("name", "length", "layers"),
    [
        ("four-objects-m486.gcode", 215.43, [25, 25, 25, 25]),
        ("four-objects-no-layer-comments.gcode", 290.36, [16, 16, 16, 16]),
        ("one-object-define-markers.gcode", 32105.52, [190]),
        ("one-object-mesh-comments.gcode", 1677.14, [25]),
        ("one-object-printing-comments.gcode", 1656.91, [20]),
    ],
)
def test_real_plates_become_jobs(cli: Cli, spool: str, name: str, length: float, layers: list[int]) -> None:
    """Lengths within 0.02 mm of the facts beside the files, objects and layers as there."""
    told = cli.json("job", "add", str(real_data("plates", name)), "--spool", spool)
    assert told["filament_mm"] == pytest.approx(length, abs=0.02)
    assert [piece["layers"] for piece in told["specimens"]] == layers


def test_the_pieces_of_a_real_plate(cli: Cli, spool: str) -> None:
    """Objects of 26.28, 34.30, 34.30 and 99.80 mm; least own layer times 1.61, 2.24, 2.24, 6.84 s."""
    told = cli.json("job", "add", str(real_data("plates", "four-objects-m486.gcode")), "--spool", spool)
    lengths = sorted(piece["filament_mm"] for piece in told["specimens"])
    times = sorted(piece["own_layer_time_min_s"] for piece in told["specimens"])
    assert lengths == pytest.approx([26.28, 34.30, 34.30, 99.80], abs=0.02)
    assert times == pytest.approx([1.61, 2.24, 2.24, 6.84], abs=0.02)


def test_a_log_gives_each_piece_the_time_of_its_gauge_section(cli: Cli, spool: str, tmp_path: Path) -> None:
    """Rising a degree a minute from 40 °C: the tower's own layers lie within the job's first minutes."""
    job = cli.id("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool, "--started", START)
    done = cli("job", "log", job, a_log(tmp_path, START))
    assert "chamber: chamber °C, in °C" in done.stderr
    assert "the log begins 0 s after" in done.stderr
    found = {f["name"]: f for f in cli.json("show", _first(cli, job), "--factors")["factors"]}["chamber_c"]
    time = cli.json("show", job)["time_s"]
    assert found["basis"] == "measured"
    assert 40 <= found["low"] < found["value"] < found["high"] <= 40 + time / 60 + 0.1


def _first(cli: Cli, job: str) -> str:
    return str(cli.json("show", job)["specimens"][0]["id"])


def test_a_corrected_start_moves_the_log(cli: Cli, spool: str, tmp_path: Path) -> None:
    """Ten minutes later the chamber was ten degrees warmer."""
    job = cli.id("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool, "--started", START)
    cli.id("job", "log", job, a_log(tmp_path, START))
    before = _chamber(cli, job)
    cli.id("correct", job, "started_at=2026-03-02 07:10", "--reason", "read the wrong clock")
    assert _chamber(cli, job) == pytest.approx(before + 10, abs=0.01)


def _chamber(cli: Cli, job: str) -> float:
    factors = cli.json("show", _first(cli, job), "--factors")["factors"]
    return float({f["name"]: f["value"] for f in factors}["chamber_c"])


def test_the_layer_in_which_a_piece_broke_has_its_own_reading(cli: Cli, spool: str, tmp_path: Path) -> None:
    """One layer of a tower, and so a narrow range."""
    job = cli.id("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool, "--started", START)
    cli.id("job", "log", job, a_log(tmp_path, START))
    piece = _first(cli, job)
    cli.id("correct", piece, "broken_height_mm=12.3", "--reason", "seen at the rig")
    facts = cli.json("show", piece)["log_facts"]
    layer, section = facts["at_break"]["chamber"], facts["section"]["chamber"]
    assert layer["high"] - layer["low"] < (section["high"] - section["low"]) / 20


def test_a_log_of_another_day_is_refused(cli: Cli, spool: str, tmp_path: Path) -> None:
    """Both times are named, and nothing is kept."""
    job = cli.id("job", "add", sent(tmp_path, plate(FLAT)), "--spool", spool, "--started", START)
    before = cli.entries()
    refusal = cli.refused("job", "log", job, a_log(tmp_path, "2026-03-04 07:00"))
    assert "it runs from 2026-03-04 07:00" in refusal
    assert cli.entries() == before


def test_a_log_needs_the_jobs_start(cli: Cli, spool: str, tmp_path: Path) -> None:
    """How to enter it is told."""
    job = cli.id("job", "add", sent(tmp_path, plate(FLAT)), "--spool", spool)
    assert "started_at=TIME" in cli.refused("job", "log", job, a_log(tmp_path, START))


def test_a_file_that_is_no_log_is_refused(cli: Cli, spool: str, tmp_path: Path) -> None:
    """A plate file given by mistake, one line."""
    file = sent(tmp_path, plate(FLAT))
    job = cli.id("job", "add", file, "--spool", spool, "--started", START)
    assert "log file" in cli.refused("job", "log", job, file)


@pytest.mark.parametrize("mapping", ["chamber", "oven=2", "chamber="])
def test_a_column_named_wrongly_is_refused(cli: Cli, spool: str, tmp_path: Path, mapping: str) -> None:
    """The form is reported."""
    job = cli.id("job", "add", sent(tmp_path, plate(FLAT)), "--spool", spool, "--started", START)
    assert "names no column" in cli.refused("job", "log", job, a_log(tmp_path, START), "--map", mapping)


def test_a_column_may_be_named(cli: Cli, spool: str, tmp_path: Path) -> None:
    """Only those named are read."""
    job = cli.id("job", "add", sent(tmp_path, plate(FLAT)), "--spool", spool, "--started", START)
    done = cli("job", "log", job, a_log(tmp_path, START), "--map", "bed=chamber °C")
    assert "bed: chamber °C, in °C" in done.stderr


def test_humidity_above_a_hundred_is_named_and_left_out(cli: Cli, spool: str, tmp_path: Path) -> None:
    """The rest of the log is kept."""
    file = tmp_path / "log.csv"
    file.write_text(
        "time,chamber °C,humidity %\n"
        + "".join(f"2026-03-02T07:{n:02d}:00Z,50,{140 if n == 3 else 40}\n" for n in range(30))
    )
    job = cli.id("job", "add", sent(tmp_path, plate(FLAT)), "--spool", spool, "--started", START)
    done = cli("job", "log", job, str(file))
    assert done.exit_code == 0
    assert "140" in done.stderr


def test_a_change_by_hand_reaches_the_factors(cli: Cli, spool: str, tmp_path: Path) -> None:
    """From layer 51 of 100 on the fan was off: the whole tower is the section of a free shape."""
    file = sent(tmp_path, plate(UPRIGHT, fan=255))
    job = cli.id("job", "add", file, "--spool", spool, "--geometry", "free", "--started", START)
    cli.id("job", "change", job, "fan=0", "--layer", "51")
    factors = cli.json("show", _first(cli, job), "--factors")["factors"]
    found = {f["name"]: f for f in factors}["fan_pct"]
    assert (found["value"], found["low"], found["high"]) == (pytest.approx(50), 0, 100)


def test_a_trace_says_what_a_hand_changed(cli: Cli, spool: str, tmp_path: Path) -> None:
    """The fan in force, not the one the file commands, which would be signed as read."""
    file = sent(tmp_path, plate(UPRIGHT, fan=255))
    job = cli.id("job", "add", file, "--spool", spool, "--geometry", "free", "--started", START)
    cli.id("job", "change", job, "fan=0", "--layer", "51")
    said = " ".join("\n".join(cli.done("trace", _first(cli, job))).split())
    by_file, by_hand = said.split("as changed by hand; ")
    assert by_hand.startswith("fan 50 % (0 to 100) commanded")
    assert "fan 100 % commanded" not in by_file


def test_factors_of_all_specimens_as_csv(cli: Cli, spool: str, tmp_path: Path) -> None:
    """A line each, with the basis of every value beside it."""
    cli.id("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool)
    head, *rows = cli.done("list", "specimens", "--factors", "--csv")
    assert head.startswith("id,name,nozzle_c,nozzle_c basis,")
    assert [row.split(",")[2:4] for row in rows] == [["250.0", "commanded"]] * 3


def test_only_specimens_have_factors(cli: Cli) -> None:
    """A spool has days."""
    assert "list specimens --factors" in cli.refused("list", "spools", "--factors")


def test_a_trace_carries_the_factors(cli: Cli, spool: str, tmp_path: Path) -> None:
    """Each with its basis."""
    job = cli.id("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool)
    factors = {f["name"]: f for f in cli.json("trace", _first(cli, job))["factors"]}
    assert (factors["nozzle_c"]["value"], factors["nozzle_c"]["basis"]) == (250, "commanded")


def test_the_days_of_a_spool_as_text_and_picture(cli: Cli, spool: str, tmp_path: Path) -> None:
    """Storage periods, dryings, jobs, what is left and the water, with its grade."""
    cli.id("spool", "keep", spool, "open air", "--rh", "50", "--began", "30 h ago")
    cli.id("dry", spool, "--set", "80", "--began", "20 h ago", "--ended", "14 h ago")
    cli.id("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool, "--started", "1 h ago")
    text = "\n".join(cli.done("spool", "show", spool))
    cli.done("spool", "show", spool, "-o", str(tmp_path / "days.svg"))
    told = cli.json("spool", "show", spool)
    assert all(word in text for word in ("water hi", "jobs", "left", "grade C", "Left: 99"))
    assert (tmp_path / "days.svg").read_text().lstrip().startswith("<?xml")
    assert told["water"]["low_pct"] < told["water"]["pct"] < told["water"]["high_pct"]
    assert json.dumps(told)


def test_a_spool_of_which_nothing_is_recorded_shows_that(cli: Cli) -> None:
    """No days, no mass."""
    cli.id("material", "add", "Nordlicht PLA")
    spool = cli.id("spool", "add", "Nordlicht PLA")
    text = "\n".join(cli.done("spool", "show", spool))
    assert "nothing recorded yet" in text
    assert "neither weighed nor a net mass recorded" in text


def test_a_drying_that_ends_after_the_print_began_is_refused(cli: Cli, spool: str, tmp_path: Path) -> None:
    """Both are named, by whichever comes second."""
    cli.id("job", "add", sent(tmp_path, plate(FLAT)), "--spool", spool, "--started", "5 h ago")
    refusal = cli.refused("dry", spool, "--set", "80", "--began", "9 h ago", "--ended", "4 h ago")
    assert "J0001-J" in refusal
    assert "D0001" in refusal


def test_storage_periods_that_overlap_are_refused_with_both_named(cli: Cli, spool: str) -> None:
    """One spool is in one place."""
    cli.id("spool", "keep", spool, "dry box", "--began", "9 h ago", "--ended", "5 h ago")
    refusal = cli.refused("spool", "keep", spool, "open air", "--began", "7 h ago", "--ended", "1 h ago")
    assert "dry box" in refusal
    assert "open air" in refusal


def test_derived_letters_are_confirmed_at_a_terminal(
    cli: Cli, spool: str, tmp_path: Path, terminal: Callable[..., Terminal]
) -> None:
    """Enter takes them, anything else takes their place; set-points of the plate are not asked for."""
    seat = terminal("job", "add", sent(tmp_path, plate(FLAT, layers=20, chamber=60)), "--spool", spool)
    seat.expect("1  second: XYZ (flat)")
    seat.expect("Orientation of second [XYZ]")
    seat.send("sideways")
    seat.expect("is no orientation")
    seat.send("on edge")
    seat.expect("Orientation of bar [XYZ]")
    seat.send("")
    seat.expect("Printer")
    seat.send("P1")
    seat.expect("Started")
    seat.send("1 h ago")
    seat.expect("J0001-J")
    assert seat.ended() == 0
    told = cli.json("show", "J0001-J")
    assert [piece["orientation"] for piece in told["specimens"]] == ["XZY", "XYZ"]
    assert told["chamber_set_c"] == 60


def test_the_map_is_above_the_questions_off_the_bed(
    cli: Cli, spool: str, tmp_path: Path, terminal: Callable[..., Terminal]
) -> None:
    """Pieces are asked for in its order; a dummy is not."""
    cli.id("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool, "--dummy", "cube")
    seat = terminal("offbed", "J0001-J")
    seat.expect(" front ")
    seat.expect("2 pieces")
    seat.expect("tower ZXY")
    seat.send("g")
    seat.expect("tower_#2 ZXY")
    seat.send("g")
    assert seat.ended() == 0


def test_labels_follow_the_map_without_the_dummy(cli: Cli, spool: str, tmp_path: Path) -> None:
    """A page is written; what is labelled is what was kept."""
    job = cli.id("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool, "--dummy", "cube")
    out = tmp_path / "labels.svg"
    cli.done("label", job, "-o", str(out))
    drawn = out.read_text()
    pieces = [piece["id"] for piece in cli.json("show", job)["specimens"]]
    assert [piece in drawn for piece in pieces] == [True, True, False]
    assert drawn.index(pieces[0]) < drawn.index(pieces[1])


def factor(cli: Cli, piece: str, name: str) -> dict[str, Any]:
    """Return a factor of a piece as JSON."""
    told = cli.json("show", piece, "--factors")["factors"]
    found: dict[str, Any] = next(each for each in told if each["name"] == name)
    return found


def _source(cli: Cli, piece: str, name: str) -> str:
    """Return where a factor of a piece was read."""
    return str(factor(cli, piece, name)["source"])


def test_a_gauge_section_may_be_stated(cli: Cli, spool: str, tmp_path: Path) -> None:
    """Every factor over it says who stated it; the other piece keeps that of its template."""
    file = sent(tmp_path, plate(UPRIGHT))
    made = cli.json("job", "add", file, "--spool", spool, "--gauge", "1=z:4-8")["specimens"]
    assert made[0]["gauge"] == "z:4-8"
    assert _source(cli, made[0]["id"], "layer_time_s").endswith("gauge section z:4-8 stated by Ada Bench")
    assert _source(cli, made[1]["id"], "layer_time_s") == "plate file, gauge section"


def test_a_stated_gauge_section_holds_what_was_in_force_there(cli: Cli, spool: str, tmp_path: Path) -> None:
    """The fan changes at 10 mm: below it one value, and over the whole piece both."""
    file = sent(tmp_path, plate(UPRIGHT, fan=255, later=["M106 S0"], later_from=51))
    made = cli.json("job", "add", file, "--spool", spool, "--gauge", "1=z:4-8")["specimens"]
    fans = [factor(cli, piece["id"], "fan_pct") for piece in made[:2]]
    assert [(fan["low"], fan["high"]) for fan in fans] == [(100, 100), (0, 100)]


def test_a_gauge_section_may_be_stated_later_and_taken_back(cli: Cli, spool: str, tmp_path: Path) -> None:
    """From the kept plate file; it is confirmed first."""
    cli("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool)
    assert "layers 21-40" in cli.refused("job", "gauge", "J0001-J", "z:4-8", "--piece", "1")
    (made,) = cli.json("job", "gauge", "J0001-J", "z:4-8", "--piece", "1", "--yes")["also"]
    assert "stated by Ada Bench" in _source(cli, made, "layer_time_s")
    cli("job", "gauge", "J0001-J", "template", "--piece", "1", "--yes")
    assert _source(cli, made, "layer_time_s") == "plate file, gauge section"


def test_a_stated_gauge_section_is_corrected_like_any_field(cli: Cli, spool: str, tmp_path: Path) -> None:
    """With a reason; another template leaves it as it is."""
    made = cli.json("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool)["specimens"][0]["id"]
    cli("correct", made, "gauge=z:6-9", "--reason", "clamped higher")
    cli("correct", made, "geometry=free", "--reason", "no standard piece")
    assert "z:6-9 stated by Ada Bench" in _source(cli, made, "layer_time_s")


def test_a_log_is_cut_to_a_stated_gauge_section(cli: Cli, spool: str, tmp_path: Path) -> None:
    """The chamber warms up; higher layers are printed later."""
    file = sent(tmp_path, plate(UPRIGHT))
    made = cli.json("job", "add", file, "--spool", spool, "--started", START)["specimens"][0]["id"]
    cli("job", "log", "J0001-J", a_log(tmp_path, START))

    cli("job", "gauge", "J0001-J", "z:1-4", "--yes")
    low = factor(cli, made, "chamber_c")["value"]
    cli("job", "gauge", "J0001-J", "z:16-19", "--yes")
    assert factor(cli, made, "chamber_c")["value"] > low


@pytest.mark.parametrize("stated", ["x:1", "z:4-400", "third=z:4-8", "z:4-8,x:1-2"])
def test_a_gauge_section_that_cannot_be_is_refused(cli: Cli, spool: str, tmp_path: Path, stated: str) -> None:
    """In one line, and no job is entered."""
    cli.refused("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool, "--gauge", stated)
    assert cli.json("list", "jobs") == []


def test_a_free_shape_is_asked_for_its_gauge_section(
    cli: Cli, spool: str, tmp_path: Path, terminal: Callable[..., Terminal]
) -> None:
    """What it holds is shown; a bar that a template knows is not asked for."""
    only = {"cube": UPRIGHT["cube"]}
    seat = terminal("job", "add", sent(tmp_path, plate(only)), "--spool", spool, "--geometry", "free")
    seat.expect("Orientation of cube")
    seat.send("")
    seat.expect("Gauge section of 1")
    seat.send("z:4-8")
    seat.expect("layers 21-40")
    for question in ("Printer", "Started", "Chamber temperature set"):
        seat.expect(question)
        seat.send("")
    assert seat.ended() == 0
    assert cli.json("show", "J0001-J")["specimens"][0]["gauge"] == "z:4-8"


def _heated(folder: Path, name: str = "log.csv") -> str:
    """Write a log of nozzle and chamber, a row a minute: the nozzle is at 250 °C after ten."""
    at = dt.datetime.fromisoformat(START).replace(tzinfo=dt.UTC)
    lines = ["time,nozzle °C,chamber °C"]
    for n in range(90):
        lines += [f"{at + dt.timedelta(minutes=n):%Y-%m-%dT%H:%M:%SZ},{min(250, 20 + 23 * n)},{20 + n}"]
    (folder / name).write_text("\n".join(lines))
    return str(folder / name)


def test_a_log_by_the_clock_says_how_early_it_may_be(cli: Cli, spool: str, tmp_path: Path) -> None:
    """The heating is in no plate file; the nozzle's own rise bounds it, as an estimate."""
    cli("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool, "--started", START)
    said = cli("job", "log", "J0001-J", _heated(tmp_path)).stderr
    assert "may be early by 0 – 10 min (estimate: by the log the nozzle came near 250 °C then)" in said
    assert "strandbook job first-layer J0001-J TIME" in said


@pytest.mark.parametrize("words", [("2026-03-02 07:12",), ("--heating", "12 min")])
def test_the_first_layer_moves_the_layers_along_the_log(
    cli: Cli, spool: str, tmp_path: Path, words: tuple[str, ...]
) -> None:
    """The chamber rises by a degree a minute: twelve minutes of heating are twelve degrees."""
    file = sent(tmp_path, plate(UPRIGHT))
    made = cli.json("job", "add", file, "--spool", spool, "--started", START)["specimens"][0]["id"]
    cli("job", "log", "J0001-J", _heated(tmp_path))
    before = factor(cli, made, "chamber_c")["value"]
    cli("job", "first-layer", "J0001-J", *words)
    assert factor(cli, made, "chamber_c")["value"] == pytest.approx(before + 12, abs=0.2)


def test_the_first_layer_may_be_entered_at_the_end(cli: Cli, spool: str, tmp_path: Path) -> None:
    """The log that is in already is laid again, and there is no doubt left to tell."""
    file = sent(tmp_path, plate(UPRIGHT))
    made = cli.json("job", "add", file, "--spool", spool, "--started", START)["specimens"][0]["id"]
    cli("job", "log", "J0001-J", _heated(tmp_path))
    before = factor(cli, made, "chamber_c")["value"]
    cli("job", "end", "J0001-J", "--outcome", "finished", "--ended", "2026-03-02 08:40",
        "--first-layer", "2026-03-02 07:12")  # fmt: skip
    assert factor(cli, made, "chamber_c")["value"] > before + 11
    assert "early by" not in cli("job", "log", "J0001-J", _heated(tmp_path, "second.csv")).stderr


def test_a_change_by_the_clock_says_what_the_heating_leaves_open(
    cli: Cli, spool: str, tmp_path: Path
) -> None:
    """By a layer there is no doubt."""
    cli("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool, "--started", START)
    assert (
        "early by 0 – 60 min" in cli("job", "change", "J0001-J", "fan=50", "--at", "2026-03-02 07:20").stderr
    )
    assert "early by" not in cli("job", "change", "J0001-J", "fan=50", "--layer", "40").stderr


@pytest.mark.parametrize("words", [(), ("07:12", "--heating", "12 min"), ("2026-03-01 07:12",)])
def test_a_first_layer_that_cannot_be_is_refused(
    cli: Cli, spool: str, tmp_path: Path, words: tuple[str, ...]
) -> None:
    """Nothing said, two things said, or before the job began."""
    cli("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool, "--started", START)
    cli.refused("job", "first-layer", "J0001-J", *words)
    assert cli.json("show", "J0001-J")["first_layer_at"] is None


def container() -> bytes:
    """Return a container of two plates."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as packed:
        packed.writestr("Metadata/plate_1.gcode", plate(FLAT, layers=2))
        packed.writestr("Metadata/plate_2.gcode", plate(UPRIGHT))
    return held.getvalue()


def test_plates_of_a_container_are_drawn_to_be_chosen(
    spool: str, tmp_path: Path, terminal: Callable[..., Terminal]
) -> None:
    """At a terminal each is there with number, pieces and picture, and the number is asked for."""
    shown = terminal("preflight", sent(tmp_path, container()), "--spool", spool)
    seen = shown.expect("Plate (1, 2)")
    assert "plate 1: 1 second, 1 bar" in seen
    assert seen.count("front") == 2
    shown.send("2")
    shown.expect("tower")


def test_a_plate_that_changes_between_check_and_entry_is_entered_as_checked(tmp_path: Path) -> None:
    """A file is read once: what a slicer writes over it meanwhile is another plate."""
    path = Path(sent(tmp_path, plate(FLAT, layers=2)))
    taken = PlateFile.read(path)
    before = taken.sha256
    path.write_bytes(plate(UPRIGHT))
    assert (taken.data, taken.sha256) == (plate(FLAT, layers=2), before)


def test_bars_under_one_marker_are_distinguished_where_each_is_a_test_piece(
    cli: Cli, spool: str, tmp_path: Path
) -> None:
    """Two bars of ISO 178 in one model are two specimens; --together makes one of them."""
    data = plate({"set": FLAT["bar"]}, layers=20)
    ring_of = b"\n".join(line.encode() for line in ring(*FLAT["second"]))
    data = data.replace(b"EXCLUDE_OBJECT_END", ring_of + b"\nEXCLUDE_OBJECT_END")
    file = sent(tmp_path, data)
    found = cli.json("job", "add", file, "--spool", spool)
    assert [each["name"] for each in found["specimens"]] == ["set #2", "set #1"]
    cli("job", "gauge", found["id"], "x:6-9", "--yes")
    assert "fit a template each" in cli("preflight", file, "--spool", spool).stderr
    together = cli.json("preflight", file, "--spool", spool, "--together")
    assert len(together["pieces"]) == 1
    assert "2 parts under one marker" in str(together["warnings"])
