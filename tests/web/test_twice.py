"""A form that comes twice is stored once: again at once, from two threads, after a restart."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.desk.bench import entries
from tests.web.site import ON_BOTH, PULL, Browser, Site, served
from tracker.book import open_book
from tracker.plugins import Plugged

FORMS: Mapping[str, Mapping[str, str]] = {
    "/J0001-J/end": {"outcome": "finished"},
    "/J0001-J/offbed": {"p1": "good"},
    "/J0001-J/change": {"setting": "fan", "value": "50"},
    "/S0001-R/keep": {"place": "dry box"},
    "/S0001-R/weigh": {"mass_g": "1200"},
    "/S0001-R/dry": {"drying": ""},
    "/J0001-01-Z/measure/tensile": PULL,
    "/devices/token": {"name": "load cell", "rig": "", "role": "measures"},
}


@ON_BOTH
@pytest.mark.parametrize("path", FORMS)
def test_sent_twice_it_is_stored_once(site: Site, browser: Browser, path: str) -> None:
    """The second answer is a page, and the journal has one entry more, not two."""
    before = entries(site.book)
    answers = [browser.fill(path, {**FORMS[path], "key": "one"}) for _ in range(2)]
    assert ([each.status_code for each in answers], entries(site.book)) == ([200, 200], before + 1)


@ON_BOTH
def test_sent_from_two_threads_it_is_stored_once(site: Site, browser: Browser) -> None:
    """Both come while neither is stored; both are answered."""
    before, token = entries(site.book), browser.token()
    form = {"csrf": token, "key": "one", "mass_g": "1200"}
    with ThreadPoolExecutor(4) as threads:
        found = list(threads.map(lambda _: browser.post("/S0001-R/weigh", data=form), range(4)))
    assert ({each.status_code for each in found}, entries(site.book)) == ({200}, before + 1)


@ON_BOTH
def test_sent_again_to_another_server_it_is_stored_once(
    site: Site, browser: Browser, plugged: Plugged
) -> None:
    """A server that was begun later, before the same book, knows the key."""
    form = {"csrf": browser.token(), "key": "one", "mass_g": "1200"}
    browser.post("/S0001-R/weigh", data=form)
    before = entries(site.book)
    with open_book(site.book.place) as book, served(site, book, plugged) as url:
        answer = browser.post(f"{url}/S0001-R/weigh", data=form)
    assert ("nothing was stored twice" in answer.text, entries(site.book)) == (True, before)


def test_a_refused_form_may_come_again(browser: Browser) -> None:
    """Its key was not used up: put right, it is stored."""
    browser.fill("/S0001-R/weigh", {"mass_g": "a lot", "key": "one"})
    assert "1200 g" in browser.fill("/S0001-R/weigh", {"mass_g": "1200", "key": "one"}).text


def test_a_form_without_key_is_taken_as_new(site: Site, browser: Browser) -> None:
    """Nothing is known of it."""
    before = entries(site.book)
    for _ in range(2):
        browser.fill("/S0001-R/weigh", {"mass_g": "1200"})
    assert entries(site.book) == before + 2
