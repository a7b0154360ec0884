"""Which changed factors can be told apart, judged from the plan of the plates alone.

A share can be claimed for one factor only where its effect does not trade
against another's. Let S be the information matrix of the effects (plates
weighted, intercepts projected out) and ε the weight of the prior. Of what the
prior leaves open about a contrast d, the data leave d'P d/d'd open, with
P = ε(S + ε)⁻¹. If the other effects were known, ε(S_dd + ε)⁻¹ would stay
open. The difference is what is *borrowed* from other factors, and it decides.
P without noise (ε → 0) is the projector on the null space of the design, so a
pair always changed together borrows one half, three borrow two thirds, and one
that is the sum of two others lends them a third each. A threshold on the
leverage 1 - d'Pd of one half would call each of a pair separable; one fifth
of borrowed openness does not.

Two looks are taken. The first, in units of the change between A and B with
hardly any ε, sees what changed together whatever its size. The second, in
spans with the prior's weight, sees factors that are equal in A and B but moved
along with a changed one in the rest of the book.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.why.design import Array, Bools, Design, Indices
from tracker.why.posterior import Sums, weighted

MATERIAL = "material"
_BORROWED = 0.2
_NEARLY_NO_PRIOR = 0.02
_PRIOR = 0.09
"""(σ/λ)² at the priors' medians, 3 % and 10 %."""
_TRIFLING = 0.1
"""Changes below this share of the largest (in spans) do not compete in the first look."""


@dataclass(frozen=True)
class Group:
    """Changed factors that cannot be told apart.

    Attributes:
        factors: Their names, in the order they were declared; ``material`` may be among them.
        moved_along: Factors equal in A and B that moved with one of these elsewhere.
    """

    factors: tuple[str, ...]
    moved_along: tuple[str, ...]


@dataclass(frozen=True)
class _Look:
    """What one look sees; s contrasts.

    Attributes:
        borrowed: Openness that other factors cause, shape (s,).
        links: How contrasts trade against each other, shape (s, s).
        tied: True where the materials' levels cause it, shape (s,).
    """

    borrowed: Array
    links: Array
    tied: Bools


@dataclass(frozen=True)
class _Plan:
    """What the plates say about the effects; c factor columns, s changed factors.

    Attributes:
        owner: Factor index of each column, shape (c,).
        rows: The contrasts, shape (s, c).
        full: Information with each material's level unknown, shape (c, c).
        alone: The same as if materials had one level, or ``full`` where A and B share theirs.
    """

    owner: Indices
    rows: Array
    full: Array
    alone: Array


def groups(
    design: Design, data: Sums, changes: dict[str, Array], *, material_changed: bool
) -> tuple[Group, ...]:
    """Return the groups of changed factors that cannot be told apart.

    Args:
        design: The design.
        data: Its sums.
        changes: Changed factor to the difference B - A on its own columns, shape (own columns,).
        material_changed: True where A and B are not of the same materials.
    """
    names = [factor.name for factor in design.factors if factor.name in changes]
    if not names:
        return ()
    full, common = _information(data)
    rows = np.stack([_row(design, name, changes[name]) for name in names])
    plan = _Plan(design.owner, rows, full, common if material_changed else full)
    # Neither look suffices: the first is blind to what moved along elsewhere, the second to
    # small changes, which the prior's weight drowns.
    first, second = _first_look(plan), _look(plan, _PRIOR)
    stuck = (first.borrowed > _BORROWED) | (second.borrowed > _BORROWED)
    tied = (first.tied | second.tied) & stuck & material_changed
    links = np.maximum(np.abs(first.links), np.abs(second.links))
    along = _trades(plan)
    parts = _components(stuck, links, tied)
    return tuple(_named(part, names, design, along, tied=bool(tied[part].any())) for part in parts)


def _row(design: Design, name: str, change: Array) -> Array:
    index = [factor.name for factor in design.factors].index(name)
    row = np.zeros(design.x.shape[1])
    row[design.owner == index] = change
    return row


