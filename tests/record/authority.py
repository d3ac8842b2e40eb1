"""Time-stamp authorities for tests: one whose clock the test sets, and OpenSSL's behind HTTP.

The first is written from RFC 3161 section 2.4.2 and RFC 5652 with its own DER writer, so that it
shares no code with what reads it.
"""

from __future__ import annotations

import contextlib
import subprocess
import threading
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import TYPE_CHECKING, NamedTuple

from cryptography import x509
from cryptography.hazmat import asn1
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

BEGINS = datetime(2020, 1, 1, tzinfo=UTC)
ENDS = BEGINS + timedelta(days=36500)


def oid(text: str) -> bytes:
    return asn1.encode_der(x509.ObjectIdentifier(text))


def der(tag: int, *parts: bytes) -> bytes:
    body = b"".join(parts)
    size = len(body)
    long = size.to_bytes((size.bit_length() + 7) // 8)
    return bytes([tag]) + (bytes([size]) if size < 128 else bytes([128 + len(long)]) + long) + body


def attribute(kind: str, value: bytes) -> bytes:
    return der(0x30, oid(kind), der(0x31, value))


class Authority(NamedTuple):
    key: ec.EllipticCurvePrivateKey
    certificate: x509.Certificate
    root: x509.Certificate

    @classmethod
    def named(cls, name: str, number: int) -> Authority:
        root_key = ec.derive_private_key(number, ec.SECP256R1())
        key = ec.derive_private_key(number + 1, ec.SECP256R1())
        above = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"{name} root")])
        own = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        root = (
            _begin(above, above, root_key, number)
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .sign(root_key, hashes.SHA256(), ecdsa_deterministic=True)
        )
        purpose = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.TIME_STAMPING])
        certificate = (
            _begin(own, above, key, number + 1)
            .add_extension(purpose, critical=True)
            .sign(root_key, hashes.SHA256(), ecdsa_deterministic=True)
        )
        return cls(key, certificate, root)

    def token(self, data: bytes, at: datetime, nonce: int | None = None) -> bytes:
        sha = der(0x30, oid("2.16.840.1.101.3.4.2.1"))
        info = der(
            0x30,
            asn1.encode_der(1),
            oid("1.2.3.4.1"),
            der(0x30, sha, der(0x04, sha256(data).digest())),
            asn1.encode_der(7),
            der(0x18, at.strftime("%Y%m%d%H%M%SZ").encode("ascii")),
            b"" if nonce is None else asn1.encode_der(nonce),
        )
        own = self.certificate.public_bytes(Encoding.DER)
        attributes = sorted(
            [
                attribute("1.2.840.113549.1.9.3", oid("1.2.840.113549.1.9.16.1.4")),
                attribute("1.2.840.113549.1.9.4", der(0x04, sha256(info).digest())),
                attribute(
                    "1.2.840.113549.1.9.16.2.47",
                    der(0x30, der(0x30, der(0x30, der(0x04, sha256(own).digest())))),
                ),
            ]
        )
        signature = self.key.sign(
            der(0x31, *attributes), ec.ECDSA(hashes.SHA256(), deterministic_signing=True)
        )
        signer = der(
            0x30,
            asn1.encode_der(1),
            der(
                0x30,
                self.certificate.issuer.public_bytes(),
                asn1.encode_der(self.certificate.serial_number),
            ),
            sha,
            der(0xA0, *attributes),
            der(0x30, oid("1.2.840.10045.4.3.2")),
            der(0x04, signature),
        )
        signed = der(
            0x30,
            asn1.encode_der(3),
            der(0x31, sha),
            der(0x30, oid("1.2.840.113549.1.9.16.1.4"), der(0xA0, der(0x04, info))),
            der(0xA0, own),
            der(0x31, signer),
        )
        return der(0x30, oid("1.2.840.113549.1.7.2"), der(0xA0, signed))


def _begin(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePrivateKey, serial: int
) -> x509.CertificateBuilder:
    return x509.CertificateBuilder(issuer, subject, key.public_key(), serial, BEGINS, ENDS)


CLOCK = Authority.named("Example Clock", 2001)
OTHER_CLOCK = Authority.named("Other Clock", 2003)

_CONFIG = """\
[tsa]
default_tsa = one
[one]
serial = {folder}/serial
signer_cert = {folder}/signer.pem
signer_key = {folder}/signer-key.pem
certs = {folder}/root.pem
default_policy = 1.2.3.4.1
digests = sha256
signer_digest = sha256
ess_cert_id_alg = sha256
"""


class OpensslAuthority:
    """`openssl ts -reply`, which also puts its root into the token; `asked` counts questions."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.root = folder / "root.pem"
        self.asked = 0
        self.answers: bytes | None = None
        (folder / "tsa.cnf").write_text(_CONFIG.format(folder=folder))
        (folder / "serial").write_text("01\n")
        self.root.write_bytes(CLOCK.root.public_bytes(Encoding.PEM))
        (folder / "signer.pem").write_bytes(CLOCK.certificate.public_bytes(Encoding.PEM))
        pem = CLOCK.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
        (folder / "signer-key.pem").write_bytes(pem)

    def reply(self, query: bytes) -> bytes:
        self.asked += 1
        if self.answers is not None:
            return self.answers
        (self.folder / "query").write_bytes(query)
        subprocess.run(
            ["openssl", "ts", "-reply", "-config", "tsa.cnf", "-queryfile", "query", "-out", "out"],
            cwd=self.folder,
            check=True,
            capture_output=True,
        )
        return (self.folder / "out").read_bytes()

    @contextlib.contextmanager
    def serving(self) -> Iterator[str]:
        """Answer over HTTP on loopback; gives the address."""
        authority = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                query = self.rfile.read(int(self.headers["Content-Length"]))
                is_query = self.headers["Content-Type"] == "application/timestamp-query"
                data = authority.reply(query) if is_query else b""
                self.send_response(200 if is_query else 400)
                self.send_header("Content-Type", "application/timestamp-reply")
                self.send_header("Content-Length", str(len(data)))
                self.end_headers()
                self.wfile.write(data)

            def log_message(self, *_: object) -> None:
                pass

        server = HTTPServer(("127.0.0.1", 0), Handler)
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_port}/"
        finally:
            server.shutdown()
            thread.join()
            server.server_close()
