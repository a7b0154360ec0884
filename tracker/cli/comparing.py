"""Why two runs differ, what to print to find out, and what to keep an eye on."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, note, picture_form, say_json, width, write_file
from tracker.comparing import Scope, follow_up, plan_text, watched, why
from tracker.errors import Refused
from tracker.forms import Ask, read, when_at

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
    scope = Scope(
        family=family, since=_moment(bench, since), until=_moment(bench, until), only_counted=only_counted,
        matters=matters, benches=with_benches,
    )  # fmt: skip
    found = why(bench.book, bench.plugged, a, b, quantity, scope)
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
        say_json(found.as_json())
        return
    for line in found.sentences(width()):
        click.echo(line)


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
    """Propose the plates that would tell what made the difference between A and B, with their chance.

    All as in A or as in B once more are among them: they show what chance and what nobody recorded made.
    """
    plan, material = follow_up(
        bench.book, bench.plugged, a, b, quantity,
        plates=plates, pieces=pieces, forbid=[_combination(each) for each in forbid],
    )  # fmt: skip
    if as_json:
        say_json(plan.as_json())
    else:
        for line in plan.sentences(width()):
            click.echo(line)
    if output is not None:
        write_file(output, plan_text(plan, material).encode())


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
    found, refused = watched(bench.book, bench.plugged, quantity)
    if picture is not None:
        if not found:
            raise Refused("There are no charts", why="; ".join(refused.values()) or "nothing was tested")
        if picture_form(picture) != "svg":
            raise Refused(f"{picture} is no SVG", do="Let the name end in .svg")
        # Of several orientations that with the least probable line is drawn.
        worst = min(found, key=lambda each: min((s.p for s in each.signals), default=1.0))
        write_file(picture, worst.picture_svg())
        return
    if as_json:
        say_json({"watched": [each.as_json() for each in found], "refused": refused})
        return
    for each in found:
        for line in each.sentences(width()):
            click.echo(line)
    for name, reason in refused.items():
        note(f"{name}: {reason}")
    if not found:
        note("There are too few results to watch.")
