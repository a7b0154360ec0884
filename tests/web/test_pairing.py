"""Letting devices in."""

from __future__ import annotations

from typing import Any

import pytest

from tests.web.site import Browser, Site
from tracker.book import Book
from tracker.desk.devices import device_of, end_device, pair_device, paired
from tracker.forms import FormError
from tracker.kinds import NotFoundError
from tracker.web.pages.devices import pairing_svg, pairing_url
from tracker.web.pairing import LASTS_S, PairingCodes
from tracker.web.refusals import TooManyTriesError, WrongCodeError
from tracker.web.render import own_path


class Clock:
    """Seconds that a test sets."""

    def __init__(self) -> None:
        self.at = 0.0

    def __call__(self) -> float:
        """Return the second it is."""
        return self.at


@pytest.fixture
def at() -> Clock:
    """Give the clock of the code."""
    return Clock()


@pytest.fixture
def pairing(at: Clock) -> PairingCodes:
    """Give a pairing code that is shown to nobody."""
    return PairingCodes(at, lambda _: None)


def test_the_code_is_read_forgivingly(pairing: PairingCodes) -> None:
    """Lower case, blanks and dashes are forgiven."""
    code = pairing.current()
    assert pairing.use(f" {code[:3].lower()}-{code[3:]} ", "a") == "keeps"


def test_the_code_serves_once(pairing: PairingCodes) -> None:
    """Used, it is another."""
    code = pairing.current()
    pairing.use(code, "a")
    with pytest.raises(WrongCodeError):
        pairing.use(code, "a")


def test_the_code_runs_out(pairing: PairingCodes, at: Clock) -> None:
    """After a quarter of an hour it is another."""
    code = pairing.current()
    at.at += LASTS_S
    assert pairing.current() != code


def test_one_address_tries_five_times(pairing: PairingCodes) -> None:
    """The sixth try is not looked at, even if it is right."""
    code = pairing.current()
    for _ in range(5):
        with pytest.raises(WrongCodeError):
            pairing.use("AAAAAA", "a")
    with pytest.raises(TooManyTriesError):
        pairing.use(code, "a")


def test_another_address_may_still_try(pairing: PairingCodes) -> None:
    """One that guesses does not lock the others out at once."""
    code = pairing.current()
    for _ in range(5):
        with pytest.raises(WrongCodeError):
            pairing.use("AAAAAA", "a")
    pairing.use(code, "b")


def test_guessing_elsewhere_keeps_nobody_from_pairing(pairing: PairingCodes) -> None:
    """However many addresses guess, one that knows the code is let in."""
    for number in range(200):
        for _ in range(5):
            with pytest.raises(WrongCodeError):
                pairing.use("AAAAAA", f"10.0.{number // 100}.{number % 100}")
    assert pairing.use(pairing.current(), "10.0.9.9") == "keeps"


def test_an_ipv6_sender_is_counted_by_its_network(pairing: PairingCodes) -> None:
    """It has 2^64 addresses of its own; they are one."""
    for number in range(5):
        with pytest.raises(WrongCodeError):
            pairing.use("AAAAAA", f"2001:db8::{number}")
    with pytest.raises(TooManyTriesError):
        pairing.use(pairing.current(), "2001:db8::ffff")


def test_a_code_is_too_long_to_be_guessed(pairing: PairingCodes) -> None:
    """Ten thousand addresses at five tries in ten minutes need more than a year for one chance in a hundred.

    31 characters to choose from and three codes that hold: counted from the code itself.
    """
    combinations = 31 ** len(pairing.current())
    tries_a_year = 10_000 * 5 * 6 * 24 * 365
    assert 3 * tries_a_year / combinations < 0.01


@pytest.mark.parametrize("role", ["reads", "measures", "keeps"])
def test_each_role_has_a_code_of_its_own(pairing: PairingCodes, role: Any) -> None:
    """A device becomes what its code stands for."""
    assert pairing.use(pairing.current(role), "a") == role


