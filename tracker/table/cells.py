"""One cell of the table: what the pieces of one quantity, condition, orientation and group say together."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import Any, Final

from numpy.typing import NDArray

from tracker.errors import Refused
from tracker.ids import measurement_id
from tracker.lazy_modules import np
from tracker.plate_sums import Plate, Point, one_a_piece
from tracker.stating import Stated, shown, state
from tracker.statistics import (
    LimitedMean,
    MaterialMean,
    PlateSums,
    fieller_of,
    limited_mean,
    material_means,
    ordinal_summary,
    plate_critical,
    plate_outlier,
)
from tracker.table.results import Column, Gathered

Array = NDArray[np.float64]

FEW: Final = "too few results for an interval"
_NOTHING: Final = 1e-9
"""Relative: below this a scatter is rounding, and no digits are shown for it."""
_FEWEST_DF: Final = 2.0
"""Below so many degrees of freedom results are too few for an interval: Student's factor is 12.7 at one."""


@dataclass(frozen=True)
class Cell:
    """Results of one quantity, one material, one condition, one orientation, one group.

    Attributes:
        column: What it is of.
        unit: Of the figures.
        n: Pieces that count and are numbers; one that was read again and again is one piece.
        plates: Plates that they come from.
        mean: Mean of the plates' means, or for grades the median of the pieces; None without numbers.
        sd: Standard deviation of a single piece about the mean of all (divisor n - 1); None for one, for
            grades.
        found: Scatter within and between plates and the interval of the mean; None for grades, or where a
            mean would be that of the survivors alone.
        low: Lower limit of the 95 % interval; for grades the least.
        high: Upper limit; for grades the greatest.
        ordinal: Grades: a median and a spread, never a mean.
        limits: Results that are only limits, as text; refused ones with a group as ``no value``.
        limited: With limits: what numbers and limits say together (Kaplan-Meier); None without limits, or
            where limits of both kinds are mixed.
        set_aside: Number of results that a verdict keeps out.
        repeats: Pieces that were read several times.
        share: Of the pieces of all groups, those of this one; None without groups.
        hints: Possible outliers: hints, which exclude nothing.
        remarks: Notes and remarks on the pieces, their jobs and their measurements, each once.
    """

    column: Column
    unit: str
    n: int
    plates: int
    mean: float | None
    sd: float | None
    found: MaterialMean | None
    low: float | None
    high: float | None
    ordinal: bool
    limits: tuple[str, ...] = ()
    limited: LimitedMean | None = None
    set_aside: int = 0
    repeats: int = 0
    share: float | None = None
    hints: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    behind: Callable[[], Sequence[Point]] = field(default=tuple, repr=False, compare=False)

    @property
    def quantity(self) -> str:
        """The quantity's name."""
        return self.column.quantity

    @property
    def uninformative(self) -> bool:
        """Whether there is no interval, or one of too few results."""
        if self.ordinal or self.mean is None:
            return False
        found = self.found
        return found is None or found.expanded is None or (found.nu is not None and found.nu < _FEWEST_DF)

    @cached_property
    def points(self) -> Sequence[Point]:
        """The numbers behind the cell, read when they are wanted: there may be a hundred thousand."""
        return self.behind()

    @property
    def numbers(self) -> tuple[int, ...]:
        """Numbers of the measurements behind the cell."""
        return tuple(point.measurement for point in self.points)

    @property
    def values(self) -> tuple[float, ...]:
        """The single results, in the order of ``numbers``."""
        return tuple(float(point.value) for point in self.points if point.value is not None)

    @property
    def results(self) -> tuple[str, ...]:
        """IDs of the measurements behind the cell, for ``trace``."""
        return tuple(map(measurement_id, self.numbers))

    def stated(self) -> Stated:
        """Return the mean as a laboratory states it: value, U, k, 95 %."""
        found = self.found
        if self.mean is None or found is None or found.expanded is None:
            return state(self.mean, None, self.unit)
        # An assumed plate scatter has no degrees of freedom that could be named, and so no k.
        u, k = (found.u, found.k) if found.k else (found.expanded, 1.0)
        return Stated(self.mean, self.unit, u, found.nu, k, self.low, self.high)

    def as_json(self) -> dict[str, Any]:
        """Return the cell as plain JSON values."""
        found, limited = self.found, self.limited
        return {
            "quantity": self.quantity, "orientation": self.column.orientation, "lie": self.column.orientation,
            "group": self.column.group or None, "share": self.share, "unit": self.unit, "n": self.n,
            "plates": self.plates, "median" if self.ordinal else "mean": self.mean, "sd": self.sd,
            "s_r": found.s_r if found else None, "s_L": found.s_l if found else None,
            "U": found.expanded if found else None, "k": found.k if found else None,
            "nu": found.nu if found else None, "u": found.u if found else None,
            "coverage": 0.95 if found and found.expanded is not None else None,
            "basis": found.basis if found else None, "U_with_book": found.with_book if found else None,
            "low": self.low, "high": self.high,
            "uninformative": self.uninformative, "limits": list(self.limits),
            "with_limits": None if limited is None else {
                "estimator": "Kaplan-Meier", "n": limited.n, "limits": limited.limits, "mean": limited.mean,
                "mean_is": _MEAN_IS[limited.bound],
                "median": limited.median,
            },
            "set_aside": self.set_aside, "repeated": self.repeats, "hints": list(self.hints),
            "results": list(self.results), "values": list(self.values), "remarks": list(self.remarks),
            "stated": self.text(self.unit),
        }  # fmt: skip

    def limits_text(self) -> str:
        """Return the results that are only limits, alike ones once: ``> 120 °C n 3``."""
        return ", ".join(
            text if count == 1 else f"{text} n {count}" for text, count in Counter(self.limits).items()
        )

    def count_text(self) -> str:
        """Return pieces and plates: ``n 8, 2 plates``."""
        plates = "1 plate" if self.plates == 1 else f"{self.plates} plates"
        share = "" if self.share is None else f", {100 * self.share:.0f} % of all groups"
        return f"n {self.n}, {plates}{share}"

    def text(self, unit: str = "") -> str:
        """Return mean and interval for a person: ``31.4 ± 1.2 MPa (U, k = 2.3, 95 %), n 8, 2 plates``.

        Args:
            unit: To stand behind the figures, where no heading says it; as the quantity declares it.
        """
        if self.mean is None:
            share = "" if self.share is None else f" ({100 * self.share:.0f} % of all groups)"
            return f"{self.limits_text()}{share}" if self.limits else "–"
        beside = f", and {self.limits_text()}" if self.limits else ""
        if self.ordinal:
            figures = f"median {self.mean:g}{_behind(unit)} ({self.low:g} to {self.high:g})"
            return f"{figures}, {self.count_text()}{beside}"
        stated = self.stated()
        number = stated.number if self._scatters() else state(self.mean).number
        how = f" ({self._how(stated)})" if self._scatters() else ""
        return _minus(f"{number}{_behind(unit)}{how}, {self.count_text()}{beside}")

    def _scatters(self) -> bool:
        half = self.found.expanded if self.found is not None else None
        return half is not None and half > _NOTHING * abs(self.mean or 0.0)

    def _how(self, stated: Stated) -> str:
        if self.found is not None and self.found.basis == "assumed":
            return "95 %, plate scatter assumed"
        return stated.how

    def caveats(self) -> list[str]:
        """Return what has to be said beside the mean: what its interval rests on, and what is not in it."""
        caveats = []
        found = self.found
        if found is not None and self.n:
            if found.basis in _ON_BASIS:
                caveats.append(_ON_BASIS[found.basis])
            if found.with_book is not None:
                caveats.append(self._on_book(found.with_book))
        if self.limits and self.n:
            caveats.append(self._on_limits())
        if self.repeats:
            pieces = "1 piece was" if self.repeats == 1 else f"{self.repeats} pieces were"
            caveats.append(f"{pieces} read several times and counts once" if self.repeats == 1 else
                        f"{pieces} read several times and count once each")  # fmt: skip
        if self.set_aside:
            caveats.append(f"{self.set_aside} set aside")
        return caveats

    def _on_book(self, half: float) -> str:
        text = Stated(self.mean, self.unit, half, None, 1.0).number
        return (
            f"with the plate scatter of the book's other materials {text}{_behind(self.unit)}, which holds "
            "on average over materials, not for each"
        )

    def _on_limits(self) -> str:
        limited = self.limited
        plain = f"not in the mean: {self.limits_text()}"
        if limited is None or not limited.bound:
            return plain
        side = "at least" if limited.bound == "above" else "at most"
        return (
            f"{plain}; with the limits the mean is {side} {limited.mean:.4g} {shown(self.unit)}".rstrip()
            + " (Kaplan-Meier)"
        )


