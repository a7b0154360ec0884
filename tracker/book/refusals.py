"""What a database's own errors mean to the person."""

from __future__ import annotations

from tracker.errors import Refused


class BookError(Refused):
    """A book cannot be found, opened, read or written as asked."""


def refusal_for(place: str, error: Exception) -> BookError:
    """Return what a database's error means to the person, with what to do."""
    # By the words and not by error codes: the two drivers share no codes, and SQLite reports a full or a
    # read-only disk through the same class as a wrong statement.
    said = str(getattr(error, "orig", error)).lower()
    kinds: list[tuple[str, str, str]] = [
        ("readonly", "may not be written", "Check who may write there; reading goes on as before"),
        ("read-only", "may not be written", "Check who may write there; reading goes on as before"),
        ("is full", "does not fit on the disk any more", "Free some space and repeat the command"),
        ("no space left", "does not fit on the disk any more", "Free some space and repeat the command"),
        ("locked", "is being written by somebody else", "Wait a moment and repeat the command"),
        ("not a database", "is no SQLite file", "Bring it back from a backup: strandbook restore FILE"),
        ("malformed", "is damaged", "Bring it back from a backup: strandbook restore FILE"),
        ("unable to open", "cannot be opened", "Check the path and who may read it"),
        ("connection to server", "cannot be reached", "Check that the server runs, and the URL"),
    ]
    for word, what, do in kinds:
        if word in said:
            return BookError(f"The book {place} {what}", do=f"Nothing was written. {do}")
    return BookError(f"The book {place} did not take this", why=_first_line(error), do="Nothing was written")


def _first_line(error: Exception) -> str:
    return next(iter(str(getattr(error, "orig", error)).strip().splitlines()), type(error).__name__)
