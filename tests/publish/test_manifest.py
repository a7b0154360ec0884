"""A published folder holds its own files and touches nobody else's, whatever happens meanwhile."""

from __future__ import annotations

from pathlib import Path

import bagit
import pytest

from tracker.errors import Refused
from tracker.publish import manifest
from tracker.publish.manifest import own_files, published, read_manifest


def put(root: Path, **files: str) -> list[str]:
    """Publish files by name; return the paths that were written."""
    with published(root) as site:
        for name, text in files.items():
            site.put(f"data/{name}.csv" if name.startswith("d") else f"{name}.html", text)
    return [
        path for path in site.changed if not path.startswith(("manifest", "tagmanifest", "made-of", "bagit"))
    ]


def test_foreign_files_and_dotfiles_stay(tmp_path: Path) -> None:
    """What is in the folder and was not published there is not touched when the site is published again."""
    put(tmp_path / "s", a="1", d1="x")
    for name in (".git", "data/.keep", "notes.txt", "data/own.csv"):
        (tmp_path / "s" / name).write_text("mine")
    put(tmp_path / "s", b="2")

    left = {str(path.relative_to(tmp_path / "s")) for path in (tmp_path / "s").rglob("*") if path.is_file()}
    assert left == {
        ".git", "data/.keep", "notes.txt", "data/own.csv", "b.html", "bagit.txt", "made-of.json",
        "manifest-sha256.txt", "tagmanifest-sha256.txt",
    }  # fmt: skip


def test_a_foreign_file_in_the_way_is_refused_by_name(tmp_path: Path) -> None:
    """And nothing of the new site is put in place."""
    put(tmp_path / "s", a="1")
    (tmp_path / "s/b.html").write_text("mine")
    with pytest.raises(Refused, match=r"b\.html is not a file that strandbook published"):
        put(tmp_path / "s", a="2", b="2")

    assert [(tmp_path / "s" / name).read_text() for name in ("a.html", "b.html")] == ["1", "mine"]


def test_only_what_changed_is_written(tmp_path: Path) -> None:
    """The other files keep even their times."""
    put(tmp_path / "s", a="1", d1="x", d2="y")
    before = (tmp_path / "s/a.html").stat().st_mtime_ns

    assert put(tmp_path / "s", a="1", d1="x", d2="z") == ["data/d2.csv"]
    assert (tmp_path / "s/a.html").stat().st_mtime_ns == before


def test_a_file_that_somebody_changed_is_put_right(tmp_path: Path) -> None:
    """What is on the disk counts, not what the manifest says of it."""
    put(tmp_path / "s", a="1")
    (tmp_path / "s/a.html").write_text("edited")
    put(tmp_path / "s", a="1")

    assert (tmp_path / "s/a.html").read_text() == "1"


def test_the_folder_is_a_bag(tmp_path: Path) -> None:
    """Read and validated by another program (bagit-python, of the Library of Congress)."""
    put(tmp_path / "s", a="1", d1="x")

    assert bagit.Bag(str(tmp_path / "s")).validate()
    (tmp_path / "s/data/d1.csv").write_text("altered")
    assert not bagit.Bag(str(tmp_path / "s")).is_valid()


@pytest.mark.parametrize("at", range(8))
def test_cut_short_anywhere_the_next_run_finishes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    """Killed after any of its renames: the next run gives the site that a run in an empty folder gives."""
    root = tmp_path / "s"
    put(root, a="1", b="1", d1="x")
    (root / "mine.txt").write_text("mine")
    renames = 0
    plain = Path.replace

    def dying(self: Path, target: Path) -> Path:
        nonlocal renames
        renames += 1
        if renames > at:
            raise KeyboardInterrupt
        return plain(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", dying)
        # A process that is killed tidies nothing up.
        patch.setattr(manifest.shutil, "rmtree", lambda *_, **__: None)
        try:
            put(root, a="2", c="2", d2="y")
        except KeyboardInterrupt:
            assert renames > at
    put(root, a="2", c="2", d2="y")
    put(tmp_path / "fresh", a="2", c="2", d2="y")

    def files(of: Path) -> dict[str, bytes]:
        return {str(p.relative_to(of)): p.read_bytes() for p in of.rglob("*") if p.is_file()}

    assert files(root) == {**files(tmp_path / "fresh"), "mine.txt": b"mine"}


def test_a_failure_while_making_leaves_the_old_site(tmp_path: Path) -> None:
    """Nothing is put in place before everything is there."""
    root = tmp_path / "s"
    put(root, a="1")

    def failing() -> None:
        with published(root) as site:
            site.put("a.html", "2")
            raise RuntimeError("no")

    with pytest.raises(RuntimeError, match="no"):
        failing()

    assert (root / "a.html").read_text() == "1"
    assert [path.name for path in root.iterdir() if path.name.startswith(".")] == []


def test_a_group_made_of_the_same_is_not_made_again(tmp_path: Path) -> None:
    """Unless one of its files is gone, or the key is another."""
    root = tmp_path / "s"

    def run(key: str) -> bool:
        with published(root) as site:
            stands = site.unchanged("g", key)
            if not stands:
                with site.group("g", key):
                    site.put("a.html", key)
        return stands

    assert [run("1"), run("1"), run("2"), run("2")] == [False, True, False, True]
    (root / "a.html").unlink()
    assert [run("2"), (root / "a.html").read_text()] == [False, "2"]


@pytest.mark.parametrize(
    "line", ["", "abc  a", f"{'0' * 64}  /etc/passwd", f"{'0' * 64}  ../a", f"{'0' * 64} a"]
)
def test_a_manifest_cannot_name_files_elsewhere(line: str) -> None:
    """A line that is none, or whose path leaves the folder, is refused: what it names would be removed."""
    with pytest.raises(Refused, match="no line of a manifest"):
        read_manifest(f"{line}\n")


def test_a_file_that_two_give_alike_is_written_once(tmp_path: Path) -> None:
    """Two measurements may share a recording, named by its digest."""
    with published(tmp_path / "s") as site:
        site.put("data/a.csv", "1")
        site.put("data/a.csv", "1")

    assert site.changed.count("data/a.csv") == 1
    assert (tmp_path / "s/data/a.csv").read_text() == "1"


def test_an_empty_folder_owns_nothing(tmp_path: Path) -> None:
    """No manifest, no files of ours."""
    assert own_files(tmp_path) == {}
