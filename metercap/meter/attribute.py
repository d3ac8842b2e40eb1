"""Adopted and self-described attribute values to readings and back.

Adopted: Voltage, 0x2B18. Self-described: the seven octets of 0x2904 say format, exponent and unit;
sint32 and medfloat32 are read. Source: Bluetooth SIG assigned numbers and GATT Specification
Supplement, Core Vol 3 Part G 3.3.3.5. Other descriptors are not read.
"""

from __future__ import annotations

import re
import struct
from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from metercap.errors import DisplayError
from metercap.model import Outcome, Reading, Refusal, Status

if TYPE_CHECKING:
    from metercap.meter.description import AttributeDriver

VOLTAGE = ("voltage", "V")
VOLTS_PER_STEP = Decimal(1) / 64
_VOLTAGE_LOWEST = 0  # "or lower"
_VOLTAGE_HIGHEST = 0xFF80  # 1022.0 V, "or higher"
_VOLTAGE_UNKNOWN = 0xFFFF

# SIG unit number -> quantity, UCUM code. No SIG unit has a prefix: the exponent carries it.
SIG_UNITS = {
    0x2703: ("time", "s"),
    0x2704: ("current", "A"),
    0x2705: ("temperature", "K"),
    0x2722: ("frequency", "Hz"),
    0x2726: ("power", "W"),
    0x2728: ("voltage", "V"),
    0x2729: ("capacitance", "F"),
    0x272A: ("resistance", "Ohm"),
    0x272B: ("conductance", "S"),
    0x272F: ("temperature", "Cel"),
    0x2760: ("time", "min"),
    0x2761: ("time", "h"),
    0x27A8: ("rotational speed", "{rev}/min"),
    0x27AC: ("temperature", "[degF]"),
    0x27C8: ("apparent power", "V.A"),
}

SINT32 = 0x10
MEDFLOAT32 = 0x17
_SIG_NAMESPACE = 0x01
_PRESENTATION = struct.Struct("<BbHBH")
_MOST_COUNT = 10**8  # of a whole number; more digits than any hand meter shows
_MOST_EXPONENT = 12  # beyond it a value has more places than any display; refused, not padded

_NUMBER = re.compile(r"-?[0-9]+(?:\.[0-9]+)?", re.ASCII)


class Presentation(NamedTuple):
    """What a 0x2904 descriptor says of its characteristic's value."""

    format: int
    exponent: int
    quantity: str
    unit: str

    @property
    def is_floating(self) -> bool:
        """Whether each value brings its own exponent."""
        return self.format == MEDFLOAT32


def parse_presentation(octets: bytes) -> Presentation:
    """Read the seven octets of 0x2904; raises ValueError for what this module cannot read."""
    if len(octets) != _PRESENTATION.size:
        raise ValueError(f"found {len(octets)} octets, expected {_PRESENTATION.size}")
    code, exponent, unit, namespace, _ = _PRESENTATION.unpack(octets)
    if code not in {SINT32, MEDFLOAT32}:
        raise ValueError(f"found format 0x{code:02X}, expected 0x10 (sint32) or 0x17 (medfloat32)")
    if code == MEDFLOAT32 and exponent != 0:
        raise ValueError(f"found exponent {exponent} with medfloat32, expected 0: it has its own")
    if abs(exponent) > _MOST_EXPONENT:
        raise ValueError(f"found exponent {exponent}, expected at most {_MOST_EXPONENT} either way")
    if namespace != _SIG_NAMESPACE:
        raise ValueError(f"found namespace 0x{namespace:02X}, expected 0x01 (Bluetooth SIG)")
    if unit not in SIG_UNITS:
        raise ValueError(f"found unit 0x{unit:04X}, expected one of the SIG's that a meter shows")
    return Presentation(code, exponent, *SIG_UNITS[unit])


# ---- decimal floats of ISO/IEEE 11073-20601 (GSS: medfloat16, medfloat32) ----


