"""The usual cautions stand where the work begins that they are about, in a terminal and on the page."""

from __future__ import annotations

from pathlib import Path

import click
import pytest

from tests.cli.bench import Cli
from tests.plates import FLAT, plate
from tracker import cautions
from tracker.cli._readings import cautions as warn
from tracker.plugins import load

FIRST = ("local codes", "safety data sheet", "licensed practice")


@pytest.fixture
def spool(cli: Cli) -> str:
    """Give a spool of a material whose sheet is known."""
    cli.done("material", "add", "Brand X ASA", "--family", "ASA", "--density", "1.07", "--drying", "80")
    return cli.id("spool", "add", "Brand X ASA", "--lot", "1", "--net", "1 kg")


def said(cli: Cli, *words: str) -> str:
    """Run a command that is done and return what it tells beside its answer."""
    result = cli(*words)
    assert result.exit_code == 0, result.output
    return " ".join(result.stderr.casefold().split())


def test_before_a_print_of_fumes_and_hot_parts(cli: Cli, spool: str, tmp_path: Path) -> None:
    """By preflight, where the print is decided on, and by job add, where it begins."""
    file = tmp_path / "plate.gcode"
    file.write_bytes(plate(FLAT, layers=20))
    for words in (
        ("preflight", str(file), "--spool", spool),
        ("job", "add", "--spool", spool, "--piece", "bar:XYZ"),
    ):
        text = said(cli, *words)
        assert all(hazard in text for hazard in ("fumes", "ventilate", "hot", *FIRST)), words


def test_at_the_bed_of_heat_blades_fragments_and_dust(cli: Cli, spool: str) -> None:
    """Where pieces are scraped and cut off."""
    job = cli.id("job", "add", "--spool", spool, "--piece", "bar:XYZ", "--started", "2026-01-02 10:00")
    text = said(cli, "offbed", job, "--good", "1", "--ended", "2026-01-02 12:00")

    assert all(word in text for word in ("cool", "scrape", "gloves", "fly", "eye protection", "dust", *FIRST))


def test_at_the_dryer_of_heat_fumes_and_desiccant(cli: Cli, spool: str) -> None:
    """Where a drying begins."""
    text = said(cli, "dry", spool, "--set", "80", "--planned-hours", "5")

    assert all(word in text for word in ("unwatched", "fumes", "desiccant", *FIRST))


@pytest.mark.parametrize("words", [("offbed", "J0001-J", "--good", "1"), ("dry", "S0001-R", "--set", "80")])
def test_it_is_reported_before_anything_is_stored(
    cli: Cli, spool: str, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    """Who leaves at the caution has entered nothing; what is refused is not cautioned about."""
    cli.id("job", "add", "--spool", spool, "--piece", "bar:XYZ")
    before = cli.entries()

    told: list[str] = []

    def leave(text: str) -> None:
        told.append(text)
        raise click.Abort

    for module in ("labelling", "entering"):
        monkeypatch.setattr(f"tracker.cli.{module}.note", leave)
    assert cli(*words).exit_code
    assert ([each.partition(": ")[0] for each in told], cli.entries()) == (["Caution"], before)
    cli.refused(*words, "--ended", "1 parsec ago")


def test_at_the_rig_of_what_the_method_is_dangerous_by(capsys: pytest.CaptureFixture[str]) -> None:
    """What is said before the first reading is asked for, at the prompts of measure and of scan alike."""
    warn(load().methods["tensile"].method)
    text = capsys.readouterr().err.casefold()

    assert all(word in text for word in ("fragments", "eye protection", *FIRST))


HAZARDS = {
    "tensile": ("fragments",), "impact": ("pendulum", "fragments"), "bending": ("masses fall", "fragments"),
    "creep": ("load", "falls"), "hardness": ("needle",), "density": ("liquids", "safety data sheet"),
    "softening": ("hot", "fumes"), "heatdeflection": ("hot", "fumes"), "adhesion": ("blade", "fragments"),
    "torsion": ("store energy",), "notchedimpact": ("fragments",), "compression": ("fragments",),
    "shear": ("flies", "load drops"),
}  # fmt: skip


@pytest.mark.parametrize("method", sorted(HAZARDS))
def test_every_method_names_its_own_hazards(method: str) -> None:
    """Fragments, weights, needles, blades, hot ovens, liquids: each at the method that has it."""
    told = " ".join(load().methods[method].method.cautions).casefold()

    assert all(hazard in told for hazard in HAZARDS[method]), told


@pytest.mark.parametrize("text", [cautions.PRINTING, cautions.OFF_THE_BED, cautions.DRYING])
def test_each_says_what_comes_before_it(text: str) -> None:
    """The maker's sheet, local codes and licensed practice."""
    assert text.endswith(cautions.FIRST)


def test_at_the_rig_also_of_readings_given_whole(cli: Cli, spool: str) -> None:
    """Who types all at once is warned of the same; a script that asks for JSON is not."""
    cli.done("job", "add", "--spool", spool, "--piece", "bar:XYZ")
    words = ("measure", "J0001-01-Z", "tensile", "max_force=1830", "width=10", "thickness=4", "--yes")
    text = said(cli, *words)

    assert all(word in text for word in ("eye protection", *FIRST))
    assert "eye protection" not in said(cli, *words, "--json")
