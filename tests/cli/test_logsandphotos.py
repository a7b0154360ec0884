"""Logs looked at first, and photographs, at the command line."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image

from tests.cli.bench import Cli
from tests.cli.test_plates import START, a_log, sent
from tests.plates import UPRIGHT, plate


@pytest.fixture
def spool(cli: Cli) -> str:
    """Give a spool of a material with a data sheet."""
    cli.id("material", "add", "Nordlicht ASA", "--family", "ASA", "--density", "1.07")
    return cli.id("spool", "add", "Nordlicht ASA", "--lot", "7731", "--net", "1 kg")


@pytest.fixture
def job(cli: Cli, spool: str, tmp_path: Path) -> str:
    """Give a job of two towers and a cube that has begun."""
    return cli.id("job", "add", sent(tmp_path, plate(UPRIGHT)), "--spool", spool, "--started", START)


def test_a_log_is_looked_at_and_not_kept(cli: Cli, job: str, tmp_path: Path) -> None:
    """How it is read and where it lies, as keeping would say; the pieces have nothing of it."""
    told = cli("job", "log", job, a_log(tmp_path, START), "--dry-run")
    assert "chamber: chamber °C, in °C" in told.stdout
    assert "the log begins 0 s after" in told.stdout
    assert cli.json("show", cli.json("show", job)["specimens"][0]["id"])["log_facts"] is None


def test_a_log_that_does_not_fit_is_refused_after_it_was_reported(cli: Cli, job: str, tmp_path: Path) -> None:
    """A program reads no offset and why; a person how it was read, and then why."""
    told = cli.json("job", "log", job, a_log(tmp_path, "2026-03-04 07:00"), "-n")
    assert (told["offset_s"], "another time" in told["refusal"]) == (None, True)
    said = cli("job", "log", job, a_log(tmp_path, "2026-03-04 07:00"), "-n")
    assert (said.exit_code, "another time" in said.stderr, "read as ISO 8601" in said.stdout) == (
        1,
        True,
        True,
    )


def test_a_log_is_placed_by_hand(cli: Cli, job: str, tmp_path: Path) -> None:
    """A stated offset counts, whatever the logger's clock says."""
    told = cli("job", "log", job, a_log(tmp_path, "2026-03-04 07:00"), "--offset", "-2 min")
    assert "the log begins 120 s before" in told.stderr


def test_a_photograph_is_kept_and_shown(cli: Cli, job: str, tmp_path: Path) -> None:
    """Its name, time, person and note stand with the job."""
    file = tmp_path / "corner.png"
    Image.new("RGB", (40, 30), "white").save(file)
    assert cli.id("job", "photo", job, str(file), "--note", "lifted") == job
    assert ": lifted" in cli("show", job).stdout
