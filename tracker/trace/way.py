"""What a trace found, which number is meant, what was corrected, and what the book does not hold on the way.

Every gap is named: "not recorded" is an answer, silence is none.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Protocol

from tracker.lazy_modules import lazy
from tracker.lineage import Judged, Measured, columns_of
from tracker.model import Calibration, Drying, Specimen
from tracker.stating import compact
from tracker.trace.facts import named_rows
from tracker.trace.history import Change, Written
from tracker.trace.walk import Path

if TYPE_CHECKING:
    from tracker import api
else:
    api = lazy("tracker.api")

WORDS: Final = {
    "number.uncertainty": "uncertainty of the number",
    "readings": "readings behind the number",
    "method.version": "version of the method",
    "rig": "rig",
    "rig.calibration": "calibration of the rig",
    "measurement.at": "when it was measured",
    "measurement.operator": "who measured",
    "measurement.room_c": "room temperature at the test",
    "measurement.room_rh_pct": "room humidity at the test",
    "specimen.orientation": "orientation",
    "specimen.outcome": "outcome of the specimen",
    "specimen.geometry": "geometry of the piece",
    "specimen.x_mm": "place on the plate",
    "job.plate_sha256": "plate file",
    "job.printer": "printer",
    "job.nozzle": "nozzle",
    "job.started_at": "when the print began",
    "job.nozzle_set_c": "nozzle temperature set",
    "job.bed_set_c": "bed temperature set",
    "job.chamber_set_c": "chamber temperature set",
    "job.chamber_measured_c": "chamber temperature measured",
    "job.fan_set_pct": "fan set",
    "job.layer_height_mm": "layer height",
    "job.line_width_mm": "line width",
    "job.room_c": "room temperature at the print",
    "job.room_rh_pct": "room humidity at the print",
    "spools": "spool",
    "spool.lot": "lot",
    "spool.received_on": "when the spool came in",
    "dryings": "drying before the print",
    "storage": "where the spool was kept",
    "material": "material",
    "material.maker": "maker of the material",
    "material.family": "polymer family",
}
"""What may be missing, by its place in the JSON, in words."""

_FACTOR_OF: Final = {
    f"job.{name}": name for name in ("printer", "layer_height_mm", "line_width_mm", "nozzle")
}


def not_recorded(path: Path, chosen: Measured | None, number: Judged | None) -> list[str]:
    """Return the places (keys of :data:`WORDS`) at which the book holds nothing, in the order of the way."""
    factors = {row.name for row in path.factors}
    return [
        place
        for place in _gaps(path, chosen, number)
        # What was given outright for the specimen is known, wherever else it might have stood.
        if _FACTOR_OF.get(place) not in factors
    ]


def _gaps(path: Path, chosen: Measured | None, number: Judged | None) -> Iterator[str]:
    if path.rig is not None:
        # No number is asked about: only what a rig is without.
        yield from () if path.calibrations else ("rig.calibration",)
        return
    if number is not None and number.result.value is not None and not number.result.uncertainty:
        yield "number.uncertainty"
    if chosen is not None:
        yield from _of_measurement(chosen)
    yield from _blank("specimen", path.specimen)
    yield from _blank("job", path.job)
    yield from _of_spools(path)
    if path.material is None:
        yield "material"
    yield from _blank("material", path.material)


def _of_measurement(chosen: Measured) -> Iterator[str]:
    if not chosen.measurement.readings and not chosen.files:
        yield "readings"
    if not chosen.measurement.method_version:
        yield "method.version"
    if not chosen.rigs:
        yield "rig"
    elif not all(use.calibration is not None for use in chosen.rigs):
        yield "rig.calibration"
    yield from _blank("measurement", chosen.measurement)


def _of_spools(path: Path) -> Iterator[str]:
    if not path.spools:
        # Without a spool nothing is known of its lot, its drying and its storage either.
        yield from ("spools", "spool.lot", "dryings", "storage")
        return
    for spool in path.spools[:1]:
        yield from _blank("spool", spool.spool)
    if not all(spool.dryings for spool in path.spools):
        yield "dryings"
    if not all(spool.storage for spool in path.spools):
        yield "storage"


def _blank(part: str, row: object | None) -> Iterator[str]:
    """Yield the columns of a row that are worth naming and hold nothing."""
    if row is None:
        return
    known = columns_of(row)
    for place in WORDS:
        table, _, column = place.partition(".")
        if table == part and column in known and known[column] is None:
            yield place


Describe = Callable[[str], Mapping[str, Any]]
"""From a method's id to what is to be said of it: ``title``, ``standard``, ``units`` by reading."""


