"""The scenario, let happen event by event through the desk."""

from __future__ import annotations

import datetime as dt
import gc
import tomllib
import zoneinfo
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from importlib import resources
from typing import Any, Final

from tracker.book import Book, new_book
from tracker.desk import dryings, jobs, offbed
from tracker.desk.entering import add_record, keep_spool
from tracker.desk.jobplates import PlateFile, read_job_plate
from tracker.desk.jobs import change_setting
from tracker.desk.logs import LogFile, add_log
from tracker.desk.measuring import measure
from tracker.desk.plates import mark_dummies
from tracker.kinds import card_of, find
from tracker.plugins import Plugged, load
from tracker_demo.files import chamber_log, plate_text
from tracker_demo.rigs import GAUGE_MM, pull_of, section_of, sizes_of

Progress = Callable[[int, int], None]
_NOT_FIELDS: Final = frozenset({"at"})


class _Days:
    """The clock of the demonstration: it shows the time of the event that is happening."""

    def __init__(self, zone: dt.tzinfo) -> None:
        self.zone = zone
        self.now = dt.datetime(2026, 3, 1, 9, tzinfo=zone)

    def __call__(self) -> dt.datetime:
        return self.now.astimezone(dt.UTC)


@contextmanager
def seldom_collected() -> Iterator[None]:
    """Let Python look for unreachable cycles seldom while a book is built.

    Building makes millions of short-lived objects and hardly a cycle: to look through them as often as usual
    takes a tenth of the time and frees next to nothing.
    """
    usual = gc.get_threshold()
    gc.set_threshold(100_000, 20, 20)
    try:
        yield
    finally:
        gc.set_threshold(*usual)


@seldom_collected()
def build(place: str, progress: Progress = lambda *_: None) -> Book:
    """Make the demonstration book and return it, open.

    Args:
        place: Where to, as for ``new_book``.
        progress: Called with events done and of all.

    Raises:
        BookError: There is a book already, or the place cannot be written.
    """
    story = tomllib.loads(resources.files("tracker_demo").joinpath("scenario.toml").read_text("utf-8"))
    days = _Days(zoneinfo.ZoneInfo(story["zone"]))
    book = new_book(place, story["operator"], title="Demonstration", zone=story["zone"], clock=days)
    builder = _Builder(book, story, load())
    for number, event in enumerate(story["event"], start=1):
        # What happens on two days is entered when its last part is known.
        days.now = max(_ends(event).replace(tzinfo=days.zone), days.now)
        builder.happen(event)
        progress(number, len(story["event"]))
    return book


def _ends(event: Mapping[str, Any]) -> dt.datetime:
    ended: dt.datetime = event.get("ended_at", event["at"])
    return ended


