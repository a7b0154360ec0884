"""Speed of the bench page, beside the same framework serving one row by a bare read."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from time import perf_counter

from tests.bench._keystrokes import TASKS, seconds
from tests.bench._largebook import large_book
from tests.bench._row import Row
from tests.desk.bench import a_calibrated_rig, a_job, a_pull
from tracker.book import new_book, open_book
from tracker.desk.devices import pair_device
from tracker.ids import job_id, specimen_id

_ROUNDS = 5
_REQUESTS = 240
_CURVE = "extension,force\n" + "\n".join(f"{i / 1000:.3f},{i * 0.183:.2f}" for i in range(10_000))


@contextmanager
def _serving(which: str, folder: Path) -> Iterator[int]:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = int(probe.getsockname()[1])
    command = [sys.executable, "-m", "tests.bench._webserver", which, str(folder), str(port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            assert server.stdout.readline().strip() == "ready"
            yield port
        finally:
            server.terminate()


async def _one(port: int, request: bytes, times: int) -> list[float]:
    """Send a request over and over on one connection; return the seconds each took."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    took = []
    for _ in range(times):
        began = perf_counter()
        writer.write(request)
        head = await reader.readuntil(b"\r\n\r\n")
        length = re.search(rb"content-length: (\d+)", head, re.IGNORECASE)
        assert head.split(b" ", 2)[1] in (b"200", b"201"), head
        assert length is not None
        await reader.readexactly(int(length[1]))
        took.append(perf_counter() - began)
    writer.close()
    return took


