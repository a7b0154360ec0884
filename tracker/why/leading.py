"""Whether one share is larger than every other."""

from __future__ import annotations

import numpy as np

from tracker.why.design import Array
from tracker.why.working import Working, covariance, joint_rows, typical_scatters

_LEADS = 1.645
"""Standard deviations by which the largest share must exceed another (95 %, one side)."""


def leader(working: Working) -> str | None:
    """Return the factor whose own share is larger in size than every other share and joint share.

    Each comparison must hold with 95 % probability whatever the other's sign; None where
    nothing leads or the largest is a group.
    """
    count = len(working.names)
    grouped = {name for part in working.groups for name in part.factors}
    own = [i for i, name in enumerate(working.names) if name not in grouped]
    means = working.posterior.weight @ working.posterior.mean
    mean = np.concatenate([means[own], means[count:-1]])
    # Where the largest is a group, no single factor can lead, however large its part may be.
    if not own or int(np.argmax(np.abs(mean))) >= len(own):
        return None
    rows = np.vstack([working.rows[own], *joint_rows(working.names, working.rows, working.groups)])
    spread = covariance(working, rows, typical_scatters(working.posterior))
    first = int(np.argmax(np.abs(mean)))
    return working.names[own[first]] if _exceeds_all(mean, spread, first) else None


def _exceeds_all(mean: Array, spread: Array, first: int) -> bool:
    """Return whether |mean[first]| clears zero and ± every other mean by the margin."""
    variance = np.diag(spread)
    others = np.arange(len(mean)) != first
    size = abs(mean[first])
    gaps = [size]
    variances = [variance[first]]
    # Against both signs: a large share the other way rivals it as well.
    for sign in (1.0, -1.0):
        toward = sign * np.sign(mean[first])
        gaps += list(size - toward * mean[others])
        variances += list(variance[first] + variance[others] - 2 * sign * spread[first, others])
    # Shares estimated from the same plates go up and down together; their covariance belongs into the gap,
    # else two traded shares would both seem sure.
    return bool(np.all(np.array(gaps) > _LEADS * np.sqrt(np.maximum(variances, 0.0))))
