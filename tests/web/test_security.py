"""What must not happen, tried."""

from __future__ import annotations

import gzip
import io
import re
import resource
import socket
import threading
from html import escape
from typing import Any

import httpx
import pytest
import uvicorn
from PIL import Image

from tests.desk.bench import entries
from tests.web.site import ON_BOTH, PATIENCE_S, PULL, Browser, Site
from tracker.desk.correcting import correct
from tracker.desk.devices import paired
from tracker.plugins import Plugged
from tracker.web import guard
from tracker.web.guard import MOST_BYTES, patient_protocol
from tracker.web.visitors import signing_key

NASTY = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{7*7}}"
WRITES = (
    "/J0001-J/end",
    "/J0001-J/offbed",
    "/J0001-J/change",
    "/S0001-R/keep",
    "/S0001-R/weigh",
    "/S0001-R/dry",
    "/J0001-01-Z/measure/tensile",
    "/devices/token",
    "/devices/1/end",
    "/scan/picture",
    "/new/material",
    "/new/spool",
    "/new/rig",
    "/new/calibration",
    "/new/job",
    "/correct?of=J0001-J",
    "/verdict?of=J0001-J",
    "/void?of=J0001-J",
    "/act/spool?of=J0001-J",
    "/act/cut?of=J0001-01-Z",
    "/undo",
    "/act/merge?of=S0001-R",
    "/scan/frame",
    "/care/verify",
    "/care/backup",
    "/care/publish",
    "/import/look",
    "/sheet",
    "/sheet/look",
    "/import",
    "/J0001-J/labels/print",
    "/J0001-01-Z/append",
    "/J0001-01-Z/photograph",
    "/pair",
)
READS = (
    "/",
    "/list/jobs",
    "/search?text=bar",
    "/journal",
    "/rig",
    "/watch",
    "/watch.json?of=0",
    "/care",
    "/care/backup",
    "/care/publish",
    "/import",
    "/sheet",
    "/help",
    "/live",
    "/live/state",
    "/table.json?of=tensile.strength",
    "/curves.json?of=M0001-Y",
    "/J0001-J/bed",
    "/void?of=J0001-J",
    "/act/wind?of=S0001-R",
    "/table",
    "/table.csv",
    "/programme",
    "/why",
    "/devices",
    "/devices/code.svg",
    "/J0001-J",
    "/J0001-01-Z",
    "/J0001-01-Z/trace",
    "/J0001-J/labels.pdf",
    "/S0001-R/days.svg",
    "/scan?text=J0001-J",
    "/api/methods",
    "/api/list/jobs",
    "/api/show/J0001-J",
    "/api/trace/J0001-J",
    "/openapi.json",
    "/new",
    "/new/spool",
    "/new/job",
    "/material?name=Nordlicht ASA",
    "/correct?of=J0001-J",
    "/verdict?of=J0001-J",
)


@pytest.mark.parametrize("path", WRITES)
@pytest.mark.parametrize("token", ["", "0" * 64])
def test_no_form_is_taken_without_its_token(steady: Site, looking: Browser, path: str, token: str) -> None:
    """Every form without the browser's own token is refused, and nothing is stored."""
    before = entries(steady.book)
    looking.get("/")
    answer = looking.post(path, data={"csrf": token, "outcome": "finished", "place": "dry box", **PULL})
    assert (answer.status_code, entries(steady.book)) == (403, before)


def test_the_token_of_another_browser_does_not_serve(steady: Site, looking: Browser) -> None:
    """A token belongs to the browser that it was given to."""
    with steady.browser() as other:
        stolen = other.token()
    looking.get("/")
    assert looking.post("/S0001-R/weigh", data={"csrf": stolen, "mass_g": "5"}).status_code == 403


@pytest.mark.parametrize(
    "headers", [{"Origin": "http://evil.example"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"}]
)
def test_no_form_of_another_site_is_taken(steady: Site, looking: Browser, headers: dict[str, str]) -> None:
    """A write that says it comes from elsewhere is refused even with the token."""
    before = entries(steady.book)
    answer = looking.fill("/S0001-R/weigh", {"mass_g": "1200"}, headers=headers)
    assert (answer.status_code, entries(steady.book)) == (403, before)


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "", "127.0.0.1.evil.example", "[::1", "127.0.0.1@evil"]
)
def test_a_foreign_host_name_is_refused(looking: Browser, host: str) -> None:
    """A name that somebody else points here gets nothing to read."""
    answer = looking.get("/", headers={"Host": host})
    assert answer.status_code in (400, 421)
    assert "strandbook" not in answer.text


