"""What is asked of a person for each kind of record: one description for prompts, options and pages.

A form is a tuple of :class:`Ask`. :func:`clean` turns what was typed into values for the store, all
problems at once, so that nobody mends one field only to hear of the next.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal, Protocol

from tracker.errors import Refused
from tracker.moments import MomentError, Present, local_time, read_day, read_moment
from tracker.safe_text import unseen
from tracker.stating import compact, shown
from tracker.units import UnitError, parse

AskKind = Literal["number", "whole", "text", "choice", "date", "moment", "yes", "record"]

NONE: Final = "-"
"""What is typed for "none" where a value is offered, or where nothing is to be recorded."""

_AHEAD: Final = dt.timedelta(minutes=5)
_FEW_CHOICES: Final = 6
"""Clocks of phones and rigs may be a little fast; beyond that a moment is in the future."""


class FormError(Refused, ValueError):
    """One or more fields were not filled as they must be.

    Attributes:
        fields: What is wrong, by name of the field; empty where the fault is of the whole.
    """

    def __init__(
        self, what: str, *, why: str = "", do: str = "", fields: Mapping[str, str] | None = None
    ) -> None:
        super().__init__(what, why=why, do=do)
        self.fields = dict(fields or {})


@dataclass(frozen=True)
class Ask:
    """One thing to be asked.

    Attributes:
        name: Column of the record, its unit as ending.
        label: Words of the prompt.
        kind: How the answer is read; ``record`` names another record by its ID or name.
        unit: Unit of a bare number.
        required: Nothing is stored without it.
        prompt: Asked for on a terminal even where not required; Enter leaves it unrecorded.
        choices: For a choice, the words allowed.
        low: Least and ``high`` greatest value that a real bench could mean, in ``unit``.
        past: A date or moment that cannot be in the future.
        usual: What is offered as an answer, to be taken or changed; nothing is stored unasked.
        of: For a record, the kinds that fit.
        default: What it means where nobody answers: ``now`` or ``today``.
    """

    name: str
    label: str
    kind: AskKind = "text"
    unit: str = ""
    required: bool = False
    prompt: bool = False
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    past: bool = True
    usual: str = ""
    of: tuple[str, ...] = ()
    default: str = ""

    @property
    def option(self) -> str:
        """The option on the command line: ``--net`` for ``net_g``."""
        ending = _ENDING.get(self.unit) or _ENDING.get(self.kind, "")
        stem = self.name.removesuffix(ending).replace("_", "-")
        return f"--{stem.removesuffix('-h')}-hours" if self.unit == "h" else f"--{stem}"

    @property
    def question(self) -> str:
        """The prompt, with the unit or the words allowed."""
        if self.choices:
            return f"{self.label} ({', '.join(self.choices)})"
        return f"{self.label} [{shown(self.unit)}]" if self.unit else self.label


_ENDING: Final = {
    "g": "_g", "mm": "_mm", "degC": "_c", "g/cm^3": "_g_cm3", "percent": "_pct", "date": "_on",
    "moment": "_at",
}  # fmt: skip
"""What an option leaves out: the prompt says the unit, and anything else may be typed with its own."""


def column_named(form: Iterable[Ask], typed: str) -> str:
    """Return the column that a name stands for: its own, or an option's, as ``net`` or ``planned-hours``.

    A name that is neither is returned as it is.
    """
    columns = {ask.option.removeprefix("--"): ask.name for ask in form}
    return typed if typed in columns.values() else columns.get(typed.replace("_", "-"), typed)


@dataclass(frozen=True)
class When:
    """The present moment and the bench's zone: what a bare ``14:32`` is read against.

    Attributes:
        now: The present.
        zone: The bench's zone.
        began: When that began to which a bare time belongs, such as a job: it is then the first such time
            from there on. Without it a bare time is today's.
    """

    now: dt.datetime
    zone: dt.tzinfo
    began: dt.datetime | None = None

    @property
    def today(self) -> dt.date:
        """Today's date at the bench."""
        return self.now.astimezone(self.zone).date()


