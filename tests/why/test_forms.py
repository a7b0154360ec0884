"""The picture, the overview of all quantities, and the published directions."""

from __future__ import annotations

import io
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from tests.why.simulated import SIX, STRENGTH, World, book
from tracker.why import Problem, Question, answer, overview
from tracker.why.effects import _table, property_of, published
from tracker.why.words import per_cent

_WORLD = World({f.name: 0.06 for f in SIX}, 0.02, 0.02)


def _asked(history: int = 3) -> Problem:
    return book(np.random.default_rng(2), _WORLD, history, {"nozzle_c", "spool"})


@pytest.mark.parametrize("history", [0, 3, 12])
def test_picture_is_svg_with_every_name(history: int) -> None:
    """The SVG is well-formed and names each changed factor."""
    found = answer(_asked(history))
    text = " ".join(ET.fromstring(found.picture_svg().decode()).itertext())  # noqa: S314 - our own output
    assert all(share.words in text for share in found.shares)


def test_group_is_bracketed() -> None:
    """Inseparable factors are bracketed with the words for it."""
    text = answer(_asked(0)).picture_svg().decode()
    assert "told apart" in text


def test_every_colour_has_one_for_a_dark_page_that_can_be_read() -> None:
    """What is drawn with is exchanged, and text then has the 4.5 : 1 of WCAG 2.2, 1.4.3."""
    found = answer(_asked())
    for drawn in (found.picture_svg().decode(), found.graph_svg().decode()):
        used = set(re.findall(r'style="[^"]*?(?:fill|stroke): (#[0-9a-f]{6})', drawn))
        exchanged = dict(re.findall(r'\[style\*="fill: (#\w{6})"\] { fill: (#\w{6})', drawn))
        assert used <= exchanged.keys()
        assert all(
            _contrast(dark, exchanged["#ffffff"]) >= 4.5
            for light, dark in exchanged.items()
            if light in re.findall(r'<text style="[^"]*?fill: (#\w{6})', drawn)
        )


def _contrast(one: str, other: str) -> float:
    """Return the contrast ratio of WCAG 2.2."""
    parts = [[int(each[at : at + 2], 16) / 255 for at in (1, 3, 5)] for each in (one, other)]
    linear = [[c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in each] for each in parts]
    low, high = sorted(0.2126 * r + 0.7152 * g + 0.0722 * b for r, g, b in linear)
    return (high + 0.05) / (low + 0.05)


def test_a_picture_for_a_phone_is_no_wider_than_its_letters_allow() -> None:
    """At 320 of a phone's pixels a letter of 9 points keeps 10 of its 12 pixels."""
    root = ET.fromstring(answer(_asked()).picture_svg(narrow=True).decode())  # noqa: S314 - our own output
    assert float(root.attrib["width"].removesuffix("pt")) / 0.75 <= 320 * 12 / 10


def test_picture_is_the_same_twice() -> None:
    """The same answer gives the same file, byte for byte."""
    found = answer(_asked())
    assert found.picture_svg() == found.picture_svg()


def test_png_can_be_opened() -> None:
    """The PNG is a picture wide enough to read."""
    with Image.open(io.BytesIO(answer(_asked()).picture_png())) as image:
        assert image.width >= 1000


@pytest.mark.parametrize(
    ("fraction", "words"),
    [(0.1, "+10.0 %"), (-0.034, "−3.4 %"), (0.0, "+0.0 %"), (0.0004, "+0.04 %"), (-0.0004, "−0.04 %")],
)
def test_a_fraction_is_written_as_signed_per_cent(fraction: float, words: str) -> None:
    """One decimal; where that would show nothing, one digit."""
    assert per_cent(fraction) == words


def test_ranks_have_a_picture_too() -> None:
    """Grades are drawn as points without a forest."""
    asked = replace(_asked(), question=replace(STRENGTH, ordinal=True))
    assert answer(asked).picture_svg().startswith(b"<?xml")


def test_answer_does_not_load_the_drawing_library() -> None:
    """Answering imports no matplotlib: it would cost every command half a second."""
    code = "import sys, tracker.why; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_overview_puts_the_largest_difference_first() -> None:
    """Quantities are ordered by difference over its own standard deviation."""
    asked = _asked()
    still = World({f.name: 0.0 for f in SIX}, 0.02, 0.02)
    quiet = book(np.random.default_rng(3), still, 3, {"nozzle_c"})
    quiet = replace(
        quiet,
        question=Question("tensile.modulus", "MPa"),
        observations=tuple(replace(o, quantity="tensile.modulus") for o in quiet.observations),
    )
    found = overview([quiet, asked])
    assert [a.problem.question.quantity for a in found.answers] == ["tensile.strength", "tensile.modulus"]
    assert len(found.sentences(200)) == 3
    assert "false discovery rate" in found.sentences(200)[-1]


def test_overview_lists_what_it_must_refuse() -> None:
    """A quantity that one group lacks is listed with the reason and stops nothing."""
    asked = _asked()
    found = overview([asked, replace(asked, question=Question("impact.energy", "J"))])
    assert list(found.refused) == ["impact.energy"]
    assert "impact.energy" in " ".join(found.sentences())


@pytest.mark.parametrize(
    ("quantity", "about", "column"),
    [
        ("tensile.strength", "interlayer", "interlayer"),
        ("tensile.strength", "", "in-plane"),
        ("bending.modulus_1s", "interlayer", "modulus"),
        ("impact.strength", "interlayer", "impact"),
        ("dimensions.warp", "", ""),
    ],
)
def test_quantity_finds_its_column(quantity: str, about: str, column: str) -> None:
    """Each quantity is compared with the column that speaks of it; dimensions against none."""
    assert property_of(quantity, about) == column


def test_every_entry_has_sign_strength_and_source() -> None:
    """The published table is complete: known signs, known strengths, a source each."""
    for entry in _table()["factor"]:
        signs = {entry[of] for of in ("interlayer", "in-plane", "modulus", "impact") if of in entry}
        assert signs <= {"+", "-", "0", "mixed"}
        assert entry["strength"] in {"S", "M", "W"}
        assert entry["source"]


def test_direction_agrees_by_sign() -> None:
    """More cooling weakens layers: a lower strength after more fan agrees, a higher one does not."""
    note = published("fan_pct", "interlayer")
    assert note is not None
    assert note.agrees(40.0, -3.0) is True
    assert note.agrees(40.0, 3.0) is False
    assert note.agrees(-40.0, 3.0) is True


def test_contested_direction_judges_nothing() -> None:
    """Where reviews conflict no share is compared with them."""
    note = published("layer_height_mm", "interlayer")
    assert note is not None
    assert note.agrees(0.1, -3.0) is None


def test_unknown_factor_has_no_direction() -> None:
    """What nobody published about stays without a note."""
    assert published("operator", "interlayer") is None
