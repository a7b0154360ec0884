"""The lines of a watch, each figure against another way to it: scipy, statsmodels, brute force, by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import permutations
from typing import Any

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests  # type: ignore[import-untyped]

from tests.why.simulated import STRENGTH
from tracker.statistics import ewma, shewhart_individuals
from tracker.why import Observation, Question
from tracker.why.watch import (
    Improbable,
    PlateChart,
    ReaderLevel,
    Records,
    Signal,
    Since,
    Watch,
    _amount,
    _largest_step,
    _over_time,
    _reader_signals,
    _step,
    _trend,
    _worst_plate,
    screened,
)

RISING = (0.02, -0.01, 0.03, 0.01, 0.05, 0.04, 0.07, 0.05)
STEPPED = (0.0, 0.01, -0.01, 0.005, 0.2, 0.21, 0.19, 0.205)


def chart(values: tuple[float, ...], since: Since | None = None, material: str = "ASA") -> PlateChart:
    """Return the chart of plates P0, P1 and so on."""
    names = tuple(f"P{n}" for n in range(len(values)))
    own = shewhart_individuals(list(values))
    return PlateChart(material, names, values, own, ewma(list(values), centre=0.0, sigma=own.sigma), since)


def a_watch(**changes: Any) -> Watch:
    """Return a watch of strengths that holds nothing yet."""
    return replace(Watch(STRENGTH, True, (), (), (), ()), **changes)


def test_a_trend_is_that_of_least_squares() -> None:
    """Rise from first to last and probability: scipy's linear regression, where fitting left everything."""
    slope, p = _trend(RISING, 1.0)
    theirs = stats.linregress(np.arange(8), RISING)

    assert slope == pytest.approx(theirs.slope * 7)
    assert p == pytest.approx(theirs.pvalue)


def test_what_fitting_took_widens_a_trend() -> None:
    """Half of the degrees of freedom are left: t falls by the root of that, on 3 in place of 6."""
    theirs = stats.linregress(np.arange(8), RISING)
    t = theirs.slope / theirs.stderr * math.sqrt(0.5)

    assert _trend(RISING, 0.5)[1] == pytest.approx(2 * stats.t.sf(t, 3))
    # One is left at least.
    assert _trend(RISING, 0.1)[1] == pytest.approx(
        2 * stats.t.sf(theirs.slope / theirs.stderr * math.sqrt(0.1), 1)
    )
    assert _trend((0.1,) * 8, 1.0) == (pytest.approx(0.0), 1.0)


def by_brute_force(values: tuple[float, ...]) -> tuple[float, int]:
    """Return the largest standardised difference of two means, at least two plates on each side."""
    n = len(values)
    gaps = {
        cut: abs(np.mean(values[:cut]) - np.mean(values[cut:])) * math.sqrt(cut * (n - cut) / n)
        for cut in range(2, n - 1)
    }
    best = max(gaps, key=lambda cut: gaps[cut])
    return float(gaps[best]), best


@pytest.mark.parametrize("values", [RISING, STEPPED, STEPPED[2:], (5.0, 0, 0, 0, 0, 0), (0, 0, 0, 0, 0, 5.0)])
def test_the_largest_step_is_that_of_brute_force(values: tuple[float, ...]) -> None:
    """Over all cuts that leave two plates before and after."""
    gap, cut = _largest_step(np.array([values, values[::-1]]))
    assert [(g, c) for g, c in zip(gap, cut, strict=True)] == [
        pytest.approx(by_brute_force(values)), pytest.approx(by_brute_force(values[::-1]))
    ]  # fmt: skip


def test_a_step_tells_the_means_on_both_sides() -> None:
    """After less before; six plates are the fewest."""
    names = [f"P{n}" for n in range(8)]
    found = _step(names, STEPPED)

    assert found is not None
    assert (found.plate, found.before, found.after) == ("P4", 4, 4)
    assert found.change == pytest.approx(0.20125 - 0.00125)
    assert _step(names[:6], STEPPED[:6]) is not None
    assert _step(names[:5], STEPPED[:5]) is None


def test_the_probability_of_a_step_is_its_share_among_all_orders() -> None:
    """Six plates have 720 orders: as large a step as here in a known part of them, by looking at all."""
    values = (0.0, 0.01, 0.03, 0.05, 0.04, 0.02)
    seen = by_brute_force(values)[0]
    every = _largest_step(np.array(list(permutations(values))))[0]
    share = float(np.mean(every >= seen * (1 - 1e-9)))
    found = _step([f"P{n}" for n in range(6)], values)

    assert found is not None
    assert found.p == pytest.approx(share, abs=0.05)
    assert found.p > 0.05


