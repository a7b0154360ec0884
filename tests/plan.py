"""Write the plan of the house into DEVELOPERS.md, from the import contracts and the rooms' first lines.

python -m tests.plan            write it
python -m tests.plan --check    say whether it is as the contracts have it; exit 1 if not
"""

from __future__ import annotations

import ast
import sys
import tomllib
from pathlib import Path
from typing import Final

_ROOT: Final = Path(__file__).resolve().parents[1]
_PAGE: Final = _ROOT / "DEVELOPERS.md"
_BEGIN, _END = "<!-- plan: begin (python -m tests.plan) -->\n", "<!-- plan: end -->\n"
_PACKAGES: Final = {
    "tracker": "tracker",
    "tracker_methods": "plugins/tracker_methods",
    "tracker_labels": "labels/tracker_labels",
    "tracker_demo": "demo_db/tracker_demo",
}


def plan() -> str:
    """Return the plan as Markdown: the packages, then the rooms of ``tracker`` from top to bottom."""
    contracts = tomllib.loads((_ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["importlinter"][
        "contracts"
    ]
    layers = next(each for each in contracts if each["type"] == "layers")["layers"]
    lines = ["| package | holds |", "|---|---|"]
    lines += [f"| `{path}` | {_purpose(_ROOT / path)} |" for path in _PACKAGES.values()]
    lines += [
        "",
        "Inside `tracker/` imports run one way, downwards; rooms in one row do not import each other.",
        "",
    ]
    lines += ["| row | room | holds |", "|---|---|---|"]
    for row, layer in enumerate(layers, start=1):
        rooms = [room.strip() for room in layer.split("|")]
        lines += [f"| {row} | `{room}` | {_purpose(_ROOT / 'tracker' / room)} |" for room in rooms]
    lines += ["", "Beside the rows, `lint-imports` holds:", ""]
    lines += [f"- {each['name']}." for each in contracts if each["type"] != "layers"]
    return "\n".join(lines) + "\n"


def _purpose(path: Path) -> str:
    """Return the first sentence of a module's or package's docstring."""
    module = path.with_suffix(".py")
    file = module if module.is_file() else path / "__init__.py"
    said = ast.get_docstring(ast.parse(file.read_text("utf-8"))) or ""
    return " ".join(said.split("\n\n")[0].split())


def written() -> str:
    """Return DEVELOPERS.md with the plan as it is now."""
    page = _PAGE.read_text("utf-8")
    head, _, rest = page.partition(_BEGIN)
    _, _, tail = rest.partition(_END)
    return f"{head}{_BEGIN}\n{plan()}\n{_END}{tail}"


def main() -> None:
    """Write the plan, or check it."""
    page = written()
    if "--check" in sys.argv[1:]:
        if page != _PAGE.read_text("utf-8"):
            sys.exit("DEVELOPERS.md does not hold the plan of the house: run python -m tests.plan")
        return
    _PAGE.write_text(page, "utf-8")


if __name__ == "__main__":
    main()
