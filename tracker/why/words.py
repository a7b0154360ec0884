"""An answer in plain sentences, the verdict in its first three.

Nothing is said to have been the cause of anything: a share is "consistent with" a factor, factors that
always changed together "cannot be told apart", what nobody wrote down is "not recorded". Nothing that
differs is left out; whoever has time for three lines reads the first three.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping

from tracker.statistics import RankTest
from tracker.why.differed import Comparison
from tracker.why.findings import Difference, Explanation, Findings, GroupShare, Share, Span, Suspect, Verdict

_SHOWN = 0.01
"""Explanations less likely than this are not printed; they are in the data."""
_MOST_NAMES = 4


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

    Args:
        found: The findings.
        width: Columns; at least 40 are used.
    """
    return wrapped(_paragraphs(found), width)


def items_in_words(found: Findings) -> list[tuple[str, list[str]]]:
    """Return the same sentences unwrapped, each with the lines that stand indented below it."""
    items: list[tuple[str, list[str]]] = []
    for text in _paragraphs(found):
        if text.startswith("  ") and items:
            items[-1][1].append(text.strip())
        else:
            items.append((text.strip(), []))
    return items


def wrapped(paragraphs: Iterable[str], width: int) -> list[str]:
    """Return paragraphs wrapped to ``width`` (at least 40); those that begin with two blanks hang."""
    lines: list[str] = []
    for text in paragraphs:
        first, rest = ("  ", "    ") if text.startswith("  ") else ("", "")
        # A number and its per cent stay on one line.
        held = text.strip().replace(" %", "\u00a0%")
        found = textwrap.wrap(held, max(width, 40), initial_indent=first, subsequent_indent=rest)
        lines += [line.replace("\u00a0%", " %") for line in found]
    return lines


def _paragraphs(found: Findings) -> list[str]:
    if found.verdict is None:
        return [*_by_rank(found), *_lists(found), "Shares are not computed from ranks.", *_scope(found)]
    return [
        *verdict_lines(found),
        _means(found),
        *_doubts(found),
        *_lists(found),
        *_shares(found),
        *_suspects(found),
        *_plan(found),
        *_scope(found),
    ]


def verdict_lines(found: Findings) -> list[str]:
    """Return the three lines that come first: whether it differs, what made it, what to print next.

    Raises:
        ValueError: Only ranks are compared, which have no verdict.
    """
    verdict, span = found.verdict, found.difference.span
    if verdict is None or span is None:
        raise ValueError("ranks have no verdict")
    head = _claim(found, span, verdict) if verdict.differs else _no_claim(found, span, verdict)
    return [head, _explained(found, verdict), _next(found)]


def _claim(found: Findings, span: Span, verdict: Verdict) -> str:
    unit = found.problem.question.unit
    # The plain difference of means, unless an odd plate made it one that nobody should believe.
    likely = found.difference.likely
    if likely is not None and not span.low <= span.delta <= span.high:
        span = likely
    word = "higher" if span.delta > 0 else "lower"
    return (
        f"There is a difference in {found.problem.question.called}: {found.problem.label_b} is "
        f"{_size(span, unit)} {word} than {found.problem.label_a}; 95 % interval {interval(span, unit)}. "
        f"{_matters(verdict, unit)}"
    )


def _no_claim(found: Findings, span: Span, verdict: Verdict) -> str:
    unit = found.problem.question.unit
    include = "" if span.excludes_zero else ", includes zero"
    return (
        f"No difference in {found.problem.question.called} is shown: {found.problem.label_b} less "
        f"{found.problem.label_a} is {signed_size(span, unit)}, which lies within noise: the 95 % interval, "
        f"{interval(span, unit)}{include}. They need not be equal; anything in it fits these results. "
        f"{_matters(verdict, unit)}"
    )


def _matters(verdict: Verdict, unit: str) -> str:
    size = f"{number(verdict.matters, 2)} {unit}".strip()
    if verdict.matters_fraction:
        size = f"{100 * verdict.matters:.3g} %"
    how = chance(verdict.p_matters)
    return f"Chance that they truly differ by {size} or more, which would matter: {how}."


def chance(p: float) -> str:
    """Return a probability as whole per cent, never as certain."""
    if p <= 0.005:  # noqa: PLR2004 - half a per cent
        return "less than 1 %"
    if p >= 0.995:  # noqa: PLR2004
        return "more than 99 %"
    return f"{100 * p:.0f} %"


