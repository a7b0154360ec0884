"""The method's own picture of a measurement, and curves of several over each other."""

from __future__ import annotations

from typing import Any

import pytest
from matplotlib.figure import Figure

from tests.desk.bench import WHO, a_job, a_material, a_pull, a_spool
from tests.table.test_forms import (
    FLAT,
    IMPACT,
    UPRIGHT,
    a_cell,
    a_point,
    a_row,
    a_table,
    of_three_plates,
)
from tracker.api import Piece, Recording
from tracker.book import Book
from tracker.desk.measuring import measure
from tracker.desk.method_inputs import piece_of
from tracker.errors import Refused
from tracker.model import Measurement, Result
from tracker.plugins import Plugged, load
from tracker.statistics import MaterialMean
from tracker.table import CAUTION, Cell, SummaryTable, charts, summary_table
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


def a_line(x: list[float], y: list[float], label: str = "", **look: Any) -> Any:
    """Make a line as it was taken from a method's picture."""
    return charts._Line(x, y, {"linestyle": "-", "marker": "", "linewidth": 1.0, **look}, label)


def a_panel(**groups: Any) -> Any:
    """Make a panel of groups of pieces, each with its lines, over an x axis that begins at zero."""
    return charts._Panel("read", ("linear", "log"), (True, False), groups)


def test_lines_are_taken_over_with_what_they_mean() -> None:
    """Curves whole; what spans the panel keeps its one place; a label of the library's own is none."""
    axes = Figure().subplots()
    axes.plot([1.0, 2.0, 3.0], [4.0, 5.0, 6.0], "x--", label="read")
    axes.axvline(2.5)
    axes.axhline(4.5)
    curve, upright, level = charts._lines_of(axes)

    assert (curve.x, curve.y, curve.label) == ([1.0, 2.0, 3.0], [4.0, 5.0, 6.0], "read")
    assert curve.look == {"linestyle": "--", "marker": "x", "linewidth": 1.0}
    assert (list(upright.x), list(upright.y), upright.label) == ([2.5], [], "")
    assert (list(level.x), list(level.y)) == ([], [4.5])


@pytest.mark.parametrize(("x", "y"), [(True, True), (True, False), (False, True), (False, False)])
def test_a_panel_begins_where_its_method_lets_it(x: bool, y: bool) -> None:
    """At zero where the method's own axes do, each by itself."""
    axes = Figure().subplots()
    axes.set(xlim=(0 if x else 1, 9), ylim=(0 if y else 1, 9), xlabel="strain / %", ylabel="stress / MPa")
    panels: dict[tuple[str, str], Any] = {}
    for group in ("flat", "flat", "upright"):
        charts._put(panels, axes, group, [a_line([1.0], [1.0])])
    panel = panels["strain / %", "stress / MPa"]

    assert panel.from_zero == (x, y)
    assert {name: len(pieces) for name, pieces in panel.groups.items()} == {"flat": 2, "upright": 1}
    drawn = charts._drawn("Tension", panels).axes[0]
    assert (drawn.get_xlim()[0] == 0, drawn.get_ylim()[0] == 0) == (x, y)


def test_a_panel_says_what_is_at_its_axes() -> None:
    """Words, scales, title and heading; on a logarithmic axis as the method has it."""
    panel = a_panel(flat=[[a_line([0.0, 1.0], [1.0, 10.0])]])
    figure = charts._drawn("Tension", {("strain / %", "stress / MPa"): panel})
    (axes,) = figure.axes

    assert (axes.get_xlabel(), axes.get_ylabel()) == ("strain / %", "stress / MPa")
    assert (axes.get_xscale(), axes.get_yscale()) == ("linear", "log")
    assert (axes.get_title(loc="left"), figure.get_suptitle()) == ("read", "Tension")
    assert figure.get_supxlabel() == CAUTION.partition(". ")[0] + "."


