"""A job is entered from a page: its plate looked at, checked, changed piece by piece, kept."""

from __future__ import annotations

import io
import re
import zipfile
from html import unescape

import httpx
import pytest

from tests.desk.bench import a_spool, entries, row_of
from tests.plates import FLAT, UPRIGHT, plate
from tests.web.site import ON_BOTH, Browser, Site
from tests.web.test_pages import plain
from tracker.desk.jobplates import PlateFile
from tracker.preflight import preflight

TOWERS = plate(UPRIGHT, 50)


def look(browser: Browser, data: bytes = TOWERS, step: str = "look", **fields: str) -> httpx.Response:
    """Send a plate to be looked at."""
    form = {"step": step, "spool": "S0001-R", **fields}
    return browser.fill("/new/job", form, files={"plate": ("towers.gcode", data, "text/plain")})


def stands(answer: httpx.Response) -> dict[str, str]:
    """Return what is in the fields of the pieces, and the word by which the plate is held."""
    found = re.findall(r'name="([no]\d+|held)" (?:type="text" )?value="([^"]*)"', answer.text)
    chosen = re.findall(r'name="(g\d+)">.*?<option selected>([^<]+)', answer.text, re.DOTALL)
    return {name: unescape(value) for name, value in (*found, *chosen)}


def test_looking_shows_what_was_derived_and_stores_nothing(site: Site, browser: Browser) -> None:
    """Each piece with letters and template, and what the plate commands."""
    before = entries(site.book)
    answer = look(browser)
    held = stands(answer)
    assert {name: held[name] for name in ("n1", "o1", "n3")} == {"n1": "tower", "o1": "XZY", "n3": "cube"}
    assert 'name="nozzle_set_c" type="text" value="250"' in answer.text
    assert entries(site.book) == before


@ON_BOTH
def test_a_plate_is_chosen_once_and_kept_as_it_was_changed(site: Site, browser: Browser) -> None:
    """Between looking and keeping the file waits here; kept twice it is one job."""
    changed = {**stands(look(browser)), "n2": "spire", "o2": "upright", "d3": "1", "spool": "S0001-R"}
    before = entries(site.book)
    answers = [browser.fill("/new/job", {**changed, "step": "keep", "key": "one"}) for _ in range(2)]
    assert ([each.url.path for each in answers], entries(site.book)) == (["/J0002-H"] * 2, before + 1)
    pieces = row_of(site.book, "J0002-H").specimens
    assert [(each.name, each.dummy) for each in pieces] == [("tower", None), ("spire", None), ("cube", True)]


@pytest.mark.parametrize("plated", [True, False])
def test_a_question_about_a_job_is_answered_by_its_button(site: Site, browser: Browser, plated: bool) -> None:
    """It names no step: the job is entered, with its plate or with the specimens that were named."""
    pieces = stands(look(browser)) if plated else {"name1": "bar", "lay1": "flat", "count1": "3"}
    spool = a_spool(site.book, received_on="2026-02-02")
    typed = {**pieces, "spool": spool, "started_at": "2026-02-01 10:00"}
    asked = browser.fill("/new/job", {**typed, "step": "keep"})
    assert 'form="form-job" name="sure" value="1">Yes, it is right' in asked.text
    answer = browser.fill("/new/job", {**typed, "sure": "1"})
    assert answer.url.path == "/J0002-H"
    assert len(row_of(site.book, "J0002-H").specimens) == 3


def test_a_plate_that_is_gone_is_asked_for_again(site: Site, browser: Browser) -> None:
    """After an hour there is one clear line, and what was typed is still there."""
    held = stands(look(browser))
    site.clock[0] += 3601
    answer = browser.fill("/new/job", {**held, "step": "keep", "spool": "S0001-R", "printer": "gantry 2"})
    assert (answer.status_code, "Choose it again" in answer.text) == (422, True)
    assert 'value="gantry 2"' in answer.text


