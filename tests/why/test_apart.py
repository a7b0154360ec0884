"""The rule by which factors are told apart, against covariances of all results and by trying every set."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from scipy.linalg import null_space

from tests.why.simulated import STRENGTH
from tracker.why import Factor, Observation
from tracker.why.design import build
from tracker.why.posterior import sums
from tracker.why.separable import MATERIAL, ODDS, Group, Rule, _groups, separate

_FACTORS = (Factor("x", span=1.0), Factor("y", span=2.0), Factor("spool", kind="category"))
_KAPPA = 0.20 / 0.03
"""Usual effect of a span over the usual scatter of pieces, as the priors have them."""


def observed(materials: tuple[str, ...]) -> list[Observation]:
    """Return two to three pieces of each of seven plates, their factors drawn."""
    rng = np.random.default_rng(len(materials))
    return [
        Observation(
            f"P{j}-{i}", STRENGTH.quantity, 40.0 + i, materials[j % len(materials)], f"P{j}",
            factors={"x": float(j % 3), "y": float(rng.integers(0, 4)), "spool": f"S{j % 2}"},
        )
        for j in range(7)
        for i in range(2 + j % 2)
    ]  # fmt: skip


def divergence(one: np.ndarray, other: np.ndarray) -> float:
    """Return KL of two Gaussians without mean, by their covariances."""
    traced = np.trace(np.linalg.solve(other, one)) - len(one)
    return float(traced + np.linalg.slogdet(other)[1] - np.linalg.slogdet(one)[1]) / 2


@pytest.mark.parametrize("materials", [("m",), ("m", "n")])
@pytest.mark.parametrize("rival", [("y",), ("spool",), ("y", "spool")])
def test_the_odds_are_the_divergence_of_two_covariances(
    materials: tuple[str, ...], rival: tuple[str, ...]
) -> None:
    """W⁻¹ + κ² X X' of all results, intercepts taken out; and twice the logarithm of the sizes of change."""
    observations = observed(materials)
    design = build(STRENGTH, _FACTORS, observations)
    data = sums(design)
    blocks = {factor.name: data.q + design.columns_of(factor.name) for factor in _FACTORS}
    changes = {"x": -0.5, "y": 0.2}
    rule = Rule.of(data, blocks, changes)
    one = np.eye(len(materials))[design.material]
    free = null_space(one.T)
    noise = np.eye(len(observations)) + (design.plate[:, None] == design.plate[None, :])

    def covariance(names: tuple[str, ...]) -> np.ndarray:
        columns = []
        for name in names:
            own = design.x[:, design.columns_of(name)].copy()
            own[:, 0] /= abs(changes.get(name, 1.0))
            columns.append(own)
        x = np.hstack(columns)
        return np.asarray(free.T @ (noise + _KAPPA**2 * x @ x.T) @ free)

    kl = divergence(covariance(("x",)), covariance(rival))
    larger = 2 * math.log(0.5 / 0.2) if "y" in rival else 0.0
    assert rule.log_odds("x", rival) == pytest.approx(kl + larger, rel=1e-9)
    nothing = divergence(covariance(("x",)), np.asarray(free.T @ noise @ free))
    assert rule.within_materials("x") == pytest.approx(nothing, rel=1e-9)
    assert rule.sizes == {"x": 0.5, "y": 0.2}


def test_where_materials_differ_their_levels_are_left_open() -> None:
    """What is seen of a factor then is what its column has within materials."""
    observations = observed(("m", "n"))
    design = build(STRENGTH, _FACTORS, observations)
    rows = [
        Observation(o.result_id, o.quantity, o.value, "all", o.plate, factors=o.factors) for o in observations
    ]
    named = build(STRENGTH, _FACTORS, rows)
    named = named.with_column(Factor(MATERIAL, kind="category"), design.material.astype(float))
    data, plain = sums(named), sums(design)
    blocks = {name: data.q + named.columns_of(name) for name in ("x", "y", MATERIAL)}
    rule = Rule.of(data, blocks, {"x": 1.0, MATERIAL: 1.0})
    inside = Rule.of(plain, {name: plain.q + design.columns_of(name) for name in ("x", "y")}, {"x": 1.0})

    assert rule.within_materials("x") == pytest.approx(inside.within_materials("x"), rel=1e-6)
    assert inside.within is None
    assert rule.within is not None


