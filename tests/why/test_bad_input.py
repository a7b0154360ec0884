"""Questions that cannot be asked, data nobody wishes for: each answered or refused in plain words."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from tests.why.simulated import SIX, STRENGTH, World, book, explain
from tracker.errors import Refused
from tracker.why import Answer, Factor, Observation, Problem, Question, answer, overview
from tracker.why.answer import at_level

_WORLD = World({f.name: 0.05 for f in SIX}, 0.03, 0.03)


def _asked(history: int = 2) -> Problem:
    return book(np.random.default_rng(4), _WORLD, history, {"nozzle_c", "spool"})


def _simple(values_a: list[float], values_b: list[float], question: Question = STRENGTH) -> Problem:
    observations = [Observation(f"a{i}", question.quantity, v, "m", "A") for i, v in enumerate(values_a)]
    observations += [Observation(f"b{i}", question.quantity, v, "m", "B") for i, v in enumerate(values_b)]
    a, b = (frozenset(o.result_id for o in observations if o.plate == plate) for plate in "AB")
    return Problem(question, (), tuple(observations), a, b)


def _finite(found: Answer) -> bool:
    """True where the whole answer is JSON without NaN or infinity."""
    json.dumps(found.as_json(), allow_nan=False)
    return bool(found.sentences())


def test_a_equal_to_b_is_refused() -> None:
    """A group is not compared with itself."""
    asked = _asked()
    with pytest.raises(Refused, match="same results"):
        answer(replace(asked, b=asked.a))


def test_overlapping_groups_are_refused_with_an_example() -> None:
    """Results in both groups are counted and one is named."""
    asked = _asked()
    with pytest.raises(Refused, match=r"1 results are in both groups, first B-0"):
        answer(replace(asked, a=asked.a | {"B-0"}))


@pytest.mark.parametrize("side", ["a", "b"])
def test_empty_group_is_refused(side: str) -> None:
    """A filter that finds nothing is refused with the group's name."""
    with pytest.raises(Refused, match="holds no results"):
        answer(replace(_asked(), a=frozenset()) if side == "a" else replace(_asked(), b=frozenset()))


def test_unknown_result_is_refused() -> None:
    """An ID outside the scope is named."""
    asked = _asked()
    with pytest.raises(Refused, match="M9999"):
        answer(replace(asked, a=asked.a | {"M9999"}))


def test_quantity_missing_in_one_group_is_refused() -> None:
    """Where B's pieces were never tested for the quantity, the refusal says so."""
    asked = _asked()
    others = tuple(replace(o, quantity="impact.energy") if o.plate == "B" else o for o in asked.observations)
    with pytest.raises(Refused, match="no usable value"):
        answer(replace(asked, observations=others))


def test_group_of_nan_is_refused() -> None:
    """Values that are not numbers leave a group empty."""
    with pytest.raises(Refused, match="not numbers"):
        answer(_simple([math.nan, math.nan], [1.0, 2.0]))


def test_single_nan_is_left_out_and_reported() -> None:
    """One NaN among good values is left out, counted and named in the scope."""
    found = answer(_simple([50.0, 51.0, math.nan], [48.0, 49.0]))
    assert found.difference.a.n == 2
    assert found.scope.excluded == {"value is not a number": 1}


def test_same_result_twice_is_refused() -> None:
    """A result handed in twice would count double."""
    asked = _asked()
    with pytest.raises(Refused, match="given twice"):
        answer(replace(asked, observations=(*asked.observations, asked.observations[0])))


def test_one_specimen_each_is_answered() -> None:
    """Two single pieces have a difference with a wide interval, and the doubt is said."""
    found = answer(_simple([50.0], [45.0]))
    assert _finite(found)
    assert not found.difference.claimed
    assert not found.difference.plate_scatter_known
    assert found.difference.welch is None


def test_all_on_one_plate_is_answered() -> None:
    """A and B of one plate share what the plate had: it cancels, and that is said."""
    asked = _simple([50.0, 50.4, 49.6, 50.2], [40.0, 40.4, 39.6, 40.2])
    found = answer(replace(asked, observations=tuple(replace(o, plate="P") for o in asked.observations)))
    assert found.difference.claimed
    assert "cancels" in " ".join(found.difference.remarks)


