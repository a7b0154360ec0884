"""Each rule of a look over a book by itself, against plain loops and SciPy, on a few numbers each."""

from __future__ import annotations

import math
from dataclasses import replace
from importlib import import_module
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from tests.why.simulated import STRENGTH
from tracker.statistics import ewma, shewhart_individuals, variance_components
from tracker.why import Factor, Observation, Question
from tracker.why.design import Scale, build
from tracker.why.watch import (
    FALSE,
    PlateChart,
    ReaderLevel,
    Records,
    Signal,
    Since,
    Watch,
    _Book,
    _charts,
    _Fit,
    _improbable,
    _largest_step,
    _over_time,
    _plate_signals,
    _precisions,
    _reader_rows,
    _reader_signals,
    _readers,
    _result_signals,
    _step,
    _trend,
    _worst_plate,
    screened,
    watch,
)

_watch = import_module("tracker.why.watch")
"""The module: the package gives a function of that name."""

NEWTON = Question("snap.force", "N", positive=False)
"""A quantity that has no logarithm: what is found is in the unit."""


def a_watch(*signals: Signal, question: Question = STRENGTH, fraction: bool = True, **more: Any) -> Watch:
    """Return a watch that found these lines."""
    return Watch(question, fraction, (), (), (), (), signals, **more)


def a_chart(residuals: list[float], since: Since | None = None) -> PlateChart:
    """Return the chart of plates P0, P1 … with these residuals."""
    names = tuple(f"P{i}" for i in range(len(residuals)))
    individuals = shewhart_individuals(residuals)
    average = ewma(residuals, centre=0.0, sigma=individuals.sigma)
    return PlateChart("PETG-1", names, tuple(residuals), individuals, average, since)


def pieces(plate: str, values: list[float], **how: Any) -> list[Observation]:
    """Return results of one plate, which share what is recorded."""
    known = how.pop("factors", {})
    usual = {"material": "M", "plate": plate, "factors": known, **how}
    return [
        Observation(f"{plate}-{i}", "snap.force", value, specimen=f"{plate}/{i}", **usual)
        for i, value in enumerate(values)
    ]


# Which lines are shown


def test_lines_are_shown_up_to_the_largest_rank_that_passes() -> None:
    """Benjamini and Hochberg by hand: where p(k) <= 0.04 k / 5 holds of one rank, all before it are shown."""
    # Ranks 1 to 5 may reach 0.008, 0.016, 0.024, 0.032, 0.04: the first passes by the third alone.
    charts = [
        a_watch(Signal("plate", "a", 0.024), Signal("since", "b", 0.009)),
        a_watch(Signal("reader", "c", 0.5), Signal("result", "d", 0.02), Signal("trend", "e", 0.0321)),
    ]
    shown = {signal.text: signal.shown for each in screened(charts) for signal in each.signals}

    assert shown == {"a": True, "b": True, "c": False, "d": True, "e": False}


@pytest.mark.parametrize(("p", "shown"), [(FALSE, True), (FALSE * 1.001, False)])
def test_a_single_line_is_held_to_the_whole_rate(p: float, shown: bool) -> None:
    """One in twenty-five."""
    assert FALSE == 0.04
    assert screened([a_watch(Signal("plate", "a", p))])[0].signals[0].shown is shown
    assert screened([]) == []
    assert screened([a_watch()])[0].signals == ()


def test_sentences_name_the_quantity_and_what_was_looked_over() -> None:
    """Without a line that is shown it is said that nothing stands out; wrapped lines hang."""
    some = a_watch(
        Signal("plate", "one.", 0.1, shown=True), Signal("plate", "two.", 0.1), looked_at="of 5 plates"
    )
    long = a_watch(Signal("plate", "word " * 20, 0.1, shown=True))

    assert some.sentences() == ["tensile.strength: one.", "tensile.strength: of 5 plates."]
    assert a_watch().sentences() == ["tensile.strength: nothing stands out."]
    assert {len(line) <= 40 for line in long.sentences(width=10)} == {True}
    assert long.sentences(width=10) == long.sentences(width=40) != long.sentences(width=41)
    assert [line[:2] == "  " for line in long.sentences(width=40)] == [False, True, True, True]
    assert max(map(len, long.sentences())) > 70


