"""What looks wrong among the numbers of a sheet: questions before it is brought in, and hints of outliers.

Each result is compared with its siblings: those of the same material, orientation, quantity and group in the
sheet, and those that the book has. What is asked about stays marked with the measurement once it is meant; a
hint asks nothing.
"""

from __future__ import annotations

import math
import statistics
from array import array
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.api import Quantity
from tracker.desk.importing.drafts import SpecimenDraft
from tracker.desk.plausibility import outcome_questions, unasked_span, values_of_material
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


@dataclass
class _Found:
    """The results of a kind: of each its line, plate, measurement of its piece, value and uncertainty."""

    lines: array[int] = field(default_factory=lambda: array("l"))
    plates: array[int] = field(default_factory=lambda: array("l"))
    places: array[int] = field(default_factory=lambda: array("h"))
    values: array[float] = field(default_factory=lambda: array("d"))
    uncertainties: array[float] = field(default_factory=lambda: array("d"))

    def result(self, at: int, kind: _Kind) -> Computed:
        """Return one of them as far as it is asked about."""
        u = self.uncertainties[at]
        return Computed(
            kind.quantity, self.values[at], kind.unit, None if math.isnan(u) else u, group=kind.group
        )


class Numbers:
    """The results of a sheet by what makes them siblings, forty bytes each."""

    def __init__(self) -> None:
        self._by_kind: dict[_Kind, _Found] = defaultdict(_Found)

    def take(self, plate: int, material: str, piece: SpecimenDraft) -> None:
        """Take the results of a piece on a plate of some material."""
        for place, measurement in enumerate(piece.measurements):
            for result in measurement.results:
                if result.value is None or result.relation != "=":
                    continue
                found = self._by_kind[
                    _Kind(
                        material.casefold(), piece.texts.get("orientation"), result.quantity, result.unit,
                        result.group,
                    )
                ]  # fmt: skip
                found.lines.append(piece.line)
                found.plates.append(plate)
                found.places.append(place)
                found.values.append(result.value)
                found.uncertainties.append(math.nan if result.uncertainty is None else result.uncertainty)

    def oddities(
        self, session: Session, plugged: Plugged
    ) -> tuple[dict[tuple[int, int], list[Asked]], list[str]]:
        """Return the questions by line and place of the measurement, and the hints of outliers as sentences.

        Args:
            session: To the book, for the siblings it has.
            plugged: The methods, for what their quantities are.
        """
        declared = {q.name: q for each in plugged.methods.values() for q in each.method.quantities}
        known = {
            name.casefold(): (number, family)
            for number, name, family in session.execute(select(Material.id, Material.name, Material.family))
        }
        asked: dict[tuple[int, int], list[Asked]] = defaultdict(list)
        hints: list[str] = []
        for kind, found in self._by_kind.items():
            quantity = declared.get(kind.quantity)
            if quantity is not None and quantity.scale == "ordinal":
                continue
            number, family = known.get(kind.material, (None, None))
            before = values_of_material(session, number, *kind[1:]) if number is not None else []
            for at, question in _questions(kind, found, before, quantity, family):
                line = found.lines[at]
                asked[line, found.places[at]].append(Asked(line, kind.quantity, question))
            hints += _outliers(kind, found)
        return dict(asked), hints


def _questions(
    kind: _Kind, found: _Found, before: Sequence[float], quantity: Quantity | None, family: str | None
) -> Iterator[tuple[int, str]]:
    values = found.values
    many = len(values) + len(before) > _MOST_SIBLINGS
    # Of many siblings a part in order of size has the same middle and scatter, and takes no time.
    ordered = sorted([*values, *before])
    part = ordered[:: max(1, len(ordered) // _MOST_SIBLINGS)] if many else []
    middle = statistics.median(ordered)
    positive = quantity is None or quantity.positive
    low, high = unasked_span(part, positive=positive) if many else (math.inf, -math.inf)
    for place, value in enumerate(values):
        if low <= value <= high:
            continue
        if len(ordered) > 1 and positive and middle > 0 and middle / _NEAR <= value <= middle * _NEAR:
            continue
        others = part if many else [*values[:place], *values[place + 1 :], *before]
        for question in outcome_questions(found.result(place, kind), quantity, others, family):
            yield place, question


def _outliers(kind: _Kind, found: _Found) -> Iterator[str]:
    """Yield a hint where one piece lies farther from its plate's mean than chance allows."""
    plates: dict[int, list[int]] = defaultdict(list)
    for at, plate in enumerate(found.plates):
        plates[plate].append(at)
    members = list(plates.values())
    hint = plate_outlier([[found.values[at] for at in plate] for plate in members])
    if hint is not None and hint.stands_apart:
        at = members[hint.plate][hint.index]
        yield (
            f"Line {found.lines[at]}: {kind.quantity} {plain(found.values[at])} {kind.unit}: "
            f"possible outlier (G = {hint.statistic:.2f}, 5 % critical {hint.critical:.2f})"
        )