def test_groups_have_colours_of_their_own_and_the_legend_counts_their_pieces() -> None:
    """All lines of a group have its colour; what all pieces call the same is explained once, in grey."""
    ends: dict[str, Any] = {"linestyle": "--"}
    piece = [a_line([0.0, 1.0], [1.0, 2.0], "read"), a_line([1.0, 2.0], [2.0, 3.0], "beyond", **ends)]
    bare = [a_line([0.0, 1.0], [1.0, 2.0], "read"), a_line([0.5], []), a_line([], [1.5])]
    (axes,) = charts._drawn("Creep", {("a", "b"): a_panel(flat=[piece, piece], upright=[bare])}).axes
    colours = {line.get_color() for line in axes.get_lines() if len(line.get_xdata())}
    legend = axes.get_legend()

    assert colours == {"#1f5f7a", "#c1440e"}
    assert [text.get_text() for text in legend.get_texts()] == [
        "flat  (2 pieces)",
        "upright  (1 piece)",
        "read",
    ]
    assert [line.get_linestyle() for line in axes.get_lines()].count("--") == 2
    assert [list(line.get_xdata()) for line in axes.get_lines() if line.get_linestyle() == ":"] == [
        [0.5, 0.5], [0, 1],
    ]  # fmt: skip
    assert [list(line.get_ydata()) for line in axes.get_lines() if line.get_linestyle() == ":"] == [
        [0, 1], [1.5, 1.5],
    ]  # fmt: skip
    assert legend._ncols == 2


def test_long_names_stand_in_one_column() -> None:
    """Two of 46 letters do not fit beside each other."""
    for letters, columns in ((45, 2), (46, 1)):
        panel = a_panel(**{name * letters: [[a_line([1.0], [1.0])]] for name in "xy"})
        assert charts._drawn("", {("a", "b"): panel}).axes[0].get_legend()._ncols == columns


@pytest.mark.parametrize(
    ("count", "drawn_ones"), [(0, 0), (1, 1), (2000, 2000), (3999, 3999), (4000, 2001), (4001, 2001)]
)
def test_two_thousand_readings_are_drawn_of_a_line(count: int, drawn_ones: int) -> None:
    """Fewer than twice as many are all drawn; of more every second one, and the last."""
    places = list(charts._thinned(count))

    assert len(places) == drawn_ones
    assert places[-1:] == ([count - 1] if count else [])


