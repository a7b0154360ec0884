"""Jobs, the settings changed by hand while they ran, their logs and photographs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from typing import Any, Final

from sqlalchemy import Row, func, select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.cards import Card, CardPicture
from tracker.forms import Ask, When, check_order
from tracker.kinds.base import Kind, Listing, add_note, far_end, numbered, span, struck_or_plain
from tracker.kinds.photograph import add_photographs
from tracker.kinds.specimen import piece_data, specimens_table
from tracker.kinds.whereabouts import contradictions
from tracker.lineage import Print, Reader, SpoolHistory, of_jobs, spools_of_job
from tracker.model import Job, JobLog, JobSpool, Photograph, SettingChange, Specimen, live
from tracker.moments import local_day, local_time
from tracker.stating import compact

OUTCOMES_OF_JOB: Final = ("finished", "stopped", "failed")
SETTINGS: Final = {"nozzle": "degC", "bed": "degC", "chamber": "degC", "fan": "percent", "speed": "percent",
                   "flow": "percent"}  # fmt: skip
"""Settings with a known unit that people change by hand; any other is kept as text."""

_HOT: Final[dict[str, Any]] = {"unit": "degC", "low": -50.0, "high": 600.0}
_LENGTH: Final[dict[str, Any]] = {"unit": "mm", "low": 0.005, "high": 20.0}

SET_FORM: Final = (
    Ask("name", "Name of the job"),
    Ask("printer", "Printer", prompt=True),
    Ask("nozzle", "Nozzle (size, material)"),
    Ask("surface", "Bed surface"),
    Ask("operator", "Operator"),
    Ask("planned_at", "Planned for", "moment", past=False),
    Ask("started_at", "Started", "moment", prompt=True),
    Ask("nozzle_set_c", "Nozzle temperature set", "number", **_HOT),
    Ask("bed_set_c", "Bed temperature set", "number", **_HOT),
    Ask("chamber_set_c", "Chamber temperature set", "number", prompt=True, **_HOT),
    Ask("fan_set_pct", "Part fan set", "number", unit="percent", low=0, high=100),
    Ask("layer_height_mm", "Layer height", "number", **_LENGTH),
    Ask("line_width_mm", "Line width", "number", **_LENGTH),
    Ask("note", "Note"),
)
"""What is known of a job before it runs."""

MEASURED_FORM: Final = (
    Ask("first_layer_at", "First layer began", "moment"),
    Ask("nozzle_measured_c", "Nozzle temperature measured", "number", **_HOT),
    Ask("bed_measured_c", "Bed temperature measured", "number", **_HOT),
    Ask("chamber_measured_c", "Chamber temperature measured", "number", prompt=True, **_HOT),
    Ask("room_c", "Room temperature", "number", unit="degC", low=-20, high=60),
    Ask("room_rh_pct", "Room humidity", "number", unit="percent", low=0, high=100),
)
"""What is read while it runs."""

END_FORM: Final = (
    Ask("outcome", "How it ended", "choice", required=True, choices=OUTCOMES_OF_JOB),
    Ask("ended_at", "Ended", "moment", prompt=True),
    Ask("cause", "Cause, if it did not finish"),
    *MEASURED_FORM,
)
"""What is known when it is over."""


class JobKind(Kind):
    """One run of a plate file on a printer."""

    name, plural, model, place = "job", "jobs", Job, 40
    form = (*SET_FORM, *END_FORM)

    def check(self, session: Session, row: Any, when: When) -> None:
        """Refuse times out of their order."""
        del session
        check_order(row.started_at, row.ended_at, "The job", when.zone)
        check_order(row.started_at, row.first_layer_at, "The heating", when.zone)
        check_order(row.first_layer_at, row.ended_at, "The printing", when.zone)

    def odd(self, session: Session, row: Any, when: When) -> Iterable[str]:
        """Ask about set-points outside of the sheet or unlike this printer, and times that do not fit."""
        for link in spools_of_job(row):
            yield from _outside_sheet(row, link)
            came = link.spool.received_on
            day = local_day(row.started_at, when.zone) if row.started_at is not None else None
            if came is not None and day is not None and day < came:
                yield f"started {day}, before {ids.spool_id(link.spool.id)} came ({came})"
            for each in contradictions(session, link.spool_id, when.now, when.zone, row):
                yield f"{ids.spool_id(link.spool.id)}: {each.sentence}"
        far = far_end(row.started_at, row.ended_at, planned_h(row), "its plate file")
        if far:
            yield far
        yield from _unlike_printer(session, row)
        yield from _at_once(session, row, when.zone)

    def listing(self) -> Listing:
        """With the number of pieces."""
        pieces = select(func.count()).select_from(Specimen).where(Specimen.job_id == Job.id).scalar_subquery()
        return select(
            Job.id, Job.name, Job.started_at, Job.outcome, Job.printer, Job.chamber_set_c,
            Job.chamber_measured_c, pieces.label("pieces"),
        ).order_by(Job.id)  # fmt: skip

    def head(self, row: Any) -> str:
        """ID and name."""
        return f"{self.name_of(row)}  {row.name or ''}".rstrip()

    def card(self, session: Session, row: Any, zone: dt.tzinfo) -> Card:
        """How it went, from what, what was set and measured, its changes and pieces."""
        card = self.begun(session, row, zone)
        card.add("outcome", f"{row.outcome}: {row.cause}" if row.outcome and row.cause else row.outcome)
        card.add("started, ended", f"{local_time(row.started_at, zone)} – {local_time(row.ended_at, zone)}")
        if row.first_layer_at is not None:
            card.add("first layer began", local_time(row.first_layer_at, zone))
        self._add_origin(session, row, card)
        card.add("printer", row.printer)
        card.add("plate file", row.plate_name)
        for stem in ("nozzle", "bed", "chamber"):
            was_set, measured = getattr(row, f"{stem}_set_c"), getattr(row, f"{stem}_measured_c")
            card.add(f"{stem} set, measured", f"{compact(was_set, 'degC')}, {compact(measured, 'degC')}")
        if row.fan_set_pct is not None:
            card.add("fan set", compact(row.fan_set_pct, "%"), row.fan_set_pct, "%")
        card.add("layer, line", f"{compact(row.layer_height_mm, 'mm')}, {compact(row.line_width_mm, 'mm')}")
        changes = sorted(row.changes, key=lambda each: int(each.id))
        card.add_all(
            "changed by hand", struck_or_plain(changes, [change_words(each, zone) for each in changes])
        )
        logs = sorted(row.logs, key=lambda each: int(each.id))
        card.add_all("logs", struck_or_plain(logs, [f"log{each.id}: {each.name}" for each in logs]))
        if not row.specimens:
            card.add("specimens", "none yet")
        else:
            card.tables.append(specimens_table(row.specimens))
        card.data["changes"] = [numbered(each) for each in live(changes)]
        card.data["specimens"] = [piece_data(each) for each in live(row.specimens)]
        add_photographs(session, Photograph.job_id == row.id, card, zone)
        add_note(card, row.note)
        if any((each.plate_facts or {}).get("box_mm") for each in row.specimens):
            card.pictures.append(CardPicture("plate", f"The plate of {self.name_of(row)} from above"))
        return card

    def _add_origin(self, session: Session, row: Job, card: Card) -> None:
        """Add which attempt it is, and what it was printed from."""
        with Reader(session.connection()) as reader:
            printed = of_jobs(reader, [row.id])[row.id]
        again = None if row.again_of_id is None else ids.job_id(row.again_of_id)
        if again is not None:
            card.add("another attempt at", again)
        card.add("spools", ", ".join(_spool_words(each, printed) for each in printed.spools))
        material = printed.material.name if printed.material else None
        if not printed.spools:
            card.add("material", material)
        card.data |= {
            "again_of": again,
            "spools": [ids.spool_id(each.spool.id) for each in printed.spools],
            "material": material,
        }


def kept_reading(job: Job) -> dict[str, Any]:
    """Return how a job's plate file was read, where it allows more than one reading."""
    facts = (each.plate_facts for each in job.specimens if each.plate_facts)
    return next((dict(each.get("read_as") or {}) for each in facts), {})


