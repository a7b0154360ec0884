"""Pieces of a plate as a person names and confirms them, and gauge sections that a person states."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace
from typing import Any

import pytest

from tests.desk.bench import WHO, a_material, a_spool, last_entry, row_of
from tests.plates import FLAT, UPRIGHT, plate
from tracker.book import Book
from tracker.desk import plates
from tracker.desk.jobplates import (
    PieceWanted,
    PlateFile,
    feeds,
    filaments_of,
    name_pieces,
    read_piece,
    specimens_of,
)
from tracker.desk.jobs import _numbers, add_job, state_gauge
from tracker.desk.platemaps import choices_in, map_picture, map_text
from tracker.desk.plates import (
    PieceInput,
    PlateRead,
    contradictions,
    gauge_corners,
    gauge_words,
    give_gauges,
    give_geometries,
    job_columns,
    kind_words,
    mark_dummies,
    read_pieces,
    settle,
    specimen_columns,
    thing_of,
)
from tracker.errors import Doubt, Refused
from tracker.forms import FormError
from tracker.plugins import load

FIVE = {f"bar{n}": (20.0, 120.0 - 20.0 * n, 79.6, 9.6) for n in range(5)}


@pytest.fixture(scope="module")
def flat_file() -> bytes:
    """Give a plate of two flat bars."""
    return plate(FLAT, layers=20)


@pytest.fixture
def flat(flat_file: bytes) -> PlateRead:
    """Give that plate with its pieces: ``second`` in the back row, ``bar`` in front."""
    return read_pieces(flat_file)


def test_what_is_derived_of_a_piece_in_words(flat: PlateRead) -> None:
    """Letters with their word, sides to four digits, the template, then a stated gauge section."""
    back, front = flat.pieces
    assert back.words == "XYZ (flat), 80 × 10 × 4 mm, iso178"
    assert kind_words(flat, [back]) == f"1  second: {back.words}"
    front.dummy, front.orientation = True, ""
    assert kind_words(flat, flat.pieces) == f"1-2  second: {back.words}"
    assert kind_words(flat, [front]) == "2  bar (dummy): no axis, 80 × 10 × 4 mm, iso178"
    give_gauges(flat, ["second=x:20-60"])
    assert back.words.startswith(
        "XYZ (flat), 80 × 10 × 4 mm, iso178; gauge section x 20 – 60 mm of its box: "
    )
    assert back.words.endswith(gauge_words(back.thing, "x:20-60"))
    assert "layers 1-20, " in gauge_words(back.thing, "x:20-60")


def test_a_gauge_section_is_open_until_a_template_or_a_person_says_it(flat: PlateRead) -> None:
    """Of a dummy nobody asks."""
    back, front = flat.pieces
    assert not back.gauge_open
    give_geometries(flat, ["free"])
    assert (back.gauge_open, front.gauge_open) == (True, True)
    give_gauges(flat, ["2=x:20-60"])
    mark_dummies(flat, ["1"])
    assert (back.gauge_open, front.gauge_open, front.gauge) == (False, False, "x:20-60")
    give_gauges(flat, ["x:30-50"])
    assert (back.gauge, front.gauge) == ("", "x:30-50")
    with pytest.raises(Refused, match="x:200-300 reaches beyond bar"):
        give_gauges(flat, ["bar=x:200-300"])
    assert front.gauge == "x:30-50"


def test_a_gauge_section_seen_from_above(flat: PlateRead) -> None:
    """X 20 to 60 mm of the box, over its whole width; a range of heights has no corners."""
    _, front = flat.pieces
    x, y = front.thing.box_mm[:2]
    give_gauges(flat, ["x:20-60"])
    corners = sorted((round(a - x, 3), round(b - y, 3)) for a, b in gauge_corners(front))
    assert [a for a, _ in corners] == [20, 20, 60, 60]
    assert [b for _, b in corners] == pytest.approx([0, 10, 0, 10], abs=0.25)
    give_gauges(flat, ["z:1-3"])
    assert gauge_corners(front) == ()


@pytest.mark.parametrize("name", ["1", "second", " SECOND ", "second.stl"])
def test_a_piece_is_named_by_number_or_name(flat: PlateRead, name: str) -> None:
    """Whatever its capitals, and with the ending of its file."""
    give_geometries(flat, [f"{name}=free"])
    assert [piece.geometry for piece in flat.pieces] == ["free", "iso178"]


@pytest.mark.parametrize("name", ["0", "3", "tower", ""])
def test_a_piece_that_is_not_there_is_named_with_those_that_are(flat: PlateRead, name: str) -> None:
    """A number does too."""
    with pytest.raises(FormError, match=f"no piece '{name}'. It holds second, bar; a number does too"):
        mark_dummies(flat, [name])


def test_names_in_reading_order_are_given_to_as_many_pieces(flat: PlateRead) -> None:
    """Letters only where they were typed."""
    name_pieces(flat, [read_piece("upper:XZY"), read_piece("lower")])
    assert [(piece.name, piece.orientation) for piece in flat.pieces] == [("upper", "XZY"), ("lower", "XYZ")]
    with pytest.raises(FormError, match=r"3 pieces are named, the plate holds 2 \(upper, lower\)"):
        name_pieces(flat, [read_piece("new:XZY:3")])
    name_pieces(flat, [])
    assert [piece.name for piece in flat.pieces] == ["upper", "lower"]


def said(**more: Any) -> PieceInput:
    """Return what a person says of a piece."""
    return PieceInput(**{"name": "", "orientation": " ", "geometry": "free", "dummy": False, **more})


def test_a_form_settles_each_piece(flat: PlateRead) -> None:
    """A blank name leaves the one that was read, blank letters say "not recorded"."""
    settle(
        flat, [said(dummy=True), said(name="  left \n bar " + "x" * 90, orientation="xzy", geometry="iso178")]
    )
    back, front = flat.pieces
    assert (back.name, back.orientation, back.geometry, back.dummy) == ("second", "", "free", True)
    assert (front.name, front.orientation, front.dummy) == ("left bar " + "x" * 71, "XZY", False)
    assert (front.geometry, len(front.name)) == ("iso178", 80)


@pytest.mark.parametrize(
    ("inputs", "words"),
    [
        ([said()], "The plate holds 2 pieces, the form 1"),
        ([said()] * 3, "The plate holds 2 pieces, the form 3"),
        ([said(dummy=True)] * 2, "Every piece is a dummy"),
    ],
)
def test_a_form_of_another_plate_settles_nothing(
    flat: PlateRead, inputs: list[PieceInput], words: str
) -> None:
    """Nor one in which nothing is left to be tested."""
    with pytest.raises(FormError, match=words):
        settle(flat, inputs)
    assert [piece.geometry for piece in flat.pieces] == ["iso178", "iso178"]


def test_columns_of_a_piece_are_rounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lengths to a µm, masses to a tenth of a mg; what nobody stated is empty."""
    monkeypatch.setattr(plates, "facts_of", lambda *given: given[1:])
    thing = SimpleNamespace(
        centre_mm=(10.12345, 20.98765), size_mm=(1.23456, 2.34567, 3.45678), filament_mm=123.45678,
        filament_g=0.123456,
    )  # fmt: skip
    piece: Any = SimpleNamespace(
        thing=thing, name="a", orientation="", geometry="free", gauge="", dummy=False
    )
    whole: Any = "the plate"
    assert specimen_columns(piece, whole, "Ada") == {
        "name": "a", "orientation": None, "geometry": "free", "gauge": None, "dummy": None,
        "x_mm": 10.123, "y_mm": 20.988, "size_x_mm": 1.235, "size_y_mm": 2.346, "size_z_mm": 3.457,
        "filament_mm": 123.457, "filament_g": 0.1235, "plate_facts": ("free", "the plate", None, "Ada"),
    }  # fmt: skip


