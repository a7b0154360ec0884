"""Step 5: the fewest plates that would tell the changed factors apart.

A candidate plate sets each changed factor to its level in A or in B. Given the
scatters, the posterior covariance of the shares after a plate follows from
the one before by a rank-one update, so thousands of candidates cost a matrix
product. Plates are chosen greedily for the least sum of the shares'
variances and then exchanged one by one until no exchange helps.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np

from tracker.errors import Refused
from tracker.why.design import Array
from tracker.why.differed import Level
from tracker.why.working import Working, covariance, mean_square_scatters, typical_scatters

_ENUMERATED = 10
_Z95 = 1.959964
_NOT_WORTH_A_PLATE = 0.1
_NEARLY_AS_GOOD = 0.8
_MOST_PLATES = 8
_MOST_EXCHANGES = 20


@dataclass(frozen=True)
class Limit:
    """The range a data sheet gives for a factor.

    Attributes:
        low: Least value, or None.
        high: Greatest value, or None.
        source: Where the range stands, in words.
        never: True where a level outside must not be proposed at all (drying above
            what the polymer or the spool stands).
    """

    low: float | None = None
    high: float | None = None
    source: str = "data sheet"
    never: bool = False

    def allows(self, value: object) -> bool:
        """Return True unless ``value`` is a number outside the range."""
        # A category has no range: a lot or a surface is neither too hot nor too cold.
        if not isinstance(value, int | float):
            return True
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


@dataclass(frozen=True)
class Wishes:
    """What the person allows.

    Attributes:
        plates: Number of plates; None for the fewest that are worth printing.
        pieces: Most pieces per plate; None for as many as A's and B's plates have.
        forbid: Combinations that must not be printed: factor to ``"A"`` or ``"B"``, all must hold.
        limits: Factor to the range of the data sheet.
    """

    plates: int | None = None
    pieces: int | None = None
    forbid: Sequence[Mapping[str, str]] = ()
    limits: Mapping[str, Limit] = field(default_factory=dict)


@dataclass(frozen=True)
class PlannedPlate:
    """One proposed plate.

    Attributes:
        sides: Factor to ``"A"`` or ``"B"``.
        levels: Factor to the value to set.
        pieces: Pieces to print and test.
        worth: Part of the shares' summed variance this plate alone would remove, 0 to 1.
    """

    sides: Mapping[str, str]
    levels: Mapping[str, Level]
    pieces: int
    worth: float


@dataclass(frozen=True)
class Foreseen:
    """Half-widths of one share's 95 % interval, working scale: now and after the plates."""

    factor: str
    now: float
    after: float