class Clocked(Protocol):
    """What tells the present moment and the bench's zone; a book does."""

    @property
    def clock(self) -> Callable[[], dt.datetime]:
        """Gives the present moment."""

    @property
    def zone(self) -> dt.tzinfo:
        """The bench's."""


def when_at(book: Clocked, began: dt.datetime | None = None) -> When:
    """Return the present moment and the bench's zone; ``began`` as :class:`When` has it."""
    return When(book.clock(), book.zone, began)


def check_order(began: dt.datetime | None, ended: dt.datetime | None, what: str, zone: dt.tzinfo) -> None:
    """Refuse an end before its beginning.

    Raises:
        FormError: ``ended`` is before ``began``.
    """
    # Equal times pass: entered afterwards to the minute, a short stay begins and ends in the same one.
    if began is not None and ended is not None and ended < began:
        raise FormError(
            f"{what} would end at {local_time(ended, zone)}, before it began at {local_time(began, zone)}",
            do="Check both times",
        )


def clean(form: Sequence[Ask], typed: Mapping[str, Any], when: When) -> dict[str, Any]:
    """Return values for the store, one for every field of the form; None is "not recorded".

    Args:
        form: What was asked.
        typed: Texts, or values that are right already, by field name. Empty text and ``-`` are no answer.
        when: The present, for dates.

    Raises:
        FormError: Every problem, one sentence each; nothing is stored.
    """
    values: dict[str, Any] = {}
    refused: dict[str, Refused] = {}
    for ask in form:
        try:
            values[ask.name] = read(ask, typed.get(ask.name), when)
        except Refused as refusal:
            refused[ask.name] = refusal
    if refused:
        problems = "; ".join(str(each).rstrip(".") for each in refused.values())
        raise FormError(problems, fields={name: _beside(each) for name, each in refused.items()})
    return values


def _beside(refusal: Refused) -> str:
    """Return a refusal as it is said beside its field, where an option's name would mean nothing."""
    return refusal.what if "--" in refusal.do else str(refusal)


def read(ask: Ask, typed: Any, when: When) -> Any:
    """Return the value of one field.

    Raises:
        FormError: It is missing, or not what was asked for.
    """
    # Blank is "not recorded", never zero: a humidity of 0 % would be believed.
    if typed is None or (isinstance(typed, str) and typed.strip() in ("", NONE)):
        if ask.required:
            # What stands after a colon explains the field, and reads ill in the middle of a sentence.
            what = ask.label.split(": ")[0]
            raise FormError(f"{what} is missing", do=f"Give it with {ask.option}{_one_of(ask)}")
        return None
    value = _READERS[ask.kind](ask, typed, when)
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        _check_range(ask, float(value))
    return value


def _one_of(ask: Ask) -> str:
    return f" ({' or '.join(ask.choices)})" if 1 < len(ask.choices) <= _FEW_CHOICES else ""


def _check_range(ask: Ask, value: float) -> None:
    low, high = ask.low, ask.high
    if (low is not None and value < low) or (high is not None and value > high):
        bounds = (
            f"between {compact(low)} and {compact(high)}" if high is not None else f"at least {compact(low)}"
        )
        raise FormError(
            f"{ask.label}: {compact(value, ask.unit)} is not possible here",
            do=f"It must be {bounds} {shown(ask.unit)}".rstrip(),
        )


def _number(ask: Ask, typed: Any, when: When) -> float:
    del when
    if isinstance(typed, (int, float)):
        # Through text, so that a number posted by a program meets the same rules as one typed.
        typed = repr(typed)
    try:
        return parse(str(typed), ask.unit, ask.label)
    except UnitError as error:
        raise FormError(str(error)) from error


def _whole(ask: Ask, typed: Any, when: When) -> int:
    value = _number(ask, typed, when)
    if value != int(value):
        raise FormError(f"{ask.label}: {typed} is not a whole number")
    return int(value)