_MEAN_IS: Final = {"above": "a lower limit", "below": "an upper limit", "": "a value"}
_ON_BASIS: Final[Mapping[str, str]] = {
    "none": FEW,
    "assumed": (
        "1 plate: it describes this plate; its interval assumes plates to scatter 1.2 times as pieces do, "
        "within a factor of 2 or so, and holds on average over such materials, not for each"
    ),
    "book": (
        "1 plate: it describes this plate; its interval takes the plate scatter of the book's other "
        "materials and holds on average over materials, not for each"
    ),
}


def _behind(unit: str) -> str:
    return f" {shown(unit)}" if unit and shown(unit) else ""


def _minus(text: str) -> str:
    # Between two limits a hyphen reads like the dash beside it.
    return text.replace("-", "\N{MINUS SIGN}") if text.startswith("-") or "(-" in text else text


def cells_of(
    found: Mapping[Any, Gathered],
    wanted: Mapping[Any, Column],
    *,
    ordinal: bool,
    relative: bool,
    behind: Callable[[Any], Sequence[Point]],
    hint: Callable[[Any, Plate], Sequence[Point]],
    destructive: frozenset[str] = frozenset(),
) -> dict[Any, Cell]:
    """Return the cells of one quantity and orientation, each with what the others lend it of plate scatter.

    Args:
        found: What was found for each cell, by its key.
        wanted: The cells that are asked for, by the same key, with what each is of; the others lend to them.
        ordinal: Whether they are grades.
        relative: Whether scatter is compared as a part of the mean.
        behind: Gives the numbers behind a cell.
        hint: Gives the numbers of one plate of a cell, to look closer at a possible outlier.
        destructive: Ids of methods that use a piece up.
    """
    arrays = {key: each.plates for key, each in found.items() if len(each.plates)}
    means = {} if ordinal else _means(arrays, [key for key in wanted if key in arrays], relative)
    made = {}
    for key, column in wanted.items():
        cell = _cell(found[key], column, means.get(key), ordinal, partial(behind, key), destructive)
        made[key] = cell if cell.found is None else replace(cell, sd=_sd(arrays[key]))
    for key in means:
        place = _far_out(arrays[key])
        if place is not None:
            plate = found[key].plate(place)
            hints = _hints(hint(key, plate), found[key].plates, plate, destructive)
            made[key] = replace(made[key], hints=hints)
    return made


