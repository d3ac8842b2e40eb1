"""What descriptors say of a characteristic, from octets to values; the value itself is not read.

Source: Bluetooth SIG assigned numbers and GATT Specification Supplement; Core, Vol 3 Part G,
3.3.3.5; for 0x290C, Environmental Sensing Service 1.0.1, section 3.1.2.
"""

from __future__ import annotations

import re
import struct
from enum import IntEnum
from typing import NamedTuple

from metercap.meter.adopted import Form

# SIG unit number -> quantity, UCUM code. No SIG unit has a prefix: the exponent carries it.
# 27C3 (sound pressure) is left out: two libraries hold it for two dimensions.
SIG_UNITS = {
    0x2700: ("ratio", "1"),
    0x2701: ("length", "m"),
    0x2703: ("time", "s"),
    0x2704: ("current", "A"),
    0x2705: ("temperature", "K"),
    0x2719: ("magnetic field strength", "A/m"),
    0x2722: ("frequency", "Hz"),
    0x2724: ("pressure", "Pa"),
    0x2725: ("energy", "J"),
    0x2726: ("power", "W"),
    0x2727: ("charge", "C"),
    0x2728: ("voltage", "V"),
    0x2729: ("capacitance", "F"),
    0x272A: ("resistance", "Ohm"),
    0x272B: ("conductance", "S"),
    0x272C: ("magnetic flux", "Wb"),
    0x272D: ("magnetic flux density", "T"),
    0x272E: ("inductance", "H"),
    0x272F: ("temperature", "Cel"),
    0x2731: ("illuminance", "lx"),
    0x2743: ("angular velocity", "rad/s"),
    0x274B: ("electric field strength", "V/m"),
    0x2760: ("time", "min"),
    0x2761: ("time", "h"),
    0x2763: ("angle", "deg"),
    0x2780: ("pressure", "bar"),
    0x2781: ("pressure", "mm[Hg]"),
    0x27A5: ("pressure", "[psi]"),
    0x27A8: ("rotational speed", "{rev}/min"),
    0x27AB: ("energy", "kW.h"),
    0x27AC: ("temperature", "[degF]"),
    0x27AD: ("ratio", "%"),
    0x27AE: ("ratio", "[ppth]"),
    0x27B0: ("charge", "A.h"),
    0x27B6: ("irradiance", "W/m2"),
    0x27C1: ("mass flow", "g/s"),
    0x27C2: ("volume flow", "L/s"),
    0x27C4: ("concentration", "[ppm]"),
    0x27C7: ("apparent energy", "kV.A.h"),
    0x27C8: ("apparent power", "V.A"),
}

# Format code -> form, bytes. Those of 2, 4 and 12 bits say nothing of how they lie in an octet,
# and no meter counts to 2^128; texts and structures are no numbers.
FORMATS: dict[int, tuple[Form, int]] = {
    0x04: ("uint", 1),
    0x06: ("uint", 2),
    0x07: ("uint", 3),
    0x08: ("uint", 4),
    0x09: ("uint", 6),
    0x0A: ("uint", 8),
    0x0C: ("sint", 1),
    0x0E: ("sint", 2),
    0x0F: ("sint", 3),
    0x10: ("sint", 4),
    0x11: ("sint", 6),
    0x12: ("sint", 8),
    0x14: ("float32", 4),
    0x15: ("float64", 8),
    0x16: ("medfloat16", 2),
    0x17: ("medfloat32", 4),
}

_SIG_NAMESPACE = 0x01
_PRESENTATION = struct.Struct("<BbHBH")
MOST_EXPONENT = 12  # beyond it a value has more places than any display; refused, not padded


class Presentation(NamedTuple):
    """What a 0x2904 descriptor says of its characteristic's value."""

    format: int
    exponent: int
    quantity: str
    unit: str
    description: int = 0

    @property
    def form(self) -> Form:
        """Which sort of number."""
        return FORMATS[self.format][0]

    @property
    def bytes(self) -> int:
        """How long the value is."""
        return FORMATS[self.format][1]

    @property
    def is_floating(self) -> bool:
        """Whether each value brings its own exponent."""
        return self.form not in {"uint", "sint"}


