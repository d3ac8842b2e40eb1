"""Bytes to a detached CAdES signature and back, in one fixed profile; it trusts no certificate.

The profile is CAdES B-B (ETSI EN 319 122-1) over CMS (RFC 5652): one signer, ECDSA P-256 with
SHA-256 (RFC 5758), the signed attributes content type, message digest, signing time and signing
certificate v2 (RFC 5035), nothing unsigned. A signature is read only if writing it again gives
the same bytes, so no bit of it is without effect.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, NamedTuple

from cryptography import x509
from cryptography.hazmat import asn1
from cryptography.hazmat.primitives.serialization import Encoding

from metercap.errors import RecordError
from metercap.record import certificate, signing
from metercap.record.signing import Sign

Oid = x509.ObjectIdentifier

_DATA = Oid("1.2.840.113549.1.7.1")
_SIGNED_DATA = Oid("1.2.840.113549.1.7.2")
_CONTENT_TYPE = Oid("1.2.840.113549.1.9.3")
_MESSAGE_DIGEST = Oid("1.2.840.113549.1.9.4")
_SIGNING_TIME = Oid("1.2.840.113549.1.9.5")
_SIGNING_CERTIFICATE_V2 = Oid("1.2.840.113549.1.9.16.2.47")
_SHA256 = Oid("2.16.840.1.101.3.4.2.1")
_ECDSA_SHA256 = Oid("1.2.840.10045.4.3.2")

_SIGNATURE_BYTES = 64 * 1024  # one signature with its certificate needs 1 kB
_LONG_YEAR = 2050
_UTC_TIME_TAG = 0x17


@asn1.sequence
class _Algorithm:
    algorithm: Oid


@asn1.sequence
class _Attribute:
    kind: Oid
    values: asn1.SetOf[asn1.TLV]


@asn1.sequence
class _IssuerAndSerial:
    issuer: asn1.TLV
    serial: int


@asn1.sequence
class _SignerInfo:
    version: int
    signer: _IssuerAndSerial
    digest_algorithm: _Algorithm
    signed: Annotated[asn1.SetOf[_Attribute], asn1.Implicit(0)]
    signature_algorithm: _Algorithm
    signature: bytes


@asn1.sequence
class _Content:
    kind: Oid


@asn1.sequence
class _SignedData:
    version: int
    digest_algorithms: asn1.SetOf[_Algorithm]
    content: _Content
    certificates: Annotated[asn1.SetOf[asn1.TLV], asn1.Implicit(0)]
    signers: asn1.SetOf[_SignerInfo]


@asn1.sequence
class _ContentInfo:
    kind: Oid
    content: Annotated[_SignedData, asn1.Explicit(0)]


@asn1.sequence
class _CertificateHash:
    sha256: bytes


@asn1.sequence
class _SigningCertificate:
    certificates: list[_CertificateHash]


class Signature(NamedTuple):
    """A signature that holds: who made it, with which certificates beside, and when they say."""

    certificate: x509.Certificate
    others: tuple[x509.Certificate, ...]
    signed_at: datetime


@asn1.sequence
class _SignedAttributes:
    """A way to the bytes that are signed: the attributes as a SET, not under their own tag."""

    values: asn1.SetOf[_Attribute]


def _signed_bytes(attributes: Sequence[_Attribute]) -> bytes:
    whole = asn1.encode_der(_SignedAttributes(values=asn1.SetOf(list(attributes))))
    return bytes(asn1.decode_der(asn1.TLV, whole).data)


def sign(
    content: bytes,
    own: x509.Certificate,
    others: Sequence[x509.Certificate],
    at: datetime,
    signer: Sign,
) -> bytes:
    """Sign `content`, which stays outside; `at` is cut to whole seconds, UTC.

    `others` are certificates put beside the signer's, never the root. The same bytes every time if
    `signer` gives the same.
    """
    attributes = _attributes(content, own.public_bytes(Encoding.DER), at)
    signature = signer(_signed_bytes(attributes))
    return _write(own, others, attributes, signature)


def read(data: bytes, content: bytes) -> Signature:
    """Read a signature over `content` and check everything but who may be trusted.

    Raises RecordError unless it is of the one profile, over this content, by the certificate inside
    that it names, and spelled as `sign` would spell it.
    """
    if len(data) > _SIGNATURE_BYTES:
        raise RecordError(f"signature: {len(data)} bytes, expected {_SIGNATURE_BYTES} at most")
    try:
        found = asn1.decode_der(_ContentInfo, data).content
        (info,) = found.signers.as_list()
        certificates = [
            certificate.load(asn1.encode_der(tlv)) for tlv in found.certificates.as_list()
        ]
        own = _find_certificate(certificates, info)
        at = _signing_time(info)
        attributes = _attributes(content, own.public_bytes(Encoding.DER), at)
        others = [other for other in certificates if other != own]
        again = _write(own, others, attributes, info.signature)
        key = own.public_key()
    except RecordError:
        raise
    except Exception as error:
        # Whatever strange bytes make the readers below raise, the answer is that this is not it.
        raise RecordError(f"signature: not readable ({type(error).__name__})") from error
    said = _values(info)
    if said.get(_MESSAGE_DIGEST) != asn1.encode_der(hashlib.sha256(content).digest()):
        raise RecordError("signature: made over other bytes")
    if again != data:
        raise RecordError("signature: not of the one profile, byte for byte")
    if not signing.is_signed_by(key, _signed_bytes(attributes), info.signature):
        raise RecordError("signature: does not hold")
    return Signature(own, tuple(others), at)


def _attribute(kind: Oid, value: object) -> _Attribute:
    tlv = asn1.decode_der(asn1.TLV, asn1.encode_der(value))
    return _Attribute(kind=kind, values=asn1.SetOf([tlv]))


def _attributes(content: bytes, own: bytes, at: datetime) -> list[_Attribute]:
    hashed = _CertificateHash(sha256=hashlib.sha256(own).digest())
    when = at.astimezone(UTC).replace(microsecond=0)
    return [
        _attribute(_CONTENT_TYPE, _DATA),
        _attribute(_MESSAGE_DIGEST, hashlib.sha256(content).digest()),
        # RFC 5652 section 11.3: years from 2050 are written in the longer form.
        _attribute(
            _SIGNING_TIME,
            asn1.UTCTime(when) if when.year < _LONG_YEAR else asn1.GeneralizedTime(when),
        ),
        _attribute(_SIGNING_CERTIFICATE_V2, _SigningCertificate(certificates=[hashed])),
    ]


def _write(
    own: x509.Certificate,
    others: Sequence[x509.Certificate],
    attributes: Sequence[_Attribute],
    signature: bytes,
) -> bytes:
    info = _SignerInfo(
        version=1,
        signer=_IssuerAndSerial(
            issuer=asn1.decode_der(asn1.TLV, own.issuer.public_bytes()),
            serial=own.serial_number,
        ),
        digest_algorithm=_Algorithm(algorithm=_SHA256),
        signed=asn1.SetOf(list(attributes)),
        signature_algorithm=_Algorithm(algorithm=_ECDSA_SHA256),
        signature=signature,
    )
    ders = [found.public_bytes(Encoding.DER) for found in (own, *others)]
    data = _SignedData(
        version=1,
        digest_algorithms=asn1.SetOf([_Algorithm(algorithm=_SHA256)]),
        content=_Content(kind=_DATA),
        certificates=asn1.SetOf([asn1.decode_der(asn1.TLV, der) for der in ders]),
        signers=asn1.SetOf([info]),
    )
    return asn1.encode_der(_ContentInfo(kind=_SIGNED_DATA, content=data))


def _values(info: _SignerInfo) -> dict[Oid, bytes]:
    """Give the first value of each attribute; a second or a doubled one fails at the re-writing."""
    return {
        attribute.kind: asn1.encode_der(attribute.values.as_list()[0])
        for attribute in info.signed.as_list()
    }


def _find_certificate(
    certificates: Sequence[x509.Certificate], info: _SignerInfo
) -> x509.Certificate:
    named = asn1.decode_der(_SigningCertificate, _values(info)[_SIGNING_CERTIFICATE_V2])
    digest = named.certificates[0].sha256
    for found in certificates:
        if hashlib.sha256(found.public_bytes(Encoding.DER)).digest() == digest:
            return found
    raise RecordError("signature: the certificate that it names is not inside")


def _signing_time(info: _SignerInfo) -> datetime:
    value = _values(info)[_SIGNING_TIME]
    if value[0] == _UTC_TIME_TAG:
        return asn1.decode_der(asn1.UTCTime, value).as_datetime()
    return asn1.decode_der(asn1.GeneralizedTime, value).as_datetime()
