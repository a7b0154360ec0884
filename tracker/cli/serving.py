"""The bench page: served to this computer, or to the bench's network."""

from __future__ import annotations

import base64
import getpass
import io
import json
import os
import socket
import ssl
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tracker.cli._bench import Bench, pass_bench
from tracker.cli._output import note
from tracker.cli.manual import commands
from tracker.desk.devices import pair_device
from tracker.errors import Refused
from tracker.inputs import read_input
from tracker.lazy_modules import lazy

if TYPE_CHECKING:
    import qrcode
    import uvicorn

    from tracker import book, web
    from tracker.web import Serving, guard
    from tracker.web import certificate as _certificate
    from tracker.web.certificate import PageCertificate
    from tracker.web.pages import devices
else:
    book = lazy("tracker.book")
    _certificate = lazy("tracker.web.certificate")
    web = lazy("tracker.web")
    qrcode = lazy("qrcode")
    devices = lazy("tracker.web.pages.devices")
    uvicorn = lazy("uvicorn")
    guard = lazy("tracker.web.guard")

_PORT = 8413
_MOST_CONNECTIONS = 600
"""Two hundred devices with a page and its events open; more are asked to come again."""

_LOCAL = ("127.0.0.1", "::1", "localhost")


@click.command("serve", epilog="Example: strandbook serve --share")
@click.option("--host", metavar="ADDRESS", help="Address to listen on; else this computer alone.")
@click.option("--port", type=click.IntRange(1, 65535), default=_PORT, help=f"Port; else {_PORT}.")
@click.option("--share", is_flag=True, help="Let phones and rigs of the network connect, once paired.")
@click.option(
    "--name", "names", multiple=True, metavar="HOST", help="Another name this computer is called by."
)
@click.option("--read-only", is_flag=True, help="For visitors: nobody writes.")
@click.option(
    "--tls", is_flag=True, help="Encrypt, with a certificate of its own: phones then allow the camera."
)
@click.option(
    "--certificate", type=click.Path(path_type=Path), metavar="FILE", help="Encrypt with this one (PEM)."
)
@click.option(
    "--certificate-key", type=click.Path(path_type=Path), metavar="FILE", help="Its private key (PEM)."
)
@click.option("--rig-token", "rig", metavar="RIG", help="Make the token of a rig's computer, and exit.")
@click.option(
    "--print-service", "unit", is_flag=True, help="Print a systemd unit that serves this book so, and exit."
)
@pass_bench
def serve_command(bench: Bench, /, rig: str | None, unit: bool, host: str | None, **how: Any) -> None:
    """Serve the bench page, for the daily work in a browser: scan, measure, take off the bed, ask why."""
    if unit:
        click.echo(_service(bench, host, **how), nl=False)
        return
    if rig is not None:
        made, secret = pair_device(bench.book, bench.who, f"computer of {rig}", rig=rig, role="measures")
        note(f"{made.id}: its token follows, this once. It goes into the header Authorization: Bearer TOKEN.")
        click.echo(secret)
        return
    host = host or ("0.0.0.0" if how["share"] else "127.0.0.1")  # noqa: S104 - asked for with --share
    if host not in _LOCAL and not how["share"]:
        raise Refused(f"{host} can be reached by others", do="Add --share: every device is then paired first")
    found = _certificate_of(bench, host, **how)
    _run(_serving(bench, host, found, **how), host, how["port"], found)


