"""Every page answers, and every form does what the command line would."""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from html import unescape

import pytest
from PIL import Image
from tracker_labels import Label, draw_sheet, find_stock

from tests.desk.bench import a_pull, a_spool, entries, last_entry, row_of
from tests.web.site import ON_BOTH, PULL, Browser, Site, running
from tracker import browse
from tracker.api import fields
from tracker.desk.correcting import correct
from tracker.desk.jobplates import read_piece
from tracker.desk.jobs import add_job
from tracker.kinds import find
from tracker.model import Specimen, StoragePeriod
from tracker.plugins import Plugged, load
from tracker.web import inputs
from tracker.web.pages.looking import EXAMPLES


def plain(text: str) -> str:
    """Return what a page says, without its markup."""
    return " ".join(re.sub(r"<[^>]+>", " ", text).split())


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/list/jobs",
        "/list/materials",
        "/list/specimens",
        "/list/measurements",
        "/list/spools?sort=material&page=9",
        "/list/jobs?outcome=not recorded&text=bar",
        "/search?text=nordlicht",
        "/journal",
        "/rig?method=tensile",
        "/watch",
        "/care",
        "/import",
        "/sheet",
        "/table?turned=1",
        "/{job}/bed",
        "/table",
        "/programme",
        "/why",
        "/devices",
        "/pair",
        "/{job}",
        "/{piece}",
        "/{piece}?method=tensile",
        "/{spool}",
        "/{rig}",
        "/{piece}/trace",
        "/{piece}/trace?part=list",
        "/{piece}/trace.svg",
        "/{job}/labels.pdf",
        "/{spool}?method=diameter",
    ],
)
def test_every_page_answers(steady: Site, looking: Browser, path: str) -> None:
    """Each page answers on a book with one job, a spool and a rig."""
    told = path.format(job=steady.job, piece=steady.pieces[0], spool=steady.spool, rig=steady.rig)
    answer = looking.get(told)
    assert answer.status_code == 200, plain(answer.text)[:400]


def test_a_list_of_nothing_known_is_refused_in_words(looking: Browser) -> None:
    """A kind that is none gives 404 and one line."""
    answer = looking.get("/list/tables")
    assert (answer.status_code, "no list of tables" in answer.text) == (404, True)


def test_a_scanned_label_opens_its_page(steady: Site, looking: Browser) -> None:
    """The text of a label leads to the page of its ID."""
    answer = looking.get("/scan", params={"text": f"{steady.pieces[1].lower()}.{steady.book.code}"})
    assert answer.url.path == f"/{steady.pieces[1]}"


def test_a_label_address_opens_its_page(steady: Site, looking: Browser) -> None:
    """The address in a code, with the book's code behind the ID, leads there too."""
    assert looking.get(f"/{steady.pieces[1]}.{steady.book.code}").url.path == f"/{steady.pieces[1]}"


def test_a_foreign_label_is_named_and_the_field_is_ready(steady: Site, looking: Browser) -> None:
    """A label of another book is refused by name, on the page with the field."""
    answer = looking.get("/scan", params={"text": f"{steady.pieces[0]}.ZZ9"})
    assert "another book (ZZ9)" in answer.text
    assert "data-always" in answer.text


def test_the_name_of_a_file_is_no_picture_of_a_label(looking: Browser) -> None:
    """A text that names a file of this computer is taken as text, never opened."""
    answer = looking.get("/scan", params={"text": "/etc/secret.png", "answer": "json"})
    assert "picture" not in answer.json()["words"]


def test_a_photograph_of_a_label_opens_its_page(steady: Site, looking: Browser) -> None:
    """A picture with one label leads to the page of its piece."""
    label = Label(f"{steady.pieces[0]}.{steady.book.code}", steady.pieces[0], "ASA")
    png = draw_sheet([label], find_stock("a4-3x8")).pages_png()[0]
    answer = looking.fill("/scan/picture", files={"picture": ("label.png", png, "image/png")})
    assert answer.url.path == f"/{steady.pieces[0]}"