_SHOWN_BESIDE = 0.2
"""Probability of something not recorded from which it is set against the factor that comes first."""


def _explained(found: Findings, verdict: Verdict) -> str:
    shown = [each for each in verdict.explanations if each.p >= _SHOWN] or verdict.explanations[:1]
    texts = [f"{_explanation(found, each)} {chance(each.p)}" for each in shown]
    # Below what is printed nothing is hidden: the rest is added up, so that the figures make a hundred.
    rest = 1 - sum(each.p for each in shown)
    if rest >= _SHOWN:
        texts.append(f"others together {chance(rest)}")
    head = "What made most of it" if verdict.differs else "What is seen may come from"
    text = f"{head}: {'; '.join(texts)}."
    if verdict.withdrawn:
        first = verdict.explanations[0].words
        text += f" But {first} is not claimed: {'; '.join(verdict.withdrawn)}."
    elif found.leading:
        text += f" Consistent with {verdict.explanations[0].words} alone."
    elif verdict.differs:
        text += f" {_none_alone(verdict)}"
    likeliest = verdict.explanations[0]
    if found.leading is None and likeliest.kind == "factor" and verdict.p("unrecorded") >= _SHOWN_BESIDE:
        # With too few plates no arithmetic parts the two, and who reads it should know what would.
        text += (
            f" These plates cannot tell {likeliest.words} from something nobody recorded; another plate as "
            "one of them can."
        )
    return text


def _explanation(found: Findings, each: Explanation) -> str:
    if each.kind != "group":
        return each.words
    names = _words(found, each.factors)
    # All their names stand among the shares; here a list of twenty would push the figures out of sight.
    if len(names) > _MOST_NAMES:
        return f"one of {len(names)} that cannot be told apart ({', '.join(names[:_MOST_NAMES])} …)"
    return f"{' or '.join(names)} (cannot be told apart)"


def _none_alone(verdict: Verdict) -> str:
    loose = verdict.p("combination") + verdict.p("unrecorded")
    if loose > 0.5:  # noqa: PLR2004 - more likely than not
        return "None of the recorded factors alone: a combination or something not recorded."
    return "No single one can be named yet."


def _next(found: Findings) -> str:
    if not found.followup:
        if found.no_followup:
            return f"Next plate: none proposed; {_start_low(found.no_followup)}"
        return "Next plate: not asked for; followup proposes it."
    row = found.followup[0]
    if found.leading is not None:
        pieces = _count(int(row["pieces"]), "piece")
        return f"Next plate: none is needed; to confirm it, {row['words']} ({pieces})."
    text = f"Next plate: {row['words']} ({_count(int(row['pieces']), 'piece')})"
    if found.decides is not None:
        text += f"; after it the right one is named with a chance of {chance(found.decides)}"
    count = len(found.followup)
    return text + (f", {_count(count, 'plate')} proposed in all." if count > 1 else ".")


def _start_low(text: str) -> str:
    return text[:1].lower() + text[1:]


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


def _doubts(found: Findings) -> Iterable[str]:
    step = found.difference
    verdict = found.verdict
    if verdict is not None:
        yield from verdict.extremes
    if step.adjusted is not None:
        yield (
            f"Asked together with other quantities: adjusted for that (false discovery rate), p "
            f"{number(step.adjusted, 2)}."
        )
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
    if step.odd:
        yield f"Odd among their own, so counted for less: {', '.join(step.odd)}."
    yield from _scatter(found, step)
    yield from step.remarks
    yield from (
        f"Check: {check.text}"
        for check in found.checks
        if not check.passed and not _in_verdict(found, check.text)
    )


def _in_verdict(found: Findings, text: str) -> bool:
    """Whether a failed check is reported in the verdict already."""
    return found.verdict is not None and text in found.verdict.withdrawn


def _scatter(found: Findings, step: Difference) -> Iterable[str]:
    unit = found.problem.question.unit
    if step.scatter_ratio is not None:
        ratio, low, high = step.scatter_ratio
        if low > 1 or high < 1:
            yield (
                f"Pieces of {found.problem.label_b} scatter {number(ratio, 2)} times as much as those of "
                f"{found.problem.label_a} (95 % interval {number(low, 2)} to {number(high, 2)})."
            )
    if step.zeros is not None:
        (zero_a, n_a), (zero_b, n_b) = step.zeros.a, step.zeros.b
        yield (
            f"Read zero: {zero_a} of {n_a} pieces of {found.problem.label_a}, {zero_b} of {n_b} of "
            f"{found.problem.label_b}; the means and all shares are of the others."
        )
    if step.with_aside is not None:
        span, of_a, of_b = step.with_aside
        yield (
            f"Set aside afterwards: {_count(of_a, 'piece')} of {found.problem.label_a} and {of_b} of "
            f"{found.problem.label_b}; with them the difference would be {signed_size(span, unit)} "
            f"({interval(span, unit)})."
        )