def _service(bench: Bench, host: str | None, **how: Any) -> str:
    """Return a systemd unit (systemd.service(5), systemd.exec(5)) that serves the book with the same options.

    Raises:
        Refused: The book's address holds a password, which everybody could read in the unit.
    """
    place = bench.named
    if book.shown(place) != place:
        raise Refused(
            "The book's address holds a password, and everybody can read a unit",
            do="Put it into ~/.pgpass or a file that PGPASSFILE names, and leave it out of the address",
        )
    folder = book.files_folder(bench.book.place).parent.resolve()
    named = place if "://" in place else str(Path(place).resolve())
    program = Path(sys.executable).with_name("strandbook")
    words = [str(program), "--book", named, "--who", bench.who, "serve"]
    words += ["--host", host] if host else []
    for name, given in how.items():
        option = f"--{name.replace('_', '-')}" if name != "names" else "--name"
        if isinstance(given, tuple):
            words += [word for each in given for word in (option, each)]
        elif given is True:
            words.append(option)
        elif given not in (None, False):
            words += [option, str(Path(given).resolve() if isinstance(given, Path) else given)]
    keys = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return _UNIT.format(
        code=bench.book.code, user=getpass.getuser(), home=_unit_word(str(Path.home())),
        command=" ".join(_unit_word(word) for word in words), folder=_unit_word(str(folder)),
        keys=_unit_word(str(keys)), name=f"strandbook-{bench.book.code.lower()}",
    )  # fmt: skip


_UNIT = """\
# {name}.service, for /etc/systemd/system/: then systemctl daemon-reload; systemctl enable --now {name}
# The pairing code is in journalctl -u {name}.
[Unit]
Description=strandbook: the bench page of book {code}
Documentation=man:systemd.service(5)
Wants=network-online.target
After=network-online.target postgresql.service

[Service]
Type=exec
User={user}
WorkingDirectory={home}
ExecStart={command}
Restart=on-failure
RestartSec=5
NoNewPrivileges=yes
PrivateTmp=yes
ProtectSystem=strict
ReadWritePaths={folder} -{keys}

[Install]
WantedBy=multi-user.target
"""


def _unit_word(word: str) -> str:
    """Return one word of a unit's command line, quoted where it must be (systemd.syntax(7))."""
    plain = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{plain}"' if plain != word or not word or any(sign in word for sign in " ;'#") else word


def _certificate_of(
    bench: Bench, host: str, *, tls: bool, certificate: Path | None, certificate_key: Path | None,
    names: tuple[str, ...], **_: Any,
) -> PageCertificate | None:  # fmt: skip
    if not tls and certificate is None:
        return None

    if certificate is not None:
        return _certificate.given_certificate(certificate, certificate_key or certificate)
    mine = _own_address() if host in ("0.0.0.0", "::") else host  # noqa: S104 - compared, not listened on
    folder = book.files_folder(bench.book.place).parent
    return _certificate.own_certificate(folder, _hosts(bench, mine, names), bench.book.clock())


def _serving(
    bench: Bench, host: str, found: PageCertificate | None, *, port: int, share: bool, read_only: bool,
    names: tuple[str, ...], **_: Any,
) -> web.Serving:  # fmt: skip

    mine = _own_address() if host in ("0.0.0.0", "::") else host  # noqa: S104 - compared, not listened on
    # Labels say the book's own address; where one is recorded, devices are sent there too.
    address = bench.book.address or f"{mine}:{port}"
    return web.Serving(
        book=bench.book,
        plugged=bench.plugged,
        who=bench.who,
        key=web.signing_key(bench.named),
        shared=share,
        read_only=read_only,
        hosts=_hosts(bench, mine, names),
        address=address if share else "",
        secure=found is not None,
        fingerprint=found.fingerprint if found is not None else "",
        announce=lambda code: _announce(address, code, found) if share else None,
        commands=commands,
    )


def _hosts(bench: Bench, mine: str, names: tuple[str, ...]) -> frozenset[str]:
    own = socket.gethostname().lower()
    labelled = bench.book.address.rpartition(":")[0] or bench.book.address
    found = {*_LOCAL, mine, own, f"{own}.local", labelled.strip("[]"), *names}
    return frozenset(each.lower() for each in found if each)


