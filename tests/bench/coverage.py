"""How often the printed 95 % interval of a mean holds the truth: ``python -m tests.bench.coverage [DRAWS]``.

Random materials of plates of pieces, s_L / s_r of 0, 1 and 2, in four worlds: with nothing else in the book;
in a book of twelve other materials that scatter alike; in one whose materials have a ratio of 0, 1 or 2 each;
and in one whose materials' ratios are drawn from the log-normal population that is assumed beforehand.

Two plates or more: each ratio is held to 92 to 97 % by itself. One plate alone cannot be: the interval knows
nothing of its own plate scatter (``tracker.statistics.plates`` says why), so the mean over the ratios is held
to it, and the single ratios are shown. So it is with the narrower interval that two and three plates have
beside the stated one, by the book. What lies outside 92 to 97 % is marked.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
from numpy.random import Generator

from tests.bench._row import Row
from tracker.statistics import ASSUMED_RATIO, MaterialMean, PlateSums, material_means

DESIGNS: tuple[tuple[int, ...], ...] = (
    (1,), (4,), (8,), (1, 1), (4, 4), (8, 8), (1, 8), (3, 7), (4, 4, 4), (1, 4, 8), (1, 1, 8), (5,) * 4,
    (1, 2, 4, 8), (1,) * 5, (4,) * 5, (8,) * 5, (1, 1, 1, 1, 8), (8, 8, 8, 8, 1),
)  # fmt: skip
RATIOS = (0.0, 1.0, 2.0)
WORLDS: Final = ("alone", "alike", "mixed", "assumed")
_FEW: Final = 4
_MEAN = 30.0
_CV = 0.05


def a_material(rng: Generator, sizes: Sequence[int], ratio: float, mean: float) -> list[list[float]]:
    """Return the plates of a material: pieces scatter by 5 % of its mean, plates by ``ratio`` times that."""
    plates = (mean * (1 + _CV * (ratio * rng.normal() + rng.normal(size=n))) for n in sizes)
    return [plate.tolist() for plate in plates]


def one(rng: Generator, sizes: Sequence[int], ratio: float, world: str) -> MaterialMean:
    """Return the mean of one material of a book; of the assumed world its ratio is drawn like the others'."""

    def drawn() -> float:
        return float(ASSUMED_RATIO[0] * np.exp(ASSUMED_RATIO[1] * rng.normal()))

    groups = [a_material(rng, sizes, drawn() if world == "assumed" else ratio, _MEAN)]
    for _ in range(12 if world != "alone" else 0):
        others = {"alike": ratio, "mixed": float(rng.choice(RATIOS)), "assumed": drawn()}[world]
        pieces = rng.integers(3, 6, int(rng.integers(1, 4))).tolist()
        groups.append(a_material(rng, pieces, others, float(rng.uniform(10.0, 80.0))))
    return material_means(PlateSums.of(groups), len(groups))[0]


def coverage(
    sizes: Sequence[int], ratio: float, world: str, draws: int, *, by_book: bool = False
) -> float | None:
    """Return the share of intervals that hold the truth; None where there is no interval.

    Args:
        sizes: Pieces of each plate.
        ratio: s_L / s_r of the material.
        world: What else is in the book.
        draws: Number of books.
        by_book: Of the interval that few plates have beside the stated one.
    """
    rng = np.random.default_rng([len(world), int(10 * ratio), *sizes])
    held = []
    for _ in range(draws):
        found = one(rng, sizes, ratio, world)
        half = found.with_book if by_book else found.expanded
        if half is not None:
            held.append(abs(found.mean - _MEAN) <= half)
    return float(np.mean(held)) if held else None


def cases() -> Iterator[tuple[str, tuple[int, ...], bool]]:
    """Yield worlds and designs, and whether it is the interval beside the stated one."""
    for world in WORLDS:
        for sizes in DESIGNS:
            yield world, sizes, False
            if world != "alone" and 1 < len(sizes) < _FEW:
                yield world, sizes, True


def shares(world: str, sizes: tuple[int, ...], draws: int, *, by_book: bool) -> list[float]:
    """Return the share held for each ratio; of the assumed world one alone, over all its ratios."""
    ratios = RATIOS[:1] if world == "assumed" else RATIOS
    found = (coverage(sizes, ratio, world, draws, by_book=by_book) for ratio in ratios)
    return [share for share in found if share is not None]


def rows(draws: int = 100) -> list[Row]:
    """Return a row for each world and design; the floor is 95 %.

    Of two plates or more it holds the worst of the ratios, of one plate and beside the stated one their mean.
    """
    made = []
    for world, sizes, by_book in cases():
        found = shares(world, sizes, draws, by_book=by_book)
        if not found:
            continue
        averaged = by_book or len(sizes) == 1
        share = float(np.mean(found)) if averaged else max(found, key=lambda each: abs(each - 0.95))
        what = "by the book, mean of ratios" if by_book else "mean of ratios" if averaged else "worst ratio"
        made.append(Row(f"interval, plates of {sizes}, {world}, {what}", share, 0.95, "92–97 %"))
    return made


def _shown(share: float) -> str:
    return f"{100 * share:5.1f}{' ' if 0.92 <= share <= 0.97 else '*'}"


def main(draws: int, wanted: Sequence[str]) -> None:
    """Print the table of all designs, worlds and ratios."""
    before = ""
    for world, sizes, by_book in cases():
        if world not in wanted:
            continue
        if world != before:
            heads = "over its ratios" if world == "assumed" else "at s_L/s_r of 0, 1, 2; their mean"
            print(f"{world}: coverage in % {heads}")
            before = world
        found = shares(world, sizes, draws, by_book=by_book)
        mean = f"  {_shown(float(np.mean(found)))}" if len(found) > 1 else ""
        beside = "  by the book" if by_book else ""
        print(f"  {'+'.join(map(str, sizes)):12}", *map(_shown, found), mean, beside, flush=True)
        if not found:
            print("      no interval")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000, sys.argv[2:] or WORLDS)
