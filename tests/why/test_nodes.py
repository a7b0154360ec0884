"""Every node of a posterior against n × n matrices: its density, its mean, its variance."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from tests.why.simulated import STRENGTH
from tracker.why import Factor, Observation
from tracker.why import posterior as posterior_module
from tracker.why.causes import Cause, Doubt, Mixture, _base, _log_prior, sets_of, weigh
from tracker.why.design import Array, Design, build
from tracker.why.posterior import (
    Prior,
    Sums,
    infer,
    narrow,
    sigma_log_density,
    sigma_nodes,
    sums,
    systems,
    weighted,
)

FACTORS = (Factor("nozzle_c", "°C", 1.0, 30.0), Factor("fan_pct", "%", 1.0, 40.0))
BELIEFS = Prior(effect=(0.25, 0.6), piece=(0.02, 0.8), plate_ratio=(0.9, 0.5))


def small(*, gaps: bool = True, odd: bool = True, materials: int = 2) -> Design:
    """Return six plates of two or three pieces at different settings, one of them not recorded on a plate."""
    rng = np.random.default_rng(17)
    observations = []
    for plate, (nozzle, fan) in enumerate(
        [(240, 30), (270, 30), (240, 70), (255, 50), (262, None), (247, 44)]
    ):
        level = 3.8 + 0.1 * (nozzle - 240) / 30 + rng.normal(0, 0.03)
        known = {"nozzle_c": float(nozzle), "fan_pct": None if fan is None else float(fan)}
        if not gaps:
            known["fan_pct"] = float(fan or 35)
        observations += [
            Observation(
                f"R{plate}{i}", STRENGTH.quantity, float(np.exp(level + rng.normal(0, 0.02))),
                f"M{plate * materials // 6}", f"P{plate}", factors=known,
            )
            for i in range(2 + plate % 2)
        ]  # fmt: skip
    design = build(STRENGTH, FACTORS, observations)
    if not odd:
        return design
    weight = rng.uniform(0.5, 1.5, len(design.y))
    return replace(design, weight=weight, plate_weight=rng.uniform(0.4, 1.2, 6))


def covariance(design: Design, rho: float, kappa: float, spread: Array) -> Array:
    """Return the n × n covariance in σ²: pieces, plates, what is not known of plates, effects."""
    member = np.eye(6)[design.plate]
    loose = np.ones(6) if design.plate_weight is None else 1 / design.plate_weight
    pieces = np.ones(len(design.y)) if design.weight is None else 1 / design.weight
    plates = rho**2 * loose + kappa**2 * design.open_variance
    effects = design.x @ np.diag(spread**2) @ design.x.T
    return np.asarray(np.diag(pieces) + member @ np.diag(plates) @ member.T + effects)


def restricted(design: Design, v: Array) -> float:
    """Return the restricted log likelihood of a covariance, intercepts of materials flat."""
    m = np.eye(len(design.materials))[design.material]
    inverse = np.linalg.inv(v)
    inner = m.T @ inverse @ m
    p = inverse - inverse @ m @ np.linalg.inv(inner) @ m.T @ inverse
    logs = np.linalg.slogdet(v)[1] + np.linalg.slogdet(inner)[1]
    return -0.5 * float(logs + design.y @ p @ design.y)


def believed(prior: Prior, sigma: float, rho: float, kappa: float) -> float:
    """Return the log density of log-normal priors in the logarithms of σ, ρ and λ = κσ."""
    pairs = ((sigma, prior.piece), (rho, prior.plate_ratio), (kappa * sigma, prior.effect))
    return float(sum(norm.logpdf(math.log(x), math.log(middle), sd) for x, (middle, sd) in pairs))


def steps(cell: Any, sigma: Array) -> dict[int, float]:
    """Return the step of log σ in each cell of which two nodes or more were kept."""
    found = {}
    for one in np.unique(cell):
        own = np.sort(np.log(sigma[cell == one]))
        if len(own) > 1:
            found[int(one)] = float(np.diff(own).min())
    return found


@pytest.mark.parametrize(("gaps", "odd"), [(False, False), (True, False), (True, True)])
def test_nodes_weigh_what_likelihood_and_priors_say(gaps: bool, odd: bool) -> None:
    """The log weight of each, less the log of the step it stands for, is the plain log density."""
    design = small(gaps=gaps, odd=odd)
    post = infer(sums(design), np.zeros((0, 4)), BELIEFS)
    _, cell = np.unique(np.column_stack([post.rho, post.kappa]).round(12), axis=0, return_inverse=True)
    step = steps(cell.ravel(), post.sigma)
    chosen = [g for g in range(0, len(post.weight), 29) if int(cell.ravel()[g]) in step]
    rest = []
    for g in chosen:
        sigma, rho, kappa = float(post.sigma[g]), float(post.rho[g]), float(post.kappa[g])
        v = sigma**2 * covariance(design, rho, kappa, np.full(2, kappa))
        plain = restricted(design, v) + believed(BELIEFS, sigma, rho, kappa)
        rest.append(math.log(post.weight[g]) - math.log(step[int(cell.ravel()[g])]) - plain)

    assert len(chosen) > 20
    assert np.ptp(rest) < 1e-5


def test_nodes_hold_mean_and_variance_of_contrasts() -> None:
    """Conjugate to the plain matrices at the node's own σ, ρ and κ."""
    design = small()
    rows = np.array([[0.0, 0.0, 1.0, 0.0], [0.0, 0.0, -0.5, 2.0], [-1.0, 1.0, 0.0, 0.3]])
    post = infer(sums(design), rows, BELIEFS)
    z = np.hstack([np.eye(2)[design.material], design.x])
    for g in range(0, len(post.weight), 211):
        sigma, rho, kappa = float(post.sigma[g]), float(post.rho[g]), float(post.kappa[g])
        noise = np.linalg.inv(sigma**2 * covariance(design, rho, kappa, np.zeros(2)))
        pulled = np.linalg.inv(z.T @ noise @ z + np.diag([0, 0, *[(kappa * sigma) ** -2] * 2]))
        theta = pulled @ z.T @ noise @ (design.y - design.y.mean())
        assert post.mean[g] == pytest.approx(rows @ theta, abs=1e-9)
        assert post.variance[g] == pytest.approx(np.diag(rows @ pulled @ rows.T), rel=1e-7)


