"""How often the printed 95 % interval of a mean holds the truth: ``python -m tests.bench.coverage [DRAWS]``.

Random materials of plates of pieces, s_L / s_r of 0, 1 and 2: with nothing else in the book; in a book of
twelve other materials that scatter alike; and in one whose materials each have a ratio of their own, which no
interval that borrows can follow. What lies outside 92 to 97 % is marked.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import numpy as np
from numpy.random import Generator

from tests.bench._row import Row
from tracker.statistics import MaterialMean, PlateSums, material_means

DESIGNS: tuple[tuple[int, ...], ...] = (
    (1,), (4,), (8,), (1, 1), (4, 4), (8, 8), (1, 8), (3, 7), (4, 4, 4), (1, 4, 8), (1, 1, 8), (5,) * 4,
    (1, 2, 4, 8), (1,) * 5, (4,) * 5, (8,) * 5, (1, 1, 1, 1, 8), (8, 8, 8, 8, 1),
)  # fmt: skip
RATIOS = (0.0, 1.0, 2.0)
_MEAN = 30.0
_CV = 0.05


def a_material(rng: Generator, sizes: Sequence[int], ratio: float, mean: float) -> list[list[float]]:
    """Return the plates of a material: pieces scatter by 5 % of its mean, plates by ``ratio`` times that."""
    plates = (mean * (1 + _CV * (ratio * rng.normal() + rng.normal(size=n))) for n in sizes)
    return [plate.tolist() for plate in plates]


def one(rng: Generator, sizes: Sequence[int], ratio: float, book: str) -> MaterialMean:
    """Return the mean of one material of a book."""
    groups = [a_material(rng, sizes, ratio, _MEAN)]
    for _ in range(12 if book != "alone" else 0):
        others = ratio if book == "alike" else float(rng.choice(RATIOS))
        pieces = rng.integers(3, 6, int(rng.integers(1, 4))).tolist()
        groups.append(a_material(rng, pieces, others, float(rng.uniform(10.0, 80.0))))
    return material_means(PlateSums.of(groups), len(groups))[0]


def coverage(sizes: Sequence[int], ratio: float, book: str, draws: int) -> float | None:
    """Return the share of intervals that hold the truth; None where there is no interval."""
    rng = np.random.default_rng([len(book), int(10 * ratio), *sizes])
    found = [one(rng, sizes, ratio, book) for _ in range(draws)]
    if any(each.low is None for each in found):
        return None
    return float(np.mean([(each.low or 0.0) <= _MEAN <= (each.high or 0.0) for each in found]))


def rows(draws: int = 300) -> list[Row]:
    """Return a row for each design and book with the worst of the three ratios; the floor is 95 %."""
    made = []
    for book in ("alone", "alike"):
        for sizes in DESIGNS:
            shares = [share for r in RATIOS if (share := coverage(sizes, r, book, draws)) is not None]
            if shares:
                worst = max(shares, key=lambda share: abs(share - 0.95))
                made.append(Row(f"interval, plates of {sizes}, book {book}", worst, 0.95, "92–97 %"))
    return made


def _shown(share: float | None) -> str:
    if share is None:
        return "no interval"
    return f"{100 * share:5.1f}{' ' if 0.92 <= share <= 0.97 else '*'}"


def main(draws: int) -> None:
    """Print the table of all designs, books and ratios."""
    for book in ("alone", "alike", "mixed"):
        print(f"{book}: coverage in % at s_L/s_r of 0, 1, 2")
        for sizes in DESIGNS:
            shares = [coverage(sizes, ratio, book, draws) for ratio in RATIOS]
            cells = map(_shown, shares)
            print(f"  {'+'.join(map(str, sizes)):12}", *cells, flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
