"""Recordings as methods want them: force curves, oven logs, diameters; and what was understood of a file.

Whatever the file has is converted to s, N, mm, °C and pure strain here, and only here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from tracker.api.readings import Recording
from tracker.api.signals import Finding, Signal, looked_at, noise_of, remarks_of_findings
from tracker.api.tables import (
    FORCE,
    LENGTH,
    STRAIN,
    TEMPERATURE,
    TIME,
    Ambiguous,
    NumberTable,
    ReadColumn,
    Role,
    columns_of,
    header_tokens,
    read_numbers,
)
from tracker.errors import Refused
from tracker.lazy_modules import np

_TIME: Final = Role(
    "time", ("time", "zeit", "temps", "tiempo", "t", "elapsed", "sec", "seconds", "clock"), TIME, "s"
)
_FORCE: Final = Role("force", ("force", "load", "kraft", "last", "fuerza", "f", "p"), FORCE, "N")
_TRAVEL_WORDS: Final = (
    "crosshead",
    "grip",
    "grips",
    "stroke",
    "travel",
    "position",
    "traverse",
    "traversenweg",
)
_EXTENSION: Final = Role(
    "extension",
    (
        *("extensometer", "extension", "elongation", "dl", "displacement", "deflection", "weg", "length"),
        *("durchbiegung", "disp", "ext"),
    ),
    LENGTH,
    "mm",
)
_TRAVEL: Final = Role("travel", _TRAVEL_WORDS, LENGTH, "mm")
_STRAIN: Final = Role("strain", ("strain", "dehnung", "eps", "epsilon", "ε"), STRAIN, "1")
_CURVE_ROLES: Final = (_TRAVEL, _TIME, _FORCE, _EXTENSION, _STRAIN)
_TEMPERATURE: Final = Role(
    "temperature",
    ("temperature", "temp", "t", "temperatur", "oven", "sample", "°c", "degc", "°f"),
    TEMPERATURE,
    "°C",
)
_DEFLECTION: Final = Role(
    "deflection",
    ("deflection", "distance", "displacement", "sag", "d", "weg", "position", "height"),
    LENGTH,
    "mm",
)
_OVEN_TIME: Final = Role("time", ("time", "zeit", "elapsed", "seconds", "minutes", "clock"), TIME, "s")
_DIAMETER: Final = ("diameter", "dia", "d", "d1", "d2", "x", "y", "durchmesser")
# No bench piece of a polymer is stretched by 30 % while its strain is written without a unit and unremarked.
_STRAIN_DOUBTFUL: Final = 0.3
_KNOCK_MM: Final = 0.05
_ROOM_C: Final = (5.0, 45.0)
_STEPS: Final = (1.0, 0.5, 0.25, 0.1, 0.0625, 0.05, 0.01)


@dataclass(frozen=True)
class Curve:
    r"""A force as recorded, made usable: finite, what corrects itself corrected; arrays of shape (n,).

    Attributes:
        time_s: Seconds, or None where the recording has no time.
        extension_mm: Millimetres as recorded, zero not shifted, or None.
        strain: As a pure number (0.01 is 1 %), or None.
        force_n: Newtons.
        how: What was decided on the way, one sentence each.
        problems: What was left out or looks wrong, one sentence each.
        signal: What was found in the force; ``signal.open_for("force")`` keeps its maximum from being used.
        by: ``extensometer`` or ``grip travel`` where the header says so, else empty.
        columns: The columns used.

    >>> curve = read_curve(Recording("pull.csv", b"strain_pct,force_N\n0,0\n1,400\n2,800\n"))
    >>> curve.strain.tolist(), curve.extension_mm is None
    ([0.0, 0.01, 0.02], True)
    """

    time_s: Any
    extension_mm: Any
    strain: Any
    force_n: Any
    how: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    signal: Signal = field(default_factory=lambda: Signal(None, None, ()))
    by: str = ""
    columns: tuple[ReadColumn, ...] = ()

    @property
    def left_out(self) -> tuple[str, ...]:
        """The problems that are no findings: rows without numbers."""
        findings = set(remarks_of_findings(self.signal.findings))
        return tuple(each for each in self.problems if each not in findings)


def read_curve(recording: Recording) -> Curve:
    r"""Read a force curve; the header words say which column is what (``time_ms,force_N``).

    Raises:
        Ambiguous: It can be read in two ways; the option that decides is named.
        Refused: No text, no table of numbers, or no force beside a time, an extension or a strain.

    >>> curve = read_curve(Recording("pull.csv", b"time_ms,force_kN\n0,0\n500,0.9\n1000,1.2\n"))
    >>> curve.time_s.tolist(), curve.force_n.tolist()
    ([0.0, 0.5, 1.0], [0.0, 900.0, 1200.0])
    """
    table = read_numbers(recording)
    found = columns_of(recording, table, _CURVE_ROLES)
    others = [role for role in ("time", "extension", "travel", "strain") if role in found]
    if "force" not in found or not others:
        missing = "time, extension or strain" if "force" in found else "force"
        raise Refused(
            f"{recording.name} has no column of {missing}",
            why=f"its header words are {', '.join(table.words)}",
            do="Name the columns like time_ms,force_N or extension_mm,force_N or strain,force_N.",
        )
    _refuse_doubtful_strain(recording, found.get("strain"))
    good, problems = _finite(table, list(found.values()))
    rows = {role: column.values[good] for role, column in found.items()}
    if not len(rows["force"]):
        raise Refused(f"{recording.name} holds no row whose force is a finite number")
    # An extensometer beside the grips is what strain is read off; travel alone will do and is named.
    along = next((role for role in ("extension", "travel") if role in found), "")
    by = "grip travel" if along == "travel" else ""
    if along == "extension" and "extensometer" in header_tokens(found[along].header):
        by = "extensometer"
    signal = looked_at(rows["force"], rows.get("time"), rows.get(along or "strain"), recording.read_as)
    kept = {role: values[signal.kept] for role, values in rows.items()}
    return Curve(
        time_s=kept.get("time"),
        extension_mm=kept.get(along),
        strain=kept.get("strain"),
        force_n=signal.force,
        how=(*table.how[1:], *(f"{role} from column {c.header!r}, {c.why}" for role, c in found.items())),
        problems=(*table.problems, *problems, *remarks_of_findings(signal.findings)),
        signal=signal,
        by=by,
        columns=tuple(found.values()),
    )


def _refuse_doubtful_strain(recording: Recording, column: ReadColumn | None) -> None:
    """Ask whether a strain without a unit is in percent.

    Raises:
        Ambiguous: It goes beyond what a pure number usually is.
    """
    if column is None or not column.assumed:
        return
    most = float(np.nanmax(np.abs(column.values), initial=0.0))
    if most > _STRAIN_DOUBTFUL:
        raise Ambiguous(
            f"{recording.name}, column {column.header}: strain up to {most:.4g} without a unit",
            "strain.unit",
            [("%", f"{most:.4g} %"), ("1", f"{100 * most:.4g} %")],
        )


def _finite(table: NumberTable, used: list[ReadColumn]) -> tuple[Any, list[str]]:
    good = np.isfinite(table.values[:, [column.index for column in used]]).all(axis=1)
    lost = int((~good).sum())
    return good, [f"{lost} of {len(good)} rows left out: not a finite number."] if lost else []


@dataclass(frozen=True)
class Heating:
    r"""An oven log: temperature in °C, deflection in mm (growing), time in s or None; shape (n,).

    >>> log = heating_of(Recording("oven.csv", b"temperature_c,deflection_mm\n23,0\n24,0.01\n25,0.02\n"))
    >>> log.step, log.mm.tolist()
    (1.0, [0.0, 0.01, 0.02])
    """

    celsius: Any
    mm: Any
    seconds: Any
    problems: tuple[str, ...]
    columns: tuple[ReadColumn, ...] = ()

    @property
    def step(self) -> float | None:
        """The step that temperatures were written with, if all lie on one of the usual; else None."""
        for step in _STEPS:
            if np.allclose(self.celsius / step, np.round(self.celsius / step), atol=1e-6):
                return step
        return None


def heating_of(recording: Recording, zero: str = "first reading") -> Heating:
    r"""Read an oven log; deflection is turned so that giving way counts positive.

    Args:
        recording: The log: °C, °F or K; mm, µm or inch; seconds, minutes or hh:mm:ss.
        zero: ``first reading``: deflection is counted from it; anything else leaves it as recorded.

    Raises:
        Ambiguous: A temperature without a unit begins where no room is.
        Refused: No table, or no temperature beside a deflection.

    >>> rows = b"time,temp_f,deflection_in\n0:00:00,77,0.01\n0:01:00,86,0.02\n"
    >>> log = heating_of(Recording("oven.csv", rows))
    >>> log.celsius.round(3).tolist(), log.mm.round(3).tolist(), log.seconds.tolist()
    ([25.0, 30.0], [0.0, 0.254], [0.0, 60.0])
    """
    table = read_numbers(recording)
    found = columns_of(recording, table, (_OVEN_TIME, _TEMPERATURE, _DEFLECTION))
    if "temperature" not in found or "deflection" not in found:
        raise Refused(
            f"{recording.name} has no temperature beside a deflection",
            why=f"its header words are {', '.join(table.words)}",
            do="Name the columns like temperature_c,deflection_mm.",
        )
    good, problems = _finite(table, [found["temperature"], found["deflection"]])
    celsius, mm = found["temperature"].values[good], found["deflection"].values[good]
    if len(celsius) < 2:  # noqa: PLR2004 - a course takes two
        raise Refused(f"{recording.name} holds fewer than two readings")
    _refuse_doubtful_temperature(recording, found["temperature"], float(celsius[0]))
    knocked = _knocked(mm)
    if knocked.any():
        where = ", ".join(f"{each:.1f} °C" for each in celsius[knocked][:3])
        problems.append(f"{int(knocked.sum())} knocked readings left out, at {where}.")
        celsius, mm = celsius[~knocked], mm[~knocked]
    mm = mm - mm[0] if zero == "first reading" else mm
    # Giving way is the larger of the two excursions, whichever sign the dial gave it.
    mm = -mm if -mm.min() > mm.max() else mm
    seconds = found["time"].values[good][~knocked] if "time" in found else None
    return Heating(celsius, mm, seconds, (*table.problems, *problems), tuple(found.values()))


def _knocked(mm: Any) -> Any:
    """Return which single readings stand apart from both neighbours, which agree: a knock on the bench."""
    out = np.zeros(len(mm), dtype=bool)
    if len(mm) < 7:  # noqa: PLR2004 - neighbours and some course
        return out
    threshold = max(_KNOCK_MM, 8 * noise_of(mm))
    middle = (mm[:-2] + mm[2:]) / 2
    off = np.abs(mm[1:-1] - middle)
    # Where the bar gives, neighbours lie apart themselves: a reading between them is no knock.
    out[1:-1] = (off > threshold) & (off > 3 * np.abs(mm[2:] - mm[:-2]))
    # A knock makes its neighbours look odd as well: the one that stands apart most is it, wherever it stands.
    knocks = np.zeros(len(mm), dtype=bool)
    for i in sorted(np.flatnonzero(out).tolist(), key=lambda i: -off[i - 1]):
        knocks[i] = not (knocks[i - 1] or knocks[i + 1])
    # The first reading is the zero of all others.
    first = np.median(mm[1:4])
    knocks[0] = abs(mm[0] - first) > threshold and float(np.ptp(mm[1:4])) < threshold / 3
    return knocks


def _refuse_doubtful_temperature(recording: Recording, column: ReadColumn, first: float) -> None:
    """Ask for the unit of a temperature that does not begin at that of a room.

    Raises:
        Ambiguous: It has no unit and could be °F or K.
    """
    if not column.assumed or _ROOM_C[0] <= first <= _ROOM_C[1]:
        return
    fahrenheit, kelvin = (first - 32) / 1.8, first - 273.15
    ways = [("C", f"begins at {first:.4g} °C")]
    ways += [("F", f"begins at {fahrenheit:.4g} °C")] if _ROOM_C[0] <= fahrenheit <= _ROOM_C[1] else []
    ways += [("K", f"begins at {kelvin:.4g} °C")] if _ROOM_C[0] <= kelvin <= _ROOM_C[1] else []
    if len(ways) > 1:
        raise Ambiguous(
            f"{recording.name}, column {column.header}: it begins at {first:.4g}, without a unit",
            "temperature.unit",
            ways,
        )


def read_diameters(recording: Recording) -> list[list[float]]:
    r"""Return the one or two diameters of every place along a filament, in mm.

    Raises:
        Refused: No table, or no column of diameter.

    >>> read_diameters(Recording("laser.csv", b"d1_um,d2_um\n1750,1740\n1500,1742\n"))
    [[1.75, 1.74], [1.5, 1.742]]
    """
    table = read_numbers(recording)
    used = [i for i, word in enumerate(table.words) if set(header_tokens(word)[:2]) & set(_DIAMETER)][:2]
    named = recording.read_as.get("diameter")
    if named:
        used = [i for i, word in enumerate(table.words) if word == named]
    if not used:
        raise Refused(
            f"{recording.name} has no column of diameter", do="Name it like diameter_mm, or d1_mm,d2_mm."
        )
    columns = []
    for i in used:
        typed = recording.read_as.get("diameter.unit", "").casefold()
        unit = typed or next((token for token in header_tokens(table.words[i])[1:] if token in LENGTH), "mm")
        columns.append(table.values[:, i] * LENGTH.get(unit, (1.0, 0.0))[0])
    rows = ([float(column[i]) for column in columns] for i in range(len(table.values)))
    return [[d for d in row if math.isfinite(d) and d > 0] for row in rows if any(d > 0 for d in row)]


@dataclass(frozen=True)
class Understood:
    r"""What was understood of a file, to be shown before it is kept.

    Attributes:
        name: Of the file.
        columns: Role, header word, unit and why, of each column used.
        rows: Rows of numbers in the file.
        kept: Rows used.
        left_out: Why the others are not, one sentence each.
        first: First value of each role, in its unit.
        last: Last value.
        greatest: Name, value and unit of what a person looks for first: the maximum.
        findings: What looks wrong.
        x: At most 400 places for a small plot; ``y`` the heights.
        x_title: With its unit.
        y_title: With its unit.

    >>> told = understood(Recording("pull.csv", b"time_s,force_N\n0,0\n1,50\n2,100\n3,0\n"))
    >>> told.rows, told.greatest
    (4, ('greatest force', 100.0, 'N'))
    """

    name: str
    columns: tuple[ReadColumn, ...]
    rows: int
    kept: int
    left_out: tuple[str, ...]
    first: Mapping[str, float]
    last: Mapping[str, float]
    greatest: tuple[str, float, str]
    findings: tuple[Finding, ...]
    x: tuple[float, ...]
    y: tuple[float, ...]
    x_title: str
    y_title: str

    def blocks(self, width: int = 60) -> str:
        r"""Return the curve as a line of blocks, the greatest of each part as its height.

        >>> understood(Recording("a.csv", b"time_s,force_N\n0,0\n1,50\n2,100\n3,0\n")).blocks(4)
        '▁▅█▁'
        """
        low, high = min(self.y, default=0.0), max(self.y, default=0.0)
        span = (high - low) or 1.0
        count = min(width, len(self.y))
        parts = [self.y[i * len(self.y) // count : (i + 1) * len(self.y) // count] for i in range(count)]
        return "".join("▁▂▃▄▅▆▇█"[round(7 * (max(part) - low) / span)] for part in parts if part)

    def lines(self, width: int = 60) -> list[str]:
        """Return what a person reads at a terminal."""
        lines = [
            f"{column.role}: column {column.header!r} in {column.unit}, {column.why}"
            for column in self.columns
        ]
        out = f", {self.rows - self.kept} left out" if self.rows > self.kept else ""
        lines.append(
            f"{self.kept} rows{out}; {self.greatest[0]} {self.greatest[1]:.5g} {self.greatest[2]}".rstrip()
        )
        lines += [f"{role}: from {value:.5g} to {self.last[role]:.5g}" for role, value in self.first.items()]
        return [*lines, *self.left_out, *(each.line for each in self.findings), self.blocks(width)]

    def data(self) -> dict[str, Any]:
        """Return it for machines and for the page."""
        return {
            "name": self.name, "rows": self.rows, "kept": self.kept, "left_out": list(self.left_out),
            "columns": [
                {"role": c.role, "header": c.header, "unit": c.unit, "why": c.why} for c in self.columns
            ],
            "first": dict(self.first), "last": dict(self.last),
            "greatest": dict(zip(("what", "value", "unit"), self.greatest, strict=True)),
            "findings": [
                {"name": f.name, "text": f.text, "ways": list(f.ways), "taken": f.taken, "option": f.option}
                for f in self.findings
            ],
            "x": list(self.x), "y": list(self.y), "x_title": self.x_title, "y_title": self.y_title,
        }  # fmt: skip


_MOST_POINTS: Final = 400


def understood(recording: Recording, reads: str = "curve") -> Understood | None:
    r"""Return what is understood of a file, or None for a kind that is no table.

    Args:
        recording: The file, with what was said about reading it.
        reads: Kind of reader, as a method's field declares it: ``curve``, ``heating`` or ``diameters``.

    Raises:
        Ambiguous: It can be read in two ways.
        Refused: It cannot be read.

    >>> understood(Recording("pull.csv", b"time_s,force_N\n0,0\n1,50\n2,100\n3,0\n")).lines()[1]
    "force: column 'force_N' in N, header says N"
    """
    reader = _READERS.get(reads)
    return None if reader is None else reader(recording)


def _of_curve(recording: Recording) -> Understood:
    curve = read_curve(recording)
    # Against what the piece was stretched by, where that is known: a break shows better than over time.
    for values, title, factor in (
        (curve.extension_mm, "extension / mm", 1.0),
        (curve.strain, "strain / %", 100.0),
        (curve.time_s, "time / s", 1.0),
    ):
        if values is not None:
            along, x_title = values * factor, title
            break
    rows = len(curve.signal.kept)
    return _understood_curve(
        recording, curve.columns, rows, curve.left_out, curve.signal.findings, (along, x_title),
        (curve.force_n, "force / N"), ("greatest force", "N"),
    )  # fmt: skip


def _of_heating(recording: Recording) -> Understood:
    log = heating_of(recording)
    rows = len(log.columns[0].values)
    return _understood_curve(
        recording, log.columns, rows, log.problems, (), (log.celsius, "temperature / °C"),
        (log.mm, "deflection / mm"), ("greatest deflection", "mm"),
    )  # fmt: skip


def _of_diameters(recording: Recording) -> Understood:
    places = np.array([row[0] for row in read_diameters(recording)])
    return _understood_curve(
        recording, (), len(places), (), (), (np.arange(1.0, len(places) + 1), "place"),
        (places, "diameter / mm"), ("greatest diameter", "mm"),
    )  # fmt: skip


def _understood_curve(
    recording: Recording,
    columns: tuple[ReadColumn, ...],
    rows: int,
    problems: tuple[str, ...],
    findings: tuple[Finding, ...],
    along: tuple[Any, str],
    height: tuple[Any, str],
    greatest: tuple[str, str],
) -> Understood:
    x, y = along[0], height[0]
    top = int(np.argmax(y))
    # Every so many rows, and the maximum: a small plot must not lose what it is there for.
    chosen = np.unique(np.append(np.linspace(0, len(y) - 1, min(len(y), _MOST_POINTS - 1)).astype(int), top))
    return Understood(
        name=recording.name, columns=columns, rows=rows, kept=len(y), left_out=problems,
        first={c.role: float(c.values[0]) for c in columns},
        last={c.role: float(c.values[-1]) for c in columns},
        greatest=(greatest[0], float(y[top]), greatest[1]), findings=findings,
        x=tuple(x[chosen].tolist()), y=tuple(y[chosen].tolist()), x_title=along[1], y_title=height[1],
    )  # fmt: skip


_READERS: Final[Mapping[str, Callable[[Recording], Understood]]] = {
    "curve": _of_curve,
    "heating": _of_heating,
    "diameters": _of_diameters,
}