def test_a_step_that_no_order_reaches_has_the_bound_of_its_t_test() -> None:
    """Twenty plates: t of the two means, on 18 degrees of freedom, for each of 17 cuts."""
    rng = np.random.default_rng(4)
    values = np.concatenate([rng.normal(0, 0.01, 10), rng.normal(0.3, 0.01, 10)])
    found = _step([f"P{n:02d}" for n in range(20)], list(values))
    theirs = stats.ttest_ind(values[10:], values[:10])

    assert found is not None
    assert found.p == pytest.approx(17 * theirs.pvalue, rel=1e-6)


@pytest.mark.parametrize("free", [1.0, 0.6])
def test_the_worst_plate_is_studentised_by_the_others(free: float) -> None:
    """With m degrees of freedom left: t = z sqrt((m - 1) / (m - z²)), times the plates it was picked from."""
    z = np.array([0.3, -2.1, 0.9, 1.2, -0.4, 0.6, 0.1, -0.8])
    named, p = _worst_plate(chart(RISING), z, free)
    left = 7 * free
    square = min(2.1**2, 0.98 * left)
    t = math.sqrt(square * (left - 1) / (left - square))

    assert named == "P1"
    assert p == pytest.approx(min(1.0, 8 * 2 * stats.t.sf(t, left - 1)))


def test_of_three_plates_none_is_the_worst() -> None:
    """Two others give no scatter worth the name; three do. Two degrees of freedom are left at least."""
    assert _worst_plate(chart(RISING[:3]), np.array([0.1, 0.2, 1.6]), 1.0) == (None, 1.0)
    named, p = _worst_plate(chart(RISING[:4]), np.array([0.1, 0.2, 0.3, -1.3]), 0.1)
    t = math.sqrt(1.69 * (2 - 1) / (2 - 1.69))
    assert (named, p) == ("P3", pytest.approx(min(1.0, 8 * stats.t.sf(t, 1))))


@pytest.mark.parametrize(
    "p", [(0.001, 0.2, 0.012, 0.5, 0.03), (0.5, 0.6), (0.02, 0.0399, 0.039), (0.04,), (0.0401,), ()]
)
def test_lines_of_all_watches_are_adjusted_together(p: tuple[float, ...]) -> None:
    """As statsmodels does by Benjamini and Hochberg at 4 %, whichever watch a line stands in."""
    signals = tuple(Signal("plate", f"{n}", each) for n, each in enumerate(p))
    found = screened([a_watch(signals=signals[::2]), a_watch(signals=signals[1::2])])
    shown = {signal.text: signal.shown for each in found for signal in each.signals}
    theirs = multipletests(p, alpha=0.04, method="fdr_bh")[0] if p else []

    assert [shown[f"{n}"] for n in range(len(p))] == list(theirs)


def test_what_is_shown_is_told_with_its_quantity() -> None:
    """Only what stands; a sentence where nothing does, and what was looked at where that is not all."""
    lines = (Signal("plate", "one is off.", 0.01, shown=True), Signal("reader", "two.", 0.9))
    assert a_watch(signals=lines).sentences() == ["tensile.strength: one is off."]
    assert a_watch(looked_at="The last 20 plates").sentences() == [
        "tensile.strength: nothing stands out.",
        "tensile.strength: The last 20 plates.",
    ]
    long = (Signal("plate", "word " * 12, 0.01, shown=True),)
    assert [len(line) <= 40 for line in a_watch(signals=long).sentences(20)] == [True] * 3
    assert a_watch(signals=long).sentences(20)[1].startswith("  word")


@pytest.mark.parametrize(
    ("fraction", "unit", "value", "words"),
    [(True, "MPa", 0.1234, "+12.3 %"), (False, "MPa", -2.5, "-2.5 MPa"), (False, "", 3.0, "+3.0")],
)
def test_an_amount_is_a_fraction_or_in_the_unit(fraction: bool, unit: str, value: float, words: str) -> None:
    """With its sign, and nothing behind it where there is no unit."""
    found = a_watch(fraction=fraction, question=Question("x", unit))
    assert _amount(found, value).replace("−", "-") == words


def test_step_or_trend_is_what_takes_more_out_of_the_scatter() -> None:
    """Squares: a rise r over n plates takes r² times that of the line, a step s² n1 n2 / n."""
    names = [f"P{n}" for n in range(8)]
    for values, kind in ((STEPPED, "since"), (tuple(0.01 * n for n in range(8)), "trend")):
        since = _step(names, values)
        assert since is not None
        signal = _over_time(a_watch(), chart(values, since), since, 1.0)
        assert signal.kind == kind
        assert signal.p == pytest.approx(min(1.0, 2 * min(_trend(values, 1.0)[1], since.p)))
    assert signal.text == "ASA: drifts by +7.0 % from the first plate to the last."
    since = Since("P4", 0.2, 4, 4, 0.9)
    stepped = _over_time(a_watch(), chart(STEPPED, since), since, 1.0)
    assert stepped.text == (
        "ASA: since plate P4 all reads +20.0 % (4 plates against 4 before). What changed then?"
    )