def test_a_plate_of_another_device_is_not_found(site: Site, browser: Browser) -> None:
    """The word of one browser lets no other have its file."""
    held = stands(look(browser))
    with site.browser() as other:
        assert other.fill("/new/job", {**held, "step": "keep", "spool": "S0001-R"}).status_code == 422


def test_a_wrong_orientation_keeps_plate_and_changes(browser: Browser) -> None:
    """The refused form still holds the file."""
    held = stands(look(browser))
    answer = browser.fill("/new/job", {**held, "o1": "sideways", "step": "keep", "spool": "S0001-R"})
    again = stands(answer)
    assert (answer.status_code, again["o1"], again["held"]) == (422, "sideways", held["held"])


def test_the_check_finds_what_the_command_finds(site: Site, browser: Browser) -> None:
    """Every finding is on the page."""
    report = preflight(site.book, PlateFile("towers.gcode", TOWERS), site.spool)
    said = unescape(plain(look(browser, step="check").text))
    assert [each.text for each in report.findings if " ".join(each.text.split()) not in said] == []
    assert ("Do not print it as it is" in said) == report.stopped


@ON_BOTH
def test_pieces_are_named_without_a_plate(site: Site, browser: Browser) -> None:
    """Name, way of lying and how many; a blank way is not recorded."""
    rows = {"name1": "bar", "lay1": "upright", "count1": "2", "name2": "disc"}
    browser.fill("/new/job", {**rows, "step": "keep", "spool": "S0001-R"})
    pieces = row_of(site.book, "J0002-H").specimens
    assert [(each.name, each.orientation) for each in pieces] == [
        ("bar", "ZXY"),
        ("bar", "ZXY"),
        ("disc", None),
    ]


def test_another_attempt_takes_over_pieces_and_spool(site: Site, browser: Browser) -> None:
    """Asked from the page of the job, nothing has to be typed."""
    assert 'href="/new/job?again=J0001-J"' in browser.get(f"/{site.job}").text
    browser.fill("/new/job", {"again": site.job, "step": "keep"})
    job = row_of(site.book, "J0002-H")
    assert (job.again_of_id, len(job.specimens), len(job.spools)) == (1, 3, 1)


def test_the_same_plate_again_says_that_its_pieces_are_taken_over(browser: Browser) -> None:
    """Looked at with the job it repeats, there is nothing to confirm."""
    held = stands(look(browser, plate(FLAT, 20)))
    browser.fill("/new/job", {**held, "step": "keep", "spool": "S0001-R"})
    assert "taken over as they are" in look(browser, plate(FLAT, 20), again="J0002-H").text


def test_what_is_no_plate_is_refused_in_words(browser: Browser) -> None:
    """The page comes back with one line."""
    answer = look(browser, b"<html>")
    assert (answer.status_code, "Stop." in answer.text) == (422, True)


def test_a_plate_of_several_is_chosen_by_number_and_picture(site: Site, browser: Browser) -> None:
    """Each plate of a container is there with its own picture or its map; the chosen one is entered."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as packed:
        packed.writestr("Metadata/plate_1.gcode", plate(FLAT, 2))
        packed.writestr("Metadata/plate_1.png", b"\x89PNG\r\n\x1a\n and so on")
        packed.writestr("Metadata/plate_2.gcode", TOWERS)
    answer = look(browser, held.getvalue())
    assert (answer.status_code, answer.text.count('type="radio" name="of"')) == (200, 2)
    assert "data:image/png;base64," in answer.text
    assert answer.text.count('class="mini"') == 2
    word = stands(answer)
    refused = browser.fill("/new/job", {**word, "step": "keep", "spool": "S0001-R"})
    assert (refused.status_code, "several plates" in refused.text) == (422, True)
    chosen = browser.fill("/new/job", {**word, "step": "look", "spool": "S0001-R", "of": "2"})
    assert {stands(chosen)[name] for name in ("n1", "n2", "n3")} == {"tower", "tower_#2", "cube"}
    browser.fill("/new/job", {**stands(chosen), "of": "2", "step": "keep", "spool": "S0001-R"})
    assert row_of(site.book, "J0002-H").plate_name == "towers.gcode #plate 2"
