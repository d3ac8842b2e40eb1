"""Quantities to the units they may be shown in, and amounts from one such unit to another.

The only module that imports pint. It compares and converts; it never rewrites a stored value.
Unit texts are UCUM codes ("kOhm", "mV", "Cel"). Dimensions alone would not do: watts, volt-amperes
and vars share one, so each quantity lists the units it may be read in.
"""

from __future__ import annotations

import functools
import re
from decimal import Decimal
from typing import TYPE_CHECKING

from metercap.model import NS_PER_S

if TYPE_CHECKING:
    import pint

_PREFIXES = {"": "", "n": "nano", "u": "micro", "m": "milli", "k": "kilo", "M": "mega"}

# quantity -> (UCUM unit, pint unit), each allowed with every prefix above.
_UNITS: dict[str, tuple[str, str]] = {
    "voltage": ("V", "volt"),
    "current": ("A", "ampere"),
    "resistance": ("Ohm", "ohm"),
    "conductance": ("S", "siemens"),
    "capacitance": ("F", "farad"),
    "frequency": ("Hz", "hertz"),
    "power": ("W", "watt"),
    "apparent power": ("V.A", "volt_ampere"),
    "energy": ("W.h", "watt_hour"),
    "apparent energy": ("V.A.h", "volt_ampere*hour"),
    "charge": ("A.h", "ampere_hour"),
    "inductance": ("H", "henry"),
    "magnetic flux": ("Wb", "weber"),
    "magnetic flux density": ("T", "tesla"),
    "pressure": ("Pa", "pascal"),
}
_ALONE: dict[str, dict[str, str]] = {
    "temperature": {"Cel": "degree_Celsius", "[degF]": "degree_Fahrenheit", "K": "kelvin"},
    "duty": {"%": "percent"},
    "ratio": {"1": "dimensionless", "%": "percent", "[ppth]": "permille"},
    "capacitance": {"pF": "picofarad"},
    "rotational speed": {"{rev}/min": "rpm"},
    "time": {"s": "second", "ms": "millisecond", "min": "minute", "h": "hour"},
    "energy": {"J": "joule", "kJ": "kilojoule", "MJ": "megajoule"},
    "charge": {"C": "coulomb"},
    "pressure": {"bar": "bar", "mbar": "millibar", "mm[Hg]": "millimeter_Hg", "[psi]": "psi"},
    "power factor": {"1": "dimensionless"},
    "contact": {"1": "dimensionless"},  # 1 closed, 0 open
    "count": {"1": "dimensionless"},
    "concentration": {"[ppm]": "ppm"},
    "mass concentration": {"kg/m3": "kilogram/meter**3"},
    "humidity": {"%": "percent"},
    "illuminance": {"lx": "lux"},
    "irradiance": {"W/m2": "watt/meter**2"},
    "volume flow": {"L/s": "liter/second"},
    "mass flow": {"g/s": "gram/second"},
    "length": {"m": "meter"},
    "area": {"mm2": "millimeter**2"},
    "angle": {"deg": "degree"},
    "angular velocity": {"rad/s": "radian/second"},
    "electric field strength": {"V/m": "volt/meter"},
    "magnetic field strength": {"A/m": "ampere/meter"},
}
# Fifteen digits on either side are more than any meter shows or any visit lasts.
_AMOUNT = re.compile(r"(-?[0-9]{1,15}(?:\.[0-9]{1,15})?) (\S+)", re.ASCII)


@functools.cache
def _table() -> dict[str, dict[str, str]]:
    """Quantity -> {UCUM code: pint name}."""
    table = {
        quantity: {f"{short}{code}": f"{long}{name}" for short, long in _PREFIXES.items()}
        for quantity, (code, name) in _UNITS.items()
    }
    for quantity, alone in _ALONE.items():
        table.setdefault(quantity, {}).update(alone)
    return table


@functools.cache
def _registry() -> pint.UnitRegistry[Decimal]:
    import pint  # noqa: PLC0415  a quarter of a second, paid only by who converts

    return pint.UnitRegistry(non_int_type=Decimal)


def quantities() -> tuple[str, ...]:
    """Every quantity that a driver or a procedure may name."""
    return tuple(sorted(_table()))


def units_of(quantity: str) -> tuple[str, ...]:
    """UCUM codes that `quantity` may be shown in; empty for a quantity that is not known."""
    return tuple(_table().get(quantity, ()))


def is_allowed(quantity: str, unit: str) -> bool:
    """Whether `unit` (UCUM) belongs to `quantity`."""
    return unit in _table().get(quantity, ())


@functools.cache
def _pint_name(unit: str) -> str:
    for units in _table().values():
        if unit in units:
            return units[unit]
    raise ValueError(f"unit: found {unit!r}, expected one of the UCUM codes that a meter may show")


@functools.lru_cache(maxsize=256)
def _line(unit_from: str, unit_to: str) -> tuple[Decimal, Decimal]:
    """Slope and offset of the straight line that leads from one unit to the other."""
    quantity = _registry().Quantity
    target = _pint_name(unit_to)
    nought, one = (quantity(Decimal(n), _pint_name(unit_from)).to(target).magnitude for n in (0, 1))
    return Decimal(one) - Decimal(nought), Decimal(nought)


def convert(value: Decimal, unit_from: str, unit_to: str) -> Decimal:
    """Turn an amount of one UCUM unit into the amount of another.

    Raises ValueError where a unit is unknown or the two are not of one kind.
    """
    if unit_from == unit_to:
        return value
    try:
        slope, offset = _line(unit_from, unit_to)
    except TypeError as error:  # pint's word for units of two kinds
        raise ValueError(
            f"unit: found {unit_from}, expected one that leads to {unit_to}"
        ) from error
    return value * slope + offset


def parse_amount(text: str) -> tuple[Decimal, str]:
    """Split "1.0 Ohm" into the number and its UCUM unit.

    Raises ValueError where the text is not a plain decimal, one space and a known unit.
    """
    match = _AMOUNT.fullmatch(text)
    if match is None:
        raise ValueError(f"amount: found {text!r}, expected a number, a space and a unit")
    _pint_name(match[2])
    return Decimal(match[1]), match[2]


_NS = {
    "ms": 1_000_000,
    "s": NS_PER_S,
    "min": 60 * NS_PER_S,
    "h": 3600 * NS_PER_S,
    "days": 86_400 * NS_PER_S,
}


def parse_duration_ns(text: str) -> int:
    """Turn "2 s", "0.25 s", "30 min" into whole nanoseconds.

    Raises ValueError where the text is not a plain decimal, one space and ms, s, min, h or days.
    """
    match = _AMOUNT.fullmatch(text)
    if match is None or match[2] not in _NS or match[1].startswith("-"):
        raise ValueError(f"duration: found {text!r}, expected a number and ms, s, min, h or days")
    return int(Decimal(match[1]) * _NS[match[2]])
