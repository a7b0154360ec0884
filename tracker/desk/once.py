"""Measurements that a program posts: stored once under the sender's key, whatever the network swallows."""

from __future__ import annotations

from hashlib import sha256

from sqlalchemy.orm import Session

from tracker.errors import Refused
from tracker.model import SentForm


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
    return f"{_digest(sender, key)}.{sha256(content).hexdigest()[:40]}"


def _digest(*texts: str) -> str:
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
