"""Means of materials from plates: against Student, Kenward and Roger's exact case, and ISO 5725-2."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tests.statistics.certified import SULFUR_1
from tracker.statistics import MaterialMean, PlateSums, material_means, variance_components
from tracker.statistics.plates import group_sums


def material_mean(plates: Sequence[Sequence[float]], *, relative: bool = True) -> MaterialMean:
    """Return the mean of one material alone, with no other to lend its plate scatter."""
    return material_means(PlateSums.of([plates]), 1, relative=relative)[0]


TWO_PLATES = [[30.0, 31.0, 32.0], [36.0, 37.0, 38.0]]


def test_equal_plates_give_students_interval_of_their_means() -> None:
    """For plates of equal size t on k - 1 is exact for any plate scatter (Kenward and Roger reduce to it)."""
    plates = [[30.0, 31.0], [33.0, 35.0], [29.0, 31.0], [34.0, 34.0], [28.0, 30.0]]
    means = [float(np.mean(plate)) for plate in plates]
    found = material_mean(plates)
    low, high = stats.t.interval(0.95, 4, np.mean(means), stats.sem(means))
    assert (found.low, found.high) == pytest.approx((low, high))
    assert (found.plates, found.pieces, found.nu, found.basis) == (5, 10, 4.0, "plates")


def test_the_interval_is_mean_and_u() -> None:
    """U = k u, with k Student's t for the degrees of freedom."""
    found = material_mean(TWO_PLATES)
    assert found.expanded is not None
    assert found.u is not None
    assert found.k == pytest.approx(stats.t.ppf(0.975, 1))
    assert found.expanded == pytest.approx(found.k * found.u)
    assert found.high == pytest.approx(found.mean + found.expanded)


def test_eight_pieces_of_two_plates_are_not_eight_results() -> None:
    """Student's interval over all pieces is far narrower than the one that holds for the material."""
    pieces = [value for plate in TWO_PLATES for value in plate]
    low, _ = stats.t.interval(0.95, 5, np.mean(pieces), stats.sem(pieces))
    found = material_mean(TWO_PLATES)
    assert found.low is not None
    assert found.low < low - 20


def test_each_plate_counts_alike() -> None:
    """A plate of one piece weighs as much as one of three: the plate is the unit."""
    assert material_mean([[10.0, 10.0, 10.0], [20.0]]).mean == 15.0


def test_scatters_are_those_of_iso_5725_2() -> None:
    """Sulfur in coal, level 1 (ISO 5725-2 annex B.1): s_r 0.0151, s_L² = s_R² - s_r²."""
    found, printed = material_mean(SULFUR_1), variance_components(SULFUR_1)
    assert found.s_r == pytest.approx(0.01512, abs=5e-6)
    assert found.s_l == pytest.approx(math.sqrt(0.02636**2 - 0.01512**2), abs=1e-5)
    assert (found.s_r, found.s_l) == pytest.approx((printed.s_r, printed.s_l))


def test_one_plate_alone_rests_on_an_assumption_and_says_so() -> None:
    """With s_L / s_r log-normal about 1.2: the interval by simulation of that very assumption."""
    found = material_mean([[30.0, 31.0, 32.0, 31.0]])
    rng = np.random.default_rng(3)
    rho = 1.2 * np.exp(0.7 * rng.normal(size=400_000))
    t = rng.standard_t(3, size=400_000)
    half = np.quantile(np.abs(t) * np.sqrt(rho**2 + 0.25), 0.95) * np.std([30, 31, 32, 31], ddof=1)
    assert found.basis == "assumed"
    assert found.expanded == pytest.approx(half, rel=0.02)
    assert (found.k, found.nu, found.s_l) == (None, None, None)


def test_one_piece_alone_has_no_interval() -> None:
    """Nothing says how it scatters."""
    found = material_mean([[30.0]])
    assert (found.expanded, found.low, found.s_r, found.basis) == (None, None, None, "none")


def books(rng: np.random.Generator, ratio: float, count: int) -> list[list[list[float]]]:
    """Return materials with plates of pieces; s_r is 5 % of a material's mean."""
    made = []
    for _ in range(count):
        mean = rng.uniform(10, 80)
        plates = [mean * (1 + 0.05 * ratio * rng.normal()) for _ in range(int(rng.integers(1, 4)))]
        made.append([(m + 0.05 * mean * rng.normal(size=int(rng.integers(3, 6)))).tolist() for m in plates])
    return made


def test_one_plate_takes_the_books_plate_scatter() -> None:
    """In a book of repeated plates one plate's interval has s_L of the others in it."""
    rng = np.random.default_rng(7)
    groups = [[[30.0, 31.0, 32.0]], *books(rng, 2.0, 40)]
    found = material_means(PlateSums.of(groups), len(groups))[0]
    # s_L is 2 x 5 % of 31; the mean of 3 pieces adds 5 % / sqrt(3).
    expected = 31 * 0.05 * math.sqrt(4 + 1 / 3)
    assert found.basis == "book"
    assert found.u == pytest.approx(expected, rel=0.25)


def test_two_plates_keep_their_own_interval_and_have_the_books_beside_it() -> None:
    """Two plates alone have a factor of 12.7, which holds anywhere; with the book's scatter far less."""
    rng = np.random.default_rng(8)
    groups = [TWO_PLATES, *books(rng, 1.0, 20)]
    found = material_means(PlateSums.of(groups), len(groups))[0]
    alone = material_mean(TWO_PLATES)
    assert (found.basis, found.expanded, found.k) == ("plates", alone.expanded, alone.k)
    assert alone.with_book is None
    assert found.with_book is not None
    assert found.expanded is not None
    assert found.with_book < found.expanded / 4


