"""The steps from a problem to its posterior, each against matrices, scipy, or by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from tests.why.simulated import SIX, STRENGTH, World, book
from tests.why.test_nodes import covariance, restricted, small
from tracker.why import Factor, Observation, Problem
from tracker.why.causes import Cause
from tracker.why.design import build
from tracker.why.posterior import Posterior, Prior, infer, sums
from tracker.why.problem import Cleaned, cleaned
from tracker.why.working import (
    Extra,
    Extreme,
    Working,
    _asked_for,
    _bends,
    _causes,
    _doubt,
    _extremes,
    _mean_rows,
    _moved,
    _plate_times,
    _residuals,
    _rows,
    _runs,
    _scales,
    _scatters,
    _side_plates,
    _turned,
    _weight,
    _weighted_by_oddity,
    _with_doubts,
    _with_unrecorded,
    compared_in,
    joint_rows,
    noise_weights,
    plates_beyond_factors,
    prior_for,
    typical_scatters,
    work,
)

NOZZLE = Factor("nozzle_c", "°C", 1.0, 30.0)
FAN = Factor("fan_pct", "%", 1.0, 40.0)
SPOOL = Factor("spool", kind="category")


def asked(plates: dict[str, Any], factors: tuple[Factor, ...] = (NOZZLE, FAN, SPOOL), **more: Any) -> Problem:
    """Return a problem of plates: name to values, factors and more; those that begin with A against B."""
    observations = []
    for name, (values, known, *rest) in plates.items():
        other = rest[0] if rest else {}
        observations += [
            Observation(f"{name}-{i}", STRENGTH.quantity, value, other.get("material", "ASA"),
                        name, factors=known, order=other.get("order"))
            for i, value in enumerate(values)
        ]  # fmt: skip
    a, b = (frozenset(o.result_id for o in observations if o.plate[0] == side) for side in "AB")
    return Problem(more.pop("question", STRENGTH), factors, tuple(observations), a, b, **more)


BASE = {"nozzle_c": 240.0, "fan_pct": 30.0, "spool": "S1"}
PLATES: dict[str, Any] = {
    "A1": ([50.0, 51.0], BASE, {"order": 1.0}),
    "A2": ([49.0, 50.0, 52.0], BASE, {"order": 2.0}),
    "B1": ([58.0, 57.0, 60.0, 61.0], {**BASE, "nozzle_c": 270.0, "spool": "S2"}, {"order": 9.0}),
    "H1": ([53.0, 54.0], {**BASE, "fan_pct": 70.0, "spool": "S3"}, {"order": 4.0}),
    "H2": ([55.0], {**BASE, "nozzle_c": 255.0}, {"order": 6.0}),
    "H3": ([52.0, 55.0], {**BASE, "fan_pct": 50.0}, {"order": 7.0}),
}


def made(problem: Problem) -> tuple[Cleaned, Any]:
    """Return the usable problem and the design of all its factors."""
    usable = cleaned(problem)
    return usable, build(problem.question, problem.factors, usable.observations)


@pytest.fixture(scope="module")
def working() -> Working:
    """Give a finished working of the six plates."""
    return work(cleaned(asked(PLATES)))


def test_plates_count_alike_and_pieces_of_one_plate_alike() -> None:
    """Of two plates with two and three pieces: a quarter each, a sixth each."""
    usable, design = made(asked(PLATES))
    weight = _weight(usable, design, usable.a)
    by_plate = {o.plate: w for o, w in zip(usable.observations, weight, strict=True)}
    assert by_plate == pytest.approx({"A1": 1 / 4, "A2": 1 / 6, "B1": 0, "H1": 0, "H2": 0, "H3": 0})
    assert weight.sum() == pytest.approx(1)
    rows = _mean_rows(usable, design)
    z = np.hstack([np.ones((len(weight), 1)), design.x])
    assert rows[0] == pytest.approx(weight @ z, abs=1e-12)
    assert rows[1] == pytest.approx(_weight(usable, design, usable.b) @ z, abs=1e-12)


@pytest.mark.parametrize(
    ("repeatability", "piece"),
    [
        (0.02, (0.02, 0.3)),
        (None, (0.03, 0.9)),
        (0.0, (0.03, 0.9)),
        (-1.0, (0.03, 0.9)),
    ],
)
def test_a_known_repeatability_is_the_prior_of_pieces(
    repeatability: float | None, piece: tuple[float, float]
) -> None:
    """With 0.3 on its logarithm; none, nought or less says nothing."""
    usable, design = made(asked(PLATES, question=replace(STRENGTH, repeatability=repeatability)))
    assert prior_for(usable, design) == Prior(piece=piece)


def test_a_repeatability_in_the_unit_is_one_of_working_numbers() -> None:
    """Without logarithms a working unit is ten standard deviations of all values."""
    usable, design = made(asked(PLATES, question=replace(STRENGTH, repeatability=0.7, positive=False)))
    spread = 10 * np.std([o.value for o in usable.observations])
    assert prior_for(usable, design).piece == pytest.approx((0.7 / spread, 0.3))


@pytest.mark.parametrize(
    ("of", "picked", "level"),
    [((), True, 0.05), ((8,), True, None), ((8, 5), True, None), ((8,), False, 0.05)],
)
def test_the_level_of_a_claim_allows_for_what_was_picked_out(
    working: Working, of: tuple[int, ...], picked: bool, level: float | None
) -> None:
    """Šidák's: one less the root of 95 %, of as many plates as could have been the lowest."""
    found = replace(working, extremes=tuple(Extreme("A", "lowest", n) for n in of))
    wanted = level or 1 - 0.95 ** (1 / math.prod(of))
    assert found.level(picked=picked) == pytest.approx(wanted, rel=1e-9)