def _specials(mantissa_bits: int) -> dict[int, Status | None]:
    """Mantissa pattern at exponent 0 -> what it says; None is reserved for future use.

    +INF and -INF are overloads. NRes is "out of range" without a side (GSS), so unknown.
    """
    half = 1 << (mantissa_bits - 1)
    return {
        half - 2: Status.OVER,
        half + 2: Status.UNDER,
        half: Status.UNKNOWN,
        half - 1: Status.INVALID,
        half + 1: None,
    }


_SPECIALS = {bits: _specials(bits) for bits in (12, 24)}
_SPECIAL_RAWS = {
    bits: {status: raw for raw, status in table.items() if status is not None}
    for bits, table in _SPECIALS.items()
}


def decimal_text(mantissa: int, exponent: int) -> str:
    """Write mantissa x 10^exponent without exponent, keeping every digit: (200, -2) is "2.00"."""
    sign, digits = ("-", str(-mantissa)) if mantissa < 0 else ("", str(mantissa))
    if exponent >= 0:
        return sign + (digits + "0" * exponent if mantissa else "0")
    digits = digits.zfill(1 - exponent)
    return f"{sign}{digits[:exponent]}.{digits[exponent:]}"


def split_decimal(text: str) -> tuple[int, int]:
    """The inverse: "2.00" is (200, -2). Raises ValueError for what is no plain number."""
    if _NUMBER.fullmatch(text) is None:
        raise ValueError(f"found {text!r}, expected a plain number")
    whole, _, decimals = text.partition(".")
    return int(whole + decimals), -len(decimals)


def read_medfloat(raw: int, mantissa_bits: int) -> tuple[Status, str | None] | str:
    """Turn the raw bits of a medfloat16 (mantissa of 12 bits) or medfloat32 (24) into text digits.

    Gives status and digits, or one line saying why there are none.
    """
    exponent_bits = 8 if mantissa_bits == 24 else 4  # noqa: PLR2004  the two formats there are
    mantissa = raw & ((1 << mantissa_bits) - 1)
    exponent = raw >> mantissa_bits
    if exponent >> (exponent_bits - 1):
        exponent -= 1 << exponent_bits
    half = 1 << (mantissa_bits - 1)
    if half - 2 <= mantissa <= half + 2:
        status = _SPECIALS[mantissa_bits][mantissa]
        if status is None or exponent:
            return f"found reserved value 0x{raw:X}, expected a number"
        return status, None
    if mantissa >= half:
        mantissa -= 2 * half
    if abs(exponent) > _MOST_EXPONENT:
        return f"found exponent {exponent}, expected at most {_MOST_EXPONENT} either way"
    return Status.OK, decimal_text(mantissa, exponent)


def write_medfloat(status: Status, value: str | None, mantissa_bits: int) -> int:
    """The raw bits that `read_medfloat` turns into the two; raises ValueError where none does."""
    if status is not Status.OK:
        try:
            return _SPECIAL_RAWS[mantissa_bits][status]
        except KeyError:
            raise ValueError(f"found status {status.value}, which the format cannot say") from None
    mantissa, exponent = split_decimal(value or "")
    half = 1 << (mantissa_bits - 1)
    while exponent >= 0 and abs(mantissa) >= half - 2 and mantissa % 10 == 0:
        mantissa, exponent = mantissa // 10, exponent + 1
    if abs(mantissa) >= half - 2:
        raise ValueError(f"found {value!r}, expected at most {half - 3} without its point")
    exponent_mask = 0xFF if mantissa_bits == 24 else 0xF  # noqa: PLR2004  the two formats there are
    most_places = exponent_mask // 2 + 1
    if not -most_places <= exponent < most_places:
        raise ValueError(f"found {value!r}, expected at most {most_places} decimals")
    return (exponent & exponent_mask) << mantissa_bits | mantissa & (2 * half - 1)


# ---- whole values ----


def read_voltage(raw: int) -> tuple[Status, str | None] | str:
    """Read 0x2B18: 1/64 V, exact in six decimals; special values first."""
    if raw == _VOLTAGE_UNKNOWN:
        return Status.UNKNOWN, None
    if raw > _VOLTAGE_HIGHEST:
        return f"found raw value 0x{raw:04X}, which 0x2B18 does not define"
    if raw == _VOLTAGE_HIGHEST:
        return Status.OVER, None
    if raw == _VOLTAGE_LOWEST:
        return Status.UNDER, None
    return Status.OK, decimal_text(raw * 15625, -6)


