"""Logs as loggers and people write them."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.chamberlog.logs import BERLIN, kinds, read, values
from tracker.chamberlog import CHANNELS, Log, read_csv_log
from tracker.errors import Refused

NOON = datetime(2025, 3, 1, 12, tzinfo=UTC)


def test_a_plain_log() -> None:
    """Seconds, chamber and bed with headings are read as they are."""
    log = read("t_s,chamber,bed", "0,20.5,60", "10,21.5,61")
    assert values(log, "chamber") == [20.5, 21.5]
    assert values(log, "bed") == [60.0, 61.0]
    assert log.channels["bed"].t_s.tolist() == [0.0, 10.0]


@pytest.mark.parametrize(("mark", "name"), [(",", "comma"), (";", "semicolon"), ("\t", "tab"), ("|", "bar")])
def test_delimiters_are_guessed_and_reported(mark: str, name: str) -> None:
    """Each usual delimiter is found and named."""
    log = read(*(mark.join(row) for row in (("t", "chamber"), ("0", "20.5"), ("1", "20.6"))))
    assert log.how_read.delimiter == name
    assert values(log) == [20.5, 20.6]


def test_blanks_may_part_columns() -> None:
    """Columns set out with blanks are columns."""
    log = read("t   chamber", " 0    20.5", " 1    20.6 ")
    assert (log.how_read.delimiter, values(log)) == ("blanks", [20.5, 20.6])


def test_decimal_comma() -> None:
    """A comma as decimal sign beside semicolons is found and said."""
    log = read("Zeit;Kammer", "0;20,5", "1,5;20,6")
    assert (log.how_read.decimal, values(log)) == ("comma", [20.5, 20.6])
    assert log.channels["chamber"].t_s.tolist() == [0.0, 1.5]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "\r\r\n"])
def test_line_ends_do_not_matter(end: str) -> None:
    """Any kind of line break gives the same rows."""
    assert values(read_csv_log(end.join(["t,chamber", "0,20", "1,21", ""]).encode())) == [20.0, 21.0]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_encodings(encoding: str) -> None:
    """A byte order mark, the old Windows set or UTF-16 do not hide a heading with a degree sign."""
    log = read_csv_log("Zeit;Düse °C\n0;200\n1;201\n".encode(encoding))
    assert log.how_read.columns == {"nozzle": "Düse °C"}


def test_quoted_fields() -> None:
    """Quotes around fields are no part of them, and a delimiter inside parts nothing."""
    log = read('"time, s";"chamber"', '"0";"20.5"', '"1";"20.6"')
    assert (log.how_read.header, values(log)) == (("time, s", "chamber"), [20.5, 20.6])


def test_quoted_decimal_commas_between_commas() -> None:
    """Quotes let a decimal comma stand between commas."""
    assert values(read("t,chamber", '0,"20,5"', '1,"20,6"')) == [20.5, 20.6]


def test_lines_before_the_headings_are_skipped_and_counted() -> None:
    """What a logger says about itself before the table is skipped."""
    log = read("Logger 7", "serial;4711;x", "", "t;chamber", "0;20", "1;21")
    assert (log.how_read.skipped, log.how_read.header) == (2, ("t", "chamber"))


def test_a_line_of_units_belongs_to_the_headings() -> None:
    """Units on a line of their own are joined to the names above."""
    log = read("t;chamber", "min;°F", "0;68", "1;212")
    assert log.how_read.header == ("t min", "chamber °F")
    assert values(log) == pytest.approx([20.0, 100.0])
    assert log.channels["chamber"].t_s.tolist() == [0.0, 60.0]


def test_without_headings_one_column_is_the_chamber_and_the_guess_is_reported() -> None:
    """Two bare columns are time and chamber, marked as a guess."""
    log = read("0,20", "1,21", "2,22")
    assert values(log) == [20.0, 21.0, 22.0]
    assert any("taken as the chamber" in guess for guess in log.how_read.guesses)


def test_without_headings_more_columns_are_refused() -> None:
    """Which of several bare columns is the chamber is not guessed."""
    with pytest.raises(Refused, match=r"there are column 2, column 3\. Say which it is"):
        read("0,20,60", "1,21,60")


@pytest.mark.parametrize("wanted", ["3", "T9", "t9"])
def test_the_person_may_say_which_column(wanted: str) -> None:
    """A column is named by its heading or its number."""
    assert values(read("t,foo,T9", "0,1,20", "1,1,21", columns={"chamber": wanted})) == [20.0, 21.0]


@pytest.mark.parametrize(
    ("columns", "words"), [({"chamber": "T8"}, "column 'T8'"), ({"oven": "T9"}, "channel 'oven'")]
)
def test_columns_that_do_not_exist_are_refused(columns: dict[str, str], words: str) -> None:
    """A wrong name is answered with those that exist."""
    with pytest.raises(Refused, match=words):
        read("t,foo,T9", "0,1,20", "1,1,21", columns=columns)


@pytest.mark.parametrize(
    ("header", "name"),
    [
        ("Chamber temperature [°C]", "chamber"),
        ("enclosure_temp", "chamber"),
        ("Bauraumtemperatur", "chamber"),
        ("Kammer Ist", "chamber"),
        ("Bett °C", "bed"),
        ("bed_actual", "bed"),
        ("Heizbett", "bed"),
        ("Nozzle T", "nozzle"),
        ("hotend", "nozzle"),
        ("Düsentemperatur", "nozzle"),
        ("ambient", "room"),
        ("Raumtemperatur", "room"),
        ("RH %", "humidity"),
        ("Raumfeuchte", "humidity"),
        ("chamber humidity", "humidity"),
        ("Luftfeuchtigkeit rF", "humidity"),
    ],
)
def test_headings_are_understood(header: str, name: str) -> None:
    """English and German headings name their channel."""
    assert list(read(f"t;{header}", "0;20", "1;21").channels) == [name]


@pytest.mark.parametrize("header", ["chamber target", "Kammer Soll", "chamber_setpoint", "chamber set"])
def test_what_was_meant_is_not_what_was_measured(header: str) -> None:
    """A set-point column is not read as a measured temperature."""
    log = read(f"t;{header};chamber", "0;60;20", "1;60;21")
    assert values(log) == [20.0, 21.0]
    assert log.how_read.unused == (header,)


def test_two_candidates_are_reported() -> None:
    """Of two columns that look alike the first is taken, and the person is told."""
    log = read("t;chamber left;chamber right", "0;20;30", "1;21;31")
    assert values(log) == [20.0, 21.0]
    assert "'chamber left' and 'chamber right' both look like chamber" in log.how_read.guesses[-1]


def test_a_lone_temperature_is_the_chamber_by_guess() -> None:
    """A heading that says no more than temperature is taken as the chamber's, marked as a guess."""
    log = read("t;Temperatur;Status", "0;20;ok", "1;21;ok")
    assert values(log) == [20.0, 21.0]
    assert any("taken as the chamber" in guess for guess in log.how_read.guesses)


