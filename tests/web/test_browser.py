"""The daily work in a real browser, with scripts."""

from __future__ import annotations

import io
import json
import re
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.base import AxeResults
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Browser as Chromium
from playwright.sync_api import Error as PlaywrightError
from playwright.sync_api import Page, expect, sync_playwright
from tracker_labels import Label, draw_sheet, find_stock

from tests.desk.bench import a_pull, a_spool, entries, last_entry, row_of
from tests.plates import UPRIGHT, plate
from tests.web.site import PATIENCE_S, Site, running
from tracker.api import Recording
from tracker.book import Book, open_book
from tracker.desk.correcting import correct
from tracker.desk.devices import pair_device
from tracker.desk.entering import keep_spool
from tracker.desk.jobplates import read_piece
from tracker.desk.jobs import add_job
from tracker.desk.measuring import measure
from tracker.desk.offbed import PieceOutcome, take_off
from tracker.model import Specimen
from tracker.plugins import Plugged

expect.set_options(timeout=1_000 * PATIENCE_S)
"""Nothing here is a question of speed: what a person would see comes, or the test fails."""

TENSILE = re.compile("^Tens(ile|ion)")
CHROMIUM = shutil.which("chromium")
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
    # Neither a process kept ready for a site that is not visited, nor one for the browser's own windows.
    "--disable-features=SpareRendererForSitePerProcess,PreloadTopChromeWebUI,PaintHolding,HttpsUpgrades",
)

Opened = Callable[..., Page]


class Devices:
    """Devices with one page each, cleared and used again: a new one costs more than most tests do."""

    def __init__(self, chromium: Chromium) -> None:
        self._chromium = chromium
        self._idle: dict[tuple[tuple[str, Any], ...], list[Page]] = {}
        self._used: list[tuple[tuple[tuple[str, Any], ...], Page]] = []
        self.complaints: list[str] = []

    def take(self, url: str, width: int = 1280, scheme: Any = "light", height: int = 900, **how: Any) -> Page:
        """Open an address on a device that has seen nothing yet."""
        kind = tuple(sorted(how.items()))
        idle = self._idle.setdefault(kind, [])
        page = idle.pop() if idle else self._new(how)
        self._used.append((kind, page))
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(color_scheme=scheme, media="screen")
        page.goto(url)
        return page

    def _new(self, how: dict[str, Any]) -> Page:
        context = self._chromium.new_context(**how)
        context.set_default_timeout(1_000 * PATIENCE_S)
        # Without a connection an answer fails at once; one that is late on a busy machine is no such thing.
        context.add_init_script("AbortSignal.timeout = () => new AbortController().signal;")
        page = context.new_page()
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", lambda said: self.complaints.append(said.text) if _ours(said) else None)
        page.on("request", lambda asked: _check_ours(asked.url, page.url, self.complaints))
        return page

    def clear(self) -> None:
        """Take all devices back: nothing of this test is left on them."""
        for kind, page in self._used:
            context, origin = page.context, "/".join(page.url.split("/", 3)[:3])
            page.unroute_all()
            # Before it is online again: what waits there to be sent belongs to the test that is over.
            _leave(page)
            context.set_offline(False)
            context.clear_cookies()
            if origin.startswith("http"):
                tools = context.new_cdp_session(page)
                tools.send("Storage.clearDataForOrigin", {"origin": origin, "storageTypes": "all"})
                tools.detach()
            self._idle[kind].append(page)
        self._used.clear()


def _leave(page: Page) -> None:
    """Leave a page, whatever it is on its way to: where that interrupts us, we are next."""
    for _ in range(9):
        try:
            page.goto("about:blank")
        except PlaywrightError as error:
            if "interrupted by another navigation" not in str(error):
                raise
        else:
            return
    raise AssertionError(f"{page.url} could not be left")


def _keys(page: Page, text: str, apart_s: float = 0.004) -> None:
    """Press keys so far apart: each carries its own time, however slow this machine is at passing it on.

    Nobody types before the page stands: until its scripts have run nothing hears the keys.
    """
    page.wait_for_load_state()
    tools = page.context.new_cdp_session(page)
    began = time.time()
    for place, letter in enumerate(text):
        pressed = {"key": letter, "text": letter, "timestamp": began + place * apart_s}
        tools.send("Input.dispatchKeyEvent", {"type": "keyDown", **pressed})
        tools.send("Input.dispatchKeyEvent", {"type": "keyUp", "key": letter})
    tools.detach()


def _scan(page: Page, text: str) -> None:
    """Type as a scanner does, a key every 4 ms, with Enter at the end."""
    _keys(page, text)
    page.keyboard.press("Enter")


