"""What looks wrong among the numbers of a sheet: questions before it is brought in, and hints of outliers.

Each result is compared with its siblings: those of the same material, orientation, quantity and group in the
sheet, and those that the book has. What is asked about stays marked with the measurement once it is meant; a
hint asks nothing.
"""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.api import Quantity
from tracker.desk.importing.drafts import JobDraft, MeasurementDraft
from tracker.desk.plausibility import outcome_questions, values_of_material
from tracker.model import Material
from tracker.plugins import Computed, Plugged
from tracker.stating import plain
from tracker.statistics import plate_outlier

_MOST_SIBLINGS: Final = 60
_NEAR: Final = 1.5
"""Within this factor of the middle of its siblings no positive number is asked about."""


@dataclass(frozen=True)
class Asked:
    """Something in a sheet that should be meant.

    Attributes:
        line: Of the sheet.
        quantity: Name of it.
        question: One sentence.
    """

    line: int
    quantity: str
    question: str

    def __str__(self) -> str:
        """The question with its line."""
        return f"line {self.line}: {self.question}"


class _Kind(NamedTuple):
    """What makes results siblings; the material folded, as the book folds it."""

    material: str
    orientation: str | None
    quantity: str
    unit: str
    group: str


class _Found(NamedTuple):
    line: int
    plate: int
    measurement: MeasurementDraft
    result: Computed


def oddities(
    session: Session, jobs: Sequence[JobDraft], plugged: Plugged
) -> tuple[dict[int, list[Asked]], list[str]]:
    """Return the questions by ``id`` of the measurement's draft, and the hints of outliers, a sentence each.

    Args:
        session: To the book, for the siblings it has.
        jobs: What the sheet would make.
        plugged: The methods, for what their quantities are.
    """
    declared = {q.name: q for each in plugged.methods.values() for q in each.method.quantities}
    known = {
        name.casefold(): (number, family)
        for number, name, family in session.execute(select(Material.id, Material.name, Material.family))
    }
    asked: dict[int, list[Asked]] = defaultdict(list)
    hints: list[str] = []
    for kind, found in _by_kind(jobs).items():
        quantity = declared.get(kind.quantity)
        if quantity is not None and quantity.scale == "ordinal":
            continue
        number, family = known.get(kind.material, (None, None))
        before = values_of_material(session, number, *kind[1:]) if number is not None else []
        for each, question in _questions(found, before, quantity, family):
            asked[id(each.measurement)].append(Asked(each.line, kind.quantity, question))
        hints += _outliers(kind, found)
    return dict(asked), hints


def _by_kind(jobs: Iterable[JobDraft]) -> Mapping[_Kind, list[_Found]]:
    found: dict[_Kind, list[_Found]] = defaultdict(list)
    for plate, job in enumerate(jobs):
        for piece in job.specimens:
            for measurement in piece.measurements:
                for result in measurement.results:
                    if result.value is None or result.relation != "=":
                        continue
                    kind = _Kind(
                        job.material.casefold(), piece.texts.get("orientation"), result.quantity, result.unit,
                        result.group,
                    )  # fmt: skip
                    found[kind].append(_Found(piece.line, plate, measurement, result))
    return found


def _questions(
    found: Sequence[_Found], before: Sequence[float], quantity: Quantity | None, family: str | None
) -> Iterator[tuple[_Found, str]]:
    values = [float(each.result.value or 0.0) for each in found]
    many = len(values) + len(before) > _MOST_SIBLINGS
    # Of many siblings a part in order of size has the same middle and scatter, and takes no time.
    ordered = sorted([*values, *before])
    part = ordered[:: max(1, len(ordered) // _MOST_SIBLINGS)] if many else []
    middle = statistics.median(ordered)
    positive = quantity is None or quantity.positive
    for place, each in enumerate(found):
        if len(ordered) > 1 and positive and middle > 0 and middle / _NEAR <= values[place] <= middle * _NEAR:
            continue
        others = part if many else [*values[:place], *values[place + 1 :], *before]
        for question in outcome_questions(each.result, quantity, others, family):
            yield each, question


def _outliers(kind: _Kind, found: Sequence[_Found]) -> Iterator[str]:
    """Yield a hint where one piece lies farther from its plate's mean than chance allows."""
    plates: dict[int, list[_Found]] = defaultdict(list)
    for each in found:
        plates[each.plate].append(each)
    members = list(plates.values())
    hint = plate_outlier([[float(each.result.value or 0.0) for each in plate] for plate in members])
    if hint is not None and hint.stands_apart:
        each = members[hint.plate][hint.index]
        yield (
            f"Line {each.line}: {kind.quantity} {plain(float(each.result.value or 0.0))} {kind.unit}: "
            f"possible outlier (G = {hint.statistic:.2f}, 5 % critical {hint.critical:.2f})"
        )
