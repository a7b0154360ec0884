"""Serving: a certificate of the page's own, and a folder of a rig that is watched."""

from __future__ import annotations

import datetime as dt
import socket
import ssl
import threading
import time
from pathlib import Path

import pytest
from cryptography import x509

from tests.web.site import BENCHES, ON_BOTH, Site
from tracker.cli.serving import send_recording, watch_folder
from tracker.desk.devices import end_device, pair_device, paired
from tracker.errors import Refused
from tracker.web import visitors
from tracker.web.certificate import LASTS_DAYS, own_certificate
from tracker.web.programs import WARNING

NOW = dt.datetime(2026, 11, 29, 12, tzinfo=dt.UTC)


def test_a_certificate_is_made_once_for_its_names(tmp_path: Path) -> None:
    """Asked for again it is the same; with a further name, or near its end, it is another."""
    first = own_certificate(tmp_path, ["bench.local", "192.0.2.7"], NOW)
    assert own_certificate(tmp_path, ["bench.local"], NOW).fingerprint == first.fingerprint
    assert own_certificate(tmp_path, ["bench.local", "other.local"], NOW).fingerprint != first.fingerprint
    later = own_certificate(tmp_path, ["bench.local", "192.0.2.7"], NOW).fingerprint
    end = NOW + dt.timedelta(days=LASTS_DAYS - 10)
    assert own_certificate(tmp_path, ["bench.local"], end).fingerprint != later


@ON_BOTH
def test_attachments_that_are_away_are_reported_on_every_page(site: Site) -> None:
    """Open pages learn of it; what is sent is refused, nothing written; connected again all is as before."""
    folder = site.book.files.folder
    with site.browser() as browser:
        mark, state = browser.get("/live/state").text, site.book.state()
        assert "data-away" not in browser.get("/").text
        assert WARNING not in browser.get("/api/list/spools").headers
        folder.rename(folder.with_name("away"))
        site.clock[0] += 10
        # An array, asked before any page: it has no other place.
        answer = browser.get("/api/list/spools")
        assert (answer.status_code, "attachments are away" in answer.headers[WARNING]) == (200, True)
        assert WARNING not in browser.get("/api/list/nothing").headers
        assert "Attachments are away" in browser.get("/").text
        assert browser.get("/live/state").text != mark
        answer = browser.fill(f"/{site.spool}/weigh", {"mass_g": "900"})
        assert answer.status_code == 503
        assert "Nothing was written: the attachment folder" in answer.text
        assert site.book.state() == state
        folder.with_name("away").rename(folder)
        site.clock[0] += 10
        assert "data-away" not in browser.get("/").text
        assert WARNING not in browser.get("/api/list/spools").headers
        assert browser.get("/live/state").text == mark


def test_devices_that_wait_for_news_ask_the_book_once_for_all(
    shared: Site, code: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Within a step no poll is a question; one that was removed is let in no more after that act."""
    bench, now = BENCHES[shared.url], [time.monotonic()]
    bench.monotonic = lambda: now[0]
    asked: list[str] = []
    with shared.browser() as phone, shared.browser() as stranger:
        phone.pair(code)
        mark = phone.get("/live/state").text
        # Where they are asked: what a page has made beside it reads the book as well.
        state, device_of = bench.state_now, visitors.device_of
        monkeypatch.setattr(bench, "state_now", lambda: asked.append("state") or state())
        monkeypatch.setattr(visitors, "device_of", lambda *who: asked.append("device") or device_of(*who))
        assert {phone.get("/live/state").text for _ in range(5)} == {mark}
        assert phone.get("/live/state", headers={"If-None-Match": f'"{mark}"'}).status_code == 304
        assert asked == []
        assert stranger.get("/live/state").url.path == "/pair"
        (device,) = paired(shared.book)
        end_device(shared.book, "Ada", device.number)
        now[0] += 1
        assert phone.get("/live/state").url.path == "/pair"


def test_its_key_is_for_its_owner_alone(tmp_path: Path) -> None:
    """Nobody else of this computer may read it."""
    assert own_certificate(tmp_path, ["bench.local"], NOW).key.stat().st_mode & 0o777 == 0o600


def test_it_says_which_names_it_is_for_and_how_long(tmp_path: Path) -> None:
    """Read by another library's rules: names, addresses, at most 397 days (CA/Browser Forum, 6.3.2)."""
    made = own_certificate(tmp_path, ["bench.local", "192.0.2.7"], NOW)
    found = x509.load_pem_x509_certificate(made.certificate.read_bytes())
    named = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert named.get_values_for_type(x509.DNSName) == ["bench.local"]
    assert [str(each) for each in named.get_values_for_type(x509.IPAddress)] == ["192.0.2.7"]
    assert found.not_valid_after_utc - found.not_valid_before_utc <= dt.timedelta(days=398)


def test_a_client_that_trusts_it_is_served(tmp_path: Path) -> None:
    """The library of the system shakes hands by it, and refuses another name."""
    made = own_certificate(tmp_path, ["bench.local"], dt.datetime.now(dt.UTC))
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(made.certificate, made.key)
    client = ssl.create_default_context(cafile=str(made.certificate))
    with socket.create_server(("127.0.0.1", 0)) as listening:
        thread = threading.Thread(target=_answer, args=(listening, server), daemon=True)
        thread.start()
        for name in ("bench.local", "other.local"):
            with socket.create_connection(listening.getsockname(), timeout=120) as line:
                if name == "bench.local":
                    with client.wrap_socket(line, server_hostname=name) as trusted:
                        assert trusted.recv(10) == b"hello"
                else:
                    with pytest.raises(ssl.SSLCertVerificationError):
                        client.wrap_socket(line, server_hostname=name)


def _answer(listening: socket.socket, context: ssl.SSLContext) -> None:
    for _ in range(2):
        line, _ = listening.accept()
        try:
            with context.wrap_socket(line, server_side=True) as trusted:
                trusted.sendall(b"hello")
        except OSError:
            line.close()


class _EnoughError(Exception):
    """Ends the watch of a test."""


def test_a_recording_is_offered_when_it_is_finished(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was there before is left alone; one that still grows is waited for; each is sent once."""
    (tmp_path / "old.csv").write_text("1")
    sent: list[str] = []
    looks = iter(range(100))

    def send(file: Path) -> None:
        sent.append(f"{file.name} {file.stat().st_size}")

    def grow(_: float) -> None:
        look = next(looks)
        if look < 3:
            with (tmp_path / "pull.csv").open("a") as file:
                file.write("x" * 10)
        if look == 8:
            raise _EnoughError

    monkeypatch.setattr("time.sleep", grow)
    with pytest.raises(_EnoughError):
        watch_folder(tmp_path, send)
    assert sent == ["pull.csv 30"]


def test_a_watched_recording_waits_at_the_rigs_page(site: Site, tmp_path: Path) -> None:
    """Sent with the token of the rig's computer; a wrong token is refused in words."""
    _, token = pair_device(site.book, "Ada Bench", "load cell", rig=site.rig, role="measures")
    (tmp_path / "pull.csv").write_text("extension_mm,force_N\n0,0\n1,10\n")
    send_recording(tmp_path / "pull.csv", site.url, token, None)
    offer = BENCHES[site.url].offers.newest(site.rig)
    assert offer is not None
    assert (offer.name, offer.data[:9]) == ("pull.csv", b"extension")
    with pytest.raises(Refused, match="refuses"):
        send_recording(tmp_path / "pull.csv", site.url, "wrong", None)