def test_shared_plate_narrows_the_interval() -> None:
    """The same readings are worth more from one plate than from two."""
    apart = _simple([50.0, 50.4, 49.6], [48.0, 48.4, 47.6])
    together = replace(apart, observations=tuple(replace(o, plate="P") for o in apart.observations))
    widths = []
    for asked in (apart, together):
        span = answer(asked).difference.span
        assert span is not None
        widths.append(span.high - span.low)
    assert widths[1] < 0.6 * widths[0]


@pytest.mark.parametrize("b", [50.0, 45.0])
def test_zero_variance_is_answered(b: float) -> None:
    """Readings without any scatter are answered with finite numbers."""
    assert _finite(answer(_simple([50.0] * 4, [b] * 4)))


def test_equal_values_are_suspicious() -> None:
    """Where all values are equal the reader is told to look whether they were copied."""
    assert "copied" in " ".join(answer(_simple([50.0] * 3, [50.0] * 3)).sentences())


def test_factor_constant_but_for_one_row() -> None:
    """A factor that differs on one piece only is answered and claims nothing."""
    asked = _asked(4)
    odd = tuple(
        replace(o, factors={**o.factors, "rare": 1.0 if o.result_id == "B-0" else 0.0})
        for o in asked.observations
    )
    found = answer(replace(asked, observations=odd, factors=(*SIX, Factor("rare", resolution=0.1))))
    assert _finite(found)
    assert all(not share.shown for share in found.shares if share.factor == "rare")


def test_more_factors_than_results() -> None:
    """60 factors and 8 results: one group, no single claim."""
    factors = tuple(Factor(f"f{i:02d}", span=1.0) for i in range(60))
    asked = _simple([50.0, 51.0, 49.5, 50.2], [40.0, 41.0, 39.5, 40.2])
    levels = {"A": {f.name: 0.0 for f in factors}, "B": {f.name: 1.0 for f in factors}}
    observations = tuple(replace(o, factors=levels[o.plate]) for o in asked.observations)
    found = explain(replace(asked, factors=factors, observations=observations))
    assert _finite(found)
    assert [len(group.factors) for group in found.groups] == [60]


def test_nan_factor_is_not_recorded() -> None:
    """NaN and infinity in a factor count as not recorded, never as a value."""
    asked = _asked()
    odd = tuple(
        replace(o, factors={**o.factors, "nozzle_c": math.nan if o.plate == "A" else math.inf})
        for o in asked.observations
    )
    found = answer(replace(asked, observations=odd))
    assert _finite(found)
    assert "nozzle_c" in found.as_json()["not_recorded"]
    assert "nozzle_c" not in [share.factor for share in found.shares]


def test_values_not_above_zero_are_taken_as_they_are() -> None:
    """A positive quantity with a zero among its values is answered without logarithms, and that is said."""
    found = answer(_simple([0.0, 1.0, 2.0], [3.0, 4.0, 5.0]))
    assert _finite(found)
    assert not found.scope.log
    assert "logarithms" in " ".join(found.difference.remarks)


def test_grades_are_compared_by_rank() -> None:
    """Ordinal results have a rank statement, no mean, no shares."""
    question = Question("appearance.stringing", positive=False, ordinal=True)
    found = answer(_simple([0, 1, 1, 0, 1], [3, 4, 3, 4, 3], question))
    assert found.difference.ranks is not None
    assert found.difference.ranks.b_higher == 1
    assert found.as_json()["difference"]["mean_a"] is None
    assert found.shares == ()


def test_pieces_of_one_plate_prove_nothing_by_rank() -> None:
    """Grades of one plate each differ in every pair, yet no difference between plates is claimed."""
    question = Question("appearance.stringing", ordinal=True)
    found = answer(_simple([0, 1, 1, 0, 1], [3, 4, 3, 4, 3], question))
    assert not found.difference.claimed
    assert "pieces of one plate are not plates" in " ".join(found.sentences())