def test_plates_beyond_either_chart_are_named_once_in_order() -> None:
    """Those outside Shewhart's limits, those outside the moving average's, and those outside both."""
    chart = a_chart([0.0] * 6 + [1.0])
    individuals = replace(chart.individuals, beyond=(4, 1))
    average = replace(ewma([1.0], centre=0.0, sigma=1.0), beyond=(2, 4))

    assert replace(chart, individuals=individuals, average=average).beyond == ("P1", "P2", "P4")


@pytest.mark.parametrize(("low", "high", "differs"), [(0.0, 1.0, False), (0.1, 1.0, True), (-1.0, 0.0, False),
                                                      (-1.0, -0.1, True), (-1.0, 1.0, False)])  # fmt: skip
def test_a_reader_differs_where_its_interval_leaves_zero_out(low: float, high: float, differs: bool) -> None:
    """An interval that ends at zero holds it."""
    assert ReaderLevel("rig", "R1", 3, 0.5, low, high).differs is differs


# Steps, trends, and the worst plate


def by_every_cut(values: np.ndarray) -> tuple[float, int]:
    """Return the largest standardised difference of means, and its cut, by trying each."""
    n = len(values)
    sizes = [
        (abs(values[:cut].mean() - values[cut:].mean()) / math.sqrt(1 / cut + 1 / (n - cut)), cut)
        for cut in range(2, n - 1)
    ]
    return max(sizes, key=lambda pair: (pair[0], -pair[1]))


@pytest.mark.parametrize("n", [4, 5, 6, 9, 16])
def test_the_largest_step_is_that_of_trying_every_cut(n: int) -> None:
    """Of each row by itself; at either end two plates are wanted."""
    rows = np.random.default_rng(n).normal(0, 1, (6, n))
    rows[0, 0] = rows[1, -1] = 50.0
    sizes, cuts = _largest_step(rows)

    plain = [by_every_cut(row) for row in rows]
    assert sizes == pytest.approx([size for size, _ in plain], rel=1e-12)
    assert cuts.tolist() == [cut for _, cut in plain]


def test_six_plates_are_the_fewest_that_are_looked_at_for_a_step() -> None:
    """Of five nothing is told, of six the cut, the plates on both sides and the change."""
    values = [0.01, 0.02, 0.015, 0.11, 0.13, 0.12]
    found = _step("abcdef", values)

    assert _step("abcde", values[:5]) is None
    assert found is not None
    assert (found.plate, found.before, found.after) == ("d", 3, 3)
    assert found.change == pytest.approx(0.12 - 0.015)


def test_a_step_that_shuffles_see_often_has_their_share() -> None:
    """(1 + larger) / (shuffles + 1), of 199 where these show nothing and of 1999 where they may; never 0."""
    rng = np.random.default_rng(5)
    nothing = rng.normal(0, 1, 12).tolist()
    p = _step([str(i) for i in range(12)], nothing).p  # type: ignore[union-attr]
    something = [*rng.normal(0, 1, 8), *rng.normal(1.2, 1, 8)]
    q = _step([str(i) for i in range(16)], something).p  # type: ignore[union-attr]

    assert p > 0.15
    assert p * 200 == pytest.approx(round(p * 200))
    assert q < 0.15
    assert q * 2000 == pytest.approx(round(q * 2000))
    # The share of all orders, by many more shuffles than are made there.
    for values, found in ((nothing, p), (something, q)):
        seen = by_every_cut(np.array(values))[0]
        orders = np.random.default_rng(1).permuted(np.tile(values, (4000, 1)), axis=1)
        share = float(np.mean(_largest_step(orders)[0] >= seen * (1 - 1e-12)))
        assert found == pytest.approx(share, abs=0.12 if found > 0.15 else 0.03)


def test_beyond_all_shuffles_a_t_test_of_every_cut_bounds_the_step() -> None:
    """Student's t of the two sides, pooled scatter, times the n - 3 cuts that it was picked from (SciPy)."""
    calm = np.random.default_rng(3).normal(0, 0.01, 20)
    values = [*calm[:8], *(calm[8:] + 0.2)]
    found = _step([str(i) for i in range(20)], values)

    assert found is not None
    assert found.before == 8
    assert found.p == pytest.approx(17 * stats.ttest_ind(values[:8], values[8:]).pvalue, rel=1e-6)


