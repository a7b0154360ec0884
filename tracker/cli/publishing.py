"""The summary, and everything behind it, as pages and open data; and the check of such a folder."""

from __future__ import annotations

from pathlib import Path

import click

from tracker.benches import compare_benches, mandel_picture
from tracker.cli._bench import Bench, pass_bench
from tracker.cli._output import as_json, note, print_json, progress, write_file
from tracker.cli.comparing import others_of
from tracker.errors import Refused
from tracker.publish import Choice, choose_publication, publish
from tracker.publish.checking import check_site
from tracker.publish.gathering import dispute
from tracker.selection import parse_filter


@click.command("publish", epilog="Example: strandbook publish site --dry-run")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--where", default="", metavar="FILTER", help="Only results of which this holds.")
@click.option("--dry-run", is_flag=True, help="Write nothing; list every text, name and file about to leave.")
@click.option("--with-names", is_flag=True, help="Name people; without it they are pseudonyms.")
@click.option("--with-notes", is_flag=True, help="Publish notes, too; without it they stay in the book.")
@click.option("--with-headers", is_flag=True, help="Leave comments at the head of recordings in them.")
@click.option("--with-plates", is_flag=True, help="Publish plate files and logs, whole.")
@click.option("--licence", metavar="SPDX", help="Licence of the data, such as CC-BY-4.0; kept in the book.")
@click.option("--author", metavar="NAME", help="Who publishes, as it is to be cited; kept in the book.")
@click.option("--address", metavar="URL", help="The address that the site will have; kept in the book.")
@as_json
@pass_bench
def publish_command(
    bench: Bench,
    /,
    folder: Path,
    where: str,
    dry_run: bool,
    with_names: bool,
    with_notes: bool,
    with_headers: bool,
    with_plates: bool,
    licence: str | None,
    author: str | None,
    address: str | None,
    as_json: bool,
) -> None:
    """Write the summary into FOLDER as a site: pages, pictures, data, every number with its way back.

    It works from a disk, and fetches nothing from anywhere. Only files published before are replaced.

    What leaves: results, readings, recordings, remarks, causes and reasons. People are pseudonyms unless they
    agreed in the book to be named. Notes, the journal, file names, photographs, plate files and comments at
    the head of recordings stay in the book. `--dry-run` lists all of it first.
    """
    wanted = parse_filter(where) if where.strip() else None
    if not dry_run and (licence is not None or author is not None or address is not None):
        choose_publication(bench.book, bench.who, licence=licence, author=author, address=address)
    choice = Choice(names=with_names, notes=with_notes, headers=with_headers, plates=with_plates)
    with progress("Publishing") as step:
        published = publish(
            bench.book, bench.plugged, folder.absolute(), wanted, step, choice=choice, dry=dry_run
        )
    if as_json:
        print_json({**vars(published), "folder": str(folder), "dry_run": dry_run})
        return
    if dry_run:
        for line in published.leaving:
            click.echo(line)
        return
    if not published.licence:
        note(
            "No licence was chosen, so all rights are reserved: --licence CC-BY-4.0 lets others use the data"
        )
    note(
        f"{published.materials} materials, {published.measurements} measurements, {published.files} files, "
        f"{published.changed} of them new or changed"
    )
    click.echo(str(folder / "index.html"))


@click.command("check", epilog="Example: strandbook check site")
@click.argument("site", type=click.Path(path_type=Path, exists=True, file_okay=False))
@as_json
@pass_bench
def check_command(bench: Bench, /, site: Path, as_json: bool) -> None:
    """Compute every number of a published SITE again, from the folder alone; no book is needed.

    Exit code 0: every number that can be computed holds, and every file is as the manifests list it.
    """
    with progress("Checking") as step:
        found = check_site(site, bench.plugged, step)
    held, differ, unknown = (found.of(state) for state in ("holds", "differs", "cannot be computed"))
    if as_json:
        print_json(
            {
                "holds": found.holds,
                "numbers": [vars(each) for each in found.numbers],
                "files": found.files,
                "tables": found.table,
                "files_compared": found.count,
            }
        )
    else:
        for each in differ:
            click.echo(
                f"{each.measurement} {each.quantity}: published {each.published}, "
                f"computed {each.computed}: {each.why}"
            )
        for path, what in (*found.files.items(), *found.table.items()):
            click.echo(f"{path} {what}")
        for why in dict.fromkeys(each.why for each in unknown):
            note(f"{sum(each.why == why for each in unknown)} numbers could not be computed: {why}")
        click.echo(
            f"{len(held)} numbers hold, {len(differ)} differ, {len(unknown)} could not be computed; "
            f"{found.count} files compared, {len(found.files)} not as listed"
        )
    if not found.holds:
        raise Refused(
            f"{site} does not hold",
            why=f"{len(differ)} numbers, {len(found.files)} files and {len(found.table)} tables differ",
        )


@click.command(
    "dispute", epilog='Example: strandbook dispute M0451-C "Our own pulls gave 52 MPa." --by "The maker"'
)
@click.argument("about", metavar="ID-OR-MATERIAL")
@click.argument("text")
@click.option("--by", required=True, metavar="NAME", help="Who answers, as it is to be published.")
@click.option("--address", default="", metavar="URL", help="Where to read more.")
@as_json
@pass_bench
def dispute_command(bench: Bench, /, about: str, text: str, by: str, address: str, as_json: bool) -> None:
    """Record an answer to a number or a material; it is published beside it, as it was said."""
    number = dispute(bench.book, bench.who, about, text, by, address)
    if as_json:
        print_json({"id": f"dispute{number}", "about": about})
        return
    note("It is published with the next strandbook publish")
    click.echo(f"dispute{number}")


@click.command(
    "compare-benches", epilog="Example: strandbook compare-benches tensile.strength --picture hk.svg"
)
@click.argument("quantity")
@click.option("--where", default="", metavar="FILTER", help="Only results of which this holds.")
@click.option("--picture", type=click.Path(path_type=Path), metavar="FILE", help="Mandel's h and k, as SVG.")
@as_json
@pass_bench
def compare_benches_command(
    bench: Bench, /, quantity: str, where: str, picture: Path | None, as_json: bool
) -> None:
    """Say how well benches agree on QUANTITY: repeatability and reproducibility by ISO 5725-2.

    Results of others come by `strandbook import SITE`. Only results that count enter; tests point at benches
    and leave none out.
    """
    wanted = parse_filter(where) if where.strip() else None
    levels = compare_benches(bench.book, quantity, wanted, others_of(bench, [quantity]))
    if picture is not None:
        write_file(picture, mandel_picture(levels, quantity).encode())
    if as_json:
        print_json([each.as_json() for each in levels])
        return
    for each in levels:
        for line in each.lines():
            click.echo(line)
