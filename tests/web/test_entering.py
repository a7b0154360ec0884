"""What comes in is entered from a page, by the forms that the command line asks."""

from __future__ import annotations

import pytest

from tests.desk.bench import entries, row_of
from tests.web.site import ON_BOTH, Browser, Site
from tests.web.test_pages import plain
from tracker.forms import Ask
from tracker.web.pages.records import KINDS

ANSWERS = {
    "material": {"name": "Südwind PETG", "family": "PETG"},
    "spool": {"material": "Nordlicht ASA", "lot": "L-18", "net_g": "1 kg"},
    "rig": {"name": "Caliper", "role": "instrument", "measures": "length", "resolution": "0.01 mm"},
    "person": {"initials": "BH", "name": "Bo Helper"},
    "calibration": {"rig": "R0001-M", "uncertainty": "2 N", "k": "2"},
}


def _asks() -> list[tuple[str, Ask]]:
    return [(what, ask) for what, kind in KINDS.items() for ask in kind.form]


@ON_BOTH
@pytest.mark.parametrize("what", KINDS)
def test_it_is_entered_once_however_often_it_comes(site: Site, browser: Browser, what: str) -> None:
    """Its own page follows both times, and there is one entry more."""
    before = entries(site.book)
    answers = [browser.fill(f"/new/{what}", {**ANSWERS[what], "key": "one"}) for _ in range(2)]
    assert [each.status_code for each in answers] == [200, 200]
    assert (answers[0].url.path, entries(site.book)) == (answers[1].url.path, before + 1)


@pytest.mark.parametrize(("what", "ask"), _asks(), ids=lambda each: getattr(each, "name", each))
def test_the_page_asks_what_the_command_line_does(browser: Browser, what: str, ask: Ask) -> None:
    """Each field of the form is there under its words."""
    text = browser.get(f"/new/{what}").text
    assert f'name="{ask.name}"' in text
    assert ask.label.replace("'", "&#39;") in text


def test_masses_may_be_unknown(site: Site, browser: Browser) -> None:
    """Left empty they are not recorded, and the page says what that costs."""
    answer = browser.fill("/new/spool", {"material": "Nordlicht ASA"})
    assert "mass is not recorded" in plain(answer.text)
    assert row_of(site.book, "S0002-P").net_g is None


def test_what_is_wrong_is_reported_beside_its_field(site: Site, browser: Browser) -> None:
    """What was typed is there again, no option of the command line is named, and nothing is stored."""
    before = entries(site.book)
    answer = browser.fill("/new/spool", {"material": "Nordlicht ASA", "net_g": "-3", "lot": "L-18"})
    assert (answer.status_code, entries(site.book)) == (422, before)
    assert 'value="-3"' in answer.text
    assert 'value="L-18"' in answer.text
    assert answer.text.count("aria-invalid") == 1
    assert "--net" not in answer.text


def test_a_spool_is_of_a_material_of_the_book(browser: Browser) -> None:
    """The materials are offered; the one whose page led here is chosen."""
    assert 'value="Nordlicht ASA" selected' in browser.get("/new/spool?of=Nordlicht ASA").text


def test_a_new_material_has_its_page(browser: Browser) -> None:
    """It is there as its data sheet says, and leads to its first spool."""
    answer = browser.fill("/new/material", {"name": "A/B & C", "nozzle_low_c": "230", "nozzle_high_c": "250"})
    assert "230 – 250 °C" in plain(answer.text)
    assert 'href="/new/spool?of=A/B%20%26%20C"' in answer.text
