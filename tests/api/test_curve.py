"""Recordings as rigs write them, and files that are none."""

from __future__ import annotations

import gzip

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.api.close import approx
from tracker.api import Recording, Refused, read_curve, read_numbers
from tracker.api.tables import column_role, header_tokens

REFERENCE: pint.UnitRegistry[float] = pint.UnitRegistry()


def rec(text: str | bytes, name: str = "pull.csv") -> Recording:
    """Return a recording of a text."""
    return Recording(name, text.encode() if isinstance(text, str) else text)


def test_milliseconds_become_seconds() -> None:
    """The header word carries the unit."""
    curve = read_curve(rec("time_ms,force_N\n0,1\n500,2\n"))
    assert (curve.time_s.tolist(), curve.force_n.tolist()) == ([0.0, 0.5], [1.0, 2.0])


def test_gzip_is_undone() -> None:
    """A packed recording reads like the plain one, whatever its name."""
    packed = rec(gzip.compress(b"time_s,force_N\n0,1\n1,2\n", mtime=0), "pull.csv.gz")
    assert read_curve(packed).force_n.tolist() == [1.0, 2.0]


@pytest.mark.parametrize(
    "text",
    [
        "\ufefftime_s,force_N\n0.5,1.5\n1.5,2.5\n",
        "time_s;force_N\n0,5;1,5\n1,5;2,5\n",
        "Zeit [s]\tKraft [N]\n0,5\t1,5\n1,5\t2,5\n",
        "time_s  force_N\n0.5  1.5\n1.5  2.5\n",
        "time_s,force_N\r\n0.5,1.5\r\n1.5,2.5\r\n",
        '"Time (s)","Load (N)"\n0.5,1.5\n1.5,2.5\n',
        "Time,Load\ns,N\n0.5,1.5\n1.5,2.5\n",
        "rig: bench 2\noperator,me\n\ntime_s,force_N\n0.5,1.5\n1.5,2.5\n",
        "force_N,time_s,remark\n1.5,0.5,a\n2.5,1.5,b\n",
    ],
    ids=[
        "bom",
        "decimal comma",
        "german tabs",
        "blanks",
        "crlf",
        "quoted",
        "units row",
        "preamble",
        "other columns",
    ],
)
def test_the_ways_rigs_write_a_table_are_understood(text: str) -> None:
    """Byte-order mark, separators, decimal commas, preambles and units: the same two readings."""
    curve = read_curve(rec(text))
    assert (curve.time_s.tolist(), curve.force_n.tolist()) == ([0.5, 1.5], [1.5, 2.5])


def test_a_preamble_of_sixty_lines_is_the_longest() -> None:
    """Whatever is below more of them was no recording; the person is told how far was looked."""
    table = "time_s,force_N\n0.5,1.5\n1.5,2.5\n"
    assert read_curve(rec("a line of the rig\n" * 59 + table)).force_n.tolist() == [1.5, 2.5]
    with pytest.raises(Refused, match="no row of numbers in its first 60 lines"):
        read_curve(rec("a line of the rig\n" * 60 + table))


def test_two_byte_text_is_understood() -> None:
    """Some loggers write UTF-16."""
    assert read_curve(rec("time_s,force_N\n0,1\n1,2\n".encode("utf-16"))).force_n.tolist() == [1.0, 2.0]


@pytest.mark.parametrize(
    ("word", "factor"), [("force_kN", 1000.0), ("load (kgf)", 9.80665), ("Force [g]", 9.80665e-3), ("f", 1.0)]
)
def test_forces_are_given_in_newtons(word: str, factor: float) -> None:
    """The unit in the header word is used."""
    assert read_curve(rec(f"time_s,{word}\n0,1\n1,2\n")).force_n.tolist() == approx([factor, 2 * factor])


@pytest.mark.parametrize(("word", "value"), [("strain_%", 0.002), ("strain", 0.2), ("strain (mm/mm)", 0.2)])
def test_strain_is_a_pure_number(word: str, value: float) -> None:
    """Per cent are divided out; without a unit it is taken as it stands."""
    assert read_curve(rec(f"{word},force_N\n0,1\n0.2,2\n")).strain[1] == approx(value)


