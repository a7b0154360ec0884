"""Testing: rigs, methods, readings, corrections, verdicts."""

from __future__ import annotations

from typing import Any

import click

from tracker.api import fields
from tracker.cli._asking import answered, asks
from tracker.cli._bench import Bench, pass_bench
from tracker.cli._readings import (
    asked_readings,
    asked_rigs,
    assigned,
    measured_data,
    recordings,
    tell_measured,
)
from tracker.cli._telling import as_json, done, facts, say_json, sure, table
from tracker.desk import corrections, rigs, verdicts
from tracker.desk.finding import find
from tracker.desk.measuring import MEASURE_FORM, measure
from tracker.desk.moments import when_at
from tracker.errors import Refused


@click.group("rig", short_help="Rigs and instruments, and their calibrations.")
def rig_command() -> None:
    """Rigs and instruments: what is tested on, what is read with."""


@rig_command.command(
    "add", epilog="Example: strandbook rig add 'load cell 2' --role rig --measures force --capacity '5 kN'"
)
@click.argument("name", required=False)
@asks(rigs.RIG_FORM[1:])
@as_json
@pass_bench
def rig_add(bench: Bench, /, name: str | None, as_json: bool, **typed: Any) -> None:
    """Enter a rig or an instrument."""
    answers = answered(bench, rigs.RIG_FORM, {"name": name, **typed}, when_at(bench.book))
    done(rigs.add_rig(bench.book, bench.who, answers), as_json)


@rig_command.command(
    "calibrate", epilog="Example: strandbook rig calibrate R0001-V --uncertainty '2 N' --k 2"
)
@click.argument("rig")
@asks(rigs.CALIBRATION_FORM)
@as_json
@pass_bench
def rig_calibrate(bench: Bench, /, rig: str, as_json: bool, **typed: Any) -> None:
    """Enter a calibration of RIG: the uncertainty found by comparing it with something better known."""
    answers = answered(bench, rigs.CALIBRATION_FORM, typed, when_at(bench.book))
    done(rigs.calibrate(bench.book, bench.who, rig, answers), as_json)


@click.command("methods", epilog="Example: strandbook methods tensile")
@click.argument("method", required=False)
@as_json
@pass_bench
def methods_command(bench: Bench, /, method: str | None, as_json: bool) -> None:
    """List the test methods that are installed, or tell all about one METHOD."""
    if method is not None:
        _tell_method(bench, method, as_json)
        return
    rows = [
        {"id": each.method.id, "title": each.method.title, "version": each.method.version,
         "subject": each.method.subject, "plugin": each.plugin}
        for each in bench.plugged.methods.values()
    ]  # fmt: skip
    if as_json:
        say_json({"methods": rows, "problems": [str(each) for each in bench.plugged.problems]})
    else:
        table(rows)


def _tell_method(bench: Bench, method_id: str, json_wanted: bool) -> None:
    method = bench.plugged.method(method_id)
    if json_wanted:
        say_json({
            "id": method.id, "title": method.title, "version": method.version, "standard": method.standard,
            "cautions": list(method.cautions), "subject": method.subject,
            "readings": method.Readings.model_json_schema(),
            "quantities": [{"name": q.name, "unit": q.unit} for q in method.quantities],
        })  # fmt: skip
        return
    pairs = [("follows", method.standard), *(("caution", text) for text in method.cautions)]
    pairs += [("reading", f"{each.name} [{each.hint}] {each.help}") for each in fields(method.Readings)]
    pairs += [("gives", f"{each.name} [{each.unit}] {each.title}") for each in method.quantities]
    facts(f"{method.id} {method.version}  {method.title}", pairs)


@click.command(
    "measure",
    epilog="Example: strandbook measure J0012-04-K tensile max_force='1 830 N' width=10.02 thickness=4.01",
)
@click.argument("subject", metavar="ID")
@click.argument("method")
@click.argument("readings", nargs=-1, metavar="[FIELD=VALUE]…")
@click.option(
    "--file", "files", multiple=True, metavar="[FIELD=]PATH", help="A recording that belongs to it."
)
@click.option("--rig", "with_rigs", multiple=True, metavar="ID|NAME", help="What it was measured with.")
@asks(MEASURE_FORM)
@sure
@as_json
@pass_bench
def measure_command(
    bench: Bench,
    /,
    subject: str,
    method: str,
    readings: tuple[str, ...],
    files: tuple[str, ...],
    with_rigs: tuple[str, ...],
    yes: bool,
    as_json: bool,
    **about: Any,
) -> None:
    """Enter readings of METHOD on a specimen or spool, and see what they give."""
    chosen = bench.plugged.method(method)
    typed, kept = assigned(readings), recordings(chosen, files)
    if bench.may_ask and not typed and not kept:
        with bench.book.read() as session:
            find(bench.book, session, subject, "specimen", "spool")
        typed, kept = asked_readings(bench, chosen)
        with_rigs = with_rigs or tuple(asked_rigs(bench, chosen))
    if not typed and not kept:
        raise Refused("There are no readings", do=f"strandbook methods {method} lists what {method} takes")
    act = bench.sure(
        lambda certain: measure(
            bench.book, bench.who, bench.plugged, subject, method, typed,
            files=kept, rigs=with_rigs, about=about, sure=certain,
        ),
        yes,
    )  # fmt: skip
    if as_json:
        say_json(measured_data(act))
    else:
        tell_measured(act)


@click.command(
    "amend", epilog="Example: strandbook amend M0451-C width=10.20 --reason 'read the wrong scale'"
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
def amend_command(
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
    if reason is None and bench.may_ask:
        reason = click.prompt("Why", err=True)
    kept = {}
    if files:
        with bench.book.read() as session:
            row = find(bench.book, session, target, "measurement")
            kept = recordings(bench.plugged.method(row.method), files)
    act = bench.sure(
        lambda certain: corrections.amend(
            bench.book, bench.who, bench.plugged, target, assignments, reason or "", kept, sure=certain
        ),
        yes,
    )
    done(act, as_json)


@click.command(
    "verdict", epilog="Example: strandbook verdict M0451-C --set-aside --reason 'slipped in the grips'"
)
@click.argument("measurement", metavar="ID")
@click.option("--count/--set-aside", "counted", default=None, help="Whether the results enter means.")
@click.option("--of", "quantity", metavar="QUANTITY", help="Only this result of it.")
@click.option("--reason", metavar="TEXT", help="Why; always wanted.")
@as_json
@pass_bench
def verdict_command(
    bench: Bench,
    /,
    measurement: str,
    counted: bool | None,
    quantity: str | None,
    reason: str | None,
    as_json: bool,
) -> None:
    """Count the results of a measurement, or set them aside, with a reason."""
    if counted is None:
        if not bench.may_ask:
            raise Refused("Count it or set it aside", do="Say --count or --set-aside")
        counted = click.confirm("Shall it be counted?", err=True)
    if reason is None and bench.may_ask:
        reason = click.prompt("Why", err=True)
    done(
        verdicts.judge(
            bench.book, bench.who, measurement, counted=counted, reason=reason or "", quantity=quantity
        ),
        as_json,
    )


@click.command("compute", epilog="Example: strandbook compute M0451-C")
@click.argument("measurements", nargs=-1, required=True, metavar="ID…")
@as_json
@pass_bench
def compute_command(bench: Bench, /, measurements: tuple[str, ...], as_json: bool) -> None:
    """Compute measurements anew whose method was missing or has a new version."""
    done(corrections.recompute_all(bench.book, bench.who, bench.plugged, measurements), as_json)
