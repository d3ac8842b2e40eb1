"""The size and root of a log to the signed text that fixes them, and back.

The text is a checkpoint (C2SP tlog-checkpoint) in a signed note (C2SP signed-note): three lines,
an empty one, then a line for each signature. Keys stay outside: whoever signs or checks a
signature hands in a function.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
from collections.abc import Callable
from typing import NamedTuple

from metercap.errors import JournalError
from metercap.journal import merkle

MOST_SIGNATURES = 16
_ID_BYTES = 4
_MARK = "\u2014 "  # the note format begins each signature line with an em dash
_NAME = re.compile(r"[!-*,-~]+")  # printable ASCII without space and plus
_SIZE = re.compile(r"0|[1-9][0-9]{0,17}")


class Signature(NamedTuple):
    """One line below a note: the name of the key, the first bytes of its hash, the signature."""

    name: str
    key_id: bytes
    signature: bytes


class Note(NamedTuple):
    """A text that ends in a line end, and the signatures below it."""

    text: str
    signatures: tuple[Signature, ...]


class Checkpoint(NamedTuple):
    """What a log says of itself: its name, its number of entries, its Merkle root."""

    log: str
    size: int
    root: bytes


def ecdsa_id(public: bytes) -> bytes:
    """Give the id of an ECDSA key (signature type 2): the first 4 bytes of the hash of its DER."""
    return hashlib.sha256(public).digest()[:_ID_BYTES]


def sign_note(text: str, name: str, public: bytes, sign: Callable[[bytes], bytes]) -> str:
    """Write a note with one signature; `public` is the key as SubjectPublicKeyInfo in DER."""
    signature = Signature(name, ecdsa_id(public), sign(text.encode("utf-8")))
    return write_note(Note(text, (signature,)))


def write_note(note: Note) -> str:
    """Write a note as it is stored; raises JournalError for what could not be read back."""
    if not note.text.endswith("\n") or any(_is_control(char) for char in note.text):
        raise JournalError("note: text without a last line end or with signs that move a cursor")
    lines = []
    for found in note.signatures:
        if _NAME.fullmatch(found.name) is None:
            raise JournalError(f"note: name {found.name[:80]!a}, expected no space and no plus")
        data = base64.b64encode(found.key_id + found.signature).decode("ascii")
        lines.append(f"{_MARK}{found.name} {data}\n")
    return f"{note.text}\n{''.join(lines)}"


def parse_note(text: str) -> Note:
    """Read a note strictly; raises JournalError unless writing it again gives the same text."""
    head, gap, tail = text.rpartition("\n\n")
    lines = tail.splitlines()
    if not gap or not 1 <= len(lines) <= MOST_SIGNATURES:
        raise JournalError(
            f"note: expected a text, an empty line, 1 to {MOST_SIGNATURES} signatures"
        )
    signatures = []
    for line in lines:
        name, _, data = line.removeprefix(_MARK).partition(" ")
        try:
            raw = base64.b64decode(data, validate=True)
        except (binascii.Error, ValueError) as error:
            raise JournalError(f"note: signature of {name[:80]!a} is no base64") from error
        signatures.append(Signature(name, raw[:_ID_BYTES], raw[_ID_BYTES:]))
    note = Note(head + "\n", tuple(signatures))
    if write_note(note) != text:
        raise JournalError("note: another spelling, expected the one of signed-note")
    return note


def find_signature(note: Note, name: str, public: bytes) -> bytes | None:
    """Find what a key signed below a note, by its name and id; None if it did not sign."""
    wanted = name, ecdsa_id(public)
    return next((row.signature for row in note.signatures if row[:2] == wanted), None)


def checkpoint_text(log: str, frontier: merkle.Frontier) -> str:
    """Write the text of a checkpoint over the first `frontier.size` entries of a log."""
    root = base64.b64encode(merkle.root(frontier)).decode("ascii")
    return f"{log}\n{frontier.size}\n{root}\n"


def parse_checkpoint(text: str) -> Checkpoint:
    """Read the text of a checkpoint; raises JournalError for more, less or another spelling."""
    log, _, rest = text.partition("\n")
    size, _, root = rest.partition("\n")
    try:
        raw = base64.b64decode(root.removesuffix("\n"), validate=True)
    except (binascii.Error, ValueError) as error:
        raise JournalError("checkpoint: its root is no base64") from error
    again = f"{log}\n{size}\n{base64.b64encode(raw).decode('ascii')}\n"
    if again != text or _SIZE.fullmatch(size) is None or len(raw) != merkle.HASH_BYTES or not log:
        raise JournalError("checkpoint: expected a name, a size and a root, one line each")
    return Checkpoint(log, int(size), raw)


def _is_control(char: str) -> bool:
    return (char < " " and char != "\n") or char == "\x7f"
