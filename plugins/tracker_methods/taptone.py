"""Tap tone: modulus from the pitch of a struck bar, loss factor from how it dies away.

E = 0.9465·(m·f²/b)·(L³/t³)·T₁ with m in g, lengths in mm, f in Hz: Pa (ASTM E1876, whose equations were
read in a public script that applies it). The bar hangs free, held at 0.224 L from its ends.
"""

from __future__ import annotations

import io
import math
import wave
from collections.abc import Iterable
from typing import Annotated, Any

from pydantic import Field

from tracker.api import (
    Contribution,
    Formula,
    Method,
    Outcome,
    Piece,
    Quantity,
    Reading,
    Readings,
    Recording,
    Refused,
    Sound,
    hookimpl,
    measured,
    nominal,
    picture,
    read_sound,
)
from tracker.api.maths import (
    Decay,
    Tone,
    decay_of,
    family_span,
    flexural_tone,
    np,
    section_remarks,
    uncertainties,
)
from tracker.api.picture import FAINT, INK, RESULT

_SLENDER = 5.0
_NO_BAR = "the bar is not known: give length, width, thickness and mass"
# Between glassy and semi-crystalline plastics; over 0.30 to 0.45 T₁ changes by 0.2 % at L/t = 20.
_POISSON_UNKNOWN = 0.35
_POISSON_APART = 0.10
_BEYOND_FAMILY = 3.0


class TaptoneReadings(Readings):
    """A bar's size and mass, and its sound."""

    length: Annotated[float | None, Reading("mm", "length L", resolution=0.01), Field(gt=0)] = None
    width: Annotated[float | None, Reading("mm", "width b", resolution=0.01), Field(gt=0)] = None
    thickness: Annotated[
        float | None, Reading("mm", "thickness t, along the stroke", resolution=0.01), Field(gt=0)
    ] = None
    mass: Annotated[float | None, Reading("g", "mass of the bar", resolution=0.001), Field(gt=0)] = None
    poisson: Annotated[
        float | None,
        Reading("1", "Poisson's ratio, where known", resolution=0.02, ask=False),
        Field(gt=-1, le=0.5),
    ] = None
    frequency: Annotated[
        float | None,
        Reading("Hz", "pitch of the flexural fundamental, where it is known", resolution=1.0),
        Field(gt=0),
    ] = None
    recording: Annotated[Recording | None, Reading(help="sound of the struck bar, WAV", ask=False)] = None


