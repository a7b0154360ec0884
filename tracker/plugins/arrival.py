"""What is checked when a plugin arrives, so that nothing of it fails at the bench."""

from __future__ import annotations

import difflib
import functools
import inspect
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from tracker.api import Method, Quantity, Readings, Refused, fields
from tracker.api import hooks as specs
from tracker.api.hooks import GROUP
from tracker.api.maths import readable

_MARK = f"{GROUP}_impl"
_WORDS = ("id", "title", "version", "standard")


@dataclass(frozen=True)
class Problem:
    """Why a plugin, or a part of it, is not there.

    Attributes:
        plugin: Its name.
        hook: The hook concerned; empty where it could not even be imported.
        text: One line: signature found, what is wrong, what is allowed.
    """

    plugin: str
    hook: str
    text: str

    def __str__(self) -> str:
        place = f", hook {self.hook}" if self.hook else ""
        return f"plugin {self.plugin}{place}: {self.text}"


@functools.cache
def hooks() -> dict[str, tuple[str, ...]]:
    """Return every hook with its exact arguments."""
    # Read off the specifications themselves, so that this list cannot go stale.
    found = {name: thing for name, thing in vars(specs).items() if hasattr(thing, f"{GROUP}_spec")}
    return {name: tuple(inspect.signature(function).parameters) for name, function in found.items()}


def hook_problems(name: str, plugin: Any) -> Iterator[Problem]:
    """Find hooks that do not exist, take arguments that are not offered, or were left unmarked."""
    known = hooks()
    # A plugin may be a module, an instance or a class: all have names to look through.
    for hook in dir(plugin):
        function = getattr(plugin, hook, None)
        # No hook; and to ask a module that waits for its first use would load it.
        if inspect.ismodule(function):
            continue
        options = getattr(function, _MARK, None)
        target = (options or {}).get("specname") or hook
        # Other functions of a module are its own business.
        if options is None and not (callable(function) and hook in known):
            continue
        text = _hook_text(target, function, options, known)
        if text:
            yield Problem(name, target, text)


def _hook_text(hook: str, function: Any, options: Any, known: Mapping[str, tuple[str, ...]]) -> str:
    found = f"found {hook}{_signature(function)}"
    if options is None:
        return f"{found}, which is not marked; write @hookimpl above it"
    if hook not in known:
        near = difflib.get_close_matches(hook, known, n=1)
        hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}"
        return f"{found}; no such hook, {hint}"
    foreign = [argument for argument in _arguments(function) if argument not in known[hook]]
    if foreign:
        return f"{found}; allowed is {hook}({', '.join(known[hook])}) or fewer arguments"
    # A wrapper runs around the calls of other plugins, so its failure could not be kept to itself.
    if options.get("wrapper") or options.get("hookwrapper"):
        return f"{found}; wrappers are refused, for one that fails would take the other plugins with it"
    return ""


def _signature(function: Any) -> str:
    try:
        return f"({', '.join(inspect.signature(function).parameters)})"
    except (TypeError, ValueError):
        return "(?)"


def _arguments(function: Any) -> list[str]:
    try:
        return list(inspect.signature(function).parameters)
    except (TypeError, ValueError):
        return []


def method_problems(method: Any, taken: Iterable[str]) -> Iterator[str]:
    """Find what a method lacks; each as one sentence."""
    if not isinstance(method, Method):
        yield f"{method!r:.60} is not an instance of tracker.api.Method"
        return
    label = f"method {getattr(method, 'id', type(method).__name__)!r}"
    missing = [word for word in _WORDS if not _is_text(getattr(method, word, None))]
    if missing:
        yield f"{label} has no {', '.join(missing)}"
    if getattr(method, "id", None) in set(taken):
        yield f"{label} is already supplied by another plugin; give it an id of its own"
    yield from (f"{label}: {text}" for text in (*_readings_texts(method), *_quantity_texts(method)))


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _readings_texts(method: Method) -> Iterator[str]:
    model = getattr(method, "Readings", None)
    if not (isinstance(model, type) and issubclass(model, Readings)) or model is Readings:
        yield "has no Readings model (a class derived from tracker.api.Readings)"
        return
    try:
        declared = fields(model)
    except Refused as refusal:
        yield str(refusal)
        return
    for field in declared:
        for unit in (field.unit, *field.units):
            if unit and not readable(unit):
                yield f"reading {field.name!r} has the unit {unit!r}, which cannot be read"


def _quantity_texts(method: Method) -> Iterator[str]:
    quantities = getattr(method, "quantities", ())
    if not isinstance(quantities, tuple | list) or not quantities:
        yield "declares no quantities"
        return
    # Two quantities of one name would overwrite each other in the book.
    seen: set[str] = set()
    for quantity in quantities:
        if not isinstance(quantity, Quantity):
            yield f"quantity {quantity!r:.60} is not a tracker.api.Quantity"
            continue
        yield from _one_quantity(quantity, getattr(method, "id", ""), seen)
        seen.add(quantity.name)


def _one_quantity(quantity: Quantity, method: str, seen: set[str]) -> Iterator[str]:
    if not quantity.name.startswith(f"{method}.") or len(quantity.name) <= len(method) + 1:
        yield f"quantity {quantity.name!r} must be named {method}.SOMETHING"
    if quantity.name in seen:
        yield f"quantity {quantity.name!r} is declared twice"
    if not readable(quantity.unit):
        yield f"quantity {quantity.name!r} has the unit {quantity.unit!r}, which cannot be read"