@pytest.mark.parametrize(
    "header", ["chamber °F", "chamber (F)", "chamber_F", "chamber degF", "chamber Fahrenheit"]
)
def test_fahrenheit_is_converted(header: str) -> None:
    """212 °F are 100 °C."""
    log = read(f"t;{header}", "0;32", "1;212")
    assert values(log) == pytest.approx([0.0, 100.0])
    assert log.how_read.units == {"chamber": "°F"}


def test_a_lone_temperature_beside_a_humidity() -> None:
    """What a room logger calls temperature and RH gives both, the first by guess."""
    log = read("No.;Date Time;Temp °C;RH %", "1;2025-03-01 12:00:00;21.5;45", "2;2025-03-01 12:01:00;21.6;46")
    assert list(log.channels) == ["humidity", "chamber"]
    assert any("taken as the chamber" in guess for guess in log.how_read.guesses)


def test_a_humidity_below_one_is_doubted() -> None:
    """A humidity that never exceeds one may be a fraction; it is not changed, but named."""
    log = read("t;rh", "0;0.45", "1;0.46")
    assert values(log, "humidity") == [0.45, 0.46]
    assert "fraction of one?" in str(log.problems[0])


def test_kelvin_is_converted() -> None:
    """293.15 K are 20 °C."""
    assert values(read("t;chamber [K]", "0;293.15", "1;294.15")) == pytest.approx([20.0, 21.0])