def test_columns_of_a_job_are_rounded_and_hold_what_all_pieces_share(monkeypatch: pytest.MonkeyPatch) -> None:
    """Layer height and line width where they are one; set-points where they are commanded."""
    monkeypatch.setattr(plates, "usual_set_points", lambda _: {"nozzle_c": 250.0, "fan_pct": 40.0, "flow": 1})
    things = [SimpleNamespace(layer_height_mm=0.20004, line_width_mm=width) for width in (0.4, 0.4004)]
    whole: Any = SimpleNamespace(objects=things, filament_mm=5.12345, filament_g=1.23456, time_s=61.26)
    assert job_columns(whole) == {
        "filament_mm": 5.123, "filament_g": 1.2346, "time_s": 61.3, "layer_height_mm": 0.2,
        "line_width_mm": 0.4, "nozzle_set_c": 250.0, "fan_set_pct": 40.0,
    }  # fmt: skip
    things[0].line_width_mm, things[1].layer_height_mm, whole.filament_g = 0.401, 0.25, None
    found = job_columns(whole)
    assert (found["line_width_mm"], found["layer_height_mm"], found["filament_g"]) == (None, None, None)


@pytest.mark.parametrize(
    ("typed", "commanded", "told"),
    [
        (251.0, 250.0, True),
        (249.0, 250.0, True),
        (500.0, 250.0, True),
        (250.9, 250.0, False),
        (None, 250.0, False),
        (251.0, None, False),
    ],
)
def test_a_set_point_a_degree_off_the_plate_is_told(typed: Any, commanded: Any, told: bool) -> None:
    """With the command that notes a change at the printer."""
    notes = contradictions({"bed_set_c": typed}, {"bed_set_c": commanded}, "J0001-J")
    words = (
        f"The plate commands 250 °C for the bed, you say {typed or 0:g} °C."
        f" If it was changed at the printer: strandbook job change J0001-J bed={typed or 0:g} --layer 1"
    )
    assert notes == [words] * told


