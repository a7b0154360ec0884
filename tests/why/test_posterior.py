"""The closed-form posterior against a plain one, and against other programs on open data."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
import statsmodels  # type: ignore[import-untyped]
import statsmodels.api as sm  # type: ignore[import-untyped]
from scipy.optimize import minimize
from scipy.stats import norm
from statsmodels.regression.mixed_linear_model import MixedLM  # type: ignore[import-untyped]

from tests.statistics.certified import digits, strd_line
from tests.why import plain
from tests.why.simulated import SIX, STRENGTH, World, book
from tracker.why import Factor, Observation, Question, posterior
from tracker.why.answer import _smaller_tail
from tracker.why.design import Array, Design, build
from tracker.why.posterior import Posterior, Sums, _sheets, fixed, infer, quantiles, sums, systems
from tracker.why.working import _residuals

_RAW = Question("y", positive=False)


def _book_design(history: int = 6, missing: bool = True) -> Design:
    rng = np.random.default_rng(11)
    world = World({f.name: 0.05 for f in SIX}, 0.03, 0.03)
    observations = list(book(rng, world, history, {"nozzle_c", "spool"}).observations)
    if missing:
        observations = [_without_fan(o) if o.plate == "H01" else o for o in observations]
    return build(STRENGTH, SIX, observations)


def _without_fan(o: Observation) -> Observation:
    kept = {name: value for name, value in o.factors.items() if name != "fan_pct"}
    return Observation(o.result_id, o.quantity, o.value, "PETG-2", o.plate, factors=kept)


@pytest.mark.parametrize("missing", [False, True])
def test_plate_sums_agree_with_the_plain_matrix(missing: bool) -> None:
    """Means and variances from per-plate sums equal those from the n × n matrix."""
    design = _book_design(missing=missing)
    rows = np.random.default_rng(1).normal(size=(4, len(design.materials) + design.x.shape[1]))
    rows[:, : len(design.materials)] -= rows[:, : len(design.materials)].mean(axis=1, keepdims=True)
    found = fixed(sums(design), rows, sigma=0.03, rho=0.8, kappa=3.0)
    plainly = plain.posterior(design, rows, 0.03, 0.8, 3.0)
    assert found[0] == pytest.approx(plainly[0], abs=1e-10)
    assert found[1] == pytest.approx(plainly[1], rel=1e-8)


@pytest.mark.parametrize("missing", [False, True])
def test_likelihood_agrees_with_the_plain_matrix(missing: bool) -> None:
    """Differences of the log likelihood between scatters equal those of the textbook form."""
    design = _book_design(missing=missing)
    points = [(0.03, 0.8, 3.0), (0.05, 0.3, 1.0), (0.02, 2.0, 6.0)]
    ours = [_log_likelihood(sums(design), *point) for point in points]
    plainly = [plain.restricted_log_likelihood(design, *point) for point in points]
    assert np.diff(ours) == pytest.approx(np.diff(plainly), abs=1e-7)


def _log_likelihood(data: Sums, sigma: float, rho: float, kappa: float) -> float:
    """Return the log marginal likelihood that is inferred from, up to a constant.

    Without factor columns this is the restricted (REML) likelihood of a random-intercept model.
    """
    sheet = _sheets(data, np.array([rho]), np.array([kappa]), np.zeros((0, len(data.xy))))
    likelihood = sheet.log_constant - data.free * math.log(sigma) - sheet.rest / (2 * sigma**2)
    return float(likelihood[0])


def _regression(y: list[float], x: Array, names: list[str]) -> tuple[Design, tuple[Factor, ...]]:
    factors = tuple(Factor(name, span=float(x[:, i].std())) for i, name in enumerate(names))
    observations = [
        Observation(
            f"r{i:03d}", "y", value, "m", f"p{i:03d}", factors=dict(zip(names, map(float, x[i]), strict=True))
        )
        for i, value in enumerate(y)
    ]
    return build(_RAW, factors, observations), factors


def _least_squares(design: Design, factors: tuple[Factor, ...]) -> Array:
    """Slopes in the limit of no prior and no plate scatter."""
    p = design.x.shape[1]
    mean, _ = fixed(sums(design), np.eye(p + 1)[1:], sigma=1.0, rho=1e-9, kappa=1e7)
    return np.asarray(mean * design.scale.unit / np.array([f.span for f in factors]))


def test_weak_prior_gives_least_squares_on_longley() -> None:
    """Longley: slopes equal statsmodels' ordinary least squares to 1e-6, and the certificate to 8 digits."""
    data = sm.datasets.longley.load_pandas()
    design, factors = _regression(list(data.endog), data.exog.to_numpy(), list(data.exog.columns))
    slopes = _least_squares(design, factors)
    certified = [15.0618722713733, -0.0358191792925910, -2.02022980381683]
    certified += [-1.03322686717359, -0.0511041056535807, 1829.15146461355]
    least_squares = sm.OLS(data.endog, sm.add_constant(data.exog)).fit().params.to_numpy()[1:]
    assert slopes == pytest.approx(least_squares, rel=1e-6)
    assert min(digits(float(a), b) for a, b in zip(slopes, certified, strict=True)) >= 8


