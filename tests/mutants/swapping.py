"""Changing a function that is loaded, in place of loading the program again for each change."""

from __future__ import annotations

import gc
import inspect
from collections.abc import Iterator
from types import CodeType, FunctionType

Swaps = list[tuple[CodeType, CodeType]]
"""Code of functions as it was, and with the change."""


def swaps_of(old: str, new: str, file: str) -> Swaps | None:
    """Return which functions' code differs between two texts of one file.

    None where more than the inside of functions differs: constants, defaults, decorators, bodies of classes.
    These were used when the module was loaded, and it must be loaded again.
    """
    before, after = (list(_parts(compile(text, file, "exec", dont_inherit=True))) for text in (old, new))
    if len(before) != len(after):
        return None
    changed: Swaps = []
    for was, now in zip(before, after, strict=True):
        if was != now:
            if not (isinstance(was, CodeType) and isinstance(now, CodeType)):
                return None
            if (was.co_name, was.co_freevars) != (now.co_name, now.co_freevars):
                return None
            changed += _with_inner(was, now)
    return changed


def _with_inner(was: CodeType, now: CodeType) -> Swaps:
    """Return a function's code and that of the functions made in it, which may have been made by now."""
    inner = ([const for const in code.co_consts if inspect.iscode(const)] for code in (was, now))
    pairs = [pair for pair in zip(*inner, strict=False) if pair[0] != pair[1]]
    alike = [(old, new) for old, new in pairs if old.co_freevars == new.co_freevars]
    return [(was, now), *(pair for old, new in alike for pair in _with_inner(old, new))]


def _parts(code: CodeType) -> Iterator[CodeType | tuple[object, ...]]:
    """Yield what a module or a class does when it is loaded, and the code of its functions."""
    plain = []
    for const in code.co_consts:
        if not inspect.iscode(const):
            # With its type: 1, 1.0 and True are equal.
            plain.append((type(const), repr(const)))
        elif const.co_flags & inspect.CO_OPTIMIZED and (
            const.co_name == "<lambda>" or const.co_name[0] != "<"
        ):
            yield const
        else:
            yield from _parts(const)
    yield (code.co_code, code.co_names, tuple(plain))


def swap(swaps: Swaps) -> None:
    """Give every loaded function of that code the changed code, whoever holds it, however it is wrapped."""
    for thing in gc.get_objects():
        if type(thing) is FunctionType:
            for was, now in swaps:
                if thing.__code__ == was and thing.__code__.co_filename == was.co_filename:
                    thing.__code__ = now
