"""The method's own picture of a measurement, and curves of several over each other."""

from __future__ import annotations

from typing import Any

import pytest

from tests.desk.bench import WHO, a_job, a_material, a_pull, a_spool
from tracker.api import Recording
from tracker.book import Book
from tracker.desk.measuring import measure
from tracker.errors import Refused
from tracker.plugins import Plugged, load
from tracker.table import SummaryTable, charts, summary_table
from tracker.table.charts import curve_chart, method_picture

HANGING = {"force": "280", "width": "10", "thickness": "4", "reference_length": "80"}
SERIES = "0.1:80.31 0.5:80.34 1:80.36 5:80.40 10:80.42 24:80.45 48:80.48 100:80.51"
STEPS = "2: 0.17 0.18 0.18; 5: 0.42 0.45 0.46; 10: 0.82 0.90 0.92"
CURVE = Recording("pull.csv", b"extension_mm,force_N\n0,0\n0.1,200\n0.2,380\n0.5,700\n0.8,810\n0.9,790\n")


@pytest.fixture(scope="module")
def plugged() -> Plugged:
    """Load the methods once."""
    return load()


@pytest.fixture
def pieces(book: Book) -> list[str]:
    """Print two flat bars and two upright ones."""
    a_material(book)
    return a_job(book, "bar:XYZ:2", "bar:ZXY:2", spools=(a_spool(book),)).also


def creep_of(book: Book, plugged: Plugged, pieces: list[str]) -> SummaryTable:
    """Let pieces creep, and return the table of what came of it."""
    for piece in pieces:
        measure(book, WHO, plugged, piece, "creep", {**HANGING, "series": SERIES})
    return summary_table(book, quantities=["creep.strain_24h"])


def drawn(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Keep figures instead of drawing them."""
    kept: list[Any] = []
    monkeypatch.setattr(charts, "rendered", lambda figure, _: kept.append(figure))
    return kept


def test_a_pull_is_drawn_by_its_method(book: Book, plugged: Plugged, pieces: list[str]) -> None:
    """As SVG, with the words of the method."""
    pull = measure(
        book, WHO, plugged, pieces[0], "tensile", {"area": "40", "gauge_length": "50"}, files={"curve": CURVE}
    )

    picture = method_picture(book, plugged, pull.id)
    assert picture.startswith(b"<?xml")
    assert b"Tension" in picture


def test_a_picture_may_be_a_png(book: Book, plugged: Plugged, pieces: list[str]) -> None:
    """For those who paste it somewhere."""
    creep_of(book, plugged, pieces[:1])

    assert method_picture(book, plugged, "M0001-Y", "png").startswith(b"\x89PNG")


def test_readings_that_make_no_curve_say_so(book: Book, plugged: Plugged, pieces: list[str]) -> None:
    """A force typed by hand has no curve to show."""
    a_pull(book, pieces[0], {"max_force": "1000", "area": "40"})

    with pytest.raises(Refused, match="M0001-Y has no picture: tensile draws nothing of these readings"):
        method_picture(book, plugged, "M0001-Y")


def test_a_spool_has_no_picture(book: Book, plugged: Plugged, pieces: list[str]) -> None:
    """Only measurements are drawn."""
    del pieces

    with pytest.raises(Refused, match="a measurement is wanted"):
        method_picture(book, plugged, "S0001-R")


def test_a_method_that_is_gone_draws_nothing(book: Book, plugged: Plugged, pieces: list[str]) -> None:
    """Its readings stay; the refusal names the method."""
    creep_of(book, plugged, pieces[:1])

    with pytest.raises(Refused, match="'creep'"):
        method_picture(book, Plugged(), "M0001-Y")


def test_creep_curves_keep_the_limit_of_one_decade(
    book: Book, plugged: Plugged, pieces: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Dashed beyond the readings, and an upright line where the decade ends: at 1000 h after 100."""
    kept = drawn(monkeypatch)
    curve_chart(book, plugged, creep_of(book, plugged, pieces), "creep")

    lines = kept[0].axes[0].get_lines()
    dashed = [line for line in lines if line.get_linestyle() == "--" and len(line.get_xdata())]
    upright = [line.get_xdata()[0] for line in lines if line.get_linestyle() == ":"]
    assert len(dashed) == 4
    assert max(dashed[0].get_xdata()) == pytest.approx(1000)
    assert upright == pytest.approx([1000] * 4)


def test_one_colour_is_one_group(
    book: Book, plugged: Plugged, pieces: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Flat and upright pieces are told apart, pieces of one group are not."""
    kept = drawn(monkeypatch)
    curve_chart(book, plugged, creep_of(book, plugged, pieces), "creep")

    legend = [text.get_text() for text in kept[0].axes[0].get_legend().get_texts()]
    assert legend[:2] == ["Nordlicht ASA · flat  (2 pieces)", "Nordlicht ASA · upright  (2 pieces)"]
    assert legend[2:] == ["read", "Findley's law", "one decade beyond"]


def test_bending_steps_are_laid_over_each_other(
    book: Book, plugged: Plugged, pieces: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three lines a piece: deflection after 1, 30 and 60 s over load."""
    kept = drawn(monkeypatch)
    bar = {"span": "64", "width": "10", "thickness": "4", "rows": STEPS}
    for piece in pieces:
        measure(book, WHO, plugged, piece, "bending", bar)
    curve_chart(book, plugged, summary_table(book), "bending")

    axes = kept[0].axes[0]
    assert sum(len(line.get_xdata()) == 3 for line in axes.get_lines()) == 12
    assert {"after 1 s", "after 30 s", "after 60 s"} <= {t.get_text() for t in axes.get_legend().get_texts()}


def test_curves_of_other_axes_get_a_panel_of_their_own(
    book: Book, plugged: Plugged, pieces: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stress over strain and force over extension are not drawn into each other."""
    kept = drawn(monkeypatch)
    for piece, more in zip(pieces, ({"gauge_length": "50"}, {}), strict=False):
        measure(book, WHO, plugged, piece, "tensile", {"area": "40", **more}, files={"curve": CURVE})
    curve_chart(book, plugged, summary_table(book), "tensile")

    assert [axes.get_xlabel() for axes in kept[0].axes] == ["strain / %", "extension / mm"]


def test_a_long_curve_is_thinned_and_keeps_its_end() -> None:
    """Where a piece broke is never left out."""
    places = list(charts._thinned(99_999))

    assert len(places) <= 2 * charts._POINTS
    assert (places[0], places[-1]) == (0, 99_998)


def test_nothing_to_lay_over_each_other_is_refused(book: Book, plugged: Plugged, pieces: list[str]) -> None:
    """Forces typed by hand."""
    a_pull(book, pieces[0], {"max_force": "1000", "area": "40"})

    with pytest.raises(Refused, match="has a curve to draw"):
        curve_chart(book, plugged, summary_table(book), "tensile")


def test_more_curves_than_a_picture_holds_are_refused(
    book: Book, plugged: Plugged, pieces: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With what to type instead."""
    monkeypatch.setattr(charts, "_MOST", 3)

    with pytest.raises(Refused, match=r"4 curves are more than a picture can hold .* --where"):
        curve_chart(book, plugged, creep_of(book, plugged, pieces), "creep")
