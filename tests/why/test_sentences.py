"""The sentences in which figures stand, each by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.why.simulated import STRENGTH
from tests.why.test_nodes import BELIEFS, small
from tests.why.test_working import BASE, PLATES, asked
from tracker.statistics import Welch
from tracker.why import Answer, Factor, answer, causes, posterior
from tracker.why.causes import Cause, weigh
from tracker.why.differed import Comparison
from tracker.why.effects import Direction
from tracker.why.findings import Check, Explanation, GroupShare, Share, Side, Span, Suspect
from tracker.why.posterior import Posterior, infer, sums
from tracker.why.problem import Zeros
from tracker.why.words import (
    _change,
    _claim,
    _doubts,
    _explained,
    _group_sentence,
    _lacking,
    _lists,
    _means,
    _next,
    _no_claim,
    _no_rank,
    _plan,
    _scope,
    _share_sentence,
    _suspects,
    chance,
    interval,
    number,
    per_cent,
    signed,
    signed_size,
    wrapped,
)


def plain(text: str) -> str:
    """Return a text with the hyphen for a minus."""
    return text.replace("\N{MINUS SIGN}", "-")


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (0.0, 3, "0"), (12.345, 3, "12.3"), (1234.5, 3, "1230"), (0.012345, 2, "0.012"), (-0.5, 3, "-0.500"),
        (1e-4, 1, "0.0001"), (9.4e-5, 2, "9.4e-05"), (999_999.0, 3, "1.00e+06"), (999_400.0, 3, "999000"),
        (math.inf, 3, "inf"), (9.996, 3, "10.00"),
    ],
)  # fmt: skip
def test_a_number(value: float, digits: int, text: str) -> None:
    """So many significant digits; an exponent only where digits are hard to count."""
    assert number(value, digits) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.1234, "+12.3 %"), (-0.1234, "-12.3 %"), (0.0, "+0.0 %"), (0.0005, "+0.1 %"), (0.0004, "+0.04 %"),
     (-0.0004, "-0.04 %"), (0.00049, "+0.05 %")],
)  # fmt: skip
def test_a_fraction(value: float, text: str) -> None:
    """To one decimal, or to one digit where that would be nought."""
    assert plain(per_cent(value)) == text


@pytest.mark.parametrize(
    ("p", "text"),
    [(0.0, "less than 1 %"), (0.005, "less than 1 %"), (0.0051, "1 %"), (0.5, "50 %"), (0.9949, "99 %"),
     (0.995, "more than 99 %"), (1.0, "more than 99 %")],
)  # fmt: skip
def test_a_probability(p: float, text: str) -> None:
    """Never certain."""
    assert chance(p) == text


def test_spans_in_words() -> None:
    """With their sign; nothing where the arithmetic's rounding is all there is."""
    span = Span(-2.345, -4.0, 0.5, -0.0469, -0.08, 0.01)
    assert plain(signed_size(span, "MPa")) == "-4.7 % (-2.3 MPa)"
    assert plain(interval(span, "MPa")) == "-8.0 % to +1.0 %"
    bare = Span(2.345, -4.0, 5.5)
    assert (plain(signed_size(bare, "mm")), plain(interval(bare, "mm"))) == ("+2.3 mm", "-4.0 to +5.5 mm")
    assert signed_size(replace(bare, delta=0.9e-6 * 9.5), "mm") == "0 mm"
    assert signed_size(replace(bare, delta=1.1e-6 * 9.5), "mm") != "0 mm"
    assert signed_size(replace(span, delta=1e-9), "MPa") == "0 % (0 MPa)"
    assert (plain(signed(-2.0)), signed(0.0), signed(3.14159, 3)) == ("-2.0", "0", "+3.14")