def test_density_and_diameter_of_one_spool_stand_for_all_tools() -> None:
    """Of more there is one of each for each spool."""

    def spool(density: float | None, diameter: float) -> Any:
        return SimpleNamespace(material=SimpleNamespace(density_g_cm3=density), diameter_mm=diameter)

    assert filaments_of([spool(1.07, 1.75)]) == {"density_g_cm3": 1.07, "diameter_mm": 1.75}
    assert filaments_of([spool(1.07, 1.75), spool(None, 2.85)]) == {
        "density_g_cm3": [1.07, None], "diameter_mm": [1.75, 2.85],
    }  # fmt: skip
    assert filaments_of([]) == {"density_g_cm3": [], "diameter_mm": []}


def a_read(tools: dict[int, float], *pieces: tuple[int, ...]) -> Any:
    """Return a plate of tools with their grams, and the tools that laid each piece."""
    used = [SimpleNamespace(tool=tool, filament_g=grams) for tool, grams in tools.items()]
    return SimpleNamespace(
        plate=SimpleNamespace(tools=used, filament_g=sum(tools.values())),
        pieces=[SimpleNamespace(body_tools=of) for of in pieces],
    )


A, B, C = "abc"


@pytest.mark.parametrize(
    ("read", "spools", "fed"),
    [
        (None, [A], [(A, 0, None, None)]),
        (None, [A, B], [(A, 0, None, None), (B, 1, None, None)]),
        (a_read({0: 4.0, 2: 1.0}, (0, 2)), [A], [(A, 0, None, 5.0)]),
        # As many as tools lay, in their order; pieces only where not all hold some of it.
        (a_read({0: 4.0, 2: 1.0}, (0,), (0, 2)), [A, B], [(A, 0, None, 4.0), (B, 2, [2], 1.0)]),
        (a_read({1: 4.0, 2: 1.0}, (1,), (2,)), [A, B], [(A, 1, [1], 4.0), (B, 2, [2], 1.0)]),
        # More than tools lay: counted as the tools are; what no tool takes lays nothing.
        (
            a_read({0: 4.0, 2: 1.0}, (0,), (2,)), [A, B, C],
            [(A, 0, [1], 4.0), (B, 1, [], 0.0), (C, 2, [2], 1.0)],
        ),
    ],
)  # fmt: skip
def test_what_each_spool_feeds(read: Any, spools: list[Any], fed: list[Any]) -> None:
    """They are named in the order of the tools that lay."""
    assert [(each.spool, each.tool, each.pieces, each.grams) for each in feeds(read, spools)] == fed


