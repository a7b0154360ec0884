"""Correct a record, take it back, undo, merge, cut, relabel, compute results again."""

from __future__ import annotations

from typing import Any

import click

from tracker.cli._bench import Bench, asks, pass_bench, prompt_reason
from tracker.cli._output import as_json, done, note, sure, titled
from tracker.cli._readings import recordings
from tracker.desk import correcting, merging, voiding
from tracker.kinds import find
from tracker.records import acts


@click.command(
    "correct", epilog="Example: strandbook correct M0451-C width=10.20 --reason 'read the wrong scale'"
)
@click.argument("target", metavar="ID")
@click.argument("assignments", nargs=-1, metavar="FIELD=VALUE…")
@click.option("--reason", metavar="TEXT", help="Why; required.")
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
    """Correct a record. The old value stays in the journal; results are computed again."""
    why = prompt_reason(bench, reason)
    kept = {}
    if files:
        with bench.book.read() as session:
            row = find(bench.book, session, target, "measurement")
            kept = recordings(bench.plugged.method(row.method), files)
    act = bench.sure(
        lambda certain: correcting.correct(
            bench.book, bench.who, bench.plugged, target, assignments, why, kept, sure=certain
        ),
        yes,
    )
    if not as_json:
        with bench.book.connect() as connection:
            newest = next(acts(connection, bench.book.zone, who=bench.who), None)
        for change in newest.changes if newest is not None and newest.act == "correct" else ():
            note(titled(change))
    done(act, as_json)


@click.command("compute", epilog="Example: strandbook compute M0451-C")
@click.argument("measurements", nargs=-1, required=True, metavar="ID…")
@as_json
@pass_bench
def compute_command(bench: Bench, /, measurements: tuple[str, ...], as_json: bool) -> None:
    """Compute again the measurements whose method was missing or has a new version."""
    done(correcting.recompute_all(bench.book, bench.who, bench.plugged, measurements), as_json)


@click.command("void", epilog="Example: strandbook void M0451-C --reason 'scanned the wrong bar'")
@click.argument("target", metavar="ID")
@click.option("--reason", metavar="TEXT", help="Why; required.")
@click.option("--back", is_flag=True, help="Bring back what was taken back, with all that went with it.")
@sure
@as_json
@pass_bench
def void_command(
    bench: Bench, /, target: str, reason: str | None, back: bool, yes: bool, as_json: bool
) -> None:
    """Take a record back, with its parts: it stays in the book, struck through, and is not counted.

    ID may be a part, as storage3, weighing1, change2 or photograph4, a material's name, or a recording as
    M0451-C.curve.
    """
    why = prompt_reason(bench, reason)
    act = bench.sure(
        lambda certain: voiding.void(
            bench.book, bench.who, bench.plugged, target, why, sure=certain, back=back
        ),
        yes,
    )
    done(act, as_json)


@click.command("undo", epilog="Example: strandbook undo")
@click.option("--entry", type=int, metavar="NUMBER", help="Another act, by its number in the journal.")
@sure
@as_json
@pass_bench
def undo_command(bench: Bench, /, entry: int | None, yes: bool, as_json: bool) -> None:
    """Take back the last thing you did: what it made is taken back, what it changed is as it was."""
    act = bench.sure(
        lambda certain: voiding.undo(bench.book, bench.who, bench.plugged, entry=entry, sure=certain), yes
    )
    done(act, as_json)


@click.command("merge", epilog="Example: strandbook merge S0007-K S0009-6 --reason 'entered twice'")
@click.argument("keep", metavar="KEEP")
@click.argument("gone", metavar="OTHER")
@click.option("--reason", metavar="TEXT", help="Why; required.")
@sure
@as_json
@pass_bench
def merge_command(
    bench: Bench, /, keep: str, gone: str, reason: str | None, yes: bool, as_json: bool
) -> None:
    """Merge two records of one material, spool or rig: KEEP remains, and both IDs lead to it."""
    why = prompt_reason(bench, reason)
    act = bench.sure(lambda certain: merging.merge(bench.book, bench.who, keep, gone, why, sure=certain), yes)
    done(act, as_json)


@click.command("cut", epilog="Example: strandbook cut J0012-04-K --into 'left half' --into 'right half'")
@click.argument("specimen", metavar="SPECIMEN")
@click.option("--into", "names", multiple=True, metavar="NAME", help="What a part is called; once for each.")
@asks(merging.CUT_FORM)
@sure
@as_json
@pass_bench
def cut_command(
    bench: Bench, /, specimen: str, names: tuple[str, ...], yes: bool, as_json: bool, **typed: Any
) -> None:
    """Cut a specimen: each part is a specimen with an ID of its own, and the whole is used up."""
    act = bench.sure(
        lambda certain: merging.cut_specimen(
            bench.book, bench.who, specimen, list(names), typed, sure=certain
        ),
        yes,
    )
    done(act, as_json, f"strandbook label {' '.join(act.also)} -o labels.pdf")


@click.command("relabel", epilog="Example: strandbook relabel J0012-04-K J0012-05-1 --reason 'mixed up'")
@click.argument("one", metavar="SPECIMEN")
@click.argument("other", metavar="SPECIMEN")
@click.option("--reason", metavar="TEXT", help="Why; required.")
@as_json
@pass_bench
def relabel_command(bench: Bench, /, one: str, other: str, reason: str | None, as_json: bool) -> None:
    """Exchange two specimens whose labels were mixed up: what was measured on one belongs to the other."""
    done(
        merging.exchange_labels(
            bench.book, bench.who, bench.plugged, one, other, prompt_reason(bench, reason)
        ),
        as_json,
    )
