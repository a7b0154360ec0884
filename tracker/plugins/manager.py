"""The installed plugins: each checked when it arrives, loaded and called one by one."""

from __future__ import annotations

import difflib
import functools
import inspect
import io
import logging
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from importlib import metadata
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TypeVar

import pluggy

from tracker.api import (
    FactorValue,
    Instrument,
    LabelDesign,
    Method,
    Piece,
    Quantity,
    Readings,
    ReadLog,
    Refused,
    ResultFacts,
    fields,
)
from tracker.api import hooks as specs
from tracker.api.hooks import GROUP
from tracker.api.maths import readable
from tracker.errors import did_you_mean
from tracker.lazy_modules import lazy
from tracker.plugins.computing import Computation, Computed, compute, one_line

if TYPE_CHECKING:
    import matplotlib as mpl
else:
    mpl = lazy("matplotlib")


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


_LOG = logging.getLogger("tracker.plugins")
_OURS = "strandbook"
_REMEMBERED = 100
T = TypeVar("T")


@dataclass(frozen=True)
class Loaded:
    """A method that is there.

    Attributes:
        method: The method itself.
        plugin: Name of the plugin that supplied it.
    """

    method: Method
    plugin: str


class Plugged:
    """All plugins that arrived in order, and what was wrong with the others.

    Attributes:
        problems: Plugins refused or not importable, one line each; they cost nothing else.
        faults: What went wrong in hooks since, newest last; the last hundred.
        methods: By id.
    """

    def __init__(self) -> None:
        self._pluggy = pluggy.PluginManager(GROUP)
        self._pluggy.add_hookspecs(specs)
        self._methods: dict[str, Loaded] = {}
        self.problems: list[Problem] = []
        self.faults: deque[str] = deque(maxlen=_REMEMBERED)

    @property
    def methods(self) -> Mapping[str, Loaded]:
        """The methods that are there, by id; read only."""
        # A view: a plugin that got hold of the dictionary could replace another's method.
        return MappingProxyType(self._methods)

    @property
    def titles(self) -> dict[str, str]:
        """Title of each quantity by its name; with its method's where two have the same."""
        found: dict[str, list[tuple[str, str]]] = {}
        for each in self._methods.values():
            for quantity in each.method.quantities:
                title = quantity.title or quantity.name.partition(".")[2].replace("_", " ")
                found.setdefault(title[:1].upper() + title[1:], []).append((quantity.name, each.method.title))
        return {
            name: title if len(names) == 1 else f"{title} ({method})"
            for title, names in found.items()
            for name, method in names
        }

    @property
    def plugins(self) -> tuple[str, ...]:
        """Names of the plugins that are there."""
        return tuple(name for name, _ in self._pluggy.list_name_plugin())

    def add(self, name: str, plugin: Any) -> bool:
        """Check a plugin and take it in, or note in ``problems`` why not; tells which."""
        # Refused whole or taken whole: half a plugin would be harder to explain than none.
        methods: list[Any] = []
        try:
            wrong = list(self._arrival(name, plugin))
            if not wrong:
                methods, wrong = self._offered(name, plugin)
            if not wrong:
                self._pluggy.register(plugin, name)
        except (Exception, SystemExit) as fault:  # noqa: BLE001 - even looking at a plugin may fail
            wrong = [Problem(name, "", f"cannot be looked at: {one_line(fault)}")]
        if wrong:
            self.problems += wrong
            return False
        self._methods.update((method.id, Loaded(method, name)) for method in methods)
        return True

    def _arrival(self, name: str, plugin: Any) -> Iterator[Problem]:
        if self._pluggy.has_plugin(name) or self._pluggy.is_registered(plugin):
            yield Problem(
                name, "", "a plugin of this name is already there, or the same plugin under another"
            )
        yield from hook_problems(name, plugin)

    def _offered(self, name: str, plugin: Any) -> tuple[list[Any], list[Problem]]:
        """Return the methods a plugin offers, and what is wrong with them."""
        hook = "strandbook_methods"
        taken = set(self._methods)
        wrong: list[Problem] = []
        try:
            methods = list(plugin.strandbook_methods()) if hasattr(plugin, hook) else []
            for method in methods:
                wrong += [Problem(name, hook, text) for text in method_problems(method, taken)]
                taken.add(getattr(method, "id", ""))
        except (Exception, SystemExit) as fault:  # noqa: BLE001 - a plugin's fault is a message, never ours
            return [], [Problem(name, hook, f"found {hook}(); it failed: {one_line(fault)}")]
        return methods, wrong

    def method(self, method_id: str) -> Method:
        """Return a method by its id.

        Raises:
            Refused: No plugin supplies it; the nearest ids are named.
        """
        loaded = self._methods.get(method_id)
        if loaded is None:
            raise Refused(**self._absent(method_id))
        return loaded.method

    def _absent(self, method_id: str) -> dict[str, str]:
        hint = did_you_mean(method_id, self._methods, f"Installed are {', '.join(sorted(self._methods))}.")
        lost = "; ".join(str(problem) for problem in self.problems)
        return {"what": f"No method {method_id!r}", "why": lost or "no plugin supplies it", "do": hint}

    def compute(
        self,
        method_id: str,
        readings: Readings,
        piece: Piece | None = None,
        instruments: Mapping[str, Instrument] | None = None,
    ) -> Computation:
        """Compute what a method makes of readings; never raises for a plugin's fault.

        Args:
            method_id: The method.
            readings: As ``tracker.api.validate`` gave them; not changed.
            piece: What is recorded about the thing tested.
            instruments: What the readings were taken with, by field name or dimension word.
        """
        loaded = self._methods.get(method_id)
        if loaded is None:
            return Computation((), str(Refused(**self._absent(method_id))))
        return compute(loaded.method, loaded.plugin, readings, piece or Piece(), instruments or {})

    def figure(
        self,
        method_id: str,
        readings: Readings,
        piece: Piece | None = None,
        outcomes: Iterable[Computed] = (),
        form: str = "svg",
    ) -> bytes | None:
        """Return the method's picture of readings and results as SVG or PNG; None if it has none.

        A method that fails to draw costs its own picture; the reason goes to ``faults``.
        """
        loaded = self._methods.get(method_id)
        if loaded is None:
            return None
        place = f"figure of method {method_id} of plugin {loaded.plugin}"
        return self._guarded(
            place, lambda: _rendered(loaded.method.figure(readings, piece or Piece(), tuple(outcomes)), form)
        )

    @property
    def adds_factors(self) -> bool:
        """Whether any plugin has factors of its own: then only it can tell what is known of a specimen."""
        return bool(self._pluggy.hook.strandbook_factors.get_hookimpls())

    def factors(self, specimen: Mapping[str, Any]) -> tuple[FactorValue, ...]:
        """Return what plugins add to the factors of a specimen."""
        return self._gathered("strandbook_factors", FactorValue, specimen=specimen)

    def label_designs(self) -> tuple[LabelDesign, ...]:
        """Return the label designs that plugins bring."""
        return self._gathered("strandbook_label_designs", LabelDesign)

    def read_log(self, path: Path) -> ReadLog | None:
        """Return a log of a print as the first plugin that knows the file reads it, else None."""
        for place, call in self._calls("strandbook_read_log", path=path):
            found = self._guarded(place, call)
            if isinstance(found, ReadLog):
                return found
            if found is not None:
                self._note(f"{place} returned {found!r:.60}, which is not a ReadLog")
        return None

    def after_result(self, facts: ResultFacts) -> None:
        """Tell plugins of a result that was stored."""
        for place, call in self._calls("strandbook_after_result", result=facts):
            self._guarded(place, call)

    def _calls(self, hook: str, **arguments: Any) -> Iterator[tuple[str, Callable[[], Any]]]:
        """Yield each plugin's own call, in pluggy's order (last come first), so that each stands alone."""
        # One by one rather than through pluggy, whose call ends with the first failure.
        for each in reversed(getattr(self._pluggy.hook, hook).get_hookimpls()):
            given = [arguments[name] for name in each.argnames]
            yield f"{hook} of plugin {each.plugin_name}", partial(each.function, *given)

    def _gathered(self, hook: str, wanted: type[T], **arguments: Any) -> tuple[T, ...]:
        kept: list[T] = []
        for place, call in self._calls(hook, **arguments):
            for item in self._guarded(place, partial(_listed, call)) or ():
                if isinstance(item, wanted):
                    kept.append(item)
                else:
                    self._note(f"{place} returned {item!r:.60}, which is not a {wanted.__name__}")
        return tuple(kept)

    def _guarded(self, place: str, call: Callable[[], T]) -> T | None:
        try:
            return call()
        except (Exception, SystemExit) as fault:  # noqa: BLE001 - a plugin's fault is a message, never ours
            self._note(f"{place} failed: {one_line(fault)}")
            return None

    def _note(self, text: str) -> None:
        self.faults.append(text)
        _LOG.warning("%s", text)


