"""Which records of a package can be changed after they were made."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil


def changeable(*names: str) -> set[str]:
    """Return the dataclasses in some modules, and those below them, that are not frozen: ``module.Name``.

    Args:
        names: Modules or packages by their full names.
    """
    found = set()
    for name in names:
        module = importlib.import_module(name)
        below = pkgutil.walk_packages(getattr(module, "__path__", []), f"{name}.")
        for each in (module, *(importlib.import_module(info.name) for info in below)):
            for _, thing in inspect.getmembers(each, inspect.isclass):
                own = thing.__module__ == each.__name__ and dataclasses.is_dataclass(thing)
                if own and not thing.__dataclass_params__.frozen:
                    found.add(f"{each.__name__.rpartition('.')[2]}.{thing.__name__}")
    return found
