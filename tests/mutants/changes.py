"""Small changes of a source file, by the operators of cosmic-ray."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

# Before cosmic-ray: with parso 0.8.7 it imports parso's modules in an order that makes a circle.
import parso.python.tree  # noqa: F401
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

_NEED_NAMES = ("VariableReplacer", "VariableInserter")
"""Operators that want to be told names of variables; left out."""


@dataclass(frozen=True)
class Change:
    """One change of one file.

    Attributes:
        file: Path below the tree.
        line: Where, counted from 1.
        column: Where in the line, from 0.
        operator: Name as cosmic-ray has it.
        occurrence: Which place of the file, counted by that operator from 0.
    """

    file: str
    line: int
    column: int
    operator: str
    occurrence: int


@cache
def _operators() -> dict[str, Any]:
    names = (name for name in operator_names() if not name.endswith(_NEED_NAMES))
    return {name: get_operator(name)() for name in names}


def changes_of(file: Path, root: Path) -> Iterator[Change]:
    """Yield every change of a file, but for what is never run and what says again what was checked."""
    text = file.read_text("utf-8")
    unrun = set(_not_run(text))
    nodes = list(ast_nodes(get_ast(text)))
    for name, operator in _operators().items():
        occurrence = 0
        for node in nodes:
            for (line, column), _ in operator.mutation_positions(node):
                if (line, column) not in unrun:
                    yield Change(file.relative_to(root).as_posix(), line, column, name, occurrence)
                occurrence += 1


def made(change: Change, text: str) -> str | None:
    """Return a file's text with the change; None where it makes no Python."""
    try:
        found = mutate_code(text, _operators()[change.operator], change.occurrence)
    except AttributeError:
        # cosmic-ray 8.7 cannot replace an exception named with its module: `except json.JSONDecodeError`.
        return None
    if found is None or found == text:
        return None
    try:
        if ast.dump(ast.parse(found)) == ast.dump(ast.parse(text)):
            return None
    except SyntaxError:
        return None
    return str(found)


def _not_run(text: str) -> Iterator[tuple[int, int]]:
    """Yield positions of annotations (never evaluated here), of what type checkers read, and of ``strict``.

    An overload is for the type checker. ``zip(…, strict=…)`` says that lengths agree: it can be noticed only
    where one is wrong already.
    """
    lines = text.splitlines()
    for node in ast.walk(ast.parse(text)):
        parts: list[ast.AST | None] = []
        if isinstance(node, ast.arg | ast.AnnAssign):
            parts.append(node.annotation)
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            parts.append(node.returns)
            overloads = [each for each in node.decorator_list if ast.unparse(each) == "overload"]
            yield from ((each.lineno, each.col_offset - 1) for each in overloads)
            parts += [node] if overloads else []
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "zip":
            parts += [given.value for given in node.keywords if given.arg == "strict"]
        elif _never_runs(node):
            parts.append(node)
        for part in parts:
            if part is not None:
                yield from _span(part, lines)


def _never_runs(node: ast.AST) -> bool:
    """Say whether a statement is a docstring, or a block for the type checker."""
    if isinstance(node, ast.Expr):
        return isinstance(node.value, ast.Constant)
    return isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"


def _span(node: Any, lines: list[str]) -> Iterator[tuple[int, int]]:
    for line in range(node.lineno, node.end_lineno + 1):
        first = node.col_offset if line == node.lineno else 0
        last = node.end_col_offset if line == node.end_lineno else len(lines[line - 1])
        yield from ((line, column) for column in range(first, last + 1))
