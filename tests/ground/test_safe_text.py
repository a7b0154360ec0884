"""Text from outside does nothing where it is shown: terminals, spreadsheets, Markdown, forms."""

from __future__ import annotations

import csv
import io
import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.books import add_material, fill
from tests.databases import Places
from tracker.book import open_book
from tracker.forms import Ask, FormError, When, clean
from tracker.safe_text import cell, markdown, unseen, visible, visible_but_colours

ROOT = Path(__file__).resolve().parents[2]
STRANDBOOK = [sys.executable, "-c", "from tracker.cli import main; main()"]
HARMFUL = [
    "\x1b[2J", "\x1b]0;title\x07", "\x9b31m", "a\rb", "\x08", "\u202e", "\u2066", "\u200b", "\ufeff",
    "\u2028", "\U000e0041",
]  # fmt: skip


@pytest.mark.parametrize("text", HARMFUL)
def test_what_acts_or_hides_is_spelt_out(text: str) -> None:
    """As JSON spells it, so that JSON on a terminal stays JSON."""
    shown = visible(f"x{text}y")
    assert unseen(shown) is None
    assert json.loads(f'"{shown}"') == f"x{text}y"


@pytest.mark.parametrize("text", ["Größe 5 µm ± 2 %", "ポリ乳酸", "❄️", "عربي", "a\tb\nc"])
def test_what_people_write_stays(text: str) -> None:
    """Letters of every script, tabs and line breaks."""
    assert visible(text) == text


@given(st.text())
def test_nothing_unseen_is_ever_left(text: str) -> None:
    """Whatever comes in."""
    assert unseen(visible(text)) is None


def test_our_own_colours_pass() -> None:
    """And nothing else that begins like them."""
    assert visible_but_colours("\x1b[1;31mred\x1b[0m \x1b[2J") == "\x1b[1;31mred\x1b[0m \\u001b[2J"


@pytest.mark.parametrize("text", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "=HYPERLINK(1)"])
def test_what_a_spreadsheet_would_run_gets_an_apostrophe(text: str) -> None:
    """OWASP, CSV Injection."""
    assert cell(text) == f"'{text}"


@pytest.mark.parametrize("value", ["-5.2", "+3", "-1e-5", "-3 %", "PETG", -5.2, None, "a=b"])
def test_numbers_and_names_stay(value: object) -> None:
    """A negative number is one."""
    assert cell(value) == value


def test_markdown_shows_text_as_it_is() -> None:
    """No link, no emphasis, no cell of its own."""
    assert markdown("[x](http://a) **b** | <i>\n") == r"\[x\](http://a) \*\*b\*\* \| \<i\>"


@pytest.mark.parametrize("text", HARMFUL)
def test_forms_refuse_it(text: str) -> None:
    """Nobody types it; what cannot be seen is not stored. A carriage return is a blank to a form."""
    import datetime as dt  # noqa: PLC0415 - only here

    when = When(dt.datetime(2026, 3, 2, tzinfo=dt.UTC), dt.UTC)
    ask = Ask("name", "Name")
    if text.split() != [text]:
        assert clean([ask], {"name": f"x{text}y"}, when)["name"] in ("a b", "xa by", "x y")
        return
    with pytest.raises(FormError, match="nobody can see"):
        clean([ask], {"name": f"x{text}y"}, when)


def test_a_terminal_shows_it_and_does_not_obey(places: Places) -> None:
    """A material whose name came in with a file, listed on a real terminal; in a pipe JSON keeps it."""
    place = places.fresh("sqlite")
    name = "Nordlicht \u202eASA\x9b2J"
    with open_book(place) as book:
        add_material(book, name)
    command = [*STRANDBOOK, "--book", place, "list", "materials"]
    ours, theirs = pty.openpty()
    env = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "120"}
    with subprocess.Popen(command, stdout=theirs, stderr=theirs, env=env) as process:
        os.close(theirs)
        seen = b""
        try:
            while data := os.read(ours, 4096):
                seen += data
        except OSError:
            pass  # Linux ends a terminal whose other side is closed with an error
        os.close(ours)
    assert process.returncode == 0
    assert b"\\u202eASA\\u009b2J" in seen
    piped = subprocess.run([*command, "--json"], capture_output=True, check=True, env=env).stdout
    assert name in {each["name"] for each in json.loads(piped)}


def test_csv_of_a_list(places: Places) -> None:
    """A note that begins like a formula, read back from the file as text."""
    place = places.fresh("sqlite")
    with open_book(place) as book:
        fill(book)
        add_material(book, "=1+1")
    command = [*STRANDBOOK, "--book", place, "list", "materials", "--csv"]
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    text = subprocess.run(command, capture_output=True, check=True, env=env, text=True).stdout
    assert "'=1+1" in {value for row in csv.DictReader(io.StringIO(text)) for value in row.values()}
