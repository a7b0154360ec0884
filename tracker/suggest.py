"""What was probably meant: names near to one that was typed."""

from __future__ import annotations

from collections.abc import Iterable


def close_names(typed: str, names: Iterable[str], most: int = 3) -> list[str]:
    """Return names that are spelt like what was typed, the nearest first; capitals do not matter.

    Where none is, those that hold it as a part: ``strength`` is near ``tensile.strength``.

    Args:
        typed: What nobody knows.
        names: What there is.
        most: How many at most.
    """
    import difflib  # noqa: PLC0415 - only after a slip, and many commands pass here

    folded = {name.casefold(): name for name in sorted(names)}
    wanted = typed.strip().casefold()
    near = difflib.get_close_matches(wanted, folded, n=most)
    if not near and wanted:
        near = [each for each in folded if wanted in each][:most]
    return [folded[each] for each in near]


def did_you_mean(typed: str, names: Iterable[str], otherwise: str = "") -> str:
    """Return a question with the near names; where there is none, what else can be done."""
    near = close_names(typed, names)
    return f"Did you mean {' or '.join(near)}?" if near else otherwise
