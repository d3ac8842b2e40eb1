"""Values that belong together to whether they agree, by named rules, with uncertainty carried on.

Pure arithmetic over estimates: it asks for nothing and decides no order. Each rule compares a left
side with a right side; sensitivities are found by moving each value up and down by its own
uncertainty (JCGM 100:2008 5.1.3 note 2), and what readings of one meter share nearly cancels in
their differences (5.2.2). Sources of the rules stand at each.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal
from typing import NamedTuple

from metercap.procedure.description import Limits
from metercap.procedure.rule import ANY, RULES, amount_of
from metercap.sequence import judge
from metercap.sequence.budget import COVERAGE, Estimate, Part, combine, doubt_text, made
from metercap.sequence.judge import Verdict

# How far readings may be beyond what must agree before that is held against them: three standard
# uncertainties, false alarms about one in a thousand (computed).
_BEYOND = 3
_ZERO, _ONE, _HUNDRED = Decimal(0), Decimal(1), Decimal(100)
_KELVIN = Decimal("273.15")
_KELVIN_25 = Decimal("298.15")
# IEC 60228: largest resistance at 20 degrees Celsius of plain copper conductors, in Ohm for each
# kilometre: (rigid, classes 1 and 2; flexible, class 5). Up to 10 mm2 rigid and 0.75 to 1.5 mm2
# flexible as published; the rest from memory.
_OHM_PER_KM = {
    Decimal(size): (Decimal(rigid), Decimal(flexible))
    for size, rigid, flexible in (
        ("0.5", "36.0", "39.0"),
        ("0.75", "24.5", "26.0"),
        ("1", "18.1", "19.5"),
        ("1.5", "12.1", "13.3"),
        ("2.5", "7.41", "7.98"),
        ("4", "4.61", "4.95"),
        ("6", "3.08", "3.30"),
        ("10", "1.83", "1.91"),
        ("16", "1.15", "1.21"),
        ("25", "0.727", "0.780"),
    )
}
_CLASSES = {1: 0, 2: 0, 5: 1}
_COPPER_ZERO = Decimal("234.5")  # IEC 60228: resistance of copper goes as 234.5 + t
_COIL_PER_K = Decimal("0.00393")  # copper at 20 degrees Celsius, IEC 60028
_VOLTAGE_FACTOR = Decimal("0.95")  # BS 7671 regulation 411.4.4, Cmin

Values = Mapping[str, Estimate]
Amounts = Mapping[str, Decimal]
Formula = Callable[[Amounts], Decimal]


class Check(NamedTuple):
    """One comparison: `difference`, left less right, must lie from `low` to `high`.

    With `agree` there is no tolerance to guard: the two sides fail only where they differ by more
    than their doubt explains.
    """

    what: str
    left: Estimate
    right: Estimate
    difference: Estimate
    low: Decimal | None
    high: Decimal | None
    agree: bool = False

    def verdict(self, guarded: bool) -> Verdict:
        """Judge the difference; `guarded` keeps U from a tolerance (ILAC-G8 4.2.3)."""
        value, doubt = self.difference.value, self.difference.doubt
        if self.agree:
            room = _BEYOND * doubt
            low = None if self.low is None else self.low - room
            high = None if self.high is None else self.high + room
            return judge.verdict(value, _ZERO, low, high)
        guard = self.difference.expanded if guarded else _ZERO
        return judge.verdict(value, guard, self.low, self.high)

    def facts(self, guarded: bool) -> dict[str, object]:
        """The comparison as JSON values: both sides, difference, doubt, limits, verdict."""
        found = self.difference
        body: dict[str, object] = {
            "what": self.what,
            "left": found.text_of(self.left.value),
            "right": found.text_of(self.right.value),
            "difference": found.value_text,
            "standard": doubt_text(found.doubt),
            "freedom": found.freedom_text,
            "k": f"{found.factor:f}",
            "expanded": found.expanded_text,
            "unit": found.unit,
            "limit": {
                name: f"{found.text_of(limit)} {found.unit}"
                for name, limit in (("low", self.low), ("high", self.high))
                if limit is not None
            },
            "rule": "agree" if self.agree else "guarded" if guarded else "simple",
            "verdict": self.verdict(guarded).value,
            "sentence": self._sentence(),
        }
        if not self.agree and found.doubt:
            probability = judge.conformance(
                found.value, found.expanded / COVERAGE, self.low, self.high
            )
            body["probability"] = f"{probability:f}"
        return body

    def _sentence(self) -> str:
        found = self.difference
        low, high = (
            "" if limit is None else found.text_of(limit) for limit in (self.low, self.high)
        )
        span = f"{low} to {high}" if low and high else f"at most {high}" if high else f"from {low}"
        room = f", or {_BEYOND} u beyond" if self.agree else ""
        doubt = f"U = {found.expanded_text} {found.unit}, k = {found.factor:f}"
        return (
            f"{self.what}: {found.text_of(self.left.value)} less "
            f"{found.text_of(self.right.value)} is {found.value_text} {found.unit}, "
            f"{doubt if found.doubt else 'uncertainty not stated'}; expected {span} "
            f"{found.unit}{room}"
        )


class Finding(NamedTuple):
    """What a rule came to: the worst verdict of its checks."""

    verdict: Verdict
    checks: tuple[Check, ...]


def exact(value: Decimal, unit: str) -> Estimate:
    """A value without doubt: one that is given."""
    exponent = value.as_tuple().exponent
    return made(value, unit, (), exponent if isinstance(exponent, int) else 0)


def propagate(formula: Formula, values: Values, unit: str) -> Estimate:
    """The value of a formula over estimates, with the doubt that they bring into it.

    The formula is computed at their values, and once more with each moved up and down by its own
    standard uncertainty; half of what that changes is the part it brings (GUM 5.1.3 note 2).
    """
    amounts = {name: one.value for name, one in values.items()}
    terms = []
    for name, one in values.items():
        if one.doubt:
            up, down = (
                formula({**amounts, name: one.value + by}) for by in (one.doubt, -one.doubt)
            )
            terms.append(((up - down) / (2 * one.doubt), one))
    return combine(formula(amounts), unit, terms)


def _check(
    what: str,
    left: Formula,
    right: Formula,
    values: Values,
    low: Decimal | None,
    high: Decimal | None,
    *,
    agree: bool = False,
) -> Check:
    unit = next(iter(values.values())).unit
    difference = propagate(lambda v: left(v) - right(v), values, unit)
    first, second = (propagate(side, values, unit) for side in (left, right))
    return Check(what, first, second, difference, low, high, agree)


def _triangle(v: Values) -> Iterator[Check]:
    """Phasor sides of a triangle: |LE - LN| <= NE <= LE + LN (Kirchhoff).

    `drift` is how much the supply moves from one reading to the next, as a standard deviation.
    """
    longer, shorter = "line-earth", "line-neutral"
    if v[longer].value < v[shorter].value:
        longer, shorter = shorter, longer
    drift = Part("drift of the supply", v["drift"].value) if "drift" in v else None
    sides = {name: v[name] for name in (longer, shorter, "neutral-earth")}
    if drift is not None:
        sides = {
            name: made(one.value, one.unit, (*one.parts, drift), one.exponent)
            if name != "neutral-earth"
            else one
            for name, one in sides.items()
        }
    yield _check(
        "the difference of line to earth and line to neutral is no more than neutral to earth",
        lambda a: a[longer] - a[shorter],
        lambda a: a["neutral-earth"],
        sides,
        None,
        _ZERO,
        agree=True,
    )
    yield _check(
        "neutral to earth is no more than line to earth and line to neutral together",
        lambda a: a["neutral-earth"],
        lambda a: a[longer] + a[shorter],
        sides,
        None,
        _ZERO,
        agree=True,
    )


def _width(v: Values, of: Decimal) -> Decimal | None:
    """The wider of `within` and `percent`; None where neither is given."""
    widths = [v["within"].value] if "within" in v else []
    widths += [abs(of) * v["percent"].value / _HUNDRED] if "percent" in v else []
    return max(widths, default=None)


def _pair(v: Values, first: str, second: str, what: str) -> Check:
    width = _width(v, v[first].value)
    sides = {name: v[name] for name in (first, second)}
    edge = _ZERO if width is None else width
    return _check(
        what,
        lambda a: a[second],
        lambda a: a[first],
        sides,
        -edge,
        edge,
        agree=width is None,
    )


def _repeat(v: Values) -> Iterator[Check]:
    """Two readings of one thing: within a tolerance, or else within their doubt."""
    yield _pair(v, "first", "again", "the repeat agrees with the first")


def _before_after(v: Values) -> Iterator[Check]:
    yield _pair(v, "before", "after", "after agrees with before")


def _drift(v: Values) -> Iterator[Check]:
    """Stage to stage, each against the first; the tolerance is the procedure's own."""
    for stage in ("second", "third"):
        if stage in v:
            yield _pair(v, "first", stage, f"the {stage} stage agrees with the first")


