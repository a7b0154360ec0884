"""At the rig: one label after another."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from tracker.cli._bench import Bench, pass_bench
from tracker.cli._readings import asked_parts, asked_readings, asked_rigs, tell_measured
from tracker.cli._telling import as_json, note, say_json
from tracker.desk import scanning
from tracker.desk.measuring import measure
from tracker.desk.overtime import append, running
from tracker.errors import Refused
from tracker.moments import local_time
from tracker.programme import still_wanted


@click.command("scan", epilog="Example: strandbook scan, then point the scanner at one label after another")
@click.argument("text_or_image", required=False)
@click.option("--method", metavar="METHOD", help="One method for every label until an empty line.")
@click.option("--rig", "rigs", multiple=True, metavar="ID|NAME", help="With --method: what is measured with.")
@click.option("--same", default="", metavar="FIELD,…", help="With --method: readings typed once for all.")
@click.option(
    "--watch",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="With --method: a recording that appears in this folder is the reading.",
)
@as_json
@pass_bench
def scan_command(
    bench: Bench,
    /,
    text_or_image: str | None,
    method: str | None,
    rigs: tuple[str, ...],
    same: str,
    watch: Path | None,
    as_json: bool,
) -> None:
    """Say what a label names, and take readings: from a scanner that types, by hand, or from a picture.

    Without an argument labels are read one after another; an empty line ends. With --method every label
    is measured by that method, and only what differs from the specimen before is asked for.
    """
    if method is not None:
        from tracker.cli import session  # noqa: PLC0415 - looking at a label needs no session

        names = tuple(name.strip() for name in same.split(",") if name.strip())
        session.run(bench, method, rigs=rigs, same=names, folder=watch)
    elif text_or_image is not None:
        _tell(bench, text_or_image, as_json)
    elif bench.may_ask:
        _at_the_rig(bench)
    else:
        for line in sys.stdin:
            if line.strip():
                _tell(bench, line.strip(), as_json)


def _tell(bench: Bench, text: str, json_wanted: bool) -> None:
    """Say what one label names; one of another book ends with exit code 1."""
    found = scanning.look(bench.book, text)
    if json_wanted:
        say_json(
            {"id": str(found.ident), "kind": found.ident.kind, "book": found.book, "belongs": found.belongs}
        )
        if not found.belongs:
            raise Refused(found.why_not)
        return
    _say_lines(bench, scanning.seen(bench.book, found))


def _say_lines(bench: Bench, seen: scanning.Seen) -> None:
    for line in (*seen.lines, still_wanted(bench.book, seen.id)):
        if line:
            click.echo(line)
    if seen.stop:
        note(f"Stop: {seen.stop}")


def _at_the_rig(bench: Bench) -> None:
    note("Scan a label, type an ID, or name a picture; an empty line ends.")
    while True:
        text = _typed("Label")
        if not text:
            return
        try:
            _one(bench, text)
        except Refused as refusal:
            note(str(refusal))
        except click.Abort:
            note("Left out; what was stored before is safe.")


def _typed(question: str) -> str:
    """Return one line; Ctrl-C loses just that line."""
    while True:
        try:
            return str(click.prompt(question, default="", show_default=False, err=True)).strip()
        except click.Abort:
            if sys.stdin.closed or not sys.stdin.readable():
                raise
            note("")
            return ""


def _one(bench: Bench, text: str) -> None:
    seen = scanning.seen(bench.book, scanning.look(bench.book, text), bench.plugged)
    _say_lines(bench, seen)
    if not seen.methods or _hangs_there(bench, seen.id):
        return
    chosen = click.prompt(
        f"Method ({', '.join(seen.methods)}), Enter for none", default="", show_default=False, err=True
    )
    if not chosen.strip():
        return
    method = bench.plugged.method(chosen.strip())
    typed, files = asked_readings(bench, method)
    rigs = asked_rigs(bench, method)
    act = bench.sure(
        lambda certain: measure(
            bench.book, bench.who, bench.plugged, seen.id, method.id, typed,
            files=files, rigs=rigs, sure=certain,
        ),
        False,
    )  # fmt: skip
    tell_measured(act)


def _hangs_there(bench: Bench, ident: str) -> bool:
    """Ask for the next reading of a test that runs on a specimen; tells whether one was added."""
    for test in running(bench.book, bench.plugged, ident):
        since = local_time(test.began, bench.book.zone)
        note(f"{test.method.title} since {since}, {test.count} readings.")
        values = asked_parts(test.parts, may_leave=True)
        if values:
            tell_measured(
                bench.sure(
                    lambda certain, test=test, values=values: append(  # type: ignore[misc]
                        bench.book, bench.who, bench.plugged, test.id, values, sure=certain
                    ),
                    False,
                )
            )
            return True
    return False