def text(ask: Ask, typed: Any, when: When) -> str:
    """Return text on one line, without what a database, a terminal or a label cannot hold.

    Raises:
        FormError: It holds a control character, or one that has no width or turns letters around.
    """
    del when
    written = " ".join(str(typed).split())
    # A stored escape sequence would act on the terminal of whoever looks at it; letters turned around, or a
    # sign without width, would pass for another name.
    stray = unseen(written)
    if stray is not None:
        raise FormError(
            f"{ask.label}: there is a character in it that nobody can see (U+{ord(stray):04X})",
            do="Type it again without it",
        )
    return written


def _choice(ask: Ask, typed: Any, when: When) -> str:
    word = text(ask, typed, when).lower()
    # A beginning will do where only one word has it: one hand is free.
    fitting = [choice for choice in ask.choices if choice.lower().startswith(word)]
    if word in ask.choices:
        return word
    if len(fitting) == 1:
        return fitting[0]
    raise FormError(f"{ask.label}: {typed!s} is none of {', '.join(ask.choices)}")


def _yes(ask: Ask, typed: Any, when: When) -> bool:
    if isinstance(typed, bool):
        return typed
    word = text(ask, typed, when).lower()
    if word in ("y", "yes", "true", "1", "on"):
        return True
    if word in ("n", "no", "false", "0", "off"):
        return False
    raise FormError(f"{ask.label}: answer yes or no")


def _date(ask: Ask, typed: Any, when: When) -> dt.date:
    if isinstance(typed, dt.date):
        day = typed
    else:
        try:
            day = read_day(text(ask, typed, when), _present(ask, when))
        except (MomentError, ValueError, OverflowError) as error:
            do = error.do if isinstance(error, MomentError) else "Type it as 2026-03-14"
            raise FormError(f"{ask.label}: {typed!s:.40} is no date", do=do) from error
    if ask.past and day > when.today:
        raise FormError(f"{ask.label}: {day} is in the future")
    return day


_AGO: Final = re.compile(r"^(?P<much>.+?)\s+ago$")


def moment(ask: Ask, typed: Any, when: When) -> dt.datetime:
    """Return a moment in UTC, from what :func:`tracker.moments.read_moment` reads or ``90 min ago``.

    Raises:
        FormError: It is none of these, does not exist at the bench (clocks went forward), was there twice
            (they went back), or is in the future.
    """
    try:
        found = typed if isinstance(typed, dt.datetime) else _moment_from(ask, text(ask, typed, when), when)
        if found.tzinfo is None:
            found = read_moment(found.isoformat(sep=" "), _present(ask, when))
        found = found.astimezone(dt.UTC)
    except MomentError as error:
        raise FormError(f"{ask.label}: {error.what}", do=error.do) from error
    except OverflowError as error:
        raise FormError(f"{ask.label}: {typed!s:.40} is outside the calendar") from error
    if ask.past and found > when.now + _AHEAD:
        raise FormError(f"{ask.label}: {found.astimezone(when.zone):%Y-%m-%d %H:%M} is in the future")
    return found


def _moment_from(ask: Ask, word: str, when: When) -> dt.datetime:
    ago = _AGO.match(word.lower())
    if ago:
        return when.now - dt.timedelta(seconds=parse(ago["much"], "s", ask.label))
    return read_moment(word, _present(ask, when))


def _present(ask: Ask, when: When) -> Present:
    return Present(when.now, when.zone, when.began, past=ask.past)


def refuse_taken(kind: str, name: str, names: Iterable[str]) -> None:
    """Refuse a name that another record of its kind has, upper and lower case alike.

    Names are compared here and not in the database: SQLite folds the case of ASCII letters only.

    Raises:
        FormError: One has it.
    """
    taken = next((each for each in names if each.casefold() == name.casefold()), None)
    if taken is not None:
        raise FormError(f"There is a {kind} {taken!r} already", do=f"strandbook list {kind}s")


_READERS: Final = {
    "number": _number, "whole": _whole, "text": text, "record": text, "choice": _choice,
    "yes": _yes, "date": _date, "moment": moment,
}  # fmt: skip
