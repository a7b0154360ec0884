"""What keeps the rest: the book's own row, the journal, the attachments."""

from __future__ import annotations

import datetime as dt

from sqlalchemy.orm import Mapped, mapped_column

from tracker.model.base import Base, Entered


class BookRecord(Base, Entered):
    """The one row that says which book this is. Its lock is the right to write on PostgreSQL."""

    __tablename__ = "book"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    code: Mapped[str] = mapped_column()
    title: Mapped[str] = mapped_column(default="")
    zone: Mapped[str] = mapped_column(default="UTC")
    """IANA name of the bench's time zone; times on screen are in it."""
    address: Mapped[str] = mapped_column(default="")
    """HOST:PORT of the bench page, put into labels; empty for bare IDs."""
    begun_at: Mapped[dt.datetime] = mapped_column()
    licence: Mapped[str | None] = mapped_column()
    """SPDX identifier of the licence under which data are published; None: not chosen yet."""
    author: Mapped[str | None] = mapped_column()
    """Who publishes: a person or a bench, as it is to be cited."""
    public_address: Mapped[str | None] = mapped_column()
    """Where the published site stands, ``https://example.org``; None: nowhere yet."""


class JournalRecord(Base):
    """One act. ``body`` is canonical JSON (RFC 8785) and holds all the other columns but ``hash``."""

    __tablename__ = "journal"

    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    at: Mapped[dt.datetime] = mapped_column()
    who: Mapped[str] = mapped_column()
    act: Mapped[str] = mapped_column()
    # Text and not a document type: the hash is of these very bytes, and PostgreSQL's JSONB would reorder
    # the keys.
    body: Mapped[str] = mapped_column()
    hash: Mapped[str] = mapped_column()
    """SHA-256 of ``body``, hexadecimal; the body names the hash before it."""


class Attachment(Base, Entered):
    """A file kept whole, addressed by the SHA-256 of its bytes."""

    __tablename__ = "attachment"

    sha256: Mapped[str] = mapped_column(primary_key=True)
    size: Mapped[int] = mapped_column()
    """Bytes."""
    name: Mapped[str] = mapped_column()
    """Name under which it first came in."""


class SentForm(Base, Entered):
    """The key of a form that was stored; ``entry`` is the act that stored it. Sent again, it does nothing."""

    __tablename__ = "sent_form"

    key: Mapped[str] = mapped_column(primary_key=True)