def _by_rank(found: Findings) -> list[str]:
    step, ranks = found.difference, found.difference.ranks
    assert ranks is not None  # noqa: S101 - the caller looked
    a, b = found.problem.label_a, found.problem.label_b
    quantity = found.problem.question.quantity
    text = f"{quantity} holds grades or bounds, so ranks are compared and no mean is given."
    tail = (
        f"A piece of {b} reads higher than one of {a} in {100 * ranks.b_higher:.0f} % of pairs "
        f"({ranks.n_a} × {ranks.n_b} pieces; permutation p {number(ranks.p, 2)})."
    )
    if step.claimed:
        return [f"There is a difference in {quantity}: {tail[0].lower()}{tail[1:]}", text]
    return [f"No difference in {quantity} is shown: {_no_rank(ranks)}.", tail, text]


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


def _lists(found: Findings) -> list[str]:
    """Return what differed, what is not known to, and what was equal; nothing that differs is left out."""
    lines = []
    equal = f"{_count(len(found.scope.equal), 'factor')} equal"
    if found.differed:
        lines.append(f"Differed ({len(found.differed)}; {equal}):")
        lines += [f"  {_change(item)}{_role(found, item)}" for item in found.differed]
    else:
        lines.append(f"Of what was recorded nothing differed ({equal}).")
    if found.settings:
        lines.append(f"Raw settings that differ ({len(found.settings)}):")
        lines += [f"  {s.name} {s.a or 'not stated'} → {s.b or 'not stated'}" for s in found.settings]
    lacking = [item for item in found.unknown if not item.complete]
    rough = [item for item in found.unknown if item.complete]
    if rough:
        lines.append("Not known to differ, their bounds overlap, so not taken as equal:")
        lines += [f"  {_change(item)}" for item in rough]
    if lacking:
        texts = [f"{item.factor.words} ({_lacking(found, item)})" for item in lacking]
        lines.append(f"Not recorded, so not taken as equal: {'; '.join(texts)}.")
    if found.problem.nowhere:
        lines.append(f"Not recorded by anybody: {', '.join(found.problem.nowhere)}.")
    return lines


def _lacking(found: Findings, item: Comparison) -> str:
    """Return on how many results of each side a factor is not recorded."""
    sides = ((found.problem.label_a, item.recorded_a), (found.problem.label_b, item.recorded_b))
    return ", ".join(f"{label} {n - k} of {n}" for label, (k, n) in sides if k < n)


def _role(found: Findings, item: Comparison) -> str:
    """Return what a factor follows from or acts through, where that is why it has no share."""
    name = item.factor.name
    if name in found.roles.dependent:
        return f" (follows from {_words(found, [found.roles.dependent[name]])[0]})"
    if name in found.roles.through:
        return f" (acts through {_words(found, [found.roles.through[name]])[0]})"
    return ""


def _change(item: Comparison) -> str:
    a, b = (_side(item, side) for side in ("a", "b"))
    return f"{item.factor.words} {a} → {b} {item.factor.unit}".rstrip()


def _side(item: Comparison, side: str) -> str:
    """Return one side's levels: all of them with counts where there are several."""
    value = item.a if side == "a" else item.b
    levels = item.levels_a if side == "a" else item.levels_b
    bounds = item.range_a if side == "a" else item.range_b
    if value is None:
        return "not recorded"
    if len(levels) > 1:
        return ", ".join(f"{_level(level)} ({count})" for level, count in levels)
    text = _level(value)
    if not levels and bounds is not None and bounds[0] != bounds[1]:
        return f"{text} ({_level(bounds[0])} to {_level(bounds[1])})"
    return text


def _level(value: float | str | None) -> str:
    return number(value) if isinstance(value, float) else str(value)