class _Plugged(Protocol):
    """The part of the plugin manager that is asked."""

    @property
    def methods(self) -> Mapping[str, Any]:
        """Loaded methods by id."""
        ...


def described_by(plugged: _Plugged) -> Describe:
    """Return what describes methods from the plugins that are there; one that is gone stays unsaid."""

    def describe(method_id: str) -> Mapping[str, Any]:
        loaded = plugged.methods.get(method_id)
        if loaded is None:
            return {}

        units = {field.name: field.unit for field in api.fields(loaded.method.Readings) if field.unit}
        return {"title": loaded.method.title, "standard": loaded.method.standard, "units": units}

    return describe


@dataclass
class Way:
    """The whole way back from one thing.

    Attributes:
        book: Code of the book.
        path: The rows.
        chosen: The measurement the number belongs to, or None.
        number: The result that was asked for, or None where there is none or more than one.
        described: What is said of the method beside its id and version; units of readings, say.
        factors: Every factor of the piece with its basis; None where not asked: then those given outright.
        exposure: What is known of open-air hours and moisture at the print; None where not asked.
        zone: Zone that times are shown in; the JSON has UTC.
        titles: What people call quantities, by name; a name without a title is shown itself.
    """

    book: str
    path: Path
    chosen: Measured | None = None
    number: Judged | None = None
    described: Mapping[str, Any] = field(default_factory=dict)
    factors: list[dict[str, Any]] | None = None
    exposure: Mapping[str, Any] | None = None
    zone: dt.tzinfo = dt.UTC
    titles: Mapping[str, str] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """The ID it begins at."""
        return str(self.path.ident)

    @property
    def missing(self) -> list[str]:
        """Places at which the book holds nothing, keys of :data:`WORDS`."""
        return not_recorded(self.path, self.chosen, self.number)

    def names(self) -> Mapping[tuple[str, str], str]:
        """Return what the rows of the path are called, by table and key."""
        return named_rows(self.path)


_DERIVED: Final = frozenset(
    {
        "budget",
        "uncertainty",
        "remarks",
        "method_version",
        "counted",
        "problem",
        "refused",
        "log_facts",
        "plate_facts",
        "offset_s",
    }
)
"""Columns that follow from others: a corrected reading changes them, and the number's own line has them."""

_STILL_OPEN: Final = "running"
_MOMENT: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")


def journal_lines(way: Way) -> Iterator[str]:
    """Yield the journal entries behind the path: one line for each day and person, oldest first."""
    acts: dict[tuple[str, str], list[str]] = {}
    for entry in way.path.journal.entries.values():
        # A correction's reason is beside what it corrected.
        reason = "" if entry.changes else shortened(entry.reason)
        day = f"{entry.at.astimezone(way.zone):%Y-%m-%d}"
        act = f"{entry.seq} {entry.act}{f' {reason}' if reason else ''}"
        acts.setdefault((day, entry.who), []).append(act)
    for (day, who), entries in acts.items():
        yield f"{day} {who}: {'; '.join(entries)}"


def correction_lines(way: Way) -> Iterator[str]:
    """Yield the corrections on the path: from what to what, who changed it, when and why.

    What was added because it was not known before, as at the end of a job, corrects nothing; the JSON of
    the trace has those changes too.
    """
    for change, entry in corrections(way):
        why = f": {entry.reason}" if entry.reason else ""
        yield f"{change} (entry {entry.seq}, {entry.who}, {local(entry.at, way.zone)}{why})"