def ohm_per_km(size: Decimal, make: Decimal = Decimal(2)) -> Decimal:
    """IEC 60228: largest resistance of a copper conductor at 20 degrees Celsius.

    `size` in mm2, `make` the class of conductor. Raises ValueError for one that is not in the
    table.
    """
    if size not in _OHM_PER_KM or make not in _CLASSES:
        raise ValueError(
            f"conductor: found {size:f} mm2 of class {make:f}, expected "
            f"{', '.join(f'{known:f}' for known in _OHM_PER_KM)} of class 1, 2 or 5"
        )
    return _OHM_PER_KM[size][_CLASSES[int(make)]]


def copper_factor(t: Decimal) -> Decimal:
    """IEC 60228: resistance of copper at `t` degrees Celsius, for one Ohm at 20."""
    return (_COPPER_ZERO + t) / (_COPPER_ZERO + 20)


def _conductor(v: Values) -> Iterator[Check]:
    """Length times the table of IEC 60228, at the temperature of the conductor."""
    make = v["class"].value if "class" in v else Decimal(2)
    per_km = ohm_per_km(v["size"].value, make)
    if "second-size" in v:
        per_km += ohm_per_km(v["second-size"].value, make)
    sides = {
        "resistance": v["resistance"],
        "length": v["length"],
        "temperature": v.get("temperature", exact(Decimal(20), "Cel")),
    }

    def expected(a: Amounts) -> Decimal:
        return a["length"] * per_km / 1000 * copper_factor(a["temperature"])

    width = _width(v, expected({name: one.value for name, one in sides.items()}))
    if width is None:
        raise ValueError("conductor: found neither within nor percent, expected one of them")
    yield _check(
        "the conductor against its length and size",
        lambda a: a["resistance"],
        expected,
        sides,
        -width,
        width,
    )