@pytest.mark.parametrize("n", [3, 4, 8, 15])
def test_a_trend_is_the_straight_line_through_the_plates(n: int) -> None:
    """Slope over the whole run and two-sided probability as SciPy's regression gives them."""
    values = np.random.default_rng(n).normal(0, 1, n) + np.arange(n) * 0.3
    slope, p = _trend(values.tolist(), 1.0)
    plain = stats.linregress(np.arange(n), values)

    assert slope == pytest.approx(plain.slope * (n - 1))
    assert p == pytest.approx(plain.pvalue, rel=1e-9)


def test_a_fit_that_took_degrees_of_freedom_leaves_fewer_to_a_trend() -> None:
    """The scatter is widened by the part that is left, and Student's t has that part of n - 2, at least 1."""
    values = np.random.default_rng(2).normal(0, 1, 10) + np.arange(10) * 0.2
    plain = stats.linregress(np.arange(10), values)
    for free in (0.5, 0.25, 0.1):
        slope, p = _trend(values.tolist(), free)
        t = abs(plain.slope / plain.stderr) * math.sqrt(free)
        assert slope == pytest.approx(plain.slope * 9)
        assert p == pytest.approx(2 * stats.t.sf(t, max(8 * free, 1.0)), rel=1e-9)
    flat = _trend([1.0, 1.0, 1.0, 1.0], 1.0)
    assert flat == (0.0, 1.0)


def test_the_worst_plate_is_held_against_the_others_alone() -> None:
    """An externally studentised residual: SciPy's t with the degrees of freedom left, times the plates."""
    chart = a_chart([0.01, -0.02, 0.03, 0.0, 0.01, -0.01])
    z = np.array([0.2, -2.1, 0.5, 1.0, -0.3, 0.1])
    for free in (1.0, 0.6):
        name, p = _worst_plate(chart, z, free)
        left = 5 * free
        t = math.sqrt(2.1**2 * (left - 1) / (left - 2.1**2)) if left > 2.1**2 else math.sqrt(
            0.98 * left * (left - 1) / (0.02 * left)
        )  # fmt: skip
        assert name == "P1"
        assert p == pytest.approx(min(1.0, 6 * 2 * stats.t.sf(t, left - 1)), rel=1e-9)
    # Two degrees are the fewest that are reckoned with, and a probability is one at most.
    assert _worst_plate(chart, z, 0.1)[1] == pytest.approx(min(1.0, 12 * stats.t.sf(7.0, 1.0)))
    assert _worst_plate(chart, z * 0.01, 1.0)[1] == 1.0


def test_four_plates_are_the_fewest_of_which_one_is_the_worst() -> None:
    """Three others give a scatter, two do not."""
    z = np.array([0.1, -3.0, 0.2, 0.4])

    assert _worst_plate(a_chart([0.0, 0.1, 0.2]), z[:3], 1.0) == (None, 1.0)
    assert _worst_plate(a_chart([0.0, 0.1, 0.2, 0.1]), z, 1.0)[0] == "P1"


# The lines


def test_a_step_and_a_trend_are_one_line_with_twice_the_smaller_probability() -> None:
    """That which takes more out of the scatter is told; both ways are counted."""
    flat = [0.0, 0.01, -0.01, 0.0, 0.1, 0.11, 0.09, 0.1]
    step = _step([f"P{i}" for i in range(8)], flat)
    assert step is not None
    told = _over_time(a_watch(), a_chart(flat, step), step, 1.0)
    slope, p = _trend(flat, 1.0)
    rise = [0.02 * i for i in range(8)]
    other = _step([f"P{i}" for i in range(8)], rise)
    assert other is not None
    line = _over_time(a_watch(question=NEWTON, fraction=False), a_chart(rise, other), other, 1.0)

    assert told.kind == "since"
    assert (
        told.text
        == "PETG-1: since plate P4 all reads +10.0 % (4 plates against 4 before). What changed then?"
    )
    assert told.p == pytest.approx(2 * min(p, step.p))
    assert slope != 0
    assert line.kind == "trend"
    assert line.text == "PETG-1: drifts by +0.14 N from the first plate to the last."
    level = a_chart([0.0, 0.1, 0.1, 0.0, 0.1, 0.0, 0.0, 0.1], step)
    assert _over_time(a_watch(), level, replace(step, p=0.9), 1.0).p == 1.0


