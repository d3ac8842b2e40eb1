"""Journal entries to and from the bytes that are stored, hashed and sealed.

An entry is a head and a body. The head carries the order, the times, the hash of the entry before
and the hash of the body, so a record can show every head of its range while it keeps the bodies of
other people's jobs to itself. What a body means is not known here.
"""

from __future__ import annotations

import functools
import re
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from metercap.errors import JournalError
from metercap.journal import canonical, merkle
from metercap.model import NS_PER_S, Instant

VERSION = 1

KINDS = (
    "boot",
    "clock",
    "anchor",
    "checkpoint",
    "enrol",
    "rekey",
    "tst",
    "definition",
    "job.open",
    "link",
    "loss",
    "frame",
    "act",
    "observe",
    "begin",
    "choose",
    "limit",
    "operator",
    "restart",
    "remark",
    "claim",
    "job.close",
)
"""What an entry may be. All are inputs but "claim", which is what the sequence made of them.

Entries about the log itself belong to the recorder: "anchor" says how far off the wall clock of its
own head may be, in microseconds, and who says so, "checkpoint" holds a signed note of the log's
size and root, "enrol" the firm's certificate for the recorder's key, "rekey" a new key vouched for
by the old one, "tst" the hash of a time-stamp token that came from outside.
"""

CLAIM = "claim"

DEVICE_JOB = 0
"""Entries of the recorder itself; people's jobs count from 1."""

NO_LEAF = bytes(merkle.HASH_BYTES)
"""Stands for the leaf before the first."""

_LOG_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._:/@-]{0,127}")
_HASH = re.compile(r"[0-9a-f]{64}")
# Newer Pythons take 24:00 for a time of day, older ones do not; no clock shows it.
_UTC_TO_SECOND = r"[0-9]{4}-[0-9]{2}-[0-9]{2}T(?:[01][0-9]|2[0-3]):[0-9]{2}:[0-9]{2}"
_UTC = re.compile(_UTC_TO_SECOND + r"\.[0-9]{6}Z")
_BOOT_NS = re.compile(r"0|[1-9][0-9]{0,18}")  # 19 digits of nanoseconds are 317 years
_BOOT = re.compile(r"[!-~]{0,64}")  # the kernel gives 36 characters
_HEAD_KEYS = frozenset({"v", "log", "seq", "prev", "job", "js", "kind", "t", "body"})
_TIME_KEYS = frozenset({"utc", "bt", "boot", "sync"})
# A head as `write_row` writes it, in the one canonical spelling, as long as no text in it needs an
# escape: whatever matches is read at once, whatever does not is read step by step.
_HEAD = re.compile(
    rb'\{"body":"([0-9a-f]{64})","job":(0|[1-9][0-9]{0,14}),"js":([1-9][0-9]{0,14}),'
    rb'"kind":"([a-z.]+)","log":"([A-Za-z0-9][A-Za-z0-9._:/@-]{0,127})","prev":"([0-9a-f]{64})",'
    rb'"seq":([1-9][0-9]{0,14}),"t":\{"boot":"([!#-\[\]-~]{0,64})","bt":"(0|[1-9][0-9]{0,18})",'
    rb'"sync":(true|false),"utc":"([0-9T:-]{19})\.([0-9]{6})Z"\},"v":1\}'
)
_UTC_SECOND = re.compile(_UTC_TO_SECOND)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_SECOND = timedelta(seconds=1)


class Draft(NamedTuple):
    """What somebody wants written: job 0 is the recorder itself, `at` is cut to microseconds."""

    job: int
    kind: str
    at: Instant
    body: dict[str, object]


class Entry(NamedTuple):
    """One entry as it stands: `seq` counts the whole log and `js` the job, both from 1."""

    seq: int
    job: int
    js: int
    kind: str
    at: Instant
    body: dict[str, object]


class Row(NamedTuple):
    """One entry as bytes: canonical head, canonical body, and the leaf hash of the head."""

    seq: int
    job: int
    head: bytes
    body: bytes
    leaf: bytes


class Head(NamedTuple):
    """A head, read strictly; `prev` is a leaf hash, `body` the SHA-256 of the body in hex."""

    log: str
    seq: int
    prev: bytes
    job: int
    js: int
    kind: str
    at: Instant
    body: str


def is_log_name(text: str) -> bool:
    """Whether a log may be called this: short, printable ASCII, no spaces."""
    return _LOG_NAME.fullmatch(text) is not None


