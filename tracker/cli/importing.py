"""An old spreadsheet, brought in whole or not at all."""

from __future__ import annotations

from pathlib import Path

import click

from tracker.benches import import_site
from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, note, progress, say_json, sure
from tracker.desk.importing import ColumnMap, carry_out, plan_import, plan_json, plan_lines, read_map
from tracker.errors import Refused
from tracker.inputs import read_input


@click.command("import", epilog="Example: strandbook import old.csv --columns old.toml --dry-run")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--columns", type=click.Path(path_type=Path), metavar="MAP", help="Column map, TOML.")
@click.option(
    "-n", "--dry-run", is_flag=True, help="Say what would be made and what is refused; write nothing."
)
@click.option("--leave-out-refused", is_flag=True, help="Bring in the rest where lines are refused.")
@sure
@as_json
@pass_bench
def import_command(
    bench: Bench,
    /,
    file: Path,
    columns: Path | None,
    dry_run: bool,
    leave_out_refused: bool,
    yes: bool,
    as_json: bool,
) -> None:
    """Bring in FILE: one specimen a row, factors and quantities as columns, named by a column map.

    A folder is the site of another bench: its results come in as theirs, under their IDs and licence, and are
    never mixed with ours unasked (`why --with-benches`, `compare-benches`).
    """
    if file.is_dir():
        _site(bench, file, dry_run, as_json)
        return
    column_map = _column_map(columns)
    with progress("Reading") as step:
        plan = plan_import(bench.book, bench.plugged, file, column_map, step)
    if dry_run:
        if as_json:
            say_json(plan_json(plan))
        else:
            for line in plan_lines(plan):
                click.echo(line)
        return
    if not as_json:
        for line in plan_lines(plan):
            note(line)
    with progress("Writing") as step:
        made = bench.sure(
            lambda certain: carry_out(
                bench.book, plan, bench.who, step, sure=certain, leave_out=leave_out_refused
            ),
            yes,
        )
    if as_json:
        say_json(
            {"id": made.jobs[0], "jobs": list(made.jobs), "made": dict(made.counts), "entry": made.entry}
        )
        return
    counts = ", ".join(f"{count} {thing}" for thing, count in made.counts.items())
    note(f"Made {counts}: journal entry {made.entry}. Next: strandbook list results")
    for job in made.jobs:
        click.echo(job)


def _column_map(columns: Path | None) -> ColumnMap:
    if columns is None:
        raise Refused("A column map is missing", do="Add --columns MAP, a TOML file that names the columns")
    try:
        return read_map(read_input(columns, "settings"), columns.name)
    except OSError as error:
        raise Refused(f"{columns} cannot be read", why=error.strerror or str(error)) from error


def _site(bench: Bench, folder: Path, dry_run: bool, as_json: bool) -> None:
    made = import_site(bench.book, bench.who, folder, dry=dry_run)
    if as_json:
        say_json({"bench": made.code, **vars(made)})
        return
    note(
        f"{made.title} ({made.code}), licence {made.licence or 'none stated, so ask before you use it'}: "
        f"{made.new} new results, {made.changed} changed, {made.gone} gone, {made.same} as before"
    )
    click.echo(made.code)
