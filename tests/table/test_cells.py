"""What pieces of one cell say together, from plates as they are summed up; no book is needed."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from scipy import stats

from tests.table.test_forms import FLAT, UPRIGHT, a_cell, a_point
from tracker.lazy_modules import np
from tracker.plate_sums import Point
from tracker.statistics import MaterialMean
from tracker.table.cells import _hints, cells_of, interlayer_ratio
from tracker.table.results import Gathered


def gathered(*plates: Sequence[float], first: int = 1, **how: Any) -> Gathered:
    """Sum plates of single pieces up."""
    rows = [
        (
            first + at, len(each), statistics.fmean(each), statistics.pvariance(each) * len(each), min(each),
            max(each),
        )
        for at, each in enumerate(plates)
    ]  # fmt: skip
    return Gathered("MPa", np.array(rows, dtype=np.float64).reshape(-1, 6), **how)


def points_of(*plates: Sequence[float]) -> list[Point]:
    """Return the single results of the same plates."""
    values = [(at, value) for at, each in enumerate(plates, start=1) for value in each]
    return [a_point(number, value, job=job) for number, (job, value) in enumerate(values, start=1)]


def cell_of(found: Gathered, points: Sequence[Point] = (), **how: Any) -> Any:
    """Return the cell of what was found."""
    known: dict[str, Any] = {
        "ordinal": False, "relative": False, "behind": lambda _: points,
        "hint": lambda _, plate: [point for point in points if point.plate == plate.plate],
    }  # fmt: skip
    return cells_of({"a": found}, {"a": FLAT}, **{**known, **how})["a"]


def test_counts_and_scatter_are_of_the_pieces() -> None:
    """n, plates and the standard deviation about the mean of all pieces, as Python's own module has it."""
    plates = ([48.0, 50.0, 49.0], [41.0], [44.0, 45.0])
    cell = cell_of(gathered(*plates, set_aside=2, repeats=1))

    assert (cell.n, cell.plates, cell.set_aside, cell.repeats, cell.unit) == (6, 3, 2, 1, "MPa")
    assert cell.mean == pytest.approx(statistics.fmean([49.0, 41.0, 44.5]))
    assert cell.sd == pytest.approx(statistics.stdev([value for each in plates for value in each]))
    assert cell.high - cell.mean == pytest.approx(cell.found.expanded)


def test_a_single_piece_has_no_scatter() -> None:
    """Nobody knows it; zero would say that there is none."""
    cell = cell_of(gathered([48.0]))

    assert (cell.n, cell.mean, cell.sd) == (1, 48.0, None)
    assert cell_of(gathered([48.0, 49.0])).sd == pytest.approx(math.sqrt(0.5))


def test_cells_that_are_not_asked_for_lend_their_scatter() -> None:
    """One plate alone takes the plate scatter of the book's other materials."""
    others = {at: gathered([40.0, 41.0], [44.0, 45.0], [48.0, 49.0]) for at in range(4)}
    found = {"a": gathered([48.0, 49.0]), **others}
    how: dict[str, Any] = {"ordinal": False, "relative": False, "behind": lambda _: (), "hint": lambda *_: ()}
    made = cells_of(found, {"a": FLAT}, **how)

    assert list(made) == ["a"]
    assert made["a"].found.basis == "book"
    assert cells_of({"a": found["a"]}, {"a": FLAT}, **how)["a"].found.basis == "assumed"
    assert cells_of({"a": gathered(), "b": found["a"]}, {"a": FLAT}, **how)["a"].mean is None


def test_numbers_beside_limits_have_no_interval() -> None:
    """The pieces that gave a number are the weaker ones."""
    limits = [a_point(3, 120.0, relation=">"), a_point(4, None, group="N")]
    cell = cell_of(gathered([90.0, 94.0], limits=limits), points_of([90.0, 94.0]))

    assert (cell.mean, cell.low, cell.high, cell.found.expanded) == (92.0, None, None, None)
    assert (cell.found.k, cell.found.nu) == (None, None)
    assert cell.limits == ("> 120 MPa", "no value")
    # Kaplan-Meier by hand: (90 + 94 + 120)/3, the limit where it begins; the median is where half are gone.
    assert cell.limited.mean == pytest.approx(304 / 3)
    assert (cell.limited.n, cell.limited.limits, cell.limited.bound) == (3, 1, "above")


