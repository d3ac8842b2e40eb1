"""The named rules between values of one visit: what each wants measured, and what given.

Rows only; `sequence.relation` does the arithmetic. A procedure picks a rule by its name and can
add none.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from types import MappingProxyType
from typing import Literal, NamedTuple

from metercap import units

_STATED = re.compile(r"act:([a-z0-9-]+)\.([a-z-]+)", re.ASCII)
ANY = ""  # a unit that the first of the values brings
_NO_ROWS: Mapping[str, str] = MappingProxyType({})


RuleName = Literal[
    "triangle",
    "repeat",
    "before-after",
    "drift",
    "conductor",
    "ring",
    "thermistor",
    "element",
    "capacitor",
    "coil",
    "loop",
    "share",
    "tachometer",
    "leakage",
]


class Rule(NamedTuple):
    """What a rule takes, each by its name and the unit that it is computed in.

    `measured` comes from steps; the first of it is what a step's own expectation is about. What is
    `wanted` and what `may` be there comes from a step or is given. A rule that `expects` can stand
    as the expectation of a single step.
    """

    measured: Mapping[str, str]
    wanted: Mapping[str, str] = _NO_ROWS
    may: Mapping[str, str] = _NO_ROWS
    expects: bool = False
    has_table: bool = False

    @property
    def names(self) -> dict[str, str]:
        """Every name that the rule knows, with its unit."""
        return {**self.measured, **self.wanted, **self.may}


RULES: Mapping[str, Rule] = {
    # Kirchhoff for phasors: the difference of two sides is at most the third, and that their sum.
    "triangle": Rule(
        {"line-earth": "V", "line-neutral": "V", "neutral-earth": "V"}, may={"drift": "V"}
    ),
    "repeat": Rule({"first": ANY, "again": ANY}, may={"within": ANY, "percent": "%"}),
    "before-after": Rule({"before": ANY, "after": ANY}, may={"within": ANY, "percent": "%"}),
    # One element measured at two or three stages of its installation.
    "drift": Rule({"first": ANY, "second": ANY}, {"percent": "%"}, {"third": ANY}),
    # One core, or line and protective conductor in series (with `second-size`), copper.
    "conductor": Rule(
        {"resistance": "Ohm"},
        {"length": "m", "size": "mm2"},
        {
            "second-size": "mm2",
            "class": "1",
            "temperature": "Cel",
            "within": "Ohm",
            "percent": "%",
        },
        expects=True,
    ),
    "ring": Rule(
        {"line": "Ohm", "neutral": "Ohm", "earth": "Ohm"},
        {"size": "mm2", "earth-size": "mm2", "percent": "%", "within": "Ohm"},
        {"cross-line-neutral": "Ohm", "cross-line-earth": "Ohm"},
    ),
    # `nominal` at 25 degrees Celsius with `beta`, or rows of temperature and resistance.
    "thermistor": Rule(
        {"resistance": "Ohm"},
        {"temperature": "Cel", "percent": "%"},
        {"nominal": "Ohm", "beta": "K", "within": "K"},
        expects=True,
        has_table=True,
    ),
    # Rated voltage and power, or the resistance on the label; `plus` and `minus` are of that.
    "element": Rule(
        {"resistance": "Ohm"},
        {"plus": "%", "minus": "%"},
        {"voltage": "V", "power": "W", "nominal": "Ohm"},
        expects=True,
    ),
    "capacitor": Rule({"capacitance": "uF"}, {"nominal": "uF", "percent": "%"}, expects=True),
    # `nominal` at 20 degrees Celsius, copper.
    "coil": Rule(
        {"resistance": "Ohm"},
        {"nominal": "Ohm", "percent": "%"},
        {"temperature": "Cel"},
        expects=True,
    ),
    # Earth fault loop: `external` and `factor` times `line-and-earth`, against 0.95 U0 / Ia.
    "loop": Rule(
        {},
        {
            "external": "Ohm",
            "line-and-earth": "Ohm",
            "voltage": "V",
            "current": "A",
        },
        {"factor": "1"},
    ),
    # A control signal: so much of its full voltage as is demanded; or the mean of pulses.
    "share": Rule({"voltage": "V"}, {"full": "V", "share": "%", "within": "V"}, expects=True),
    "tachometer": Rule(
        {"frequency": "Hz"},
        {"speed": "{rev}/min", "pulses": "1", "percent": "%"},
        expects=True,
    ),
    # At most `each-kilowatt` of the rated power, but never below `least` nor above `most`.
    "leakage": Rule(
        {"current": "mA"},
        {"power": "W", "each-kilowatt": "mA", "least": "mA", "most": "mA"},
        expects=True,
    ),
}


def amount_of(name: str, text: str, unit: str) -> Decimal:
    """A given amount in the unit that the rule computes in.

    Raises ValueError where it is no amount, of another kind, or below zero when it is no
    temperature. A width of temperature is given in kelvin, since degrees Celsius have a zero of
    their own.
    """
    amount, own = units.parse_amount(text)
    if unit == "K" and own != unit:
        raise ValueError(f"{name}: found {text!r}, expected it in K")
    if amount < 0 and unit != "Cel":
        raise ValueError(f"{name}: found {text!r}, expected nothing below zero")
    try:
        return units.convert(amount, own, unit) if unit != ANY else amount
    except ValueError as error:
        raise ValueError(f"{name}: found {text!r}, expected an amount in {unit}") from error


def find_act(text: str) -> tuple[str, str] | None:
    """Act and field where a given amount is what the person states: "act:cable.length"."""
    match = _STATED.fullmatch(text)
    return (match[1], match[2]) if match else None
