"""What the pictures of an answer, its lineage and a watch are drawn of: every line, box, arrow and text."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any
from unittest.mock import MagicMock

import pytest

from tests.why.test_lines import STEPPED, a_watch, chart
from tracker.why import picture
from tracker.why.findings import Side, Span
from tracker.why.watch import Signal, Since

INK, QUIET, BLUE, ORANGE = "#1b1f24", "#8a9099", "#1f6f8b", "#c2571a"


@pytest.fixture(autouse=True)
def _figures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Give the figure itself in place of its file."""
    monkeypatch.setattr(picture, "_saved", lambda figure, form: (figure, form))


def factor(name: str, words: str = "", unit: str = "") -> Any:
    """Return a factor."""
    return SimpleNamespace(name=name, words=words or name, unit=unit)


def item(name: str, a: Any, b: Any, unit: str = "") -> Any:
    """Return how a factor compares."""
    return SimpleNamespace(factor=factor(name, unit=unit), a=a, b=b)


def share(name: str, span: Span | None) -> Any:
    """Return a share."""
    return SimpleNamespace(factor=name, words=name.title(), span=span)


A = Side(50.0, ((49.0, "P1"), (51.0, "P1"), (50.0, "P2")))
B = Side(40.0, ((40.0, "P3"),))
WHOLE = Span(-10.0, -12.0, -8.0, -0.2, -0.24, -0.16)


def findings(**changes: Any) -> Any:
    """Return findings of two sides."""
    problem = SimpleNamespace(
        question=SimpleNamespace(called="strength", unit="MPa"), label_a="J0001", label_b="J0002",
        factors=(factor("nozzle_c", "nozzle temperature", "°C"), factor("lot", "lot")),
    )  # fmt: skip
    difference = SimpleNamespace(span=WHOLE, claimed=True, a=A, b=B)
    known: dict[str, Any] = {
        "problem": problem, "difference": difference, "groups": (), "shares": (), "together": None,
        "unrecorded": None, "luck": None, "differed": (), "unknown": (), "scope": SimpleNamespace(equal=()),
    }  # fmt: skip
    return SimpleNamespace(**{**known, **changes})


def lines_of(axes: Any) -> list[tuple[list[float], list[float], str]]:
    """Return what is drawn by lines and points: places and colour."""
    return [(list(line.get_xdata()), list(line.get_ydata()), line.get_color()) for line in axes.lines]


FULL = findings(
    groups=(SimpleNamespace(factors=("lot", "nozzle_c"), span=Span(-6.0, -9.0, -3.0, -0.12, -0.18, -0.06)),),
    shares=(
        share("lot", None), share("nozzle_c", None),
        share("fan_pct", Span(1.0, -1.0, 3.0, 0.02, -0.02, 0.06)),
    ),
    together=Span(-1.0, -2.0, 0.5, -0.02, -0.04, 0.01),
    unrecorded=Span(-2.0, -3.0, -1.0, -0.04, -0.06, -0.02),
    luck=Span(0.1, -4.0, 4.0, 0.002, -0.08, 0.08),
)  # fmt: skip


def test_the_forest_holds_each_share_in_per_cent() -> None:
    """From top to bottom; what excludes zero is lit; members of a group stand in a bracket."""
    figure, form = picture.draw(FULL, "svg")
    points, forest = figure.axes
    names = [label.get_text() for label in forest.get_yticklabels()]

    assert form == "svg"
    assert names == [
        "difference B \N{MINUS SIGN} A", "Lot", "Nozzle_C", "together", "Fan_Pct", "factors acting together",
        "something not recorded", "luck of plates and pieces",
    ]  # fmt: skip
    drawn = lines_of(forest)
    spans = [(x, y, colour) for x, y, colour in drawn if len(x) == 2 and y[0] == y[1]]
    assert spans == [
        (pytest.approx([-24, -16]), [0, 0], INK),
        (pytest.approx([-18, -6]), [3, 3], ORANGE),
        (pytest.approx([-2, 6]), [4, 4], QUIET),
        (pytest.approx([-4, 1]), [5, 5], QUIET),
        (pytest.approx([-6, -2]), [6, 6], ORANGE),
        (pytest.approx([-8, 8]), [7, 7], QUIET),
    ]
    middles = [(x[0], y[0]) for x, y, _ in drawn if len(x) == 1]
    assert middles == [
        pytest.approx(each) for each in ((-20, 0), (-12, 3), (2, 4), (-2, 5), (-4, 6), (0.2, 7))
    ]
    (bracket,) = [(x, y) for x, y, _ in drawn if len(x) == 4]
    assert bracket == ([0.985, 1, 1, 0.985], pytest.approx([0.7, 0.7, 3.3, 3.3]))
    (told,) = forest.texts
    assert (told.get_text(), told.xy) == ("cannot be\ntold apart", (1.015, pytest.approx(2.0)))
    assert [(x, colour) for x, y, colour in drawn if y == [0, 1]] == [([0, 0], INK)]
    assert forest.get_ylim() == (7.6, -0.6)
    assert forest.get_xlabel() == "share of the difference, 95 % interval / %"
    assert figure.get_suptitle() == "strength: a difference is shown"
    assert tuple(figure.get_size_inches()) == pytest.approx((10.0, 1.6 + 0.36 * 8))
    assert points.get_ylabel() == "strength / MPa"