def test_a_book_of_single_pieces_lends_what_they_scatter() -> None:
    """One piece a plate everywhere: plates and pieces together scatter as the others' single pieces do."""
    rng = np.random.default_rng(5)
    groups = [[[30.0]], *([[30.0 + 2.0 * float(x)] for x in rng.normal(size=4)] for _ in range(60))]
    found = material_means(PlateSums.of(groups), len(groups))[0]
    assert found.basis == "book"
    assert found.u == pytest.approx(2.0, rel=0.15)


def test_readings_about_zero_lend_nothing() -> None:
    """A scatter relative to a mean of zero says nothing: with and without such a material it is the same."""
    rng = np.random.default_rng(5)
    single = [[[30.0]], *([[30.0 + 2.0 * float(x)] for x in rng.normal(size=4)] for _ in range(9))]
    several = [[[30.0, 31.0, 32.0]], *books(rng, 1.0, 6)]
    about_zero = [[-1.0], [1.0], [0.5], [-0.5]]
    for groups in (single, several):
        with_it = [*groups, about_zero]
        found = material_means(PlateSums.of(with_it), len(with_it), relative=True)[0]
        without = material_means(PlateSums.of(groups), len(groups), relative=True)[0]
        assert found.expanded == pytest.approx(without.expanded, rel=1e-9)


def test_no_interval_of_one_plate_holds_at_every_plate_scatter() -> None:
    """What is said in words: eight pieces, right in 97 % at s_L = 0, are right in 35 % at s_L = 2 s_r."""
    half = stats.t.ppf(0.985, 7) / math.sqrt(8)
    held = 2 * stats.t.cdf(half / math.sqrt(4 + 1 / 8), 7) - 1
    assert held == pytest.approx(0.35, abs=0.005)


def test_plates_of_one_size_put_together_say_the_same() -> None:
    """However many plates of a size there are, their sums give the sums of the group."""
    groups = [[[30.0, 31.0]], [[30.0, 31.0], [33.0, 35.0], [29.0, 30.0], [31.0, 32.0, 33.0]], [[7.0], [9.0]]]
    single = PlateSums.of(groups)
    together = single.together()
    assert (len(single.n), len(together.n)) == (7, 4)
    for ours, plain in zip(
        vars(group_sums(together, 3)).values(), vars(group_sums(single, 3)).values(), strict=True
    ):
        assert ours == pytest.approx(plain, rel=1e-12)


def test_four_plates_speak_for_themselves() -> None:
    """From four plates on nothing is borrowed."""
    rng = np.random.default_rng(9)
    plates = [[30.0, 31.0], [33.0, 35.0], [29.0, 31.0], [34.0, 34.0]]
    groups = [plates, *books(rng, 0.0, 20)]
    assert material_means(PlateSums.of(groups), len(groups))[0] == material_mean(plates)


def test_a_group_does_not_lend_to_itself() -> None:
    """Alone in its book it gets what it gets alone."""
    assert material_means(PlateSums.of([TWO_PLATES]), 1)[0].basis == "plates"


@pytest.mark.parametrize("factor", [1e-3, 7.0])
def test_the_unit_does_not_matter(factor: float) -> None:
    """Strengths in another unit have the same interval in that unit."""
    rng = np.random.default_rng(4)
    groups = [TWO_PLATES, *books(rng, 1.0, 8)]
    scaled = [[[factor * value for value in plate] for plate in plates] for plates in groups]
    ours, theirs = (material_means(PlateSums.of(each), len(groups))[0] for each in (groups, scaled))
    assert theirs.expanded == pytest.approx(factor * (ours.expanded or 0.0))


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.lists(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=6), min_size=1, max_size=5),
        min_size=1, max_size=6,
    ),
    st.booleans(),
)  # fmt: skip
def test_any_readings_have_an_answer(groups: list[list[list[float]]], relative: bool) -> None:
    """No readings give a number that is none, and the interval holds its mean."""
    for found in material_means(PlateSums.of(groups), len(groups), relative=relative):
        assert math.isfinite(found.mean)
        assert found.expanded is None or (math.isfinite(found.expanded) and found.expanded >= 0)


@pytest.mark.parametrize("ratio", [0.0, 1.0, 2.0])
@pytest.mark.parametrize("sizes", [(4, 4), (3, 3, 3), (2, 5, 8)])
def test_intervals_hold_the_truth(ratio: float, sizes: tuple[int, ...]) -> None:
    """Without any book 92 to 97 % of intervals hold the material's mean, whatever the plate scatter.

    ``python -m tests.bench.coverage`` has more designs, books and draws.
    """
    rng = np.random.default_rng([int(ratio), *sizes])
    held, rounds = 0, 600
    for _ in range(rounds):
        plates = [(30 + ratio * rng.normal() + rng.normal(size=n)).tolist() for n in sizes]
        found = material_mean(plates)
        held += found.low is not None and found.high is not None and found.low <= 30 <= found.high
    # 600 draws have a standard error of 0.9 %.
    assert 0.92 <= held / rounds <= 0.98


def test_a_far_offset_costs_no_digits() -> None:
    """A scatter in the tenth digit survives."""
    plates = [[0.1, 0.2, 0.3], [0.2, 0.4, 0.3]]
    near = material_mean(plates, relative=False)
    far = material_mean(
        [[3e6 + 0.1, 3e6 + 0.2, 3e6 + 0.3], [3e6 + 0.2, 3e6 + 0.4, 3e6 + 0.3]], relative=False
    )
    assert far.expanded == pytest.approx(near.expanded, rel=1e-6)
    assert far.s_l == pytest.approx(near.s_l, rel=1e-5)


def test_an_empty_plate_is_refused() -> None:
    """A plate without readings has no mean."""
    with pytest.raises(ValueError, match="no readings"):
        material_mean([[1.0], []])
