"""Why two runs differ, asked at the command line: answers, and one line for what cannot be asked."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest

from tests.cli.unlike import Unlike


@pytest.fixture(scope="module")
def unlike(book_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Unlike:
    """Give the command line on a book of unlike plates; nothing here writes to it."""
    place = tmp_path_factory.mktemp("unlike") / "book"
    shutil.copytree(book_template, place)
    return Unlike(place)


STRENGTH = ("--of", "tensile.strength")


def test_a_difference_is_reported_first(unlike: Unlike) -> None:
    """Then what differed, and what cannot be told apart."""
    lines = unlike.done("why", unlike.first, unlike.second, *STRENGTH)

    assert lines[0].startswith("There is a difference in tensile strength of upright pieces: ")
    assert any("cannot be told apart" in line for line in lines)
    assert "caused" not in "\n".join(lines)


def test_the_answer_has_the_keys_that_scripts_read(unlike: Unlike) -> None:
    """The contract of ``why --json``, down to each share and group."""
    told = unlike.json("why", unlike.first, unlike.second, *STRENGTH)

    assert told.keys() >= {
        "difference", "differed", "not_recorded", "shares", "groups", "remainder", "followup", "scope",
    }  # fmt: skip
    assert told["difference"].keys() >= {
        "quantity", "unit", "mean_a", "mean_b", "delta", "low", "high", "relative", "claimed",
    }  # fmt: skip
    assert told["differed"][0].keys() >= {"factor", "a", "b", "unit", "ratio_to_resolution"}
    assert told["shares"][0].keys() >= {"factor", "delta", "low", "high", "relative", "separable"}
    assert told["groups"][0].keys() >= {"factors", "delta", "low", "high"}
    assert told["remainder"].keys() >= {"delta", "low", "high"}


def test_without_a_quantity_there_is_an_overview(unlike: Unlike) -> None:
    """A line for each shared quantity."""
    (line,) = unlike.done("why", unlike.first, unlike.second, env={"COLUMNS": "200"})

    assert line.startswith(f"tensile strength of upright pieces: a difference; {unlike.second} less ")


@pytest.mark.parametrize("columns", ["40", "60", "80"])
def test_a_narrow_terminal_is_kept(unlike: Unlike, columns: str) -> None:
    """No line is wider."""
    for words in (("why", unlike.first, unlike.second, *STRENGTH), ("followup", unlike.first, unlike.second)):
        assert max(map(len, unlike.done(*words, env={"COLUMNS": columns}))) <= int(columns)


def test_a_run_against_itself_is_refused(unlike: Unlike) -> None:
    """A = B."""
    assert "nothing can differ" in unlike.refused("why", unlike.first, unlike.first, *STRENGTH)
    assert "nothing can differ" in unlike.refused("followup", unlike.first, unlike.first)


def test_overlapping_groups_are_refused(unlike: Unlike) -> None:
    """A piece and its own plate; two filters that both take it."""
    piece = unlike.pieces(unlike.first)[0]

    assert "in both groups" in unlike.refused("why", unlike.first, piece, *STRENGTH)
    assert "in both groups" in unlike.refused("why", "value>30", "value<=31", *STRENGTH)


def test_one_piece_each_is_answered_with_its_doubt(unlike: Unlike) -> None:
    """What plates scatter is not known, and said."""
    a, b = unlike.pieces(unlike.first)[0], unlike.pieces(unlike.second)[0]
    told = unlike.json("why", a, b, *STRENGTH)

    assert (told["difference"]["n_a"], told["difference"]["n_b"]) == (1, 1)
    assert told["difference"]["low"] < told["difference"]["delta"] < told["difference"]["high"]


def test_pieces_of_one_plate_share_what_the_plate_had(unlike: Unlike) -> None:
    """All one plate: no factor can differ, and only printing it once more is proposed."""
    a, b = unlike.pieces(unlike.first)[:2]
    said = " ".join(unlike.done("why", a, b, *STRENGTH))

    assert "share 1 plate" in said
    assert "once more" in " ".join(unlike.done("followup", a, b, *STRENGTH))


def test_no_scatter_at_all_is_answered(unlike: Unlike) -> None:
    """Zero variance in one group, and in both."""
    a, b = unlike.pieces(unlike.equal)[:2]

    assert unlike.json("why", unlike.equal, unlike.first, *STRENGTH)["difference"]["high"] is not None
    assert unlike.json("why", a, b, *STRENGTH)["difference"]["claimed"] is False


def test_a_quantity_that_one_group_lacks_is_refused(unlike: Unlike) -> None:
    """Heated bars have no strength."""
    assert "no results of tensile.strength" in unlike.refused("why", unlike.first, unlike.soft, *STRENGTH)
    assert "no quantity in common" in unlike.refused("why", unlike.first, unlike.soft)


@pytest.mark.parametrize(
    ("a", "b", "quantity"), [("rough", "clean", "appearance.stringing"), ("soft", "hard", "softening.onset")]
)
def test_grades_and_limits_are_ranked(unlike: Unlike, a: str, b: str, quantity: str) -> None:
    """No mean of grades or of what was never reached; a share of pairs instead."""
    told = unlike.json("why", getattr(unlike, a), getattr(unlike, b), "--of", quantity)["difference"]

    assert (told["mean_a"], told["mean_b"], told["delta"]) == (None, None, None)
    assert told["ranks"]["b_higher"] == 1.0


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--picture", "a.svg"), "An overview has no picture"),
        ((*STRENGTH, "--picture", "a.gif"), "a.gif is no SVG or PNG file"),
        ((*STRENGTH, "--since", "yesterdy"), "yesterdy is no time"),
        (("--of", "nope.nope"), "There is no quantity 'nope.nope'"),
        (("--of", "tensile.strenght"), "Did you mean tensile.strength"),
        ((*STRENGTH, "--since", "2100-01-01"), "has no results of tensile.strength since 2100-01-01"),
    ],
)
def test_what_cannot_be_asked_is_one_line(unlike: Unlike, more: tuple[str, ...], said: str) -> None:
    """With exit code 1 and what to do."""
    assert said in unlike.refused("why", unlike.first, unlike.second, *more)


def test_a_name_of_nothing_is_refused(unlike: Unlike) -> None:
    """And says what can be typed."""
    assert "names no results" in unlike.refused("why", unlike.first, "gibberish", *STRENGTH)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("material=Nordlich", "Did you mean Nordlicht ASA?"),
        ("Nordlich ASA", "Did you mean Nordlicht ASA?"),
        ("nozle_c>250", "Did you mean nozzle_c"),
        ("nozzle_c>300", "Recorded is 245 to 255"),
        ("orientation=Q", "'Q' is no orientation"),
    ],
)
def test_a_slip_in_a_group_is_named(unlike: Unlike, text: str, said: str) -> None:
    """Which of the two, and what was near it; in both questions about groups."""
    assert said in unlike.refused("why", unlike.first, text, *STRENGTH)
    assert said in unlike.refused("followup", text, unlike.first)


def test_a_group_may_be_all_pieces_that_stand_upright(unlike: Unlike) -> None:
    """A letter asks for the first letter."""
    told = unlike.json("why", "orientation=Z", "orientation=flat", *STRENGTH)["difference"]

    assert (told["n_a"], told["n_b"]) == (11, 2)


def test_the_answer_is_drawn(unlike: Unlike, tmp_path: Path) -> None:
    """As its name ends."""
    unlike.done("why", unlike.first, unlike.second, *STRENGTH, "--picture", str(tmp_path / "a.png"))

    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


def test_a_plan_is_written(unlike: Unlike, tmp_path: Path) -> None:
    """As TOML, with what the data sheet says against it on the screen."""
    lines = unlike.done("followup", unlike.first, unlike.second, *STRENGTH, "-o", str(tmp_path / "plan.toml"))

    assert tomllib.loads((tmp_path / "plan.toml").read_text("utf-8"))
    assert "data sheet" in " ".join(lines)


def test_a_combination_that_is_none_is_refused(unlike: Unlike) -> None:
    """``--forbid`` says how it is written."""
    assert "Write nozzle_c=A,chamber_c=B" in unlike.refused(
        "followup", unlike.first, unlike.second, "--forbid", "nozzle_c"
    )


def test_watching_answers_in_json(unlike: Unlike) -> None:
    """What was watched, and what could not be."""
    told = unlike.json("watch")

    assert told.keys() == {"watched", "refused"}
    assert any("grades" in reason for reason in told["refused"].values())


def test_watching_what_there_is_none_of_is_refused(unlike: Unlike) -> None:
    """A slip is not "too few results"."""
    assert "Did you mean tensile.strength" in unlike.refused("watch", "--of", "tensile.strenth")


def test_watching_what_was_never_measured_says_so(unlike: Unlike) -> None:
    """A known quantity without results is no slip."""
    assert "too few results" in unlike("watch", "--of", "impact.strength").stderr


def test_what_is_watched_is_named_with_its_way_of_lying(unlike: Unlike) -> None:
    """Strength upright and strength flat are two questions."""
    lines = unlike.done("watch", "--of", "tensile.strength", env={"COLUMNS": "300"})

    assert any(line.startswith("tensile strength of upright pieces: ") for line in lines)


def test_a_followup_says_what_it_is_about(unlike: Unlike) -> None:
    """Without ``--of`` nobody would know which quantity was taken."""
    told = unlike.json("followup", unlike.first, unlike.second)
    first = unlike.done("followup", unlike.first, unlike.second, env={"COLUMNS": "300"})[0]

    assert (told["of"], told["a"]) == ("tensile.strength of upright pieces", unlike.first)
    assert "tensile strength of upright pieces between" in first


def test_what_is_quiet_is_one_line(unlike: Unlike) -> None:
    """Every morning what stands out is read, and nothing else."""
    lines = unlike.done("watch", env={"COLUMNS": "300"})
    assert sum(line.endswith("nothing stands out.") for line in lines) <= 1
