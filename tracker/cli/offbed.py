"""Off the bed: the outcome of each piece, then its label."""

from __future__ import annotations

from typing import Any

import click

from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, done, note, width
from tracker.cli.labelling import check_labels, print_labels, sheet_options
from tracker.desk.offbed import PieceOutcome, open_pieces, plate_map, read_outcomes, take_off
from tracker.errors import Refused
from tracker.kinds.specimen import OUTCOMES


@click.command(
    "offbed",
    epilog="Example: strandbook offbed J0012-P --good 1-3 --usable 4=stringy --failed '5=came loose'",
)
@click.argument("job")
@click.option("--good", multiple=True, metavar="PIECES", help="Pieces without fault: 1-3,6.")
@click.option(
    "--usable", multiple=True, metavar="PIECES=REMARK", help="Pieces fit to be tested, with a remark."
)
@click.option("--failed", multiple=True, metavar="PIECES=CAUSE", help="Pieces that are not, with the cause.")
@click.option("--rest-good", is_flag=True, help="All pieces not named and not yet judged are good.")
@sheet_options
@as_json
@pass_bench
def offbed_command(
    bench: Bench,
    /,
    job: str,
    good: tuple[str, ...],
    usable: tuple[str, ...],
    failed: tuple[str, ...],
    rest_good: bool,
    as_json: bool,
    **how: Any,
) -> None:
    """Say what became of each piece of JOB; then, with -o, draw the labels of those fit to be tested."""
    outcomes = _typed((good, usable, failed))
    if not outcomes and not rest_good:
        outcomes = _asked(bench, job)
    check_labels(bench, **how)
    act = take_off(bench.book, bench.who, job, outcomes, rest="good" if rest_good else "")
    if act.also and (how["output"] or how["stock"]):
        print_labels(bench, act.also, quiet=as_json, **how)
    done(act, as_json, "" if how["output"] else f"strandbook label {act.id} -o labels.pdf")


def _typed(said: tuple[tuple[str, ...], ...]) -> list[PieceOutcome]:
    """Return the outcomes that the options name, in the order of :data:`OUTCOMES`."""
    return [
        each
        for word, texts in zip(OUTCOMES, said, strict=True)
        for text in texts
        for each in read_outcomes(word, text)
    ]


def _asked(bench: Bench, job: str) -> list[PieceOutcome]:
    """Ask for the outcome of each piece.

    Raises:
        Refused: There is nobody to ask.
    """
    if not bench.may_ask:
        raise Refused("Nothing is said of any piece", do="Use --good, --usable, --failed or --rest-good")
    waiting = open_pieces(bench.book, job)
    drawn = plate_map(bench.book, job, width())
    if drawn:
        note(drawn.rstrip())
    note(f"{len(waiting)} pieces: g good, u usable (remark), f failed (cause), Enter later.")
    said = [_asked_one(piece, words) for piece, words in waiting]
    return [each for each in said if each is not None]


def _asked_one(piece: int, words: str) -> PieceOutcome | None:
    letters = {word[0]: word for word in OUTCOMES}
    answer = click.prompt(
        words,
        default="",
        show_default=False,
        err=True,
        type=click.Choice(["", *letters, *OUTCOMES]),
        show_choices=False,
    )
    if not answer:
        return None
    word = letters.get(answer, answer)
    said = "" if word == "good" else click.prompt("  remark" if word == "usable" else "  cause", err=True)
    return PieceOutcome(piece, word, said)
