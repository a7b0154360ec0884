"""Heads noted outside a book against its journal: they find a chain computed again, and a tail cut off."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from pathlib import Path

from sqlalchemy import Connection, select

from tracker.book import Book
from tracker.heads import KEY_ENTERED, Head, HeadError, KeyRing, head_of
from tracker.inputs import MB, opened
from tracker.model import JournalRecord
from tracker.moments import local_day
from tracker.verify.chain import Link
from tracker.verify.findings import Finding, Findings

_SHA256 = bytes.fromhex("0609608648016503040201")
"""Object identifier of SHA-256 in DER (RFC 5754)."""

_TST_INFO = bytes.fromhex("060b2a864886f70d0109100104")
"""The object identifier id-ct-TSTInfo of what a service signs (RFC 3161, section 2.4.2), in DER."""
_GENERALIZED = re.compile(rb"\x18[\x0f-\x1f](\d{14})(?:\.\d+)?Z")
_BACKWARDS = dt.timedelta(minutes=2)


def head_now(book: Book) -> Head:
    """Return the head of a book's journal as it is, signed where this computer has the book's key."""
    with book.connect() as connection:
        last = connection.execute(
            select(JournalRecord.seq, JournalRecord.hash).order_by(JournalRecord.seq.desc()).limit(1)
        ).one_or_none()
    seq, hash_ = (last.seq, last.hash) if last is not None else (0, "")
    return KeyRing().sign(book.code, seq, hash_, book.clock())


def read_heads(file: Path) -> list[Head]:
    """Return the heads in a file that ``verify --note`` wrote, or in a list of them, a line each.

    Raises:
        HeadError: There is none in it, or one was changed.
        InputError: It cannot be read.
    """
    with opened(file) as stream:
        data = stream.read(MB)
    try:
        whole = json.loads(data)
    except (ValueError, RecursionError):
        whole = None
    if isinstance(whole, dict):
        return [head_of(whole, str(file))]
    try:
        heads = [head_of(json.loads(line), str(file)) for line in data.splitlines() if line.strip()]
    except (ValueError, RecursionError) as error:
        do = "Give a file that verify --note wrote"
        raise HeadError(f"{file} is no head of a journal", do=do) from error
    if not heads:
        raise HeadError(f"{file} is empty", do="Give a file that verify --note wrote")
    return heads


def attach_stamp(book: Book, who: str, stamp: Path, stamped: Path) -> str:
    """Keep a time stamp (RFC 3161) of a head with the book, the head beside it; returns the stamp's moment.

    That the stamp is of this head is checked; the signature of its service is not, for that takes the
    service's certificates.

    Raises:
        HeadError: It is no time stamp, or of something else, or the head is of another book.
    """
    (head,) = read_heads(stamped)[:1]
    if head.book != book.code:
        raise HeadError(f"{stamped} is a head of the book {head.book}, and not of {book.code}")
    with opened(stamp) as stream:
        token = stream.read(MB)
    with opened(stamped) as stream:
        data = stream.read(MB)
    digest = hashlib.sha256(data).digest()
    # A message imprint is an algorithm's identifier and the digest as an octet string of 32 bytes.
    if not token.startswith(b"\x30") or _SHA256 not in token or b"\x04\x20" + digest not in token:
        raise HeadError(
            f"{stamp} is no time stamp of {stamped}",
            why="it does not hold its SHA-256",
            do="Have exactly this file stamped, with SHA-256",
        )
    # What is stamped comes before the moment; a request holds the digest too, and neither of the others.
    found = _GENERALIZED.search(token, token.index(digest))
    if _TST_INFO not in token or found is None:
        raise HeadError(
            f"{stamp} is no time stamp of {stamped}",
            why="it is not the answer of a service: no moment is in it",
            do="Give the file that the service sent back, not the request",
        )
    moment = found[1].decode()
    at = f"{moment[:4]}-{moment[4:6]}-{moment[6:8]} {moment[8:10]}:{moment[10:12]}:{moment[12:]} UTC"
    with book.act("time stamp", who, reason=f"RFC 3161 stamp of entry {head.entry}: {at}") as act:
        act.attach(data, stamped.name)
        act.attach(token, stamp.name)
    return at


class Heads:
    """Looks for noted heads while the journal is walked, and at what its times and keys say.

    Args:
        code: The book's three characters.
        zone: The book's, in which days are named.
        noted: What is looked for.
        findings: Takes what is not there.
    """

    def __init__(self, code: str, zone: dt.tzinfo, noted: list[Head], findings: Findings) -> None:
        self._zone = zone
        self._findings = findings
        self._noted = noted
        self._wanted: dict[int, list[Head]] = {}
        self._keys: set[str] = set()
        self._before = ""
        for head in noted:
            if head.book != code:
                day = self._day(head)
                self._add(f"The noted head of {day} is of the book {head.book}, and not of {code}")
            else:
                self._wanted.setdefault(head.entry, []).append(head)

    def take(self, link: Link) -> None:
        """Take one entry of the walk."""
        for head in self._wanted.pop(link.origin.seq, ()):
            self._compare(head, link.hash)
        reason = str(link.body.get("reason", ""))
        if reason.startswith(KEY_ENTERED):
            self._keys.add(reason.removeprefix(KEY_ENTERED))
        self._look_at_time(link)

    def begin_after(self, connection: Connection, entry: int) -> None:
        """Look at the heads of entries that the walk leaves out, in the journal itself."""
        for number in [each for each in self._wanted if 0 < each <= entry]:
            hash_ = connection.scalar(select(JournalRecord.hash).where(JournalRecord.seq == number))
            for head in self._wanted[number] if hash_ is not None else ():
                self._compare(head, hash_ or "")
            if hash_ is not None:
                del self._wanted[number]

    def finish(self) -> None:
        """Say which noted entries the journal does not have any more, and which keys it never named."""
        for entry, heads in sorted(self._wanted.items()):
            if entry:
                self._add(
                    f"The journal ends before entry {entry}, which was noted on {self._day(heads[0])}: "
                    "its end was cut off"
                )
        strange = sorted({h.fingerprint for h in self._noted if h.key and h.key not in self._keys})
        if self._keys and strange:
            self._findings.notes.append(
                f"Noted heads are signed with a key that the journal does not name: {', '.join(strange)}"
            )

    def _compare(self, head: Head, hash_: str) -> None:
        if head.hash != hash_:
            self._add(
                f"Entry {head.entry} is not the one that was noted on {self._day(head)}: "
                "the journal up to there was rewritten"
            )

    def _day(self, head: Head) -> str:
        """Return the day at the bench on which a head was noted; what is no moment stays as it is."""
        try:
            return str(local_day(dt.datetime.fromisoformat(head.at), self._zone))
        except ValueError:
            return head.at[:10]

    def _look_at_time(self, link: Link) -> None:
        at = link.origin.at
        try:
            back = dt.datetime.fromisoformat(self._before) - dt.datetime.fromisoformat(at)
        except (ValueError, TypeError):
            back = dt.timedelta(0)
        if back > _BACKWARDS:
            whole = dt.timedelta(seconds=round(back.total_seconds()))
            self._findings.notes.append(
                f"The clock went back before {link.origin}: the entry before it is {whole} later"
            )
        self._before = at

    def _add(self, text: str) -> None:
        self._findings.add(Finding("chain", text, table="journal"))
