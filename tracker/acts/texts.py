"""Text that not every database can keep is refused before any sees it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from tracker.errors import Refused


def written(write: Callable[[], str], what: str, values: Iterable[Any]) -> str:
    """Return a JSON text, or refuse what has none, or what a text column cannot keep.

    Args:
        write: Makes the text.
        what: What it is the text of, for the person.
        values: Looked through for the one at fault.

    Raises:
        Refused: Something in it is not JSON, or no text.
    """
    try:
        text = write()
        text.encode()
    except ValueError as error:
        _check_each(what, values)
        raise Refused(
            "This cannot be written down", why=str(error).splitlines()[0], do="Nothing was written"
        ) from error
    if "\\u0000" in text:
        # A person's own "\\u0000", spelt out, looks like a NUL here; a closer look tells them apart.
        _check_each(what, values)
    return text


def check_value(name: str, value: Any) -> None:
    """Refuse a value whose texts cannot all be kept.

    Raises:
        Refused: A NUL character, or half of a surrogate pair.
    """
    if isinstance(value, str):
        if "\0" in value:
            raise _unkept(name, "a NUL character")
        if not _encodes(value):
            raise _unkept(name, "half of a surrogate pair, which is no character")
    elif isinstance(value, dict):
        check_value(name, [*value, *value.values()])
    elif isinstance(value, (list, tuple)):
        for inner in value:
            check_value(name, inner)


def _check_each(what: str, values: Iterable[Any]) -> None:
    for value in values:
        check_value(what, value)


def _encodes(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _unkept(name: str, what: str) -> Refused:
    return Refused(f"The text of {name} holds {what}", do="Nothing was written; type it anew without it")
