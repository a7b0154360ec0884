"""What looks wrong in a recording of a force, found before a number is read off it.

Each finding has a name and, where it changes a number, the ways in which a person may take it. Some correct
themselves and say so (a drop-out is left out, an inverted sign turned, an offset that is before and after
the pull subtracted); the others refuse the numbers they touch until somebody says ``take.NAME``. Thresholds
are common practice, no source: parts of the greatest force, and multiples of the noise seen in the data.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from tracker.lazy_modules import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Numbers = NDArray[np.float64]

_SPIKE: Final = 0.03
_ZERO: Final = 0.01
_FALL: Final = 0.03
_TAIL: Final = 0.2
_CLIP_RUN: Final = 5
_DROP_OUT_RUN: Final = 20
_MOMENT: Final = 0.15
_COARSE_STEP: Final = 0.02
_COARSE_RISE: Final = 20


@dataclass(frozen=True)
class Finding:
    """Something about a recording that a reader of its number should know.

    Attributes:
        name: One word or two: ``spike``, ``clipping``, ``zero offset``.
        text: One sentence: what and where.
        ways: How it may be taken; empty where it changes no number.
        taken: The way taken, by a person or as a rule; empty while nobody has said.
        touches: Which numbers it changes: ``force``, ``strain``.
        first: Index of the first row concerned.
        last: Index of the last row concerned.

    >>> found = Finding("zero offset", "Zero offset: 60 N.", ("subtract", "keep"), touches=("force",))
    >>> found.open, found.option
    (True, 'take.zero-offset')
    """

    name: str
    text: str
    ways: tuple[str, ...] = ()
    taken: str = ""
    touches: tuple[str, ...] = ()
    first: int = 0
    last: int = 0

    @property
    def option(self) -> str:
        """Key of ``Recording.read_as`` that says how to take it: ``take.zero-offset``."""
        return f"take.{self.name.replace(' ', '-')}"

    @property
    def open(self) -> bool:
        """Whether somebody must say how to take it before its numbers count."""
        return bool(self.ways) and not self.taken

    @property
    def line(self) -> str:
        """The finding with what was done about it, as one remark."""
        if self.open:
            words = " or ".join(f"'{self.name.replace(' ', '-')}={way}'" for way in self.ways)
            only = self.touches == ("strain",)
            ask = "Strain waits until somebody says how to take it" if only else "Say how to take it"
            return f"{self.text} {ask}: --take {words}."
        return f"{self.text} Taken: {self.taken}." if self.taken else self.text


@dataclass(frozen=True)
class Signal:
    """A force as it is to be used, with what was found in it.

    Attributes:
        force: Newtons, shape (n,): corrected, only the rows kept.
        kept: Rows of the recording that are kept, shape (m,), true for n of them.
        findings: In the order in which they were looked for.
        limit: Whether the greatest force is only a lower bound (clipped, or ended while it rose).
        unbroken: Whether the recording ends before the piece breaks.
        slipped: Whether the piece slipped in the grips on the way, so that travel is not all strain.
        noise: Standard deviation of the force from row to row, N.
        coarse: Half-width, N, by which the true maximum may lie above the rows; 0 where they are dense.
    """

    force: Any
    kept: Any
    findings: tuple[Finding, ...]
    limit: bool = False
    unbroken: bool = False
    slipped: bool = False
    noise: float = 0.0
    coarse: float = 0.0

    def open_for(self, what: str) -> tuple[Finding, ...]:
        """Return the findings that keep a number (``force``, ``strain``) from being used."""
        return tuple(each for each in self.findings if each.open and what in each.touches)


def noise_of(values: Any) -> float:
    """Return the standard deviation from row to row, a smooth course taken off.

    From second differences, whose standard deviation is √6 times that of white noise; by the median, so that
    a break or a spike does not count. Values rounded coarser than their noise give 0.

    >>> noise_of([0.0, 1.0, 2.0, 3.0, 4.0])
    0.0
    """
    course = np.asarray(values, dtype=float)
    if len(course) < 5:  # noqa: PLR2004 - a median of three
        return 0.0
    return float(1.4826 * np.median(np.abs(np.diff(course, 2))) / np.sqrt(6))


def step_of(values: Any) -> float:
    """Return the least step between different values: the resolution that the data show; 0 for none.

    >>> step_of([0.0, 0.5, 1.5, 0.5])
    0.5
    """
    steps = np.diff(np.unique(np.asarray(values, dtype=float)[:20_000]))
    steps = steps[steps > 1e-9 * max(1e-12, float(np.abs(values).max()))]
    return float(steps.min()) if len(steps) else 0.0


def looked_at(
    force: Any, seconds: Any = None, travel: Any = None, takes: Mapping[str, str] | None = None
) -> Signal:
    """Look a recording of a force through and correct what corrects itself.

    Args:
        force: Newtons, shape (m,), as recorded.
        seconds: Shape (m,), or None.
        travel: Extension, grip travel or strain, any unit, shape (m,), or None.
        takes: ``Recording.read_as``; its ``take.NAME`` say how findings are to be taken.

    >>> looked = looked_at([0.0, 100, 200, 300, 2000, 400, 500, 600, 700, 800, 900, 950, 960, 0, 0, 0])
    >>> [each.name for each in looked.findings if each.open]
    ['spike']
    """
    course = np.array(force, dtype=float)
    found: list[Finding] = []
    decided = takes or {}
    course = _turned(course, decided, found)
    kept = np.ones(len(course), dtype=bool)
    _out_of_time(seconds, found)
    if len(course) < 5 or course.max() <= 0:  # noqa: PLR2004 - nothing to be seen in four rows
        return Signal(course, kept, tuple(found))
    kept &= _without_drop_outs(course, decided, found)
    kept &= _without_spikes(course, kept, decided, found)
    used = course[kept]
    used = _zeroed(used, decided, found)
    noise = noise_of(used)
    limit = _clipped(used, noise, decided, found)
    ended, unbroken = _ended(used, found)
    along = None if travel is None else np.asarray(travel, dtype=float)[kept]
    slipped = _slipped(used, along, noise, decided, found)
    coarse = _coarse(used, found)
    return Signal(used, kept, tuple(found), limit or ended, unbroken, slipped, noise, coarse)


def _take(finding: Finding, decided: Mapping[str, str], usual: str = "") -> Finding:
    """Fill in the way taken: a person's word, else the usual one."""
    word = decided.get(finding.option, "").strip().casefold()
    return replace(finding, taken=word if word in finding.ways else usual)


