"""A day's sheet: what its map may say, what each row becomes, stored whole or not at all."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Annotated

import pytest
from sqlalchemy import select

from tests.desk.bench import (
    DAY_MAP,
    PULL_CURVE,
    WHO,
    Plain,
    PlainReadings,
    Spooled,
    a_calibrated_rig,
    a_job,
    a_material,
    a_spool,
    entries,
    plugged_with,
    row_of,
)
from tracker.api import Reading, Recording
from tracker.book import Book
from tracker.desk import measuring
from tracker.desk.doubts import Doubt
from tracker.desk.importing import ImportRefusedError, MapError
from tracker.desk.importing.day import DayPlan, enter_day, plan_day, plan_sent_day, read_day_map
from tracker.desk.jobplates import read_piece
from tracker.desk.jobs import add_job
from tracker.desk.measuring import Wanted, measure, measure_all
from tracker.forms import FormError
from tracker.model import Measurement
from tracker.plugins import Plugged

HEAD = "piece;when;who;rig;F;b;h;file;note;weather\n"


def planned(
    plugged: Plugged, *rows: str, columns: str = DAY_MAP, files: tuple[Recording, ...] = ()
) -> DayPlan:
    """Plan a sheet that was sent."""
    data = (HEAD + "".join(f"{row}\n" for row in rows)).encode()
    return plan_sent_day(plugged, "day.csv", data, read_day_map(columns.encode()), files)


def test_a_row_is_a_measurement_with_what_is_said_of_it(plugged: Plugged) -> None:
    """Readings in the method's units, rigs by commas or blanks, words only where a cell has them."""
    plan = planned(
        plugged, " j0001-01-z ;2026-03-02 10:05;Ben;R0001-M, R0002-K;1,83;10,5;4,0;;;rain",
        "J0001-02-X;;;;1,79;;;;slow start;",
    )  # fmt: skip
    (first, one), (second, two) = plan.wanted

    assert (first, second, plan.refused) == ("line 2", "line 3", ())
    assert (one.subject, one.method_id, one.rigs) == ("j0001-01-z", "tensile", ["R0001-M", "R0002-K"])
    assert one.typed == {"max_force": pytest.approx(1830), "width": 10.5, "thickness": 4.0}
    assert one.about == {"at": "2026-03-02 10:05", "operator": "Ben"}
    assert (two.typed, two.about, two.rigs) == (
        {"max_force": pytest.approx(1790)}, {"remark": "slow start"}, [],
    )  # fmt: skip
    assert (plan.name, plan.unused) == ("day.csv", ("weather",))


def test_rows_that_cannot_be_read_are_refused_by_line(plugged: Plugged) -> None:
    """Too few cells, no ID, no number, no reading; the others are planned."""
    plan = planned(
        plugged, "J0001-01-Z;;;;1,83;10,0", ";;;;1,83;10,0;4,0;;;", "J0001-02-X;;;;1,8x;10,0;4,0;;;",
        "J0001-03-V;;Ben;;;;;;;", "J0001-01-Z;;;;1,83;10,0;4,0;;;",
    )  # fmt: skip
    said = [str(each) for each in plan.refused]

    assert [each.line for each in plan.refused] == [2, 3, 4, 5]
    assert said[0].startswith("line 2 refused: 6 cells where the header has 10")
    assert said[1] == "line 3 refused: no ID. Fill in its cell"
    assert "tensile.max_force" in said[2]
    assert said[3] == "line 5 refused: no reading in it"
    assert [line for line, _ in plan.wanted] == ["line 6"]


def test_recordings_come_with_the_sheet_or_lie_beside_it(plugged: Plugged, tmp_path: Path) -> None:
    """Of those that were sent each is to be named by a line; a wrong name refuses the line."""
    row = "J0001-01-Z;;;;;10,0;4,0;runs\\pull.csv;;"
    sent = (Recording("pull.csv", PULL_CURVE.encode()), Recording("other.csv", b"1"))
    plan = planned(plugged, row, "J0001-02-X;;;;;10,0;4,0;lost.csv;;", files=sent)
    (_, wanted), *_ = plan.wanted

    assert wanted.files == {"curve": sent[0]}
    assert plan.notes[-1] == "other.csv was sent, and no line names it."
    (lost,) = plan.refused
    assert str(lost) == (
        "line 3 refused: no file 'lost.csv' was sent with the sheet. Choose it with the sheet, or empty the "
        "cell"
    )
    (tmp_path / "runs").mkdir()
    (tmp_path / "runs" / "pull.csv").write_text(PULL_CURVE)
    (tmp_path / "day.csv").write_text(f"{HEAD}{row}\n")
    columns = read_day_map(DAY_MAP.encode())
    assert plan_day(plugged, tmp_path / "day.csv", columns).wanted[0][1].files == {"curve": sent[0]}
    with pytest.raises(ImportRefusedError, match=r"none\.csv cannot be read: No such file"):
        plan_day(plugged, tmp_path / "none.csv", columns)


