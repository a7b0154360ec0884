"""The picture, the overview of all quantities, and the published directions."""

from __future__ import annotations

import io
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
def test_a_fraction_is_told_as_signed_per_cent(fraction: float, words: str) -> None:
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
    """Each quantity is held against the column that speaks of it; dimensions against none."""
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
    """Where reviews conflict no share is held against them."""
    note = published("layer_height_mm", "interlayer")
    assert note is not None
    assert note.agrees(0.1, -3.0) is None


def test_unknown_factor_has_no_direction() -> None:
    """What nobody published about stays without a note."""
    assert published("operator", "interlayer") is None
