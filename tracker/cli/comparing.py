"""Materials beside each other, why runs differ, what stands out, and what is still wanted."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tracker.cli._bench import Bench, pass_bench, prompt_reason
from tracker.cli._output import (
    as_json,
    done,
    note,
    picture_form,
    print_json,
    stages,
    table,
    titled,
    width,
    write_file,
)
from tracker.desk.entering import choose, set_programme
from tracker.errors import Refused
from tracker.forms import Ask, read, when_at
from tracker.inputs import read_input
from tracker.lazy_modules import lazy
from tracker.moments import local_time as local
from tracker.programme import due, read_programme, standing
from tracker.selection import check_quantities, parse_filter

if TYPE_CHECKING:
    from tracker import benches
    from tracker.book import Book
    from tracker.selection import ResultRow
    from tracker.table import SummaryTable, charts
    from tracker.why import Watch
else:
    benches = lazy("tracker.benches")
    charts = lazy("tracker.table.charts")

# Brings scipy, which is installed by choice: what is due can be shown without it.
comparing = lazy("tracker.comparing")
tables = lazy("tracker.table")

_MOMENT = Ask("since", "Date", "moment", past=False)


def _moment(bench: Bench, typed: str | None) -> dt.datetime | None:
    """Return a moment; a bare date is its first minute at the bench."""
    bare = typed is not None and len(typed.strip()) == len("2026-03-14")
    moment: dt.datetime | None = read(_MOMENT, f"{typed} 00:00" if bare else typed, when_at(bench.book))
    return moment


@click.command("why", epilog="Example: strandbook why J0012-P J0031-C --of tensile.strength")
@click.argument("a")
@click.argument("b")
@click.option(
    "--of", "quantity", metavar="QUANTITY", help="The quantity in question; else an overview of all."
)
@click.option("--family", is_flag=True, help="Look at other materials of the same family too.")
@click.option("--with-benches", is_flag=True, help="What other benches published too; bench is a factor.")
@click.option("--since", metavar="DATE", help="Only what was measured since.")
@click.option("--until", metavar="DATE", help="Only what was measured before.")
@click.option("--only-counted/--all", default=True, help="Leave out what was set aside (as usual), or not.")
@click.option(
    "--matters", metavar="SIZE", help="Smallest difference that matters, as 5 % or 2 MPa; else 5 %."
)
@click.option(
    "--picture", type=click.Path(path_type=Path), metavar="FILE", help="Draw the answer: SVG or PNG."
)
@click.option(
    "--graph", type=click.Path(path_type=Path), metavar="FILE", help="Draw what follows from what, as SVG."
)
@as_json
@pass_bench
def why_command(
    bench: Bench,
    /,
    a: str,
    b: str,
    quantity: str | None,
    family: bool,
    with_benches: bool,
    since: str | None,
    until: str | None,
    only_counted: bool,
    matters: str | None,
    picture: Path | None,
    graph: Path | None,
    as_json: bool,
) -> None:
    """Say whether A and B differ, what differed in how they came to be, and what cannot be told apart.

    A and B are IDs (of jobs, spools, specimens), a material, or filters such as "material=X nozzle_c>260".
    """
    scope = comparing.Scope(
        family=family, since=_moment(bench, since), until=_moment(bench, until), only_counted=only_counted,
        matters=matters, benches=with_benches, others=others_of(bench, [quantity] if quantity else None),
    )  # fmt: skip
    found = comparing.why(bench.book, bench.plugged, a, b, quantity, scope)
    drawn = picture is not None or graph is not None
    if drawn and found.answer is None:
        raise Refused("An overview has no picture", do="Name a quantity with --of")
    if picture is not None and found.answer is not None:
        svg = picture_form(picture) == "svg"
        write_file(picture, found.answer.picture_svg() if svg else found.answer.picture_png())
    if graph is not None and found.answer is not None:
        if picture_form(graph) != "svg":
            raise Refused(f"{graph} is no SVG", do="Let the name end in .svg")
        write_file(graph, found.answer.graph_svg())
    if drawn:
        return
    if as_json:
        print_json(found.as_json())
        return
    for line in found.sentences(width()):
        click.echo(line)


def others_of(bench: Bench, quantities: list[str] | None) -> list[ResultRow]:
    """Return the results of the books that were named beside the first one."""
    if not bench.books_beside:
        return []

    return benches.rows_of_books(
        bench.books_beside, bench.plugged, first=bench.book.code, quantities=quantities
    )


@click.command("followup", epilog="Example: strandbook followup J0012-P J0031-C --plates 2 -o plan.toml")
@click.argument("a")
@click.argument("b")
@click.option(
    "--of", "quantity", metavar="QUANTITY", help="The quantity in question; else the one that differs most."
)
@click.option(
    "--plates", type=click.IntRange(1, 8), metavar="N", help="How many plates; else the fewest worth it."
)
@click.option("--pieces", type=click.IntRange(1, 99), metavar="N", help="At most so many pieces on a plate.")
@click.option(
    "--forbid", multiple=True, metavar="FACTOR=A,FACTOR=B", help="A combination that must not be printed."
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="The plan, for preflight --like."
)
@as_json
@pass_bench
def followup_command(
    bench: Bench,
    /,
    a: str,
    b: str,
    quantity: str | None,
    plates: int | None,
    pieces: int | None,
    forbid: tuple[str, ...],
    output: Path | None,
    as_json: bool,
) -> None:
    """Propose the plates that would show what made the difference between A and B, with their chance.

    Plates with everything as in A, or as in B, are among them: they show the part of chance and of what
    nobody recorded.
    """
    plan, material = comparing.follow_up(
        bench.book, bench.plugged, a, b, quantity,
        plates=plates, pieces=pieces, forbid=[_combination(each) for each in forbid],
    )  # fmt: skip
    if as_json:
        print_json(plan.as_json())
    else:
        for line in plan.sentences(width()):
            click.echo(line)
    if output is not None:
        write_file(output, comparing.plan_text(plan, material).encode())


def _combination(text: str) -> dict[str, str]:
    parts = [part.partition("=") for part in text.split(",")]
    if any(not sign or side.strip().upper() not in ("A", "B") for _, sign, side in parts):
        raise Refused(f"{text!r} is no combination", do="Write nozzle_c=A,chamber_c=B")
    return {name.strip(): side.strip().upper() for name, _, side in parts}


@click.command("watch", epilog="Example: strandbook watch --of tensile.strength")
@click.option("--of", "quantity", metavar="QUANTITY", help="Only this quantity.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Draw the charts of a quantity, as SVG.",
)
@as_json
@pass_bench
def watch_command(bench: Bench, /, quantity: str | None, picture: Path | None, as_json: bool) -> None:
    """Point at drift, at rigs and operators that read differently, and at improbable results."""
    with stages() as tell:
        found, refused = comparing.watched(bench.book, bench.plugged, quantity, tell)
    if picture is not None:
        if not found:
            raise Refused("There are no charts", why="; ".join(refused.values()) or "nothing was tested")
        if picture_form(picture) != "svg":
            raise Refused(f"{picture} is no SVG", do="Let the name end in .svg")
        # Of several orientations that with the least probable line is drawn.
        worst = min(found, key=lambda each: min((s.p for s in each.signals), default=1.0))
        write_file(picture, comparing.draw_watch(worst))
        return
    if as_json:
        print_json({"watched": [each.as_json() for each in found], "refused": refused})
        return
    _print_watched(found, refused, whole=bool(quantity))


def _print_watched(found: Sequence[Watch], refused: Mapping[str, str], *, whole: bool) -> None:
    """Print what stands out, and one line for the rest; of one quantity everything."""
    loud = [each for each in found if whole or any(signal.shown for signal in each.signals)]
    for each in loud:
        for line in each.sentences(width()):
            click.echo(line)
    quiet = len(found) - len(loud)
    if quiet:
        others = "other quantities" if loud else "quantities"
        click.echo(f"{quiet} {others} in their orientations: nothing stands out.")
    if whole or not found:
        for name, reason in refused.items():
            note(titled(f"{name}: {reason}"))
    elif refused:
        note(f"Not watched, too few results or plates: {len(refused)}; strandbook watch --json names each.")
    if not found:
        note("There are too few results to watch.")


_FORMS = {"csv": "as_csv", "markdown": "as_markdown", "html": "as_html"}


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
    summary = tabled(bench, where, quantities, sort)
    if summary.why_empty and picture is None:
        note(summary.why_empty)
    if bench.books_beside:
        if form or output or picture:
            raise Refused("Several books are read together as text or JSON alone", do="Name one book")
        beside = ((book, tabled(bench, where, quantities, sort, book)) for book in bench.books_beside)
        _print_books([(bench.book, summary), *beside], as_json)
    elif picture is not None:
        draw(summary, list(quantities) or list(dict.fromkeys(q for q, *_ in summary.columns)), picture)
    elif as_json:
        print_json(summary.as_json())
    else:
        text = getattr(tables, _FORMS[form])(summary) if form else _as_text(summary)
        if output is not None:
            write_file(output, text.encode())
        else:
            click.echo(text, nl=False)


def _print_books(every: Sequence[tuple[Book, SummaryTable]], as_json: bool) -> None:
    """Print the tables of several books, each under its code."""
    if as_json:
        print_json([{"book": book.code, **each.as_json()} for book, each in every])
        return
    for book, each in every:
        click.echo(f"{book.code}  {book.settings()['title']}".rstrip())
        click.echo(_as_text(each))


def _as_text(summary: SummaryTable) -> str:
    return "\n".join(tables.as_lines(summary, width())) + "\n"


def tabled(
    bench: Bench, where: str, quantities: tuple[str, ...], sort: str | None, book: Book | None = None
) -> SummaryTable:
    """Return the summary that a command's words ask for, of the command's book or another.

    Raises:
        Refused: A quantity or a name in the filter is unknown; near ones are named.
    """
    book = book or bench.book
    with book.connect() as connection:
        check_quantities(connection, [*quantities, *filter(None, [sort])], tables.measured_by(bench.plugged))
    found: SummaryTable = tables.summary_table(
        book,
        where=parse_filter(where) if where.strip() else None,
        quantities=quantities or None,
        ordinal=tables.graded(bench.plugged),
        sort=sort,
        plugged=bench.plugged,
    )
    return found


def draw(summary: SummaryTable, quantities: list[str], picture: Path, json_wanted: bool = False) -> None:
    """Write a picture of quantities.

    Raises:
        Refused: There is nothing to draw, or the ending is unknown.
    """
    form = picture_form(picture)
    drawn = [name for name in quantities if name in summary.units]
    if not drawn:
        why = summary.why_empty or f"there are no results of {', '.join(quantities)}"
        raise Refused("There is nothing to draw", why=why, do="strandbook list results shows what there is")
    write_file(picture, charts.chart(summary, drawn, form), json_wanted)


@click.command(
    "chart",
    epilog="Examples: strandbook chart tensile.strength tensile.modulus --where family=ASA -o a.svg ·"
    " strandbook chart creep --curves -o creep.png",
)
@click.argument("quantities", nargs=-1, required=True, metavar="QUANTITY…")
@click.option("--where", default="", metavar="FILTER", help="Only results of which this holds.")
@click.option(
    "--curves", is_flag=True, help="Draw the recorded curves over each other, instead of the results."
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    default=Path("chart.svg"),
    metavar="FILE",
    help="SVG or PNG file.",
)
@as_json
@pass_bench
def chart_command(
    bench: Bench, /, quantities: tuple[str, ...], where: str, curves: bool, output: Path, as_json: bool
) -> None:
    """Draw quantities: every single result, with mean and interval.

    With --curves a method, or one of its quantities: creep over time with the limit of its law, deflection
    after 1, 30 and 60 s over load, stress over strain, each piece a line.
    """
    if curves:
        _draw_curves(bench, quantities, where, output, as_json)
    else:
        draw(tabled(bench, where, quantities, None), list(quantities), output, as_json)


def _draw_curves(bench: Bench, names: tuple[str, ...], where: str, output: Path, json_wanted: bool) -> None:
    form = picture_form(output)
    ids = {name.partition(".")[0] for name in names}
    if len(ids) > 1:
        raise Refused("Curves of different methods share no axes", do="Name one method, or its quantities")
    method = bench.plugged.method(ids.pop())
    summary = tabled(bench, where, tuple(each.name for each in method.quantities), None)
    write_file(output, charts.curve_chart(bench.book, bench.plugged, summary, method.id, form), json_wanted)


@click.command(
    "choose", epilog="Example: strandbook choose 'Brand X ASA' nozzle_c=255 --reason 'as its maker advises'"
)
@click.argument("material")
@click.argument("settings", nargs=-1, metavar="SETTING=VALUE…")
@click.option("--reason", metavar="TEXT", help="Why; required.")
@click.option("--remark", metavar="TEXT", help="What is shown beside the published values.")
@as_json
@pass_bench
def choose_command(
    bench: Bench, /, material: str, settings: tuple[str, ...], reason: str | None, as_json: bool, **typed: Any
) -> None:
    """Choose which condition of a material is published."""
    meant = tables.meant_by(bench.book, material, settings)
    why = prompt_reason(bench, reason)
    act = choose(bench.book, bench.who, meant.material, meant.settings, why, typed["remark"])
    if len(meant.rows) > 1:
        note(f"{len(meant.rows)} conditions have this and are published together: {'; '.join(meant.rows)}.")
    done(act, as_json)


@click.command("programme", epilog="Example: strandbook programme 'Brand X ASA'")
@click.argument("material")
@click.option(
    "--set",
    "file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Give it the programme of a TOML file.",
)
@as_json
@pass_bench
def programme_command(bench: Bench, /, material: str, file: Path | None, as_json: bool) -> None:
    """Show what a complete MATERIAL needs, what of it is there, and what to print next."""
    if file is not None:
        try:
            text = read_input(file, "settings file").decode("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise Refused(f"{file} cannot be read", why=str(error)) from error
        done(set_programme(bench.book, bench.who, material, read_programme(text).name, text), as_json)
        return
    materials = standing(bench.book, material)
    if as_json:
        print_json(materials.as_json())
        return
    click.echo(f"{materials.material}: programme {materials.programme!r}")
    methods = bench.plugged.methods
    rows = (dict(vars(need)) for need in materials.needs)
    table(
        {"method": methods[name].method.title if (name := row.pop("method")) in methods else name, **row}
        for row in rows
    )
    plate = ", ".join(f"{count} {_orientation(each)}" for each, count in materials.next_plate)
    click.echo(f"Next plate: {plate}." if plate else "Nothing has to be printed.")


def _orientation(words: str) -> str:
    return "in any orientation" if words == "any" else words


@click.command("due", epilog="Example: strandbook due")
@as_json
@pass_bench
def due_command(bench: Bench, /, as_json: bool) -> None:
    """Show what waits: readings, rested pieces, calibrations, jobs and dryings left open."""
    found = due(bench.book)
    if as_json:
        print_json([each.as_json() for each in found])
    elif not found:
        note("Nothing is due.")
    else:
        table(
            {
                "when": local(each.at, bench.book.zone) if each.at else "open",
                "": "late" if each.late else "",
                "id": each.id,
                "what": each.what,
            }
            for each in found
        )
