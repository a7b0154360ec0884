"""The index of sources: every room's list is linked, and every link leads somewhere."""

from __future__ import annotations

import re
from pathlib import Path

import tests

ROOT = Path(tests.__file__).parent
LINKED = re.findall(r"\]\(([^)]+)\)", (ROOT / "sources.md").read_text("utf-8"))


def test_every_list_of_sources_is_linked() -> None:
    """A room's new list is found from the index."""
    there = {path.relative_to(ROOT).as_posix() for path in ROOT.rglob("SOURCES.md")}

    assert sorted(LINKED) == sorted(there)


def test_no_link_is_dead() -> None:
    """Capitals counted, as on most machines they count."""
    assert LINKED
    assert [link for link in LINKED if not (ROOT / link).is_file()] == []
