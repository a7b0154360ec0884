"""What a rig's own computer sends and reads."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from typing import Any, get_args

import httpx
import pytest

from tests.desk.bench import entries, last_entry, row_of
from tests.web.site import ON_BOTH, Site
from tracker.desk.devices import pair_device
from tracker.desk.voiding import void
from tracker.plugins import load
from tracker.web.bench import Offers
from tracker.web.programs import Kind

READINGS = {"max_force": 1830, "width": "10.00", "thickness": 4.0}
CURVE = "extension,force\n" + "\n".join(f"{i / 1000:.3f},{i * 0.183:.2f}" for i in range(10_000))


@pytest.fixture
def rig(site: Site) -> Iterator[httpx.Client]:
    """Give the computer of the rig, with its token."""
    _, token = pair_device(site.book, "Ada Bench", "load cell", rig=site.rig)
    with site.browser(headers={"Authorization": f"Bearer {token}"}) as client:
        yield client


def a_post(site: Site, **more: Any) -> dict[str, Any]:
    """Return what a rig sends."""
    return {"specimen": site.pieces[0], "method": "tensile", "readings": READINGS, **more}


def test_a_post_is_answered_with_results(site: Site, rig: httpx.Client) -> None:
    """1830 N on 40 mm² are 45.75 MPa, with an uncertainty."""
    answer = rig.post("/api/measurements", json=a_post(site))
    found = {each["quantity"]: each for each in answer.json()["results"]}
    assert answer.status_code == 201
    assert found["tensile.strength"]["value"] == pytest.approx(45.75)
    assert found["tensile.strength"]["uncertainty"] > 0


@ON_BOTH
def test_a_post_bears_its_rig_and_its_device(site: Site, rig: httpx.Client) -> None:
    """The token's rig is taken where none is named; the journal names the device."""
    name = rig.post("/api/measurements", json=a_post(site)).json()["id"]
    assert [each.rig_id for each in row_of(site.book, name).rigs] == [1]
    assert last_entry(site.book).who == "load cell"
    assert row_of(site.book, name).source == "posted"


@pytest.mark.parametrize("form", ["text", "base64"])
def test_a_curve_of_ten_thousand_rows_is_kept(site: Site, rig: httpx.Client, form: str) -> None:
    """It is kept to the byte, sent as text or as Base64."""
    content = CURVE if form == "text" else base64.b64encode(CURVE.encode()).decode()
    name = rig.post(
        "/api/measurements", json=a_post(site, files={"curve": {"name": "p.csv", form: content}})
    ).json()
    assert rig.get(f"/{name['id']}/file/curve").content == CURVE.encode()


@ON_BOTH
def test_a_post_repeated_under_its_key_is_stored_once(site: Site, rig: httpx.Client) -> None:
    """The second is answered with what the first stored."""
    first, second = (rig.post("/api/measurements", json=a_post(site, key="k1")) for _ in range(2))
    assert first.json()["id"] == second.json()["id"]
    assert first.json()["results"] == second.json()["results"]


@ON_BOTH
def test_a_key_belongs_to_its_token_and_its_content(site: Site, rig: httpx.Client) -> None:
    """Again as it was: 200. Other readings: 409 and nothing stored. Another rig's key is its own."""
    first = rig.post("/api/measurements", json=a_post(site, key="7"))
    before = entries(site.book)
    again = rig.post("/api/measurements", json=a_post(site, key="7"))
    other = rig.post(
        "/api/measurements", json=a_post(site, key="7", readings={**READINGS, "max_force": 1900})
    )
    assert (first.status_code, again.status_code, other.status_code) == (201, 200, 409)
    assert (again.json()["id"], entries(site.book)) == (first.json()["id"], before)
    _, token = pair_device(site.book, "Ada Bench", "second rig", rig=site.rig)
    headers = {"Authorization": f"Bearer {token}"}
    with site.browser(headers=headers) as another:
        second = another.post("/api/measurements", json=a_post(site, key="7", specimen=site.pieces[1]))
    assert second.status_code == 201
    assert second.json()["id"] != first.json()["id"]