@ON_BOTH
def test_readings_give_a_result_with_its_uncertainty_at_once(site: Site, browser: Browser) -> None:
    """1830 N on 40 mm² show as 45.75 MPa on the page that follows."""
    answer = browser.fill(f"/{site.pieces[0]}/measure/tensile", {**PULL, "rigs": site.rig, "key": "one"})
    assert re.search(r"Tensile strength 45\.7\d* ± 0\.\d+ MPa", plain(answer.text))


def test_readings_bear_the_rig_and_the_person(site: Site, browser: Browser) -> None:
    """The measurement is written by whoever serves, with the rig that was ticked."""
    browser.fill(f"/{site.pieces[0]}/measure/tensile", {**PULL, "rigs": site.rig})
    row = row_of(site.book, "M0001-Y")
    assert (row.operator, [each.rig_id for each in row.rigs]) == ("Ada Bench", [1])


@ON_BOTH
def test_a_form_sent_twice_is_stored_once(site: Site, browser: Browser) -> None:
    """The same form under the same key gives the same measurement."""
    for _ in range(2):
        answer = browser.fill(f"/{site.pieces[0]}/measure/tensile", {**PULL, "key": "one"})
    assert "M0001-Y" in answer.text
    assert "M0002-W" not in answer.text


@ON_BOTH
def test_a_form_gone_back_to_and_changed_is_another(site: Site, browser: Browser) -> None:
    """With other readings the old key stands for a new measurement: nothing is lost silently."""
    form = {**PULL, "key": "one", "sure": "1"}
    browser.fill(f"/{site.pieces[0]}/measure/tensile", form)
    answer = browser.fill(f"/{site.pieces[0]}/measure/tensile", {**form, "r-width": "10.20"})
    assert "M0002-W" in answer.text


def test_a_wrong_reading_is_in_its_field_with_the_reason(steady: Site, looking: Browser) -> None:
    """What was typed comes back, and nothing is stored."""
    before = entries(steady.book)
    answer = looking.fill(f"/{steady.pieces[0]}/measure/tensile", {**PULL, "r-width": "-3"})
    assert (answer.status_code, entries(steady.book)) == (422, before)
    assert 'value="-3"' in answer.text
    assert "must be greater than 0" in answer.text


@ON_BOTH
def test_a_used_up_piece_is_asked_about(site: Site, browser: Browser, plugged: Plugged) -> None:
    """A second destructive test is stored when the box is ticked, and not before."""
    a_pull(site.book, site.pieces[0], plugged=plugged)
    asked = browser.fill(f"/{site.pieces[0]}/measure/tensile", PULL)
    assert (asked.status_code, "Yes, it is right" in asked.text) == (409, True)
    assert "M0002-W" in browser.fill(f"/{site.pieces[0]}/measure/tensile", {**PULL, "sure": "1"}).text


@ON_BOTH
def test_outcomes_are_entered_as_tapped(site: Site, browser: Browser) -> None:
    """Good, usable with a remark, failed with a cause; words beside one that was tapped are added to it."""
    form = {
        "p1": "good",
        "p2": "usable",
        "w2": "stringy",
        "p3": "failed",
        "c3": "warped",
        "w3": "left corner",
    }
    browser.fill(f"/{site.job}/offbed", form)
    rows = [row_of(site.book, piece) for piece in site.pieces]
    said = [(row.outcome, row.remark or row.cause) for row in rows]
    assert said == [("good", None), ("usable", "stringy"), ("failed", "warped: left corner")]


def test_a_failed_piece_without_a_cause_is_asked_for_it(steady: Site, looking: Browser) -> None:
    """The page comes back with the tap kept and the reason."""
    answer = looking.fill(f"/{steady.job}/offbed", {"p3": "failed"})
    assert "Piece 3 failed, but why" in answer.text
    assert 'value="failed" checked' in answer.text


@ON_BOTH
def test_a_change_by_hand_counts_from_now(site: Site, browser: Browser) -> None:
    """Without a time, a change is entered at the present moment."""
    answer = browser.fill(f"/{site.job}/change", {"setting": "fan", "value": "50"})
    assert "fan=50 from 20" in plain(answer.text)


