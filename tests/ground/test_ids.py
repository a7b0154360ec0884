"""IDs: check characters, forgiving reading, payloads."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum.iso7064 import mod_37_36

from tracker.ids import (
    ALPHABET,
    BOOK_ALPHABET,
    KINDS,
    Ident,
    IdError,
    check_character,
    drying_id,
    job_id,
    likely_slips,
    measurement_id,
    payload,
    read_id,
    read_payload,
    rig_id,
    specimen_id,
    spool_id,
)

# Jobs past 99 999 are left to a test of their own: their IDs look like a piece's without its dash.
IDENTS = st.one_of(
    st.builds(Ident, st.sampled_from(sorted(set(KINDS.values()) - {"job"})), st.integers(1, 10**7)),
    st.builds(Ident, st.just("job"), st.integers(1, 99_999)),
    st.builds(Ident, st.just("specimen"), st.integers(1, 10**7), st.integers(1, 99)),
)


class TestCheckCharacter:
    """ISO/IEC 7064 MOD 37,36."""

    def test_the_published_example(self) -> None:
        """The published example of MOD 37,36 has its published check character (see SOURCES.md)."""
        assert check_character("A12425GABC1234002") == "M"

    @given(st.text(ALPHABET, min_size=1, max_size=40))
    def test_against_another_implementation(self, body: str) -> None:
        """Every text has the check character that an independent implementation gives it."""
        assert check_character(body) == mod_37_36.calc_check_digit(body)

    @given(IDENTS)
    def test_every_wrong_character(self, ident: Ident) -> None:
        """Every single wrong character changes the check character."""
        body = ident.body
        right = check_character(body)
        for place, other in itertools.product(range(len(body)), ALPHABET):
            if other != body[place]:
                assert check_character(body[:place] + other + body[place + 1 :]) != right

    def test_swapped_neighbours(self) -> None:
        """Of all swaps of neighbours, one unordered pair in 630 is missed after whatever came before."""
        pairs = list(itertools.combinations(ALPHABET, 2))
        heads = ["", *ALPHABET, "J0012", "S00", "M045"]
        missed = sum(
            check_character(f"{head}{a}{b}") == check_character(f"{head}{b}{a}")
            for head in heads
            for a, b in pairs
        )

        assert missed == len(heads)
        assert 0.001 < missed / (len(heads) * len(pairs)) < 0.002

    def test_swapped_digits(self) -> None:
        """Swapped neighbouring digits within the numbers of jobs up to 9999: those missed are counted."""
        swaps = missed = 0
        for number in range(10_000):
            digits = f"J{number:04d}"
            for place in range(1, 4):
                if digits[place] != digits[place + 1]:
                    other = digits[:place] + digits[place + 1] + digits[place] + digits[place + 2 :]
                    swaps += 1
                    missed += check_character(digits) == check_character(other)

        assert missed / swaps < 0.006


class TestForm:
    """How an ID is written."""

    @pytest.mark.parametrize(
        ("text", "start"),
        [
            (spool_id(7), "S0007-"),
            (drying_id(3), "D0003-"),
            (job_id(12), "J0012-"),
            (specimen_id(12, 4), "J0012-04-"),
            (rig_id(2), "R0002-"),
            (measurement_id(451), "M0451-"),
            (job_id(123456), "J123456-"),
            (specimen_id(12345, 123), "J12345-123-"),
        ],
    )
    def test_form(self, text: str, start: str) -> None:
        """Kind letter, four digits or more, the piece in two or more, the check character."""
        assert text[:-1] == start
        assert text[-1] == mod_37_36.calc_check_digit(start.replace("-", ""))

    @given(IDENTS)
    def test_an_id_is_read_back(self, ident: Ident) -> None:
        """An ID as it stands on a label means what it was made of, and that alone."""
        assert read_id(str(ident)) == [ident]


class TestForgiving:
    """What people type."""

    @given(IDENTS)
    def test_lower_case(self, ident: Ident) -> None:
        """Lower case is accepted."""
        assert read_id(str(ident).lower()) == [ident]

    @given(IDENTS, st.data())
    def test_blanks(self, ident: Ident, data: st.DataObject) -> None:
        """Blanks anywhere, of any kind, are accepted."""
        text = str(ident)
        at = data.draw(st.integers(0, len(text)))
        blank = data.draw(st.sampled_from([" ", "\t", "\u00a0", "  "]))

        assert read_id(text[:at] + blank + text[at:]) == [ident]

    @given(IDENTS)
    def test_missing_dashes(self, ident: Ident) -> None:
        """Without dashes the ID is among what the text can mean."""
        assert ident in read_id(str(ident).replace("-", ""))

    @given(IDENTS, st.sampled_from("\u2010\u2011\u2012\u2013\u2014\u2212_"))
    def test_other_dashes(self, ident: Ident, dash: str) -> None:
        """Whatever a phone makes of a dash is accepted."""
        assert read_id(str(ident).replace("-", dash)) == [ident]

    @given(IDENTS)
    def test_letters_for_digits(self, ident: Ident) -> None:
        """O for 0 and I or L for 1 are accepted among the digits."""
        head, check = str(ident)[1:-1], str(ident)[-1]
        for one in "ILil":
            typed = ident.letter + head.replace("0", "O").replace("1", one) + check
            assert read_id(typed) == [ident]

    @pytest.mark.parametrize(
        ("right", "typed"), [("0", "O"), ("O", "0"), ("1", "I"), ("1", "L"), ("I", "1"), ("L", "1")]
    )
    def test_the_check_place(self, right: str, typed: str) -> None:
        """In the check place either of a look-alike pair is accepted where the other validates."""
        number = next(n for n in range(1, 10_000) if spool_id(n)[-1] == right)

        assert Ident("spool", number) in read_id(spool_id(number)[:-1] + typed)

    @given(IDENTS, st.sampled_from(ALPHABET))
    def test_a_wrong_check_character(self, ident: Ident, check: str) -> None:
        """A wrong check character is refused, unless it is a look-alike of the right one."""
        alike = [{"0", "O"}, {"1", "I", "L"}]
        right = str(ident)[-1]
        if check == right or any({check, right} <= pair for pair in alike):
            return

        with pytest.raises(IdError, match="wrong check character"):
            read_id(str(ident)[:-1] + check)

    @given(st.integers(100_000, 10**7))
    def test_a_very_high_job(self, number: int) -> None:
        """A job past 99 999 is among what its ID can mean."""
        assert Ident("job", number) in read_id(job_id(number))

    def test_a_job_or_a_piece(self) -> None:
        """Without dashes a piece and a job of a high number can look alike: both are given, piece first."""
        ident = Ident("specimen", 1234, 56)

        assert read_id(str(ident).replace("-", "")) == [ident, Ident("job", 123456)]

    @pytest.mark.parametrize(
        "text",
        [
            "",
            " ",
            "X0001-A",
            "S-K",
            "S",
            "J0012-04",
            "12",
            "S0007",
            "🧪",
            "S00\x0007-K",
            "J0012-00-K",
            "S٠٠٠٧-K",
        ],
    )
    def test_what_is_none(self, text: str) -> None:
        """What is no ID is refused in one line that shows what one looks like."""
        with pytest.raises(IdError) as refusal:
            read_id(text)

        assert "\n" not in str(refusal.value)

    @given(st.text(max_size=30))
    def test_anything(self, text: str) -> None:
        """Any text is read or refused, and what is read has a right check character."""
        try:
            readings = read_id(text)
        except IdError:
            return
        for ident in readings:
            assert mod_37_36.is_valid(str(ident).replace("-", ""))

    @pytest.mark.parametrize("body", ["S0007", "J0012", "M0451", "R0002"])
    def test_a_zero_too_many(self, body: str) -> None:
        """S00007 is no other way of writing S0007: with its check character it would be a slip believed."""
        for check in (check_character(body), check_character(f"{body[0]}0{body[1:]}")):
            with pytest.raises(IdError, match="is not an ID"):
                read_id(f"{body[0]}0{body[1:]}{check}")

    @given(IDENTS, st.data())
    def test_near_misses(self, ident: Ident, data: st.DataObject) -> None:
        """An ID with one digit wrong is among the near misses of what was typed."""
        text = str(ident)
        places = [place for place, character in enumerate(text[:-1]) if character.isdigit()]
        place = data.draw(st.sampled_from(places))
        wrong = data.draw(st.sampled_from([d for d in "0123456789" if d != text[place]]))
        typed = text[:place] + wrong + text[place + 1 :]
        if typed[1] == "0" and ident.number >= 10_000:
            return  # such a number is never written with a zero before it
        try:
            near = likely_slips(typed)
        except IdError:
            return

        piece_lost = ident.kind == "specimen" and not int(typed.split("-")[1])
        assert piece_lost or ident in near


class TestPayload:
    """What is in a label's code."""

    @pytest.mark.parametrize("address", ["", "rig-pc.local:8080", "192.168.1.20:8000"])
    @given(ident=IDENTS, book=st.text(BOOK_ALPHABET, min_size=3, max_size=3))
    def test_round_trip(self, address: str, ident: Ident, book: str) -> None:
        """With or without an address, a code is read back as ID and book."""
        scanned = read_payload(payload(ident, book, address))

        assert (scanned.readings, scanned.book) == ((ident,), book)

    @given(IDENTS)
    def test_alphanumeric(self, ident: Ident) -> None:
        """A code holds only characters of the alphanumeric mode of ISO/IEC 18004."""
        assert set(payload(ident, "7QX", "rig-pc.local:8080")) <= set(
            "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"
        )

    @given(IDENTS)
    def test_a_bare_id(self, ident: Ident) -> None:
        """A bare ID has no book."""
        assert read_payload(str(ident)).book == ""

    @pytest.mark.parametrize(
        "text", ["", "HTTP://", "http://x/", "A.B.C.D", "{}", "mailto:a@b.c", "x" * 3000]
    )
    def test_what_is_none(self, text: str) -> None:
        """Another code is refused in one short line."""
        with pytest.raises(IdError) as refusal:
            read_payload(text)

        assert len(str(refusal.value)) < 3200
