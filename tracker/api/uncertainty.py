"""Uncertainty: readings that carry what is not known of them, budgets, and propagation (JCGM 100, JCGM 101).

Readings: every number gets two contributions, as far as they are known: its own rounding, rectangular over
one step, u = step / (2 √3), independent from reading to reading; and the calibration of the instrument,
√(u_abs² + (u_rel·x)²), as **one** variable for all readings taken with that instrument: it cancels in
differences and ratios where it should. Which instrument took a reading is decided by the key ``field.column``
(a part of a series), else ``field``, else the dimension word of the unit (``force``, ``length`` …).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, Self, TypeVar

from tracker.api.readings import Field, Readings, fields
from tracker.api.units import dimension, scale
from tracker.coverage import coverage_factor
from tracker.lazy_modules import np, uncertainties

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Draws = NDArray[np.float64]


_NO_SHARE = 1e-12
Shape = Literal["normal", "rectangular", "triangular", "arcsine", "t"]


class Source(str):  # noqa: SLOT000 - it has an attribute of its own
    """Name of an uncertain variable, with how well its standard uncertainty is known.

    ``ufloat(0.0, u, tag=Source("curve: scatter about the line", dof=41))`` makes a contribution whose
    degrees of freedom reach the result.

    Attributes:
        dof: Degrees of freedom; infinite for what is taken as known (a rounding, a certificate).
    """

    dof: float

    def __new__(cls, name: str, dof: float = math.inf) -> Self:
        """Make a name that carries degrees of freedom."""
        made = super().__new__(cls, name)
        made.dof = dof
        return made


@dataclass(frozen=True)
class Contribution:
    """What one source adds to a standard uncertainty.

    Attributes:
        source: ``max_force: resolution``, ``R0002-T: calibration``.
        u: Standard uncertainty of the result from this source alone, in the result's unit.
        share: Part of the variance, 0 to 1.
        dof: Degrees of freedom of ``u``; None for infinite.

    >>> Contribution("max_force: resolution", u=0.2, share=0.64).share
    0.64
    """

    source: str
    u: float
    share: float
    dof: float | None = None


@dataclass(frozen=True)
class Spread:
    """An input quantity: estimate, standard uncertainty, and how much is known about both.

    Attributes:
        value: Estimate.
        u: Standard uncertainty (already divided: half-width/√3 for a rectangle, /√6 for a triangle,
            /√2 for an arcsine).
        dof: Degrees of freedom of ``u``; infinite where it is taken as known.
        shape: Distribution that draws are taken from.
    """

    value: float
    u: float = 0.0
    dof: float = math.inf
    shape: Shape = "normal"


@dataclass(frozen=True)
class Combined:
    """Outcome of ``combine``.

    Attributes:
        value: Function at the estimates.
        u: Combined standard uncertainty.
        dof: Effective degrees of freedom (Welch–Satterthwaite), not truncated.
        contributions: First-order contributions by input, largest first.
        second_order: Standard uncertainty of the second-order terms alone; 0 where not asked for.
    """

    value: float
    u: float
    dof: float
    contributions: tuple[Contribution, ...]
    second_order: float = 0.0


def budget(value: Any) -> tuple[Contribution, ...]:
    """Return what a number's uncertainty is made of, largest first.

    Contributions of one name (the roundings of all rows of a series) are added in quadrature. A
    plain number has none.
    """
    return contributions(value.error_components()) if hasattr(value, "error_components") else ()


def contributions(components: Mapping[Any, float]) -> tuple[Contribution, ...]:
    """Return the same from what each variable adds to a number's standard uncertainty."""
    # Variables of one name are independent of each other (roundings), so squares add.
    by_name: dict[str, list[tuple[float, float]]] = {}
    for variable, part in components.items():
        source = variable.tag or "other"
        by_name.setdefault(str(source), []).append((float(part), getattr(source, "dof", math.inf)))
    return shares(
        {source: math.hypot(*(u for u, _ in parts)) for source, parts in by_name.items()},
        {source: welch_satterthwaite(parts) for source, parts in by_name.items()},
    )


def dof_of(parts: Iterable[Contribution]) -> float | None:
    """Return the effective degrees of freedom of a budget (Welch–Satterthwaite); None for infinite."""
    found = welch_satterthwaite((part.u, math.inf if part.dof is None else part.dof) for part in parts)
    return found if math.isfinite(found) else None