def test_lines_are_wrapped_at_forty_at_least() -> None:
    """Those that begin with two blanks hang; a number keeps its per cent."""
    lines = wrapped(["word " * 20, "  hang " * 20], 10)
    assert max(map(len, lines)) <= 40
    assert lines[0].startswith("word")
    assert [line[:4] for line in lines if "hang" in line] == ["  ha", *["    "] * (len(lines) - 4)]
    (long,) = wrapped(["a 5 %"], 40)
    assert long == "a 5 %"
    assert wrapped(["x" * 38 + " 5 %"], 40) == ["x" * 38, "5 %"]


@pytest.fixture(scope="module")
def found() -> Answer:
    """Give the answer of six plates."""
    return answer(asked(PLATES, label_a="J1", label_b="J2"))


def changed(found: Answer, **step: Any) -> Answer:
    """Return an answer with another first step."""
    return replace(found, difference=replace(found.difference, **step))


def test_what_is_claimed(found: Answer) -> None:
    """By how much, in per cent and in the unit, with its limits, and whether it matters."""
    assert found.verdict is not None
    verdict = replace(found.verdict, matters=0.05, matters_fraction=True, p_matters=0.876)
    span = Span(8.5833, 4.0, 13.0, 0.17024, 0.08, 0.26)
    assert plain(_claim(changed(found, likely=None), span, verdict)) == (
        "There is a difference in tensile.strength: J2 is 17.0 % (8.58 MPa) higher than J1; 95 % interval "
        "+8.0 % to +26.0 %. Chance that they truly differ by 5 % or more, which would matter: 88 %."
    )
    units = replace(verdict, matters=1.234, matters_fraction=False)
    lower = _claim(changed(found, likely=None), Span(-8.5833, -13.0, -4.0), units)
    assert "J2 is 8.58 MPa lower than J1; 95 % interval" in lower
    assert "truly differ by 1.2 MPa or more" in lower
    quiet = plain(_no_claim(found, Span(1.0, -2.0, 4.0, 0.02, -0.04, 0.08), verdict))
    assert "J2 less J1 is +2.0 % (+1.0 MPa), which lies within noise" in quiet
    assert "-4.0 % to +8.0 %, includes zero. They" in quiet
    assert "includes zero" not in _no_claim(found, Span(1.0, 0.5, 4.0, 0.02, 0.01, 0.08), verdict)


def explanations(*pairs: tuple[str, str, float]) -> tuple[Explanation, ...]:
    """Return explanations of kind, words and probability."""
    return tuple(Explanation(kind, (words,), words, p) for kind, words, p in pairs)  # type: ignore[arg-type]


BESIDE = " These plates cannot tell nozzle from something nobody recorded; another plate as one of them can."


@pytest.mark.parametrize(
    ("given", "differs", "leading", "end"),
    [
        ((("factor", "nozzle", 0.9), ("chance", "chance", 0.1)), True, "nozzle_c",
         " Consistent with nozzle alone."),
        ((("factor", "nozzle", 0.6), ("unrecorded", "hidden", 0.2), ("chance", "chance", 0.2)), True, None,
         " No single one can be named yet." + BESIDE),
        ((("factor", "nozzle", 0.81), ("unrecorded", "hidden", 0.19)), True, None,
         " No single one can be named yet."),
        ((("unrecorded", "hidden", 0.3), ("combination", "both", 0.21), ("factor", "fan", 0.49)), True, None,
         " None of the recorded factors alone: a combination or something not recorded."),
        ((("chance", "chance", 0.7), ("factor", "nozzle", 0.3)), False, None, ""),
    ],
)  # fmt: skip
def test_what_made_most_of_it(
    found: Answer, given: Any, differs: bool, leading: str | None, end: str
) -> None:
    """Likeliest first, with what is loose and what cannot be told apart."""
    assert found.verdict is not None
    verdict = replace(found.verdict, differs=differs, explanations=explanations(*given), withdrawn=())
    text = _explained(replace(found, leading=leading), verdict)
    head = "What made most of it" if differs else "What is seen may come from"
    shown = "; ".join(f"{words} {100 * p:.0f} %" for _, words, p in given)
    assert text == f"{head}: {shown}.{end}"


