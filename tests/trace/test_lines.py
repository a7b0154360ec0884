"""The way back on a screen."""

from __future__ import annotations

import zoneinfo

import pytest

from tests.lineage.scene import Scene
from tracker.book import Book
from tracker.ids import measurement_id
from tracker.model import Measurement, Specimen
from tracker.trace import trace


@pytest.fixture
def shown(book: Book, scene: Scene) -> str:
    """Give the scene's trace at 100 columns."""
    del scene
    return "\n".join(trace(book, "M0001-Y").lines(100))


@pytest.mark.parametrize(
    "said",
    [
        "tensile.strength 48.42 ± 0.39 MPa (U, k = 2.0, 95 %)",
        "R0001: calibration 93 %",
        "counted; broke in the gauge section; Ada Bench",
        "tensile 1.0",
        "area 25 mm²; max_force 1210.5 N",
        "calibrated 2026-01-05: u 0.4 % against weights",
        "orientation ZXY, upright",
        "another attempt at J0001-J",
        "chamber set 70 °C, measured 58.5 °C",
        "bed set 100 °C, measured not recorded",
        "nozzle_c 255 from layer 12 on",
        "lot L-17",
        "set 80 °C, measured 76.5 °C",
        "mass 1251.2 g → 1247.9 g",
        "Quarzit ASA; family ASA; maker Quarzit",
        "J0002-01-T outcome: good → usable",
        "M0001-Y readings max_force: 272.1 → 1210.5",
        "not recorded  line width, room humidity at the print",
    ],
)
def test_a_person_reads_the_whole_way(shown: str, said: str) -> None:
    """From number to lot, with what was meant, measured, changed, corrected and never written down."""
    assert said in " ".join(shown.split("\n")).replace(" " * 14, "") or said in shown


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_no_line_is_wider_than_the_terminal(book: Book, scene: Scene, width: int) -> None:
    """Lines keep within the width."""
    del scene

    assert max(map(len, trace(book, "M0001-Y").lines(width))) <= width


def test_it_fits_one_screen(book: Book, scene: Scene) -> None:
    """At 120 columns the whole way of the scene, corrections included, is at most 45 lines."""
    del scene

    assert len(trace(book, "M0001-Y").lines(120)) <= 45


def test_plain_text_only(shown: str) -> None:
    """No colour, no control characters, no blanks that only look like blanks."""
    assert all(
        character == "\n" or (character.isprintable() and character != "\u00a0") for character in shown
    )


def test_times_are_those_of_the_bench(book: Book, scene: Scene) -> None:
    """On screen, times are in the bench's zone."""
    del scene
    book.zone = zoneinfo.ZoneInfo("Europe/Vienna")

    assert any("time 2026-02-07 09:00" in line for line in trace(book, "M0001-Y").lines())


def test_names_cannot_break_the_screen(book: Book, scene: Scene) -> None:
    """A name with line breaks, 500 characters and right-to-left text stays within its lines."""
    with book.act("amend", "Bo Helper", reason="x\ny\tz") as act:
        act.session.get_one(Specimen, scene.specimen).note = "wide\nnote " + "x" * 500 + " שָׁלוֹם 🧵"
    lines = trace(book, "M0001-Y").lines(60)

    assert max(map(len, lines)) <= 60
    assert not any("\n" in line for line in lines)


def test_a_piece_not_measured_yet_says_so(book: Book, scene: Scene) -> None:
    """The second bar was never pulled."""
    del scene

    assert any(line.startswith("measured      not yet") for line in trace(book, "J0002-02-R").lines())


def test_a_series_of_readings_is_shown_entry_by_entry(book: Book, scene: Scene) -> None:
    """Readings that are a series are written as they are typed."""
    with book.act("measure", "Bo Helper") as act:
        act.session.add(
            Measurement(
                specimen_id=scene.specimen, method="dimensions", source="typed",
                readings={"lengths": [["X", 80, 79.6], ["Y", 10, 9.9]]},
            )
        )  # fmt: skip

    assert any("X:80:79.6; Y:10:9.9" in line for line in trace(book, measurement_id(2)).lines(120))
