"""The bench page: served to this computer, or to the bench's network."""

from __future__ import annotations

import io
import socket
from typing import TYPE_CHECKING, Any

import click

from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import note
from tracker.desk.devices import pair_device
from tracker.errors import Refused

if TYPE_CHECKING:
    from tracker.web import Serving

_PORT = 8413
_LOCAL = ("127.0.0.1", "::1", "localhost")


@click.command("serve", epilog="Example: strandbook serve --share")
@click.option("--host", metavar="ADDRESS", help="Address to listen on; else this computer alone.")
@click.option("--port", type=click.IntRange(1, 65535), default=_PORT, help=f"Port; else {_PORT}.")
@click.option("--share", is_flag=True, help="Let phones and rigs of the bench's network come, once paired.")
@click.option(
    "--name", "names", multiple=True, metavar="HOST", help="Another name this computer is called by."
)
@click.option("--read-only", is_flag=True, help="For visitors: nobody writes.")
@click.option("--rig-token", "rig", metavar="RIG", help="Make the token of a rig's computer, and leave.")
@pass_bench
def serve_command(bench: Bench, /, rig: str | None, host: str | None, **how: Any) -> None:
    """Give the daily work in a browser: scan, measure, take off the bed, ask why."""
    if rig is not None:
        made, secret = pair_device(bench.book, bench.who, f"computer of {rig}", rig=rig)
        note(f"{made.id}: its token follows, this once. It goes into the header Authorization: Bearer TOKEN.")
        click.echo(secret)
        return
    host = host or ("0.0.0.0" if how["share"] else "127.0.0.1")  # noqa: S104 - asked for with --share
    if host not in _LOCAL and not how["share"]:
        raise Refused(f"{host} can be reached by others", do="Add --share: every device is then paired first")
    _run(_serving(bench, host, **how), host, how["port"])


def _serving(
    bench: Bench, host: str, *, port: int, share: bool, read_only: bool, names: tuple[str, ...], **_: Any
) -> Serving:
    from tracker.web import Serving, signing_key  # noqa: PLC0415 - only serving needs a server

    mine = _own_address() if host in ("0.0.0.0", "::") else host  # noqa: S104 - compared, not listened on
    address = f"{mine}:{port}"
    return Serving(
        book=bench.book,
        plugged=bench.plugged,
        who=bench.who,
        key=signing_key(bench.named),
        shared=share,
        read_only=read_only,
        hosts=_hosts(bench, mine, names),
        address=address if share else "",
        announce=lambda code: _announce(address, code) if share else None,
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


def _announce(address: str, code: str) -> None:
    import qrcode  # noqa: PLC0415 - only a shared page shows one

    from tracker.web.pages.devices import pairing_url  # noqa: PLC0415 - the same

    drawn = io.StringIO()
    made = qrcode.QRCode(border=2)
    made.add_data(pairing_url(address, code))
    made.print_ascii(out=drawn, invert=True)
    note(f"{drawn.getvalue()}\nLet a device in: scan this, or open http://{address}/pair and type {code}")


def _run(serving: Serving, host: str, port: int) -> None:
    import uvicorn  # noqa: PLC0415 - only serving needs a server

    from tracker.web import make_app  # noqa: PLC0415 - the same

    app = make_app(serving)
    shown = f"[{host}]" if ":" in host else host
    note(f"The bench page: http://{serving.address or f'{shown}:{port}'}/  (Ctrl-C ends it)")
    if serving.shared:
        app.state.bench.code.current()
    uvicorn.run(app, host=host, port=port, log_level="warning", access_log=False, server_header=False,
                proxy_headers=False)  # fmt: skip
