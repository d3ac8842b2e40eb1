"""A record's checkpoints against its heads: what was signed of the log is what they add up to.

Each record carries the checkpoint at its end and the one before its first entry, which is the end
of the record before; between them stand those that were signed while the job went on.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from metercap.journal import entry, merkle, note
from metercap.journal.entry import Entry, Row
from metercap.record import seal, signing
from metercap.record.refusal import ALTERED, INCOMPLETE, MALFORMED, Refusal, blame
from metercap.record.signing import Sign

_SUCCESSION = "key succession"


class _Signed(NamedTuple):
    """A checkpoint as found: where, what it says, and its note; `strict` beside the entries."""

    place: str
    said: note.Checkpoint
    whole: note.Note
    strict: bool


def check(
    files: Mapping[str, bytes],
    rows: Sequence[Row],
    mine: Sequence[Entry],
    before: merkle.Frontier,
    public: bytes | None,
) -> int:
    """Check every checkpoint of a record, signatures with the recorder's key if it is known.

    `before` is the log before the first row. Gives how many of those among the entries another key
    has signed; raises Refusal.
    """
    log, last = entry.read_head(rows[0].head).log, rows[-1].seq
    wanted = {seal.CHECKPOINT: last}
    if before.size:
        wanted[seal.PREVIOUS] = before.size
    elif seal.PREVIOUS in files:
        raise Refusal("chain", ALTERED, f"member {seal.PREVIOUS}: nothing came before entry 1")
    found = [_read_member(files, name, log, size) for name, size in wanted.items()]
    found += [_read_entry(row, log) for row in mine if row.kind == "checkpoint"]
    roots = _roots(before, rows, {signed.said.size for signed in found})
    publics = [] if public is None else _with_earlier(public, log, mine)
    strange = 0
    for signed in found:
        size = signed.said.size
        # What was signed before this record begins, nothing in it can be compared with.
        if size >= before.size and signed.said.root != roots[size]:
            raise Refusal(
                "chain", INCOMPLETE, f"{signed.place}: another root at size {size}, the log forked"
            )
        if publics:
            mine_only = publics[:1] if signed.strict else publics
            strange += not _is_held(signed, log, mine_only)
    return strange


def _read_member(files: Mapping[str, bytes], name: str, log: str, size: int) -> _Signed:
    if name not in files:
        raise Refusal("chain", INCOMPLETE, f"member {name} is missing")
    signed = _read(name, files[name].decode("utf-8", "replace"), strict=True)
    if len(signed.whole.signatures) != 1:
        raise Refusal("chain", MALFORMED, f"{name}: expected one signature")
    if (signed.said.log, signed.said.size) != (log, size):
        raise Refusal(
            "chain",
            INCOMPLETE,
            f"{name}: log {signed.said.log[:80]!a} at size {signed.said.size}, expected {size}",
        )
    return signed


def _read_entry(found: Entry, log: str) -> _Signed:
    place = f"entry {found.seq} (checkpoint)"
    signed = _read(place, str(found.body.get("note")), strict=False)
    if signed.said.log != log or signed.said.size >= found.seq:
        raise Refusal("chain", MALFORMED, f"{place}: of another log or of what came later")
    return signed


def _read(place: str, text: str, *, strict: bool) -> _Signed:
    with blame("chain", MALFORMED, f"{place}: "):
        whole = note.parse_note(text)
        return _Signed(place, note.parse_checkpoint(whole.text), whole, strict)


def _roots(before: merkle.Frontier, rows: Sequence[Row], sizes: set[int]) -> dict[int, bytes]:
    roots = {before.size: merkle.root(before)}
    frontier = before
    for row in rows:
        frontier = merkle.add(frontier, row.leaf)
        if frontier.size in sizes:
            roots[frontier.size] = merkle.root(frontier)
    return roots


def write_succession(log: str, old: tuple[bytes, Sign], new: tuple[bytes, Sign]) -> str:
    """Write that one key follows another in signing a log, signed by both: pairs of key and sign.

    Keys are SubjectPublicKeyInfo in DER.
    """
    keys = (base64.b64encode(public).decode("ascii") for public, _ in (old, new))
    text = "\n".join((log, _SUCCESSION, *keys, ""))
    data = text.encode("utf-8")
    signatures = (
        note.Signature(log, note.ecdsa_id(public), sign(data)) for public, sign in (old, new)
    )
    return note.write_note(note.Note(text, tuple(signatures)))


def _with_earlier(public: bytes, log: str, mine: Sequence[Entry]) -> list[bytes]:
    """Give the recorder's key and those before it that the log hands on to it, newest first."""
    publics = [public]
    for found in reversed(mine):
        if found.kind == "rekey":
            place = f"entry {found.seq} (rekey)"
            with blame("chain", MALFORMED, f"{place}: "):
                whole = note.parse_note(str(found.body.get("note")))
            parts = whole.text.split("\n")
            if parts[:2] != [log, _SUCCESSION] or len(parts) != 5:  # noqa: PLR2004  four lines
                raise Refusal("chain", MALFORMED, f"{place}: expected one key after another")
            old, new = (_key(place, part) for part in parts[2:4])
            for key in (old, new):
                if not _is_signed(whole, log, key):
                    raise Refusal("chain", ALTERED, f"{place}: not signed by both keys")
            if new == publics[-1]:
                publics.append(old)
    return publics


def _key(place: str, text: str) -> bytes:
    try:
        return base64.b64decode(text, validate=True)
    except ValueError as error:
        raise Refusal("chain", MALFORMED, f"{place}: a key is no base64") from error


def _is_held(signed: _Signed, log: str, publics: Sequence[bytes]) -> bool:
    """Whether one of the keys has signed; raises Refusal where one says so and it is not true."""
    for public in publics:
        held = _is_signed(signed.whole, log, public)
        if held:
            return True
        if held is False:
            raise Refusal("chain", ALTERED, f"{signed.place}: its signature does not hold")
    if signed.strict:
        raise Refusal("chain", ALTERED, f"{signed.place}: not signed by the recorder's key")
    return False


def _is_signed(whole: note.Note, log: str, public: bytes) -> bool | None:
    """Whether a key has signed a note; None when it does not say that it has."""
    signature = note.find_signature(whole, log, public)
    if signature is None:
        return None
    return signing.is_signed_by(signing.load_public(public), whole.text.encode("utf-8"), signature)
