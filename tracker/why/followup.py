"""The plates to print next, as data and as sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from tracker.errors import Refused
from tracker.why.answer import Answer
from tracker.why.answering import by_rank, display_of, from_work
from tracker.why.plan import Foreseen, Layout, Limit, PlannedPlate, Wishes, lay_out
from tracker.why.problem import Problem, cleaned
from tracker.why.words import number, wrapped
from tracker.why.working import Working, work


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
        plates: The plates, the one worth most first.
        foreseen: The interval each share would have afterwards.
        warnings: What must be said with them: levels outside the data sheet, factors that cannot be set.
        named: The quantity, and of which pieces.
        sides: What A and B are called.
    """

    quantity: str
    unit: str
    plates: tuple[PlannedPlate, ...]
    foreseen: tuple[ForeseenShare, ...]
    warnings: tuple[str, ...]
    named: str = ""
    sides: tuple[str, str] = ("A", "B")

    @property
    def worth_most(self) -> PlannedPlate:
        """The single plate that would remove most of what is open."""
        return max(self.plates, key=lambda plate: plate.worth)

    def rows(self) -> tuple[dict[str, Any], ...]:
        """Return the plates as rows of plain data."""
        return tuple(
            {
                "plate": index + 1,
                "sides": dict(plate.sides),
                "levels": dict(plate.levels),
                "pieces": plate.pieces,
                "worth": plate.worth,
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
            "shares_after": [asdict(share) for share in self.foreseen],
            "warnings": list(self.warnings),
        }

    def sentences(self, width: int = 80) -> list[str]:
        """Return the plan in plain sentences, wrapped to ``width`` columns."""
        a, b = self.sides
        texts = [f"To tell apart what differed in {self.named or self.quantity} between A = {a} and B = {b}:"]
        texts += [f"Plate {i + 1}: {_plate(plate)}." for i, plate in enumerate(self.plates)]
        texts.append(
            "Levels are what A and B had while the gauge section was printed, not what was dialled in."
        )
        texts.append(f"Worth most: plate {self.plates.index(self.worth_most) + 1}.")
        texts.append("Half-width of each share's 95 % interval, now and afterwards:")
        texts += [f"  {share.factor}: {_half(share, self.unit)}" for share in self.foreseen]
        texts += self.warnings
        return wrapped(texts, width)


def _plate(plate: PlannedPlate) -> str:
    levels = [f"{name} {_level(plate.levels[name])} (as {side})" for name, side in plate.sides.items()]
    alone = f"alone it removes {100 * plate.worth:.0f} % of what is open"
    return f"{', '.join(levels)}; {plate.pieces} pieces; {alone}"


def _level(value: float | str | None) -> str:
    return number(value) if isinstance(value, float) else str(value)


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
) -> Plan:
    """Propose the plates that would tell the changed factors apart.

    Args:
        problem: The problem, as for :func:`tracker.why.answer`.
        plates: Number of plates; None for the fewest that are worth printing.
        pieces: Most pieces per plate; None for as many as A's and B's plates have.
        forbid: Combinations that must not be printed: factor to ``"A"`` or ``"B"``, all must hold.
        limits: Factor to the range of the data sheet; a level outside is proposed
            only with a warning, and never where the limit says never.

    Raises:
        Refused: As for :func:`tracker.why.answer`; nothing that was recorded differed
            or can be set; both levels lie where the limit says never; everything is
            forbidden; less than one piece a plate; or only ranks can be compared.
    """
    usable = cleaned(problem)
    if usable.by_rank:
        raise Refused(
            f"no plates can be planned for {problem.question.quantity}",
            why="grades and bounds are compared by rank, which has no shares",
            do="Ask about a quantity that is a number.",
        )
    working = work(usable)
    return _plan(working, lay_out(working, Wishes(plates, pieces, tuple(forbid), limits or {})))


def _plan(working: Working, layout: Layout) -> Plan:
    question = working.cleaned.problem.question
    display, _ = display_of(working)
    # Planned on the working scale, told in what people read: per cent of A, or units where a fraction makes
    # no sense.
    fraction = display.base is not None
    foreseen = tuple(_shown(share, display.per_unit, display.base) for share in layout.foreseen)
    return Plan(
        question.quantity,
        question.unit,
        layout.plates,
        tuple(replace(share, fraction=fraction) for share in foreseen),
        layout.warnings,
        question.named,
        (working.cleaned.problem.label_a, working.cleaned.problem.label_b),
    )


def _shown(share: Foreseen, per_unit: float, base: float | None) -> ForeseenShare:
    factor = per_unit / base if base else per_unit
    return ForeseenShare(share.factor, share.now * factor, share.after * factor, base is not None)


def explain(problem: Problem, wishes: Wishes | None = None) -> Answer:
    """Answer all five steps; where no plate can be proposed the answer says why.

    Raises:
        Refused: As for :func:`tracker.why.answer`.
    """
    usable = cleaned(problem)
    if usable.by_rank:
        return by_rank(usable)
    working = work(usable)
    found = from_work(working)
    # The answer stands without a plan; why there is none belongs into it, not in its place.
    try:
        rows = _plan(working, lay_out(working, wishes or Wishes())).rows()
    except Refused as refusal:
        return replace(found, no_followup=str(refusal))
    return replace(found, followup=rows)
