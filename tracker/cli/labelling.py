"""Labels on paper, tape and flags, and specimens off the bed, which get theirs."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final, TypeVar

import click
from tracker_labels import Sheet, ruler_page, stocks

from tracker.cautions import OFF_THE_BED
from tracker.cli._bench import Bench, pass_bench, prompt
from tracker.cli._output import as_json, done, note, print_json, put_file, table, width
from tracker.desk import labelling
from tracker.desk.labelling import print_pdf
from tracker.desk.offbed import PieceOutcome, open_pieces, plate_map, read_outcomes, take_off
from tracker.errors import Refused
from tracker.forms import When, read, when_at
from tracker.inputs import MB
from tracker.kinds import KINDS
from tracker.kinds.specimen import OUTCOMES
from tracker.units import parse

DEFAULT_STOCK = "a4-3x8"
F = TypeVar("F", bound=Callable[..., Any])


_OPTIONS = (
    click.option("--stock", metavar="NAME", help="Label stock (see label --stocks), or your own TOML file."),
    click.option(
        "-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="PDF, PNG or SVG file."
    ),
    click.option("--line", default="", metavar="TEXT", help="A line of your own on each label."),
    click.option("--design", default="usual", metavar="NAME", help="What is printed beside the code."),
    click.option("--start-at", default=1, metavar="N", help="First free place of a part-used sheet."),
    click.option("--offset", default="0,0", metavar="X,Y", help="Shift right and down [mm]."),
    click.option(
        "--address",
        default="",
        metavar="URL",
        help="What codes lead to: HOST:PORT, or https://… of the published site.",
    ),
    click.option("--dpi", type=float, metavar="DOTS", help="Dots per inch of the printer."),
    click.option(
        "--print",
        "queue",
        metavar="QUEUE",
        help="Hand the pages to this print queue of the computer, at 100 %.",
    ),
)


def sheet_options(function: F) -> F:
    """Give a command the options that say how labels are drawn."""
    for option in reversed(_OPTIONS):
        function = option(function)
    return function


@click.command("label", epilog="Example: strandbook label J0012-P --stock tape-12 -o labels.pdf")
@click.argument("ids", nargs=-1, metavar="ID…")
@sheet_options
@click.option("--stocks", "list_stocks", is_flag=True, help="List the label stocks and exit.")
@click.option("--ruler", is_flag=True, help="A page of rulers instead, to find the printer's offset.")
@as_json
@pass_bench
def label_command(
    bench: Bench, /, ids: tuple[str, ...], ruler: bool, list_stocks: bool, as_json: bool, **how: Any
) -> None:
    """Draw labels for spools, dryings, rigs, specimens, or all pieces of a job; `-` reads IDs from stdin."""
    if list_stocks:
        found = [{"stock": name, "what": each.description} for name, each in stocks().items()]
        if as_json:
            print_json(found)
        else:
            table(found)
        return
    if ruler:
        sheet = ruler_page(labelling.stock_named(how["stock"] or DEFAULT_STOCK), dpi=how["dpi"])
        write_sheet(sheet, how["output"] or Path("ruler.pdf"))
        return
    targets = [each for name in ids for each in (_from_stdin() if name == "-" else [name])]
    print_labels(bench, targets, quiet=as_json, **how)
    if as_json:
        output = None if how["queue"] and not how["output"] else str(how["output"] or "labels.pdf")
        print_json({"ids": targets, "file": output, "queue": how["queue"] or None})


def check_labels(bench: Bench, **how: Any) -> None:
    """Hold the options of labels to what can be drawn, before anything is written that they are drawn for.

    Raises:
        Refused: No such stock or design, a shift that is none, or a file that cannot be written.
    """
    labelling.stock_named(how["stock"] or DEFAULT_STOCK)
    _design(bench, how["design"])
    _offset(how["offset"])
    output: Path | None = how["output"]
    if output is None:
        return
    if output.suffix.lower() not in _ENDINGS:
        raise Refused(f"{output} is no PDF, PNG or SVG file", do="End its name in .pdf, .png or .svg")
    if not output.parent.is_dir():
        raise Refused(f"{output} cannot be written", why="there is no such folder")


_ENDINGS = (".pdf", ".png", ".svg")


def _design(bench: Bench, wanted: str) -> Any:
    designs = {each.name: each for each in (*labelling.DESIGNS, *_foreign_designs(bench, wanted))}
    if wanted not in designs:
        raise Refused(f"There is no label design {wanted!r}", do=f"There are {', '.join(designs)}")
    return designs[wanted]


def _from_stdin() -> list[str]:
    text = sys.stdin.read(MB + 1)
    if len(text) > MB:
        raise Refused("More than a million characters came in", do="Pipe IDs, one a line")
    return text.split()


def print_labels(bench: Bench, targets: Sequence[str], *, quiet: bool = False, **how: Any) -> None:
    """Draw labels for IDs and write them where the options say; quiet: stdout is left to the caller."""
    sheet = labelling.label_sheet(
        bench.book,
        targets,
        how["stock"] or DEFAULT_STOCK,
        line=how["line"],
        design=_design(bench, how["design"]),
        start_at=how["start_at"],
        offset_mm=_offset(how["offset"]),
        dpi=how["dpi"],
        address=how["address"],
    )
    if how["queue"]:
        note(print_pdf(sheet.pdf(), how["queue"], f"Labels {', '.join(targets)}"[:100]))
        for remark in sheet.remarks:
            note(remark)
    if not how["queue"] or how["output"]:
        write_sheet(sheet, how["output"] or Path("labels.pdf"), quiet=quiet)


def _foreign_designs(bench: Bench, wanted: str) -> Sequence[Any]:
    """Ask the plugins for designs only when one of theirs may be meant: loading them takes a moment."""
    if wanted in {each.name for each in labelling.DESIGNS}:
        return ()
    return bench.plugged.label_designs()


def _offset(typed: str) -> tuple[float, float]:
    right, _, down = typed.partition(",")
    return parse(right, "mm", "offset to the right"), parse(down or "0", "mm", "offset down")


def write_sheet(sheet: Sheet, output: Path, *, quiet: bool = False) -> None:
    """Write drawn labels to a file; more than one PNG or SVG page gets a number each.

    Raises:
        Refused: The ending is unknown, or the file cannot be written.
    """
    pages = _page_files(sheet, output)
    many = [output.with_stem(f"{output.stem}-{n}") for n in range(1, len(pages) + 1)]
    names = [output] if len(pages) == 1 else many
    for name, page in zip(names, pages, strict=True):
        put_file(name, page)
    count = "1 page" if len(sheet.pages) == 1 else f"{len(sheet.pages)} pages"
    note(f"Labels on {count}. Print at 100 %, without fitting to the page.")
    for remark in sheet.remarks:
        note(remark)
    for name in names:
        click.echo(str(name), err=quiet)


def _page_files(sheet: Sheet, output: Path) -> Sequence[bytes]:
    """Return the pages as the ending of the file wants them.

    Raises:
        Refused: The ending is unknown.
    """
    kind = output.suffix.lower()
    if kind == ".pdf":
        return [sheet.pdf()]
    if kind == ".png":
        return sheet.pages_png()
    if kind == ".svg":
        return [page.encode() for page in sheet.pages_svg()]
    raise Refused(f"{output} is no PDF, PNG or SVG file", do="End its name in .pdf, .png or .svg")


@click.command(
    "offbed",
    epilog="Example: strandbook offbed J0012-P -g --failed '5=came loose, 7=warped' -o labels.pdf",
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
    asked = not outcomes and not rest_good
    if asked:
        outcomes = _ask_outcomes(bench, job)
    check_labels(bench, **how)
    rest = "good" if rest_good else ""
    # Told only when nothing is wrong, as a refusal is one line; and before anything is stored.
    ready = None if asked else lambda: note(f"Caution: {OFF_THE_BED}")
    act = take_off(bench.book, bench.who, job, outcomes, rest=rest, end=True, ended=ended, ready=ready)
    if act.also and (how["output"] or how["stock"] or how["queue"]):
        print_labels(bench, act.also, quiet=as_json, **how)
    done(act, as_json, "" if how["output"] or how["queue"] else f"strandbook label {act.id} -o labels.pdf")


_OUTCOME: Final = next(ask for ask in KINDS["specimen"].form if ask.name == "outcome")


def _typed(typed: tuple[tuple[str, ...], ...]) -> list[PieceOutcome]:
    """Return the outcomes that the options name, in the order of :data:`OUTCOMES`."""
    return [
        each
        for word, texts in zip(OUTCOMES, typed, strict=True)
        for text in texts
        for each in read_outcomes(word, text)
    ]


def _ask_outcomes(bench: Bench, job: str) -> list[PieceOutcome]:
    """Ask for the outcome of each piece.

    Raises:
        Refused: There is nobody to ask.
    """
    if not bench.may_ask:
        raise Refused(
            "No outcome is given for any specimen", do="Use --good, --usable, --failed or --rest-good"
        )
    waiting = open_pieces(bench.book, job)
    if not waiting:
        raise Refused(
            f"Every piece of {job} has its outcome already",
            do=f"strandbook show {job}; strandbook correct ID outcome=failed puts one right",
        )
    drawn = plate_map(bench.book, job, width())
    if drawn:
        note(drawn.rstrip())
    note(f"Caution: {OFF_THE_BED}")
    note(f"{len(waiting)} pieces: g good, u usable (remark), f failed (cause), Enter later.")
    when = when_at(bench.book)
    answers = [_asked_one(piece, words, when) for piece, words in waiting]
    return [each for each in answers if each is not None]


def _asked_one(piece: int, words: str, when: When) -> PieceOutcome | None:
    answer = prompt(words, lambda typed: read(_OUTCOME, typed, when))
    if not answer:
        return None
    word = read(_OUTCOME, answer, when)
    remark = "" if word == "good" else prompt("  remark" if word == "usable" else "  cause", needed=True)
    return PieceOutcome(piece, word, remark)
