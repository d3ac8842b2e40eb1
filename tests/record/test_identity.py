"""Certificates and manifests on their own."""

from __future__ import annotations

import subprocess
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding
from record import signedjob
from record.signedjob import BEGINS, DEVICE, ENGINEER, FIRM, LOOK_ALIKE, TODAY, UNENROLLED, YEAR

from metercap.errors import OperatorError, RecordError
from metercap.record import certificate, cms, container, manifest, signing
from metercap.record.certificate import Untrusted

if TYPE_CHECKING:
    from pathlib import Path


def test_a_device_is_found_under_its_firms_root_only() -> None:
    own = DEVICE.certificate
    assert certificate.find_issuer(own, [LOOK_ALIKE.root, FIRM.root], TODAY) == FIRM.root
    for roots, at, reason in (
        ([LOOK_ALIKE.root], TODAY, "certificate comes from no root that was given"),
        ([own], TODAY, "certificate comes from no root that was given"),
        ([], TODAY, "no root certificate was given"),
        ([FIRM.root], TODAY + 3 * YEAR, "certificate expired 2028-12-31"),
        ([FIRM.root], BEGINS - YEAR, "certificate not valid before 2026-01-01"),
    ):
        assert certificate.find_issuer(own, roots, at) == Untrusted(reason)


def test_a_root_that_has_run_out_certifies_nobody() -> None:
    long = FIRM.certify(1002, valid=(BEGINS, BEGINS + 30 * YEAR)).certificate
    found = certificate.find_issuer(long, [FIRM.root], BEGINS + 25 * YEAR)
    assert found == Untrusted("certificate comes from no root that was given")


def test_a_root_or_another_kind_of_certificate_signs_no_record() -> None:
    found = certificate.find_issuer(FIRM.root, [FIRM.root], TODAY)
    assert found == Untrusted("certificate lacks what one for documents must say")
    builder = x509.CertificateBuilder(
        FIRM.root.subject,
        DEVICE.certificate.subject,
        signedjob.key(5).public_key(),
        5,
        BEGINS,
        BEGINS + YEAR,
    )
    purpose = x509.ExtendedKeyUsage([x509.oid.ExtendedKeyUsageOID.SERVER_AUTH])
    usage = ENGINEER.certificate.extensions.get_extension_for_class(x509.KeyUsage).value
    server = (
        builder.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(purpose, critical=False)
        .sign(FIRM.key, hashes.SHA256())
    )
    found = certificate.find_issuer(server, [FIRM.root], TODAY)
    assert found == Untrusted("certificate is not one for documents")


def test_a_device_that_nobody_certified_names_itself_and_its_number() -> None:
    own = UNENROLLED.certificate
    assert certificate.is_unenrolled(own)
    assert not certificate.is_unenrolled(DEVICE.certificate)
    named, certified = (certificate.read_name(found) for found in (own, DEVICE.certificate))
    assert (named.firm, certified.firm) == ("UNENROLLED", "Example Electrical")
    assert (
        named.number
        == certified.number
        == certificate.device_number(signedjob.key(1002).public_key())
    )


def test_only_a_request_for_a_key_of_our_kind_is_certified() -> None:
    other = ec.generate_private_key(ec.SECP384R1())
    request = certificate.make_request(other, "x")
    with pytest.raises(OperatorError, match="not one for a P-256 key"):
        certificate.issue(request, "devices", FIRM.root, FIRM.key, 9, (BEGINS, BEGINS + YEAR))


def test_openssl_takes_our_certificates_for_its_own(tmp_path: Path) -> None:
    (tmp_path / "root.pem").write_bytes(FIRM.root.public_bytes(Encoding.PEM))
    for sealer, words in ((DEVICE, "Digital Signature"), (ENGINEER, "Non Repudiation")):
        (tmp_path / "own.pem").write_bytes(sealer.certificate.public_bytes(Encoding.PEM))
        done = subprocess.run(
            ["openssl", "verify", "-x509_strict", "-CAfile", "root.pem", "own.pem"],
            cwd=tmp_path,
            check=True,
            capture_output=True,
            text=True,
        )
        assert done.stdout == "own.pem: OK\n"
        shown = subprocess.run(
            ["openssl", "x509", "-in", "own.pem", "-noout", "-text"],
            cwd=tmp_path,
            check=True,
            capture_output=True,
            text=True,
        )
        assert words in shown.stdout
        assert "CA:FALSE" in shown.stdout


