"""Answers from the book: why, what to print next, what to keep an eye on."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from sqlalchemy import func, select

from tracker.book import Book
from tracker.comparing.asking import Scope, problems, quantities_of
from tracker.comparing.survey import surveys
from tracker.desk.plates import settings_of
from tracker.errors import Refused
from tracker.factors import factor_named
from tracker.ids import spool_id
from tracker.kinds import NotFoundError, material_named
from tracker.model import Material, Spool
from tracker.plugins import Plugged
from tracker.progress import Progress
from tracker.selection import check_quantities
from tracker.why import (
    Answer,
    Limit,
    Observation,
    Overview,
    Plan,
    Problem,
    Watch,
    Wishes,
    followup,
    overview,
    screened,
    settings_that_differ,
    watch,
    with_plan,
)

_MOST_PLATES_READ = 4
"""Plate files of A and B that are read for raw settings; more would take longer than the answer."""


@dataclass(frozen=True)
class Why:
    """The answer to one question, with the others that were asked along.

    Attributes:
        answer: Of the largest standardised difference, follow-up included; None where only an overview
            was asked for.
        overview: All quantities and orientations, largest standardised difference first.
    """

    answer: Answer | None
    overview: Overview

    def as_json(self) -> dict[str, Any]:
        """Return it as plain JSON values; the answer's keys stand on top."""
        found = {} if self.answer is None else self.answer.as_json()
        return {**found, "overview": self.overview.as_json()}

    def sentences(self, width: int = 80) -> list[str]:
        """Return it as text for a person."""
        if self.answer is None:
            return self.overview.sentences(width)
        rest = replace(
            self.overview, answers=tuple(each for each in self.overview.answers if not self._is(each))
        )
        also = ["", "Asked along:", *rest.sentences(width)] if rest.answers else []
        return [*self.answer.sentences(width), *also]

    def _is(self, other: Answer) -> bool:
        return self.answer is not None and other.problem.a == self.answer.problem.a


def why(
    book: Book, plugged: Plugged, a: str, b: str, quantity: str | None = None, scope: Scope | None = None
) -> Why:
    """Answer why two groups differ.

    Args:
        book: To be read.
        plugged: The methods.
        a: Group A: IDs, a material, or a filter.
        b: Group B.
        quantity: The one in question; None gives an overview of every shared one.
        scope: What else is looked at.

    Raises:
        Refused: The groups name nothing, overlap, or share no quantity.
    """
    found = _overview(_asked(book, plugged, a, b, quantity, scope))
    if quantity is None:
        return Why(None, found)
    largest = found.answers[0]
    problem = _with_settings(book, largest.problem)
    settings = settings_that_differ(problem.settings_a, problem.settings_b)
    wishes = Wishes(limits=limits_of(book, problem), gone=lost_factors(book, problem))
    return Why(with_plan(replace(largest, problem=problem, settings=settings), wishes), found)


def _overview(asked: Sequence[Problem]) -> Overview:
    """Return all answers.

    Raises:
        Refused: None of them can be answered.
    """
    found = overview(asked)
    if not found.answers:
        raise Refused("There is nothing to compare", why="; ".join(dict.fromkeys(found.refused.values())))
    return found


def _asked(
    book: Book, plugged: Plugged, a: str, b: str, quantity: str | None, scope: Scope | None = None
) -> list[Problem]:
    asked = problems(book, plugged, a, b, quantity, scope)
    if not asked:
        of = f"results of {quantity}" if quantity else "quantity in common"
        raise Refused(f"{a} and {b} have no {of}", do="strandbook list results shows what was tested")
    return asked


def _with_settings(book: Book, problem: Problem) -> Problem:
    """Return the problem with the raw settings of A's and B's plates, where these are few enough."""
    if problem.settings_a or problem.settings_b:
        return problem
    sides: list[dict[str, str]] = []
    plates = [
        sorted({o.plate for o in problem.observations if o.result_id in ids})
        for ids in (problem.a, problem.b)
    ]
    if sum(map(len, plates)) > _MOST_PLATES_READ:
        return problem
    for own in plates:
        texts: dict[str, list[str]] = {}
        for job in own:
            # A job without a plate file, or one that cannot be read any more, states no settings.
            with contextlib.suppress(Refused):
                for key, text in settings_of(book, job).items():
                    if text not in texts.setdefault(key, []):
                        texts[key].append(text)
        sides.append({key: " / ".join(found) for key, found in texts.items()})
    # Where one side has no plate file all its settings are not stated, which is no difference.
    if not all(sides):
        return problem
    return replace(problem, settings_a=sides[0], settings_b=sides[1])