def test_weak_prior_gives_least_squares_on_norris() -> None:
    """StRD Norris: slope 1.00211681802045 to 10 digits."""
    y, x = strd_line()
    design, factors = _regression(y, np.array(x)[:, None], ["x"])
    assert digits(float(_least_squares(design, factors)[0]), 1.00211681802045) >= 10


def _pastes() -> tuple[list[float], list[str]]:
    path = Path(statsmodels.__file__).parent / "regression" / "tests" / "results" / "pastes.csv"
    if not path.exists():
        pytest.skip("this build of statsmodels comes without the data set pastes")
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return [float(row["strength"]) for row in rows], [row["sample"] for row in rows]


def test_variance_components_agree_with_mixed_model() -> None:
    """Paste strength, 30 casks twice: the likelihood's peak is statsmodels' REML estimate."""
    y, casks = _pastes()
    design = build(
        _RAW,
        (),
        [Observation(f"r{i:03d}", "y", v, "m", c) for i, (v, c) in enumerate(zip(y, casks, strict=True))],
    )
    data, unit = sums(design), design.scale.unit
    peak = minimize(
        lambda u: -_log_likelihood(data, math.exp(u[0]), math.exp(u[1]), 1.0),
        [math.log(1 / unit), 1.0],
        method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-13, "maxiter": 5000},
    ).x
    other = MixedLM(np.array(y), np.ones(len(y)), groups=casks).fit(reml=True)
    assert (math.exp(peak[0]) * unit) ** 2 == pytest.approx(other.scale, rel=1e-4)
    assert (math.exp(peak[0] + peak[1]) * unit) ** 2 == pytest.approx(
        float(np.asarray(other.cov_re)[0, 0]), rel=1e-4
    )


def _one_node(mean: float, variance: float) -> Posterior:
    one = np.ones(1)
    return Posterior(one, one, one, one, np.array([[mean]]), np.array([[variance]]))


@pytest.mark.parametrize("sd", [3.0, 30.0])
def test_quantiles_of_one_gaussian(sd: float) -> None:
    """A single node has the quantiles of its Gaussian, a wide one too."""
    found = quantiles(_one_node(2.0, sd**2), (0.025, 0.5, 0.975))[:, 0]
    assert found == pytest.approx(norm.ppf([0.025, 0.5, 0.975], 2, sd), abs=1e-6)


@pytest.mark.parametrize("mean", [0.8, -0.8])
def test_the_smaller_side_of_zero_is_that_of_the_normal_distribution(mean: float) -> None:
    """A difference of 1.6 standard deviations leaves 5.48 % (table of the normal distribution)."""
    assert _smaller_tail(_one_node(mean, 0.25)) == pytest.approx(0.0548, abs=5e-5)


def test_quantiles_of_a_mixture_solve_its_distribution() -> None:
    """Each quantile puts the right probability below it, for far and near nodes together."""
    weight = np.array([0.2, 0.3, 0.5])
    mean = np.array([[-5.0, 0.0], [0.0, 0.1], [3.0, 0.2]])
    variance = np.array([[0.01, 1.0], [1.0, 4.0], [0.2, 1e-8]])
    node = Posterior(weight, weight, weight, weight, mean, variance)
    found = quantiles(node, (0.025, 0.5, 0.975))
    below = np.einsum("g,gas->as", weight, norm.cdf(found[None], mean[:, None], np.sqrt(variance)[:, None]))
    assert below == pytest.approx(np.array([[0.025] * 2, [0.5] * 2, [0.975] * 2]), abs=1e-6)


def test_quantiles_of_one_contrast_do_not_depend_on_the_others() -> None:
    """A contrast whose quantile is found early keeps it while slower ones are still sought."""
    rng = np.random.default_rng(8)
    weight = np.array([0.3, 0.3, 0.4])
    # The last contrast is three spikes far apart, which takes fifty bisections.
    mean = np.column_stack([rng.normal(0, 1, (3, 12)), [-1e3, 0.0, 1e3]])
    variance = np.column_stack([rng.lognormal(0, 1, (3, 12)), np.full(3, 1e-18)])
    together = quantiles(Posterior(weight, weight, weight, weight, mean, variance), (0.025, 0.5, 0.975))
    alone = [
        quantiles(
            Posterior(weight, weight, weight, weight, mean[:, [i]], variance[:, [i]]), (0.025, 0.5, 0.975)
        )
        for i in range(13)
    ]
    assert together == pytest.approx(np.hstack(alone), abs=1e-5)