def _own_address() -> str:
    """Return the address that this computer has in its network; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # An address for documentation (RFC 5737): the system only says which way it would go.
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def _announce(address: str, code: str, found: PageCertificate | None) -> None:
    drawn = io.StringIO()
    made = qrcode.QRCode(border=2)
    made.add_data(devices.pairing_url(address, code, secure=found is not None))
    made.print_ascii(out=drawn, invert=True)
    kind = "http" if found is None else "https"
    note(f"{drawn.getvalue()}\nPair a device: scan this, or open {kind}://{address}/pair and type {code}")
    if found is not None:
        note(f"Its browser shows the certificate once; its SHA-256 begins {found.fingerprint[:23]}")


def _run(serving: Serving, host: str, port: int, found: PageCertificate | None) -> None:
    app = web.make_app(serving)
    shown = f"[{host}]" if ":" in host else host
    kind = "http" if found is None else "https"
    note(f"The bench page: {kind}://{serving.address or f'{shown}:{port}'}/  (Ctrl-C ends it)")
    if serving.shared:
        app.state.bench.codes.current()
    uvicorn.run(app, host=host, port=port, log_level="warning", access_log=False, server_header=False,
                proxy_headers=False, http=guard.patient_protocol(), limit_concurrency=_MOST_CONNECTIONS,
                ssl_certfile=found.certificate if found is not None else None,
                ssl_keyfile=found.key if found is not None else None)  # fmt: skip


def watch_folder(folder: Path, send: Callable[[Path], None], pause_s: float = 1.0) -> None:
    """Hand every recording that is finished in a folder to ``send``, until interrupted.

    A file is finished when its size and time have not changed from one look to the next. What is there
    already is left alone: it belongs to specimens of earlier.

    Args:
        folder: Where the rig writes.
        send: Sends one file; what it refuses is shown, and the watch goes on.
        pause_s: Between two looks.
    """
    known = {file: _stamp(file) for file in _files(folder)}
    sent = set(known)
    while True:
        for file in _files(folder):
            stamp = _stamp(file)
            if file not in sent and stamp is not None and stamp == known.get(file) and stamp[0] > 0:
                sent.add(file)
                try:
                    send(file)
                except Refused as refusal:
                    note(f"{file.name}: {refusal}")
            known[file] = stamp
        time.sleep(pause_s)


def _files(folder: Path) -> list[Path]:
    try:
        return sorted(file for file in folder.iterdir() if file.is_file() and not file.name.startswith("."))
    except OSError as error:
        raise Refused(f"{folder} cannot be read", why=error.strerror or str(error)) from error


def _stamp(file: Path) -> tuple[int, int] | None:
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


def send_recording(file: Path, page: str, token: str, rig: str | None, authority: Path | None = None) -> None:
    """Offer a recording to the specimen that is scanned at the rig's page.

    Args:
        file: The recording.
        page: Address of the bench page.
        token: Of the rig's computer.
        rig: ID of the rig; that of the token where None.
        authority: Certificate that the page is trusted by.

    Raises:
        Refused: The page cannot be reached, or refuses it.
    """
    body = {
        "file": {"name": file.name, "base64": base64.b64encode(read_input(file, "recording")).decode()},
        "rig": rig,
    }
    if not page.startswith(("http://", "https://")):
        raise Refused(f"{page} is no address of a page", do="Give it as http://HOST:8413")
    asked = urllib.request.Request(  # noqa: S310 - the scheme is one of two, looked at above
        f"{page.rstrip('/')}/api/recordings", json.dumps(body).encode(),
        {"Content-Type": "application/json", "Authorization": f"Bearer {token}"},
    )  # fmt: skip
    trust = ssl.create_default_context(cafile=str(authority)) if authority is not None else None
    try:
        with urllib.request.urlopen(asked, timeout=30, context=trust):  # noqa: S310 - the same
            note(f"{file.name} is offered at the rig's page.")
    except urllib.error.HTTPError as error:
        try:
            words = json.loads(error.read()).get("refused", "")
        except ValueError:
            words = error.reason
        raise Refused(f"The page refuses {file.name}", why=str(words)) from error
    except (urllib.error.URLError, OSError) as error:
        raise Refused(
            "The bench page cannot be reached", why=str(error), do="Look whether it is served"
        ) from error
