"""Step 5: the plates to print next, chosen for the chance of naming what made the difference.

A candidate plate sets each changed factor to its level in A or in B; all as in A and all as in B are
reprints, which show what chance and what nobody recorded have made. The draws of the posterior are
so many possible truths. For each the plates' outcome is simulated, and the weights of all *other* truths
given that outcome say which explanation would then be named (a preposterior analysis: H. Raiffa and
R. Schlaifer, Applied Statistical Decision Theory, 1961). The part of the truths that are named rightly is
the chance that is printed. The first plate is the one after which, or after which and one more, a factor
is most often named and rightly: whoever prints one plate at a time and asks again after each is done
soonest. Further plates are taken one after the other, each the one that raises the probability of the truth
most, until a further one hardly does; several that are asked for at once, from more than one first plate.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from itertools import product
from typing import Any

from tracker.errors import Refused
from tracker.lazy_modules import np
from tracker.why.answer import Answer, chance_luck, difference_seen, display_of, explained
from tracker.why.design import Array, as_interval, as_level
from tracker.why.differed import Comparison, Level
from tracker.why.problem import Factor, Observation, Problem, cleaned
from tracker.why.words import chance, number, wrapped
from tracker.why.working import Working, typical_scatters, work

_ENUMERATED = 6
_MOST_PLATES = 8
_MOST_CANDIDATES = 64
_MOST_TRIED = 14
"""Candidates whose outcome is simulated; the others promise less."""
_MOST_AHEAD = 8
"""Candidates of which pairs are simulated."""
_DECIDED = 0.5
"""Probability from which a factor counts as named: likelier than everything else together."""
_TRUTHS = 240
_ENOUGH = 0.9
_NOT_WORTH_A_PLATE = 0.1
"""Rise of the truth's probability below which no further plate is proposed: a plate costs a day."""
_REPRINTS = 2
"""Reprints of A, and of B, beside what there is; more would only narrow what is known."""
_Z95 = 1.959964


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
        gone: Factor to levels that are not to be had any more (a lot used up, a rig out of use).
    """

    plates: int | None = None
    pieces: int | None = None
    forbid: Sequence[Mapping[str, str]] = ()
    limits: Mapping[str, Limit] = field(default_factory=dict)
    gone: Mapping[str, frozenset[str]] = field(default_factory=dict)


@dataclass(frozen=True)
class PlannedPlate:
    """One proposed plate.

    Attributes:
        sides: Factor to ``"A"`` or ``"B"``; what is split within the plate is absent.
        levels: Factor to the value to set.
        pieces: Pieces to print and test.
        worth: By how much this plate alone would raise the probability of the truth.
        words: The plate in words.
        split: What half of its pieces each are tested with: factor to its two levels.
    """

    sides: Mapping[str, str]
    levels: Mapping[str, Level]
    pieces: int
    worth: float
    words: str = ""
    split: Mapping[str, tuple[Level, Level]] = field(default_factory=dict)


@dataclass(frozen=True)
class ForeseenShare:
    """What the plates would do to one share.

    Attributes:
        factor: The factor.
        now: Half-width of its 95 % interval now, as a fraction (or unit, see ``fraction``).
        after: The same after the plates.
        fraction: True where both are fractions of A's mean, False where in the quantity's unit.
    """

    factor: str
    now: float
    after: float
    fraction: bool


@dataclass(frozen=True)
class Plan:
    """The proposed plates.

    Attributes:
        quantity: The quantity it is about.
        unit: Its unit.
        plates: The plates in the order in which to print them.
        foreseen: The interval each share would have afterwards.
        warnings: What must be said with them: levels outside the data sheet, factors that cannot be set.
        named: The quantity by its name, and of which pieces.
        called: The same as people call it.
        sides: What A and B are called.
        now: Probability of the likeliest explanation now.
        chances: Chance that the right explanation comes first after the first plate, the second, and so on.
        hours: Printer hours of all plates together, where known.
        grams: Filament of all plates together, where known.
        words: Factor to what people call it.
    """

    quantity: str
    unit: str
    plates: tuple[PlannedPlate, ...]
    foreseen: tuple[ForeseenShare, ...]
    warnings: tuple[str, ...]
    named: str = ""
    called: str = ""
    sides: tuple[str, str] = ("A", "B")
    now: float = 0.0
    chances: tuple[float, ...] = ()
    hours: float | None = None
    grams: float | None = None
    words: Mapping[str, str] = field(default_factory=dict)

    def rows(self) -> tuple[dict[str, Any], ...]:
        """Return the plates as rows of plain data."""
        return tuple(
            {
                "plate": index + 1,
                "sides": dict(plate.sides),
                "levels": dict(plate.levels),
                "pieces": plate.pieces,
                "worth": plate.worth,
                "words": plate.words,
                "split": {name: list(levels) for name, levels in plate.split.items()},
                "chance": self.chances[index] if index < len(self.chances) else None,
            }
            for index, plate in enumerate(self.plates)
        )

    def as_json(self) -> dict[str, Any]:
        """Return the plan as plain data."""
        return {
            "quantity": self.quantity,
            "unit": self.unit,
            "of": self.named or self.quantity,
            "a": self.sides[0],
            "b": self.sides[1],
            "plates": list(self.rows()),
            "chance_now": self.now,
            "chance_after": self.chances[-1] if self.chances else None,
            "hours": self.hours,
            "grams": self.grams,
            "shares_after": [asdict(share) for share in self.foreseen],
            "warnings": list(self.warnings),
        }

    def sentences(self, width: int = 80) -> list[str]:
        """Return the plan in plain sentences, wrapped to ``width`` columns."""
        a, b = self.sides
        of = self.called or self.quantity
        texts = [f"To tell apart what differed in {of} between A = {a} and B = {b}:"]
        for i, plate in enumerate(self.plates):
            after = f"; after it the right explanation comes first with a chance of {chance(self.chances[i])}"
            texts.append(f"Plate {i + 1}: {plate.words}; {plate.pieces} pieces{after}.")
        texts.append(f"Now it is {chance(self.now)}. Where there is time for one only: plate 1.")
        texts += self._costs()
        texts.append(
            "Levels are what A and B had while the gauge section was printed, not what was set. Ask again "
            "after each plate: the rest may not be needed."
        )
        if self.foreseen:
            texts.append("Half-width of each share's 95 % interval, now and afterwards:")
            texts += [
                f"  {self.words.get(share.factor, share.factor)}: {_half(share, self.unit)}"
                for share in self.foreseen
            ]
        texts += self.warnings
        return wrapped(texts, width)

    def _costs(self) -> list[str]:
        parts = [f"{len(self.plates)} plate{'s' * (len(self.plates) != 1)}"]
        if self.hours is not None:
            parts.append(f"about {self.hours:.1f} h on the printer")
        if self.grams is not None:
            parts.append(f"{self.grams:.0f} g of filament")
        return [f"Cost: {', '.join(parts)}."]


def _half(share: ForeseenShare, unit: str) -> str:
    if share.fraction:
        return f"± {100 * share.now:.1f} % → ± {100 * share.after:.1f} %"
    return f"± {number(share.now, 2)} → ± {number(share.after, 2)} {unit}".rstrip()


def followup(
    problem: Problem,
    *,
    plates: int | None = None,
    pieces: int | None = None,
    forbid: Sequence[Mapping[str, str]] = (),
    limits: Mapping[str, Limit] | None = None,
    gone: Mapping[str, frozenset[str]] | None = None,
) -> Plan:
    """Propose the plates that would show what made the difference.

    Args:
        problem: The problem, as for :func:`tracker.why.answer`.
        plates: Number of plates; None for the fewest that are worth printing.
        pieces: Most pieces per plate; None for as many as A's and B's plates have.
        forbid: Combinations that must not be printed: factor to ``"A"`` or ``"B"``, all must hold.
        limits: Factor to the range of the data sheet; a level outside is proposed
            only with a warning, and never where the limit says never.
        gone: Factor to levels that are not to be had any more.

    Raises:
        Refused: As for :func:`tracker.why.answer`; nothing that differed can be set; both levels lie where
            the limit says never; everything is forbidden or printed already; less than one piece a plate;
            or only ranks can be compared.
    """
    usable = cleaned(problem)
    if usable.by_rank:
        raise Refused(
            f"no plates can be planned for {problem.question.quantity}",
            why="grades and bounds are compared by rank, which has no shares",
            do="Ask about a quantity that is a number.",
        )
    return planned(work(usable), Wishes(plates, pieces, tuple(forbid), limits or {}, gone or {}))


def with_plan(found: Answer, wishes: Wishes) -> Answer:
    """Return an answer with the plates to print next, or with the reason why none is proposed."""
    if found.working is None:
        return found
    # The answer stands without a plan; why there is none belongs into it, not in its place.
    try:
        plan = planned(found.working, wishes)
    except Refused as refusal:
        return replace(found, no_followup=str(refusal))
    return replace(found, followup=plan.rows(), decides=plan.chances[0])


@dataclass(frozen=True)
class _Outlook:
    """What plates promise.

    Attributes:
        first: Chance that the right explanation comes first.
        truth: Mean probability of the truth.
        named: Chance that a factor made the difference and is named.
    """

    first: float
    truth: float
    named: float


@dataclass(frozen=True)
class _Bench:
    """What can be printed and what it would show; s causes.

    Attributes:
        free: Indices of causes that a plate may set.
        split: Indices of causes that are split within a plate (operator, rig).
        fixed: Index of a cause to the side it must stay at.
        levels: Levels of each cause in A and in B.
        pieces: Pieces a plate.
        noise: Variance of a plate's mean about what was to be expected, working scale.
        piece: Variance of a piece.
        truth: Draws of (A's level, shares), shape (d, s + 1).
        together: Draws of what factors make together, shape (d,).
        who: Which explanation is true of each draw, shape (d,).
    """

    free: list[int]
    split: list[int]
    fixed: dict[int, float]
    levels: list[tuple[Level, Level]]
    pieces: int
    noise: float
    piece: float
    truth: Array
    together: Array
    who: Array

    def rows(self, bits: Array) -> tuple[Array, Array, float]:
        """Return what one plate observes: rows on (level, shares), variances, and weight of ``together``."""
        main = np.concatenate([[1.0], bits])
        for i in self.split:
            main[i + 1] = 0.5
        rows, variances = [main], [self.noise]
        for i in self.split:
            row = np.zeros(len(main))
            row[i + 1] = 1.0
            rows.append(row)
            # The difference of two halves of a plate: the plate's own luck cancels.
            variances.append(4 * self.piece / self.pieces)
        return np.array(rows), np.array(variances), float(bits[self.free].all()) if self.free else 0.0

    def weights(self, plates: Sequence[Array]) -> Array:
        """Return for each truth the weights of all others once its plates are printed, shape (d, d)."""
        parts = [self.rows(bits) for bits in plates]
        means = np.hstack([self.truth @ rows.T + self.together[:, None] * both for rows, _, both in parts])
        sd = np.sqrt(np.concatenate([variances for _, variances, _ in parts]))
        normal = np.random.default_rng(7).standard_normal((len(means), _MOST_OBSERVED))[:, : means.shape[1]]
        scaled = means / sd
        seen = scaled + normal
        distance = (seen**2).sum(axis=1)[:, None] - 2 * seen @ scaled.T + (scaled**2).sum(axis=1)[None, :]
        log_weight = -0.5 * distance
        # A truth must not vouch for itself: in its place stand those near it.
        np.fill_diagonal(log_weight, -np.inf)
        weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
        return np.asarray(weight / weight.sum(axis=1, keepdims=True))

    def outlook(self, plates: Sequence[Array]) -> _Outlook:
        """Return what may be known once plates are printed."""
        weight = self.weights(plates)
        kinds, code = np.unique(self.who, return_inverse=True)
        by_kind = weight @ np.eye(len(kinds))[code]
        own = by_kind[np.arange(len(code)), code]
        right = by_kind.argmax(axis=1) == code
        named = (own > _DECIDED) & (self.who >= 0) & (self.who < self.truth.shape[1] - 1)
        return _Outlook(float(right.mean()), float(own.mean()), float(named.mean()))

    def promise(self, bits: Array) -> float:
        """Return how far a plate's expected outcome differs between explanations, in its own scatter.

        Variance between explanations over that within them and the plate's luck: quick, and enough to leave
        out plates that would tell nothing.
        """
        rows, variances, both = self.rows(bits)
        mean = self.truth @ rows[0] + self.together * both
        centred = mean - mean.mean()
        code = np.unique(self.who, return_inverse=True)[1]
        counts = np.bincount(code)
        between = float((np.bincount(code, weights=centred) ** 2 / counts).sum()) / len(code)
        return between / (float(centred.var()) - between + float(variances[0]))

    def now(self) -> float:
        """Return the share of the likeliest explanation."""
        return float(np.unique(self.who, return_counts=True)[1].max() / len(self.who))


_MOST_OBSERVED = 400


def planned(working: Working, wishes: Wishes) -> Plan:
    """Choose the plates.

    Raises:
        Refused: Nothing that differed can be set, both levels of a factor lie where its limit says never,
            every combination is forbidden or printed, or less than one piece a plate is wished.
    """
    if wishes.plates is not None and not 1 <= wishes.plates <= 50:  # noqa: PLR2004 - nobody prints more
        raise Refused(
            f"{wishes.plates} plates",
            why="between 1 and 50 can be planned",
            do="Give --plates a number in between.",
        )
    bench = _bench(working, wishes)
    candidates = _candidates(working, wishes, bench)
    chosen, chances, worths = _choose(bench, candidates, wishes.plates)
    plates = tuple(_plate(working, bench, bits, worth) for bits, worth in zip(chosen, worths, strict=True))
    display, _ = display_of(working)
    question = working.cleaned.problem.question
    hours, grams = _costs(working, len(plates))
    return Plan(
        question.quantity,
        question.unit,
        plates,
        _foreseen(working, bench, chosen, display.per_unit, display.base),
        _warnings(working, wishes, plates, bench),
        question.named,
        question.called,
        (working.cleaned.problem.label_a, working.cleaned.problem.label_b),
        bench.now(),
        tuple(chances),
        hours,
        grams,
        {factor.name: factor.words for factor in working.cleaned.problem.factors},
    )


def _bench(working: Working, wishes: Wishes) -> _Bench:
    compared = {item.factor.name: item for item in working.comparisons}
    s = len(working.names)
    levels: list[tuple[Level, Level]] = []
    free, split, fixed = [], [], {}
    for i, name in enumerate(working.names):
        item = compared[name]
        levels.append(_typical(item))
        side = _held(item, wishes)
        if side is not None:
            fixed[i] = side
        elif item.factor.of_test:
            if not _too_near(item):
                split.append(i)
        else:
            free.append(i)
    sigma, rho, _ = typical_scatters(working.posterior)
    pieces = _pieces(working, wishes)
    # Even steps through the draws, mirrored pairs kept together.
    half = len(working.draws) // 2
    pick = np.linspace(0, half - 1, _TRUTHS // 2).astype(int)
    draws = working.draws[np.concatenate([pick, pick + half])]
    seen = difference_seen(working)
    parts = [draws[:, i] for i in range(s)] + [draws[:, s + 1]]
    who = explained(parts, draws[:, s + 2], seen, chance_luck(working))
    loose = float(np.median(working.data.looseness))
    noise = sigma**2 * (rho**2 * loose + 1 / pieces)
    truth = np.hstack([draws[:, -1:], draws[:, :s]])
    return _Bench(free, split, fixed, levels, pieces, noise, sigma**2, truth, draws[:, s], who)


def _typical(item: Comparison) -> tuple[Level, Level]:
    """Return the level of A and that of B; of mixed ones the level that each has more of than the other."""
    if item.factor.kind != "category" or max(len(item.levels_a), len(item.levels_b)) < 2:  # noqa: PLR2004
        return item.a, item.b
    a, b = (
        {level: count / sum(n for _, n in side) for level, count in side}
        for side in (item.levels_a, item.levels_b)
    )
    excess = {level: a.get(level, 0.0) - b.get(level, 0.0) for level in sorted({*a, *b}, key=str)}
    return max(excess, key=lambda level: excess[level]), min(excess, key=lambda level: excess[level])


_NEAR = 0.1
"""Part of a span below which two numbers of a test are not worth telling apart."""


def _too_near(item: Comparison) -> bool:
    if not isinstance(item.a, float) or not isinstance(item.b, float):
        return False
    return abs(item.a - item.b) < _NEAR * item.factor.span


def _held(item: Comparison, wishes: Wishes) -> float | None:
    """Return the side (0 for A, 1 for B) at which a factor must stay, or None where it may be chosen.

    Raises:
        Refused: Neither of its levels may be proposed.
    """
    limit = wishes.limits.get(item.factor.name, Limit())
    gone = wishes.gone.get(item.factor.name, frozenset())
    # A measured consequence cannot be set. A's level is the neutral guess, and it is said.
    if not item.factor.settable:
        return 0.0
    safe = [not limit.never or limit.allows(level) for level in (item.a, item.b)]
    held = [ok and str(level) not in gone for ok, level in zip(safe, (item.a, item.b), strict=True)]
    if not any(safe):
        raise Refused(
            f"both levels of {item.factor.name} lie outside {limit.source}",
            why=f"{item.a} and {item.b} must not be proposed",
            do="Choose two other runs, or settle this factor by hand.",
        )
    if not any(held):
        # Neither is to be had: a new one stands for both, and what it makes is not to be seen.
        return 0.0
    return None if all(held) else (0.0 if held[0] else 1.0)


def _candidates(working: Working, wishes: Wishes, bench: _Bench) -> Array:
    """Return the allowed plates as rows of 0 (A's level) and 1 (B's level), reprints first.

    Raises:
        Refused: Nothing that differed can be set, or every combination is forbidden or printed.
    """
    names = working.names
    if names and not bench.free and not bench.split:
        raise Refused(
            "no plate to propose", why="nothing that differed can be set", do="Record the setting behind it."
        )
    patterns = _patterns(len(bench.free))
    rows = np.tile([bench.fixed.get(i, 0.0) for i in range(len(names))], (len(patterns), 1))
    rows[:, bench.free] = patterns
    allowed = [row for row in rows if not _forbidden(row, names, wishes.forbid)]
    if not allowed:
        raise Refused("no plate to propose", why="every combination is forbidden", do="Take a --forbid away.")
    printed = _printed(working, bench)
    left = [
        row
        for row in allowed
        if printed.get(tuple(row[bench.free]), 0) < (_REPRINTS if _is_reprint(row[bench.free]) else 1)
    ]
    if not left:
        raise Refused(
            "no plate to propose",
            why="every plate that could tell has been printed: none of these alone, but a combination or "
            "something not recorded",
            do="Look for what nobody wrote down.",
        )
    return np.array(left)


def _is_reprint(bits: Array) -> bool:
    return bool(bits.all() or not bits.any())


def _printed(working: Working, bench: _Bench) -> dict[tuple[float, ...], int]:
    """Return how often each pattern of A's and B's levels was printed beside A and B themselves."""
    usable = working.cleaned
    ends = {o.plate for o in (*usable.a, *usable.b)}
    own = {o.material for o in (*usable.a, *usable.b)}
    first: dict[str, Observation] = {}
    for o in usable.observations:
        if o.plate not in ends and o.material in own:
            first.setdefault(o.plate, o)
    compared = {item.factor.name: item for item in working.comparisons}
    counts: dict[tuple[float, ...], int] = {}
    for o in first.values():
        bits = [_side_of(compared[working.names[i]], o) for i in bench.free]
        equal = all(_as_in_a(compared[name], o) for name in working.roles.adjusted if name in compared)
        if equal and None not in bits:
            key = tuple(float(bit) for bit in bits if bit is not None)
            counts[key] = counts.get(key, 0) + 1
    return counts


def _side_of(item: Comparison, o: Observation) -> float | None:
    """Return 0 or 1 where a result has A's or B's level of a factor, else None."""
    for side, level in ((0.0, item.a), (1.0, item.b)):
        if _has_level(item, level, o):
            return side
    return None


def _as_in_a(item: Comparison, o: Observation) -> bool:
    # Measured consequences never come out quite the same; only what is set on purpose counts.
    return not item.factor.settable or item.a is None or _has_level(item, item.a, o)


def _has_level(item: Comparison, level: Level, o: Observation) -> bool:
    value = o.factors.get(item.factor.name)
    if item.factor.kind == "category":
        return as_level(value) == level
    pair = as_interval(value)
    if pair is None or not isinstance(level, float):
        return False
    return abs(sum(pair) / 2 - level) <= max(item.factor.resolution, 1e-9 * item.factor.span)


def _patterns(count: int) -> Array:
    """Return all patterns of few factors; of many, none, all, each alone, each left out, and halvings."""
    if count <= _ENUMERATED:
        found = np.array(list(product((0.0, 1.0), repeat=count))).reshape(2**count, count)
    else:
        # Of twenty factors there are a million combinations; plates worth printing change half of the
        # open ones or a single one.
        places = np.arange(count)
        halves = np.array([(places >> bit & 1).astype(float) for bit in range(math.ceil(math.log2(count)))])
        eye = np.eye(count)
        runs = np.array([(places < cut).astype(float) for cut in range(2, count - 1, max(count // 8, 1))])
        found = np.vstack([np.zeros((1, count)), np.ones((1, count)), halves, 1 - halves, runs, eye, 1 - eye])
    return found[:_MOST_CANDIDATES]


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


def _choose(
    bench: _Bench, candidates: Array, plates: int | None
) -> tuple[list[Array], list[float], list[float]]:
    """Return the plates in order, the chance after each, and what each is worth alone."""
    if len(candidates) > _MOST_TRIED:
        promises = np.array([bench.promise(row) for row in candidates])
        reprints = np.array([_is_reprint(row[bench.free]) for row in candidates])
        kept = np.argsort(-promises - reprints, kind="stable")[:_MOST_TRIED]
        candidates = candidates[np.sort(kept)]
    alone = [bench.outlook([row]) for row in candidates]
    base = _truth_now(bench)
    if plates is not None and plates > 1:
        # Whoever asks for several plates prints them all: they are taken for what they tell together.
        starts = np.argsort([-each.truth for each in alone], kind="stable")[:_STARTS]
        tried = [_extended(bench, candidates, int(at), plates) for at in starts]
        chosen = max(tried, key=lambda found: found[1])[0]
        order = sorted(chosen, key=lambda i: -alone[i].truth)
    else:
        # A tie goes to the plate that changes least from A.
        at = int(np.argmax(_soonest(bench, candidates, alone) - 1e-9 * candidates.sum(axis=1)))
        chosen = [at] if plates else _extended(bench, candidates, at, None)[0]
        # After the first those come first that tell most alone: there may be time for two only.
        order = [at, *sorted(chosen[1:], key=lambda i: -alone[i].truth)]
    firsts = [bench.outlook([candidates[i] for i in order[: n + 1]]).first for n in range(len(order))]
    worths = [max(alone[i].truth - base, 0.0) for i in order]
    return [candidates[i] for i in order], firsts, worths


_STARTS = 4
"""First plates from which several are built up: the best set need not hold the best single one."""


def _extended(bench: _Bench, candidates: Array, at: int, plates: int | None) -> tuple[list[int], float]:
    """Return a first plate with those that add most, and the truth's mean probability after all.

    As many as asked for; where no number is, as long as each further one pays for itself.
    """
    chosen, reached = [at], bench.outlook([candidates[at]]).truth
    while len(chosen) < (plates or _MOST_PLATES):
        so_far = [candidates[i] for i in chosen]
        trials = np.array([bench.outlook([*so_far, row]).truth for row in candidates])
        best = int(np.argmax(trials - 1e-9 * candidates.sum(axis=1)))
        # Each further plate costs a day.
        if plates is None and (trials[best] - reached < _NOT_WORTH_A_PLATE or reached > _ENOUGH):
            break
        chosen.append(best)
        reached = float(trials[best])
    return chosen, reached


def _soonest(bench: _Bench, candidates: Array, alone: Sequence[_Outlook]) -> Array:
    """Return for each plate how often a factor is named after it, plus after it and the best one more.

    The fewest plates are needed on average where the sum over all plates of the chance to be done by then is
    largest; two plates ahead tell nearly all of it. Only the plates that promise most are looked at so far.
    """
    value = np.array([each.named + 0.01 * each.truth for each in alone])
    ahead = np.argsort(-np.array([each.named + each.truth for each in alone]), kind="stable")[:_MOST_AHEAD]
    then = np.zeros(len(candidates))
    for place, i in enumerate(ahead):
        for j in ahead[place:]:
            both = bench.outlook([candidates[i], candidates[j]]).named
            then[i], then[j] = max(then[i], both), max(then[j], both)
    return value + then


def _truth_now(bench: _Bench) -> float:
    """Return the mean probability of the truth before any plate."""
    counts = np.unique(bench.who, return_counts=True)[1] / len(bench.who)
    return float((counts**2).sum())


def _plate(working: Working, bench: _Bench, bits: Array, worth: float) -> PlannedPlate:
    names = working.names
    sides = {name: "B" if bits[i] else "A" for i, name in enumerate(names) if i not in bench.split}
    levels = {name: bench.levels[i][1 if bits[i] else 0] for i, name in enumerate(names) if name in sides}
    split = {names[i]: bench.levels[i] for i in bench.split}
    words = _plate_words(working, bench, bits)
    return PlannedPlate(sides, levels, bench.pieces, worth, words, split)


def _plate_words(working: Working, bench: _Bench, bits: Array) -> str:
    """Return a plate in words, told from whichever of A and B it is nearer to."""
    problem = working.cleaned.problem
    factors = {factor.name: factor for factor in problem.factors}
    free = bench.free
    near_b = sum(bits[i] for i in free) > len(free) / 2
    base, label = (1.0, problem.label_b) if near_b else (0.0, problem.label_a)
    material = Factor("material", kind="category")
    of = [factors.get(name, material) for name in working.names]
    changes = [
        f"{of[i].words} {_level(bench.levels[i][int(bits[i])])} {of[i].unit}".strip()
        for i in free
        if bits[i] != base
    ]
    text = f"{label} once more" if not changes else f"as {label}, but {', '.join(changes)}"
    for i in bench.split:
        one, other = (_level(level) for level in bench.levels[i])
        text += f"; half of the pieces each: {of[i].words} {one} and {other} {of[i].unit}".rstrip()
    return text


def _level(value: Level) -> str:
    return number(value) if isinstance(value, float) else str(value)


def _foreseen(
    working: Working, bench: _Bench, plates: Sequence[Array], per_unit: float, base: float | None
) -> tuple[ForeseenShare, ...]:
    """Return each share's half-width now and after the plates."""
    if not working.names:
        return ()
    shares = bench.truth[:, 1:]
    weight = bench.weights(plates)
    mean = weight @ shares
    # The spread that is left after the plates, of the truth that is in the middle of all.
    after = np.median(np.sqrt(np.maximum(weight @ shares**2 - mean**2, 0.0)), axis=0)
    now = shares.std(axis=0)
    factor = _Z95 * (abs(per_unit) / base if base else abs(per_unit))
    return tuple(
        ForeseenShare(name, factor * float(before), factor * float(then), base is not None)
        for name, before, then in zip(working.names, now, after, strict=True)
    )


def _costs(working: Working, plates: int) -> tuple[float | None, float | None]:
    """Return hours and grams of so many plates, as A's and B's plates had them on average."""
    costs = working.cleaned.problem.costs
    known = [costs[o.plate] for o in (*working.cleaned.a, *working.cleaned.b) if o.plate in costs]
    totals = []
    for i in (0, 1):
        values = [float(value) for pair in known if (value := pair[i]) is not None]
        totals.append(plates * math.fsum(values) / len(values) if values else None)
    return totals[0], totals[1]


def _warnings(
    working: Working, wishes: Wishes, plates: Sequence[PlannedPlate], bench: _Bench
) -> tuple[str, ...]:
    found = []
    words = dict.fromkeys(working.names, "material")
    words |= {factor.name: factor.words for factor in working.cleaned.problem.factors}
    units = {factor.name: factor.unit for factor in working.cleaned.problem.factors}
    for i, name in enumerate(working.names):
        limit = wishes.limits.get(name, Limit())
        outside = sorted(
            {_level(p.levels[name]) for p in plates if name in p.levels and not limit.allows(p.levels[name])}
        )
        if outside:
            at = f"{', '.join(outside)} {units.get(name, '')}".strip()
            found.append(f"{words[name]} {at} lies outside the range {_range(limit)} ({limit.source}).")
        if i not in bench.fixed:
            continue
        side = "B" if bench.fixed[i] else "A"
        if limit.never:
            found.append(f"{words[name]} stays at {side}'s level: the other is not safe ({limit.source}).")
        elif wishes.gone.get(name):
            found.append(
                f"{words[name]} stays at {side}'s level: {', '.join(sorted(wishes.gone[name]))} is used up."
            )
        else:
            found.append(f"{words[name]} cannot be set; it is taken to stay as in A. Record it again.")
    return tuple(found)


def _range(limit: Limit) -> str:
    low = "" if limit.low is None else f"{limit.low:g}"
    high = "" if limit.high is None else f"{limit.high:g}"
    return f"{low}–{high}" if low and high else f"from {low}" if low else f"up to {high}"
