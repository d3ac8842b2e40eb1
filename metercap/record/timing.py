"""Entries of a log to the interval in which the true time of one of them lies.

An anchor is the recorder's own word on how far off its wall clock was; a time-stamp comes from
outside. What the wall clock said of the entry itself is not asked: how far it lies from an anchor
is told by the boot clock, which nobody can set. It corrects no time, and checks no token.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from metercap.journal.entry import DEVICE_JOB
from metercap.model import NS_PER_S, Instant

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from metercap.journal.entry import Entry, Head

DRIFT_PER_MILLION = 100
"""A boot clock is taken to run at most 100 millionths fast or slow: this project's assumption."""

STEERED_NS = NS_PER_S
"""What steering may have moved the boot clock together with the wall clock, which no entry shows.

Whoever sets clocks steers small offsets out and steps larger ones; the kernel's own loop takes half
a second at most (adjtimex(2), ADJ_OFFSET, from memory), other programs are set to one second or
less (common practice).
"""

_OWN = "by the recorder's own anchors"
_NAMED = "by time-stamps, the earlier one only named in the log"
_STAMPED = "by the time-stamp"

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_END_NS = 253_402_300_799 * NS_PER_S  # 9999-12-31T23:59:59Z, the last second of RFC 3339


class Anchor(NamedTuple):
    """The wall clock was off by at most `error_us` microseconds at `at`, as the kernel held."""

    at: Instant
    error_us: int


class Token(NamedTuple):
    """Entry `seq` came after a time-stamp of `utc_ns`, whose token it names."""

    seq: int
    utc_ns: int


class Bounds(NamedTuple):
    """True time in nanoseconds since 1970 in UTC; None where nothing bounds it on that side.

    `by` says on whose word.
    """

    earliest_ns: int | None = None
    latest_ns: int | None = None
    by: str = ""

    @property
    def is_contradiction(self) -> bool:
        """Whether no time at all is left."""
        earliest, latest, _ = self
        return earliest is not None and latest is not None and earliest > latest


def read_anchors(entries: Iterable[Entry]) -> list[Anchor]:
    """Take the anchors at which the clock was synchronised; one that says no error says nothing."""
    found = []
    for entry in entries:
        if entry.kind == "anchor" and entry.job == DEVICE_JOB and entry.at.synced:
            match entry.body.get("error_us"):
                case bool():  # is an int to Python
                    pass
                case int(error_us) if error_us >= 0:
                    found.append(Anchor(entry.at, error_us))
    return found


def read_tokens(entries: Iterable[Entry]) -> list[Token]:
    """Take the times of the tokens that the log names, as it gives them; no date says nothing."""
    found = []
    for entry in entries:
        if entry.kind == "tst" and entry.job == DEVICE_JOB:
            try:
                at = datetime.fromisoformat(str(entry.body.get("at")))
                utc_ns = (at - _EPOCH) // timedelta(microseconds=1) * 1000
            except (ValueError, TypeError, OverflowError):  # TypeError: without an offset to UTC
                continue
            found.append(Token(entry.seq, utc_ns))
    return found


def by_anchors(at: Instant, anchors: Iterable[Anchor]) -> Bounds | None:
    """Bound the true time at `at` by the anchors of its boot; None where that has none.

    Anchors that contradict one another leave bounds that do.
    """
    earliest, latest = [], []
    for anchor in anchors:
        if anchor.at.boot == at.boot:
            apart_ns = at.boot_ns - anchor.at.boot_ns
            there_ns = anchor.at.utc_ns + apart_ns
            doubt_ns = anchor.error_us * 1000 + _drift_ns(abs(apart_ns))
            earliest.append(there_ns - doubt_ns)
            latest.append(there_ns + doubt_ns)
    return Bounds(max(earliest), min(latest), _OWN) if earliest else None


def by_tokens(
    head: Head, heads: Sequence[Head], tokens: Iterable[Token], stamped_ns: int | None
) -> Bounds:
    """Bound the true time of one of `heads` by the newest token before it and one over them all.

    `stamped_ns` is the time of the latter; the former the log only names. Between, the boot clock
    counts as far as it goes on within a boot: what passed while the machine was off is not known.
    """
    earliest_ns = latest_ns = None
    before = [token for token in tokens if token.seq <= head.seq]
    if before:
        earliest_ns = before[-1].utc_ns + _least_run_ns(heads, before[-1].seq, head.seq)
    if stamped_ns is not None:
        latest_ns = stamped_ns - _least_run_ns(heads, head.seq, heads[-1].seq)
    return Bounds(earliest_ns, latest_ns, _NAMED if before else _STAMPED)


def bound(
    head: Head,
    heads: Sequence[Head],
    anchors: Iterable[Anchor],
    tokens: Iterable[Token],
    stamped_ns: int | None,
) -> Bounds:
    """Bound the true time of one of `heads` by the anchors of its boot, or else by tokens.

    What anchors give is widened by `STEERED_NS`.
    """
    found = by_anchors(head.at, anchors)
    if found is None:
        return by_tokens(head, heads, tokens, stamped_ns)
    earliest_ns, latest_ns, by = found
    return Bounds(_moved(earliest_ns, -STEERED_NS), _moved(latest_ns, STEERED_NS), by)


def bound_unsynchronised(
    job: int, heads: Sequence[Head], entries: Sequence[Entry], stamped_ns: int | None
) -> Bounds:
    """Bound all entries of a job at which the clock was not synchronised; there is at least one.

    `entries` are those of the job and of the recorder, as far as `heads` go.
    """
    anchors, tokens = read_anchors(entries), read_tokens(entries)
    doubtful = [head for head in heads if head.job == job and not head.at.synced]
    first, last = (
        bound(head, heads, anchors, tokens, stamped_ns) for head in (doubtful[0], doubtful[-1])
    )
    for found in (first, last):
        if found.is_contradiction:
            return found
    by = first.by if first.by == last.by else f"{first.by}, {last.by}"
    return Bounds(first.earliest_ns, last.latest_ns, by)


def bounds_text(bounds: Bounds) -> str:
    """Put bounds into words, to whole seconds outward; none is given as the time."""
    if bounds.is_contradiction:
        return "what bounds the true time contradicts itself"
    earliest = _second(bounds.earliest_ns, up=False)
    latest = _second(bounds.latest_ns, up=True)
    if earliest is None and latest is None:
        return "nothing bounds the true time"
    if earliest is None:
        return f"true time not after {latest}, {bounds.by}"
    if latest is None:
        return f"true time not before {earliest}, {bounds.by}"
    return f"true time between {earliest} and {latest}, {bounds.by}"


def _moved(utc_ns: int | None, by_ns: int) -> int | None:
    return None if utc_ns is None else utc_ns + by_ns


def _drift_ns(passed_ns: int) -> int:
    return -(-passed_ns * DRIFT_PER_MILLION // 1_000_000)


def _least_run_ns(heads: Sequence[Head], first: int, last: int) -> int:
    """Count what passed at least from entry `first` to entry `last`."""
    between = [head.at for head in heads if first <= head.seq <= last]
    run_ns = sum(
        max(0, after.boot_ns - before.boot_ns)
        for before, after in pairwise(between)
        if before.boot == after.boot
    )
    return run_ns - _drift_ns(run_ns)


def _second(utc_ns: int | None, *, up: bool) -> str | None:
    if utc_ns is None or not 0 <= utc_ns <= _END_NS:  # no clock of a recorder is out there
        return None
    seconds = -(-utc_ns // NS_PER_S) if up else utc_ns // NS_PER_S
    return (_EPOCH + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%SZ")
