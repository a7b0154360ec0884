"""What is known of each polymer family: one data file, with source and bounds beside every value."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from tracker.errors import Refused
from tracker.inputs import read_input


@dataclass(frozen=True, slots=True)
class Figure:
    """A value with the range it is believed in and where it was read.

    Attributes:
        value: The middle value, in the unit its name says.
        low: Lower end of the range.
        high: Upper end of the range.
        source: Where it was read; "from memory" where nobody has looked it up again.
    """

    value: float
    low: float
    high: float
    source: str


@dataclass(frozen=True, slots=True)
class DryingAdvice:
    """How a family is usually dried, and what it must not see.

    Attributes:
        family: The family's name.
        set_low_c: Lower end of the usual setting, °C; None where drying is not usual.
        set_high_c: Upper end of the usual setting, °C.
        hours_low: Shortest usual time, h.
        hours_high: Longest usual time, h.
        max_c: Highest temperature that filament on a reel should see, °C.
        source: Where the settings were read.
        max_source: Where the highest temperature was read.
        cautions: What to mind, each one sentence.
    """

    family: str
    set_low_c: float | None
    set_high_c: float | None
    hours_low: float | None
    hours_high: float | None
    max_c: float
    source: str
    max_source: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Family:
    """The moisture constants of a polymer family.

    Attributes:
        name: Short name, such as ``"PA6"``.
        title: What the letters stand for.
        w50_pct: Equilibrium water at 23 °C and 50 %RH, wt% of the dry polymer; None without an estimate.
        w100_pct: The same at 100 %RH or in water.
        d23_m2_s: Diffusion coefficient at 23 °C in m²/s.
        e_kj_mol: Activation energy of the diffusion coefficient in kJ/mol.
        d_factor: The diffusion coefficient of an unknown brand lies within ×/÷ this.
        w_relative: The equilibrium water of an unknown brand lies within ± this part.
        no_estimate: Why no number may be given for this family; None where one may.
        drying: How it is dried.
    """

    name: str
    title: str
    w50_pct: Figure | None
    w100_pct: Figure | None
    d23_m2_s: Figure | None
    e_kj_mol: Figure | None
    d_factor: float
    w_relative: float
    no_estimate: str | None
    drying: DryingAdvice | None = None


@dataclass(frozen=True, slots=True)
class Assumptions:
    """What is taken where nothing was recorded; every use of one is said in the answer.

    Attributes:
        temperature_c: Temperature of a place without a reading.
        open_rh_pct: Humidity of open air without a reading: low, middle, high.
        box_rh_pct: The same for a dry box.
        start_rh_pct: Humidity whose equilibrium the spool is taken to hold at its start: low, middle, high.
        sensor_rh_pct: Half width of a humidity reading, %RH.
        winding: How many times slower a wound spool may be than a loose strand.
        balance_u_g: Standard uncertainty of a difference of two weighings in g.
        empty_reel_g: Mass of an empty reel nobody weighed: low, high.
        reel_water_relative: The most a plastic reel itself loses in a drying, part of its mass.
    """

    temperature_c: float
    open_rh_pct: tuple[float, float, float]
    box_rh_pct: tuple[float, float, float]
    start_rh_pct: tuple[float, float, float]
    sensor_rh_pct: float
    winding: float
    balance_u_g: float
    empty_reel_g: tuple[float, float]
    reel_water_relative: float


@dataclass(frozen=True, slots=True)
class Families:
    """All families of one data file, with the assumptions for what was not recorded.

    Attributes:
        by_name: The families by short name.
        assumptions: What is taken where nothing was recorded.
        aliases: Other spellings in upper case without blanks or dashes, to the short name.
    """

    by_name: Mapping[str, Family]
    assumptions: Assumptions
    aliases: Mapping[str, str]

    def find(self, name: str) -> Family | None:
        """Return the family called ``name``, however it is spelt, or None if it is not known."""
        plain = _plain(name)
        return self.by_name.get(self.aliases.get(plain, ""))


def load_families(path: Path | None = None) -> Families:
    """Return the families of ``path``, or those that come with the program.

    Raises:
        Refused: The file cannot be read, or a value is missing or is no number; the place is named.
    """
    if path is None:
        return _bundled()
    try:
        text = read_input(path, "settings file").decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(
            f"family file {path}", why=f"cannot be read ({error.__class__.__name__})", do="Give a TOML file."
        ) from error
    return parse_families(text, str(path))


def parse_families(text: str, where: str) -> Families:
    """Return the families that ``text`` (TOML) describes; ``where`` names it in refusals.

    Raises:
        Refused: The text is not TOML, or a value is missing or is no number; the place is named.
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise Refused(f"family file {where}", why=f"not TOML: {error}") from error
    try:
        table = {name: _family(name, entry) for name, entry in data["families"].items()}
        # People write PA 6, pa6 and PA-6; a family that is not found gets hours only, so spelling must not
        # decide.
        aliases = {_plain(name): name for name in table}
        for name, entry in data["families"].items():
            aliases |= {_plain(other): name for other in entry.get("also", [])}
        return Families(table, _assumptions(data["assumptions"]), aliases)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise Refused(
            f"family file {where}",
            why=f"{error.__class__.__name__}: {error}",
            do="Compare with the file that comes with the program (tracker/exposure/families.toml).",
        ) from error