CAUSES = (
    Cause("nozzle_c", 2, 0.3),
    Cause("fan_pct", 3, 0.6),
    Cause("?B", 4, 0.2, unrecorded=True),
)
SCALE = np.array([1.0, 0.7, 1.0, -1.7, 0.4])
"""Two causes, something not recorded, a nuisance in σ, and what is in doubt."""


def wider() -> Design:
    """Return the small design with columns for something not recorded, a nuisance and a doubt."""
    design = small()
    for name, plates in (("?B", [1]), ("side", [0, 3, 4]), ("?values of B", [4, 5])):
        design = design.with_column(Factor(name), np.isin(design.plate, plates).astype(float))
    return design


def spread_of(one: tuple[int, ...], kappa: float, size: float) -> Array:
    """Return the prior deviation of each column's effect in σ where a set of causes acts."""
    spread = np.where(SCALE < 0, -SCALE, SCALE * kappa)
    for i, cause in enumerate(CAUSES):
        if i not in one:
            spread[cause.column - 2] *= 0.02 if cause.unrecorded else 0.1
    spread[4] *= size
    return np.asarray(spread)


@pytest.fixture(scope="module")
def mixture() -> Mixture:
    """Weigh the causes of the wider design, with a doubt."""
    rows = np.hstack([np.zeros((3, 2)), np.eye(5)[[0, 2, 4]]])
    return weigh(sums(wider()), CAUSES, rows, SCALE, BELIEFS, Doubt((6,), 0.35))