@pytest.fixture(scope="session")
def devices(bench_template: tuple[Path, Site], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Devices]:
    """Give the devices of the system's browser; their camera sees the label of the first specimen."""
    folder, site = bench_template
    with open_book(str(folder)) as book:
        label = Label(f"{site.pieces[0]}.{book.code}", site.pieces[0], "ASA")
    film = tmp_path_factory.mktemp("camera") / "label.y4m"
    film.write_bytes(_film(draw_sheet([label], find_stock("a4-3x8")).pages_png()[0]))
    camera = (
        "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-video-capture={film}",
    )
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=CHROMIUM, args=[*_OPTIONS, *camera])
        yield Devices(browser)
        browser.close()


def _film(sheet: bytes) -> bytes:
    """Return a film (YUV4MPEG2) of the upper left corner of a printed sheet, where its first label is."""
    with Image.open(io.BytesIO(sheet)) as whole:
        seen = whole.convert("L").crop((0, 0, whole.width // 2, whole.width * 3 // 8)).resize((640, 480))
    frame = b"FRAME\n" + seen.tobytes() + bytes([128]) * (640 * 480 // 2)
    return b"YUV4MPEG2 W640 H480 F10:1 Ip A1:1 C420jpeg\n" + frame * 3


@pytest.fixture
def opened(devices: Devices) -> Iterator[Opened]:
    """Give a device with a page open; whatever its console complains of fails the test."""
    devices.complaints.clear()
    yield devices.take
    devices.clear()
    assert devices.complaints == []


def _ours(said: Any) -> bool:
    # A browser notes every 404 and 422 it is answered with; those are answers here.
    return said.type in ("error", "warning") and "Failed to load resource" not in said.text


def _check_ours(asked: str, url: str, complaints: list[str]) -> None:
    del url
    if not asked.startswith(("http://127.0.0.1:", "data:", "blob:", "about:")):
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
    _scan(page, f"{site.pieces[0]}.{site.book.code}")
    expect(page.get_by_role("heading", level=1)).to_have_text(site.pieces[0])


def test_a_scanner_types_into_the_field_from_anywhere(site: Site, opened: Opened) -> None:
    """On the page of a piece, with the cursor nowhere, a scan opens the next one."""
    page = opened(f"{site.url}/{site.pieces[0]}")
    _scan(page, f"{site.pieces[1]}")
    expect(page.get_by_role("heading", level=1)).to_have_text(site.pieces[1])


def test_a_failed_scan_is_one_line_and_the_field_is_ready(site: Site, opened: Opened) -> None:
    """The next scan replaces what was not understood."""
    page = opened(site.url)
    _scan(page, "rubbish")
    expect(page.locator("#heard")).to_contain_text("Stop.")
    _scan(page, f"{site.pieces[0]}")
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
    """The number is on the page that follows, and the field waits for the next label."""
    page = opened(f"{site.url}/{site.pieces[0]}", 360, has_touch=True)
    page.get_by_role("link", name=TENSILE).tap()
    _fill(page)
    page.get_by_role("button", name="Store and compute").tap()
    expect(page.locator(".stored .figure").first).to_contain_text("45.7")
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


def test_slips_of_a_day_are_asked_about_and_taken_back_on_a_phone(site: Site, opened: Opened) -> None:
    """A diameter in the place of a mass, a spool heavier than it came, and an undo: by touch alone."""
    page = opened(f"{site.url}/new/spool", 360, height=740, has_touch=True)
    page.select_option("#n-material", "Nordlicht ASA")
    page.fill("#n-net_g", "1.75")
    page.fill("#n-gross_g", "1000")
    page.get_by_role("button", name="Enter", exact=True).tap()
    expect(page.get_by_role("alert")).to_contain_text("leaves a reel of 998 g")
    page.fill("#n-net_g", "750")
    page.get_by_role("button", name="Enter", exact=True).tap()
    expect(page.get_by_role("heading", level=1)).to_contain_text("S0002")
    page.fill("#m-mass_g", "1200")
    page.get_by_role("button", name="Enter the mass").tap()
    expect(page.get_by_role("alert")).to_contain_text("more than the whole spool as it came")
    page.fill("#m-mass_g", "990")
    page.get_by_role("button", name="Enter the mass").tap()
    page.get_by_role("button", name="Undo").tap()
    expect(page.locator(".done")).to_contain_text("Undone: spool weigh")


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
    page.get_by_role("button", name="Store and compute").click(no_wait_after=True)
    # Another address asked for before the browser's own page of what failed stands is interrupted by it.
    expect(page).to_have_url(re.compile("^chrome-error:"))
    page.goto(f"{site.url}/{site.pieces[0]}?method=tensile")
    expect(page.locator("#r-r-width")).to_have_value("10.00")
    page.get_by_role("button", name="Store and compute").click()
    expect(page.locator(".done")).to_contain_text("M0001-Y")
    assert arrived["times"] == 2


def test_without_connection_forms_wait_and_are_sent_in_order(site: Site, opened: Opened) -> None:
    """Three weighings wait on the device, in words; back online each is stored once, in order."""
    page = opened(f"{site.url}/{site.spool}")
    page.context.set_offline(True)
    for mass in ("1200", "1190", "1180"):
        page.fill("#m-mass_g", mass)
        page.get_by_role("button", name="Enter the mass").click()
        expect(page.locator("#heard")).to_contain_text("waits on this device")
        expect(page.locator("#m-mass_g")).to_have_value("")
    expect(page.locator("#queue")).to_have_text("3 forms wait on this device to be sent.")
    before = entries(site.book)
    page.context.set_offline(False)
    expect(page.locator("#queue")).to_contain_text("3 forms that waited are stored.")
    assert entries(site.book) == before + 3
    page.goto(f"{site.url}/{site.spool}")
    masses = re.findall(r"(1\d\d0) g", page.locator("main").inner_text())
    assert masses == ["1200", "1190", "1180"]
    expect(page.locator("#queue")).to_be_hidden()


def test_a_form_that_waited_and_is_refused_is_shown_and_stays(site: Site, opened: Opened) -> None:
    """What the page says of it is asked about; left in the queue, nothing of it is lost."""
    page = opened(f"{site.url}/{site.spool}")
    page.context.set_offline(True)
    page.fill("#m-mass_g", "a lot")
    page.get_by_role("button", name="Enter the mass").click()
    expect(page.locator("#queue")).to_contain_text("1 form waits")
    page.context.set_offline(False)
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("was not stored")
    dialog.get_by_role("button", name="Leave it in the queue").click()
    expect(page.locator("#queue")).to_contain_text("1 form waits")


def test_a_tap_on_the_map_says_what_became_of_a_piece(site: Site, opened: Opened) -> None:
    """One tap is good, three are failed; its cause is a chip, and no keyboard is brought up."""
    _lay(site.book)
    page = opened(f"{site.url}/{site.job}/bed", 360, has_touch=True)
    page.locator("[data-map] [data-piece='1']").tap()
    for _ in range(3):
        page.locator("[data-map] [data-piece='3']").tap()
    expect(page.locator("#w3")).not_to_be_focused()
    page.locator("#piece-3 label", has_text="came loose").tap()
    page.get_by_role("button", name="Enter outcomes").tap()
    expect(page.locator("#piece-3 .now")).to_have_text("failed: came loose")
    assert row_of(site.book, site.pieces[0]).outcome == "good"


def test_pressed_long_all_are_alike(site: Site, opened: Opened) -> None:
    """The one that is pressed is usable and stringy; then all three are."""
    _lay(site.book)
    page = opened(f"{site.url}/{site.job}/bed", 360, has_touch=True)
    for _ in range(2):
        page.locator("[data-map] [data-piece='2']").tap()
    page.locator("#piece-2 label", has_text="stringy").tap()
    page.locator("[data-map] [data-piece='2']").hover()
    page.mouse.down()
    expect(page.locator("#heard")).to_contain_text("All 3: usable, stringy")
    page.mouse.up()
    page.get_by_role("button", name="Enter outcomes").tap()
    for number in (1, 2, 3):
        expect(page.locator(f"#piece-{number} .now")).to_have_text("usable: stringy")


def test_targets_at_the_bed_are_wide_enough_for_a_finger(site: Site, opened: Opened) -> None:
    """44 px each way, of everything that is tapped, on the narrowest phone."""
    _lay(site.book)
    page = opened(f"{site.url}/{site.job}/bed", 360, has_touch=True)
    page.locator("[data-map] [data-piece='1']").tap()
    page.locator("[data-map] [data-piece='1']").tap()
    small = page.evaluate(
        """() => [...document.querySelectorAll("main button, .tap label, li.usable .chips label")]
        .map((e) => e.getBoundingClientRect())
        .filter((b) => b.width && (b.width < 44 || b.height < 44)).length"""
    )
    assert small == 0


def test_without_scripts_outcomes_are_entered(site: Site, opened: Opened) -> None:
    """By plain radio buttons: an outcome, and a cause out of those that are offered."""
    page = opened(f"{site.url}/{site.job}/bed", 360, java_script_enabled=False)
    page.locator("#piece-2 label.failed").click()
    page.locator("#piece-2 label", has_text="warped").click()
    page.get_by_role("button", name="Enter outcomes").click()
    expect(page.locator("#piece-2 .now")).to_have_text("failed: warped")


def test_a_scan_into_a_field_is_a_scan(site: Site, opened: Opened) -> None:
    """The remark is as it was; asked, the form is stored and the scanned specimen opens."""
    page = opened(f"{site.url}/{site.pieces[0]}?method=tensile")
    _fill(page)
    page.get_by_text("When, who, room, remark").click()
    page.fill("#a-remark", "slipped once")
    page.locator("#a-remark").focus()
    _scan(page, f"{site.pieces[1]}.{site.book.code}")
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text(f"Store this and open {site.pieces[1]}?")
    expect(page.locator("#a-remark")).to_have_value("slipped once")
    dialog.get_by_role("button", name=f"Store and open {site.pieces[1]}").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(site.pieces[1])
    expect(page.locator(".done")).to_contain_text("Stored as M0001-Y")
    assert row_of(site.book, "M0001-Y").remark == "slipped once"


def test_a_scan_does_not_leave_a_refused_form_without_a_word(site: Site, opened: Opened) -> None:
    """Eyes are on the pieces: what was answered with a refusal or a question is not stored yet."""
    page = opened(f"{site.url}/rig?method=tensile&rigs={site.rig}&of={site.pieces[0]}")
    page.fill("#r-r-max_force", "1x830")
    page.locator("#r-r-max_force").press("Enter")
    expect(page.get_by_role("alert")).to_be_visible()
    _scan(page, f"{site.pieces[1]}.{site.book.code}")
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text(f"Store this and open {site.pieces[1]}?")
    dialog.get_by_role("button", name="Back to the form").click()
    page.fill("#r-r-max_force", "1830")
    page.fill("#r-r-width", "10")
    page.fill("#r-r-thickness", "4")
    page.locator("h1").click()
    _scan(page, f"{site.pieces[1]}.{site.book.code}")
    dialog.get_by_role("button", name=f"Store and open {site.pieces[1]}").click()
    expect(page.locator(".big")).to_have_text(site.pieces[1])
    assert row_of(site.book, "M0001-Y").readings["max_force"] == 1830.0


def test_a_scan_into_an_empty_form_opens_at_once(site: Site, opened: Opened) -> None:
    """Nothing was typed that could be lost: nothing is asked."""
    page = opened(f"{site.url}/{site.pieces[0]}?method=tensile")
    page.locator("#r-r-width").focus()
    _scan(page, f"{site.pieces[1]}.{site.book.code}")
    expect(page.get_by_role("heading", level=1)).to_have_text(site.pieces[1])


def test_what_a_hand_types_is_text(site: Site, opened: Opened) -> None:
    """Typed slowly, an ID in a remark stays where it was typed."""
    page = opened(f"{site.url}/{site.pieces[0]}?method=tensile")
    page.get_by_text("When, who, room, remark").click()
    page.locator("#a-remark").focus()
    _keys(page, site.pieces[1], apart_s=0.11)
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_be_visible()
    expect(page.locator("#a-remark")).to_have_value(site.pieces[1])


def test_the_present_is_filled_in_and_not_a_hint(site: Site, opened: Opened) -> None:
    """The time of a reading is a time; the end of a storage period says that it is not recorded."""
    page = opened(f"{site.url}/{site.pieces[0]}?method=tensile")
    assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d", page.input_value("#a-at"))
    page.goto(f"{site.url}/{site.spool}")
    assert page.get_attribute("#k-ended_at", "placeholder") == "not recorded"
    assert page.locator("input[placeholder='now']").count() == 0


def test_what_was_refused_is_in_view_and_has_the_focus(site: Site, opened: Opened) -> None:
    """On a phone, from a form far down the page: the reason, and beside the field too."""
    page = opened(f"{site.url}/{site.spool}", 360)
    page.fill("#m-mass_g", "a lot")
    page.get_by_role("button", name="Enter the mass").click()
    alert = page.get_by_role("alert")
    expect(alert).to_be_in_viewport()
    expect(alert).to_be_focused()
    expect(page.locator("#m-mass_g")).to_have_attribute("aria-invalid", "true")


def test_the_board_shows_what_a_phone_stored(site: Site, opened: Opened) -> None:
    """Without a touch, also what was stored while it loaded: the rig's screen and the phone are two."""
    board, phone = opened(site.url), opened(f"{site.url}/{site.pieces[0]}?method=tensile", 360)
    expect(board.locator("#board")).to_contain_text("Measured today: 0")
    _fill(phone)
    phone.get_by_role("button", name="Store and compute").click()
    expect(phone.locator(".stored")).to_be_visible()
    expect(board.locator("#board")).to_contain_text("Measured today: 1")


def test_at_the_rig_one_follows_the_other(site: Site, opened: Opened) -> None:
    """Method, rig and section chosen once: scan, force, Enter; scan, force, Enter."""
    page = opened(f"{site.url}/rig")
    page.get_by_label("Method").select_option("tensile")
    page.get_by_role("group", name="Measured with").get_by_label(site.rig).check()
    page.get_by_label("Width, thickness and other lengths").check()
    page.get_by_role("button", name="Begin").click()
    for place, force in enumerate(("1830", "1840")):
        expect(page.get_by_text("Scan the next specimen.")).to_be_visible()
        _scan(page, f"{site.pieces[place]}.{site.book.code}")
        expect(page.locator(".big")).to_have_text(site.pieces[place])
        page.wait_for_load_state()
        page.fill("#r-r-max_force", force)
        if place == 0:
            page.fill("#r-r-width", "10.00")
            page.fill("#r-r-thickness", "4.00")
        page.locator("#r-r-max_force").press("Enter")
        expect(page.locator(".stored")).to_contain_text("Tensile strength")
    second = row_of(site.book, "M0002-W")
    assert second.readings["width"] == 10.0
    assert [each.rig_id for each in second.rigs] == [row_of(site.book, site.rig).id]
    page.get_by_role("button", name="Undo").click()
    expect(page.locator(".done")).to_contain_text("Undone")
    expect(page.get_by_text("Scan the next specimen.")).to_be_visible()


def test_a_field_that_somebody_chose_keeps_the_focus(site: Site, opened: Opened) -> None:
    """Chosen while the rig's page was still loading, it is where the next digits go."""
    # A locale that no other test has: the script stays with the device.
    page = opened(f"{site.url}/rig?method=tensile", locale="en-IE")
    page.add_init_script(
        """new MutationObserver(() => {
            const width = document.getElementById("r-r-width");
            if (width && !window.chosen) { window.chosen = true; width.focus(); }
        }).observe(document, { childList: true, subtree: true });"""
    )
    _scan(page, f"{site.pieces[0]}.{site.book.code}")
    expect(page.locator(".big")).to_have_text(site.pieces[0])
    expect(page.locator("#r-r-width")).to_be_focused()


def _sends(site: Site, token: str, name: str, text: str) -> None:
    """Offer a recording as the rig's own computer does."""
    with site.browser(headers={"Authorization": f"Bearer {token}"}) as rig:
        rig.post("/api/recordings", json={"file": {"name": name, "text": text}}).raise_for_status()


def test_a_recording_that_the_rig_offers_is_the_reading(site: Site, opened: Opened) -> None:
    """It appears by itself with its curve; scan, Enter, and it is stored with the specimen."""
    _, token = pair_device(site.book, "Ada Bench", "load cell", rig=site.rig, role="measures")
    page = opened(f"{site.url}/rig?method=tensile&rigs={site.rig}&same=1")
    curve = "extension_mm,force_N\n" + "".join(f"{i / 100:.2f},{i * 4.575:.1f}\n" for i in range(401))
    _sends(site, token, "pull-7.csv", curve)
    expect(page.get_by_text("pull-7.csv has come")).to_be_visible()
    _scan(page, f"{site.pieces[0]}.{site.book.code}")
    expect(page.get_by_role("img", name="The curve of pull-7.csv")).to_be_visible()
    page.fill("#r-r-width", "10.00")
    page.fill("#r-r-thickness", "4.00")
    page.locator("#r-r-thickness").press("Enter")
    expect(page.locator(".stored")).to_contain_text("Tensile strength")
    assert [each.name for each in row_of(site.book, "M0001-Y").files] == ["pull-7.csv"]
    expect(page.locator("#offer")).to_be_empty()


def test_a_rig_asks_again_for_recordings_alone(site: Site, opened: Opened) -> None:
    """What others enter meanwhile costs the page at a rig nothing."""
    _, token = pair_device(site.book, "Ada Bench", "load cell", rig=site.rig, role="measures")
    address = f"{site.url}/rig?method=tensile&rigs={site.rig}"
    page = opened(address)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url) if request.url == address else None)
    page.evaluate(
        """() => { const marks = new Set();
        new EventSource("/live").onmessage = (event) => { document.title = marks.add(event.data).size; }; }"""
    )
    expect(page).to_have_title("1")
    a_spool(site.book, "Nordlicht ASA", lot="L-99")
    expect(page).to_have_title("2")
    _sends(site, token, "pull-8.csv", "force_N\n1\n2\n")
    expect(page.get_by_text("pull-8.csv has come")).to_be_visible()
    assert asked == [address]


def test_the_curve_of_a_pull_is_drawn(site: Site, opened: Opened, plugged: Plugged) -> None:
    """By the library that comes with the page, within its policy: no complaint of the console."""
    curve = "extension_mm,force_N\n" + "".join(f"{i / 100:.2f},{i * 4.575:.1f}\n" for i in range(401))
    measure(
        site.book, "Ada Bench", plugged, site.pieces[0], "tensile", {"width": "10", "thickness": "4"},
        files={"curve": Recording("pull.csv", curve.encode())},
    )  # fmt: skip
    page = opened(f"{site.url}/M0001-Y", 360)
    drawn = page.locator(".chart svg[role=img]").first
    expect(drawn).to_be_visible()
    assert drawn.evaluate("e => e.getBoundingClientRect().width") <= 340


def test_the_header_is_one_line_on_a_phone(site: Site, opened: Opened) -> None:
    """At most 72 px; nothing of it is cut off; the place one is at is marked in the menu."""
    page = opened(f"{site.url}/list/jobs", 360, has_touch=True)
    assert page.locator("header").bounding_box()["height"] <= 72
    page.get_by_role("button", name="Menu").tap()
    expect(page.get_by_role("link", name="Jobs")).to_have_attribute("aria-current", "page")
    expect(page.get_by_role("link", name="Devices")).to_be_attached()


def test_an_act_is_undone_by_one_press(site: Site, opened: Opened) -> None:
    """The mass that was just entered counts no more; the journal has the reason "slip"."""
    page = opened(f"{site.url}/{site.spool}", 360)
    page.fill("#m-mass_g", "1200")
    page.get_by_role("button", name="Enter the mass").click()
    page.get_by_role("button", name="Undo").click()
    expect(page.locator(".done")).to_contain_text("Undone")
    assert json.loads(last_entry(site.book).body)["reason"].startswith("slip")
    page.goto(f"{site.url}/journal")
    expect(page.locator("main")).to_contain_text("slip")


def test_a_record_is_taken_back_with_its_reason(site: Site, opened: Opened, plugged: Plugged) -> None:
    """Then it says that it counts nowhere."""
    a_pull(site.book, site.pieces[0], plugged=plugged)
    page = opened(f"{site.url}/M0001-Y")
    page.get_by_role("link", name="Take back").click()
    page.get_by_label("Why").fill("wrong specimen")
    page.get_by_role("button", name="Enter it").click()
    expect(page.locator("main")).to_contain_text("It counts nowhere")


def test_words_in_the_scan_field_are_looked_for(site: Site, opened: Opened) -> None:
    """A part of a material's name finds its spool; a day finds what was done on it."""
    page = opened(site.url)
    page.locator("#scan").press_sequentially("nordlicht", delay=60)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Found: nordlicht")
    expect(page.get_by_role("link", name=site.spool)).to_be_visible()


def test_a_piece_is_marked_on_its_plate(site: Site, opened: Opened) -> None:
    """On its own page one of the three is marked."""
    _lay(site.book)
    page = opened(f"{site.url}/{site.pieces[1]}")
    expect(page.locator(".spot")).to_have_count(3)
    expect(page.locator(".spot.meant text").first).to_have_text("2")


def test_a_change_is_entered_with_now(site: Site, opened: Opened) -> None:
    """The button fills in now; the change is on the page."""
    page = opened(f"{site.url}/{site.job}")
    page.fill("#c-setting", "fan")
    page.fill("#c-value", "50")
    page.locator("[data-now='c-at']").click()
    page.get_by_role("button", name="Enter the change").click()
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
    page.get_by_role("link", name="45.75").first.click()
    page.get_by_role("link", name="the way back of M0001-Y").click()
    expect(page.locator(".way")).to_contain_text("Tensile strength")


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
    _scan(page, f"{site.job}")
    _scan(page, f"{second}")
    page.get_by_role("link", name="Tensile strength").click()
    expect(page.locator(".answer")).to_contain_text(re.compile("tensile strength", re.IGNORECASE))
    assert page.locator("main img.paper").first.evaluate("i => i.decode().then(() => i.naturalWidth)") > 100


def test_a_device_is_let_in_by_the_code(shared: Site, opened: Opened, code: str) -> None:
    """Refused at first, it types the code and its name, and sees the page it had asked for."""
    page = opened(f"{shared.url}/{shared.job}", 360)
    expect(page.get_by_role("heading", level=1)).to_have_text("Pair this device")
    page.fill("#code", code)
    page.fill("#name", "tablet")
    page.get_by_role("button", name="Pair", exact=True).click()
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
    _scan(page, f"{site.pieces[0]}")
    expect(page.get_by_role("heading", level=1)).to_have_text(site.pieces[0])
    page.get_by_role("link", name=TENSILE).focus()
    page.keyboard.press("Enter")
    # Nobody types before the page stands; until its scripts have run they may still set the focus.
    page.wait_for_url(re.compile("method=tensile"), wait_until="load")
    page.locator("#r-r-max_force").focus()
    expect(page.locator("#r-r-max_force")).to_be_focused()
    for text in ("1830", "10.00", "4.00"):
        page.keyboard.type(text)
        page.keyboard.press("Tab")
    expect(page.locator("#r-r-thickness")).to_have_value("4.00")
    page.locator("#r-r-thickness").press("Enter")
    expect(page.locator(".stored .figure").first).to_contain_text("45.7")


def test_the_main_ways_work_without_scripts(site: Site, opened: Opened) -> None:
    """Scan, measure and see the result with scripts switched off."""
    page = opened(site.url, java_script_enabled=False)
    page.fill("#scan", site.pieces[0])
    page.get_by_role("button", name="Open").click()
    page.get_by_role("link", name=TENSILE).click()
    _fill(page)
    page.get_by_role("button", name="Store and compute").click()
    expect(page.locator(".stored .figure").first).to_contain_text("45.7")


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
    assert _faults(page, "log") == ""


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
    "stored": "/{piece}?stored=M0001-Y",
    "plate": "/{job}",
    "bed": "/{job}/bed",
    "rig": "/rig",
    "at the rig": "/rig?method=tensile",
    "at the rig, scanned": "/rig?method=tensile&same=1&of={piece}&stored=M0001-Y",
    "search": "/search?text=nordlicht",
    "specimens": "/list/specimens?orientation=ZXY",
    "spools": "/list/spools",
    "journal": "/journal",
    "drift": "/watch",
    "care": "/care",
    "cut": "/act/cut?of={piece}",
    "columns": "/list/specimens?columns=material&columns=orientation&columns=outcome",
    "next plates": "/followup?a={job}&b={second}&of=tensile.strength",
    "import": "/import",
    "day's sheet": "/sheet",
    "spool": "/{spool}",
    "table": "/table?of=tensile.strength",
    "table, turned": "/table?turned=1",
    "help": "/help/labels",
    "programme": "/programme",
    "list": "/list/jobs",
    "why": "/why?a={job}&b={second}&of=tensile.strength",
    "trace": "/{piece}/trace",
    "devices": "/devices",
    "new": "/new",
    "new job": "/new/job",
    "put right": "/correct?of=M0001-Y",
    "take back": "/void?of=M0001-Y",
    "verdict": "/verdict?of={job}",
    "new spool": "/new/spool",
    "material": "/material?name=Nordlicht ASA",
    "pair": "/pair",
    "measurement": "/M0001-Y",
    "refused": "/nonsense",
}