def test_scatters_are_compared_by_the_f_distribution() -> None:
    """Root of the ratio of within-plate variances, limits by F; precision drawn by eight pieces to all."""
    usable, design = made(asked(PLATES))
    found, precision = _scatters(usable, design)
    logs = {name: np.log(values) for name, (values, *_) in PLATES.items()}
    square = {name: ((v - v.mean()) ** 2).sum() for name, v in logs.items()}
    a, b = (square["A1"] + square["A2"], 3), (square["B1"], 3)
    ratio = (b[0] / b[1]) / (a[0] / a[1])
    common = sum(square.values()) / (14 - 6)

    assert found == pytest.approx(
        [math.sqrt(x) for x in (ratio, ratio / stats.f.ppf(0.975, 3, 3), ratio / stats.f.ppf(0.025, 3, 3))]
    )
    of = {o.plate: p for o, p in zip(usable.observations, precision, strict=True)}
    assert of["A1"] == of["A2"] == pytest.approx((8 + 3) / (8 + a[0] / common))
    assert of["B1"] == pytest.approx((8 + 3) / (8 + b[0] / common))
    assert of["H1"] == of["H3"] == 1.0


@pytest.mark.parametrize(
    ("a", "b", "known"),
    [([50, 51, 52], [60, 62, 63], True), ([50, 51], [60, 62, 63], False), ([50, 51, 52], [60, 62], False),
     ([50, 50, 50], [60, 61, 62], False), ([50, 51, 52], [60, 60, 60], False)],
)  # fmt: skip
def test_scatter_is_compared_from_three_pieces_on(a: list[float], b: list[float], known: bool) -> None:
    """Two tell one degree of freedom; equal readings tell no scatter."""
    usable, design = made(asked({"A1": (a, BASE), "B1": (b, BASE)}))
    assert (_scatters(usable, design)[0] is not None) == known


def test_a_plate_of_both_sides_tells_of_neither() -> None:
    """Half of a plate is A, half is B: none of its own is left, and every piece counts as usual."""
    problem = asked({"A1": ([50.0, 51.0, 52.0], BASE), "B1": ([60.0, 62.0, 63.0], BASE)})
    moved = tuple(replace(o, plate="P") for o in problem.observations)
    usable, design = made(replace(problem, observations=moved))
    found, precision = _scatters(usable, design)
    assert found is None
    assert precision.tolist() == [1.0] * 6


