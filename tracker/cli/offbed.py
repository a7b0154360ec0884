"""Off the bed: the outcome of each piece, then its label."""

from __future__ import annotations

from typing import Any, Final

import click

from tracker.cli._asking import prompt
from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, done, note, width
from tracker.cli.labelling import check_labels, print_labels, sheet_options
from tracker.desk.offbed import PieceOutcome, open_pieces, plate_map, read_outcomes, take_off
from tracker.errors import Refused
from tracker.forms import When, read, when_at
from tracker.kinds import KINDS
from tracker.kinds.specimen import OUTCOMES


@click.command(
    "offbed",
    epilog="Example: strandbook offbed J0012-P -g --failed '5=came loose' -o labels.pdf",
)
@click.argument("job")
@click.option("--good", multiple=True, metavar="PIECES", help="Pieces without fault: 1-3,6.")
@click.option(
    "--usable", multiple=True, metavar="PIECES=REMARK", help="Pieces fit to be tested, with a remark."
)
@click.option("--failed", multiple=True, metavar="PIECES=CAUSE", help="Pieces that are not, with the cause.")
@click.option("-g", "--rest-good", is_flag=True, help="All pieces not named and not yet judged are good.")
@click.option("--ended", default="", metavar="TIME", help="When the job ended; else now, if that can be.")
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
    ended: str,
    as_json: bool,
    **how: Any,
) -> None:
    """Say what became of each piece of JOB; then, with -o, draw the labels of those fit to be tested.

    With the last piece the job is over, if it still counted as running.
    """
    outcomes = _typed((good, usable, failed))
    if not outcomes and not rest_good:
        outcomes = _asked(bench, job)
    check_labels(bench, **how)
    rest = "good" if rest_good else ""
    act = take_off(bench.book, bench.who, job, outcomes, rest=rest, end=True, ended=ended)
    if act.also and (how["output"] or how["stock"] or how["queue"]):
        print_labels(bench, act.also, quiet=as_json, **how)
    done(act, as_json, "" if how["output"] or how["queue"] else f"strandbook label {act.id} -o labels.pdf")


_OUTCOME: Final = next(ask for ask in KINDS["specimen"].form if ask.name == "outcome")


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
    when = when_at(bench.book)
    said = [_asked_one(piece, words, when) for piece, words in waiting]
    return [each for each in said if each is not None]


def _asked_one(piece: int, words: str, when: When) -> PieceOutcome | None:
    answer = prompt(words, lambda typed: read(_OUTCOME, typed, when))
    if not answer:
        return None
    word = read(_OUTCOME, answer, when)
    said = "" if word == "good" else prompt("  remark" if word == "usable" else "  cause", needed=True)
    return PieceOutcome(piece, word, said)
