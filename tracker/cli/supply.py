"""What comes in: materials, spools, dryings."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import click

from tracker.cli._asking import answered, asks, given_of, until_read
from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, done, say_json, sure, width, write_file
from tracker.desk import dryings, materials, spools
from tracker.desk.moments import when_at
from tracker.errors import Refused
from tracker.ids import IdError, read_payload
from tracker.units import parse


@click.group("material", short_help="Materials and their data sheets.")
def material_command() -> None:
    """Materials: named products of a polymer family, with the ranges of their data sheets."""


@material_command.command("add", epilog="Example: strandbook material add 'Brand X ASA' --family ASA")
@click.argument("name", required=False)
@asks(materials.MATERIAL_FORM[1:])
@as_json
@pass_bench
def material_add(bench: Bench, /, name: str | None, as_json: bool, **typed: Any) -> None:
    """Enter a material."""
    when = when_at(bench.book)
    answers = answered(bench, materials.MATERIAL_FORM, {"name": name, **typed}, when)
    act = materials.add_material(bench.book, bench.who, answers)
    done(act, as_json, f"strandbook spool add {act.id!r}")


@click.group("spool", short_help="Spools: take in, keep, weigh.")
def spool_command() -> None:
    """Spools: take one in, say where it is kept, weigh it."""


@spool_command.command("add", epilog="Example: strandbook spool add 'Brand X ASA' --lot 7731 --net '1 kg'")
@click.argument("material", required=False)
@asks(spools.SPOOL_FORM)
@as_json
@pass_bench
def spool_add(bench: Bench, /, material: str | None, as_json: bool, **typed: Any) -> None:
    """Take a spool of MATERIAL in."""
    when = when_at(bench.book)
    material = answered(bench, (spools.OF_MATERIAL,), {"material": material}, when)["material"] or ""
    answers = answered(bench, spools.SPOOL_FORM, typed, when)
    act = spools.add_spool(bench.book, bench.who, material, answers)
    done(act, as_json, f"strandbook label {act.id} -o {act.id}.pdf; strandbook spool keep {act.id} PLACE")


@spool_command.command(
    "keep", epilog="Example: strandbook spool keep S0007-K 'dry box' --rh 15 --where 'box 2'"
)
@click.argument("spool")
@click.argument("place", required=False)
@asks(spools.STAY_FORM[1:])
@as_json
@pass_bench
def spool_keep(bench: Bench, /, spool: str, place: str | None, as_json: bool, **typed: Any) -> None:
    """Say where SPOOL is kept from now on: open air, sealed bag, dry box or printer."""
    answers = answered(bench, spools.STAY_FORM, {"place": place, **typed}, when_at(bench.book))
    done(spools.keep_spool(bench.book, bench.who, spool, answers), as_json)


@spool_command.command("weigh", epilog="Example: strandbook spool weigh S0007-K 1236.4")
@click.argument("spool")
@click.argument("mass", required=False)
@asks(spools.WEIGHING_FORM[1:])
@as_json
@pass_bench
def spool_weigh(bench: Bench, /, spool: str, mass: str | None, as_json: bool, **typed: Any) -> None:
    """Enter the MASS of a whole spool as the scales show it."""
    answers = answered(bench, spools.WEIGHING_FORM, {"mass_g": mass, **typed}, when_at(bench.book))
    done(spools.weigh_spool(bench.book, bench.who, spool, answers), as_json)


@spool_command.command("show", epilog="Example: strandbook spool show S0007-K -o days.svg")
@click.argument("spool")
@click.option(
    "-o", "--output", metavar="FILE", type=click.Path(path_type=Path), help="Picture: FILE.svg or FILE.png."
)
@as_json
@pass_bench
def spool_show(bench: Bench, /, spool: str, output: Path | None, as_json: bool) -> None:
    """Show the days of SPOOL: where it was, dryings, jobs, what is left, and the water in it."""
    from tracker.records.spoolstory import spool_story  # noqa: PLC0415 - brings numpy

    story = spool_story(bench.book, spool)
    if output is not None:
        write_file(output, story.picture(output.suffix.lower().removeprefix(".")))
        return
    if as_json:
        say_json({"id": story.days.spool, **story.as_json()})
        return
    click.echo(f"{story.days.spool}\n{story.text(min(width(), 120))}")
    for sentence in story.sentences():
        click.echo(textwrap.fill(sentence, width(), break_on_hyphens=False))


@click.command("dry", epilog="Example: strandbook dry S0007-K --set 80 --planned-hours 6 --before 1236.4")
@click.argument("ids", nargs=-1, required=True, metavar="SPOOL…|DRYING")
@asks(dryings.DRYING_FORM)
@click.option("--before", multiple=True, metavar="MASS", help="Mass before [g], once for each spool.")
@click.option("--after", multiple=True, metavar="MASS", help="Mass after [g], once for each spool.")
@sure
@as_json
@pass_bench
def dry_command(
    bench: Bench,
    /,
    ids: tuple[str, ...],
    before: tuple[str, ...],
    after: tuple[str, ...],
    yes: bool,
    as_json: bool,
    **typed: Any,
) -> None:
    """Enter a drying of spools; with the ID of a drying, complete it (--ended, --after, --measured)."""
    if _is_drying(ids[0]):
        if len(ids) > 1 or before:
            raise Refused(
                "A drying is completed alone", do=f"strandbook dry {ids[0]} --ended now --after MASS"
            )
        given = given_of(dryings.DRYING_FORM, typed)
        done(dryings.end_drying(bench.book, bench.who, ids[0], given, after), as_json)
        return
    answers = answered(bench, dryings.DRYING_FORM, typed, when_at(bench.book), {"began_at": "now"})
    if bench.may_ask and not before:
        before = tuple(each for spool in ids if (each := _mass_before(spool)))
    act = bench.sure(
        lambda certain: dryings.start_drying(
            bench.book, bench.who, ids, answers, before=before, after=after, sure=certain
        ),
        yes,
    )
    done(act, as_json, f"strandbook dry {act.id} --ended now --after MASS")


def _is_drying(text: str) -> bool:
    """Whether a typed ID or a scanned label is that of a drying; what is neither is refused later."""
    try:
        return read_payload(text).readings[0].kind == "drying"
    except IdError:
        return False


def _mass_before(spool: str) -> str:
    return until_read(
        f"Mass of {spool} before [g], Enter if not weighed", lambda typed: typed and parse(typed, "g")
    )
