"""The firm's root key and what it certifies, as files on a machine that is never on line.

It makes the root, certifies devices and engineers, withdraws certificates and signs the list of
approved definitions. Serial numbers and times come in as values.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding

from metercap.device import read_certificate, read_key, write_key
from metercap.errors import OperatorError
from metercap.record import certificate, signing
from metercap.record.approved import write_approved

KEY, ROOT, REVOKED = "root-key.pem", "root.pem", "revoked.pem"
_ROOT_DAYS = 20 * 365 + 5
_LIST_DAYS = 35  # a new list each month, and a few days to hand it round
_AGO = timedelta(hours=1)  # clocks differ, and a certificate is used at once


def make_root(folder: Path, firm: str, serial: int, at: datetime) -> x509.Certificate:
    """Make the firm's root key and certificate in a folder that has none."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    key = ec.generate_private_key(ec.SECP256R1())
    begins = (at - _AGO).replace(microsecond=0)
    root = certificate.make_root(key, firm, serial, (begins, begins + timedelta(days=_ROOT_DAYS)))
    write_key(folder / KEY, key)
    (folder / ROOT).write_bytes(root.public_bytes(Encoding.PEM))
    return root


def certify(
    folder: Path, request: bytes, role: str, days: int, serial: int, at: datetime
) -> x509.Certificate:
    """Certify the key of a request (PEM) for the role of a device or an engineer.

    Raises OperatorError for a request that does not hold, or an unknown role.
    """
    if role not in certificate.ROLES:
        raise OperatorError(f"role: found {role!a}, expected one of {', '.join(certificate.ROLES)}")
    try:
        found = x509.load_pem_x509_csr(request)
    except ValueError as error:
        raise OperatorError("request: not one in PEM (PKCS #10)") from error
    root = read_certificate(folder / ROOT)
    begins = (at - _AGO).replace(microsecond=0)
    valid = begins, min(begins + timedelta(days=days), root.not_valid_after_utc)
    return certificate.issue(found, role, root, read_key(folder / KEY), serial, valid)


def revoke(folder: Path, certificates: Iterable[x509.Certificate], at: datetime) -> bytes:
    """Withdraw certificates from now on; the list of all that are withdrawn, also kept."""
    root = read_certificate(folder / ROOT)
    path = folder / REVOKED
    at = at.replace(microsecond=0)
    rows = list(x509.load_pem_x509_crl(path.read_bytes())) if path.exists() else []
    known = {row.serial_number for row in rows}
    builder = (
        x509.CertificateRevocationListBuilder()
        .issuer_name(root.subject)
        .last_update(at)
        .next_update(at + timedelta(days=_LIST_DAYS))
    )
    for found in certificates:
        if found.issuer != root.subject:
            raise OperatorError("certificate: not one of this root's")
        if found.serial_number not in known:
            row = x509.RevokedCertificateBuilder(found.serial_number, at).build()
            rows.append(row)
    for row in rows:
        builder = builder.add_revoked_certificate(row)
    data = builder.sign(read_key(folder / KEY), hashes.SHA256()).public_bytes(Encoding.PEM)
    path.write_bytes(data)
    return data


def approve(folder: Path, definitions: Iterable[tuple[str, str]]) -> str:
    """Sign the list of approved definitions, pairs of SHA-256 and name."""
    root = read_certificate(folder / ROOT)
    return write_approved(definitions, root, signing.signer(read_key(folder / KEY)))
