"""A plugin is checked when it arrives, and blamed precisely."""

from __future__ import annotations

from collections.abc import Callable
from importlib import metadata
from types import SimpleNamespace
from typing import Any

import pytest

from tests.plugins.stranger import Good, GoodReadings, offering
from tracker import plugins
from tracker.api import Method, Quantity, Readings, Refused, hookimpl
from tracker.api.hooks import GROUP

BUNDLED = {
    *("tensile", "shear", "torsion", "creep", "impact", "bending", "softening"),
    *("dimensions", "density", "taptone", "diameter", "bendcheck", "appearance"),
    *("adhesion", "compression", "flatness", "hardness", "heatdeflection", "notchedimpact"),
}


def loaded(*extra: Any) -> plugins.Plugged:
    """Return a manager with given plugins alone."""
    return plugins.load(group="nothing is installed here", extra=extra)


def problem(plugin: Any) -> str:
    """Return why a plugin is refused, as one line."""
    found = loaded(("odd", plugin))
    assert found.plugins == ()
    (only,) = found.problems
    assert "\n" not in str(only)
    return str(only)


def test_the_bundled_methods_come_through_the_entry_points() -> None:
    """As anybody's would."""
    points = {
        point.name
        for point in metadata.entry_points(group=GROUP)
        if point.value.startswith("tracker_methods.")
    }
    assert points == BUNDLED
    assert set(plugins.load().methods) >= BUNDLED


def test_a_good_plugin_is_there_with_its_method() -> None:
    """And known by its plugin's name."""
    found = loaded(("mine", offering(Good())))
    assert (found.problems, found.plugins, found.methods["good"].plugin) == ([], ("mine",), "mine")


def test_a_misspelt_hook_is_refused_with_the_nearest_name() -> None:
    """Plugin, hook, signature and the likely name."""

    @hookimpl
    def strandbook_method() -> list[Method]:
        return []

    assert problem(SimpleNamespace(strandbook_method=strandbook_method)) == (
        "plugin odd, hook strandbook_method: found strandbook_method(); no such hook, "
        "did you mean strandbook_methods?"
    )


def test_wrong_arguments_are_refused_with_those_allowed() -> None:
    """The signature found and the one offered."""

    @hookimpl
    def strandbook_read_log(file: object) -> None:
        """Read nothing."""

    assert problem(SimpleNamespace(strandbook_read_log=strandbook_read_log)) == (
        "plugin odd, hook strandbook_read_log: found strandbook_read_log(file); "
        "allowed is strandbook_read_log(path) or fewer arguments"
    )


def test_fewer_arguments_are_enough() -> None:
    """An implementer asks for what it needs."""

    @hookimpl
    def strandbook_factors() -> list[Any]:
        return []

    assert loaded(("mine", SimpleNamespace(strandbook_factors=strandbook_factors))).problems == []


def test_a_hook_that_was_not_marked_is_refused() -> None:
    """It would silently never be called."""

    def strandbook_methods() -> list[Method]:
        return []

    assert "is not marked; write @hookimpl above it" in problem(
        SimpleNamespace(strandbook_methods=strandbook_methods)
    )


def test_a_wrapper_is_refused() -> None:
    """One that fails would take other plugins with it."""

    @hookimpl(wrapper=True)
    def strandbook_methods() -> Any:
        return (yield)

    assert "wrappers are refused" in problem(SimpleNamespace(strandbook_methods=strandbook_methods))


def test_several_slips_are_reported_one_a_line() -> None:
    """A plugin's author can mend them together."""

    @hookimpl
    def strandbook_factors(piece: object) -> list[Any]:
        return [piece]

    @hookimpl
    def strandbook_labels() -> list[Any]:
        return []

    plugin = SimpleNamespace(strandbook_factors=strandbook_factors, strandbook_labels=strandbook_labels)
    assert len(loaded(("odd", plugin)).problems) == 2


def test_a_plugin_whose_hook_raises_is_refused() -> None:
    """Its error is in the line."""

    @hookimpl
    def strandbook_methods() -> list[Method]:
        raise RuntimeError("no licence\nfound")

    assert problem(SimpleNamespace(strandbook_methods=strandbook_methods)).endswith(
        "it failed: RuntimeError: no licence found"
    )


def with_(**changes: Any) -> Method:
    """Return the good method, changed."""
    made: Method = type("Changed", (Good,), changes)()
    return made


class Untold(Readings):
    """Readings with a field that cannot be prompted for."""

    things: dict[str, int]


@pytest.mark.parametrize(
    ("method", "why"),
    [
        (object(), "is not an instance of tracker.api.Method"),
        (with_(version=""), "method 'good' has no version"),
        (with_(title=" ", standard=""), "method 'good' has no title, standard"),
        (with_(Readings=None), "has no Readings model"),
        (with_(Readings=Readings), "has no Readings model"),
        (with_(Readings=Untold), "can be neither prompted for"),
        (with_(quantities=()), "declares no quantities"),
        (with_(quantities=("good.x",)), "is not a tracker.api.Quantity"),
        (with_(quantities=(Quantity("other.x", "MPa"),)), "must be named good.SOMETHING"),
        (with_(quantities=(Quantity("good.", "MPa"),)), "must be named good.SOMETHING"),
        (with_(quantities=(Quantity("good.x", "MPa"),) * 2), "is declared twice"),
        (with_(quantities=(Quantity("good.x", "blorps"),)), "has the unit 'blorps', which cannot be read"),
    ],
)
def test_a_method_that_lacks_something_is_refused(method: Any, why: str) -> None:
    """Each lack has its words."""
    text = problem(offering(method))
    assert text.startswith("plugin odd, hook strandbook_methods: ")
    assert why in text


