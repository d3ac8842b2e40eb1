"""The numbers, suffixes, errors and identities of IEEE 488.2 and SCPI-99: text to values and back.

The clauses are named as two public texts quote them; no header is known here, because which query
means what is the driver's to say.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from metercap.meter.attribute import decimal_text, split_decimal
from metercap.model import Status

MOST_WHOLE = 15  # digits before the point: more than any meter shows (as in units.parse_amount)
MOST_PLACES = 24  # digits after it: picofarads sent in farads, to twelve digits

_NUMBER = re.compile(
    r"([-+]?)(?=\.?[0-9])([0-9]{0,20})(?:\.([0-9]{0,30}))?(?:[Ee]([-+]?[0-9]{1,3}))?"
)
_ERROR = re.compile(r'([-+]?[0-9]{1,5}), ?"((?:[ !#-~]|""){0,255})"')
_IDENTITY = re.compile(r"([ -+\--~]+),([ -+\--~]+),([ -+\--~]+),([ -+\--~]+)")

_SIGNIFICANT = 3  # digits of 9.91E37; an instrument that computes in binary32 sends 9.90999980E37
_TOP = 37

# IEEE 488.2 tables 7-1 and 7-2: suffix -> UCUM unit. Closed, and of no use to a parser of SI units:
# M is milli, but MOHM is megaohm and MHZ is megahertz; MA is milliampere. What no quantity here is
# shown in (henry, decibel, pascal, bar, gigahertz, parts of a second) is left out, and so refused.
SUFFIXES = {
    "V": "V", "MV": "mV", "UV": "uV", "KV": "kV",
    "A": "A", "MA": "mA", "UA": "uA", "KA": "kA",
    "OHM": "Ohm", "KOHM": "kOhm", "MOHM": "MOhm",
    "F": "F", "MF": "mF", "UF": "uF", "NF": "nF", "PF": "pF",
    "SIE": "S",
    "HZ": "Hz", "KHZ": "kHz", "MHZ": "MHz",
    "S": "s",
    "CEL": "Cel", "FAR": "[degF]", "K": "K",
    "W": "W",
    "PCT": "%",
}  # fmt: skip


# SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5, with as many digits as are commonly sent.
SPECIALS = {
    Status.OVER: "+9.90000000E+37",
    Status.UNDER: "-9.90000000E+37",
    Status.INVALID: "+9.91000000E+37",
}


class Identity(NamedTuple):
    """Who an instrument says it is; serial and firmware are "0" where it does not tell."""

    maker: str
    model: str
    serial: str
    firmware: str


class Number(NamedTuple):
    """What stood in the number's place: digits with status ok, else only a status."""

    status: Status
    value: str | None


def parse_number(text: str) -> Number:
    """Read NR1, NR2 or NR3 (SCPI-99 volume 1, 7.2.1): the whole text, or ValueError.

    Every digit sent is kept and none is rounded. An exponent moves the point: "+2.73E+02" is "273"
    and "+2.7300E+02" is "273.00"; places that it leaves without a digit are filled with noughts, as
    in "1.2E+03", "1200". Noughts that the point leaves in front are not kept.
    9.9E37 is over and -9.9E37 under (7.2.1.4), 9.91E37 is invalid (7.2.1.5).
    """
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise ValueError("expected a number and nothing else")
    sign, whole, places, power = match[1], match[2], match[3] or "", int(match[4] or 0)
    digits, exponent = (whole + places).lstrip("0"), power - len(places)
    if len(digits) + exponent == _TOP + 1:
        return _beyond(sign, digits)
    if (digits and len(digits) + exponent > MOST_WHOLE) or -exponent > MOST_PLACES:
        raise ValueError(
            f"expected at most {MOST_WHOLE} digits before the point and {MOST_PLACES} after it"
        )
    shown = decimal_text(int(digits or "0"), exponent)
    return Number(Status.OK, f"{sign.removeprefix('+')}{shown}")


def _beyond(sign: str, digits: str) -> Number:
    """A number of the size of 9.9E37. Not-a-number comes first, because it is the larger."""
    head = (int(digits[: _SIGNIFICANT + 1].ljust(_SIGNIFICANT + 1, "0")) + 5) // 10
    if head == 991 and sign != "-":  # noqa: PLR2004  9.91E37
        return Number(Status.INVALID, None)
    if head == 990:  # noqa: PLR2004  9.9E37
        return Number(Status.UNDER if sign == "-" else Status.OVER, None)
    raise ValueError("expected 9.9E37, -9.9E37 or 9.91E37 of a number as large")


def number_text(status: Status, value: str | None) -> str:
    """Write a number as NR3, as `parse_number` reads it back; raises ValueError where none can."""
    if status in SPECIALS:
        return SPECIALS[status]
    if value is None:
        raise ValueError(f"found {status.value}, expected ok, over, under or invalid")
    sign, bare = ("-", value[1:]) if value.startswith("-") else ("+", value)
    mantissa, exponent = split_decimal(bare)
    # A nought keeps its places: "0.00" is 0.00E+00.
    digits = str(mantissa) if mantissa else "0" * (1 - exponent)
    power = exponent + len(digits) - 1
    return f"{sign}{digits[0]}{'.' if digits[1:] else ''}{digits[1:]}E{power:+03d}"


def find_error(text: str) -> tuple[int, str] | None:
    """Number and text of an answer to SYSTem:ERRor? (SCPI-99 volume 2, 21.8); None for others."""
    match = _ERROR.fullmatch(text)
    return None if match is None else (int(match[1]), match[2].replace('""', '"'))


def find_identity(text: str) -> Identity | None:
    """The four fields of an answer to *IDN? (IEEE 488.2); None for others.

    A list of four numbers is none: the maker's name has a letter.
    """
    match = _IDENTITY.fullmatch(text)
    if match is None or not re.search("[A-Za-z]", match[1]):
        return None
    return Identity(*(field.strip(" ") for field in match.groups()))
