"""Speeds of the methods' arithmetic, each beside the least that any program could do."""

from __future__ import annotations

import io
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from tracker_methods import taptone

from tests.bench._row import Row
from tests.desk.bench import a_job, a_material, a_spool
from tests.methods.test_added_methods import tap
from tracker import plugins
from tracker.api import Recording, nominal, read_curve, testing, validate
from tracker.api.maths import Spread, monte_carlo
from tracker.book import new_book
from tracker.desk.measuring import measure

_ROUNDS = 5
_ROWS = 100_000
_DRAWS = 100_000


def rows() -> list[Row]:
    """Return the rows of this room, floors measured in alternating rounds of the same run."""
    return [_curve_read(), _curve_to_result(), _measure(), _thumps(), _monte_carlo(), _start()]


def _best(ours: Callable[[], Any], floor: Callable[[], Any], rounds: int = _ROUNDS) -> tuple[float, float]:
    """Return the least seconds of both, in turn, after one warm-up of each."""
    ours(), floor()
    pairs = [(_seconds(ours), _seconds(floor)) for _ in range(rounds)]
    return min(a for a, _ in pairs), min(b for _, b in pairs)


def _seconds(work: Callable[[], Any]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def _recording() -> Recording:
    x = np.linspace(0, 2, _ROWS)
    force = 1000 * np.sin(x) + np.random.default_rng(1).normal(0, 0.5, _ROWS)
    pairs = zip(x.tolist(), force.tolist(), strict=True)
    return Recording(
        "curve.csv", ("extension_mm,force_N\n" + "".join(f"{a:.5f},{b:.3f}\n" for a, b in pairs)).encode()
    )


def _numpy_alone(recording: Recording) -> Any:
    return np.loadtxt(io.StringIO(recording.data.decode()), delimiter=",", skiprows=1)


def _curve_read() -> Row:
    recording = _recording()
    ours, floor = _best(lambda: read_curve(recording), lambda: _numpy_alone(recording))
    return Row(
        f"read a curve of {_ROWS:,} rows", ours, floor, "≤ 0.15 s", note="floor: numpy.loadtxt told all"
    )


def _curve_to_result() -> Row:
    recording, manager = _recording(), plugins.load()
    raw = {"width": 10.0, "thickness": 4.0, "gauge_length": 50.0, "curve": recording}
    method = manager.method("tensile")

    def work() -> None:
        found = manager.compute("tensile", validate(method, raw))
        assert found.problem is None

    ours, floor = _best(work, lambda: _numpy_alone(recording))
    return Row(
        f"{_ROWS:,} rows to five results", ours, floor, "≤ 0.5 s", note="floor: numpy.loadtxt told all"
    )


def _measure() -> Row:
    """Time ``measure`` in processor time: file read, looked through, computed, doubted, kept in a book.

    The recording has a drop-out, a preload and noise, so that findings are made and not only looked for.
    """
    plugged = plugins.load()
    section = {"width": "10.0", "thickness": "4.0", "gauge_length": "50.0"}
    lines = _recording().data.decode().splitlines()
    for number in range(40_000, 40_003):
        lines[number] = f"{lines[number].partition(',')[0]},0.000"
    curve = Recording("curve.csv", "\n".join(lines).encode())
    with (
        tempfile.TemporaryDirectory() as folder,
        new_book(f"{folder}/book", "bench", zone="UTC") as book,
    ):
        a_material(book)
        pieces = iter(a_job(book, f"bar:XYZ:{_ROUNDS + 1}", spools=(a_spool(book),)).also)

        def work() -> float:
            begun = time.process_time()
            done = measure(
                book, "bench", plugged, next(pieces), "tensile", section, files={"curve": curve}, sure=True
            )
            assert any("Drop-out" in remark for each in done.results for remark in each.remarks)
            return time.process_time() - begun

        def floor() -> float:
            begun = time.process_time()
            _numpy_alone(curve)
            return time.process_time() - begun

        pairs = [(work(), floor()) for _ in range(_ROUNDS + 1)][1:]
    return Row(
        f"measure with a curve of {_ROWS:,} rows, all findings, kept", min(a for a, _ in pairs),
        min(b for _, b in pairs), "≤ 0.7 s", note="processor time; floor: numpy.loadtxt told all",
    )  # fmt: skip


_THUMPS = 500


def _thumps() -> Row:
    """Tap random bars beside a low, damped mode as loud as their tone: right to 3 %, or refused."""
    random = np.random.default_rng(3)
    right = 0
    for seed in range(_THUMPS):
        size = {
            name: float(random.uniform(low, high))
            for name, low, high in (("length", 70, 130), ("width", 8, 15), ("thickness", 3, 5))
        }
        size["mass"] = 1.22e-3 * size["length"] * size["width"] * size["thickness"]
        hertz = float(random.uniform(700, 1600))
        low = (0.4, float(random.uniform(120, 600)), float(random.uniform(0.06, 0.4)))
        sound = tap([(0.4, hertz, 0.02), (0.1, 2.74 * hertz, 0.02), low], seed)
        found = testing.outcomes(taptone.Taptone(), {**size, "recording": sound})["taptone.modulus"]
        truth = nominal(
            taptone.modulus(size["mass"], hertz, size["length"], size["width"], size["thickness"], 0.35)
        )
        right += found.value is None or abs(nominal(found.value) / truth - 1) <= 0.03
    return Row(
        f"{_THUMPS} taps beside a low, damped mode as loud: not fooled", right / _THUMPS, 0.98, "≥ 1.0×",
        unit="", note="share of bars whose modulus is right to 3 % or refused; floor: what is asked for",
    )  # fmt: skip


def _torsion_like(torque: Any, width: Any, thickness: Any) -> Any:
    return torque / (width * thickness**2) * (3 + 1.8 * thickness / width)


def _monte_carlo() -> Row:
    inputs: Mapping[str, Spread] = {
        "torque": Spread(4000.0, 20.0),
        "width": Spread(10.0, 0.01, shape="rectangular"),
        "thickness": Spread(4.0, 0.01, shape="rectangular"),
    }

    def bare() -> Any:
        random = np.random.default_rng(1)
        torque = random.normal(4000, 20, _DRAWS)
        width, thickness = random.uniform(9.98, 10.02, _DRAWS), random.uniform(3.98, 4.02, _DRAWS)
        return np.quantile(_torsion_like(torque, width, thickness), [0.025, 0.975])

    ours, floor = _best(lambda: monte_carlo(_torsion_like, inputs, _DRAWS), bare)
    return Row(
        f"Monte Carlo, {_DRAWS:,} draws, three inputs", ours, floor, "≤ 0.3 s", note="floor: bare numpy"
    )


def _python(code: str) -> Callable[[], Any]:
    return lambda: subprocess.run([sys.executable, "-c", code], check=True)


def _start() -> Row:
    """Time a whole process; the floor imports what the plugins are written with, and none of them."""
    floor_code = (
        "import pluggy; from pydantic import BaseModel; from importlib.metadata import entry_points as e; e()"
    )
    ours, floor = _best(_python("from tracker import plugins; plugins.load()"), _python(floor_code), _ROUNDS)
    return Row(
        "start and load all plugins, whole process", ours, floor, "≤ 2.5×", note="floor: pydantic, pluggy"
    )