def test_a_reading_with_an_unreadable_unit_is_refused() -> None:
    """The reading and its unit are named."""
    from typing import Annotated  # noqa: PLC0415 - the model is made for this test alone

    from tracker.api import Reading  # noqa: PLC0415 - the same

    class Strange(GoodReadings):
        """A reading in no unit."""

        depth: Annotated[float | None, Reading("blorps")] = None

    assert "reading 'depth' has the unit 'blorps'" in problem(offering(with_(Readings=Strange)))


def test_a_method_id_is_taken_once() -> None:
    """The later plugin is refused, the earlier stays."""
    found = loaded(("first", offering(Good())), ("second", offering(Good())))
    assert found.methods["good"].plugin == "first"
    assert "already supplied by another plugin" in str(found.problems[0])


def test_a_plugin_offering_one_id_twice_is_refused() -> None:
    """Neither of the two is taken."""
    assert "already supplied" in problem(offering(Good(), Good()))


def test_a_plugin_name_is_taken_once() -> None:
    """A second plugin of the same name is refused."""
    found = loaded(("mine", offering(Good())), ("mine", SimpleNamespace()))
    assert "a plugin of this name is already there" in str(found.problems[0])


def test_a_refused_plugin_costs_the_others_nothing() -> None:
    """The good one is there beside the bad one."""
    found = loaded(("odd", offering(object())), ("mine", offering(Good())))
    assert set(found.methods) == {"good"}


@pytest.mark.parametrize("fault", [ImportError("no module named x"), SystemExit(3), SyntaxError("bad")])
def test_a_plugin_that_cannot_be_imported_is_listed(
    monkeypatch: pytest.MonkeyPatch, fault: BaseException
) -> None:
    """With its name, where it was looked for, and why; whatever the import raises."""

    def fail(_point: object) -> None:
        raise fault

    point = metadata.EntryPoint("broken", "not_there.at_all", "some group")
    monkeypatch.setattr(metadata, "entry_points", lambda **_: [point])
    monkeypatch.setattr(metadata.EntryPoint, "load", fail)
    (only,) = plugins.load("some group").problems
    assert str(only).startswith(
        f"plugin broken: cannot be imported from not_there.at_all: {type(fault).__name__}"
    )


def test_a_plugin_that_fails_when_looked_at_is_refused() -> None:
    """Even an attribute may raise."""

    class Trap:
        """A plugin that raises when it is looked at."""

        @property
        def strandbook_methods(self) -> object:
            """Never answer."""
            raise RuntimeError("hands off")

    assert problem(Trap()) == "plugin odd: cannot be looked at: RuntimeError: hands off"


def test_ours_come_before_a_stranger_s(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody takes the place of a bundled method by coming first in the alphabet."""
    (ours,) = metadata.entry_points(group=GROUP, name="tensile")
    copy = offering(with_(id="tensile", quantities=(Quantity("tensile.x", "MPa"),)))
    load = metadata.EntryPoint.load
    stranger = metadata.EntryPoint("aaa", "somewhere.else", GROUP)
    monkeypatch.setattr(metadata, "entry_points", lambda **_: [stranger, ours])
    monkeypatch.setattr(
        metadata.EntryPoint, "load", lambda point: copy if point.name == "aaa" else load(point)
    )
    assert plugins.load().methods["tensile"].plugin == "tensile"


def test_a_method_that_is_not_there_is_answered_with_close_ones() -> None:
    """A slip in a name is recognised."""
    with pytest.raises(Refused, match=r"^No method 'tensle'.*Did you mean tensile\?"):
        plugins.load().method("tensle")


def test_a_method_that_is_close_to_nothing_is_answered_with_all() -> None:
    """So that one can choose."""
    with pytest.raises(Refused, match="Installed are good"):
        loaded(("mine", offering(Good()))).method("zzz")


def test_a_missing_method_brings_up_refused_plugins() -> None:
    """The likely cause is named where the method is missed."""
    found = loaded(("odd", offering(with_(version=""))))
    with pytest.raises(Refused, match="plugin odd, hook strandbook_methods: method 'good' has no version"):
        found.method("good")


def test_every_hook_is_known_with_its_arguments() -> None:
    """What documentation is compared with."""
    assert plugins.hooks() == {
        "strandbook_methods": (),
        "strandbook_factors": ("specimen",),
        "strandbook_read_log": ("path",),
        "strandbook_label_designs": (),
        "strandbook_after_result": ("result",),
    }


def test_methods_cannot_be_slipped_in_past_the_checks() -> None:
    """The mapping is read only."""
    methods: Callable[..., Any] = loaded().methods.__class__
    assert methods.__name__ == "mappingproxy"
