"""Devices and programs that reach the book by the network, and what they post: stored once."""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets
from dataclasses import dataclass
from hashlib import sha256
from typing import Final, Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.errors import Refused
from tracker.forms import Ask, FormError, read, when_at
from tracker.ids import rig_id
from tracker.kinds import NotFoundError, find
from tracker.model import Device, SentForm

Role = Literal["reads", "measures", "keeps"]
ROLES: Final[tuple[Role, ...]] = ("reads", "measures", "keeps")
"""What a device may do. ``reads``: look. ``measures``: also the daily work: readings, outcomes, photographs,
storage, weighing, drying, changes of settings. ``keeps``: also keep the book: new records, corrections,
verdicts, devices. Each may do what those before it may."""

_NAME: Final = Ask("name", "Name of the device", required=True)
_LONGEST: Final = 60
_SECRET_BYTES: Final = 32
"""256 random bits: nobody guesses them, so their plain SHA-256 may be kept without salt or stretching."""


@dataclass(frozen=True)
class Known:
    """A paired device.

    Attributes:
        number: Its number in the book.
        name: As it was named when it was paired; the journal says it of every write.
        rig: ID of the rig whose computer it is, or None.
        role: What it may do.
        paired_at: Since when it may.
    """

    number: int
    name: str
    rig: str | None
    role: Role
    paired_at: dt.datetime

    @property
    def read_only(self) -> bool:
        """Whether it may look and nothing else."""
        return self.role == "reads"


def pair_device(
    book: Book, who: str, name: str, *, rig: str | None = None, role: Role = "keeps"
) -> tuple[Done, str]:
    """Let a device in.

    Args:
        book: The book.
        who: Who lets it in.
        name: What people call it.
        rig: ID of the rig whose computer it is.
        role: What it may do.

    Returns:
        What was done, and the secret by which the device is known from now on. It is told this once and
        kept nowhere.

    Raises:
        FormError: No name, or one that another device has.
    """
    named = str(read(_NAME, name, when_at(book)))
    if len(named) > _LONGEST:
        raise FormError(f"{named[:20]}… is too long for a name", do=f"Use at most {_LONGEST} characters")
    # Drawn by us and never chosen by a person: a plain digest of it is then as good as a slow one.
    secret = secrets.token_urlsafe(_SECRET_BYTES)
    with book.act("device pair", who) as act:
        # Among those still let in: the journal tells devices by name, and a lost phone's successor may have
        # its name.
        taken = act.session.scalars(select(Device.name).where(Device.ended_at.is_(None)))
        if named.casefold() in {each.casefold() for each in taken}:
            raise FormError(f"A device {named!r} is paired already", do="Give this one another name")
        row = find(book, act.session, rig, "rig") if rig else None
        device = Device(
            name=named, secret_sha256=_digest(secret), rig_id=row.id if row else None,
            read_only=role == "reads", role=role, paired_at=act.at,
        )  # fmt: skip
        act.session.add(device)
        act.about.append(named)
    return Done(named), secret


def end_device(book: Book, who: str, number: int) -> Done:
    """Remove a device: it may read and write no more; what it wrote stays.

    Raises:
        NotFoundError: No device of that number is paired.
    """
    with book.act("device end", who) as act:
        device = act.session.get(Device, number)
        if device is None or device.ended_at is not None:
            raise NotFoundError(f"No device {number} is paired")
        # Ended and not removed, as its name stands in entries of the journal.
        device.ended_at = act.at
        act.about.append(device.name)
        return Done(device.name)


def device_of(book: Book, secret: str) -> Known | None:
    """Return the paired device that has a secret, or None."""
    with book.read() as session:
        row = session.scalar(
            select(Device).where(Device.secret_sha256 == _digest(secret), Device.ended_at.is_(None))
        )
        return None if row is None else _known(row)


def paired(book: Book) -> list[Known]:
    """Return the devices that are paired, oldest first."""
    with book.read() as session:
        rows = session.scalars(select(Device).where(Device.ended_at.is_(None)).order_by(Device.id))
        return [_known(row) for row in rows]


def _known(row: Device) -> Known:
    rig = None if row.rig_id is None else rig_id(row.rig_id)
    # A device paired before there were roles kept the book, unless it was read-only.
    role = next((each for each in ROLES if each == row.role), "reads" if row.read_only else "keeps")
    return Known(row.id, row.name, rig, role, row.paired_at)


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


class KeyTakenError(Refused):
    """A sender uses the key of one measurement for another."""


def posted_key(sender: str, key: str, content: bytes) -> str:
    """Return what a measurement of a program is stored under, once.

    Args:
        sender: Who sends it: two senders may well number their measurements alike.
        key: As the sender made it.
        content: What is sent, in one canonical form.

    Returns:
        A digest of sender and key, a dot, a digest of the content.
    """
    return f"{_digest_of(sender, key)}.{sha256(content).hexdigest()[:40]}"


def _digest_of(*texts: str) -> str:
    return sha256("\0".join(texts).encode("utf-8", "replace")).hexdigest()[:40]


def keep_posted(session: Session, key: str) -> None:
    """Note inside an act that the sender's key of a :func:`posted_key` is used."""
    sender, dot, _ = key.partition(".")
    if dot:
        session.add(SentForm(key=sender))


def check_posted(session: Session, key: str) -> None:
    """Let through a :func:`posted_key` whose sender has not used its key for other content.

    Raises:
        KeyTakenError: It has.
    """
    sender, dot, _ = key.partition(".")
    if dot and session.get(SentForm, sender) is not None:
        raise KeyTakenError(
            "This key was used for another measurement",
            do="Make a new key for each measurement; send one again only as it was",
        )