@ON_BOTH
def test_a_job_is_ended(site: Site, browser: Browser) -> None:
    """The end with what was measured is on the page that follows."""
    answer = browser.fill(f"/{site.job}/end", {"outcome": "finished", "chamber_measured_c": "55"})
    assert "finished" in plain(answer.text)
    assert row_of(site.book, site.job).chamber_measured_c == 55


@ON_BOTH
def test_a_spool_goes_where_it_is_put_by_one_tap(site: Site, browser: Browser) -> None:
    """A tap on a place begins a storage period there; a second ends the first."""
    browser.fill(f"/{site.spool}/keep", {"place": "sealed bag", "key": "a"})
    answer = browser.fill(f"/{site.spool}/keep", {"place": "dry box", "key": "b"})
    assert "sealed bag ended" in plain(answer.text)


@ON_BOTH
def test_a_spool_goes_into_the_dryer_and_out(site: Site, browser: Browser) -> None:
    """The second tap ends the drying that the first began."""
    browser.fill(f"/{site.spool}/dry", {"drying": ""})
    assert "out of the dryer (D0001-Q)" in browser.get(f"/{site.spool}").text
    browser.fill(f"/{site.spool}/dry", {"drying": "D0001-Q", "mass": ""})
    assert row_of(site.book, "D0001-Q").ended_at is not None


@ON_BOTH
def test_a_spool_is_weighed(site: Site, browser: Browser) -> None:
    """A mass with its unit is taken in grams."""
    assert "1236.4 g" in plain(browser.fill(f"/{site.spool}/weigh", {"mass_g": "1.2364 kg"}).text)


def test_days_are_drawn_once(site: Site, browser: Browser) -> None:
    """A browser that has the picture is told so, without its bytes."""
    browser.fill(f"/{site.spool}/keep", {"place": "open air", "began_at": "2 h ago"})
    first = browser.get(f"/{site.spool}/days.svg")
    again = browser.get(f"/{site.spool}/days.svg", headers={"If-None-Match": first.headers["etag"]})
    assert (first.status_code, again.status_code, again.content) == (200, 304, b"")


def test_a_figure_of_the_table_leads_to_its_measurements(
    site: Site, browser: Browser, plugged: Plugged
) -> None:
    """Beside the mean stand the measurements behind it, each with its way back."""
    a_pull(site.book, site.pieces[0], plugged=plugged)
    cell = re.search(r'href="(/table/cell[^"]*tensile\.strength[^"]*)"', browser.get("/table").text)
    assert cell is not None
    assert 'href="/M0001-Y/trace?of=tensile.strength"' in browser.get(unescape(cell[1])).text
    assert browser.get("/M0001-Y/trace?of=tensile.strength").status_code == 200


def test_a_wrong_filter_is_reported_on_the_table(looking: Browser) -> None:
    """The page stays, with the filter in its field and the reason."""
    answer = looking.get("/table", params={"where": "((("})
    assert (answer.status_code, 'value="((("' in answer.text) == (422, True)


def test_why_says_what_is_missing(steady: Site, looking: Browser) -> None:
    """Two groups without results are refused in words on the page of the question."""
    answer = looking.get("/why", params={"a": steady.job, "b": steady.pieces[0]})
    assert (answer.status_code, "Stop." in answer.text) == (422, True)


def test_the_first_page_is_small(looking: Browser) -> None:
    """The first page with all that it loads is at most 100 kB, none of it from elsewhere."""
    page = looking.get("/").text
    loaded = re.findall(r'(?:src|href)="(/static/[^"]+)"', page)
    assert len(page.encode()) + sum(len(looking.get(path).content) for path in loaded) <= 100_000
    assert not re.findall(r'(?:src|href|action)="(?:https?:)?//', page)


