"""A year at an invented bench: eight materials, 120 jobs, every bundled method, and causes that are known.

``year.toml`` says what was really going on; here it happens, through the same desk functions that people
use. Readings of one test day are entered as one act (:func:`tracker.desk.measuring.measure_all`), as a day's
sheet is.
"""

from __future__ import annotations

import datetime as dt
import random
import tomllib
import zoneinfo
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any, Final

from tracker.benches import import_site
from tracker.book import Book, new_book
from tracker.desk import dryings, jobs, offbed
from tracker.desk.entering import add_record, keep_spool
from tracker.desk.jobplates import PieceWanted, PlateFile, read_job_plate
from tracker.desk.logs import LogFile, add_log
from tracker.desk.measuring import Wanted, measure_all
from tracker.desk.photographs import add_photograph
from tracker.kinds import listed
from tracker.plugins import load
from tracker.publish import choose_publication, publish
from tracker_demo.building import seldom_collected
from tracker_demo.files import chamber_log, photograph, plate_text
from tracker_demo.rigs import TAKEN, Truth, tensile_recorded

Progress = Callable[[int, int], None]
UPRIGHT: Final = (0, 1, 2)
FLAT: Final = (3, 4, 5, 6, 7)
BLOCK: Final = 8
_PIECES: Final = ("bar:ZXY:3", "bar:XYZ:5", "step block:XYZ:1")
"""What is on every plate; pieces are named by their place in this list, whatever their number on the bed."""

_ONCE: Final[Mapping[int, tuple[tuple[str, int], ...]]] = {
    2: (("notchedimpact", 7),), 3: (("torsion", 7),), 4: (("heatdeflection", 7),), 5: (("shear", 7),),
    6: (("softening", 7),), 7: (("compression", BLOCK),), 8: (("notchedimpact", 7),),
    9: (("flatness", BLOCK),), 11: (("adhesion", 2),),
}  # fmt: skip
"""Methods of which a material has one or two tests: by the number of its job, with the piece."""


@dataclass(frozen=True)
class Story:
    """What ``year.toml`` says; see its comments."""

    data: Mapping[str, Any]

    @property
    def causes(self) -> Mapping[str, Mapping[str, Any]]:
        """What was really going on, by name."""
        found: Mapping[str, Mapping[str, Any]] = self.data["cause"]
        return found

    @property
    def materials(self) -> list[dict[str, Any]]:
        """The materials, as written."""
        return list(self.data["material"])


def story() -> Story:
    """Return the scenario of the year."""
    return Story(tomllib.loads(resources.files("tracker_demo").joinpath("year.toml").read_text("utf-8")))


@seldom_collected()
def build_year(place: str, progress: Progress = lambda *_: None) -> Book:
    """Make the book of the year, with a second bench's results beside its own, and return it, open.

    Args:
        place: The folder; the second bench's book and its published site lie in it too.
        progress: Called with jobs done and of all.

    Raises:
        BookError: There is a book already, or the place cannot be written.
    """
    plan = story()
    bench = _Bench(place, plan, plan.data["title"], plan.data["people"][0][1])
    bench.furnish()
    for number, job in enumerate(_planned(plan), start=1):
        bench.print_and_test(job)
        progress(number, plan.data["jobs"] + 1)
    bench.look_at_spools()
    site = _second_bench(Path(place), plan)
    import_site(bench.book, bench.who, site)
    progress(plan.data["jobs"] + 1, plan.data["jobs"] + 1)
    return bench.book


@dataclass(frozen=True)
class Year:
    """What a person is told of the year.

    Attributes:
        code: Of the book.
        counts: How many records of each kind there are.
        ask: Commands that ask for the causes.
        causes: The file in which they stand.
    """

    code: str
    counts: dict[str, int]
    ask: tuple[str, ...]
    causes: Path


def questions(book: Book, folder: Path) -> Year:
    """Write what was really going on beside the book, and return what may be asked of it."""
    causes = story().causes
    text = "\n\n".join(f"{each['ask']}\n  {each['what']}" for each in causes.values())
    file = folder / "causes.txt"
    file.write_text(text + "\n", "utf-8")
    with book.connect() as connection:
        kinds = ("materials", "spools", "jobs", "specimens", "measurements", "results")
        counts = {kind: sum(1 for _ in listed(connection, kind)) for kind in kinds}
    return Year(book.code, counts, tuple(dict.fromkeys(each["ask"] for each in causes.values())), file)


