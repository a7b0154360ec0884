"""Speed of the rooms that read logs and follow the water in a spool."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np

from tests.bench._row import Row
from tracker.chamberlog import read_csv_log
from tracker.exposure import PLACES, Drying, Family, StoragePeriod, load_families, timeline, water
from tracker.exposure.physics import RATES

_START = datetime(2023, 1, 1, tzinfo=UTC)
_EVENTS = 2000
_ROWS = 1_000_000


def rows() -> list[Row]:
    """Return the rows of the table of speeds."""
    return [_water(weighed=False), _water(weighed=True), _log()]


def _water(*, weighed: bool) -> Row:
    periods, dryings = _events(weighed=weighed)
    family = load_families().find("PA6")
    ours, floor = _alternating(lambda: _answer(periods, dryings, family), _one_strand)
    return Row(
        f"water of a spool with {_EVENTS} events{', every drying weighed' if weighed else ''}",
        ours,
        floor,
        "none: rare" if weighed else "at most 0.05 s",
        note="floor: one strand, 200 modes, the same steps, no bounds, no days to sort",
    )


def _answer(periods: list[StoragePeriod], dryings: list[Drying], family: Family | None) -> None:
    until = _START + timedelta(hours=8 * _EVENTS)
    water(timeline(periods, dryings, [], until), until, family, 1.75)


def _events(*, weighed: bool) -> tuple[list[StoragePeriod], list[Drying]]:
    rng = np.random.default_rng(1)
    periods, dryings = [], []
    for i in range(_EVENTS):
        began = _START + timedelta(hours=8 * i)
        ended = began + timedelta(hours=8)
        if i % 10 == 9:
            scale = (
                {"before_g": 1230.0 + (i % 3) / 10, "after_g": 1229.0, "empty_g": 220.0} if weighed else {}
            )
            dryings.append(Drying(began, ended, 80.0, reel="none", key=f"D{i}", **scale))
        else:
            place = PLACES[i % 3]
            periods.append(StoragePeriod(place, began, ended, 23.0, float(rng.uniform(10, 70)), key=str(i)))
    return periods, dryings


def _one_strand() -> None:
    state, surface = np.zeros(200), np.random.default_rng(1).uniform(0.5, 4.0, _EVENTS)
    for value in surface.tolist():
        state = value + (state - value) * np.exp(-RATES * 0.0075)


def _log() -> Row:
    rng = np.random.default_rng(1)
    figures = rng.normal(60.0, 1.0, (_ROWS, 3)).round(2).tolist()
    lines = [f"{_START + timedelta(seconds=i)},{a},{b},{c}" for i, (a, b, c) in enumerate(figures)]
    data = "\n".join(["time,chamber,bed,nozzle", *lines]).encode()
    plain = "\n".join(line.split(",", 1)[1] for line in lines)
    ours, floor = _alternating(
        lambda: read_csv_log(data, zone=UTC),
        lambda: np.fromstring(plain.replace("\n", ","), sep=","),
        rounds=2,
    )
    return Row(
        f"log of {_ROWS} rows with ISO times and three channels",
        ours,
        floor,
        "about 2 s",
        note="floor: numpy.fromstring of the readings alone",
    )


def _alternating(
    ours: Callable[[], object], floor: Callable[[], object], rounds: int = 5
) -> tuple[float, float]:
    best = [float("inf"), float("inf")]
    for _ in range(rounds):
        for which, work in enumerate((ours, floor)):
            began = time.perf_counter()
            work()
            best[which] = min(best[which], time.perf_counter() - began)
    return best[0], best[1]
