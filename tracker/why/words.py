"""An answer in plain sentences, one screen.

A difference within noise is said first. Nothing is said to have been the
cause of anything: a share is "consistent with" a factor, factors that always
changed together "cannot be told apart", what nobody wrote down is "not recorded".
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from tracker.statistics import RankTest
from tracker.why.differed import Comparison
from tracker.why.parts import Difference, Findings, GroupShare, Share, Span

_SCREEN = 24
_MOST_LEVELS = 3


@dataclass(frozen=True)
class _Room:
    """How much may be said: names in one list, shares, and raw settings."""

    names: int
    shares: int
    settings: int


_ROOMS = (_Room(8, 6, 4), _Room(6, 5, 3), _Room(4, 4, 2), _Room(3, 3, 2), _Room(2, 2, 1), _Room(1, 1, 1))
"""From generous to terse; the first that fits the screen is taken."""


def number(value: float, digits: int = 3) -> str:
    """Return a number to so many significant digits, without an exponent where it can be read."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, places)
    if 1e-4 <= abs(rounded) < 1e6:  # noqa: PLR2004 - beyond, digits are hard to count
        return f"{rounded:.{max(places, 0)}f}"
    return f"{rounded:.{digits - 1}e}"


def signed(value: float, digits: int = 2) -> str:
    """Return a number with its sign, with a real minus."""
    text = number(value, digits)
    return ("+" + text if value > 0 else text).replace("-", "\N{MINUS SIGN}")


def per_cent(fraction: float) -> str:
    """Return a fraction as signed per cent, to one decimal or, where that would be zero, one digit."""
    value = 100 * fraction
    text = f"{value:+.1f}" if abs(value) >= 0.05 or value == 0 else f"{'+' * (value > 0)}{number(value, 1)}"  # noqa: PLR2004
    return text.replace("-", "\N{MINUS SIGN}") + " %"


def findings_in_words(found: Findings, width: int = 80) -> list[str]:
    """Return the findings as wrapped lines of plain sentences.

    Long lists are shortened, their rest counted, until all fits 24 lines; on a
    narrow terminal the tersest form may still be longer.

    Args:
        found: The findings.
        width: Columns; at least 40 are used.
    """
    # Whoever reads this stands at a rig: what does not fit one screen is not read.
    lines: list[str] = []
    for room in _ROOMS:
        lines = wrapped(_paragraphs(found, room), width)
        if len(lines) <= _SCREEN:
            break
    return lines


def wrapped(paragraphs: Iterable[str], width: int) -> list[str]:
    """Return paragraphs wrapped to ``width`` (at least 40); those that begin with two blanks hang."""
    lines: list[str] = []
    for text in paragraphs:
        first, rest = ("  ", "    ") if text.startswith("  ") else ("", "")
        lines += textwrap.wrap(text.strip(), max(width, 40), initial_indent=first, subsequent_indent=rest)
    return lines


def _paragraphs(found: Findings, room: _Room) -> list[str]:
    return [
        *_difference(found),
        *_differed(found, room),
        *_not_recorded(found, room),
        *_shares(found, room),
        *_next(found, room),
        *_scope(found, room),
    ]


def _difference(found: Findings) -> list[str]:
    step = found.difference
    if step.ranks is not None:
        return _by_rank(found)
    assert step.span is not None  # noqa: S101 - one of the two is always there
    head = _claim(found, step.span) if step.claimed else _no_claim(found, step.span)
    return [head, _means(found), *_doubts(step), *step.remarks]


def _claim(found: Findings, span: Span) -> str:
    quantity, unit = found.problem.question.quantity, found.problem.question.unit
    word = "higher" if span.delta > 0 else "lower"
    return (
        f"There is a difference in {quantity}: {found.problem.label_b} is {_size(span, unit)} {word} than "
        f"{found.problem.label_a}; 95 % interval {interval(span, unit)}."
    )


def _no_claim(found: Findings, span: Span) -> str:
    unit = found.problem.question.unit
    return (
        f"No difference in {found.problem.question.quantity} is shown: {found.problem.label_b} less "
        f"{found.problem.label_a} is {signed_size(span, unit)}, which lies within noise: the 95 % interval, "
        f"{interval(span, unit)}, includes zero. They need not be equal; anything in it fits these results."
    )


def _size(span: Span, unit: str) -> str:
    amount = f"{number(abs(span.delta))} {unit}".strip()
    return amount if span.relative is None else f"{abs(100 * span.relative):.1f} % ({amount})"