class Taptone(Method):
    """Impulse excitation of a free bar."""

    id = "taptone"
    title = "Impulse excitation"
    version = "2.0"
    key = "taptone.modulus"
    standard = (
        "ASTM E1876-22, flexural mode of a bar. Departures: printed, layered bar taken as homogeneous; "
        "microphone of a phone; threads or foam at the nodes; Poisson's ratio mostly assumed."
    )
    cautions = ("Tap lightly, and protect ears and eyes where brittle bars are struck.",)
    Readings = TaptoneReadings
    quantities = (
        Quantity("taptone.modulus", "MPa", None, "dynamic modulus", property="modulus"),
        Quantity("taptone.frequency", "Hz", None, "flexural fundamental"),
        Quantity("taptone.loss_factor", "1", False, "loss factor 1/Q"),
    )
    formulas = (
        Formula(
            "E = 0.9465 (m f²/b)(L³/t³) T₁",
            "E dynamic modulus, Pa; m mass, g; f flexural fundamental, Hz; b width, L length, t "
            "thickness, mm",
            "ASTM E1876-22 (equations read in a public script that applies it)",
        ),
        Formula(
            "T₁ = 1 + 6.585 (1 + 0.0752 μ + 0.8109 μ²)(t/L)² − 0.868 (t/L)⁴ − 8.340 (1 + 0.2023 μ "
            "+ 2.173 μ²)(t/L)⁴/[1 + 6.338 (1 + 0.1408 μ + 1.536 μ²)(t/L)²]",
            "μ Poisson's ratio",
            "ASTM E1876-22 (as above)",
        ),
        Formula(
            "1/Q = k/(π f)",
            "1/Q loss factor; k rate of decay of the amplitude, 1/s",
            "exponential decay of one mode",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer pitch and loss factor from the sound, the modulus with size and mass."""
        remarks = section_remarks(readings, piece)
        try:
            sound, tone = heard(readings)
        except Refused as refusal:
            return [Outcome(f"taptone.{name}", refused=str(refusal)) for name in ("modulus", "frequency")]
        if tone is None:
            why = "no pitch: attach a recording, or give frequency"
            return [Outcome("taptone.frequency", refused=why)]
        if tone.rivals:
            others = ", ".join(f"{each:.0f}" for each in tone.rivals)
            why = (
                f"two modes are about as strong: {tone.hertz:.0f} Hz and {others} Hz; tap again at the "
                "middle, or give frequency where it is known"
            )
            return [Outcome(f"taptone.{name}", refused=why) for name in ("modulus", "frequency")]
        pitch = _pitch(readings, tone)
        tone_from = (*tone.how, *_typed(readings, tone))
        outcomes = [
            Outcome("taptone.frequency", pitch, remarks=tone_from),
            _modulus(readings, piece, pitch, (*tone_from, *remarks)),
        ]
        return [*outcomes, _loss(sound, tone)] if sound is not None else outcomes

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw the spectrum with the fundamental, and how it dies away."""
        del piece, outcomes
        try:
            sound, tone = heard(readings)
        except Refused:
            return None
        return None if sound is None or tone is None else _drawn(sound, tone)

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        bar = {"length": 80.05, "width": 10.02, "thickness": 4.01, "mass": 3.968}
        return [
            {**bar, "frequency": 1049.0, "poisson": 0.36},
            {**bar, "recording": example_sound()},
        ]


def correction(slenderness: Any, poisson: Any) -> Any:
    """Return T₁ of ASTM E1876 for t/L and Poisson's ratio μ.

    T₁ = 1 + 6.585(1 + 0.0752μ + 0.8109μ²)s² − 0.868s⁴
         − 8.340(1 + 0.2023μ + 2.173μ²)s⁴ / [1 + 6.338(1 + 0.1408μ + 1.536μ²)s²],  s = t/L.

    Args:
        slenderness: t/L, thickness ÷ length, dimensionless.
        poisson: μ, dimensionless.
    """
    s2 = slenderness * slenderness
    shear = 8.340 * (1 + 0.2023 * poisson + 2.173 * poisson**2) * s2 * s2
    below = 1 + 6.338 * (1 + 0.1408 * poisson + 1.536 * poisson**2) * s2
    return 1 + 6.585 * (1 + 0.0752 * poisson + 0.8109 * poisson**2) * s2 - 0.868 * s2 * s2 - shear / below


def modulus(mass: Any, frequency: Any, length: Any, width: Any, thickness: Any, poisson: Any) -> Any:
    """Return Young's modulus in MPa:  E = 0.9465·(m·f²/b)·(L/t)³·T₁ (ASTM E1876).

    Args:
        mass: m, g.
        frequency: f of the flexural fundamental, Hz.
        length: L, mm.
        width: b, mm.
        thickness: t in the direction of swinging, mm.
        poisson: Poisson's ratio, dimensionless.
    """
    # Grams and millimetres give pascals as they stand (g·mm³·Hz²/mm⁴ is g/(mm·s²)): converting the mass
    # first would be wrong by a thousand.
    pascal = 0.9465 * mass * frequency**2 / width * (length / thickness) ** 3
    return pascal * correction(thickness / length, poisson) / 1e6


def quality(ratio: float, cycles: float) -> tuple[float, float]:
    """Return logarithmic decrement and Q, both dimensionless:  δ = ln(A₀/Aₙ)/n, Q = π/δ.

    Args:
        ratio: A₀/Aₙ, amplitudes n cycles apart, above 1.
        cycles: n.
    """
    decrement = math.log(ratio) / cycles
    return decrement, math.pi / decrement


def heard(readings: Any) -> tuple[Sound | None, Tone | None]:
    """Return the sound and its flexural fundamental, or the typed pitch, or neither.

    Raises:
        Refused: The recording cannot be read, or no tone stands out of it.
    """
    typed = None if readings.frequency is None else nominal(readings.frequency)
    if readings.recording is None:
        return None, None if typed is None else Tone(typed, 0.0, (), ("Pitch as typed.",))
    sound = read_sound(readings.recording)
    # The typed pitch only narrows the search: a phone's tuner shows the loudest tone, which may be a twist
    # or the room.
    return sound, flexural_tone(sound, _slenderness(readings), typed)


def _slenderness(readings: Any) -> float | None:
    if readings.thickness is None or readings.length is None:
        return None
    return nominal(readings.thickness) / nominal(readings.length)


def _pitch(readings: Any, tone: Tone) -> Any:
    if readings.recording is None:
        return readings.frequency
    # One over the length of the clip is the coarsest that a pitch can be off.
    return measured(readings, "recording", tone.hertz, "Hz", tone.resolution)


def _typed(readings: Any, tone: Tone) -> tuple[str, ...]:
    if readings.recording is None or readings.frequency is None:
        return ()
    return (f"The recording's {tone.hertz:.1f} Hz was used; typed was {nominal(readings.frequency):g} Hz.",)


def _modulus(readings: Any, piece: Piece, pitch: Any, remarks: tuple[str, ...]) -> Outcome:
    sizes = (readings.length, readings.width, readings.thickness)
    if readings.mass is None or any(size is None for size in sizes):
        return Outcome("taptone.modulus", refused=_NO_BAR)
    length, width, thickness = sizes
    notes = list(remarks)
    poisson = readings.poisson
    if poisson is None:
        notes.append(f"Poisson's ratio assumed {_POISSON_UNKNOWN:g}; it matters little in a slender bar.")
        poisson = uncertainties.ufloat(
            _POISSON_UNKNOWN, _POISSON_APART / math.sqrt(3), tag="Poisson's ratio: assumed"
        )
    # The correction is a series in t/L, which a stout bar leaves.
    if nominal(length) < _SLENDER * nominal(thickness):
        notes.append(
            f"L/t = {nominal(length) / nominal(thickness):.1f} is below {_SLENDER:g}: no slender bar."
        )
    value = modulus(readings.mass, pitch, length, width, thickness, poisson)
    # Of a family that is not recorded nothing is expected: the bar may be the steel that checks the rig.
    span = family_span(piece.family, "modulus") if piece.family else None
    if span and not span[0] / _BEYOND_FAMILY <= nominal(value) <= span[1] * _BEYOND_FAMILY:
        why = (
            f"{nominal(value):.0f} MPa is more than three times off what {piece.family} has "
            f"({span[0]:g} to {span[1]:g} MPa): another mode, or a slip in size or mass"
        )
        return Outcome("taptone.modulus", refused=why, remarks=tuple(notes))
    return Outcome("taptone.modulus", value, remarks=tuple(notes))


def _loss(sound: Sound, tone: Tone) -> Outcome:
    found = decay_of(sound, tone.hertz)
    if isinstance(found, str):
        return Outcome("taptone.loss_factor", refused=found)
    remarks = (
        f"From {found.nepers:.1f} nepers of decay between {found.begin_s:.3f} and {found.end_s:.3f} s.",
        "Friction at the supports and radiated sound are part of it.",
    )
    parts = (Contribution("recording: scatter about the decay", found.u, 1.0),)
    return Outcome(
        "taptone.loss_factor", found.loss_factor, uncertainty=found.u, budget=parts, remarks=remarks
    )


def _drawn(sound: Sound, tone: Tone) -> Any:
    figure, (left, right) = picture(
        f"Impulse excitation: {tone.hertz:.1f} Hz",
        ("frequency / kHz", "level / dB"),
        ("time / s", "amplitude of the tone"),
    )
    hertz, level = sound.spectrum()
    shown = (hertz > 0.2 * tone.hertz) & (hertz < 12 * tone.hertz)
    decibel = 20 * np.log10(np.maximum(level[shown], 1e-6 * level.max()) / level[shown].max())
    left.plot(hertz[shown] / 1000, decibel, color=INK, linewidth=0.6)
    left.axvline(tone.hertz / 1000, color=RESULT, label="flexural fundamental")
    for overtone in tone.overtones:
        left.axvline(overtone / 1000, color=FAINT, linestyle="--", linewidth=0.8)
    left.set_ylim(-80, 3)
    left.legend(frameon=False)
    seconds, amplitude = sound.envelope(tone.hertz)
    right.semilogy(seconds, np.maximum(amplitude, 1e-7), color=INK, linewidth=0.8)
    found = decay_of(sound, tone.hertz)
    if isinstance(found, Decay):
        inside = (seconds >= found.begin_s) & (seconds <= found.end_s)
        right.semilogy(
            seconds[inside], found.fitted(seconds[inside]), "--", color=RESULT, label="fitted decay"
        )
        right.legend(frameon=False)
    return figure


def example_sound(
    hertz: float = 1049.0, loss: float = 0.02, rate: int = 48_000, seconds: float = 0.6
) -> Recording:
    """Return a made-up tap: a damped tone, two overtones of a free bar, and a taller tone that is none."""
    time = np.arange(int(rate * seconds)) / rate
    parts = [
        (0.25, hertz, loss),
        (0.1, 2.74 * hertz, loss),
        (0.05, 5.3 * hertz, loss),
        (0.45, 3.9 * hertz, loss),
    ]
    tone = sum(a * np.exp(-math.pi * f * q * time) * np.sin(2 * math.pi * f * time) for a, f, q in parts)
    noise = np.random.default_rng(1).normal(0.0, 2e-4, time.size)
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as out:
        out.setparams((1, 2, rate, time.size, "NONE", ""))
        out.writeframes((np.clip(tone + noise, -1, 1) * 32767).astype("<i2").tobytes())
    return Recording("example.wav", buffer.getvalue())


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Taptone()]
