"""SVG: exact size, modules as they are, texts that stay in their boxes."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tracker_labels import Label, draw_sheet, stocks

from tests.labels.helpers import STOCKS, some_labels

SVG = "{http://www.w3.org/2000/svg}"


def _root(label: Label, stock: str) -> ET.Element:
    """Return the document of one label."""
    return ET.fromstring(draw_sheet([label], stocks()[stock]).pages_svg()[0])  # noqa: S314 - our own document


@pytest.mark.parametrize("stock", STOCKS)
def test_a_page_has_its_size_in_millimetres(stock: str) -> None:
    """Width and height are those of the page."""
    sheet = draw_sheet(some_labels(1), stocks()[stock])
    root = _root(some_labels(1)[0], stock)

    assert float(root.attrib["width"].removesuffix("mm")) == pytest.approx(sheet.pages[0].width_mm, abs=1e-3)


@pytest.mark.parametrize("stock", STOCKS)
def test_the_path_paints_exactly_the_dark_modules(stock: str) -> None:
    """Filling the runs of the path gives the code's modules."""
    mark = draw_sheet(some_labels(1), stocks()[stock]).codes[0]
    path = _root(some_labels(1)[0], stock).find(f"{SVG}path")
    assert path is not None
    modules = bytearray(mark.code.size**2)
    for x, y, run in re.findall(r"M(\d+) (\d+)h(\d+)v\d+h-\d+z", path.attrib["d"]):
        row, column = (int(y) - mark.symbol.y) // mark.module, (int(x) - mark.symbol.x) // mark.module
        start = row * mark.code.size + column
        modules[start : start + int(run) // mark.module] = b"\1" * (int(run) // mark.module)

    assert bytes(modules) == mark.code.modules


@settings(deadline=None)
@given(st.text(alphabet=st.characters(), max_size=60))
def test_whatever_is_typed_the_document_is_whole(text: str) -> None:
    """Any text gives well-formed XML with the text inside."""
    assert _root(Label("J0012-04-K.7QX", "J0012-04-K", text), "a4-3x8").tag == f"{SVG}svg"


def test_texts_are_held_to_their_length() -> None:
    """Each text says how long it is, so that another font does not run into the code."""
    texts = list(_root(some_labels(1)[0], "a4-3x8").iter(f"{SVG}text"))

    assert len(texts) == 5
    assert all(float(text.attrib["textLength"]) > 0 for text in texts)