def test_the_points_of_both_sides_stand_by_plates() -> None:
    """Side by side in their columns, each side with a line at its mean."""
    points = picture.draw(FULL, "png")[0].axes[0]
    assert lines_of(points) == [
        (pytest.approx([-0.06 - 0.035, -0.06 - 0.0175]), [49.0, 51.0], BLUE),
        (pytest.approx([0.06 - 0.035]), [50.0], BLUE),
        (pytest.approx([-0.32, 0.32]), [50.0, 50.0], INK),
        (pytest.approx([1 - 0.035]), [40.0], ORANGE),
        (pytest.approx([0.68, 1.32]), [40.0, 40.0], INK),
    ]
    assert [label.get_text() for label in points.get_xticklabels()] == [
        "J0001\n3 on 2 plates", "J0002\n1 on 1 plate"
    ]  # fmt: skip
    assert points.get_xlim() == (-0.6, 1.6)


def test_pieces_of_a_plate_do_not_hide_each_other() -> None:
    """Five places, over again; ten plates still fit into half a column."""
    assert picture._jitter(1.0, 6) == pytest.approx([0.965, 0.9825, 1.0, 1.0175, 1.035, 0.965])
    side = Side(1.0, tuple((1.0, f"P{n}") for n in range(10)))
    found = findings(difference=SimpleNamespace(span=None, claimed=False, a=side, b=B))
    figure = picture.draw(found, "svg")[0]
    (points,) = figure.axes
    assert [line[0][0] for line in lines_of(points)[:10]] == pytest.approx(
        [-0.225 - 0.035 + 0.05 * n for n in range(10)]
    )
    assert figure.get_suptitle() == "strength: no difference shown beyond noise"
    assert tuple(figure.get_size_inches()) == pytest.approx((5.0, 3.2))


def test_in_the_unit_where_a_fraction_makes_no_sense() -> None:
    """Every interval as it is."""
    spans = {"span": Span(-10.0, -12.0, -8.0), "claimed": True, "a": A, "b": B}
    figure = picture.draw(findings(difference=SimpleNamespace(**spans), luck=Span(0.0, -4.0, 4.0)), "svg")[0]
    forest = figure.axes[1]
    assert [x for x, y, _ in lines_of(forest) if len(x) == 2 and y[0] == y[1]] == [[-12.0, -8.0], [-4.0, 4.0]]
    assert forest.get_xlabel() == "share of the difference, 95 % interval / MPa"


def test_for_a_phone_the_halves_stand_below_each_other() -> None:
    """3.7 inches wide, 3 inches of points above the forest."""
    figure = picture.draw(FULL, "svg", narrow=True)[0]
    assert tuple(figure.get_size_inches()) == pytest.approx((3.7, 3.0 + 1.6 + 0.36 * 8))
    top, below = figure.subfigs
    assert (len(top.axes), len(below.axes)) == (1, 1)
    assert below.axes[0].get_xlabel() == "share of the difference,\n95 % interval / %"
    alone = findings(difference=SimpleNamespace(span=None, claimed=False, a=A, b=B))
    assert tuple(picture.draw(alone, "svg", narrow=True)[0].get_size_inches()) == pytest.approx((3.7, 3.0))


def test_long_names_are_cut() -> None:
    """26 letters with the sign that there is more; labels in three lines of 16."""
    assert picture._short("n" * 26) == "n" * 26
    assert picture._short("n" * 27) == "n" * 25 + "…"
    assert picture._folded("one two three four five six seven eight nine ten eleven").count("\n") == 2
    assert all(len(line) <= 16 for line in picture._folded("word " * 30).splitlines())


