"""The command ``strandbook``: its table of commands, loaded one by one, and its one translation of errors."""

from __future__ import annotations

import errno
import importlib
import json
import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Final, NoReturn

import click

from tracker import __version__
from tracker.cli._bench import Bench, warn_of_password
from tracker.errors import Doubt, Refused, close_names, missing_extra, without_passwords
from tracker.lazy_modules import lazy, postpone
from tracker.safe_text import visible, visible_but_colours

if TYPE_CHECKING:
    import tempfile
    import traceback
else:
    # For a failure that nobody foresaw.
    tempfile = lazy("tempfile")
    traceback = lazy("traceback")

_TABLE: Final[dict[str, dict[str, tuple[str, str]]]] = {
    "The book": {
        "init": ("keeping", "Begin a book."),
        "demo": ("keeping", "Build a demonstration book and walk through it."),
        "upgrade": ("keeping", "Bring a book from an older version up to date."),
        "backup": ("keeping", "Copy the book with its attachments into one file."),
        "restore": ("keeping", "Bring a book back from a backup."),
        "verify": ("keeping", "Check schema, journal, rows, attachments and results."),
        "settings": ("keeping", "The book's title, time zone and address."),
        "key": ("keeping", "The key that signs heads of the journal."),
        "import": ("keeping", "Bring in an old spreadsheet."),
        "person": ("entering", "People at the bench."),
    },
    "What comes in": {
        "material": ("entering", "Materials and their data sheets."),
        "spool": ("entering", "Spools: take in, keep, weigh."),
        "dry": ("entering", "Enter a drying, or its end."),
    },
    "Printing": {
        "preflight": ("preflight", "Check a plate file against sheet, spool and job, before it is printed."),
        "job": ("printing", "Jobs: add, change, end."),
        "offbed": ("labelling", "What became of each piece, and labels for it."),
        "label": ("labelling", "Labels for spools, dryings, rigs, jobs and specimens."),
    },
    "Testing": {
        "rig": ("entering", "Rigs and instruments, and their calibrations."),
        "methods": ("testing", "Test methods that are installed."),
        "scan": ("scanning", "One label after another, at the rig."),
        "append": ("testing", "Add a reading to a test that runs over days."),
        "measure": ("testing", "Enter readings and see what they give."),
        "verdict": ("testing", "Count a result or set it aside, with a reason."),
        "compute": ("correcting", "Compute again the measurements that waited for their method."),
    },
    "Correcting": {
        "correct": ("correcting", "Correct a record, with a reason."),
        "void": ("correcting", "Take a record back; it stays in the book and is not counted."),
        "undo": ("correcting", "Take back the last thing you did."),
        "merge": ("correcting", "Two records of one material, spool or rig become one."),
        "cut": ("correcting", "A specimen is cut into others."),
        "relabel": ("correcting", "Two specimens whose labels were mixed up."),
    },
    "Looking": {
        "show": ("looking", "Everything about one ID."),
        "list": ("looking", "All of a kind."),
        "log": ("looking", "The journal: who did what, when and why."),
        "due": ("comparing", "What waits: readings, rested pieces, calibrations."),
        "programme": ("comparing", "What a material still needs, and what to print next."),
        "table": ("comparing", "Materials beside each other, with the results behind each mean."),
        "chart": ("comparing", "Quantities as a picture, every single result shown."),
        "publish": ("publishing", "The summary and everything behind it as a static site."),
        "compare-benches": ("publishing", "Repeatability and reproducibility over benches (ISO 5725-2)."),
        "dispute": ("publishing", "An answer to a number, published beside it."),
        "check": ("publishing", "Every number of a published site computed again, without the book."),
        "choose": ("comparing", "Which condition of a material is published."),
        "why": ("comparing", "Why two runs differ, and what cannot be told apart."),
        "followup": ("comparing", "What to print to tell it apart."),
        "watch": ("comparing", "Drift, readers that differ, improbable results."),
        "trace": ("looking", "The whole way back from a number."),
    },
    "Reading up": {
        "manual": ("manual", "The manual: a first evening, and a page for each task."),
    },
    "On the network": {
        "serve": ("serving", "The bench page for phone, tablet and rig computer."),
    },
}


_OWN_WAY: Final = frozenset(
    {"base", "drying", "job", "material", "measurement", "person", "photograph", "registry", "rig",
     "specimen", "spool", "whereabouts"}
)  # fmt: skip
"""Modules of ``tracker.kinds`` whose kinds have commands in the table above, or are no kinds."""