def _information(data: Sums) -> tuple[Array, Array]:
    """Return the information about effects at τ = σ, in 1/σ²: materials apart, and as one."""
    # At one fixed ratio and not at the fitted one: what can be told apart is a matter of what was printed,
    # and must not change with the values measured.
    a = weighted(data, 1.0, 0.0)[0]
    q = data.q
    inner, cross, levels = a[q:, q:], a[q:, :q], a[:q, :q]
    apart: Array = inner - cross @ np.linalg.solve(levels, cross.T)
    # As one material: the same matrices with all intercept columns added into one.
    total = cross.sum(axis=1)
    return apart, np.asarray(inner - np.outer(total, total) / levels.sum())


def _first_look(plan: _Plan) -> _Look:
    """Look at the changed factors only, each measured in its own change."""
    sizes = np.linalg.norm(plan.rows, axis=1)
    large = np.flatnonzero(sizes >= _TRIFLING * sizes.max())
    # All columns of a touched category come along: its other levels compete for the same results.
    touched = np.unique(plan.owner[(plan.rows[large] != 0).any(axis=0)])
    columns = np.flatnonzero(np.isin(plan.owner, touched))
    unit = np.ones(plan.rows.shape[1])
    for row in plan.rows:
        if np.count_nonzero(row) == 1:  # a number; a category's levels have their unit already
            unit[row != 0] = np.abs(row[row != 0])
    pick, units = np.ix_(columns, columns), np.outer(unit[columns], unit[columns])
    rows = (plan.rows / unit)[np.ix_(large, columns)]
    scaled = _Plan(plan.owner[columns], rows, plan.full[pick] / units, plan.alone[pick] / units)
    return _spread(_look(scaled, _NEARLY_NO_PRIOR), large, len(plan.rows))


def _spread(look: _Look, at: Indices, size: int) -> _Look:
    borrowed, links, tied = np.zeros(size), np.zeros((size, size)), np.zeros(size, dtype=np.bool_)
    borrowed[at] = look.borrowed
    links[np.ix_(at, at)] = look.links
    tied[at] = look.tied
    return _Look(borrowed, links, tied)


def _look(plan: _Plan, epsilon: float) -> _Look:
    unit = plan.rows / np.linalg.norm(plan.rows, axis=1)[:, None]
    # Unit contrasts make a change of two spans and one of half a span count alike.
    left_open = _openness(plan.full, epsilon)
    trades = unit @ left_open @ unit.T
    as_one = unit @ _openness(plan.alone, epsilon) @ unit.T
    by_itself = np.array([_by_itself(plan, row, epsilon) for row in unit])
    tied = np.diag(trades) - np.diag(as_one) > _BORROWED / 2
    return _Look(np.diag(trades) - by_itself, trades, tied)


def _openness(information: Array, epsilon: float) -> Array:
    return np.asarray(epsilon * np.linalg.inv(information + epsilon * np.eye(len(information))))


def _by_itself(plan: _Plan, row: Array, epsilon: float) -> float:
    """Return what would stay open about one contrast if all other factors were known."""
    own = np.flatnonzero(plan.owner == plan.owner[np.flatnonzero(row)[0]])
    part = _openness(plan.alone[np.ix_(own, own)], epsilon)
    return float(row[own] @ part @ row[own])


def _components(stuck: Bools, links: Array, tied: Bools) -> list[list[int]]:
    """Return the connected components of the stuck factors; material ties those it holds."""
    left = {int(i) for i in np.flatnonzero(stuck)}
    # Among m factors that always moved together each pair trades 1/m; unrelated ones trade nothing.
    least = 0.3 / max(len(left), 1)
    parts: list[list[int]] = []
    while left:
        part, todo = [], [min(left)]
        while todo:
            i = todo.pop()
            if i in left:
                left.discard(i)
                part.append(i)
                todo += [j for j in left if links[i, j] > least or (tied[i] and tied[j])]
        parts.append(sorted(part))
    return parts


def _trades(plan: _Plan) -> Array:
    """Return how far each changed factor trades against each column, shape (s, c)."""
    unit = plan.rows / np.linalg.norm(plan.rows, axis=1)[:, None]
    return np.asarray(np.abs(unit @ _openness(plan.full, _PRIOR)))


def _named(part: list[int], names: list[str], design: Design, along: Array, *, tied: bool) -> Group:
    members = [names[i] for i in part]
    trade = along[part].max(axis=0)
    others = tuple(
        factor.name
        for index, factor in enumerate(design.factors)
        if factor.name not in names and trade[design.owner == index].max() > _BORROWED / 2
    )
    return Group((*members, MATERIAL) if tied else tuple(members), others)
