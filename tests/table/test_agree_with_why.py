"""Table and explanation about the same plates: one difference, and statements that do not contradict."""

from __future__ import annotations

import html
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure

from tests.desk.bench import a_job, a_material, a_pull, a_spool
from tests.web.site import Browser, Site, served
from tracker.book import Book
from tracker.comparing import why
from tracker.plugins import load
from tracker.publish import publish
from tracker.statistics import PlateSums, material_means
from tracker.table import Cell, SummaryTable, summary_table
from tracker.table.charts import _MEAN, _draw, _lines
from tracker.why import Factor, Observation, Problem, Question, answer

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


UNEQUAL = [[48.0, 49.0], [46.0]], [[44.0], [41.0, 41.8, 42.0]]
"""The plates' means are 47.25 and 42.8, the pieces' 47.67 and 42.2."""


@pytest.mark.parametrize(
    ("warm", "cool"),
    [(NEAR, FAR), (NEAR, NEAR), ([[48.0, 49.0], [46.0, 46.4]], [[44.0], [41.0], [42.0]]), UNEQUAL],
)
def test_both_tell_one_difference_of_the_same_plates(
    book: Book, warm: list[list[float]], cool: list[list[float]]
) -> None:
    """The means are the same numbers, whatever the sizes of the plates, and so are pieces and plates."""
    cells, told = pulled_and_told(book, warm, cool)
    assert told["mean_a"] == pytest.approx(cells["warm"].mean)
    assert told["mean_b"] == pytest.approx(cells["cool"].mean)
    assert told["delta"] == pytest.approx((cells["cool"].mean or 0.0) - (cells["warm"].mean or 0.0))
    assert (told["plates_a"], told["n_a"]) == (cells["warm"].plates, cells["warm"].n)
    assert (told["plates_b"], told["n_b"]) == (cells["cool"].plates, cells["cool"].n)


def test_both_take_the_plate_as_the_unit_in_any_design() -> None:
    """Random plates of one to eight pieces: the mean of the plates' means, and what the answer rests on."""
    rng = np.random.default_rng(41)
    for _ in range(12):
        sides = [
            [(40 + 4 * rng.normal() + rng.normal(size=rng.integers(1, 9))).tolist() for _ in range(k)]
            for k in rng.integers(1, 5, 2)
        ]
        observations = [
            Observation(f"{side}{j}-{i}", STRENGTH, value, "M", f"{side}{j}", factors={"chamber_c": chamber})
            for side, chamber, plates in zip("AB", (60.0, 40.0), sides, strict=True)
            for j, plate in enumerate(plates)
            for i, value in enumerate(plate)
        ]
        named = {
            side: frozenset(o.result_id for o in observations if o.result_id.startswith(side))
            for side in "AB"
        }
        factors = (Factor("chamber_c", "°C", resolution=2.0, span=20.0),)
        told = answer(
            Problem(Question(STRENGTH, "MPa"), factors, tuple(observations), named["A"], named["B"])
        ).as_json()["difference"]
        stated = [material_means(PlateSums.of([plates]), 1)[0] for plates in sides]
        assert [told["mean_a"], told["mean_b"]] == pytest.approx([each.mean for each in stated])
        assert told["low"] <= told["delta"] <= told["high"]
        assert [told["n_a"], told["n_b"]] == [each.pieces for each in stated]
        assert [told["plates_a"], told["plates_b"]] == [each.plates for each in stated]


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


def drawn_means(table: SummaryTable) -> dict[str, float]:
    """Return where the chart draws the stroke of each line's mean, by the line's name."""
    panel = _lines(table, STRENGTH)
    axis = Figure().subplots()
    _draw(axis, "", panel)
    strokes = [line for line in axis.get_lines() if line.get_linewidth() == 2 and line.get_color() == _MEAN]
    return {name: line.get_xdata()[0] for (name, _), line in zip(panel, strokes, strict=True)}


def test_table_chart_ratio_page_site_and_why_give_one_mean(book: Book, tmp_path: Path) -> None:
    """All of them are asked of one book with plates of unequal size, flat and upright."""
    a_material(book)
    spool, plugged = a_spool(book), load()
    warm, cool = UNEQUAL
    upright = [[30.0, 31.0, 29.6], [28.0]]
    truth = {("60", "flat"): 47.25, ("40", "flat"): 42.8, ("60", "upright"): (30.2 + 28.0) / 2}
    for chamber, way, plates in (("60", "XYZ", warm), ("40", "XYZ", cool), ("60", "ZXY", upright)):
        for strengths in plates:
            job = a_job(book, f"bar:{way}:{len(strengths)}", spools=(spool,), chamber_set_c=chamber)
            for piece, strength in zip(job.also, strengths, strict=True):
                raw = {"max_force": f"{40 * strength}", "width": "10", "thickness": "4"}
                a_pull(book, piece, raw, sure=True)

    table = summary_table(book, quantities=[STRENGTH], plugged=plugged)
    means, shown = {}, []
    for row in table.rows:
        chamber = "60" if "60" in row.words else "40"
        for column, cell in row.cells.items():
            means[chamber, column.orientation] = cell.mean
            shown.append(cell.text(table.units[STRENGTH]))
    assert means == pytest.approx(truth)

    ratio = next(row.ratio for row in table.rows if row.ratio is not None)
    assert ratio.value == pytest.approx(truth["60", "upright"] / truth["60", "flat"])

    assert sorted(drawn_means(table).values()) == pytest.approx(sorted(truth.values()))

    with served(Site("", book, [], ""), book, plugged) as url, Browser(url) as page:
        rows = page.get("/table.json", params={"of": STRENGTH}).json()["rows"]
        read = page.get("/table").text
    assert sorted(each["mean"] for each in rows) == pytest.approx(sorted(truth.values()))
    assert all(html.escape(text) in read for text in shown)

    publish(book, plugged, tmp_path / "site")
    site = (tmp_path / "site" / "index.html").read_text(encoding="utf-8")
    assert all(f'data-sort="{mean:.9g}"' in site for mean in truth.values())

    told = why(
        book, plugged, "chamber_c>50 orientation=flat", "chamber_c<50 orientation=flat", STRENGTH
    ).as_json()["difference"]
    assert (told["mean_a"], told["mean_b"]) == pytest.approx((truth["60", "flat"], truth["40", "flat"]))
