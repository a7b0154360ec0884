"""Lists narrowed by a filter."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.cli.bench import Cli
from tests.cli.unlike import Unlike


@pytest.fixture(scope="module")
def unlike(book_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Unlike:
    """Give the command line on a book of unlike plates; nothing here writes to it."""
    place = tmp_path_factory.mktemp("unlike") / "book"
    shutil.copytree(book_template, place)
    return Unlike(place)


def test_results_are_asked_as_a_table_asks(unlike: Unlike) -> None:
    """By orientation, and by any factor of their piece."""
    found = unlike.json("list", "results", "orientation=Z quantity=tensile.strength nozzle_c<250")

    assert [row["value"] for row in found] == pytest.approx([21.0, 20.4, 21.5, 20.8])


def test_specimens_are_asked_by_columns_and_factors(unlike: Unlike) -> None:
    """The way of lying in words; a set-point that only a factor knows."""
    found = unlike.json("list", "specimens", f"orientation=upright chamber_c<50 job={unlike.second}")

    assert [row["id"] for row in found] == unlike.pieces(unlike.second)
    assert len(unlike.json("list", "specimens", "orientation=upright", "--factors")) == 11


def test_other_records_are_asked_by_their_columns(unlike: Unlike) -> None:
    """Whatever a list shows can be asked of."""
    assert [row["id"] for row in unlike.json("list", "jobs", "pieces=2")] == [unlike.flat]
    assert len(unlike.json("list", "measurements", "method=softening")) == 6


@pytest.mark.parametrize(
    ("kind", "where", "said"),
    [
        ("jobs", "peices=2", "Did you mean pieces?"),
        ("specimens", "nozle_c=2", "Did you mean nozzle_c"),
        ("results", "orientation=Q", "'Q' is no orientation"),
        ("results", "nozle_c=2", "Did you mean nozzle_c"),
    ],
)
def test_a_slip_in_a_filter_is_one_line(unlike: Unlike, kind: str, where: str, said: str) -> None:
    """With the near name."""
    assert said in unlike.refused("list", kind, where)


@pytest.mark.parametrize("kind", ["results", "jobs", "specimens"])
def test_a_list_of_nothing_says_why(unlike: Unlike, kind: str) -> None:
    """And answers scripts with an empty array."""
    where = "outcome=melted" if kind == "jobs" else "material=Nordlich"
    result = unlike("list", kind, where, "--json")

    assert (result.exit_code, result.stdout.strip()) == (0, "[]")
    assert f"{where} holds of nothing" in result.stderr


def test_an_empty_book_has_nothing_to_choose_from(book_template: Path) -> None:
    """No name is called unknown where nothing is recorded at all."""
    assert "nothing to choose from" in Cli(book_template)("list", "results", "nozle_c=2").stderr