def shares(parts: Mapping[str, float], dofs: Mapping[str, float] | None = None) -> tuple[Contribution, ...]:
    """Return contributions, largest first, from standard uncertainties by source.

    Args:
        parts: Name of the source to its standard uncertainty, all in the result's unit.
        dofs: Degrees of freedom by source, where they are not infinite.
    """
    total = math.fsum(u * u for u in parts.values())
    known = {source: dof for source, dof in (dofs or {}).items() if math.isfinite(dof)}
    made = [
        Contribution(source, abs(u), u * u / total if total else 0.0, known.get(source))
        for source, u in parts.items()
    ]
    # What cancels leaves a trace of rounding behind, which is no contribution.
    made = [part for part in made if part.share > _NO_SHARE]
    return tuple(sorted(made, key=lambda part: -part.u))


def welch_satterthwaite(parts: Iterable[tuple[float, float]]) -> float:
    """Return the effective degrees of freedom, ν = u⁴ / Σ (uᵢ⁴/νᵢ)  (JCGM 100, G.4.1).

    Args:
        parts: (uᵢ, νᵢ): contribution in the result's unit (or all relative), degrees of freedom.
    """
    pairs = list(parts)
    if all(dof == math.inf for _, dof in pairs):
        return math.inf
    total = math.fsum(u * u for u, _ in pairs)
    below = math.fsum(u**4 / dof for u, dof in pairs if math.isfinite(dof))
    return total * total / below if below else math.inf


def expanded(u: float, dof: float = math.inf, level: float = 0.95) -> float:
    """Return U = t_p(ν)·u, the half-width of the interval that holds the value with ``level``.

    Degrees of freedom are truncated to the next lower whole number (JCGM 100, G.4.1 NOTE 1).

    Args:
        u: Standard uncertainty; U is in its unit.
        dof: ν; below 1 it counts as 1, infinite takes the normal distribution.
        level: Probability, between 0 and 1.
    """
    return coverage_factor(dof, level) * u


def combine(
    function: Callable[..., float], inputs: Mapping[str, Spread], *, second_order: bool = False
) -> Combined:
    """Propagate independent inputs through a function by numerical derivatives.

    First order u² = Σ cᵢ²uᵢ² (JCGM 100, 5.1.2); with ``second_order`` also the next terms,
    ΣΣ [½ (∂²f/∂xᵢ∂xⱼ)² + ∂f/∂xᵢ · ∂³f/∂xᵢ∂xⱼ²] uᵢ²uⱼ² (its NOTE).

    Args:
        function: Called with one keyword argument for each input.
        inputs: By name.
        second_order: For functions that are curved within ± u, or flat at the estimates.
    """
    at = {name: spread.value for name, spread in inputs.items()}
    # Exact inputs have no step to take a derivative over, and nothing to contribute.
    steps = {name: spread.u for name, spread in inputs.items() if spread.u}

    def shifted(moves: Mapping[str, float]) -> float:
        return float(function(**{name: value + moves.get(name, 0.0) for name, value in at.items()}))

    slopes = {name: _first(shifted, name, u) for name, u in steps.items()}
    parts = {name: slope * steps[name] for name, slope in slopes.items()}
    second = _second(shifted, slopes, steps) if second_order else 0.0
    first = math.fsum(u * u for u in parts.values())
    dof = welch_satterthwaite((u, inputs[name].dof) for name, u in parts.items())
    # The third-derivative term may be negative; a variance may not.
    total = math.sqrt(max(0.0, first + second))
    dofs = {name: inputs[name].dof for name in parts}
    return Combined(shifted({}), total, dof, shares(parts, dofs), math.sqrt(max(0.0, second)))


_Shifted = Callable[[Mapping[str, float]], float]


def _first(shifted: _Shifted, name: str, u: float) -> float:
    """Derivative by a central difference over ± u, as JCGM 100, 5.1.3 NOTE 2 allows."""
    return (shifted({name: u}) - shifted({name: -u})) / (2 * u)


def _second(shifted: _Shifted, slopes: Mapping[str, float], steps: Mapping[str, float]) -> float:
    return math.fsum(
        (0.5 * _mixed(shifted, a, b, steps) ** 2 + slopes[a] * _third(shifted, a, b, steps))
        * (steps[a] * steps[b]) ** 2
        for a, b in itertools.product(steps, repeat=2)
    )


