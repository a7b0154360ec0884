"""Table and explanation about the same plates: one difference, and statements that do not contradict."""

from __future__ import annotations

import math
from typing import Any

import pytest

from tests.desk.bench import a_job, a_material, a_pull, a_spool
from tracker.book import Book
from tracker.comparing import why
from tracker.plugins import load
from tracker.table import Cell, summary_table

STRENGTH = "tensile.strength"
NEAR = [[48.2, 47.5, 49.1, 48.0]]
FAR = [[38.2, 37.5, 39.1, 38.0]]


def pulled_and_told(
    book: Book, warm: list[list[float]], cool: list[list[float]]
) -> tuple[dict[str, Cell], Any]:
    """Pull plates of two chamber temperatures; returns the cells by chamber, and what differs by ``why``."""
    a_material(book)
    spool = a_spool(book)
    for chamber, plates in (("60", warm), ("40", cool)):
        for strengths in plates:
            job = a_job(book, f"bar:XYZ:{len(strengths)}", spools=(spool,), chamber_set_c=chamber)
            for piece, strength in zip(job.also, strengths, strict=True):
                a_pull(
                    book, piece, {"max_force": f"{40 * strength}", "width": "10", "thickness": "4"}, sure=True
                )
    plugged = load()
    rows = summary_table(book, quantities=[STRENGTH], plugged=plugged).rows
    cells = {row.words: row.cells[STRENGTH, "flat", ""] for row in rows}
    told = why(book, plugged, "chamber_c>50", "chamber_c<50", STRENGTH).as_json()["difference"]
    return {"warm": cells["chamber 60 °C"], "cool": cells["chamber 40 °C"]}, told


def interval(cells: dict[str, Cell]) -> tuple[float, float]:
    """Return the 95 % interval of cool less warm that the table's two expanded uncertainties give."""
    halves = [each.found.expanded or 0.0 for each in cells.values() if each.found is not None]
    apart = (cells["cool"].mean or 0.0) - (cells["warm"].mean or 0.0)
    return apart - math.hypot(*halves), apart + math.hypot(*halves)


@pytest.mark.parametrize(
    ("warm", "cool"),
    [(NEAR, FAR), (NEAR, NEAR), ([[48.0, 49.0], [46.0, 46.4]], [[44.0], [41.0], [42.0]])],
)
def test_both_tell_one_difference_of_the_same_plates(
    book: Book, warm: list[list[float]], cool: list[list[float]]
) -> None:
    """The means are the same numbers where plates are of one size, and so are pieces and plates."""
    cells, told = pulled_and_told(book, warm, cool)
    assert told["mean_a"] == pytest.approx(cells["warm"].mean)
    assert told["mean_b"] == pytest.approx(cells["cool"].mean)
    assert told["delta"] == pytest.approx((cells["cool"].mean or 0.0) - (cells["warm"].mean or 0.0))
    assert (told["plates_a"], told["n_a"]) == (cells["warm"].plates, cells["warm"].n)
    assert (told["plates_b"], told["n_b"]) == (cells["cool"].plates, cells["cool"].n)


@pytest.mark.parametrize(("cool", "differ"), [(FAR, True), (NEAR, False)])
def test_neither_claims_what_the_other_denies(book: Book, cool: list[list[float]], differ: bool) -> None:
    """One plate each, far apart or alike: both intervals leave zero out, or neither."""
    cells, told = pulled_and_told(book, NEAR, cool)
    low, high = interval(cells)
    assert told["claimed"] is differ
    assert (low <= 0.0 <= high) is not differ
    assert (told["low"] <= 0.0 <= told["high"]) is not differ
    assert low <= told["delta"] <= high
    # They take the same prior of plate scatter; one is a mixture on strengths, the other on logarithms.
    assert 0.5 < (high - low) / (told["high"] - told["low"]) < 2.0