def lost_factors(book: Book, problem: Problem) -> dict[str, frozenset[str]]:
    """Return the spools, and lots, among A's and B's of which nothing is left to print from."""
    chosen = problem.a | problem.b
    named = {str(o.factors.get("spool")) for o in problem.observations if o.result_id in chosen}
    with book.read() as session:
        merged = session.execute(select(Spool.id, Spool.lot).where(Spool.merged_into_id.is_not(None))).all()
        held = set(session.scalars(select(Spool.lot).where(Spool.merged_into_id.is_(None))))
    spools = frozenset(name for row in merged if (name := spool_id(row.id)) in named)
    lots = frozenset(str(row.lot) for row in merged if row.lot is not None and row.lot not in held)
    return {name: levels for name, levels in (("spool", spools), ("lot", lots)) if levels}


def limits_of(book: Book, problem: Problem) -> dict[str, Limit]:
    """Return the data sheet's ranges of the materials in question; above the safe drying heat: never.

    Returns:
        Factor (``nozzle_c``, ``bed_c``, ``chamber_c``, ``drying_c``) to its range in °C; a factor of which
        no sheet says anything is absent.
    """
    found: dict[str, Limit] = {}
    chosen = problem.a | problem.b
    with book.read() as session:
        for name in sorted({each.material for each in problem.observations if each.result_id in chosen}):
            try:
                sheet = material_named(session, name)
            except NotFoundError:
                # Given outright with its results, a material has no sheet; no limit is known then, and none
                # is made up.
                continue
            for stem in ("nozzle", "bed", "chamber"):
                low, high = getattr(sheet, f"{stem}_low_c"), getattr(sheet, f"{stem}_high_c")
                if low is not None or high is not None:
                    found[f"{stem}_c"] = Limit(low, high, f"data sheet of {sheet.name}")
            if sheet.drying_max_c is not None:
                heat = f"highest drying temperature of {sheet.name}"
                # Not merely unusual but unsafe: filament fuses on the reel, and a proposal is read as
                # advice.
                found["drying_c"] = Limit(None, sheet.drying_max_c, heat, never=True)
    return found


def follow_up(
    book: Book,
    plugged: Plugged,
    a: str,
    b: str,
    quantity: str | None = None,
    *,
    plates: int | None = None,
    pieces: int | None = None,
    forbid: Sequence[Mapping[str, str]] = (),
) -> tuple[Plan, str]:
    """Propose the plates that would show what made the difference; of the largest where none is named.

    Args:
        book: To be read.
        plugged: The methods.
        a: Group A: IDs, a material, or a filter.
        b: Group B.
        quantity: The one in question; None takes that of the largest standardised difference.
        plates: Number of plates; None for the fewest that are worth printing.
        pieces: Most pieces per plate; None for as many as A's and B's plates have.
        forbid: Combinations that must not be printed: factor to ``"A"`` or ``"B"``.

    Returns:
        The plan, and the material it is for.

    Raises:
        Refused: As for :func:`why`; nothing that differed can be set; or every plate is forbidden.
    """
    problem = _overview(_asked(book, plugged, a, b, quantity)).answers[0].problem
    plan = _planned(book, problem, plates=plates, pieces=pieces, forbid=forbid)
    of_b = {each.material for each in problem.observations if each.result_id in problem.b}
    return plan, ", ".join(sorted(of_b))


def _planned(book: Book, problem: Problem, **wanted: Any) -> Plan:
    limits, gone = limits_of(book, problem), lost_factors(book, problem)
    return followup(problem, limits=limits, gone=gone, **wanted)


@dataclass(frozen=True)
class PlateToEnter:
    """A proposed plate as a job is entered for it.

    Attributes:
        typed: Answers to the form of a job.
        spools: ID of the spool, where one is proposed.
        material: Its material, where no spool is.
        pieces: ``NAME:ORIENTATION:COUNT``, as what B was measured on.
    """

    typed: Mapping[str, str]
    spools: tuple[str, ...]
    material: str | None
    pieces: tuple[str, ...]