def _mixed(shifted: _Shifted, a: str, b: str, steps: Mapping[str, float]) -> float:
    """∂²f/∂a∂b by central differences."""
    if a == b:
        return (shifted({a: steps[a]}) - 2 * shifted({}) + shifted({a: -steps[a]})) / steps[a] ** 2
    # Four corners of the rectangle ± u, signed: the standard central form.
    corners = [(i, j, shifted({a: i * steps[a], b: j * steps[b]})) for i in (1, -1) for j in (1, -1)]
    return math.fsum(i * j * f for i, j, f in corners) / (4 * steps[a] * steps[b])


def _third(shifted: _Shifted, a: str, b: str, steps: Mapping[str, float]) -> float:
    """∂³f/∂a∂b² by central differences."""
    u, v = steps[a], steps[b]
    if a == b:
        outer = shifted({a: 2 * u}) - shifted({a: -2 * u})
        return (outer - 2 * (shifted({a: u}) - shifted({a: -u}))) / (2 * u**3)

    def curvature(move: float) -> float:
        return (shifted({a: move, b: v}) - 2 * shifted({a: move}) + shifted({a: move, b: -v})) / v**2

    return (curvature(u) - curvature(-u)) / (2 * u)


def mean_u(values: Sequence[float]) -> Spread:
    """Return mean, standard uncertainty of the mean and n − 1 degrees of freedom (type A).

    Raises:
        ValueError: Fewer than two values say nothing of their scatter.
    """
    n = len(values)
    if n < 2:  # noqa: PLR2004 - a scatter takes two
        raise ValueError("at least two values are needed for a type A uncertainty")
    mean = math.fsum(values) / n
    variance = math.fsum((value - mean) ** 2 for value in values) / (n - 1)
    return Spread(mean, math.sqrt(variance / n), n - 1)


@dataclass(frozen=True)
class Instrument:
    """What a reading was taken with, as far as its uncertainty goes.

    Attributes:
        id: The rig's or instrument's ID; it names the contribution in the budget.
        unit: Unit of ``resolution``, ``u_abs``, ``capacity`` (canonical: N, mm, g, °C, …).
        resolution: Smallest step shown; None lets the reading's own declared step count.
        u_abs: Standard uncertainty of calibration, absolute, in ``unit``.
        u_rel: Standard uncertainty of calibration relative to the reading (0.01 is 1 %).
        low: Least value it may be used for, in ``unit``, or None.
        capacity: Greatest value it may be used for, in ``unit``, or None.
        note: Said beside a budget (calibration date, "not calibrated").
        warning: A sentence for every result that rests on it: calibration missing or overdue; empty for none.
        errors: Errors found by the calibration, (reading, reading minus truth) in ``unit``, rising; a reading
            is corrected by the error between them, beyond them by the nearest.
        compliance: How far the rig itself gives, mm/N, for correcting grip travel; None where not known.
        u_compliance: Standard uncertainty of it, mm/N.

    >>> Instrument("R0001-M", "N", resolution=0.5, u_rel=0.005, capacity=2000.0).capacity
    2000.0
    """

    id: str
    unit: str
    resolution: float | None = None
    u_abs: float = 0.0
    u_rel: float = 0.0
    low: float | None = None
    capacity: float | None = None
    note: str = ""
    warning: str = ""
    errors: tuple[tuple[float, float], ...] = ()
    compliance: float | None = None
    u_compliance: float = 0.0

    def error_at(self, reading: float) -> float:
        """Return the error that the calibration found at a reading, both in ``unit``; 0 where none is known.

        >>> Instrument("R0001", "N", errors=((0, 0), (1000, 4))).error_at(500)
        2.0
        """
        if not self.errors:
            return 0.0
        below = max((each for each in self.errors if each[0] <= reading), default=self.errors[0])
        above = min((each for each in self.errors if each[0] >= reading), default=self.errors[-1])
        if above[0] == below[0]:
            return float(below[1])
        return below[1] + (reading - below[0]) / (above[0] - below[0]) * (above[1] - below[1])


R = TypeVar("R", bound=Readings)