def test_a_step_as_large_as_a_trend_is_told_as_a_step() -> None:
    """The squares that each takes out decide: slope² × Σx² against change² × before × after / n."""
    values = [0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0, 1.0]
    chart = a_chart(values)
    x = np.linspace(-0.5, 0.5, 8)
    slope = float(x @ np.array(values) / (x @ x))
    change = abs(slope) * math.sqrt(float(x @ x) * 8 / (3 * 5))
    for factor, kind in ((0.999, "trend"), (1.001, "since")):
        since = Since("P3", change * factor, 3, 5, 0.5)
        assert _over_time(a_watch(), chart, since, 1.0).kind == kind


def a_book(
    observations: list[Observation], factors: tuple[Factor, ...] = (), question: Question = NEWTON
) -> _Book:
    """Return results with their columns and sums."""
    return _Book.of(question, factors, Records.of(observations).usable())


def a_fit(book: _Book, **more: Any) -> Any:
    """Return what of a fit is asked of, by hand."""
    k, n = len(book.plates), len(book.y)
    usual = {"left": np.zeros(n), "effect": np.zeros(book.design.x.shape[1]), "plate_sd": np.full(k, 0.1),
             "z": np.zeros(n), "missed": np.zeros(n), "free": 1.0, "plate_z": np.zeros(k)}  # fmt: skip
    return SimpleNamespace(**{**usual, **more})


def test_the_line_of_a_plate_says_how_far_and_where_the_limits_are() -> None:
    """Only a plate beyond the limits is said to be; a chart without four plates has no line of a plate."""
    book = a_book([o for i in range(10, 30) for o in pieces(f"P{i}", [float(i)], order=float(i))])
    z = np.where(np.arange(20) == 3, 2.0, 0.0)
    for far, beyond in ((9.0, True), (0.15, False)):
        residuals = [far if i == 3 else 0.1 * (i % 2) for i in range(20)]
        chart = replace(a_chart(residuals), material="M")
        assert ("P3" in chart.beyond) is beyond
        found = replace(a_watch(question=NEWTON, fraction=False), charts=(chart,))
        signals = _plate_signals(found, book, a_fit(book, plate_z=z))
        low, high = _in_n(chart.individuals.low), _in_n(chart.individuals.high)
        limits = f", outside the control limits ({low} to {high})"
        assert [signal.kind for signal in signals] == ["plate"]
        assert (
            signals[0].text == f"M: P3 reads {_in_n(residuals[3])} off{limits if beyond else ''}. Look at it."
        )
        assert signals[0].p == pytest.approx(_worst_plate(chart, z, 1.0)[1])
    three = replace(a_chart([0.0, 1.0, 0.0]), material="M")
    few = a_book([o for i in range(3) for o in pieces(f"P{i}", [10.0 + i])])
    assert _plate_signals(replace(found, charts=(three,)), few, a_fit(few)) == []


def _in_n(value: float) -> str:
    """Return two significant digits with a sign."""
    digits = max(1 - math.floor(math.log10(abs(value))), 0)
    return f"{value:+.{digits}f} N".replace("-", "\N{MINUS SIGN}")


def test_of_each_kind_of_reader_those_that_differ_are_in_one_line() -> None:
    """Beside the one that stands farthest; its probability counts the comparisons it was picked from."""
    levels = (
        ReaderLevel("rig", "R1", 4, 0.05, 0.02, 0.08, 2.0),
        ReaderLevel("rig", "R2", 5, -0.01, -0.03, 0.02, -0.5),
        ReaderLevel("rig", "R3", 3, -0.06, -0.09, -0.03, -3.0),
        ReaderLevel("operator", "Bo", 9, 0.01, -0.01, 0.03, 0.4),
        ReaderLevel("operator", "Al", 8, -0.01, -0.03, 0.01, -0.3),
    )
    rig, operator = _reader_signals(replace(a_watch(), readers=levels), 40)

    assert rig.kind == operator.kind == "reader"
    assert rig.text == (
        "rig R1 reads +5.0 % against all (95 % interval +2.0 % to +8.0 %, 4 plates); "
        "rig R3 reads -6.0 % against all (95 % interval -9.0 % to -3.0 %, 3 plates)."
    ).replace("-", "\N{MINUS SIGN}")
    assert rig.p == pytest.approx(2 * 2 * stats.t.sf(3.0, 4 + 5 + 3 - 2))
    assert operator.text.startswith("operator Bo reads +1.0 % against all")
    assert ";" not in operator.text
    assert operator.p == pytest.approx(2 * stats.t.sf(0.4, 15))
    # Where there are fewer results than plates were read, they bound it; one degree of freedom is the least.
    assert _reader_signals(replace(a_watch(), readers=levels[:3]), 7)[0].p == pytest.approx(
        4 * stats.t.sf(3.0, 5)
    )
    assert _reader_signals(replace(a_watch(), readers=levels[:3]), 2)[0].p == pytest.approx(
        4 * stats.t.sf(3.0, 1)
    )
    assert _reader_signals(a_watch(), 7) == []


