"""The preflight: everything about a plate that is cheaper to know before the print."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy.orm import Session

from tracker.book import Book
from tracker.desk.jobplates import PlateFile
from tracker.desk.plates import PlateRead, alike, kind_words, mark_dummies, read_pieces, settings_of
from tracker.ids import job_id, spool_id
from tracker.kinds import find
from tracker.model import Job
from tracker.preflight import likeness, pieces, sheet
from tracker.preflight.findings import Finding, Report


def preflight(
    book: Book, plate: PlateFile, spool: str, like: str | None = None, dummies: tuple[str, ...] = ()
) -> Report:
    """Hold a plate against data sheet, spool, programme and what it should repeat.

    Args:
        book: The book; it is only read.
        plate: The file.
        spool: ID of the spool it is to be printed from.
        like: ID of a job, or path of a plan (``.toml``); None for nothing to repeat.
        dummies: Names of pieces printed for layer times only.

    Raises:
        PlateRefused: The file is no readable plate.
        Refused: No such spool, job or plan.
    """
    with book.read() as session:
        row = find(book, session, spool, "spool")
        read = read_pieces(
            plate.source,
            read_as=plate.read_as,
            density_g_cm3=row.material.density_g_cm3,
            diameter_mm=row.diameter_mm,
        )
        mark_dummies(read, dummies)
        report = Report(plate.name, spool_id(row.id), says=read.says, filament_g=read.plate.filament_g)
        report.time_s = round(read.plate.time_s, 1)
        report.pieces = [kind_words(read, group) for group in alike(read)]
        report.left_g, found = sheet.filament(session, read, row, book.clock(), book.zone)
        found += sheet.set_points(read, row.material)
        found += sheet.drying(session, row, book.clock())
        if not read.plate.complete:
            found.append(
                Finding("stop", "file", "The plate file is incomplete; send it again from the slicer.")
            )
        found += pieces.against_programme(book, read, row.material.name)
        if like is not None:
            found += _hold_against(book, session, report, read, like)
    report.findings = sorted(found, key=lambda each: each.kind != "stop")
    return report


def _hold_against(book: Book, session: Session, report: Report, read: PlateRead, like: str) -> list[Finding]:
    """Fill in the differences, and return what they mean for the pieces."""
    values = likeness.values_of(read)
    if like.endswith(".toml"):
        plan = likeness.read_plan(Path(like))
        number, report.differences, found = likeness.nearest_plate(plan, values, read)
        report.like = f"plate {number} of {like}"
        if report.differences:
            found.append(
                Finding("stop", "plan", f"The plate is none of the plan's; nearest is plate {number}.")
            )
        return found
    job: Job = find(book, session, like, "job")
    report.like = job_id(job.id)
    here = dict(reversed(read.plate.settings))
    there = settings_of(book, job.id)
    report.differences = likeness.largest_first(
        [
            *likeness.differences(values, likeness.values_of_job(job)),
            *(likeness.changed_settings(here, there) if there else ()),
        ]
    )
    return list(pieces.against_job(read, job))