def reader(level: str, delta: float, z: float, plates: int = 5, factor: str = "rig") -> ReaderLevel:
    """Return a level whose limits lie one in a hundred about it."""
    return ReaderLevel(factor, level, plates, delta, delta - 0.01, delta + 0.01, z)


def test_a_reader_is_told_by_its_worst_level_and_all_that_differ() -> None:
    """Probability: t on the plates less two, or the results, times the levels but one."""
    levels = (
        reader("R1", 0.03, 3.0),
        reader("R2", -0.004, -1.0),
        reader("R3", -0.026, -2.6),
    )
    (signal,) = _reader_signals(a_watch(readers=levels), 100)

    assert signal.kind == "reader"
    assert signal.p == pytest.approx(2 * 2 * stats.t.sf(3.0, 13))
    assert signal.text.replace("−", "-") == (
        "rig R1 reads +3.0 % against all (95 % interval +2.0 % to +4.0 %, 5 plates); "
        "rig R3 reads -2.6 % against all (95 % interval -3.6 % to -1.6 %, 5 plates)."
    )
    assert _reader_signals(a_watch(readers=levels), 10)[0].p == pytest.approx(4 * stats.t.sf(3.0, 8))
    assert _reader_signals(a_watch(readers=levels), 2)[0].p == pytest.approx(min(1, 4 * stats.t.sf(3.0, 1)))
    both = _reader_signals(a_watch(readers=(*levels, reader("Ada", 0.001, 0.1, factor="operator"))), 100)
    assert [signal.text[:12] for signal in both] == ["rig R1 reads", "operator Ada"]
    assert both[1].p == 0.0


@pytest.mark.parametrize(
    ("low", "high", "differs"),
    [(0.01, 0.02, True), (-0.02, -0.01, True), (0.0, 0.02, False), (-0.02, 0.0, False)],
)
def test_a_level_differs_where_zero_is_outside(low: float, high: float, differs: bool) -> None:
    """A limit on zero is not beyond it."""
    assert ReaderLevel("rig", "R1", 3, 0.0, low, high).differs == differs


def test_beyond_are_plates_outside_either_chart() -> None:
    """Each once, in order of time."""
    odd = chart((0.0, 0.01, 0.0, 0.01, 0.0, 0.3, 0.01, 0.0, 0.01, 0.0))
    assert odd.individuals.beyond
    assert odd.beyond == tuple(
        f"P{n}" for n in range(10) if n in odd.individuals.beyond or n in odd.average.beyond
    )
    data = a_watch(charts=(odd,), readers=(reader("R1", 0.03, 3.0),)).as_json()
    assert data["charts"][0]["beyond"] == list(odd.beyond)
    assert data["readers"][0]["differs"] is True


def test_records_of_one_plate_and_mapping_are_one_cell() -> None:
    """In order of their IDs; a bound, and what is no number, are left out of what can be used."""
    known = {"fan_pct": 30.0}
    rows = [
        Observation("R3", "q", 3.0, "ASA", "P1", "S3", factors=known),
        Observation("R1", "q", 1.0, "ASA", "P1", "S1", factors=known),
        Observation("R2", "q", math.nan, "ASA", "P1", "S2", factors=known),
        Observation("R4", "q", 4.0, "ASA", "P2", "S4", factors=known),
        Observation("R5", "q", 5.0, "ASA", "P2", "S5", factors=known, censored="above"),
        Observation("R6", "q", 6.0, "ASA", "P1", "S6", factors=dict(known)),
    ]
    records = Records.of(rows)
    assert list(records.cell) == [0, 0, 0, 1, 2, 3]
    assert list(records.cells.value) == [1.0, 4.0, 5.0, 6.0]
    assert list(records.cells.bound) == [False, False, True, False]
    assert records.name(2) == ("R3", "S3")

    usable = records.usable()
    assert list(usable.values) == [1.0, 3.0, 4.0, 6.0]
    assert list(usable.cell) == [0, 0, 1, 2]
    assert list(usable.cells.value) == [1.0, 4.0, 6.0]
    assert list(usable.cells.factors["fan_pct"].low) == [30.0, 30.0, 30.0]
    assert [usable.name(row) for row in range(4)] == [("R1", "S1"), ("R3", "S3"), ("R4", "S4"), ("R6", "S6")]


def test_an_improbable_result_is_a_record() -> None:
    """It stands in the answer as it was found."""
    found = Improbable("R1", "S1", "P1", 30.0, 40.0, -4.2, 1e-5)
    assert a_watch(improbable=(found,)).as_json()["improbable"] == (vars(found),)
