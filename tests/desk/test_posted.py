"""Devices that are let in, and what is sent twice: known by a secret, stored once."""

from __future__ import annotations

import hashlib

import pytest

from tests.desk.bench import PULL, WHO, a_job, a_pull, a_rig, entries, last_entry
from tracker.book import Book
from tracker.desk.devices import (
    KeyTakenError,
    _known,
    device_of,
    end_device,
    pair_device,
    paired,
    posted_key,
)
from tracker.desk.measuring import stored_under
from tracker.desk.voiding import void
from tracker.forms import FormError
from tracker.kinds import NotFoundError
from tracker.model import Device
from tracker.plugins import load


def test_a_paired_device_is_known_by_its_secret_until_it_ends(book: Book) -> None:
    """Of 43 signs, 256 bits; only its digest is kept, and the journal names the device."""
    rig = a_rig(book)
    done, secret = pair_device(book, WHO, " Pi  at the rig ", rig=rig, role="measures")
    _, other = pair_device(book, WHO, "Phone", role="reads")
    known = device_of(book, secret)

    assert known is not None
    assert (known.number, known.name, known.rig, known.role, known.read_only) == (
        1, done.id, rig, "measures", False,
    )  # fmt: skip
    assert (len(secret), secret != other, device_of(book, secret[:-1])) == (43, True, None)
    assert [(each.number, each.name, each.rig, each.read_only) for each in paired(book)] == [
        (1, done.id, rig, False), (2, "Phone", None, True),
    ]  # fmt: skip
    assert (end_device(book, WHO, 1).id, last_entry(book).act) == (done.id, "device end")
    assert (device_of(book, secret), [each.number for each in paired(book)]) == (None, [2])
    for number in (1, 3):
        with pytest.raises(NotFoundError, match=f"No device {number} is paired"):
            end_device(book, WHO, number)


def test_devices_that_are_let_in_have_names_of_their_own(book: Book) -> None:
    """Whatever the capitals, up to 60 signs; the successor of one that ended may have its name."""
    pair_device(book, WHO, "Phone")
    for name, said in (
        ("pHONE", r"'pHONE' is paired already"), ("n" * 61, "nnnn… is too long .* at most 60"), ("", "Name"),
    ):  # fmt: skip
        before = entries(book)
        with pytest.raises(FormError, match=said):
            pair_device(book, WHO, name)
        assert entries(book) == before
    pair_device(book, WHO, "n" * 60)
    end_device(book, WHO, 1)
    pair_device(book, WHO, "Phone")
    assert [(each.number, each.role) for each in paired(book)] == [(2, "keeps"), (3, "keeps")]


@pytest.mark.parametrize(
    ("role", "read_only", "found"),
    [("measures", True, "measures"), (None, True, "reads"), (None, False, "keeps"), ("owns", False, "keeps")],
)
def test_a_device_paired_before_there_were_roles(role: str | None, read_only: bool, found: str) -> None:
    """It kept the book, unless it was read-only."""
    assert _known(Device(id=1, name="Phone", role=role, read_only=read_only)).role == found


def test_a_posted_key_is_a_digest_of_the_sender_and_one_of_what_it_sends() -> None:
    """Forty digits of each; two senders may number their measurements alike."""
    key = posted_key("Pi", "7", b"{}")
    sender, content = key.split(".")

    assert content == hashlib.sha256(b"{}").hexdigest()[:40]
    assert sender == hashlib.sha256(b"Pi\x007").hexdigest()[:40]
    assert (
        len({key, posted_key("Pi2", "7", b"{}"), posted_key("Pi", "27", b"{}"), posted_key("Pi", "7", b"[]")})
        == 4
    )
    assert posted_key("Pi", "\ud800", b"{}") != key


def test_what_comes_twice_under_one_key_is_stored_once(book: Book) -> None:
    """And answered as it was stored; the same key for other content is refused."""
    pieces, key = a_job(book).also, posted_key("Pi", "7", b"{}")
    first = a_pull(book, pieces[0], key=key, source="posted")
    before = entries(book)
    again = a_pull(book, pieces[0], key=key, source="posted")

    assert (first.again, again.again, entries(book)) == (False, True, before)
    assert again.notes == ["It was stored before; nothing was stored twice."]
    assert (again.id, again.subject, again.method, again.version, again.problem) == (
        first.id, first.subject, "tensile", first.version, None,
    )  # fmt: skip
    plain = ("quantity", "value", "unit", "relation", "remarks", "refused", "group", "low", "high")
    for one, other in zip(first.results, again.results, strict=True):
        assert [getattr(one, name) for name in plain] == [getattr(other, name) for name in plain]
        assert other.uncertainty == pytest.approx(one.uncertainty)
    with pytest.raises(KeyTakenError, match=r"used for another measurement.*only as it was"):
        a_pull(book, pieces[1], key=posted_key("Pi", "7", b"[]"), source="posted")
    assert entries(book) == before
    assert a_pull(book, pieces[1], {**PULL, "max_force": "1800"}, key=posted_key("Pi2", "7", b"{}")).id


def test_an_act_done_under_a_key_answers_with_what_is_left_of_it(book: Book) -> None:
    """Nothing under a key that nobody used; nothing of what was taken back since."""
    pieces, key = a_job(book).also, posted_key("Pi", "7", b"{}")
    first = a_pull(book, pieces[0], key=key).id
    sender = key.partition(".")[0]

    assert [each.id for each in stored_under(book, sender)] == [first]
    assert stored_under(book, "another") == []
    void(book, WHO, load(), first, "slipped")
    assert stored_under(book, sender) == []