def test_results_that_are_least_foreseen_have_a_line_each() -> None:
    """Every one that is improbable among so many, the least probable first; else the least foreseen alone."""
    book = a_book([o for i in range(5) for o in pieces(f"P{i}", [10.0, 11.0, 12.0, 13.0])])
    z = np.zeros(20)
    z[[3, 8, 9]] = [9.0, -6.0, 1.0]
    z[0] = math.nan
    missed = np.zeros(20)
    missed[[3, 8]] = [0.5, -0.25]
    signals = _result_signals(a_watch(question=NEWTON), book, a_fit(book, z=z, missed=missed))
    unit = book.design.scale.unit
    value = 13.0 - 0.5 * unit

    assert [signal.kind for signal in signals] == ["result", "result"]
    assert [signal.p for signal in signals] == pytest.approx(
        [20 * 2 * stats.t.sf(9, 15), 40 * stats.t.sf(6, 15)]
    )
    assert signals[0].text == (
        f"P0-3 (P0/3) reads 13.0 where {value:.2f} N was to be expected (9.0 standard deviations). Trace it."
    )
    assert "(6.0 standard deviations)" in signals[1].text
    quiet = _result_signals(a_watch(question=NEWTON), book, a_fit(book, z=np.where(z == 1.0, 3.5, 0.0)))
    assert [signal.text[:4] for signal in quiet] == ["P2-1"]
    assert quiet[0].p == pytest.approx(40 * stats.t.sf(3.5, 15))


def test_a_result_without_a_piece_is_named_by_its_plate_and_one_degree_is_the_least() -> None:
    """As many plates as results leave no degree of freedom; one is reckoned with."""
    book = a_book([replace(o, specimen="") for i in range(3) for o in pieces(f"P{i}", [10.0 + i])])
    signal = _result_signals(a_watch(question=NEWTON), book, a_fit(book, z=np.array([0.0, 2.5, 0.0])))[0]

    assert signal.text.startswith("P1-0 (P1) reads 11.0 where 11.0 N was to be expected (2.5 ")
    assert signal.p == pytest.approx(min(1.0, 3 * 2 * stats.t.sf(2.5, 1)))


def test_results_are_listed_where_a_twentieth_of_one_was_to_be_expected() -> None:
    """The normal distribution's probability times the results, least first; in a unit and as a factor."""
    book = a_book([o for i in range(5) for o in pieces(f"P{i}", [10.0, 11.0, 12.0, 13.0])])
    edge = stats.norm.isf(0.05 / 20 / 2)
    z = np.zeros(20)
    z[[2, 5, 7]] = [edge * 1.0001, -8.0, edge * 0.9999]
    found = _improbable(book, a_fit(book, z=z, missed=z / 10))
    log = a_book(
        [o for i in range(5) for o in pieces(f"P{i}", [10.0, 11.0, 12.0, 13.0])],
        question=replace(NEWTON, positive=True),
    )

    assert [(each.result_id, each.specimen, each.plate, each.value) for each in found] == [
        ("P1-1", "P1/1", "P1", 11.0), ("P0-2", "P0/2", "P0", 12.0),
    ]  # fmt: skip
    assert [each.p for each in found] == pytest.approx([2 * stats.norm.sf(8.0), 0.05 / 20], rel=1e-3)
    assert found[0].z == -8.0
    assert found[0].expected == pytest.approx(11.0 + 0.8 * book.design.scale.unit)
    assert _improbable(log, a_fit(log, z=z, missed=z / 10))[0].expected == pytest.approx(11.0 * math.exp(0.8))


# What the fit is made of