@pytest.mark.parametrize("name", PAGES)
def test_every_page_is_fit_to_be_read(furnished: tuple[Site, str], opened: Opened, name: str) -> None:
    """Narrow and wide, light and dark: no rule of accessibility broken, no page wider than the screen."""
    site, second = furnished
    path = PAGES[name].format(piece=site.pieces[0], job=site.job, spool=site.spool, second=second)
    assert _faults(opened(site.url + path, 360, height=740), name) == ""


def _faults(page: Page, name: str) -> str:
    """Return what is wrong with a page; empty where nothing is.

    Its width is judged on three screens. All rules are judged on the narrow one in light; on the wide one in
    dark that of contrast, as no other hangs on the colours.
    """
    page.evaluate(Axe().axe_script)
    found = _broken(page)
    for width, height in ((360, 740), (820, 1180), (1280, 900)):
        page.set_viewport_size({"width": width, "height": height})
        if not page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"):
            found += f"{name} is wider than {width}. "
        if broken := page.evaluate(_BROKEN_IDS):
            found += f"{name}: {broken} break at {width}. "
    page.emulate_media(color_scheme="dark")
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    return found + _broken(page, "color-contrast")


_BROKEN_IDS = r"""() => [...document.querySelectorAll(".id")]
.filter((e) => /^[SJMDR]\d+(-\d+)?-\w$/.test(e.textContent.trim()) && e.getClientRects().length > 1)
.map((e) => e.textContent)"""
"""IDs that do not stand on one line."""