def test_explanations_that_are_not_printed_are_added_up(found: Answer) -> None:
    """Those below one in a hundred; if they make one together."""
    assert found.verdict is not None
    small_ones = [("factor", f"f{n}", 0.009) for n in range(2)]
    verdict = replace(
        found.verdict, differs=False, withdrawn=("it is rough",),
        explanations=explanations(("chance", "chance", 0.972), ("factor", "nozzle", 0.01), *small_ones),
    )  # fmt: skip
    assert _explained(found, verdict) == (
        "What is seen may come from: chance 97 %; nozzle 1 %; others together 2 %. But chance is not "
        "claimed: it is rough."
    )
    one = replace(
        verdict, explanations=explanations(("chance", "chance", 0.991), *small_ones[:1]), withdrawn=()
    )
    assert "others together" not in _explained(found, one)


@pytest.mark.parametrize(
    ("rows", "decides", "leading", "text"),
    [
        (0, None, None, "Next plate: not asked for; followup proposes it."),
        (1, 0.72, None,
         "Next plate: A once more (5 pieces); after it the right one is named with a chance of 72 %."),
        (3, None, None, "Next plate: A once more (5 pieces), 3 plates proposed in all."),
        (1, 0.72, "nozzle_c", "Next plate: none is needed; to confirm it, A once more (5 pieces)."),
    ],
)  # fmt: skip
def test_the_next_plate(
    found: Answer, rows: int, decides: float | None, leading: str | None, text: str
) -> None:
    """The first of a plan, what it promises, and how many there are."""
    row = {"plate": 2, "words": "A once more", "pieces": 5}
    given = replace(found, followup=(row,) * rows, decides=decides, leading=leading, no_followup="")
    assert _next(given) == text
    assert _plan(given) == (
        ["Further plates, should the first not decide:", *["  plate 2: A once more (5 pieces)."] * 2]
        if rows == 3
        else []
    )
    refused = replace(given, followup=(), no_followup="Nothing can be set")
    assert _next(refused) == "Next plate: none proposed; nothing can be set"
    single = replace(given, followup=({**row, "pieces": 1},), decides=None, leading=None)
    assert _next(single) == "Next plate: A once more (1 piece)."


def test_means_and_what_stands_beside_them(found: Answer) -> None:
    """Three digits, pieces and plates; Welch's interval and the permutation where there are any."""
    sides = {"a": Side(50.4167, ((50.0, "A1"),)), "b": Side(59.0, ((58.0, "B1"), (60.0, "B1")))}
    bare = changed(found, **sides, welch=None, permutation=None)
    assert _means(bare) == "J1 50.4 MPa (1 piece, 1 plate); J2 59.0 MPa (2 pieces, 1 plate)."
    welch = found.difference.welch
    assert isinstance(welch, Welch)
    more = changed(bare, welch=replace(welch, low=4.56, high=12.34), permutation=0.01234)
    assert plain(_means(more)).endswith(" Beside it, Welch's t: +4.6 to +12 MPa. Permutation p 0.012.")


