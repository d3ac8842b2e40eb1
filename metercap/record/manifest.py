"""A record's members to the lists of digests that are signed or time-stamped, and their order.

The lists are ASiC manifests (ETSI EN 319 162-1, annex A.4), spelled in one way only: a list that
stands in a record is written again and compared, so nothing here reads XML. The first list stands
for all plain members; each later one for those and for everything that was sealed before it, so
that an approval or a time-stamp can be added without touching what is there.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from typing import NamedTuple

from metercap.errors import RecordError
from metercap.record import container

SIGNATURE = "signature"
TIME_STAMP = "timestamp"

_MOST = 99  # additions in one record; a few are expected
_TYPES = {
    SIGNATURE: ("p7s", "application/x-pkcs7-signature"),
    TIME_STAMP: ("tst", "application/vnd.etsi.timestamp-token"),
}
_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<asic:ASiCManifest xmlns:asic="http://uri.etsi.org/02918/v1.2.1#" '
    'xmlns:ds="http://www.w3.org/2000/09/xmldsig#">\n'
)
_REFERENCE = (
    '<asic:DataObjectReference URI="{name}">'
    '<ds:DigestMethod Algorithm="http://www.w3.org/2001/04/xmlenc#sha256"/>'
    "<ds:DigestValue>{digest}</ds:DigestValue></asic:DataObjectReference>\n"
)


class Seal(NamedTuple):
    """A manifest and what seals it; `kind` is SIGNATURE or TIME_STAMP, `data` None if absent."""

    kind: str
    name: str
    data: bytes | None
    manifest_name: str
    manifest: bytes


def next_seal(files: Mapping[str, bytes], kind: str) -> Seal:
    """Prepare the next addition to a record: its manifest stands, its `data` is yet to be made.

    Raises RecordError for a record whose seals are not in order.
    """
    digests = _digests(files)
    seals = _read_seals(files, digests)
    if len(seals) == _MOST:
        raise RecordError(f"record: {_MOST} seals, expected no more")
    if seals and seals[-1].data is None:
        raise RecordError(f"{seals[-1].name}: missing, expected before anything is added")
    return _build(files, digests, seals, kind)


def with_seal(files: Mapping[str, bytes], seal: Seal, data: bytes) -> dict[str, bytes]:
    """Put a seal and its manifest to the members."""
    return {**files, seal.manifest_name: seal.manifest, seal.name: data}


def read_seals(files: Mapping[str, bytes]) -> list[Seal]:
    """Read all seals of a record in the order in which they were added, manifests compared.

    Raises RecordError, naming the member, when a manifest is not the one that the members give,
    and when one of several seals is missing; only the last may be.
    """
    return _read_seals(files, _digests(files))


def _read_seals(files: Mapping[str, bytes], digests: Mapping[str, str]) -> list[Seal]:
    seals: list[Seal] = []
    left = {name for name in files if container.is_seal_name(name)}
    while len(seals) < _MOST and _manifest_name(len(seals) + 1) in files:
        if seals and seals[-1].data is None:
            raise RecordError(f"{seals[-1].name}: missing, though a later seal stands on it")
        built = [_build(files, digests, seals, kind) for kind in (SIGNATURE, TIME_STAMP)]
        found = files[built[0].manifest_name]
        seal = next((seal for seal in built if seal.manifest == found), None)
        if seal is None:
            raise RecordError(f"{built[0].manifest_name}: {_difference(found, built)}")
        seals.append(seal)
        left -= {seal.name, seal.manifest_name}
    if left:
        raise RecordError(f"{min(left)}: no manifest that it belongs to")
    return seals


def _build(
    files: Mapping[str, bytes], digests: Mapping[str, str], seals: list[Seal], kind: str
) -> Seal:
    extension, media_type = _TYPES[kind]
    number = 1 + sum(seal.kind == kind for seal in seals)
    name = f"META-INF/{kind}{number:03}.{extension}"
    plain = [part for part in digests if not container.is_seal_name(part)]
    before = [part for seal in seals for part in (seal.manifest_name, seal.name)]
    lines = [
        _REFERENCE.format(name=part, digest=digests[part])
        for part in (*container.in_order(plain), *before)
        if part in digests
    ]
    text = "".join(
        (
            _HEAD,
            f'<asic:SigReference URI="{name}" MimeType="{media_type}"/>\n',
            *lines,
            "</asic:ASiCManifest>\n",
        )
    )
    return Seal(kind, name, files.get(name), _manifest_name(len(seals) + 1), text.encode("ascii"))


def _manifest_name(number: int) -> str:
    return f"META-INF/ASiCManifest{number:03}.xml"


def _digests(files: Mapping[str, bytes]) -> dict[str, str]:
    return {
        name: base64.b64encode(hashlib.sha256(data).digest()).decode("ascii")
        for name, data in files.items()
        if name != "mimetype"
    }


def _difference(found: bytes, built: list[Seal]) -> str:
    """Name the first member whose line is not the one found."""
    lines = set(found.splitlines())
    for line in built[0].manifest.splitlines():
        if line.startswith(b"<asic:DataObjectReference") and line not in lines:
            name = line.split(b'"')[1].decode("ascii")
            return f"{name} differs from its digest, or has none"
    return "lists something else than the members"