def test_a_limit_below_bounds_from_the_other_side() -> None:
    """What fell below the least that a rig reads."""
    cell = cell_of(gathered([2.0, 4.0], limits=[a_point(3, 1.0, relation="<")]), points_of([2.0, 4.0]))

    assert (cell.limited.bound, cell.limited.mean) == ("below", pytest.approx(7 / 3))


def test_limits_of_a_quantity_without_unit_have_no_tail() -> None:
    """Four digits are what anybody reads a limit to."""
    cell = cell_of(gathered(limits=[a_point(1, 1234.56, relation=">", unit="")]))

    assert cell.limits == ("> 1235",)


def test_grades_are_read_one_by_one() -> None:
    """Median and range of the pieces, none of their plates' means; of four the lower middle one."""
    plates = ([1.0, 2.0, 5.0], [4.0])
    cell = cell_of(gathered(*plates), points_of(*plates), ordinal=True)

    assert (cell.mean, cell.low, cell.high, cell.found) == (2.0, 1.0, 5.0, None)
    assert cell_of(gathered(), ordinal=True).mean is None


def grubbs(values: Sequence[float]) -> tuple[float, float]:
    """Return G and its 5 % critical value, two-sided (NIST/SEMATECH e-Handbook 1.3.5.17.1)."""
    n, mean, sd = len(values), statistics.fmean(values), statistics.stdev(values)
    t = stats.t.ppf(1 - 0.05 / (2 * n), n - 2)
    return max(abs(each - mean) for each in values) / sd, (n - 1) / math.sqrt(n) * math.sqrt(
        t * t / (n - 2 + t * t)
    )


@pytest.mark.parametrize("sign", [1, -1])
def test_a_piece_that_is_far_out_is_named_with_its_figures(sign: int) -> None:
    """Too high or too low: its measurement, G, and the bound, as the handbook computes them."""
    values = [100 + sign * each for each in (0.1, 0.3, 0.2, 0.4, 0.25, 5.0)]
    g, critical = grubbs(values)
    cell = cell_of(gathered(values), points_of(values))

    assert cell.hints == (f"M0006-O: possible outlier (G = {g:.2f}, 5 % critical {critical:.2f})",)


def test_other_plates_say_how_far_out_is_far() -> None:
    """0.9 beyond its plate is far where plates scatter by 0.1, and nothing where another scatters by 2."""
    odd = [50.0, 50.1, 49.9, 50.05, 51.0]
    calm, wild = [40.0, 40.1, 39.9, 40.05, 39.95], [40.0, 42.0, 38.0, 43.0, 37.0]

    assert [hint[:7] for hint in cell_of(gathered(calm, odd), points_of(calm, odd)).hints] == ["M0010-W"]
    assert cell_of(gathered(wild, odd), points_of(wild, odd)).hints == ()


def test_two_pieces_hint_at_nothing() -> None:
    """Of two, either may be the odd one; pieces that are all alike have no odd one."""
    assert cell_of(gathered([50.0, 60.0]), points_of([50.0, 60.0])).hints == ()
    assert cell_of(gathered([50.0] * 5), points_of([50.0] * 5)).hints == ()


SPOOLS: Callable[[Any], frozenset[int]] = lambda jobs: frozenset({1} if len(jobs) else ())  # noqa: E731


def side(*plates: Sequence[float], first: int = 1, **how: Any) -> tuple[Any, Gathered]:
    """Return one side of a ratio: its cell and what that was made of."""
    found = gathered(*plates, first=first, **how)
    return cell_of(found), found