def test_files_of_one_name_are_told_apart_or_refused(plugged: Plugged) -> None:
    """Two sent under one name, and two paths of the sheet that end in one; the same twice is no trouble."""
    twice = (Recording("pull.csv", b"1"), Recording("pull.csv", b"1"))
    rows = [f"J0001-0{n}-Z;;;;;10,0;4,0;{path};;" for n, path in ((1, "a/pull.csv"), (2, "b/pull.csv"))]
    plan = planned(plugged, *rows, files=twice)

    (second,) = plan.refused
    assert str(second) == (
        "line 3 refused: 'a/pull.csv' and 'b/pull.csv' have one name, and files are sent without their "
        "folders. Rename one of the files, and write its new name into the sheet"
    )
    with pytest.raises(ImportRefusedError, match=r"two different files are called 'pull\.csv'"):
        planned(plugged, *rows, files=(*twice, Recording("pull.csv", b"2")))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('id = "piece"', 'idd = "piece"', ["day.id is missing: name the column", "day.idd is unknown: did"]),
        ('rig = "rig"', 'rigg = "rig"', ["day.rigg is unknown: did you mean rig? allowed: id, at, operator"]),
        ("[day]", "[dai]\n[day]", ["dai is unknown: did you mean day? allowed: day, readings"]),
        (
            "[readings.tensile]",
            "[readings]\ntensile = 3\n[x]",
            ["readings.tensile must be a section", "x is"],
        ),
    ],
)
def test_every_key_of_a_map_that_is_wrong_is_named(old: str, new: str, said: list[str]) -> None:
    """A misspelt one would silently leave its column out."""
    with pytest.raises(MapError) as refusal:
        read_day_map(DAY_MAP.replace(old, new).encode(), "my.toml")

    assert len(refusal.value.lines) == len(said)
    assert all(line.startswith(text) for line, text in zip(refusal.value.lines, said, strict=True))
    assert "The column map my.toml does not fit" in str(refusal.value)


def test_a_map_that_is_no_section_or_no_text_is_refused() -> None:
    """With what it is; the file is called columns.toml where nobody says otherwise."""
    with pytest.raises(MapError, match=r"columns\.toml does not fit: day must be a section, written \[day\]"):
        read_day_map(b"day = 3")
    with pytest.raises(ImportRefusedError, match="my is not text: byte 3 is not UTF-8"):
        read_day_map(b"a =\xff", "my")
    with pytest.raises(ImportRefusedError, match="my is not TOML"):
        read_day_map(b"a = ", "my")


def test_a_day_is_stored_as_one_act(book: Book, plugged: Plugged) -> None:
    """Each with its own words and rig; the one who enters it measured what names nobody."""
    pieces, rig = a_job(book).also, a_calibrated_rig(book)
    plan = planned(
        plugged, f"{pieces[0]};2026-03-02 07:05;Ben;{rig};1,83;10,0;4,0;;;",
        f"{pieces[1]};;;;1,79;10,0;4,0;;slow start;",
    )  # fmt: skip
    before = entries(book)
    done, asked = enter_day(book, WHO, plugged, plan, source="posted")
    one, two = (row_of(book, each.id) for each in done)

    assert (entries(book), asked) == (before + 1, [])
    assert [each.results[0].value for each in done] == pytest.approx([45.75, 44.75])
    assert (one.operator, two.operator, two.remark) == ("Ben", WHO, "slow start")
    assert (one.source, len(one.rigs), len(two.rigs)) == ("posted", 1, 0)


def test_a_rehearsal_stores_nothing_and_gives_no_number(book: Book, plugged: Plugged) -> None:
    """It says what would be stored and what would be asked, each question with its line."""
    pieces = a_job(book).also
    rows = [f"{pieces[0]};;;;{force};10,0;4,0;;;" for force in ("1,83", "1,80")]
    plan, before = planned(plugged, *rows), entries(book)
    done, asked = enter_day(book, WHO, plugged, plan, rehearse=True)

    assert ([each.id for each in done], entries(book)) == (["", ""], before)
    assert [each.results[0].value for each in done] == pytest.approx([45.75, 45.0])
    assert len(asked) == 1
    assert asked[0].startswith(f"line 3: {pieces[0]} was used up by a test on 2026-03-02")
    with pytest.raises(Doubt) as doubt:
        enter_day(book, WHO, plugged, plan)
    assert [each.split(" on ")[0] for each in doubt.value.questions] == [asked[0].split(" on ")[0]]
    stored, asked = enter_day(book, WHO, plugged, plan, sure=True)
    assert (stored[0].id[:5], stored[1].id[:5], len(asked)) == ("M0001", "M0002", 1)
    with book.read() as session:
        kept = session.scalars(select(Measurement.confirmed).order_by(Measurement.id)).all()
    assert [bool(each) for each in kept] == [False, True]


