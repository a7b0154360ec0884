"""Many runs at once against the plain strand, one run at a time."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.exposure.physics import Array, exposed, mean_pct, sealed, uniform
from tracker.exposure.runs import HIGH, LOW, MIDDLE, Kind, Runs, Steps, Winding, every_run, march, march_parts

EXPONENTS = (-1.0, 0.0, 1.0)

Plan = list[tuple[Kind, float, tuple[float, float, float]]]


def steps(plan: Plan, start: tuple[float, float, float] = (0.1, 0.1, 0.1), factor: float = 10.0) -> Steps:
    """Return steps from kind, τ and the three surface values."""
    tau = np.array([tau for _, tau, _ in plan])
    return Steps(
        kind=np.array([kind for kind, _, _ in plan], dtype=np.intp),
        ends_s=np.cumsum(tau),
        tau=tau,
        spread=np.full(len(plan), math.log(factor)),
        surface=np.array([surface for _, _, surface in plan], dtype=float).reshape(-1, 3),
        start=start,
        notes=(),
    )


def one(inputs: int, winding: Winding) -> Runs:
    """Return a single run with the middle diffusion coefficient and a winding ten times slower."""
    return Runs(
        np.array([inputs], dtype=np.intp),
        np.array([0], dtype=np.intp),
        np.array([winding], dtype=np.intp),
        np.array([0.0]),
        10.0,
    )


def run(plan: Plan, inputs: int = MIDDLE, winding: Winding = Winding.STRAND) -> list[float]:
    """Return the means after each step of a single run."""
    found: list[float] = march(steps(plan), one(inputs, winding))[1:, 0].tolist()
    return found


def always(surface: float) -> tuple[float, float, float]:
    """Return a surface value known for certain."""
    return (surface, surface, surface)


O2: Plan = [
    (Kind.EXPOSED, tau, always(surface))
    for tau, surface in ((0.067709, 2.8), (0.677094, 0.672), (0.207586, 0.14), (0.003762, 3.42))
]
"""The open history O2 in dimensionless steps."""


@pytest.mark.parametrize(
    ("winding", "means"),
    [
        (Winding.STRAND, [1.492, 0.676, 0.252, 0.691]),
        (Winding.WETTER, [1.492, 0.844, 0.652, 1.076]),
        (Winding.DRIER, [0.583, 0.452, 0.185, 0.327]),
    ],
)
def test_the_three_windings_of_o2(winding: Winding, means: list[float]) -> None:
    """Each way of slowing a winding gives its own known run of O2."""
    assert run(O2, winding=winding) == pytest.approx(means, abs=6e-4)


def test_slow_drying_can_leave_less() -> None:
    """Slowed drying is no strict bound: with D/3.16 it gives the lower mean after O2's second step."""
    slow: Plan = [(kind, tau / math.sqrt(10.0), surface) for kind, tau, surface in O2]
    strand, wetter = run(slow)[1], run(slow, winding=Winding.WETTER)[1]
    assert (strand, wetter) == pytest.approx((0.620, 0.584), abs=6e-4)


GAP: Plan = [
    (Kind.EXPOSED, 0.1, always(1.0)),
    (Kind.MAYBE, 0.05, (0.2, 1.5, 3.0)),
    (Kind.MAYBE_TOO, 0.05, (0.2, 1.5, 3.0)),
]
"""Some exposure, then a time nobody logged."""


def test_a_gap_that_wets_counts_for_the_high_end() -> None:
    """The high end takes the whole gap at the greatest humidity."""
    known: Plan = [GAP[0], (Kind.EXPOSED, 0.1, always(3.0))]
    assert run(GAP, HIGH)[-1] == pytest.approx(run(known)[-1], abs=1e-12)


def test_a_gap_that_dries_counts_for_the_low_end() -> None:
    """The low end takes the whole gap at the least humidity."""
    known: Plan = [GAP[0], (Kind.EXPOSED, 0.1, always(0.2))]
    assert run(GAP, LOW)[-1] == pytest.approx(run(known)[-1], abs=1e-12)


