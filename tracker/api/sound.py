"""The sound of a struck bar: its flexural fundamental, and how it dies away.

A free bar's flexural tones stand as 1 : 2.757 : 5.404 : 8.933 (Euler–Bernoulli; (β_n/β₁)² with
cos β cosh β = 1), lower where the bar is stout. The tallest tone of a recording may be another: one
of twist, of the width, or of the room. The fundamental is therefore the tone that has its overtones.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tracker.api.readings import Recording
from tracker.errors import Refused
from tracker.lazy_modules import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Samples = NDArray[np.float64]


_RATIOS = (2.7565, 5.4039, 8.9330)
# Stiffness against shear and the mass's own turning lower the overtones: roughly 1/√(1 + c·(t/L)²).
_LOWERED = (30.0, 70.0, 120.0)
_TOLERANCE = 0.02
_LOWEST_HZ = 60.0
# 54 dB below the loudest tone: overtones of plastics are faint.
_AUDIBLE = 2e-3
# Noise of one transform seldom exceeds five times its median; a damped tone does.
_STANDS_OUT = 5.0
_MOST_CRESTS = 300
# Half the height, and one overtone fewer, is about as good a candidate.
_AS_STRONG = 0.5
_NEARLY = 1.0
# Nearer to the noise it bends the decay: at 10 times it adds 0.5 per cent to the amplitude.
_FLOOR = 10.0
_LEAST_NEPERS = 1.0
_SHORTEST_S = 0.02
_CYCLES = 6.0


@dataclass(frozen=True)
class Sound:
    """A recording of one channel.

    Attributes:
        samples: Shape (n,), mean taken off, ±1 at full scale.
        rate: Samples a second.

    >>> import numpy as np
    >>> round(Sound(np.zeros(8000), rate=16000.0).seconds, 3)
    0.5
    """

    samples: Any
    rate: float

    @property
    def seconds(self) -> float:
        """Length of the recording."""
        return len(self.samples) / self.rate

    def spectrum(self) -> tuple[Samples, Samples]:
        """Return frequencies (Hz) and amplitudes from the stroke on, interpolated by zeros.

        The window falls from the stroke to the end as cos²: a full bell would be blind where a damped
        bar sounds loudest.
        """
        # What comes before the stroke is room noise, and would only widen the spectrum.
        stroke = int(np.argmax(np.abs(self.samples)))
        part = self.samples[max(0, stroke - int(0.001 * self.rate)) :]
        if len(part) < _SHORTEST_S * self.rate:
            part = self.samples
        n = 4 * _round_length(len(part))
        window = np.cos(np.linspace(0, np.pi / 2, len(part))) ** 2
        amplitude = np.abs(np.fft.rfft(part * window, n))
        return np.asarray(np.fft.rfftfreq(n, 1 / self.rate), dtype=float), np.asarray(amplitude, dtype=float)

    def envelope(self, hertz: float) -> tuple[Samples, Samples]:
        """Return times (s) and amplitudes of one tone."""
        seconds, phasor = self.phasor(hertz)
        return seconds, np.abs(phasor)

    def phasor(self, hertz: float) -> tuple[Samples, Any]:
        """Return times (s) and complex amplitudes of one tone, its phase counted against ``hertz``.

        The recording is shifted down by the tone and averaged under a Hann window of six cycles to
        each side: an exponential decay keeps its rate under any such average.
        """
        count = len(self.samples)
        half = max(4, round(_CYCLES * self.rate / hertz))
        if count <= 2 * half:
            return np.zeros(0), np.zeros(0, dtype=complex)
        # Hann falls off fast aside, so neighbouring tones do not beat in the envelope.
        window = np.hanning(2 * half + 1)
        shifted = self.samples * np.exp(-2j * np.pi * hertz * np.arange(count) / self.rate)
        n = _round_length(count + 2 * half)
        whole = np.fft.ifft(np.fft.fft(shifted, n) * np.fft.fft(window / window.sum(), n))
        step = max(1, half // 4)
        return np.arange(half, count - half, step) / self.rate, 2 * whole[2 * half : count : step]


@dataclass(frozen=True)
class Tone:
    """A tone taken for the fundamental.

    Attributes:
        hertz: Its pitch.
        resolution: 1/duration of the recording, Hz; 0 where typed.
        overtones: Tones that stand where its flexural overtones should, Hz.
        how: What was decided, one sentence each.
        rivals: Other tones, Hz, that are about as strong and as well confirmed: which is it cannot be told.
    """

    hertz: float
    resolution: float
    overtones: tuple[float, ...]
    how: tuple[str, ...]
    rivals: tuple[float, ...] = ()


@dataclass(frozen=True)
class Decay:
    """An exponential decay, amplitude = level·exp(−rate·t).

    Attributes:
        rate: 1/s.
        loss_factor: 1/Q = rate/(π·f).
        u: Standard uncertainty of the loss factor from the scatter about the exponential.
        begin_s: Where the fit begins.
        end_s: Where it ends.
        nepers: How far the amplitude fell in between, as a natural logarithm.
        level: Amplitude at t = 0 of the fit.
    """

    rate: float
    loss_factor: float
    u: float
    begin_s: float
    end_s: float
    nepers: float
    level: float

    def fitted(self, seconds: Any) -> Any:
        """Return the fitted amplitude at times in s."""
        return self.level * np.exp(-self.rate * seconds)


def read_sound(recording: Recording) -> Sound:
    r"""Read a WAV file (8 to 32 bit or float); of several channels the mean.

    Raises:
        Refused: It is none, silent, or shorter than 20 ms.

    >>> import io, wave
    >>> with wave.open(kept := io.BytesIO(), "wb") as file:
    ...     file.setparams((1, 2, 16000, 0, "NONE", ""))
    ...     file.writeframes(b"\x00\x10\x00\xf0" * 4000)
    >>> read_sound(Recording("tap.wav", kept.getvalue())).seconds
    0.5
    """
    try:
        rate, channels = samples_of(recording.data)
    except ValueError as error:
        raise Refused(
            f"{recording.name} cannot be read as a WAV file",
            why=str(error),
            do="Save the sound as uncompressed WAV.",
        ) from error
    samples = channels.mean(axis=1)
    if len(samples) < _SHORTEST_S * rate or not np.isfinite(samples).all():
        raise Refused(f"{recording.name} is too short or broken", why="20 ms of sound are the least")
    samples = samples - samples.mean()
    if float(np.abs(samples).max()) == 0:
        raise Refused(f"{recording.name} is silent", do="Record the tap again, closer.")
    return Sound(samples, rate)


def flexural_tone(sound: Sound, slenderness: float | None = None, near: float | None = None) -> Tone:
    """Return the flexural fundamental of a struck free bar.

    Among the tones that stand out, the one is taken whose overtones are there; with no overtones
    anywhere the tallest, which is said. A typed pitch narrows the choice to within 10 % of it.

    Args:
        sound: The recording.
        slenderness: t/L of the bar, where known; it lowers the overtones.
        near: Pitch as somebody typed it, Hz.

    Raises:
        Refused: No tone stands out.
    """
    hertz, amplitude = sound.spectrum()
    tones = _tones(hertz, amplitude)
    if near is not None:
        tones = [tone for tone in tones if abs(tone[0] / near - 1) <= 0.1]  # noqa: PLR2004 - as said
    if not tones:
        where = "" if near is None else f" within 10 % of {near:g} Hz"
        raise Refused(
            f"no tone stands out of the recording{where}", do="Record the tap again, in a quiet room."
        )
    everything = _tones(hertz, amplitude)
    # Overtones first, then height: among equals the taller tone is the likelier.
    ranked = sorted(tones, key=lambda tone: (-_score(tone, everything, slenderness), -tone[1]))
    pitch, height = ranked[0]
    pitch = _refined(sound, pitch)
    overtones = tuple(found for found, _ in _overtones(pitch, everything, slenderness))
    best = _score(ranked[0], everything, slenderness)
    family = (pitch, *overtones)
    rivals = tuple(
        other
        for other, level in ranked[1:]
        # One of the bar's own overtones is no rival, nor is one that only rings on the side of another.
        if level >= _AS_STRONG * height
        and _score((other, level), everything, slenderness) >= best - _NEARLY
        and all(abs(other / each - 1) > 0.03 for each in family)  # noqa: PLR2004 - as wide as a damped tone
    )
    how = tuple(_tone_remarks(pitch, height, overtones, everything))
    return Tone(pitch, 1 / sound.seconds, overtones, how, rivals)


def _refined(sound: Sound, pitch: float) -> float:
    """Return the pitch by which the tone's phase turns, each moment counting with its power.

    From the stroke on, while the tone has a tenth of its greatest amplitude.
    """
    seconds, phasor = sound.phasor(pitch)
    amplitude = np.abs(phasor)
    top = int(np.argmax(amplitude)) if amplitude.size else 0
    faint = (amplitude[top:] < 0.1 * amplitude[top]).nonzero()[0] if amplitude.size else []
    end = top + int(faint[0]) if len(faint) else len(amplitude)
    if end - top < 8:  # noqa: PLR2004 - a line and its scatter
        return pitch
    time, weight = seconds[top:end], amplitude[top:end] ** 2
    phase = np.unwrap(np.angle(phasor[top:end]))
    middle = np.average(time, weights=weight)
    slope = (weight * (time - middle) * phase).sum() / (weight * (time - middle) ** 2).sum()
    turned = float(slope) / (2 * math.pi)
    # More than two per cent is no refinement: another tone is mixed in.
    return pitch + turned if abs(turned) < 0.02 * pitch else pitch


def _tone_remarks(
    pitch: float, height: float, overtones: tuple[float, ...], tones: list[tuple[float, float]]
) -> list[str]:
    remarks = [f"Flexural fundamental {pitch:.1f} Hz, confirmed by {len(overtones)} overtones of a free bar."]
    if not overtones:
        remarks = [
            f"Tallest tone {pitch:.1f} Hz; no overtones of a free bar confirm that it is the fundamental."
        ]
    tallest = max(tones, key=lambda tone: tone[1])
    if tallest[1] > height:
        remarks.append(f"The tallest tone, {tallest[0]:.1f} Hz, is another one.")
    return remarks


def _tones(hertz: Samples, amplitude: Samples) -> list[tuple[float, float]]:
    """Return (Hz, amplitude) of what stands out, pitch interpolated by a parabola over the logarithm."""
    first = int(np.searchsorted(hertz, _LOWEST_HZ)) + 1
    heard = amplitude[first:-1]
    if not heard.size:
        return []
    loud = _AUDIBLE * float(heard.max())
    crests = (heard > amplitude[first - 1 : -2]) & (heard >= amplitude[first + 1 :]) & (heard > loud)
    peaks = crests.nonzero()[0] + first
    tallest = peaks[np.argsort(-amplitude[peaks])][:_MOST_CRESTS]
    found = []
    for peak in _free_standing(amplitude, [int(peak) for peak in tallest]):
        around = amplitude[max(first, int(0.7 * peak)) : int(1.4 * peak) + 2]
        if amplitude[peak] > _STANDS_OUT * float(np.median(around)):
            found.append((_vertex(hertz, amplitude, peak), float(amplitude[peak])))
    return _tallest_of_each(found)


def _free_standing(amplitude: Samples, peaks: list[int]) -> list[int]:
    """Keep of peaks, tallest first, those that a valley of half their height parts from every taller one.

    A tone's own skirts are no tones.
    """
    kept: list[int] = []
    for peak in peaks:
        left = max((other for other in kept if other < peak), default=None)
        right = min((other for other in kept if other > peak), default=None)
        sides = [amplitude[left:peak]] if left is not None else []
        sides += [amplitude[peak:right]] if right is not None else []
        if all(float(side.min()) < 0.5 * amplitude[peak] for side in sides):
            kept.append(peak)
    return kept


def _tallest_of_each(tones: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Keep of tones closer than 1.5 % the tallest only."""
    kept: list[tuple[float, float]] = []
    for tone in sorted(tones, key=lambda each: -each[1]):
        if all(abs(tone[0] / other[0] - 1) > 0.015 for other in kept):  # noqa: PLR2004 - as said
            kept.append(tone)
    return sorted(kept)


