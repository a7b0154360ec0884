"""Forms: what people type becomes a value, or one clear sentence."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tests.desk.bench import at
from tracker.forms import Ask, FormError, When, clean, read, refuse_taken
from tracker.kinds import KINDS

CALIBRATION_FORM = KINDS["calibration"].form
MATERIAL_FORM = KINDS["material"].form
SPOOL_FORM = KINDS["spool"].form
VIENNA = zoneinfo.ZoneInfo("Europe/Vienna")
WHEN = When(at("2026-06-10 12:00"), VIENNA)
MOMENT = Ask("at", "When", "moment")


def test_a_bare_number_takes_the_unit_of_the_question() -> None:
    """A number without a unit is in the unit that the prompt shows."""
    assert read(Ask("net_g", "Net", "number", "g"), "998,5", WHEN) == 998.5


def test_a_typed_unit_is_converted() -> None:
    """A kilogram is a thousand grams."""
    assert read(Ask("net_g", "Net", "number", "g"), "1 kg", WHEN) == 1000.0


def test_a_unit_of_another_kind_is_refused_with_the_right_one() -> None:
    """A width is not weighed."""
    with pytest.raises(FormError, match=r"5 kg is not a quantity in mm"):
        read(Ask("width_mm", "Width", "number", "mm"), "5 kg", WHEN)


@pytest.mark.parametrize("typed", ["nan", "inf", "-inf", "1e999", "ten", "1..2", "--5", "0x10"])
def test_what_is_no_finite_number_is_refused(typed: str) -> None:
    """Not-a-number and infinity are no readings."""
    with pytest.raises(FormError, match=r"Net: .*(is not a number|is beyond all measure|is unknown)"):
        read(Ask("net_g", "Net", "number", "g"), typed, WHEN)


@pytest.mark.parametrize("typed", [float("nan"), float("inf")])
def test_numbers_that_are_none_are_refused_also_as_numbers(typed: float) -> None:
    """A caller's NaN goes no further than a person's."""
    with pytest.raises(FormError, match=r"Net: '.*' is not a number"):
        read(Ask("net_g", "Net", "number", "g"), typed, WHEN)


@pytest.mark.parametrize("typed", ["0", "-5", "51 kg"])
def test_a_number_beyond_what_a_bench_can_mean_is_refused_with_the_bounds(typed: str) -> None:
    """The bounds stand in the refusal."""
    ask = Ask("net_g", "Net", "number", "g", low=0.1, high=50_000)
    with pytest.raises(FormError, match=r"must be between 0.1 and 50000 g"):
        read(ask, typed, WHEN)


def test_the_bounds_themselves_are_allowed() -> None:
    """Least and greatest value are possible ones."""
    ask = Ask("rh_pct", "Humidity", "number", "percent", low=0, high=100)
    assert [read(ask, typed, WHEN) for typed in ("0", "100 %")] == [0.0, 100.0]


def test_a_lower_bound_alone_is_named_alone() -> None:
    """Where there is no greatest value, none is made up."""
    with pytest.raises(FormError, match=r"must be at least 0$"):
        read(Ask("layer", "Layer", "whole", low=0), "-1", WHEN)


def test_a_whole_number_is_whole() -> None:
    """Half a layer is none."""
    with pytest.raises(FormError, match=r"2\.5 is not a whole number"):
        read(Ask("layer", "Layer", "whole"), "2.5", WHEN)


def test_a_choice_may_be_shortened_as_long_as_it_is_clear() -> None:
    """The first letters of one word are enough."""
    ask = Ask("place", "Place", "choice", choices=("open air", "sealed bag", "dry box"))
    assert [read(ask, typed, WHEN) for typed in ("Dry", "OPEN AIR", "s")] == [
        "dry box", "open air", "sealed bag",
    ]  # fmt: skip


@pytest.mark.parametrize("typed", ["shelf", "f"])
def test_a_word_that_is_no_choice_or_two_is_refused_with_the_words(typed: str) -> None:
    """The words allowed stand in the refusal."""
    ask = Ask("outcome", "Outcome", "choice", choices=("finished", "failed", "stopped"))
    with pytest.raises(FormError, match=r"finished"):
        read(ask, typed, WHEN)


@pytest.mark.parametrize(("typed", "value"), [("y", True), ("No", False), ("1", True), (False, False)])
def test_yes_and_no(typed: Any, value: bool) -> None:
    """People say yes in several ways."""
    assert read(Ask("dummy", "Dummy", "yes"), typed, WHEN) is value


def test_perhaps_is_neither_yes_nor_no() -> None:
    """What is neither is asked again."""
    with pytest.raises(FormError, match="yes or no"):
        read(Ask("dummy", "Dummy", "yes"), "perhaps", WHEN)


@pytest.mark.parametrize(
    ("typed", "day"),
    [
        ("today", dt.date(2026, 6, 10)),
        ("Yesterday", dt.date(2026, 6, 9)),
        ("2026-03-14", dt.date(2026, 3, 14)),
    ],
)
def test_dates(typed: str, day: dt.date) -> None:
    """Today, yesterday, and a date as ISO 8601 has it."""
    assert read(Ask("received_on", "Received", "date"), typed, WHEN) == day


def test_today_is_the_day_at_the_bench() -> None:
    """At 23:30 UTC it is tomorrow in Vienna."""
    late = When(at("2026-06-10 23:30"), VIENNA)
    assert read(Ask("received_on", "Received", "date"), "today", late) == dt.date(2026, 6, 11)


@pytest.mark.parametrize("typed", ["2026-06-11", "14.07.2026", "2026-02-30", "3/4/2026", "soon"])
def test_dates_ahead_and_dates_that_are_none_are_refused(typed: str) -> None:
    """A spool is not received tomorrow, nor on 30 February."""
    with pytest.raises(FormError, match="Received"):
        read(Ask("received_on", "Received", "date"), typed, WHEN)


@pytest.mark.parametrize(
    ("typed", "moment"),
    [
        ("now", "2026-06-10 12:00"),
        ("13:32", "2026-06-10 11:32"),
        ("7:05", "2026-06-10 05:05"),
        ("2 h ago", "2026-06-10 10:00"),
        ("90 min ago", "2026-06-10 10:30"),
        ("2 days ago", "2026-06-08 12:00"),
        ("2026-03-14 14:32", "2026-03-14 13:32"),
        ("2026-03-14T14:32:10Z", "2026-03-14 14:32:10"),
        ("2026-03-14t14:32:10+05:30", "2026-03-14 09:02:10"),
    ],
)
def test_moments(typed: str, moment: str) -> None:
    """A time without a zone is the bench's; the store gets UTC."""
    assert read(MOMENT, typed, WHEN) == at(moment)


