"""Testing: methods, readings, verdicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tracker.api import Method, fields
from tracker.cli._bench import Bench, asks, pass_bench, prompt_reason, yes_or_no
from tracker.cli._output import as_json, done, facts, note, print_json, sure, table, titled
from tracker.cli._readings import (
    OtherLabelError,
    Questions,
    StepBackError,
    asked_parts,
    asked_rigs,
    assigned,
    cautions,
    file_fields,
    last_typed,
    measured_at_prompts,
    measured_data,
    print_measured,
    read_with,
    recordings,
    shown_before_kept,
)
from tracker.desk.measuring import MEASURE_FORM, Measured, measure
from tracker.desk.voiding import judge
from tracker.errors import Refused
from tracker.inputs import read_input
from tracker.kinds import find
from tracker.lazy_modules import lazy
from tracker.stating import shown, state_row

if TYPE_CHECKING:
    from tracker.desk import overtime
    from tracker.desk.importing import day
else:
    day = lazy("tracker.desk.importing.day")
    overtime = lazy("tracker.desk.overtime")


@click.command("methods", epilog="Example: strandbook methods tensile")
@click.argument("method", required=False)
@as_json
@pass_bench
def methods_command(bench: Bench, /, method: str | None, as_json: bool) -> None:
    """List the test methods that are installed, or describe one METHOD."""
    if method is not None:
        _print_method(bench, method, as_json)
        return
    rows = [
        {"id": each.method.id, "title": each.method.title, "version": each.method.version,
         "subject": each.method.subject, "plugin": each.plugin}
        for each in bench.plugged.methods.values()
    ]  # fmt: skip
    if as_json:
        print_json({"methods": rows, "problems": [str(each) for each in bench.plugged.problems]})
    else:
        table(rows)


def _print_method(bench: Bench, method_id: str, json_wanted: bool) -> None:
    method = bench.plugged.method(method_id)
    if json_wanted:
        print_json({
            "id": method.id, "title": method.title, "version": method.version, "standard": method.standard,
            "cautions": list(method.cautions), "subject": method.subject,
            "readings": method.Readings.model_json_schema(),
            "quantities": [{"name": q.name, "unit": q.unit} for q in method.quantities],
            "formulas": [each.data() for each in method.formulas],
        })  # fmt: skip
        return
    pairs = [("follows", method.standard), *(("caution", text) for text in method.cautions)]
    pairs += [("reading", f"{each.name} [{each.hint}] {each.help}") for each in fields(method.Readings)]
    pairs += [
        ("gives", f"{each.title or each.name} [{shown(each.unit) or '1'}], typed {each.name}")
        for each in method.quantities
    ]
    pairs += [("formula", str(each)) for each in method.formulas]
    facts(f"{method.id} {method.version}  {method.title}", pairs)


@click.command(
    "measure",
    epilog="Example: strandbook measure J0012-04-K tensile max_force='1 830 N' width=10.02 thickness=4.01",
)
@click.argument("subject", metavar="ID", required=False)
@click.argument("method", required=False)
@click.argument("readings", nargs=-1, metavar="[FIELD=VALUE]…")
@click.option(
    "--from",
    "sheet",
    type=click.Path(path_type=Path),
    metavar="CSV",
    help="A day's readings from a sheet, a specimen of the book a row; all or none.",
)
@click.option(
    "--columns", type=click.Path(path_type=Path), metavar="MAP", help="With --from: its column map, TOML."
)
@click.option("-n", "--dry-run", is_flag=True, help="With --from: say what would be stored and asked.")
@click.option(
    "--file", "files", multiple=True, metavar="[FIELD=]PATH", help="A recording that belongs to it."
)
@click.option(
    "--rig",
    "with_rigs",
    multiple=True,
    metavar="[READING=]ID|NAME",
    help="What it was measured with; with READING= what took only that, as curve.extension=R0004-X.",
)
@click.option(
    "--read",
    "read_as",
    multiple=True,
    metavar="OPTION=VALUE",
    help="How a recording is to be read: decimal=comma, force.unit=kN, force='Load 2'.",
)
@click.option(
    "--take",
    "takes",
    multiple=True,
    metavar="FINDING=WAY",
    help="How a finding in a recording is to be taken, as spike='leave out'.",
)
@asks(MEASURE_FORM)
@click.option("--incomplete", is_flag=True, help="Keep readings that give no result yet.")
@sure
@as_json
@pass_bench
def measure_command(
    bench: Bench,
    /,
    subject: str | None,
    method: str | None,
    readings: tuple[str, ...],
    sheet: Path | None,
    columns: Path | None,
    dry_run: bool,
    files: tuple[str, ...],
    with_rigs: tuple[str, ...],
    read_as: tuple[str, ...],
    takes: tuple[str, ...],
    incomplete: bool,
    yes: bool,
    as_json: bool,
    **about: Any,
) -> None:
    """Enter readings of METHOD on a specimen or spool, and see what they give."""
    if sheet is not None:
        _measure_day(bench, sheet, columns, dry_run, incomplete, yes, as_json)
        return
    if subject is None or method is None:
        raise click.UsageError("Name an ID and a METHOD, or a sheet with --from")
    chosen = bench.plugged.method(method)
    typed = assigned(readings)
    # "curve=pull.csv" means the file of that name, as "width=10.02" means that width.
    named = [f"{each.name}={typed.pop(each.name)}" for each in file_fields(chosen) if each.name in typed]
    kept = recordings(chosen, (*files, *named))
    if bench.may_ask and not typed and not kept:
        _print_measurement(_asked(bench, subject, chosen, with_rigs, about, incomplete=incomplete), as_json)
        return
    if not typed and not kept:
        raise Refused("There are no readings", do=f"strandbook methods {method} lists what {method} takes")
    kept = read_with(kept, read_as, takes)
    kept = shown_before_kept(bench, chosen, kept, quiet=as_json)
    act = bench.sure(
        lambda certain: measure(
            bench.book, bench.who, bench.plugged, subject, method, typed,
            files=kept, rigs=with_rigs, about=about, incomplete=incomplete, sure=certain,
        ),
        yes,
    )  # fmt: skip
    if not as_json:
        # Also who types all at once is at the rig, with the next specimen; a refusal stays one line.
        cautions(chosen)
    _print_measurement(act, as_json)
    if chosen.over_time and all(each.value is None for each in act.results):
        note(f"Next: strandbook append {act.subject} VALUE; strandbook due says when.")


def _asked(
    bench: Bench,
    subject: str,
    method: Method,
    rigs: Sequence[str],
    about: Mapping[str, Any],
    *,
    incomplete: bool,
) -> Measured:
    """Ask for the readings of one specimen or spool, and store them."""
    with bench.book.read() as session:
        find(bench.book, session, subject, "specimen", "spool")
    cautions(method)
    questions = Questions(bench, method, last_typed(bench, method))
    try:
        act, _, _ = measured_at_prompts(
            bench, questions, subject, lambda: list(rigs) or asked_rigs(bench, method), about=about,
            incomplete=incomplete,
        )  # fmt: skip
    except StepBackError as error:
        raise click.Abort from error
    except OtherLabelError as other:
        raise Refused(
            f"Nothing was stored of {subject}", do=f"strandbook measure {other.text} {method.id}"
        ) from other
    return act


def _print_measurement(act: Measured, json_wanted: bool) -> None:
    if json_wanted:
        print_json(measured_data(act))
    else:
        print_measured(act)


def _measure_day(
    bench: Bench,
    sheet: Path,
    columns: Path | None,
    dry_run: bool,
    incomplete: bool,
    yes: bool,
    json_wanted: bool,
) -> None:
    """Enter a day's sheet, or say what would come of it."""
    if columns is None:
        raise Refused(
            "A sheet needs its column map", do="Give it with --columns MAP; strandbook manual test-day"
        )
    try:
        column_map = day.read_day_map(read_input(columns, "settings file"), columns.name)
    except OSError as error:
        raise Refused(f"{columns} cannot be read", why=error.strerror or str(error)) from error
    plan = day.plan_day(bench.plugged, sheet, column_map)
    done, asked = bench.sure(
        lambda certain: day.enter_day(
            bench.book, bench.who, bench.plugged, plan, incomplete=incomplete, sure=certain, rehearse=dry_run
        ),
        yes,
    )
    if json_wanted:
        print_json({
            "stored": not dry_run, "asked": asked, "unused_columns": list(plan.unused),
            "measurements": [measured_data(each) for each in done],
        })  # fmt: skip
        return
    for each in (*plan.notes, *asked):
        note(each)
    rows = [
        {
            "measurement": each.id or "–", "specimen": each.subject, "method": each.method,
            "gives": "; ".join(
                f"{titled(one.quantity)} {state_row(one).short}"
                for one in each.results
                if one.value is not None
            ),
        }
        for each in done
    ]  # fmt: skip
    table(rows)
    note(f"{len(done)} measurements {'would be stored; nothing was' if dry_run else 'stored'}.")