def test_readings_without_any_scatter_count_as_usual() -> None:
    """Nothing to divide by, and nothing to draw to."""
    for count in (1, 3):
        usable, design = made(asked({"A1": ([50.0] * count, BASE), "B1": ([60.0] * count, BASE)}))
        ratio, precision = _scatters(usable, design)
        assert ratio is None
        assert precision == pytest.approx(np.ones(2 * count))


def test_causes_have_their_chances() -> None:
    """Three are expected among those recorded and one not recorded; the rest shared out by hand."""
    design = build(STRENGTH, (NOZZLE, FAN), cleaned(asked(PLATES)).observations)
    for name in ("?B", "?A", "?since J4", "?time"):
        design = design.with_column(Factor(name), np.arange(14.0))
    found = _causes(
        design, 1, ["nozzle_c", "fan_pct"], ["?B", "?A", "?since J4", "?time"], 1, {"?A": 2, "?B": 1}
    )
    each = 3 / (2 + 1 + 3)
    odds = each / (1 - each) * 2
    chances = [odds / 2 / 2 / 1, odds / 2 / 2 / 4, odds / 2 / 2, odds / 2 / 2]
    assert [(c.name, c.column, c.unrecorded) for c in found] == [
        ("nozzle_c", 1, False), ("fan_pct", 2, False), ("?B", 3, True), ("?A", 4, True),
        ("?since J4", 5, True), ("?time", 6, True),
    ]  # fmt: skip
    assert [c.chance for c in found] == pytest.approx([each, each, *(x / (1 + x) for x in chances)])
    alone = _causes(design, 1, ["nozzle_c"], ["?B", "?A"], 0, {"?A": 1, "?B": 2})
    odds = (3 / 5) / (2 / 5)
    assert [c.chance for c in alone] == pytest.approx([0.6, *(x / (1 + x) for x in (odds / 2 / 4, odds / 2))])
    time = _causes(design, 1, ["nozzle_c"], ["?time"], 0, {"?A": 1, "?B": 2})
    assert time[1].chance == pytest.approx((odds / 2) / (1 + odds / 2))


def test_another_material_acts_in_nine_of_ten() -> None:
    """It is a cause like any other but for that; it may be three times as large, other levels are open."""
    other = {
        **PLATES,
        "B1": (*PLATES["B1"][:2], {"material": "ABS"}),
        "H1": (*PLATES["H1"][:2], {"material": "PC"}),
    }
    found = work(cleaned(asked(other)))
    chances = {cause.name: cause.chance for cause in found.causes}
    assert chances["material"] == 0.9
    scale = _scales(found.design, list(found.causes), found.data.q, {"nozzle_c": 0.25})
    at = {name: found.design.columns_of(name) for name in ("material", "nozzle_c", "fan_pct")}
    assert scale[at["material"]].tolist() == [3.0, *[-20.0] * (len(at["material"]) - 1)]
    assert scale[at["fan_pct"]].tolist() == [-1.7]
    # What is a cause has the size of an effect, whatever is in doubt of it.
    assert scale[at["nozzle_c"]].tolist() == [1.0]
    bare = _scales(found.design, [], found.data.q, {"fan_pct": 0.25})
    assert bare[at["fan_pct"]].tolist() == [0.25]
    assert bare[at["nozzle_c"]].tolist() == [-1.7]


def test_a_doubt_acts_if_one_of_its_factors_does() -> None:
    """Of two causes each has a chance of a half; of two factors in doubt one acts in three of four."""
    design = small()
    assert _doubt(design, [5], 2) == pytest.approx(_doubt(replace(design, vague=1), [5], 2))
    found = _doubt(replace(design, vague=2), [5, 6], 2)
    assert found is not None
    assert found.columns == (5, 6)
    assert found.chance == pytest.approx(0.75)
    none = _doubt(replace(design, vague=0), [], 2)
    assert none is not None
    assert none.chance == pytest.approx(0.5)
    assert _doubt(small(gaps=False), [], 2) is None
    assert _doubt(small(gaps=False), [4], 2) is not None


