"""The plate from above: order, words, marks, and the three ways of drawing it."""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET

import pytest
from PIL import Image

from tests.platefile.builder import boxes, text
from tests.platefile.test_islands import bar
from tracker.platefile import (
    PlateObject,
    orientation_of,
    read_plate,
)
from tracker.platemap import (
    mark_of,
    outline,
    plate_map_png,
    plate_map_svg,
    plate_map_text,
    reading_order,
)

SIX = {
    "a": (0.0, 0.0, 60.0, 10.0),
    "b": (80.0, 2.0, 10.0, 10.0),
    "c": (110.0, -2.0, 10.0, 10.0),
    "d": (0.0, 60.0, 10.0, 60.0),
    "e": (30.0, 80.0, 60.0, 10.0),
    "f": (110.0, 75.0, 10.0, 20.0),
}
PLATE = read_plate(text(boxes(SIX)))
OUTCOMES = {"a": "good", "b": "lost", "c": "warped", "d": "", "e": "good", "f": "stringy & <thin>"}
LABELS = {key: (f"J0012-0{n}", outcome) for n, (key, outcome) in enumerate(OUTCOMES.items(), 1)}


LETTERS = orientation_of(next(one for one in PLATE.objects if one.key == "a")).letters


def keys(objects: list[PlateObject]) -> str:
    """Return the keys of objects in one word."""
    return "".join(one.key for one in objects)


def svg_texts(svg: str) -> list[str]:
    """Return every text of a picture."""
    return [element.text or "" for element in ET.fromstring(svg).iter() if element.tag.endswith("text")]  # noqa: S314 - our own


def test_reading_order_is_row_by_row_from_the_back() -> None:
    """The back row first, each from left to right; small offsets do not break a row."""
    assert keys(reading_order(PLATE.objects)) == "defabc"


@pytest.mark.parametrize(
    ("outcome", "mark"),
    [
        ("good", "tick"),
        ("OK", "tick"),
        ("lost", "cross"),
        ("came loose", "cross"),
        ("warped", "triangle"),
        ("", "ring"),
    ],
)
def test_outcome_has_a_shape(outcome: str, mark: str) -> None:
    """Good, lost, anything else and nothing recorded differ by shape, not by colour alone."""
    assert mark_of(outcome) == mark


def test_svg_says_everything_in_words() -> None:
    """Each label, orientation and outcome is in the list as text."""
    texts = svg_texts(plate_map_svg(PLATE.objects, LABELS))

    assert "4  J0012-01  XYZ (flat)  good".replace("XYZ", LETTERS) in texts
    assert sum("not recorded" in one for one in texts) == 1


def test_svg_has_a_title_for_who_cannot_see_it() -> None:
    """The title lists the pieces in reading order."""
    root = ET.fromstring(plate_map_svg(PLATE.objects, LABELS))  # noqa: S314 - our own picture
    title = next(element.text for element in root if element.tag.endswith("title"))

    assert title is not None
    assert title.index("J0012-04") < title.index("J0012-01")


def test_svg_escapes_what_people_type() -> None:
    """Brackets and ampersands in an outcome do no harm."""
    assert "stringy &amp; &lt;thin&gt;" in plate_map_svg(PLATE.objects, LABELS)


def test_png_has_the_proportions_of_the_svg() -> None:
    """Both pictures are the same drawing."""
    root = ET.fromstring(plate_map_svg(PLATE.objects, LABELS))  # noqa: S314
    image = Image.open(io.BytesIO(plate_map_png(PLATE.objects, LABELS)))

    assert image.size == (int(root.attrib["width"]) * 2, int(root.attrib["height"]) * 2)


def test_highlight_changes_the_picture() -> None:
    """The piece asked for stands out in all three."""
    for draw in (plate_map_svg, plate_map_png, plate_map_text):
        assert draw(PLATE.objects, LABELS, highlight="a") != draw(PLATE.objects, LABELS)


@pytest.mark.parametrize("width", [40, 80, 200])
def test_text_keeps_to_the_width(width: int) -> None:
    """No line is longer than the terminal."""
    assert max(map(len, plate_map_text(PLATE.objects, LABELS, width=width).splitlines())) <= width


def test_text_lists_the_pieces_in_order() -> None:
    """The list under the map follows the numbers on it."""
    listed = plate_map_text(PLATE.objects, LABELS).splitlines()[-6:]

    assert [line.split()[2] for line in listed] == [f"J0012-0{n}" for n in (4, 5, 6, 1, 2, 3)]


def test_text_draws_pieces_where_they_are() -> None:
    """The back of the plate is at the top."""
    rows = plate_map_text(PLATE.objects, LABELS).splitlines()
    place = {digit: n for n, row in enumerate(rows[:-6]) for digit in "123456" if digit in row}

    assert place["1"] < place["4"]


def test_text_shows_what_is_on_a_large_bed_and_not_the_bed() -> None:
    """Of a large bed the part around the pieces is drawn and named, with an edge where there is one."""
    small = {"a": (4.0, 4.0, 5.0, 5.0), "b": (4.0, 20.0, 5.0, 5.0)}
    bed = ((0.0, 0.0), (300.0, 0.0), (300.0, 250.0), (0.0, 250.0))
    drawn = plate_map_text(read_plate(text(boxes(small))).objects, {}, bed)
    rows = drawn.splitlines()

    assert "Shown: front left part of the bed (300 x 250 mm): X 0 to 14, Y 0 to 30 mm." in " ".join(rows)
    assert (rows[0][0:2], rows[5][0], rows[5][-1]) == ("┌┄", "│", "┊")
    assert sum(row.count("▒") for row in rows) > 60
    assert len(rows) <= 30


def test_no_escape_codes() -> None:
    """The map is plain characters, fit for pipes."""
    assert "\x1b" not in plate_map_text(PLATE.objects, LABELS)


def test_without_labels_names_are_shown() -> None:
    """Before pieces have IDs their names from the file stand in."""
    assert " e " in plate_map_text(PLATE.objects, {})


def test_bed_gives_the_frame() -> None:
    """With the bed known, the same plate is drawn smaller on it."""
    assert plate_map_svg(
        PLATE.objects, LABELS, bed=((0, 0), (300, 0), (300, 300), (0, 300))
    ) != plate_map_svg(PLATE.objects, LABELS)


def test_askew_piece_is_drawn_askew() -> None:
    """The outline of a turned bar is its rectangle, not its box."""
    (one,) = bar(30).objects
    corners = outline(one)

    assert max(x for x, _ in corners) - min(x for x, _ in corners) == pytest.approx(one.size_mm[0], abs=0.5)
    assert len({round(y, 3) for _, y in corners}) == 4


def test_empty_plate_can_be_drawn() -> None:
    """No pieces, no failure."""
    assert "front" in plate_map_text([], {})
    assert plate_map_svg([], {}).startswith("<svg")