def test_units_behind_numbers() -> None:
    """A unit written behind each number does not hide it."""
    assert values(read("t;chamber", "0;20.5 °C", "1;21 °C")) == [20.5, 21.0]


# Forms of time ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "write",
    [
        lambda m: m.isoformat(),
        lambda m: m.strftime("%Y-%m-%dT%H:%M:%SZ"),
        lambda m: m.astimezone(BERLIN).isoformat(),
        lambda m: m.astimezone(BERLIN).strftime("%Y-%m-%d %H:%M:%S%z"),
        lambda m: m.strftime("%Y-%m-%d %H:%M:%S.000 Z"),
        lambda m: f"{m.timestamp():.0f}",
        lambda m: f"{m.timestamp() * 1000:.0f}",
        lambda m: f"{m.timestamp():.3f}",
    ],
    ids=["iso", "Z", "+01:00", "+0100", "fraction", "epoch s", "epoch ms", "epoch decimals"],
)
def test_times_that_stand_on_their_own(write: Callable[[datetime], str]) -> None:
    """ISO 8601 with a zone and seconds or milliseconds since 1970 place a log in time."""
    log = read("time;chamber", *(f"{write(NOON + timedelta(seconds=i))};20" for i in range(3)))
    assert (log.basis, log.began, log.length_s) == ("utc", NOON, 2.0)


@pytest.mark.parametrize(
    "form",
    [
        "%Y-%m-%d %H:%M:%S",
        "%Y-%m-%dT%H:%M:%S",
        "%d.%m.%Y %H:%M:%S",
        "%Y/%m/%d %H:%M:%S",
        "%d.%m.%Y, %H:%M:%S",
    ],
)
def test_local_times_need_a_zone(form: str) -> None:
    """Date and clock without zone are placed in time by the zone that is given, or not at all."""
    local = [(NOON + timedelta(seconds=i)).astimezone(BERLIN).strftime(form) for i in range(3)]
    rows = ["time;chamber", *(f"{t};20" for t in local)]
    assert read(*rows, zone=BERLIN).began == NOON
    assert (read(*rows).basis, read(*rows).began) == ("local", None)


def test_date_and_clock_in_two_columns() -> None:
    """A date in one column and a clock in the next are one time."""
    log = read("Datum;Uhrzeit;Kammer", "01.03.2025;13:00:00;20,5", "01.03.2025;13:00:10;20,6", zone=BERLIN)
    assert (log.began, log.length_s, values(log)) == (NOON, 10.0, [20.5, 20.6])


def test_dates_with_short_figures() -> None:
    """A day or month of one digit is read as well."""
    log = read("Datum;Uhrzeit;Kammer", "9.3.2025;9:00:00;20,5", "10.3.2025;10:00:00;20,6", zone=BERLIN)
    assert log.length_s == 25 * 3600.0


@pytest.mark.parametrize(
    ("first", "second", "day"), [("03/01/2025", "03/14/2025", 13.0), ("01/03/2025", "14/03/2025", 13.0)]
)
def test_a_date_with_slashes_is_settled_by_the_rows(first: str, second: str, day: float) -> None:
    """Where a day above 12 shows the order, it is used and said."""
    log = read("time;chamber", f"{first} 12:00;20", f"{second} 12:00;21", zone=BERLIN)
    assert log.length_s == day * 86400.0
    assert any("dates read as" in guess for guess in log.how_read.guesses)


def test_an_ambiguous_date_is_refused() -> None:
    """A date that may be day/month or month/day is not guessed."""
    with pytest.raises(Refused, match="may be day/month or month/day"):
        read("time;chamber", "03/01/2025 12:00;20", "03/01/2025 12:01;21")


@pytest.mark.parametrize(
    ("header", "factor"),
    [("t", 1.0), ("time [s]", 1.0), ("time_ms", 1e-3), ("time (min)", 60.0), ("elapsed h", 3600.0)],
)
def test_seconds_since_the_start(header: str, factor: float) -> None:
    """Plain numbers are seconds, unless the heading says another unit."""
    log = read(f"{header};chamber", "0;20", "2;21")
    assert log.basis == "elapsed"
    assert log.length_s == pytest.approx(2.0 * factor)


def test_a_clock_across_midnight() -> None:
    """A clock that passes midnight goes on into the next day."""
    log = read("time;chamber", "23:59:50;20", "23:59:58.5;21", "00:00:05;22")
    assert (log.basis, log.length_s, kinds(log)) == ("time of day", 15.0, [])
    assert log.first_s == 86390.0


