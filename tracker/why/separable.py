"""Which changed factors can be told apart, judged from the plan of the plates alone, by one rule.

Take the hypothesis H_f that factor f alone acts, and a rival H_R that some other factors R do. Two
hypotheses are told apart where the plates printed so far, were H_f true, would on average leave odds of
twenty to one against H_R:

    KL(H_f ‖ H_R) + 2 log (δ_f / δ_R) ≥ log 20.

*The first term* is the expected log odds from the values. Under either hypothesis the results are Gaussian
with covariance σ²(W⁻¹ + κ² X X'), where W⁻¹ is the noise of plates and pieces, X has the columns of the
factors that act and intercepts are taken out. With G = X'WX (R's columns), H = X_f'WX_f and C = X_f'WX

    2 KL = κ² tr H - κ⁴ tr(C (I + κ²G)⁻¹ C') - κ² tr((I + κ²G)⁻¹ G) + log |I + κ²G| - log |I + κ²H|.

Each changed factor is measured in its own change between A and B, so that a small change and a large one
are treated alike. *The second term* pays for that: to make the same difference by a change that is smaller
in spans, an effect must be larger, and the prior odds of an effect of n times the usual size are taken as
1/n² (the tail of a Cauchy density). A change a quarter as large can still pass for the other (16 : 1), one
a fiftieth as large cannot.

A material may have any level of its own: where A and B are of different materials, a factor that could not
be seen within materials at all is grouped with the material. The rival is sought among all sets of other
factors by adding one at a time whichever brings the rule's left side down most. f is grouped with the
changed factors of its best rival if neither is told from the other; factors that were equal in A and B but
belong to the rival are named as having moved along.

Scatters and effects are the medians of the priors, at τ = σ, and not the fitted ones: what can be told
apart is a matter of what was printed and must not change with the values measured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tracker.lazy_modules import np
from tracker.why.design import Array, Indices
from tracker.why.posterior import Prior, Sums, weighted

MATERIAL = "material"
ODDS = 20.0
"""Odds at which two hypotheses count as told apart: those of a 95 % interval."""


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
class Separation:
    """What can be told apart.

    Attributes:
        groups: Changed factors that cannot be told apart from each other.
        from_unrecorded: Whether each changed factor can be told from something else about A or B.
    """

    groups: tuple[Group, ...]
    from_unrecorded: Mapping[str, bool]


@dataclass(frozen=True)
class Rule:
    """The rule for one set of plates; c columns.

    Attributes:
        gram: κ²X'WX of all columns, each changed factor's in its own change, intercepts out, shape (c, c).
        blocks: Factor to its columns.
        own: Changed factor to the column in which it changes.
        sizes: Changed factor to the size of its change in spans; others count as 1.
        within: The same gram with every material's level left open, where materials differ; else None.
    """

    gram: Array
    blocks: Mapping[str, Indices]
    own: Mapping[str, Indices]
    sizes: Mapping[str, float]
    within: Array | None = None

    @classmethod
    def of(cls, data: Sums, blocks: Mapping[str, Indices], changes: Mapping[str, float]) -> Rule:
        """Return the rule for a design.

        Args:
            data: The sums of the design.
            blocks: Factor to its columns of Z; that in which a changed factor changes is the first.
            changes: Changed factor to its difference B - A on that column.
        """
        a = weighted(data, 1.0, 0.0)[0]
        q = data.q
        gram = a - a[:, :q] @ np.linalg.solve(a[:q, :q], a[:q])
        unit = np.ones(len(a))
        sizes = {name: abs(change) for name, change in changes.items()}
        own = {name: blocks[name][:1] for name in changes}
        for name, size in sizes.items():
            unit[own[name]] = 1 / size
        prior = Prior()
        kappa = prior.effect[0] / prior.piece[0]
        gram = kappa**2 * gram * np.outer(unit, unit)
        within = None
        if MATERIAL in own:
            m = blocks[MATERIAL]
            within = gram - gram[:, m] @ np.linalg.pinv(gram[np.ix_(m, m)], hermitian=True) @ gram[m]
        return cls(gram, blocks, own, sizes, within)

    def log_odds(self, name: str, rival: Sequence[str]) -> float:
        """Return the rule's left side for ``name`` alone against the factors of ``rival`` together."""
        own = self.own[name]
        other = np.concatenate([self.blocks[each] for each in rival])
        g, c = self.gram[np.ix_(other, other)], self.gram[np.ix_(own, other)]
        h = self.gram[np.ix_(own, own)]
        inner = np.eye(len(g)) + g
        solved = np.linalg.solve(inner, np.hstack([c.T, g]))
        twice = np.trace(h) - np.trace(c @ solved[:, : len(own)]) - np.trace(solved[:, len(own) :])
        twice += np.linalg.slogdet(inner)[1] - np.linalg.slogdet(np.eye(len(h)) + h)[1]
        sizes = [self.sizes[each] for each in rival if each in self.sizes]
        larger = 2 * math.log(self.sizes[name] / max(sizes)) if sizes else 0.0
        return 0.5 * float(twice) + larger

    def within_materials(self, name: str) -> float:
        """Return the left side for ``name`` against nothing, whatever level each material has of itself."""
        gram = self.gram if self.within is None else self.within
        h = float(gram[self.own[name][0], self.own[name][0]])
        return 0.5 * (h - math.log1p(max(h, 0.0)))

    def rival(self, name: str, among: Sequence[str]) -> tuple[list[str], float]:
        """Return the set of factors that passes best for ``name`` alone, and the log odds against it."""
        best: list[str] = []
        lowest = math.inf
        left = self._alike(name, [each for each in among if each != name])
        while left:
            odds, first = min((self.log_odds(name, [*best, each]), i) for i, each in enumerate(left))
            # A member that hardly helps is no part of the rival.
            if odds >= lowest - 0.5:
                break
            lowest = odds
            best.append(left.pop(first))
        return best, lowest

    def _alike(self, name: str, among: Sequence[str]) -> list[str]:
        """Return the factors that moved with ``name`` at all, those most alike first, few enough to try."""
        own = self.own[name]
        alike = {}
        for each in among:
            other = self.blocks[each]
            size = self.gram[np.ix_(own, own)][0, 0] * np.diag(self.gram)[other].max()
            alike[each] = float((self.gram[np.ix_(own, other)] ** 2).max() / size) if size > 0 else 1.0
        return sorted((each for each in among if alike[each] > _UNRELATED), key=lambda each: -alike[each])[
            :_MOST_RIVALS
        ]


