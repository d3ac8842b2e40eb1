"""What bounds a true time: worked figures, and the kernel's own word beside the C library's.

The figures are this project's own arithmetic, done by hand before the code: a boot clock is assumed
to run at most 100 ppm fast or slow, so 8 h add 2.88 s and 4 h add 1.44 s to a clock that was off by
50 ms at most.
"""

from __future__ import annotations

import ctypes
import sys

import pytest

from metercap import clock
from metercap.journal.entry import Head
from metercap.model import NS_PER_S, Instant
from metercap.record.timing import Anchor, Token, by_anchors, by_tokens

HOUR_NS = 3600 * NS_PER_S
TRUE_NS = 1_795_600_800 * NS_PER_S  # 2026-11-25T10:00:00Z, when the boot clock read 0


def at(hours: float, *, wrong_ns: int = 0, boot: str = "a") -> Instant:
    boot_ns = round(hours * HOUR_NS)
    return Instant(TRUE_NS + boot_ns + wrong_ns, boot_ns, boot, synced=not wrong_ns)


def head(seq: int, when: Instant) -> Head:
    return Head("pi-1", seq, b"", 1, seq, "frame", when, "")


@pytest.mark.parametrize(
    ("anchors_h", "asked_h", "half_s"),
    [
        ([0], 8, "2.93"),
        ([8], 0, "2.93"),
        ([0, 8], 4, "1.49"),
        ([0], 0, "0.05"),
    ],
)
def test_the_worked_figures_of_anchors(anchors_h: list[int], asked_h: int, half_s: str) -> None:
    """This project's own arithmetic: 0.05 s + 100 ppm of the hours between."""
    years_ns = -3 * 365 * 24 * HOUR_NS  # what the wall clock said of the entry does not matter
    found = by_anchors(
        at(asked_h, wrong_ns=years_ns), [Anchor(at(hours), 50_000) for hours in anchors_h]
    )
    assert found is not None
    assert found.earliest_ns is not None
    assert found.latest_ns is not None
    middle_ns = (found.earliest_ns + found.latest_ns) // 2
    assert middle_ns == TRUE_NS + asked_h * HOUR_NS
    assert f"{(found.latest_ns - found.earliest_ns) / 2 / NS_PER_S:.2f}" == half_s


def test_the_worked_window_between_two_tokens() -> None:
    """This project's own arithmetic: 26 h apart, of which 1 h ran before the entry, 2 h after."""
    wrong_ns = -1000 * HOUR_NS
    heads = [head(seq, at(hours, wrong_ns=wrong_ns)) for seq, hours in ((1, 0), (2, 1), (3, 3))]
    found = by_tokens(heads[1], heads, [Token(1, TRUE_NS)], TRUE_NS + 26 * HOUR_NS)
    assert found.earliest_ns is not None
    assert found.latest_ns is not None
    assert f"{(found.latest_ns - found.earliest_ns) / HOUR_NS:.1f}" == "23.0"


class Timex(ctypes.Structure):
    """The head of struct timex, as adjtimex(2) of the Linux manual gives it."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 256),
    )


class FakeKernel:
    """Answers as adjtimex(2) does, with what a test says, in the layout of the manual."""

    def __init__(self, maxerror: int, status: int, answer: int = 0) -> None:
        self.maxerror, self.status, self.answer = maxerror, status, answer

    def adjtimex(self, given: ctypes.Array[ctypes.c_char]) -> int:
        timex = Timex(maxerror=self.maxerror, status=self.status)
        size = min(Timex.rest.offset, len(given))
        ctypes.memmove(given, ctypes.byref(timex), size)
        return self.answer


@pytest.mark.parametrize(
    ("kernel", "error_us", "synced"),
    [
        (FakeKernel(20_500, 0x2001), 20_500, True),
        (FakeKernel(16_000_000, 0x0040, 5), 16_000_000, False),
        (FakeKernel(20_500, 0, -1), None, False),
    ],
)
def test_the_kernels_word_is_read_where_the_manual_puts_it(
    monkeypatch: pytest.MonkeyPatch, kernel: FakeKernel, error_us: int | None, synced: bool
) -> None:
    """Source: adjtimex(2), struct timex, maxerror in microseconds, STA_UNSYNC = 0x0040."""
    monkeypatch.setattr(clock, "_libc", kernel)
    assert clock.error_us() == error_us
    assert clock.is_synchronised() is synced


def test_this_kernel_tells_an_error_that_it_can_mean() -> None:
    """Source: the kernel stops counting at NTP_PHASE_LIMIT, 16 s (include/linux/timex.h)."""
    error_us = clock.error_us()
    assert sys.platform == "linux"
    assert error_us is None or 0 <= error_us <= 16_000_000 + 500
