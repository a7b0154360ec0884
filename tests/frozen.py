"""Which records of a package can be changed after they were made, and which have no dictionary."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil
from collections.abc import Iterable, Iterator
from typing import Any


def changeable(*names: str) -> set[str]:
    """Return the dataclasses in some modules, and those below them, that are not frozen: ``module.Name``.

    Args:
        names: Modules or packages by their full names.
    """
    return {name for name, kind in _records(names) if not kind.__dataclass_params__.frozen}


def with_slots(*names: str) -> set[str]:
    """Return the dataclasses in some modules, and those below them, whose records have no dictionary."""
    return {name for name, kind in _records(names) if "__slots__" in vars(kind)}


def _records(names: Iterable[str]) -> Iterator[tuple[str, Any]]:
    for name in names:
        module = importlib.import_module(name)
        below = pkgutil.walk_packages(getattr(module, "__path__", []), f"{name}.")
        for each in (module, *(importlib.import_module(info.name) for info in below)):
            for _, thing in inspect.getmembers(each, inspect.isclass):
                if thing.__module__ == each.__name__ and dataclasses.is_dataclass(thing):
                    yield f"{each.__name__.rpartition('.')[2]}.{thing.__name__}", thing
