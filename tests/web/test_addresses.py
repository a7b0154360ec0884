"""Addresses with something missing, odd or wrong: a page with guidance, never the framework's own words."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.web.site import Browser, Site
from tracker.web import acting
from tracker.web.pages import ROUTERS

FRAMEWORK = re.compile(
    r"Field required|Input should|(String|List|Value) should|valid (integer|number|string)|"
    r"Not Found|Not Allowed|Internal Server Error|Unprocessable|Traceback"
)


def _asked(route: Any) -> Iterator[str]:
    """Give the addresses of a page: without its query, and with each part of the query odd."""

    def parts(dependant: Any) -> Iterator[str]:
        yield from (each.alias for each in dependant.query_params)
        for each in dependant.dependencies:
            yield from parts(each)

    for filled in ("J0001-01-Z", "odd") if "{" in route.path else ("",):
        path = re.sub(r"\{[^}]*\}", filled, route.path)
        yield path
        if filled != "odd":
            for name in parts(route.dependant):
                yield from (f"{path}?{name}={value}" for value in ("-1", "q" * 3000))


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_no_address_is_answered_in_the_words_of_the_framework(steady: Site, method: str) -> None:
    """Whatever is left out of an address or put into it, a person reads sentences of this page."""
    routes = [
        each
        for router in (acting.router, *ROUTERS)
        for each in router.routes
        if method in getattr(each, "methods", ()) and "events" not in each.path
    ]
    told = {}
    with steady.browser() as browser:
        fields = {"csrf": browser.token()} if method == "POST" else {}
        for address in (each for route in routes for each in _asked(route)):
            answer = browser.request(method, address, data=fields or None)
            if answer.status_code >= 500 or (found := FRAMEWORK.search(answer.text)):
                told[address[:60]] = answer.status_code, found and found[0]
    assert routes
    assert told == {}


def test_the_address_of_a_form_that_was_sent_leads_to_its_record(steady: Site) -> None:
    """A phone that had put a refused form away opens its address again; nothing of it is sent twice."""
    piece = steady.pieces[0]
    with steady.browser() as browser:
        for address, leads in (
            (f"/{piece}/measure/tensile", f"/{piece}"),
            (f"/{steady.job}/offbed", f"/{steady.job}"),
        ):
            answer = browser.get(address)
            assert (answer.status_code, answer.url.path) == (200, leads)


def test_a_record_that_is_not_named_is_asked_for(looking: Browser, steady: Site) -> None:
    """An act opened without its record asks which, says what to type and offers those there are."""
    seen = looking.get("/act/merge")
    assert "Which material or spool or rig" in seen.text
    assert "Scan its label, or type the ID" in seen.text
    assert f'<option value="{steady.spool}">' in seen.text
    assert "Merge another record into" in looking.get(f"/act/merge?of={steady.spool}").text


@pytest.mark.parametrize("page", ["/act/cut", "/correct", "/void", "/verdict"])
@pytest.mark.parametrize("named", ["", " ", "J0009-09-9", "nobody"])
def test_a_record_that_is_not_there_is_asked_for_again(looking: Browser, page: str, named: str) -> None:
    """No form is there for a record that the book does not have."""
    seen = looking.get(page, params={"of": named})
    assert seen.status_code in (404, 422)
    assert 'name="of"' in seen.text
    assert 'name="reason"' not in seen.text


def test_what_leads_nowhere_offers_a_search_without_commands(looking: Browser) -> None:
    """A page that is not there has a field to look for what was meant, and tells of no terminal."""
    for address in ("/material?name=Nowhere", "/nonsense", "/no/such/page", "/programme?material=Nowhere"):
        main = looking.get(address).text.partition("<main")[2]
        assert "<input" in main, address
        assert "strandbook list" not in main
        assert "Nothing was stored" not in main
