"""Signatures and signed notes against the published examples of their standards."""

from __future__ import annotations

import base64
import hashlib

from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature

from metercap.journal import merkle, note
from metercap.record import signing

# RFC 6979 appendix A.2.5, curve NIST P-256: the private key, and r and s with SHA-256.
X = 0xC9AFA9D845BA75166B5C215767B1D6934E50C3DB36E89B127B8A622B120F6721
VECTORS = {
    b"sample": (
        0xEFD48B2AACB6A8FD1140DD9CD45E81D69D2C877B56AAF991C34D0EA84EAF3716,
        0xF7CB1C942D657C41D436C7A1B6E29F65F3E900DBB9AFF4064DC4AB2F843ACDA8,
    ),
    b"test": (
        0xF1ABB023518351CD71D881567B1EA663ED3EFCF6C5132B354F28D3B0B7D38367,
        0x019F4113742A2B14BD25926B49C649155F267E60D3814B4C0CC84250E46F0083,
    ),
}

# The format's example in the documentation of the Go package golang.org/x/mod/sumdb/note, which
# C2SP signed-note describes: an Ed25519 key (type 1) and a note that it signed. Recalled from
# memory; that the signature holds shows that it is right.
VKEY = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
NOTE = (
    "If you think cryptography is the answer to your problem,\n"
    "then you don't know what your problem is.\n"
    "\n"
    "\u2014 PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXg"
    "KvqfqdngotpRZb6KE6RyyBwJnAM=\n"
)


def test_the_deterministic_signatures_of_rfc_6979() -> None:
    key = ec.derive_private_key(X, ec.SECP256R1())
    sign = signing.signer(key)
    for message, numbers in VECTORS.items():
        assert decode_dss_signature(sign(message)) == numbers
        assert signing.is_signed_by(key.public_key(), message, sign(message))
        assert not signing.is_signed_by(key.public_key(), message + b".", sign(message))


def test_a_checkpoint_is_spelled_as_tlog_checkpoint_says() -> None:
    """C2SP tlog-checkpoint.md: origin, size in decimal, root in base64, one a line."""
    empty = note.checkpoint_text("example.com/behind-the-sofa", merkle.EMPTY)
    root = base64.b64encode(hashlib.sha256(b"").digest()).decode()
    assert empty == f"example.com/behind-the-sofa\n0\n{root}\n"


def test_the_example_of_a_signed_note() -> None:
    name, key_id, data = VKEY.split("+", 2)
    raw = base64.b64decode(data)
    assert hashlib.sha256(f"{name}\n".encode() + raw).hexdigest()[:8] == key_id
    found = note.parse_note(NOTE)
    (signature,) = found.signatures
    assert (signature.name, signature.key_id.hex()) == (name, key_id)
    Ed25519PublicKey.from_public_bytes(raw[1:]).verify(signature.signature, found.text.encode())
    assert note.write_note(found) == NOTE
