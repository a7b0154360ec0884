"""A certificate of the page's own, so that a phone trusts the connection enough to lend its camera."""

from __future__ import annotations

import datetime as dt
import ipaddress
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tracker.errors import Refused
from tracker.inputs import read_input
from tracker.lazy_modules import lazy

if TYPE_CHECKING:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
else:
    x509 = lazy("cryptography.x509")
    hashes = lazy("cryptography.hazmat.primitives.hashes")
    serialization = lazy("cryptography.hazmat.primitives.serialization")
    ec = lazy("cryptography.hazmat.primitives.asymmetric.ec")

LASTS_DAYS: Final = 397
"""Browsers refuse certificates that last longer: CA/Browser Forum baseline requirements, 6.3.2."""

_RENEWED_DAYS: Final = 30


@dataclass(frozen=True)
class PageCertificate:
    """A certificate with its key.

    Attributes:
        certificate: File of the certificate, PEM.
        key: File of its private key, PEM.
        fingerprint: SHA-256 of the certificate, as browsers show it: ``AB:CD:…``.
    """

    certificate: Path
    key: Path
    fingerprint: str


def own_certificate(folder: Path, names: Iterable[str], now: dt.datetime) -> PageCertificate:
    """Return the page's own certificate: kept beside the book, made again when a name is new or it runs out.

    Args:
        folder: Where it is kept; only its owner may read the key.
        names: Names and addresses of the page.
        now: The present.

    Raises:
        Refused: It cannot be written there.
    """
    wanted = sorted({each.lower() for each in names if each})
    file, key = folder / "page.crt", folder / "page.crt.key"
    if not (file.exists() and key.exists() and _holds(file.read_bytes(), wanted, now)):
        try:
            _make(file, key, wanted, now)
        except OSError as error:
            raise Refused(
                f"A certificate cannot be kept in {folder}", why=error.strerror or str(error),
                do="Give one with --certificate, or serve without --tls",
            ) from error  # fmt: skip
    return given_certificate(file, key)


def given_certificate(file: Path, key: Path) -> PageCertificate:
    """Return a certificate that was given, with its fingerprint.

    Raises:
        Refused: It cannot be read.
    """
    try:
        found = x509.load_pem_x509_certificate(read_input(file, "settings file"))
        read_input(key, "settings file")
    except (OSError, ValueError) as error:
        raise Refused(f"{file} is no certificate that can be read", why=str(error)) from error
    return PageCertificate(file, key, found.fingerprint(hashes.SHA256()).hex(":").upper())


def _holds(data: bytes, wanted: Iterable[str], now: dt.datetime) -> bool:
    try:
        found = x509.load_pem_x509_certificate(data)
        named = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (ValueError, x509.ExtensionNotFound):
        return False
    held = {str(each.value).lower() for each in named}
    return set(wanted) <= held and found.not_valid_after_utc > now + dt.timedelta(days=_RENEWED_DAYS)


def _make(file: Path, key_file: Path, names: list[str], now: dt.datetime) -> None:
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "strandbook bench page")])
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(hours=1))
        .not_valid_after(now + dt.timedelta(days=LASTS_DAYS))
        .add_extension(x509.SubjectAlternativeName([_name(each) for each in names]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    secret = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    # The key first, readable by nobody else from the first moment on.
    key_file.unlink(missing_ok=True)
    with os.fdopen(os.open(key_file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
        stream.write(secret)
    file.write_bytes(made.public_bytes(serialization.Encoding.PEM))


def _name(name: str) -> Any:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)
