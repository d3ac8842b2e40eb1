"""Public keys to certificates of a firm, its devices and engineers, and the check of a path.

A firm has one root key, kept off-line; a root certifies devices and engineers directly (RFC 5280).
A device makes itself a certificate under the name UNENROLLED until the firm has given it one. Keys,
serial numbers and times come in as values.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509 import verification
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from metercap.errors import OperatorError, RecordError
from metercap.journal import canonical
from metercap.record import signing

UNENROLLED = "UNENROLLED"
DEVICES = "devices"
ENGINEERS = "engineers"
ROLES = (DEVICES, ENGINEERS)

_DOCUMENT_SIGNING = x509.ObjectIdentifier("1.3.6.1.5.5.7.3.36")  # RFC 9336
_HASH = hashes.SHA256()
_FIRST_DAY = datetime(2000, 1, 1, tzinfo=UTC)
_NO_LAST_DAY = datetime(9999, 12, 31, 23, 59, 59, tzinfo=UTC)  # RFC 5280 section 4.1.2.5
_ANY_CA = verification.ExtensionPolicy.webpki_defaults_ca()
_ANY_LEAF = verification.ExtensionPolicy.permit_all()  # `_fault_of` looks at the leaf
_DEPTH = 1  # a leaf stands straight under its root


class Named(NamedTuple):
    """Whom a certificate names; `number` is that of a device, and "" for a person."""

    firm: str
    role: str
    name: str
    number: str = ""


class Untrusted(NamedTuple):
    """Why nobody the auditor trusts stands behind a certificate, in one line."""

    reason: str


def load(der: bytes) -> x509.Certificate:
    """Read a certificate that a stranger may have made; raises RecordError."""
    try:
        with warnings.catch_warnings():
            # What the library only warns of, such as a serial number below 1, is refused here.
            warnings.simplefilter("error")
            found = x509.load_der_x509_certificate(der)
            # The library reads these only when asked, and then raises far from here.
            _ = found.subject, found.issuer, found.extensions, found.public_key()
            _ = found.not_valid_before_utc, found.not_valid_after_utc
            return found
    except Exception as error:
        # Its error for an unknown version is no ValueError, and there may be more of the kind.
        raise RecordError(f"certificate: not readable ({type(error).__name__})") from error


def device_number(key: ec.EllipticCurvePublicKey) -> str:
    """Name a device by its key: the first 16 hex digits of the hash of its public key."""
    return canonical.digest(signing.public_bytes(key))[:16]


def make_own(key: ec.EllipticCurvePrivateKey, name: str) -> x509.Certificate:
    """Let a device certify itself: the same bytes each time, without an end, trusted by nobody."""
    public = key.public_key()
    number = device_number(public)
    subject = _subject(Named(UNENROLLED, DEVICES, name, number))
    builder = _begin(subject, subject, public, int(number, 16) + 1, (_FIRST_DAY, _NO_LAST_DAY))
    return _as_leaf(builder, DEVICES).sign(key, _HASH, ecdsa_deterministic=True)


def make_root(
    key: ec.EllipticCurvePrivateKey, firm: str, serial: int, valid: tuple[datetime, datetime]
) -> x509.Certificate:
    """Make the root certificate of a firm, which certifies leaves only."""
    subject = x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, firm),
            x509.NameAttribute(NameOID.COMMON_NAME, f"{firm} root"),
        ]
    )
    public = key.public_key()
    return (
        _begin(subject, subject, public, serial, valid)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(certifies=True), critical=True)
        .add_extension(_authority(public), critical=False)
        .sign(key, _HASH, ecdsa_deterministic=True)
    )


def make_request(key: ec.EllipticCurvePrivateKey, name: str) -> x509.CertificateSigningRequest:
    """Ask the firm for a certificate (PKCS #10, RFC 2986); firm and role are the firm's to say."""
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    return (
        x509.CertificateSigningRequestBuilder()
        .subject_name(subject)
        .sign(key, _HASH, ecdsa_deterministic=True)
    )


def issue(
    request: x509.CertificateSigningRequest,
    role: str,
    root: x509.Certificate,
    root_key: ec.EllipticCurvePrivateKey,
    serial: int,
    valid: tuple[datetime, datetime],
) -> x509.Certificate:
    """Certify the key of a request under the firm's root, for the role of a device or engineer.

    Raises OperatorError for a request that does not hold or a key of another kind.
    """
    public = request.public_key()
    if not (
        isinstance(public, ec.EllipticCurvePublicKey)
        and _is_p256(public)
        and request.is_signature_valid
    ):
        raise OperatorError("request: not one for a P-256 key, signed by that key")
    number = device_number(public) if role == DEVICES else ""
    subject = _subject(
        Named(
            _text(root.subject, NameOID.ORGANIZATION_NAME),
            role,
            _text(request.subject, NameOID.COMMON_NAME),
            number,
        )
    )
    builder = _begin(subject, root.subject, public, serial, valid)
    builder = builder.add_extension(_authority(root_key.public_key()), critical=False)
    return _as_leaf(builder, role).sign(root_key, _HASH, ecdsa_deterministic=True)


def read_name(certificate: x509.Certificate) -> Named:
    """Read whom a certificate names; parts that it lacks are ""."""
    subject = certificate.subject
    return Named(
        _text(subject, NameOID.ORGANIZATION_NAME),
        _text(subject, NameOID.ORGANIZATIONAL_UNIT_NAME),
        _text(subject, NameOID.COMMON_NAME),
        _text(subject, NameOID.SERIAL_NUMBER),
    )


def is_unenrolled(certificate: x509.Certificate) -> bool:
    """Whether a certificate is one that a device made for itself."""
    return certificate.issuer == certificate.subject and read_name(certificate).firm == UNENROLLED


def find_issuer(
    certificate: x509.Certificate, roots: Sequence[x509.Certificate], at: datetime
) -> x509.Certificate | Untrusted:
    """Find the root that certified a device or engineer, with everything valid at `at`."""
    fault = _fault_of(certificate)
    if fault is not None:
        return Untrusted(fault)
    if not roots:
        return Untrusted("no root certificate was given")
    if at < certificate.not_valid_before_utc:
        return Untrusted(f"certificate not valid before {day(certificate.not_valid_before_utc)}")
    if at > certificate.not_valid_after_utc:
        return Untrusted(f"certificate expired {day(certificate.not_valid_after_utc)}")
    policy = (
        verification.PolicyBuilder()
        .store(verification.Store(list(roots)))
        .time(at)
        .max_chain_depth(_DEPTH)
        .extension_policies(ca_policy=_ANY_CA, ee_policy=_ANY_LEAF)
    )
    try:
        path = policy.build_client_verifier().verify(certificate, []).chain
    except Exception:  # noqa: BLE001  whatever a strange certificate makes it raise, it is no path
        path = []
    # A leaf that was itself given as a root is a path of one, and stands under nobody.
    if len(path) != _DEPTH + 1:
        return Untrusted("certificate comes from no root that was given")
    return path[-1]


def find_revocation(
    certificate: x509.Certificate,
    lists: Sequence[x509.CertificateRevocationList],
    issuer: x509.Certificate,
) -> datetime | None:
    """Find when a certificate was revoked by its issuer, the earliest of the lists; None if not."""
    dates = [
        row.revocation_date_utc
        for found in lists
        if is_list_of(found, issuer)
        and (row := found.get_revoked_certificate_by_serial_number(certificate.serial_number))
    ]
    return min(dates, default=None)


def is_list_of(found: x509.CertificateRevocationList, issuer: x509.Certificate) -> bool:
    """Whether a list of revoked certificates is signed by the key of `issuer`."""
    key = issuer.public_key()
    return isinstance(key, ec.EllipticCurvePublicKey) and found.is_signature_valid(key)


def day(at: datetime) -> str:
    """Write a date as the auditor reads it."""
    return at.strftime("%Y-%m-%d")


def _fault_of(certificate: x509.Certificate) -> str | None:
    """Look at what the firm's profile asks of a leaf; None when nothing is amiss."""
    try:
        basic = certificate.extensions.get_extension_for_class(x509.BasicConstraints).value
        usage = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
        purposes = certificate.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    except (x509.ExtensionNotFound, ValueError):
        return "certificate lacks what one for documents must say"
    if basic.ca or not usage.digital_signature or _DOCUMENT_SIGNING not in purposes:
        return "certificate is not one for documents"
    if not _is_p256(certificate.public_key()):
        return "certificate is for another kind of key"
    return None


def _is_p256(key: object) -> bool:
    return isinstance(key, ec.EllipticCurvePublicKey) and isinstance(key.curve, ec.SECP256R1)


def _subject(named: Named) -> x509.Name:
    parts = [
        (NameOID.ORGANIZATION_NAME, named.firm),
        (NameOID.ORGANIZATIONAL_UNIT_NAME, named.role),
        (NameOID.COMMON_NAME, named.name),
        (NameOID.SERIAL_NUMBER, named.number),
    ]
    return x509.Name([x509.NameAttribute(oid, text) for oid, text in parts if text])


def _text(name: x509.Name, oid: x509.ObjectIdentifier) -> str:
    found = name.get_attributes_for_oid(oid)
    return str(found[0].value) if found else ""


def _begin(
    subject: x509.Name,
    issuer: x509.Name,
    public: ec.EllipticCurvePublicKey,
    serial: int,
    valid: tuple[datetime, datetime],
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(public)
        .serial_number(serial)
        .not_valid_before(valid[0])
        .not_valid_after(valid[1])
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
    )


def _as_leaf(builder: x509.CertificateBuilder, role: str) -> x509.CertificateBuilder:
    # Both purposes, because `openssl cms -verify` of OpenSSL 3.0 refuses documents alone (tried).
    purposes = [ExtendedKeyUsageOID.EMAIL_PROTECTION, _DOCUMENT_SIGNING]
    return (
        builder.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(commits=role == ENGINEERS), critical=True)
        .add_extension(x509.ExtendedKeyUsage(purposes), critical=False)
    )


def _authority(public: ec.EllipticCurvePublicKey) -> x509.AuthorityKeyIdentifier:
    return x509.AuthorityKeyIdentifier.from_issuer_public_key(public)


def _usage(*, certifies: bool = False, commits: bool = False) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not certifies,
        content_commitment=commits,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=certifies,
        crl_sign=certifies,
        encipher_only=False,
        decipher_only=False,
    )