def _vertex(hertz: Samples, amplitude: Samples, peak: int) -> float:
    left, middle, right = (math.log(max(float(a), 1e-300)) for a in amplitude[peak - 1 : peak + 2])
    bend = left - 2 * middle + right
    offset = 0.5 * (left - right) / bend if bend else 0.0
    return float(hertz[peak] + offset * (hertz[1] - hertz[0]))


def _overtones(
    pitch: float, tones: list[tuple[float, float]], slenderness: float | None
) -> list[tuple[float, float]]:
    """Return the tones that stand where a free bar's overtones of a pitch should, one for each at most."""
    found = []
    for ratio, lowered in zip(_RATIOS, _LOWERED, strict=True):
        # Without a known t/L anything from a wire to a bar of L/t = 10 is let pass.
        stout = 0.01 if slenderness is None else slenderness**2
        low = ratio / math.sqrt(1 + lowered * stout) * (1 - _TOLERANCE)
        high = ratio * (1 + _TOLERANCE / 2)
        near = [tone for tone in tones if low <= tone[0] / pitch <= high]
        if near:
            found.append(max(near, key=lambda tone: tone[1]))
    return found


def _score(tone: tuple[float, float], tones: list[tuple[float, float]], slenderness: float | None) -> float:
    """Return how well a tone is confirmed: overtones count, the first most; a whisper counts less."""
    confirmed = _overtones(tone[0], tones, slenderness)
    # A whisper with accidental overtones must not beat a clear tone with as many.
    loudest = max(height for _, height in tones)
    audible = 0.0 if tone[1] < 0.02 * loudest else 0.5
    return len(confirmed) + audible