def test_a_clock_from_zero_is_time_since_the_start() -> None:
    """A clock that starts at zero is a stop-watch, and the guess is said."""
    log = read("time;chamber", "00:00:00;20", "00:01:00;21", "25:00:00;22")
    assert (log.basis, log.length_s) == ("elapsed", 90000.0)
    assert any("since the start" in guess for guess in log.how_read.guesses)


def test_a_fraction_that_comes_and_goes() -> None:
    """Whole seconds written without a fraction between others with one are read."""
    log = read("time;chamber", "2025-03-01T12:00:00.5Z;20", "2025-03-01T12:00:01Z;21")
    assert log.length_s == 0.5


# What is wrong with a log -----------------------------------------------------------------------------


def test_ragged_rows_are_counted_and_the_rest_is_read() -> None:
    """Rows with too few or too many fields are named; what they hold is kept."""
    log = read("t;chamber;bed", "0;20;60", "1;21", "2;22;60;9", "3;23;60")
    assert kinds(log) == ["ragged rows", "no number"]
    assert values(log) == [20.0, 21.0, 22.0, 23.0]
    assert values(log, "bed") == [60.0, 60.0, 60.0]


def test_lines_closed_by_a_delimiter_are_not_ragged() -> None:
    """A delimiter at the end of each line is no extra field."""
    assert kinds(read("t;chamber", "0;20;", "1;21;", "2;22;")) == []


@pytest.mark.parametrize("word", ["NaN", "n/a", "", "error", "--"])
def test_readings_that_are_no_number_are_left_out_and_named(word: str) -> None:
    """A missing reading is left out, counted and placed."""
    log = read("t;chamber", "0;20", f"1;{word}", "2;22", "3;23")
    assert values(log) == [20.0, 22.0, 23.0]
    assert "chamber: 1 of 4 readings are no number" in str(log.problems[0])


def test_humidity_above_100_is_named() -> None:
    """A humidity that cannot be is left out and named with its value."""
    log = read("t;rh", "0;50", "1;131.5", "2;51")
    assert values(log, "humidity") == [50.0, 51.0]
    assert kinds(log) == ["humidity above 100"]
    assert "up to 131.5 %RH" in str(log.problems[0])


@pytest.mark.parametrize("wrong", ["-127", "1370", "-999"])
def test_a_broken_sensor_is_named(wrong: str) -> None:
    """The figures that sensors give when a wire is off are left out and named."""
    log = read("t;chamber", "0;20", f"1;{wrong}", "2;21")
    assert (values(log), kinds(log)) == ([20.0, 21.0], ["impossible"])


def test_gaps_are_named() -> None:
    """A time without rows is named with its length and beginning."""
    rows = [f"{i};20.{i % 7}" for i in [*range(0, 100, 10), *range(1000, 1100, 10)]]
    log = read("t;chamber", *rows)
    assert kinds(log) == ["gap"]
    assert "No rows for 15.2 min from 00:01:30" in str(log.problems[0])


def test_many_gaps_are_counted() -> None:
    """After five of a kind the rest are counted."""
    times = [base + i for base in range(0, 9000, 1000) for i in range(20)]
    log = read("t;chamber", *(f"{t};{20 + t % 7}" for t in times))
    assert kinds(log) == ["gap"] * 6
    assert "3 more" in str(log.problems[-1])


def test_a_frozen_sensor_is_named() -> None:
    """A reading in tenths that does not move for half an hour is doubted."""
    rows = [f"{i * 60};{20.1 if i < 40 else 20.1 + i / 10:.1f}" for i in range(80)]
    log = read("t;chamber", *rows)
    assert kinds(log) == ["frozen sensor"]
    assert "chamber stood at 20.1 for 39 min" in str(log.problems[0])


def test_whole_degrees_may_stand_still() -> None:
    """A sensor that reads whole degrees may stand still for an hour."""
    assert kinds(read("t;chamber", *(f"{i * 60};{60 if i else 59}" for i in range(60)))) == []