def test_an_hour_that_the_clocks_skipped_is_refused() -> None:
    """On 29 March 2026 it was never half past two in Vienna."""
    with pytest.raises(FormError, match=r"clocks went forward.*2026-03-29T02:30\+01:00"):
        read(MOMENT, "2026-03-29 02:30", WHEN)


def test_a_skipped_hour_with_its_zone_is_a_moment() -> None:
    """With an offset written beside it nothing has to be guessed."""
    assert read(MOMENT, "2026-03-29T02:30+01:00", WHEN) == at("2026-03-29 01:30")


def test_a_moment_ahead_is_refused_in_the_time_of_the_bench() -> None:
    """What is in the future has not happened."""
    with pytest.raises(FormError, match=r"2026-06-10 15:00 is in the future"):
        read(MOMENT, "15:00", WHEN)


def test_a_clock_a_little_fast_is_let_through() -> None:
    """A rig's clock may be minutes ahead of ours."""
    assert read(MOMENT, "2026-06-10 14:04", WHEN) == at("2026-06-10 12:04")


def test_a_plan_may_be_in_the_future() -> None:
    """A planned start is in the future by its nature."""
    assert read(Ask("planned_at", "Planned", "moment", past=False), "15:00", WHEN) == at("2026-06-10 13:00")


@pytest.mark.parametrize("typed", ["0001-01-01 00:00", "99999999999 days ago", "1e300 h ago"])
def test_times_off_the_calendar_are_refused(typed: str) -> None:
    """A time that no calendar holds is a typing error, not a failure of the program."""
    with pytest.raises(FormError, match="is outside the calendar"):
        read(MOMENT, typed, WHEN)


@given(st.text(max_size=40))
def test_any_text_is_a_moment_in_utc_or_refused(typed: str) -> None:
    """Nothing else comes out of the reader of times, whatever is typed."""
    try:
        found = read(MOMENT, typed, WHEN)
    except FormError:
        return
    assert found is None or (found.tzinfo is dt.UTC and found <= WHEN.now + dt.timedelta(minutes=5))


@given(st.datetimes(min_value=dt.datetime(1990, 1, 1), max_value=dt.datetime(2026, 6, 10)))  # noqa: DTZ001 - bench time
def test_a_local_time_comes_back_as_it_was_typed_or_never_was(local: dt.datetime) -> None:
    """What is typed at the bench is shown at the bench again."""
    typed = local.replace(microsecond=0)
    exists = typed.replace(tzinfo=VIENNA).astimezone(dt.UTC).astimezone(VIENNA).replace(tzinfo=None) == typed
    if exists:
        found = read(MOMENT, typed.isoformat(" "), WHEN)
        assert found.astimezone(VIENNA).replace(tzinfo=None) == typed
    else:
        with pytest.raises(FormError, match="never was"):
            read(MOMENT, typed.isoformat(" "), WHEN)


