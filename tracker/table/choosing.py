"""Which rows of a material a choice means, before it is kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tracker.book import Book
from tracker.forms import FormError
from tracker.kinds import material_named
from tracker.selection import Filter, Term
from tracker.suggest import did_you_mean
from tracker.table.conditions import SETTINGS
from tracker.table.summary import TableRow, summary_table


@dataclass(frozen=True)
class Meant:
    """What a choice means.

    Attributes:
        material: Its name as it is kept.
        settings: As they are recorded: ``nozzle_c=255.0``.
        rows: The conditions that fulfil them, in words; one, unless several are published together.
    """

    material: str
    settings: tuple[str, ...]
    rows: tuple[str, ...]


def meant_by(book: Book, material: str, settings: Sequence[str]) -> Meant:
    """Return which of a material's conditions are meant by settings.

    Args:
        book: Read only.
        material: Name of the material.
        settings: ``nozzle_c=255`` and the like; none where the material has one condition only.

    Raises:
        NotFoundError: There is no such material.
        FormError: A word is no setting, no row has it, or several rows are left where none was named.
    """
    terms = tuple(_term(each) for each in settings)
    with book.read() as session:
        name = material_named(session, material).name
    rows = summary_table(book, where=Filter((Term("material", "=", name),))).rows
    if not rows:
        raise FormError(
            f"{name} has no results to publish", do="strandbook list results shows what was tested"
        )
    kept = [row for row in rows if Filter(terms).holds(row.condition)]
    if not kept:
        raise FormError(f"{name} was not tested with {Filter(terms)}", do=_conditions(rows))
    if not terms and len(kept) > 1:
        raise FormError(f"{name} was tested under {len(rows)} conditions", do=_conditions(rows))
    recorded = tuple(f"{term.name}={kept[0].condition[term.name]}" for term in terms)
    return Meant(name, recorded, tuple(row.words for row in kept))


def _term(text: str) -> Term:
    name, sign, value = (part.strip() for part in text.partition("="))
    if not sign or not name or not value:
        raise FormError(f"{text!r} is no setting", do="Write name=value, as in nozzle_c=255")
    if name not in SETTINGS:
        told = f"Conditions are told apart by {', '.join(SETTINGS)}"
        raise FormError(f"{name!r} tells no conditions apart", do=did_you_mean(name, SETTINGS, told))
    return Term(name, "=", value)


def _conditions(rows: Sequence[TableRow]) -> str:
    """Return what can be chosen, as it is typed."""
    names = [name for name in SETTINGS if len({row.condition.get(name) for row in rows}) > 1]
    said = [" ".join(_typed(row, name) for name in names if name in row.condition) for row in rows]
    return f"Choose one of: {'; '.join(said)}" if names else "It has one condition: name no setting"


def _typed(row: TableRow, name: str) -> str:
    value = row.condition[name]
    return str(Term(name, "=", f"{value:g}" if isinstance(value, float) else str(value)))
