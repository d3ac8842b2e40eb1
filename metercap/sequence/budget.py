"""Sources of doubt to an uncertainty with its degrees of freedom. It knows no limit, no verdict.

JCGM 100:2008 (GUM): combination 5.1.2 and, for what readings share, 5.2.2; effective degrees of
freedom by Welch and Satterthwaite G.4.1; coverage 6.2.1 with k = 2, and with fewer than thirty
degrees of freedom the factor of its table G.2. All arithmetic is Decimal, alike on every machine.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from decimal import ROUND_CEILING, ROUND_DOWN, ROUND_HALF_EVEN, Decimal
from typing import NamedTuple

from metercap import units

COVERAGE = Decimal(2)
_MANY_DIGITS = 10**6  # degrees of freedom that are as good as infinite, on paper
_MANY = 30  # degrees of freedom from which k = 2 is said without a table
# Two-sided 95.45 % of the t distribution for 1, 2, 3, ... degrees of freedom: GUM table G.2, which
# leaves out 21 to 24 and 26 to 29; those were computed.
_FACTORS = tuple(
    Decimal(hundredths) / 100
    for hundredths in (
        *(1397, 453, 331, 287, 265, 252, 243, 237, 232, 228),
        *(225, 223, 221, 220, 218, 217, 216, 215, 214, 213),
        *(213, 212, 211, 211, 211, 210, 210, 209, 209),
    )
)
# A rectangle dominates where all the rest is at most this part of it: EA-4/02 S9 (from memory).
_DOMINATED = Decimal("0.3")
_ROOT_3 = Decimal(3).sqrt()


class Part(NamedTuple):
    """One source of doubt, as a standard uncertainty in the unit of its estimate.

    `doubt` carries its sign, and adds up with that of every part of the same `shared` name: the
    gain of one meter moves all its readings together. `own` is what each of them has beside it,
    and comes on top as it does in a maker's "percent plus counts". `freedom` None is infinite.
    """

    name: str
    doubt: Decimal
    own: Decimal = Decimal(0)
    shared: str = ""
    freedom: Decimal | None = None
    is_rectangle: bool = False

    def scaled(self, by: Decimal) -> Part:
        """The same source behind a sensitivity coefficient."""
        return self._replace(doubt=self.doubt * by, own=self.own * by)


class _Sum(NamedTuple):
    """A source of doubt that is independent of every other one."""

    doubt: Decimal
    freedom: Decimal | None
    is_rectangle: bool


def rectangle(name: str, half: Decimal) -> Part:
    """A source that is only known to lie within `half` either way (GUM 4.3.7).

    Its degrees of freedom are infinite: a limit that is never passed leaves no doubt of its own
    (GUM G.4.3), and a maker's limit of error errs on the wide side.
    """
    return Part(name, half / _ROOT_3, is_rectangle=True)


def _independent(parts: Iterable[Part]) -> Iterator[_Sum]:
    together: dict[str, list[Part]] = {}
    for part in parts:
        if part.shared:
            together.setdefault(part.shared, []).append(part)
        else:
            yield _Sum(abs(part.doubt) + abs(part.own), part.freedom, part.is_rectangle)
    for group in together.values():
        own = sum((part.own**2 for part in group), Decimal(0)).sqrt()
        known = [part.freedom for part in group if part.freedom is not None]
        rectangles = all(part.is_rectangle for part in group)
        shared = abs(sum((part.doubt for part in group), Decimal(0)))
        yield _Sum(shared + own, min(known, default=None), rectangles)


def factor_of(freedom: Decimal | None) -> Decimal:
    """The coverage factor for about 95 %; degrees of freedom are cut to a whole number (G.4.1)."""
    if freedom is None or freedom >= _MANY:
        return COVERAGE
    return _FACTORS[max(1, int(freedom)) - 1]


class Estimate(NamedTuple):
    """A value and what it is in doubt by, in `unit`; ten to `exponent` is its smallest digit.

    `doubt` is the combined standard uncertainty of all `parts`, `freedom` its effective degrees of
    freedom (None: infinite). `shape` is "rectangle" where one outweighs all the rest, so that k = 2
    covers more than 95 %, and "normal" elsewhere. `made` works them out.
    """

    value: Decimal
    unit: str
    parts: tuple[Part, ...]
    exponent: int
    doubt: Decimal
    freedom: Decimal | None
    shape: str

    @property
    def factor(self) -> Decimal:
        """The coverage factor k that was used."""
        return factor_of(self.freedom)

    @property
    def expanded(self) -> Decimal:
        """Expanded uncertainty U."""
        return self.factor * self.doubt

    @property
    def value_text(self) -> str:
        """The value to the last digit of its uncertainty (GUM 7.2.6)."""
        return self.text_of(self.value)

    def text_of(self, amount: Decimal) -> str:
        """Another amount to the same digit."""
        last = _last_digit(self.expanded) if self.expanded else self.exponent - 1
        rounded = amount.quantize(Decimal(1).scaleb(last), rounding=ROUND_HALF_EVEN)
        return f"{rounded or abs(rounded):f}"  # never "-0.0"

    @property
    def expanded_text(self) -> str:
        """U to two significant digits, rounded up."""
        return doubt_text(self.expanded)

    @property
    def freedom_text(self) -> str:
        """Degrees of freedom as a whole number, or "infinite"."""
        if self.freedom is None or self.freedom > _MANY_DIGITS:
            return "infinite"
        return f"{self.freedom.to_integral_value(rounding=ROUND_DOWN):f}"

    def in_unit(self, unit: str) -> Estimate:
        """The same in another unit of its kind; a zero that moves (Celsius) moves the value only.

        Raises ValueError where the units are not of one kind.
        """
        if unit == self.unit:
            return self
        slope = units.convert(Decimal(1), self.unit, unit) - units.convert(
            Decimal(0), self.unit, unit
        )
        parts = tuple(part.scaled(slope) for part in self.parts)
        value = units.convert(self.value, self.unit, unit)
        return made(value, unit, parts, self.exponent + slope.adjusted())


def made(value: Decimal, unit: str, parts: Iterable[Part], exponent: int) -> Estimate:
    """A value with all that makes it doubtful, summed up (GUM 5.1.2, 5.2.2 and G.4.1)."""
    parts = tuple(parts)
    sums = list(_independent(parts))
    squares = [one.doubt * one.doubt for one in sums]
    total = sum(squares, Decimal(0))
    slack = sum(
        (
            square * square / one.freedom
            for square, one in zip(squares, sums, strict=True)
            if one.freedom is not None
        ),
        Decimal(0),
    )
    largest = max(squares, default=Decimal(0))
    rest = total - largest
    is_rectangle = any(
        one.is_rectangle and square == largest for square, one in zip(squares, sums, strict=True)
    )
    dominated = is_rectangle and rest <= _DOMINATED**2 * largest
    return Estimate(
        value,
        unit,
        parts,
        exponent,
        doubt=total.sqrt(),
        freedom=total * total / slack if slack else None,
        shape="rectangle" if dominated else "normal",
    )


def combine(value: Decimal, unit: str, terms: Sequence[tuple[Decimal, Estimate]]) -> Estimate:
    """A value computed from others: `terms` are sensitivities with the estimates they belong to.

    Each sensitivity leads from the unit of its own estimate to `unit` (GUM 5.1.3).
    """
    parts = tuple(part.scaled(by) for by, estimate in terms for part in estimate.parts)
    exponent = min((estimate.exponent for _, estimate in terms), default=0)
    return made(value, unit, parts, exponent)


def _last_digit(doubt: Decimal) -> int:
    """The place of the second significant digit of an uncertainty, once that is rounded up."""
    place = doubt.adjusted() - 1
    up = doubt.quantize(Decimal(1).scaleb(place), rounding=ROUND_CEILING)
    return max(place, up.adjusted() - 1)


def doubt_text(doubt: Decimal) -> str:
    """An uncertainty to two significant digits, never rounded down (GUM 7.2.6)."""
    if not doubt:
        return "0"
    digit = Decimal(1).scaleb(_last_digit(doubt))
    return f"{doubt.quantize(digit, rounding=ROUND_CEILING):f}"