def _broken(page: Page, *rules: str) -> str:
    """Return the report of the rules that a page breaks as it is shown now; empty where it breaks none."""
    asked: dict[str, Any] = {"resultTypes": ["violations"]}
    if rules:
        asked["runOnly"] = {"type": "rule", "values": list(rules)}
    told = AxeResults(page.evaluate("asked => axe.run(asked)", asked))
    return told.generate_report() if told.violations_count else ""


def test_printed_pages_leave_the_fields_out(furnished: tuple[Site, str], opened: Opened) -> None:
    """On paper there is what is known, and nothing to press."""
    site, _ = furnished
    page = opened(f"{site.url}/{site.job}")
    page.emulate_media(media="print")
    expect(page.locator("#scan")).to_be_hidden()
    expect(page.locator(".facts")).to_be_visible()


def test_a_page_on_paper_can_be_signed(furnished: tuple[Site, str], opened: Opened) -> None:
    """On paper, and there alone, a page says which state of which book it shows, and has room for a name."""
    site, _ = furnished
    page = opened(f"{site.url}/{site.job}")
    paper = page.locator(".onpaper")
    expect(paper).to_be_hidden()
    page.emulate_media(media="print")
    expect(paper).to_be_visible()
    expect(paper).to_contain_text(f"Book {site.book.code}, printed ")
    expect(paper).to_contain_text(site.book.state())
    expect(paper).to_contain_text("Signature")


