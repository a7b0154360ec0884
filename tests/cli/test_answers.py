"""Answers: the ID on the last line, JSON for scripts, one line for each refusal, never a traceback."""

from __future__ import annotations

import errno
import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy.exc import ResourceClosedError

from tests.cli.bench import Cli, Filled, run
from tracker.cli import _output, keeping, strandbook
from tracker.errors import Refused
from tracker.ids import read_id

KINDS = ("spools", "jobs", "specimens", "measurements", "results", "materials", "rigs", "dryings")
NAMES = (
    "O'Brien \"x\"", "🧪 µ° PA6", "אסא 3", "الخيط", "x" * 500,
    "'; DROP TABLE spool;--", "$(touch x) `y` && z", "%_",
    "%s {0} \\n", "-dash", "a/b\\c", "line\nbreak",
)  # fmt: skip


def test_a_whole_walk_from_spool_to_number(filled: Filled) -> None:
    """Every write ended in an ID that can be read back."""
    ids = (filled.spool, filled.drying, filled.job, filled.piece, filled.rig, filled.measurement)
    assert [read_id(each)[0].kind for each in ids] == [
        "spool", "drying", "job", "specimen", "rig", "measurement",
    ]  # fmt: skip


def test_every_write_ends_with_the_id_it_made(filled: Filled) -> None:
    """A script reads the last line and nothing else."""
    writes = {
        ("spool", "keep", filled.spool, "printer"): filled.spool,
        ("spool", "weigh", filled.spool, "990"): filled.spool,
        ("dry", filled.drying, "--after", "1 kg"): filled.drying,
        ("job", "change", filled.job, "fan=30", "--layer", "4"): filled.job,
        ("correct", filled.measurement, "width=10.2", "--reason", "scale"): filled.measurement,
        ("verdict", filled.measurement, "--set-aside", "--reason", "slipped"): filled.measurement,
        ("compute", filled.measurement): filled.measurement,
    }
    assert {words: filled.id(*words) for words in writes} == writes


def test_ids_of_pieces_come_before_the_job_s(filled: Filled) -> None:
    """A job names its pieces, then itself on the last line."""
    lines = filled.done("job", "add", "--spool", filled.spool, "--piece", "bar:X:2")
    assert [read_id(line)[0].kind for line in lines] == ["specimen", "specimen", "job"]


def test_the_result_is_shown_with_its_uncertainty_at_once(filled: Filled) -> None:
    """1830 N on 40 mm², before the piece is swept off the bench."""
    piece = filled.json("list", "specimens")[1]["id"]
    lines = filled.done("measure", piece, "tensile", "max_force=1830", "area=40", "--rig", filled.rig)
    assert lines[0].startswith("Tensile strength  45.750 ± 0.0")


@pytest.mark.parametrize("kind", KINDS)
def test_lists_are_arrays_of_records_with_an_id(filled: Filled, kind: str) -> None:
    """A result is named by its measurement."""
    rows = filled.json("list", kind)
    assert rows
    assert all("id" in row or {"measurement", "specimen"} <= row.keys() for row in rows)


@pytest.mark.parametrize("kind", KINDS)
def test_an_empty_list_is_an_empty_array(cli: Cli, kind: str) -> None:
    """And for people, one sentence that is no result."""
    assert cli.json("list", kind) == []
    assert cli("list", kind).stderr.startswith(f"There are no {kind}")


def test_a_result_has_the_keys_that_scripts_read(filled: Filled) -> None:
    """In a list of results."""
    row = filled.json("list", "results")[0]
    assert {"measurement", "specimen", "quantity", "value", "unit", "uncertainty", "counted"} <= row.keys()
    assert (row["material"], row["value"]) == ("Nordlicht ASA", pytest.approx(45.75))


def test_a_measurement_has_the_keys_that_scripts_read(filled: Filled) -> None:
    """As it is stored, and as it is shown."""
    piece = filled.json("list", "specimens")[1]["id"]
    stored = filled.json("measure", piece, "tensile", "max_force=1830", "area=40")
    for told in (stored, filled.json("show", stored["id"])):
        assert {"id", "specimen", "method", "version", "results"} <= told.keys()
        assert {"quantity", "value", "unit", "uncertainty", "remarks"} <= told["results"][0].keys()


def test_a_job_has_the_keys_that_scripts_read(filled: Filled) -> None:
    """As it is entered, and as it is shown."""
    entered = filled.json("job", "add", "--spool", filled.spool, "--piece", "bar:X:2")
    keys = {
        "id", "name", "orientation", "box_mm", "centre_mm", "layers", "filament_mm", "filament_g",
        "layer_time_min_s",
    }  # fmt: skip
    for told in (entered, filled.json("show", entered["id"])):
        assert {"id", "specimens", "filament_mm", "time_s"} <= told.keys()
        assert keys <= told["specimens"][0].keys()