def _shares(found: Findings) -> list[str]:
    unit = found.problem.question.unit
    own = [share for share in found.shares if share.span is not None]
    lines = [f"  {_group_sentence(group, found)}" for group in found.groups]
    lines += [f"  {_share_sentence(share, found)}" for share in own]
    if found.together is not None:
        lines.append(f"  Factors acting together: {_both(found.together, unit)}.")
    if found.unrecorded is not None:
        lines.append(f"  Something not recorded: {_both(found.unrecorded, unit)}.")
    if found.luck is not None:
        lines.append(f"  Luck of plates and pieces: {_both(found.luck, unit)}.")
    if found.remainder is not None and found.shares:
        lines.append(f"  Left over by the recorded factors: {_both(found.remainder, unit)}.")
    bends = [f"The results ask for it: {text}." for text in found.bends]
    return ["How much of it each can have made, from all results in scope (95 % intervals):", *lines, *bends]


def _both(span: Span, unit: str) -> str:
    return f"{signed_size(span, unit)} ({interval(span, unit)})"


def _share_sentence(share: Share, found: Findings) -> str:
    assert share.span is not None  # noqa: S101 - members of groups are not handed in
    unit = found.problem.question.unit
    text = f"{share.words}: {signed_size(share.span, unit)} ({interval(share.span, unit)}), "
    if not share.shown:
        text += "not shown, the interval includes zero"
    elif share.from_unrecorded:
        text += "consistent with a share of its own"
    else:
        text += "consistent with a share of its own or with something not recorded"
    if share.represents:
        text += f"; represents {', '.join(_words(found, share.represents))} as well"
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


def _group_sentence(group: GroupShare, found: Findings) -> str:
    unit = found.problem.question.unit
    # The material first: where it changed, all else is second to it.
    members = _words(found, sorted(group.factors, key=lambda name: name != "material"))
    names = " and ".join(filter(None, [", ".join(members[:-1]), members[-1]]))
    along = ""
    if group.moved_along:
        along = f" from {', '.join(_words(found, group.moved_along))}, which moved along elsewhere"
    together = "together " if len(members) > 1 else ""
    joint = f"{together}{signed_size(group.span, unit)} ({interval(group.span, unit)})"
    claim = "" if group.span.excludes_zero else ", not shown, the interval includes zero"
    return f"{names} cannot be told apart{along}: {joint}{claim}. Nothing is claimed about one alone."


def _words(found: Findings, names: Iterable[str]) -> list[str]:
    """Return what people call the factors of these names."""
    labels = {factor.name: factor.words for factor in found.problem.factors}
    return [labels.get(name, name) for name in names]


def _suspects(found: Findings) -> list[str]:
    """Return the is/is-not table: which other plates had each suspect, and did they read like B."""
    rows = [row for row in found.suspects if row.with_it or row.without]
    if not rows:
        return []
    b = found.problem.label_b
    return [
        f"Other plates that had it as {b}, and how many of them read like {b}:",
        *(f"  {_suspect(row)}" for row in rows),
    ]


def _suspect(row: Suspect) -> str:
    had = f"{row.with_it_like_b} of {row.with_it}" if row.with_it else "no other plate had it"
    without = f"; without it {row.without_like_b} of {row.without}" if row.without else ""
    return f"{row.words}: {had}{without}."


def _plan(found: Findings) -> list[str]:
    if len(found.followup) < 2:  # noqa: PLR2004 - the first is in the verdict
        return []
    lines = [
        f"  plate {row['plate']}: {row['words']} ({_count(int(row['pieces']), 'piece')})."
        for row in found.followup[1:]
    ]
    return ["Further plates, should the first not decide:", *lines]


def _scope(found: Findings) -> list[str]:
    scope = found.scope
    text = f"Rests on {_count(scope.results, 'result')} of {_count(scope.plates, 'plate')}"
    text += (
        f", {_count(len(scope.materials), 'material')}" + (f" ({scope.words})" if scope.words else "") + "."
    )
    asides = [f"{count} marked {note}" for note, count in sorted(scope.marked.items())]
    if scope.excluded:
        asides.insert(0, "left out: " + _counted(scope.excluded))
    if scope.imputed:
        names = dict(zip(scope.imputed, _words(found, scope.imputed), strict=True))
        asides.insert(
            0, "imputed where missing: " + _counted({names[k]: v for k, v in scope.imputed.items()})
        )
    if asides:
        asides[0] = asides[0][0].upper() + asides[0][1:]
        text += " " + "; ".join(asides) + "."
    return [text]


def _counted(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{name} ({count})" for name, count in sorted(counts.items()))