def _ring(v: Values) -> Iterator[Check]:
    """BS 7671 643.2.1 and Guidance Note 3: end to end, and cross-connected at the points.

    Within the ends and the middle of a ring the line to earth reading of cross-connected legs runs
    from r1 r2 / (r1 + r2) to (r1 + r2) / 4; a spur adds to it.
    """
    ends = {name: v[name] for name in ("line", "neutral", "earth")}
    ratio = ohm_per_km(v["earth-size"].value) / ohm_per_km(v["size"].value)
    within, percent = v["within"].value, v["percent"].value
    expected_earth = v["line"].value * ratio
    wide = max(within, expected_earth * percent / _HUNDRED)
    yield _check(
        "neutral end to end agrees with line end to end",
        lambda a: a["neutral"],
        lambda a: a["line"],
        ends,
        -within,
        within,
    )
    yield _check(
        "earth end to end is to line as their sizes",
        lambda a: a["earth"],
        lambda a: a["line"] * ratio,
        ends,
        -wide,
        wide,
    )
    if "cross-line-neutral" in v:
        yield _check(
            "cross-connected line to neutral is a quarter of both",
            lambda a: a["cross-line-neutral"],
            lambda a: (a["line"] + a["neutral"]) / 4,
            ends | {"cross-line-neutral": v["cross-line-neutral"]},
            -within,
            within,
        )
    if "cross-line-earth" in v:
        crossed = ends | {"cross-line-earth": v["cross-line-earth"]}
        yield _check(
            "cross-connected line to earth is no more than at the middle of the ring",
            lambda a: a["cross-line-earth"],
            lambda a: (a["line"] + a["earth"]) / 4,
            crossed,
            None,
            within,
        )
        yield _check(
            "cross-connected line to earth is no less than at the ends of the ring",
            lambda a: a["cross-line-earth"],
            lambda a: a["line"] * a["earth"] / (a["line"] + a["earth"]),
            crossed,
            -within,
            None,
        )


def beta_resistance(nominal: Decimal, beta: Decimal, t: Decimal) -> Decimal:
    """R = R25 exp(B (1/T - 1/298.15 K)), `t` in degrees Celsius (IEC 60539 family, from memory)."""
    return nominal * (beta * (1 / (t + _KELVIN) - 1 / _KELVIN_25)).exp()


