"""What keeps the rest: book, journal, attachments; people, devices, plans."""

import datetime as dt

from sqlalchemy import ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped

from tracker.model.base import Base, Entered, Numbered, column


class BookRecord(Base, Entered):
    """The one row that says which book this is. Its lock is the right to write on PostgreSQL."""

    __tablename__ = "book"

    id: Mapped[int] = column(primary_key=True, autoincrement=False)
    code: Mapped[str]
    title: Mapped[str] = column(default="")
    zone: Mapped[str] = column(default="UTC")
    """IANA name of the bench's time zone; times on screen are in it."""
    address: Mapped[str] = column(default="")
    """HOST:PORT of the bench page, put into labels; empty for bare IDs."""
    begun_at: Mapped[dt.datetime]
    licence: Mapped[str | None]
    """SPDX identifier of the licence under which data are published; None: not chosen yet."""
    author: Mapped[str | None]
    """Who publishes: a person or a bench, as it is to be cited."""
    public_address: Mapped[str | None]
    """Where the published site stands, ``https://example.org``; None: nowhere yet."""


class JournalRecord(Base):
    """One act. ``body`` is canonical JSON (RFC 8785) and holds all the other columns but ``hash``."""

    __tablename__ = "journal"

    seq: Mapped[int] = column(primary_key=True, autoincrement=False)
    at: Mapped[dt.datetime]
    who: Mapped[str]
    act: Mapped[str]
    # Text and not a document type: the hash is of these very bytes, and PostgreSQL's JSONB would reorder
    # the keys.
    body: Mapped[str]
    hash: Mapped[str]
    """SHA-256 of ``body``, hexadecimal; the body names the hash before it."""


class Attachment(Base, Entered):
    """A file kept whole, addressed by the SHA-256 of its bytes."""

    __tablename__ = "attachment"

    sha256: Mapped[str] = column(primary_key=True)
    size: Mapped[int]
    """Bytes."""
    name: Mapped[str]
    """Name under which it first came in."""


class SentForm(Base, Entered):
    """The key of a form that was stored; ``entry`` is the act that stored it. Sent again, it does nothing."""

    __tablename__ = "sent_form"

    key: Mapped[str] = column(primary_key=True)


class Programme(Base, Numbered):
    """A named list of method × orientation × replicates; ``text`` is its TOML as the person wrote it."""

    __tablename__ = "programme"
    __table_args__ = (UniqueConstraint("name"),)

    name: Mapped[str]
    text: Mapped[str]


class Person(Base, Numbered):
    """Somebody who works at the bench: what ``--who`` and an operator's field name."""

    __tablename__ = "person"
    __table_args__ = (UniqueConstraint("initials"),)

    initials: Mapped[str]
    name: Mapped[str]
    pseudonym: Mapped[str | None]
    """What is in published pages and data in the place of the name."""
    note: Mapped[str | None]
    named: Mapped[bool | None]
    """Whether the person agreed to be named in what is published."""


class Device(Base, Numbered):
    """A phone, tablet or rig computer that may read, and perhaps write, over the network.

    Only the SHA-256 of its secret is kept. A rig's own computer names the rig it serves.
    """

    __tablename__ = "device"

    name: Mapped[str]
    # A plain digest does for a long random secret; the slow hashes are for passwords that can be guessed.
    secret_sha256: Mapped[str] = column(unique=True)
    rig_id: Mapped[int | None] = column(ForeignKey("rig.id"))
    read_only: Mapped[bool]
    # "reads", "measures" or "keeps"; NULL in rows written before there were roles.
    role: Mapped[str | None]
    paired_at: Mapped[dt.datetime]
    ended_at: Mapped[dt.datetime | None]
