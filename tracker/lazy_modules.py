"""Modules that take long to load, loaded when something of them is first used.

Commands that only read must start at once; most of them touch neither arrays nor pictures. A module that
needs them in some of its functions takes them from here, as it would take the module itself::

    from tracker.lazy_modules import np
"""

from __future__ import annotations

import importlib
import os
from types import ModuleType
from typing import TYPE_CHECKING, Any, cast

__all__ = ["lazy", "np", "umath", "uncertainties"]

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


if TYPE_CHECKING:
    import numpy as np
    import uncertainties
    from uncertainties import umath
else:
    np = lazy("numpy")
    uncertainties = lazy("uncertainties")
    umath = lazy("uncertainties.umath")
