"""The file of material constants: complete, sourced, replaceable."""

from __future__ import annotations

import tomllib
from dataclasses import FrozenInstanceError, fields
from importlib import resources
from pathlib import Path

import pytest

from tests.exposure.days import family
from tracker.errors import Refused
from tracker.exposure import Family, Figure, drying_advice, load_families, parse_families
from tracker.exposure.families import _figure

NAMES = list(load_families().by_name)


def figures(of: Family) -> list[Figure]:
    """Return the figures a family has."""
    return [f for f in (of.w50_pct, of.w100_pct, of.d23_m2_s, of.e_kj_mol) if f is not None]


@pytest.mark.parametrize("name", NAMES)
def test_every_value_has_a_range_and_a_source(name: str) -> None:
    """No figure stands without bounds around it and a place where it was read."""
    assert all(f.low <= f.value <= f.high and f.source for f in figures(family(name)))


@pytest.mark.parametrize("name", NAMES)
def test_every_family_has_drying_advice(name: str) -> None:
    """Each family says how it is dried, how hot it may get and what to mind."""
    advice = drying_advice(name)
    assert advice.cautions
    assert advice.source
    assert advice.set_high_c is None or advice.set_high_c <= advice.max_c + 10.0


@pytest.mark.parametrize("name", NAMES)
def test_more_water_at_full_humidity(name: str) -> None:
    """A polymer holds more water at 100 %RH than at 50 %RH."""
    found = family(name)
    if found.w50_pct and found.w100_pct:
        assert found.w100_pct.value > found.w50_pct.value


@pytest.mark.parametrize(
    ("spelt", "name"), [("pla", "PLA"), ("Nylon 6", "PA6"), ("pa 66", "PA66"), ("PA6-CF", "PA-CF")]
)
def test_families_are_found_however_spelt(spelt: str, name: str) -> None:
    """Case, blanks and dashes do not matter, and other names are known."""
    found = load_families().find(spelt)
    assert found is not None
    assert found.name == name


def test_unknown_families_are_not_guessed() -> None:
    """A family nobody wrote down is not known."""
    assert load_families().find("unobtainium") is None


def test_advice_for_an_unknown_family_is_refused() -> None:
    """No drying advice is invented; the known families are listed."""
    with pytest.raises(Refused, match=r"drying of unobtainium.*Known: PLA, PETG"):
        drying_advice("unobtainium")


def test_pva_says_why_there_is_no_number() -> None:
    """The one family without an estimate carries its reason."""
    assert "no single figure" in (family("PVA").no_estimate or "")


@pytest.fixture
def own_file(tmp_path: Path) -> Path:
    """Return a copy of the bundled file with another PLA."""
    text = (resources.files("tracker.exposure") / "families.toml").read_text(encoding="utf-8")
    path = tmp_path / "own.toml"
    path.write_text(text.replace('title = "polylactide"', 'title = "our polylactide"'), encoding="utf-8")
    return path


def test_the_file_can_be_replaced(own_file: Path) -> None:
    """A person's own file takes the place of the bundled one."""
    found = load_families(own_file).find("PLA")
    assert found is not None
    assert found.title == "our polylactide"


def test_assumptions_are_numbers_that_nobody_can_change() -> None:
    """They are read once for all: a caller that changed one would change every answer after it."""
    found = load_families().assumptions
    assert found.open_rh_pct == (30.0, 50.0, 70.0)
    with pytest.raises(FrozenInstanceError):
        found.winding = 1.0  # type: ignore[misc]


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    """A file that is not there is refused by name."""
    with pytest.raises(Refused, match=r"none\.toml"):
        load_families(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("w50_pct = { value = 0.38", "w50 = { value = 0.38", "PLA: w50_pct"),
        ("value = 0.38, low = 0.3", "value = 0.38, low = 0.9", "in order"),
        ("d_factor = 3.0", 'd_factor = "three"', "three"),
        ("[assumptions]", "[assumed]", "assumptions"),
        ("[assumptions]", "[assumptions", "not TOML"),
    ],
)
def test_a_broken_file_is_refused_with_the_place(own_file: Path, old: str, new: str, words: str) -> None:
    """A missing or impossible value is refused with its place."""
    text = own_file.read_text(encoding="utf-8").replace(old, new, 1)
    with pytest.raises(Refused, match=words):
        parse_families(text, "own.toml")


def test_assumptions_are_read_as_numbers_and_ranges(own_file: Path) -> None:
    """Whole numbers of the file too: a range is a tuple, and everything a float."""
    text = own_file.read_text(encoding="utf-8")
    found = parse_families(text, "own.toml").assumptions
    values = [getattr(found, field.name) for field in fields(found)]

    assert found.open_rh_pct == (30.0, 50.0, 70.0)
    assert all(isinstance(each, float | tuple) for each in values)
    assert all(isinstance(one, float) for each in values if isinstance(each, tuple) for one in each)


def test_all_of_a_family_is_read(own_file: Path) -> None:
    """Every figure under its own name, the drying with its ranges, and what else it is called."""
    known = parse_families(own_file.read_text(encoding="utf-8"), "own.toml")
    data = tomllib.loads(own_file.read_text(encoding="utf-8"))["families"]

    assert list(known.by_name) == list(data)
    for name, entry in data.items():
        found = known.by_name[name]
        assert (found.title, found.d_factor, found.w_relative) == (
            entry["title"], entry["d_factor"], entry["w_relative"],
        )  # fmt: skip
        assert found.no_estimate == entry.get("no_estimate")
        for key in ("w50_pct", "w100_pct", "d23_m2_s", "e_kj_mol"):
            figure, given = getattr(found, key), entry.get(key)
            assert (figure and (figure.value, figure.low, figure.high, figure.source)) == (
                given and (given["value"], given["low"], given["high"], given["source"])
            )
        drying, advice = entry["drying"], found.drying
        assert advice is not None
        assert [advice.set_low_c, advice.set_high_c] == drying.get("set_c", [None, None])
        assert [advice.hours_low, advice.hours_high] == drying.get("hours", [None, None])
        assert (advice.family, advice.max_c, advice.source) == (name, drying["max_c"], drying["source"])
        assert (advice.max_source, list(advice.cautions)) == (
            drying["max_source"],
            drying.get("cautions", []),
        )
        for other in (name, name.lower(), *entry.get("also", [])):
            assert known.find(other) is found


@pytest.mark.parametrize(
    ("figure", "taken"),
    [
        ({"value": 1, "low": 1, "high": 1}, True),
        ({"value": 1, "low": 0, "high": 1}, False),
        ({"value": 1, "low": 1.1, "high": 2}, False),
        ({"value": 1, "low": 0.5, "high": 0.9}, False),
    ],
)
def test_a_figure_lies_in_its_range_above_zero(figure: dict[str, float], taken: bool) -> None:
    """At either end it may; a swapped pair would turn the bounds inside out."""
    if taken:
        assert _figure({**figure, "source": "test"}) == Figure(1.0, 1.0, 1.0, "test")
    else:
        with pytest.raises(ValueError, match="in order"):
            _figure({**figure, "source": "test"})
    assert _figure(None) is None
    assert _figure({"value": 0, "low": -1, "high": 1, "source": ""}, positive=False) == Figure(0, -1, 1, "")