def test_plates_of_each_side_are_counted() -> None:
    """Two of A, one of B."""
    assert _side_plates(cleaned(asked(PLATES))) == {"?A": 2, "?B": 1}


def test_rows_hold_a_cause_and_its_bends() -> None:
    """Its own columns and its curve; what two do together belongs to neither."""
    design = build(STRENGTH, (NOZZLE, FAN), cleaned(asked(PLATES)).observations)
    for name in ("bend", "both"):
        design = design.with_column(Factor(name), np.arange(14.0) ** 2)
    extras = (Extra(("nozzle_c",), 3), Extra(("nozzle_c", "fan_pct"), 4))
    change = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    found = _rows(design, 1, {"nozzle_c": np.ones(1), "fan_pct": np.ones(1)}, extras, change)
    assert found.tolist() == [[0, 1, 0, 3, 0], [0, 0, 2, 0, 0]]
    groups = (
        type("Part", (), {"factors": ("fan_pct", "nozzle_c")}),
        type("Part", (), {"factors": ("fan_pct",)}),
    )
    assert [row.tolist() for row in joint_rows(("nozzle_c", "fan_pct"), found, groups)] == [  # type: ignore[arg-type]
        [0, 1, 2, 3, 0], [0, 0, 2, 0, 0],
    ]  # fmt: skip


def test_what_is_not_known_of_a_side_is_a_column_and_the_rest_stays_with_its_plates() -> None:
    """Of two plates of A half of the variance each; B's one plate leaves it all to the column."""
    unknown = {**BASE, "fan_pct": None}
    plates = {
        **PLATES,
        "A2": (PLATES["A2"][0], unknown),
        "B1": (PLATES["B1"][0], {**unknown, "nozzle_c": 270.0}),
    }
    usable, design = made(asked(plates, (NOZZLE, FAN)))
    found, sizes = _with_doubts(usable, design)
    own = dict(zip(("A1", "A2", "B1", "H1", "H2", "H3"), design.open_variance, strict=True))
    assert own["A1"] == own["H1"] == 0
    assert sizes == pytest.approx(
        {"?values of A": math.sqrt((own["A1"] + own["A2"]) / 2 / 2), "?values of B": math.sqrt(own["B1"])}
    )
    assert found.open_variance.tolist() == pytest.approx([0, own["A2"] / 2, 0, 0, 0, 0])
    at = found.columns_of("?values of A")[0]
    assert np.ptp(found.x[:, at]) == pytest.approx(1)
    assert found.x[0, at] > found.x[-1, at]
    known, none = _with_doubts(*made(asked(PLATES, (NOZZLE, FAN))))
    assert (none, known.x.shape[1]) == ({}, 2)


def test_plates_are_placed_by_when_they_were_first_seen() -> None:
    """Those without a time in the middle of the others; none where a plate of A or B has no time."""
    early = {**PLATES, "H1": (*PLATES["H1"][:2], {})}
    problem = asked(early)
    observations = tuple(
        replace(o, order=0.5)
        if o.result_id == "A2-2"
        else replace(o, order=math.nan)
        if o.result_id == "A1-1"
        else o
        for o in problem.observations
    )
    usable, design = made(replace(problem, observations=observations))
    time = _plate_times(usable, design)
    assert time is not None
    middle = float(np.median([t for o, t in zip(usable.observations, time, strict=True) if o.plate != "H1"]))
    assert {o.plate: t for o, t in zip(usable.observations, time, strict=True)} == {
        "A1": 1.0, "A2": 0.5, "B1": 9.0, "H1": middle, "H2": 6.0, "H3": 7.0,
    }  # fmt: skip
    for gone in ("A1", "B1"):
        timeless = {**PLATES, gone: (*PLATES[gone][:2], {})}
        assert _plate_times(*made(asked(timeless))) is None


def design_plates(usable: Cleaned) -> list[str]:
    """Return the plates in order of index."""
    return sorted({o.plate for o in usable.observations})