def test_doubts_in_order(found: Answer) -> None:
    """Extremes, other quantities, plates' scatter, Welch, odd plates, scatter, zeros, what was set aside."""
    assert found.verdict is not None
    welch = found.difference.welch
    assert welch is not None
    calm = replace(
        changed(
            found, adjusted=None, plate_scatter_known=True, claimed=True, welch=None, odd=(),
            scatter_ratio=None,
            zeros=None, with_aside=None, remarks=(),
        ),
        verdict=replace(found.verdict, extremes=()), checks=(),
    )  # fmt: skip
    assert list(_doubts(calm)) == []
    told = changed(
        calm, adjusted=0.01234, odd=("A2", "B1"), scatter_ratio=(2.345, 1.2345, 4.567),
        zeros=Zeros((1, 5), (0, 4)),
        with_aside=(Span(1.0, -1.0, 3.0, 0.02, -0.02, 0.06), 1, 2), remarks=("A remark.",),
    )  # fmt: skip
    texts = [plain(text) for text in _doubts(told)]
    assert texts == [
        "Asked together with other quantities: adjusted for that (false discovery rate), p 0.012.",
        "Odd among their own, so counted for less: A2, B1.",
        "Pieces of J2 scatter 2.3 times as much as those of J1 (95 % interval 1.2 to 4.6).",
        "Read zero: 1 of 5 pieces of J1, 0 of 4 of J2; the means and all shares are of the others.",
        (
            "Set aside afterwards: 1 piece of J1 and 2 of J2; with them the difference would be "
            "+2.0 % (+1.0 MPa) (-2.0 % to +6.0 %)."
        ),
        "A remark.",
    ]
    for ratio, told_of in (((2.0, 1.0, 4.0), False), ((0.5, 0.2, 1.0), False), ((0.5, 0.2, 0.99), True)):
        assert any("scatter" in text for text in _doubts(changed(calm, scatter_ratio=ratio))) == told_of
    for low, high, claimed, said in (
        (-1.0, 2.0, True, "leans on"), (0.0, 2.0, True, "leans on"), (0.1, 2.0, True, ""),
        (-2.0, -0.1, True, ""),
        (0.1, 2.0, False, "excludes zero"), (-2.0, -0.1, False, "excludes zero"), (0.0, 2.0, False, ""),
    ):  # fmt: skip
        given = changed(calm, welch=replace(welch, low=low, high=high), claimed=claimed)
        assert [said in text for text in _doubts(given)] == [True] * bool(said)
    checks = (
        Check("a", passed=False, text="one"),
        Check("b", passed=True, text="two"),
        Check("c", passed=False, text="three"),
    )
    rough = replace(calm, checks=checks, verdict=replace(found.verdict, extremes=(), withdrawn=("three",)))
    assert list(_doubts(rough)) == ["Check: one"]


OWN = "consistent with a share of its own"


def test_shares_in_words(found: Answer) -> None:
    """Shown or not, alone or not, with what is published of it."""
    way = Direction("nozzle", "interlayer", "+", "S", "", "x")
    share = Share("nozzle_c", "nozzle", Span(2.0, 1.0, 3.0, 0.04, 0.02, 0.06), None)
    start = "nozzle: +4.0 % (+2.0 MPa) (+2.0 % to +6.0 %), "
    for given, end in (
        (share, "consistent with a share of its own."),
        (
            replace(share, from_unrecorded=False),
            "consistent with a share of its own or with something not recorded.",
        ),
        (
            replace(share, represents=("spool",)),
            "consistent with a share of its own; represents spool as well.",
        ),
        (
            replace(share, published=way),
            OWN + "; published: raising it raises interlayer properties [S].",
        ),
        (
            replace(share, published=replace(way, sign="-"), agrees=False),
            OWN + "; published: raising it lowers interlayer properties [S], not as here.",
        ),
        (
            replace(share, published=way, agrees=True),
            OWN + "; published: raising it raises interlayer properties [S], as here.",
        ),
        (replace(share, published=replace(way, sign="mixed")), "consistent with a share of its own."),
    ):
        assert _share_sentence(given, found) == start + end
    zero = replace(share, span=Span(2.0, -1.0, 3.0, 0.04, -0.02, 0.06))
    assert _share_sentence(zero, found).endswith("not shown, the interval includes zero.")


def test_a_group_in_words(found: Answer) -> None:
    """The material first; what moved along, and whether its joint share is shown."""
    group = GroupShare(("nozzle_c", "spool", "material"), (), Span(2.0, 1.0, 3.0, 0.04, 0.02, 0.06))
    assert _group_sentence(group, found) == (
        "material, nozzle_c and spool cannot be told apart: together +4.0 % (+2.0 MPa) (+2.0 % to +6.0 %). "
        "Nothing is claimed about one alone."
    )
    alone = GroupShare(("nozzle_c",), ("fan_pct",), Span(2.0, -1.0, 3.0))
    assert plain(_group_sentence(alone, found)) == (
        "nozzle_c cannot be told apart from fan_pct, which moved along elsewhere: +2.0 MPa (-1.0 to "
        "+3.0 MPa), not shown, the interval includes zero. Nothing is claimed about one alone."
    )


