"""A record's seals to whom they name and whether the auditor's roots stand behind them.

Whom to trust is handed in by the auditor, never taken from a record. What the sealed members say is
not looked at here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives import hashes

from metercap.errors import RecordError
from metercap.record import certificate, cms, manifest, stamp
from metercap.record.certificate import Untrusted


class Trust(NamedTuple):
    """What the auditor holds: `at` is now, or the day for which the question is asked.

    `roots` are those of the firm and `tsa_roots` those of time-stamp authorities; neither may stand
    for the other. `approved` are the SHA-256, in hex, of the procedures and drivers that the firm
    has approved; None when the auditor has no such list.
    """

    at: datetime
    roots: tuple[x509.Certificate, ...] = ()
    tsa_roots: tuple[x509.Certificate, ...] = ()
    revoked: tuple[x509.CertificateRevocationList, ...] = ()
    approved: frozenset[str] | None = None


class Sealed(NamedTuple):
    """One seal of a record that fits its manifest; exactly one of the two is there."""

    name: str
    signature: cms.Signature | None
    token: stamp.Token | None


class Standing(NamedTuple):
    """How a signature stands: why nobody is behind it, or None, and what is to be told besides."""

    untrusted: str | None
    reservations: list[str]


def read_sealed(files: Mapping[str, bytes]) -> list[Sealed]:
    """Read all seals, in the order in which they were added, each checked against its manifest.

    A record whose first signature is missing has none. Raises RecordError, naming the member.
    """
    found = []
    for place, seal in enumerate(manifest.read_seals(files)):
        if seal.data is None:
            if place:
                raise RecordError(f"{seal.name}: missing")
            break
        if not place and seal.kind != manifest.SIGNATURE:
            raise RecordError(f"{seal.name}: stands first, expected the recorder's signature")
        found.append(_read(seal, seal.data))
    return found


def check_stamps(
    files: Mapping[str, bytes], seals: Sequence[Sealed], roots: Sequence[x509.Certificate]
) -> list[datetime | None]:
    """For each seal, the time before which an authority saw it; None where none did.

    That is the earliest of the tokens added after it. Raises RecordError for a token that does not
    hold under the roots.
    """
    earliest: datetime | None = None
    times: list[datetime | None] = []
    for sealed, seal in zip(reversed(seals), reversed(manifest.read_seals(files)), strict=False):
        times.append(earliest)
        if sealed.token is not None and seal.data is not None:
            try:
                at = stamp.check_token(seal.data, seal.manifest, roots)
            except RecordError as error:
                raise RecordError(f"{seal.name}: {error}") from error
            earliest = at if earliest is None else min(at, earliest)
    return times[::-1]


def judge(
    signature: cms.Signature, stamped: datetime | None, trust: Trust, role: str | None
) -> Standing:
    """Judge who stands behind a signature that an authority saw at `stamped`, or that nobody saw.

    `role` is what its certificate must be for; None takes any.
    """
    own = signature.certificate
    at = stamped or trust.at
    if certificate.is_unenrolled(own):
        return Standing("self-signed by a recorder that no firm has enrolled", [])
    issuer = certificate.find_issuer(own, trust.roots, at)
    if isinstance(issuer, Untrusted):
        unproved = ", and no time-stamp shows that the signature is older"
        is_late = stamped is None and issuer.reason.startswith("certificate expired")
        return Standing(issuer.reason + (unproved if is_late else ""), [])
    found = certificate.read_name(own).role
    if role is not None and found != role:
        return Standing(f"certificate is one of {found!a}, expected {role}", [])
    reservations = []
    revoked = certificate.find_revocation(own, trust.revoked, issuer)
    if revoked is not None:
        told = f"certificate revoked {certificate.day(revoked)}"
        if stamped is None or stamped >= revoked:
            return Standing(f"{told}, and no time-stamp shows that the signature is older", [])
        reservations.append(f"{told}; the time-stamp proves that the signature is older")
    for found_list in trust.revoked:
        ends = found_list.next_update_utc
        if certificate.is_list_of(found_list, issuer) and ends is not None and trust.at > ends:
            reservations.append(
                f"the list of revoked certificates ran out {certificate.day(ends)}: a newer one is "
                "due"
            )
    if trust.at > own.not_valid_after_utc:
        reservations.append(
            f"certificate expired {certificate.day(own.not_valid_after_utc)}; the time-stamp "
            "proves that the signature is older"
        )
    return Standing(None, reservations)


def signer_facts(signature: cms.Signature) -> dict[str, object]:
    """Give who signed as plain values: the claimed time is the signer's own."""
    named = certificate.read_name(signature.certificate)
    return {
        "firm": named.firm,
        "role": named.role,
        "name": named.name,
        "number": named.number,
        "sha256": signature.certificate.fingerprint(hashes.SHA256()).hex(),
        "claimed": signature.signed_at.isoformat(),
    }


def _read(seal: manifest.Seal, data: bytes) -> Sealed:
    try:
        if seal.kind == manifest.SIGNATURE:
            return Sealed(seal.name, cms.read(data, seal.manifest), None)
        token = stamp.read_token(data)
        stamp.check_digest(token, seal.manifest)
        return Sealed(seal.name, None, token)
    except RecordError as error:
        raise RecordError(f"{seal.name}: {error}") from error
