"""What is kept of jobs and specimens beside their records, against what follows from the records."""

from __future__ import annotations

from sqlalchemy import Connection

from tracker.acts.derived import working_out
from tracker.book import Book
from tracker.ids import job_id, spool_id
from tracker.progress import Progress
from tracker.verify.findings import Finding, Findings


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
    """Work out anew all that is kept of jobs and specimens beside their records."""
    with book.writing() as connection:
        for keeper in working_out():
            keeper.refill(connection, progress)