GRAPH = findings(
    differed=(
        item("lot", "L1", "L2"), item("water_pct", 0.1, 0.30000001, "%"),
        item("flow_mm3_s", 5.0, 8.0, "mm³/s"),
    ),
    unknown=(item("spool", None, None),),
    scope=SimpleNamespace(equal=("material", "print_speed_mm_s", "fan_pct", "nozzle_c", "rig")),
)  # fmt: skip


def test_boxes_stand_in_columns_of_their_stations() -> None:
    """What changed first, then by the order of the stations; equal ones only where an arrow joins them."""
    assert picture._places(GRAPH) == {
        "lot": (0.0, 0.0), "water_pct": (2.3, 0.0), "flow_mm3_s": (4.6, 0.0),
        "material": (0.0, 1.0), "spool": (0.0, 2.0), "print_speed_mm_s": (4.6, 1.0),
    }  # fmt: skip
    assert picture._not_drawn(GRAPH, picture._places(GRAPH)) == {
        "2 equal  ": (4.6, 1.7), "1 equal    ": (9.2, pytest.approx(-0.3))
    }  # fmt: skip


def test_the_lineage_is_drawn_box_by_box() -> None:
    """What changed is lit, what is not known has a broken edge; titles stand over the columns."""
    figure, form = picture.draw_graph(GRAPH)
    (axes,) = figure.axes
    boxes = {
        (round(box.get_x() + box.get_width() / 2, 6), round(-(box.get_y() + box.get_height() / 2), 6)): box
        for box in axes.patches
    }
    assert form == "svg"
    assert set(boxes) == set(picture._places(GRAPH).values())
    for place, width, style in (((0.0, 0.0), 1.8, "-"), ((0.0, 1.0), 0.9, "-"), ((0.0, 2.0), 0.9, "--")):
        box = boxes[place]
        assert (box.get_width(), box.get_height()) == pytest.approx((1.86, 0.72))
        assert (box.get_linewidth(), box.get_linestyle()) == (width, style)
    texts = {text.get_text(): text.get_position() for text in axes.texts if text.get_text()}
    assert {name: texts[name] for name in ("filament", "keeping", "printing", "place", "testing")} == {
        "filament": (0.0, 0.75), "keeping": (2.3, 0.75), "printing": (4.6, 0.75),
        "place": (pytest.approx(6.9), 0.75), "testing": (9.2, 0.75),
    }  # fmt: skip
    assert texts["lot\nL1 → L2"] == (0.0, -0.0)
    assert texts["water_pct\n0.100 → 0.300 %"] == (2.3, -0.0)
    assert texts["material"] == (0.0, -1.0)
    assert texts["2 equal  "] == (4.6, pytest.approx(-1.55))
    assert axes.get_xlim() == pytest.approx((-1.15, 4.5 * 2.3))
    assert axes.get_ylim() == (-3.0, 1.3)
    assert tuple(figure.get_size_inches()) == pytest.approx((5 * 2.3, 0.9 + 0.62 * 3))


@pytest.mark.parametrize(
    ("start", "end", "here", "there", "bend"),
    [
        # From column to column, from right side to left side; backwards the other way.
        ((0.0, 0.0), (2.3, 1.0), (0.93, 0.0), (2.3 - 0.93, -1.0), "arc3,rad=0"),
        ((2.3, 1.0), (0.0, 2.0), (2.3 - 0.93, -1.0), (0.93, -2.0), "arc3,rad=0"),
        # Within a column along its right side, bent outwards.
        ((2.3, 0.0), (2.3, 2.0), (3.23, 0.0), (3.23, -2.0), "arc3,rad=-0.5"),
        ((2.3, 2.0), (2.3, 0.0), (3.23, -2.0), (3.23, 0.0), "arc3,rad=0.5"),
    ],
)
@pytest.mark.parametrize("lit", [True, False])
def test_an_arrow_runs_from_side_to_side(
    start: Any, end: Any, here: Any, there: Any, bend: str, lit: bool
) -> None:
    """Lit where both ends changed."""
    axes = MagicMock()
    picture._draw_arrow(axes, start, end, lit=lit)
    text, head, tail = axes.annotate.call_args.args
    how = axes.annotate.call_args.kwargs["arrowprops"]

    assert (text, head, tail) == ("", pytest.approx(there), pytest.approx(here))
    assert how == {
        "arrowstyle": "-|>", "color": ORANGE if lit else "#b7bdc4", "lw": 1.6 if lit else 0.8,
        "connectionstyle": bend,
    }  # fmt: skip