def write_row(log: str, seq: int, prev_leaf: bytes, js: int, draft: Draft) -> Row:
    """Turn a draft into the bytes of entry `seq`, linked to the leaf hash of the entry before it.

    Raises JournalError when the body holds a fraction or the head could not be read back.
    """
    try:
        utc = draft.at.utc_text
    except (ValueError, OverflowError, OSError) as error:
        raise JournalError(f"entry {seq}: utc_ns {draft.at.utc_ns} is no date") from error
    body = canonical.dumps(draft.body)
    head = canonical.dumps(
        {
            "v": VERSION,
            "log": log,
            "seq": seq,
            "prev": prev_leaf.hex(),
            "job": draft.job,
            "js": js,
            "kind": draft.kind,
            "t": {
                "utc": utc,
                "bt": str(draft.at.boot_ns),
                "boot": draft.at.boot,
                "sync": draft.at.synced,
            },
            "body": canonical.digest(body),
        }
    )
    return Row(seq, draft.job, head, body, merkle.leaf_hash(head))


def read_head(data: bytes) -> Head:
    """Read a head strictly: these keys, these types, this spelling; raises JournalError."""
    match = _HEAD.fullmatch(data)
    if match is not None:
        body, job, js, kind, log, prev, seq, boot, bt, sync, second, microsecond = match.groups()
        seconds = _find_second(second)
        kind_text = kind.decode("ascii")
        if seconds is not None and kind_text in KINDS:
            utc_ns = seconds * NS_PER_S + int(microsecond) * 1000
            return Head(
                log=log.decode("ascii"),
                seq=int(seq),
                prev=bytes.fromhex(prev.decode("ascii")),
                job=int(job),
                js=int(js),
                kind=kind_text,
                at=Instant(utc_ns, int(bt), boot.decode("ascii"), sync == b"true"),
                body=body.decode("ascii"),
            )
    return _read_head(data)


def _read_head(data: bytes) -> Head:
    """Read a head as `read_head`, step by step: this says what is wrong with it."""
    head = canonical.loads(data)
    if not isinstance(head, dict) or head.keys() != _HEAD_KEYS:
        raise JournalError("head: other keys than expected")
    if head["v"] != VERSION or head["v"] is True:
        raise JournalError(f"head: version {head['v']!a}, expected {VERSION}")
    kind = head["kind"]
    if kind not in KINDS:
        raise JournalError(f"head: kind {str(kind)[:40]!a}, expected one of {', '.join(KINDS)}")
    return Head(
        log=_text(head, "log", _LOG_NAME),
        seq=_count(head, "seq", 1),
        prev=bytes.fromhex(_text(head, "prev", _HASH)),
        job=_count(head, "job", 0),
        js=_count(head, "js", 1),
        kind=kind,
        at=_read_time(head["t"]),
        body=_text(head, "body", _HASH),
    )


def read_body(head: Head, body: bytes) -> Entry:
    """Join a head with its body; raises JournalError when its head was made for another body."""
    found = canonical.digest(body)
    if found != head.body:
        raise JournalError(
            f"entry {head.seq} ({head.kind}): body hashes to {found[:16]}..., "
            f"its head says {head.body[:16]}..."
        )
    obj = canonical.loads(body)
    if not isinstance(obj, dict):
        raise JournalError(f"entry {head.seq}: body is no object")
    return Entry(head.seq, head.job, head.js, head.kind, head.at, obj)


def read_entry(head: bytes, body: bytes) -> Entry:
    """Read an entry from its two parts, strictly; raises JournalError in one line."""
    return read_body(read_head(head), body)


def _read_time(value: object) -> Instant:
    if not isinstance(value, dict) or value.keys() != _TIME_KEYS:
        raise JournalError("head: t has other keys than expected")
    synced = value["sync"]
    if not isinstance(synced, bool):
        raise JournalError(f"head: sync is {str(synced)[:40]!a}, expected true or false")
    text = _text(value, "utc", _UTC)
    try:
        utc = datetime.fromisoformat(text)
    except ValueError as error:
        raise JournalError(f"head: utc {text} is no date") from error
    return Instant(
        utc_ns=(utc - _EPOCH) // _MICROSECOND * 1000,
        boot_ns=int(_text(value, "bt", _BOOT_NS)),
        boot=_text(value, "boot", _BOOT),
        synced=synced,
    )


@functools.lru_cache(maxsize=16)
def _find_second(text: bytes) -> int | None:
    """Seconds since 1970 of "2026-11-25T10:00:00"; None where that is no date."""
    shown = text.decode("ascii")
    if _UTC_SECOND.fullmatch(shown) is None:
        return None
    try:
        return (datetime.fromisoformat(f"{shown}Z") - _EPOCH) // _SECOND
    except ValueError:
        return None


def _text(obj: dict[str, object], key: str, pattern: re.Pattern[str]) -> str:
    value = obj[key]
    if not isinstance(value, str) or pattern.fullmatch(value) is None:
        raise JournalError(f"head: {key} is {str(value)[:40]!a}, expected {pattern.pattern}")
    return value


def _count(obj: dict[str, object], key: str, least: int) -> int:
    value = obj[key]
    if not isinstance(value, int) or isinstance(value, bool) or value < least:
        raise JournalError(f"head: {key} is {str(value)[:40]!a}, expected a count from {least}")
    return value
