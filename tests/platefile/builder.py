"""Small plates for the checks: text built line by line, with the markers of any dialect."""

from __future__ import annotations

from collections.abc import Callable, Iterable

Marks = tuple[Callable[[int, str], str], Callable[[int, str], str]]

DIALECTS: dict[str, Marks] = {
    "M486": (lambda i, _: f"M486 S{i}", lambda _, __: "M486 S-1"),
    "EXCLUDE_OBJECT": (
        lambda _, name: f"EXCLUDE_OBJECT_START NAME={name}",
        lambda _, name: f"EXCLUDE_OBJECT_END NAME={name}",
    ),
    "printing object": (
        lambda i, name: f"; printing object {name} id:{i} copy 0",
        lambda i, name: f"; stop printing object {name} id:{i} copy 0",
    ),
    "MESH": (lambda _, name: f";MESH:{name}", lambda _, __: ";MESH:NONMESH"),
    "PRINTING": (
        lambda i, name: f";PRINTING: {name}\n;PRINTING_ID: {i}",
        lambda _, __: ";PRINTING: NON-OBJECT\n;PRINTING_ID: -1",
    ),
}
"""Per dialect: how an object begins and how it ends, from its number and name."""

HEAD = ("G21", "G90", "M83", "M140 S60", "M104 S210", "G1 Z5 F3000", "G1 X0 Y0 F9000")


def text(lines: Iterable[str]) -> bytes:
    """Return lines as the bytes of a file."""
    return ("\n".join(lines) + "\n").encode()


def ring(x: float, y: float, length: float, width: float, e_per_mm: float = 0.03) -> list[str]:
    """Return one turn around a rectangle with its lower left corner at x, y; relative E."""
    corners = [(x + length, y), (x + length, y + width), (x, y + width), (x, y)]
    sides = [length, width, length, width]
    moves = [f"G1 X{a:g} Y{b:g} E{s * e_per_mm:.5f}" for (a, b), s in zip(corners, sides, strict=True)]
    return [f"G1 X{x:g} Y{y:g} F9000", "G1 F1800", *moves]


def boxes(
    pieces: dict[str, tuple[float, float, float, float]],
    layers: int = 3,
    height: float = 0.2,
    dialect: str | None = "EXCLUDE_OBJECT",
    head: Iterable[str] = HEAD,
) -> list[str]:
    """Return a plate of rectangular rings, layer by layer.

    Args:
        pieces: Name to x, y, length, width.
        layers: How many.
        height: Of each, mm.
        dialect: How objects are marked; None leaves them unmarked.
        head: Lines before the first layer.
    """
    lines = [*head]
    for layer in range(1, layers + 1):
        lines += [";LAYER_CHANGE", f";Z:{layer * height:g}", f"G1 Z{layer * height:g} F3000"]
        for number, (name, box) in enumerate(pieces.items()):
            begin, end = DIALECTS[dialect] if dialect else (lambda _, __: "", lambda _, __: "")
            lines += [begin(number, name), *ring(*box), end(number, name)]
    return [*lines, "M104 S0", "M140 S0"]


TWO = {"left": (10.0, 10.0, 40.0, 10.0), "right": (80.0, 10.0, 10.0, 40.0)}
"""Two bars, one along X and one along Y."""
