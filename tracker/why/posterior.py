"""The closed-form posterior over a grid of the three unknown scatters.

Model (working scale): y_ij = m_material + Σ β_f z_if + u_j + e_ij with
u_j ~ N(0, τ²) per plate, e_ij ~ N(0, σ²) per piece, β_f ~ N(0, λ²), m flat.
Given (λ, σ, τ) everything is Gaussian. With ρ = τ/σ and κ = λ/σ the noise
matrix is σ²·blocks(I + t_j 11'), t_j = ρ² + κ²·(open variance of plate j), whose
inverse needs the plates' counts and sums only (Sherman-Morrison); σ then
scales everything, so one Cholesky per (ρ, κ) serves all σ. A. Gelman et al.,
Bayesian Data Analysis, 3rd ed., ch. 14-15.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import ndtr, ndtri

from tracker.lazy_modules import np
from tracker.why.design import Array, Design, Indices


@dataclass(frozen=True)
class Prior:
    """Log-normal priors of the scatters: (median, standard deviation of the logarithm).

    Chosen on simulated books (``python -m tests.bench_why``): with an effect's median of 10 % and a
    wider prior, λ is drawn down by the factors that do nothing, and the one large effect is shrunk so
    far that its 95 % interval covers the truth in 86 to 92 % of books. Published effects of one span
    (nozzle, chamber, moisture, cooling on interlayer strength) reach 20 % and more. A plate ratio a
    little above 1 pays for what few plates leave unknown of τ.

    Attributes:
        effect: λ, the effect of one span, as a fraction of the value.
        piece: σ, piece to piece.
        plate_ratio: ρ = τ/σ, plate to plate relative to piece to piece.
    """

    effect: tuple[float, float] = (0.20, 0.5)
    piece: tuple[float, float] = (0.03, 0.9)
    plate_ratio: tuple[float, float] = (1.2, 0.7)

    def ranges(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return the ranges of log ρ and log κ that hold all but a two-thousandth of the prior."""
        kappa = math.log(self.effect[0] / self.piece[0])
        return (
            _around(math.log(self.plate_ratio[0]), 3.5 * self.plate_ratio[1]),
            _around(kappa, 3.5 * math.hypot(self.effect[1], self.piece[1])),
        )


@dataclass(frozen=True)
class Sums:
    """All the data the posterior needs; k plates, c = q + p columns (materials first).

    Attributes:
        n: Number of results.
        q: Number of material intercepts, the first columns.
        xx: Z'Z, shape (c, c).
        xy: Z'y, shape (c,).
        yy: y'y.
        counts: Results per plate, each by its weight, shape (k,).
        plate_x: Per-plate sums of Z, shape (k, c).
        plate_y: Per-plate sums of y, shape (k,).
        open_variance: As in :class:`Design`, shape (k,).
        looseness: Variance of each plate relative to the usual plate, shape (k,).
        starts: Where the intercepts are no columns but taken out plate by plate: the first plate of each
            material, plates standing in order of material, shape (m,); else None.
    """

    n: int
    q: int
    xx: Array
    xy: Array
    yy: float
    counts: Array
    plate_x: Array
    plate_y: Array
    open_variance: Array
    looseness: Array
    starts: Indices | None = None

    @property
    def free(self) -> int:
        """Results less intercepts: the degrees of freedom of restricted likelihood."""
        return self.n - self.q - (0 if self.starts is None else len(self.starts))


@dataclass(frozen=True)
class Intercepts:
    """The materials' intercepts given the effects; m materials, c columns, … pairs (ρ, κ).

    Attributes:
        precision: Precision of each in 1/σ², shape (…, m).
        x: Weighted sums of the columns over its plates, shape (…, m, c).
        y: Weighted sums of the values, shape (…, m).
    """

    precision: Array
    x: Array
    y: Array


@dataclass(frozen=True)
class Posterior:
    """Weighted nodes of the grid, each a Gaussian; g nodes, s contrasts.

    Attributes:
        weight: Probability of each node, shape (g,), summing to 1.
        sigma: σ at each node, shape (g,).
        rho: τ/σ at each node, shape (g,).
        kappa: λ/σ at each node, shape (g,).
        mean: Mean of each contrast, shape (g, s).
        variance: Variance of each contrast, shape (g, s).
    """

    weight: Array
    sigma: Array
    rho: Array
    kappa: Array
    mean: Array
    variance: Array