def drying_advice(family: str) -> DryingAdvice:
    """Return how ``family`` is usually dried, with its highest safe temperature and cautions.

    The material maker's own sheet comes before this.

    Raises:
        Refused: The family is not in the file, or the file says nothing about drying it.
    """
    known = load_families()
    found = known.find(family)
    if found is None or found.drying is None:
        raise Refused(
            f"drying of {family}",
            why="nothing is known of this family",
            do=f"Go by the maker's sheet. Known: {', '.join(known.by_name)}.",
        )
    return found.drying


@cache
def _bundled() -> Families:
    """Return the families that come with the program, read once."""
    text = (resources.files(__package__) / "families.toml").read_text(encoding="utf-8")
    return parse_families(text, "families.toml")


def _plain(name: str) -> str:
    """Return a name as it is looked up."""
    return "".join(letter for letter in name.upper() if letter.isalnum())


def _figure(entry: Mapping[str, Any] | None, positive: bool = True) -> Figure | None:
    """Return a figure whose range holds its value.

    Raises:
        ValueError: Low, value and high are not in order, or not above zero.
    """
    if entry is None:
        return None
    figure = Figure(float(entry["value"]), float(entry["low"]), float(entry["high"]), str(entry["source"]))
    # Held to their order, as the file is meant to be edited at the bench: a swapped pair would turn the
    # bounds inside out.
    if not figure.low <= figure.value <= figure.high or (positive and figure.low <= 0.0):
        raise ValueError(f"low, value and high must be above zero and in order: {dict(entry)}")
    return figure


def _family(name: str, entry: Mapping[str, Any]) -> Family:
    """Return one family from its table.

    Raises:
        KeyError: A figure is missing and no reason says why.
    """
    no_estimate = entry.get("no_estimate")
    figures = {key: _figure(entry.get(key)) for key in ("w50_pct", "w100_pct", "d23_m2_s", "e_kj_mol")}
    lacking = [key for key, figure in figures.items() if figure is None]
    # Either figures or a reason for having none: a family that is simply incomplete must not pass for one
    # without water.
    if lacking and no_estimate is None:
        raise KeyError(f"{name}: {', '.join(lacking)}")
    return Family(
        name=name,
        title=str(entry["title"]),
        d_factor=float(entry["d_factor"]),
        w_relative=float(entry["w_relative"]),
        no_estimate=no_estimate,
        drying=_drying(name, entry["drying"]) if "drying" in entry else None,
        **figures,
    )


def _drying(name: str, entry: Mapping[str, Any]) -> DryingAdvice:
    """Return the drying advice from its table."""
    low_c, high_c = entry.get("set_c", (None, None))
    low_h, high_h = entry.get("hours", (None, None))
    return DryingAdvice(
        family=name,
        set_low_c=low_c,
        set_high_c=high_c,
        hours_low=low_h,
        hours_high=high_h,
        max_c=float(entry["max_c"]),
        source=str(entry["source"]),
        max_source=str(entry["max_source"]),
        cautions=tuple(entry.get("cautions", ())),
    )


def _assumptions(entry: Mapping[str, Any]) -> Assumptions:
    """Return the assumptions from their table."""
    values: dict[str, Any] = {field.name: entry[field.name] for field in fields(Assumptions)}
    for key, value in values.items():
        values[key] = tuple(map(float, value)) if isinstance(value, list) else float(value)
    return Assumptions(**values)
