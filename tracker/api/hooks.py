"""The hooks a plugin may implement, in the entry-point group ``strandbook``."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar, overload

import pluggy

from tracker.api.method import Method

GROUP = "strandbook"
hookspec = pluggy.HookspecMarker(GROUP)
_answers = pluggy.HookimplMarker(GROUP)
Answer = TypeVar("Answer", bound=Callable[..., Any])


@overload
def hookimpl(answer: Answer) -> Answer: ...
@overload
def hookimpl(**how: bool) -> Callable[[Answer], Answer]: ...
def hookimpl(answer: Any = None, **how: Any) -> Any:
    """Mark a function of a plugin as an answer to the hook of its name.

    Args:
        answer: The function.
        how: Order among other answers, as pluggy has it: ``tryfirst=True``, ``trylast=True``.

    >>> @hookimpl
    ... def strandbook_factors(specimen):
    ...     return [FactorValue("shelf_days", 12.0, "d", basis="stated", source=specimen["id"])]
    >>> strandbook_factors({"id": "J0012-04-K"})[0].value
    12.0
    """
    return _answers(answer, **how)


@dataclass(frozen=True)
class FactorValue:
    """One thing recorded about how a specimen came to be.

    Attributes:
        name: Lower-case word with its unit as ending: ``nozzle_c``.
        value: A number, a word, or None for "not recorded".
        unit: Unit of a number; empty for words.
        basis: ``measured``, ``commanded``, ``stated``, ``estimated``, ``typed`` or ``not recorded``.
        source: Where it was read.
        low: Lower bound where it is known as an interval only; ``high`` the upper.
        resolution: Differences below this are not differences; None: any difference counts.
        span: Typical span over which the factor is varied on purpose, same unit.

    >>> FactorValue("nozzle_c", 250.0, "degC", basis="measured", source="thermocouple", span=30.0).basis
    'measured'
    """

    name: str
    value: float | str | None
    unit: str = ""
    basis: str = "not recorded"
    source: str = ""
    low: float | None = None
    high: float | None = None
    resolution: float | None = None
    span: float | None = None


@dataclass(frozen=True)
class ReadLog:
    """A log of a print as a reader understood it.

    Attributes:
        channels: Name (``chamber_c``, ``bed_c``, ``nozzle_c``, ``room_c``, ``room_rh``) to values,
            shape (n,), in °C or per cent.
        time_s: Seconds, shape (n,): since 1970-01-01 UTC where ``absolute``, else since the log began.
        absolute: Whether the log knows the date.
        how: What was guessed on the way, one sentence each, to be shown.
        problems: Gaps, frozen sensors, clock jumps, one sentence each.

    >>> ReadLog({"chamber_c": [58.2, 58.9]}, [0.0, 60.0], absolute=False).channels["chamber_c"][1]
    58.9
    """

    channels: Mapping[str, Sequence[float]]
    time_s: Sequence[float]
    absolute: bool
    how: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass(frozen=True)
class LabelDesign:
    """What is on a label beside the code.

    Attributes:
        name: Chosen with ``--design``.
        help: One line.
        lines: From the facts of a spool, drying or specimen (``id``, ``material``, ``orientation``,
            ``date``, ``lot``, ``job``, ``name``) to at most four short lines, the ID excluded.

    >>> design = LabelDesign("lot", "material and lot", lambda facts: [facts["material"], facts["lot"]])
    >>> design.lines({"material": "Nordlicht ASA", "lot": "L7"})
    ['Nordlicht ASA', 'L7']
    """

    name: str
    help: str
    lines: Callable[[Mapping[str, str]], Sequence[str]]


@dataclass(frozen=True)
class ResultFacts:
    """A result as it was just stored.

    >>> ResultFacts("M0007", "J0012-04-K", "shear.strength", 31.2, "MPa", 0.3, "shear", "1.0").value
    31.2
    """

    measurement: str
    specimen: str
    quantity: str
    value: float | None
    unit: str
    uncertainty: float | None
    method: str
    method_version: str
    remarks: tuple[str, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)


@hookspec
def strandbook_methods() -> list[Method]:
    """Offer test methods; asked once, when the plugin arrives.

    Each is checked then: id, title, version, standard, a ``Readings`` model that can be prompted for,
    quantities named after the id, units that can be read. A plugin that offers one wrong method is
    refused whole, with the reason; the others are not touched.

    Returns:
        Instances of ``Method``. Ids are taken once: bundled methods come first.
    """
    raise NotImplementedError


@hookspec
def strandbook_factors(specimen: Mapping[str, Any]) -> list[FactorValue]:
    """Add factors to a specimen: things recorded elsewhere that could explain a result.

    Args:
        specimen: Everything the book knows of it, by name: ``id``, ``material``, ``job``, ``spools``,
            ``orientation`` and every factor so far. Never to be changed.

    Returns:
        Further factors; an empty list, or None, where there is nothing to add.
    """
    raise NotImplementedError


@hookspec(firstresult=True)
def strandbook_read_log(path: Path) -> ReadLog | None:
    """Read a log of a print (chamber, bed, nozzle or room over time); the first answer wins.

    Readers are asked last come first. A reader looks at the file and leaves it alone if it is not its
    own; one that raises is passed over, and named among the faults.

    Args:
        path: The file, as it lies on disk. Never to be changed.

    Returns:
        What was read; None leaves the file to another reader.
    """
    raise NotImplementedError


@hookspec
def strandbook_label_designs() -> list[LabelDesign]:
    """Offer label designs: what is shown beside the code.

    Returns:
        Designs, each chosen by its name.
    """
    raise NotImplementedError


@hookspec
def strandbook_after_result(result: ResultFacts) -> None:
    """Be told of a result after it was stored.

    What is raised here changes nothing: the result stays, the fault is kept with the plugin's name.

    Args:
        result: The result, as it was stored.

    Returns:
        Nothing; what is returned is not looked at.
    """