def fieller(top: Sequence[float], bottom: Sequence[float]) -> tuple[float, float]:
    """Return Fieller's 95 % limits of a ratio (J. R. Stat. Soc. B 16 (1954) 175-185).

    Either side is mean, its variance and degrees of freedom, which are put together on the relative terms as
    Welch and Satterthwaite do (JCGM 100:2008, G.4.1).
    """
    terms = [each[1] / each[0] ** 2 for each in (top, bottom)]
    df = sum(terms) ** 2 / (terms[0] ** 2 / top[2] + terms[1] ** 2 / bottom[2])
    t = float(stats.t.ppf(0.975, df))
    a, b, c = bottom[0] ** 2 - t * t * bottom[1], top[0] * bottom[0], top[0] ** 2 - t * t * top[1]
    root = math.sqrt(b * b - a * c)
    return (b - root) / a, (b + root) / a


def test_plates_that_both_sides_share_do_not_widen_the_ratio() -> None:
    """Only what pieces scatter within a plate counts: by Fieller with the pieces' pooled variance."""
    upright, flat = side([22.0, 24.0], [33.0, 35.0]), side([47.0, 49.0], [70.0, 72.0])
    ratio = interlayer_ratio(upright, flat, SPOOLS)
    # Sums of squares within 2 + 2 on two degrees of freedom; a plate's mean is that of two pieces.
    variance = (4 / 2) * (1 / 2 + 1 / 2) / 2**2
    low, high = fieller((28.5, variance, 2), (59.5, variance, 2))

    assert ratio is not None
    assert ratio.reasons == ()
    assert ratio.value == pytest.approx(28.5 / 59.5)
    assert ratio.low == pytest.approx(low, rel=1e-9)
    assert ratio.high == pytest.approx(high, rel=1e-9)


def test_a_single_plate_each_is_as_wide_as_its_assumption() -> None:
    """An interval of 95 % is 1.96 standard uncertainties to either side (normal distribution)."""
    found = [
        MaterialMean(1, 2, mean, 0.5, None, half, None, None, "assumed")
        for mean, half in ((23.0, 1.96), (48.0, 3.92))
    ]
    sides = [
        (a_cell(mean=each.mean, found=each), gathered([each.mean] * 2, first=1 + at))
        for at, each in enumerate(found)
    ]
    ratio = interlayer_ratio(sides[0], sides[1], SPOOLS)
    low, high = fieller((23.0, 1.0, 60), (48.0, 4.0, 60))

    assert ratio is not None
    assert ratio.reasons == ("printed on different plates: dryness may differ",)
    assert (ratio.low, ratio.high) == (pytest.approx(low, rel=1e-9), pytest.approx(high, rel=1e-9))


@pytest.mark.parametrize(
    ("of", "said"),
    [
        ({1: {1}, 2: {1}}, "printed on different plates: dryness may differ"),
        ({1: {1}, 2: {2}}, "spools differ"),
        ({1: {1}, 2: set()}, "spool and dryness not recorded"),
        ({1: set(), 2: {1}}, "spool and dryness not recorded"),
    ],
)
def test_a_ratio_across_plates_says_what_stands_between(of: dict[int, set[int]], said: str) -> None:
    """Spools by the jobs that the pieces come from."""
    upright, flat = side([22.0, 24.0], first=1), side([47.0, 49.0], first=2)
    ratio = interlayer_ratio(upright, flat, lambda jobs: frozenset().union(*(of[int(job)] for job in jobs)))

    assert ratio is not None
    assert ratio.reasons == (said,)


def test_other_shapes_are_reported() -> None:
    """A bar and a dog bone break at other stresses."""
    upright = side([22.0, 24.0], shapes=frozenset({"bar"}))
    flat = side([47.0, 49.0], shapes=frozenset({"dogbone"}))
    ratio = interlayer_ratio(upright, flat, SPOOLS)

    assert ratio is not None
    assert ratio.reasons == ("geometry differs",)


def test_single_pieces_have_no_ratio_with_limits() -> None:
    """Of one piece each nothing is known of how they scatter: no value, with what to test."""
    bare = MaterialMean(1, 1, 23.0, None, None, None, None, None, "none")
    upright, flat = ((a_cell(mean=each, found=bare), gathered([each])) for each in (23.0, 48.0))
    ratio = interlayer_ratio(upright, flat, SPOOLS)

    assert ratio is not None
    assert (ratio.value, ratio.low, ratio.high) == (None, None, None)
    assert "too few results for an interval" in ratio.reasons[0]
    assert interlayer_ratio((a_cell(UPRIGHT, None, n=0), gathered()), flat, SPOOLS) is None
    assert interlayer_ratio(upright, (a_cell(FLAT, None, n=0), gathered()), SPOOLS) is None


