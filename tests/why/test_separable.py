"""Which factors can be told apart, judged from the plates' plan."""

from __future__ import annotations

import pytest

from tracker.why import Factor, Observation, Problem, Question, Value, answer

_Q = Question("tensile.strength", "MPa")
_FACTORS = (
    Factor("x", span=1.0),
    Factor("y", span=1.0),
    Factor("w", span=1.0),
    Factor("spool", kind="category"),
)


def _problem(plates: dict[str, dict[str, Value]], materials: dict[str, str] | None = None) -> Problem:
    """Three pieces per plate whose values do not matter; A and B are the plates so named."""
    observations = tuple(
        Observation(
            f"{name}{i}", _Q.quantity, 50.0 + i + k, (materials or {}).get(name, "m"), name, factors=levels
        )
        for k, (name, levels) in enumerate(plates.items())
        for i in range(3)
    )
    a = frozenset(o.result_id for o in observations if o.plate == "A")
    b = frozenset(o.result_id for o in observations if o.plate == "B")
    return Problem(_Q, _FACTORS, observations, a, b)


def _groups(problem: Problem) -> list[set[str]]:
    return [set(group.factors) for group in answer(problem).groups]


_EQUAL: dict[str, Value] = {"x": 0.0, "y": 0.0, "w": 0.0, "spool": "S1"}


def test_one_changed_factor_stands_alone() -> None:
    """With one thing changed there is nothing to tell it apart from."""
    assert _groups(_problem({"A": _EQUAL, "B": {**_EQUAL, "x": 1.0}})) == []


def test_two_changed_together_are_a_group() -> None:
    """Two factors changed on the same plate are named together."""
    assert _groups(_problem({"A": _EQUAL, "B": {**_EQUAL, "x": 1.0, "y": 1.0}})) == [{"x", "y"}]


@pytest.mark.parametrize("small", [0.02, 0.2, 0.5])
def test_size_of_the_change_does_not_separate(small: float) -> None:
    """Two small changes together are as inseparable as two large ones."""
    assert _groups(_problem({"A": _EQUAL, "B": {**_EQUAL, "x": small, "y": small}})) == [{"x", "y"}]


@pytest.mark.parametrize("ratio", [0.25, 0.5, 2.0, 4.0])
def test_unequal_changes_do_not_separate(ratio: float) -> None:
    """The larger of two changes made together is not separable for being larger."""
    assert _groups(_problem({"A": _EQUAL, "B": {**_EQUAL, "x": 1.0, "y": ratio}})) == [{"x", "y"}]


def test_category_and_number_are_a_group() -> None:
    """A new spool and a hotter nozzle on the same plate are a group."""
    assert _groups(_problem({"A": _EQUAL, "B": {**_EQUAL, "x": 1.0, "spool": "S2"}})) == [{"x", "spool"}]


def test_one_plate_in_between_separates() -> None:
    """A plate with only one of the two changed tells them apart."""
    plates = {"A": _EQUAL, "B": {**_EQUAL, "x": 1.0, "y": 1.0}, "C": {**_EQUAL, "x": 1.0}}
    assert _groups(_problem(plates)) == []


def test_third_stays_with_its_twin() -> None:
    """Of three changed, the two that were never apart stay a group; the third stands alone."""
    together = {**_EQUAL, "x": 1.0, "y": 1.0, "w": 1.0}
    plates = {"A": _EQUAL, "B": together, "C": {**_EQUAL, "w": 1.0}}
    assert _groups(_problem(plates)) == [{"x", "y"}]


def test_sum_of_two_others_is_a_group_of_three() -> None:
    """Where w = x + y on every plate none of the three can be told apart."""
    plates = {
        "A": _EQUAL,
        "B": {**_EQUAL, "x": 1.0, "y": 1.0, "w": 2.0},
        "C": {**_EQUAL, "x": 1.0, "w": 1.0},
        "D": {**_EQUAL, "y": 1.0, "w": 1.0},
    }
    assert _groups(_problem(plates)) == [{"x", "y", "w"}]


def test_wobble_within_a_plate_does_not_separate() -> None:
    """A factor that wobbles by a fiftieth of its change among pieces stays in its group."""
    asked = _problem({"A": _EQUAL, "B": {**_EQUAL, "x": 1.0, "y": 1.0}})
    wobbling = tuple(
        Observation(
            o.result_id,
            o.quantity,
            o.value,
            o.material,
            o.plate,
            factors={**o.factors, "y": _level(o, "y") + 0.02 * (i % 3)},
        )
        for i, o in enumerate(asked.observations)
    )
    assert _groups(Problem(_Q, _FACTORS, wobbling, asked.a, asked.b)) == [{"x", "y"}]


def _level(o: Observation, name: str) -> float:
    value = o.factors[name]
    assert isinstance(value, float)
    return value


def test_companion_elsewhere_is_named() -> None:
    """What always moved with a changed factor elsewhere is named, though A and B share it."""
    history = {f"H{i}": {**_EQUAL, "x": float(i % 2), "y": float(i % 2)} for i in range(8)}
    found = answer(_problem({"A": _EQUAL, "B": {**_EQUAL, "x": 1.0, "w": 1.0}, **history}))
    assert [set(group.factors) for group in found.groups] == [{"x", "w"}]
    assert found.groups[0].moved_along == ("y",)


def test_factor_constant_within_materials_goes_with_the_material() -> None:
    """A treatment that one material always had and the other never is confounded with the material."""
    plates = {"A": _EQUAL, "B": {**_EQUAL, "x": 1.0}, "C": _EQUAL, "D": {**_EQUAL, "x": 1.0}}
    asked = _problem(plates, {"A": "dry", "B": "moist", "C": "dry", "D": "moist"})
    assert _groups(asked) == [{"x", "material"}]


def test_factor_varied_within_materials_is_apart_from_them() -> None:
    """Once each material has been printed both ways, treatment and material are two things."""
    plates = {"A": _EQUAL, "B": {**_EQUAL, "x": 1.0}, "C": {**_EQUAL, "x": 1.0}, "D": _EQUAL}
    asked = _problem(plates, {"A": "one", "B": "other", "C": "one", "D": "other"})
    assert _groups(asked) == []


def test_trifling_change_does_not_hide_a_large_one() -> None:
    """A chamber that drifted by a fiftieth of its span does not make the nozzle inseparable."""
    plates = {"A": _EQUAL, "B": {**_EQUAL, "x": 1.0, "y": 0.02}}
    assert all("x" not in group for group in _groups(_problem(plates)))


def test_members_of_a_group_carry_no_number() -> None:
    """Nothing is claimed about a single member: its share has no figure at all."""
    found = answer(_problem({"A": _EQUAL, "B": {**_EQUAL, "x": 1.0, "y": 1.0}}))
    assert [share.span for share in found.shares] == [None, None]
    assert all(row["delta"] is None and not row["separable"] for row in found.as_json()["shares"])