def write_voltage(status: Status, value: str | None) -> int:
    """The inverse of `read_voltage`; raises ValueError where no raw value says it."""
    match status:
        case Status.UNKNOWN:
            return _VOLTAGE_UNKNOWN
        case Status.OVER:
            return _VOLTAGE_HIGHEST
        case Status.UNDER:
            return _VOLTAGE_LOWEST
        case Status.OK:
            mantissa, exponent = split_decimal(value or "")
            raw = Decimal(mantissa).scaleb(exponent) / VOLTS_PER_STEP
            if raw != int(raw) or not _VOLTAGE_LOWEST < raw < _VOLTAGE_HIGHEST:
                raise ValueError(f"found {value!r}, expected a multiple of 1/64 V below 1022 V")
            return int(raw)
    raise ValueError(f"found status {status.value}, which 0x2B18 cannot say")


class AttributeDecoder:
    """Reads and writes the value that an attribute driver describes."""

    def __init__(self, driver: AttributeDriver) -> None:
        self._row = driver.function[0]
        self._presentation: Presentation | None = None
        self._specials = driver.attribute.specials
        self._raws = {status: raw for raw, status in self._specials.items()}
        self._bytes = 2
        if driver.attribute.presentation is not None:
            self._presentation = parse_presentation(bytes.fromhex(driver.attribute.presentation))
            self._bytes = 4

    def decode(self, data: bytes, pending: bytes = b"") -> tuple[tuple[Outcome, ...], bytes]:
        """Read one value; see `metercap.meter.decode.Decoder`."""
        del pending  # a notification is a whole value
        if len(data) != self._bytes:
            return (Refusal(f"found {len(data)} bytes, expected {self._bytes}"),), b""
        raw = int.from_bytes(data, "little")
        if self._presentation is None:
            shown = read_voltage(raw)
        elif self._presentation.is_floating:
            shown = read_medfloat(raw, 24)
        else:
            shown = self._read_sint32(raw - (raw >> 31 << 32), self._presentation.exponent)
        if isinstance(shown, str):
            return (Refusal(shown),), b""
        status, value = shown
        return (self._row.reading(value, status),), b""

    def _read_sint32(self, raw: int, exponent: int) -> tuple[Status, str | None] | str:
        if raw in self._specials:
            return self._specials[raw], None
        if not -_MOST_COUNT < raw < _MOST_COUNT:
            # A meter's own mark of an overload, most likely, that the driver does not know.
            return f"found raw value {raw}, expected at most 8 digits"
        return Status.OK, decimal_text(raw, exponent)

    def encode(self, reading: Reading) -> bytes:
        """Write the value that shows `reading`; raises DisplayError where none does."""
        try:
            data = self._raw(reading.status, reading.value).to_bytes(self._bytes, "little")
        except (ValueError, OverflowError) as fault:
            raise DisplayError(f"{reading.function}: {fault}") from fault
        if self.decode(data)[0] != (reading,):
            raise DisplayError(f"{reading.function}: found {reading}, which no value here shows")
        return data

    def _raw(self, status: Status, value: str | None) -> int:
        told = self._presentation
        if told is None:
            return write_voltage(status, value)
        if told.is_floating:
            return write_medfloat(status, value, 24)
        if status in self._raws:
            return self._raws[status] & 0xFFFFFFFF
        if status is not Status.OK:
            raise ValueError(f"found status {status.value}, which the driver has no raw value for")
        mantissa, exponent = split_decimal(value or "")
        raw = Decimal(mantissa).scaleb(exponent - told.exponent)
        if raw != int(raw):
            raise ValueError(f"found {value!r}, expected a multiple of 10^{told.exponent}")
        if not -_MOST_COUNT < raw < _MOST_COUNT:
            raise ValueError(f"found {value!r}, expected at most 8 digits")
        return int(raw) & 0xFFFFFFFF
