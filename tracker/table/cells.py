"""One cell of the table: what repeated results of one quantity say together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tracker.errors import Refused
from tracker.ids import measurement_id
from tracker.statistics import fieller_ratio, mean_interval, ordinal_summary, plate_outlier
from tracker.table.points import Point
from tracker.units import shown

_NOTHING = 1e-9
"""Relative: below this a scatter is rounding, and no digits are shown for it."""


@dataclass(frozen=True)
class Cell:
    """Results of one quantity, one material, one condition, one way of lying.

    Attributes:
        quantity: Its name.
        unit: Of the figures.
        n: Results that were counted and are numbers.
        mean: Their mean, or for grades their median; None without numbers.
        sd: Standard deviation of a single result (divisor n - 1); None for fewer than two, and for grades.
        low: Lower limit of the 95 % interval of the mean; for grades the least.
        high: Upper limit; for grades the greatest.
        ordinal: Grades: a median and a spread, never a mean.
        uninformative: Two results or one: an interval that says next to nothing.
        limits: Results that say only "more than" or "less than", as text.
        set_aside: Number of results that a verdict keeps out.
        hints: What stands apart by Grubbs or Dixon: hints, which exclude nothing.
        numbers: Numbers of the measurements behind the cell.
        values: The single results, in the order of ``numbers``.
        remarks: Remarks on the pieces and results, each once.
    """

    quantity: str
    unit: str
    n: int
    mean: float | None
    sd: float | None
    low: float | None
    high: float | None
    ordinal: bool
    uninformative: bool
    limits: tuple[str, ...]
    set_aside: int
    hints: tuple[str, ...]
    numbers: tuple[int, ...]
    values: tuple[float, ...]
    remarks: tuple[str, ...]

    @property
    def results(self) -> tuple[str, ...]:
        """IDs of the measurements behind the cell, for ``trace``."""
        # Worked out only when they are wanted: on a screen nobody reads a hundred thousand of them.
        return tuple(map(measurement_id, self.numbers))

    def as_json(self) -> dict[str, Any]:
        """Return the cell as plain JSON values."""
        return {
            "quantity": self.quantity, "unit": self.unit, "n": self.n,
            "median" if self.ordinal else "mean": self.mean, "sd": self.sd, "low": self.low,
            "high": self.high, "uninformative": self.uninformative, "limits": list(self.limits),
            "set_aside": self.set_aside, "hints": list(self.hints), "results": list(self.results),
            "values": list(self.values), "remarks": list(self.remarks),
        }  # fmt: skip

    def limits_text(self) -> str:
        """Return the results that are only limits, alike ones once: ``> 120 °C n 3``."""
        return ", ".join(_times(text, count) for text, count in Counter(self.limits).items())

    def text(self, unit: str = "") -> str:
        """Return mean and interval for a person: ``31.4 MPa (30.2 – 32.6) n 4``.

        Args:
            unit: To stand behind the mean, where no heading says it.
        """
        if self.mean is None:
            return self.limits_text() or "–"
        behind = f" {unit}" if unit else ""
        if self.ordinal:
            return f"median {self.mean:g}{behind} ({self.low:g}–{self.high:g}) n {self.n}"
        if self.low is None or self.high is None or not self.sd or self.sd < _NOTHING * abs(self.mean):
            return _minus(f"{self.mean:.4g}{behind} n {self.n}")
        places = _places(self.sd)
        doubt = "?" if self.uninformative else ""
        limits = f"{self.low:.{places}f} – {self.high:.{places}f}{doubt}"
        return _minus(f"{self.mean:.{places}f}{behind} ({limits}) n {self.n}")


def _minus(text: str) -> str:
    # Between two limits a hyphen reads like the dash beside it.
    return text.replace("-", "\N{MINUS SIGN}")


def _times(text: str, count: int) -> str:
    return text if count == 1 else f"{text} n {count}"


def _places(sd: float) -> int:
    """Return decimals that show a standard deviation to two digits."""
    places = 0
    while sd and sd * 10**places < 10 and places < 6:  # noqa: PLR2004 - two digits, at most six decimals
        places += 1
    return places


def cell(rows: Sequence[Point], *, ordinal: bool) -> Cell:
    """Return what results say together; all of one quantity."""
    counted = [row for row in rows if row.counted]
    numbers = [row for row in counted if row.relation == "="]
    values = [float(row.value) for row in numbers]
    limits = tuple(
        f"{row.relation} {row.value:g} {shown(row.unit)}" for row in counted if row.relation != "="
    )
    mean, sd, low, high, weak = _summed(values, ordinal=ordinal)
    return Cell(
        quantity=rows[0].quantity,
        unit=rows[0].unit,
        n=len(values),
        mean=mean,
        sd=sd,
        low=low,
        high=high,
        ordinal=ordinal,
        uninformative=weak,
        limits=limits,
        set_aside=len(rows) - len(counted),
        hints=() if ordinal else tuple(_hints(numbers)),
        numbers=tuple(row.measurement for row in numbers),
        values=tuple(values),
        remarks=tuple(dict.fromkeys(row.remark for row in counted if row.remark)),
    )


def _summed(
    values: Sequence[float], *, ordinal: bool
) -> tuple[float | None, float | None, float | None, float | None, bool]:
    if not values:
        return None, None, None, None, False
    if ordinal:
        grades = ordinal_summary(values)
        return grades.median, None, grades.low, grades.high, False
    told = mean_interval(values)
    return told.mean, told.sd, told.low, told.high, told.uninformative


def _hints(rows: Sequence[Point]) -> list[str]:
    """Name the piece that is farthest from its plate's mean, where chance would rarely put one so far."""
    plates: dict[int | None, list[Point]] = {}
    for row in rows:
        plates.setdefault(row.job, []).append(row)
    found = plate_outlier([[row.value for row in plate] for plate in plates.values()])
    if found is None or not found.stands_apart:
        return []
    piece = list(plates.values())[found.plate][found.index]
    said = f"G = {found.statistic:.2f}, 5 % critical {found.critical:.2f}"
    return [f"{measurement_id(piece.measurement)}: possible outlier ({said})"]