def test_runs_begin_at_each_plate_between_a_and_b() -> None:
    """After the last of A, up to the first of B; of many six, evenly, the first and the last among them."""
    usable, design = made(asked(PLATES))
    time = _plate_times(usable, design)
    assert time is not None
    found = _runs(usable, time, 2.0, 9.0)
    assert list(found) == ["since H1", "since H2", "since H3", "since B1"]
    assert found["since H2"].tolist() == [float(t >= 6) for t in time]
    many = {f"H{n:02d}": ([50.0 + n], BASE, {"order": 10.0 + n}) for n in range(12)}
    plates = {**many, "A1": ([50.0], BASE, {"order": 1.0}), "B1": ([55.0], BASE, {"order": 40.0})}
    usable, design = made(asked(plates))
    time = _plate_times(usable, design)
    assert time is not None
    assert list(_runs(usable, time, 1.0, 40.0)) == [
        "since H00", "since H02", "since H04", "since H07", "since H09", "since B1",
    ]  # fmt: skip


def test_forms_of_something_not_recorded() -> None:
    """On B, on A, since a plate between them, with time from eight plates on.

    Since the first plate behind A is A itself, reversed, and since B is B: those say nothing new.
    """
    usable, design = made(asked(PLATES))
    assert _with_unrecorded(usable, design)[1] == ["?B", "?A", "?since H2", "?since H3"]
    later = {**PLATES, **{f"H{n}": ([50.0], BASE, {"order": 4.0 + n / 10}) for n in range(4, 6)}}
    usable, design = made(asked(later))
    found, names = _with_unrecorded(usable, design)
    assert names[-1] == "?time"
    column = found.x[:, found.columns_of("?time")[0]]
    assert np.ptp(column) == pytest.approx(1)
    by = {o.plate: c for o, c in zip(usable.observations, column, strict=True)}
    assert (by["B1"] - by["A1"], by["H3"] - by["H2"]) == pytest.approx((1.0, 1 / 8))
    # B before A: the run begins at A.
    turned = asked(PLATES)
    _, names = _with_unrecorded(*made(replace(turned, a=turned.b, b=turned.a)))
    assert names == ["?B", "?A", "?since H2", "?since H3"]
    # Where A and B overlap in time there is no run, and of two plates alone B says what A says.
    among = {**PLATES, "A2": (*PLATES["A2"][:2], {"order": 10.0})}
    assert _with_unrecorded(*made(asked(among)))[1] == ["?B", "?A"]
    two = {name: PLATES[name] for name in ("A1", "B1")}
    assert _with_unrecorded(*made(asked(two)))[1] == ["?B"]


def test_a_category_is_turned_to_its_change() -> None:
    """All of the change stands in its first column; what two results have in common stays."""
    usable, design = made(asked(PLATES))
    turned, changes = _turned(usable, design, ["nozzle_c", "fan_pct", "spool"])
    at = design.columns_of("spool")
    assert list(changes) == ["nozzle_c", "spool"]
    assert changes["nozzle_c"] == pytest.approx([1.0])
    # Two levels lie a root of a half away on two axes: one apart.
    assert changes["spool"] == pytest.approx([1.0])
    row_a, row_b = _mean_rows(usable, turned)
    assert (row_b - row_a)[1 + at] == pytest.approx([1.0, 0.0, 0.0], abs=1e-12)
    assert turned.x[:, at] @ turned.x[:, at].T == pytest.approx(design.x[:, at] @ design.x[:, at].T)
    assert turned.x[:, [0, 1]] == pytest.approx(design.x[:, [0, 1]])


def test_what_moves_by_rounding_alone_has_not_moved() -> None:
    """A billionth of a span; levels move whenever they differ."""
    base = compared_in(cleaned(asked(PLATES)))[0]
    assert _moved(base)
    assert not _moved(replace(base, a=240.0, b=240.0 + 0.9e-9 * 30))
    assert _moved(replace(base, a=240.0, b=240.0 + 1.1e-9 * 30))
    assert _moved(replace(base, a="S1", b="S1"))