@pytest.mark.parametrize("path", READS)
def test_an_unpaired_device_reads_nothing(steady_shared: Site, path: str) -> None:
    """Every page leads it to the code, every answer for programs is a refusal."""
    with steady_shared.browser(follow_redirects=False) as stranger:
        answer = stranger.get(path)
    assert answer.status_code == (401 if path.startswith(("/api", "/openapi")) else 303)
    assert "bar" not in answer.text


@pytest.mark.parametrize("path", [each for each in WRITES if each != "/pair"])
def test_an_unpaired_device_writes_nothing(steady_shared: Site, path: str) -> None:
    """With the token of the page of pairing, too."""
    before = entries(steady_shared.book)
    with steady_shared.browser(headers={}) as stranger:
        token = stranger.token("/pair")
        answer = stranger.post(path, data={"csrf": token}, follow_redirects=False)
    assert (answer.status_code, entries(steady_shared.book)) == (303, before)


def test_a_cookie_that_we_did_not_sign_says_nothing(shared: Site, phone: Browser) -> None:
    """One changed character, and the device is a stranger."""
    held = phone.cookies["strandbook"]
    changed = ("A" if held[0] != "A" else "B") + held[1:]
    answer = httpx.get(shared.url, cookies={"strandbook": changed}, timeout=PATIENCE_S)
    assert answer.status_code == 303


def test_the_cookie_is_out_of_reach(looking: Browser) -> None:
    """Scripts cannot read it, and other sites' forms do not carry it."""
    flags = looking.get("/").headers["set-cookie"].lower()
    assert "httponly" in flags
    assert "samesite=lax" in flags


def test_a_device_shut_out_reads_nothing_more(shared: Site, phone: Browser) -> None:
    """From its end on, the device's cookie leads to the page of pairing."""
    number = paired(shared.book)[0].number
    phone.fill(f"/devices/{number}/end")
    assert phone.get("/").url.path == "/pair"


@pytest.mark.parametrize(
    "path", ["/", "/nonsense", "/static/bench.js", "/api/methods", "/J0001-01-Z/trace.svg"]
)
def test_every_answer_bears_the_headers(looking: Browser, path: str) -> None:
    """No framing, no guessing of kinds, no script but ours."""
    headers = looking.get(path).headers
    assert headers["x-frame-options"] == "DENY"
    assert headers["x-content-type-options"] == "nosniff"
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe-eval" not in policy
    assert "script-src 'self'" in policy or "sandbox" in policy


def test_no_page_has_script_or_style_inside(steady: Site, looking: Browser) -> None:
    """The policy forbids them; a page that had any would be broken."""
    for path in (
        "/",
        f"/{steady.pieces[0]}?method=tensile",
        f"/{steady.job}",
        f"/{steady.spool}",
        "/why",
        "/table",
    ):
        text = looking.get(path).text
        assert not re.search(r"<style|\sstyle=|\son\w+=|<script(?![^>]*src=)|javascript:", text)


@ON_BOTH
def test_text_is_never_markup(site: Site, browser: Browser, plugged: Plugged) -> None:
    """A name, remark, cause, note and setting full of markup are shown as they were typed."""
    browser.fill(f"/{site.job}/change", {"setting": NASTY.replace("=", ""), "value": NASTY, "note": NASTY})
    browser.fill(f"/{site.job}/offbed", {"p1": "usable", "w1": NASTY, "p2": "failed", "w2": NASTY})
    browser.fill(f"/{site.spool}/weigh", {"mass_g": "1200", "note": NASTY})
    browser.fill(f"/{site.pieces[0]}/measure/tensile", {**PULL, "remark": NASTY, "operator": NASTY})
    for target in (site.job, site.pieces[0], site.spool, "Nordlicht ASA"):
        correct(site.book, "Ada Bench", plugged, target, [f"note={NASTY}"], NASTY)
    correct(site.book, "Ada Bench", plugged, "Nordlicht ASA", [f"name={NASTY}"], "to see")
    for path in (
        "/",
        "/list/materials",
        "/list/specimens",
        "/table",
        "/programme",
        "/why",
        f"/{site.job}",
        f"/{site.pieces[0]}",
        f"/{site.spool}",
        "/M0001-Y",
        "/new/spool",
        "/new/job",
        f"/correct?of={site.job}",
        "/correct?of=M0001-Y",
        f"/verdict?of={site.job}",
        f"/{site.pieces[0]}/trace",
    ):
        text = browser.get(path).text
        assert "<script>alert" not in text, path
        assert "<img src=x" not in text, path
    assert escape(NASTY, quote=False)[:20] in browser.get(f"/{site.pieces[0]}").text