def test_what_was_taken_for_what_is_reported() -> None:
    """A unit that was assumed is told."""
    how = read_curve(rec("time_s,load\n0,1\n1,2\n")).how
    assert "force from column 'load', taken as N, no unit there" in how


def test_rows_that_are_no_numbers_are_left_out_and_counted() -> None:
    """NaN, text and missing cells cost their row only."""
    curve = read_curve(rec("time_s,force_N\n0,1\n1,nan\n2,\n3,OVER\n4,5,6\n5\n6,7\n"))
    assert curve.force_n.tolist() == [1.0, 5.0, 7.0]
    assert curve.problems == (
        "2 of 7 rows have more or fewer cells than the header.",
        "4 of 7 rows left out: not a finite number.",
    )


def test_infinity_is_left_out() -> None:
    """An infinite force is no reading."""
    assert read_curve(rec("time_s,force_N\n0,1\n1,inf\n")).force_n.tolist() == [1.0]


def test_a_clock_that_runs_backwards_is_reported() -> None:
    """Rows are kept in their order."""
    assert "backwards" in read_curve(rec("time_s,force_N\n1,1\n0,2\n")).problems[0]


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "pull.csv is empty"),
        (b" \n\n", "pull.csv is empty"),
        (b"\x00\x01\x02\x03", "pull.csv is not text"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "pull.csv is not text"),
        (b"\x1f\x8b\x08garbage", "pull.csv cannot be unpacked"),
        (gzip.compress(b"time_s,force_N\n0,1\n", mtime=0)[:-12], "pull.csv is cut short"),
        (b"hello\nworld\n", "pull.csv is no table of numbers"),
        (b"1,2\n3,4\n", "pull.csv has no header words"),
        (b"a,b\n1,2\n", "pull.csv has no column of force"),
        (b"index,force_N\n1,2\n", "pull.csv has no column of time, extension or strain"),
        (b"time_s,force_N\n0,nan\n1,nan\n", "pull.csv holds no row whose force is a finite number"),
        (b"time_s,force_N\n", "pull.csv is no table of numbers"),
    ],
)
def test_what_is_no_recording_is_refused_by_name(data: bytes, why: str) -> None:
    """One line names the file and what is wrong with it."""
    with pytest.raises(Refused) as caught:
        read_curve(rec(data))
    assert str(caught.value).startswith(why)
    assert "\n" not in str(caught.value)


@given(st.binary(max_size=400))
def test_no_bytes_make_it_fail_otherwise(data: bytes) -> None:
    """Anything at all is read or refused."""
    try:
        curve = read_curve(rec(data))
    except Refused:
        return
    assert np.isfinite(curve.force_n).all()


@given(st.text(alphabet="0123456789.,;-+eE \n\tNtimeforcs_na", max_size=200))
def test_no_text_under_a_header_makes_it_fail_otherwise(body: str) -> None:
    """Rows of any form are read or refused."""
    try:
        curve = read_curve(rec("time_s,force_N\n0,1\n" + body))
    except Refused:
        return
    assert len(curve.time_s) == len(curve.force_n)


@given(st.lists(st.tuples(*[st.floats(-1e6, 1e6)] * 2), min_size=1, max_size=30))
def test_the_fast_and_the_patient_way_read_the_same(rows: list[tuple[float, float]]) -> None:
    """A ragged row more sends the file the slow way; the others come out alike."""
    text = "time_s,force_N\n" + "".join(f"{t!r},{f!r}\n" for t, f in rows)
    plain, ragged = (
        Recording("pull.csv", each.encode(), {"decimal": "point"}) for each in (text, text + "1\n")
    )
    assert read_numbers(plain).values.tolist() == read_numbers(ragged).values[:-1].tolist()