def corrections(way: Way) -> Iterator[tuple[str, Written]]:
    """Yield what was corrected, from what to what, with the entry that did it."""
    names = way.names()
    for change in filter(_corrects, way.path.journal.changes):
        what = names.get((change.table, change.key), f"{change.table} {change.key}")
        for part, old, new in _apart(change.column, change.old, change.new):
            before, after = (_value_words(value, way.zone) for value in (old, new))
            yield f"{what} {part}: {before} → {after}", change.entry


def _corrects(change: Change) -> bool:
    """Whether a change says that something was wrong; a gap filled with a reason counts as that."""
    if change.column in _DERIVED or change.old == _STILL_OPEN:
        return False
    return change.old is not None or bool(change.entry.reason)


def _apart(field: str, old: Any, new: Any) -> Iterator[tuple[str, Any, Any]]:
    """Yield what differs between two values; of readings and the like, the parts that do."""
    if isinstance(old, dict) and isinstance(new, dict):
        for name in {**old, **new}:
            if old.get(name) != new.get(name):
                yield f"{field} {name}", old.get(name), new.get(name)
    else:
        yield field, old, new


def _value_words(value: Any, zone: dt.tzinfo) -> str:
    """Return a value of the journal as text, a moment by the bench's clock."""
    if isinstance(value, str) and _MOMENT.fullmatch(value):
        return local(dt.datetime.fromisoformat(value), zone)
    return value_text(value)


UNKNOWN: Final = "not recorded"
_UNIT: Final = re.compile(r"(?<=\d) (?=[^\d\s])")
_DIGEST: Final = re.compile(r"\b[0-9a-f]{64}\b")


@dataclass(frozen=True)
class Station:
    """One thing on the way back.

    Attributes:
        label: One word that says what it is.
        head: Its ID, name or value.
        facts: What is known of it, one short clause each.
        known: False where the book holds nothing here.
        link: How it comes from the next station: ``computed from``.
        sides: What is beside it.
    """

    label: str
    head: str
    facts: tuple[str, ...] = ()
    known: bool = True
    link: str = ""
    sides: tuple[Station, ...] = ()


def local(moment: dt.datetime | None, zone: dt.tzinfo) -> str:
    """Return a moment in a zone, to the minute."""
    return UNKNOWN if moment is None else f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"


def percent(share: float) -> str:
    """Return a share of one as per cent."""
    return f"{100 * share:.0f} %"


def humidity(percent: float | None) -> str:
    """Return a relative humidity."""
    return f"humidity {UNKNOWN}" if percent is None else f"{percent:g} % RH"


def calibrated(row: Calibration, unit: str) -> str:
    """Return a calibration: its day, standard uncertainties and reference."""
    parts = []
    if row.u_abs:
        parts.append(f"u {compact(row.u_abs, unit)}")
    if row.u_rel:
        parts.append(f"u {100 * row.u_rel:.3g} %")
    against = f" against {row.reference}" if row.reference else ""
    return f"calibrated {row.done_on}: {' and '.join(parts) or 'no uncertainty stated'}{against}"


def place(row: Specimen) -> str:
    """Return where on the plate a piece stood."""
    if row.x_mm is None or row.y_mm is None:
        return UNKNOWN
    return f"{row.x_mm:g}, {row.y_mm:g} mm"


def hours(row: Drying) -> str:
    """Return how long a drying took, or was meant to."""
    if row.ended_at is not None:
        hours = (row.ended_at - row.began_at).total_seconds() / 3600
        return f"{hours:.{0 if math.isclose(hours, round(hours), abs_tol=0.05) else 1}f} h"
    return f"{row.planned_h:g} h planned, end {UNKNOWN}" if row.planned_h is not None else f"end {UNKNOWN}"


def kept_together(text: str) -> str:
    """Return a text in which a number and its unit are joined by a no-break space."""
    return _UNIT.sub("\u00a0", text)


def value_text(value: Any) -> str:
    """Return a value of the journal as text."""
    if isinstance(value, float):
        return f"{value:.8g}"
    return UNKNOWN if value is None else str(value)


def shortened(text: str) -> str:
    """Shorten digests to what the eye compares; the JSON has them whole."""
    return _DIGEST.sub(lambda found: f"{found[0][:12]}…", text)
