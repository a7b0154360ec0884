"""Refusals as HTTP says them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from tracker.desk.doubts import Doubt
from tracker.desk.finding import NotFoundError
from tracker.desk.forms import FormError
from tracker.errors import Refused
from tracker.ids import IdError
from tracker.trace import TraceError
from tracker.web.pairing import TooManyTriesError, WrongCodeError
from tracker.web.uploads import UploadError
from tracker.web.visitors import NotAllowedError, NotPairedError, StaleFormError

_STATUS: Final[tuple[tuple[type[Refused], int], ...]] = (
    (NotPairedError, 401), (NotAllowedError, 403), (StaleFormError, 403), (TooManyTriesError, 429),
    (WrongCodeError, 403), (NotFoundError, 404), (TraceError, 404), (IdError, 404), (Doubt, 409),
    (UploadError, 415),
)  # fmt: skip


def status_of(refusal: Refused) -> int:
    """Return the HTTP status of a refusal; 422 for everything that is only not as it must be."""
    return next((status for kind, status in _STATUS if isinstance(refusal, kind)), 422)


def plainly(refusal: Refused | None) -> tuple[str, Mapping[str, str]]:
    """Return what a page says of a refusal, and what it says beside each field at fault."""
    if isinstance(refusal, FormError) and refusal.fields:
        return ". ".join(words.rstrip(".") for words in refusal.fields.values()) + ".", refusal.fields
    return str(refusal) if refusal is not None else "", {}
