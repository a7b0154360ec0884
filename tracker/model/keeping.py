"""What keeps the rest: book, journal, attachments; people, devices, plans; what other benches published."""

import datetime as dt
from typing import Any

from sqlalchemy import ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, relationship

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


class Choice(Base, Numbered):
    """Which condition of a material is published for a quantity; the newest choice holds."""

    __tablename__ = "choice"

    material_id: Mapped[int] = column(ForeignKey("material.id"), index=True)
    quantity: Mapped[str | None]
    """None: for every quantity of the material."""
    condition: Mapped[dict[str, Any]]
    """Factors and values that tell the chosen condition from the others."""
    remark: Mapped[str | None]
    reason: Mapped[str]
    by: Mapped[str]
    at: Mapped[dt.datetime]


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


class Dispute(Base, Numbered):
    """An answer to a number, published beside it: a maker's, a reader's, or the bench's own reply."""

    __tablename__ = "dispute"

    measurement_id: Mapped[int | None] = column(ForeignKey("measurement.id"), index=True)
    material_id: Mapped[int | None] = column(ForeignKey("material.id"), index=True)
    text: Mapped[str]
    by: Mapped[str]
    """Who answers, as it is to be published."""
    address: Mapped[str | None]
    """Where more is said; a URL."""
    at: Mapped[dt.datetime]


class OtherBench(Base, Numbered):
    """Another bench, by the code of its book; its results are never mixed with ours unasked."""

    __tablename__ = "other_bench"
    __table_args__ = (UniqueConstraint("code"),)

    code: Mapped[str]
    title: Mapped[str | None]
    author: Mapped[str | None]
    licence: Mapped[str | None]
    address: Mapped[str | None]
    version: Mapped[str | None]
    """Of the site that was imported last: the date it states."""

    results: Mapped[list["OtherResult"]] = relationship("OtherResult", order_by="OtherResult.id")


class OtherResult(Base, Numbered):
    """A result that another bench published, with its own IDs."""

    __tablename__ = "other_result"
    __table_args__ = (
        UniqueConstraint("bench_id", "measurement", "quantity"),
        Index(None, "quantity"),
    )

    bench_id: Mapped[int] = column(ForeignKey("other_bench.id"))
    measurement: Mapped[str]
    specimen: Mapped[str | None]
    job: Mapped[str | None]
    material: Mapped[str | None]
    family: Mapped[str | None]
    orientation: Mapped[str | None]
    method: Mapped[str]
    method_version: Mapped[str | None]
    quantity: Mapped[str]
    value: Mapped[float | None]
    unit: Mapped[str]
    uncertainty: Mapped[float | None]
    relation: Mapped[str] = column(default="=")
    counted: Mapped[bool]
    factors: Mapped[dict[str, Any] | None]
    """Factors of the specimen by name: a number in the unit its name ends in, or a word."""
