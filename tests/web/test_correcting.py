"""Values put right and verdicts given from a page, both with their reason."""

from __future__ import annotations

import re
from html import unescape

import pytest

from tests.desk.bench import a_pull, a_spool, entries, last_entry, row_of
from tests.web.site import ON_BOTH, Browser, Site
from tests.web.test_pages import plain
from tracker.desk.correcting import correct
from tracker.desk.jobplates import read_piece
from tracker.desk.jobs import add_job
from tracker.plugins import Plugged


def stands(browser: Browser, of: str) -> dict[str, str]:
    """Return what is in the form that puts a record right."""
    text = browser.get("/correct", params={"of": of}).text
    found = re.findall(r'name="((?:a|was)-[^"]+)" (?:type="text" )?value="([^"]*)"', text)
    return {name: unescape(value) for name, value in found}


@ON_BOTH
@pytest.mark.parametrize(
    ("of", "field", "value"),
    [("S0001-R", "lot", "L-18"), ("J0001-J", "printer", "gantry 2"), ("J0001-01-Z", "name", "beam"),
     ("R0001-M", "resolution", "0.2 N"), ("Nordlicht ASA", "density_g_cm3", "1.05")],
)  # fmt: skip
def test_one_value_is_put_right_once(site: Site, browser: Browser, of: str, field: str, value: str) -> None:
    """Only the changed field is in the journal, with its reason; sent twice it is one entry."""
    before, form = entries(site.book), stands(browser, of)
    sent = {**form, f"a-{field}": value, "reason": "misread", "key": "one"}
    answers = [browser.fill(f"/correct?of={of}", sent) for _ in range(2)]
    assert [each.status_code for each in answers] == [200, 200]
    assert (entries(site.book), last_entry(site.book).act) == (before + 1, "correct")


def test_a_reading_is_put_right_and_computed_again(site: Site, browser: Browser, plugged: Plugged) -> None:
    """The old value is shown beside; 1830 N on 50 mm² are 36.6 MPa; the journal shows both."""
    a_pull(site.book, site.pieces[0], plugged=plugged)
    assert "recorded: 10" in plain(browser.get("/correct?of=M0001-Y").text)
    form = {**stands(browser, "M0001-Y"), "a-width": "12.5", "reason": "wrong scale"}
    assert "36.6" in plain(browser.fill("/correct?of=M0001-Y", form).text)
    journal = plain(browser.get("/journal").text)
    assert "width 10 → 12.5" in journal
    assert "Tensile strength 45.750 ± 0.071 MPa → 36.600 ± 0.056 MPa" in journal


def test_a_storage_period_is_put_right(browser: Browser) -> None:
    """What has no ID of its own is put right on the page of its spool."""
    browser.fill("/S0001-R/keep", {"place": "open air", "began_at": "3 h ago"})
    form = {**stands(browser, "S0001-R"), "a-storage1.rh_pct": "55", "reason": "read later"}
    assert "55 %RH" in plain(browser.fill("/correct?of=S0001-R", form).text)


def test_nothing_is_put_right_without_a_reason(site: Site, browser: Browser) -> None:
    """The form comes back as it was filled in."""
    before = entries(site.book)
    answer = browser.fill("/correct?of=S0001-R", {**stands(browser, "S0001-R"), "a-lot": "L-18"})
    assert (answer.status_code, entries(site.book)) == (422, before)
    assert 'value="L-18"' in answer.text


def test_what_somebody_else_put_right_meanwhile_is_not_overwritten(site: Site, browser: Browser) -> None:
    """Two forms were opened on one value; the second is told what it says now."""
    form = {**stands(browser, "S0001-R"), "reason": "misread"}
    browser.fill("/correct?of=S0001-R", {**form, "a-lot": "L-18"})
    answer = browser.fill("/correct?of=S0001-R", {**form, "a-lot": "L-19"})
    assert (answer.status_code, row_of(site.book, "S0001-R").lot) == (422, "L-18")
    assert "it says L-18 now" in plain(answer.text)


@ON_BOTH
def test_a_result_is_set_aside_once(site: Site, browser: Browser, plugged: Plugged) -> None:
    """With its reason, which is on the page that follows."""
    a_pull(site.book, site.pieces[0], plugged=plugged)
    before = entries(site.book)
    form = {"measurement": "M0001-Y", "counted": "no", "reason": "slipped in the grips", "key": "one"}
    answers = [browser.fill(f"/verdict?of={site.job}", form) for _ in range(2)]
    assert ["set aside: slipped in the grips" in plain(each.text) for each in answers] == [True, True]
    assert entries(site.book) == before + 1


