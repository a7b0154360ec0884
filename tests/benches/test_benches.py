"""Other benches' results: taken in as theirs, compared by ISO 5725-2, and asked of as a factor."""

from __future__ import annotations

import csv
import io
import shutil
import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest
from sqlalchemy import func, select

from tests.desk.bench import WHO, a_job, a_material, a_pull, a_spool
from tests.publish.conftest import book_place, filled, plugged
from tests.statistics.certified import GLUCOSE, SULFUR_1, SULFUR_2, glucose
from tracker.benches import BenchLevel, compare_benches, import_site, mandel_picture
from tracker.book import Book, new_book, open_book
from tracker.comparing import Scope
from tracker.comparing.asking import problems
from tracker.errors import Refused
from tracker.model import JournalRecord, OtherBench, OtherResult
from tracker.plugins import Plugged
from tracker.publish import choose_publication, publish
from tracker.publish.manifest import published
from tracker.selection import parse_filter
from tracker.selection.rows import other_rows
from tracker.table import summary_table

__all__ = ["book_place", "filled", "plugged"]


@pytest.fixture(scope="session")
def theirs_once(plugged: Plugged, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Publish the site of another bench that pulled the same material."""
    root = tmp_path_factory.mktemp("theirs")
    with new_book(str(root / "other"), "Somebody Else", title="Nebenan") as other:
        a_material(other)
        pieces = a_job(other, "bar:XYZ:3", spools=(a_spool(other, lot="L-99"),), nozzle_set_c=245).also
        for piece, force in zip(pieces, (2000, 2040, 2080), strict=True):
            a_pull(other, piece, {"max_force": str(force), "area": "40"})
        choose_publication(other, "Somebody Else", licence="CC-BY-4.0")
        return publish(other, plugged, root / "site").folder


@pytest.fixture
def theirs(theirs_once: Path, tmp_path: Path) -> Path:
    """Give a copy of it."""
    return Path(shutil.copytree(theirs_once, tmp_path / "theirs"))


def rows(book: Book) -> list[OtherResult]:
    """Return what the book holds of others."""
    with book.read() as session:
        found = list(session.query(OtherResult).order_by(OtherResult.id))
        session.expunge_all()
    return found


def test_their_results_come_in_as_theirs(filled: Book, theirs: Path) -> None:
    """With bench, licence and their own IDs; the counts say what was new."""
    made = import_site(filled, WHO, theirs)
    with filled.read() as session:
        bench = session.query(OtherBench).one()

    assert (bench.title, bench.licence, bench.code) == ("Nebenan", "CC-BY-4.0", made.code)
    assert {row.measurement for row in rows(filled)} == {"M0001-Y", "M0002-W", "M0003-U"}
    assert made.new == len(rows(filled))
    strength = [row.value for row in rows(filled) if row.quantity == "tensile.strength"]
    assert strength == [50.0, 51.0, 52.0]
    assert rows(filled)[0].factors is not None
    assert rows(filled)[0].factors["nozzle_c"] == 245.0


def test_nothing_of_theirs_is_in_our_table(filled: Book, theirs: Path, plugged: Plugged) -> None:
    """Never mixed unasked: table and results are as before."""
    before = summary_table(filled, plugged=plugged).as_json()
    import_site(filled, WHO, theirs)

    assert summary_table(filled, plugged=plugged).as_json() == before


def publish_again(site: Path, results: list[str]) -> None:
    """Publish a site again with other lines in its table of results."""
    with published(site) as files:
        for path in list(files._old):
            if path.startswith("data/") or path == "datapackage.json":
                table = path == "data/results.csv"
                files.put(path, "".join(results).encode() if table else (site / path).read_bytes())


def test_imported_again_only_what_changed_is_written(filled: Book, theirs: Path) -> None:
    """The same site writes nothing new; one that lost a result takes it back, until it is there again."""
    first = import_site(filled, WHO, theirs)
    again = import_site(filled, WHO, theirs)
    lines = (theirs / "data/results.csv").read_text("utf-8").splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith("M0003-U")]
    kept[1] = kept[1].replace(",50.0,", ",50.5,")
    publish_again(theirs, kept)
    third = import_site(filled, WHO, theirs)

    assert (again.new, again.changed, again.gone, again.same) == (0, 0, 0, first.new)
    assert third.new == 0
    assert third.gone >= 1
    assert {row.measurement for row in rows(filled)} == {"M0001-Y", "M0002-W"}
    publish_again(theirs, lines)
    fourth = import_site(filled, WHO, theirs)
    assert (fourth.new, fourth.gone) == (third.gone, 0)
    assert {row.measurement for row in rows(filled)} >= {"M0001-Y", "M0002-W", "M0003-U"}


def test_a_dry_run_writes_nothing(filled: Book, theirs: Path) -> None:
    """And says what it would."""
    assert import_site(filled, WHO, theirs, dry=True).new > 0
    assert rows(filled) == []


def test_our_own_site_is_refused(filled: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A number must not stand against itself."""
    site = publish(filled, plugged, tmp_path / "ours").folder
    with pytest.raises(Refused, match="of this very book"):
        import_site(filled, WHO, site)


def test_an_altered_table_is_refused(filled: Book, theirs: Path) -> None:
    """What the manifest does not list was not published by them."""
    place = theirs / "data/results.csv"
    place.write_text(place.read_text("utf-8").replace("50.0", "90.0"), encoding="utf-8")
    with pytest.raises(Refused, match="is not what the site's manifest lists"):
        import_site(filled, WHO, theirs)
    assert rows(filled) == []


def test_what_is_no_site_is_refused(filled: Book, tmp_path: Path) -> None:
    """In one line."""
    with pytest.raises(Refused, match="is no published site"):
        import_site(filled, WHO, tmp_path)


def test_the_bench_is_a_factor_of_why(filled: Book, theirs: Path, plugged: Plugged) -> None:
    """Asked for, their results stand among ours, and the bench among what differs."""
    code = import_site(filled, WHO, theirs).code
    scope = Scope(benches=True)
    found = problems(
        filled,
        plugged,
        f'bench={filled.code} material="Nordlicht ASA"',
        f"bench={code}",
        "tensile.strength",
        scope,
    )[0]

    assert "bench" in {factor.name for factor in found.factors}
    assert found.b == {f"{code}:M0001-Y", f"{code}:M0002-W", f"{code}:M0003-U"}
    with pytest.raises(Refused, match="under the name 'bench'"):
        problems(filled, plugged, f"bench={filled.code}", f"bench={code}", "tensile.strength")


def put_levels(book: Book, levels: Mapping[str, Sequence[Sequence[float]]]) -> None:
    """Put readings of laboratories L1, L2 … into a book as other benches' results, a material each level."""
    with book.act("import site", WHO) as act:
        for number in range(1, 1 + max(map(len, levels.values()))):
            act.session.add(OtherBench(code=f"L{number}"))
        act.session.flush()
        for material, laboratories in levels.items():
            for number, values in enumerate(laboratories, start=1):
                for place, value in enumerate(values, start=1):
                    act.session.add(
                        OtherResult(
                            bench_id=number, measurement=f"M{place}-{material}", method="tensile", unit="%",
                            quantity="coal.sulfur", value=value, counted=True, material=material,
                        )
                    )  # fmt: skip


def levels_of(book: Book) -> dict[str, BenchLevel]:
    """Return what the command says of each level."""
    return {level.material: level for level in compare_benches(book, "coal.sulfur")}


def test_precision_is_that_of_the_standard(book: Book) -> None:
    """Sulfur in coal, levels 1 and 2 (ISO 5725-2:1994, annex B.1): m, s_r and s_R as printed; from memory."""
    put_levels(book, {"level 1": SULFUR_1, "level 2": SULFUR_2})
    levels = levels_of(book)

    for name, printed in (("level 1", (0.690, 0.015, 0.026)), ("level 2", (1.252, 0.029, 0.061))):
        found = levels[name].components
        assert (found.mean, found.s_r, found.s_big_r) == pytest.approx(printed, abs=5e-4)
    first = levels["level 1"]
    assert first.found is not None
    assert not first.found.cochran.is_outlier
    assert any("none at 5 %" in line for line in first.lines())


def test_precision_is_that_of_e691(book: Book) -> None:
    """Glucose in serum, eight laboratories (worked example of ASTM E691; from memory): mean, s_r, s_R and k.

    Of all laboratories and levels the second one's 309.40 at level E alone gives a k beyond its critical
    value.
    """
    put_levels(book, {material: glucose(material) for material in GLUCOSE})
    levels = levels_of(book)
    printed = {
        "A": (41.5183, 1.0632, 1.0632), "B": (79.6796, 1.4949, 1.5796),
        "D": (194.7170, 2.6251, 3.3657), "E": (294.4920, 3.9350, 4.1923),
    }  # fmt: skip

    for material, (mean, s_r, s_big_r) in printed.items():
        found = levels[material].components
        assert found.mean == pytest.approx(mean, abs=1.1e-4)
        assert (found.s_r, found.s_big_r) == pytest.approx((s_r, s_big_r), abs=5e-5)
    lines = [(name, line.strip()) for name, each in levels.items() for line in each.lines()]
    beyond = [f"{name} {line}" for name, line in lines if "k beyond" in line]
    assert beyond == ["E Mandel's k beyond its 1 % value: L2"]
    assert levels["E"].as_json()["k"]["L2"] == pytest.approx(2.33, abs=5e-3)


def test_the_picture_has_a_bar_for_each_bench(book: Book) -> None:
    """H and k of eight benches, two lines at each of the critical values of h, one of k."""
    put_levels(book, {"level 1": SULFUR_1})
    svg = ET.fromstring(mandel_picture(compare_benches(book, "coal.sulfur"), "coal.sulfur"))  # noqa: S314 - it is our own
    bars = [each for each in svg.iter("{http://www.w3.org/2000/svg}rect") if each.get("fill") == "#0f5c66"]

    assert len(bars) == 16


def test_two_benches_have_no_h_and_k(filled: Book, theirs: Path) -> None:
    """Repeatability and reproducibility they have; what needs three says so."""
    import_site(filled, WHO, theirs)
    level = compare_benches(filled, "tensile.strength", parse_filter("orientation=XYZ"))[0]

    assert level.found is None
    assert set(level.values) == {filled.code, *(row.bench for row in _others(filled))}
    assert any("need three benches" in line for line in level.lines())
    with pytest.raises(Refused, match="nothing to draw"):
        mandel_picture([level], "tensile.strength")


def _others(book: Book) -> list[object]:
    with book.connect() as connection:
        return list(other_rows(connection))


def test_one_bench_alone_is_no_comparison(filled: Book) -> None:
    """How to choose another is shown."""
    with pytest.raises(Refused, match="from two benches"):
        compare_benches(filled, "tensile.strength")


def test_a_site_is_read_as_any_reader_reads_it(theirs: Path) -> None:
    """The columns that the import takes are those of the published table."""
    with (theirs / "data/results.csv").open(encoding="utf-8") as file:
        head = next(csv.reader(io.StringIO(file.readline())))
    assert {"measurement", "specimen", "job", "material", "quantity", "value", "unit", "counted"} <= set(head)


def test_an_open_book_is_left_as_it_was(tmp_path: Path, theirs: Path) -> None:
    """A refused import leaves no journal entry."""
    new_book(str(tmp_path / "mine"), WHO).close()
    with open_book(str(tmp_path / "mine")) as mine:
        before = _entries(mine)
        (theirs / "data/factors.csv").unlink()
        with pytest.raises(Refused, match="is missing"):
            import_site(mine, WHO, theirs)
        assert _entries(mine) == before


def _entries(book: Book) -> int:
    with book.connect() as connection:
        return connection.scalar(select(func.count()).select_from(JournalRecord)) or 0
