"""What a filter may ask of, and why one holds of nothing."""

from __future__ import annotations

import pytest

from tests.desk.bench import a_job, a_pull
from tracker.book import Book
from tracker.errors import Refused
from tracker.selection import (
    FilterError,
    check_asked,
    check_names,
    check_quantities,
    parse_filter,
    result_rows,
    selected,
    why_none,
    why_not,
)

KNOWN = [
    {"material": "Nordlicht ASA", "nozzle_c": 245.0, "lot": None, "orientation": "ZXY"},
    {"material": "Quarz PA", "nozzle_c": 255.0, "lot": None, "orientation": "XYZ"},
]


def test_a_misspelt_name_is_refused_with_the_closest() -> None:
    """``nozle_c!=250`` would hold of everything."""
    with pytest.raises(FilterError, match=r"'nozle_c'\. Did you mean nozzle_c"):
        check_names(parse_filter("nozle_c!=250"), KNOWN[0])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("material='Nordlich ASA'", "Did you mean Nordlicht ASA?"),
        ("nozzle_c>300", "Recorded is 245 to 255."),
        ("lot=A", "lot is not recorded of any."),
        ("material='quarz pa' nozzle_c<250", "all together of nothing"),
        ("orientation=Y", "There is XYZ, ZXY."),
    ],
)
def test_a_filter_that_holds_of_nothing_says_why(text: str, said: str) -> None:
    """By the first condition that nothing fulfils."""
    assert said in why_none(parse_filter(text), KNOWN)


def test_of_nothing_nothing_can_be_chosen() -> None:
    """An empty book blames no condition."""
    assert why_none(parse_filter("material=x"), []) == "There is nothing to choose from yet."


@pytest.fixture
def pulled(book: Book) -> Book:
    """Give a book with one pulled piece."""
    a_pull(book, a_job(book, "bar:ZXY:1", name="plate one").also[0])
    return book


def test_a_quantity_that_there_is_none_of_is_refused(pulled: Book) -> None:
    """With the near names; those that methods give and those in the book are known."""
    with pulled.connect() as connection:
        check_quantities(connection, ["tensile.strength", "shear.strength"], ["shear.strength"])
        with pytest.raises(Refused, match=r"Did you mean tensile\.strength"):
            check_quantities(connection, ["tensile.strenght"], ["shear.strength"])


def test_a_factor_that_is_recorded_nowhere_yet_may_be_asked_of(pulled: Book) -> None:
    """It is one that the book reads by itself; a slip is not."""
    with pulled.connect() as connection:
        rows = result_rows(connection)
    check_asked(rows, parse_filter("chamber_c>20 material!=x"), ["chamber_c"])

    with pytest.raises(FilterError, match="chamer_c"):
        check_asked(rows, parse_filter("chamer_c>20"), ["chamber_c"])


def test_a_job_is_known_by_its_id_and_its_name(pulled: Book) -> None:
    """So neither is blamed for what the other condition keeps out."""
    with pulled.connect() as connection:
        rows = result_rows(connection)
    wanted = parse_filter("job=J0001-J value<0")

    assert selected(rows, wanted) == []
    assert why_not(rows, wanted).startswith("value<0 holds of nothing")