def _other_kinds() -> list[str]:
    """Return the kinds whose commands are made from their forms: by their files, without loading one."""
    folder = Path(__file__).parent.parent / "kinds"
    names = (each.stem for each in sorted(folder.glob("*.py")))
    return [name for name in names if name not in _OWN_WAY and not name.startswith("_")]


class _Lazy(click.Group):
    """A group that knows its commands' names and first lines, and imports one when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the work."""
        del ctx
        return [*(name for names in _TABLE.values() for name in names), *_other_kinds()]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one command."""
        del ctx
        for names in _TABLE.values():
            if cmd_name in names:
                module = importlib.import_module(f"tracker.cli.{names[cmd_name][0]}")
                command: click.Command = getattr(module, f"{cmd_name.replace('-', '_')}_command")
                if "_STRANDBOOK_COMPLETE" in os.environ:
                    from tracker.cli.completion import attach  # noqa: PLC0415 - only a shell that asks

                    return attach(command)
                return command
        if cmd_name in _other_kinds():
            made: click.Command | None = importlib.import_module("tracker.cli.entering").kind_command(
                cmd_name
            )
            return made
        return None

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command meant; a near miss is named, never run."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            near = close_names(args[0], self.list_commands(ctx), most=2)
            if not near:
                raise
            raise click.UsageError(
                f"No such command {args[0]!r}. Did you mean {' or '.join(near)}?", ctx
            ) from error

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands under the stations of the work, without importing one of them."""
        del ctx
        for heading, names in _TABLE.items():
            with formatter.section(heading):
                formatter.write_dl([(name, words) for name, (_, words) in names.items()])
        if others := _other_kinds():
            with formatter.section("More records"):
                formatter.write_dl([(name, f"Records of the kind {name}: add.") for name in others])

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Note whether JSON is wanted, before the words are handed on: a refusal is JSON then too."""
        ctx.meta[_WANTS_JSON] = "--json" in args
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; what the person can mend becomes one line and exit code 1."""
        try:
            return super().invoke(ctx)
        except Refused as refusal:
            if ctx.params.get("debug"):
                raise
            _refuse(ctx, str(refusal), _exit_code(ctx, refusal), refusal)
        except click.UsageError as error:
            if not ctx.meta.get(_WANTS_JSON):
                raise
            path = error.ctx.command_path if error.ctx is not None else ctx.command_path
            wrong = Refused(error.format_message().rstrip("."), do=f"Read {path} --help")
            _refuse(ctx, str(wrong), error.exit_code, wrong)
        except (click.ClickException, click.Abort, click.exceptions.Exit, BrokenPipeError):
            raise
        except Exception as error:
            if type(error).__name__ == "DoneBefore":
                _print_done_before(str(error))
                return None
            if ctx.params.get("debug"):
                raise
            # The group's callback sets the bench, so it is looked for only now.
            found = _unforeseen(ctx.obj if isinstance(ctx.obj, Bench) else None, error)
            _refuse(ctx, str(found), _exit_code(ctx, found), found)


def _exit_code(ctx: click.Context, refusal: Refused) -> int:
    """Return 1, as for every refusal; scripts that watch over a book ask ``verify`` for more."""
    return refusal.exit_code if ctx.invoked_subcommand == "verify" else 1


_FULL: Final = (errno.ENOSPC, errno.EDQUOT)


class OutputError(Refused):
    """There is no room where the answer goes, so that nobody can read it; of the book it says nothing."""

    exit_code: ClassVar[int] = 3


def _unwritten(error: OSError) -> OutputError:
    why, do = error.strerror or "", "What was entered before is safe"
    return OutputError("The answer cannot be written", why=why, do=do)


_WANTS_JSON: Final = "strandbook.json"


def _refuse(ctx: click.Context, line: str, code: int = 1, refusal: Refused | None = None) -> NoReturn:
    bench = ctx.obj if isinstance(ctx.obj, Bench) else None
    # By its name: the room of attachments is not loaded for a refusal of something else.
    refusal_says_it = type(refusal).__name__ == "AwayError"
    if ctx.meta.get(_WANTS_JSON):
        fields: dict[str, Any] = {"refused": line, "what": line, "why": "", "do": "", "questions": []}
        if refusal is not None:
            questions = list(refusal.questions) if isinstance(refusal, Doubt) else []
            fields |= {"what": refusal.what, "why": refusal.why, "do": refusal.do, "questions": questions}
        if bench is not None and bench.warnings:
            fields["warnings"] = [] if refusal_says_it else bench.warnings
            bench.warn(aloud=False)
        fields = {key: _clean(value) for key, value in fields.items()}
        click.echo(json.dumps(fields, ensure_ascii=False), err=True)
        ctx.exit(code)
    if bench is not None:
        bench.warn(aloud=not refusal_says_it)
    click.echo(f"strandbook: {visible(without_passwords(line))}", err=True)
    ctx.exit(code)