@click.command("append", epilog="Example: strandbook append J0012-04-K 80.31")
@click.argument("target", metavar="ID")
@click.argument("values", nargs=-1, metavar="VALUE…")
@click.option("--at", default="", metavar="TIME", help="When it was read; else now.")
@click.option("--method", metavar="METHOD", help="Where a specimen is in several tests over time.")
@sure
@as_json
@pass_bench
def append_command(
    bench: Bench,
    /,
    target: str,
    values: tuple[str, ...],
    at: str,
    method: str | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Add a reading to a test that runs over days: the clock gives its time."""
    if not values and bench.may_ask:
        tests = overtime.running(bench.book, bench.plugged, target, method)
        values = asked_parts(tests[-1].parts) if tests else ()
    act = bench.sure(
        lambda certain: overtime.append(
            bench.book, bench.who, bench.plugged, target, values, at=at, method=method, sure=certain
        ),
        yes,
    )
    _print_measurement(act, as_json)


@click.command(
    "verdict", epilog="Example: strandbook verdict M0451-C --set-aside --reason 'slipped in the grips'"
)
@click.argument("measurement", metavar="ID")
@click.option("--count/--set-aside", "counted", default=None, help="Whether the results enter means.")
@click.option("--of", "quantity", metavar="QUANTITY", help="Only this result of it.")
@click.option("--reason", metavar="TEXT", help="Why; required.")
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
        counted = yes_or_no("Shall it be counted?")
    why = prompt_reason(bench, reason)
    act = judge(bench.book, bench.who, measurement, counted=counted, reason=why, quantity=quantity)
    done(act, as_json)