def test_results_of_one_plate_that_share_what_is_recorded_make_a_cell() -> None:
    """By material, plate, bound and the mapping itself; results stand in the order of their IDs."""
    known = {"rig": "R1"}
    one, two = pieces("P1", [3.0, 4.0], factors=known), pieces("P0", [1.0, 2.0], factors=known)
    bound = pieces("P2", [9.0], censored="above")
    records = Records.of(
        [
            *one,
            *bound,
            replace(two[0], factors=dict(known)),
            two[1],
            replace(two[1], material="N", result_id="P0-7"),
        ]
    )

    assert records.values.tolist() == [1.0, 2.0, 2.0, 3.0, 4.0, 9.0]
    assert records.cell.tolist() == [0, 1, 2, 3, 3, 4]
    assert list(records.cells.value) == [1.0, 2.0, 2.0, 3.0, 9.0]
    assert list(records.cells.bound) == [False, False, False, False, True]
    assert records.name(4) == ("P1-1", "P1/1")


def test_bounds_and_what_is_no_number_have_no_residual() -> None:
    """Cells without a usable result go; names follow."""
    rows = [
        *pieces("P0", [math.nan]),
        *pieces("P1", [5.0], censored="below"),
        *pieces("P2", [6.0, math.inf, 7.0]),
    ]
    used = Records.of(rows).usable()

    assert used.values.tolist() == [6.0, 7.0]
    assert used.cell.tolist() == [0, 0]
    assert list(used.cells.value) == [6.0]
    assert [used.name(row)[0] for row in (0, 1)] == ["P2-0", "P2-2"]


def test_plates_stand_by_material_and_in_order_of_time() -> None:
    """A job of two materials is two plates; a plate has its cells' earliest time; unknown times last."""
    rows = [
        *pieces("J2", [1.0, 2.0], material="A", order=5.0), *pieces("J1", [3.0], material="A", order=None),
        *pieces("J0", [4.0], material="A"), *pieces("J2", [math.nan] * 3 + [5.0], material="B", order=5.0),
        *pieces("J3", [6.0], material="A", order=1.0),
        *pieces("J2", [math.nan, math.nan, 9.0], material="A", factors={"rig": "R"}, order=0.5),
    ]  # fmt: skip
    book = a_book(rows)

    assert book.plates == ("J0", "J1", "J2", "J3", "J2")
    assert book.material.tolist() == [0, 0, 0, 0, 1]
    assert book.order.tolist() == [math.inf, math.inf, 0.5, 1.0, 5.0]
    assert [book.plates[j] for j in book.in_order(0)] == ["J2", "J3", "J0", "J1"]
    assert book.in_order(1) == [4]
    assert book.y.sum() == pytest.approx(0.0, abs=1e-12)
    # J0-0, J1-0, J2-0, J2-1, J2-2 and, of the other material, J2-3, J3-0.
    assert book.plate_means(np.array([10.0, 20, 30, 40, 50, 60, 70])).tolist() == [
        10.0,
        20.0,
        40.0,
        70.0,
        60.0,
    ]


RIG = Factor("rig", kind="category")
DAY = Factor("day", kind="number", span=1.0)


def read_rows() -> list[Observation]:
    """Return six plates of three rigs, two of each but that R2 also read a piece of P0."""
    rows = [
        o
        for i in range(6)
        for o in pieces(f"P{i}", [10.0 + i, 10.5 + i], factors={"rig": f"R{i % 3}", "day": float(i)})
    ]
    return [
        *rows,
        *[replace(o, result_id="P0-9") for o in pieces("P0", [9.0], factors={"rig": "R2", "day": 0.0})],
    ]


def test_readers_are_held_against_the_mean_of_all_levels() -> None:
    """Categories alone, and those that were asked for: 1/√2 at its own column less a level's share of all."""
    book = a_book(read_rows(), (RIG, DAY))
    rows, names = _reader_rows(book.design, ("rig", "day", "operator"))
    own = book.design.columns_of("rig")

    assert sorted(names) == [("rig", "R0"), ("rig", "R1"), ("rig", "R2")]
    assert rows.shape == (3, 4)
    for row, (_, level) in zip(rows, names, strict=True):
        at = [i for i in own if book.design.levels[i] == level]
        assert row[at] == pytest.approx([math.sqrt(0.5) * (1 - 1 / 3)])
        assert row.sum() == pytest.approx(0.0, abs=1e-12)
        assert row[book.design.columns_of("day")].tolist() == [0.0]
    assert _reader_rows(book.design, ("day",))[0].shape == (0, 4)


