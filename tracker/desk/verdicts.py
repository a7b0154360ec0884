"""Verdicts: a result is counted, or set aside with a reason; both stay readable for ever."""

from __future__ import annotations

from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.forms import FormError
from tracker.ids import measurement_id
from tracker.kinds import find
from tracker.model import Measurement, Result, Verdict


def judge(
    book: Book, who: str, measurement: str, *, counted: bool, reason: str, quantity: str | None = None
) -> Done:
    """Give a verdict on the results of a measurement.

    Args:
        book: The book.
        who: Whose verdict it is.
        measurement: Its ID.
        counted: Whether the results enter means.
        reason: Why; always wanted.
        quantity: The one meant; all of the measurement where None.

    Raises:
        FormError: No reason, no such result, or one without a value is to be counted.
    """
    if not reason.strip():
        raise FormError("A verdict needs a reason", do="Give it with --reason")
    with book.act("verdict", who, reason=" ".join(reason.split())) as act:
        row = find(book, act.session, measurement, "measurement")
        results = _meant(row, quantity)
        for result in results:
            # Counted without a value it would raise the number of results of a mean and nothing else.
            if counted and result.value is None:
                raise FormError(f"{result.quantity} has no value to count", why=result.refused or "")
            result.counted = counted
            # Beside the switch a row of its own, so that who set a result aside, and who brought it back,
            # stays readable.
            act.session.add(
                Verdict(result_id=result.id, counted=counted, reason=act.reason, by=who, at=act.at)
            )
        act.about.append(measurement_id(row.id))
    word = "counted" if counted else "set aside"
    return Done(measurement_id(row.id), [f"{result.quantity} {word}." for result in results])


def _meant(row: Measurement, quantity: str | None) -> list[Result]:
    # Without a quantity all that have a value are meant; what was refused has nothing to be counted.
    with_value = [each for each in row.results if each.value is not None]
    if quantity is None and with_value:
        return with_value
    meant = [each for each in row.results if each.quantity == quantity]
    if not meant:
        has = ", ".join(each.quantity for each in row.results) or "no results"
        raise FormError(f"{measurement_id(row.id)} has no {quantity or 'value'}", do=f"It has {has}")
    return meant