@pytest.mark.parametrize(("far", "hints"), [(60.001, 1), (50.003, 0)])
def test_three_pieces_are_the_fewest_that_have_an_odd_one(far: float, hints: int) -> None:
    """G of three is at most 2/sqrt(3) = 1.1547, beyond its 5 % value of 1.1543 (Grubbs and Beck 1972)."""
    values = [50.001, 50.002, far]

    assert len(cell_of(gathered(values), points_of(values)).hints) == hints


def test_an_outlier_is_named_on_its_own_plate() -> None:
    """Of several plates the one is looked at of which a piece lies farthest out, and no other is read."""
    plates = ([40.0, 40.1, 39.9, 40.05], [50.0, 50.1, 49.9, 56.0], [60.0, 60.1, 59.9, 60.05])
    points, read = points_of(*plates), []

    def looked(_: Any, plate: Any) -> list[Point]:
        read.append(plate.plate)
        return [point for point in points if point.plate == plate.plate]

    cell = cell_of(gathered(*plates), points, hint=looked)

    assert read == [2]
    assert [hint[:5] for hint in cell.hints] == ["M0008"]


@pytest.mark.parametrize("with_book", [None, 1.96])
def test_plates_of_their_own_each_bring_their_scatter_into_the_ratio(with_book: float | None) -> None:
    """Three plates a side, none shared: u and nu of each mean; with the book's scatter, U/1.96 and 60."""
    sides = []
    for mean, first in ((23.0, 1), (48.0, 4)):
        found = MaterialMean(3, 6, mean, 0.5, 0.6, 4.3 * 0.5, 4.3, 2.0, "plates", with_book=with_book)
        cell = a_cell(mean=mean, found=found, n=6, plates=3)
        sides.append((cell, gathered([mean] * 2, [mean] * 2, [mean] * 2, first=first)))
    ratio = interlayer_ratio(sides[0], sides[1], SPOOLS)
    terms = (0.25, 2.0) if with_book is None else (1.0, 60.0)
    low, high = fieller((23.0, *terms), (48.0, *terms))

    assert ratio is not None
    assert (ratio.low, ratio.high) == (pytest.approx(low, rel=1e-9), pytest.approx(high, rel=1e-9))


def test_grades_beside_limits_are_stated_with_both() -> None:
    """The median of what has a value; what has none is counted with the plates set aside."""
    cell = cell_of(
        gathered([1.0, 3.0], set_aside=1, limits=[a_point(9, 4.0, relation=">", unit="")]),
        points_of([1.0, 3.0]), ordinal=True,
    )  # fmt: skip

    assert cell.text() == "median 1 (1 to 3), n 2, 1 plate, and > 4"
    assert (cell.set_aside, cell.found, cell.limited) == (1, None, None)


def test_limits_of_both_kinds_bound_nothing() -> None:
    """Where some are above and some below, no mean with the limits is stated."""
    limits = [a_point(3, 120.0, relation=">"), a_point(4, 60.0, relation="<")]
    cell = cell_of(gathered([90.0, 94.0], limits=limits), points_of([90.0, 94.0]))

    assert cell.limited is None
    assert cell.caveats()[-1] == "not in the mean: > 120 MPa, < 60 MPa"


@pytest.mark.parametrize(
    ("plates", "hints"),
    [
        (([48.0, 49.0, 50.0],), 0), (([48.0, 48.1, 48.0, 48.1, 60.0],), 1), (([48.0], [49.0]), 0),
        (([48.0, 60.0],), 0),
    ],
)  # fmt: skip
def test_a_closer_look_at_a_plate_may_find_nothing(plates: tuple[list[float], ...], hints: int) -> None:
    """The plate's own pieces decide, whatever its least and greatest let expect; too few have no odd one."""
    found = gathered(*plates)
    assert len(_hints(points_of(*plates), found.plates, found.plate(0), frozenset())) == hints