def sums(design: Design) -> Sums:
    """Reduce a design to per-plate sums. y is centred, which the intercepts absorb."""
    q = len(design.materials)
    z = np.hstack([np.eye(q)[design.material], design.x])
    y = design.y - design.y.mean()
    k = len(design.open_variance)
    # One sort and one pass give all plates' sums; a loop over plates would dominate a large book.
    order = np.argsort(design.plate, kind="stable")
    starts = np.searchsorted(design.plate[order], np.arange(k))
    weight = np.ones(len(y)) if design.weight is None else design.weight
    loose = np.ones(k) if design.plate_weight is None else 1 / design.plate_weight
    wz, wy = z * weight[:, None], y * weight
    return Sums(
        n=len(y),
        q=q,
        xx=wz.T @ z,
        xy=wz.T @ y,
        yy=float(wy @ y),
        counts=np.asarray(np.bincount(design.plate, weights=weight, minlength=k), dtype=np.float64),
        plate_x=np.add.reduceat(wz[order], starts, axis=0),
        plate_y=np.add.reduceat(wy[order], starts),
        open_variance=design.open_variance,
        looseness=loose,
    )


def weighted(data: Sums, rho: float, kappa: float) -> tuple[Array, Array, float, float]:
    """Return Z'WZ, Z'Wy, y'Wy and log|W⁻¹|, but for a constant; W⁻¹ = blocks(diag(1/weight) + t_j 11')."""
    a, b, yy, log_noise = systems(data, np.array([rho]), np.array([kappa]))
    return a[0], b[0], float(yy[0]), float(log_noise[0])


_AT_ONCE = 2_000_000
"""Numbers in one array of all pairs (ρ, κ), plates and columns: beyond, they are worked through in parts."""


