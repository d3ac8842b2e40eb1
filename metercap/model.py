"""The frozen values that every room shares: instants, frames, readings, refusals.

They carry text, whole numbers and nothing else; no behaviour beyond turning themselves into text.
"""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple

NS_PER_S = 1_000_000_000


class Instant(NamedTuple):
    """When something happened, as the recorder's own clocks said, with their doubts.

    `utc_ns` counts nanoseconds since 1970-01-01T00:00:00Z on the wall clock. `boot_ns` counts
    nanoseconds on CLOCK_BOOTTIME, which no one can set back and which runs on in suspend; it only
    compares within one `boot`, the kernel's boot id. `synced` says whether the kernel held the wall
    clock to be synchronised.
    """

    utc_ns: int
    boot_ns: int
    boot: str
    synced: bool

    @property
    def utc_text(self) -> str:
        """RFC 3339 in UTC to the microsecond, ending in Z."""
        seconds, ns = divmod(self.utc_ns, NS_PER_S)
        stamp = datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
        return f"{stamp}.{ns // 1000:06d}Z"


class Status(StrEnum):
    """What a display said, beside or instead of a number."""

    OK = "ok"
    OVER = "over"
    UNDER = "under"
    UNKNOWN = "unknown"
    INVALID = "invalid"
    BLANK = "blank"


class Accuracy(NamedTuple):
    """A maker's limit of error for one range: percent of reading plus counts of the last digit."""

    percent: Decimal
    counts: Decimal


class Reading(NamedTuple):
    """One displayed value.

    `value` holds the digits as displayed ("1.20" is not "1.2"), and is None unless a number was
    shown. `unit` is a UCUM code. `coupling` is "ac", "dc" or None. `function` is the name of the
    row in the driver's function table. `ceiling` is the top of the range in `unit`, as text, when
    the driver states it; an overload means "more than `ceiling`". `marks` are lit annunciators in
    plain words ("hold", "relative", "low battery"). `channel` tells two displays in one frame
    apart.
    """

    quantity: str
    value: str | None
    unit: str
    status: Status = Status.OK
    coupling: str | None = None
    function: str = ""
    ceiling: str | None = None
    accuracy: Accuracy | None = None
    marks: tuple[str, ...] = ()
    channel: str = "main"


class Refusal(NamedTuple):
    """Bytes that are not a reading, and why, in one line."""

    reason: str


Outcome = Reading | Refusal


class Frame(NamedTuple):
    """Bytes as they arrived; never altered.

    `meter` is the meter's name within the job, `source` the characteristic (UUID text) that sent
    the bytes, followed by what a meter that is asked was being asked then (`meter.reply.Asked`),
    `session` the number of the connection (1 for the first) and `number` the count of frames within
    it (1 for the first). `opened` is only there where a key comes in: what the
    recorder decrypted `data` to with a key that no record holds, or why it takes nothing from it.
    """

    at: Instant
    meter: str
    source: str
    session: int
    number: int
    data: bytes
    opened: bytes | Refusal | None = None


Facts = tuple[tuple[str, str], ...]
"""What a meter tells of itself: (name, text) pairs."""

SERIAL = "serial number"
BATTERY = "battery"


def find_stranger(known: Facts, told: Facts) -> str:
    """Say how what a meter tells of itself differs from what is known of it; "" where it does not.

    A fact told on one side only says nothing, and a battery runs down.
    """
    before = dict(known)
    for name, text in told:
        if name != BATTERY and before.get(name, text) != text:
            return f"{name}: found {text!a}, expected {before[name]!a}"
    return ""


class LinkChange(NamedTuple):
    """A connection to a meter began (`up`) or ended, and why.

    `facts` are what the meter told of itself: (name, text) pairs such as ("serial", "0042").
    """

    at: Instant
    meter: str
    session: int
    up: bool
    reason: str
    facts: Facts = ()