def test_nobody_writes_where_visitors_look(visitors: Site) -> None:
    """A page for visitors shows no form that writes, and refuses one that is sent all the same."""
    before = entries(visitors.book)
    with visitors.browser() as guest:
        answer = guest.fill(f"/{visitors.job}/end", {"outcome": "finished"})
        assert "Off the bed" in guest.get(f"/{visitors.job}/bed").text
        assert "Enter outcomes" not in guest.get(f"/{visitors.job}/bed").text
    assert (answer.status_code, entries(visitors.book)) == (403, before)


@ON_BOTH
def test_a_write_names_the_device(shared: Site, phone: Browser) -> None:
    """The journal says which paired device wrote."""
    phone.fill(f"/{shared.spool}/weigh", {"mass_g": "1200"})
    assert last_entry(shared.book).who == "Ada's phone"


def test_a_log_without_a_start_of_the_job_is_refused_in_words(steady: Site, looking: Browser) -> None:
    """The page says what is missing, and keeps nothing."""
    before = entries(steady.book)
    log = b"time,chamber_c\n2026-03-02 08:00:00,40\n2026-03-02 08:01:00,41\n"
    answer = looking.fill(
        f"/{steady.job}/log", {"by": "clock"}, files={"log": ("chamber.csv", log, "text/csv")}
    )
    assert (answer.status_code, entries(steady.book)) == (422, before)
    assert "no start" in plain(answer.text)


@ON_BOTH
def test_a_log_is_kept_and_says_what_was_guessed(site: Site, browser: Browser, plugged: Plugged) -> None:
    """Laid beside the job's start, it is among what is recorded."""
    correct(site.book, "Ada Bench", plugged, site.job, ["started_at=2026-03-02T08:00Z"], "not entered")
    rows = "".join(f"2026-03-02 08:{minute:02d}:00,{40 + minute / 10}\n" for minute in range(50))
    log = b"time,chamber_c\n" + rows.encode()
    answer = browser.fill(
        f"/{site.job}/log", {"by": "clock"}, files={"log": ("chamber.csv", log, "text/csv")}
    )
    assert answer.status_code == 200, plain(answer.text)[:500]
    assert len(row_of(site.book, site.job).logs) == 1


def test_a_programme_says_what_is_still_wanted(steady: Site, looking: Browser) -> None:
    """On its own page in one sentence, and on a piece's page for pieces such as it."""
    assert "Still wanted: " in plain(looking.get("/programme").text)
    assert "programme 'usual'" in plain(looking.get(f"/{steady.pieces[0]}").text).replace("&#39;", "'")


def test_the_table_filters_by_what_plugins_know(looking: Browser) -> None:
    """A filter is answered with the plugins' names at hand, not refused for them."""
    assert looking.get("/table", params={"where": "orientation=Z"}).status_code == 200


def _looked_at(site: Site, browser: Browser, plugged: Plugged, **typed: str) -> str:
    """Give the job a start, send a log to be looked at, and return the page that follows."""
    correct(site.book, "Ada Bench", plugged, site.job, ["started_at=2026-03-02T08:00Z"], "not entered")
    rows = "".join(f"2026-03-02 08:{minute:02d}:00,{40 + minute / 10}\n" for minute in range(50))
    log = b"time,chamber_c\n" + rows.encode()
    return browser.fill(f"/{site.job}/log/look", typed, files={"log": ("chamber.csv", log, "text/csv")}).text


def _held(page: str) -> str:
    found = re.search(r'name="held" value="([^"]+)"', page)
    assert found is not None
    return found[1]


def test_a_log_is_looked_at_before_it_is_kept(site: Site, browser: Browser, plugged: Plugged) -> None:
    """The page says how it was read and where it lies, draws it, and keeps nothing."""
    page = _looked_at(site, browser, plugged)
    assert "chamber: chamber_c, in °C" in plain(page)
    assert "data:image/svg+xml;base64," in page
    assert row_of(site.book, site.job).logs == []


def test_a_log_looked_at_is_kept_without_being_chosen_again(
    site: Site, browser: Browser, plugged: Plugged
) -> None:
    """The bytes that were looked at are kept, laid as the form now says."""
    form = {"held": _held(_looked_at(site, browser, plugged)), "by": "own offset", "offset": "2 min"}
    browser.fill(f"/{site.job}/log", form)
    (kept,) = row_of(site.book, site.job).logs
    assert (kept.name, kept.aligned_by, kept.offset_s) == ("chamber.csv", "own offset", 120.0)