def plates_to_enter(
    book: Book, plugged: Plugged, a: str, b: str, quantity: str | None = None
) -> tuple[Plan, list[PlateToEnter]]:
    """Propose the plates that would show what made the difference, each as a job to be entered.

    What no form of a job has (hours of drying, say) is in its note, with all else that is to be set.

    Raises:
        Refused: As for :func:`follow_up`.
    """
    problem = _overview(_asked(book, plugged, a, b, quantity)).answers[0].problem
    plan = _planned(book, problem)
    of_b = [each for each in problem.observations if each.result_id in problem.b]
    name, orientation = (str(of_b[0].factors.get(each) or "") for each in ("geometry", "orientation"))
    made = []
    for number, plate in enumerate(plan.plates, start=1):
        levels = {field: plate.levels.get(factor) for factor, field in _FIELDS.items()}
        typed = {
            field: f"{level:.4g}" if isinstance(level, (int, float)) else str(level)
            for field, level in levels.items()
            if level is not None
        }
        typed["name"] = f"follow-up {number} of {len(plan.plates)}"
        typed["note"] = f"To tell A = {a} and B = {b} apart in {plan.called or plan.quantity}: {plate.words}"
        spool = _spool_for(book, plate.levels, of_b)
        pieces = f"{name.replace(':', ' ') or 'specimen'}:{orientation}:{plate.pieces}"
        made.append(
            PlateToEnter(typed, (spool,) if spool else (), None if spool else of_b[0].material, (pieces,))
        )
    return plan, made


def _spool_for(book: Book, levels: Mapping[str, Any], of_b: Sequence[Observation]) -> str:
    """Return the spool of a proposed plate: the one named, else one of B's of that lot, else the newest."""
    lot = levels.get("lot")
    alike = next((each.factors for each in of_b if lot in (None, each.factors.get("lot"))), {})
    found = levels.get("spool") or alike.get("spool") or _newest_spool(book, of_b[0].material, lot)
    return str(found or "")


def _newest_spool(book: Book, material: str, lot: Any) -> str | None:
    """Return the newest spool of a material, of a lot where one is to be used; None where there is none."""
    with book.read() as session:
        asked = select(func.max(Spool.id)).join(Material).where(Material.name == material)
        number = session.scalar(asked if lot is None else asked.where(Spool.lot == str(lot)))
        return None if number is None else spool_id(number)


_FIELDS: Final[Mapping[str, str]] = {
    "nozzle_c": "nozzle_set_c", "bed_c": "bed_set_c", "chamber_c": "chamber_set_c", "fan_pct": "fan_set_pct",
    "layer_height_mm": "layer_height_mm", "line_width_mm": "line_width_mm", "printer": "printer",
    "nozzle": "nozzle", "surface": "surface",
}  # fmt: skip
"""Factors that the form of a job has, by its fields."""


def plan_text(plan: Plan, material: str) -> str:
    """Return a plan as the TOML text that ``preflight --like`` checks a plate file against.

    Only what can be set at the printer stands in it.
    """
    lines = [
        "# Plates proposed to tell factors apart; preflight FILE --like THIS checks a plate file against it.",
        f"material = {json.dumps(material, ensure_ascii=False)}",
        f"quantity = {json.dumps(plan.quantity)}",
    ]
    for plate in plan.plates:
        lines += ["", "[[plate]]", f"pieces = {plate.pieces}", "[plate.levels]"]
        lines += [
            f"{name} = {json.dumps(value, ensure_ascii=False)}"
            for name, value in plate.levels.items()
            if value is not None and _at_the_printer(name)
        ]
    return "\n".join(lines) + "\n"


def _at_the_printer(name: str) -> bool:
    known = factor_named(name)
    return known.settable and not known.of_test


def watched(
    book: Book, plugged: Plugged, quantity: str | None = None, progress: Progress | None = None
) -> tuple[list[Watch], dict[str, str]]:
    """Look over the whole book for drift, readers that differ, and improbable results.

    Of more than a million results it is the newest plates, which each watch then says
    (:attr:`Watch.looked_at`).

    Args:
        book: To be read.
        plugged: Methods, and what may add factors.
        quantity: Only this; all where None.
        progress: Called with the stage, what is done and how much it is.

    Returns:
        One watch for each quantity and orientation, their lines adjusted for all charts together, and why
        others could not be looked over.

    Raises:
        Refused: There is no such quantity; near ones are named.
    """
    declared = quantities_of(plugged)
    with book.connect() as connection:
        check_quantities(connection, [quantity] if quantity else [], declared)
    names = [quantity] if quantity else sorted(declared)
    found: list[Watch] = []
    refused: dict[str, str] = {}
    for each in surveys(book, plugged, declared, names, progress):
        try:
            seen = watch(each.question, each.factors, each.records)
            found.append(replace(seen, looked_at=each.looked_at))
        except Refused as refusal:
            refused[each.question.named] = str(refusal)
        # Of a large book two of them are not held at once.
        del each
    return screened(found), refused