def _turned(course: Numbers, decided: Mapping[str, str], found: list[Finding]) -> Numbers:
    up, down = float(course.max(initial=0.0)), float(-course.min(initial=0.0))
    if down <= 3 * max(up, 0.0) or down == 0:
        return course
    text = f"The force is recorded with its sign turned: from {course.min():.5g} to {course.max():.5g} N."
    finding = _take(
        Finding("inverted sign", text, ("turn", "keep"), touches=("force", "strain")), decided, "turn"
    )
    found.append(finding)
    return -course if finding.taken == "turn" else course


def _out_of_time(seconds: Any, found: list[Finding]) -> None:
    if seconds is None:
        return
    back = np.flatnonzero(np.diff(seconds) < 0)
    if len(back):
        # Said, not sorted: the order of the rows is what the rig saw.
        where = f"{_places(len(back))}, first at {seconds[back[0]]:.5g} s"
        text = f"The clock of the recording runs backwards in {where}."
        found.append(Finding("rows out of time", text, first=int(back[0]), last=int(back[-1])))


def _without_drop_outs(course: Numbers, decided: Mapping[str, str], found: list[Finding]) -> Any:
    """Find rows where the force falls to nothing and is back at once at its old height."""
    kept = np.ones(len(course), dtype=bool)
    high = float(np.quantile(course, 0.999)) if len(course) > 1000 else float(course.max())  # noqa: PLR2004 - see below
    # A spike of one row among thousands must not decide what counts as high.
    low = course < 0.2 * high
    edges = np.flatnonzero(np.diff(low.astype(int)))
    runs = []
    for start, end in itertools.pairwise(edges.tolist()):
        before, after = course[start], course[min(end + 1, len(course) - 1)]
        if not low[start + 1] or end - start > _DROP_OUT_RUN or low[start]:
            continue
        # A slip climbs back along the elastic line; a drop-out is back in one row.
        if after > 0.8 * before and course[start + 1 : end + 1].max() < 0.5 * before:
            runs.append((int(start) + 1, int(end)))
    if not runs:
        return kept
    rows = sum(end - start + 1 for start, end in runs)
    text = (
        f"Drop-out: the force is lost for {rows} rows in {_places(len(runs))}, first at row {runs[0][0] + 1}."
    )
    finding = _take(
        Finding("drop-out", text, ("leave out", "keep"), "", ("force", "strain"), runs[0][0], runs[-1][1]),
        decided, "leave out",
    )  # fmt: skip
    found.append(finding)
    if finding.taken == "leave out":
        for start, end in runs:
            kept[start : end + 1] = False
    return kept