def test_pieces_typed_by_hand_are_counted_through() -> None:
    """999 on a plate, and not one more."""
    found = specimens_of([PieceWanted("bar", "ZXY", 2), PieceWanted("cube", None, 997)], None)
    assert [(each.piece, each.name, each.orientation) for each in found[:3]] == [
        (1, "bar", "ZXY"), (2, "bar", "ZXY"), (3, "cube", None),
    ]  # fmt: skip
    assert (len(found), found[-1].piece) == (999, 999)
    with pytest.raises(FormError, match="1000 pieces are more than one plate holds"):
        specimens_of([PieceWanted("bar", "ZXY", 500), PieceWanted("bar", "ZXY", 500)], None)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("bar", ("bar", None, 1)), ("bar:ZXY", ("bar", "ZXY", 1)), (" bar : zxy : 5 ", ("bar", "ZXY", 5)),
        ("bar::999", ("bar", None, 999)), ("bar:ZXY:0", None), ("bar:ZXY:1000", None), (":ZXY", None),
        ("bar:ZXY:2:3", None), ("bar:ZXY:", None), ("bar:ZXY:-1", None),
    ],
)  # fmt: skip
def test_a_piece_typed_by_hand(text: str, wanted: Any) -> None:
    """NAME:ORIENTATION:COUNT, of which the name alone must be there."""
    if wanted is None:
        with pytest.raises(FormError, match=r"names no pieces\. Write NAME:ORIENTATION:COUNT"):
            read_piece(text)
    else:
        assert dataclasses.astuple(read_piece(text)) == wanted


@pytest.mark.parametrize(
    ("typed", "found"),
    [("3,4", [3, 4]), (" 2 - 4 ", [2, 3, 4]), ("4,2-3,3", [2, 3, 4]), ("1", [1]), ("5-5", [5])],
)
def test_numbers_of_pieces(typed: str, found: list[int]) -> None:
    """Each once, in order."""
    job: Any = SimpleNamespace(specimens=[SimpleNamespace(piece=number) for number in range(1, 6)])
    assert _numbers(typed, job) == found


@pytest.fixture
def towers(book: Book) -> str:
    """Enter a job of two towers and a cube; its ID."""
    a_material(book)
    names = ("tower_id_0_copy_0", "tower_id_0_copy_1", "cube")
    file = PlateFile("plate.gcode", plate(dict(zip(names, UPRIGHT.values(), strict=True))))
    read = read_pieces(file.source)
    mark_dummies(read, ["cube"])
    return add_job(book, WHO, {}, spools=[a_spool(book)], plate=file, read=read).id


