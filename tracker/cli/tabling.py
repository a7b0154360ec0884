"""The summary table, its pictures, and the choice of what is published."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from tracker.cli._asking import prompt_reason
from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, done, note, picture_form, say_json, width, write_file
from tracker.desk.plans import choose
from tracker.errors import Refused
from tracker.selection import check_quantities, parse_filter
from tracker.table import (
    SummaryTable,
    as_csv,
    as_html,
    as_lines,
    as_markdown,
    graded,
    meant_by,
    measured_by,
    summary_table,
)

_FORMS = {"csv": as_csv, "markdown": as_markdown, "html": as_html}


@click.command(
    "table", epilog='Example: strandbook table "family=ASA" --sort tensile.strength --chart bars.svg'
)
@click.argument("where", required=False, default="", metavar="[FILTER]")
@click.option("--of", "quantities", multiple=True, metavar="QUANTITY", help="Only these quantities.")
@click.option("--sort", metavar="QUANTITY", help="Materials by their best mean of it; else by name.")
@click.option("--csv", "form", flag_value="csv", help="One line a figure, with the measurements behind it.")
@click.option("--markdown", "form", flag_value="markdown", help="As a Markdown table.")
@click.option("--html", "form", flag_value="html", help="As a page.")
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="Write it to a file.")
@click.option(
    "--chart", "picture", type=click.Path(path_type=Path), metavar="FILE", help="Draw it: SVG or PNG."
)
@as_json
@pass_bench
def table_command(
    bench: Bench,
    /,
    where: str,
    quantities: tuple[str, ...],
    sort: str | None,
    form: str | None,
    output: Path | None,
    picture: Path | None,
    as_json: bool,
) -> None:
    """Set materials beside each other: mean, 95 % interval, n and remarks of every quantity."""
    told = tabled(bench, where, quantities, sort)
    if told.why_empty and picture is None:
        note(told.why_empty)
    if picture is not None:
        draw(told, list(quantities) or list(dict.fromkeys(q for q, *_ in told.columns)), picture)
    elif as_json:
        say_json(told.as_json())
    else:
        text = _FORMS[form](told) if form else "\n".join(as_lines(told, width())) + "\n"
        if output is not None:
            write_file(output, text.encode())
        else:
            click.echo(text, nl=False)


def tabled(bench: Bench, where: str, quantities: tuple[str, ...], sort: str | None) -> SummaryTable:
    """Return the summary that a command's words ask for.

    Raises:
        Refused: A quantity or a name in the filter is unknown; near ones are named.
    """
    with bench.book.connect() as connection:
        check_quantities(connection, [*quantities, *filter(None, [sort])], measured_by(bench.plugged))
    return summary_table(
        bench.book,
        where=parse_filter(where) if where.strip() else None,
        quantities=quantities or None,
        ordinal=graded(bench.plugged),
        sort=sort,
        plugged=bench.plugged,
    )


def draw(told: SummaryTable, quantities: list[str], picture: Path) -> None:
    """Write a picture of quantities.

    Raises:
        Refused: There is nothing to draw, or the ending is unknown.
    """
    from tracker.table.charts import chart  # noqa: PLC0415 - matplotlib follows

    form = picture_form(picture)
    drawn = [name for name in quantities if name in told.units]
    if not drawn:
        why = told.why_empty or f"there are no results of {', '.join(quantities)}"
        raise Refused("There is nothing to draw", why=why, do="strandbook list results shows what there is")
    write_file(picture, chart(told, drawn, form))


@click.command(
    "chart",
    epilog="Examples: strandbook chart tensile.strength tensile.modulus --where family=ASA -o a.svg ·"
    " strandbook chart creep --curves -o creep.png",
)
@click.argument("quantities", nargs=-1, required=True, metavar="QUANTITY…")
@click.option("--where", default="", metavar="FILTER", help="Only results of which this holds.")
@click.option("--curves", is_flag=True, help="Lay what was recorded over each other, instead of the results.")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    default=Path("chart.svg"),
    metavar="FILE",
    help="SVG or PNG file.",
)
@pass_bench
def chart_command(
    bench: Bench, /, quantities: tuple[str, ...], where: str, curves: bool, output: Path
) -> None:
    """Draw quantities: every single result, with mean and interval.

    With --curves a method, or one of its quantities: creep over time with the limit of its law, deflection
    after 1, 30 and 60 s over load, stress over strain, each piece a line.
    """
    if curves:
        _draw_curves(bench, quantities, where, output)
    else:
        draw(tabled(bench, where, quantities, None), list(quantities), output)


def _draw_curves(bench: Bench, names: tuple[str, ...], where: str, output: Path) -> None:
    from tracker.table.charts import curve_chart  # noqa: PLC0415 - matplotlib follows

    form = picture_form(output)
    ids = {name.partition(".")[0] for name in names}
    if len(ids) > 1:
        raise Refused("Curves of different methods share no axes", do="Name one method, or its quantities")
    method = bench.plugged.method(ids.pop())
    told = tabled(bench, where, tuple(each.name for each in method.quantities), None)
    write_file(output, curve_chart(bench.book, bench.plugged, told, method.id, form))


@click.command(
    "choose", epilog="Example: strandbook choose 'Brand X ASA' nozzle_c=255 --reason 'as its maker advises'"
)
@click.argument("material")
@click.argument("settings", nargs=-1, metavar="SETTING=VALUE…")
@click.option("--reason", metavar="TEXT", help="Why; always wanted.")
@click.option("--remark", metavar="TEXT", help="What shall stand beside the published values.")
@as_json
@pass_bench
def choose_command(
    bench: Bench, /, material: str, settings: tuple[str, ...], reason: str | None, as_json: bool, **said: Any
) -> None:
    """Choose which condition of a material is published."""
    meant = meant_by(bench.book, material, settings)
    why = prompt_reason(bench, reason)
    act = choose(bench.book, bench.who, meant.material, meant.settings, why, said["remark"])
    if len(meant.rows) > 1:
        note(f"{len(meant.rows)} conditions have this and are published together: {'; '.join(meant.rows)}.")
    done(act, as_json)