def test_a_log_is_held_for_its_sender_alone(site: Site, browser: Browser, plugged: Plugged) -> None:
    """Another browser that brings the same word is asked for the file."""
    held = _held(_looked_at(site, browser, plugged))
    with site.browser() as stranger:
        answer = stranger.fill(f"/{site.job}/log", {"held": held, "by": "clock"})
    assert (answer.status_code, "held no longer" in answer.text) == (422, True)


def test_a_column_named_wrongly_costs_no_choosing_again(
    site: Site, browser: Browser, plugged: Plugged
) -> None:
    """What was typed is in its field, the reason above it, and the log is still held."""
    page = _looked_at(site, browser, plugged, columns="chamber=nothing")
    assert 'value="chamber=nothing"' in page
    assert "Stop." in page
    again = browser.fill(f"/{site.job}/log/look", {"held": _held(page), "by": "clock"})
    assert (again.status_code, "Keep it" in again.text) == (200, True)


def test_a_piece_shows_the_log_over_its_layers(site: Site, browser: Browser, plugged: Plugged) -> None:
    """Drawn, and in words; without a log it says that none was kept."""
    assert "No chamber log was kept" in browser.get(f"/{site.pieces[0]}").text
    browser.fill(f"/{site.job}/log", {"held": _held(_looked_at(site, browser, plugged)), "by": "clock"})
    page = browser.get(f"/{site.pieces[0]}").text
    assert "chamber: mean" in plain(page)
    assert browser.get(f"/{site.pieces[0]}/log.svg").headers["content-type"] == "image/svg+xml"


def _photograph() -> bytes:
    """Return a picture as a camera might send it."""
    made = io.BytesIO()
    Image.new("RGB", (64, 48), "sienna").save(made, "PNG")
    return made.getvalue()


PHOTOGRAPH = _photograph()


def test_a_photograph_is_kept_from_the_page_of_a_piece(site: Site, browser: Browser) -> None:
    """With its note as its text, and served as a picture that runs nothing."""
    files = {"photograph": ("x.jpg", PHOTOGRAPH, "image/jpeg")}
    page = browser.fill(f"/{site.pieces[0]}/photograph", {"photograph_note": "lifted"}, files=files)
    assert 'alt="lifted"' in page.text
    answer = browser.get(f"/{site.pieces[0]}/photograph/1")
    assert (answer.content, answer.headers["content-type"]) == (PHOTOGRAPH, "image/png")
    assert "sandbox" in answer.headers["content-security-policy"]
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("target", ["job", "piece"])
def test_what_is_no_photograph_is_refused_on_the_page(steady: Site, looking: Browser, target: str) -> None:
    """The page comes back with the reason and the note, what can be sent is said, and nothing is kept."""
    before = entries(steady.book)
    path = steady.job if target == "job" else steady.pieces[0]
    files = {"photograph": ("x.png", b"<svg onload='alert(1)'/>", "image/png")}
    answer = looking.fill(f"/{path}/photograph", {"photograph_note": "lifted here"}, files=files)
    assert "Send JPEG, PNG, WebP or GIF" in answer.text
    assert 'value="lifted here"' in answer.text
    assert (answer.status_code, "Stop." in answer.text, entries(steady.book)) == (415, True, before)


@pytest.mark.parametrize("method", [*load().methods])
def test_every_reading_can_be_given_on_its_form(steady: Site, looking: Browser, method: str) -> None:
    """Each field of each installed method stands on its form; a recording comes before what is typed."""
    chosen = load().method(method)
    subject = steady.pieces[0] if chosen.subject == "specimen" else steady.spool
    text = looking.get(f"/{subject}?method={method}").text
    found = re.findall(r'name="r-([^"]+)"', text)
    assert set(found) == {each.name for each in fields(chosen.Readings)}
    kinds = {each.name: each.kind for each in fields(chosen.Readings)}
    files = [found.index(name) for name in found if kinds[name] == "file"]
    assert files == list(range(len(files)))