def test_the_second_line_of_a_day_is_compared_with_the_first(book: Book, plugged: Plugged) -> None:
    """On the first day of a material there are no others: a hundredth of the line above is asked about."""
    pieces = a_job(book).also
    rows = [
        f"{piece};;;;{force};10,0;4,0;;;" for piece, force in zip(pieces, ("1,83", "0,0183"), strict=False)
    ]
    with pytest.raises(
        Doubt, match=r"line 3: Tensile strength 0\.4575 MPa, where the other of this material"
    ):
        enter_day(book, WHO, plugged, planned(plugged, *rows))


def test_one_wrong_line_stores_nothing_and_every_one_is_named(book: Book, plugged: Plugged) -> None:
    """What cannot be read stops it before the book is asked; then whatever the book refuses."""
    pieces = a_job(book).also
    before = entries(book)
    good = f"{pieces[0]};;;;1,83;10,0;4,0;;;"
    with pytest.raises(ImportRefusedError) as unread:
        enter_day(book, WHO, plugged, planned(plugged, good, ";;;;1,83;10,0;4,0;;;", "x;;;;;;;;;"))
    rows = (good, "J0001-09-P;;;;1,83;10,0;4,0;;;", f"{pieces[1]};;;;1,83;;;;;")
    with pytest.raises(FormError) as refused:
        enter_day(book, WHO, plugged, planned(plugged, *rows))

    assert str(unread.value) == (
        "day.csv cannot be entered: line 3 refused: no ID. Fill in its cell; line 4 refused: no reading in "
        "it. Nothing was stored. Correct these lines and enter all again"
    )
    assert [each.split(":")[0] for each in refused.value.what.split("; line")] == ["line 3", " 4"]
    assert str(refused.value).endswith(
        "Correct these and enter all again, or keep readings without a result with --incomplete"
    )
    assert entries(book) == before
    kept, _ = enter_day(book, WHO, plugged, planned(plugged, f"{pieces[1]};;;;1,83;;;;;"), incomplete=True)
    assert kept[0].results[0].value is None


def test_lines_written_together_are_asked_about_as_one_by_one(
    book: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two materials, a job without spool, spools, labels of two forms, pieces used twice, slips."""
    monkeypatch.setattr(measuring, "_AT_ONCE", 3)
    methods, draw = plugged_with(Plain(), Spooled()), random.Random(3)
    first, spools = a_job(book), [a_spool(book), a_spool(book, a_material(book, "Fjell PC"))]
    other = a_job(book, "bar:ZXY:2", "flat:XYZ:2", spools=(spools[1],))
    unspooled = add_job(book, WHO, {}, material="Fjell PC", pieces=[read_piece("bar:ZXY:3")])
    subjects = [*first.also, *other.also, *unspooled.also, f"{first.also[0]}.{book.code}", *spools]
    lines = []
    for number, subject in enumerate(draw.choices(subjects, k=40)):
        load = draw.choice([100, 101, 102, 103, 0.5, 9000])
        lines.append(
            (f"line {number}", Wanted(subject, "spooled" if subject in spools else "plain", {"load": load}))
        )

    _, asked = measure_all(book, WHO, methods, lines, rehearse=True)
    alone = []
    for name, line in lines:
        number = measure(book, WHO, methods, line.subject, line.method_id, line.typed, sure=True).id
        alone += [f"{name}: {each}" for each in row_of(book, number).confirmed or ()]
    assert asked == alone
    assert len(asked) > 5


class Worded(Plain):
    """A method with a reading in words."""

    class Readings(PlainReadings):
        """A load and a word."""

        word: Annotated[str | None, Reading(help="a word")] = None


def test_what_cannot_be_kept_is_refused_with_its_line(book: Book) -> None:
    """Lines are written together, and still the one at fault is named."""
    lines = [
        (f"line {number}", Wanted(piece, "plain", {"load": 100, "word": word}))
        for number, piece, word in zip((2, 3), a_job(book).also, ("good", "\ud800"), strict=False)
    ]
    with pytest.raises(FormError, match=r"^line 3: The text of readings holds half of a surrogate pair"):
        measure_all(book, WHO, plugged_with(Worded()), lines)