@pytest.mark.parametrize("name", ["material", "spool", "drying", "job", "piece", "rig", "measurement"])
def test_what_is_shown_is_shown_as_json_too(filled: Filled, name: str) -> None:
    """Every record has its ID."""
    assert filled.json("show", getattr(filled, name))["id"] == getattr(filled, name)


@pytest.mark.parametrize(
    "words",
    [
        ("material", "add", "Tuff PA"), ("rig", "add", "Scale", "--role", "instrument"), ("methods",),
        ("methods", "tensile"),
    ],
)  # fmt: skip
def test_other_answers_parse_as_json(cli: Cli, words: tuple[str, ...]) -> None:
    """``--json`` is one value and nothing beside it."""
    assert cli.json(*words)


def test_drawing_labels_leaves_json_alone(filled: Filled, tmp_path: Path) -> None:
    """The path of the sheet goes to stderr."""
    sheet = tmp_path / "labels.pdf"
    assert filled.json("offbed", filled.job, "--rest-good", "-o", str(sheet))["id"] == filled.job
    assert sheet.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize("ending", ["pdf", "png", "svg"])
def test_labels_are_written_where_they_are_wanted(filled: Filled, tmp_path: Path, ending: str) -> None:
    """The path of the file is the answer."""
    sheet = tmp_path / f"labels.{ending}"
    assert filled.done("label", filled.job, "-o", str(sheet)) == [str(sheet)]
    assert sheet.stat().st_size


def test_ids_to_be_labelled_may_come_from_a_pipe(filled: Filled, tmp_path: Path) -> None:
    """``-`` reads them from stdin."""
    sheet = str(tmp_path / "labels.svg")
    assert filled.done("label", "-", "-o", sheet, typed=f"{filled.spool}\n{filled.piece}\n") == [sheet]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("show", "J0001-01-Y"), "wrong check character. Nearest in this book: J0001-01-Z"),
        (("show", "S0009-1"), "wrong check character"),
        (("show", "Nordlich ASA"), "Did you mean Nordlicht ASA?"),
        (("show", "J0001-01-Z.222"), "label of another book (222)"),
        (("spool", "add", "Nordlich ASA"), "Did you mean Nordlicht ASA?"),
        (("material", "add", "nordlicht asa"), "already"),
        (("dry", "S0001-R", "--set", "90"), "Repeat with --yes if it is right"),
        (("dry", "D0001-Q", "S0001-R"), "completed alone"),
        (("job", "add", "--piece", "bar:X"), "--spool"),
        (("job", "add", "no.gcode", "--spool", "S0001-R"), "cannot be read"),
        (("job", "end", "J0001-J"), "--outcome"),
        (("offbed", "J0001-J"), "--rest-good"),
        (("offbed", "J0001-J", "--good", "7"), "has no piece 7"),
        (("measure", "J0001-02-X", "tensile"), "There are no readings"),
        (("measure", "J0001-02-X", "tensile", "width"), "field=value"),
        (("measure", "J0001-02-X", "tensile", "width=5 kg"), "5 kg is not a quantity in mm"),
        (("measure", "J0001-02-X", "tensile", "width=nan"), "width"),
        (("measure", "J0001-02-X", "tensil", "width=5"), "Did you mean tensile"),
        (("measure", "J0001-02-X", "tensile", "--file", "curve=no.csv"), "cannot be read"),
        (("measure", "S0001-R", "tensile", "max_force=5"), "is a spool"),
        (("measure", "J0001-01-Z", "tensile", "max_force=5", "area=1"), "was used up"),
        (("measure", "J0001-03-V", "tensile", "max_force=5", "area=1"), "failed on the bed"),
        (("correct", "M0001-Y", "width=10"), "--reason"),
        (("verdict", "M0001-Y"), "--count or --set-aside"),
        (("verdict", "M0001-Y", "--count"), "--reason"),
        (("label", "J0001-J", "--stock", "no"), "no"),
        (("label", "J0001-J", "--design", "no"), "There are usual, lot"),
        (("label", "J0001-J", "-o", "labels.gif"), ".pdf, .png or .svg"),
        (("label", "J0001-J", "-o", "/nowhere/labels.pdf"), "cannot be written"),
        (("label",), "nothing to label"),
        (("label", "M0001-Y"), "it has no label"),
        (("spool", "keep", "S0001-R", "shelf"), "open air"),
        (("spool", "keep", "S0001-R", "printer", "--began", "2099-01-01"), "is in the future"),
        (("spool", "weigh", "S0001-R", "a lot"), "is not a number"),
        (("rig", "calibrate", "R0001-M"), "--uncertainty"),
        (("methods", "tensil"), "Did you mean tensile"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)  # fmt: skip
