"""Pictures of a site: what is drawn in them, and that dried is shown beside not dried."""

from __future__ import annotations

import datetime as dt
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.desk.bench import WHO, a_job, a_material, a_pull, a_spool, at
from tracker.api.picture import lines_alone, picture
from tracker.book import Book, new_book
from tracker.desk.voiding import judge
from tracker.model import Drying, DryingSpool, StoragePeriod
from tracker.plugins import Plugged
from tracker.publish import publish
from tracker.publish.drawing import Curve, Strip, curves, strips, thinned, ticks

SVG = "{http://www.w3.org/2000/svg}"


def dry_and_wet_book(place: Path) -> Book:
    """Make a book of one spool, printed from after three weeks in the open, and again after a drying."""
    book = new_book(str(place), WHO)
    a_material(book)
    spool = a_spool(book, lot="L-3")
    with book.act("spool keep", WHO) as act:
        act.session.add(StoragePeriod(spool_id=1, place="open air", began_at=at("2026-01-01"), rh_pct=50))
    with book.act("dry", WHO) as act:
        begun = at("2026-01-23")
        drying = Drying(began_at=begun, ended_at=begun + dt.timedelta(hours=6), set_c=80, measured_c=78)
        act.session.add(drying)
        act.session.flush()
        act.session.add(DryingSpool(drying_id=drying.id, spool_id=1))
    for started, forces in (("2026-01-22 09:00", (700, 740, 500)), ("2026-01-23 12:00", (1000, 1040, 1020))):
        pieces = a_job(book, "bar:ZXY:3", spools=(spool,), started_at=started).also
        for piece, force in zip(pieces, forces, strict=True):
            a_pull(book, piece, {"max_force": str(force), "area": "40"})
    judge(book, WHO, "M0003-U", counted=False, reason="stringy", quantity="tensile.strength")
    return book


@pytest.fixture(scope="module")
def site(plugged: Plugged, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Publish that book."""
    root = tmp_path_factory.mktemp("drawn")
    with dry_and_wet_book(root / "book") as book:
        return publish(book, plugged, root / "site").folder


def words(picture: Path) -> list[str]:
    """Return what is written in a picture."""
    root = ET.fromstring(picture.read_text("utf-8"))  # noqa: S314 - it is our own
    return [text.text or "" for text in root.iter(f"{SVG}text")]


def test_dried_is_shown_beside_not_dried(site: Path) -> None:
    """Two lines of one material and orientation, three pieces dried and two that count not dried."""
    drawn = words(site / "pictures/dried-tensile.strength.svg")

    assert [text for text in drawn if "dried" in text and "beside" not in text] == [
        "Nordlicht ASA · upright · dried", "Nordlicht ASA · upright · not dried",
    ]  # fmt: skip
    assert [text for text in drawn if text.startswith("n ")] == ["n 3", "n 2"]
    assert "pictures/dried-tensile.strength.svg" in (site / "index.html").read_text("utf-8")


def test_what_was_set_aside_is_a_hollow_mark(site: Path) -> None:
    """One of the pieces that were not dried; the five that count are dots."""
    text = (site / "pictures/tensile.strength.svg").read_text("utf-8")

    assert text.count("<circle class='h'") == 1
    assert text.count("h0") == 5


def test_no_name_is_written_over_its_note() -> None:
    """However long both are, they share one line of seventy-six letters."""
    told = strips("t", [Strip("m" * 200, [1.0, 2.0], note="n 4, 2 of 4 failed")])
    name = next(text for text in ET.fromstring(told).iter(f"{SVG}text") if "m" in (text.text or ""))  # noqa: S314

    assert len(name.text or "") + len("n 4, 2 of 4 failed") <= 76


POINTS = st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)), min_size=2, max_size=400)


@given(POINTS)
def test_a_thinned_curve_keeps_its_ends_and_its_extremes(points: list[tuple[float, float]]) -> None:
    """Of the places drawn all are places of the curve; thinned again it is the same."""
    x, y = [p[0] for p in points], [p[1] for p in points]
    thin = thinned(Curve(x, y))

    assert set(zip(thin.x, thin.y, strict=True)) <= set(points)
    assert (min(thin.y), max(thin.y)) == (min(y), max(y))
    assert ((thin.x[0], thin.y[0]), (thin.x[-1], thin.y[-1])) == (points[0], points[-1])
    assert thinned(thin) == thin


@given(POINTS)
def test_every_curve_is_well_formed(points: list[tuple[float, float]]) -> None:
    """XML that any reader takes, whatever the numbers; each step of the path is two numbers."""
    told = curves("t", ("x", "y"), [Curve([p[0] for p in points], [p[1] for p in points])])
    path = next(each for each in ET.fromstring(told).iter(f"{SVG}path") if each.get("class") == "c")  # noqa: S314

    assert (path.get("d") or "").startswith("M")


def test_ticks_are_round_and_enclose() -> None:
    """Steps of 1, 2 or 5."""
    assert ticks(0, 47.5) == [0, 10, 20, 30, 40, 50]
    assert ticks(3, 3)[0] <= 3 <= ticks(3, 3)[-1]


def test_lines_alone_are_the_lines_of_the_figure() -> None:
    """What is drawn without a figure is what its axes would hold."""

    def draw() -> object:
        figure, axes = picture("Pull", ("strain / %", "stress / MPa"))
        axes.plot([0, 1], [0, 40], color="k", label="curve")
        axes.axhline(40)
        axes.legend().set_title("pulls")
        return figure

    real = draw()
    with lines_alone():
        bare = draw()

    assert [list(map(list, line)) for line in bare.axes[0].lines] == [[[0, 1], [0, 40]]]  # type: ignore[attr-defined]
    assert bare.axes[0].labels == (real.axes[0].get_xlabel(), real.axes[0].get_ylabel())  # type: ignore[attr-defined]