def test_suspects_in_words(found: Answer) -> None:
    """How many had it, and how many without read like B."""
    rows = (
        Suspect("a", "nozzle", 3, 2, 4, 1, ()), Suspect("b", "fan", 0, 0, 4, 1, ()),
        Suspect("c", "spool", 1, 0, 0, 0, ()),
        Suspect("d", "rig", 0, 0, 0, 0, ()),
    )  # fmt: skip
    assert _suspects(replace(found, suspects=rows)) == [
        "Other plates that had it as J2, and how many of them read like J2:",
        "  nozzle: 2 of 3; without it 1 of 4.",
        "  fan: no other plate had it; without it 1 of 4.",
        "  spool: 0 of 1.",
    ]
    assert _suspects(replace(found, suspects=rows[3:])) == []


def compared(a: Any, b: Any, **more: Any) -> Comparison:
    """Return how a nozzle compares."""
    known: dict[str, Any] = {
        "range_a": None, "range_b": None, "recorded_a": (2, 2), "recorded_b": (2, 2), "differs": True,
        "ratio": None,
    }  # fmt: skip
    return Comparison(Factor("nozzle_c", "°C", label="nozzle"), a, b, **{**known, **more})


def test_what_differed_in_words(found: Answer) -> None:
    """Both sides, their levels with counts, their ranges; what is lacking and on how many."""
    assert _change(compared(240.0, 270.0)) == "nozzle 240 → 270 °C"
    assert _change(compared(None, "x")) == "nozzle not recorded → x °C"
    several = compared(
        245.0, 250.0, levels_a=((240.0, 2), (250.0, 1)), levels_b=((250.0, 3),), range_a=(240.0, 250.0)
    )
    assert _change(several) == "nozzle 240 (2), 250 (1) → 250 °C"
    ranged = compared(245.0, 250.0, range_a=(240.0, 250.0), range_b=(250.0, 250.0))
    assert _change(ranged) == "nozzle 245 (240 to 250) → 250 °C"
    lacking = compared(1.0, 2.0, recorded_a=(1, 3), recorded_b=(2, 2), differs=False)
    assert _lacking(found, lacking) == "J1 2 of 3"
    rough = compared(1.0, 2.5, differs=False)
    scope = replace(found.scope, equal=("fan_pct",))
    problem = replace(found.problem, nowhere=("bed", "fan"))
    lists = _lists(
        replace(
            found, differed=(compared(240.0, 270.0),), unknown=(rough, lacking), scope=scope, problem=problem
        )
    )
    assert lists == [
        "Differed (1; 1 factor equal):",
        "  nozzle 240 → 270 °C",
        "Not known to differ, their bounds overlap, so not taken as equal:",
        "  nozzle 1.00 → 2.50 °C",
        "Not recorded, so not taken as equal: nozzle (J1 2 of 3).",
        "Not recorded by anybody: bed, fan.",
    ]
    none = _lists(replace(found, differed=(), unknown=(), scope=replace(scope, equal=("a", "b"))))
    assert none == ["Of what was recorded nothing differed (2 factors equal)."]


def test_a_scope_in_words(found: Answer) -> None:
    """Results, plates, materials; what is marked, left out, or imputed."""
    scope = replace(
        found.scope, results=14, plates=1, materials=("ASA",), words="method x", marked={"imported": 2},
        excluded={"b": 1, "a": 3}, imputed={"fan_pct": 4},
    )  # fmt: skip
    (text,) = _scope(replace(found, scope=scope))
    assert text == (
        "Rests on 14 results of 1 plate, 1 material (method x). Imputed where missing: fan_pct (4); "
        "left out: a (3), b (1); 2 marked imported."
    )
    bare = replace(scope, marked={}, excluded={}, imputed={}, words="", results=1, plates=2)
    assert _scope(replace(found, scope=bare)) == ["Rests on 1 result of 2 plates, 1 material."]