def test_measurements_by_another_method_and_without_readings_are_passed_over(
    book: Book, plugged: Plugged, pieces: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Numbers that came without readings have no curve; the pulls beside them have one."""
    kept = drawn(monkeypatch)
    measure(
        book, WHO, plugged, pieces[0], "tensile", {"area": "40", "gauge_length": "50"}, files={"curve": CURVE}
    )
    with book.act("test", WHO) as act:
        for method in ("tensile", "flexure"):
            row = Measurement(specimen_id=2, method=method, source="given")
            act.session.add(row)
            act.session.flush()
            act.session.add(
                Result(
                    measurement_id=row.id, quantity=f"{method}.strength", value=40.0, unit="MPa", remarks=[],
                    counted=True,
                )
            )  # fmt: skip
    curve_chart(book, plugged, summary_table(book), "tensile")

    (first, *_) = kept[0].axes[0].get_legend().get_texts()
    assert first.get_text().endswith("(1 piece)")


def results_drawn(*cells: Cell) -> Any:
    """Return the axes on which cells are drawn."""
    axes = Figure().subplots()
    charts._draw(axes, "Tensile strength [MPa]", [(f"line {at}", each) for at, each in enumerate(cells)])
    return axes


def test_results_are_points_the_mean_a_stroke_the_interval_a_bar() -> None:
    """Each line at its place, the first on top, named with pieces and plates."""
    points = (a_point(1, 48.0), a_point(2, 48.4))
    axes = results_drawn(of_three_plates(behind=lambda: points), a_cell(UPRIGHT, 22.0))
    dots, stroke, none, second = axes.get_lines()
    (bar,) = axes.patches

    assert (list(dots.get_xdata()), list(dots.get_ydata())) == ([48.0, 48.4], [0, 0])
    assert (list(stroke.get_xdata()), list(stroke.get_ydata())) == ([48.2, 48.2], [-0.3, 0.3])
    assert (list(none.get_xdata()), list(second.get_ydata())) == ([], [0.7, 1.3])
    assert (bar.get_x(), bar.get_width()) == (44.76, pytest.approx(51.64 - 44.76))
    assert [each.get_text() for each in axes.get_yticklabels()] == [
        "line 0  (n 6, 3 plates)", "line 1  (n 2, 1 plate)",
    ]  # fmt: skip
    assert axes.get_ylim()[0] > axes.get_ylim()[1]
    assert axes.get_title(loc="left") == "Tensile strength [MPa]"


def test_an_interval_that_says_next_to_nothing_is_not_drawn() -> None:
    """A bar over the whole width would hide what was measured."""
    found = MaterialMean(2, 2, 48.2, None, None, 90.0, 12.7, 1.0, "plates")

    assert not results_drawn(of_three_plates(found=found)).patches
    assert not results_drawn(of_three_plates(low=None, high=None)).patches


def test_limits_are_arrow_heads_and_counted() -> None:
    """Towards where the value lies; one without value is only counted."""
    cell = a_cell(mean=None, n=0, limits=("> 120 °C", "< 80.5 °C", "no value", "> 110 °C"))
    axes = results_drawn(cell, a_cell(limits=("> 60 MPa",)), a_cell(mean=None, n=0, limits=("no value",)))
    heads = [
        (each.get_marker(), *map(float, each.get_xdata()))
        for each in axes.get_lines()
        if each.get_marker() in "<>"
    ]

    assert heads == [(">", 120.0), ("<", 80.5), (">", 110.0), (">", 60.0)]
    assert [each.get_text() for each in axes.get_yticklabels()] == [
        "line 0  (n 0, 3 limits, 1 without value)", "line 1  (n 2, 1 plate, 1 limit)",
        "line 2  (n 0, 1 without value)",
    ]  # fmt: skip


def test_a_picture_has_a_panel_for_each_quantity(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines of rows that have something to show of it, the caution's first sentence below."""
    kept = drawn(monkeypatch)
    behind: Any = lambda: (a_point(1, 48.0),)  # noqa: E731
    first = a_row(a_cell(FLAT, behind=behind), a_cell(IMPACT, 6.0, behind=behind))
    second = a_row(a_cell(FLAT, None, n=0, limits=("> 60 MPa",)), a_cell(UPRIGHT, 1.0), words="")
    charts.chart(a_table(first, second), ["tensile.strength", "impact.strength"])
    upper, lower = kept[0].axes

    assert [each.get_text().partition("  ")[0] for each in upper.get_yticklabels()] == [
        "Nordlicht ASA · nozzle 245 °C · flat", "Nordlicht ASA · flat",
    ]  # fmt: skip
    assert [each.get_text().partition("  ")[0] for each in lower.get_yticklabels()] == [
        "Nordlicht ASA · nozzle 245 °C · flat · C"
    ]
    assert lower.get_title(loc="left") == "impact.strength [kJ/m²]"
    assert kept[0].get_supxlabel() == "Not a certification."
    assert kept[0].get_size_inches()[1] == pytest.approx(1.2 + 0.6 + 0.34 * 2 + 0.6 + 0.34)
    with pytest.raises(ValueError, match="gif"):
        charts.chart(a_table(first), ["tensile.strength"], "gif")


def test_what_matters_is_drawn_heavier_than_what_helps() -> None:
    """The mean stands out, the grid stands back; a limit is larger than a point; a bar lets points show."""
    cell = of_three_plates(behind=lambda: (a_point(1, 48.0),), limits=("> 60 MPa",))
    axes = results_drawn(cell)
    dots, limit, mean = axes.get_lines()
    grid = axes.get_xgridlines()[0]
    (bar,) = axes.patches

    assert grid.get_linewidth() < 1 < mean.get_linewidth() < 3
    assert 3 < dots.get_markersize() < 5 < limit.get_markersize() < 7
    assert 0.1 < bar.get_alpha() < 0.5 < dots.get_alpha() <= 1
    # Within its own line, which is one high.
    assert 0.5 <= bar.get_height() < 2 * 0.3
    assert axes.get_ylim() == (0.6, -0.6)
    assert [axes.spines[side].get_visible() for side in ("top", "right", "left", "bottom")] == [
        False, False, False, True,
    ]  # fmt: skip


def test_curves_are_drawn_over_their_grid_and_explained_below() -> None:
    """Fine lines, for many lie over each other; limits finer still; the legend below the axis, frameless."""
    piece = [a_line([0.0, 1.0], [1.0, 2.0], "read", linewidth=1.0), a_line([0.5], [])]
    figure = charts._drawn("Creep", {("a", "b"): a_panel(flat=[piece]), ("c", "d"): a_panel(flat=[piece])})
    axes = figure.axes[0]
    key, curve, limit, again = axes.get_lines()
    legend = axes.get_legend()

    assert axes.get_xgridlines()[0].get_linewidth() < limit.get_linewidth() < curve.get_linewidth()
    assert 2 * curve.get_linewidth() < key.get_linewidth() < 4 * curve.get_linewidth()
    assert 0.5 < curve.get_alpha() < 1
    assert curve.get_markersize() == again.get_markersize() < 5
    assert not legend.get_frame_on()
    assert legend.get_bbox_to_anchor().transformed(axes.transAxes.inverted()).y0 == pytest.approx(-0.16)
    assert legend.get_bbox_to_anchor().transformed(axes.transAxes.inverted()).x0 == pytest.approx(0.5)
    assert [axes.spines[side].get_visible() for side in ("top", "right")] == [False, False]
    # 0.4 inches of heading; a panel has 4.4 and 0.2 more for each group in the legend.
    assert tuple(figure.get_size_inches()) == (9.0, pytest.approx(0.4 + 2 * 4.6))


def test_what_pieces_call_alike_is_explained_as_the_first_of_them_draws_it() -> None:
    """By its stroke and mark; what one piece alone calls so, and what has no name, is not explained."""
    first = [a_line([0.0], [1.0], "read", marker="x"), a_line([0.0], [1.0], "own"), a_line([0.0], [1.0])]
    last = [a_line([0.0], [1.0], "read", marker="o"), a_line([0.0], [1.0])]
    found = charts._called_alike(a_panel(flat=[first, last], upright=[last]))

    assert [(line.label, line.look["marker"]) for line in found] == [("read", "x")]
    (axes,) = charts._drawn("", {("a", "b"): a_panel(flat=[first, last])}).axes
    (shown,) = (line for line in axes.get_lines() if line.get_color() == charts._FAINT)
    assert (list(shown.get_xdata()), shown.get_marker(), shown.get_markersize()) == ([], "x", 4)


def test_a_picture_is_drawn_of_the_piece_that_was_tested(
    book: Book, plugged: Plugged, pieces: list[str]
) -> None:
    """Its readings, its orientation and what its method makes of them."""
    a_pull(book, pieces[2], {"max_force": "1000", "area": "40"})
    with book.read() as session:
        row = session.get_one(Measurement, 1)
        readings, piece, computation = charts.taken(book, plugged, row)

        assert piece == piece_of(row.specimen)
        assert piece != Piece()
    assert getattr(readings, "area", None) == 40
    assert any(each.value == pytest.approx(25.0) for each in computation.outcomes)


def look_of(line: Any) -> tuple[Any, ...]:
    """Return colour, stroke, width, mark and its size, and how opaque a line is."""
    return (
        line.get_color(), line.get_linestyle(), line.get_linewidth(), line.get_marker(),
        line.get_markersize(), line.get_alpha(),
    )  # fmt: skip


def test_results_look_as_they_were_looked_at() -> None:
    """Each size as it was chosen on screen and paper: points and bar show through, the mean stands out."""
    cell = of_three_plates(behind=lambda: (a_point(1, 48.0),), limits=("> 60 MPa",))
    axes = results_drawn(cell)
    dots, limit, mean = axes.get_lines()
    (bar,) = axes.patches

    assert look_of(dots)[0] == look_of(limit)[0] == "#8a6d1f"
    assert (*look_of(dots)[3:], *look_of(limit)[3:5], limit.get_fillstyle()) == ("o", 4, 0.8, ">", 6, "none")
    assert look_of(mean)[:3] == ("#1f5f7a", "-", 2)
    assert (bar.get_height(), bar.get_alpha(), bar.get_y()) == (0.55, 0.22, -0.275)
    assert bar.get_facecolor()[:3] == pytest.approx((0x1F / 255, 0x5F / 255, 0x7A / 255))
    grid = axes.get_xgridlines()[0]
    assert (grid.get_color(), grid.get_linewidth()) == ("#d5d8d6", 0.6)
    assert not axes.use_sticky_edges


def test_curves_look_as_they_were_looked_at() -> None:
    """Fine lines that show through, a thick stroke a group in the legend, dotted limits, a faint grid."""
    piece = [a_line([0.0, 1.0], [1.0, 2.0], "read"), a_line([0.5], []), a_line([], [1.5])]
    panels = {("a", "b"): a_panel(flat=[piece], upright=[piece]), ("c", "d"): a_panel(flat=[piece])}
    figure = charts._drawn("Creep", panels)
    axes = figure.axes[0]
    group, curve, upright, level, *_, other, _, _, _, alike = axes.get_lines()

    assert tuple(figure.get_size_inches()) == pytest.approx((9.0, 0.4 + (4.4 + 0.2 * 2) * 2))
    assert figure.get_suptitle() == "Creep"
    assert look_of(group)[:3] == ("#1f5f7a", "-", 3)
    assert look_of(curve) == ("#1f5f7a", "-", 1.0, "", 4, 0.85)
    assert [look_of(each)[:3] for each in (upright, level)] == [("#1f5f7a", ":", 0.7)] * 2
    assert look_of(other)[:3] == ("#c1440e", "-", 3)
    assert (look_of(alike)[0], look_of(alike)[4], alike.get_label()) == ("#8a8f98", 4, "read")
    assert [each.get_text() for each in axes.get_legend().get_texts()] == [
        "flat  (1 piece)", "upright  (1 piece)", "read",
    ]  # fmt: skip
    grid = axes.get_xgridlines()[0]
    assert (grid.get_visible(), grid.get_color(), grid.get_linewidth()) == (True, "#e3e5e8", 0.6)
    anchor = axes.get_legend().get_bbox_to_anchor().transformed(axes.transAxes.inverted())
    assert (anchor.x0, anchor.y0) == pytest.approx((0.5, -0.16))
    assert not axes.get_legend().get_frame_on()
    assert (charts._MOST, charts._LONG, charts._POINTS, len(set(charts._COLOURS))) == (400, 45, 2000, 12)


def test_a_picture_has_130_dots_an_inch() -> None:
    """Nine inches wide: 1170 dots."""
    figure = Figure(figsize=(9.0, 1.0))
    png = charts.rendered(figure, "png")

    assert (int.from_bytes(png[16:20], "big"), int.from_bytes(png[20:24], "big")) == (1170, 130)
    assert b"<dc:date>" not in charts.rendered(figure, "svg")