def test_half_a_gap_counts_in_the_middle() -> None:
    """The middle takes half of the gap at the middle humidity."""
    known: Plan = [GAP[0], (Kind.EXPOSED, 0.05, always(1.5))]
    assert run(GAP)[-1] == pytest.approx(run(known)[-1], abs=1e-12)


def test_a_gap_never_moves_an_end_inwards() -> None:
    """A gap that could only dry leaves the high end, one that could only wet leaves the low end."""
    drying: Plan = [GAP[0], (Kind.MAYBE, 0.05, always(0.0)), (Kind.MAYBE_TOO, 0.05, always(0.0))]
    wetting: Plan = [GAP[0], (Kind.MAYBE, 0.05, always(9.0)), (Kind.MAYBE_TOO, 0.05, always(9.0))]
    before = run(GAP[:1])[0]
    assert run(drying, HIGH)[-1] == pytest.approx(before, abs=1e-12)
    assert run(wetting, LOW)[-1] == pytest.approx(before, abs=1e-12)


def test_a_known_content_starts_afresh() -> None:
    """After a measured content nothing of the past is left."""
    plan: Plan = [GAP[0], (Kind.KNOWN, 0.0, always(0.7)), (Kind.EXPOSED, 0.02, always(2.0))]
    assert run(plan)[-1] == pytest.approx(mean_pct(exposed(uniform(0.7), 2.0, 0.02)), abs=1e-12)


def test_every_run_is_in_the_stated_order() -> None:
    """Runs come as inputs × exponent × winding."""
    runs = every_run(EXPONENTS, 10.0)
    assert len(runs.inputs) == 27
    assert runs.inputs.reshape(3, 3, 3)[2, 0, 0] == HIGH
    assert runs.scale.reshape(3, 3, 3)[0, 2, 0] == 2
    assert runs.winding.reshape(3, 3, 3)[0, 0].tolist() == [*Winding]


kinds = st.sampled_from([Kind.EXPOSED, Kind.EXPOSED, Kind.SEALED])
surfaces = st.lists(st.floats(0.0, 9.0), min_size=3, max_size=3).map(lambda v: (v[0], v[1], v[2]))
plans = st.lists(st.tuples(kinds, st.floats(1e-6, 1.0), surfaces), max_size=80)


def _plain(plan: Plan, inputs: int, factor: float, winding: Winding) -> float:
    """Return the last mean by following one strand."""
    state: Array = uniform(0.1)
    for kind, tau, surface in plan:
        if kind == Kind.SEALED:
            state = sealed(state, tau * factor)
            continue
        wet = surface[inputs] > mean_pct(state)
        slowed = winding == (Winding.DRIER if wet else Winding.WETTER)
        state = exposed(state, surface[inputs], tau * factor / (10.0 if slowed else 1.0))
    return mean_pct(state)


@settings(deadline=None, max_examples=40)
@given(plans)
def test_all_runs_against_the_plain_strand(plan: Plan) -> None:
    """All 27 runs at once give what one strand after another gives, to 1e-9."""
    fast = march(steps(plan), every_run(EXPONENTS, 10.0))[-1].reshape(3, 3, 3)
    for inputs in (LOW, MIDDLE, HIGH):
        for scale, exponent in enumerate(EXPONENTS):
            for winding in Winding:
                slow = _plain(plan, inputs, 10.0**exponent, winding)
                assert fast[inputs, scale, winding] == pytest.approx(slow, abs=1e-9)


@settings(deadline=None, max_examples=40)
@given(plans, st.floats(0.0, 3.0), st.floats(0.5, 2.0))
def test_parts_add_up(plan: Plan, start: float, scale: float) -> None:
    """Start and surface values act apart from each other once every step's direction is settled."""
    runs = one(MIDDLE, Winding.WETTER)
    wetting = np.arange(len(plan)) % 2 == 0
    first, second = march_parts(steps(plan), runs, wetting)
    scaled: Plan = [
        (kind, tau, (scale * surface[0], scale * surface[1], scale * surface[2]))
        for kind, tau, surface in plan
    ]
    again, more = march_parts(steps(scaled), runs, wetting)
    assert again == pytest.approx(first, abs=1e-12)
    assert start * first + more == pytest.approx(start * first + scale * second, abs=1e-9)
