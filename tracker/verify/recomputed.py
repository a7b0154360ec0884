"""What a book holds beside its records, worked out again: rows kept of jobs and specimens, and results."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Final

from sqlalchemy import Connection, func, or_, select
from sqlalchemy.orm import Session, selectinload

from tracker.acts.derived import working_out
from tracker.book import Book
from tracker.errors import Refused
from tracker.ids import job_id, measurement_id, spool_id
from tracker.model import Job, JobSpool, Measurement, MeasurementRig, Result, Specimen, Spool
from tracker.progress import Progress
from tracker.verify.findings import Difference, Finding, Findings


def check_derived(
    connection: Connection, findings: Findings, progress: Progress, span: tuple[int, int] | None = None
) -> None:
    """Work out again what is kept beside the records, and name each plate of which it is something else.

    Args:
        connection: To the book.
        findings: Takes what differs.
        progress: Called now and then.
        span: Only of jobs from this number up to, not including, that one.
    """
    for keeper in working_out():
        for plate, difference in keeper.differing(connection, progress, span):
            name = job_id(plate) if plate >= 0 else spool_id(-plate)
            findings.add(_finding(name, str(plate), f" of {name}", difference))
        if span is None or span[0] <= 1:
            for difference in keeper.stray(connection):
                findings.add(_finding("", "", "", difference))


def _finding(name: str, key: str, of: str, difference: str) -> Finding:
    text = f"What is kept{of} is not what its records give: {difference}; verify --clean mends it"
    return Finding("derived", text, name, "job_in_force", key)


def mend_derived(book: Book, progress: Progress | None = None) -> None:
    """Work out again all that is kept of jobs and specimens beside their records."""
    with book.writing() as connection:
        for keeper in working_out():
            keeper.refill(connection, progress)


Recompute = Callable[[Measurement], Mapping[str, float | None] | None]
"""Gives the value of every quantity by name, or None where the method is not installed."""

TOLERANCE: Final = 1e-9
"""Relative: far above what another order of additions does, far below any reading's resolution."""

_SOME: Final = 1000

_OF_JOB: Final = selectinload(Measurement.specimen).selectinload(Specimen.job)
_OF_RIG: Final = selectinload(Measurement.rigs)
_USED: Final = (
    selectinload(Measurement.results),
    selectinload(Measurement.files),
    _OF_RIG.selectinload(MeasurementRig.rig),
    _OF_RIG.selectinload(MeasurementRig.calibration),
    _OF_RIG.selectinload(MeasurementRig.compliance),
    selectinload(Measurement.spool).selectinload(Spool.material),
    _OF_JOB.selectinload(Job.material),
    _OF_JOB.selectinload(Job.spools).selectinload(JobSpool.spool).selectinload(Spool.material),
)
"""What results are computed from: read for a thousand at once, as one by one it took most of the time."""


def check_results(
    connection: Connection,
    recompute: Recompute,
    findings: Findings,
    progress: Progress,
    after: int = 0,
    span: tuple[int, int] | None = None,
) -> dict[str, int]:
    """Compute every measurement that has readings again, and name each result that differs.

    Args:
        connection: To the book.
        recompute: Gives a measurement's values again.
        findings: Takes what differs.
        progress: Called now and then.
        after: Only measurements that, or a result of which, entries after this one wrote last.
        span: Only measurements from this number up to, not including, that one.

    Returns:
        Methods that are not installed in the version wanted, and how many measurements each concerns.
    """
    total = connection.scalar(select(func.count()).select_from(Measurement)) or 0
    missing: dict[str, int] = {}
    for done, measurement in enumerate(_measurements(connection, findings, after, span), start=1):
        _check(measurement, recompute, findings, missing)
        if done % _SOME == 0:
            progress("results", done, total)
    return missing


def note_missing(missing: Mapping[str, int], findings: Findings) -> None:
    """Say of which methods no result could be computed again."""
    for method, number in missing.items():
        findings.notes.append(
            f"{number} measurements by {method!r} were not computed again: "
            "that version of the method is not installed"
        )


def _measurements(
    connection: Connection, findings: Findings, after: int, span: tuple[int, int] | None
) -> Iterator[Measurement]:
    ids = select(Measurement.id).where(Measurement.readings.is_not(None)).order_by(Measurement.id)
    if span is not None:
        ids = ids.where(Measurement.id < span[1])
    if after:
        changed = select(Result.measurement_id).where(Result.entry > after)
        ids = ids.where(or_(Measurement.entry > after, Measurement.id.in_(changed)))
    last = 0 if span is None else span[0] - 1
    # By number and not by offset: an offset reads everything before it again, which over a book is
    # quadratic.
    while some := connection.scalars(ids.where(Measurement.id > last).limit(_SOME)).all():
        yield from _loaded(connection, some, findings)
        last = some[-1]


def _loaded(connection: Connection, ids: Sequence[int], findings: Findings) -> Iterator[Measurement]:
    statement = select(Measurement).where(Measurement.id.in_(ids)).order_by(Measurement.id).options(*_USED)
    with Session(connection, autoflush=False) as session:
        try:
            rows = session.scalars(statement).all()
        except (ValueError, TypeError) as error:
            # One damaged row must not hide the others; alone, it is named.
            if len(ids) > 1:
                rows = []
                for one in ids:
                    yield from _loaded(connection, [one], findings)
            else:
                name = measurement_id(ids[0])
                text = f"The measurement {name} cannot be read: {error}"
                findings.add(Finding("result", text, name, "measurement", str(ids[0])))
                return
        yield from rows


def _check(
    measurement: Measurement, recompute: Recompute, findings: Findings, missing: dict[str, int]
) -> None:
    if not measurement.results:
        return
    try:
        values = recompute(measurement)
    except Exception as error:  # noqa: BLE001 - a plugin may raise anything, and must not end the walk
        findings.add(_failed(measurement, error))
        return
    if values is None:
        missing[measurement.method] = missing.get(measurement.method, 0) + 1
        return
    for result in measurement.results:
        findings.counts["results"] += 1
        if not _agrees(result, values):
            findings.add(_differs(measurement, result, values.get(result.quantity)))


def _agrees(result: Result, values: Mapping[str, float | None]) -> bool:
    again = values.get(result.quantity)
    if result.value is None or again is None:
        # A value where there was none, or none where there was one, is a difference whatever the size.
        return result.value is again
    return math.isclose(result.value, again, rel_tol=TOLERANCE)


def _differs(measurement: Measurement, result: Result, again: float | None) -> Finding:
    name = measurement_id(measurement.id)
    now = "no value" if again is None else f"{again:.12g} {result.unit}"
    stands = "no value" if result.value is None else f"{result.value:.12g} {result.unit}"
    text = (
        f"The readings of {name} no longer give its {result.quantity}: {stands} in the book "
        f"(by {measurement.method} version {result.method_version or 'not recorded'}), {now} computed again"
    )
    return Finding(
        "result", text, name, "result", str(result.id), None, (Difference("value", again, result.value),)
    )


def _failed(measurement: Measurement, error: Exception) -> Finding:
    name = measurement_id(measurement.id)
    reason = str(error) if isinstance(error, Refused) else f"{type(error).__name__}: {error}"
    text = f"The results of {name} cannot be computed again, the method {measurement.method} says: {reason}"
    return Finding("result", text, name, "measurement", str(measurement.id))
