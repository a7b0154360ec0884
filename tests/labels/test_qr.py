"""The code itself: capacities, levels, and the mask that is not chosen again each time."""

from __future__ import annotations

import pytest
import qrcode
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageChops
from qrcode.util import MODE_ALPHA_NUM, QRData
from tracker_labels import ALPHANUMERIC, LabelError
from tracker_labels.code import MASK, encode, encode_small, version_for
from tracker_labels.drawing import code_dots

from tests.bench.labels import best_mask, decoded_after_damage, labels
from tests.labels.helpers import read_by_opencv, read_by_zxing

# ISO/IEC 18004, characters in alphanumeric mode: see SOURCES.md.
CAPACITIES = [
    (1, {"L": 25, "M": 20, "Q": 16, "H": 10}),
    (2, {"L": 47, "M": 38, "Q": 29, "H": 20}),
    (40, {"L": 4296, "M": 3391, "Q": 2420, "H": 1852}),
]
ONE_EACH = [(version, level, most) for version, levels in CAPACITIES for level, most in levels.items()]
payloads = st.text(alphabet=ALPHANUMERIC, min_size=1, max_size=80)


def _picture(payload: str, mask: int = MASK) -> Image.Image:
    """Return a code as a picture, dark on light."""
    return ImageChops.invert(code_dots(encode(payload, mask), 4)).convert("L")


@pytest.mark.parametrize(("version", "level", "most"), ONE_EACH)
def test_a_version_holds_what_the_standard_says(version: int, level: str, most: int) -> None:
    """So many characters still fit into a version at a level."""
    assert version_for(most, level) == version


@pytest.mark.parametrize(("version", "level", "most"), ONE_EACH)
def test_one_character_more_needs_the_next_version(version: int, level: str, most: int) -> None:
    """One more character does not fit; above version 40 there is nothing."""
    assert version_for(most + 1, level) == (version + 1 if version < 40 else None)


def test_a_code_has_17_modules_and_4_a_version() -> None:
    """Version 1 has 21 modules a side, version 2 has 25."""
    assert [encode("J" * many).size for many in (14, 21)] == [21, 25]


@pytest.mark.parametrize(
    ("many", "level"), [(10, "H"), (11, "Q"), (16, "Q"), (17, "M"), (20, "M"), (21, "Q")]
)
def test_the_level_rises_as_long_as_the_code_does_not_grow(many: int, level: str) -> None:
    """The hardest level is taken at which the version is still the one that M needs."""
    assert encode("J" * many).level == level


def test_an_endless_payload_is_refused() -> None:
    """What no code can hold is refused in words."""
    with pytest.raises(LabelError, match="No code holds 3392 characters"):
        encode("J" * 3392)


@given(payloads, st.integers(0, 7))
def test_the_modules_are_those_of_the_library(payload: str, mask: int) -> None:
    """With the same mask, version and level the library's own matrix is the same."""
    ours = encode(payload, mask)
    code = qrcode.QRCode(
        (ours.size - 17) // 4, getattr(qrcode.constants, f"ERROR_CORRECT_{ours.level}"), border=0
    )
    code.add_data(QRData(payload.encode(), mode=MODE_ALPHA_NUM))
    code.mask_pattern = mask

    assert ours.modules == bytes(bool(module) for row in code.get_matrix() for module in row)


@given(payloads)
def test_the_fixed_mask_is_read_whatever_the_payload(payload: str) -> None:
    """The mask we fixed never makes a code unreadable to the reader that scan uses.

    OpenCV loses one code in some hundreds with any mask; how many, the bench counts for both.
    """
    assert payload.strip() in {text.strip() for text in read_by_zxing(_picture(payload))}


def test_an_id_of_8_mm_at_200_dpi_is_read_after_damage() -> None:
    """Turned, blurred, noisy, compressed and seen at 200 dpi, every one of 60 small codes is read."""
    assert decoded_after_damage(labels(60), best=False) == 60


def test_the_fixed_mask_is_lost_no_sooner_than_the_best_one() -> None:
    """Blurred until some codes are lost, the fixed mask loses about as many as the library's best mask."""
    made = labels(120)
    fixed, best = (decoded_after_damage(made, best=best, blur=1.0) for best in (False, True))

    assert fixed >= best - 6


def test_the_fixed_mask_is_read_by_a_second_reader_as_well_as_the_best_one() -> None:
    """Of 150 codes OpenCV reads no fewer with the fixed mask than with the library's best mask."""
    made = [label.payload for label in labels(150)]
    fixed, best = (
        [payload for payload in made if read_by_opencv(_picture(payload, mask(payload))) == {payload}]
        for mask in (lambda _: MASK, best_mask)
    )

    assert len(fixed) >= len(best)


def test_the_mask_is_one_of_the_eight() -> None:
    """The mask that is used is one that the standard knows."""
    assert MASK in range(8)


@given(payloads)
def test_a_small_code_is_square_and_read_whatever_the_payload(payload: str) -> None:
    """The Data Matrix of any payload is a square symbol that the reader of scan gives back."""
    code = encode_small(payload)
    assert code is not None
    picture = ImageChops.invert(code_dots(code, 4)).convert("L")

    assert len(code.modules) == code.size**2
    assert payload.strip() in {text.strip() for text in read_by_zxing(picture)}