def table_resistance(rows: Mapping[Decimal, Decimal], t: Decimal) -> Decimal:
    """Resistance at `t` by a straight line of its logarithm over 1/T between two rows.

    `rows` lead from degrees Celsius to Ohm. Raises ValueError outside of them.
    """
    known = sorted(rows)
    for cold, warm in itertools.pairwise(known):
        if cold <= t <= warm:
            here, first, last = (1 / (one + _KELVIN) for one in (t, cold, warm))
            share = (here - first) / (last - first)
            return (rows[cold].ln() * (1 - share) + rows[warm].ln() * share).exp()
    span = f"{known[0]:f} to {known[-1]:f} Cel" if known else "a table"
    raise ValueError(f"thermistor: found {t:f} Cel, expected {span}")


def _thermistor(v: Values, rows: Mapping[Decimal, Decimal]) -> Iterator[Check]:
    """The maker's table, else the beta formula; `within` is the doubt of the temperature, in K."""
    if not rows and not {"nominal", "beta"} <= set(v):
        raise ValueError("thermistor: found neither a table nor nominal and beta, expected either")

    def expected_at(t: Decimal) -> Decimal:
        if rows:
            return table_resistance(rows, t)
        return beta_resistance(v["nominal"].value, v["beta"].value, t)

    t = v["temperature"].value
    slack = v["within"].value if "within" in v else _ZERO
    expected, part = expected_at(t), v["percent"].value / _HUNDRED
    edges = [expected_at(t + by) * (1 + sign * part) for by, sign in ((slack, -1), (-slack, 1))]
    yield _check(
        "the resistance against the temperature",
        lambda a: a["resistance"],
        lambda a: expected_at(a["temperature"]),
        {name: v[name] for name in ("resistance", "temperature")},
        min(edges) - expected,
        max(edges) - expected,
    )


def _element(v: Values) -> Iterator[Check]:
    """R = U^2 / P; more power is less resistance. Or the resistance on a label, with its own."""
    more, less = (1 + v["plus"].value / _HUNDRED, 1 - v["minus"].value / _HUNDRED)
    if "nominal" in v:
        nominal = v["nominal"].value
        low, high = nominal * less, nominal * more
    elif {"voltage", "power"} <= set(v):
        nominal = v["voltage"].value ** 2 / v["power"].value
        low, high = nominal / more, nominal / less
    else:
        raise ValueError("element: found neither nominal nor voltage and power, expected either")
    yield _check(
        "the element against its rating",
        lambda a: a["resistance"],
        lambda _: nominal,
        {"resistance": v["resistance"]},
        low - nominal,
        high - nominal,
    )


def _capacitor(v: Values) -> Iterator[Check]:
    """The marked value with its marked tolerance (IEC 60252-1, from memory)."""
    nominal = v["nominal"].value
    width = nominal * v["percent"].value / _HUNDRED
    yield _check(
        "the capacitor against its marking",
        lambda a: a["capacitance"],
        lambda _: nominal,
        {"capacitance": v["capacitance"]},
        -width,
        width,
    )


def _coil(v: Values) -> Iterator[Check]:
    """R = R20 (1 + 0.00393 (t - 20)), copper (IEC 60028)."""
    nominal = v["nominal"].value
    sides = {
        "resistance": v["resistance"],
        "temperature": v.get("temperature", exact(Decimal(20), "Cel")),
    }

    def expected(a: Amounts) -> Decimal:
        return nominal * (1 + _COIL_PER_K * (a["temperature"] - 20))

    here = expected({"temperature": sides["temperature"].value})
    width = here * v["percent"].value / _HUNDRED
    yield _check(
        "the coil against its value at this temperature",
        lambda a: a["resistance"],
        expected,
        sides,
        -width,
        width,
    )


def _loop(v: Values) -> Iterator[Check]:
    """Zs = Ze + factor (R1 + R2), at most 0.95 U0 / Ia (BS 7671 411.4.4).

    `factor` brings the conductors to the temperature that they reach in use, 1.20 for 70 degrees.
    """
    factor = v["factor"].value if "factor" in v else _ONE
    yield _check(
        "the loop against what the protective device needs",
        lambda a: a["external"] + factor * a["line-and-earth"],
        lambda a: _VOLTAGE_FACTOR * a["voltage"] / a["current"],
        {name: v[name] for name in ("external", "line-and-earth", "voltage", "current")},
        None,
        _ZERO,
    )