def decay_of(sound: Sound, hertz: float) -> Decay | str:
    """Return how a tone dies away, or why that cannot be said.

    The straight part of the logarithm of its amplitude is fitted from shortly after the stroke until
    it comes near the noise; the amplitude must fall by one neper (to 37 %) at least.

    Args:
        sound: The recording.
        hertz: Frequency of the tone, Hz.
    """
    seconds, amplitude = sound.envelope(hertz)
    if len(seconds) < 8:  # noqa: PLR2004 - a line and its scatter
        return f"the clip is too short: {sound.seconds:.3f} s hold too few cycles of {hertz:.0f} Hz"
    top = int(np.argmax(amplitude))
    noise = _FLOOR * float(np.quantile(amplitude[-max(4, len(amplitude) // 10) :], 0.5))
    ended = (amplitude[top:] < noise).nonzero()[0]
    # Only a clip that dies away has a floor at its end; else the end is still the tone.
    quiet = amplitude[-1] < 0.05 * amplitude[top]
    end = top + int(ended[0]) if quiet and len(ended) else len(amplitude)
    # The stroke itself, spread by the window, is no free decay yet.
    begin = min(top + 4, end)
    time, level = seconds[begin:end], np.log(np.maximum(amplitude[begin:end], 1e-300))
    if len(time) < 8:  # noqa: PLR2004 - as above
        return "the tone is gone before its decay can be followed: record closer, or less noise"
    return _fitted_decay(time, level, hertz, sound.seconds)


def _fitted_decay(time: Samples, level: Samples, hertz: float, seconds: float) -> Decay | str:
    middle, height = time.mean(), level.mean()
    spread = float(((time - middle) ** 2).sum())
    slope = float(((time - middle) * (level - height)).sum()) / spread
    rest = level - height - slope * (time - middle)
    fell = -slope * float(time[-1] - time[0])
    if fell < _LEAST_NEPERS:
        lost = 100 * (1 - math.exp(-fell))
        return (
            f"the clip is too short: in its {seconds:.2f} s the tone fell by {lost:.0f} % only, "
            "and 63 % are the least from which a decay can be computed; record until it is no longer heard"
        )
    # Neighbouring averages share samples: about four of them are one independent reading.
    # Residuals about the line, in nepers.
    scatter = float((rest**2).sum()) / max(1, len(time) - 2)
    u = math.sqrt(4 * scatter / spread)
    return Decay(
        rate=-slope,
        loss_factor=-slope / (math.pi * hertz),
        u=u / (math.pi * hertz),
        begin_s=float(time[0]),
        end_s=float(time[-1]),
        nepers=fell,
        level=math.exp(height - slope * middle),
    )


def _round_length(n: int) -> int:
    """Return the next power of two, for which transforms are quick."""
    return 1 << (n - 1).bit_length()


_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_LEAST_FORMAT = 16
_MOST_SAMPLES = 1_000_000
"""Twenty seconds at 48 kHz; its spectrum, interpolated fourfold, takes 120 MB."""


def samples_of(data: bytes) -> tuple[float, Any]:
    """Return samples a second, and samples of shape (n, channels), ±1 at full scale.

    Raises:
        ValueError: It is no WAVE file, or its samples are packed in a way not known here.
    """
    if data[:4] != b"RIFF" or data[8:12] != b"WAVE":
        raise ValueError("it does not begin like one")
    chunks = dict(_chunks(data))
    form, body = chunks.get(b"fmt ", b""), chunks.get(b"data", b"")
    if len(form) < _LEAST_FORMAT or not body:
        raise ValueError("it has no format or no samples")
    kind, channels, rate, _, _, bits = struct.unpack_from("<HHIIHH", form)
    if kind == _EXTENSIBLE and len(form) >= _LEAST_FORMAT + 10:
        # The true kind opens the sixteen bytes that follow size, valid bits and channel mask.
        (kind,) = struct.unpack_from("<H", form, 24)
    if channels == 0 or rate == 0:
        raise ValueError("it has no channels or no rate")
    held = len(body) // max(1, bits // 8) // channels
    if held > _MOST_SAMPLES:
        raise ValueError(
            f"it has {held / rate:.0f} s of sound, and at its rate {_MOST_SAMPLES / rate:.0f} s are the "
            "most: cut it to the tap"
        )
    flat = _decoded(kind, bits, body)
    return float(rate), flat[: len(flat) // channels * channels].reshape(-1, channels)


def _chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 12
    while at + 8 <= len(data):
        name, size = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "little")
        # A recorder that lost power leaves a length that is not true: what is there is taken.
        yield name, data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2


def _decoded(kind: int, bits: int, body: bytes) -> Any:
    size = bits // 8
    body = body[: len(body) // size * size] if size else b""
    if kind == _FLOAT and bits in {32, 64}:
        return np.frombuffer(body, f"<f{size}").astype(float)
    if kind != _PCM or bits not in {8, 16, 24, 32}:
        raise ValueError(f"samples of kind {kind} with {bits} bits are not known")
    if bits == 8:  # noqa: PLR2004 - the one width without a sign
        return (np.frombuffer(body, np.uint8).astype(float) - 128) / 128
    if bits == 24:  # noqa: PLR2004 - no machine type holds three bytes
        # Three bytes become the upper three of four: sign and scale come out right.
        wide = np.zeros((len(body) // 3, 4), np.uint8)
        wide[:, 1:] = np.frombuffer(body, np.uint8).reshape(-1, 3)
        return wide.view("<i4").ravel().astype(float) / 2**31
    # Full scale is the most negative value, one step beyond the most positive.
    return np.frombuffer(body, f"<i{size}").astype(float) / float(2 ** (bits - 1))