def test_a_clock_set_back_is_named_and_the_rows_put_in_order() -> None:
    """A backward step of the clock is named."""
    log = read("t;chamber", "0;20", "10;21", "5;22", "15;23")
    assert kinds(log) == ["clock jump"]
    assert log.channels["chamber"].t_s.tolist() == [0.0, 5.0, 10.0, 15.0]
    assert values(log) == [20.0, 22.0, 21.0, 23.0]


def test_rows_without_a_time_are_counted() -> None:
    """A row whose time cannot be read is left out and counted."""
    log = read("time;chamber", "12:00:00;20", "?;21", "12:00:02;22")
    assert (values(log), kinds(log)) == ([20.0, 22.0], ["no time"])


def test_a_day_that_does_not_exist_is_no_time() -> None:
    """The 30th of February is not read as some other day."""
    log = read(
        "time;chamber", "2025-02-28T12:00:00Z;20", "2025-02-30T12:00:00Z;21", "2025-02-28T12:00:02Z;22"
    )
    assert (values(log), kinds(log)) == ([20.0, 22.0], ["no time"])


# Nights on which the clocks change: 30 March and 26 October 2025 in Central Europe ------------------------


def _local_rows(first_utc: datetime, count: int, step_s: int) -> list[str]:
    """Return rows as a wall clock in Central Europe shows them."""
    moments = [first_utc + timedelta(seconds=step_s * i) for i in range(count)]
    return [f"{m.astimezone(BERLIN):%Y-%m-%d %H:%M:%S};{20 + i % 5}" for i, m in enumerate(moments)]


@pytest.mark.parametrize(
    "first", [datetime(2025, 3, 29, 23, tzinfo=UTC), datetime(2025, 10, 25, 22, tzinfo=UTC)]
)
def test_local_times_across_a_clock_change(first: datetime) -> None:
    """Rows stay evenly apart over the missing and the doubled hour, and the change is said."""
    log = read("time;chamber", *_local_rows(first, 60, 300), zone=BERLIN)
    assert log.began == first
    assert np.diff(log.channels["chamber"].t_s).tolist() == [300.0] * 59
    assert kinds(log) == ["clock change"]


def test_a_logger_that_ignores_the_spring_change() -> None:
    """Rows in an hour that did not exist show that the logger kept winter time."""
    rows = [f"2025-03-30 {1 + i // 12:02d}:{i % 12 * 5:02d}:00;{20 + i % 5}" for i in range(48)]
    log = read("time;chamber", *rows, zone=BERLIN)
    assert log.length_s == 47 * 300.0
    assert "did not change" in str(log.problems[0])


def test_a_logger_that_ignores_the_autumn_change() -> None:
    """Rows that run on through the doubled hour without going back keep summer time."""
    rows = [f"2025-10-26 {1 + i // 12:02d}:{i % 12 * 5:02d}:00;{20 + i % 5}" for i in range(48)]
    log = read("time;chamber", *rows, zone=BERLIN)
    assert log.length_s == 47 * 300.0
    assert "did not change" in str(log.problems[0])


def test_a_doubled_hour_that_nothing_settles_is_reported() -> None:
    """A log wholly within the doubled hour is taken as the first one, and that is said."""
    log = read("time;chamber", "2025-10-26 02:10:00;20", "2025-10-26 02:20:00;21", zone=BERLIN)
    assert log.began == datetime(2025, 10, 26, 0, 10, tzinfo=UTC)
    assert "came twice" in str(log.problems[0])


def test_a_log_of_summer_knows_nothing_of_changes() -> None:
    """Far from the nights of change nothing is said."""
    assert kinds(read("time;chamber", "2025-07-01 12:00:00;20", "2025-07-01 12:00:10;21", zone=BERLIN)) == []


# What is refused --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "it is empty"),
        (b" \n\n ", "it is empty"),
        (b"\x00\x01\x02\x03", "no text"),
        (b"PK\x03\x04rest", "archive or a picture"),
        (b"\x89PNG\r\n", "archive or a picture"),
        (b"just words\nand more\n", "no row in it holds"),
        (b"word\nanother\n", "no columns"),
        (b"t;chamber\n", "no row in it holds"),
        (b"t;foo\n0;1\n1;2\n", "no column is known"),
        (b"t;chamber\n0;nan\n1;nan\n", "no reading of chamber can be used"),
        (b"when;chamber\nMonday;20\nTuesday;21\n", "no row in it holds"),
    ],
)
def test_what_is_no_log_is_refused_in_one_line(data: bytes, words: str) -> None:
    """Each thing that is no log gets one line that says why."""
    with pytest.raises(Refused, match=words) as refused:
        read_csv_log(data)
    assert "\n" not in str(refused.value)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    """A file that is not there is refused by name."""
    with pytest.raises(Refused, match=r"none\.csv"):
        read_csv_log(tmp_path / "none.csv")


