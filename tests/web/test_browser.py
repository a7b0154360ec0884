"""The daily work in a real browser, with scripts."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.base import AxeResults
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser as Chromium
from playwright.sync_api import BrowserContext, Page, expect, sync_playwright
from tracker_labels import Label, draw_sheet, find_stock

from tests.desk.bench import a_pull, a_spool, entries, row_of
from tests.web.site import Site, running
from tracker.book import Book
from tracker.desk.correcting import correct
from tracker.desk.entering import keep_spool
from tracker.desk.jobs import add_job
from tracker.desk.offbed import PieceOutcome, take_off
from tracker.desk.typedpieces import read_piece
from tracker.model import Specimen
from tracker.plugins import Plugged

CHROMIUM = shutil.which("chromium")
ARTEFACTS = Path(__file__).parents[2] / "ci-artefacts"
pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="there is no Chromium here: apt-get install chromium"
)
_OPTIONS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)

Opened = Callable[..., Page]


@pytest.fixture(scope="session")
def chromium() -> Iterator[Chromium]:
    """Give the system's browser."""
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=CHROMIUM, args=list(_OPTIONS))
        yield browser
        browser.close()


@pytest.fixture
def opened(chromium: Chromium) -> Iterator[Opened]:
    """Give a device with a page open; whatever its console complains of fails the test."""
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def device(url: str, width: int = 1280, scheme: Any = "light", **how: Any) -> Page:
        context = chromium.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme, **how)
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda said: complaints.append(said.text) if _ours(said) else None)
        page.on("request", lambda asked: _check_ours(asked.url, url, complaints))
        page.goto(url)
        return page

    yield device
    for context in contexts:
        context.close()
    assert complaints == []


def _ours(said: Any) -> bool:
    # A browser notes every 404 and 422 it is answered with; those are answers here.
    return said.type in ("error", "warning") and "Failed to load resource" not in said.text


def _check_ours(asked: str, url: str, complaints: list[str]) -> None:
    if not asked.startswith((url.split("/", 3)[0] + "//" + url.split("/", 3)[2], "data:", "blob:")):
        complaints.append(f"asked elsewhere: {asked}")


def _lay(book: Book) -> None:
    """Lay the three pieces of the one job side by side on their plate."""
    from sqlalchemy import select  # noqa: PLC0415 - a plate file would be read for this otherwise

    with book.act("lay", "Ada Bench") as act:
        for row in act.session.scalars(select(Specimen)):
            x = 20.0 * row.piece
            row.plate_facts = {"box_mm": [x, 10.0, 0.0, x + 10.0, 90.0, 4.0]}


def test_a_scanner_types_into_the_field_at_once(site: Site, opened: Opened) -> None:
    """On the first page the cursor is there; text and Enter open the piece."""
    page = opened(site.url)
    page.keyboard.type(f"{site.pieces[0]}.{site.book.code}\n", delay=2)
    expect(page.get_by_role("heading", level=1)).to_have_text(site.pieces[0])


def test_a_scanner_types_into_the_field_from_anywhere(site: Site, opened: Opened) -> None:
    """On the page of a piece, with the cursor nowhere, a scan opens the next one."""
    page = opened(f"{site.url}/{site.pieces[0]}")
    page.keyboard.type(f"{site.pieces[1]}\n", delay=2)
    expect(page.get_by_role("heading", level=1)).to_have_text(site.pieces[1])


def test_a_failed_scan_is_one_line_and_the_field_is_ready(site: Site, opened: Opened) -> None:
    """The next scan replaces what was not understood."""
    page = opened(site.url)
    page.keyboard.type("rubbish\n", delay=2)
    expect(page.locator("#heard")).to_contain_text("Stop.")
    page.keyboard.type(f"{site.pieces[0]}\n", delay=2)
    expect(page.get_by_role("heading", level=1)).to_have_text(site.pieces[0])


def test_a_photograph_opens_the_piece(site: Site, opened: Opened, tmp_path: Path) -> None:
    """Choosing the picture is enough."""
    label = Label(f"{site.pieces[2]}.{site.book.code}", site.pieces[2], "ASA")
    (tmp_path / "label.png").write_bytes(draw_sheet([label], find_stock("a4-3x8")).pages_png()[0])
    page = opened(site.url, 360)
    page.set_input_files("#picture", tmp_path / "label.png")
    expect(page.get_by_role("heading", level=1)).to_have_text(site.pieces[2])