def test_refused_readings_say_which(site: Site, rig: httpx.Client) -> None:
    """Each reading at fault is named, and nothing is stored."""
    before = entries(site.book)
    answer = rig.post("/api/measurements", json=a_post(site, readings={"width": -1, "thicknes": 4}))
    assert answer.status_code == 422
    assert answer.json()["fields"][0]["field"] == "thicknes"
    assert entries(site.book) == before


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"specimen": "J0999-01-X"}, 404),
        ({"specimen": "S0001-R"}, 422),
        ({"method": "none"}, 422),
        ({"at": "tomorrow"}, 422),
        ({"files": {"curve": {"name": "x"}}}, 422),
        ({"rigs": ["R0099-A"]}, 404),
        ({"files": {"nothing": {"name": "x", "text": ""}}}, 422),
        ({"stranger": 1}, 422),
        ({"room_c": 900}, 422),
        ({"files": {"curve": {"name": "x", "base64": "???"}}}, 422),
        ({"specimen": ""}, 404),
    ],
)
def test_what_cannot_be_is_refused_in_one_shape(
    site: Site, rig: httpx.Client, change: Any, status: int
) -> None:
    """Every refusal has the same three keys."""
    answer = rig.post("/api/measurements", json=a_post(site, **change))
    assert answer.status_code == status, answer.text
    assert set(answer.json()) == {"refused", "do", "fields"}


def test_a_browser_cannot_post_by_its_cookie(site: Site) -> None:
    """A foreign page could make it: a token is wanted, and a wrong one does not do."""
    with site.browser() as browser:
        browser.get("/")
        assert browser.post("/api/measurements", json=a_post(site)).status_code == 401
        wrong = {"Authorization": "Bearer wrong"}
        assert browser.post("/api/measurements", json=a_post(site), headers=wrong).status_code == 401


def test_a_token_that_looks_only_does_not_write(site: Site) -> None:
    """It is told so."""
    _, token = pair_device(site.book, "Ada Bench", "visitor", role="reads")
    with site.browser(headers={"Authorization": f"Bearer {token}"}) as reads:
        answer = reads.post("/api/measurements", json=a_post(site))
    assert answer.status_code == 403


def test_a_token_reads_where_the_page_is_shared(shared: Site) -> None:
    """Lists, records and traces are there for it."""
    _, token = pair_device(shared.book, "Ada Bench", "load cell")
    with shared.browser(headers={"Authorization": f"Bearer {token}"}) as client:
        for path in (
            "/api/list/jobs",
            f"/api/show/{shared.job}",
            f"/api/trace/{shared.job}",
            "/openapi.json",
        ):
            assert client.get(path).status_code == 200


def test_a_list_is_given_in_parts(site: Site, rig: httpx.Client) -> None:
    """Each part links to the next; one that is taken back meanwhile shifts none of the others."""
    first = rig.get("/api/list/specimens", params={"most": 1})
    void(site.book, "Ada Bench", load(), site.pieces[0], "not printed", sure=True)
    second = rig.get(first.links["next"]["url"])
    third = rig.get(second.links["next"]["url"])
    assert [row["id"] for each in (first, second, third) for row in each.json()] == site.pieces
    assert "next" not in third.links


@pytest.mark.parametrize("kind", get_args(Kind))
def test_a_list_is_the_same_in_parts_and_whole(rig: httpx.Client, kind: str) -> None:
    """Whatever the kind, and whatever its list is made of."""
    whole = rig.get(f"/api/list/{kind}").json()
    path: str | None = f"/api/list/{kind}?most=1"
    parts: list[Any] = []
    while path is not None:
        answer = rig.get(path)
        parts += answer.json()
        path = answer.links.get("next", {}).get("url")
    assert parts == whole


def test_the_methods_say_what_they_take(rig: httpx.Client) -> None:
    """Each has the schema of its readings and the names of its files."""
    told = {each["id"]: each for each in rig.get("/api/methods").json()}
    assert told["tensile"]["readings"]["properties"]["width"]["unit"] == "mm"
    assert "curve" in told["tensile"]["files"]


def test_a_token_is_made_on_the_page_and_shown_once(site: Site) -> None:
    """It works at once, and the page does not show it again."""
    with site.browser() as browser:
        page = browser.fill("/devices/token", {"name": "load cell", "rig": site.rig}, page="/devices")
        token = page.text.partition('class="code"><code>')[2].partition("<")[0]
        assert token not in browser.get("/devices").text
    with site.browser(headers={"Authorization": f"Bearer {token}"}) as made:
        answer = made.post("/api/measurements", json=a_post(site))
    assert answer.status_code == 201