@pytest.mark.parametrize(
    "path", ["/scan?text={}", "/why?a={}&b=x", "/table?where={}", "/pair?code={}&next={}", "/{}", "/list/{}"]
)
def test_what_an_address_says_is_never_markup(looking: Browser, path: str) -> None:
    """Text in an address comes back as text."""
    from urllib.parse import quote  # noqa: PLC0415 - for this one test

    assert "<script>alert" not in looking.get(path.replace("{}", quote(NASTY, safe=""))).text


@pytest.mark.parametrize(
    "following", ["//evil.example/", "https://evil.example", "/\\evil.example", "javascript:alert(1)"]
)
def test_pairing_leads_nowhere_else(shared: Site, code: str, following: str) -> None:
    """The way on after pairing is a path of this page, whatever the address said."""
    with shared.browser() as device:
        answer = device.fill("/pair", {"code": code, "name": "phone", "next": following}, page="/pair")
    assert str(answer.url).startswith(shared.url)


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2fapp.py",
        "/..%2f..%2fetc%2fpasswd",
        "/M0001-Y/file/..%2f..%2fbook.sqlite",
        "/%2e%2e/%2e%2e/etc/passwd",
        "/J0001-J/labels.pdf?stock=/etc/x.toml",
    ],
)
def test_no_path_leads_out(looking: Browser, path: str) -> None:
    """Neither static files nor attachments nor label stocks reach the disk of this computer."""
    answer = looking.get(path)
    assert answer.status_code in (404, 422)
    assert "root:" not in answer.text


PICTURE_OF_900_MEGAPIXELS = (
    b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + (30_000).to_bytes(4, "big") * 2 + b"\x08\2\0\0\0" + bytes(4)
)


@pytest.mark.parametrize(
    ("name", "data", "status"),
    [
        ("pull.csv.gz", gzip.compress(b"0" * 130_000_000, 1), 413),
        ("pull.csv.gz", gzip.compress(b"1,2\n") + gzip.compress(b"0" * 130_000_000, 1), 413),
        ("face.png", PICTURE_OF_900_MEGAPIXELS, 415),
        ("pull.csv.gz", b"\x1f\x8b\x08rubbish", 415),
    ],
    ids=["bomb", "bomb behind a small one", "picture of 900 million pixels", "no gzip"],
)  # fmt: skip
def test_what_would_fill_the_memory_is_refused(
    steady: Site, looking: Browser, name: str, data: bytes, status: int
) -> None:
    """By what it unpacks to, with no more than a part of it unpacked."""
    before, grown = entries(steady.book), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    files = {"r-curve": (name, data, "application/gzip")}
    answer = looking.fill(f"/{steady.pieces[0]}/measure/tensile", PULL, files=files)
    assert (answer.status_code, entries(steady.book)) == (status, before)
    # Kilobytes on Linux: far less than the 130 MB that it would have been.
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - grown < 80_000


def test_a_text_longer_than_any_is_refused(site: Site, browser: Browser) -> None:
    """Ten thousand characters are taken, one more is not; the same over the interface for programs."""
    before = entries(site.book)
    answer = browser.fill(f"/{site.spool}/weigh", {"mass_g": "1200", "note": "x" * 10_001})
    assert (answer.status_code, entries(site.book)) == (413, before)
    assert browser.fill(f"/{site.spool}/weigh", {"mass_g": "1200", "note": "x" * 10_000}).status_code == 200


CAMERA = "Ada Bench's telephone"