def test_ranks_without_a_difference_in_words() -> None:
    """Noise from one in twenty on; below it one plate a side is the reason."""
    values = {"A1": ([1.0, 2.0, 3.0, 4.0], BASE), "B1": ([2.0, 3.0, 4.0, 5.0], BASE)}
    ranks = answer(asked(values, question=replace(STRENGTH, ordinal=True))).difference.ranks
    assert ranks is not None
    assert "differ as much in 5 % of deals" in _no_rank(replace(ranks, p=0.05))
    assert "pieces of one plate are not plates" in _no_rank(replace(ranks, p=0.0499))


def one_node(data: Any, ranges: Any) -> Posterior:
    """Return a posterior that sits in the middle of its ranges."""
    del data
    middle = [np.exp(np.array([sum(pair) / 2])) for pair in ranges]
    one, none = np.ones(1), np.zeros((1, 0))
    return Posterior(one, one, middle[0], middle[1], none, none)


def test_a_grid_closes_in_four_times_at_most(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each look from nine nodes a side to a quarter of the range; the last, of thirteen, is the answer."""
    asked_: list[tuple[int, float]] = []

    def look(data: Any, _: Any, __: Any, ranges: Any, size: int) -> Posterior:
        asked_.append((size, ranges[0][1] - ranges[0][0]))
        return one_node(data, ranges)

    monkeypatch.setattr(posterior, "_grid", look)
    infer(sums(small()), np.zeros((0, 4)), BELIEFS)
    # One node and a step to each side: two of eight steps are left.
    whole = 7 * BELIEFS.plate_ratio[1]
    assert [size for size, _ in asked_] == [9, 9, 9, 9, 13]
    assert [width for _, width in asked_] == pytest.approx([whole / 4**n for n in range(5)])


def test_a_grid_that_does_not_close_in_is_looked_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """With half of its area or more left there is nothing to gain."""
    asked_: list[int] = []

    def look(_: Any, __: Any, ___: Any, ranges: Any, size: int) -> Posterior:
        asked_.append(size)
        ends = [np.exp(np.array(pair)) for pair in ranges]
        weight, none = np.full(2, 0.5), np.zeros((2, 0))
        return Posterior(weight, np.ones(2), ends[0], ends[1], none, none)

    monkeypatch.setattr(posterior, "_grid", look)
    infer(sums(small()), np.zeros((0, 4)), BELIEFS)
    assert asked_ == [9, 13]


def test_sets_are_weighed_on_the_last_of_five_grids(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four looks at few sets close in; nothing but the last has contrasts and all sets."""
    asked_: list[tuple[int, int]] = []
    base, weights = causes._base, causes._weights

    def seen(data: Any, own: Any, contrasts: Any, *rest: Any) -> Any:
        asked_.append((len(contrasts), 0))
        return base(data, own, contrasts, *rest)

    def weighed(sheets: Any, sets: Any, *rest: Any) -> Any:
        asked_[-1] = (asked_[-1][0], len(sets))
        found = weights(sheets, sets, *rest)
        middle = np.zeros_like(found[0])
        middle[len(middle) // 2] = 1.0
        return (middle / middle.sum(), *found[1:])

    monkeypatch.setattr(causes, "_base", seen)
    monkeypatch.setattr(causes, "_weights", weighed)
    own = [Cause("nozzle_c", 2, 0.3), Cause("fan_pct", 3, 0.3)]
    weigh(sums(small()), own, np.eye(1, 4, 2), np.ones(2), BELIEFS)
    # Nothing, each alone, both; on the last grid that is all there is of two.
    assert asked_ == [(0, 4)] * 4 + [(1, 4)]