@pytest.mark.parametrize(
    "path", ["/\\evil.example", "/a\\..\\b", "//evil.example", "https://evil.example", "/a\nb", ""]
)
def test_a_path_that_may_lead_elsewhere_becomes_the_first_page(path: str) -> None:
    """A browser reads a backslash as a slash: the way on after pairing is never one with it."""
    assert own_path(path) == "/"


def test_tries_are_forgotten(pairing: PairingCodes, at: Clock) -> None:
    """After ten minutes one may try again."""
    for _ in range(5):
        with pytest.raises(WrongCodeError):
            pairing.use("AAAAAA", "a")
    at.at += 601
    pairing.use(pairing.current(), "a")


def test_a_device_is_let_in_by_the_code(shared: Site, phone: Browser) -> None:
    """It then reads, and its name is in the list."""
    assert phone.get("/").url.path == "/"
    assert [each.name for each in paired(shared.book)] == ["Ada's phone"]


def test_brute_force_over_the_network_is_stopped(shared: Site, code: str) -> None:
    """After a handful of wrong codes the page says 429, to the right code as well."""
    with shared.browser() as stranger:
        answers = [stranger.pair(f"AAAAA{digit}").status_code for digit in "23456789"]
        answers.append(stranger.pair(code).status_code)
    assert answers[-1] == 429
    assert paired(shared.book) == []


def test_a_name_is_wanted_before_the_code_is_used_up(shared: Site, code: str) -> None:
    """Without a name the code still holds afterwards."""
    with shared.browser() as device:
        device.pair(code, " ")
        assert device.pair(code, "tablet").url.path == "/"


def test_the_picture_of_the_code_can_be_read(code: str) -> None:
    """Its address holds only letters of the small kind of code, and the page takes them."""
    url = pairing_url("192.0.2.7:8413", code)
    assert url == f"HTTP://192.0.2.7:8413/PAIR?CODE={code}"
    assert pairing_svg(url).startswith(b"<?xml")


def test_the_address_of_the_picture_opens_the_form(shared: Site, code: str) -> None:
    """The code is in the field."""
    with shared.browser() as device:
        assert f'value="{code}"' in device.get(f"/PAIR?CODE={code}").text


def test_a_paired_device_shows_the_next_code(phone: Browser) -> None:
    """Another device is let in from it, by camera or by hand."""
    assert phone.get("/devices/code.svg").headers["content-type"] == "image/svg+xml"
    assert "/pair" in phone.get("/devices").text


def test_the_book_keeps_no_secret(web_book: Book) -> None:
    """Only a digest of it is kept, in the row and in the journal."""
    from sqlalchemy import text  # noqa: PLC0415 - for this one test

    _, secret = pair_device(web_book, "Ada Bench", "phone")
    with web_book.connect() as connection:
        kept = connection.execute(text("select body from journal")).scalars().all()
    assert not any(secret in body for body in kept)
    assert device_of(web_book, secret) is not None


def test_two_devices_have_two_names(web_book: Book) -> None:
    """The journal must tell them apart."""
    pair_device(web_book, "Ada Bench", "Phone")
    with pytest.raises(FormError, match="paired already"):
        pair_device(web_book, "Ada Bench", "phone")


@pytest.mark.parametrize("name", ["", "  ", "x" * 61])
def test_a_device_needs_a_name_that_fits(web_book: Book, name: str) -> None:
    """No name, and one too long for a line, are refused."""
    with pytest.raises(FormError, match=r"is missing|is too long for a name"):
        pair_device(web_book, "Ada Bench", name)


def test_a_device_ends_once(web_book: Book) -> None:
    """Shut out, it is known no more, and cannot be shut out again."""
    _, secret = pair_device(web_book, "Ada Bench", "phone")
    end_device(web_book, "Ada Bench", 1)
    assert device_of(web_book, secret) is None
    with pytest.raises(NotFoundError, match="No device 1 is paired"):
        end_device(web_book, "Ada Bench", 1)