@example("-")
@given(st.text(max_size=60))
def test_text_is_kept_on_one_line_or_refused(typed: str) -> None:
    """Blanks are made single, "-" means none; a control character or half a character is refused."""
    try:
        found = read(Ask("note", "Note"), typed, WHEN)
    except FormError:
        assert not typed.isprintable()
    else:
        kept = " ".join(typed.split())
        assert found == (None if kept in ("", "-") else kept)


@pytest.mark.parametrize("typed", ["a\0b", "a\x1b[2Jb", "a\ud800b", "a\x7fb"])
def test_characters_that_are_none_are_refused(typed: str) -> None:
    """NUL, a terminal's escape sequence and half a surrogate pair are never stored."""
    with pytest.raises(FormError, match="character in it that nobody can see"):
        read(Ask("note", "Note"), typed, WHEN)


@pytest.mark.parametrize(
    "typed", ['O\'Brien "x"', "🧪 µ°", "אסא 3", "الخيط", "x" * 500, "'; DROP TABLE spool;--", "$(rm -rf /)"]
)
def test_any_name_that_people_have_is_kept_as_it_is(typed: str) -> None:
    """Quotes, emoji, right-to-left text, length and metacharacters change nothing."""
    assert read(Ask("name", "Name"), typed, WHEN) == typed


def test_all_problems_are_reported_at_once() -> None:
    """Nobody mends one field only to hear of the next."""
    form = (Ask("name", "Name", required=True), Ask("net_g", "Net", "number", "g"), Ask("on", "Day", "date"))
    with pytest.raises(FormError, match=r"Name is missing.*; Net:.*; Day:"):
        clean(form, {"net_g": "much", "on": "soon"}, WHEN)


def test_a_blank_answer_is_not_recorded() -> None:
    """Enter leaves a field unknown; it does not store an empty text."""
    assert clean((Ask("note", "Note"),), {"note": "  "}, WHEN) == {"note": None}


def test_every_field_has_a_value_even_if_nobody_was_asked() -> None:
    """A form's answer always has every column."""
    assert clean((Ask("note", "Note"), Ask("lot", "Lot")), {}, WHEN) == {"note": None, "lot": None}


def test_the_question_shows_the_unit() -> None:
    """A prompt never leaves the unit to be guessed."""
    assert Ask("density_g_cm3", "Density", "number", "g/cm^3").question == "Density [g/cm³]"


@pytest.mark.parametrize(
    ("ask", "option"),
    [
        (Ask("net_g", "Net", "number", "g"), "--net"),
        (Ask("drying_h", "Time", "number", "h"), "--drying-hours"),
        (Ask("chamber_set_c", "Chamber", "number", "degC"), "--chamber-set"),
        (Ask("received_on", "Received", "date"), "--received"),
        (Ask("began_at", "Began", "moment"), "--began"),
        (Ask("supplied_by", "From"), "--supplied-by"),
    ],
)
def test_options_leave_the_unit_out(ask: Ask, option: str) -> None:
    """The option is the column without its unit."""
    assert ask.option == option


def test_a_taken_name_is_refused_whatever_its_case() -> None:
    """Upper and lower case are one name, outside ASCII too."""
    with pytest.raises(FormError, match="'Ölig' already"):
        refuse_taken("material", "öLIG", ["Ölig"])


def test_each_problem_is_reported_beside_its_field() -> None:
    """A page puts it there, without the words of the command line."""
    with pytest.raises(FormError) as caught:
        clean(SPOOL_FORM, {"material": "x", "net_g": "a lot", "diameter_mm": "60"}, WHEN)
    assert set(caught.value.fields) == {"net_g", "diameter_mm"}
    assert "between 0.5 and 6 mm" in caught.value.fields["diameter_mm"]


def test_a_missing_answer_is_reported_without_its_option() -> None:
    """Beside a field nobody needs to know what the option is called."""
    with pytest.raises(FormError, match="--name") as caught:
        clean(MATERIAL_FORM, {}, WHEN)
    assert caught.value.fields == {"name": "Name of the product is missing"}


@pytest.mark.parametrize("form", [SPOOL_FORM, CALIBRATION_FORM])
def test_what_is_usually_answered_can_be_read(form: Sequence[Ask]) -> None:
    """What is offered in a prompt or is in a field is an answer."""
    usual = [ask for ask in form if ask.usual]
    assert None not in clean(usual, {ask.name: ask.usual for ask in usual}, WHEN).values()
