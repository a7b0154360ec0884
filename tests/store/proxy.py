"""A proxy between a book and its PostgreSQL server that breaks the connection where a test wants it."""

from __future__ import annotations

import contextlib
import select
import socket
import threading
from pathlib import Path
from typing import Literal, Self

from sqlalchemy import make_url

Where = Literal["", "before", "after", "after and stay away"]


class Proxy:
    """Passes everything on, until a COMMIT comes by that it is to lose.

    Args:
        place: Place of a book on the test's server, whose socket is in a folder.
        folder: Where the proxy's own socket is made.

    Attributes:
        lose: What to do with the next COMMIT: end the connection "before" it reaches the server, or "after"
            the server has done it and before the answer comes back.
        version: Told to the client in place of the server's own, where it is not empty; of equal length.
    """

    def __init__(self, place: str, folder: Path) -> None:
        url = make_url(place)
        self._target = f"{url.query['host']}/.s.PGSQL.5432"
        self._file = folder / ".s.PGSQL.5432"
        self.place = url.update_query_dict({"host": str(folder)}).render_as_string(hide_password=False)
        self.lose: Where = ""
        self.version = b""
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(self._file))
        self._listener.listen(8)
        threading.Thread(target=self._serve, daemon=True).start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._listener.close()
        self._file.unlink(missing_ok=True)

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                threading.Thread(target=self._pass_on, args=(client,), daemon=True).start()

    def _pass_on(self, client: socket.socket) -> None:
        server = socket.socket(socket.AF_UNIX)
        with contextlib.suppress(OSError), client, server:
            server.connect(self._target)
            while True:
                ready, _, _ = select.select([client, server], [], [], 30)
                for source in ready:
                    data = source.recv(65536)
                    if not data:
                        return
                    if source is client and self.lose and b"COMMIT\0" in data:
                        self._lose(server, data)
                        return
                    if source is server and self.version:
                        data = _with_version(data, self.version)
                    (server if source is client else client).sendall(data)

    def _lose(self, server: socket.socket, data: bytes) -> None:
        where, self.lose = self.lose, ""
        if where == "after and stay away":
            self._listener.close()
            self._file.unlink()
        if where != "before":
            server.sendall(data)
            server.recv(65536)


def _with_version(data: bytes, version: bytes) -> bytes:
    head = b"server_version\0"
    at = data.find(head)
    if at < 0:
        return data
    start = at + len(head)
    end = data.index(b"\0", start)
    # The message's length is in its head, so the text must be as long as it was.
    return data[:start] + version.ljust(end - start, b"0")[: end - start] + data[end:]
