"""The book itself: begun, checked, copied, brought back."""

from __future__ import annotations

import os
from pathlib import Path

import click

from tracker.book import new_book
from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, note, say_json


@click.command("init", epilog="Example: strandbook init bench --zone Europe/Vienna")
@click.argument("place", required=False)
@click.option("--title", default="", metavar="TEXT", help="What you call it.")
@click.option(
    "--zone", metavar="NAME", help="Time zone of the bench, as Europe/Vienna; else this computer's."
)
@click.option("--address", default="", metavar="HOST:PORT", help="Address of the bench page, for labels.")
@as_json
@pass_bench
def init_command(
    bench: Bench, /, place: str | None, title: str, zone: str | None, address: str, as_json: bool
) -> None:
    """Begin a book in the folder PLACE, or on a server: postgresql://…?files=/path/to/attachments."""
    where = place or bench.place or "."
    with new_book(where, bench.who, title=title, zone=zone or own_zone(), address=address) as book:
        code = book.code
    if as_json:
        say_json({"book": code, "place": where})
        return
    note(f"Book {code} begun in {where}. Next: strandbook --book {where} material add")
    click.echo(code)


def own_zone() -> str:
    """Return this computer's time zone by name, or UTC where it does not tell."""
    if os.environ.get("TZ"):
        return os.environ["TZ"].lstrip(":")
    link = Path("/etc/localtime")
    target = str(link.resolve()) if link.exists() else ""
    return target.partition("zoneinfo/")[2] or "UTC"
