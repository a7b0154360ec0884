"""Files named in a sheet: found beside it, and nowhere else."""

from __future__ import annotations

from pathlib import Path

import pytest

from tracker.api import Recording
from tracker.desk.importing.sheet import Besides, ImportRefusedError, SentWith


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with one file in it, one below it and one outside."""
    (tmp_path / "secret.csv").write_text("x")
    for place in (
        "sheet/here.csv",
        "sheet/curves/there.csv",
        "sheet/curves/twice.csv",
        "sheet/more/twice.csv",
    ):
        (tmp_path / place).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / place).write_text("x")
    return tmp_path / "sheet"


def refusal(folder: Path, written: str) -> str:
    """Return what a path is refused with."""
    with pytest.raises(ImportRefusedError) as caught:
        Besides(folder).find(written)
    return str(caught.value)


@pytest.mark.parametrize("written", ["here.csv", "./here.csv", "curves/there.csv", "curves\\there.csv"])
def test_path_is_relative_to_the_sheet(folder: Path, written: str) -> None:
    """A path counts from the sheet's folder, whichever way its slashes lean."""
    assert Besides(folder).find(written).is_relative_to(folder)


def test_a_bare_name_is_also_found_one_folder_below(folder: Path) -> None:
    """A name without its folder is found where one folder below holds it, and the folder is noted."""
    besides = Besides(folder)

    assert besides.find("there.csv") == folder / "curves" / "there.csv"
    assert besides.below == {"curves"}


def test_a_name_in_two_folders_is_refused_with_both(folder: Path) -> None:
    """Which of two files is meant would be a guess."""
    assert "curves/twice.csv and more/twice.csv" in refusal(folder, "twice.csv")


@pytest.mark.parametrize(
    "written", ["../secret.csv", "/etc/hostname", "curves/../../secret.csv", "C:\\secret.csv"]
)
def test_no_path_leads_out(folder: Path, written: str) -> None:
    """Dots, roots and drives are refused."""
    assert "leads out of the folder" in refusal(folder, written)


def test_no_link_leads_out(folder: Path) -> None:
    """A link to a file elsewhere is refused like its target."""
    (folder / "link.csv").symlink_to(folder.parent / "secret.csv")

    assert "leads out of the folder" in refusal(folder, "link.csv")


@pytest.mark.parametrize("written", ["absent.csv", "x" * 5000, "a\0b", "curves"])
def test_what_is_not_there_is_refused(folder: Path, written: str) -> None:
    """A file that is not there is refused in one line, whatever its name."""
    assert "there is no file" in refusal(folder, written)


def test_a_file_that_was_sent_is_found_by_the_last_part_of_its_path() -> None:
    """Paths of either system and bare names lead to it; what no cell named is known."""
    sent = SentWith([Recording("pull.csv", b"1"), Recording("other.csv", b"2")])
    assert sent.recording("C:\\rig\\pull.csv").data == b"1"
    assert sent.recording("C:/rig/pull.csv").data == b"1"
    assert sent.not_named == ["other.csv"]


def test_two_files_of_one_name_are_never_taken_for_each_other(tmp_path: Path) -> None:
    """Neither two that were sent nor two paths of the sheet; and nothing is read from the disk instead."""
    with pytest.raises(ImportRefusedError, match=r"two different files are called 'pull\.csv'"):
        SentWith([Recording("pull.csv", b"1"), Recording("pull.csv", b"2")])
    sent = SentWith([Recording("pull.csv", b"1")])
    sent.recording("mon/pull.csv")
    with pytest.raises(ImportRefusedError, match="have one name"):
        sent.recording("tue/pull.csv")
    (tmp_path / "here.csv").write_text("3")
    with pytest.raises(ImportRefusedError, match=r"no file 'here\.csv' was sent"):
        sent.recording(str(tmp_path / "here.csv"))
