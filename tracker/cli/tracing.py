"""The whole way back from a number."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, say_json, width
from tracker.errors import Refused
from tracker.lazy_modules import lazy
from tracker.trace import described_by, trace

if TYPE_CHECKING:
    from tracker.records import factors
else:
    factors = lazy("tracker.records.factors")


@click.command("trace", epilog="Example: strandbook trace M0451-C --of tensile.strength")
@click.argument("target", metavar="ID")
@click.option("--of", "quantity", metavar="QUANTITY", help="Which result, where there are several.")
@click.option("--prov", is_flag=True, help="As W3C PROV-JSON.")
@click.option("--graph", is_flag=True, help="As a picture, SVG.")
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="Write it to a file.")
@as_json
@pass_bench
def trace_command(
    bench: Bench,
    /,
    target: str,
    quantity: str | None,
    prov: bool,
    graph: bool,
    output: Path | None,
    as_json: bool,
) -> None:
    """Walk back from a result, measurement, specimen or job to spool, stays, dryings and journal."""
    # For scripts the units of the readings are said too; they are the methods' to say.
    describe = described_by(bench.plugged) if as_json or prov else None
    way = trace(bench.book, target, quantity, describe)
    if graph:
        _put(way.svg(), output)
    elif output is not None:
        raise Refused("Only a picture goes to a file", do="Add --graph, or send the output there with >")
    elif prov:
        say_json(way.prov())
    elif as_json:
        if way.path.specimen is not None:
            way.factors = factors.told_factors(bench.book, way.path.specimen.id, bench.plugged)
        say_json(way.as_json())
    else:
        for line in way.lines(width()):
            click.echo(line)


def _put(text: str, output: Path | None) -> None:
    if output is None:
        click.echo(text)
        return
    try:
        output.write_text(text, encoding="utf-8")
    except OSError as error:
        raise Refused(f"{output} cannot be written", why=error.strerror or str(error)) from error
    click.echo(str(output))
