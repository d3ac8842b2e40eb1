"""A settled value and an expectation to a verdict, with its uncertainty. It decides no order.

Uncertainty: JCGM 100:2008 (GUM) 4.3.7 (limit of error as a rectangle), F.2.2.1 (resolution), and
the mean of serially correlated readings. Decision rule: ILAC-G8:09/2019 4.2.3, guard band w = U
with k = 2, four verdicts; or simple acceptance, 4.2.1, where the limit already holds an allowance.
Conformance probability: JCGM 106:2012 clause 7, normal.
"""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from enum import StrEnum
from typing import NamedTuple

from metercap import units
from metercap.sequence.settle import Settled

COVERAGE = Decimal(2)
_SERIAL = Decimal("0.5")  # correlation of neighbouring readings, when the meter's own is not known
_PI = Decimal("3.14159265358979323846264338327950288")
_FAR = 8  # standard deviations beyond which the normal tail is below any digit printed here
_PROBABILITY = Decimal("0.0001")


class Verdict(StrEnum):
    """ILAC-G8 non-binary verdicts, and the two ways of having none."""

    PASS = "pass"  # noqa: S105  a verdict, not a password
    CONDITIONAL_PASS = "conditional pass"  # noqa: S105  same
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    UNDECIDED = "undecided"
    NOT_TESTED = "not tested"

    @property
    def holds(self) -> bool:
        """Whether what needs this step may go on."""
        return self in {Verdict.PASS, Verdict.CONDITIONAL_PASS}


class Estimate(NamedTuple):
    """A value with its expanded uncertainty (k = 2), both in `unit`, and its smallest digit."""

    value: Decimal
    expanded: Decimal
    unit: str
    exponent: int

    @property
    def value_text(self) -> str:
        """The value to one digit more than the meter shows."""
        digit = Decimal(1).scaleb(self.exponent - 1)
        return f"{self.value.quantize(digit, rounding=ROUND_HALF_EVEN):f}"

    @property
    def expanded_text(self) -> str:
        """The uncertainty to two significant digits, never rounded down."""
        if not self.expanded:
            return "0"
        digit = Decimal(1).scaleb(self.expanded.adjusted() - 1)
        return f"{self.expanded.quantize(digit, rounding=ROUND_CEILING):f}"


def effective_number(n: int, rho: Decimal) -> Decimal:
    """How many independent readings `n` are worth whose neighbours correlate by `rho`."""
    share = sum(((1 - Decimal(k) / n) * rho**k for k in range(1, n)), Decimal(0))
    return n / (1 + 2 * share)


def standard_uncertainty(settled: Settled) -> Decimal:
    """Combined standard uncertainty of the settled mean, in counts."""
    scatter = settled.variance / effective_number(settled.n, _SERIAL)
    type_a = max(scatter, Decimal(1) / 12)
    rectangles = settled.limit_of_error**2 + settled.tail**2
    return (type_a + rectangles / 3).sqrt()


class Null(NamedTuple):
    """The leads' own value, settled with the probes together, in `unit`."""

    settled: Settled
    unit: str

    def amount(self, unit: str) -> Decimal:
        """The mean in another unit of the same kind."""
        return units.convert(self.settled.mean.scaleb(self.settled.exponent), self.unit, unit)

    def doubt(self, unit: str) -> Decimal:
        """Its standard uncertainty in another unit of the same kind."""
        own = standard_uncertainty(self.settled).scaleb(self.settled.exponent)
        return units.convert(own, self.unit, unit)


def estimate(settled: Settled, unit: str, null: Null | None = None) -> Estimate:
    """The settled value, less the leads' own where they were nulled, with its doubt."""
    value = settled.mean.scaleb(settled.exponent)
    doubt = standard_uncertainty(settled).scaleb(settled.exponent)
    if null is not None:
        value -= null.amount(unit)
        doubt = (doubt**2 + null.doubt(unit) ** 2).sqrt()
    return Estimate(value, COVERAGE * doubt, unit, settled.exponent)


def normal_below(z: Decimal) -> Decimal:
    """Probability that a normal deviate is below `z`, by its series, alike on every machine."""
    if abs(z) > _FAR:
        return Decimal(int(z > 0))
    term = total = z
    k = 0
    while abs(term) > Decimal("1e-20"):
        k += 1
        term = term * z * z / (2 * k + 1)
        total += term
    return Decimal("0.5") + total * (-z * z / 2).exp() / (2 * _PI).sqrt()


def conformance(
    value: Decimal, doubt: Decimal, low: Decimal | None, high: Decimal | None
) -> Decimal:
    """Probability that the true value lies within the limits, to four places."""
    upper = Decimal(1) if high is None else normal_below((high - value) / doubt)
    lower = Decimal(0) if low is None else normal_below((low - value) / doubt)
    within = max(Decimal(0), upper - lower)  # far out, rounding leaves a trace below nothing
    return within.quantize(_PROBABILITY, rounding=ROUND_HALF_EVEN)


def verdict(value: Decimal, guard: Decimal, low: Decimal | None, high: Decimal | None) -> Verdict:
    """One of the four verdicts for a guard band `guard`; with none, only pass and fail."""
    margins = [high - value] if high is not None else []
    margins += [value - low] if low is not None else []
    margin = min(margins)
    if margin >= guard:
        return Verdict.PASS
    if margin >= 0:
        return Verdict.CONDITIONAL_PASS
    if margin >= -guard and guard > 0:
        return Verdict.CONDITIONAL_FAIL
    return Verdict.FAIL