@pytest.mark.parametrize("others", [4, 3])
def test_the_lowest_of_six_plates_is_an_extreme(others: int) -> None:
    """From six plates of its material on; A of two plates is none, and other materials are not counted."""
    plates = {
        **{f"H{n}": ([52.0 + n], BASE) for n in range(others)},
        "A1": ([50.0, 50.5], BASE), "B1": ([54.0, 66.0], BASE),
        "X1": ([10.0], BASE, {"material": "PC"}), "X2": ([90.0], BASE, {"material": "PC"}),
    }  # fmt: skip
    found = _extremes(cleaned(asked(plates)))
    assert found == ((Extreme("A", "lowest", 6), Extreme("B", "highest", 6)) if others == 4 else ())
    two = _extremes(cleaned(asked({**plates, "A2": ([40.0], BASE)})))
    assert two == (Extreme("B", "highest", others + 3),)


def test_residuals_of_weighted_plates_are_best_predictions() -> None:
    """By the n × n covariance: a plate's luck, its variance, and what is left of each piece."""
    design = small(gaps=False)
    sigma, rho, kappa = 0.03, 0.8, 3.0
    luck, spread, left = _residuals(design, sums(design), (sigma, rho, kappa))
    v = covariance(design, rho, kappa, np.full(2, kappa))
    m, y = np.eye(2)[design.material], design.y - design.y.mean()
    inverse = np.linalg.inv(v)
    p = inverse - inverse @ m @ np.linalg.inv(m.T @ inverse @ m) @ m.T @ inverse
    member = np.eye(6)[design.plate]
    loose = rho**2 / np.asarray(design.plate_weight)
    assert luck == pytest.approx(loose * (member.T @ p @ y), abs=1e-12)
    assert left == pytest.approx((p @ y) / np.asarray(design.weight), abs=1e-12)
    pieces = member.T @ np.asarray(design.weight)
    assert spread == pytest.approx(sigma**2 / (1 / loose + pieces))


def test_odd_plates_and_pieces_count_as_students_t_asks() -> None:
    """Two rounds of (ν + 1)/(ν + r²) for each plate and piece, ν = 8; A's and B's plates with ν/(ν - 2)."""
    usable, design = made(asked({**PLATES, "H4": ([30.0, 31.0], BASE)}))
    prior = Prior()
    found, scatter = _weighted_by_oddity(usable, design, prior)
    wanted, by_piece = _scatters(usable, design)
    ends = np.array([name[0] in "AB" for name in design_plates(usable)])
    first = np.where(ends, 6 / 8, 9 / 11)
    plates, pieces = first, np.ones(len(design.y))
    for _ in range(2):
        now = replace(design, weight=by_piece * pieces, plate_weight=plates)
        post = infer(sums(now), np.zeros((0, 1 + design.x.shape[1])), prior)
        sigma, rho, kappa = typical_scatters(post)
        luck, spread, left = _residuals(now, sums(now), (sigma, rho, kappa))
        plates = first * 9 / (8 + (luck**2 + spread) / (sigma * rho) ** 2)
        pieces = 9 / (8 + by_piece * (left / sigma) ** 2)
        pieces = pieces / pieces.mean()
    assert scatter == wanted
    assert found.plate_weight == pytest.approx(plates)
    assert found.weight == pytest.approx(by_piece * pieces)
    odd = dict(zip(design_plates(usable), plates, strict=True))
    assert odd["H4"] < 0.5 * odd["H1"]


def test_four_plates_are_too_few_to_call_one_odd() -> None:
    """From five on; before, pieces count by A's and B's own scatter alone."""
    four = {name: PLATES[name] for name in ("A1", "A2", "B1", "H1")}
    usable, design = made(asked(four))
    found, _ = _weighted_by_oddity(usable, design, Prior())
    assert found.plate_weight is None
    assert found.weight == pytest.approx(_scatters(usable, design)[1])
    five = {**four, "H2": PLATES["H2"]}
    usable, design = made(asked(five))
    assert _weighted_by_oddity(usable, design, Prior())[0].plate_weight is not None