def _timed(port: int, request: bytes, connections: int, times: int = _REQUESTS) -> tuple[float, list[float]]:
    """Return requests a second, and how long each took."""

    async def every() -> list[list[float]]:
        return await asyncio.gather(*(_one(port, request, times // connections) for _ in range(connections)))

    began = perf_counter()
    took = [each for one in asyncio.run(every()) for each in one]
    return len(took) / (perf_counter() - began), took


def _get(path: str, known: bytes = b"") -> bytes:
    unless = f'If-None-Match: "{known.decode()}"\r\n' if known else ""
    return f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n{unless}\r\n".encode()


def _post(path: str, token: str, piece: str) -> bytes:
    body = json.dumps({
        "specimen": piece, "method": "tensile", "sure": True,
        "readings": {"width": 10, "thickness": 4, "gauge_length": 50},
        "files": {"curve": {"name": "pull.csv", "text": _CURVE}},
    })  # fmt: skip
    head = (
        f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {token}\r\n"
        f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    return (head + body).encode()


def _kilobytes(port: int) -> float:
    """Return what the first page weighs with all that it loads, before anything is packed."""

    def fetched(path: str) -> bytes:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}") as answer:
            return bytes(answer.read())

    page = fetched("/")
    loaded = re.findall(r'(?:src|href)="(/static/[^"]+)"', page.decode())
    return (len(page) + sum(len(fetched(path)) for path in loaded)) / 1000


def rows() -> list[Row]:
    """Time pages, posts and the first page's weight."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "book"
        with new_book(str(folder), "bench") as book:
            pieces = a_job(book).also
            a_pull(book, pieces[0], rigs=[a_calibrated_rig(book)])
            token = pair_device(book, "bench", "rig")[1]
        (Path(made) / "floor").mkdir()
        with _serving("ours", folder) as ours, _serving("floor", Path(made) / "floor") as floor:
            return [
                *_pages(ours, floor, pieces[0]),
                _posts(ours, floor, token, pieces[1]),
                _weight(ours),
                *_load(ours, token, pieces[2:], ["/live/state"], _DEVICES, _STORING, 0.2),
                *_hands(ours, pieces[0]),
            ]


def _pages(ours: int, floor: int, piece: str) -> Iterator[Row]:
    for path, what in ((f"/{piece}", "piece page"), (f"/{piece}?method=tensile", "piece page with a form")):
        for connections in (1, 8):
            best = {"ours": 0.0, "floor": 0.0}
            slow = {"ours": 9.0, "floor": 9.0}
            for _ in range(_ROUNDS):
                for name, port, request in (("ours", ours, _get(path)), ("floor", floor, _get("/row/1"))):
                    rate, took = _timed(port, request, connections)
                    best[name] = max(best[name], rate)
                    slow[name] = min(slow[name], sorted(took)[int(0.99 * len(took))])
            work = f"{what}, {connections} connection{'s' * (connections > 1)}"
            yield Row(work, best["ours"], best["floor"], ">= 0.5", "1/s", "one row by a bare read")
            if connections > 1:
                yield Row(
                    f"{what}, 99 of 100 within", slow["ours"], slow["floor"], "<= 0.150 s", note="the same"
                )


def _posts(ours: int, floor: int, token: str, piece: str) -> Row:
    best = {"ours": 9.0, "floor": 9.0}
    for _ in range(_ROUNDS):
        for name, port, path in (("ours", ours, "/api/measurements"), ("floor", floor, "/row")):
            _, took = _timed(port, _post(path, token, piece), 1, 8)
            best[name] = min(best[name], sorted(took)[len(took) // 2])
    return Row(
        "post with a curve of 10,000 rows", best["ours"], best["floor"], "<= 0.150 s",
        note="the same body kept in one column, nothing computed",
    )  # fmt: skip


def _weight(ours: int) -> Row:
    return Row("first page, all told", _kilobytes(ours), 100.0, "<= 1", "kB", "the bound itself")


_DEVICES, _STORING = 50, 5
_LOAD_S = float(os.environ.get("STRANDBOOK_LOAD_S", "15"))


def _load(
    ours: int,
    token: str,
    pieces: list[str],
    paths: list[str],
    readers: int,
    storing: int,
    bound: float,
    open_pages: tuple[str, ...] = (),
) -> Iterator[Row]:
    """Let devices ask for pages and rigs store, for a time; nothing may be lost or slow.

    With open pages a device does what their script does where events do not get through: every two seconds
    it asks whether the book was written to, and for its page where it was. One in ten also walks through
    the other paths, a page every six seconds. Without, each device asks for one of the paths every two
    seconds.
    """
    took: list[float] = []
    stored: list[str] = []
    begun = int(perf_counter())

    async def watch(until: float, device: int) -> None:
        await asyncio.sleep(2.0 * device / readers)
        line = await asyncio.open_connection("127.0.0.1", ours)
        page, mark, rounds = open_pages[device % len(open_pages)], b"", device
        while perf_counter() < until:
            seconds, fresh = await _answered(*line, _get("/live/state", mark))
            took.append(seconds)
            # At a rig the page waits for recordings alone, of which the mark's last part tells.
            behind = fresh.split(b".")[-1:] != mark.split(b".")[-1:] if page.startswith("/rig") else fresh
            mark = fresh or mark
            if behind and fresh:
                took.append(await _exchange(*line, _get(page)))
            if device % 10 == 0 and rounds % 3 == 0:
                took.append(await _exchange(*line, _get(paths[rounds // 3 % len(paths)])))
            rounds += 1
            await asyncio.sleep(2.0)
        line[1].close()

    async def read(until: float, device: int) -> None:
        # Not all at once: people do not begin in the same second.
        await asyncio.sleep(2.0 * device / readers)
        line = await asyncio.open_connection("127.0.0.1", ours)
        number = device
        while perf_counter() < until:
            took.append(await _exchange(*line, _get(paths[number % len(paths)])))
            number += 1
            await asyncio.sleep(2.0)
        line[1].close()

    async def store(until: float, device: int) -> None:
        await asyncio.sleep(device / storing)
        line = await asyncio.open_connection("127.0.0.1", ours)
        number = 0
        while perf_counter() < until:
            number += 1
            stored.append(f"{begun}-{device}-{number}")
            took.append(await _exchange(*line, _small_post(token, pieces[device % len(pieces)], stored[-1])))
            await asyncio.sleep(1.0 if storing <= _STORING else 4.0)
        line[1].close()

    async def everybody() -> None:
        until = perf_counter() + _LOAD_S
        await asyncio.gather(
            *((watch if open_pages else read)(until, each) for each in range(readers)),
            *(store(until, each) for each in range(storing)),
        )

    before = _measured(ours, token)
    asyncio.run(everybody())
    lost = len(stored) - (_measured(ours, token) - before)
    slow = sorted(took)[int(0.95 * len(took))]
    asking = "pages open" if open_pages else "devices asking"
    what = f"{readers} {asking}, {storing} storing, {_LOAD_S:g} s"
    yield Row(f"{what}: 95 of 100 within", slow, bound, f"<= {bound:.3f} s", note="the bound itself")
    yield Row(f"{what}: lost of {len(stored)}", lost, 1.0, "<= 0", "posts", "one that is lost")


def crowd(specimens: int = 200_000) -> Iterator[Row]:
    """Let two hundred devices and twenty rigs work on the large book: ``python -m tests.bench.web``."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "book"
        shutil.copytree(large_book(specimens), folder)
        with open_book(str(folder)) as book:
            token = pair_device(book, "bench", "rig")[1]
        jobs = [specimens // 16 + number for number in range(20)]
        pieces = [specimen_id(job, 1) for job in jobs]
        paths = ["/", "/live/state", "/list/specimens", "/list/spools", "/table", "/search?text=plate",
                 *(f"/{job_id(job)}" for job in jobs), *(f"/{piece}" for piece in pieces)]  # fmt: skip
        with _serving("ours", folder) as port:
            for path in paths[:6]:
                urllib.request.urlopen(f"http://127.0.0.1:{port}{path}").read()
            opened = ("/", "/", "/", f"/rig?method=tensile&of={pieces[0]}")
            yield from _load(port, token, pieces, paths, 200, 20, 0.5, opened)
            yield Row("memory of the server", _memory_mb(port), 600.0, "<= 600 MB", "MB", "the bound itself")
            yield from _load(port, token, pieces, paths, 200, 20, 0.5)
            yield Row("memory of the server", _memory_mb(port), 600.0, "<= 600 MB", "MB", "the bound itself")


def _memory_mb(port: int) -> float:
    """Return the most memory that the server of a port ever held, by what the system says of it."""
    for status in Path("/proc").glob("[0-9]*/status"):
        with contextlib.suppress(OSError):
            command = status.with_name("cmdline").read_text().split("\0")
            if "tests.bench._webserver" in command and str(port) in command:
                return int(re.search(r"VmHWM:\s+(\d+)", status.read_text())[1]) / 1000  # type: ignore[index]
    return 0.0


async def _exchange(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, request: bytes) -> float:
    return (await _answered(reader, writer, request))[0]


async def _answered(
    reader: asyncio.StreamReader, writer: asyncio.StreamWriter, request: bytes
) -> tuple[float, bytes]:
    began = perf_counter()
    writer.write(request)
    head = await reader.readuntil(b"\r\n\r\n")
    length = re.search(rb"content-length: (\d+)", head, re.IGNORECASE)
    assert head.split(b" ", 2)[1] in (b"200", b"201", b"304"), head
    body = await reader.readexactly(int(length[1]) if length else 0)
    return perf_counter() - began, body


def _small_post(token: str, piece: str, key: str) -> bytes:
    body = json.dumps({
        "specimen": piece, "method": "tensile", "sure": True, "key": key,
        "readings": {"max_force": 1830, "width": 10, "thickness": 4},
    })  # fmt: skip
    return (
        f"POST /api/measurements HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {token}\r\n"
        f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n{body}"
    ).encode()


def _measured(port: int, token: str) -> int:
    """Return how many measurements there are, by the number on the list's page."""
    asked = urllib.request.Request(
        f"http://127.0.0.1:{port}/list/measurements", headers={"Authorization": f"Bearer {token}"}
    )
    with urllib.request.urlopen(asked) as answer:  # noqa: S310 - of this computer
        found = re.search(r'<h1>Measurements <span class="unit">(\d+)', answer.read().decode())
    assert found is not None
    return int(found[1])


def _hands(ours: int, piece: str) -> Iterator[Row]:
    """Give what a person takes over each task at both screens, with the machine's time measured beside it."""
    pages = (f"/scan?answer=json&text={piece}", f"/rig?method=tensile&of={piece}", f"/{piece}")
    machine = sum(min(_timed(ours, _get(path), 1, 4)[1]) for path in pages)
    for task, (screen, phone, bound) in TASKS.items():
        for where, operators in (("with a scanner", screen), ("on a phone", phone)):
            person = seconds(operators)
            yield Row(
                f"{task}, {where}", person + machine, person, f"<= {bound:g} s",
                note=f"{operators}: {person:.1f} s of the person, {machine * 1000:.0f} ms of ours",
            )  # fmt: skip


if __name__ == "__main__":
    for row in crowd():
        print(row)
