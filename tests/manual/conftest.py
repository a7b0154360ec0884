"""Fixtures of this room."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.cli.bench import Cli


@pytest.fixture
def cli(book_template: Path, tmp_path: Path) -> Cli:
    """Give the command line on an empty book."""
    shutil.copytree(book_template, tmp_path / "book")
    return Cli(tmp_path / "book")
