"""Files that lie with a sheet and are named in its cells."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from pathlib import Path, PurePosixPath, PureWindowsPath

from tracker.api import Recording
from tracker.desk.importing.refusals import ImportRefusedError
from tracker.inputs import read_input


class Besides:
    """Finds files by the paths that stand in a sheet.

    A path is taken from the sheet's own folder, else from one folder directly below it; it never
    leads out of there, whatever links or dots it holds.

    Args:
        folder: Folder of the sheet.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder.resolve()
        self.below: set[str] = set()
        """Names of folders in which files were found that the sheet names without their folder."""

    def find(self, written: str) -> Path:
        """Return where a file lies.

        Raises:
            ImportRefusedError: There is none, more than one fits, or the path leads elsewhere.
        """
        path = PurePosixPath(written.replace("\\", "/"))
        # A sheet that came by mail must not bring files of this computer into a book that is published.
        if path.is_absolute() or PureWindowsPath(written).drive or ".." in path.parts:
            raise self._elsewhere(written)
        own = self._file(self._folder / path, written)
        if own is not None:
            return own
        fitting = [found for folder in self._folders if (found := self._file(folder / path, written))]
        if len(fitting) > 1:
            named = " and ".join(str(place.relative_to(self._folder)) for place in fitting)
            raise ImportRefusedError(f"{written!r} fits {named}", do="Write the folder into the cell")
        if not fitting:
            raise ImportRefusedError(
                f"there is no file {written!r} beside the sheet or in a folder beside it",
                do="Put it there, or empty the cell",
            )
        self.below.add(str(fitting[0].parent.relative_to(self._folder)))
        return fitting[0]

    def recording(self, written: str) -> Recording:
        """Return a file as the recording of a measurement.

        Raises:
            ImportRefusedError: As :meth:`find`, or it cannot be read.
        """
        place = self.find(written)
        try:
            return Recording(place.name, read_input(place, "recording"))
        except OSError as error:
            raise ImportRefusedError(
                f"{written!r} cannot be read", why=error.strerror or str(error)
            ) from error

    @cached_property
    def _folders(self) -> list[Path]:
        return sorted(place for place in self._folder.iterdir() if place.is_dir())

    def _file(self, place: Path, written: str) -> Path | None:
        try:
            if not place.is_file():
                return None
            resolved = place.resolve()
        except (OSError, ValueError):
            # Too long a name, or a character no file can have: nothing lies there.
            return None
        if not resolved.is_relative_to(self._folder):
            raise self._elsewhere(written)
        return resolved

    def _elsewhere(self, written: str) -> ImportRefusedError:
        return ImportRefusedError(
            f"{written!r} leads out of the folder of the sheet",
            do="Copy the file beside the sheet and write its name alone",
        )


class SentWith:
    """Finds recordings among the files that were sent with a sheet; the disk of this computer is not read.

    A browser sends the bare names of files, so that a path in the sheet is held to its last part.

    Args:
        files: What was sent.

    Raises:
        ImportRefusedError: Two different files have one name.
    """

    def __init__(self, files: Sequence[Recording]) -> None:
        self._files: dict[str, Recording] = {}
        self._written: dict[str, str] = {}
        for each in files:
            if self._files.setdefault(each.name, each).data != each.data:
                raise ImportRefusedError(
                    f"two different files are called {each.name!r}",
                    do="Rename one, and write its new name into the sheet",
                )

    def recording(self, written: str) -> Recording:
        """Return the file that a cell names.

        Raises:
            ImportRefusedError: It was not sent, or another path of the sheet ends in the same name.
        """
        # Both separators: the sheet may come from another system than the one that reads it.
        name = PureWindowsPath(written).name
        first = self._written.setdefault(name, written)
        if PureWindowsPath(first) != PureWindowsPath(written):
            raise ImportRefusedError(
                f"{first!r} and {written!r} have one name, and files are sent without their folders",
                do="Rename one of the files, and write its new name into the sheet",
            )
        if name not in self._files:
            raise ImportRefusedError(
                f"no file {name!r} was sent with the sheet", do="Choose it with the sheet, or empty the cell"
            )
        return self._files[name]

    @property
    def not_named(self) -> list[str]:
        """Names of files that were sent and that no cell named so far."""
        return sorted(set(self._files) - set(self._written))