def test_a_hundred_thousand_rows_are_read_exactly() -> None:
    """The fast path keeps every digit."""
    force = np.sin(np.arange(100_000) / 1000) * 100
    text = "time_ms,force_N\n" + "\n".join(f"{i},{f!r}" for i, f in enumerate(force.tolist()))
    assert (read_curve(rec(text)).force_n == force).all()


def test_header_words_are_split_from_their_units() -> None:
    """Brackets, blanks and underscores part word and unit."""
    assert header_tokens("Force (kN)") == header_tokens("force_kN") == ["force", "kn"]


def test_a_word_that_no_role_claims_has_none() -> None:
    """Nothing is guessed of a strange column."""
    assert column_role("colour", {"force": ("force",)}) == ""


# The word in the file, and the reference library's name for that unit and for ours.
UNITS = [
    *(("time_s", "s", "s"), ("time_ms", "ms", "s"), ("time [us]", "us", "s"), ("time (µs)", "us", "s")),
    *(("time_min", "min", "s"), ("time_h", "hour", "s"), ("time sec", "s", "s")),
    *(("extension_mm", "mm", "mm"), ("stroke [um]", "um", "mm"), ("travel (µm)", "um", "mm")),
    *(("Weg_cm", "cm", "mm"), ("position_m", "m", "mm"), ("dl_in", "inch", "mm")),
    ("disp inch", "inch", "mm"),
    *(("strain_%", "percent", ""), ("strain pct", "percent", ""), ("eps_ue", "ppm", "")),
    *(("strain_1", "", ""), ("strain percent", "percent", ""), ("dehnung [µe]", "ppm", "")),
]
FORCES = [
    *(("force_N", "N"), ("load_kN", "kN"), ("force_kgf", "kgf"), ("force_kg", "kgf")),
    *(("force_gf", "force_gram"), ("kraft_g", "force_gram"), ("f_lbf", "lbf"), ("p_lb", "lbf")),
]


@pytest.mark.parametrize(("word", "unit", "ours"), UNITS, ids=[word for word, _, _ in UNITS])
def test_units_of_a_column_agree_with_the_reference_library(word: str, unit: str, ours: str) -> None:
    """Three of the column's unit are as many of ours as pint says."""
    curve = read_curve(rec(f"{word},force_N\n0,1\n3,2\n"))
    read = next(c for c in (curve.time_s, curve.extension_mm, curve.strain) if c is not None)
    assert read[1] == approx(REFERENCE.Quantity(3, unit).to(ours).magnitude)


@pytest.mark.parametrize(("word", "unit"), FORCES, ids=[word for word, _ in FORCES])
def test_units_of_force_agree_with_the_reference_library(word: str, unit: str) -> None:
    """A mass in the header of a force is the weight of that mass under standard gravity."""
    curve = read_curve(rec(f"time_s,{word}\n0,1\n1,3\n"))
    assert curve.force_n[1] == approx(REFERENCE.Quantity(3, unit).to("N").magnitude)


def test_the_first_column_of_a_kind_counts() -> None:
    """Rigs repeat columns in other units behind."""
    curve = read_curve(rec("time_s,force_N,force_kN\n0,1000,1\n1,2000,2\n"))
    assert curve.force_n.tolist() == [1000.0, 2000.0]


def test_equal_times_are_not_backwards() -> None:
    """A clock with coarse ticks stands still between them; that is no fault."""
    assert read_curve(rec("time_s,force_N\n0,1\n0,2\n1,3\n")).problems == ()


def test_only_the_first_two_words_of_a_header_name_a_role() -> None:
    """In "peak of force" the third word claims nothing."""
    roles = {"force": ("force",)}
    assert (column_role("peak force", roles), column_role("peak of force", roles)) == ("force", "")


def test_a_known_unit_is_not_reported_to_be_assumed() -> None:
    """Only a column without a unit is "taken as" one."""
    assert read_curve(rec("time_s,force_N\n0,1\n1,2\n")).how == (
        "time from column 'time_s', header says s",
        "force from column 'force_N', header says N",
    )
