"""What is recorded of a spool's days: stays, dryings, the jobs it was used in, measured water contents."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal

from tracker.errors import Refused

Place = Literal["open air", "sealed bag", "dry box", "printer"]
Reel = Literal["plastic", "cardboard", "none"]

PLACES: Final[tuple[Place, ...]] = ("open air", "sealed bag", "dry box", "printer")
"""Where a spool can be kept."""


@dataclass(frozen=True, slots=True)
class Stay:
    """A time a spool was kept in one place.

    Attributes:
        place: One of :data:`PLACES`.
        began: Aware, UTC.
        ended: Aware, UTC; None while nobody has closed it.
        temperature_c: Temperature of the filament, °C; None if not recorded.
        rh_pct: Relative humidity at that temperature, %; None if not recorded.
        rh_low_pct: Least humidity logged; None if not recorded.
        rh_high_pct: Greatest humidity logged; None if not recorded.
        key: The caller's name for this record, used in refusals.
    """

    place: Place
    began: datetime
    ended: datetime | None = None
    temperature_c: float | None = None
    rh_pct: float | None = None
    rh_low_pct: float | None = None
    rh_high_pct: float | None = None
    key: str = ""

    @property
    def name(self) -> str:
        """The key, or the place with its beginning."""
        return self.key or f"stay in {self.place} from {self.began:%Y-%m-%d %H:%M}"

    @property
    def humidity(self) -> tuple[float, float, float] | None:
        """Least, middle and greatest humidity, %RH, as far as recorded; None if nothing was."""
        logged = [v for v in (self.rh_low_pct, self.rh_pct, self.rh_high_pct) if v is not None]
        if not logged:
            return None
        # A logger that gave its extremes alone: the middle of them stands in, and the whole range stays
        # with it.
        middle = self.rh_pct if self.rh_pct is not None else (min(logged) + max(logged)) / 2.0
        return min(logged), middle, max(logged)


@dataclass(frozen=True, slots=True)
class Drying:
    """One drying cycle, as far as it concerns one spool.

    Attributes:
        began: Aware, UTC.
        ended: Aware, UTC.
        set_c: Temperature set, °C.
        measured_c: Temperature measured, °C; None if not recorded.
        before_g: Spool with its reel before, g; None if not weighed.
        after_g: Spool with its reel after, cooled, g; None if not weighed.
        empty_g: The empty reel, g; None if not known.
        room_c: Temperature of the room the dryer drew its air from, °C; None if not recorded.
        room_rh_pct: Relative humidity of that room, %; None if not recorded.
        dryer_rh_pct: Relative humidity logged inside the dryer, %; None if not recorded.
        key: The caller's name for this record, used in refusals.
        reel: What the reel is made of; a cardboard one loses its own water and spoils the weighing. None if
            not recorded.
        weighing_u_g: Standard uncertainty of the difference of the two weighings, g; None if not stated.
    """

    began: datetime
    ended: datetime
    set_c: float
    measured_c: float | None = None
    before_g: float | None = None
    after_g: float | None = None
    empty_g: float | None = None
    room_c: float | None = None
    room_rh_pct: float | None = None
    dryer_rh_pct: float | None = None
    key: str = ""
    reel: Reel | None = None
    weighing_u_g: float | None = None

    @property
    def name(self) -> str:
        """The key, or the beginning."""
        return self.key or f"drying from {self.began:%Y-%m-%d %H:%M}"

    @property
    def temperature_c(self) -> float:
        """The measured temperature where there is one, else the set one, °C."""
        return self.set_c if self.measured_c is None else self.measured_c


@dataclass(frozen=True, slots=True)
class JobUse:
    """A job the spool was printed from.

    Attributes:
        began: Aware, UTC.
        ended: Aware, UTC; None while it runs.
        key: The caller's name for this record, used in refusals.
        mass_g: Filament used, g; None if not recorded.
    """

    began: datetime
    ended: datetime | None = None
    key: str = ""
    mass_g: float | None = None

    @property
    def name(self) -> str:
        """The key, or the beginning."""
        return self.key or f"job from {self.began:%Y-%m-%d %H:%M}"


@dataclass(frozen=True, slots=True)
class MeasuredWater:
    """A water content measured on filament of this spool, for example by ISO 15512 (Karl Fischer).

    Attributes:
        at: When the sample was taken, aware, UTC.
        pct: Water, wt%.
        u_pct: Standard uncertainty, wt%.
        key: The caller's name for this record.
    """

    at: datetime
    pct: float
    u_pct: float
    key: str = ""


Event = Stay | Drying | JobUse


def check_event(event: Event) -> None:
    """Hold one record against what is possible.

    Raises:
        Refused: A time without zone, an end before its beginning, an unknown place, a humidity outside
            0 to 100 %, a temperature that is none, or a mass below zero; the record is named.
    """
    _check_times(event)
    if isinstance(event, Stay):
        if event.place not in PLACES:
            raise Refused(
                f"{event.name}", why=f"'{event.place}' is no place", do=f"Places: {', '.join(PLACES)}."
            )
        _check_rh(event.name, event.rh_pct, event.rh_low_pct, event.rh_high_pct)
        _check_order(event)
        _check_temperature(event.name, event.temperature_c)
    elif isinstance(event, Drying):
        _check_rh(event.name, event.room_rh_pct, event.dryer_rh_pct)
        _check_temperature(event.name, event.set_c, event.measured_c, event.room_c)
        _check_mass(event.name, event.before_g, event.after_g, event.empty_g)
    else:
        _check_mass(event.name, event.mass_g)


def _check_times(event: Event) -> None:
    """Refuse times without UTC and ends before their beginning.

    Raises:
        Refused: A time is not in UTC, or an end lies before its beginning.
    """
    for when in (event.began, event.ended):
        # A naive time at a change of clocks would be an hour of open air too many or too few.
        if when is not None and when.utcoffset() != timedelta(0):
            raise Refused(
                f"{event.name}", why=f"time {when.isoformat()} is not in UTC", do="Convert it to UTC."
            )
    if event.ended is not None and event.ended < event.began:
        hours = (event.ended - event.began).total_seconds() / 3600.0
        raise Refused(
            f"{event.name}",
            why=f"it ends before it begins ({hours:.2f} h)",
            do="Give an end after the beginning.",
        )


def _check_rh(name: str, *values: float | None) -> None:
    """Refuse humidities outside 0 to 100 %.

    Raises:
        Refused: One is; the record is named.
    """
    for value in values:
        if value is not None and not 0.0 <= value <= 100.0:  # noqa: PLR2004 - per cent
            raise Refused(
                f"{name}", why=f"humidity {value:g} % is outside 0 to 100 %", do="Correct the reading."
            )


def _check_order(stay: Stay) -> None:
    """Refuse a mean humidity outside its own range.

    Raises:
        Refused: Least, mean and greatest are not in that order.
    """
    logged = [v for v in (stay.rh_low_pct, stay.rh_pct, stay.rh_high_pct) if v is not None]
    if logged != sorted(logged):
        raise Refused(
            f"{stay.name}",
            why=f"humidities {', '.join(f'{v:g}' for v in logged)} % are not least, mean, greatest",
            do="Give them in that order.",
        )


def _check_temperature(name: str, *values: float | None) -> None:
    """Refuse temperatures that no room or dryer has.

    Raises:
        Refused: One is below -40 or above 200 °C.
    """
    for value in values:
        if value is not None and not -40.0 <= value <= 200.0:  # noqa: PLR2004 - range of any dryer or room
            raise Refused(
                f"{name}", why=f"temperature {value:g} °C is outside -40 to 200 °C", do="Correct it."
            )


def _check_mass(name: str, *values: float | None) -> None:
    """Refuse masses below zero.

    Raises:
        Refused: One is, or is no number.
    """
    for value in values:
        # Not "value < 0", which would let NaN pass.
        if value is not None and not value >= 0.0:
            raise Refused(f"{name}", why=f"mass {value:g} g is no mass", do="Correct the weighing.")
