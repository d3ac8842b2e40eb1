"""The key of this recorder, its certificate and the firm's root, as files in the user's directory.

The key is made at the first start and never leaves the directory. Until the firm has certified it,
the recorder works all the same and its records say that nobody stands behind them.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)

from metercap.errors import OperatorError
from metercap.journal import canonical, merkle, note
from metercap.record import certificate, checkpoints, signing

KEY = "key.pem"
CERTIFICATE = "certificate.pem"
ROOT = "root.pem"


class Device(NamedTuple):
    """The recorder as one who signs; `root` is None until it is enrolled."""

    key: ec.EllipticCurvePrivateKey
    certificate: x509.Certificate
    root: x509.Certificate | None

    @property
    def public(self) -> bytes:
        """The public key as SubjectPublicKeyInfo in DER."""
        return signing.public_bytes(self.key.public_key())

    @property
    def sha256(self) -> str:
        """The hash of the public key: what the firm compares before it certifies."""
        return canonical.digest(self.public)

    def sign(self, message: bytes) -> bytes:
        """Sign a message; the same signature every time."""
        return signing.signer(self.key)(message)

    def checkpoint(self, log: str, frontier: merkle.Frontier) -> str:
        """Sign the size and root of a log, as a note."""
        return note.sign_note(note.checkpoint_text(log, frontier), log, self.public, self.sign)


def open_device(folder: Path, name: str) -> Device:
    """Load the recorder's key and certificate; the first time, make the key.

    `name` stands in the certificate that the recorder makes for itself. Raises OperatorError for
    files that do not belong together or that others may read.
    """
    path = folder / KEY
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_key(path, ec.generate_private_key(ec.SECP256R1()))
    key = read_key(path)
    enrolled, root = (
        read_certificate(folder / name) if (folder / name).exists() else None
        for name in (CERTIFICATE, ROOT)
    )
    if enrolled is None:
        return Device(key, certificate.make_own(key, name), None)
    if enrolled.public_key() != key.public_key():
        raise OperatorError(f"{folder / CERTIFICATE}: for another key than that in {KEY}")
    return Device(key, enrolled, root)


def enrol(folder: Path, device: Device, found: x509.Certificate, root: x509.Certificate) -> Device:
    """Take the firm's certificate for this recorder's own key, and keep to its root from now on.

    Raises OperatorError for a certificate for another key, not of a device, or not under `root`,
    and for another root than that of the first enrolment.
    """
    if found.public_key() != device.key.public_key():
        raise OperatorError("certificate: for another key, expected one for this recorder's")
    if certificate.read_name(found).role != certificate.DEVICES:
        raise OperatorError(f"certificate: not one of {certificate.DEVICES}")
    # Judged on its own first day, because a recorder that was never on line does not know today's.
    issuer = certificate.find_issuer(found, [root], found.not_valid_before_utc)
    if isinstance(issuer, certificate.Untrusted):
        raise OperatorError(f"certificate: {issuer.reason}")
    if device.root is not None and device.root != root:
        raise OperatorError(f"root: not the one in {folder / ROOT}, which is kept since enrolment")
    _write(folder / ROOT, root.public_bytes(Encoding.PEM), 0o644)
    _write(folder / CERTIFICATE, found.public_bytes(Encoding.PEM), 0o644)
    return Device(device.key, found, root)


def rekey(folder: Path, device: Device, log: str, keep: Callable[[str], None]) -> Device:
    """Take a new key, vouched for by the old one, which stays in the folder under its number.

    `keep` writes the statement, signed by both keys, to the journal before the new key is used. The
    new key is not enrolled.
    """
    key = ec.generate_private_key(ec.SECP256R1())
    new = Device(key, certificate.make_own(key, log), None)
    keep(checkpoints.write_succession(log, (device.public, device.sign), (new.public, new.sign)))
    number = certificate.device_number(device.key.public_key())
    old = folder / f"key-{number}.pem"
    if not old.exists():
        old.hardlink_to(folder / KEY)
    (folder / CERTIFICATE).unlink(missing_ok=True)
    _write_key(folder / KEY, key)
    return new


def write_key(path: Path, key: ec.EllipticCurvePrivateKey) -> None:
    """Write a private key that only its owner may read; never over an existing file."""
    if path.exists():
        raise OperatorError(f"{path}: exists, expected none: a key is never written over")
    _write_key(path, key)


def read_key(path: Path) -> ec.EllipticCurvePrivateKey:
    """Read a P-256 key from a PEM file; raises OperatorError, also if others may read it."""
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
        data = path.read_bytes()
    except OSError as error:
        raise OperatorError(f"{path}: cannot be read: {error.strerror}") from error
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise OperatorError(
            f"{path}: found mode {mode:04o}, expected 0600, so that nobody else signs with it: "
            f"chmod 600 {path}"
        )
    try:
        key = load_pem_private_key(data, None)
    except (ValueError, TypeError) as error:
        raise OperatorError(f"{path}: no private key in PEM without a password") from error
    if not isinstance(key, ec.EllipticCurvePrivateKey) or not isinstance(key.curve, ec.SECP256R1):
        raise OperatorError(f"{path}: another kind of key, expected one on P-256")
    return key


def read_certificates(path: Path) -> list[x509.Certificate]:
    """Read every certificate of a PEM file; raises OperatorError when there is none."""
    try:
        return x509.load_pem_x509_certificates(path.read_bytes())
    except OSError as error:
        raise OperatorError(f"{path}: cannot be read: {error.strerror}") from error
    except ValueError as error:
        raise OperatorError(f"{path}: no certificate in PEM") from error


def read_certificate(path: Path) -> x509.Certificate:
    """Read the one certificate of a PEM file; raises OperatorError."""
    found, *more = read_certificates(path)
    if more:
        raise OperatorError(f"{path}: {1 + len(more)} certificates, expected one")
    return found


def _write_key(path: Path, key: ec.EllipticCurvePrivateKey) -> None:
    _write(path, key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()), 0o600)


def _write(path: Path, data: bytes, mode: int) -> None:
    """Write a file whole or not at all, even if the power goes."""
    part = path.with_name(f"{path.name}.part")
    with contextlib.suppress(FileNotFoundError):
        part.unlink()
    file = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, mode)
    try:
        os.write(file, data)
        os.fsync(file)
    finally:
        os.close(file)
    part.rename(path)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
