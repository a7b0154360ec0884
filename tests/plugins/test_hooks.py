"""Every hook, used; each alone when another plugin fails."""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from tests.plugins.stranger import Good, offering
from tracker import plugins
from tracker.api import FactorValue, LabelDesign, ReadLog, ResultFacts, hookimpl
from tracker.api import hooks as specs

LOG = ReadLog({"chamber_c": [60.0]}, [0.0], absolute=False)
FACTS = ResultFacts("M0001-A", "J0001-01-A", "good.size", 3.0, "mm", None, "good", "1")


class Plugin:
    """A plugin with one hook, equal to itself alone."""

    def __init__(self, hook: str, function: Any) -> None:
        setattr(self, hook, hookimpl(function))


def plugin(hook: str, function: Any) -> Plugin:
    """Return a plugin with one hook."""
    return Plugin(hook, function)


def manager(*given: Any) -> plugins.Plugged:
    """Return a manager of plugins, named in order."""
    found = plugins.load("none", extra=[(f"p{number}", each) for number, each in enumerate(given)])
    assert found.problems == []
    return found


def test_hook_strandbook_methods() -> None:
    """Methods are offered once, on arrival."""
    assert list(manager(offering(Good())).methods) == ["good"]


def test_hook_strandbook_factors() -> None:
    """Factors of all plugins are gathered, given everything known of the specimen."""

    def strandbook_factors(specimen: Mapping[str, Any]) -> list[FactorValue]:
        return [FactorValue("shelf", specimen["shelf"], basis="stated")]

    found = manager(
        plugin("strandbook_factors", strandbook_factors), plugin("strandbook_factors", strandbook_factors)
    )
    assert [each.value for each in found.factors({"shelf": "upper"})] == ["upper", "upper"]


def test_hook_strandbook_read_log() -> None:
    """The first plugin that knows the file reads it; one that returns None leaves it to another."""

    def reads(path: Path) -> ReadLog | None:
        return LOG if path.suffix == ".log" else None

    def leaves(path: Path) -> None:
        del path

    found = manager(plugin("strandbook_read_log", reads), plugin("strandbook_read_log", leaves))
    assert found.read_log(Path("a.log")) is LOG
    assert found.read_log(Path("a.txt")) is None


def test_hook_strandbook_label_designs() -> None:
    """Label designs are gathered."""
    design = LabelDesign("plain", "nothing but the ID", lambda facts: [facts["id"]])
    found = manager(plugin("strandbook_label_designs", lambda: [design]))
    assert found.label_designs() == (design,)


def test_hook_strandbook_after_result() -> None:
    """Every plugin is told of a result."""
    told: list[ResultFacts] = []

    def strandbook_after_result(result: ResultFacts) -> None:
        told.append(result)

    each = plugin("strandbook_after_result", strandbook_after_result)
    manager(each, plugin("strandbook_after_result", strandbook_after_result)).after_result(FACTS)
    assert told == [FACTS, FACTS]


def test_every_hook_has_a_test_here() -> None:
    """A hook without a test of its name fails here."""
    assert {f"test_hook_{hook}" for hook in plugins.hooks()} <= set(globals())


@pytest.mark.parametrize("hook", list(plugins.hooks()))
def test_every_hook_says_its_arguments_and_what_to_return(hook: str) -> None:
    """The specification is documented where it is."""
    text = inspect.getdoc(getattr(specs, hook)) or ""
    assert "Returns:" in text
    assert all(f"{argument}:" in text for argument in plugins.hooks()[hook])


def bad(specimen: object = None, path: object = None, result: object = None) -> Any:
    """Fail whatever is asked."""
    del specimen, path, result
    raise RuntimeError("bad day")


def test_a_failing_factor_hook_costs_its_own_factors_only() -> None:
    """The other plugin's are there, and the fault is kept with the name."""

    def fails(specimen: object) -> Any:
        return bad(specimen)

    good = plugin("strandbook_factors", lambda specimen: [FactorValue("shelf", len(specimen))])
    found = manager(good, plugin("strandbook_factors", fails))
    assert [each.name for each in found.factors({})] == ["shelf"]
    assert list(found.faults) == ["strandbook_factors of plugin p1 failed: RuntimeError: bad day"]


def test_a_generator_that_fails_halfway_gives_nothing() -> None:
    """Half a list of factors is none."""

    def strandbook_factors(specimen: Any) -> Any:
        yield FactorValue("shelf", 1.0)
        bad(specimen)

    found = manager(plugin("strandbook_factors", strandbook_factors))
    assert found.factors({}) == ()
    assert len(found.faults) == 1


def test_what_is_no_factor_is_left_out_and_named() -> None:
    """A dictionary is not a FactorValue."""
    found = manager(
        plugin("strandbook_factors", lambda specimen: [dict(specimen), FactorValue("shelf", 1.0)])
    )
    assert [each.name for each in found.factors({})] == ["shelf"]
    assert found.faults[0] == "strandbook_factors of plugin p0 returned {}, which is not a FactorValue"


@pytest.mark.parametrize("answer", [None, ()])
def test_a_plugin_may_have_nothing_to_add(answer: Any) -> None:
    """None and an empty list are both nothing."""
    found = manager(plugin("strandbook_label_designs", lambda: answer))
    assert found.label_designs() == ()
    assert not found.faults


def test_a_failing_log_reader_leaves_the_file_to_the_next() -> None:
    """Plugins are asked last come first."""

    def fails(path: object) -> Any:
        return bad(path=path)

    def reads(path: object) -> ReadLog:
        del path
        return LOG

    found = manager(plugin("strandbook_read_log", reads), plugin("strandbook_read_log", fails))
    assert found.read_log(Path("a.log")) is LOG
    assert found.faults[0].startswith("strandbook_read_log of plugin p1 failed")


def test_a_log_reader_that_returns_something_else_is_passed_over() -> None:
    """And named."""

    def wrong(path: object) -> Any:
        return {"path": path}

    found = manager(plugin("strandbook_read_log", wrong))
    assert found.read_log(Path("a.log")) is None
    assert "which is not a ReadLog" in found.faults[0]


def test_a_plugin_that_fails_to_hear_changes_nothing() -> None:
    """What is raised after a result is kept as a fault."""

    def fails(result: object) -> None:
        bad(result=result)

    found = manager(plugin("strandbook_after_result", fails))
    found.after_result(FACTS)
    assert len(found.faults) == 1


def test_only_the_last_hundred_faults_are_kept() -> None:
    """A bench page that runs for weeks does not fill up."""

    def fails(result: object) -> None:
        bad(result=result)

    found = manager(plugin("strandbook_after_result", fails))
    for _ in range(120):
        found.after_result(FACTS)
    assert len(found.faults) == 100