def _without_spikes(course: Numbers, kept: Any, decided: Mapping[str, str], found: list[Finding]) -> Any:
    """Find single rows (or two) that stand out above both sides."""
    rows = np.flatnonzero(kept)
    values = course[rows]
    out = np.ones(len(course), dtype=bool)
    if len(values) < 7:  # noqa: PLR2004 - two neighbours to each side and some course
        return out
    steps = np.abs(np.diff(values))
    high = float(np.sort(values)[-4])
    threshold = max(_SPIKE * high, 8 * noise_of(values))
    padded = np.pad(values, 2, mode="edge")
    left = np.maximum(padded[:-4], padded[1:-3])
    right = np.maximum(padded[3:-1], padded[4:])
    single = values - np.maximum(left, right)
    pair = np.minimum(values[:-1], values[1:]) - np.maximum(padded[1:-4], padded[4:-1])
    at: set[int] = set()
    for i in np.flatnonzero(single > threshold).tolist():
        at |= {i} if single[i] > 4 * _usual_step(steps, i, i) else set()
    for i in np.flatnonzero(pair > threshold).tolist():
        at |= {i, i + 1} if pair[i] > 4 * _usual_step(steps, i, i + 1) else set()
    at = {i for i in at if 0 < i < len(values) - 1}
    if not at:
        return out
    top = max(at, key=lambda i: values[i])
    rest = np.delete(values, sorted(at))
    moves = float(values[top]) > 1.005 * float(rest.max())
    sides = max(values[top - 1], values[top + 1]) if len(at) == 1 else rest.max()
    text = (
        f"Spike: {len(at)} row{'s' * (len(at) > 1)} up to {values[top]:.5g} N where both sides have "
        f"{sides:.5g} N, at row {rows[top] + 1}."
    )
    finding = Finding("spike", text, ("leave out", "keep"), touches=("force",) if moves else (),
                      first=int(rows[min(at)]), last=int(rows[max(at)]))  # fmt: skip
    # One that is not the maximum changes nothing that is read off; it is left out and said.
    finding = _take(finding, decided, "" if moves else "leave out")
    found.append(finding)
    # While nobody has said, the number is refused; what is drawn and searched on is the course without it.
    if finding.taken != "keep":
        out[rows[sorted(at)]] = False
    return out


def _usual_step(steps: Numbers, first: int, last: int) -> float:
    """Return what the course does from row to row beside some rows: a coarse one climbs by large steps."""
    around = np.concatenate((steps[max(0, first - 8) : max(0, first - 1)], steps[last + 1 : last + 8]))
    # The steps before the rows count where the break follows on them: its fall is no usual step.
    before = steps[max(0, first - 8) : max(0, first - 1)]
    return float(np.median(before if len(before) >= 3 else around)) if len(around) else 0.0  # noqa: PLR2004


