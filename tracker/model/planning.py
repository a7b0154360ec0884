"""What is meant to be tested, and which of several conditions is published."""

from __future__ import annotations

import datetime as dt
from typing import Any

from sqlalchemy import ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from tracker.model.base import Base, Numbered


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
    """What stands in published pages and data in the place of the name."""
    note: Mapped[str | None]
    named: Mapped[bool | None]
    """Whether the person agreed to be named in what is published."""


class Choice(Base, Numbered):
    """Which condition of a material is published for a quantity; the newest choice holds."""

    __tablename__ = "choice"

    material_id: Mapped[int] = mapped_column(ForeignKey("material.id"), index=True)
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
    secret_sha256: Mapped[str] = mapped_column(unique=True)
    rig_id: Mapped[int | None] = mapped_column(ForeignKey("rig.id"))
    read_only: Mapped[bool]
    # "reads", "measures" or "keeps"; NULL in rows written before there were roles.
    role: Mapped[str | None]
    paired_at: Mapped[dt.datetime]
    ended_at: Mapped[dt.datetime | None]