def test_looking_writes_nothing(furnished: tuple[Site, str], opened: Opened) -> None:
    """To open pages leaves the journal as it was."""
    site, _ = furnished
    before = entries(site.book)
    for path in ("/", f"/{site.job}", f"/{site.pieces[0]}", f"/{site.spool}", "/table"):
        opened(site.url + path)
    assert entries(site.book) == before


def test_the_camera_in_the_page_reads_a_label(prepared: Site, plugged: Plugged, opened: Opened) -> None:
    """Over a trusted connection: one press, and the specimen that the camera sees is open."""
    with running(prepared.book, plugged, prepared, secure=True) as site:
        page = opened(site.url, 360, has_touch=True)
        page.locator("[data-camera]").tap()
        expect(page.get_by_role("heading", level=1)).to_have_text(site.pieces[0])


def test_the_page_can_be_put_on_a_home_screen(site: Site, opened: Opened) -> None:
    """The browser finds nothing that keeps it from being installed, and reads the manifest without errors."""
    page = opened(site.url, 360)
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    tools = page.context.new_cdp_session(page)
    assert tools.send("Page.getAppManifest")["errors"] == []
    found = [each["errorId"] for each in tools.send("Page.getInstallabilityErrors")["installabilityErrors"]]
    # A device of a test is a private window, which offers to install nothing; that is all it minds.
    assert [each for each in found if each != "in-incognito"] == []
    tools.detach()