def _share(v: Values) -> Iterator[Check]:
    """U = share of the full voltage: 0 to 10 V that goes by percent, or the mean of pulses."""
    within = v["within"].value
    yield _check(
        "the signal against what is demanded",
        lambda a: a["voltage"],
        lambda a: a["full"] * a["share"] / _HUNDRED,
        {name: v[name] for name in ("voltage", "full", "share")},
        -within,
        within,
    )


def _tachometer(v: Values) -> Iterator[Check]:
    """Frequency is speed times the pulses of a revolution, over 60 s."""
    pulses = v["pulses"].value
    expected = v["speed"].value * pulses / 60
    width = expected * v["percent"].value / _HUNDRED
    yield _check(
        "the pulses against the speed",
        lambda a: a["frequency"],
        lambda _: expected,
        {"frequency": v["frequency"]},
        -width,
        width,
    )


def _leakage(v: Values) -> Iterator[Check]:
    """EN 60335-1 clause 13.2 (from secondary sources): by the kilowatt, with a floor and a top."""
    by_power = v["each-kilowatt"].value * v["power"].value / 1000
    most = min(v["most"].value, max(v["least"].value, by_power))
    yield _check(
        "the leakage against what the rated power allows",
        lambda a: a["current"],
        lambda _: most,
        {"current": v["current"]},
        None,
        _ZERO,
    )


_CHECKS: Mapping[str, Callable[[Values], Iterator[Check]]] = {
    "triangle": _triangle,
    "repeat": _repeat,
    "before-after": _before_after,
    "drift": _drift,
    "conductor": _conductor,
    "ring": _ring,
    "element": _element,
    "capacitor": _capacitor,
    "coil": _coil,
    "loop": _loop,
    "share": _share,
    "tachometer": _tachometer,
    "leakage": _leakage,
}
_WORST_FIRST = (
    Verdict.FAIL,
    Verdict.CONDITIONAL_FAIL,
    Verdict.CONDITIONAL_PASS,
    Verdict.PASS,
)


def _values(rule: str, measured: Values, given: Mapping[str, str]) -> dict[str, Estimate]:
    """Everything in the units of the rule; where it names none, in that of the first value."""
    first = next(iter(measured.values())).unit if measured else ANY
    found = {}
    for name, unit in RULES[rule].names.items():
        base = unit or first
        if name in measured:
            found[name] = measured[name].in_unit(base)
        elif name in given:
            found[name] = exact(amount_of(name, given[name], base), base)
    for name in (*RULES[rule].measured, *RULES[rule].wanted):
        if name not in found:
            raise ValueError(f"{rule}: {name}: missing, expected it measured or given")
    return found


def _compare(rule: str, values: Values, table: Mapping[str, str]) -> tuple[Check, ...]:
    try:
        if rule != "thermistor":
            return tuple(_CHECKS[rule](values))
        rows = {
            amount_of("temperature", t, "Cel"): amount_of("resistance", ohms, "Ohm")
            for t, ohms in table.items()
        }
        return tuple(_thermistor(values, rows))
    except ArithmeticError as error:
        shown = ", ".join(f"{name} {one.value:f} {one.unit}" for name, one in values.items())
        raise ValueError(f"{rule}: found {shown}, of which nothing can be computed") from error


def evaluate(
    rule: str,
    measured: Values,
    given: Mapping[str, str],
    table: Mapping[str, str],
    *,
    guarded: bool = True,
) -> Finding:
    """Compare what a rule names: values by part, and amounts as written.

    Raises ValueError where something is missing, of the wrong kind, or beyond a table.
    """
    checks = _compare(rule, _values(rule, measured, given), table)
    verdicts = {check.verdict(guarded) for check in checks}
    return Finding(next(one for one in _WORST_FIRST if one in verdicts), checks)


def limits_of(rule: str, given: Mapping[str, str], table: Mapping[str, str]) -> Limits:
    """What a rule expects of the one value that it is about; raises as `evaluate` does."""
    name, unit = next(iter(RULES[rule].measured.items()))
    values = _values(rule, {name: exact(_ZERO, unit)}, given)
    (check,) = _compare(rule, values, table)
    right = check.right.value
    low, high = (None if edge is None else right + edge for edge in (check.low, check.high))
    return Limits(low, high, unit)
