"""Readings of one point to "it stands still": the two-halves rule. It judges no limit.

The last `window` of readings is cut in half. The step has settled when the means of the halves
agree so closely, their own standard error allowed for, that an exponential tail with the declared
slowest time constant can have no more than a fifth of the meter's own limit of error left, the
spread is within that limit of error, and both stay so for the dwell. Source of the link between
difference and tail: arithmetic on an exponential, D = r (e^x - 1)^2 / x with
x = window / (2 * slowest).

Sums run over whole counts of the last displayed digit, and what is not whole is Decimal, so the
same readings settle alike on every machine.
"""

from __future__ import annotations

import functools
from collections import deque
from decimal import Decimal
from typing import NamedTuple

from metercap.model import NS_PER_S, Accuracy

# A reading of one digit more than the display: the variance of rounding, in counts squared.
_ROUNDING_VARIANCE = Decimal(1) / 12
# (1 + rho) / (1 - rho) for neighbouring readings that share half their deviation, rho = 0.5.
_SERIAL_FACTOR = 3
_SURE = Decimal("1.645")  # standard errors that leave one chance in twenty, one-sided
_SHARE_OF_ERROR = 5  # the tail left over may be this part of the meter's limit of error
_LEAST_TAIL_COUNTS = Decimal("0.2")  # less than this is hidden by rounding, whoever looks
_LEAST_SPREAD_COUNTS = Decimal(3)
_LEAST_PART_PERCENT = 80  # of the readings that the meter's own rate promises


class Terms(NamedTuple):
    """What a step asks of standing still, in nanoseconds; `interval_ns` is the meter's own pace."""

    window_ns: int
    slowest_ns: int
    dwell_ns: int
    interval_ns: int


class Settled(NamedTuple):
    """The window in which a step settled. Amounts are in counts of `exponent` unless named."""

    mean: Decimal
    variance: Decimal
    n: int
    exponent: int
    first_seq: int
    last_seq: int
    difference: Decimal
    allowed: Decimal
    tail: Decimal
    limit_of_error: Decimal
    accuracy: Accuracy | None


class Stand(NamedTuple):
    """How far a step has come: how long it has stood still, and the window once it has settled."""

    held_ns: int
    settled: Settled | None


@functools.cache
def tail_factor(window_ns: int, slowest_ns: int) -> Decimal:
    """Difference of the halves' means for each unit of tail left at the end of the window."""
    x = Decimal(window_ns) / (2 * slowest_ns)
    return (x.exp() - 1) ** 2 / x


def limit_of_error(accuracy: Accuracy | None, mean_counts: Decimal) -> Decimal:
    """The maker's limit of error in counts; half a count of rounding where none is stated."""
    if accuracy is None:
        return Decimal("0.5")
    return accuracy.percent / 100 * abs(mean_counts) + accuracy.counts


class Window:
    """The readings since the last interruption."""

    def __init__(self, terms: Terms) -> None:
        self._terms = terms
        self._factor = tail_factor(terms.window_ns, terms.slowest_ns)
        self._least = max(3, terms.window_ns * _LEAST_PART_PERCENT // (100 * terms.interval_ns))
        self._samples: deque[tuple[int, int, int]] = deque()
        self._exponent = 0
        self._since_ns = 0
        self._good_since_ns: int | None = None

    @property
    def is_empty(self) -> bool:
        """Whether nothing has been added since the last interruption."""
        return not self._samples

    def clear(self) -> None:
        """Forget everything: what comes next is a new beginning."""
        self._samples.clear()
        self._good_since_ns = None

    def add(
        self, t_ns: int, seq: int, counts: int, exponent: int, accuracy: Accuracy | None
    ) -> Stand:
        """Take one reading of `counts` times ten to the `exponent` at `t_ns` on the boot clock."""
        samples = self._samples
        if samples and exponent != self._exponent:
            self.clear()
        if not samples:
            self._since_ns, self._exponent = t_ns, exponent
        samples.append((t_ns, seq, counts))
        start = t_ns - self._terms.window_ns
        while samples[0][0] <= start:
            samples.popleft()
        settled = self._look(t_ns, exponent, accuracy)
        if settled is None:
            self._good_since_ns = None
            return Stand(0, None)
        if self._good_since_ns is None:
            self._good_since_ns = t_ns
        held_ns = t_ns - self._good_since_ns
        return Stand(held_ns, settled if held_ns >= self._terms.dwell_ns else None)

    def _look(self, t_ns: int, exponent: int, accuracy: Accuracy | None) -> Settled | None:
        """The window as evidence, or None where it does not stand still now."""
        terms, samples = self._terms, self._samples
        filled = t_ns - self._since_ns >= terms.window_ns - terms.interval_ns
        if not filled or len(samples) < self._least:
            return None
        middle = t_ns - terms.window_ns // 2
        early = [counts for at, _, counts in samples if at <= middle]
        late = [counts for at, _, counts in samples if at > middle]
        if not early or not late:
            return None
        n1, n2, sum1, sum2 = len(early), len(late), sum(early), sum(late)
        n = n1 + n2
        mean = Decimal(sum1 + sum2) / n
        error = limit_of_error(accuracy, mean)
        every = early + late
        spread = max(every) - min(every)
        if spread > max(_LEAST_SPREAD_COUNTS, error):
            return None
        squares = sum(counts * counts for counts in every)
        within = squares - Decimal(sum1) * sum1 / n1 - Decimal(sum2) * sum2 / n2
        pooled = max(within / (n - 2), _ROUNDING_VARIANCE)
        doubt = _SURE * (pooled * (Decimal(1) / n1 + Decimal(1) / n2) * _SERIAL_FACTOR).sqrt()
        difference = abs(Decimal(sum1) / n1 - Decimal(sum2) / n2)
        tail = max(error / _SHARE_OF_ERROR, _LEAST_TAIL_COUNTS)
        allowed = tail * self._factor
        if difference + doubt > allowed:
            return None
        return Settled(
            mean=mean,
            variance=(squares - Decimal(sum1 + sum2) ** 2 / n) / (n - 1),
            n=n,
            exponent=exponent,
            first_seq=samples[0][1],
            last_seq=samples[-1][1],
            difference=difference,
            allowed=allowed,
            tail=tail,
            limit_of_error=error,
            accuracy=accuracy,
        )


def seconds(ns: int) -> str:
    """Nanoseconds as a plain number of seconds for a sentence: "2", "2.5"."""
    return f"{Decimal(ns) / NS_PER_S:f}"