_UNRELATED = 0.02
"""Squared correlation below which a factor cannot pass for another, nor help to."""
_MOST_RIVALS = 10


def separate(rule: Rule, changed: Sequence[str], unrecorded: Sequence[str]) -> Separation:
    """Return what cannot be told apart.

    Args:
        rule: The rule for the plates.
        changed: Names of the changed factors, in the order they were declared.
        unrecorded: Names of the columns that stand for something not recorded.
    """
    threshold = math.log(ODDS)
    # A material's own level is unlike any effect, so it is left open and not weighed against one.
    known = [name for name in rule.blocks if name not in unrecorded and name != MATERIAL]
    links: dict[str, set[str]] = {name: set() for name in changed}
    along: dict[str, set[str]] = {name: set() for name in changed}
    for name in changed:
        if name == MATERIAL:
            continue
        if MATERIAL in changed and rule.within_materials(name) < threshold:
            links[name].add(MATERIAL)
        rival, odds = rule.rival(name, known)
        if odds >= threshold:
            continue
        members = [each for each in rival if each in links]
        # A trifling change cannot have passed for a large one, though the large one passes for it.
        if members and len(rival) == 1 and rule.log_odds(members[0], [name]) >= threshold:
            continue
        links[name] |= set(members)
        along[name] |= {each for each in rival if each not in links}
    apart = {name: all(rule.log_odds(name, [other]) >= threshold for other in unrecorded) for name in changed}
    return Separation(_groups(changed, links, along), apart)


def _groups(
    changed: Sequence[str], links: Mapping[str, set[str]], along: Mapping[str, set[str]]
) -> tuple[Group, ...]:
    """Return the connected components of more than one factor."""
    left = list(changed)
    found = []
    while left:
        part: set[str] = set()
        todo = [left[0]]
        while todo:
            name = todo.pop()
            if name not in part:
                part.add(name)
                todo += [other for other in changed if other in links[name] or name in links[other]]
        left = [name for name in left if name not in part]
        if len(part) > 1:
            names = tuple(sorted(part, key=lambda name: (name == MATERIAL, changed.index(name))))
            found.append(Group(names, tuple(sorted(set().union(*(along[name] for name in part))))))
    return tuple(found)