def _listed(call: Callable[[], Any]) -> list[Any]:
    """Run a hook to its end here, for it may be a generator that fails on the way."""
    return list(call() or ())


def _rendered(figure: Any, form: str) -> bytes | None:
    if figure is None:
        return None

    buffer = io.BytesIO()
    # Names inside a picture are random otherwise, and two pictures of one result would differ.
    mpl.rcParams["svg.hashsalt"] = _OURS
    # A date in the file would make two pictures of one result differ.
    stamp = {"Date": None} if form == "svg" else {}
    figure.savefig(buffer, format=form, metadata=stamp)
    return buffer.getvalue()


def load(group: str = GROUP, extra: Iterable[Any] = ()) -> Plugged:
    """Load every installed plugin of an entry-point group, each on its own.

    Args:
        group: Entry-point group.
        extra: Further plugins that are not installed: modules, objects, or (name, plugin).
    """
    plugged = Plugged()
    found = metadata.entry_points(group=group)
    # Asked for once each: a package's whole description is parsed for its name, and it may have many plugins.
    ours = {dist for dist in {point.dist for point in found} if dist is not None and dist.name == _OURS}
    # Bundled methods come first, so that no other plugin can take the place of one; then sorted, so that who
    # comes first does not depend on the order of installation.
    for point in sorted(found, key=lambda point: (point.dist not in ours, point.name)):
        try:
            plugin = point.load()
        except (Exception, SystemExit) as fault:  # noqa: BLE001 - a plugin's fault is a message, never ours
            text = f"cannot be imported from {point.value}: {one_line(fault)}"
            plugged.problems.append(Problem(point.name, "", text))
        else:
            plugged.add(point.name, plugin)
    for plugin in extra:
        plugged.add(*_named(plugin))
    return plugged


def _named(plugin: Any) -> tuple[str, Any]:
    if isinstance(plugin, tuple):
        name, plugin = plugin
        return name, plugin
    return getattr(plugin, "__name__", type(plugin).__name__), plugin