def test_a_page_looked_at_opens_again_without_a_connection(site: Site, opened: Opened) -> None:
    """What was open at the bed opens again, with its forms; what was never looked at does not."""
    page = opened(site.url, 360)
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.wait_for_function("navigator.serviceWorker.controller !== null")
    page.goto(f"{site.url}/{site.spool}")
    expect(page.get_by_role("heading", level=1)).to_contain_text(site.spool)
    page.context.set_offline(True)
    page.reload()
    expect(page.get_by_role("heading", level=1)).to_contain_text(site.spool)
    page.fill("#m-mass_g", "1200")
    page.get_by_role("button", name="Enter the mass").click()
    expect(page.locator("#queue")).to_contain_text("1 form waits")


def test_without_scripts_a_recording_is_measured(site: Site, opened: Opened, tmp_path: Path) -> None:
    """The file is chosen, the section typed: the number is computed from the curve."""
    rows = "".join(f"{i / 100:.2f},{i * 4.575:.1f}\n" for i in range(401))
    (tmp_path / "pull.csv").write_text("extension_mm,force_N\n" + rows)
    page = opened(f"{site.url}/{site.pieces[0]}?method=tensile", 360, java_script_enabled=False)
    page.set_input_files("#r-r-curve", tmp_path / "pull.csv")
    page.fill("#r-r-width", "10.00")
    page.fill("#r-r-thickness", "4.00")
    page.get_by_role("button", name="Store and compute").click()
    expect(page.locator(".stored .figure").first).to_contain_text("45.7")


def test_the_verdict_of_a_check_is_in_view(site: Site, opened: Opened, tmp_path: Path) -> None:
    """On a phone: what stops the print stands on the screen at once, and has the focus."""
    (tmp_path / "towers.gcode").write_bytes(plate(UPRIGHT, 50))
    page = opened(f"{site.url}/new/job", 360, height=740, has_touch=True)
    page.select_option("#j-spool", site.spool)
    page.set_input_files("#plate", tmp_path / "towers.gcode")
    page.get_by_role("button", name="Check it before printing").tap()
    verdict = page.locator("#check")
    expect(verdict).to_be_in_viewport()
    expect(verdict).to_be_focused()
