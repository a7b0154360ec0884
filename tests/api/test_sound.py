"""The sound of a struck bar, and the files it comes in."""

from __future__ import annotations

import io
import struct
import wave

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.api.close import approx
from tracker.api import Recording, Refused, Sound, read_sound
from tracker.api.maths import Decay, decay_of, flexural_tone
from tracker.api.sound import samples_of

RATE = 48_000


def damped(parts: list[tuple[float, float, float]], seconds: float = 1.0, noise: float = 1e-4) -> Sound:
    """Return a sound of (amplitude, Hz, loss factor) parts."""
    time = np.arange(int(RATE * seconds)) / RATE
    tone = sum(a * np.exp(-np.pi * f * q * time) * np.sin(2 * np.pi * f * time) for a, f, q in parts)
    return Sound(tone + np.random.default_rng(5).normal(0, noise, time.size), RATE)


def packed(samples: np.ndarray, width: int, channels: int = 1) -> bytes:
    """Return samples of ±1 as a WAV file of the standard library."""
    buffer = io.BytesIO()
    whole = np.round(samples * (2 ** (8 * width - 1) - 1)).astype(np.int64)
    raw = (whole + 128).astype(np.uint8).tobytes() if width == 1 else b""
    if width > 1:
        raw = b"".join(int(v).to_bytes(width, "little", signed=True) for v in whole)
    with wave.open(buffer, "wb") as out:
        out.setnchannels(channels)
        out.setsampwidth(width)
        out.setframerate(RATE)
        out.writeframes(raw)
    return buffer.getvalue()


@pytest.mark.parametrize("width", [1, 2, 3, 4])
def test_integer_samples_of_every_width_are_read(width: int) -> None:
    """The standard library's own files give their samples back, within a step."""
    samples = np.sin(np.arange(200) / 7) * 0.9
    rate, found = samples_of(packed(samples, width))
    assert rate == RATE
    assert found[:, 0] == approx(samples, abs=2.5 / 2 ** (8 * width - 1))


def test_floating_point_samples_are_read() -> None:
    """Format 3 holds numbers as they are."""
    body = np.array([0.25, -0.5], "<f4").tobytes()
    form = struct.pack("<HHIIHH", 3, 1, RATE, RATE * 4, 4, 32)
    data = (
        b"RIFF\0\0\0\0WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", len(body)) + body
    )
    assert samples_of(data)[1].ravel().tolist() == [0.25, -0.5]


def test_channels_are_averaged() -> None:
    """A stereo recording is one sound."""
    two = np.column_stack([np.sin(np.arange(2000) / 7), np.zeros(2000)])
    sound = read_sound(Recording("a.wav", packed(two.ravel(), 2, channels=2)))
    assert np.abs(sound.samples).max() == approx(0.5, abs=0.01)


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "cannot be read as a WAV file"),
        (b"ID3 some other sound", "cannot be read as a WAV file"),
        (b"RIFF\0\0\0\0WAVE", "no format or no samples"),
        (packed(np.zeros(4800), 2), "is silent"),
        (packed(np.sin(np.arange(100.0)), 2), "too short"),
    ],
)
def test_what_is_no_sound_is_refused_by_name(data: bytes, why: str) -> None:
    """One line names the file and what is wrong."""
    with pytest.raises(Refused, match=f"^tap.wav.*{why}"):
        read_sound(Recording("tap.wav", data))


@given(st.binary(max_size=200))
def test_no_bytes_make_it_fail_otherwise(tail: bytes) -> None:
    """Any chunk after the opening is read or refused."""
    for head in (b"", b"RIFF\0\0\0\0WAVE", b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0"):
        try:
            found = read_sound(Recording("a.wav", head + tail))
        except Refused:
            continue
        assert found.rate > 0


def test_a_file_cut_short_gives_what_is_there() -> None:
    """A recorder that lost power still recorded something."""
    data = packed(np.sin(np.arange(4800) / 7), 2)
    assert len(read_sound(Recording("a.wav", data[:-2000])).samples) == 3800


@pytest.mark.parametrize(("hertz", "loss"), [(1049.0, 0.02), (700.0, 0.05), (1500.0, 0.004), (350.0, 0.03)])
def test_pitch_and_loss_of_a_damped_tone_are_found(hertz: float, loss: float) -> None:
    """Pitch within 0.05 %, loss factor within 3 %."""
    sound = damped([(0.5, hertz, loss)])
    found = decay_of(sound, hertz)
    assert isinstance(found, Decay)
    assert flexural_tone(sound).hertz == approx(hertz, rel=5e-4)
    assert found.loss_factor == approx(loss, rel=0.03)


def test_the_fundamental_is_the_tone_with_the_overtones_not_the_tallest() -> None:
    """A taller tone of twist between the overtones is passed over, and said."""
    sound = damped([(0.2, 1000, 0.005), (0.1, 2740, 0.005), (0.05, 5300, 0.005), (0.9, 3900, 0.002)])
    found = flexural_tone(sound, 0.05)
    assert found.hertz == approx(1000, abs=0.5)
    assert "The tallest tone, 3900.0 Hz, is another one." in found.how


def test_a_lone_tone_is_taken_and_the_doubt_reported() -> None:
    """Without overtones the tallest is taken for the fundamental, openly."""
    assert "no overtones of a free bar confirm" in flexural_tone(damped([(0.5, 900, 0.01)])).how[0]


def test_a_typed_pitch_narrows_the_choice() -> None:
    """Somebody who knows better is believed within ten per cent."""
    sound = damped([(0.5, 1000, 0.005), (0.4, 2740, 0.005)])
    assert flexural_tone(sound, 0.05, near=2700).hertz == approx(2740, abs=1)


def test_noise_alone_is_no_tone() -> None:
    """Nothing is heard into noise near a typed pitch."""
    with pytest.raises(Refused, match="no tone stands out"):
        flexural_tone(damped([], noise=0.1), near=1000)


def test_a_clip_too_short_for_a_decay_says_so() -> None:
    """A tone that hardly fell gives no loss factor."""
    found = decay_of(damped([(0.5, 1000, 1e-4)], seconds=0.4), 1000.0)
    assert isinstance(found, str)
    assert "too short" in found


def test_a_clip_that_ends_in_the_tone_is_followed_to_its_end() -> None:
    """Silence before the stroke is no floor: only an end that has died away has one."""
    ringing = damped([(0.5, 1000, 2e-3)], seconds=0.35, noise=1e-6).samples
    sound = Sound(np.append(np.zeros(RATE // 4), ringing), RATE)
    found = decay_of(sound, 1000.0)
    assert isinstance(found, Decay)
    assert found.end_s == approx(sound.envelope(1000.0)[0][-1], abs=1e-9)
