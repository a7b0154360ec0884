"""The reference of the manual, made from the program and the plugins that are installed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from tracker.api import fields
from tracker.browse import KINDS, filters_of, sorts_of
from tracker.desk.importing.columnmap import SPECIMEN_TEXTS
from tracker.factors import REGISTRY
from tracker.manual import Topic
from tracker.plugins import Plugged, hooks
from tracker.selection import OWN_NAMES

REFERENCE: Final = "reference"
"""Name of the page."""


def reference(plugged: Plugged, commands: Iterable[str]) -> Topic:
    """Return the reference page.

    Args:
        plugged: The methods that are installed.
        commands: What the command line says of its commands, as lines of Markdown.
    """
    lines = ["# Reference", "", "Made from the program and the plugins that are installed.", ""]
    lines += ["## Commands", "", *commands, ""]
    lines += ["## Filters", "", *_filters(), ""]
    lines += ["## Methods and quantities", "", *_quantities(plugged), ""]
    lines += ["## Factors", "", *_factors(), ""]
    lines += ["## Column map of import", "", *_column_map(plugged), ""]
    lines += ["## Hooks of plugins", "", *_hooks()]
    return Topic(REFERENCE, "Reference", "\n".join(lines) + "\n")


def _filters() -> Iterator[str]:
    yield (
        "Conditions with blanks between, all of which must hold: "
        '`material="X 1" orientation=upright nozzle_c>260`. A value with blanks is put in quotes.'
    )
    yield ""
    yield "- Signs: `=`, `!=`; for numbers `<`, `<=`, `>`, `>=` too. What is not recorded fulfils `!=` alone."
    yield f"- Of every result: {', '.join(f'`{each}`' for each in sorted(OWN_NAMES))}"
    yield "- Any factor below, by its name."
    for kind in KINDS:
        chosen, sorted_by = (
            ", ".join(f"`{each}`" for each in names) for names in (filters_of(kind), sorts_of(kind))
        )
        yield f"- List of {kind} on the page: by {chosen}; sorted by {sorted_by}"


def _quantities(plugged: Plugged) -> Iterator[str]:
    for loaded in plugged.methods.values():
        yield f"- `{loaded.method.id}`: {loaded.method.title}. {loaded.method.standard}"
        for each in loaded.method.quantities:
            yield f"    - `{each.name}` [{each.unit}]: {each.title}"


def _factors() -> Iterator[str]:
    for each in REGISTRY:
        what = f"[{each.unit}], differences up to {each.resolution:g} are none" if each.unit else "a word"
        yield f"- `{each.name}`: {each.words}; {what}"


def _column_map(plugged: Plugged) -> Iterator[str]:
    yield f"- `[specimen]`: `material`, `plate`, {', '.join(f'`{each}`' for each in SPECIMEN_TEXTS)}"
    yield "- `[factors]`: any factor above, or a name of your own that ends in its unit"
    for loaded in plugged.methods.values():
        names = ", ".join(f"`{each.name}`" for each in fields(loaded.method.Readings))
        yield f"- `[readings.{loaded.method.id}]`: {names}"
    yield "- `[quantities]`: any quantity above, for numbers without raw readings"


def _hooks() -> Iterator[str]:
    for name, arguments in hooks().items():
        yield f"- `{name}({', '.join(arguments)})`"