def _clean(value: Any) -> Any:
    """Return a text, or each of several, without passwords."""
    return [_clean(each) for each in value] if isinstance(value, list) else without_passwords(value)


def _print_done_before(name: str) -> None:
    click.echo("This was done before under the same key; nothing was written again", err=True)
    if name:
        click.echo(name)


def _unforeseen(bench: Bench | None, error: Exception) -> Refused:
    """Return in words what nobody expected: the database's own refusals, a full disk, else a pointer."""
    if (missing := missing_extra(error)) is not None:
        return missing
    if isinstance(error, OSError) and error.errno in _FULL and error.filename is None:
        return _unwritten(error)
    if type(error).__module__.startswith("sqlalchemy"):
        from tracker.book import refusal_for  # noqa: PLC0415 - only where SQLAlchemy is loaded already

        place = ""
        with suppress(Refused):
            place = bench.named if bench else ""
        return refusal_for(place, error)
    handle, name = tempfile.mkstemp(prefix="strandbook-", suffix=".log", text=True)
    with os.fdopen(handle, "w") as stream:
        stream.write(without_passwords(traceback.format_exc()))
    return Refused(
        f"This should not have happened ({type(error).__name__}: {' '.join(str(error).split())[:200]})",
        do=f"What was entered before is safe. The details are in {name}; please report them",
    )


@click.group(
    cls=_Lazy,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Examples: strandbook spool add 'Brand X ASA' · strandbook scan · strandbook trace M0451-C",
)
@click.option(
    "--book",
    "places",
    multiple=True,
    metavar="PATH-OR-URL",
    help="The book; else STRANDBOOK, or the one here or above. table, why, compare-benches read several.",
)
@click.option(
    "--who",
    metavar="NAME",
    envvar="STRANDBOOK_WHO",
    help="Who is doing this; else the user of this computer.",
)
@click.option(
    "--key",
    default="",
    metavar="TEXT",
    help="Do this once: repeated under the same key, it reports what was done.",
)
@click.option(
    "--clock-is-right", is_flag=True, help="Enter it although the last entry is later than this clock."
)
@click.option(
    "--i-know", is_flag=True, help="Keep a book on a network file system that this computer alone uses."
)
@click.option("--no-input", is_flag=True, help="Ask nothing; refuse what is missing.")
@click.option("--debug", is_flag=True, help="Show the whole traceback of a failure.")
@click.version_option(__version__, "--version", message="strandbook %(version)s")
@click.pass_context
def strandbook(
    ctx: click.Context,
    places: tuple[str, ...],
    who: str | None,
    *,
    key: str,
    clock_is_right: bool,
    i_know: bool,
    no_input: bool,
    debug: bool,
) -> None:
    """Every number of a filament test, walked back to its spool, drying, chamber and orientation.

    Results are comparisons between printed pieces on home-made rigs: not design allowables, not a
    certification.
    """
    del debug
    if i_know:
        os.environ["STRANDBOOK_I_KNOW"] = "1"
    if len(places) > 1 and ctx.invoked_subcommand not in _READ_TOGETHER:
        raise click.UsageError(f"Several books are read together by {', '.join(_READ_TOGETHER)} alone", ctx)
    warn_of_password("--book", *places)
    ctx.obj = Bench(
        place=places[0] if places else os.environ.get("STRANDBOOK"),
        others=places[1:],
        who=who,
        may_ask=not no_input and sys.stdin.isatty(),
        here=Path.cwd,
        key=key,
        clock_is_right=clock_is_right,
    )
    ctx.call_on_close(ctx.obj.close)


_READ_TOGETHER: Final = ("table", "why", "compare-benches")
"""Commands that read several books at once."""


def main() -> None:
    """Run the command line."""
    # Everything that goes to a terminal is shown and not obeyed; what goes to files stays as it is.
    for stream in (sys.stdout, sys.stderr):
        if stream is not None and stream.isatty():
            plain = stream.write
            stream.write = lambda text, plain=plain: plain(visible_but_colours(text))  # type: ignore[method-assign]
    # Threads of the linear algebra fight over two cores on problems as small as ours, and are read from
    # here when numpy loads; whoever sets it, keeps it.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # SQLAlchemy imports both and uses neither for a book in a file: together a fifteenth of a short command.
    postpone("asyncio", "importlib.metadata")
    try:
        strandbook(prog_name="strandbook")
    except OSError as error:
        # Help and version are written before there is a command that could refuse.
        if error.errno not in _FULL:
            raise
        sys.exit(f"strandbook: {_unwritten(error)}")