def signed_size(span: Span, unit: str) -> str:
    """Return an estimate with its sign, in per cent where a fraction makes sense, and in its unit."""
    # A millionth of its own interval is the arithmetic's rounding and no estimate of anything.
    nothing = abs(span.delta) < 1e-6 * (span.high - span.low)
    amount = f"{'0' if nothing else signed(span.delta)} {unit}".strip()
    if span.relative is None:
        return amount
    return f"{'0 %' if nothing else per_cent(span.relative)} ({amount})"


def interval(span: Span, unit: str) -> str:
    """Return the limits of a span, in per cent where a fraction makes sense."""
    if span.relative_low is not None and span.relative_high is not None:
        return f"{per_cent(span.relative_low)} to {per_cent(span.relative_high)}"
    return f"{signed(span.low)} to {signed(span.high)} {unit}".strip()


def _means(found: Findings) -> str:
    step, unit = found.difference, found.problem.question.unit
    sides = []
    for label, side in ((found.problem.label_a, step.a), (found.problem.label_b, step.b)):
        mean = f"{number(side.mean or 0.0)} {unit}".strip()
        sides.append(f"{label} {mean} ({_count(side.n, 'piece')}, {_count(side.plates, 'plate')})")
    text = "; ".join(sides) + "."
    if step.welch:
        text += (
            f" Beside it, Welch's t: {signed(step.welch.low)} to {signed(step.welch.high)} {unit}".rstrip()
            + "."
        )
    if step.permutation is not None:
        text += f" Permutation p {number(step.permutation, 2)}."
    return text


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"


def _doubts(step: Difference) -> Iterable[str]:
    if not step.plate_scatter_known:
        yield (
            "How much plates scatter among themselves is not known from this book; the interval rests on "
            "an assumption (about as much as pieces do) until a plate is repeated."
        )
    if step.claimed and step.welch and step.welch.low <= 0 <= step.welch.high:
        yield "Welch's interval includes zero; the claim leans on the scatter seen in the rest of the book."
    # The two intervals will be compared by every reader; where they disagree the reason is given.
    if not step.claimed and step.welch and (step.welch.low > 0 or step.welch.high < 0):
        yield "Welch's interval excludes zero, but it takes pieces of one plate for independent plates."


def _by_rank(found: Findings) -> list[str]:
    step, ranks = found.difference, found.difference.ranks
    assert ranks is not None  # noqa: S101 - the caller looked
    a, b = found.problem.label_a, found.problem.label_b
    quantity = found.problem.question.quantity
    told = f"{quantity} holds grades or bounds, so ranks are compared and no mean is given."
    tail = (
        f"A piece of {b} reads higher than one of {a} in {100 * ranks.b_higher:.0f} % of pairs "
        f"({ranks.n_a} × {ranks.n_b} pieces; permutation p {number(ranks.p, 2)})."
    )
    if step.claimed:
        return [f"There is a difference in {quantity}: {tail[0].lower()}{tail[1:]}", told]
    return [f"No difference in {quantity} is shown: {_no_rank(ranks)}.", tail, told]


def _no_rank(ranks: RankTest) -> str:
    """Return why ranks show no difference."""
    if ranks.p >= 0.05:  # noqa: PLR2004 - 5 %, as everywhere here
        return (
            "dealt out to A and B at random, the same pieces would differ as much in "
            f"{100 * ranks.p:.0f} % of deals, which is within noise"
        )
    return (
        "piece by piece they differ more than chance would have it, but pieces of one plate are not plates; "
        "another plate may come out as far off"
    )


def _differed(found: Findings, room: _Room) -> list[str]:
    changed = [_change(item) for item in found.differed]
    equal = f"{_count(len(found.scope.equal), 'factor')} equal"
    if not changed:
        return [f"Of what was recorded nothing differed ({equal}).", *_settings(found, room)]
    return [f"Differed: {_listed(changed, room.names)}; {equal}.", *_settings(found, room)]


def _settings(found: Findings, room: _Room) -> list[str]:
    if not found.settings:
        return []
    texts = [f"{s.name} {s.a or 'not stated'} → {s.b or 'not stated'}" for s in found.settings]
    return [f"Raw settings that differ: {_listed(texts, room.settings)}."]


def _change(item: Comparison) -> str:
    a, b = _level(item.a), _level(item.b)
    if isinstance(item.a, str) and "levels" in a and "levels" in b:
        return f"{item.factor.words} (another mix of levels)"
    return f"{item.factor.words} {a} → {b} {item.factor.unit}".rstrip()


def _level(value: float | str | None) -> str:
    if isinstance(value, float):
        return number(value)
    # Ten materials by name would fill the screen; their number says enough, the data has the names.
    levels = str(value).split(", ")
    return str(value) if len(levels) <= _MOST_LEVELS else f"{len(levels)} levels"


def _listed(items: list[str], most: int) -> str:
    rest = len(items) - most
    return ", ".join(items[:most]) + (f" and {rest} more" if rest > 0 else "")