def test_a_refusal_is_one_line_that_says_what_to_do(
    filled: Filled, words: tuple[str, ...], said: str
) -> None:
    """One line on stderr, nothing on stdout, exit code 1, and nothing written."""
    before = filled.entries()
    assert said in filled.refused(*words)
    assert filled.entries() == before


@pytest.mark.parametrize("there", [None, b"the last good table"])
def test_a_file_is_written_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, there: bytes | None
) -> None:
    """On a full disk what was there stays, and no beginning of the new one is left."""
    path = tmp_path / "table.csv"
    if there is not None:
        path.write_bytes(there)

    def half(self: Path, data: bytes) -> int:
        with self.open("wb") as stream:
            stream.write(data[:3])
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as full:
        full.setattr(Path, "write_bytes", half)
        with pytest.raises(Refused, match="cannot be written: No space left"):
            _output.put_file(path, b"a new table")
    left = {each.name: each.read_bytes() for each in tmp_path.iterdir()}
    assert left == ({} if there is None else {"table.csv": there})
    _output.put_file(path, b"a new table")
    assert path.read_bytes() == b"a new table"


def test_a_file_is_written_through_a_link_with_the_mode_it_had(tmp_path: Path) -> None:
    """A link stays one; who may read a file is decided by whoever made it."""
    (tmp_path / "kept.csv").touch(mode=0o600)
    (tmp_path / "link.csv").symlink_to("kept.csv")
    _output.put_file(tmp_path / "link.csv", b"1")
    _output.put_file(tmp_path / "kept.csv", b"2")
    assert (tmp_path / "link.csv").is_symlink()
    assert ((tmp_path / "link.csv").read_bytes(), (tmp_path / "kept.csv").stat().st_mode & 0o777) == (
        b"2", 0o600,
    )  # fmt: skip


