"""An answer as plain data; the keys of the first level and of their rows are a contract."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from tracker.why.differed import Comparison
from tracker.why.parts import Difference, Findings, GroupShare, Scope, Share, Span


def findings_as_data(found: Findings) -> dict[str, Any]:
    """Return the findings as dictionaries, lists, numbers and text that JSON can hold.

    ``relative`` is a fraction of A's mean. What cannot be claimed is null.
    """
    return {
        "difference": _difference(found),
        "differed": [_differed(item) for item in found.differed],
        "settings": [asdict(setting) for setting in found.settings],
        "not_recorded": [item.factor for item in found.not_recorded],
        "not_recorded_counts": {
            item.factor: {"a": list(item.a), "b": list(item.b)} for item in found.not_recorded
        },
        "shares": [_share(share) for share in found.shares],
        "groups": [_group(group) for group in found.groups],
        "leading": found.leading,
        "remainder": _span(found.remainder),
        "followup": [dict(row) for row in found.followup],
        "scope": _scope(found.scope),
    }


def _span(span: Span | None) -> dict[str, float | None]:
    if span is None:
        # The keys stay where nothing is claimed: a script then reads null and not a missing key.
        return dict.fromkeys(("delta", "low", "high", "relative", "relative_low", "relative_high"))
    return asdict(span)


def _difference(found: Findings) -> dict[str, Any]:
    step = found.difference
    question = found.problem.question
    return {
        "quantity": question.quantity,
        "pieces": question.pieces,
        "unit": question.unit,
        "a": found.problem.label_a,
        "b": found.problem.label_b,
        "mean_a": step.a.mean,
        "mean_b": step.b.mean,
        **_span(step.span),
        "claimed": step.claimed,
        **_basis(step),
        "ranks": asdict(step.ranks) if step.ranks else None,
        "remarks": list(step.remarks),
    }


def _basis(step: Difference) -> dict[str, Any]:
    return {
        "n_a": step.a.n,
        "n_b": step.b.n,
        "plates_a": step.a.plates,
        "plates_b": step.b.plates,
        "piece_scatter": step.sigma,
        "plate_scatter": step.tau,
        "plate_scatter_known": step.plate_scatter_known,
        "welch": asdict(step.welch) if step.welch else None,
        "permutation_p": step.permutation,
        "standardised": step.standardised,
        "scatters": step.scatters,
    }


def _differed(item: Comparison) -> dict[str, Any]:
    return {
        "factor": item.factor.name,
        "a": item.a,
        "b": item.b,
        "unit": item.factor.unit,
        "ratio_to_resolution": item.ratio,
        "range_a": list(item.range_a) if item.range_a else None,
        "range_b": list(item.range_b) if item.range_b else None,
    }


def _share(share: Share) -> dict[str, Any]:
    return {
        "factor": share.factor,
        **_span(share.span),
        "separable": share.separable,
        "group": share.group,
        "shown": share.shown,
        "published": asdict(share.published) if share.published else None,
        "agrees_with_published": share.agrees,
    }


def _group(group: GroupShare) -> dict[str, Any]:
    return {
        "factors": list(group.factors),
        "moved_along": list(group.moved_along),
        **_span(group.span),
        "shown": group.span.excludes_zero,
    }


def _scope(scope: Scope) -> dict[str, Any]:
    plain = {name: getattr(scope, name) for name in ("results", "plates", "words", "log")}
    lists = {name: list(getattr(scope, name)) for name in ("materials", "equal")}
    counts = ("imputed", "pooled", "unused", "excluded", "marked")
    return plain | lists | {name: _plain(getattr(scope, name)) for name in counts}


def _plain(mapping: Mapping[str, Any]) -> dict[str, Any]:
    return dict(sorted(mapping.items()))