@dataclass(frozen=True)
class _Planned:
    """A job of the plan: its material, which job of that material it is, and when its printing begins."""

    material: Mapping[str, Any]
    turn: int
    began: dt.datetime
    lot: str


def _planned(plan: Story) -> Iterator[_Planned]:
    """Yield the jobs of the year: in each round every material once, in an order drawn by lot."""
    chance = random.Random(plan.data["seed"])  # noqa: S311 - repeatable, not secret
    began = dt.datetime.combine(plan.data["began"], dt.time(9), zoneinfo.ZoneInfo(plan.data["zone"]))
    rounds = plan.data["jobs"] // len(plan.materials)
    number = 0
    for turn in range(rounds):
        for material in chance.sample(plan.materials, len(plan.materials)):
            # Lots change places, so that a lot is no second word for the season.
            wet = turn in range(4, 9) if plan.causes["wet_lot"]["lot"] in material["lots"] else turn % 2
            lot = material["lots"][wet]
            yield _Planned(material, turn, began + dt.timedelta(days=7 + 3 * number), lot)
            number += 1


class _Bench:
    """A bench with its book, its clock and the IDs of what it has."""

    def __init__(self, place: str, plan: Story, title: str, who: str) -> None:
        self.plan, self.who = plan, who
        self.zone = zoneinfo.ZoneInfo(plan.data["zone"])
        self.now = dt.datetime.combine(plan.data["began"], dt.time(8), self.zone)
        self.book = new_book(place, who, title=title, zone=plan.data["zone"], clock=lambda: self.now)
        self.plugged = load()
        self.chance = random.Random(f"{title} {plan.data['seed']}")  # noqa: S311 - repeatable, not secret
        self.rigs: dict[str, str] = {}
        self.spools: dict[tuple[str, str], str] = {}
        self.plates: dict[tuple[str, float], tuple[PlateFile, Any]] = {}
        self.numbers: list[int] = []

    # --- before anything is printed ----------------------------------------------------------------------

    def furnish(self) -> None:
        """Enter people, rigs with their calibrations, materials and spools."""
        for initials, name in self.plan.data["people"]:
            add_record(self.book, self.who, "person", {"initials": initials, "name": name})
        for name, measures, resolution, uncertainty in (
            ("first pull rig", "force", "1 N", "1 N + 0.3 %"),
            ("second pull rig", "force", "1 N", "1 N + 0.3 %"),
            ("pendulum", "angle", "0.5 deg", "0.4 deg"), ("caliper", "length", "0.01 mm", "0.02 mm"),
            ("balance", "mass", "0.1 mg", "0.5 mg"), ("oven", "temperature", "0.1 degC", "0.8 degC"),
            ("durometer", "", "", ""),
        ):  # fmt: skip
            self._rig(name, measures, resolution, uncertainty)
        for material in self.plan.materials:
            self._material(material)

    def _rig(self, name: str, measures: str, resolution: str, uncertainty: str) -> None:
        role = "instrument" if name in ("caliper", "balance", "durometer") else "rig"
        typed = {"name": name, "role": role, "recalibrate_days": 180}
        if measures:
            typed |= {"measures": measures, "resolution": resolution}
        self.rigs[name] = add_record(self.book, self.who, "rig", typed).id
        if uncertainty:
            add_record(
                self.book, self.who, "calibration",
                {"rig": self.rigs[name], "uncertainty": uncertainty, "k": 2, "done_on": self.now.date()},
            )  # fmt: skip

    def _material(self, material: Mapping[str, Any]) -> None:
        facts = {key: material[key] for key in ("name", "family", "maker")}
        add_record(self.book, self.who, "material", {**facts, **material["sheet"]})
        wet = self.plan.causes["wet_lot"]
        for place, lot in enumerate(material["lots"]):
            spool = add_record(
                self.book, self.who, "spool",
                {"material": material["name"], "lot": lot, "diameter_mm": 1.75, "net_g": 2500,
                 "reel": ("plastic", "cardboard")[place], "supplied": ("bought", "sponsored")[place],
                 "received_on": self.now.date()},
            ).id  # fmt: skip
            self.spools[material["name"], lot] = spool
            self.now += dt.timedelta(minutes=10)
            hours, set_c = material["sheet"]["drying_h"], material["sheet"]["drying_c"]
            kept = {"place": "dry box", "rh_pct": 12}
            if lot == wet["lot"]:
                hours, set_c, kept = wet["drying_h"], wet["drying_c"], {"place": "open air", "rh_pct": 58}
            began, self.now = self.now, self.now + dt.timedelta(hours=float(hours))
            dried = {"set_c": set_c, "measured_c": set_c - 2, "began_at": began, "ended_at": self.now}
            dryings.start_drying(self.book, self.who, [spool], dried, sure=True)
            self.now += dt.timedelta(minutes=5)
            keep_spool(self.book, self.who, spool, {**kept, "began_at": self.now})

    # --- a job and its tests -----------------------------------------------------------------------------

    def print_and_test(self, job: _Planned) -> None:
        """Print a plate, take it off, and test it two days later."""
        chamber = self._chamber(job)
        ended = job.began + dt.timedelta(hours=5)
        wanted = self._wanted(job)
        plate, read = self._plate(job.material, wanted)
        self.now = max(self.now, ended)
        spool = self.spools[job.material["name"], job.lot]
        room = {
            "room_c": round(self.chance.gauss(21.5, 0.7), 1),
            "room_rh_pct": round(self.chance.gauss(46, 4)),
        }
        printed = jobs.add_job(
            self.book, self.who,
            {"name": f"{job.material['family']} {job.turn + 1}", "printer": job.material["printer"],
             "nozzle": "0.4 mm hardened", "operator": self.who, "started_at": job.began,
             "chamber_measured_c": chamber, **room, **wanted},
            plate=plate, read=read, spools=[spool], sure=True,
        )  # fmt: skip
        failed = self._failed(job)
        offbed.take_off(
            self.book, self.who, printed.id, offbed.read_outcomes("failed", failed) if failed else [],
            rest="good", end=True, ended=f"{ended:%Y-%m-%d %H:%M}",
        )  # fmt: skip
        if chamber is not None:
            text = chamber_log(
                job.began, ended, chamber, room["room_c"], room["room_rh_pct"], printed.id, minutes=10
            )
            log = LogFile("chamber and room.csv", text.encode())
            add_log(self.book, self.who, self.plugged, printed.id, log)
        if job.turn in (0, 7):
            picture = photograph(job.material["name"], bool(failed), self.plan.data["seed"] + job.turn)
            add_photograph(self.book, self.who, printed.id, "plate.jpg", picture)
        self._test(job, printed.also, chamber, failed)

    def _failed(self, job: _Planned) -> str:
        """Return which piece failed, and of what: now and then one does."""
        if job.turn == 7:  # noqa: PLR2004 - the round in which the last bar is not needed
            return f"{self.numbers[FLAT[4]]}=came loose"
        warped = job.material["family"] == "PP" and job.turn % 4 == 1
        return f"{self.numbers[FLAT[4]]}=warped" if warped else ""

    def _chamber(self, job: _Planned) -> float | None:
        """Return what the chamber really had; None where the printer has none."""
        cause = self.plan.causes["chamber"]
        if job.material["printer"] != cause["printer"]:
            return None
        if job.material["family"] in cause["families"] and job.turn in cause["series"]:
            return round(float(cause["series_c"]) - 1 + self.chance.gauss(0.0, 0.6), 1)
        begins = dt.datetime.combine(cause["begins"], dt.time(), self.zone)
        last = dt.datetime.combine(self.plan.data["began"], dt.time(), self.zone) + dt.timedelta(days=367)
        part = max(0.0, (job.began - begins) / (last - begins))
        level: float = cause["from_c"] + (cause["to_c"] - cause["from_c"]) * part
        return round(level + self.chance.gauss(0.0, 0.6), 1)

    def _wanted(self, job: _Planned) -> dict[str, float]:
        """Return what is set: the same all the year, but for a series in a cooler chamber."""
        cause = self.plan.causes["chamber"]
        cooler = job.material["family"] in cause["families"] and job.turn in cause["series"]
        return {**job.material["set"], **({"chamber_set_c": cause["series_c"]} if cooler else {})}

    def _plate(self, material: Mapping[str, Any], wanted: Mapping[str, float]) -> tuple[PlateFile, Any]:
        """Return the plate file of a material and its settings, read once: it is printed again and again."""
        chamber = wanted.get("chamber_set_c", 0)
        if (material["name"], chamber) not in self.plates:
            settings = {"chamber_set_c": 0, **wanted, "layer_height_mm": 0.4, "line_width_mm": 0.6}
            name = f"{material['name']}{f' chamber {chamber}' if chamber else ''}.gcode"
            plate = PlateFile(name, plate_text(_PIECES, settings).encode())
            read = read_job_plate(
                self.book, plate, spools=[self.spools[material["name"], material["lots"][0]]]
            )
            self.plates[material["name"], chamber] = plate, read
            self.numbers = _numbers(read)
        return self.plates[material["name"], chamber]

    def _test(self, job: _Planned, made: Sequence[str], chamber: float | None, failed: str) -> None:
        """Enter all readings of the day on which a job is tested, as one act."""
        self.now = max(self.now, job.began + dt.timedelta(days=2, hours=self.chance.uniform(0, 6)))
        person = self.plan.data["people"][self.chance.random() < 0.4][1]  # noqa: PLR2004 - his days
        pull = ("first pull rig", "second pull rig")[self.chance.random() < 0.45]  # noqa: PLR2004 - likewise
        plate = self.chance.gauss(1.0, self.plan.data["plate_scatter"])
        wanted = []
        for method, piece in self._programme(job):
            if failed.startswith(f"{self.numbers[piece]}="):
                continue
            ident = made[self.numbers[piece] - 1]
            truth = self._truth(job, ident, piece, chamber, plate)
            wanted.append((ident, self._taken(method, truth, person, pull)))
        measure_all(self.book, person, self.plugged, wanted, sure=True)

    def _programme(self, job: _Planned) -> Iterator[tuple[str, int]]:
        """Yield methods with the piece each is done on, by which job of its material it is."""
        turn = job.turn
        if turn == 10 and job.material["family"] == "ASA":  # noqa: PLR2004 - a test of a week, once a year
            yield "creep", UPRIGHT[2]
        yield from (("tensile", piece) for piece in UPRIGHT[:2])
        if turn % 2 == 0:
            yield "tensile recorded", FLAT[0]
        if turn % 2:
            yield from (("impact", piece) for piece in FLAT[1:3])
        if turn % 8 == 0:
            yield "taptone", FLAT[3]
        if turn % 4 == 1:
            yield "bending", FLAT[3]
        if turn % 5 == 0:
            yield "dimensions", BLOCK
        if turn % 2:
            yield "hardness", BLOCK
        if turn % 4 == 2:  # noqa: PLR2004 - one job of four
            yield "appearance", BLOCK
        if turn % 5 == 1:
            yield "density", BLOCK
        yield from _ONCE.get(turn, ())

    def _truth(self, job: _Planned, ident: str, piece: int, chamber: float | None, plate: float) -> Truth:
        """Return what a piece really is: its material's values, the causes at work, and chance."""
        own, causes = job.material["truth"], self.plan.causes
        factor = plate * self.chance.gauss(1.0, self.plan.data["piece_scatter"])
        grade = 3
        if piece in UPRIGHT:
            factor *= own["upright"]
            if chamber is not None and job.material["family"] in causes["chamber"]["families"]:
                factor *= 1 - causes["chamber"]["per_degree"] * (causes["chamber"]["from_c"] - chamber)
        if job.lot == causes["wet_lot"]["lot"]:
            factor, grade = factor * causes["wet_lot"]["factor"], 1
        unwritten = causes["unwritten"]
        if job.material["name"] == unwritten["material"] and job.began.date() >= unwritten["begins"]:
            factor *= unwritten["factor"]
        return Truth(
            ident, own["strength"] * factor, own["modulus"] * self.chance.gauss(1.0, 0.012), own["strain"],
            own["impact"] * plate * self.chance.gauss(1.0, 0.05), own["shore"], own["softens"], own["shrink"],
            job.material["sheet"]["density_g_cm3"], grade,
        )  # fmt: skip

    def _taken(self, method: str, truth: Truth, person: str, pull: str) -> Wanted:
        """Return the readings of one test, with what the reader and the rig do to them."""
        rig, reader = self.plan.causes["rig"], self.plan.causes["reader"]
        force = method in ("tensile", "tensile recorded", "shear", "adhesion")
        if force and pull == rig["rig"] and self.now.date() >= rig["begins"]:
            truth = replace(truth, strength=truth.strength * rig["factor"])
        if person == reader["operator"]:
            truth = replace(truth, pointer_deg=reader["degrees"])
        typed, files = tensile_recorded(truth) if method == "tensile recorded" else TAKEN[method](truth)
        used = {
            "impact": "pendulum", "notchedimpact": "pendulum", "density": "balance", "hardness": "durometer",
            "heatdeflection": "oven", "softening": "oven",
        }  # fmt: skip
        named = [pull if force else used.get(method, "caliper"), *(["caliper"] if "width" in typed else [])]
        return Wanted(
            truth.piece, method.partition(" ")[0], typed, files,
            [self.rigs[name] for name in dict.fromkeys(named)],
            {"operator": person, "at": self.now, "room_c": 22.0, "room_rh_pct": 48.0},
        )  # fmt: skip

    def look_at_spools(self) -> None:
        """Gauge and bend the strand of each material's first spool."""
        wanted = []
        for material in self.plan.materials:
            spool = self.spools[material["name"], material["lots"][0]]
            own = material["truth"]
            truth = Truth(
                spool, own["strength"], own["modulus"], own["strain"], own["impact"], own["shore"],
                own["softens"], own["shrink"], material["sheet"]["density_g_cm3"],
            )  # fmt: skip
            wanted += [
                (spool, self._taken(method, truth, self.who, "")) for method in ("diameter", "bendcheck")
            ]
        measure_all(self.book, self.who, self.plugged, wanted, sure=True)