@dataclass(frozen=True)
class Ratio:
    """Upright over flat: the share of the strength that is left between the layers.

    Attributes:
        value: Ratio of the means; ``low`` and ``high`` its 95 % Fieller limits. None where refused.
        reasons: Why the two groups are not comparable, or why there is no ratio; empty where all is well.
    """

    value: float | None
    low: float | None
    high: float | None
    reasons: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Return the ratio as plain JSON values."""
        return {
            "value": self.value, "low": self.low, "high": self.high,
            "comparable": not self.reasons, "reasons": list(self.reasons),
        }  # fmt: skip

    def text(self) -> str:
        """Return the ratio for a person."""
        if self.value is None:
            return "–"
        limits = f" ({self.low:.2f} – {self.high:.2f})" if self.low is not None else ""
        return f"{self.value:.2f}{limits}{' not comparable' if self.reasons else ''}"


def interlayer_ratio(
    upright: Sequence[Point], flat: Sequence[Point], spools: Mapping[int, frozenset[int]]
) -> Ratio | None:
    """Return strength upright over strength flat, with what speaks against comparing them.

    Args:
        upright: Counted results of upright pieces.
        flat: Counted results of pieces lying flat, of the same material and condition.
        spools: Spools by number of the job.

    Returns:
        None where either group is empty; a ratio without value where Fieller's interval is refused.
    """
    if not upright or not flat:
        return None
    reasons = list(_not_comparable(upright, flat, spools))
    try:
        told = fieller_ratio([row.value for row in upright], [row.value for row in flat])
    except Refused as refusal:
        return Ratio(None, None, None, (*reasons, str(refusal)))
    return Ratio(told.ratio, told.low, told.high, tuple(reasons))


def _not_comparable(
    upright: Sequence[Point], flat: Sequence[Point], spools: Mapping[int, frozenset[int]]
) -> list[str]:
    said = [] if _shapes(upright) == _shapes(flat) else ["geometry differs"]
    # From one plate: one spool, one dryness, one printer.
    if _plates(upright) != _plates(flat):
        said.append(_of_spools(_spools(upright, spools), _spools(flat, spools)))
    return said


def _of_spools(upright: frozenset[int], flat: frozenset[int]) -> str:
    """Return what stands between pieces of different plates, by the spools they were printed from."""
    if not upright or not flat:
        return "spool and dryness not recorded"
    return "spools differ" if upright != flat else "printed on different plates: dryness may differ"


def _shapes(rows: Sequence[Point]) -> set[str | None]:
    return {row.geometry for row in rows}


def _plates(rows: Sequence[Point]) -> set[int | None]:
    return {row.job for row in rows}


def _spools(rows: Sequence[Point], of_jobs: Mapping[int, frozenset[int]]) -> frozenset[int]:
    return frozenset().union(*(of_jobs.get(job or 0, frozenset()) for job in _plates(rows)))