def test_a_gauge_section_is_stated_and_taken_back(book: Book, towers: str) -> None:
    """Of all but dummies, after a yes to what it holds; the plate's facts are cut again over it."""
    stated = "z:5-15"
    with pytest.raises(Doubt, match=r"J0001-01-Z, J0001-02-X: gauge section z 5 – 15 mm.*: layers \d+-\d+, "):
        state_gauge(book, WHO, load(), towers, stated, sure=False)
    done = state_gauge(book, WHO, load(), towers, stated, sure=True)
    rows = row_of(book, towers).specimens

    assert (done.id, done.also) == (towers, ["J0001-01-Z", "J0001-02-X"])
    assert '"about":["J0001-J","J0001-01-Z","J0001-02-X"]' in last_entry(book).body.replace(" ", "")
    assert [piece.gauge for piece in rows] == [stated, stated, None]
    assert rows[0].plate_facts["section"]["z_mm"] == [5.0, 15.0]
    assert rows[0].plate_facts["section"]["by"] == WHO
    with pytest.raises(Doubt, match="J0001-02-X: gauge section of the template again"):
        state_gauge(book, WHO, load(), towers, " Template ", ["tower #2"], sure=False)
    state_gauge(book, WHO, load(), towers, "template", ["tower #2"], sure=True)
    rows = row_of(book, towers).specimens
    assert [piece.gauge for piece in rows] == [stated, None, None]
    assert rows[1].plate_facts["section"]["z_mm"] == [0.0, 20.0]


@pytest.mark.parametrize(
    ("name", "meant"),
    [("1", [1]), ("j0001-02-x", [2]), ("Tower", [1, 2]), ("tower #2", [2]), ("cube", [3])],
)
def test_pieces_are_meant_by_number_id_or_name(book: Book, towers: str, name: str, meant: list[int]) -> None:
    """A name without its number means all alike, a dummy too where it is named."""
    state_gauge(book, WHO, load(), towers, "z:5-15", [name], sure=True)
    rows = row_of(book, towers).specimens
    assert [piece.piece for piece in rows if piece.gauge] == meant


@pytest.mark.parametrize("name", ["4", " ", "bar"])
def test_a_piece_that_the_job_has_not_is_refused(book: Book, towers: str, name: str) -> None:
    """With those it has."""
    with pytest.raises(FormError, match=rf"has no piece '{name}'\. It has 1 tower #1, 2 tower #2, 3 cube"):
        state_gauge(book, WHO, load(), towers, "z:5-15", ["1", name], sure=True)


def test_maps_mark_a_piece_of_their_own_plate_alone(book: Book, towers: str) -> None:
    """The piece of the same number of another plate is not it."""
    file = PlateFile("other.gcode", plate(FLAT, layers=2))
    other = add_job(book, WHO, {}, material="Nordlicht ASA", plate=file)
    bare, marked, strange = (
        map_picture(book, towers, "svg", highlight) for highlight in (None, "J0001-02-X", other.also[1])
    )
    assert bare == strange != marked
    assert bare.startswith(b"<svg")
    assert map_picture(book, towers, "png").startswith(b"\x89PNG")
    text = map_text(book, towers, 60)
    assert max(map(len, text.splitlines())) <= 60
    assert text.count("J0001-0") == 3
    assert map_text(book, towers, 60, "J0001-02-X") != text
    with pytest.raises(Refused, match=r"drawn as 'pdf'\. Name a file that ends in \.svg or \.png"):
        map_picture(book, towers, "pdf")


def test_a_plate_of_a_container_is_kept_with_its_number() -> None:
    """Its file has several."""
    assert PlateFile("a.3mf", b"").kept_name == "a.3mf"
    assert PlateFile("a.3mf", b"", {"plate": 2}).kept_name == "a.3mf #plate 2"


def test_a_file_of_one_plate_leaves_no_choice(flat_file: bytes) -> None:
    """Nothing is asked."""
    assert choices_in(PlateFile("plate.gcode", flat_file)) == []


def test_a_piece_that_is_not_on_its_plate_any_more_is_refused(book: Book, towers: str) -> None:
    """The kept file and the book do not agree: verify says more."""
    piece = row_of(book, towers).specimens[0]
    assert thing_of(book, piece).name == "tower_id_0_copy_0"
    piece.plate_facts = {**piece.plate_facts, "key": "gone"}
    with pytest.raises(Refused, match=r"not on its plate any more\. strandbook verify"):
        thing_of(book, piece)