def _fill(page: Page) -> None:
    page.fill("#r-r-max_force", "1830")
    page.fill("#r-r-width", "10.00")
    page.fill("#r-r-thickness", "4.00")


def test_readings_give_a_result_on_a_phone(site: Site, opened: Opened) -> None:
    """The number stands on the page that follows, and the field waits for the next label."""
    page = opened(f"{site.url}/{site.pieces[0]}", 360, has_touch=True)
    page.get_by_role("link", name="Tension").tap()
    _fill(page)
    page.get_by_role("button", name="Store and compute").tap()
    expect(page.locator(".done .figure").first).to_contain_text("45.7")
    expect(page.locator("#scan")).to_be_focused()


def test_number_fields_bring_the_number_pad(site: Site, opened: Opened) -> None:
    """A phone is told that a decimal number is wanted."""
    page = opened(f"{site.url}/{site.pieces[0]}?method=tensile", 360)
    assert page.get_attribute("#r-r-width", "inputmode") == "decimal"


def test_a_half_filled_form_outlives_a_reload(site: Site, opened: Opened) -> None:
    """After reloading, the readings stand there again; stored, they are gone."""
    page = opened(f"{site.url}/{site.pieces[0]}?method=tensile")
    _fill(page)
    key = page.input_value("form[data-keep] input[name=key]")
    page.reload()
    expect(page.locator("#r-r-width")).to_have_value("10.00")
    assert page.input_value("form[data-keep] input[name=key]") == key
    page.get_by_role("button", name="Store and compute").click()
    expect(page.locator(".done")).to_be_visible()
    page.wait_for_load_state()
    page.goto(f"{site.url}/{site.pieces[0]}?method=tensile")
    expect(page.locator("#r-r-width")).to_have_value("")