def planned_h(row: Job) -> float | None:
    """Return how long the plate file says that a job takes, in hours; None where no file says it."""
    return None if row.time_s is None else row.time_s / 3600


_SET: Final = ("nozzle", "bed", "chamber")
_ENOUGH_JOBS: Final = 3
_UNLIKE_C: Final = 40.0
"""How far a set-point may lie outside of what a printer was ever set to, in kelvins, unasked."""


def _outside_sheet(row: Job, link: JobSpool) -> Iterator[str]:
    """Yield set-points outside of the ranges of a data sheet; the nozzle of several is that of the tool."""
    material = link.spool.material
    for stem in _SET:
        was_set = getattr(row, f"{stem}_set_c")
        if stem == "nozzle" and len({each.tool for each in live(row.spools)}) > 1:
            was_set = _nozzle_of(row, link.tool)
        low, high = getattr(material, f"{stem}_low_c"), getattr(material, f"{stem}_high_c")
        if was_set is None:
            continue
        if (low is not None and was_set < low) or (high is not None and was_set > high):
            yield f"{stem} set to {was_set:g} °C; the sheet of {material.name} says {span(low, high)}"


def _nozzle_of(row: Job, tool: int) -> float | None:
    """Return the nozzle of one tool as the plate file sets it, °C; None where it does not say."""
    for piece in row.specimens:
        for each in (piece.plate_facts or {}).get("tools", ()):
            if each["tool"] == tool and (value := (each.get("nozzle_c") or {}).get("value")) is not None:
                return float(value)
    return None