class Measuring:
    """The instruments of one measurement, with the one calibration variable of each.

    Args:
        instruments: By field name or dimension word.
    """

    def __init__(self, instruments: Mapping[str, Instrument]) -> None:
        self._instruments = dict(instruments)
        self._calibrations: dict[str, Any] = {}
        self.remarks: list[str] = []

    def instrument(
        self, field: str, unit: str, column: str = "", *, by_dimension: bool = True
    ) -> Instrument | None:
        """Return what a number of a field was taken with, or None."""
        keys = (f"{field}.{column}", field, dimension(unit)) if by_dimension else (f"{field}.{column}", field)
        for key in keys:
            # The most particular key wins; the dimension word is what a rig says of all its readings.
            found = self._instruments.get(key)
            if found is not None and found.unit and dimension(found.unit) == dimension(unit):
                return found
        return None

    def number(
        self,
        field: str,
        unit: str,
        value: Any,
        resolution: float | None,
        column: str = "",
        *,
        recorded: bool = False,
        rounded: bool = True,
    ) -> Any:
        """Return a number with its uncertainty; as it is where nothing is known against it.

        Args:
            field: Name of the field it was read in.
            unit: Unit of ``value``, and of what is returned.
            value: As read.
            resolution: Step of the reading in ``unit``, where the instrument does not say.
            column: Part of a series, or column of a recording; empty for a single number.
            recorded: It was read off a file: ``resolution`` is the step seen there, which counts where it is
                finer than the instrument's, and a caliper that is at hand did not record an extension.
            rounded: Whether its own rounding is part of it (False: the caller has it otherwise).
        """
        by_dimension = not (recorded and dimension(unit) == "length")
        instrument = self.instrument(field, unit, column, by_dimension=by_dimension)
        step = self._step(instrument, unit, resolution) if rounded else None
        if recorded and step and resolution:
            step = min(step, resolution)
        value = self._corrected(instrument, field, value, unit)
        carried = value
        # A half step to either side is equally likely: rectangular, JCGM 100, 4.3.7.
        if step:
            carried = uncertainties.ufloat(value, step / (2 * math.sqrt(3)), tag=f"{field}: resolution")
        if instrument is None:
            return carried
        factor = scale(instrument.unit, unit)
        self.note_range(instrument, value, unit, field)
        # Offset and slope of one calibration, as certificates give them; both move all readings together.
        u = math.hypot(instrument.u_abs * factor, instrument.u_rel * value)
        # The sign lets a scale error grow away from zero on both sides, as a scale error does.
        return carried + math.copysign(u, value) * self._calibration(instrument) if u else carried

    def _corrected(self, instrument: Instrument | None, field: str, value: Any, unit: str) -> Any:
        """Take off the error that the calibration found, and note what the result rests on."""
        if instrument is None:
            return value
        if instrument.warning and instrument.warning not in self.remarks:
            self.remarks.append(instrument.warning)
        factor = scale(instrument.unit, unit)
        error = instrument.error_at(value / factor) * factor
        if not error:
            return value
        self.remarks.append(
            f"{field} {value:.6g} {unit} corrected by {-error:+.3g} {unit}, found by {instrument.id}."
        )
        return value - error

    def note_range(self, instrument: Instrument, value: float, unit: str, field: str) -> None:
        """Keep a remark if a reading lies outside what its instrument may be used for."""
        # Range and capacity are said in the rig's own unit, which stands on its plate.
        shown = value / scale(instrument.unit, unit)
        where = ""
        if instrument.capacity is not None and abs(shown) > instrument.capacity:
            where = (
                f"above the {instrument.capacity:g} {instrument.unit} that {instrument.id} may be used for"
            )
        elif instrument.low is not None and abs(shown) < instrument.low:
            where = f"below the {instrument.low:g} {instrument.unit} from which {instrument.id} may be used"
        remark = f"{field} {value:g} {unit} is {where}."
        if where and remark not in self.remarks:
            self.remarks.append(remark)

    @staticmethod
    def _step(instrument: Instrument | None, unit: str, resolution: float | None) -> float | None:
        if instrument is None or instrument.resolution is None:
            return resolution
        return instrument.resolution * scale(instrument.unit, unit)

    def _calibration(self, instrument: Instrument) -> Any:
        # A variable is itself, not its value: made once, so that it correlates and can cancel.
        return self._calibrations.setdefault(
            instrument.id, uncertainties.ufloat(0.0, 1.0, tag=f"{instrument.id}: calibration")
        )