def _means(arrays: Mapping[Any, Array], wanted: Sequence[Any], relative: bool) -> dict[Any, MaterialMean]:
    if not wanted:
        return {}
    every = np.concatenate(list(arrays.values()))
    group = np.repeat(np.arange(len(arrays)), [len(each) for each in arrays.values()])
    sums = PlateSums(group=group, n=every[:, 1], mean=every[:, 2], within=every[:, 3])
    places = {key: place for place, key in enumerate(arrays)}
    found = material_means(sums, len(arrays), relative=relative, wanted=[places[key] for key in wanted])
    return dict(zip(wanted, found, strict=True))


def _cell(
    each: Gathered,
    column: Column,
    mean: MaterialMean | None,
    ordinal: bool,
    behind: Callable[[], Sequence[Point]],
    destructive: frozenset[str],
) -> Cell:
    cell = Cell(
        column=column, unit=each.unit, n=int(each.plates[:, 1].sum()), plates=len(each.plates),
        mean=None, sd=None, found=None, low=None, high=None, ordinal=ordinal,
        limits=tuple(_limit(point) for point in each.limits), set_aside=each.set_aside, repeats=each.repeats,
        behind=behind,
    )  # fmt: skip
    if ordinal and len(each.plates):
        pieces = one_a_piece(behind(), destructive).values()
        grades = ordinal_summary(value for of_plate in pieces for value, _ in of_plate)
        return replace(cell, mean=grades.median, low=grades.low, high=grades.high)
    if mean is None:
        return cell
    cell = replace(cell, mean=mean.mean, found=mean)
    if cell.limits:
        # The pieces that gave a number are the weaker ones: their mean has no interval for the material.
        bare = replace(mean, expanded=None, k=None, nu=None)
        return replace(cell, found=bare, limited=_limited(behind(), each.limits))
    return replace(cell, low=mean.low, high=mean.high)


def _limit(point: Point) -> str:
    if point.value is None:
        return "no value"
    return f"{point.relation} {point.value:.4g} {shown(point.unit)}".rstrip()


def _limited(numbers: Sequence[Point], limits: Sequence[Point]) -> LimitedMean | None:
    every = [point for point in (*numbers, *limits) if point.value is not None]
    bounds = [{">": "above", "<": "below"}.get(point.relation) for point in every]
    return limited_mean([float(point.value or 0.0) for point in every], bounds)


def _sd(plates: Array) -> float | None:
    """Return the standard deviation of a single piece about the mean of all pieces; plates shape (k, 6)."""
    n = float(plates[:, 1].sum())
    if n < 2:  # noqa: PLR2004 - one piece has no scatter that anybody knows
        return None
    off = plates[:, 2] - plates[0, 2]
    off = off - plates[:, 1] @ off / n
    return math.sqrt(float(plates[:, 1] @ off**2 + plates[:, 3].sum()) / (n - 1))