def test_which_plates_each_reader_has_read() -> None:
    """A plate that two have read counts for both; what is not recorded is a reader of its own."""
    book = a_book(read_rows(), (RIG,))

    assert book.read_by("rig") == {"R0": [0, 3], "R1": [1, 4], "R2": [0, 2, 5]}
    assert book.read_by("operator") == {"None": [0, 1, 2, 3, 4, 5]}


def test_a_reader_has_the_mixtures_mean_over_its_spread() -> None:
    """By the law of total variance; the interval by the mixture's quantiles, in the unit or as a factor."""
    book = a_book(read_rows(), (RIG,))
    posterior: Any = SimpleNamespace(
        weight=np.array([0.25, 0.75]),
        mean=np.array([[0.02], [0.04]]),
        variance=np.array([[0.0004], [0.0009]]),
    )
    for log in (False, True):
        scaled = replace(book, design=replace(book.design, scale=Scale(log, 1.0 if log else 5.0)))
        (found,) = _readers([("rig", "R2")], scaled, posterior)
        mean = 0.25 * 0.02 + 0.75 * 0.04
        spread = 0.25 * (0.0004 + (0.02 - mean) ** 2) + 0.75 * (0.0009 + (0.04 - mean) ** 2)

        def cdf(x: float) -> float:
            return float(0.25 * stats.norm.cdf((x - 0.02) / 0.02) + 0.75 * stats.norm.cdf((x - 0.04) / 0.03))

        back = [math.log1p(each) if log else each / 5.0 for each in (found.low, found.delta, found.high)]
        assert [cdf(each) for each in back] == pytest.approx([0.025, 0.5, 0.975], abs=2e-4)
        assert found.z == pytest.approx(mean / math.sqrt(spread))
        assert (found.factor, found.level, found.plates) == ("rig", "R2", 3)
    assert _readers([], book, posterior) == ()


def test_precision_is_of_plate_means_with_the_readers_own_effect_put_back() -> None:
    """ISO 5725-2 components of plate means by level, where a level has read more than one plate."""
    book = a_book(read_rows(), (RIG, DAY))
    rng = np.random.default_rng(4)
    left, effect = rng.normal(0, 1, len(book.y)), rng.normal(0, 1, 4)
    fit = a_fit(book, left=left, effect=effect)
    (found,) = _precisions(("rig", "operator"), book, fit)
    put_back = [
        value + sum(book.design.x[cell, c] * effect[c] for c in book.design.columns_of("rig"))
        for value, cell in zip(left, book.records.cell, strict=True)
    ]
    means = [
        np.mean([v for v, p in zip(put_back, book.plate, strict=True) if p == j]) * book.design.scale.unit
        for j in range(6)
    ]
    parts = variance_components([[means[0], means[3]], [means[1], means[4]], [means[0], means[2], means[5]]])

    assert found.factor == "rig"
    assert (found.within, found.between) == pytest.approx((parts.s_r, parts.s_l))
    once = a_book([o for o in read_rows() if o.plate in ("P0", "P1", "P2") and o.result_id != "P0-9"], (RIG,))
    assert _precisions(("rig",), once, a_fit(once)) == ()
    assert _precisions((), book, fit) == ()


def test_charts_are_of_plate_means_in_the_unit() -> None:
    """Three plates of a material are the fewest; neighbours that agree fall back on the fit's own scatter."""
    rows = [
        *[o for i in range(3) for o in pieces(f"P{i}", [10.0 + i % 2, 11.0 + i], order=-float(i))],
        *[o for i in range(2) for o in pieces(f"Q{i}", [5.0], material="rare")],
    ]  # fmt: skip
    book = a_book(rows)
    left = np.array([1.0, 2, 3, 4, 5, 6, 7, 8])
    (chart,) = _charts(book, a_fit(book, left=left))
    unit = book.design.scale.unit

    assert (chart.material, chart.plates, chart.since) == ("M", ("P2", "P1", "P0"), None)
    assert chart.residuals == pytest.approx([5.5 * unit, 3.5 * unit, 1.5 * unit])
    assert chart.individuals == shewhart_individuals(chart.residuals)
    assert chart.average == ewma(chart.residuals, centre=0.0, sigma=chart.individuals.sigma)
    (even,) = _charts(book, a_fit(book, left=np.ones(8), plate_sd=np.array([0.1, 0.3, 0.2, 9.0, 9.0])))
    assert even.average == ewma([unit] * 3, centre=0.0, sigma=0.2)


