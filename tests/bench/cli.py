"""Speed of the command line as whole processes, beside the least that any program of its kind could take."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from time import perf_counter

from tests.bench._row import Row

_ROUNDS = 12
_SHOWN_S = 0.3
"""Longest that a person with one hand free should wait for a card."""
_OURS = (sys.executable, "-c", "import sys; sys.argv[0] = 'strandbook'; from tracker.cli import main; main()")
_PLATE = "bar:ZXY:3"

_FLOOR = """
import click
from sqlalchemy import create_engine, select
from sqlalchemy.orm import DeclarativeBase, Mapped, Session, mapped_column
class Base(DeclarativeBase): pass
class Material(Base):
    __tablename__ = "material"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
engine = create_engine("sqlite:///{file}")
@click.command()
def main():
    with Session(engine) as session:
        click.echo(session.scalars(select(Material)).one().name)
main()
"""
"""The plain way: click, the same mapper, one class, one row."""


def best(commands: Mapping[str, Sequence[str]], env: Mapping[str, str]) -> dict[str, float]:
    """Return the shortest wall time of each command in seconds, measured in alternating rounds."""
    found = dict.fromkeys(commands, float("inf"))
    for _ in range(_ROUNDS):
        for name, words in commands.items():
            began = perf_counter()
            subprocess.run(words, env=env, check=True, stdout=subprocess.DEVNULL)
            found[name] = min(found[name], perf_counter() - began)
    return found


def _filled(folder: Path, env: Mapping[str, str]) -> dict[str, str]:
    """Make a small book through the commands, and return IDs of it."""

    def run(*words: str) -> list[str]:
        done = subprocess.run([*_OURS, *words], env=env, check=True, capture_output=True, text=True)
        return done.stdout.splitlines()

    run("init", str(folder), "--zone", "UTC")
    material = run("material", "add", "Nordlicht ASA")[-1]
    spool = run("spool", "add", material, "--lot", "7731")[-1]
    made = run("job", "add", "--spool", spool, "--piece", _PLATE)
    pull = run("measure", made[0], "tensile", "max_force=1830", "area=40")[-1]
    return {"spool": spool, "specimen": made[0], "measurement": pull}


def rows() -> list[Row]:
    """Measure whole processes: looking at a record, tracing a number, the help."""
    with tempfile.TemporaryDirectory() as kept:
        folder = Path(kept) / "book"
        # Bytecode on disk, as an installed program has it.
        env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        env |= {"STRANDBOOK": str(folder), "STRANDBOOK_WHO": "bench"}
        ids = _filled(folder, env)
        work = {f"show {kind}": [*_OURS, "show", ident] for kind, ident in ids.items()}
        work["list results"] = [*_OURS, "list", "results"]
        if find_spec("tracker.cli.looking") is not None:
            work["trace measurement"] = [*_OURS, "trace", ids["measurement"]]
        floor = [sys.executable, "-c", _FLOOR.format(file=folder / "book.sqlite")]
        click = [sys.executable, "-c", "import click"]
        times = best({**work, "floor": floor, "help": [*_OURS, "--help"], "click": click}, env)
    note = "floor: click, one mapped class, one row"
    looking = [
        Row(f"{name}, whole process", times[name], times["floor"], "≤ 1.25", note=note) for name in work
    ]
    return [
        *looking,
        Row("show specimen beside 300 ms", times["show specimen"], _SHOWN_S, "≤ 1.0", note="an idle machine"),
        Row("--help, whole process", times["help"], times["click"], "≤ 1.6", note="import click"),
    ]


if __name__ == "__main__":
    for each in rows():
        print(f"{each.work:<36}{each.ours:8.3f} s{each.floor:8.3f} s{each.ratio:6.2f}  {each.goal}")