def _from_a_camera(kind: str) -> bytes:
    """Return a picture with an owner, a place and an orientation, as a phone writes them."""
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x013B] = 6, CAMERA, CAMERA
    exif.get_ifd(0x8825)[1] = "N"
    made = io.BytesIO()
    Image.new("RGB", (60, 40), "sienna").save(made, kind, exif=exif, comment=CAMERA.encode())
    return made.getvalue() + (CAMERA.encode() if kind == "JPEG" else b"")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photograph_tells_nothing_of_its_camera(site: Site, browser: Browser, kind: str) -> None:
    """Neither owner nor place are kept; its pixels are, and which way is up."""
    sent = _from_a_camera(kind)
    assert CAMERA.encode() in sent
    browser.fill(f"/{site.job}/photograph", files={"photograph": ("a.jpg", sent, "image/jpeg")})
    kept = browser.get(f"/{site.job}/photograph/1").content
    with Image.open(io.BytesIO(kept)) as picture, Image.open(io.BytesIO(sent)) as original:
        assert picture.convert("RGB").tobytes() == original.convert("RGB").tobytes()
        assert dict(picture.getexif()) == ({0x0112: 6} if kind == "JPEG" else {})
    assert CAMERA.encode() not in kept
    with Image.open(io.BytesIO(browser.get(f"/{site.job}/photograph/1/small").content)) as small:
        assert max(small.size) <= 480
        assert (small.height > small.width) == (kind == "JPEG")


@pytest.mark.parametrize(
    ("path", "headers", "body"),
    [
        ("/pair", {"Content-Type": "multipart/form-data; boundary=x; charset=nonsense"}, b"--x\r\n"),
        ("/pair", {"Content-Type": "multipart/form-data"}, b"--x\r\n"),
        ("/pair", {"Content-Type": "application/x-www-form-urlencoded"}, b"code=%ff%fe%00&name=%ed%a0%80"),
        ("/api/measurements", {"Content-Type": "application/json"}, b"[" * 100_000),
        ("/api/recordings", {"Content-Type": "application/json"}, b"\xff"),
        ("/nowhere/at/all", {}, b""),
        ("/J0001-J/offbed", {"Cookie": "strandbook=%00%ff;;=,"}, b""),
        ("/devices/99999999999999999999999/end", {}, b""),
    ],
)
def test_a_stranger_costs_no_error_and_learns_no_name(
    steady_shared: Site, path: str, headers: dict[str, str], body: bytes, capfd: pytest.CaptureFixture[str]
) -> None:
    """Whatever it sends, the answer is a refusal without a name, and the server writes no traceback."""
    answer = httpx.post(steady_shared.url + path, content=body, headers=headers, timeout=PATIENCE_S)
    assert 300 <= answer.status_code < 500
    for name in ("Ada", "Nordlicht", "Europe"):
        assert name not in answer.text
    assert "Traceback" not in capfd.readouterr().err


@pytest.mark.parametrize(
    "path", ["/nowhere", "/list/jobs?page=x", "/J0001-J/photograph/0", "/live", "/sw.js/x"]
)
def test_a_stranger_who_looks_around_learns_no_name(steady_shared: Site, path: str) -> None:
    """Neither who serves nor what the book holds stands in any error page."""
    with steady_shared.browser() as stranger:
        text = stranger.get(path).text
    assert "Ada" not in text
    assert "Nordlicht" not in text