def _zeroed(course: Numbers, decided: Mapping[str, str], found: list[Finding]) -> Numbers:
    """Look at the force before the pull and after the break."""
    high = float(course.max())
    threshold = max(_ZERO * high, 5 * noise_of(course))
    began = np.flatnonzero(np.abs(course - course[0]) > threshold)
    head = float(np.median(course[: max(1, int(began[0]) if len(began) else len(course))][:200]))
    tail = _tail_of(course, high, threshold)
    at_zero = abs(head) <= threshold
    if at_zero and (tail is None or abs(tail) <= max(threshold, 2 * _ZERO * high)):
        return course
    part = f"{100 * head / high:.1f} % of the greatest force"
    usual = ""
    if not at_zero and tail is not None and abs(tail) <= threshold:
        name, ways, usual = "preload", ("keep", "subtract"), "keep"
        text = f"Preload: the recording begins at {head:.4g} N, {part}, and ends at zero after the break."
    elif not at_zero and (head < 0 or (tail is not None and abs(tail - head) <= threshold)):
        name, ways, usual = "zero offset", ("subtract", "keep"), "subtract"
        where = "before the pull and after the break" if tail is not None else "before the pull"
        text = f"Zero offset: {head:.4g} N, {part}, {where}."
    elif tail is None:
        name, ways = "zero offset", ("subtract", "keep")
        text = f"The recording begins at {head:.4g} N, {part}: a preload, or a zero that was not set."
    else:
        name, ways = "zero drift", ("keep", "line")
        text = f"Zero drift: {head:.4g} N before the pull and {tail:.4g} N after the break."
    finding = _take(Finding(name, text, ways, touches=("force",)), decided, usual)
    found.append(finding)
    if finding.taken == "line" and tail is not None:
        return course - np.linspace(head, tail, len(course))
    return course - head if finding.taken == "subtract" else course


