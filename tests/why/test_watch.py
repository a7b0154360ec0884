"""What a look over a whole book points at."""

from __future__ import annotations

import importlib
import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tests.why import plain
from tests.why.simulated import SIX, STRENGTH, World, plate, some
from tracker.errors import Refused
from tracker.why import Factor, Observation, draw_watch, watch
from tracker.why.design import build
from tracker.why.posterior import infer, sums
from tracker.why.watch import Records, _Book, _Fit, _step
from tracker.why.working import typical_scatters

watch_module = importlib.import_module("tracker.why.watch")
_WORLD = World({f.name: 0.04 for f in SIX}, 0.02, 0.01)
_RIG = Factor("rig", kind="category")


def _plates(count: int, seed: int = 5) -> list[Observation]:
    rng = np.random.default_rng(seed)
    return [
        replace(o, order=float(i)) for i in range(count) for o in plate(rng, _WORLD, f"P{i:02d}", some(rng))
    ]


def test_quiet_book_points_at_nothing() -> None:
    """Where nothing is wrong one sentence says so."""
    assert watch(STRENGTH, SIX, _plates(15)).sentences() == ["tensile.strength: nothing stands out."]


def test_odd_piece_is_named_with_its_result() -> None:
    """A piece 30 % too weak is named, with what was to be expected of it."""
    odd = [replace(o, value=o.value * 0.7) if o.result_id == "P07-2" else o for o in _plates(15)]
    found = watch(STRENGTH, SIX, odd)
    assert [item.result_id for item in found.improbable] == ["P07-2"]
    assert found.improbable[0].expected == pytest.approx(odd[37].value / 0.7, rel=0.1)
    assert "P07-2" in " ".join(found.sentences())


def test_leave_one_out_agrees_with_leaving_one_out() -> None:
    """The closed form equals the plain computation that really leaves the result out."""
    observations = _plates(6)
    design = build(STRENGTH, SIX, observations)
    book = _Book.of(STRENGTH, SIX, Records.of(observations))
    post = infer(book.data, np.zeros((0, len(book.data.xy))))
    fit = _Fit.at(book, post)
    for row in (0, 7, 29):
        assert fit.z[row] == pytest.approx(plain.left_out(design, row, *typical_scatters(post)), abs=1e-3)


@pytest.mark.parametrize("share", [True, False])
def test_sums_of_cells_are_those_of_single_results(share: bool) -> None:
    """One row a cell and no column a material give what one row a result and one column a material do."""
    observations = _several_materials(share=share)
    factors = (*SIX, _RIG)
    design = build(STRENGTH, factors, observations)
    book = _Book.of(STRENGTH, factors, Records.of(observations))
    q, p = len(design.materials), design.x.shape[1]
    assert (len(book.data.plate_x), q) == (24, 3)
    assert len(book.design.y) == (24 if share else len(observations))
    ours = infer(book.data, np.eye(p))
    theirs = infer(sums(design), np.hstack([np.zeros((p, q)), np.eye(p)]))
    assert typical_scatters(ours) == pytest.approx(typical_scatters(theirs), rel=1e-6)
    assert ours.weight @ ours.mean == pytest.approx(theirs.weight @ theirs.mean, rel=1e-6, abs=1e-9)
    assert ours.weight @ ours.variance == pytest.approx(theirs.weight @ theirs.variance, rel=1e-6)
    fit, z = _Fit.at(book, ours), plain.plate_scores(design, *typical_scatters(theirs))
    named = dict(zip(book.plates, fit.plate_z, strict=True))
    assert [named[o.plate] for o in observations] == pytest.approx(list(z[design.plate]), rel=1e-5)
    for row in (3, 40, 77):
        left = plain.left_out(design, row, *typical_scatters(theirs))
        assert fit.z[row] == pytest.approx(left, abs=2e-3)


def _several_materials(*, share: bool) -> list[Observation]:
    """Return 24 plates of three materials with two rigs, one factor known as an interval only."""
    found = []
    for i, plate_ in enumerate(_by_plate(_plates(24))):
        known = {**plate_[0].factors, "rig": f"R{i % 2}"}
        if i % 5 == 0:
            known["chamber_c"] = (35.0, 45.0)
        found += [
            replace(o, material=f"M{i % 3}", factors=known if share else dict(known))
            for o in plate_[: 5 - i % 3]
        ]
    return found


def _by_plate(observations: list[Observation]) -> list[list[Observation]]:
    return [
        [o for o in observations if o.plate == name] for name in dict.fromkeys(o.plate for o in observations)
    ]


def test_jump_of_a_plate_is_on_the_chart() -> None:
    """A plate 20 % off, with nothing recorded that explains it, leaves the control limits."""
    odd = [replace(o, value=o.value * 1.2) if o.plate == "P10" else o for o in _plates(20)]
    chart = watch(STRENGTH, SIX, odd).charts[0]
    assert "P10" in chart.beyond


def test_drift_shows_in_the_moving_average() -> None:
    """A drift of 1 % a plate leaves the limits of the moving average."""
    odd = [replace(o, value=o.value * (1 + 0.01 * (o.order or 0))) for o in _plates(24)]
    chart = watch(STRENGTH, SIX, odd).charts[0]
    assert chart.average.beyond


