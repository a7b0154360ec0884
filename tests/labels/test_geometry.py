"""Label stocks: the bundled ones, and what a person's own file may say."""

from __future__ import annotations

import tomllib
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tracker_labels import StockError, find_stock, load_stock, stocks
from tracker_labels.stock import BUNDLED, _fields

from tests.labels.helpers import STOCKS

NEEDED = {"a4-3x8", "a4-5x13", "letter-3x10", "tape-12", "tape-24", "flag-bar", "round-25"}
SHEET = """
name = "own"
description = "Own sheet"
kind = "sheet"
dpi = 300
page_width_mm = 210.0
page_height_mm = 297.0
columns = 2
rows = 4
left_mm = 5.0
top_mm = 5.0
pitch_x_mm = 100.0
pitch_y_mm = 70.0
label_width_mm = 99.0
label_height_mm = 67.0
clear_mm = 3.0
"""


def _load(folder: Path, text: str) -> str:
    """Load a file that must be refused; return the refusal."""
    file = folder / "own.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(StockError) as refusal:
        load_stock(file)
    return str(refusal.value)


def test_every_needed_stock_is_bundled() -> None:
    """Sheets for two paper sizes, two tapes, a flag and a round come with the package."""
    assert set(stocks()) >= NEEDED


@pytest.mark.parametrize("name", STOCKS)
def test_a_stock_is_named_as_its_file(name: str) -> None:
    """The name that is typed is the name of the file to look at."""
    assert (BUNDLED / f"{name}.toml").is_file()


def test_a4_5x13_has_labels_of_38_by_21_mm() -> None:
    """The sheet of 65 holds labels of 38 × 21 mm."""
    stock = stocks()["a4-5x13"]

    assert (round(stock.label_width_mm), round(stock.label_height_mm), stock.places) == (38, 21, 65)


@pytest.mark.parametrize(
    ("place", "corner"), [(0, (0.0, 0.5)), (1, (70.0, 0.5)), (3, (0.0, 37.5)), (23, (140.0, 259.5))]
)
def test_places_count_along_the_rows(place: int, corner: tuple[float, float]) -> None:
    """The second place lies beside the first, the fourth of three columns below it."""
    assert stocks()["a4-3x8"].corner_of(place) == corner


def test_changing_the_answer_changes_no_stock() -> None:
    """Whoever empties the dictionary of stocks empties a copy."""
    stocks().clear()

    assert set(stocks()) >= NEEDED


def test_an_own_stock_is_read(tmp_path: Path) -> None:
    """A person's own file gives a stock with its geometry."""
    file = tmp_path / "own.toml"
    file.write_text(SHEET, encoding="utf-8")

    assert find_stock(str(file)).corner_of(3) == (105.0, 75.0)


def test_an_unknown_name_is_refused_with_those_that_exist() -> None:
    """The refusal of an unknown name lists all bundled stocks."""
    with pytest.raises(StockError) as refusal:
        find_stock("a4-9x9")

    assert all(name in str(refusal.value) for name in STOCKS)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("rows = 4", "rows = 0", "rows is 0. It must be a whole number from 1 to 100"),
        ("rows = 4", "rows = 4.0", "rows is 4.0. It must be a whole number"),
        ("rows = 4", "rows = true", "rows is True"),
        ("rows = 4", "", "rows is missing. It must be a whole number from 1 to 100"),
        ("dpi = 300", "dpi = nan", "dpi is nan. It must be a number from 100 to 1200"),
        ("dpi = 300", 'dpi = "300"', "dpi is '300'"),
        ("clear_mm = 3.0", "clear_mm = -1", "clear_mm is -1. It must be a number from 0 to 20"),
        (
            "clear_mm = 3.0",
            "rim_mm = 3.0",
            "rim_mm is no key of a sheet. Its keys are name, description, kind, dpi",
        ),
        ('kind = "sheet"', 'kind = "roll"', "kind is 'roll'. It must be one of sheet, round, tape, flag"),
        ('name = "own"', "name = 3", "name is 3. It must be a text"),
        ('name = "own"', "", "name is missing"),
        (
            "columns = 2",
            "columns = 3",
            "columns × pitch_x_mm end at 304 mm. They must end within page_width_mm, 210",
        ),
        ("top_mm = 5.0", "top_mm = 30.0", "rows × pitch_y_mm end at 307 mm"),
        (
            "pitch_x_mm = 100.0",
            "pitch_x_mm = 90.0",
            "pitch_x_mm is 90. It must be at least 99, or labels overlap",
        ),
    ],
)
def test_a_wrong_key_is_named_with_what_is_allowed(tmp_path: Path, old: str, new: str, said: str) -> None:
    """A file that describes no possible page is refused by key, value and allowed values."""
    assert f"own.toml: {said}" in _load(tmp_path, SHEET.replace(old, new))


@pytest.mark.parametrize("text", ["name = ", "\x00\x01", "a = " + "[" * 3000])
def test_what_is_not_toml_is_refused(tmp_path: Path, text: str) -> None:
    """A file of another kind is named as such."""
    assert "own.toml is not TOML" in _load(tmp_path, text)


def test_a_missing_file_is_refused() -> None:
    """A path that leads nowhere is named."""
    with pytest.raises(StockError, match=r"nowhere\.toml cannot be opened"):
        load_stock("nowhere.toml")


def test_a_tape_cannot_be_longer_at_its_shortest(tmp_path: Path) -> None:
    """The longest length of a tape label is at least the shortest."""
    text = (
        (BUNDLED / "tape-12.toml").read_text(encoding="utf-8").replace("longest_mm = 80.0", "longest_mm = 25")
    )

    assert "longest_mm is 25. It must be at least shortest_mm, 30" in _load(tmp_path, text)


def test_a_flag_needs_two_faces(tmp_path: Path) -> None:
    """The wrap may not eat the faces."""
    text = (BUNDLED / "flag-bar.toml").read_text(encoding="utf-8").replace("wrap_mm = 28.0", "wrap_mm = 75")

    assert "wrap_mm is 75" in _load(tmp_path, text)


def test_a_label_needs_room_inside_its_rim(tmp_path: Path) -> None:
    """A rim that leaves no room is refused."""
    text = (BUNDLED / "tape-12.toml").read_text(encoding="utf-8").replace("clear_mm = 1.2", "clear_mm = 5.9")

    assert "clear_mm is 5.9" in _load(tmp_path, text)


@given(
    key=st.sampled_from(sorted(tomllib.loads(SHEET))),
    value=st.one_of(st.integers(), st.floats(), st.text(), st.booleans(), st.none(), st.lists(st.integers())),
)
def test_whatever_a_key_says_it_is_taken_or_refused_by_name(key: str, value: object) -> None:
    """No value whatever makes the reader fail in another way than by a refusal."""
    with suppress(StockError):
        assert _fields(tomllib.loads(SHEET) | {key: value})
