"""Refusals of the page, and refusals of every room as HTTP and a form show them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from tracker.api import ReadingsError
from tracker.desk.devices import KeyTakenError
from tracker.desk.doubts import Doubt
from tracker.desk.photographs import PictureError
from tracker.errors import Refused
from tracker.files import AwayError
from tracker.forms import FormError
from tracker.ids import IdError
from tracker.kinds import NotFoundError
from tracker.trace import TraceError


class NotPairedError(Refused):
    """A device asks that is not paired."""


class NotAllowedError(Refused):
    """A device asks for what its role does not allow."""


class StaleFormError(Refused):
    """A form came without the token of this page."""


class TooManyTriesError(Refused):
    """Wrong codes came too often."""


class WrongCodeError(Refused):
    """The code is not the one that stands on the bench's screen, or it has run out."""


class UploadError(Refused, ValueError):
    """A file is of a kind that does not belong here, or empty."""


class TooLargeError(Refused, ValueError):
    """A text or file is larger than what is taken here, packed or unpacked."""


_STATUS: Final[tuple[tuple[type[Refused], int], ...]] = (
    (NotPairedError, 401), (NotAllowedError, 403), (StaleFormError, 403), (TooManyTriesError, 429),
    (WrongCodeError, 403), (NotFoundError, 404), (TraceError, 404), (IdError, 404), (Doubt, 409),
    (KeyTakenError, 409), (AwayError, 503), (TooLargeError, 413), (UploadError, 415), (PictureError, 415),
)  # fmt: skip


def status_of(refusal: Refused) -> int:
    """Return the HTTP status of a refusal; 422 for everything that is only not as it must be."""
    return next((status for kind, status in _STATUS if isinstance(refusal, kind)), 422)


_COMMAND: Final = re.compile(r"\bstrandbook [a-z]|(?:^|\s)--?[a-z]")
"""What is typed at a terminal: a page has buttons and links for it."""


def plainly(refusal: Refused | None) -> tuple[tuple[str, ...], Mapping[str, str]]:
    """Return what a page shows of a refusal, line by line, and what it shows beside each field at fault."""
    if refusal is None:
        return (), {}
    if isinstance(refusal, FormError) and refusal.fields:
        return (". ".join(words.rstrip(".") for words in refusal.fields.values()) + ".",), refusal.fields
    if isinstance(refusal, ReadingsError):
        return (str(refusal),), {each.field: each.problem for each in refusal.errors}
    if isinstance(refusal, Doubt):
        # The button below the questions says how to go on; an option of the command line would not help.
        return refusal.questions, {}
    return (without_commands(refusal),), {}


def without_commands(refusal: Refused) -> str:
    """Return a refusal in one line; what would be typed at a terminal is left out."""
    if _COMMAND.search(refusal.do):
        head = f"{refusal.what}: {refusal.why}" if refusal.why else refusal.what
        return f"{head.rstrip('.')}."
    return str(refusal)


@dataclass(frozen=True)
class Unread:
    """A part of an address that is missing or cannot be read.

    Attributes:
        name: Of the part.
        place: ``path``, ``query``, ``body`` or ``header``.
        problem: What is wrong with it, in a few words.
    """

    name: str
    place: str
    problem: str


def unread(errors: Iterable[Mapping[str, Any]]) -> list[Unread]:
    """Return what pydantic found in a request, in words for a person."""
    found = []
    for each in errors:
        place, *rest = (str(part) for part in each["loc"])
        found.append(Unread(rest[0] if rest else "", place, _problem(each["type"], each.get("ctx") or {})))
    return found


def _problem(kind: str, bounds: Mapping[str, Any]) -> str:
    if kind in ("missing", "string_too_short"):
        return "Nothing was given."
    if "max_length" in bounds:
        return f"At most {bounds['max_length']} characters are taken here."
    if "ge" in bounds or "le" in bounds:
        return f"It is at least {bounds['ge']}." if "ge" in bounds else f"It is at most {bounds['le']}."
    if kind.startswith(("int_", "float_")):
        return "A whole number is wanted here."
    return "It is none of what is known here."