def fitted(book: _Book, sigma: float, rho: float, kappa: float) -> _Fit:
    """Return a fit at one set of scatters: a mixture of one, whose geometric means they are."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(_watch, "typical_scatters", lambda _: (sigma, rho, kappa))
        return _Fit.at(book, SimpleNamespace())  # type: ignore[arg-type]


def test_a_fit_without_factors_is_that_of_a_random_plate() -> None:
    """Against n x n matrices: V = σ²(I + t ZZ'), the mean flat, P = V⁻¹ less what the mean explains."""
    rng = np.random.default_rng(6)
    rows = [
        o
        for i in range(5)
        for o in pieces(f"P{i}", (10 + rng.normal(0, 1, 2 + i % 3) + rng.normal(0, 1)).tolist())
    ]
    book = a_book(rows)
    sigma, rho, kappa = 0.07, 0.8, 1.3
    fit = fitted(book, sigma, rho, kappa)
    n, plate = len(book.y), book.plate
    same = (plate[:, None] == plate[None, :]).astype(float)
    inverse = np.linalg.inv(np.eye(n) + rho**2 * same)
    one = np.ones(n)
    p = inverse - np.outer(inverse @ one, inverse @ one) / (one @ inverse @ one)
    residual = p @ book.y
    counts = np.bincount(plate)

    assert fit.left == pytest.approx(book.y - (one @ inverse @ book.y) / (one @ inverse @ one))
    assert fit.missed == pytest.approx(residual / np.diag(p))
    assert fit.z == pytest.approx(residual / (sigma * np.sqrt(np.diag(p))))
    shifts = [(residual[plate == j].sum(), p[np.ix_(plate == j, plate == j)].sum()) for j in range(5)]
    assert fit.plate_z == pytest.approx([score / (sigma * math.sqrt(of)) for score, of in shifts])
    assert fit.plate_sd == pytest.approx(sigma * np.sqrt(rho**2 + 1 / counts))
    assert fit.free == pytest.approx(1.0)
    assert len(fit.effect) == 0


def test_what_fitting_the_factors_took_is_not_free_any_more() -> None:
    """Effective parameters are the columns less their prior's share; a tenth is the least that is left."""
    rows = [o for i in range(8) for o in pieces(f"P{i}", [10.0 + i % 3, 10.2], factors={"day": float(i * i)})]
    book = a_book(rows, (DAY,))
    for kappa, rho in ((0.02, 0.5), (50.0, 0.5)):
        fit = fitted(book, 0.1, rho, kappa)
        n = len(book.y)
        inverse = np.linalg.inv(np.eye(n) + rho**2 * (book.plate[:, None] == book.plate[None, :]))
        one, x = np.ones(n), build(NEWTON, (DAY,), rows).x[:, 0]
        xx = x @ inverse @ x - (one @ inverse @ x) ** 2 / (one @ inverse @ one)
        took = xx / (xx + kappa**-2)
        assert fit.free == pytest.approx((7 - took) / 7, rel=1e-9)
    many = tuple(Factor(f"f{i}", span=1e-3) for i in range(8))
    crowded = [
        o
        for i in range(4)
        for o in pieces(
            f"P{i}", [10.0 + i, 10.2], factors={f"f{j}": float((i * (j + 3)) % 7) for j in range(8)}
        )
    ]
    few = a_book(crowded, many)

    assert fitted(few, 0.1, 0.5, 5.0).free == 0.1


def test_a_result_that_alone_fixes_an_effect_is_held_against_nothing() -> None:
    """A material of a single result has no residual of its own, and is not listed."""
    rows = [
        *[o for i in range(4) for o in pieces(f"P{i}", [10.0, 11.0 + i])],
        *pieces("Q", [99.0], material="N"),
    ]
    found = watch(replace(NEWTON), (), [replace(o, quantity="snap.force") for o in rows])

    assert all(item.result_id != "Q-0" for item in found.improbable)
    assert found.fraction is False
    assert np.isnan(fitted(a_book(rows), 0.1, 1.0, 1.0).z).tolist() == [False] * 8 + [True]


def test_other_quantities_are_left_out() -> None:
    """A watch is of one quantity; three results are the fewest."""
    rows = [o for i in range(3) for o in pieces(f"P{i}", [10.0 + i])]
    other = [replace(o, quantity="snap.angle", result_id=f"a{o.result_id}", value=1e6) for o in rows]

    assert watch(NEWTON, (), [*rows, *other]) == watch(NEWTON, (), rows)