def test_what_a_further_column_is_asked_for_is_a_ratio_of_likelihoods() -> None:
    """With an effect N(0, (λ/2)²) against without, at given scatters: two plain restricted likelihoods."""
    design = small()
    rng = np.random.default_rng(5)
    columns = [rng.normal(0, 1, len(design.y)), design.x[:, 0] ** 2, design.x[:, 0] * design.x[:, 1]]
    sigma, rho, kappa = 0.02, 1.1, 4.0
    found = _asked_for(design, 4, columns, (sigma, rho, kappa))
    v = sigma**2 * covariance(design, rho, kappa, np.full(2, kappa))
    for odds, column in zip(found, columns, strict=True):
        more = (kappa * sigma / 2) ** 2 * np.outer(column, column)
        assert odds == pytest.approx(restricted(design, v + more) - restricted(design, v), abs=1e-6)
    assert _asked_for(design, 4, [], (sigma, rho, kappa)).shape == (0,)


def test_bends_are_products_and_squares_from_a() -> None:
    """Of all pairs; squares of numbers with four levels or more; no more than forty."""
    usable, _ = made(asked(PLATES))
    design = build(STRENGTH, (NOZZLE, FAN), usable.observations)
    at_a = _mean_rows(usable, design)[0][1:]
    found = dict(_bends(design, ["nozzle_c", "fan_pct"], at_a))
    assert list(found) == [("nozzle_c", "fan_pct")]
    z = design.x - at_a
    assert found["nozzle_c", "fan_pct"] == pytest.approx(z[:, 0] * z[:, 1])
    four = {**PLATES, "H4": ([50.0], {**BASE, "fan_pct": 90.0})}
    usable, _ = made(asked(four))
    design = build(STRENGTH, (NOZZLE, FAN), usable.observations)
    found = dict(_bends(design, ["nozzle_c", "fan_pct"], np.zeros(2)))
    assert list(found) == [("nozzle_c", "fan_pct"), ("fan_pct",)]
    assert found["fan_pct",] == pytest.approx(design.x[:, 1] ** 2)
    names = [f"x{i}" for i in range(10)]
    for name in names:
        design = design.with_column(Factor(name), np.arange(15.0))
    assert len(_bends(design, names, np.zeros(12))) == 40


def test_plates_beyond_factors_are_what_fitting_leaves() -> None:
    """Plates less materials less the trace of the resolution matrix, at τ = σ and λ of 0.3⁻¹ σ."""
    found = work(cleaned(asked(PLATES)))
    design = found.design
    member = np.eye(6)[design.plate]
    pieces = np.diag(1 / np.asarray(design.weight))
    inverse = np.linalg.inv(pieces + member @ np.diag(1 / np.asarray(design.plate_weight)) @ member.T)
    one = np.ones((len(design.y), 1))
    p = inverse - inverse @ one @ np.linalg.inv(one.T @ inverse @ one) @ one.T @ inverse
    gram = design.x.T @ p @ design.x
    fitted = np.trace(gram @ np.linalg.inv(gram + 0.09 * np.eye(len(gram))))
    assert plates_beyond_factors(found) == pytest.approx(6 - 1 - fitted, abs=1e-6)


def test_noise_weights_are_the_variance_of_a_difference_of_means(working: Working) -> None:
    """Pieces by their weight squared, plates by the sum of theirs; what a shared plate had cancels."""
    loose = np.asarray(working.data.looseness)
    piece, plate = noise_weights(working)
    # A: plates of 2 and of 3 pieces; B: one of 4.
    assert piece == pytest.approx(2 / 16 + 3 / 36 + 4 / 16)
    assert plate == pytest.approx(loose[0] / 4 + loose[1] / 4 + loose[2])
    moved = tuple(replace(o, plate="P") for o in working.cleaned.observations if o.plate in ("A1", "B1"))
    problem = replace(
        working.cleaned.problem, observations=moved,
        a=frozenset(o.result_id for o in moved if o.result_id[0] == "A"),
        b=frozenset(o.result_id for o in moved if o.result_id[0] == "B"),
    )  # fmt: skip
    assert noise_weights(work(cleaned(problem))) == pytest.approx((2 / 4 + 4 / 16, 0), abs=1e-20)