def test_a_file_is_read_from_where_it_is(tmp_path: Path) -> None:
    """A path does as well as bytes."""
    path = tmp_path / "log.csv"
    path.write_text("t,chamber\n0,20\n1,21\n", encoding="utf-8")
    assert values(read_csv_log(path)) == [20.0, 21.0]


def test_how_it_was_read_is_written_out() -> None:
    """Everything guessed is there to be shown, one line each."""
    said = list(read("Zeit;Kammer °C;Foo", "0;20,5;1", "1;20,6;1").how_read.lines())
    assert said[0] == "fields apart by semicolon, decimal comma"
    assert "chamber: Kammer °C, in °C" in said
    assert "not used: Foo" in said


# Round trips ------------------------------------------------------------------------------------------

readings = st.lists(st.integers(-4000, 30000).map(lambda i: i / 100), min_size=2, max_size=30)
FORMS: dict[str, Callable[[datetime, int], str]] = {
    "iso": lambda m, _: m.isoformat(),
    "epoch s": lambda m, _: f"{m.timestamp():.0f}",
    "epoch ms": lambda m, _: f"{m.timestamp() * 1000:.0f}",
    "elapsed": lambda _, i: str(i),
    "clock": lambda m, _: f"{m:%H:%M:%S}",
    "local": lambda m, _: f"{m.astimezone(BERLIN):%d.%m.%Y %H:%M:%S}",
}


@settings(deadline=None, max_examples=150)
@given(
    values=readings,
    mark=st.sampled_from(["\t", ";", ",", "|"]),
    comma=st.booleans(),
    form=st.sampled_from(sorted(FORMS)),
    end=st.sampled_from(["\n", "\r\n"]),
    step=st.integers(1, 50),
)
def test_what_is_written_is_read(
    values: list[float], mark: str, comma: bool, form: str, end: str, step: int
) -> None:
    """Whatever the delimiter, decimal sign and form of time, readings and times come back exactly."""
    moments = [NOON + timedelta(seconds=step * i) for i in range(len(values))]
    figures = [f"{v:.2f}".replace(".", "," if comma and mark != "," else ".") for v in values]
    rows = [
        f"{FORMS[form](m, step * i)}{mark}{figure}{mark}ok"
        for i, (m, figure) in enumerate(zip(moments, figures, strict=True))
    ]
    log = read_csv_log(end.join([f"time{mark}chamber{mark}state", *rows]).encode(), zone=BERLIN)
    assert log.channels["chamber"].values.tolist() == values
    assert log.channels["chamber"].t_s.tolist() == [float(step * i) for i in range(len(values))]


@settings(deadline=None, max_examples=200)
@given(st.binary(max_size=400))
def test_any_bytes_are_a_log_or_refused(data: bytes) -> None:
    """No file makes the reader fail in any other way than by a refusal."""
    _check_read_or_refused(data)


@settings(deadline=None, max_examples=200)
@given(st.lists(st.lists(st.text('0123456789.,:-+TZ;chambertime %"', max_size=12), max_size=5), max_size=8))
def test_any_table_is_a_log_or_refused(rows: list[list[str]]) -> None:
    """No table of odd fields makes the reader fail in any other way than by a refusal."""
    _check_read_or_refused("\n".join(";".join(row) for row in [["time", "chamber", "rh"], *rows]).encode())


def _check_read_or_refused(data: bytes) -> None:
    """Read, or be refused in one line; anything else fails."""
    log: Log | None = None
    try:
        log = read_csv_log(data, zone=BERLIN)
    except Refused as refused:
        assert "\n" not in str(refused)  # noqa: PT017 - either answer is right, but it must be one line
    if log is not None:
        assert set(log.channels) <= set(CHANNELS)
        assert all(not math.isnan(v) for c in log.channels.values() for v in c.values.tolist())