def _tail_of(course: Numbers, greatest: float, threshold: float) -> float | None:
    """Return the level after the break, where there is one and it is level; else None."""
    above = np.flatnonzero(course > _TAIL * greatest)
    tail = course[int(above[-1]) + 2 :] if len(above) else course[:0]
    if len(tail) < 5:  # noqa: PLR2004 - a level takes a few rows
        return None
    tail = tail[len(tail) // 2 :]
    # Between quantiles: a shock of the rig after the break is no slope of its zero.
    low, high = np.quantile(tail, (0.05, 0.95))
    return float(np.median(tail)) if float(high - low) <= 2 * threshold else None


def _clipped(course: Numbers, noise: float, decided: Mapping[str, str], found: list[Finding]) -> bool:
    """Find a ceiling: equal greatest values that the course runs into at full slope."""
    top = float(course.max())
    at = np.flatnonzero(course >= top - 1e-9 * abs(top))
    run = at[: int(np.argmax(np.diff(at, append=at[-1] + 2) > 1)) + 1] if len(at) else at
    length = len(run)
    if length < _CLIP_RUN:
        return False
    start = int(run[0])
    before = course[max(0, start - length) : start]
    step = step_of(course)
    # A rounded summit of that width lies at most four steps above where it was one width earlier.
    if len(before) < 2 or top - float(before.min()) <= max(12 * step, 6 * noise):  # noqa: PLR2004 - a slope
        return False
    text = f"Clipping: {length} rows are at exactly {top:.5g} N, the ceiling of the recording."
    finding = Finding("clipping", text, ("limit", "keep"), touches=("force",), first=start, last=int(run[-1]))
    finding = _take(finding, decided)
    found.append(finding)
    return finding.taken != "keep"


def _ended(course: Numbers, found: list[Finding]) -> tuple[bool, bool]:
    """Tell whether the recording ends while the force still rises, and before the break."""
    top = int(course.argmax())
    last, high = float(course[-1]), float(course.max())
    if last <= _TAIL * high:
        return False, False
    part = f"{100 * last / high:.0f} % of the greatest force"
    if top >= len(course) - 3 and last > 0.98 * high:
        text = "The recording ends while the force still rises: its greatest force is a lower bound."
        found.append(Finding("end before break", text, first=top, last=len(course) - 1))
        return True, True
    found.append(Finding("end before break", f"The recording ends before the break, at {part}.", first=top))
    return False, True


def _slipped(
    course: Numbers, travel: Any, noise: float, decided: Mapping[str, str], found: list[Finding]
) -> bool:
    """Find maxima that a greater one follows; return whether the piece slipped in the grips there."""
    high = float(course.max())
    top = int(course.argmax())
    part = course[: top + 1]
    highs = np.flatnonzero(part >= np.maximum.accumulate(part))
    gaps = [(int(p), int(n)) for p, n in itertools.pairwise(highs) if n - p > 1]
    threshold = max(_FALL * high, 6 * noise)
    falls = []
    for peak, risen in gaps:
        trough = peak + int(part[peak:risen].argmin())
        if part[peak] - part[trough] > threshold and part[peak] > 0.1 * high:
            falls.append((peak, trough))
    if not falls:
        return False
    sudden = [each for each in falls if _is_sudden(part, travel, *each)]
    if sudden:
        # What may have been a yield comes first: it decides which maximum is the strength.
        peak, trough = next((each for each in sudden if not _is_let_go(part, *each)), sudden[0])
        text = (
            f"Slip: the force falls at once from {part[peak]:.5g} to {part[trough]:.5g} N at row {peak + 1} "
            f"and recovers to {high:.5g} N."
        )
        let_go = _is_let_go(part, peak, trough)
        text += (
            " No piece that yields loses two fifths and then carries more: the later maximum is the strength."
            if let_go
            else f" Was it a yield, the strength is {part[peak]:.5g} N."
        )
        touches = ("strain",) if let_go else ("force", "strain")
        finding = Finding("slip", text, ("later maximum", "yield"), touches=touches, first=peak, last=trough)
        finding = _take(finding, decided)
        found.append(finding)
        return finding.taken != "yield"
    peak, _ = falls[0]
    text = f"Several maxima: {part[peak]:.5g} N first and {high:.5g} N later."
    found.append(Finding("several maxima", text, first=peak, last=top))
    return False


def _places(count: int) -> str:
    return "1 place" if count == 1 else f"{count} places"


_LET_GO: Final = 0.6


def _is_let_go(part: Numbers, peak: int, trough: int) -> bool:
    """Tell whether a fall is too deep for a yield.

    A piece that yields and is pulled on keeps most of its force; one that loses two fifths and then bears
    more than before was let go and gripped again.
    """
    return bool(part[trough] < _LET_GO * part[peak])


def _is_sudden(part: Numbers, travel: Any, peak: int, trough: int) -> bool:
    """Tell a fall within a moment from the slow one of a piece that yields and goes on stretching."""
    # Up to most of the fall: a piece that has slipped may lie there a while before the grips take hold again.
    drop = float(part[peak] - part[trough])
    low = peak + 1 + int(np.argmax(part[peak + 1 : trough + 1] <= part[peak] - 0.7 * drop))
    if low - peak <= 3 or _is_let_go(part, peak, trough):  # noqa: PLR2004 - a moment
        return True
    # By travel where there is one, else by rows, which a rig of constant speed writes evenly. A yield takes
    # about as long to fall as to rise; a slip is over within a small part of it.
    course = np.arange(len(part)) if travel is None else travel
    reach = abs(float(course[peak] - course[0]))
    return abs(float(course[low] - course[peak])) <= _MOMENT * reach


def _coarse(course: Numbers, found: list[Finding]) -> float:
    """Return by how much the true maximum may lie above its row, where rows are few."""
    top = int(course.argmax())
    high = float(course[top])
    before = high - float(course[top - 1]) if top else 0.0
    rise = int(np.count_nonzero(course[: top + 1] > 0.1 * high))
    if before <= _COARSE_STEP * high and rise >= _COARSE_RISE:
        return 0.0
    text = (
        f"Sampled coarsely: {rise} rows from a tenth of the greatest force up to it, "
        f"the last step {before:.4g} N."
    )
    found.append(Finding("coarse sampling", text, first=max(0, top - 1), last=top))
    return before


def remarks_of_findings(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return one remark for each finding, with what was done about it."""
    return tuple(each.line for each in findings)
