"""Putting right: correct a record, compute results anew."""

from __future__ import annotations

import click

from tracker.cli._bench import Bench, pass_bench
from tracker.cli._readings import recordings
from tracker.cli._telling import as_json, done, sure
from tracker.desk import correcting
from tracker.kinds import find


@click.command(
    "correct", epilog="Example: strandbook correct M0451-C width=10.20 --reason 'read the wrong scale'"
)
@click.argument("target", metavar="ID")
@click.argument("assignments", nargs=-1, metavar="FIELD=VALUE…")
@click.option("--reason", metavar="TEXT", help="Why; always wanted.")
@click.option(
    "--file", "files", multiple=True, metavar="[FIELD=]PATH", help="For a measurement: a recording."
)
@sure
@as_json
@pass_bench
def correct_command(
    bench: Bench,
    /,
    target: str,
    assignments: tuple[str, ...],
    reason: str | None,
    files: tuple[str, ...],
    yes: bool,
    as_json: bool,
) -> None:
    """Correct a record. The old value stays in the journal; results are computed anew."""
    why = reason if reason is not None or not bench.may_ask else click.prompt("Why", err=True)
    kept = {}
    if files:
        with bench.book.read() as session:
            row = find(bench.book, session, target, "measurement")
            kept = recordings(bench.plugged.method(row.method), files)
    act = bench.sure(
        lambda certain: correcting.correct(
            bench.book, bench.who, bench.plugged, target, assignments, why or "", kept, sure=certain
        ),
        yes,
    )
    done(act, as_json)


@click.command("compute", epilog="Example: strandbook compute M0451-C")
@click.argument("measurements", nargs=-1, required=True, metavar="ID…")
@as_json
@pass_bench
def compute_command(bench: Bench, /, measurements: tuple[str, ...], as_json: bool) -> None:
    """Compute measurements anew whose method was missing or has a new version."""
    done(correcting.recompute_all(bench.book, bench.who, bench.plugged, measurements), as_json)