def systems(data: Sums, rho: Array, kappa: Array) -> tuple[Array, Array, Array, Array]:
    """Return what :func:`weighted` does for h pairs (ρ, κ) at once: shapes (h, c, c), (h, c), (h,), (h,)."""
    if not data.open_variance.any():
        # κ does not enter: pairs of one ρ share everything.
        distinct, back = np.unique(rho, return_inverse=True)
        if len(distinct) < len(rho):
            return tuple(part[back] for part in systems(data, distinct, np.ones(len(distinct))))  # type: ignore[return-value]
    k, c = data.plate_x.shape
    if data.starts is not None and len(rho) * k * max(c, 1) > _AT_ONCE:
        return _large_systems(data, rho, kappa)
    parts = -(-len(rho) * k * max(c, 1) // _AT_ONCE)
    if parts > 1 and len(rho) > 1:
        split = zip(np.array_split(rho, parts), np.array_split(kappa, parts), strict=True)
        found = [systems(data, r, s) for r, s in split if len(r)]
        return tuple(np.concatenate(each) for each in zip(*found, strict=True))  # type: ignore[return-value]
    t = rho[:, None] ** 2 * data.looseness + kappa[:, None] ** 2 * data.open_variance
    pull = t / (1 + data.counts * t)
    a = data.xx - (data.plate_x.T * pull[:, None, :]) @ data.plate_x
    b = data.xy - (pull * data.plate_y) @ data.plate_x
    yy = data.yy - pull @ data.plate_y**2
    log_noise = np.log1p(data.counts * t).sum(axis=1)
    if data.starts is None:
        return a, b, yy, log_noise
    # A plate is of one material, so the intercepts' own block is diagonal: with hundreds of materials taking
    # it out costs what the plates cost, and not the cube of their number.
    own = intercepts(data, t)
    share = (own.x / own.precision[..., None]).swapaxes(1, 2)
    return (
        a - share @ own.x,
        b - (share @ own.y[..., None])[..., 0],
        yy - (own.y**2 / own.precision).sum(axis=1),
        log_noise + np.log(own.precision).sum(axis=1),
    )


_PLATES = 2_000
"""Plates whose products of columns are held at once."""


def _large_systems(data: Sums, rho: Array, kappa: Array) -> tuple[Array, Array, Array, Array]:
    """Return the same of many plates: products of the columns are made once for all pairs (ρ, κ).

    What a pair weighs them with is then one product of matrices, several times faster than one a pair.
    """
    k, c = data.plate_x.shape
    first, second = np.triu_indices(c + 1)
    products = np.empty((len(first), min(k, _PLATES)))
    starts = np.zeros(0, dtype=np.intp) if data.starts is None else data.starts
    ends = [*starts[1:].tolist(), k]
    taken = np.zeros((len(rho), len(first)))
    log_noise = np.zeros(len(rho))
    own = np.zeros((len(rho), len(starts), c + 2))
    material, last = 0, 0
    for begin in range(0, k, _PLATES):
        some = slice(begin, begin + _PLATES)
        t = rho[:, None] ** 2 * data.looseness[some] + kappa[:, None] ** 2 * data.open_variance[some]
        loose = 1 + data.counts[some] * t
        log_noise += np.log(loose).sum(axis=1)
        columns = np.vstack([data.plate_x[some].T, data.plate_y[some], data.counts[some]])
        place = 0
        for column in range(c + 1):
            own_products = products[place : place + c + 1 - column, : columns.shape[1]]
            np.multiply(columns[column], columns[column : c + 1], out=own_products)
            place += c + 1 - column
        taken += (t / loose) @ products[:, : columns.shape[1]].T
        np.reciprocal(loose, out=loose)
        while last < min(begin + _PLATES, k):
            upto = min(ends[material], begin + _PLATES)
            its = slice(last - begin, upto - begin)
            own[:, material] += loose[:, its] @ columns[:, its].T
            last, material = upto, material + (upto == ends[material])
    both = np.empty((len(rho), c + 1, c + 1))
    both[:, first, second] = both[:, second, first] = taken
    share = own / own[..., -1:]
    both += share[..., :-1].swapaxes(1, 2) @ own[..., :-1]
    return (
        data.xx - both[:, :c, :c],
        data.xy - both[:, :c, c],
        data.yy - both[:, c, c],
        log_noise + np.log(own[..., -1]).sum(axis=1),
    )


def intercepts(data: Sums, t: Array) -> Intercepts:
    """Return the intercepts that were taken out, for the plates' variances ``t`` in σ², shape (…, k)."""
    loose = 1 + data.counts * t
    starts = np.zeros(0, dtype=np.intp) if data.starts is None else data.starts
    return Intercepts(
        np.add.reduceat(data.counts / loose, starts, axis=-1),
        np.add.reduceat(data.plate_x / loose[..., None], starts, axis=-2),
        np.add.reduceat(data.plate_y / loose, starts, axis=-1),
    )


_LEAST_SCATTER = 1e-7
"""Readings that agree exactly still have this scatter: no scale reads finer."""


@dataclass(frozen=True)
class _Sheets:
    """Facts of h pairs (ρ, κ): what is left to do is σ; s contrasts.

    Attributes:
        rho: ρ of each, shape (h,).
        kappa: κ of each, shape (h,).
        log_constant: Log marginal likelihood but for σ, shape (h,).
        rest: Weighted residual sum of squares plus the prior's pull, shape (h,).
        mean: Means of the contrasts, shape (h, s).
        unit_variance: Their variances in units of σ², shape (h, s).
    """

    rho: Array
    kappa: Array
    log_constant: Array
    rest: Array
    mean: Array
    unit_variance: Array


def _sheets(data: Sums, rho: Array, kappa: Array, contrasts: Array) -> _Sheets:
    """Solve h pairs (ρ, κ) together."""
    left, b, yy, log_noise = systems(data, rho, kappa)
    c, h = len(data.xy), len(rho)
    diagonal = np.arange(data.q, c)
    left[:, diagonal, diagonal] += kappa[:, None] ** -2.0
    right = np.concatenate([b[:, :, None], np.broadcast_to(contrasts.T, (h, *contrasts.T.shape))], axis=2)
    # A Cholesky factor would serve determinant and solution alike, but numpy's two calls go through
    # all pairs at once, which for these small matrices is several times faster.
    log_det = np.linalg.slogdet(left)[1]
    solved = np.linalg.solve(left, right)
    theta = solved[:, :, 0]
    # The difference of two large sums may come out below what doubles can hold, even negative.
    rest = np.maximum(yy - (b * theta).sum(axis=1), max(1e-14 * data.yy, data.n * _LEAST_SCATTER**2))
    constant = -0.5 * (log_noise + log_det) - (c - data.q) * np.log(kappa)
    variance = np.einsum("sc,hcs->hs", contrasts, solved[:, :, 1:])
    return _Sheets(rho, kappa, constant, rest, theta @ contrasts.T, np.maximum(variance, 0.0))


def fixed(data: Sums, contrasts: Array, *, sigma: float, rho: float, kappa: float) -> tuple[Array, Array]:
    """Return mean and variance of contrasts for known scatters, shapes (s,).

    With ``kappa`` very large and ``rho`` zero this is ordinary least squares.

    Args:
        data: The sums.
        contrasts: Rows of weights on the columns of Z, shape (s, c).
        sigma: σ, piece to piece, working scale.
        rho: τ/σ, plate to plate relative to piece to piece.
        kappa: λ/σ, the effect of one span relative to piece to piece.
    """
    sheet = _sheets(data, np.array([rho]), np.array([kappa]), contrasts)
    return sheet.mean[0], sigma**2 * sheet.unit_variance[0]


# With 21 nodes over ten standard deviations of log σ the trapezoid rule errs by less than 1e-6:
# the density is smooth and dies out at both ends.
_SIGMA_NODES = 21
_SIGMA_WIDTH = 5.0
# Nodes below a millionth of the heaviest move no 2.5 % quantile, and are most of the grid.
_NEGLIGIBLE = 1e-6
# Bisection alone would need about 45 steps; Newton's mostly need 6.
_MOST_STEPS = 60
_CLOSE_ENOUGH = 1e-9
_ROOT_2PI = math.sqrt(2 * math.pi)
_FAR = 38.0
"""Standard deviations beyond which a Gaussian density is zero to a double."""


def infer(data: Sums, contrasts: Array, prior: Prior | None = None) -> Posterior:
    """Return the posterior of linear contrasts of (intercepts, effects).

    The grid over (log ρ, log κ) starts on the prior's range and closes in on
    where the mass is until its cells are fine enough; σ has a grid of its own at each node.

    Args:
        data: The sums.
        contrasts: Rows of weights on the columns of Z, shape (s, c).
        prior: Priors of the scatters.
    """
    beliefs = prior or Prior()
    # The data may pull no further than the prior believes.
    rho_range, kappa_range = beliefs.ranges()
    # Contrasts are solved on the last grid only; until then just the weights matter.
    empty = np.zeros((0, len(data.xy)))
    for _ in range(4):
        # Four looks with nine nodes and one with thirteen cost less than one fine grid over the whole
        # range, of which most is empty.
        nodes = _grid(data, empty, beliefs, (rho_range, kappa_range), 9)
        narrowed = (
            narrow(nodes.rho, nodes.weight, rho_range, 9),
            narrow(nodes.kappa, nodes.weight, kappa_range, 9),
        )
        closing = _width(narrowed[0]) * _width(narrowed[1]) < 0.5 * _width(rho_range) * _width(kappa_range)
        rho_range, kappa_range = narrowed
        # With few plates the posterior is as wide as the prior and there is nothing to close in on.
        if not closing:
            break
    return _grid(data, contrasts, beliefs, (rho_range, kappa_range), 13)


def _around(centre: float, half: float) -> tuple[float, float]:
    return centre - half, centre + half


def _width(pair: tuple[float, float]) -> float:
    return pair[1] - pair[0]


def narrow(values: Array, weight: Array, within: tuple[float, float], size: int) -> tuple[float, float]:
    """Return the range of log(values) that holds the mass, one step of a grid of ``size`` nodes wider."""
    # Rounded, because equal grid values may differ in their last bit after exp and log.
    logs, inverse = np.unique(np.round(np.log(values), 12), return_inverse=True)
    mass = np.bincount(inverse, weights=weight)
    held = logs[mass > 1e-4 * mass.max()]
    step = _width(within) / (size - 1)
    return max(float(held[0]) - step, within[0]), min(float(held[-1]) + step, within[1])


def _grid(
    data: Sums,
    contrasts: Array,
    prior: Prior,
    ranges: tuple[tuple[float, float], tuple[float, float]],
    size: int,
) -> Posterior:
    rhos, kappas = (np.exp(np.linspace(*pair, size)) for pair in ranges)
    sheets = _sheets(data, np.repeat(rhos, size), np.tile(kappas, size), contrasts)
    log_kappa = np.log(sheets.kappa)
    far = (np.log(sheets.rho) - math.log(prior.plate_ratio[0])) / prior.plate_ratio[1]
    # q intercepts are fitted flat and each takes a degree of freedom, as in restricted likelihood; without
    # it σ would come out too small in small books.
    u, step = sigma_nodes(data.free, sheets.rest, log_kappa, prior)
    log_p = sigma_log_density(u, data.free, sheets.rest, log_kappa, prior)
    # Each node of σ stands for a step as wide as the local spacing, which differs from row to row.
    log_p += (sheets.log_constant - 0.5 * far**2 + np.log(step))[:, None]
    weight = np.exp(log_p - log_p.max())
    node, place = np.nonzero(weight > _NEGLIGIBLE * weight.max())
    kept = weight[node, place]
    sigma = np.exp(u[node, place])
    return Posterior(
        kept / kept.sum(),
        sigma,
        sheets.rho[node],
        sheets.kappa[node],
        sheets.mean[node],
        sheets.unit_variance[node] * sigma[:, None] ** 2,
    )


def sigma_log_density(u: Array, free: int, rest: Array, log_kappa: Array, prior: Prior) -> Array:
    """Log density of u = log σ at each node: likelihood, prior of σ, prior of λ = κσ."""
    piece = (u - math.log(prior.piece[0])) / prior.piece[1]
    effect = (u + log_kappa[:, None] - math.log(prior.effect[0])) / prior.effect[1]
    return -free * u - rest[:, None] / 2 * np.exp(-2 * u) - 0.5 * (piece**2 + effect**2)


def sigma_nodes(
    free: int, rest: Array, log_kappa: Array, prior: Prior, count: int = _SIGMA_NODES
) -> tuple[Array, Array]:
    """Return ``count`` nodes of log σ around its mode at each (ρ, κ), and their spacing.

    The density is log-concave and its mode lies between the likelihood's and the
    prior's; from the lesser of the two Newton's steps climb without overshooting.
    """
    v_piece, v_effect = prior.piece[1] ** -2, prior.effect[1] ** -2
    wanted = v_piece * math.log(prior.piece[0]) + v_effect * (math.log(prior.effect[0]) - log_kappa)
    by_data = 0.5 * np.log(rest / free) if free else np.full(rest.shape, np.inf)
    u = np.minimum(by_data, wanted / (v_piece + v_effect))
    # More steps than Newton needs, so that no test for convergence has to be made for each of thousands
    # of nodes; the grid need only lie about the mode.
    for _ in range(20):
        pull = rest * np.exp(-2 * u)
        slope = -free + pull + wanted - (v_piece + v_effect) * u
        u = u + slope / (2 * pull + v_piece + v_effect)
    width = 1 / np.sqrt(2 * rest * np.exp(-2 * u) + v_piece + v_effect)
    offsets = np.linspace(-_SIGMA_WIDTH, _SIGMA_WIDTH, count)
    return u[:, None] + width[:, None] * offsets, width


def quantiles(posterior: Posterior, at: tuple[float, ...]) -> Array:
    """Return quantiles of each contrast's mixture of Gaussians, shape (len(at), s).

    Newton's steps on the mixture's distribution function, kept inside a
    bracket that shrinks with every step.

    Args:
        posterior: Of s contrasts.
        at: Probabilities, each between 0 and 1.
    """
    weight, mean = posterior.weight, posterior.mean
    # A contrast that no column touches has no variance; it must not divide by zero.
    sd = np.sqrt(posterior.variance) + 1e-300
    goal = np.array(at)[:, None]
    low = (mean - 9 * sd).min(axis=0) * np.ones_like(goal)
    high = (mean + 9 * sd).max(axis=0) * np.ones_like(goal)
    x = weight @ mean + ndtri(goal) * np.sqrt(weight @ (sd**2 + mean**2) - (weight @ mean) ** 2 + 1e-300)
    goal = np.broadcast_to(goal, x.shape)
    # Each quantile of each contrast is sought by itself and left alone once found: most take a few steps,
    # one that sits on a spike takes many.
    rows, columns = (index.ravel() for index in np.indices(x.shape))
    for _ in range(_MOST_STEPS):
        here, wanted = x[rows, columns], goal[rows, columns]
        z = (here - mean[:, columns]) / sd[:, columns]
        excess = weight @ ndtr(z) - wanted
        under, over = excess < 0, excess >= 0
        low[rows[under], columns[under]] = here[under]
        high[rows[over], columns[over]] = here[over]
        open_ = np.abs(excess) >= _CLOSE_ENOUGH
        if not open_.any():
            break
        rows, columns, here, excess = rows[open_], columns[open_], here[open_], excess[open_]
        density = (
            weight @ (np.exp(-0.5 * np.minimum(np.abs(z[:, open_]), _FAR) ** 2) / sd[:, columns])
        ) / _ROOT_2PI
        stepped = here - excess / np.maximum(density, 1e-300)
        least, most = low[rows, columns], high[rows, columns]
        x[rows, columns] = np.where((stepped > least) & (stepped < most), stepped, (least + most) / 2)
    return np.asarray(x)