class _Builder:
    """Turns events into acts; knows which ID each name of the scenario has got."""

    def __init__(self, book: Book, story: Mapping[str, Any], plugged: Plugged) -> None:
        self.book = book
        self.who = story["operator"]
        self.truth = story["truth"]
        self.plugged = plugged
        self.ids: dict[str, str] = {}
        self.meant: dict[str, dict[str, Any]] = {}

    def happen(self, event: Mapping[str, Any]) -> None:
        """Let one event happen."""
        kind = next(kind for kind in _KINDS if kind in event)
        _KINDS[kind](
            self, {key: value for key, value in event.items() if key not in _NOT_FIELDS}, event["at"]
        )

    def material(self, event: dict[str, Any], at: dt.datetime) -> None:
        """Enter a material."""
        del at
        add_record(self.book, self.who, "material", {"name": event.pop("material"), **event})

    def spool(self, event: dict[str, Any], at: dt.datetime) -> None:
        """Take a spool in."""
        del at
        name = event.pop("spool")
        self.ids[name] = add_record(self.book, self.who, "spool", {"material": event.pop("of"), **event}).id

    def keep(self, event: dict[str, Any], at: dt.datetime) -> None:
        """Put a spool somewhere."""
        keep_spool(self.book, self.who, self.ids[event.pop("keep")], {**event, "began_at": at})

    def dry(self, event: dict[str, Any], at: dt.datetime) -> None:
        """Dry spools, and enter it when it is over."""
        named = [self.ids[name] for name in event.pop("dry")]
        before = [f"{mass}" for mass in event.pop("before_g")]
        after = [f"{mass}" for mass in event.pop("after_g")]
        dryings.start_drying(
            self.book, self.who, named, {**event, "began_at": at}, before=before, after=after
        )

    def rig(self, event: dict[str, Any], at: dt.datetime) -> None:
        """Enter a rig."""
        del at
        name = event.pop("rig")
        self.ids[name] = add_record(self.book, self.who, "rig", {"name": name, **event}).id

    def calibrate(self, event: dict[str, Any], at: dt.datetime) -> None:
        """Calibrate it."""
        add_record(
            self.book,
            self.who,
            "calibration",
            {"rig": self.ids[event.pop("calibrate")], **event, "done_on": at.date()},
        )

    def job(self, event: dict[str, Any], at: dt.datetime) -> None:
        """Write a plate file, run it as a job, end it, and lay its log beside it."""
        name = event.pop("job")
        again = event.pop("again", None)
        ending: dict[str, Any] = {key: event.pop(key) for key in _ENDINGS if key in event}
        meant = {**self.meant.get(again or "", {}), **event}
        self.meant[name] = meant
        dummies = event.pop("dummies", ())
        event.pop("pieces", None)
        named = [self.ids[each] for each in event.pop("spools", ())]
        plate = PlateFile(f"{name}.gcode", plate_text(meant["pieces"], _settings(meant)).encode())
        earlier = self.ids[again] if again else None
        read = read_job_plate(self.book, plate, spools=named, again=earlier)
        if read is not None and dummies:
            mark_dummies(read, dummies)
        self.ids[name] = jobs.add_job(
            self.book, self.who, {"name": name, "started_at": at, "operator": self.who, **event},
            plate=plate, read=read, spools=named, again=earlier, sure=True,
        ).id  # fmt: skip
        jobs.end_job(self.book, self.who, self.ids[name], ending, sure=True)
        self._log(name, at, ending)

    def _log(self, name: str, at: dt.datetime, ending: Mapping[str, Any]) -> None:
        """Lay the log of chamber and room beside a job."""
        zone = self.book.zone
        text = chamber_log(
            at.replace(tzinfo=zone), ending["ended_at"].replace(tzinfo=zone), ending["chamber_measured_c"],
            ending["room_c"], ending["room_rh_pct"], name,
        )  # fmt: skip
        log = LogFile("chamber and room.csv", text.encode())
        add_log(self.book, self.who, self.plugged, self.ids[name], log)

    def change(self, event: dict[str, Any], at: dt.datetime) -> None:
        """Change a setting by hand."""
        del at
        change_setting(self.book, self.who, self.ids[event.pop("change")], event.pop("setting"), event)

    def offbed(self, event: dict[str, Any], at: dt.datetime) -> None:
        """Take the pieces off the bed; what is not named came out well."""
        del at
        outcomes = [
            each for word in ("usable", "failed") for text in event.get(word, ())
            for each in offbed.read_outcomes(word, text)
        ]  # fmt: skip
        offbed.take_off(self.book, self.who, self.ids[event["offbed"]], outcomes, rest="good")

    def test(self, event: dict[str, Any], at: dt.datetime) -> None:
        """Test the pieces of some jobs that are fit for it."""
        del at
        for name in event["jobs"]:
            for piece in self._fit(name):
                self._test_one(event["test"], name, piece)

    def _fit(self, job: str) -> list[dict[str, Any]]:
        with self.book.read() as session:
            card = card_of(session, find(self.book, session, self.ids[job], "job"), self.book.zone)
        pieces: list[dict[str, Any]] = card.data["specimens"]
        return [piece for piece in pieces if piece["outcome"] in ("good", "usable")]

    def _test_one(self, method: str, job: str, piece: Mapping[str, Any]) -> None:
        caliper = self.ids["caliper"]
        if method == "tensile" and _kind(piece) == "bar":
            width, thickness = section_of(piece["id"])
            typed: dict[str, Any] = {"width": width, "thickness": thickness, "gauge_length": GAUGE_MM}
            files = {"curve": pull_of(piece["id"], self.truth[job][piece["orientation"]])}
            measure(
                self.book, self.who, self.plugged, piece["id"], method, typed,
                files=files, rigs=[self.ids["pull rig"], caliper], about={"room_c": 22, "room_rh_pct": 48},
            )  # fmt: skip
        elif method == "dimensions" and _kind(piece) == "step block":
            typed = {"sizes": sizes_of(piece["id"])}
            measure(self.book, self.who, self.plugged, piece["id"], method, typed, rigs=[caliper])


def _kind(piece: Mapping[str, Any]) -> str:
    """Return a piece's name without the number that tells alike ones apart."""
    return str(piece["name"]).partition(" #")[0]


def _settings(meant: Mapping[str, Any]) -> dict[str, float]:
    return {key: meant[key] for key in _SET}


_SET: Final = ("nozzle_set_c", "bed_set_c", "chamber_set_c", "fan_set_pct", "layer_height_mm",
               "line_width_mm")  # fmt: skip
_ENDINGS: Final = ("ended_at", "outcome", "cause", "chamber_measured_c", "nozzle_measured_c", "room_c",
                   "room_rh_pct")  # fmt: skip

_KINDS: Final[Mapping[str, Callable[[_Builder, dict[str, Any], dt.datetime], None]]] = {
    "keep": _Builder.keep,
    "dry": _Builder.dry,
    "calibrate": _Builder.calibrate,
    "change": _Builder.change,
    "offbed": _Builder.offbed,
    "test": _Builder.test,
    "job": _Builder.job,
    "rig": _Builder.rig,
    "spool": _Builder.spool,
    "material": _Builder.material,
}
