"""What a log keeps instead of its readings: sums between marks, and counts of days and weeks.

Amounts are whole billionths of a unit. It judges nothing and reads no display.
"""

from __future__ import annotations

from decimal import ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from typing import NamedTuple

from metercap.model import NS_PER_S, Instant

PLACES = 9  # amounts are whole billionths; no hand meter shows a finer digit of its unit
_HUNDREDTH = Decimal("0.01")


class Band(NamedTuple):
    """A lower and an upper limit, in billionths of the unit; None where there is none."""

    low: Decimal | None
    high: Decimal | None

    def holds(self, squares: int, n: int) -> bool:
        """Whether the root of the mean of `n` squares lies within, limits included."""
        return (self.low is None or squares >= self.low**2 * n) and (
            self.high is None or squares <= self.high**2 * n
        )

    def moved(self, low_by: Decimal, high_by: Decimal) -> Band:
        """The same with both limits moved outwards; none below nothing."""
        return Band(
            None if self.low is None else max(Decimal(0), self.low - low_by),
            None if self.high is None else self.high + high_by,
        )


class Extremes:
    """The least and the most of some amounts, with when they were."""

    def __init__(self) -> None:
        self.least: tuple[int, int] | None = None
        self.most: tuple[int, int] | None = None

    def take(self, low: tuple[int, int] | None, high: tuple[int, int] | None) -> None:
        """Take the extremes of a part; of equal ones the earlier stays."""
        if low is not None and (self.least is None or low[0] < self.least[0]):
            self.least = low
        if high is not None and (self.most is None or high[0] > self.most[0]):
            self.most = high


class Interval:
    """The sums between two marks."""

    def __init__(self, index: int) -> None:
        self.index = index
        self.n = 0
        self.squares = 0
        self.covered_ns = 0
        self.is_moved = False
        self.has_interruption = False


class Part:
    """A day, a week, or the whole: how many means, of which kind, and between which."""

    def __init__(self, start_utc_ns: int) -> None:
        self.start_utc_ns = start_utc_ns
        self.good = self.flagged = self.empty = 0
        # Of the good ones, within the limits narrowed by the guard, as they are, and widened.
        self.within = [0, 0, 0]
        self.always = [0, 0, 0]
        self.means = Extremes()
        self.readings = Extremes()
        self.covered_ns = self.elapsed_ns = 0
        self.gaps = self.gap_ns = self.longest_gap_ns = 0
        self.events = self.interruptions = 0
        self.told: list[dict[str, object]] = []

    @property
    def length(self) -> int:
        """Marks passed, whatever came of them."""
        return self.good + self.flagged + self.empty


class Event:
    """Readings beyond the step's threshold, on one side, without a break."""

    def __init__(self, at: Instant, kind: str) -> None:
        self.at = at
        self.kind = kind
        self.extreme: int | None = None
        self.lasted_ns = 0


def band(low: Decimal | None, high: Decimal | None) -> Band:
    """Limits in a unit as a band in its billionths."""
    return Band(*(None if limit is None else limit.scaleb(PLACES) for limit in (low, high)))


def last_digit(shown: str) -> Decimal:
    """One of the last displayed digit: "230.1" to 0.1."""
    return Decimal(1).scaleb(-len(shown.partition(".")[2]))


def utc_text(utc_ns: int) -> str:
    """A time of the wall clock as RFC 3339 in UTC."""
    return Instant(utc_ns, 0, "", synced=False).utc_text


def seconds(ns: int) -> str:
    """A time as seconds to two places, with the unit."""
    return f"{(Decimal(ns) / NS_PER_S).quantize(_HUNDREDTH, rounding=ROUND_HALF_EVEN):f} s"


def percent(part: int, whole: int) -> str:
    """A share in percent to two places, never rounded up to what it is not."""
    if whole <= 0:
        return "0 %"
    share = min(Decimal(100), Decimal(100 * part) / whole)
    return f"{share.quantize(_HUNDREDTH, rounding=ROUND_FLOOR):f} %"
