"""Uncompressed sound files (RIFF/WAVE): integer samples of 8 to 32 bits, and floating point.

Read here rather than by a library, for the library that can is slower to load than the whole job.
Layout: chunks of a four-letter name, a little-endian length and that many bytes, padded to even.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Any

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_LEAST_FORMAT = 16


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
    import numpy as np  # noqa: PLC0415 - heavy to load

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
