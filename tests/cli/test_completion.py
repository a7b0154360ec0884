"""What a shell completes at the bench."""

from __future__ import annotations

import os
import pty
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.cli.bench import Filled, run


def _offered(filled: Filled, *words: str, apart: bool = False) -> list[str]:
    """Return what bash would offer for the last word, asked of this process or of one of its own."""
    asked = {
        "_STRANDBOOK_COMPLETE": "bash_complete", "COMP_WORDS": " ".join(("strandbook", *words)),
        "COMP_CWORD": str(len(words)), "STRANDBOOK": str(filled.place),
    }  # fmt: skip
    said = run(env=asked).stdout if apart else filled(env=asked).stdout
    return [line.partition(",")[2] for line in said.splitlines()]


def test_ids_are_completed_of_the_kind_that_is_asked_for(filled: Filled) -> None:
    """A job's command offers jobs, in lower case typed too; show offers all that has an ID."""
    assert _offered(filled, "job", "end", "j", apart=True) == [filled.job]
    assert filled.piece in _offered(filled, "show", "J0001-")
    assert _offered(filled, "trace", "M") == [filled.measurement]


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (("methods", "tens"), "tensile"),
        (("label", "--stock", "tape-2"), "tape-24"),
        (("why", "--of", "tensile.str"), "tensile.strength"),
        (("manual", "first"), "first-evening"),
    ],
)
def test_words_of_the_program_are_completed(filled: Filled, words: tuple[str, ...], offered: str) -> None:
    """Methods, stocks, quantities and pages of the manual."""
    assert offered in _offered(filled, *words)


def test_without_a_book_nothing_is_offered_and_nothing_fails(tmp_path: Path) -> None:
    """No refusal is printed into the line that somebody types."""
    asked = {
        "_STRANDBOOK_COMPLETE": "bash_complete", "COMP_WORDS": "strandbook trace M", "COMP_CWORD": "2",
        "STRANDBOOK": f"{tmp_path}/none",
    }  # fmt: skip
    done = run(env=asked)
    assert (done.stdout.strip(), done.stderr) == ("", "")


def _shell_env(filled: Filled, tmp_path: Path) -> dict[str, str]:
    """Return an environment in which the shells find the program of this run, and no settings."""
    program = tmp_path / "bin" / "strandbook"
    program.parent.mkdir()
    program.write_text(
        f"#!{sys.executable}\nimport sys; sys.argv[0] = 'strandbook'\nfrom tracker.cli import main; main()\n"
    )
    program.chmod(0o755)
    return {
        **os.environ, "PATH": f"{program.parent}:{os.environ['PATH']}", "STRANDBOOK": str(filled.place),
        "HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path), "TERM": "dumb",
    }  # fmt: skip


@pytest.mark.skipif(shutil.which("fish") is None, reason="fish is not installed")
def test_fish_completes_with_the_line_of_the_manual(filled: Filled, tmp_path: Path) -> None:
    """The script that the program prints for fish is run by fish."""
    line = "_STRANDBOOK_COMPLETE=fish_source strandbook | source; complete -C 'strandbook trace M'"
    done = subprocess.run(
        ["fish", "--private", "-c", line], env=_shell_env(filled, tmp_path), capture_output=True, text=True,
        timeout=300, check=True,
    )  # fmt: skip
    assert done.stdout.split() == [filled.measurement, "tensile"]


@pytest.mark.skipif(shutil.which("zsh") is None, reason="zsh is not installed")
def test_zsh_completes_with_the_line_of_the_manual(filled: Filled, tmp_path: Path) -> None:
    """The script that the program prints for zsh is run by zsh, at a terminal, with the tab key."""
    env, begun = _shell_env(filled, tmp_path), time.monotonic()
    (tmp_path / ".zshrc").write_text(
        "autoload -Uz compinit && compinit -u\n"
        'eval "$(_STRANDBOOK_COMPLETE=zsh_source strandbook)"\nPS1="ready> "\n'
    )
    pid, end = pty.fork()
    if pid == 0:  # pragma: no cover - this is the other process
        os.execvpe("zsh", ["zsh", "-i"], env)  # noqa: S606 - the shell that is tried
    seen, asked = "", False
    try:
        while f"trace {filled.measurement}" not in seen:
            assert time.monotonic() < begun + 300, seen
            if "ready> " in seen and not asked:
                os.write(end, b"strandbook trace M\t")
                asked = True
            if select.select([end], [], [], 0.5)[0]:
                seen += os.read(end, 65536).decode(errors="replace")
    finally:
        os.write(end, b"\x15exit\n")
        os.close(end)
        os.waitpid(pid, 0)