def test_the_signing_time_is_told_even_after_2050() -> None:
    """RFC 5652 section 11.3: UTCTime until 2049, GeneralizedTime from 2050."""
    for years in (0, 30):
        at = TODAY + years * YEAR
        data = cms.sign(b"x", DEVICE.certificate, (), at + timedelta(microseconds=7), DEVICE.sign)
        assert cms.read(data, b"x").signed_at == at


def test_other_certificates_may_stand_beside_the_signers() -> None:
    others = [ENGINEER.certificate, LOOK_ALIKE.root]
    data = cms.sign(b"x", DEVICE.certificate, others, TODAY, DEVICE.sign)
    found = cms.read(data, b"x")
    assert found.certificate == DEVICE.certificate
    assert set(found.others) == set(others)


def test_a_signature_by_another_key_than_the_certificates_is_refused() -> None:
    data = cms.sign(b"x", DEVICE.certificate, (), TODAY, ENGINEER.sign)
    with pytest.raises(RecordError, match="signature: does not hold"):
        cms.read(data, b"x")


@pytest.mark.parametrize("data", [b"", b"\x30", b"\x30\x80", b"\x30\x00", b"x" * 1000])
def test_what_is_no_signature_is_refused(data: bytes) -> None:
    with pytest.raises(RecordError, match="signature: not readable"):
        cms.read(data, b"x")


def test_a_signature_of_a_megabyte_is_not_even_parsed() -> None:
    with pytest.raises(RecordError, match="1000000 bytes, expected 65536 at most"):
        cms.read(bytes(1_000_000), b"x")


def test_signing_takes_keys_of_one_kind_only() -> None:
    key = signedjob.key(3)
    assert not signing.is_signed_by(None, b"x", signing.signer(key)(b"x"))
    assert not signing.is_signed_by(key.public_key(), b"x", b"no DER")
    assert signing.load_public(b"no key") is None


def test_each_list_covers_all_that_was_sealed_before_it() -> None:
    files: dict[str, bytes] = {"mimetype": container.MIMETYPE, "b.json": b"1", "a.json": b"2"}
    kinds = (manifest.SIGNATURE, manifest.TIME_STAMP, manifest.SIGNATURE, manifest.TIME_STAMP)
    for kind in kinds:
        files = manifest.with_seal(files, manifest.next_seal(files, kind), kind.encode())
    seals = manifest.read_seals(files)
    assert [seal.name.removeprefix("META-INF/") for seal in seals] == [
        *("signature001.p7s", "timestamp001.tst", "signature002.p7s", "timestamp002.tst")
    ]
    assert [seal.manifest.count(b"<asic:DataObjectReference") for seal in seals] == [2, 4, 6, 8]
    assert all(b"mimetype" not in seal.manifest for seal in seals)


def test_seals_out_of_order_are_refused() -> None:
    files: dict[str, bytes] = {"mimetype": container.MIMETYPE, "a.json": b"2"}
    for _ in range(2):
        seal = manifest.next_seal(files, manifest.SIGNATURE)
        files = manifest.with_seal(files, seal, b"s")
    for name, reason in (
        ("META-INF/ASiCManifest001.xml", "no manifest that it belongs to"),
        ("META-INF/signature001.p7s", "missing, though a later seal"),
        ("META-INF/ASiCManifest002.xml", "signature002.p7s: no manifest"),
    ):
        left = {key: held for key, held in files.items() if key != name}
        with pytest.raises(RecordError, match=reason):
            manifest.read_seals(left)
    last = {key: held for key, held in files.items() if "signature002" not in key}
    assert manifest.read_seals(last)[1].data is None
    with pytest.raises(RecordError, match="expected before anything is added"):
        manifest.next_seal(last, manifest.TIME_STAMP)


def test_a_record_takes_no_more_than_99_seals() -> None:
    files: dict[str, bytes] = {"mimetype": container.MIMETYPE}
    for _ in range(99):
        files = manifest.with_seal(files, manifest.next_seal(files, manifest.SIGNATURE), b"s")
    with pytest.raises(RecordError, match="99 seals, expected no more"):
        manifest.next_seal(files, manifest.SIGNATURE)