def _numbers(read: Any) -> list[int]:
    """Return the number that the bed gives each piece of :data:`_PIECES`, counted from 1 along the bed."""
    by_kind: dict[tuple[str, str], list[int]] = {}
    for number, piece in enumerate(read.pieces, start=1):
        by_kind.setdefault((piece.name.partition(" #")[0], piece.orientation), []).append(number)
    return [by_kind[name, letters].pop(0) for name, letters, count in (
        each.split(":") for each in _PIECES) for _ in range(int(count))]  # fmt: skip


def _second_bench(folder: Path, plan: Story) -> Path:
    """Make the second bench's small book, publish it, and return the folder of its site."""
    facts = plan.data["second"]
    bench = _Bench(str(folder / "second-bench"), plan, facts["title"], facts["operator"])
    with bench.book as book:
        bench._rig("pull rig", "force", "1 N", "1 N + 0.3 %")  # noqa: SLF001 - of this very class
        began = bench.now + dt.timedelta(days=1)
        for number in range(facts["plates"] * len(facts["materials"])):
            material = next(
                each
                for each in plan.materials
                if each["name"] == facts["materials"][number % len(facts["materials"])]
            )
            if (material["name"], "") not in bench.spools:
                names = {key: material[key] for key in ("name", "family", "maker")}
                add_record(book, bench.who, "material", {**names, **material["sheet"]})
                bench.spools[material["name"], ""] = add_record(
                    book, bench.who, "spool", {"material": material["name"], "lot": material["lots"][0]}
                ).id
            bench.now = began + dt.timedelta(days=2 * number)
            _plate_of_second(bench, material, facts["pieces"], plan.causes["other_bench"]["factor"])
        choose_publication(book, bench.who, licence="CC-BY-4.0", author=facts["title"])
        site = folder / "second-bench-site"
        publish(book, bench.plugged, site)
    return site


def _plate_of_second(bench: _Bench, material: Mapping[str, Any], pieces: int, factor: float) -> None:
    """Print and pull one plate of upright bars at the second bench."""
    printed = jobs.add_job(
        bench.book, bench.who, {"printer": "the only one", "started_at": bench.now - dt.timedelta(hours=4)},
        pieces=[PieceWanted("bar", "ZXY", pieces)], spools=[bench.spools[material["name"], ""]], sure=True,
    )  # fmt: skip
    jobs.end_job(bench.book, bench.who, printed.id, {"outcome": "finished", "ended_at": bench.now}, sure=True)
    offbed.take_off(bench.book, bench.who, printed.id, [], rest="good")
    plate = bench.chance.gauss(factor, bench.plan.data["plate_scatter"])
    wanted = []
    for ident in printed.also:
        job = _Planned(material, 0, bench.now, material["lots"][0])
        truth = bench._truth(job, ident, 1, None, plate)  # noqa: SLF001 - of this module
        typed, files = TAKEN["tensile"](truth)
        rigs = [bench.rigs["pull rig"]]
        wanted.append((ident, Wanted(ident, "tensile", typed, files, rigs, {"at": bench.now})))
    measure_all(bench.book, bench.who, bench.plugged, wanted, sure=True)
