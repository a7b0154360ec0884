"""IDs as they are on labels: made, checked, and read back forgivingly.

An ID is a kind letter, the number in at least four digits, for a specimen the piece in at
least two more, and a check character by ISO/IEC 7064 MOD 37,36 over the letters and digits
(``J0012-04-K``). MOD 37,36 catches every single wrong character; of two neighbours swapped
it misses about 0.2 %, so a check character is a guard, not a proof.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from tracker.errors import Refused

ALPHABET: Final = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_VALUE: Final = {character: value for value, character in enumerate(ALPHABET)}

KINDS: Final = {"S": "spool", "D": "drying", "J": "job", "R": "rig", "M": "measurement"}
_SPECIMEN_LETTER: Final = "J"
_LETTER: Final = {kind: letter for letter, kind in KINDS.items()} | {"specimen": _SPECIMEN_LETTER}

BOOK_ALPHABET: Final = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
"""Book codes leave out 0, O, 1, I and L: nothing guards them but the eye."""

_AS_DIGIT: Final = str.maketrans({"O": "0", "I": "1", "L": "1"})
_LOOK_ALIKE: Final = ({"0", "O"}, {"1", "I", "L"})
# Word processors and phone keyboards turn the hyphen into one of these.
_DASHES: Final = re.compile(r"[\u2010-\u2015\u2212_–—]")
_PAYLOAD: Final = re.compile(
    r"^(?:HTTPS?://(?P<host>[^/]+)/(?:[^/]+/)*)?(?P<id>[^./]+)(?:\.(?P<book>[0-9A-Z]{3}))?/?$"
)


class IdError(Refused, ValueError):
    """A text is not an ID, or its check character is wrong."""


@dataclass(frozen=True, order=True)
class Ident:
    """What an ID names.

    Attributes:
        kind: ``spool``, ``drying``, ``job``, ``specimen``, ``rig`` or ``measurement``.
        number: The number given by the database (of the job, for a specimen).
        piece: Number of the piece within its job; 0 for everything but a specimen.
    """

    kind: str
    number: int
    piece: int = 0

    @property
    def letter(self) -> str:
        """The kind letter."""
        return _LETTER[self.kind]

    @property
    def body(self) -> str:
        """Letters and digits that the check character is computed over."""
        return f"{_LETTER[self.kind]}{self.number:04d}" + (f"{self.piece:02d}" if self.piece else "")

    def __str__(self) -> str:
        """The ID as it is on the label."""
        piece = f"-{self.piece:02d}" if self.piece else ""
        return f"{_LETTER[self.kind]}{self.number:04d}{piece}-{check_character(self.body)}"


def check_character(body: str) -> str:
    """Return the MOD 37,36 check character of a text over 0-9 and A-Z.

    Source: ISO/IEC 7064, hybrid system MOD 37,36.
    """
    state = 36
    for character in body:
        # The hybrid system knows no state zero: 36 stands for it, else doubling would forget all that came
        # before.
        state = (state + _VALUE[character]) % 36 or 36
        state = state * 2 % 37
    return ALPHABET[(37 - state) % 36]


def spool_id(number: int) -> str:
    """Return the ID of a spool."""
    return str(Ident("spool", number))


def drying_id(number: int) -> str:
    """Return the ID of a drying."""
    return str(Ident("drying", number))


def job_id(number: int) -> str:
    """Return the ID of a job."""
    return str(Ident("job", number))


def specimen_id(job: int, piece: int) -> str:
    """Return the ID of a specimen."""
    return str(Ident("specimen", job, piece))


def rig_id(number: int) -> str:
    """Return the ID of a rig or an instrument."""
    return str(Ident("rig", number))


def measurement_id(number: int) -> str:
    """Return the ID of a measurement."""
    return str(Ident("measurement", number))


def read_id(text: str) -> list[Ident]:
    """Return what a typed or scanned ID can mean, likeliest first.

    Lower case, blanks and missing dashes are accepted, O for 0 and I or L for 1 among the
    digits, and either of such a pair in the check place where it validates. Without dashes
    a specimen of a job and a job of a very high number can share their characters: then both
    are returned, the specimen first, and the caller keeps what exists.

    Raises:
        IdError: No reading has a right check character; the text names the nearest ones.
    """
    readings = list(_readings(text))
    # All that fit, not the first: the check character alone cannot tell piece J1234-04 from job 123404.
    valid = [ident for ident, check in readings if _check_matches(check, ident)]
    if valid:
        return valid
    if not readings:
        raise IdError(
            f"{text.strip()!r} is not an ID",
            do="An ID looks like S0007-K, J0012-P or J0012-04-K: letter, number, check character",
        )
    near = ", ".join(sorted({str(ident) for ident, _ in readings}))
    raise IdError(
        f"{text.strip().upper()!r} has a wrong check character",
        do=f"Look at the label again; the digits as typed would be {near}",
    )


def likely_slips(text: str) -> list[Ident]:
    """Return the IDs one slip away from a text that :func:`read_id` refused.

    The digits as typed come first (the check character is off), then every single other
    digit with which the typed check character would be right.
    """
    found: dict[Ident, None] = {}
    for ident, check in _readings(text):
        found[ident] = None
        for other in _one_digit_off(ident):
            if _check_matches(check, other):
                found[other] = None
    return list(found)


def unchecked(text: str) -> Ident | None:
    """Return what a text would be with the check character that it lacks: ``J12-4`` is J0012-04-K.

    Only to be offered, never taken: without the character nothing catches a slip.
    """
    letter, *parts = re.split(r"-|(?<=^[A-Z])", _plain(text))
    digits = [part.translate(_AS_DIGIT) for part in parts]
    if letter not in KINDS or not all(part.isascii() and part.isdigit() and int(part) for part in digits):
        return None
    if len(digits) == 1:
        return Ident(KINDS[letter], int(digits[0]))
    if len(digits) == 2 and letter == _SPECIMEN_LETTER:  # noqa: PLR2004 - number and piece
        return Ident("specimen", int(digits[0]), int(digits[1]))
    return None


def payload(ident: Ident, book: str, address: str = "") -> str:
    """Return the text in a label's code: ID and book code, after the bench's address if there is one.

    Upper case only, so that the code stays in the alphanumeric mode of ISO/IEC 18004.

    Args:
        ident: Of the record.
        book: Code of the book.
        address: HOST:PORT of the bench page, or ``https://example.org`` of a published site; empty for
            the bare ID.
    """
    text = f"{ident}.{book}"
    if not address:
        return text
    base = address.rstrip("/").upper()
    return f"{base}/{text}" if base.startswith(("HTTP://", "HTTPS://")) else f"HTTP://{base}/{text}"


@dataclass(frozen=True)
class Scanned:
    """What a scanned or typed text says.

    Attributes:
        readings: What the ID can mean, likeliest first.
        book: Code of the book it belongs to; empty where only an ID was typed.
    """

    readings: tuple[Ident, ...]
    book: str


def read_payload(text: str) -> Scanned:
    """Return what a label's code, or a bare ID, says.

    Raises:
        IdError: It is neither.
    """
    plain = _plain(text)
    match = _PAYLOAD.match(plain)
    if match is None:
        raise IdError(
            f"{text.strip()[:80]!r} is not a label of this bench",
            do="Scan a label, or type an ID such as J0012-04-K",
        )
    return Scanned(tuple(read_id(match["id"])), match["book"] or "")


def _plain(text: str) -> str:
    return re.sub(r"\s+", "", _DASHES.sub("-", text)).upper()


def _readings(text: str) -> Iterator[tuple[Ident, str]]:
    """Yield every split of the text into kind, number, piece and check character."""
    plain = _plain(text)
    letter, rest = plain[:1], plain[1:]
    if letter not in KINDS:
        return
    parts = [part for part in rest.split("-") if part]
    if len(parts) <= 1 or len(parts[-1]) > 1:
        joined = "".join(parts)
        yield from _dashless(letter, joined[:-1], joined[-1:])
    elif len(parts) == 2:  # noqa: PLR2004 - digits and check character
        # "J001204-K": the dash before the piece may be the one that is missing.
        yield from _dashless(letter, *parts)
    elif len(parts) == 3 and letter == _SPECIMEN_LETTER:  # noqa: PLR2004 - number, piece and check character
        number, piece = (part.translate(_AS_DIGIT) for part in parts[:2])
        are_digits = (number + piece).isascii() and number.isdigit() and piece.isdigit()
        if are_digits and int(piece) and parts[2] in _VALUE:
            yield Ident("specimen", int(number), int(piece)), parts[2]


def _dashless(letter: str, run: str, check: str) -> Iterator[tuple[Ident, str]]:
    digits = run.translate(_AS_DIGIT)
    if not (digits.isascii() and digits.isdigit()) or check not in _VALUE:
        return
    number, piece = digits[:-2], digits[-2:]
    if letter == _SPECIMEN_LETTER and _is_number(number) and int(piece):
        yield Ident("specimen", int(number), int(piece)), check
    if _is_number(digits):
        yield Ident(KINDS[letter], int(digits)), check


def _is_number(digits: str) -> bool:
    """Whether the digits are a number as it is written: four, or more without a leading zero."""
    least = 4
    return len(digits) == least or (len(digits) > least and digits[0] != "0")


def _check_matches(typed: str, ident: Ident) -> bool:
    right = check_character(ident.body)
    return typed == right or any({typed, right} <= pair for pair in _LOOK_ALIKE)


def _one_digit_off(ident: Ident) -> Iterator[Ident]:
    digits = ident.body[1:]
    cut = len(f"{ident.number:04d}")
    for place, old in enumerate(digits):
        for new in "0123456789":
            if new != old:
                changed = digits[:place] + new + digits[place + 1 :]
                piece = int(changed[cut:] or 0)
                # A slip of one digit does not turn a job's label into a piece's; piece 00 is none.
                if bool(piece) == bool(ident.piece):
                    yield Ident(ident.kind, int(changed[:cut]), piece)