def test_step_beyond_what_shuffles_can_tell_is_distinguished_from_chance() -> None:
    """A step of many standard deviations is less probable than one in the number of shuffles.

    In a book of hundreds of charts, adjusted together, it would else never be shown. Its probability is that
    of SciPy's two-sample t test, times the 27 cuts that leave two plates on each side (Bonferroni).
    """
    calm = np.random.default_rng(3).normal(0, 0.01, 30)
    found = _step([f"P{i}" for i in range(30)], [*calm[:15], *(calm[15:] + 0.1)])
    assert found is not None
    assert (found.plate, found.before, found.after) == ("P15", 15, 15)
    assert found.p < 1e-8
    assert found.p == pytest.approx(27 * stats.ttest_ind(calm[:15], calm[15:] + 0.1).pvalue, rel=1e-6, abs=0)


def test_shuffles_in_parts_are_those_all_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of thousands of plates they do not fit together; the same come, and give the same probability."""
    names, values = [f"P{i}" for i in range(12)], list(np.random.default_rng(4).normal(size=12))
    every = _step(names, values)
    monkeypatch.setattr(watch_module, "_NUMBERS", 100)
    assert _step(names, values) == every


@pytest.mark.parametrize(("kind", "other"), [("since", "trend"), ("trend", "since")])
def test_step_and_drift_are_one_line_that_says_which(kind: str, other: str) -> None:
    """A step of 10 % shows as a drift too, and a drift of 20 % as a step: the line says what fits better."""
    size = (lambda at: 0.1 * (at >= 12)) if kind == "since" else (lambda at: 0.2 * at / 24)
    odd = [replace(o, value=o.value * (1 + size(o.order or 0))) for o in _plates(24)]
    shown = {signal.kind for signal in watch(STRENGTH, SIX, odd).signals if signal.shown}
    assert kind in shown
    assert other not in shown


def test_plates_are_charted_in_order_of_time() -> None:
    """Plates follow their time, not their names; those without a time come last."""
    observations = [replace(o, order=-(o.order or 0.0) if o.plate != "P03" else None) for o in _plates(6)]
    assert watch(STRENGTH, SIX, observations).charts[0].plates == ("P05", "P04", "P02", "P01", "P00", "P03")


def test_rig_that_reads_high_is_named() -> None:
    """A rig that reads 8 % high is named; its twin, by symmetry, reads low."""
    observations = [
        replace(o, value=o.value * (1.08 if i % 2 else 1.0), factors={**o.factors, "rig": f"R{i % 2}"})
        for i, o in enumerate(_plates(15))
    ]
    found = watch(STRENGTH, (*SIX, _RIG), observations)
    levels = {reader.level: reader for reader in found.readers}
    assert levels["R1"].differs
    assert levels["R1"].delta - levels["R0"].delta == pytest.approx(0.08, abs=0.02)
    assert "rig R1 reads" in " ".join(found.sentences())


def test_rigs_alike_are_not_named() -> None:
    """Two rigs that read alike are not pointed at."""
    observations = [replace(o, factors={**o.factors, "rig": f"R{i % 2}"}) for i, o in enumerate(_plates(15))]
    assert not any(reader.differs for reader in watch(STRENGTH, (*SIX, _RIG), observations).readers)


def test_intermediate_precision_grows_with_rigs() -> None:
    """Plates read by rigs 10 % apart have a component between rigs of about that size."""
    observations = [
        replace(
            o,
            value=o.value * (1.1 if int(o.plate[1:]) % 2 else 1.0),
            factors={**o.factors, "rig": o.plate[-1] in "13579"},
        )
        for o in _plates(24)
    ]
    found = watch(STRENGTH, (*SIX, _RIG), observations).precision[0]
    assert found.between == pytest.approx(math.log(1.1) / math.sqrt(2), rel=0.35)


def test_two_plates_of_a_material_have_no_chart() -> None:
    """A chart wants three plates of a material."""
    observations = [replace(o, material="rare") if o.plate in {"P00", "P01"} else o for o in _plates(10)]
    assert [chart.material for chart in watch(STRENGTH, SIX, observations).charts] == ["PETG-1"]


def test_picture_draws_what_a_line_is_about_and_no_hundred_charts() -> None:
    """Of thirteen materials twelve are drawn, that with the odd plate among them."""
    plates = _by_plate(_plates(60))
    mixed = [
        replace(o, material=f"M{min(i // 3, 12):02d}", value=o.value * (1.4 if o.plate == "P50" else 1.0))
        for i, own in enumerate(plates)
        for o in own
    ]
    found = watch(STRENGTH, SIX, mixed)
    text = draw_watch(found).decode()
    assert any(signal.shown and signal.text.startswith("M12: P50") for signal in found.signals)
    assert "1 more materials are not drawn" in text
    assert "M12" in text
    assert "M11" not in text


def test_watch_is_data() -> None:
    """Everything goes through JSON."""
    observations = [replace(o, factors={**o.factors, "rig": f"R{i % 2}"}) for i, o in enumerate(_plates(8))]
    assert json.dumps(watch(STRENGTH, (*SIX, _RIG), observations).as_json(), allow_nan=False)


def test_grades_are_refused() -> None:
    """Grades have no residuals."""
    with pytest.raises(Refused, match="grades"):
        watch(replace(STRENGTH, ordinal=True), SIX, _plates(4))


def test_too_few_results_are_refused() -> None:
    """Two results cannot be watched."""
    with pytest.raises(Refused, match="three"):
        watch(STRENGTH, SIX, _plates(1)[:2])