def with_uncertainty(readings: R, instruments: Mapping[str, Instrument]) -> R:
    """Return a copy whose numbers, also those in series, carry their standard uncertainty.

    A number against which nothing is known (no step, no instrument) stays a plain ``float``.

    Args:
        readings: As validated; not changed.
        instruments: By field name (``max_force``), part of a series (``rows.d1``) or dimension word
            (``force``).

    >>> class Pull(Readings):
    ...     force: Annotated[float, Reading(unit="N", help="Peak", resolution=0.5)]
    >>> pulled = with_uncertainty(Pull(force=1200.0), {"force": Instrument("R0001-M", "N", u_rel=0.005)})
    >>> print(f"{pulled.force:.1f}")
    1200.0+/-6.0
    """
    measuring = Measuring(instruments)
    # What was not read has nothing to carry; of a sheet's hundred thousand rows most fields are empty.
    carried = {
        field.name: _carried(measuring, field, value)
        for field in fields(type(readings))
        if (value := getattr(readings, field.name)) is not None
    }
    # No validation: the model would turn numbers with uncertainty back into floats.
    copy = readings.model_copy(update=carried)
    copy._measuring = measuring  # noqa: SLF001 - this module is the other half of that attribute
    return copy


def measured(
    readings: Readings,
    field: str,
    value: float,
    unit: str,
    resolution: float | None = None,
    column: str = "",
    *,
    rounded: bool = True,
) -> Any:
    """Return a number that was read off a file, with the uncertainty of the rig that wrote it.

    Args:
        readings: As ``compute`` got them.
        field: Name of the file field (``curve``).
        value: In ``unit``.
        unit: Its unit; it finds the instrument where the field itself has none (but no caliper for a length).
        resolution: Step seen in the recording; it counts where it is finer than the instrument's.
        column: Column of the recording: ``curve.extension`` may have an instrument of its own.
        rounded: False where the caller has the rounding otherwise, as for a line fitted through many rows.

    >>> class Pull(Readings):
    ...     curve: Annotated[Recording | None, Reading(help="Force over time", kind="file")] = None
    >>> pulled = with_uncertainty(Pull(), {"curve": Instrument("R0001-M", "N", u_abs=2.0)})
    >>> print(f"{measured(pulled, 'curve', 1200.0, 'N'):.1f}")
    1200.0+/-2.0
    """
    measuring = readings._measuring or Measuring({})  # noqa: SLF001 - as above
    return measuring.number(field, unit, float(value), resolution, column, recorded=True, rounded=rounded)


def instrument_of(readings: Readings, field: str, unit: str, column: str = "") -> Instrument | None:
    """Return what a column of a recording was taken with, or None where that is not recorded."""
    measuring = readings._measuring or Measuring({})  # noqa: SLF001 - as above
    return measuring.instrument(field, unit, column, by_dimension=dimension(unit) != "length")


def range_remarks(readings: Readings, instruments: Mapping[str, Instrument]) -> tuple[str, ...]:
    """Return one remark for each reading outside its instrument's range."""
    return tuple(with_uncertainty(readings, instruments)._measuring.remarks)  # noqa: SLF001 - as above


def remarks_of(readings: Readings) -> tuple[str, ...]:
    """Return the range remarks gathered so far by readings that carry uncertainty.

    >>> class Pull(Readings):
    ...     force: Annotated[float, Reading(unit="N", help="Peak")]
    >>> remarks_of(with_uncertainty(Pull(force=2100.0), {"force": Instrument("R0001-M", "N", capacity=2000)}))
    ('force 2100 N is above the 2000 N that R0001-M may be used for.',)
    """
    measuring = readings._measuring  # noqa: SLF001 - as above
    return tuple(measuring.remarks) if measuring is not None else ()


def nominal(value: Any) -> float:
    """Return the number without its uncertainty, in its own unit; a plain number as it is.

    >>> from uncertainties import ufloat
    >>> nominal(ufloat(10.02, 0.01)), nominal(3)
    (10.02, 3.0)
    """
    return float(getattr(value, "nominal_value", value))


def _carried(measuring: Measuring, field: Field, value: Any) -> Any:
    if field.reading.exact:
        return value
    if field.kind == "number" and value is not None:
        return measuring.number(field.name, field.unit, value, field.resolution)
    if field.kind == "series" and value is not None:
        return tuple(tuple(_entry(measuring, field, entry)) for entry in value)
    return value


def _entry(measuring: Measuring, field: Field, entry: Any) -> list[Any]:
    return [
        measuring.number(field.name, unit, part, step, column)
        if isinstance(part, int | float) and column not in field.reading.exact_columns
        else part
        for part, column, unit, step in zip(entry, field.columns, field.units, field.resolutions, strict=True)
    ]


_SEED = 20_080_901
# A rounding is as likely at either end of its step as in the middle.
_ROUNDING = ": resolution"


