"""The firm's list of the definitions it has approved: hashes to text and back.

A line is the SHA-256 of a procedure or a driver as records hold it, then its name for the reader.
The list may be a note signed with the firm's root key (C2SP signed-note); then it must hold.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from cryptography import x509

from metercap.errors import JournalError, OperatorError
from metercap.journal import note
from metercap.record import signing
from metercap.record.signing import Sign

NAME = "approved-definitions"
_LINE = re.compile(r"([0-9a-f]{64})(?: .*)?")
_SIGNED = "\n\n\u2014 "


def write_approved(
    definitions: Iterable[tuple[str, str]], root: x509.Certificate, sign: Sign
) -> str:
    """Write pairs of SHA-256 and name as a list signed with the key of `root`."""
    text = "".join(f"{digest}  {name}\n" for digest, name in definitions)
    return note.sign_note(text, NAME, signing.certified_bytes(root), sign)


def parse_approved(text: str, roots: Sequence[x509.Certificate], place: str) -> frozenset[str]:
    """Read a list, signed by one of the roots or not at all; empty lines and # lines are left out.

    Raises OperatorError for a signature that does not hold and for a line that is no hash.
    """
    if _SIGNED in text:
        text = _check(text, roots, place)
    digests = set()
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.startswith("#"):
            continue
        match = _LINE.fullmatch(line)
        if match is None:
            raise OperatorError(f"{place}: line {number}: found {line[:40]!a}, expected a SHA-256")
        digests.add(match[1])
    return frozenset(digests)


def _check(text: str, roots: Sequence[x509.Certificate], place: str) -> str:
    try:
        found = note.parse_note(text)
    except JournalError as error:
        raise OperatorError(f"{place}: {error}") from error
    for root in roots:
        signature = note.find_signature(found, NAME, signing.certified_bytes(root))
        if signature is not None and signing.is_signed_by(
            root.public_key(), found.text.encode("utf-8"), signature
        ):
            return found.text
    raise OperatorError(f"{place}: not signed by a root that was given")
