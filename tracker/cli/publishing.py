"""The summary, and everything behind it, as pages and open data."""

from __future__ import annotations

from pathlib import Path

import click

from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, note, progress, say_json
from tracker.publish import publish
from tracker.selection import parse_filter


@click.command("publish", epilog="Example: strandbook publish site --where family=ASA")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--where", default="", metavar="FILTER", help="Only results of which this holds.")
@as_json
@pass_bench
def publish_command(bench: Bench, /, folder: Path, where: str, as_json: bool) -> None:
    """Write the summary into FOLDER as a site: pages, pictures, data, every number with its way back.

    It works from a disk, and fetches nothing from anywhere. Notes and the journal stay in the book; names of
    those who measured are published.
    """
    wanted = parse_filter(where) if where.strip() else None
    with progress("Publishing") as step:
        told = publish(bench.book, bench.plugged, folder.absolute(), wanted, step)
    if as_json:
        say_json({**vars(told), "folder": str(folder)})
        return
    note(f"{told.materials} materials, {told.measurements} measurements, {told.files} files")
    click.echo(str(folder / "index.html"))
