"""At the rig: one label after another, each looked at by itself, or all measured by one method."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import click

from tracker import scanning
from tracker.api import Method, fields
from tracker.cli._bench import Bench, pass_bench, prompt
from tracker.cli._output import as_json, note, print_json, titled
from tracker.cli._readings import (
    KEYS,
    OtherLabelError,
    Questions,
    StepBackError,
    asked_parts,
    asked_rigs,
    cautions,
    last_typed,
    measured_at_prompts,
    print_measured,
)
from tracker.desk.measuring import Measured
from tracker.desk.overtime import append, running
from tracker.errors import Refused
from tracker.moments import local_time
from tracker.stating import state_row

_LONGEST = 4096


@click.command("scan", epilog="Example: strandbook scan, then point the scanner at one label after another")
@click.argument("text_or_image", required=False)
@click.option("--method", metavar="METHOD", help="One method for every label until an empty line.")
@click.option("--rig", "rigs", multiple=True, metavar="ID|NAME", help="With --method: what is measured with.")
@click.option("--same", default="", metavar="FIELD,…", help="With --method: readings typed once for all.")
@click.option(
    "--watch",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="With --method: a recording that appears in this folder is the reading.",
)
@click.option("--incomplete", is_flag=True, help="With --method: keep readings that give no result yet.")
@as_json
@pass_bench
def scan_command(
    bench: Bench,
    /,
    text_or_image: str | None,
    method: str | None,
    rigs: tuple[str, ...],
    same: str,
    watch: Path | None,
    incomplete: bool,
    as_json: bool,
) -> None:
    """Say what a label names, and take readings: from a scanner that types, by hand, or from a picture.

    Without an argument labels are read one after another; an empty line ends. With --method every label
    is measured by that method, and only what differs from the specimen before is asked for.
    """
    if method is not None:
        if not bench.may_ask:
            raise Refused(
                "A session of one method asks at a terminal",
                do="Give the readings with measure ID METHOD field=value, or with measure --from FILE",
            )
        names = tuple(name.strip() for name in same.split(",") if name.strip())
        count = Session(bench, bench.plugged.method(method), rigs, names, watch, incomplete).run()
        note(f"{count} {'specimen' if count == 1 else 'specimens'} measured.")
    elif text_or_image is not None:
        _print_seen(bench, text_or_image, as_json)
    elif bench.may_ask:
        _at_the_rig(bench)
    else:
        # No label is as long: a pipe without line ends must not fill the memory.
        for line in iter(lambda: sys.stdin.readline(_LONGEST), ""):
            if line.strip():
                _print_seen(bench, line.strip(), as_json)


def _print_seen(bench: Bench, text: str, json_wanted: bool) -> None:
    """Say what one label names; one of another book ends with exit code 1."""
    if not json_wanted:
        _print_lines(scanning.seen(bench.book, text))
        return
    found = scanning.look(bench.book, text)
    print_json(
        {"id": str(found.ident), "kind": found.ident.kind, "book": found.book, "belongs": found.belongs}
    )
    if not found.belongs:
        raise Refused(found.why_not)


def _print_lines(seen: scanning.Seen) -> None:
    for line in (*seen.lines, seen.programme):
        if line:
            click.echo(line)
    if seen.stop:
        note(f"Stop: {seen.stop}")


def _at_the_rig(bench: Bench) -> None:
    note("Scan a label, type an ID, or name a picture; an empty line ends.")
    waiting = ""
    while text := waiting or _typed("Label"):
        waiting = ""
        try:
            _one(bench, text)
        except OtherLabelError as other:
            waiting = other.text
        except StepBackError:
            note("Nothing stored.")
        except Refused as refusal:
            note(str(refusal))
        except click.Abort:
            note("Left out; what was stored before is safe.")


def _typed(question: str) -> str:
    """Return one line; Ctrl-C loses just that line."""
    try:
        return prompt(question)
    except click.Abort:
        if sys.stdin.closed or not sys.stdin.readable():
            raise
        note("")
        return ""


def _one(bench: Bench, text: str) -> None:
    seen = scanning.seen(bench.book, text, bench.plugged)
    _print_lines(seen)
    if not seen.methods or _hangs_there(bench, seen.id):
        return
    chosen = prompt(f"Method ({', '.join(seen.methods)}), Enter for none", bench.plugged.method)
    if not chosen:
        return
    method = bench.plugged.method(chosen)
    cautions(method)
    questions = Questions(bench, method, last_typed(bench, method))
    print_measured(measured_at_prompts(bench, questions, seen.id, lambda: asked_rigs(bench, method))[0])


def _hangs_there(bench: Bench, ident: str) -> bool:
    """Ask for the next reading of a test that runs on a specimen; tells whether one was added."""
    for test in running(bench.book, bench.plugged, ident):
        since = local_time(test.began, bench.book.zone)
        note(f"{test.method.title} since {since}, {test.count} readings.")
        values = asked_parts(test.parts, may_leave=True)
        if values:
            print_measured(
                bench.sure(
                    lambda certain, test=test, values=values: append(  # type: ignore[misc]
                        bench.book, bench.who, bench.plugged, test.id, values, sure=certain
                    ),
                    False,
                )
            )
            return True
    return False


@dataclass
class Session:
    """One method on one specimen after another, until the person ends it.

    Attributes:
        bench: The book and the person.
        method: What is measured.
        rigs: What it is measured with.
        same: Readings that are typed once and hold for every specimen of the session.
        folder: Where the rig's computer puts its recordings, if it is watched.
        incomplete: Readings that give no result yet are kept.
    """

    bench: Bench
    method: Method
    rigs: Sequence[str] = ()
    same: Sequence[str] = ()
    folder: Path | None = None
    incomplete: bool = False
    questions: Questions = field(init=False)

    def __post_init__(self) -> None:
        """Prepare the questions, which go on from one specimen to the next."""
        self.questions = Questions(self.bench, self.method, {}, self.same, self.folder, whole=False)

    def run(self) -> int:
        """Measure until an empty line at the label; return how many specimens were measured.

        Raises:
            Refused: A reading named to stay the same is none of the method's, or the folder is not there.
        """
        known = {each.name for each in fields(self.method.Readings)}
        stray = sorted(set(self.same) - known)
        if stray:
            raise Refused(
                f"{stray[0]} is no reading of {self.method.id}", do=f"It takes {', '.join(sorted(known))}"
            )
        if self.folder is not None and not self.folder.is_dir():
            raise Refused(f"{self.folder} is no folder", do="Name the folder the recordings come into")
        cautions(self.method)
        note(f"{self.method.title}. {KEYS} · Enter at Label ends")
        measured, waiting = 0, ""
        while text := waiting or prompt("Label"):
            waiting = ""
            try:
                self._one(text)
                measured += 1
            except OtherLabelError as other:
                waiting = other.text
            except StepBackError:
                note("Nothing stored.")
            except Refused as refusal:
                note(str(refusal))
            except click.Abort:
                note("Left out; what was stored before is safe.")
        return measured

    def _one(self, text: str) -> None:
        seen = scanning.seen(self.bench.book, text)
        note(seen.lines[0])
        if seen.stop:
            note(f"Stop: {seen.stop}")
        act, typed, files = measured_at_prompts(
            self.bench, self.questions, seen.id, lambda: list(self.rigs), incomplete=self.incomplete
        )
        self.questions.stored(typed, files)
        _print_short(act)


def _print_short(act: Measured) -> None:
    """Print a measurement on one line, with what is remarkable about it below."""
    values = [
        f"{titled(each.quantity)} {state_row(each).short}{f' [{each.group}]' if each.group else ''}"
        for each in act.results
        if each.value is not None
    ]
    click.echo(f"{act.id}  {'; '.join(values) or 'no value yet'}")
    for each in act.results:
        for remark in each.remarks:
            note(f"  {remark}")
    for sentence in act.notes:
        note(f"  {sentence}")
