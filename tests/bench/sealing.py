"""How long sealing and verifying a signed record takes, and what a reading costs in bytes.

The yardstick is SHA-256 once over the same bytes and one P-256 signature (sealing) or its check
(verifying), by the same libraries: what no sealed record can do without.
"""

from __future__ import annotations

import hashlib
import timeit
from datetime import UTC, datetime

from cryptography.hazmat.primitives.asymmetric import ec
from verify import make_rows

from metercap.journal import merkle
from metercap.record import certificate, cms, container, seal, signing
from metercap.record.trust import Trust
from metercap.record.verify import verify

READINGS = (50, 500, 2000)
ROUNDS = 5


VALID = datetime(2026, 1, 1, tzinfo=UTC), datetime(2029, 1, 1, tzinfo=UTC)


def _people() -> tuple[seal.Sealer, Trust]:
    """A recorder and whoever trusts its firm."""
    root_key, key = (ec.derive_private_key(number, ec.SECP256R1()) for number in (1, 2))
    root = certificate.make_root(root_key, "Bench", 1, VALID)
    request = certificate.make_request(key, "bench")
    own = certificate.issue(request, certificate.DEVICES, root, root_key, 2, VALID)
    return seal.Sealer(own, signing.signer(key)), Trust(VALID[0].replace(month=6), (root,))


def _best(action: object) -> float:
    return min(timeit.repeat(action, number=1, repeat=ROUNDS))  # type: ignore[call-overload]


def rows() -> list[tuple[str, str]]:
    """Labels and measured texts."""
    out = []
    sealer, trust = _people()
    for readings in READINGS:
        written = make_rows(readings)

        def make(written: list[object] = written) -> bytes:
            return seal.seal(written, 1, "bench", merkle.EMPTY, sealer)

        data = make()
        report = verify(data, "bench", trusted=trust)
        if report.exit != 1:
            raise AssertionError(f"the benchmark's record is {report.status}: {report.reasons}")
        files = container.unpack(data)
        content = files["META-INF/ASiCManifest001.xml"]
        signature = files["META-INF/signature001.p7s"]

        def least_seal(data: bytes = data) -> None:
            sealer.sign(hashlib.sha256(data).digest())

        def least_check(
            data: bytes = data, signature: bytes = signature, content: bytes = content
        ) -> None:
            hashlib.sha256(data).digest()
            cms.read(signature, content)

        times = [
            ("seal", _best(make), _best(least_seal)),
            (
                "verify",
                _best(lambda data=data: verify(data, "x", trusted=trust)),
                _best(least_check),
            ),
        ]
        for what, ours, least in times:
            out.append(
                (
                    f"{what}, {readings} readings",
                    f"{ours * 1000:.1f} ms ({ours / least:.0f} x one hash and one signature)",
                )
            )
        out.append((f"record, {readings} readings", f"{len(data) / readings:.0f} bytes each"))
    return out


if __name__ == "__main__":
    for label, measured in rows():
        print(f"{label:44} {measured}")