def test_sets_weigh_what_likelihood_and_chances_say(mixture: Mixture) -> None:
    """Each node's set, its cell and σ by plain matrices; odds of each cause; the doubt's chance."""
    design, post = wider(), mixture.posterior
    key = mixture.node_cell * len(mixture.sets) + mixture.node_set
    step = steps(key, post.sigma)
    rest, kinds = [], set()
    for g in range(len(post.weight)):
        if int(key[g]) not in step or (g % 17 and (int(mixture.node_set[g]), g % 2) in kinds):
            continue
        kinds.add((int(mixture.node_set[g]), g % 2))
        sigma, rho, kappa = float(post.sigma[g]), float(post.rho[g]), float(post.kappa[g])
        acts = mixture.node_cell[g] < len(mixture.sheets.rho) // 2
        one = mixture.sets[mixture.node_set[g]]
        size = 1.0 if acts else 0.1
        v = sigma**2 * covariance(design, rho, kappa * size, spread_of(one, kappa, size))
        odds = sum(math.log(CAUSES[i].chance / (1 - CAUSES[i].chance)) for i in one)
        plain = restricted(design, v) + believed(BELIEFS, sigma, rho, kappa) + odds
        plain += math.log(0.35 if acts else 0.65)
        rest.append(math.log(post.weight[g]) - math.log(step[int(key[g])]) - plain)

    assert len(rest) > 40
    assert np.ptp(rest) < 1e-5


def test_nodes_of_sets_hold_mean_and_covariance(mixture: Mixture) -> None:
    """Of every set: contrasts by plain matrices, and what two contrasts have in common, in σ²."""
    design, post = wider(), mixture.posterior
    z = np.hstack([np.eye(2)[design.material], design.x])
    rows = np.hstack([np.zeros((3, 2)), np.eye(5)[[0, 2, 4]]])
    for which in range(len(mixture.sets)):
        nodes = np.flatnonzero(mixture.node_set == which)[::97]
        for g in nodes[:3]:
            sigma, rho, kappa = float(post.sigma[g]), float(post.rho[g]), float(post.kappa[g])
            size = 1.0 if mixture.node_cell[g] < len(mixture.sheets.rho) // 2 else 0.1
            noise = np.linalg.inv(covariance(design, rho, kappa * size, np.zeros(5)))
            spread = spread_of(mixture.sets[which], kappa, size)
            pulled = np.linalg.inv(z.T @ noise @ z + np.diag([0, 0, *spread**-2.0]))
            theta = pulled @ z.T @ noise @ (design.y - design.y.mean())
            both = rows @ pulled @ rows.T
            assert post.mean[g] == pytest.approx(rows @ theta, abs=1e-8)
            assert post.variance[g] == pytest.approx(sigma**2 * np.diag(both), rel=1e-6)
            assert mixture._covariance(np.array([g]))[0] == pytest.approx(both, rel=1e-6, abs=1e-9)


def test_what_acts_is_summed_over_all_sets(mixture: Mixture) -> None:
    """Nearly all of the probability is kept, and each cause acts in the sets that hold it."""
    post = mixture.posterior
    for i in range(3):
        own = [post.weight[g] for g in range(len(post.weight)) if i in mixture.sets[mixture.node_set[g]]]
        assert mixture.acts(i) == pytest.approx(math.fsum(own))
    assert mixture.sets == sets_of(CAUSES)
    assert post.weight.sum() == pytest.approx(1)