def test_a_typed_offset_is_used_or_refused(site: Site, browser: Browser, plugged: Plugged) -> None:
    """Beside the clock it would be dropped without a word: it is refused, and the field says why."""
    page = _looked_at(site, browser, plugged, by="clock", offset="90")
    assert "It counts only with" in page
    assert row_of(site.book, site.job).logs == []
    form = {"held": _held(page), "by": "own offset", "offset": "90"}
    browser.fill(f"/{site.job}/log", form)
    assert row_of(site.book, site.job).logs[0].offset_s == 90


def test_a_label_scanned_into_a_remark_is_asked_about(site: Site, browser: Browser) -> None:
    """Without scripts too: a remark that ends in a label of this book is no remark."""
    before = entries(site.book)
    form = {"mass_g": "1200", "note": f"on the scales {site.pieces[0]}.{site.book.code}"}
    answer = browser.fill(f"/{site.spool}/weigh", form)
    assert (answer.status_code, entries(site.book)) == (409, before)
    assert "was scanned into the field" in plain(answer.text).replace("&#39;", "'")
    assert browser.fill(f"/{site.spool}/weigh", {**form, "sure": "1"}).status_code == 200


@ON_BOTH
def test_a_test_over_days_takes_a_further_reading(site: Site, browser: Browser) -> None:
    """On the specimen that hangs there one length is typed; the clock does the rest, and only once."""
    begun = {"r-load": "2 kg", "r-width": "10", "r-thickness": "4", "r-span": "64", "r-first": "1.0"}
    known = {f"r-{each.name}" for each in fields(load().method("creep").Readings)}
    browser.fill(
        f"/{site.pieces[0]}/measure/creep", {n: v for n, v in begun.items() if n in known} | {"at": "3 h ago"}
    )
    page = browser.get(f"/{site.pieces[0]}").text
    assert "goes on" in page
    parts = page.count('name="part"')
    form = {"test": "M0001-Y", "part": ["1.2"] * parts, "at": "", "key": "one"}
    for _ in range(2):
        answer = browser.fill(f"/{site.pieces[0]}/append", form)
    assert answer.status_code == 200, plain(answer.text)[:400]
    readings = row_of(site.book, "M0001-Y").readings
    series = readings[load().method("creep").over_time]
    assert len(series) == 1
    assert 2.9 < series[0][0] < 3.1


@pytest.mark.parametrize("path", ["/help", "/help/labels", "/help?words=calibration"])
def test_the_manual_is_shown(looking: Browser, path: str) -> None:
    """Its pages, one of them, and the lines that speak of something."""
    answer = looking.get(path)
    assert answer.status_code == 200
    assert "<script" not in answer.text.partition("<main")[2]


def test_a_book_is_verified_backed_up_and_published(site: Site, browser: Browser, plugged: Plugged) -> None:
    """Each is worked on beside the page; the files that are saved are a whole book and a site."""
    a_pull(site.book, site.pieces[0], plugged=plugged)
    browser.fill("/care/verify")
    assert 'class="done"' in browser.until("/care", "data-answer")
    browser.fill("/care/backup")
    browser.until("/care", 'href="/care/backup"')
    with zipfile.ZipFile(io.BytesIO(browser.get("/care/backup").content)) as saved:
        assert saved.testzip() is None
    browser.fill("/care/publish", {"step": "leaving"})
    assert "Nordlicht ASA" in browser.until("/care", "This would leave")
    browser.fill("/care/publish", {"step": "publish"})
    browser.until("/care", 'href="/care/publish"')
    with zipfile.ZipFile(io.BytesIO(browser.get("/care/publish").content)) as packed:
        assert "index.html" in packed.namelist()


