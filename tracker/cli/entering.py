"""What comes in: a group of commands for each kind that one form enters, made from the form; and dryings."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tracker.cautions import DRYING
from tracker.cli._bench import Bench, Station, asks, given_of, pass_bench, prompt, until_stored
from tracker.cli._output import as_json, done, note, print_json, sure, width, write_file
from tracker.desk import dryings, merging
from tracker.desk.doubts import Done
from tracker.desk.entering import add_record, keep_spool
from tracker.errors import Refused
from tracker.forms import Ask, when_at
from tracker.ids import IdError, read_payload
from tracker.kinds import KINDS, Kind, find
from tracker.lazy_modules import lazy
from tracker.units import parse

if TYPE_CHECKING:
    from tracker import records
    from tracker.cli import serving
else:
    serving = lazy("tracker.cli.serving")
    records = lazy("tracker.records")

Store = Callable[[Bench, dict[str, Any], bool], Done]


def adding(
    kind: Kind,
    name: str = "add",
    *,
    positions: int = 1,
    words: str = "",
    example: str = "",
    following: str = "",
    store: Store | None = None,
) -> click.Command:
    """Return the command that enters a kind by its form.

    Args:
        kind: The kind.
        name: Of the command.
        positions: How many fields are given by their place and not by an option.
        words: What it does, one line.
        example: Shown below its help.
        following: What comes next, with the ID in the place of ``{}``.
        store: Enters it; the kind's own way where None.
    """
    first, rest = kind.form[:positions], kind.form[positions:]

    @asks(rest)
    @sure
    @as_json
    @pass_bench
    def command(bench: Bench, /, yes: bool, as_json: bool, **typed: Any) -> None:
        def enter(answers: dict[str, Any], certain: bool) -> Done:
            if store is not None:
                return store(bench, answers, certain)
            return add_record(bench.book, bench.who, kind.name, answers, sure=certain)

        act = until_stored(bench, kind.form, typed, when_at(bench.book), enter, yes)
        done(act, as_json, following.format(act.id) if following else "")

    command.__doc__ = words or f"Enter a {kind.name}."
    for ask in reversed(first):
        metavar = _metavar(ask, kind)
        command = click.argument(ask.name, required=False, metavar=f"[{metavar}]")(command)
    made = click.command(name, epilog=f"Example: strandbook {example}" if example else None)(command)
    made.short_help = made.help
    return made


def _metavar(ask: Ask, kind: Kind) -> str:
    return "NAME" if ask.name == kind.unique else ask.name.split("_")[0].upper()


def _group(name: str, short: str, long: str, *commands: click.Command) -> click.Group:
    group = Station(name, help=long, short_help=short)
    for command in commands:
        group.add_command(command)
    return group


material_command = _group(
    "material",
    "Materials and their data sheets.",
    "Materials: named products of a polymer family, with the ranges of their data sheets.",
    adding(
        KINDS["material"],
        example="material add 'Brand X ASA' --family ASA",
        following="strandbook spool add '{}'",
    ),
)

rig_command = _group(
    "rig",
    "Rigs and instruments, and their calibrations.",
    "Rigs and instruments: what is tested on, what is read with.",
    adding(
        KINDS["rig"],
        words="Enter a rig or an instrument.",
        example="rig add 'load cell 2' --role rig --measures force --capacity '5 kN'",
    ),
    adding(
        KINDS["calibration"],
        "calibrate",
        words="Enter a calibration of RIG: the uncertainty found against something better known.",
        example="rig calibrate R0001-V --uncertainty '2 N' --k 2",
    ),
)


@rig_command.command(
    "watch", epilog="Example: strandbook rig watch pulls --rig R0001-M --page http://bench:8413"
)
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False, exists=True))
@click.option("--rig", metavar="RIG", help="ID of the rig; else that of the token.")
@click.option("--page", default="http://127.0.0.1:8413", metavar="ADDRESS", help="Of the bench page.")
@click.option("--token", envvar="STRANDBOOK_TOKEN", metavar="TOKEN", help="From serve --rig-token RIG.")
@click.option(
    "--certificate",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Certificate of the page, to trust it.",
)
def rig_watch_command(
    folder: Path, rig: str | None, page: str, token: str | None, certificate: Path | None
) -> None:
    """Offer each recording that the rig finishes in a folder to the specimen that is scanned at its page."""
    if not token:
        raise Refused(
            "No token is given", do="Make one: strandbook serve --rig-token RIG; then --token TOKEN"
        )
    note(f"Watching {folder}; Ctrl-C ends it.")
    serving.watch_folder(folder, lambda file: serving.send_recording(file, page, token, rig, certificate))


person_command = _group(
    "person",
    "People at the bench.",
    "People: initials, full name, and what they are called in published pages.",
    adding(
        KINDS["person"],
        words="Enter somebody who works at the bench; --who must then name one of them.",
        example="person add AB --name 'Ada Bench' --pseudonym 'Tester 1'",
    ),
)


@click.command("show", epilog="Example: strandbook spool show S0007-K -o days.svg")
@click.argument("spool")
@click.option(
    "-o", "--output", metavar="FILE", type=click.Path(path_type=Path), help="Picture: FILE.svg or FILE.png."
)
@as_json
@pass_bench
def spool_show(bench: Bench, /, spool: str, output: Path | None, as_json: bool) -> None:
    """Show the days of SPOOL: where it was, dryings, jobs, what is left, and the water in it."""
    story = records.spool_story(bench.book, spool)
    if output is not None:
        write_file(output, story.picture(output.suffix.lower().removeprefix(".")))
        return
    if as_json:
        print_json({"id": story.days.spool, **story.as_json()})
        return
    click.echo(f"{story.days.spool}\n{story.text(min(width(), 120))}")
    for sentence in story.sentences():
        click.echo(textwrap.fill(sentence, width(), break_on_hyphens=False))


@click.command("wind", epilog="Example: strandbook spool wind S0007-K --gross 812 --empty 190 --reel plastic")
@click.argument("spool")
@asks(merging.WIND_FORM)
@sure
@as_json
@pass_bench
def spool_wind(bench: Bench, /, spool: str, yes: bool, as_json: bool, **typed: Any) -> None:
    """Wind what is left on SPOOL onto another reel, which is a spool of its own with the same history."""
    act = until_stored(
        bench, merging.WIND_FORM, typed, when_at(bench.book),
        lambda answers, certain: merging.wind_spool(bench.book, bench.who, spool, answers, sure=certain), yes,
    )  # fmt: skip
    done(act, as_json, f"strandbook label {act.id} -o {act.id}.pdf")


spool_command = _group(
    "spool",
    "Spools: take in, keep, weigh.",
    "Spools: take one in, say where it is kept, weigh it.",
    adding(
        KINDS["spool"],
        words="Take a spool of MATERIAL in.",
        example="spool add 'Brand X ASA' --lot 7731 --net '1 kg'",
        following="strandbook label {0} -o {0}.pdf; strandbook spool keep {0} PLACE",
    ),
    adding(
        KINDS["storage"],
        "keep",
        positions=2,
        words="Say where SPOOL is kept from now on: open air, sealed bag, dry box or printer.",
        example="spool keep S0007-K 'dry box' --rh 15 --where 'box 2'",
        store=lambda bench, answers, certain: keep_spool(
            bench.book, bench.who, answers["spool"] or "", answers, sure=certain
        ),
    ),
    adding(
        KINDS["weighing"],
        "weigh",
        positions=2,
        words="Enter the MASS of a whole spool as the scales show it.",
        example="spool weigh S0007-K 1236.4",
    ),
    spool_wind,
    spool_show,
)


def kind_command(name: str) -> click.Group | None:
    """Return the commands of a kind that has none of its own, made from its form; None for no such kind."""
    kind = KINDS.get(name)
    if kind is None or not kind.title or kind.part:
        return None
    words = (type(kind).__doc__ or kind.plural).partition("\n")[0]
    return _group(name, words, words, adding(kind))


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
        act = bench.sure(
            lambda certain: dryings.end_drying(bench.book, bench.who, ids[0], given, after, sure=certain), yes
        )
        done(act, as_json)
        return
    told: list[str] = []

    def tell(caution: str) -> None:
        if caution not in told:
            told.append(caution)
            note(f"Caution: {caution}")

    if bench.may_ask:
        with bench.book.read() as session:
            for spool in ids:
                find(bench.book, session, spool, "spool")
        if not before:
            tell(DRYING)
            before = tuple(each for spool in ids if (each := _mass_before(spool)))
    act = until_stored(
        bench, dryings.DRYING_FORM, typed, when_at(bench.book),
        lambda answers, certain: dryings.start_drying(
            bench.book, bench.who, ids, answers, before=before, after=after, sure=certain,
            caution=None if as_json else tell,
        ),
        yes, {"began_at": "now"},
    )  # fmt: skip
    open_yet = ((typed["ended_at"], "--ended now"), (after, "--after MASS"))
    missing = " ".join(words for given, words in open_yet if not given)
    done(act, as_json, f"strandbook dry {act.id} {missing}" if missing else "")


def _is_drying(text: str) -> bool:
    """Whether a typed ID or a scanned label is that of a drying; what is neither is refused later."""
    try:
        return read_payload(text).readings[0].kind == "drying"
    except IdError:
        return False


def _mass_before(spool: str) -> str:
    return prompt(f"Mass of {spool} before [g], Enter if not weighed", lambda typed: parse(typed, "g"))