def test_sets_and_scatters_are_those_of_brute_force() -> None:
    """A grid of 41 by 31 by 41 over all that the priors hold gives the same probability, to half a point."""
    design = small(gaps=False, odd=False, materials=1)
    found = weigh(sums(design), [Cause("nozzle_c", 1, 0.4)], np.eye(1, 3, 1), np.ones(2), BELIEFS)
    u, r, k = (
        np.linspace(math.log(middle) - 4 * sd, math.log(middle) + 4 * sd, count)
        for (middle, sd), count in ((BELIEFS.piece, 41), (BELIEFS.plate_ratio, 31), (BELIEFS.effect, 41))
    )
    m = np.ones((len(design.y), 1))
    # Contrasts within the one material carry all that a restricted likelihood looks at.
    basis = np.linalg.qr(np.hstack([m, np.eye(len(m))[:, 1:]]))[0][:, 1:]
    y, member = basis.T @ design.y, basis.T @ np.eye(6)[design.plate]
    x = basis.T @ design.x
    sigma, rho, size = (np.exp(part)[:, None, None] for part in map(np.ravel, np.meshgrid(u, r, k)))
    common = sigma**2 * np.eye(len(y)) + (sigma * rho) ** 2 * (member @ member.T)
    common = common + size**2 * np.outer(x[:, 1], x[:, 1])
    prior = sum(
        norm.logpdf(np.log(value).ravel(), math.log(middle), sd)
        for value, (middle, sd) in (
            (sigma, BELIEFS.piece),
            (rho, BELIEFS.plate_ratio),
            (size, BELIEFS.effect),
        )
    )
    both, slopes = [], []
    for faint, chance in ((0.1, 0.6), (1.0, 0.4)):
        v = common + (faint * size) ** 2 * np.outer(x[:, 0], x[:, 0])
        solved = np.linalg.solve(v, np.column_stack([y, x[:, 0]])[None].repeat(len(v), axis=0))
        both.append(prior - 0.5 * (np.linalg.slogdet(v)[1] + solved[:, :, 0] @ y) + math.log(chance))
        slopes.append((faint * size.ravel()) ** 2 * (solved[:, :, 0] @ x[:, 0]))
    weight = np.exp(np.array(both) - np.max(both))
    weight /= weight.sum()

    assert found.acts(0) == pytest.approx(weight[1].sum(), abs=0.005)
    post = found.posterior
    assert post.weight @ post.mean[:, 0] == pytest.approx((weight * np.array(slopes)).sum(), rel=0.01)
    logs = np.log(sigma.ravel())
    assert post.weight @ np.log(post.sigma) == pytest.approx((weight @ logs).sum(), abs=0.02)
    assert post.weight @ np.log(post.rho) == pytest.approx((weight @ np.log(rho.ravel())).sum(), abs=0.05)


def test_the_log_prior_of_a_set_is_the_sum_of_its_odds() -> None:
    """Of 0.3, 0.6 and 0.2: 3 to 7, 3 to 2, 1 to 4."""
    found = _log_prior(CAUSES, [(), (0,), (1, 2), (0, 1)])
    assert np.exp(found) == pytest.approx([1.0, 3 / 7, 3 / 8, 9 / 14])


@pytest.mark.parametrize(("count", "largest", "several"), [(8, 3, 93), (9, 2, 46), (30, 2, 466), (31, 1, 32)])
def test_of_many_causes_smaller_sets_are_tried(count: int, largest: int, several: int) -> None:
    """Three of up to eight, two of up to thirty, one of more; all together; none; two beside a form."""
    recorded = [Cause(f"f{i}", i, 0.1) for i in range(count)]
    sets = sets_of(recorded)
    assert len(sets) == several + 1
    assert sorted({len(one) for one in sets}) == [*range(largest + 1), count]
    with_form = sets_of([*recorded, Cause("?B", count, 0.1, unrecorded=True)])
    beside = [one for one in with_form if count in one]
    assert max(len(one) for one in beside) == min(largest, 2) + 1
    assert len(with_form) == len(sets) + len([one for one in sets if len(one) <= 2])


def test_of_few_causes_all_together_are_no_other_set() -> None:
    """Three causes are a set of three already."""
    assert len(sets_of([Cause(f"f{i}", i, 0.1) for i in range(3)])) == 8


def test_a_grid_without_doubt_is_seven_by_seven() -> None:
    """Evenly in the logarithms, κ running faster; twice with a doubt, the first half acting."""
    ranges = ((math.log(0.5), math.log(2.0)), (math.log(1.0), math.log(8.0)))
    design = small(materials=1)
    data, rows = sums(design), np.zeros((0, 3))
    plain = _base(data, [Cause("nozzle_c", 1, 0.3)], rows, np.ones(2), ranges)
    assert plain.rho == pytest.approx(np.repeat(0.5 * 4 ** (np.arange(7) / 6), 7))
    assert plain.kappa == pytest.approx(np.tile(8 ** (np.arange(7) / 6), 7))
    doubted = _base(data, [Cause("nozzle_c", 1, 0.3)], rows, np.ones(2), ranges, Doubt((2,), 0.3))
    assert doubted.rho == pytest.approx(np.tile(plain.rho, 2))
    assert doubted.kappa == pytest.approx(np.tile(plain.kappa, 2))