@pytest.mark.parametrize("sent", [b"", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: "])
def test_a_client_that_dawdles_over_its_head_is_cut_off(sent: bytes) -> None:
    """A connection that says nothing, or only half of a head, is closed after its time."""
    server = uvicorn.Server(
        uvicorn.Config(_nothing, log_level="error", lifespan="off", http=patient_protocol(head_s=0.3))
    )
    with socket.create_server(("127.0.0.1", 0)) as listening:
        thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
        with socket.create_connection(listening.getsockname(), timeout=120) as line:
            # Before the server runs: sent after its time was up it would be answered by a reset.
            line.sendall(sent)
            thread.start()
            assert line.recv(100) == b""
        server.should_exit = True
        thread.join(120)


async def _nothing(scope: Any, receive: Any, send: Any) -> None:
    del scope, receive, send


def test_a_client_that_dawdles_over_its_body_is_cut_off(
    steady: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It says how much will come and sends nothing: 408 after a part's time, and nothing is stored."""
    monkeypatch.setattr(guard, "PART_S", 0.3)
    host, port = steady.url.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=120) as line:
        line.sendall(
            f"POST /pair HTTP/1.1\r\nHost: {host}\r\nContent-Length: 500\r\n"
            "Content-Type: application/x-www-form-urlencoded\r\n\r\n".encode()
        )
        assert line.recv(200).startswith(b"HTTP/1.1 408")


ROLES_MAY = {"reads": (303, 403, 403), "measures": (303, 303, 403), "keeps": (303, 303, 303)}


@pytest.mark.parametrize("role", ROLES_MAY)
def test_a_role_may_do_what_its_name_says(shared: Site, role: Any) -> None:
    """One that reads weighs nothing, one that measures enters no material, one that keeps does both."""
    shared_code = _code_of(shared, role)
    with shared.browser() as device:
        device.get("/pair")
        statuses = [_last(device.pair(shared_code, role))]
        statuses.append(_last(device.fill(f"/{shared.spool}/weigh", {"mass_g": "1200"})))
        statuses.append(_last(device.fill("/new/material", {"name": "Südwind PETG"})))
    assert tuple(statuses) == ROLES_MAY[role]
    assert paired(shared.book)[0].role == role


def _code_of(shared: Site, role: Any) -> str:
    from tests.web.site import BENCHES  # noqa: PLC0415 - filled while a page runs

    return BENCHES[shared.url].codes.current(role)


def _last(answer: httpx.Response) -> int:
    return answer.history[-1].status_code if answer.history else answer.status_code


def test_devices_show_when_they_were_seen_last(phone: Browser) -> None:
    """To the minute; and each is removed by a press of its own."""
    text = phone.get("/devices").text
    assert re.search(r"last seen \d{4}-\d\d-\d\d \d\d:\d\d", text)
    assert "Remove Ada&#39;s phone" in text


def test_too_much_is_not_taken(steady: Site) -> None:
    """A body that says it is too long is refused before it is read."""
    host, port = steady.url.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=120) as line:
        line.sendall(
            f"POST /pair HTTP/1.1\r\nHost: {host}\r\nContent-Length: {MOST_BYTES + 1}\r\n\r\n".encode()
        )
        assert line.recv(100).startswith(b"HTTP/1.1 413")


def test_too_much_without_a_length_is_not_taken(steady: Site) -> None:
    """What comes in pieces is counted."""
    pieces = (b"x" * 1_000_000 for _ in range(MOST_BYTES // 1_000_000 + 2))
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    try:
        status = httpx.post(
            steady.url + "/pair", content=pieces, headers=form, timeout=PATIENCE_S
        ).status_code
    except httpx.TransportError:
        # The page hung up while we were still sending: refused as well.
        status = 413
    assert status == 413


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("page.html", b"<html><script>alert(1)</script>"),
        ("run.exe", b"MZ\x90"),
        ("x.svg", b"<svg onload='x'/>"),
        ("empty.csv", b""),
        ("", b""),
    ],
)
def test_a_recording_of_the_wrong_kind_is_refused(
    steady: Site, looking: Browser, name: str, data: bytes
) -> None:
    """Neither pages nor programs nor nothing are recordings of a rig."""
    files = {"r-curve": (name or "x.bin", data, "text/csv")}
    answer = looking.fill(f"/{steady.pieces[0]}/measure/tensile", PULL, files=files)
    assert answer.status_code == 415


@pytest.mark.parametrize(
    "data", [b"", b"<html>", b"\x89PNG\r\n\x1a\nrubbish", b"GIF89a\0\0", b"RIFF\0\0\0\0WEBP"]
)
def test_what_is_no_picture_is_refused(looking: Browser, data: bytes) -> None:
    """A file that only calls itself a picture is refused in words."""
    answer = looking.fill("/scan/picture", files={"picture": ("label.png", data, "image/png")})
    assert (answer.status_code, "Stop." in answer.text) == (422, True)


@ON_BOTH
def test_a_file_is_given_back_to_be_saved(site: Site, browser: Browser) -> None:
    """A recording is never shown by the browser, whatever is in it."""
    files = {"r-curve": ('a"b\r\nX: y<script>.csv', b"strain,force\n0,0\n0.1,100\n", "text/html")}
    browser.fill(f"/{site.pieces[0]}/measure/tensile", PULL, files=files)
    answer = browser.get("/M0001-Y/file/curve")
    assert answer.headers["content-type"] == "application/octet-stream"
    assert answer.headers["content-disposition"].startswith("attachment")
    assert "<" not in answer.headers["content-disposition"]


def test_the_signing_key_is_kept_from_others(steady: Site) -> None:
    """It is made once, and only its owner may read it."""
    from pathlib import Path  # noqa: PLC0415 - for this one test

    assert signing_key(steady.book.place) == signing_key(steady.book.place)
    assert (Path(steady.book.place) / "page.key").stat().st_mode & 0o777 == 0o600
