"""The preflight: everything about a plate that is cheaper to know before the print."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from sqlalchemy.orm import Session

from tracker.book import Book
from tracker.desk.jobplates import Feed, PlateFile, feeds, filaments_of
from tracker.desk.plates import PlateRead, alike, kind_words, mark_dummies, read_pieces, settings_of
from tracker.ids import job_id, spool_id
from tracker.kinds import find
from tracker.model import Job
from tracker.preflight import likeness, sections, sheet
from tracker.preflight.findings import Finding, Report


def preflight(
    book: Book,
    plate: PlateFile,
    spool: str | Sequence[str],
    like: str | None = None,
    dummies: tuple[str, ...] = (),
) -> Report:
    """Hold a plate against data sheet, spool, programme and what it should repeat.

    Args:
        book: The book; it is only read.
        plate: The file.
        spool: ID of the spool it is to be printed from; several, one for each tool in order.
        like: ID of a job, or path of a plan (``.toml``); None for nothing to repeat.
        dummies: Names of pieces printed for layer times only.

    Raises:
        PlateRefused: The file is no readable plate.
        Refused: No such spool, job or plan.
    """
    with book.read() as session:
        rows = [find(book, session, each, "spool") for each in ([spool] if isinstance(spool, str) else spool)]
        read = read_pieces(plate.source, read_as=plate.read_as, **filaments_of(rows))
        mark_dummies(read, dummies)
        fed = feeds(read, rows)
        report = Report(plate.name, ", ".join(spool_id(row.id) for row in rows), notes=read.notes)
        report.filament_g, report.time_s = read.plate.filament_g, round(read.plate.time_s, 1)
        report.pieces = [kind_words(read, group) for group in alike(read)]
        cut = sections.sections_of(read, fed)
        report.sections = sections.as_rows(cut)
        found = [*sections.cold(read), *sections.against_itself(read), *sections.tools(read, len(rows))]
        found += _of_spools(book, session, report, read, fed)
        # Told of the specimens it concerns, where it is not the plate as a whole that is wrong.
        of_sections = list(sections.against_sheet(cut))
        stopped = {each.about for each in found if each.kind == "stop"}
        named = {each.about for each in of_sections}
        found = [each for each in found if each.kind == "stop" or each.about not in named & set(sheet.STEMS)]
        found += [each for each in of_sections if each.about not in stopped]
        if not read.plate.complete:
            found.append(
                Finding("stop", "file", "The plate file is incomplete; send it again from the slicer.")
            )
        found += sections.replicates(cut)
        for name in dict.fromkeys(each.material.name for each in cut):
            found += likeness.against_programme(book, cut, name)
            found += sections.against_tested(cut, likeness.tested_sections(session, cut, name))
        if like is not None:
            found += _hold_against(book, session, report, read, like, cut)
    report.findings = sorted(found, key=lambda each: each.kind != "stop")
    return report


def _of_spools(
    book: Book, session: Session, report: Report, read: PlateRead, fed: Sequence[Feed]
) -> Iterator[Finding]:
    """Yield what is to be said of each spool: set-points of its sheet, mass left, drying."""
    alone = len(fed) == 1
    for each in fed:
        whose = "" if alone else f"{spool_id(each.spool.id)} in tool {each.tool}"
        yield from sheet.set_points(read, each, whose)
        left, sentence = sheet.filament(session, read, each, book.clock(), book.zone, whose)
        report.left_g = left if alone else None
        report.left.append({"spool": spool_id(each.spool.id), "tool": each.tool, "left_g": left,
                            "needs_g": each.grams})  # fmt: skip
        of_spool = [*sentence, *sheet.drying(session, each.spool, book.clock(), whose)]
        served = () if each.pieces is None else tuple(read.pieces[number - 1].name for number in each.pieces)
        listed = f" Printed from it: {', '.join(served)}." if served else ""
        yield from (replace(one, text=one.text + listed, specimens=served) for one in of_spool)


def _hold_against(
    book: Book, session: Session, report: Report, read: PlateRead, like: str, cut: sections.Sections
) -> list[Finding]:
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
    of_sections, compared = sections.against_job(cut, job)
    report.agrees = compared and not of_sections
    whole = list(likeness.differences(values, likeness.values_of_job(job)))
    stated = {each.what for each in whole}
    # What differs on the whole plate is reported once, and not again of all its specimens.
    of_sections = [each for each in of_sections if not (each.everywhere and each.factor in stated)]
    report.differences = likeness.largest_first(
        [
            *of_sections,
            *whole,
            *(likeness.changed_settings(here, there) if there else ()),
        ]
    )
    return list(likeness.against_job(read, job))
