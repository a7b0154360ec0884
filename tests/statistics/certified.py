"""Certified data sets, and the number of digits to which a figure agrees with its certificate."""

from __future__ import annotations

import math
import re
from importlib.util import find_spec
from pathlib import Path

import pytest

SIRSTV = (
    (196.3052, 196.1240, 196.1890, 196.2569, 196.3403),
    (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
    (196.1303, 196.2005, 196.2889, 196.0343, 196.1811),
    (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
    (196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
)
SULFUR_1 = (
    (0.71, 0.71, 0.70, 0.71),
    (0.69, 0.67, 0.68),
    (0.66, 0.65, 0.69),
    (0.67, 0.65, 0.66),
    (0.70, 0.69, 0.66, 0.71, 0.69),
    (0.73, 0.74, 0.73),
    (0.71, 0.71, 0.69),
    (0.70, 0.65, 0.68),
)
SULFUR_2 = (
    (1.20, 1.18, 1.23, 1.21),
    (1.22, 1.21, 1.22),
    (1.28, 1.31, 1.30),
    (1.23, 1.18, 1.20),
    (1.31, 1.22, 1.22, 1.24),
    (1.39, 1.36, 1.37),
    (1.20, 1.26, 1.26),
    (1.24, 1.22, 1.30),
)
GLUCOSE = {
    "A": "41.03 41.45 41.37|41.17 42.00 41.15|41.01 40.68 42.66|39.37 42.37 42.63|"
    "41.88 41.19 41.32|43.28 40.50 42.28|41.08 41.27 39.02|43.36 42.65 41.72",
    "B": "78.28 78.18 78.49|77.78 80.38 79.54|79.18 79.72 80.81|84.08 78.60 81.92|"
    "78.16 79.58 78.33|78.66 79.27 81.75|79.76 81.45 77.35|80.44 80.80 79.80",
    "D": "193.71 193.59 193.65|190.88 200.14 194.30|192.71 193.28 190.28|195.85 196.36 199.43|"
    "192.59 191.44 195.12|195.34 198.26 198.13|194.66 191.99 187.13|197.56 195.99 200.82",
    "E": "292.78 294.09 292.89|292.27 309.40 295.08|295.53 290.14 292.34|295.19 295.44 296.83|"
    "293.93 292.48 294.28|297.74 296.80 290.33|287.29 293.76 289.36|298.46 295.28 296.12",
}


def glucose(material: str) -> list[list[float]]:
    """Return eight laboratories' three readings each of one glucose level."""
    return [[float(word) for word in group.split()] for group in GLUCOSE[material].split("|")]


def digits(found: float, certified: float) -> float:
    """Return the number of agreeing digits, -log10 of the relative error; 15 at most."""
    error = abs(found - certified) / (abs(certified) or 1.0)
    return 15.0 if error == 0 else min(15.0, -math.log10(error))


def strd_anova(name: str) -> tuple[list[list[float]], dict[str, float]]:
    """Return groups and certified values of a StRD analysis of variance shipped with SciPy."""
    lines = _strd("nist_anova", name).read_text(encoding="latin-1").splitlines()
    groups: dict[str, list[float]] = {}
    for line in lines[60:]:
        words = line.split()
        if len(words) == 2:
            groups.setdefault(words[0], []).append(float(words[1]))
    between = next(line for line in lines if line.startswith("Between")).split()
    within = next(line for line in lines if line.startswith("Within")).split()
    numbers = [float(word) for word in between if re.fullmatch(r"[\d.E+-]+", word)]
    rest = [float(word) for word in within if re.fullmatch(r"[\d.E+-]+", word)]
    return list(groups.values()), {"ss_between": numbers[1], "f": numbers[3], "ss_within": rest[1]}


def strd_line() -> tuple[list[float], list[float]]:
    """Return y and x of the StRD data set Norris shipped with SciPy."""
    lines = _strd("nist_linregress", "Norris").read_text(encoding="latin-1").splitlines()[60:]
    pairs = [tuple(map(float, line.split())) for line in lines if len(line.split()) == 2]
    return [pair[0] for pair in pairs], [pair[1] for pair in pairs]


def _strd(folder: str, name: str) -> Path:
    spec = find_spec("scipy.stats")
    assert spec is not None
    assert spec.origin is not None
    path = Path(spec.origin).parent / "tests" / "data" / folder / f"{name}.dat"
    if not path.exists():
        pytest.skip("this build of SciPy comes without its certified data sets")
    return path
