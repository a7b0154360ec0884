"""The house as a whole: what imports what."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

_ROOT = Path(__file__).resolve().parents[2]
_PLACES = ("", "plugins", "labels", "demo_db")
_PACKAGES = ("tracker", "tracker_methods", "tracker_labels", "tracker_demo")
_MOST_DEFERRED = 60


@cache
def _modules() -> dict[str, ast.Module]:
    found = {}
    for place in _PLACES:
        for package in _PACKAGES:
            for path in (_ROOT / place / package).rglob("*.py"):
                name = ".".join(path.relative_to(_ROOT / place).with_suffix("").parts)
                found[name.removesuffix(".__init__")] = ast.parse(path.read_text("utf-8"))
    return found


def _imports(tree: ast.AST, *, inside: bool = False) -> Iterator[tuple[ast.AST, bool]]:
    """Yield the imports of a module, each with whether it is in a function."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            yield node, inside
        # Expressions hold no imports: to pass them by takes a tenth of the time.
        elif isinstance(node, (ast.stmt, ast.ExceptHandler)):
            yield from _imports(
                node, inside=inside or isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))
            )


def _imported(node: ast.AST) -> Iterator[str]:
    """Yield what an import names, each name of it as a module of its package first."""
    if isinstance(node, ast.Import):
        yield from (each.name for each in node.names)
    elif isinstance(node, ast.ImportFrom) and node.module is not None:
        known = _modules()
        for each in node.names:
            whole = f"{node.module}.{each.name}"
            yield whole if whole in known else node.module


def test_no_module_imports_itself_by_way_of_others() -> None:
    """Imports inside of functions and for types alone are counted: a circle hidden there is one."""
    known = _modules()
    graph = {
        name: {each for node, _ in _imports(tree) for each in _imported(node)} & known.keys() - {name}
        for name, tree in known.items()
    }
    assert len(list(TopologicalSorter(graph).static_order())) == len(known)


def test_few_imports_are_deferred_otherwise_than_by_name() -> None:
    """What is slow to load is at the head of its module as ``lazy(…)``, where everybody sees it."""
    deferred = [
        (name, ast.unparse(node))
        for name, tree in _modules().items()
        for node, inside in _imports(tree)
        if inside
    ]
    assert len(deferred) <= _MOST_DEFERRED, deferred
