"""Modules that take long to load, loaded when something of them is first used.

Commands that only read must start at once; most of them touch neither arrays nor pictures. A module that
needs them in some of its functions takes them from here, as it would take the module itself::

    from tracker.lazy_modules import np
"""

from __future__ import annotations

import importlib
import os
import sys
import threading
from importlib.util import find_spec, module_from_spec
from types import ModuleType
from typing import TYPE_CHECKING, Any, cast

__all__ = ["lazy", "np", "postpone", "umath", "uncertainties"]

# Its matrices are small: a second thread waits for the first more than it computes, and takes ten times the
# processor where others want it too. Who set it otherwise is obeyed. It is read when the arrays are loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def lazy(name: str) -> ModuleType:
    """Return a stand-in for the module ``name``: the first attribute asked of it loads it.

    It may be used from any thread. What is missing is told when it is first used, not before
    (:class:`ModuleNotFoundError`).

    >>> numpy = lazy("numpy")
    >>> numpy.hypot(3.0, 4.0).item()
    5.0
    """
    return cast("ModuleType", _Lazy(name))


class _Lazy:
    def __init__(self, name: str) -> None:
        self.__name__ = name

    # Whoever looks through the names of a plugin asks of each whether it is a module, and loads none by that.
    __class__ = ModuleType  # type: ignore[assignment]

    def __getattr__(self, attribute: str) -> Any:
        module = importlib.import_module(self.__name__)
        # From now on the names of the module are those of the stand-in, the very same: they are found without
        # this function, and what a test puts in the place of one holds here too.
        self.__dict__ = module.__dict__
        return getattr(module, attribute)


def postpone(*names: str) -> None:
    """Let modules that other packages import be loaded when they are first used, instead of when imported.

    For a program's start, before those packages are imported: SQLAlchemy imports what it needs for event
    loops and for plugins, and a command that reads a book uses neither. A module that is loaded already
    stays; one that is not there is left to whoever imports it.

    Args:
        names: Modules of the standard library. A package that holds one is loaded.
    """
    for name in names:
        if name in sys.modules or (spec := find_spec(name)) is None:
            continue
        module = module_from_spec(spec)
        module.__class__ = _Postponed
        sys.modules[name] = module
        package, _, own = name.rpartition(".")
        if package:
            setattr(sys.modules[package], own, module)


_FOUND_IN = {("asyncio", "iscoroutine"): "asyncio.coroutines"}
"""Names that are asked of a postponed package while others are imported, and the small module of each."""

_LOADING = threading.RLock()


class _Postponed(ModuleType):
    """A module before its code has run; the first name that it does not hold yet runs it, in itself."""

    def __getattr__(self, name: str) -> Any:
        if (small := _FOUND_IN.get((self.__name__, name))) is not None:
            return getattr(importlib.import_module(small), name)
        with _LOADING:
            # Another thread may have run it while this one waited. The mark is seen by this thread alone.
            if type(self) is _Postponed:
                if "_runs" in self.__dict__:
                    raise AttributeError(f"module {self.__name__!r} has no attribute {name!r}")
                self._runs = True
                try:
                    self.__spec__.loader.exec_module(self)  # type: ignore[union-attr]
                    self.__class__ = ModuleType  # type: ignore[assignment]
                finally:
                    del self._runs
        return getattr(self, name)


if TYPE_CHECKING:
    import numpy as np
    import uncertainties
    from uncertainties import umath
else:
    np = lazy("numpy")
    uncertainties = lazy("uncertainties")
    umath = lazy("uncertainties.umath")