@dataclass(frozen=True)
class Simulated:
    """What the draws say.

    Attributes:
        mean: Of the draws that gave a finite value.
        u: Their standard deviation.
        low: Lower end of the probabilistically symmetric interval.
        high: Upper end.
        level: Its probability.
        draws: How many draws were finite.
        lost: How many were not (a function undefined there); they are left out, so say so.
        values: The draws, shape (draws,).
    """

    mean: float
    u: float
    low: float
    high: float
    level: float
    draws: int
    lost: int
    values: Any = field(repr=False, compare=False)


def monte_carlo(
    function: Callable[..., Any],
    inputs: Mapping[str, Any],
    draws: int = 100_000,
    seed: int = _SEED,
    level: float = 0.95,
) -> Simulated:
    """Propagate distributions through a function by drawing from them.

    Args:
        function: Called once, with an array of shape (draws,) for each input by keyword; gives an
            array of that shape.
        inputs: By name: ``Spread``; numbers that carry uncertainty (what two of them share, such as
            one instrument's calibration, is drawn once for both; roundings are drawn
            rectangular, calibrations normal); plain numbers.
        draws: 10⁵ give the standard uncertainty to about 0.3 %.
        seed: The same seed gives the same digits.
        level: Probability of the interval.

    Raises:
        ValueError: Fewer than half of the draws gave a finite value.
    """
    random = np.random.default_rng(seed)
    # Keyed by the variable itself: what two inputs share is drawn for both at once.
    shared: dict[Any, Draws] = {}
    arrays = {name: _draw(given, draws, random, shared) for name, given in inputs.items()}
    with np.errstate(all="ignore"):
        # A function that ignores its inputs gives one number; it stands for every draw.
        values = np.broadcast_to(np.asarray(function(**arrays), dtype=float), (draws,))
    finite = values[np.isfinite(values)]
    # With most draws lost the interval would describe the survivors, not the quantity.
    if 2 * finite.size < draws:
        raise ValueError(f"{draws - finite.size} of {draws} draws gave no finite value")
    low, high = np.quantile(finite, [(1 - level) / 2, (1 + level) / 2])
    return Simulated(
        mean=float(finite.mean()),
        u=float(finite.std(ddof=1)),
        low=float(low),
        high=float(high),
        level=level,
        draws=int(finite.size),
        lost=int(draws - finite.size),
        values=finite,
    )


def simulated_budget(
    function: Callable[..., Any], inputs: Mapping[str, Any], draws: int = 20_000, seed: int = _SEED
) -> tuple[Contribution, ...]:
    """Return what each input alone adds, the others held at their estimates (JCGM 101, B.1).

    Arguments as for :func:`monte_carlo`, drawn once for each input that is uncertain.

    Raises:
        ValueError: With one of them drawn, fewer than half of the draws gave a finite value.
    """
    still = {
        name: given.value if isinstance(given, Spread) else nominal(given) for name, given in inputs.items()
    }
    parts = {
        name: monte_carlo(function, {**still, name: given}, draws, seed).u
        for name, given in inputs.items()
        if given is not still[name]
    }
    return shares(parts)


def _draw(given: Any, draws: int, random: np.random.Generator, shared: dict[Any, Draws]) -> Any:
    if isinstance(given, Spread):
        return given.value + given.u * _standard(given.shape, given.dof, draws, random)
    if not hasattr(given, "error_components"):
        return float(given)
    total = given.nominal_value
    # A number with uncertainty is linear in its variables by construction, so this is exact.
    for variable, slope in given.derivatives.items():
        if variable not in shared:
            shape = "rectangular" if (variable.tag or "").endswith(_ROUNDING) else "normal"
            shared[variable] = variable.std_dev * _standard(shape, math.inf, draws, random)
        total = total + slope * shared[variable]
    return total


def _standard(shape: str, dof: float, draws: int, random: np.random.Generator) -> Draws:
    """Return draws of mean 0 and standard deviation 1 (a scaled t keeps its own wider tails)."""
    if shape == "rectangular":
        return random.uniform(-math.sqrt(3), math.sqrt(3), draws)
    if shape == "triangular":
        return random.triangular(-math.sqrt(6), 0.0, math.sqrt(6), draws)
    if shape == "arcsine":
        return math.sqrt(2) * np.sin(random.uniform(-math.pi / 2, math.pi / 2, draws))
    # Not scaled to unit deviation: JCGM 101, 6.4.9 draws the t as it is.
    if shape == "t" and math.isfinite(dof):
        return random.standard_t(dof, draws)
    return random.standard_normal(draws)