def test_bounds_are_compared_by_rank_with_a_tail_statement() -> None:
    """A bound such as above 120 °C has no mean: the answer says in how many pairs B reads higher."""
    asked = _simple([90.0, 91.0, 92.0, 95.0], [120.0] * 4, Question("softening.onset", "°C"))
    bounds = tuple(replace(o, censored="above") if o.plate == "B" else o for o in asked.observations)
    found = answer(replace(asked, observations=bounds))
    assert _finite(found)
    assert "in 100 % of pairs" in " ".join(found.sentences())


def test_bounds_elsewhere_are_left_out() -> None:
    """A bound outside A and B does not turn the question into one of ranks; it is left out and counted."""
    asked = _asked(2)
    bounds = tuple(replace(o, censored="above") if o.plate == "H00" else o for o in asked.observations)
    found = answer(replace(asked, observations=bounds))
    assert found.difference.span is not None
    assert found.scope.excluded == {"only a bound is known": 5}


@pytest.mark.parametrize("span", [0.0, -1.0, math.nan])
def test_impossible_span_is_refused(span: float) -> None:
    """A factor's typical span must be positive."""
    with pytest.raises(Refused, match="span"):
        answer(replace(_asked(), factors=(Factor("x", span=span),)))


@pytest.mark.parametrize("factors", [(Factor("x"), Factor("x")), (Factor("material", kind="category"),)])
def test_ambiguous_registry_is_refused(factors: tuple[Factor, ...]) -> None:
    """A factor declared twice, or one named material, is refused."""
    with pytest.raises(Refused, match=r"a factor is called material|factor x is declared twice"):
        answer(replace(_asked(), factors=factors))


def test_refusals_are_one_line() -> None:
    """A refusal fits the one line that the command line prints."""
    asked = _asked()
    with pytest.raises(Refused) as refused:
        answer(replace(asked, b=asked.a))
    assert "\n" not in str(refused.value)


def test_ranks_within_noise_are_reported_in_plain_words() -> None:
    """How often chance does as much, of which quantity."""
    found = answer(_simple([1, 2, 3], [2, 1, 3], Question("appearance.stringing", ordinal=True)))

    assert found.sentences(300)[0].startswith("No difference in ")
    assert "at random, the same pieces would differ as much in 100 % of deals" in found.sentences(300)[0]


def test_plates_whose_pieces_all_read_the_same_are_doubted() -> None:
    """No scatter at all is rounding, and the interval from it is too narrow."""
    told = " ".join(answer(_simple([50.0] * 3, [51.0] * 3)).sentences())

    assert "Pieces of one plate all read the same" in told


def test_an_overview_does_not_lead_with_rounded_readings() -> None:
    """However far apart they are, their interval is too narrow to be put first, and that is said."""
    strain = Question("tensile.strain_at_break", "%")
    found = overview([_simple([50.0] * 3, [70.0] * 3, strain), _simple([50, 51, 52], [60, 61, 62])])
    last = found.answers[-1]
    assert (last.problem.question.quantity, last.difference.scatters) == (strain.quantity, False)
    assert "so the interval is too narrow" in " ".join(found.sentences(300)).rpartition(strain.quantity)[2]


def test_values_above_zero_bring_no_remark_of_logarithms() -> None:
    """Where logarithms were taken nothing is said of values that are not above zero."""
    found = answer(_simple([50.0, 51.0, 52.5], [45.0, 46.0, 44.5]))
    assert found.scope.log
    assert "logarithms" not in " ".join(found.difference.remarks)


def test_limits_of_a_smaller_probability_of_error_are_wider() -> None:
    """At one in a hundred both limits lie beyond those of one in twenty, about the same difference."""
    found = answer(_simple([50.0, 51.0, 52.5], [45.0, 46.0, 44.5]))
    usual, wider = found.difference.span, at_level(found, 0.01).difference.span
    assert usual is not None
    assert wider is not None
    assert wider.low < usual.low < wider.delta < usual.high < wider.high