@dataclass(frozen=True)
class Layout:
    """The chosen plates on the working scale.

    Attributes:
        plates: The plates, the one worth most first.
        foreseen: What they would do to each share.
        warnings: What must be said with them.
    """

    plates: tuple[PlannedPlate, ...]
    foreseen: tuple[Foreseen, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Board:
    """The state of knowledge; s shares.

    Attributes:
        gram: Posterior covariance of (A's plate, shares), shape (s + 1, s + 1).
        noise: Variance of a plate's mean.
        relevance: How large each share may be, its mean square, shape (s,).
    """

    gram: Array
    noise: float
    relevance: Array

    def after(self, bits: Array) -> _Board:
        """Return the state after a plate with these factors at B's level, shape (s,)."""
        # The plate's expected value is A's plate plus the shares of what is set to B; its mean has told us
        # that much less the plate's own scatter.
        pull = self.gram @ np.concatenate([[1.0], bits])
        spread = self.noise + pull[0] + bits @ pull[1:]
        return _Board(self.gram - np.outer(pull, pull) / spread, self.noise, self.relevance)

    def gains(self, candidates: Array, weights: Array | None = None) -> Array:
        """Return how much each candidate plate takes off the (weighted) sum of variances, shape (m,)."""
        with_one = np.hstack([np.ones((len(candidates), 1)), candidates])
        pull = with_one @ self.gram
        spread = self.noise + (pull * with_one).sum(axis=1)
        squares = pull[:, 1:] ** 2 if weights is None else pull[:, 1:] ** 2 * weights
        return np.asarray(squares.sum(axis=1) / spread)

    @property
    def total(self) -> float:
        """Sum of the shares' variances."""
        return float(np.trace(self.gram[1:, 1:]))


def lay_out(working: Working, wishes: Wishes) -> Layout:
    """Choose the plates.

    Raises:
        Refused: Nothing that was recorded differed or can be set, both levels of a factor
            lie where its limit says never, every combination is forbidden, or less than
            one piece a plate is wished.
    """
    if not working.names:
        raise Refused(
            "no plate to propose",
            why="nothing that was recorded differed",
            do="Record more factors, or repeat A and B.",
        )
    levels, fixed = _levels(working, wishes)
    candidates = _candidates(working, wishes, fixed)
    pieces = _pieces(working, wishes)
    # Chosen with believable scatters; foreseen with mean squares, as the intervals themselves have them.
    board = _board(working, pieces, typical_scatters(working.posterior))
    chosen = _choose(board, candidates, wishes.plates)
    # By what each would do alone: who has time for one plate only prints the first.
    order = sorted(chosen, key=lambda bits: -float(board.gains(bits[None])[0]))
    now = _board(working, pieces, mean_square_scatters(working.posterior))
    plates = tuple(_planned(working, board, bits, levels, pieces) for bits in order)
    foreseen = _foreseen(working, now, _applied(now, order))
    return Layout(plates, foreseen, _warnings(working, wishes, plates, fixed))


def _levels(working: Working, wishes: Wishes) -> tuple[dict[str, tuple[Level, Level]], dict[str, float]]:
    """Return each changed factor's levels, and the side of those that must stay where they are.

    Raises:
        Refused: Both levels of a factor lie where they must never be proposed.
    """
    compared = {item.factor.name: item for item in working.comparisons}
    levels, fixed = {}, {}
    for name in working.names:
        item = compared[name]
        levels[name] = (item.a, item.b)
        limit = wishes.limits.get(name, Limit())
        # A measured consequence cannot be dialled in. A's level is the neutral guess, and it is said.
        if not item.factor.settable:
            fixed[name] = 0.0
        elif limit.never and not (limit.allows(item.a) and limit.allows(item.b)):
            if not limit.allows(item.a) and not limit.allows(item.b):
                raise Refused(
                    f"both levels of {name} lie outside {limit.source}",
                    why=f"{item.a} and {item.b} must not be proposed",
                    do="Choose two other runs, or settle this factor by hand.",
                )
            fixed[name] = 0.0 if limit.allows(item.a) else 1.0
    return levels, fixed


def _candidates(working: Working, wishes: Wishes, fixed: Mapping[str, float]) -> Array:
    """Return the allowed plates as rows of 0 (A's level) and 1 (B's level).

    Raises:
        Refused: Nothing that differed can be set, or every combination is forbidden.
    """
    names = working.names
    free = [i for i, name in enumerate(names) if name not in fixed]
    if not free:
        raise Refused(
            "no plate to propose", why="nothing that differed can be set", do="Record the setting behind it."
        )
    patterns = _patterns(len(free))
    rows = np.tile([fixed.get(name, 0.0) for name in names], (len(patterns), 1))
    rows[:, free] = patterns
    allowed = np.array([not _forbidden(row, names, wishes.forbid) for row in rows], dtype=bool)
    if not allowed.any():
        raise Refused("no plate to propose", why="every combination is forbidden", do="Take a --forbid away.")
    return np.asarray(rows[allowed])


def _patterns(count: int) -> Array:
    """Return all patterns of few factors; of many, each alone, each left out, and halvings."""
    # Of twenty factors there are a million combinations; plates worth printing change half of the
    # open ones or a single one, and the exchange mends what this list lacks.
    if count <= _ENUMERATED:
        return np.array(list(product((0.0, 1.0), repeat=count)))
    places = np.arange(count)
    halves = [(places >> bit & 1).astype(float) for bit in range(math.ceil(math.log2(count)))]
    runs = [(places < cut).astype(float) for cut in range(1, count)]
    drawn = np.random.default_rng(count).integers(0, 2, (500, count)).astype(float)
    eye = np.eye(count)
    zero = np.zeros((1, count))
    return np.vstack([zero, 1 - zero, eye, 1 - eye, halves, 1 - np.array(halves), runs, drawn])


def _forbidden(row: Array, names: Sequence[str], forbid: Sequence[Mapping[str, str]]) -> bool:
    sides = {name: "B" if bit else "A" for name, bit in zip(names, row, strict=True)}
    # An empty combination holds of every plate; it is a slip and forbids nothing.
    return any(combination and combination.items() <= sides.items() for combination in forbid)


def _pieces(working: Working, wishes: Wishes) -> int:
    plates: dict[str, int] = {}
    for o in (*working.cleaned.a, *working.cleaned.b):
        plates[o.plate] = plates.get(o.plate, 0) + 1
    # The same number as before keeps the new plates comparable: same layer times, same bed.
    usual = max(round(float(np.median(list(plates.values())))), 1)
    if wishes.pieces is None:
        return usual
    if wishes.pieces < 1:
        raise Refused(f"{wishes.pieces} pieces per plate", why="at least one is needed", do="Give 1 or more.")
    return min(usual, wishes.pieces)


def _board(working: Working, pieces: int, scatters: tuple[float, float, float]) -> _Board:
    """Return what is known now, at given (σ, ρ, κ)."""
    gram = covariance(working, np.vstack([working.row_a, working.rows]), scatters)
    sigma, rho, _ = scatters
    means = (working.posterior.weight @ working.posterior.mean)[: len(working.names)]
    return _Board(gram, sigma**2 * (rho**2 + 1 / pieces), means**2 + np.diag(gram)[1:])


def _choose(board: _Board, candidates: Array, plates: int | None) -> list[Array]:
    """Return the plates: as many as asked for, or until one more is hardly worth it.

    Raises:
        Refused: A number of plates that nobody prints at once, or none.
    """
    if plates is not None and not 1 <= plates <= 50:  # noqa: PLR2004 - nobody prints more at once
        raise Refused(
            f"{plates} plates", why="between 1 and 50 can be planned", do="Give --plates a number in between."
        )
    chosen: list[Array] = []
    for count in range(1, (plates or _MOST_PLATES) + 1):
        # Greedy choice alone keeps a first plate that a better pair would do without.
        longer = _exchanged(board, candidates, [*chosen, _best(_applied(board, chosen), candidates)])
        gain = _applied(board, chosen).total - _applied(board, longer).total
        # Each further plate costs a day; a tenth of what is open is the least that pays for it.
        if plates is None and count > 1 and gain < _NOT_WORTH_A_PLATE * board.total:
            break
        chosen = longer
    return chosen


def _applied(board: _Board, plates: Sequence[Array]) -> _Board:
    for bits in plates:
        board = board.after(bits)
    return board


def _best(board: _Board, candidates: Array) -> Array:
    """Return the candidate that helps most.

    Of those nearly as good, the one that says most about shares that may be
    large, so that a single large one is found before all are known; of equals
    the one with fewest changes from A.
    """
    gains = board.gains(candidates)
    near = candidates[gains >= gains.max() * _NEARLY_AS_GOOD]
    telling = board.gains(near, board.relevance)
    equal = near[telling >= telling.max() * (1 - 1e-9)]
    return np.asarray(equal[np.argmin(equal.sum(axis=1))])


def _exchanged(board: _Board, candidates: Array, plates: list[Array]) -> list[Array]:
    """Replace one plate at a time by a better one until none is better."""
    total = _applied(board, plates).total
    for _ in range(_MOST_EXCHANGES):
        before = total
        for i in range(len(plates)):
            rest = plates[:i] + plates[i + 1 :]
            trial = [*plates[:i], _best(_applied(board, rest), candidates), *plates[i + 1 :]]
            new = _applied(board, trial).total
            # The margin keeps rounding from exchanging two equal plates for ever.
            if new < total * (1 - 1e-9):
                plates, total = trial, new
        if total >= before:
            break
    return plates


def _planned(
    working: Working, board: _Board, bits: Array, levels: Mapping[str, tuple[Level, Level]], pieces: int
) -> PlannedPlate:
    sides = {name: "B" if bit else "A" for name, bit in zip(working.names, bits, strict=True)}
    values = {name: levels[name][1 if side == "B" else 0] for name, side in sides.items()}
    return PlannedPlate(sides, values, pieces, float(board.gains(bits[None])[0]) / board.total)


def _foreseen(working: Working, now: _Board, after: _Board) -> tuple[Foreseen, ...]:
    pairs = zip(working.names, np.diag(now.gram)[1:], np.diag(after.gram)[1:], strict=True)
    return tuple(Foreseen(name, _half(before), _half(later)) for name, before, later in pairs)


def _half(variance: float) -> float:
    return _Z95 * math.sqrt(max(float(variance), 0.0))


def _warnings(
    working: Working, wishes: Wishes, plates: Sequence[PlannedPlate], fixed: Mapping[str, float]
) -> tuple[str, ...]:
    said = []
    for name in working.names:
        limit = wishes.limits.get(name, Limit())
        outside = sorted({_said(p.levels[name]) for p in plates if not limit.allows(p.levels[name])})
        if outside:
            said.append(
                f"{name} {', '.join(outside)} lies outside the {limit.source}'s range {_range(limit)}."
            )
        if name in fixed and limit.never:
            said.append(
                f"{name} stays at {'B' if fixed[name] else 'A'}'s level: the other is not safe "
                f"({limit.source})."
            )
        elif name in fixed:
            said.append(f"{name} cannot be set for a plate; it is taken to stay as in A. Record it again.")
    return tuple(said)


def _said(level: Level) -> str:
    return f"{level:.4g}" if isinstance(level, float) else str(level)


def _range(limit: Limit) -> str:
    low = "" if limit.low is None else f"{limit.low:g}"
    high = "" if limit.high is None else f"{limit.high:g}"
    return f"{low}–{high}" if low and high else f"from {low}" if low else f"up to {high}"