def a_rule(gram: list[list[float]], changed: int, sizes: dict[str, float] | None = None) -> Rule:
    """Return a rule of factors a, b, c …, one column each, of which the first have changed."""
    names = "abcdefghijklmnop"[: len(gram)]
    blocks = {name: np.array([i]) for i, name in enumerate(names)}
    own = {name: blocks[name] for name in names[:changed]}
    return Rule(np.array(gram, dtype=float), blocks, own, sizes or dict.fromkeys(own, 1.0))


def test_the_rival_is_found_by_adding_what_helps_most() -> None:
    """One at a time; what brings the odds down by less than a half is no part of it."""
    rng = np.random.default_rng(5)
    for _ in range(25):
        x = rng.normal(0, 1, (12, 6))
        x[:, 0] = x[:, 1] + x[:, 2] * rng.normal() + rng.normal(0, 0.1, 12)
        rule = a_rule((x.T @ x * 4).tolist(), 1)
        best: list[str] = []
        lowest, left = math.inf, ["b", "c", "d", "e", "f"]
        close = {
            each: rule.gram[0, i] ** 2 / (rule.gram[0, 0] * rule.gram[i, i])
            for i, each in enumerate("abcdef")
        }
        left = [each for each in left if close[each] > 0.02]
        while left:
            odds, add = min((rule.log_odds("a", [*best, each]), each) for each in left)
            if odds > lowest - 0.5:
                break
            lowest = odds
            best.append(add)
            left.remove(add)
        assert rule.rival("a", ["a", "b", "c", "d", "e", "f"]) == (best, lowest)
        assert "a" not in best


def test_what_hardly_moved_along_is_not_tried() -> None:
    """A squared correlation of a fiftieth at most; without any rival the odds are beyond bounds."""
    for squared, tried in ((0.0199, False), (0.0201, True)):
        rule = a_rule([[9.0, 9.0 * math.sqrt(squared)], [9.0 * math.sqrt(squared), 9.0]], 1)
        assert rule._alike("a", ["b"]) == (["b"] if tried else [])
    assert a_rule([[9.0, 0.0], [0.0, 9.0]], 1).rival("a", ["a", "b"]) == ([], math.inf)
    # A column in which nothing moved can pass for anything.
    assert a_rule([[0.0, 0.0], [0.0, 9.0]], 1)._alike("a", ["b"]) == ["b"]


def test_ten_are_tried_those_most_alike_first() -> None:
    """Of a factor with several columns that which is most alike counts, held to its largest column."""
    n = 13
    gram = np.eye(n) * 4.0
    gram[0, 1:] = gram[1:, 0] = 4.0 * np.sqrt(np.linspace(0.05, 0.07, n - 1))
    rule = a_rule(gram.tolist(), 1)

    assert rule._alike("a", list("bcdefghijklm")) == list("mlkjihgfed")
    blocks = {"a": np.array([0]), "b": np.array([1]), "c": np.array([2, 3])}
    of_two = np.array([[4.0, 1.0, 0.1, 2.0], [1.0, 4.0, 0, 0], [0.1, 0, 16.0, 0], [2.0, 0, 0, 4.0]])
    several = Rule(of_two, blocks, {"a": blocks["a"]}, {"a": 1.0})
    # b: 1/16; c: 4/64 by its largest column. Alike: in the order given.
    assert several._alike("a", ["b", "c"]) == ["b", "c"]
    assert several._alike("a", ["c", "b"]) == ["c", "b"]
    of_two[0, 3] = of_two[3, 0] = 2.1
    assert several._alike("a", ["b", "c"]) == ["c", "b"]


THRESHOLD = math.log(ODDS)


