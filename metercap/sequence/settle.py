"""Readings of one point to "it stands still": the two-halves rule. It judges no limit.

The last `window` of readings is cut in half. The step has settled when the means of the halves
agree so closely, their own standard error allowed for, that an exponential tail with the declared
slowest time constant can have no more than a fifth of the meter's own limit of error left, the
spread is within that limit of error, and both stay so for the dwell. Source of the link between
difference and tail: arithmetic on an exponential, D = r (e^x - 1)^2 / x with
x = window / (2 * slowest).

A window counts as full once readings reach over four fifths of it, whatever the meter's pace; one
that is too short for the meter never fills. A display that does not change is no fault in itself:
at a noise below a third of a digit most honest windows are flat (computed), so only a meter's own
mark that it holds the display says that it is frozen, and that is not looked at here.

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
_LEAST_PART_PERCENT = 80  # of the window, and of the readings that the meter's own rate promises
_LEAST_IN_HALF = 2  # one reading has no scatter to be judged by


class Terms(NamedTuple):
    """What a step asks of standing still, in nanoseconds; `interval_ns` is the meter's own pace."""

    window_ns: int
    slowest_ns: int
    dwell_ns: int
    interval_ns: int

    @property
    def is_too_short(self) -> bool:
        """Whether the meter sends too seldom for such a window ever to fill."""
        return self.window_ns <= (2 * _LEAST_IN_HALF - 1) * self.interval_ns


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


_RESTLESS = Stand(0, None)


@functools.cache
def tail_factor(window_ns: int, slowest_ns: int) -> Decimal:
    """Difference of the halves' means for each unit of tail left at the end of the window."""
    x = Decimal(window_ns) / (2 * slowest_ns)
    return (x.exp() - 1) ** 2 / x


def limit_of_error(accuracy: Accuracy | None, mean_counts: Decimal) -> Decimal:
    """The maker's limit of error in counts; half a count of rounding where none is stated."""
    if accuracy is None:
        return Decimal("0.5")
    return accuracy.percent * abs(mean_counts) / 100 + accuracy.counts


class _Half:
    """Readings in the order of time, with their running sums in whole counts."""

    def __init__(self) -> None:
        self.marks: deque[tuple[int, int]] = deque()  # time in ns, and number of the entry
        self.counts: deque[int] = deque()
        self.sum = self.squares = 0

    def push(self, mark: tuple[int, int], counts: int) -> None:
        self.marks.append(mark)
        self.counts.append(counts)
        self.sum += counts
        self.squares += counts * counts

    def pop(self) -> tuple[tuple[int, int], int]:
        counts = self.counts.popleft()
        self.sum -= counts
        self.squares -= counts * counts
        return self.marks.popleft(), counts


class _Agreement(NamedTuple):
    """How the halves of a window agree: what `Settled` takes over from it."""

    mean: Decimal
    difference: Decimal
    allowed: Decimal
    tail: Decimal
    limit_of_error: Decimal


class Window:
    """The readings since the last interruption, no older than the window is long."""

    def __init__(self, terms: Terms) -> None:
        window_ns, interval_ns = terms.window_ns, terms.interval_ns
        self._dwell_ns, self._window_ns, self._half_ns = terms.dwell_ns, window_ns, window_ns // 2
        self._factor = tail_factor(window_ns, terms.slowest_ns)
        # The first reading stands for the interval before it, but never for more of the window
        # than may be missing: a meter that seldom sends does not fill a window at once.
        missing_ns = window_ns * (100 - _LEAST_PART_PERCENT) // 100
        self._filled_ns = window_ns - min(interval_ns, missing_ns)
        expected = window_ns * _LEAST_PART_PERCENT // (100 * interval_ns)
        self._least = max(2 * _LEAST_IN_HALF, expected)
        self._early, self._late = _Half(), _Half()
        self._is_empty = True
        self._exponent = 0
        self._since_ns = 0
        self._good_since_ns: int | None = None

    @property
    def is_empty(self) -> bool:
        """Whether nothing has been added since the last interruption."""
        return self._is_empty

    def clear(self) -> None:
        """Forget everything: what comes next is a new beginning."""
        if not self._is_empty:
            self._early, self._late = _Half(), _Half()
            self._is_empty = True
            self._good_since_ns = None

    def add(
        self, t_ns: int, seq: int, counts: int, exponent: int, accuracy: Accuracy | None
    ) -> Stand:
        """Take one reading of `counts` times ten to the `exponent` at `t_ns` on the boot clock."""
        if exponent != self._exponent:
            self.clear()
        if self._is_empty:
            self._since_ns, self._exponent, self._is_empty = t_ns, exponent, False
        self._slide((t_ns, seq), counts)
        found = None
        if t_ns - self._since_ns >= self._filled_ns:
            found = self._look(accuracy)
        if found is None:
            self._good_since_ns = None
            return _RESTLESS
        if self._good_since_ns is None:
            self._good_since_ns = t_ns
        held_ns = t_ns - self._good_since_ns
        if held_ns < self._dwell_ns:
            return Stand(held_ns, None)
        return Stand(held_ns, self._settled(found, accuracy))

    def _slide(self, mark: tuple[int, int], counts: int) -> None:
        early, late = self._early, self._late
        late.push(mark, counts)
        middle, start = mark[0] - self._half_ns, mark[0] - self._window_ns
        while late.marks[0][0] <= middle:
            early.push(*late.pop())
        while early.marks and early.marks[0][0] <= start:
            early.pop()

    def _look(self, accuracy: Accuracy | None) -> _Agreement | None:
        """How the halves agree, or None where the window does not stand still now.

        What is cheap to find out comes first, since most looks end in None.
        """
        early, late = self._early, self._late
        n1, n2 = len(early.counts), len(late.counts)
        n = n1 + n2
        if n < self._least or n1 < _LEAST_IN_HALF or n2 < _LEAST_IN_HALF:
            return None
        mean = Decimal(early.sum + late.sum) / n
        error = limit_of_error(accuracy, mean)
        tail = max(error / _SHARE_OF_ERROR, _LEAST_TAIL_COUNTS)
        allowed = tail * self._factor
        difference = abs(Decimal(early.sum * n2 - late.sum * n1)) / (n1 * n2)
        if difference > allowed:
            return None
        every = (*early.counts, *late.counts)
        if max(every) - min(every) > max(_LEAST_SPREAD_COUNTS, error):
            return None
        within = (
            early.squares
            + late.squares
            - Decimal(early.sum * early.sum * n2 + late.sum * late.sum * n1) / (n1 * n2)
        )
        pooled = max(within / (n - 2), _ROUNDING_VARIANCE)
        if difference + _SURE * (pooled * n / (n1 * n2) * _SERIAL_FACTOR).sqrt() > allowed:
            return None
        return _Agreement(mean, difference, allowed, tail, error)

    def _settled(self, found: _Agreement, accuracy: Accuracy | None) -> Settled:
        early, late = self._early, self._late
        n, total = len(early.counts) + len(late.counts), early.sum + late.sum
        squares = early.squares + late.squares
        return Settled(
            mean=found.mean,
            variance=Decimal(squares * n - total * total) / (n * (n - 1)),
            n=n,
            exponent=self._exponent,
            first_seq=early.marks[0][1],
            last_seq=late.marks[-1][1],
            difference=found.difference,
            allowed=found.allowed,
            tail=found.tail,
            limit_of_error=found.limit_of_error,
            accuracy=accuracy,
        )


def seconds(ns: int) -> str:
    """Nanoseconds as a plain number of seconds for a sentence: "2", "2.5"."""
    return f"{Decimal(ns) / NS_PER_S:f}"
