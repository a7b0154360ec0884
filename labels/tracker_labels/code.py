"""The code itself, QR or, where that is too large, Data Matrix: from a payload to light and dark modules."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from tracker_labels.label import LabelError

QUIET = 4
"""Light modules that must surround a QR code on every side (ISO/IEC 18004)."""

QUIET_SMALL = 1
"""Light modules that must surround a Data Matrix on every side (ISO/IEC 16022)."""

# The mask decides which modules are flipped so that the code is neither blotchy nor full of false
# finder patterns. Trying all eight takes over 80 % of the library's time. Of 1,000 damaged codes
# zxing-cpp reads as many with this one as with the best mask (974 and 973; 966 and 970 when blurred
# more), and OpenCV reads more: 800 and 796 of 800 single codes, 72 and 64 of 72 on whole pages.
MASK = 1

_HARDIER = ("M", "Q", "H")
_MODE_BITS = 4
_LARGEST_VERSION = 40


@dataclass(frozen=True, slots=True)
class Code:
    """A square matrix code without its quiet zone.

    Attributes:
        payload: The text it holds.
        symbology: ``QR`` (ISO/IEC 18004) or ``DataMatrix`` (ISO/IEC 16022).
        size: Modules a side.
        quiet: Light modules that must surround it on every side.
        level: Error correction of a QR code: L, M, Q or H, which restore about 7, 15, 25 and 30 % of the
            codewords; empty for a Data Matrix, whose size decides it.
        modules: One byte a module, 1 where it is dark, row after row.
    """

    payload: str
    symbology: str
    size: int
    quiet: int
    level: str
    modules: bytes

    @property
    def size_with_quiet(self) -> int:
        """Modules a side, with the quiet zone on both sides."""
        return self.size + 2 * self.quiet


def version_for(length: int, level: str = "M") -> int | None:
    """Return the smallest version that holds so many alphanumeric characters, or None if none does."""
    from qrcode.util import BIT_LIMIT_TABLE  # noqa: PLC0415 - a heavy import, paid by those who draw

    limits: list[int] = BIT_LIMIT_TABLE[_library_level(level)]
    return next((one for one in range(1, _LARGEST_VERSION + 1) if _bits(length, one) <= limits[one]), None)


def encode(payload: str, mask: int = MASK) -> Code:
    """Encode a payload at level M, or at the highest level that needs no larger code.

    Args:
        payload: Characters of the alphanumeric mode only; see ``Label``.
        mask: Which of the eight masks to use.

    Raises:
        LabelError: The payload is longer than any QR code holds.
    """
    return _encode(payload, mask)


@lru_cache(maxsize=4096)
def _encode(payload: str, mask: int) -> Code:
    """Do what ``encode`` says, once per payload."""
    from qrcode.main import QRCode  # noqa: PLC0415 - a heavy import, paid by those who draw
    from qrcode.util import MODE_ALPHA_NUM, QRData  # noqa: PLC0415 - the same

    version, level = choose(payload)
    code = QRCode(version=version, error_correction=_library_level(level), border=0, mask_pattern=mask)
    code.add_data(QRData(payload.encode("ascii"), mode=MODE_ALPHA_NUM, check_data=False))
    code.make(fit=False)
    modules = b"".join(bytes(map(bool, row)) for row in code.modules)
    return Code(payload, "QR", 17 + 4 * version, QUIET, level, modules)


@lru_cache(maxsize=4096)
def encode_small(payload: str) -> Code | None:
    """Encode a payload as a Data Matrix of error correction 200, for faces too small for a QR code.

    It takes 16 modules a side and a quiet zone of one where a QR code takes 21 and four: less than half
    the area. Scanners at a bench read it, cameras of some telephones do not.

    Returns:
        The code; None where zxing-cpp is not installed or the payload is too long for a square symbol.
    """
    try:
        import zxingcpp  # noqa: PLC0415 - a heavy import, paid by those who draw
    except ImportError:
        return None
    try:
        made = zxingcpp.create_barcode(payload, zxingcpp.BarcodeFormat.DataMatrix, force_square=True)
    except ValueError:
        return None
    drawn: Any = zxingcpp.write_barcode_to_image(made, scale=1, add_quiet_zones=False)
    picture = memoryview(drawn)
    rows, columns = picture.shape or (0, 0)
    if rows != columns:
        return None
    return Code(payload, "DataMatrix", rows, QUIET_SMALL, "", bytes(dot == 0 for dot in picture.tobytes()))


def choose(payload: str) -> tuple[int, str]:
    """Return the version and the level of error correction for a payload.

    Raises:
        LabelError: See ``encode``.
    """
    version = version_for(len(payload))
    if version is None:
        raise LabelError(
            f"No code holds {len(payload)} characters",
            do="Shorten the payload: the ID and the book code are enough.",
        )
    level = "M"
    for harder in _HARDIER[1:]:
        if version_for(len(payload), harder) == version:
            level = harder
    return version, level


def _bits(length: int, version: int) -> int:
    """Return the bits that an alphanumeric segment takes: two characters in 11, a last one in 6."""
    field = 9 if version < 10 else 11 if version < 27 else 13  # noqa: PLR2004 - the standard's own classes
    return _MODE_BITS + field + length // 2 * 11 + length % 2 * 6


def _library_level(level: str) -> int:
    """Return the library's number for a level."""
    from qrcode import constants  # noqa: PLC0415 - a heavy import, paid by those who draw

    return int(getattr(constants, f"ERROR_CORRECT_{level}"))
