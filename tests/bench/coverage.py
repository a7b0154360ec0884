"""How often the printed 95 % interval of a mean holds the truth.

``python -m tests.bench.coverage [DRAWS [PLATES…]]``: random materials of one to five plates of one to eight
pieces, equal and unequal, s_L / s_r of 0, 1 and 2, in four worlds: with nothing else in the book; in a book
of twelve other materials that scatter alike; in one whose materials have a ratio of 0, 1 or 2 each; and in
one whose materials' ratios are drawn from the log-normal population that is assumed beforehand. PLATES (1 to
5) asks for the designs of so many plates only.

Two plates or more: each ratio is held to 92 to 97 % by itself. One plate alone cannot be: the interval knows
nothing of its own plate scatter (``tracker.statistics.plates`` says why), so the mean over the ratios is held
to it, and the single ratios are shown. So it is with the narrower interval that two and three plates have
beside the stated one, by the book. What lies outside 92 to 97 % is marked.

The stated interval of two plates or more asks nothing of the book, so it is the same in every world and
drawn in the first alone; four plates have no other.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator

from tests.bench._row import Row
from tracker.statistics import ASSUMED_RATIO, MaterialMean, PlateSums, material_means

_UNEQUAL: tuple[tuple[int, ...], ...] = (
    (1, 8), (3, 7), (1, 4, 8), (1, 1, 8), (1, 2, 4, 8), (1, 1, 1, 8), (1, 1, 1, 1, 8), (8, 8, 8, 8, 1),
)  # fmt: skip
DESIGNS: tuple[tuple[int, ...], ...] = (
    *((n,) * k for k in range(1, 6) for n in range(1, 9)),
    *_UNEQUAL,
)
"""Pieces of each plate: every equal number, and mixtures."""
_SOME: tuple[tuple[int, ...], ...] = (
    (1,), (4,), (8,), (1, 1), (4, 4), (8, 8), (4, 4, 4), (4,) * 5, (1,) * 5, *_UNEQUAL,
)  # fmt: skip
RATIOS = (0.0, 1.0, 2.0)
WORLDS: Final = ("alone", "alike", "mixed", "assumed")
_OWN_ONLY: Final = 4
"""Plates from which on nothing is taken from the book."""
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


@dataclass(frozen=True)
class Held:
    """Share of intervals that hold the truth; None where there is no such interval.

    Attributes:
        stated: Of the interval that is printed.
        by_book: Of the narrower one that two and three plates have beside it.
    """

    stated: float | None
    by_book: float | None


def coverage(sizes: Sequence[int], ratio: float, world: str, draws: int) -> Held:
    """Return how often both intervals hold the truth, of the same draws.

    Args:
        sizes: Pieces of each plate.
        ratio: s_L / s_r of the material.
        world: What else is in the book.
        draws: Number of books.
    """
    rng = np.random.default_rng([len(world), int(10 * ratio), *sizes])
    stated, by_book = [], []
    for _ in range(draws):
        found = one(rng, sizes, ratio, world)
        off = abs(found.mean - _MEAN)
        for held, half in ((stated, found.expanded), (by_book, found.with_book)):
            if half is not None:
                held.append(off <= half)
    return Held(*(float(np.mean(held)) if held else None for held in (stated, by_book)))


def ratios_of(world: str) -> tuple[float, ...]:
    """Return the ratios of a world; of the assumed one a single entry that stands for all of its ratios."""
    return RATIOS[:1] if world == "assumed" else RATIOS


def rows(draws: int = 100) -> list[Row]:
    """Return a row for some designs in each world; the floor is 95 %.

    Of two plates or more it holds the worst of the ratios, of one plate and beside the stated one their mean.
    """
    made = []
    for world in WORLDS:
        for sizes in _SOME:
            found = [coverage(sizes, ratio, world, draws) for ratio in ratios_of(world)]
            for beside, shares in ((False, [h.stated for h in found]), (True, [h.by_book for h in found])):
                known = [share for share in shares if share is not None]
                if not known:
                    continue
                averaged = beside or len(sizes) == 1
                share = float(np.mean(known)) if averaged else max(known, key=lambda x: abs(x - 0.95))
                what = (
                    "by the book, mean of ratios"
                    if beside
                    else "mean of ratios"
                    if averaged
                    else "worst ratio"
                )
                made.append(Row(f"interval, plates of {sizes}, {world}, {what}", share, 0.95, "92–97 %"))
    return made


def _shown(share: float | None) -> str:
    return "   -  " if share is None else f"{100 * share:5.1f}{' ' if 0.92 <= share <= 0.97 else '*'}"


def _line(name: str, shares: Sequence[Sequence[float | None]]) -> str:
    """Return a line of the table: the ratios of each world, and their mean where there are several."""
    parts = []
    for each in shares:
        known = [share for share in each if share is not None]
        mean = [float(np.mean(known)) if len(known) == len(each) else None] if len(each) > 1 else []
        parts.append("".join(map(_shown, [*each, *mean])))
    return f"{name:14}" + " | ".join(parts)


def main(draws: int, wanted: Sequence[int]) -> None:
    """Print the table of the designs of so many plates, of all where none is given."""
    heads = " | ".join(f"{world:{'<6' if world == 'assumed' else '<24'}}" for world in WORLDS)
    ratios = "    0     1     2  mean "
    print(f"coverage in %, {draws} draws each; s_L/s_r of 0, 1, 2 and their mean")
    print(f"{'pieces':14}{heads}\n{'':14}{' | '.join([ratios] * 3)} | all", flush=True)
    for sizes in DESIGNS:
        if wanted and len(sizes) not in wanted:
            continue
        name = "+".join(map(str, sizes)) if len(set(sizes)) > 1 else f"{len(sizes)} × {sizes[0]}"
        worlds = WORLDS if len(sizes) < _OWN_ONLY else WORLDS[:1]
        found = [[coverage(sizes, ratio, world, draws) for ratio in ratios_of(world)] for world in worlds]
        stated = found if len(sizes) == 1 else found[:1]
        print(_line(name, [[each.stated for each in row] for row in stated]), flush=True)
        if any(each.by_book is not None for row in found for each in row):
            print(_line("  by the book", [[each.by_book for each in row] for row in found]), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000, [int(each) for each in sys.argv[2:]])