def _far_out(plates: Array) -> int | None:
    """Return the place of the plate of which a piece lies so far out that it is worth a closer look.

    Args:
        plates: Shape (k, 6).
    """
    total, within = float(plates[:, 1].sum()), float(plates[:, 3].sum())
    df = total - len(plates)
    if df < _FEWEST_DF or within <= 0.0:
        return None
    off = np.maximum(plates[:, 5] - plates[:, 2], plates[:, 2] - plates[:, 4])
    beyond = off / math.sqrt(within / df) / plate_critical(plates[:, 1], df, total, 0.05)
    place = int(np.argmax(beyond))
    return place if beyond[place] > 1.0 else None


def _hints(
    readings: Sequence[Point], plates: Array, plate: Plate, destructive: frozenset[str]
) -> tuple[str, ...]:
    """Name the piece that is a possible outlier among all plates of a cell, in words."""
    pieces = one_a_piece(readings, destructive).get(plate.plate, [])
    others = [(int(n), within) for n, within in plates[plates[:, 0] != plate.plate][:, [1, 3]].tolist()]
    found = plate_outlier([[value for value, _ in pieces]], others=others)
    if found is None or not found.is_outlier:
        return ()
    piece = pieces[found.index][1]
    grubbs = f"G = {found.statistic:.2f}, 5 % critical {found.critical:.2f}"
    return (f"{measurement_id(piece.measurement)}: possible outlier ({grubbs})",)


@dataclass(frozen=True)
class Ratio:
    """Interlayer ratio, upright over flat: the share of the strength that is left between the layers.

    Attributes:
        value: Ratio of the means; ``low`` and ``high`` its 95 % limits. None where refused.
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
        limits = f" ({self.low:.2f} to {self.high:.2f})" if self.low is not None else ""
        return f"{self.value:.2f}{limits}{' not comparable' if self.reasons else ''}"


def interlayer_ratio(
    upright: tuple[Cell, Gathered],
    flat: tuple[Cell, Gathered],
    spools: Callable[[NDArray[np.int64]], frozenset[int]],
) -> Ratio | None:
    """Return strength upright over strength flat, with the objections to comparing them.

    Args:
        upright: Cell of upright pieces, and what it was made of.
        flat: Cell of pieces printed flat, of the same material and condition, and what it was made of.
        spools: Gives the spools of jobs.

    Returns:
        None where either has no mean; a ratio without value where its interval is refused.
    """
    if upright[0].mean is None or flat[0].mean is None:
        return None
    reasons = [] if upright[1].shapes == flat[1].shapes else ["geometry differs"]
    plates = [each[1].plates[:, 0].astype(np.int64) for each in (upright, flat)]
    shared = np.array_equal(plates[0], plates[1])
    # From the same plates: one spool, one dryness, one printer.
    if not shared:
        reasons.append(_of_spools(*(spools(each[each > 0]) for each in plates)))
    try:
        top, bottom = (_estimate(cell, of.plates, shared=shared) for cell, of in (upright, flat))
        interval = fieller_of(top, bottom)
    except Refused as refusal:
        return Ratio(None, None, None, (*reasons, str(refusal)))
    return Ratio(interval.ratio, interval.low, interval.high, tuple(reasons))


def _estimate(cell: Cell, plates: Array, *, shared: bool) -> tuple[float, float, float]:
    """Return mean, variance of the mean, and degrees of freedom of one side of a ratio.

    What plates differ by is common to both sides where they share their plates, and goes out of the ratio.

    Raises:
        Refused: Too few pieces to say how they scatter.
    """
    mean, found = cell.mean or 0.0, cell.found
    if shared and (df := float((plates[:, 1] - 1).sum())):
        piece = math.fsum(plates[:, 3]) / df
        return mean, piece * float((1.0 / plates[:, 1]).sum()) / len(plates) ** 2, df
    if not shared and found is not None:
        if found.with_book is None and found.u is not None and found.nu is not None:
            return mean, found.u**2, found.nu
        if found.expanded is not None:
            # By an assumption or by the book: as wide as it says, at the normal distribution's factor.
            return mean, ((found.with_book or found.expanded) / 1.96) ** 2, 60.0
    raise Refused("an interval of the ratio", why=FEW, do="Test two pieces or more of each orientation")


def _of_spools(upright: frozenset[int], flat: frozenset[int]) -> str:
    """Return what is between pieces of different plates, by the spools they were printed from."""
    if not upright or not flat:
        return "spool and dryness not recorded"
    return "spools differ" if upright != flat else "printed on different plates: dryness may differ"