def test_a_spool_is_entered_and_its_form_is_empty_again(site: Site, opened: Opened) -> None:
    """Half filled it outlives a reload; stored, nothing of it is kept on the device."""
    page = opened(f"{site.url}/new/spool", 360)
    page.select_option("#n-material", "Nordlicht ASA")
    page.fill("#n-lot", "L-18")
    page.reload()
    expect(page.locator("#n-lot")).to_have_value("L-18")
    page.get_by_role("button", name="Enter", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("S0002")
    page.wait_for_load_state()
    page.goto(f"{site.url}/new/spool")
    expect(page.locator("#n-lot")).to_have_value("")


def test_a_lost_answer_stores_nothing_twice(site: Site, opened: Opened) -> None:
    """The post arrives, its answer does not; sent again after a reload it is the same measurement."""
    page = opened(f"{site.url}/{site.pieces[0]}?method=tensile")
    _fill(page)
    arrived = {"times": 0}

    def swallow(route: Any) -> None:
        arrived["times"] += 1
        if arrived["times"] == 1:
            route.fetch(max_redirects=0)
            route.abort()
        else:
            route.continue_()

    page.route("**/measure/tensile", swallow)
    page.get_by_role("button", name="Store and compute").click()
    page.wait_for_timeout(500)
    page.goto(f"{site.url}/{site.pieces[0]}?method=tensile")
    expect(page.locator("#r-r-width")).to_have_value("10.00")
    page.get_by_role("button", name="Store and compute").click()
    expect(page.locator(".done")).to_contain_text("M0001-Y")
    assert arrived["times"] == 2


def test_without_connection_the_form_stays(site: Site, opened: Opened) -> None:
    """Sending is held back with a word, and nothing typed is lost."""
    page = opened(f"{site.url}/{site.pieces[0]}?method=tensile")
    _fill(page)
    page.context.set_offline(True)
    page.get_by_role("button", name="Store and compute").click()
    expect(page.locator("#heard")).to_contain_text("No connection")
    expect(page.locator("#r-r-width")).to_have_value("10.00")


def test_a_tap_on_the_map_says_what_became_of_a_piece(site: Site, opened: Opened) -> None:
    """One tap is good, three are failed, and then the cursor waits for the cause."""
    _lay(site.book)
    page = opened(f"{site.url}/{site.job}", 360, has_touch=True)
    page.locator("[data-map] [data-piece='1']").tap()
    for _ in range(3):
        page.locator("[data-map] [data-piece='3']").tap()
    expect(page.locator("#w3")).to_be_focused()
    page.keyboard.type("came loose")
    page.get_by_role("button", name="Enter outcomes").tap()
    expect(page.locator("#piece-3 .now")).to_have_text("failed: came loose")
    assert row_of(site.book, site.pieces[0]).outcome == "good"


def test_a_piece_is_marked_on_its_plate(site: Site, opened: Opened) -> None:
    """On its own page one of the three is marked."""
    _lay(site.book)
    page = opened(f"{site.url}/{site.pieces[1]}")
    expect(page.locator(".spot")).to_have_count(3)
    expect(page.locator(".spot.meant text")).to_have_text("2")


def test_a_change_is_entered_with_now(site: Site, opened: Opened) -> None:
    """The button fills in now; the change stands on the page."""
    page = opened(f"{site.url}/{site.job}")
    page.fill("#c-setting", "fan")
    page.fill("#c-value", "50")
    page.locator("[data-now='c-at']").click()
    page.get_by_role("button", name="Changed now").click()
    expect(page.locator(".facts")).to_contain_text("fan=50")


def test_the_way_back_unfolds_in_the_page(site: Site, opened: Opened) -> None:
    """Opening it brings the stations, from the piece to the material."""
    page = opened(f"{site.url}/{site.pieces[0]}")
    page.get_by_text("The whole way back").click()
    expect(page.locator(".way")).to_contain_text("Nordlicht ASA")


def test_from_the_table_to_the_way_back(site: Site, opened: Opened, plugged: Plugged) -> None:
    """A mean unfolds to its measurements, and one of them to where it came from."""
    a_pull(site.book, site.pieces[0], plugged=plugged)
    page = opened(f"{site.url}/table")
    page.locator(".behind summary").first.click()
    page.get_by_role("link", name="M0001-Y").first.click()
    expect(page.locator(".way")).to_contain_text("tensile.strength")


def _two_runs(site: Site, plugged: Plugged) -> str:
    """Enter a second job and pieces pulled of both; the second is weaker."""
    spool = a_spool(site.book, lot="L-18")
    second = add_job(
        site.book, "Ada Bench", {"chamber_set_c": 40}, spools=[spool], pieces=[read_piece("bar:ZXY:3")]
    )
    for pieces, force in ((site.pieces, 1830), (second.also, 1400)):
        for place, piece in enumerate(pieces):
            pull = {"max_force": str(force + 13 * place), "width": "10.00", "thickness": "4.00"}
            a_pull(site.book, piece, pull, plugged=plugged)
    return second.id


def test_why_is_asked_by_scanning_both(site: Site, opened: Opened, plugged: Plugged) -> None:
    """Enter after A goes to B, Enter after B asks; the answer names both, with a picture."""
    second = _two_runs(site, plugged)
    page = opened(f"{site.url}/why")
    page.locator("#a").click()
    page.keyboard.type(f"{site.job}\n", delay=2)
    page.keyboard.type(f"{second}\n", delay=2)
    page.get_by_role("link", name="tensile.strength").click()
    expect(page.locator(".answer")).to_contain_text("tensile.strength")
    assert page.locator("main img.paper").evaluate("i => i.decode().then(() => i.naturalWidth)") > 100


def test_a_device_is_let_in_by_the_code(shared: Site, opened: Opened, code: str) -> None:
    """Refused at first, it types the code and its name, and sees the page it had asked for."""
    page = opened(f"{shared.url}/{shared.job}", 360)
    expect(page.get_by_role("heading", level=1)).to_have_text("Let this device in")
    page.fill("#code", code)
    page.fill("#name", "tablet")
    page.get_by_role("button", name="Let in").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text(shared.job)


def test_two_devices_work_at_once(site: Site, opened: Opened) -> None:
    """Each stores its own piece, and each sees both."""
    phone, rig = (opened(f"{site.url}/{piece}?method=tensile") for piece in site.pieces[:2])
    for page in (phone, rig):
        _fill(page)
    for page in (phone, rig):
        page.get_by_role("button", name="Store and compute").click(no_wait_after=True)
    for page in (phone, rig):
        expect(page.locator(".done")).to_be_visible()
    assert {row_of(site.book, f"M000{n}").specimen.piece for n in ("1-Y", "2-W")} == {1, 2}


def test_the_work_is_done_by_keyboard_alone(site: Site, opened: Opened) -> None:
    """From the field to the result without a pointer."""
    page = opened(site.url)
    page.keyboard.type(f"{site.pieces[0]}\n", delay=2)
    expect(page.get_by_role("heading", level=1)).to_have_text(site.pieces[0])
    page.get_by_role("link", name="Tension").focus()
    page.keyboard.press("Enter")
    page.locator("#r-r-max_force").focus()
    for text in ("1830", "10.00", "4.00"):
        page.keyboard.type(text)
        page.keyboard.press("Tab")
    page.locator("#r-r-thickness").press("Enter")
    expect(page.locator(".done .figure").first).to_contain_text("45.7")


def test_the_main_ways_work_without_scripts(site: Site, opened: Opened) -> None:
    """Scan, measure and see the result with scripts switched off."""
    page = opened(site.url, java_script_enabled=False)
    page.fill("#scan", site.pieces[0])
    page.get_by_role("button", name="Open").click()
    page.get_by_role("link", name="Tension").click()
    _fill(page)
    page.get_by_role("button", name="Store and compute").click()
    expect(page.locator(".done .figure").first).to_contain_text("45.7")


def _a_log(tmp_path: Path) -> Path:
    rows = (f"2026-03-02T08:{minute:02d}:00Z,{40 + minute / 10},{90 - minute / 50}" for minute in range(50))
    file = tmp_path / "chamber.csv"
    file.write_text("\n".join(["time,chamber_c,bed_c", *rows]))
    return file


def test_a_log_is_looked_at_and_kept_without_scripts(
    site: Site, opened: Opened, plugged: Plugged, tmp_path: Path
) -> None:
    """Chosen once, drawn with two channels, placed by hand, kept: all by plain forms; fit to be read."""
    correct(site.book, "Ada Bench", plugged, site.job, ["started_at=2026-03-02T08:00Z"], "not entered")
    page = opened(f"{site.url}/{site.job}", 360, java_script_enabled=False)
    page.set_input_files("#log", _a_log(tmp_path))
    page.get_by_role("button", name="Look at it first").click()
    expect(page.locator(".done")).to_contain_text("the log begins 0 s after")
    page.select_option("#by", "own offset")
    page.fill("#offset", "-30")
    page.get_by_role("button", name="Look again").click()
    expect(page.locator(".done")).to_contain_text("the log begins 30 s before")
    page.get_by_role("button", name="Keep it").click()
    expect(page.locator(".done")).to_contain_text("As stated")
    page.goto(f"{site.url}/{site.pieces[0]}")
    expect(page.locator("#log ~ .lines").first).to_contain_text("chamber: mean")


def test_the_look_at_a_log_is_fit_to_be_read(
    site: Site, opened: Opened, plugged: Plugged, tmp_path: Path
) -> None:
    """Narrow and wide, light and dark."""
    correct(site.book, "Ada Bench", plugged, site.job, ["started_at=2026-03-02T08:00Z"], "not entered")
    page = opened(f"{site.url}/{site.job}", 360)
    page.set_input_files("#log", _a_log(tmp_path))
    page.get_by_role("button", name="Look at it first").click()
    assert page.locator("img.logchart").evaluate("i => i.decode().then(() => i.naturalWidth)") > 100
    ARTEFACTS.mkdir(exist_ok=True)
    page.evaluate(Axe().axe_script)
    assert "".join(_judged(page, "log", width, scheme) for width, scheme in LOOKS) == ""


def test_a_photograph_is_taken_on_a_pieces_page(site: Site, opened: Opened, tmp_path: Path) -> None:
    """Chosen, noted, kept: it is shown within the page's width."""
    label = Label(f"{site.pieces[2]}.{site.book.code}", site.pieces[2], "ASA")
    (tmp_path / "piece.png").write_bytes(draw_sheet([label], find_stock("a4-3x8")).pages_png()[0])
    page = opened(f"{site.url}/{site.pieces[0]}", 360)
    page.set_input_files("#photograph", tmp_path / "piece.png")
    page.fill("#photograph-note", "stringy at one end")
    page.get_by_role("button", name="Keep the photograph").click()
    picture = page.get_by_alt_text("stringy at one end")
    expect(picture).to_be_visible()
    assert picture.evaluate("i => i.getBoundingClientRect().width") <= 360


@pytest.fixture(scope="module")
def furnished(
    book_template: Path, tmp_path_factory: pytest.TempPathFactory, plugged: Plugged
) -> Iterator[tuple[Site, str]]:
    """Give a page on a book with two tested runs, a plate with outcomes and a spool with days."""
    from tracker.book import open_book  # noqa: PLC0415 - for this one fixture

    place = tmp_path_factory.mktemp("furnished") / "book"
    shutil.copytree(book_template, place)
    with open_book(str(place)) as book, running(book, plugged) as site:
        second = _two_runs(site, plugged)
        _lay(book)
        said = [PieceOutcome(1, "good"), PieceOutcome(2, "usable", "stringy")]
        take_off(book, "Ada Bench", site.job, said)
        keep_spool(book, "Ada Bench", site.spool, {"place": "open air", "began_at": "30 h ago"})
        yield site, second


PAGES = {
    "first": "/",
    "piece": "/{piece}?method=tensile",
    "stored": "/{piece}?done=M0001-Y",
    "plate": "/{job}",
    "spool": "/{spool}",
    "table": "/table?of=tensile.strength",
    "programme": "/programme",
    "list": "/list/results",
    "why": "/why?a={job}&b={second}&of=tensile.strength",
    "trace": "/{piece}/trace",
    "devices": "/devices",
    "new": "/new",
    "new job": "/new/job",
    "put right": "/correct?of=M0001-Y",
    "verdict": "/verdict?of={job}",
    "new spool": "/new/spool",
    "material": "/material?name=Nordlicht ASA",
    "pair": "/pair",
    "measurement": "/M0001-Y",
    "refused": "/nonsense",
}


LOOKS: tuple[tuple[int, Any], ...] = ((360, "light"), (360, "dark"), (1280, "dark"), (1280, "light"))


@pytest.mark.parametrize("name", PAGES)
def test_every_page_is_fit_to_be_read(furnished: tuple[Site, str], opened: Opened, name: str) -> None:
    """Narrow and wide, light and dark: no rule of accessibility broken, no page wider than the screen."""
    site, second = furnished
    path = PAGES[name].format(piece=site.pieces[0], job=site.job, spool=site.spool, second=second)
    page = opened(site.url + path, 360)
    ARTEFACTS.mkdir(exist_ok=True)
    # Asked for once and looked at four times: to load a page costs more than to judge it.
    page.evaluate(Axe().axe_script)
    found = [_judged(page, name, width, scheme) for width, scheme in LOOKS]
    assert "".join(found) == ""


def _judged(page: Page, name: str, width: int, scheme: Any) -> str:
    """Return what is wrong with a page at a width, in light or dark; empty where nothing is."""
    page.set_viewport_size({"width": width, "height": 900})
    page.emulate_media(color_scheme=scheme)
    page.screenshot(path=ARTEFACTS / f"{name}-{width}-{scheme}.png", full_page=True)
    if not page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"):
        return f"{name} is wider than {width}. "
    told = AxeResults(page.evaluate("axe.run({resultTypes: ['violations']})"))
    return told.generate_report() if told.violations_count else ""


def test_printed_pages_leave_the_fields_out(furnished: tuple[Site, str], opened: Opened) -> None:
    """On paper there is what is known, and nothing to press."""
    site, _ = furnished
    page = opened(f"{site.url}/{site.job}")
    page.emulate_media(media="print")
    expect(page.locator("#scan")).to_be_hidden()
    expect(page.locator(".facts")).to_be_visible()


def test_looking_writes_nothing(furnished: tuple[Site, str], opened: Opened) -> None:
    """To open pages leaves the journal as it was."""
    site, _ = furnished
    before = entries(site.book)
    for path in ("/", f"/{site.job}", f"/{site.pieces[0]}", f"/{site.spool}", "/table"):
        opened(site.url + path)
    assert entries(site.book) == before
