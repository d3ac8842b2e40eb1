"""Record files and an auditor's own files to answers; nothing of a recorder is needed for it.

It runs where no recorder could: it touches no radio, no journal and no network, and asks no clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from cryptography import x509

from metercap.derive import derive
from metercap.device import read_certificates
from metercap.errors import OperatorError
from metercap.record import certificate
from metercap.record.approved import parse_approved
from metercap.record.trust import Trust
from metercap.record.verify import Report, verify

UNUSABLE = 2
"""Exit code for what was asked wrongly, and for a file that cannot be read."""

# From the gravest to the least. What cannot be read comes first, because nothing is known of it.
_WORST_FIRST = (UNUSABLE, 3, 7, 4, 6, 5, 8, 1, 0)


def read(path: Path) -> bytes:
    """Read a record file; raises OperatorError."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise OperatorError(f"{path}: cannot be read: {error.strerror}") from error


def check(path: Path, trusted: Trust | None) -> Report:
    """Check the record in a file; raises OperatorError when there is no reading it."""
    return verify(read(path), path.name, derive, trusted)


def load_trust(
    roots: Sequence[Path],
    tsa_roots: Sequence[Path],
    revoked: Sequence[Path],
    approved: Path | None,
    at: datetime,
) -> Trust:
    """Read what the auditor trusts; raises OperatorError for a file that does not hold.

    A list of revoked certificates must be one of the roots', or it says nothing.
    """
    found = tuple(one for path in roots for one in read_certificates(path))
    lists = tuple(_read_list(path, found) for path in revoked)
    return Trust(
        at=at,
        roots=found,
        tsa_roots=tuple(one for path in tsa_roots for one in read_certificates(path)),
        revoked=lists,
        approved=None
        if approved is None
        else parse_approved(_text(approved), found, f"{approved}"),
    )


def worst(exits: Iterable[int]) -> int:
    """Give the exit code for several answers: that of the gravest, and 0 for none."""
    found = set(exits)
    return next((code for code in _WORST_FIRST if code in found), 0)


def parse_day(text: str) -> datetime:
    """Read the day or time that is asked for, in UTC if it names no zone; raises OperatorError."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise OperatorError(f"--at: found {text!a}, expected a date or time: 2026-11-25") from error
    return at if at.tzinfo is not None else at.replace(tzinfo=UTC)


def _read_list(path: Path, roots: Sequence[x509.Certificate]) -> x509.CertificateRevocationList:
    data = read(path)
    is_pem = data.lstrip().startswith(b"-----")
    try:
        found = x509.load_pem_x509_crl(data) if is_pem else x509.load_der_x509_crl(data)
    except ValueError as error:
        raise OperatorError(f"{path}: no list of revoked certificates") from error
    if not any(certificate.is_list_of(found, root) for root in roots):
        raise OperatorError(f"{path}: not signed by a root that was given")
    return found


def _text(path: Path) -> str:
    try:
        return read(path).decode("utf-8")
    except UnicodeDecodeError as error:
        raise OperatorError(f"{path}: no text, expected a file in UTF-8") from error
