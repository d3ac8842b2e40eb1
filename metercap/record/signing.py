"""Messages to ECDSA P-256 signatures and back to yes or no: the one kind of key that is used.

It keeps no key and knows nobody; what a signature means is decided elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable

from cryptography import x509
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    PublicFormat,
    load_der_public_key,
)

Sign = Callable[[bytes], bytes]
"""Signs a message with ECDSA P-256 and SHA-256; gives the DER signature."""


def signer(key: ec.EllipticCurvePrivateKey) -> Sign:
    """Sign with `key`, the same message always to the same bytes (RFC 6979)."""
    algorithm = ec.ECDSA(hashes.SHA256(), deterministic_signing=True)
    return lambda message: key.sign(message, algorithm)


def is_signed_by(key: object, message: bytes, signature: bytes) -> bool:
    """Whether `key` is a public key on P-256 and made `signature` over `message`."""
    if not isinstance(key, ec.EllipticCurvePublicKey) or not isinstance(key.curve, ec.SECP256R1):
        return False
    try:
        key.verify(signature, message, ec.ECDSA(hashes.SHA256()))
    except InvalidSignature:
        return False
    return True


def public_bytes(key: ec.EllipticCurvePublicKey) -> bytes:
    """Write a public key as SubjectPublicKeyInfo in DER; its hash is the identity of a device."""
    return key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)


def certified_bytes(certificate: x509.Certificate) -> bytes:
    """Write the public key of a certificate as `public_bytes` does."""
    return certificate.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)


def load_public(public: bytes) -> object:
    """Read a key that `public_bytes` or `certified_bytes` wrote; None for anything else."""
    try:
        return load_der_public_key(public)
    except (ValueError, UnsupportedAlgorithm):
        return None