def test_no_room_for_the_answer_says_nothing_of_the_book(
    filled: Filled, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk below a log is one line, and no damaged book (exit code 1) for who watches over it."""

    def no_room(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(keeping, "verify", no_room)
    answer = filled("verify")
    assert answer.exit_code == 3
    assert answer.stderr.splitlines()[-1] == (
        "strandbook: The answer cannot be written: No space left on device. What was entered before is safe"
    )


def test_a_doubt_is_passed_with_yes(filled: Filled) -> None:
    """Where nobody can be asked, ``--yes`` says that it is meant."""
    assert filled.id("dry", filled.spool, "--set", "90", "--yes").startswith("D0002")


def test_a_drying_is_completed_by_its_label(filled: Filled) -> None:
    """What the scanner types is understood as well as the bare ID."""
    code = run("show", filled.drying, env={"STRANDBOOK": str(filled.place)})
    assert code.returncode == 0
    assert filled.id("dry", filled.drying.lower().replace("-", ""), "--after", "1 kg") == filled.drying


@pytest.mark.parametrize(
    ("words", "what", "to_read"),
    [
        (("show",), "Missing argument 'ID'", "strandbook show --help"),
        (("lst",), "No such command 'lst'. Did you mean list?", "strandbook --help"),
        (("list", "specimens", "--bogus"), "No such option '--bogus'", "strandbook list --help"),
    ],
)
def test_a_mistyped_command_is_refused_in_json_too(
    cli: Cli, words: tuple[str, ...], what: str, to_read: str
) -> None:
    """A program that asked for JSON can read what it did wrong; the exit code stays 2."""
    done = cli(*words, "--json")
    refused = json.loads(done.stderr)
    assert (done.exit_code, done.stdout) == (2, "")
    assert (refused["what"], refused["do"]) == (what, f"Read {to_read}")


def test_nothing_is_asked_without_a_terminal(cli: Cli) -> None:
    """What is missing is refused with the option that gives it."""
    assert cli.refused("rig", "add", "Gantry") == ("Role is missing. Give it with --role (rig or instrument)")


@pytest.mark.parametrize("name", NAMES)
def test_names_go_round_unchanged(cli: Cli, name: str) -> None:
    """Quotes, emoji, right-to-left text, length, metacharacters; a line break becomes a blank."""
    kept = " ".join(name.split())
    words = ("material", "add", "--", name)
    assert cli.id(*words) == kept
    assert json.loads("\n".join(cli.done("show", "--json", "--", kept)))["id"] == kept
    assert cli.json("list", "materials")[0]["name"] == kept


@pytest.mark.parametrize("name", ["a\0b", "a\x1b[31mb", "a\udc80b"])
def test_characters_that_are_none_are_refused(cli: Cli, name: str) -> None:
    """NUL, an escape sequence, a byte that is no text."""
    assert "character in it that nobody can see" in cli.refused("material", "add", name)


def test_the_name_of_who_does_it_is_kept(cli: Cli) -> None:
    """From the environment, or from ``--who`` which goes before it."""
    cli.id("material", "add", "A")
    cli.id("--who", "Ben O'Neil 🧪", "material", "add", "B")
    result = cli("--who", "a\udc80", "material", "add", "C")
    assert (result.exit_code, cli.json("list", "materials")[-1]["name"]) == (1, "B")


def test_no_book_is_reported_with_how_to_begin_one(tmp_path: Path) -> None:
    """One line, and the command."""
    line = Cli(tmp_path / "nowhere").refused("list", "spools")
    assert "strandbook init" in line


def test_the_book_of_this_folder_or_above_is_found(filled: Filled) -> None:
    """As a person stands in it."""
    below = filled.place / "below"
    below.mkdir()
    done = run("list", "spools", "--json", env={"STRANDBOOK": ""}, cwd=below)
    assert [row["id"] for row in json.loads(done.stdout)] == [filled.spool]


def test_a_book_is_begun_and_used(tmp_path: Path) -> None:
    """The code of the new book is the last line."""
    cli = Cli(tmp_path / "new")
    code = cli.id("init", str(tmp_path / "new"), "--zone", "Europe/Vienna")
    assert (len(code), cli.json("list", "spools")) == (3, [])


def test_a_book_is_not_begun_twice(cli: Cli) -> None:
    """Nothing is overwritten."""
    assert "is a book already" in cli.refused("init", str(cli.place))


@pytest.mark.parametrize("zone", ["Mars/Olympus", "", "../etc/passwd"])
def test_a_zone_that_is_none_is_refused(tmp_path: Path, zone: str) -> None:
    """And no book is begun."""
    result = Cli(tmp_path / "new")("init", str(tmp_path / "new"), "--zone", zone)
    assert result.exit_code == (0 if not zone else 1)
    assert (tmp_path / "new" / "book.sqlite").exists() is (not zone)


def test_times_in_lists_are_the_bench_s_for_people_and_utc_for_machines(tmp_path: Path) -> None:
    """Vienna is two hours ahead of UTC in July."""
    cli = Cli(tmp_path / "new")
    cli.id("init", str(tmp_path / "new"), "--zone", "Europe/Vienna")
    cli.id("material", "add", "A")
    cli.id("job", "add", "--material", "A", "--started", "2025-07-01 14:30")
    assert any("2025-07-01 14:30" in line for line in cli.done("list", "jobs"))
    assert cli.json("list", "jobs")[0]["started_at"] == "2025-07-01T12:30:00+00:00"


def test_what_nobody_foresaw_is_one_line_and_a_log(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    """The traceback lies in a file, and the line names it."""

    def fail(*_: object, **__: object) -> None:
        raise RuntimeError("of\nall things")

    monkeypatch.setattr("tracker.kinds.listed", fail)
    line = cli.refused("list", "spools")
    assert "RuntimeError: of all things" in line
    log = Path(line.partition("The details are in ")[2].partition(";")[0])
    assert "Traceback" in log.read_text(encoding="utf-8")
    log.unlink()


def test_what_a_database_says_before_there_is_a_book_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With nothing named and nothing found, the line is still that of the fault."""

    def fail(*_: object, **__: object) -> None:
        raise ResourceClosedError("no rows")

    monkeypatch.setattr(keeping, "new_book", fail)
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(strandbook, ["init", "new"])
    line = "strandbook: The book did not take this: no rows. Nothing was written\n"
    assert (done.exit_code, done.stderr) == (1, line)


def test_debug_shows_the_traceback(cli: Cli) -> None:
    """For who mends the program."""
    assert isinstance(cli("--debug", "show", "S0001-R").exception, Exception)


@pytest.mark.parametrize("columns", ["", "0", "wide", "40", "-3"])
def test_any_width_is_lived_with(filled: Filled, columns: str) -> None:
    """Whatever an editor's terminal says of itself."""
    assert filled.done("show", filled.piece, env={"COLUMNS": columns})


def test_facts_are_wrapped_to_a_narrow_screen(filled: Filled) -> None:
    """Forty columns are enough to read a piece."""
    filled.id("correct", filled.piece, "note=" + "word " * 40, "--reason", "x")
    lines = filled.done("show", filled.piece, env={"COLUMNS": "40"})
    assert max(map(len, lines)) <= 40


def test_wide_characters_are_counted_as_two_columns() -> None:
    """So that the columns after them stand under each other."""
    assert _output._padded("白い", 6) == "白い  "


def test_a_table_in_a_pipe_shortens_nothing(cli: Cli) -> None:
    """What a program reads is whole."""
    cli.id("material", "add", "x" * 300)
    assert any("x" * 300 in line for line in cli.done("list", "materials", env={"COLUMNS": "40"}))


def test_nothing_is_coloured_in_a_pipe(filled: Filled) -> None:
    """No escape sequence leaves the program."""
    assert "\x1b" not in "".join(filled.done("show", filled.piece) + filled.done("list", "specimens"))