def _unlike_printer(session: Session, row: Job) -> Iterator[str]:
    """Yield set-points far outside of what the same printer was set to in earlier jobs."""
    if not row.printer:
        return
    for stem in _SET:
        column, was_set = getattr(Job, f"{stem}_set_c"), getattr(row, f"{stem}_set_c")
        if was_set is None:
            continue
        asked = select(func.min(column), func.max(column), func.count(column)).where(
            Job.printer == row.printer, Job.id != row.id
        )
        low, high, count = session.execute(asked).one()
        if count >= _ENOUGH_JOBS and (was_set < low - _UNLIKE_C or was_set > high + _UNLIKE_C):
            yield (
                f"{stem} set to {was_set:g} °C; in {count} other jobs {row.printer} was set to"
                f" {span(low, high)}"
            )


def _at_once(session: Session, row: Job, zone: dt.tzinfo) -> Iterator[str]:
    """Yield jobs that would have run on the same printer at the same time."""
    if not row.printer or row.started_at is None:
        return
    asked = select(Job).where(
        Job.printer == row.printer, Job.id != row.id, Job.started_at.is_not(None), Job.ended_at.is_not(None)
    )
    for other in session.scalars(asked.where(Job.ended_at > row.started_at)):
        if other.started_at is not None and (row.ended_at or row.started_at) > other.started_at:
            yield (
                f"{ids.job_id(other.id)} ran on {row.printer} at the same time"
                f" ({local_time(other.started_at, zone)} – {local_time(other.ended_at, zone)})"
            )


def _spool_words(history: SpoolHistory, printed: Print) -> str:
    """Return a spool of a job: its ID and material; tool, layers and pieces where there are several."""
    words = f"{ids.spool_id(history.spool.id)} {history.material.name}"
    link = history.used
    if link is None:
        return words
    tools = {each.used.tool for each in printed.spools if each.used is not None}
    parts = [f"tool {link.tool}"] if len(tools) > 1 else []
    parts += [f"from layer {link.from_layer}"] if link.from_layer else []
    parts += [f"pieces {', '.join(map(str, link.pieces))}"] if link.pieces else []
    return f"{words} ({'; '.join(parts)})" if parts else words


class ChangeKind(Kind):
    """A setting changed by hand, from a time, a layer or a height on."""

    name, plural, model, place = "change", "changes", SettingChange, 42
    owner, part = ("job_id",), "change"
    form = (
        Ask("setting", "Setting", required=True),
        Ask("value", "Value", "number"),
        Ask("text", "Value in words"),
        Ask("at", "When", "moment"),
        Ask("layer", "From layer", "whole", low=0),
        Ask("height_mm", "From height", "number", "mm", low=0),
        Ask("note", "Note"),
    )

    def listing(self) -> Listing:
        """With its job."""
        return select(
            SettingChange.id, SettingChange.job_id, SettingChange.setting, SettingChange.value,
            SettingChange.text, SettingChange.at, SettingChange.layer, SettingChange.height_mm,
        ).order_by(SettingChange.job_id, SettingChange.id)  # fmt: skip

    def listed(self, row: Row[Any]) -> dict[str, Any]:
        """Under the job's ID."""
        return of_job(super().listed(row))


class LogKind(Kind):
    """A log kept with a job."""

    name, plural, model, place = "log", "logs", JobLog, 44
    owner, part = ("job_id",), "log"

    def listing(self) -> Listing:
        """With its job."""
        return select(JobLog.id, JobLog.job_id, JobLog.name, JobLog.aligned_by, JobLog.offset_s).order_by(
            JobLog.job_id, JobLog.id
        )

    def listed(self, row: Row[Any]) -> dict[str, Any]:
        """Under the job's ID."""
        return of_job(super().listed(row))

    def card(self, session: Session, row: Any, zone: dt.tzinfo) -> Card:
        """What it is called and how it was aligned."""
        card = self.begun(session, row, zone)
        card.add("file", row.name)
        card.add("aligned by", row.aligned_by)
        card.add("offset", compact(row.offset_s, "s"), row.offset_s, "s")
        return card


def of_job(listed: dict[str, Any]) -> dict[str, Any]:
    """Return a row of a list with its job's ID in the place of the number."""
    return {("job" if key == "job_id" else key): ids.job_id(value) if key == "job_id" else value
            for key, value in listed.items()}  # fmt: skip


def change_words(row: SettingChange, zone: dt.tzinfo) -> str:
    """Return a change in words, after its name: ``change3: fan=30 from layer 40``."""
    value = compact(row.value) if row.value is not None else row.text
    if row.layer is not None:
        since = f"layer {row.layer}"
    else:
        since = compact(row.height_mm, "mm") if row.height_mm is not None else local_time(row.at, zone)
    return f"change{row.id}: {row.setting}={value} from {since}"


KINDS = (JobKind(), ChangeKind(), LogKind())
