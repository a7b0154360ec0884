"""Appearance of a printed test piece, graded by eye: ordinal grades, never averaged."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Iterator
from typing import Annotated, Any

from pydantic import Field

from tracker.api import (
    Formula,
    Method,
    Outcome,
    Piece,
    Quantity,
    Reading,
    Readings,
    Recording,
    hookimpl,
    nominal,
    picture,
)
from tracker.api.picture import INK

_ASPECTS = ("stringing", "overhang", "bridging", "gaps", "warping", "seam")
_SCALE = "0 unusable, 1 bad, 2 visible, 3 slight, 4 none to be seen"
Grades = tuple[tuple[Annotated[int, Field(ge=0, le=4)]], ...]


def _grades(what: str) -> Reading:
    """Return the annotation of one aspect; several judges give several grades."""
    return Reading(unit="1", help=f"{what}: {_SCALE}; one grade a judge", columns=("grade",), units=("1",))


class AppearanceReadings(Readings):
    """Grades from 0 to 4, one for each judge, and photos."""

    stringing: Annotated[Grades, _grades("strings between parts")] = ()
    overhang: Annotated[Grades, _grades("sagging or curling overhangs")] = ()
    bridging: Annotated[Grades, _grades("sagging bridges")] = ()
    gaps: Annotated[Grades, _grades("gaps and missing material")] = ()
    warping: Annotated[Grades, _grades("lifted corners")] = ()
    seam: Annotated[Grades, _grades("seam and blobs")] = ()
    photo: Annotated[Recording | None, Reading(help="photo", ask=False)] = None
    photo_2: Annotated[Recording | None, Reading(help="second photo", ask=False)] = None
    photo_3: Annotated[Recording | None, Reading(help="third photo", ask=False)] = None


class Appearance(Method):
    """Grades by eye."""

    id = "appearance"
    title = "Appearance"
    version = "1.0"
    standard = (
        "No standard is followed: grades from 0 to 4 by eye at arm's length in daylight. They are ordinal: "
        "median and spread are stated, a mean would have no meaning. Departures: judges, light and test "
        "piece differ from bench to bench; compare on one bench only."
    )
    cautions = ("Strings and edges of printed pieces can be sharp.",)
    Readings = AppearanceReadings
    quantities = tuple(
        Quantity(f"appearance.{aspect}", "1", True, aspect, scale="ordinal", positive=False)
        for aspect in _ASPECTS
    )
    formulas = (
        Formula(
            "grade 0 to 4 as given, no arithmetic",
            "",
            "none: graded by eye",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer the median grade of each aspect that was judged, with the spread as a remark."""
        del piece
        judged = [aspect for aspect in _ASPECTS if getattr(readings, aspect)]
        if not judged:
            yield Outcome(
                "appearance.stringing", refused=f"no grades: give one or more of {', '.join(_ASPECTS)}"
            )
        for aspect in judged:
            yield _graded(aspect, [int(nominal(grade)) for (grade,) in getattr(readings, aspect)])

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw every grade of every judge."""
        del piece, outcomes
        points = list(_points(readings))
        if not points:
            return None
        figure, axes = picture("Appearance", ("grade (4 is best)", ""))
        axes.scatter(
            [x for x, _, _ in points], [y for _, y, _ in points], [40 * n for _, _, n in points], color=INK
        )
        axes.set_yticks(range(len(_ASPECTS)), _ASPECTS)
        axes.set_xlim(-0.3, 4.3)
        axes.set_xticks(range(5))
        return figure

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        return [
            {"stringing": 3, "overhang": "2", "warping": "4 3 4"},
            {"seam": [[1], [2]], "photo": Recording("photo.jpg", b"\xff\xd8\xff\xe0 not really a photo")},
        ]


def _graded(aspect: str, grades: list[int]) -> Outcome:
    remarks = [
        f"Grades {min(grades)} to {max(grades)} of {len(grades)} judges." if len(grades) > 1 else "One judge."
    ]
    # Halfway between two grades is no grade: the lower of them is claimed.
    low, high = statistics.median_low(grades), statistics.median_high(grades)
    # No mean even of two judges: grades are ordered, not spaced.
    if low != high:
        remarks.append(f"The middle lies between {low} and {high}; the worse one counts.")
    return Outcome(f"appearance.{aspect}", low, remarks=tuple(remarks))


def _points(readings: Any) -> Iterator[tuple[int, int, int]]:
    """Yield grade, row of the aspect, and how many judges gave it."""
    for row, aspect in enumerate(_ASPECTS):
        # Dots of equal grades lie on one another; how many they are is shown by their size.
        grades = [int(nominal(grade)) for (grade,) in getattr(readings, aspect)]
        for grade in sorted(set(grades)):
            yield grade, row, grades.count(grade)


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Appearance()]