def test_the_ranges_of_the_grid_hold_three_and_a_half_deviations() -> None:
    """Of log ρ; of log κ = log λ - log σ, whose deviations add up as squares."""
    rho, kappa = Prior().ranges()
    assert rho == pytest.approx((math.log(1.2) - 2.45, math.log(1.2) + 2.45))
    half = 3.5 * math.sqrt(0.5**2 + 0.9**2)
    assert kappa == pytest.approx((math.log(20 / 3) - half, math.log(20 / 3) + half))


def test_a_grid_closes_in_on_its_mass_and_one_step_more() -> None:
    """Nodes of a ten-thousandth of the heaviest or less are left out; the range never grows."""
    values = np.exp(np.array([0.0, 1.0, 2.0, 3.0, 4.0, 2.0]))
    assert narrow(values, np.array([1e-4, 0.5, 0.2, 1.1e-4, 1e-5, 0.8]), (0.0, 4.0), 5) == pytest.approx(
        (0.0, 4.0)
    )
    assert narrow(values, np.array([0, 0, 0.2, 0.1, 1e-5, 0.8]), (0.0, 4.0), 5) == pytest.approx((1.0, 4.0))
    assert narrow(values, np.array([0, 0, 0.2, 9e-5, 0, 0.8]), (0.0, 4.0), 5) == pytest.approx((1.0, 3.0))
    assert narrow(values, np.array([0.3, 0.2, 0, 0, 0, 0]), (0.0, 4.0), 5) == pytest.approx((0.0, 2.0))


@pytest.mark.parametrize("free", [0, 1, 12])
def test_nodes_of_sigma_lie_about_the_mode_of_its_density(free: int) -> None:
    """Where the density is level, five of its own widths to each side; width by its curvature there."""
    rest, log_kappa = np.array([0.004, 0.3]), np.array([0.5, 2.0])
    u, width = sigma_nodes(free, rest, log_kappa, BELIEFS, 11)

    def density(at: Array) -> Array:
        return sigma_log_density(at[:, None], free, rest, log_kappa, BELIEFS)[:, 0]

    middle, h = u[:, 5], 1e-4
    slope = (density(middle + h) - density(middle - h)) / (2 * h)
    curve = (density(middle + h) - 2 * density(middle) + density(middle - h)) / h**2
    assert slope == pytest.approx([0, 0], abs=1e-5)
    assert width == pytest.approx(1 / np.sqrt(-curve), rel=1e-4)
    assert (u - middle[:, None]) == pytest.approx(width[:, None] * np.arange(-5, 6))
    assert sigma_nodes(free, rest, log_kappa, BELIEFS)[0].shape == (2, 21)


def test_the_density_of_sigma_is_likelihood_times_priors() -> None:
    """A normal likelihood with residual squares on f degrees, and both log-normal priors, but a constant."""
    u = np.array([[-4.0, -3.5, -2.0]])
    found = sigma_log_density(u, 7, np.array([0.02]), np.array([1.5]), BELIEFS)[0]
    plain = [
        sum(norm.logpdf(math.sqrt(0.02 / 7), 0, math.exp(x)) for _ in range(7))
        + norm.logpdf(x, math.log(0.02), 0.8)
        + norm.logpdf(x + 1.5, math.log(0.25), 0.6)
        for x in u[0]
    ]
    assert np.diff(found) == pytest.approx(np.diff(plain))


PAIRS = (np.array([0.5, 0.5, 1.3, 2.0, 2.0]), np.array([1.0, 3.0, 2.0, 4.0, 0.5]))


