"""A signature of ours by an independent validator.

Source: pyHanko 0.38, a library for PDF and CMS signatures that shares no code with ours
(its own ASN.1 classes, its own path validation).
"""

from __future__ import annotations

import asyncio
import hashlib

import pytest
from asn1crypto import cms as asn1_cms
from asn1crypto import x509 as asn1_x509
from cryptography.hazmat.primitives.serialization import Encoding
from pyhanko.sign.validation import async_validate_detached_cms
from pyhanko.sign.validation.settings import KeyUsageConstraints
from pyhanko_certvalidator import ValidationContext
from record import signedjob

from metercap.record import container, seal

# By default it asks every signer for non-repudiation, which a person can promise, a device not.
SIGNS = KeyUsageConstraints(key_usage={"digital_signature"})


def validate(signature: bytes, content: bytes, root: bytes) -> object:
    signed = asn1_cms.ContentInfo.load(signature, strict=True)["content"]
    context = ValidationContext(
        trust_roots=[asn1_x509.Certificate.load(root)],
        moment=signedjob.TODAY,
        allow_fetching=False,
    )
    return asyncio.run(
        async_validate_detached_cms(
            content, signed, signer_validation_context=context, key_usage_settings=SIGNS
        )
    )


@pytest.fixture
def files() -> dict[str, bytes]:
    data = seal.approve(signedjob.sealed(), signedjob.ENGINEER, signedjob.TODAY)
    return container.unpack(data)


@pytest.mark.parametrize("number", ["001", "002"])
def test_an_independent_validator_trusts_the_signature(
    files: dict[str, bytes], number: str
) -> None:
    root = signedjob.FIRM.root.public_bytes(Encoding.DER)
    signature = files[f"META-INF/signature{number}.p7s"]
    content = files[f"META-INF/ASiCManifest{number}.xml"]
    status = validate(signature, content, root)
    assert (status.intact, status.valid, status.trusted) == (True, True, True)
    assert status.signing_cert.subject.native["organization_name"] == "Example Electrical"
    changed = validate(signature, content + b" ", root)
    assert not changed.intact
    other = validate(signature, content, signedjob.LOOK_ALIKE.root.public_bytes(Encoding.DER))
    assert (other.intact, other.trusted) == (True, False)


def test_the_attributes_are_those_of_cades_b_b(files: dict[str, bytes]) -> None:
    """ETSI EN 319 122-1 V1.2.1 clause 6.3: what a signature of level B-B must carry."""
    signed = asn1_cms.ContentInfo.load(files["META-INF/signature001.p7s"])["content"]
    (signer,) = signed["signer_infos"]
    attributes = {found["type"].native: found["values"].native for found in signer["signed_attrs"]}
    assert set(attributes) == {
        *("content_type", "message_digest", "signing_time", "signing_certificate_v2")
    }
    assert attributes["content_type"] == ["data"]
    digest = hashlib.sha256(files["META-INF/ASiCManifest001.xml"]).digest()
    assert attributes["message_digest"] == [digest]
    (certificate,) = signed["certificates"]
    named = attributes["signing_certificate_v2"][0]["certs"][0]["cert_hash"]
    assert named == hashlib.sha256(certificate.dump()).digest()
    assert signer["signature_algorithm"]["algorithm"].native == "sha256_ecdsa"
    assert signed["encap_content_info"]["content"].native is None  # detached
