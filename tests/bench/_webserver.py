"""A server to be timed, as a process of its own: ours, or the same framework serving one row by a bare read.

``python -m tests.bench._webserver ours|floor FOLDER PORT``; says ``ready`` when it listens.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import uvicorn
from fastapi import FastAPI, HTTPException
from pydantic import BaseModel
from sqlalchemy import create_engine, event
from sqlalchemy.orm import DeclarativeBase, Mapped, Session, mapped_column

from tracker.book import open_book
from tracker.plugins import load
from tracker.web import Serving, make_app


class Base(DeclarativeBase):
    """Base of the floor's one table."""


class Row(Base):
    """The floor's one table."""

    __tablename__ = "row"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]


class Sent(BaseModel):
    """What the floor takes: anything."""

    specimen: str
    readings: dict[str, Any]
    files: dict[str, Any]


def floor(folder: Path) -> FastAPI:
    """Return the plain way: one table, read and written by the mapper, as durable as ours."""
    engine = create_engine(f"sqlite:///{folder / 'floor.sqlite'}")

    @event.listens_for(engine, "connect")
    def _durable(connection: Any, _: Any) -> None:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")

    Base.metadata.create_all(engine)
    with Session(engine) as session:
        session.merge(Row(id=1, name="piece"))
        session.commit()
    app = FastAPI()

    @app.get("/row/{number}")
    def read(number: int) -> dict[str, Any]:
        with Session(engine) as session:
            row = session.get(Row, number)
            if row is None:
                raise HTTPException(404)
            return {"id": row.id, "name": row.name}

    @app.post("/row")
    def write(sent: Sent) -> dict[str, Any]:
        with Session(engine) as session:
            row = Row(name=sent.files["curve"]["text"])
            session.add(row)
            session.commit()
            return {"id": row.id}

    return app


def ours(folder: Path) -> FastAPI:
    """Return our page on the book in a folder."""
    return make_app(Serving(open_book(str(folder)), load(), "bench", b"k" * 32))


class _Ready(uvicorn.Server):
    async def startup(self, sockets: Any = None) -> None:
        """Say when requests are taken."""
        await super().startup(sockets)
        print("ready", flush=True)


def main(which: str, folder: str, port: str) -> None:
    """Serve until killed."""
    app = {"ours": ours, "floor": floor}[which](Path(folder))
    _Ready(uvicorn.Config(app, port=int(port), log_level="error", access_log=False, lifespan="off")).run()


if __name__ == "__main__":
    main(*sys.argv[1:])