def test_a_list_takes_the_filter_of_the_command_line(looking: Browser, steady: Site) -> None:
    """By any column or factor, of every kind; what cannot be read is refused there and stays typed."""

    def found(kind: str, where: str) -> set[str]:
        text = looking.get(f"/list/{kind}", params={"where": where}).text
        return {each for each in (*steady.pieces, steady.job, steady.spool) if f'href="/{each}"' in text}

    assert found("specimens", f"job={steady.job} orientation=ZXY") == set(steady.pieces)
    assert found("specimens", "orientation!=ZXY") == set()
    assert found("jobs", f"job={steady.job}") == {steady.job}
    assert found("spools", 'material="Nordlicht ASA"') == found("spools", "") != set()
    for kind, example in EXAMPLES.items():
        asked = looking.get(f"/list/{kind}", params={"where": example})
        assert (kind, asked.status_code) == (kind, 200)
    wrong = looking.get("/list/jobs", params={"where": "nonsense"})
    assert "is no condition" in plain(wrong.text)
    assert 'value="nonsense"' in wrong.text


def test_a_long_list_is_looked_through_in_parts(
    looking: Browser, steady: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a filter is asked record by record each part says what was gone through, and leads on."""
    monkeypatch.setattr(browse, "LOOKED", 1)
    address, found, parts = "/list/specimens?where=drying_c!=81", set[str](), 0
    while address:
        text = looking.get(address).text
        found |= {each for each in steady.pieces if f'href="/{each}"' in text}
        parts += 1
        assert ("From the first" in text) is (parts > 1)
        further = re.search(r'<a href="([^"]+)">Look further', text)
        assert further is None or f"Those from {parts} to {parts} of the list were gone through" in text
        address = unescape(further[1]) if further else ""
    assert found == set(steady.pieces)
    assert parts >= len(steady.pieces)
    monkeypatch.setattr(browse, "COUNTED", 1)
    monkeypatch.setattr(browse, "LOOKED", 100)
    monkeypatch.setitem(browse.list_page.__kwdefaults__, "size", 1)
    text = plain(looking.get("/list/specimens?where=drying_c!=82").text)
    assert "more than 1" in text


def test_columns_of_a_list_are_chosen_and_kept(looking: Browser) -> None:
    """As a table, in the same browser the next time too; with none ticked it is as at first."""
    assert "<th" not in looking.get("/list/spools").text
    looking.get("/list/spools?columns=&columns=lot&columns=material&columns=rubbish")
    text = looking.get("/list/spools?sort=material").text
    assert re.findall(r'<th scope="col">([^<]+)', text) == ["ID", "Material", "Lot"]
    looking.get("/list/spools?columns=")
    assert "<th" not in looking.get("/list/spools").text


def test_the_way_back_marks_what_is_unusual(site: Site, browser: Browser) -> None:
    """Of five plates of one material that with another chamber: those before and after have the usual one."""
    pieces = [_another_plate(site, chamber) for chamber in ("70", "40", "70", "70")]
    text = plain(browser.get(f"/{pieces[1]}/trace").text)
    assert "chamber temperature 40 °C; usually 70 °C (3 of 3 other plates)" in text
    assert "1 unusual" in text
    assert "usually" not in plain(browser.get(f"/{pieces[2]}/trace").text)


def _another_plate(site: Site, chamber: str) -> str:
    return add_job(
        site.book, "Ada Bench", {"chamber_set_c": chamber}, spools=[site.spool], sure=True,
        pieces=[read_piece("bar:ZXY:1")],
    ).also[0]  # fmt: skip


def test_the_next_plates_are_entered_as_planned_jobs(site: Site, browser: Browser, plugged: Plugged) -> None:
    """From the table of the follow-up; each has the level that it is to have, its spool and its specimens."""
    spool = a_spool(site.book, lot="L-18")
    correct(site.book, "Ada Bench", plugged, site.job, ["chamber_set_c=70"], "not entered")
    second = add_job(
        site.book, "Ada Bench", {"chamber_set_c": 40}, spools=[spool], pieces=[read_piece("bar:ZXY:3")]
    )
    for pieces, force in ((site.pieces, 1830), (second.also, 1400)):
        for place, piece in enumerate(pieces):
            pull = {"max_force": str(force + 13 * place), "width": "10.00", "thickness": "4.00"}
            a_pull(site.book, piece, pull, plugged=plugged)
    path = f"/followup?a={site.job}&b={second.id}&of=tensile.strength"
    text = browser.until(path, "Enter them as planned jobs")
    assert "chamber temperature" in plain(text)
    answer = browser.fill(path, {"plate1": "1", "key": "one"})
    assert "Entered as planned: J0003-F" in plain(answer.text)
    job = row_of(site.book, "J0003-F")
    assert (job.chamber_set_c in (40, 70), job.started_at, job.outcome) == (True, None, None)
    assert len(job.specimens) >= 1
    assert job.spools


def test_a_spool_whose_records_cannot_all_be_true_still_has_its_page(site: Site, browser: Browser) -> None:
    """It says what overlaps, and leads to where that is corrected."""
    now = site.book.clock()
    with site.book.act("bend", "Ada Bench") as act:
        spool = find(site.book, act.session, site.spool, "spool").id
        for place, hours in (("dry box", 9), ("open air", 5)):
            began, ended = (now - dt.timedelta(hours=each) for each in (hours, hours - 4.5))
            act.session.add(StoragePeriod(spool_id=spool, place=place, began_at=began, ended_at=ended))
    answer = browser.get(f"/{site.spool}")
    assert answer.status_code == 200, plain(answer.text)[:500]
    assert "overlap" in plain(answer.text)
    assert f"/correct?of={site.spool}" in answer.text


def test_of_a_long_list_the_newest_are_suggested(looking: Browser, monkeypatch: pytest.MonkeyPatch) -> None:
    """Any other may be typed or scanned: a book of 25,000 jobs costs no page of a megabyte."""
    assert '<select id="n-material"' in looking.get("/new/spool").text
    monkeypatch.setattr(inputs, "MOST_CHOICES", 1)
    text = looking.get("/new/spool").text
    assert 'list="n-material-newest"' in text
    assert '<option value="Nordlicht ASA">' in text


def test_a_list_draws_each_specimen_with_its_number_on_a_tag(browser: Browser, site: Site) -> None:
    """Its outline where it lay, the front of its box where it stood, the tag alone where neither is known."""
    from sqlalchemy import select  # noqa: PLC0415 - no other page here needs it

    neck = [[0, 0], [80, 0], [80, 20], [50, 14], [30, 14], [0, 20]]
    with site.book.act("lay", "Ada Bench") as act:
        first, second, _ = act.session.scalars(select(Specimen).order_by(Specimen.piece))
        first.plate_facts = {"box_mm": [0, 0, 0, 80, 20, 4], "contour_mm": neck}
        second.plate_facts = {"box_mm": [90, 0, 0, 100, 4, 80]}
    text = browser.get("/list/specimens").text
    drawn = re.findall(r'aria-label="Outline of (\S+)"><polygon points="([^"]*)"/>(<path class="bed")?', text)
    assert [(ident, len(points.split()), bool(bed)) for ident, points, bed in drawn] == [
        (site.pieces[1], 4, True),
        (site.pieces[0], 6, False),
    ]
    assert re.findall(r'class="tag" aria-hidden="true">(\d)<', text) == ["3", "2", "1"]
    plates = browser.get("/list/jobs").text
    assert [len(each.split()) for each in re.findall(r'<polygon points="([^"]*)"', plates)] == [6, 4]


def test_help_has_the_reference_of_the_program(prepared: Site, plugged: Plugged) -> None:
    """Commands as the terminal has them, quantities and filters; the search finds its lines."""
    told = ["- `strandbook chill`: Cools a thing."]
    with running(prepared.book, plugged, prepared, commands=lambda: told) as site, site.browser() as browser:
        assert 'href="/help/reference"' in browser.get("/help").text
        seen = browser.get("/help/reference").text
        assert "<code>strandbook chill</code>: Cools a thing." in seen
        assert "<code>tensile.strength</code> [MPa]" in seen
        assert "List of specimens on the page: by" in seen
        assert 'href="/help/reference">Commands</a>' in browser.get("/help?words=chill").text