def test_weights_sum_to_one() -> None:
    """The grid's weights are a probability."""
    design = _book_design()
    post = infer(sums(design), np.eye(len(design.materials) + design.x.shape[1]))
    assert post.weight.sum() == pytest.approx(1)


def test_grid_finds_known_scatters() -> None:
    """With 200 plates the posterior of σ and τ closes in on the truth."""
    rng = np.random.default_rng(2)
    world = World({f.name: 0.0 for f in SIX}, 0.03, 0.06)
    design = build(STRENGTH, SIX, book(rng, world, 200, set()).observations)
    post = infer(sums(design), np.zeros((1, 1 + design.x.shape[1])))
    assert float(post.weight @ post.sigma) == pytest.approx(0.03, rel=0.1)
    assert float(post.weight @ (post.sigma * post.rho)) == pytest.approx(0.06, rel=0.15)


def _spread(weight: Array, values: Array) -> float:
    logs = np.log(values)
    return math.sqrt(float(weight @ logs**2 - (weight @ logs) ** 2))


def test_more_pieces_on_the_same_plates_narrow_sigma_but_not_tau() -> None:
    """Every piece entered four times: σ is known twice as well, τ hardly better."""
    rng = np.random.default_rng(3)
    few = list(book(rng, World({f.name: 0.0 for f in SIX}, 0.03, 0.06), 8, set()).observations)
    many = [
        Observation(f"{o.result_id}x{k}", o.quantity, o.value, o.material, o.plate)
        for o in few
        for k in range(4)
    ]
    posts = [infer(sums(build(STRENGTH, (), observations)), np.zeros((1, 1))) for observations in (few, many)]
    sigma = [_spread(p.weight, p.sigma) for p in posts]
    tau = [_spread(p.weight, p.sigma * p.rho) for p in posts]
    assert sigma[1] < 0.6 * sigma[0]
    assert tau[1] > 0.9 * tau[0]


def test_quantiles_of_a_wide_tail_lie_beyond_a_narrow_bulk() -> None:
    """A tenth with a deviation of 100 holds both ends: a quarter of it lies beyond 67.449 (normal table)."""
    weight, variance = np.array([0.9, 0.1]), np.array([[1.0], [1e4]])
    node = Posterior(weight, weight, weight, weight, np.zeros((2, 1)), variance)
    assert quantiles(node, (0.025, 0.975))[:, 0] == pytest.approx([-67.449, 67.449], abs=1e-3)


def test_the_luck_of_a_plate_is_what_the_scatters_leave_it() -> None:
    """The best prediction of a plate's share solves luck = rho squared times the sum of what is left."""
    design = _book_design()
    luck, variance, left = _residuals(design, sums(design), (0.03, 0.8, 3.0))
    pieces = np.bincount(design.plate)
    assert luck == pytest.approx(0.64 * np.bincount(design.plate, weights=left), abs=1e-12)
    assert variance == pytest.approx(0.0009 * 0.64 / (1 + 0.64 * pieces))


@pytest.mark.parametrize("materials", [1, 3, 40])
def test_products_made_once_give_what_one_pair_at_a_time_gives(
    materials: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sums of many plates are weighed for all pairs of scatters together; a material may cross the parts."""
    rng = np.random.default_rng(materials)
    k, c = 120, 4
    counts = rng.integers(1, 9, k).astype(float)
    x, y = rng.normal(size=(k, c)), rng.normal(size=k)
    starts = np.unique(np.r_[0, rng.integers(0, k, materials - 1)])
    data = Sums(
        int(counts.sum()), 0, (x * counts[:, None]).T @ x, x.T @ (y * counts), float(y @ (y * counts)) + 3,
        counts, x * counts[:, None], y * counts, rng.random(k) * (rng.random(k) < 0.5), np.ones(k), starts,
    )  # fmt: skip
    rho, kappa = np.exp(rng.normal(size=(2, 5)))
    plainly = systems(data, rho, kappa)
    monkeypatch.setattr(posterior, "_AT_ONCE", 10)
    monkeypatch.setattr(posterior, "_PLATES", 50)
    for ours, theirs in zip(systems(data, rho, kappa), plainly, strict=True):
        assert ours == pytest.approx(theirs, rel=1e-9, abs=1e-9)