def parse_presentation(octets: bytes) -> Presentation:
    """Read the seven octets of 0x2904; raises ValueError for what no meter shows a number by."""
    if len(octets) != _PRESENTATION.size:
        raise ValueError(f"found {len(octets)} octets, expected {_PRESENTATION.size}")
    code, exponent, unit, namespace, description = _PRESENTATION.unpack(octets)
    if code not in FORMATS:
        raise ValueError(f"found format 0x{code:02X}, expected a number of whole octets")
    told = Presentation(code, exponent, *SIG_UNITS.get(unit, ("", "")), description)
    if told.is_floating and exponent != 0:
        raise ValueError(f"found exponent {exponent} with {told.form}, expected 0: it has its own")
    if abs(exponent) > MOST_EXPONENT:
        raise ValueError(f"found exponent {exponent}, expected at most {MOST_EXPONENT} either way")
    if namespace != _SIG_NAMESPACE:
        raise ValueError(f"found namespace 0x{namespace:02X}, expected 0x01 (Bluetooth SIG)")
    if not told.quantity:
        raise ValueError(f"found unit 0x{unit:04X}, expected one of the SIG's that a meter shows")
    return told


def parse_valid_range(octets: bytes, told: Presentation) -> tuple[int, int]:
    """Read 0x2906: the lowest and the highest valid raw value, both of the value's own format.

    Raises ValueError for octets that do not fit it, and for a floating value, which says by
    itself when it is over its range.
    """
    if told.is_floating:
        raise ValueError(f"found with {told.form}, which has codes for it")
    size = told.bytes
    if len(octets) != 2 * size:
        raise ValueError(f"found {len(octets)} octets, expected {2 * size}")
    signed = told.form == "sint"
    low, high = (
        int.from_bytes(part, "little", signed=signed) for part in (octets[:size], octets[size:])
    )
    if low >= high:
        raise ValueError(f"found {low} to {high}, expected a lowest and a highest value")
    return low, high


class Sampling(IntEnum):
    """How a value came about, by the third octet of 0x290C."""

    UNSPECIFIED = 0
    INSTANTANEOUS = 1
    MEAN = 2
    RMS = 3
    MAXIMUM = 4
    MINIMUM = 5
    ACCUMULATED = 6
    COUNT = 7


class Measurement(NamedTuple):
    """What 0x290C says; 0 s stands for a period that is not said."""

    sampling: Sampling
    period_s: int
    update_s: int


_MEASUREMENT_OCTETS = 11


def parse_measurement(octets: bytes) -> Measurement:
    """Read the eleven octets of 0x290C; raises ValueError for others and for a reserved function.

    Flags (2), sampling function (1), measurement period (3), update interval (3), application (1)
    and uncertainty (1).
    """
    if len(octets) != _MEASUREMENT_OCTETS:
        raise ValueError(f"found {len(octets)} octets, expected {_MEASUREMENT_OCTETS}")
    try:
        sampling = Sampling(octets[2])
    except ValueError:
        raise ValueError(f"found sampling function {octets[2]}, expected 0 to 7") from None
    return Measurement(
        sampling, int.from_bytes(octets[3:6], "little"), int.from_bytes(octets[6:9], "little")
    )


# Whole words only: "AC" in "capacity" says nothing, nor does "DC" in a serial number.
_AC = re.compile(r"\b(?:ac|a\.c|vac|aac|alternating)\b", re.IGNORECASE)
_DC = re.compile(r"\b(?:dc|d\.c|vdc|adc|direct)\b", re.IGNORECASE)
_COUPLED = frozenset({"voltage", "current"})


def coupling_of(quantity: str, description: str, measured: Measurement | None) -> str:
    """Say "ac", "dc" or "none" for a voltage or current, by its user description (0x2901).

    The description must say it. RMS alone proves nothing: the RMS of a direct voltage is that
    voltage. Where another function than RMS is stated, such as a mean, "AC" is not believed,
    because the mean of an alternating voltage is nothing like its value. Both words, as in
    "AC+DC", give neither.
    """
    if quantity not in _COUPLED:
        return "none"
    is_ac, is_dc = bool(_AC.search(description)), bool(_DC.search(description))
    if is_ac == is_dc:
        return "none"
    if is_dc:
        return "dc"
    sampling = Sampling.UNSPECIFIED if measured is None else measured.sampling
    return "ac" if sampling in {Sampling.UNSPECIFIED, Sampling.RMS} else "none"
