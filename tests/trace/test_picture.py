"""The way back as a picture."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.lineage.scene import Scene
from tracker.book import Book
from tracker.model import Specimen
from tracker.trace import trace
from tracker.trace.picture import wrapped

SVG = "{http://www.w3.org/2000/svg}"


def drawn(book: Book, ident: str = "M0001-Y") -> ET.Element:
    """Return a trace's picture, parsed."""
    return ET.fromstring(trace(book, ident).svg())  # noqa: S314 - it is our own


def words(picture: ET.Element) -> str:
    """Return all text of a picture."""
    return " ".join(each.text or "" for each in picture.iter(f"{SVG}text"))


@pytest.mark.one_database("drawn from a trace, which is tested on both")
@pytest.mark.parametrize(
    "ident", ["M0001-Y", "J0002-01-T", "J0002-02-R", "J0002-H", "S0001-R", "D0001-Q", "R0001-M"]
)
def test_every_kind_of_trace_is_drawn_within_its_frame(book: Book, scene: Scene, ident: str) -> None:
    """Boxes and text lie inside the picture, whatever it shows."""
    del scene
    picture = drawn(book, ident)
    width, height = int(picture.attrib["width"]), int(picture.attrib["height"])
    for box in picture.iter(f"{SVG}rect"):
        assert int(box.get("x", 0)) + int(box.attrib["width"]) <= width
        assert int(box.get("y", 0)) + int(box.attrib["height"]) <= height
    for text in picture.iter(f"{SVG}text"):
        assert 0 < int(text.attrib["y"]) < height


def test_number_and_spool_are_in_it(book: Book, scene: Scene) -> None:
    """The picture says what the screen says, from number to lot."""
    del scene
    said = words(drawn(book))

    assert "tensile.strength 48.42" in said
    assert "lot L-17" in said


def test_a_gap_is_dashed(book: Book, scene: Scene) -> None:
    """What is not recorded is seen before it is read: the piece without measurement has a dashed box."""
    del scene

    assert any(box.get("stroke-dasharray") for box in drawn(book, "J0002-02-R").iter(f"{SVG}rect"))


def test_no_boxes_overlap(book: Book, scene: Scene) -> None:
    """Each box has its own place."""
    del scene
    boxes = [
        tuple(int(box.attrib[name]) for name in ("x", "y", "width", "height"))
        for box in drawn(book).iter(f"{SVG}rect")
        if "rx" in box.attrib
    ]
    for place, (x, y, width, height) in enumerate(boxes):
        for u, v, w, h in boxes[place + 1 :]:
            assert x + width <= u or u + w <= x or y + height <= v or v + h <= y


def test_names_cannot_break_the_picture(book: Book, scene: Scene) -> None:
    """Markup, control characters and emoji in a name are drawn as text or left out, never obeyed."""
    with book.act("amend", "Bo Helper", reason="<b>&amp;</b> \x0b") as act:
        act.session.get_one(Specimen, scene.specimen).note = "</text><script>alert(1)</script> 🧵\x01"

    picture = drawn(book)
    assert not list(picture.iter(f"{SVG}script"))
    assert "🧵" in words(picture)


@given(st.text(max_size=200), st.integers(100, 400))
def test_wrapping_loses_no_character(text: str, width: int) -> None:
    """All that can be drawn is drawn, in its order, in lines that fit."""
    lines = wrapped(text, width, 7.0)
    kept = "".join(each for each in text if each >= " " and each not in "\ufffe\uffff")

    assert "".join("".join(lines).split()) == "".join(kept.split())
    assert all(len(line) * 7.0 <= width for line in lines)
