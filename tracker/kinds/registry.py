"""Which kinds there are: those of every module beside this one."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from tracker.errors import Refused
from tracker.kinds.base import Kind
from tracker.suggest import did_you_mean

_NO_KINDS: Final = ("base", "registry", "finding", "listing", "whereabouts")


def _found() -> dict[str, Kind]:
    modules = (each.name for each in pkgutil.iter_modules([str(Path(__file__).parent)]))
    kinds = [
        kind
        for name in modules
        if name not in _NO_KINDS
        for kind in importlib.import_module(f"tracker.kinds.{name}").KINDS
    ]
    return {kind.name: kind for kind in sorted(kinds, key=lambda each: (each.place, each.name))}


KINDS: Final[Mapping[str, Kind]] = _found()
"""Every kind by its name, in the order in which a spool travels."""

LISTS: Final = tuple(kind.plural for kind in KINDS.values())
"""What can be listed."""

_BY_MODEL: Final[Mapping[type[Any], Kind]] = {kind.model: kind for kind in KINDS.values()}


def kind_of(row: Any) -> Kind:
    """Return the kind of a row.

    Raises:
        KeyError: Rows of its table are no records of their own (a link, say).
    """
    return _BY_MODEL[type(row)]


def kind_named(plural: str) -> Kind:
    """Return a kind by the plural that lists use.

    Raises:
        Refused: There is none; near ones are named.
    """
    found = {kind.plural: kind for kind in KINDS.values()}
    if plural not in found:
        raise Refused(
            f"There is no list of {plural}", do=did_you_mean(plural, found, f"There are {', '.join(found)}")
        )
    return found[plural]