def test_a_long_name_in_a_box_has_two_lines() -> None:
    """Of 27 letters; the levels of 13."""
    long = findings(problem=SimpleNamespace(factors=(factor("lot", "very " * 20),)))
    axes = MagicMock()
    picture._draw_node(axes, long, "lot", (0.0, 0.0))
    lines = axes.text.call_args.args[2].splitlines()
    assert (len(lines), max(map(len, lines)) <= 27, lines[-1].endswith(" …")) == (2, True, True)
    changed = findings(differed=(item("lot", "A" * 30, "B" * 30, "kg"),))
    picture._draw_node(axes, changed, "lot", (0.0, 0.0))
    assert axes.text.call_args.args[2] == f"lot\n{'A' * 13} → {'B' * 13} kg"


def test_a_chart_shows_plates_limits_and_what_is_beyond() -> None:
    """In per cent; the step where its line stands."""
    own = chart((0.0, 0.01, 0.0, 0.01, 0.0, 0.3, 0.01, 0.0, 0.01, 0.0), Since("P4", 0.2, 4, 6, 0.01))
    line = Signal("since", "ASA: since plate P4 …", 0.01, shown=True)
    figure = picture.draw_watch(a_watch(charts=(own,), signals=(line,)))[0]
    (axes,) = figure.axes
    drawn = lines_of(axes)

    assert drawn[0] == (list(range(10)), pytest.approx([100 * each for each in own.residuals]), BLUE)
    levels = [y[0] for x, y, _ in drawn[1:] if x == [0, 1]]
    assert levels == pytest.approx([100 * own.individuals.low, 100 * own.individuals.high, 0.0])
    marked = [int(plate[1:]) for plate in own.beyond]
    assert [(x[0], y[0]) for x, y, colour in drawn if len(x) == 1 and colour == ORANGE] == [
        (n, pytest.approx(100 * own.residuals[n])) for n in marked
    ]
    assert [text.get_text() for text in axes.texts] == list(own.beyond)
    assert [x for x, y, _ in drawn if y == [0, 1] and x[0] == x[1]] == [[3.5, 3.5]]
    assert (axes.get_ylabel(), axes.get_title(loc="left")) == ("%", "ASA")
    assert figure.get_suptitle() == "tensile.strength"
    assert tuple(figure.get_size_inches()) == pytest.approx((10, 2.4))
    unlit = replace(line, shown=False)
    (axes,) = picture.draw_watch(a_watch(charts=(own,), signals=(unlit,), fraction=False))[0].axes
    assert [x for x, y, _ in lines_of(axes) if y == [0, 1] and x[0] == x[1]] == []
    assert axes.get_ylabel() == "MPa"
    assert lines_of(axes)[0][1] == pytest.approx(list(own.residuals))


@pytest.mark.parametrize(("count", "every"), [(12, 1), (23, 1), (24, 2), (40, 3)])
def test_plates_are_named_as_far_as_there_is_room(count: int, every: int) -> None:
    """About twelve names."""
    own = chart(tuple(0.01 * (n % 3) for n in range(count)))
    axes = picture.draw_watch(a_watch(charts=(own,)))[0].axes[0]
    assert [label.get_text() for label in axes.get_xticklabels()] == list(own.plates[::every])


def test_those_charts_are_drawn_that_have_a_line_then_others(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twelve of them, here three; the others are counted."""
    assert picture._MOST_CHARTS == 12
    monkeypatch.setattr(picture, "_MOST_CHARTS", 3)
    charts = tuple(chart(STEPPED, material=f"M{n:02d}") for n in range(5))
    line = Signal("trend", "M04: drifts", 0.01, shown=True)
    figure = picture.draw_watch(a_watch(charts=charts, signals=(line,)))[0]
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert titles == ["M04", "M00", "M01"]
    assert figure.get_suptitle() == "tensile.strength (2 more materials are not drawn)"
    assert tuple(figure.get_size_inches()) == pytest.approx((10, 2.2 * 3))
    reader = replace(line, kind="reader")
    figure = picture.draw_watch(a_watch(charts=charts, signals=(reader,)))[0]
    assert figure.axes[0].get_title(loc="left") == "M00"
