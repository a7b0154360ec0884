"""What the person at the bench can mend: the one base class for it, and names near to one that was typed."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import ClassVar, Final

_PASSWORD: Final = re.compile(r"(?<=://)([^\s/@:]*):[^\s/]+@|(?i:(?<=[?&]password=)[^\s&]*)")


def without_passwords(text: str) -> str:
    """Return text with every password inside a URL taken out; a last guard where places are shown by name."""
    return _PASSWORD.sub(lambda found: f"{found[1]}@" if found[1] is not None else "…", text)


class Refused(Exception):  # noqa: N818 - a refusal is an answer, not a failure of the program
    """Something was asked that cannot be done as asked; the text says what to do instead.

    Args:
        what: What was refused, with the value or ID concerned.
        why: The reason, if ``what`` does not already hold it.
        do: What to type or change next.

    Raising code chains the cause: ``raise Refused(...) from error``. The edges
    (command line, web page) print ``str(refusal)`` as it is, on one line. Passwords in URLs are left out.

    Attributes:
        exit_code: What ``verify`` ends with; other commands end with 1 for every refusal.

    >>> str(Refused("J0099 is not in this book", do="Look at strandbook list jobs"))
    'J0099 is not in this book. Look at strandbook list jobs'
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, what: str, *, why: str = "", do: str = "") -> None:
        self.what = without_passwords(what)
        self.why = without_passwords(why)
        self.do = without_passwords(do)
        head = f"{self.what}: {self.why}" if why else self.what
        # A reason may itself be a refusal that ends in a question: "Did you mean …?"
        end = "" if head.endswith("?") else "."
        text = f"{head.rstrip('.')}{end} {self.do}" if do else head
        # One refusal is one line, whatever a name with line breaks was typed into it.
        super().__init__(" ".join(text.split()))


class Doubt(Refused):
    """Something unusual was asked for; it is done when the person says that it is meant.

    The edges ask where they can; elsewhere the command is repeated with ``--yes``.

    Attributes:
        questions: Each question on its own; one where only one was asked.
    """

    def __init__(self, what: str, *, why: str = "", do: str = "", questions: Sequence[str] = ()) -> None:
        super().__init__(what, why=why, do=do)
        self.questions = tuple(questions) or (f"{what}: {why}" if why else what,)


_EXTRAS: Final = {
    "fastapi": ("The bench page", "web"),
    "starlette": ("The bench page", "web"),
    "anyio": ("The bench page", "web"),
    "multipart": ("The bench page", "web"),
    "python_multipart": ("The bench page", "web"),
    "uvicorn": ("The bench page", "web"),
    "itsdangerous": ("The bench page", "web"),
    "psycopg": ("The driver for PostgreSQL", "postgres"),
    "obstore": ("The driver for object stores", "objects"),
    "matplotlib": ("The part that draws charts", "plots"),
    "mpl_toolkits": ("The part that draws charts", "plots"),
    "scipy": ("The part for statistics", "statistics"),
}
"""Packages that are installed by choice, with what they do and the extra that brings them."""


def missing_extra(error: Exception) -> MissingExtraError | None:
    """Return the refusal of what needs a package that is not installed; None where the error is another."""
    if not isinstance(error, ModuleNotFoundError):
        return None
    found = _EXTRAS.get((error.name or "").partition(".")[0])
    return MissingExtraError(*found) if found is not None else None


class MissingExtraError(Refused):
    """A part of the program that is installed by choice is not installed."""

    def __init__(self, what: str, extra: str) -> None:
        super().__init__(
            f"{what} is not installed", do=f"Install it: pip install 'strandbook[{extra}]' (or [all])"
        )


def close_names(typed: str, names: Iterable[str], most: int = 3) -> list[str]:
    """Return names that are spelt like what was typed, the nearest first; capitals do not matter.

    Where none is, those that hold it as a part: ``strength`` is near ``tensile.strength``.

    Args:
        typed: What nobody knows.
        names: What there is.
        most: How many at most.
    """
    import difflib  # noqa: PLC0415 - only after a slip, and many commands pass here

    folded = {name.casefold(): name for name in sorted(names)}
    wanted = typed.strip().casefold()
    near = difflib.get_close_matches(wanted, folded, n=most)
    if not near and wanted:
        near = [each for each in folded if wanted in each][:most]
    return [folded[each] for each in near]


def did_you_mean(typed: str, names: Iterable[str], otherwise: str = "") -> str:
    """Return a question with the near names; where there is none, what else can be done."""
    near = close_names(typed, names)
    return f"Did you mean {' or '.join(near)}?" if near else otherwise
