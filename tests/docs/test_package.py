"""What is installed: the wheel and the source archive, built once and looked into."""

from __future__ import annotations

import os
import tarfile
import zipfile
from contextlib import chdir
from pathlib import Path

import pytest
from hatchling import build

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("tracker", "tracker_methods", "tracker_labels", "tracker_demo")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build both."""
    folder = tmp_path_factory.mktemp("built")
    with chdir(ROOT):
        build.build_wheel(os.fspath(folder))
        build.build_sdist(os.fspath(folder))
    return folder


@pytest.fixture(scope="module")
def wheel(built: Path) -> list[str]:
    """Name what is in the wheel."""
    return zipfile.ZipFile(next(built.glob("*.whl"))).namelist()


def test_the_wheel_holds_four_packages_and_nothing_else(wheel: list[str]) -> None:
    """No tests, no example, no files of this checkout."""
    tops = {name.partition("/")[0] for name in wheel}

    assert {top for top in tops if not top.endswith(".dist-info")} == set(PACKAGES)


def test_every_package_says_that_it_is_typed(wheel: list[str]) -> None:
    """PEP 561."""
    assert {f"{package}/py.typed" for package in PACKAGES} <= set(wheel)


def test_what_is_no_module_comes_along(wheel: list[str]) -> None:
    """Manual with its pictures, scenarios, label stocks and faces, templates, revisions of the schema."""
    ends = {name.rpartition(".")[2] for name in wheel if not name.endswith("/")}

    assert {"md", "png", "toml", "ttf", "html", "css", "js", "mako"} <= ends
    for file in (ROOT / "tracker" / "manual").rglob("*"):
        if file.is_file() and file.suffix in (".md", ".png"):
            assert file.relative_to(ROOT).as_posix() in wheel


def test_both_are_small(built: Path) -> None:
    """A few megabytes, most of them the typefaces of labels."""
    sizes = {file.suffix: file.stat().st_size for file in built.iterdir()}

    assert sizes[".whl"] < 3_500_000
    assert sizes[".gz"] < 4_500_000


def test_the_source_archive_holds_what_git_knows(built: Path) -> None:
    """The file that starts a shared bench is in it; books and notes of this computer are not."""
    with tarfile.open(next(built.glob("*.tar.gz"))) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}

    assert {"compose.yaml", "README.md", "LICENSE", "tests/conftest.py"} <= names
    assert not [name for name in names if name.startswith((".bench", ".mutants", ".venv", ".git/"))]