def test_typical_scatters_are_geometric_means() -> None:
    """Weighted by the nodes."""
    weight, none = np.array([0.25, 0.75]), np.zeros((2, 0))
    sigma, rho, kappa = (np.array(each) for each in ([1.0, 16.0], [16.0, 1.0], [1.0, 81.0]))
    post = Posterior(weight, sigma, rho, kappa, none, none)
    assert typical_scatters(post) == pytest.approx((8.0, 2.0, 27.0))


def test_a_working_fits_together(working: Working) -> None:
    """Rows, hidden forms and the total are contrasts B - A; the draws of the parts add up to the total's."""
    change = _mean_rows(working.cleaned, working.design)
    assert working.row_b == pytest.approx(change[1])
    unseen = sum(working.hidden.values(), np.zeros(len(working.row_b)))
    total = working.rows.sum(axis=0) + working.together + unseen
    s = len(working.names)
    assert working.draws.shape == (2000, s + 4)
    drawn = working.draws
    assert drawn[:, -2] == pytest.approx(drawn[:, :s].sum(axis=1) + drawn[:, s] + drawn[:, s + 1], abs=1e-7)
    nonzero = np.flatnonzero(total)
    assert total[nonzero] == pytest.approx((change[1] - change[0])[nonzero])
    forms = [cause for cause in working.causes if cause.unrecorded]
    assert {cause.name for cause in forms} <= set(working.hidden)
    for cause in forms:
        row = working.hidden[cause.name]
        assert np.flatnonzero(row).tolist() in ([], [cause.column])


def bent(curved: float, both: float, plates: int = 14, seed: int = 3) -> Working:
    """Return the working of a book whose nozzle bends, or acts with the fan alone."""
    rng = np.random.default_rng(seed)
    made_: dict[str, Any] = {}
    for n in range(plates):
        nozzle, fan = [230.0, 240.0, 250.0, 260.0, 270.0][n % 5], [30.0, 70.0][n // 5 % 2]
        name = "A1" if n == 0 else "B1" if n == plates - 1 else f"H{n:02d}"
        if name == "B1":
            nozzle, fan = 270.0, 70.0
        z, w = (nozzle - 230) / 30, (fan - 30) / 40
        level = 3.9 + curved * z**2 + both * z * w + rng.normal(0, 0.004)
        values = [float(np.exp(level + rng.normal(0, 0.004))) for _ in range(3)]
        made_[name] = (values, {"nozzle_c": nozzle, "fan_pct": fan})
    return work(cleaned(asked(made_, (NOZZLE, FAN))))


def test_a_curve_enters_where_the_results_ask_for_it() -> None:
    """A bend of 20 % a squared span does; a straight book has none. A pair enters where both were printed."""
    assert [extra.factors for extra in bent(0.2, 0.0).extras if len(extra.factors) == 1] == [("nozzle_c",)]
    straight = bent(0.0, 0.0).extras
    assert [extra.factors for extra in straight] == [("nozzle_c", "fan_pct")]
    found = bent(0.0, 0.2)
    pair = next(extra for extra in found.extras if len(extra.factors) == 2)
    cause = next(cause for cause in found.causes if cause.column == pair.column)
    assert cause.name == "nozzle_c with fan_pct"
    # An interaction is expected a third as often as a cause: one where three are.
    assert cause.chance == pytest.approx(1 / (2 + 1 + 3))
    assert found.together[pair.column] != 0
    assert np.count_nonzero(found.together) == 1


def test_the_causes_of_a_book_are_in_their_columns() -> None:
    """Each stands where its design says, and the contrast of each is the change there."""
    world = World({f.name: 0.05 for f in SIX}, 0.03, 0.03)
    found = work(cleaned(book(np.random.default_rng(4), world, 6, {"nozzle_c", "spool"})))
    for row, name in zip(found.rows, found.names, strict=True):
        at = found.data.q + int(found.design.columns_of(name)[0])
        cause = next(cause for cause in found.causes if cause.name == name)
        assert cause == Cause(name, at, 3 / 6)
        assert row[at] != 0
