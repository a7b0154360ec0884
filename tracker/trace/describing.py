"""What the installed methods say of themselves, for a trace that wants titles and units."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol

Describe = Callable[[str], Mapping[str, Any]]
"""From a method's id to what is to be said of it: ``title``, ``standard``, ``units`` by reading."""


class _Plugged(Protocol):
    """The part of the plugin manager that is asked."""

    @property
    def methods(self) -> Mapping[str, Any]:
        """Loaded methods by id."""
        ...


def described_by(plugged: _Plugged) -> Describe:
    """Return what describes methods from the plugins that are there; one that is gone stays unsaid."""

    def describe(method_id: str) -> Mapping[str, Any]:
        loaded = plugged.methods.get(method_id)
        if loaded is None:
            return {}
        from tracker.api import fields  # noqa: PLC0415 - pydantic; whoever has plugins has paid for it

        units = {field.name: field.unit for field in fields(loaded.method.Readings) if field.unit}
        return {"title": loaded.method.title, "standard": loaded.method.standard, "units": units}

    return describe