@pytest.mark.parametrize("gaps", [True, False])
@pytest.mark.parametrize("at_once", [1, 60, 10_000])
def test_pairs_together_are_as_each_alone(gaps: bool, at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the plain inverse of the noise; however many fit into one array, and whether κ enters or not."""
    design = small(gaps=gaps)
    monkeypatch.setattr(posterior_module, "_AT_ONCE", at_once)
    a, b, yy, log_noise = systems(sums(design), *PAIRS)
    z, y = np.hstack([np.eye(2)[design.material], design.x]), design.y - design.y.mean()
    offset = float(np.log(1 / np.asarray(design.weight)).sum())
    for i, (rho, kappa) in enumerate(zip(*PAIRS, strict=True)):
        noise = covariance(design, rho, kappa, np.zeros(2))
        inverse = np.linalg.inv(noise)
        assert a[i] == pytest.approx(z.T @ inverse @ z, abs=1e-9)
        assert b[i] == pytest.approx(z.T @ inverse @ y, abs=1e-9)
        assert yy[i] == pytest.approx(y @ inverse @ y, abs=1e-12)
        assert log_noise[i] == pytest.approx(np.linalg.slogdet(noise)[1] - offset)
        alone = weighted(sums(design), rho, kappa)
        assert [*map(float, alone[2:])] == pytest.approx([yy[i], log_noise[i]])


def test_intercepts_taken_out_are_those_of_columns() -> None:
    """Plate by plate, or as columns of the system: what is left for the effects is the same."""
    design = small(materials=3)
    full = sums(design)
    assert (full.free, full.q) == (len(design.y) - 3, 3)
    own = np.arange(3, 5)
    bare = Sums(
        n=full.n, q=0, xx=full.xx[np.ix_(own, own)], xy=full.xy[own], yy=full.yy, counts=full.counts,
        plate_x=full.plate_x[:, own], plate_y=full.plate_y, open_variance=full.open_variance,
        looseness=full.looseness, starts=np.array([0, 2, 4]),
    )  # fmt: skip
    assert bare.free == full.free
    a, b, yy, log_noise = systems(full, *PAIRS)
    left, right, rest, logs = systems(bare, *PAIRS)
    for i in range(len(PAIRS[0])):
        inner = np.linalg.inv(a[i, :3, :3])
        assert left[i] == pytest.approx(a[i, 3:, 3:] - a[i, 3:, :3] @ inner @ a[i, :3, 3:], abs=1e-9)
        assert right[i] == pytest.approx(b[i, 3:] - a[i, 3:, :3] @ inner @ b[i, :3], abs=1e-9)
        assert rest[i] == pytest.approx(yy[i] - b[i, :3] @ inner @ b[i, :3], abs=1e-12)
        assert logs[i] == pytest.approx(log_noise[i] + np.linalg.slogdet(a[i, :3, :3])[1])


def test_draws_of_a_mixture_are_normal_about_its_nodes(mixture: Mixture) -> None:
    """Pairs lie mirrored about the node's mean; their spread is that of the node's covariance."""
    only = np.array([0, 2])
    drawn = mixture.draws(400, only)
    post = mixture.posterior
    middle = (drawn[:200] + drawn[200:]) / 2
    steps_ = (np.arange(200) + 0.5) / 200
    node = np.searchsorted(np.cumsum(post.weight), steps_)
    assert middle == pytest.approx(post.mean[node][:, only], abs=1e-9)
    normal = np.random.default_rng(1).standard_normal((200, 2))
    for d in (0, 77, 199):
        both = post.sigma[node[d]] ** 2 * mixture._covariance(node[[d]])[0][np.ix_(only, only)]
        away = drawn[d] - middle[d]
        # As probable as the normal numbers it was made of.
        own = multivariate_normal(np.zeros(2), both).logpdf(away)
        unit = multivariate_normal(np.zeros(2), np.eye(2)).logpdf(normal[d])
        assert own == pytest.approx(unit - 0.5 * np.linalg.slogdet(both)[1], rel=1e-6)
