"""A settled value and an expectation to a verdict, with its uncertainty. It decides no order.

Uncertainty of a settled value: JCGM 100:2008 (GUM) 4.3.7 (limit of error as a rectangle), F.2.2.1
(resolution as a floor), and the mean of serially correlated readings; how they combine, and with
which degrees of freedom, is in `budget`. Decision rule: ILAC-G8:09/2019 4.2.3, guard band w = U
with k = 2, four verdicts; or simple acceptance, 4.2.1, where the limit already holds an allowance.
Conformance probability: JCGM 106:2012 clause 7, normal.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable
from decimal import ROUND_HALF_EVEN, Decimal
from enum import StrEnum

from metercap.procedure.description import Influence
from metercap.sequence.budget import Estimate, Part, made, rectangle
from metercap.sequence.settle import Settled

_HALF = Decimal("0.5")
_ROUNDING_VARIANCE = Decimal(1) / 12
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


@functools.lru_cache(maxsize=256)
def effective_number(n: int, rho: Decimal) -> Decimal:
    """How many independent readings `n` are worth whose neighbours correlate by `rho`."""
    share = sum(((1 - Decimal(k) / n) * rho**k for k in range(1, n)), Decimal(0))
    return n / (1 + 2 * share)


def doubts(settled: Settled, scale: Decimal, shared: str = "") -> tuple[Part, ...]:
    """What a settled mean is in doubt by: scatter, limit of error, and the tail not waited for.

    Scatter (Type A) has the degrees of freedom of its effective number of readings less one; where
    it is below the rounding of the display it gives way to that, which is a known rectangle and
    has no degrees of freedom to lose. The maker's limit of error (Type B) is held to be certain:
    `budget.rectangle` says why. Its percentage is `shared` by readings of one meter and function.
    """
    number = effective_number(settled.n, _SERIAL)
    scatter = settled.variance / number
    if scatter > _ROUNDING_VARIANCE:
        type_a = Part("scatter", scatter.sqrt() * scale, freedom=number - 1)
    else:
        type_a = rectangle("rounding", _HALF * scale)
    gain = Decimal(0)
    if settled.accuracy is not None:
        gain = settled.accuracy.percent / 100 * settled.mean
    counts = settled.limit_of_error - abs(gain)
    limit = rectangle("limit of error", gain * scale)._replace(
        own=rectangle("", counts * scale).doubt, shared=shared
    )
    return (type_a, limit, rectangle("tail", settled.tail * scale))


def standard_uncertainty(settled: Settled) -> Decimal:
    """Combined standard uncertainty of the settled mean, in counts."""
    return made(settled.mean, "1", doubts(settled, Decimal(1)), 0).doubt


def estimate(
    settled: Settled,
    unit: str,
    null: Estimate | None = None,
    shared: str = "",
    influences: Iterable[Influence] = (),
) -> Estimate:
    """The settled value, less the leads' own where they were nulled, with its doubt.

    `shared` names the meter and its function; `influences` are what the step declares besides.
    """
    scale = Decimal(1).scaleb(settled.exponent)
    value, parts = settled.mean * scale, doubts(settled, scale, shared)
    if null is not None:
        leads = null.in_unit(unit)
        value -= leads.value
        parts += tuple(part.scaled(Decimal(-1)) for part in leads.parts)
    parts += tuple(rectangle(one.name, one.half(value, unit)) for one in influences)
    return made(value, unit, parts, settled.exponent)


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