@pytest.mark.parametrize("of", ["J0001-J", "J0001-01-Z", "M0001-Y"])
def test_what_was_measured_is_offered_for_a_verdict(
    site: Site, browser: Browser, plugged: Plugged, of: str
) -> None:
    """From the job, the piece and the measurement itself."""
    a_pull(site.book, site.pieces[0], plugged=plugged)
    assert 'name="measurement" value="M0001-Y"' in browser.get(f"/verdict?of={of}").text
    assert f'href="/verdict?of={of}"' in browser.get(f"/{of}").text


@pytest.mark.parametrize(
    ("act", "of", "form", "shown"),
    [
        ("cut", "J0001-01-Z", {"parts": "left half, right half"}, "used up"),
        ("relabel", "J0001-01-Z", {"other": "J0001-02-Y", "reason": "taken the wrong way round"}, "J0001"),
        ("wind", "S0001-R", {"gross_g": "900", "empty_g": "200"}, "wound"),
    ],
)
def test_an_act_on_a_record_is_done_from_its_page(
    site: Site, browser: Browser, act: str, of: str, form: dict[str, str], shown: str
) -> None:
    """The record's page leads to its form; sent twice it is one entry of the journal."""
    of = of if of.startswith("S") else site.pieces[0]
    form = {**form, "other": site.pieces[1]} if "other" in form else form
    assert f'href="/act/{act}?of={of}"' in browser.get(f"/{of}").text
    before = entries(site.book)
    answers = [browser.fill(f"/act/{act}?of={of}", {**form, "key": "one"}) for _ in range(2)]
    assert [each.status_code for each in answers] == [200, 200], plain(answers[0].text)[:500]
    assert entries(site.book) == before + 1
    assert shown in plain(browser.get(f"/{of}").text)


def test_two_spools_of_one_reel_are_merged(site: Site, browser: Browser) -> None:
    """What they say differently is asked about first; then both IDs lead to one page."""
    a_spool(site.book, lot="L-18")
    form = {"other": "S0002-P", "reason": "entered twice"}
    asked = browser.fill("/act/merge?of=S0001-R", form)
    assert (asked.status_code, "L-18" in asked.text) == (409, True)
    browser.fill("/act/merge?of=S0001-R", {**form, "sure": "1"})
    assert browser.get("/S0002-P").url.path == "/S0001-R"


def test_what_is_published_is_chosen_from_the_page(site: Site, browser: Browser, plugged: Plugged) -> None:
    """Without a reason it is asked for; of a material with one condition that one."""
    correct(site.book, "Ada Bench", plugged, site.job, ["nozzle_set_c=255"], "not entered")
    a_pull(site.book, site.pieces[0], plugged=plugged)
    path = "/act/choose?of=Nordlicht ASA"
    assert '<option value="the only one"' in browser.get(path).text
    assert browser.fill(path, {"condition": "nozzle_c=255"}).status_code == 422
    answer = browser.fill(path, {"condition": "nozzle_c=255", "reason": "as its maker advises"})
    assert (answer.status_code, "Published from now on" in plain(answer.text)) == (200, True)
    assert last_entry(site.book).act == "choose"


def test_the_conditions_to_be_published_are_offered(site: Site, browser: Browser, plugged: Plugged) -> None:
    """Each is in the list by what tells it from the others; what is chosen there is what is published."""
    second = add_job(site.book, "Ada Bench", {"nozzle_set_c": 240}, spools=[site.spool],
                     pieces=[read_piece("bar:XYZ:1")])  # fmt: skip
    correct(site.book, "Ada Bench", plugged, site.job, ["nozzle_set_c=255"], "not entered")
    for piece in (site.pieces[0], *second.also):
        a_pull(site.book, piece, plugged=plugged)
    path = "/act/choose?of=Nordlicht ASA"
    offered = re.findall(r'<option value="(nozzle_c=[^"]*)"', browser.get(path).text)
    assert sorted(each[:12] for each in offered) == ["nozzle_c=240", "nozzle_c=255"]
    chosen = next(each for each in offered if "240" in each)
    assert browser.fill(path, {"condition": chosen, "reason": "as its maker advises"}).status_code == 200
    now = re.search(r'<option value="([^"]*)"[^>]*>[^<]*published now', browser.get(path).text)
    assert now
    assert now[1] == chosen


def test_specimens_of_a_bare_job_are_entered(site: Site, browser: Browser) -> None:
    """The page of a job without any leads there; of one that has some it does not."""
    add_job(site.book, "Ada Bench", {}, spools=["S0001-R"], pieces=[])
    assert "/act/pieces" not in browser.get(f"/{site.job}").text
    assert "/act/pieces" in browser.get("/J0002-H").text
    browser.fill("/act/pieces?of=J0002-H", {"pieces": "bar:ZXY:2, disc::1"})
    assert len(row_of(site.book, "J0002-H").specimens) == 3