class Odds:
    """A rule whose odds are given: of rivals one by one, and of what is not recorded."""

    def __init__(
        self, rivals: dict[str, tuple[list[str], float]], odds: dict[tuple[str, str], float], **more: Any
    ) -> None:
        self.rivals, self.odds = rivals, odds
        self.within = more.get("within", {})
        self.blocks = dict.fromkeys(more.get("blocks", "abcdu"))
        self.asked: list[Any] = []

    def rival(self, name: str, among: list[str]) -> tuple[list[str], float]:
        """Return the given rival, and note among what it was sought."""
        self.asked.append(among)
        return self.rivals.get(name, ([], math.inf))

    def log_odds(self, name: str, rival: list[str]) -> float:
        """Return the given odds."""
        return self.odds.get((name, rival[0]), math.inf)

    def within_materials(self, name: str) -> float:
        """Return the given odds within materials."""
        return float(self.within.get(name, math.inf))


def apart(rule: Odds, changed: list[str], unrecorded: tuple[str, ...] = ()) -> Any:
    """Return what is told apart by given odds."""
    return separate(rule, changed, unrecorded)  # type: ignore[arg-type]


@pytest.mark.parametrize(("odds", "grouped"), [(THRESHOLD - 1e-9, True), (THRESHOLD, False)])
def test_twenty_to_one_tell_apart(odds: float, grouped: bool) -> None:
    """Against the rival, and against what is not recorded; the rival is sought among all that is recorded."""
    rule = Odds({"a": (["b"], odds)}, {("b", "a"): 0.0, ("a", "u"): odds, ("b", "u"): math.inf})
    found = apart(rule, ["a", "b"], ("u",))

    assert ODDS == 20.0
    assert found.groups == ((Group(("a", "b"), ()),) if grouped else ())
    assert found.from_unrecorded == {"a": not grouped, "b": True}
    assert rule.asked == [["a", "b", "c", "d"]] * 2
    several = Odds({}, {("a", "u"): math.inf, ("a", "c"): odds})
    assert apart(several, ["a"], ("u", "c")).from_unrecorded == {"a": not grouped}


@pytest.mark.parametrize(("back", "grouped"), [(THRESHOLD - 1e-9, True), (THRESHOLD, False)])
def test_a_trifle_does_not_pass_for_a_large_change(back: float, grouped: bool) -> None:
    """A single rival is grouped where it is not told from the factor either; of several all are."""
    odds = {("b", "a"): back}

    assert bool(apart(Odds({"a": (["b"], 0.0)}, odds), ["a", "b"]).groups) is grouped
    assert apart(Odds({"a": (["b", "c"], 0.0)}, odds), ["a", "b"]).groups == (Group(("a", "b"), ("c",)),)
    # What did not change between A and B is only named where its factor is in a group.
    assert apart(Odds({"a": (["c"], 0.0)}, odds), ["a", "b"]).groups == ()


def test_a_factor_that_is_not_seen_within_materials_goes_with_them() -> None:
    """Only where materials differ; the material itself is weighed against nothing, and stands last."""
    for odds, grouped in ((THRESHOLD - 1e-9, True), (THRESHOLD, False)):
        rule = Odds({}, {}, within={"a": odds}, blocks=["a", "b", MATERIAL])
        found = apart(rule, [MATERIAL, "a", "b"])
        assert found.groups == ((Group(("a", MATERIAL), ()),) if grouped else ())
        assert rule.asked == [["a", "b"], ["a", "b"]]
    assert apart(Odds({}, {}, within={"a": 0.0}), ["a", "b"]).groups == ()


def test_groups_are_all_that_hang_together() -> None:
    """By links of either direction, in the order declared; a single one is none; all companions are named."""
    links = {"a": {"b"}, "b": set(), "c": {"b"}, "d": set(), "e": {"f"}, "f": set()}
    along = {name: {f"z{name}", "y"} for name in links}
    found = _groups(["a", "c", "d", "b", "f", "e"], links, along)

    assert found == (Group(("a", "c", "b"), ("y", "za", "zb", "zc")), Group(("f", "e"), ("y", "ze", "zf")))
    chain = {name: {after} for name, after in pairwise("abcdef")} | {"f": set()}
    assert _groups(list("fedcba"), chain, {name: set() for name in chain}) == (Group(tuple("fedcba"), ()),)
    assert _groups([], {}, {}) == ()