def _not_recorded(found: Findings, room: _Room) -> list[str]:
    if not found.not_recorded:
        return []
    a, b = found.problem.label_a, found.problem.label_b
    texts = []
    for item in found.not_recorded:
        lacking = [f"{label} {n - k} of {n}" for label, (k, n) in ((a, item.a), (b, item.b)) if k < n]
        texts.append(f"{_words(found, [item.factor])[0]} ({', '.join(lacking)})")
    return [f"Not recorded, so not taken as equal: {_listed(texts, room.names)}."]


def _shares(found: Findings, room: _Room) -> list[str]:
    if found.remainder is None:
        return ["Shares are not computed from ranks."]
    unit = found.problem.question.unit
    own = [share for share in found.shares if share.span is not None]
    lines = [f"  {_group_sentence(group, found, room)}" for group in found.groups]
    lines += [f"  {_share_sentence(share, unit)}" for share in own[: room.shares]]
    if len(own) > room.shares:
        lines.append(f"  {len(own) - room.shares} smaller shares are in the data.")
    if not lines:
        return []
    left = f"  Left over: {signed_size(found.remainder, unit)} ({interval(found.remainder, unit)})."
    return ["How much of it each can have made, from all results in scope (95 % intervals):", *lines, left]


def _share_sentence(share: Share, unit: str) -> str:
    assert share.span is not None  # noqa: S101 - members of groups are not handed in
    text = f"{share.words}: {signed_size(share.span, unit)} ({interval(share.span, unit)}), "
    text += "consistent with a share of its own" if share.shown else "not shown, the interval includes zero"
    return text + _published(share) + "."


def _published(share: Share) -> str:
    note = share.published
    # "Mixed" and "no effect" give a reader nothing to hold a share against.
    if note is None or note.sign not in {"+", "-"}:
        return ""
    way = "raises" if note.sign == "+" else "lowers"
    text = f"; published: raising it {way} {note.of} properties [{note.strength}]"
    if share.agrees is None:
        return text
    return text + (", as here" if share.agrees else ", not as here")


def _group_sentence(group: GroupShare, found: Findings, room: _Room) -> str:
    unit = found.problem.question.unit
    # The material first: where it changed, all else is second to it, and a long list is cut at its end.
    members = _words(found, sorted(group.factors, key=lambda name: name != "material"))
    names = _listed(members, room.names)
    if len(members) <= room.names:
        names = " and ".join(filter(None, [", ".join(members[:-1]), members[-1]]))
    along = ""
    if group.moved_along:
        moved = _listed(_words(found, group.moved_along), room.names)
        along = f" from {moved}, which moved along elsewhere"
    together = "together " if len(members) > 1 else ""
    joint = f"{together}{signed_size(group.span, unit)} ({interval(group.span, unit)})"
    claim = "" if group.span.excludes_zero else ", not shown, the interval includes zero"
    return f"{names} cannot be told apart{along}: {joint}{claim}. Nothing is claimed about one alone."


def _words(found: Findings, names: Iterable[str]) -> list[str]:
    """Return what people call the factors of these names."""
    labels = {factor.name: factor.words for factor in found.problem.factors}
    return [labels.get(name, name) for name in names]


def _next(found: Findings, room: _Room) -> list[str]:
    if not found.followup:
        return [found.no_followup] if found.no_followup else []
    first = max(found.followup, key=lambda row: float(row["worth"]))
    names = _words(found, first["levels"])
    pairs = zip(names, first["levels"].values(), strict=True)
    levels = _listed([f"{name} {_level(level)}" for name, level in pairs], room.names)
    count = _count(len(found.followup), "plate")
    return [f"To settle it, {count} proposed; worth most: {levels} ({first['pieces']} pieces)."]


def _scope(found: Findings, room: _Room) -> list[str]:
    scope = found.scope
    text = f"Rests on {_count(scope.results, 'result')} of {_count(scope.plates, 'plate')}"
    text += (
        f", {_count(len(scope.materials), 'material')}" + (f" ({scope.words})" if scope.words else "") + "."
    )
    asides = [f"{count} marked {note}" for note, count in sorted(scope.marked.items())][: room.settings]
    if scope.excluded:
        asides.insert(0, "left out: " + _counted(scope.excluded, room.names))
    if scope.imputed:
        asides.insert(0, "imputed where missing: " + _counted(scope.imputed, room.names))
    if asides:
        asides[0] = asides[0][0].upper() + asides[0][1:]
        text += " " + "; ".join(asides) + "."
    return [text]


def _counted(counts: Mapping[str, int], most: int) -> str:
    return _listed([f"{name} ({count})" for name, count in sorted(counts.items())], most)
