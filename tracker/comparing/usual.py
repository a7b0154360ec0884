"""What of a specimen differs from what is usual of its material.

No claim of a cause: it says where to look first. For a cause ``why`` is asked.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from sqlalchemy import func, select

from tracker.api import FactorValue
from tracker.book import Book
from tracker.factors import (
    Factors,
    factor_named,
    factors_of,
    in_registry_order,
    measurement_factors,
    value_words,
)
from tracker.ids import Ident
from tracker.kinds import resolve
from tracker.lineage import made_of, material_of_specimen
from tracker.model import Measurement, Specimen
from tracker.plugins import Plugged

PLATES: Final = 40
"""Other plates of the material that are looked at, the newest."""

FEWEST: Final = 3
"""On fewer other plates nothing is usual yet."""

_SHARE: Final = 2 / 3
"""A value is the usual one where so many of the plates have it. Our own choice, no source."""

_NEVER: Final = frozenset({"spool", "lot", "attempt", "x_mm", "y_mm", "operator", "geometry", "orientation"})
"""What is another one on each plate, or by intention."""

_OF_SPOOL: Final = frozenset({"water_pct", "open_air_h", "open_air_rh_h", "drying_c", "drying_h"})


@dataclass(frozen=True)
class Unusual:
    """A factor of which a specimen has another value than is usual of its material.

    Attributes:
        factor: Its name.
        words: What it is, its value here, and what is usual, for people.
        of: Whose it is: ``"test"``, ``"print"`` or ``"spool"``.
    """

    factor: str
    words: str
    of: str


def unusual(book: Book, plugged: Plugged, name: str) -> list[Unusual]:
    """Return what differs from the material's usual of a specimen, or of a measurement and its specimen.

    Args:
        book: To be read.
        plugged: The methods and factors of plugins.
        name: ID of a specimen or measurement; of anything else nothing is said.

    Returns:
        In the registry's order; empty where the material has fewer than :data:`FEWEST` other plates.
    """
    with book.read() as session:
        ident = resolve(book, session, name)
        specimen = _specimen_of(session, ident)
        if specimen is None:
            return []
        others = _others(session, specimen)
        if len(others) < FEWEST:
            return []
        found = factors_of(session, [specimen.id, *others], plugged)
        own = dict(found.pop(specimen.id, {}))
        if ident.kind == "measurement":
            # One measurement of each other specimen stands for how its tests were done.
            tests = _tests(session, others)
            factors = measurement_factors(session, [ident.number, *tests.values()])
            own |= factors.get(ident.number, {})
            found = {n: {**found.get(n, {}), **factors.get(tests.get(n, 0), {})} for n in others}
    return _differing(own, list(found.values()))


def _specimen_of(session: Any, ident: Ident) -> Any:
    if ident.kind == "specimen":
        asked = select(Specimen).where(Specimen.job_id == ident.number, Specimen.piece == ident.piece)
        return session.scalar(asked)
    if ident.kind == "measurement":
        return session.scalar(
            select(Specimen)
            .join(Measurement, Measurement.specimen_id == Specimen.id)
            .where(Measurement.id == ident.number)
        )
    return None


def _others(session: Any, specimen: Specimen) -> list[int]:
    """Return a specimen of each of the newest other plates of the material, of like orientation if any is."""
    material = material_of_specimen(specimen)
    if material is None:
        return []
    others = made_of(material.id), Specimen.job_id != specimen.job_id
    plates = select(Specimen.job_id).where(*others).distinct().order_by(Specimen.job_id.desc()).limit(PLATES)
    alike = Specimen.orientation == specimen.orientation
    asked = (
        select(func.coalesce(func.min(Specimen.id).filter(alike), func.min(Specimen.id)))
        .where(Specimen.job_id.in_(list(session.scalars(plates))), made_of(material.id))
        .group_by(Specimen.job_id)
    )
    return list(session.scalars(asked))


def _tests(session: Any, specimens: Sequence[int]) -> dict[int, int]:
    asked = (
        select(Measurement.specimen_id, func.min(Measurement.id))
        .where(Measurement.specimen_id.in_(specimens))
        .group_by(Measurement.specimen_id)
    )
    return {row[0]: row[1] for row in session.execute(asked)}


def _differing(own: Factors, others: Sequence[Mapping[str, Any]]) -> list[Unusual]:
    found = []
    for value in in_registry_order(own):
        known = factor_named(value.name)
        theirs = [each[value.name] for each in others if value.name in each]
        if value.name in _NEVER or len(theirs) < FEWEST:
            continue
        usual = _usual(value, theirs, known.resolution)
        if usual:
            of = "test" if known.of_test else "spool" if value.name in _OF_SPOOL else "print"
            found.append(Unusual(value.name, f"{known.words} {_middle(value)}; usually {usual}", of))
    return found


def _usual(value: Any, theirs: Sequence[Any], resolution: float) -> str:
    """Return what is usual, in words, where a value is not; empty where it is, or nothing is usual."""
    numbers = [each.value for each in theirs if not isinstance(each.value, str)]
    if isinstance(value.value, str) or len(numbers) < len(theirs):
        word, times = Counter(str(each.value) for each in theirs).most_common(1)[0]
        usual = times >= _SHARE * len(theirs)
        return f"{word} ({times} of {len(theirs)} other plates)" if usual and word != str(value.value) else ""
    near = max(resolution, 1e-9)
    middle = sorted(theirs, key=lambda each: each.value)[len(theirs) // 2]
    times = sum(abs(each - middle.value) <= near for each in numbers)
    if times >= _SHARE * len(numbers):
        other = abs(value.value - middle.value) > near
        return f"{_middle(middle)} ({times} of {len(numbers)} other plates)" if other else ""
    if min(numbers) - near <= value.value <= max(numbers) + near:
        return ""
    low, high = (pick(theirs, key=lambda each: each.value) for pick in (min, max))
    return f"{_middle(low)} to {_middle(high)} ({len(numbers)} other plates)"


def _middle(value: FactorValue) -> str:
    """Return a value without its interval: beside what is usual that would be more than is looked for."""
    return value_words(replace(value, low=None, high=None))