def test_each_question_stands_by_itself(site: Site, rig: httpx.Client) -> None:
    """What is unusual is asked about one by one; sent again as meant, it is stored."""
    rig.post("/api/measurements", json=a_post(site))
    unusual = a_post(site, readings={**READINGS, "thickness": 40.0}, room_c=60)
    answer = rig.post("/api/measurements", json=unusual)
    assert (answer.status_code, len(answer.json()["questions"]) >= 2) == (409, True), answer.text
    assert all(each.rstrip(".?") in answer.json()["refused"] for each in answer.json()["questions"])
    assert rig.post("/api/measurements", json={**unusual, "sure": True}).status_code == 201


@pytest.fixture
def keeper(site: Site) -> Iterator[httpx.Client]:
    """Give a program that keeps the book, with its token."""
    _, token = pair_device(site.book, "Ada Bench", "script", role="keeps")
    with site.browser(headers={"Authorization": f"Bearer {token}"}) as client:
        yield client


def done(client: httpx.Client, name: str, of: str = "", **sent: Any) -> httpx.Response:
    """Do an act by its name."""
    return client.post(f"/api/acts/{name}", json={"of": of, **sent})


@ON_BOTH
def test_a_program_puts_right_what_a_person_could(site: Site, keeper: httpx.Client) -> None:
    """Measure, take back, bring back, correct, exchange labels, undo: each by one post."""
    first, second = site.pieces[:2]
    made = keeper.post("/api/measurements", json=a_post(site)).json()["id"]
    assert done(keeper, "void", made, reason="wrong bar").status_code == 200
    assert row_of(site.book, first).broken_at is None
    assert done(keeper, "bring-back", made, reason="it was right").status_code == 200
    assert done(keeper, "correct", made, answers={"width": 8}, reason="misread").status_code == 200
    assert row_of(site.book, made).readings["width"] == 8.0
    assert done(keeper, "relabel", first, answers={"other": second}, reason="mixed up").status_code == 200
    assert row_of(site.book, made).specimen.piece == 2
    assert done(keeper, "undo").status_code == 200
    assert row_of(site.book, made).specimen.piece == 1
    assert done(keeper, "void", made).status_code == 422


@ON_BOTH
def test_an_act_of_a_program_is_asked_about_and_done_once(site: Site, keeper: httpx.Client) -> None:
    """An end long after the plan is 409 with its question; under one key it is stored once."""
    dried = {"set_c": 60, "planned_h": 4, "began_at": "30 h ago", "ended_at": "10 h ago"}
    asked = done(keeper, "dry", "S0001-R", answers=dried, key="7")
    assert (asked.status_code, len(asked.json()["questions"])) == (409, 1)
    before = entries(site.book)
    answers = [done(keeper, "dry", "S0001-R", answers=dried, key="7", sure=True) for _ in range(2)]
    assert {each.json()["id"] for each in answers} == {"D0001-Q"}
    assert entries(site.book) == before + 1


def test_a_rig_does_what_is_done_at_the_rig_and_no_more(site: Site, rig: httpx.Client) -> None:
    """It takes pieces off the bed; it does not take records back."""
    _, token = pair_device(site.book, "Ada Bench", "rig", role="measures")
    with site.browser(headers={"Authorization": f"Bearer {token}"}) as measures:
        assert done(measures, "offbed", site.job, answers={"rest": "good"}).status_code == 200
        assert done(measures, "void", site.job, reason="x").status_code == 403
    assert done(rig, "nothing", site.job).status_code == 404


def test_a_recording_let_go_is_news_as_one_that_came() -> None:
    """A page at a rig that still offers it is behind, wherever it was taken for a specimen."""
    offers = Offers(lambda: 0.0)
    marks = [offers.mark]
    offer = offers.put("R0001-M", "pull-1.csv", b"")
    marks.append(offers.mark)
    offers.drop("R0001-M", offer.number)
    marks.append(offers.mark)
    assert len(set(marks)) == 3
