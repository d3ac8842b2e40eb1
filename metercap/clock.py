"""The real clock and the real chance of this machine; no other module reads either.

Everything that needs the time takes a function that returns an `Instant`, so a test or the demo
can hand in its own.
"""

from __future__ import annotations

import ctypes
import random
import sys
import time
import uuid
from pathlib import Path

from metercap.model import Instant

_STA_UNSYNC = 0x0040  # include/uapi/linux/timex.h
# struct timex opens with modes, offset, freq, maxerror and esterror, each padded to a long.
_LONG_BYTES = ctypes.sizeof(ctypes.c_long)
_MAXERROR_OFFSET = 3 * _LONG_BYTES
_STATUS_OFFSET = 5 * _LONG_BYTES
_TIMEX_BYTES = 208


def boot_id() -> str:
    """Name this boot of the kernel; the same text until the machine starts again."""
    return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()


_BOOT = boot_id()
_libc = ctypes.CDLL(None, use_errno=True)


def is_synchronised() -> bool:
    """Ask the kernel whether something keeps the wall clock right (adjtimex(2), STA_UNSYNC)."""
    timex = _read_timex()
    if timex is None:
        return False
    status = int.from_bytes(timex[_STATUS_OFFSET : _STATUS_OFFSET + 4], sys.byteorder)
    return not status & _STA_UNSYNC


def error_us() -> int | None:
    """Ask the kernel how far off the wall clock may be, in microseconds (adjtimex(2), maxerror).

    It bounds nothing while the clock is not synchronised: there the kernel stops counting at 16 s.
    None where the kernel does not tell.
    """
    timex = _read_timex()
    if timex is None:
        return None
    found = timex[_MAXERROR_OFFSET : _MAXERROR_OFFSET + _LONG_BYTES]
    error = int.from_bytes(found, sys.byteorder, signed=True)
    return error if error >= 0 else None


def _read_timex() -> bytes | None:
    timex = ctypes.create_string_buffer(_TIMEX_BYTES)  # modes 0: only asks
    return None if _libc.adjtimex(timex) < 0 else timex.raw


def now() -> Instant:
    """Read both clocks. The wall clock is cut to whole microseconds, as the journal writes it."""
    return Instant(
        utc_ns=time.time_ns() // 1000 * 1000,
        boot_ns=time.clock_gettime_ns(time.CLOCK_BOOTTIME),
        boot=_BOOT,
        synced=is_synchronised(),
    )


def new_id() -> str:
    """Make an identifier that no other recorder will make."""
    return uuid.uuid4().hex


def draw(number: int) -> int:
    """Draw a whole number from 0 to one less than `number`."""
    return random.SystemRandom().randrange(number)


def jitter() -> float:
    """Draw a factor from 0.5 to 1.5, so that many who wait the same time do not return together."""
    return random.SystemRandom().uniform(0.5, 1.5)
