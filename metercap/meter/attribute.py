"""Adopted and self-described attribute values to readings and back; descriptors are read elsewhere.

Adopted characteristics are read by their rows in `adopted`, self-described ones by what
`presentation` made of 0x2904 and 0x2906. An adopted definition wins over a descriptor.
"""

from __future__ import annotations

import math
import re
import struct
from decimal import ROUND_HALF_EVEN, Decimal
from typing import TYPE_CHECKING, NamedTuple, Protocol

from metercap.errors import DisplayError
from metercap.meter.adopted import ADOPTED, THERMOMETERS, Part
from metercap.meter.presentation import (
    MOST_EXPONENT,
    Presentation,
    parse_presentation,
    parse_valid_range,
)
from metercap.model import Outcome, Reading, Refusal, Status

if TYPE_CHECKING:
    from metercap.meter.description import AttributeDriver, AttributeFunction, AttributeTable

_MOST_COUNT = 10**8  # of a whole number; more digits than any hand meter shows
_MOST_WIDE_COUNT = 10**15  # of one of 48 or 64 bits: those are registers, such as of energy
_WIDE_BITS = 48

_NUMBER = re.compile(r"-?[0-9]+(?:\.[0-9]+)?", re.ASCII)

Shown = tuple[Status, str | None] | str


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
    if abs(exponent) > MOST_EXPONENT:
        return f"found exponent {exponent}, expected at most {MOST_EXPONENT} either way"
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


# ---- one value ----


class _Number(Protocol):
    """The bits of one value to what it shows, and back."""

    def read(self, raw: int) -> Shown:
        """Status and digits, or one line saying why there are none."""
        ...

    def write(self, status: Status, value: str | None) -> int:
        """The raw bits that `read` turns into the two; raises ValueError where none does."""
        ...


class _Whole(NamedTuple):
    """A count of a part's steps; special raw values come first.

    Where `has_range`, a value beyond `lowest` or `highest` is under or over a range that the meter
    states; the ends of the format are no such values, for they may stand for anything. `refused`
    says why any other is no number, and `unsaid` whose fault it is that a status has no code.
    """

    part: Part
    specials: dict[int, Status]
    has_range: bool
    refused: str
    unsaid: str

    def read(self, raw: int) -> Shown:
        """As every number does."""
        part = self.part
        if part.form == "sint" and raw >> (part.bits - 1):
            raw -= 1 << part.bits
        if raw in self.specials:
            return self.specials[raw], None
        if part.lowest <= raw <= part.highest:
            return Status.OK, decimal_text(raw * part.m * 5**-part.b, part.d + part.b)
        if not self.has_range or raw in _ends(part):
            return self.refused.format(raw=raw)
        return (Status.OVER if raw > part.highest else Status.UNDER), None

    def write(self, status: Status, value: str | None) -> int:
        """As every number does."""
        return self._raw(status, value) & ((1 << self.part.bits) - 1)

    def _raw(self, status: Status, value: str | None) -> int:
        part = self.part
        if status is not Status.OK:
            raws = {meaning: raw for raw, meaning in reversed(self.specials.items())}
            if self.has_range:
                raws = {Status.OVER: part.highest + 1, Status.UNDER: part.lowest - 1} | raws
            if status not in raws:
                raise ValueError(f"found status {status.value}, {self.unsaid}")
            return raws[status]
        mantissa, exponent = split_decimal(value or "")
        raw = Decimal(mantissa).scaleb(exponent) / part.step
        if raw != int(raw):
            raise ValueError(f"found {value!r}, expected a multiple of {part.step:f}")
        if not part.lowest <= raw <= part.highest:
            low, high = (f"{end * part.step:f}" for end in (part.lowest, part.highest))
            raise ValueError(f"found {value!r}, expected {low} to {high}")
        return int(raw)


class _Medfloat(NamedTuple):
    """A decimal float that brings its exponent; `bits` are those of its mantissa."""

    bits: int

    def read(self, raw: int) -> Shown:
        """As every number does."""
        return read_medfloat(raw, self.bits)

    def write(self, status: Status, value: str | None) -> int:
        """As every number does."""
        return write_medfloat(status, value, self.bits)


class _Ieee(NamedTuple):
    """A binary float of ISO/IEC 60559, rounded to `places`, for it holds no display's digits."""

    pattern: str
    places: int

    def read(self, raw: int) -> Shown:
        """As every number does."""
        data = raw.to_bytes(struct.calcsize(self.pattern), "little")
        (number,) = struct.unpack(self.pattern, data)
        if math.isnan(number):
            return Status.INVALID, None
        if math.isinf(number):
            return (Status.OVER if number > 0 else Status.UNDER), None
        if abs(number) >= _MOST_COUNT:
            return f"found {number:g}, expected a number of at most 8 digits"
        step = Decimal(1).scaleb(-self.places)
        return Status.OK, format(Decimal(number).quantize(step, ROUND_HALF_EVEN), "f")

    def write(self, status: Status, value: str | None) -> int:
        """As every number does."""
        if status is Status.OK:
            split_decimal(value or "")
            number = float(value or "")  # the wire's own form; never stored
        elif status in _IEEE_SPECIALS:
            number = _IEEE_SPECIALS[status]
        else:
            raise ValueError(f"found status {status.value}, which the format cannot say")
        return int.from_bytes(struct.pack(self.pattern, number), "little")


_IEEE_SPECIALS = {Status.OVER: math.inf, Status.UNDER: -math.inf, Status.INVALID: math.nan}


def _ends(part: Part) -> tuple[int, ...]:
    """The raw values that meters like to give a meaning: all ones, or both ends of a signed one."""
    half = 1 << (part.bits - 1)
    return (half - 1, -half) if part.form == "sint" else (2 * half - 1,)


def parts_of(table: AttributeTable) -> tuple[Part, ...]:
    """The values that an attribute holds, in its order.

    Raises ValueError ("KEY: found ..., expected ...") for what is not adopted or cannot be read.
    """
    if table.characteristic is not None:
        adopted = ADOPTED.get(int(table.characteristic, 16))
        if adopted is None:
            raise ValueError(
                f"characteristic: found {table.characteristic!r}, expected an adopted one by "
                "which a meter says what it measures"
            )
        return adopted.parts
    tolds = [_told(octets) for octets in table.formats]
    if len(tolds) == 1:
        return (_told_part(tolds[0], table.valid_range),)
    return tuple(
        _told_part(told, None)._replace(channel=f"value-{n}" if n > 1 else "main")
        for n, told in enumerate(tolds, 1)
    )


def _told(octets: bytes) -> Presentation:
    try:
        return parse_presentation(octets)
    except ValueError as fault:
        raise ValueError(f"presentation: {fault}") from fault


def _told_part(told: Presentation, valid_range: str | None) -> Part:
    part = Part(told.quantity, told.unit, told.form, 8 * told.bytes, d=told.exponent)
    if valid_range is not None:
        try:
            low, high = parse_valid_range(bytes.fromhex(valid_range), told)
        except ValueError as fault:
            raise ValueError(f"valid_range: {fault}") from fault
        if max(-low, high) >= _MOST_WIDE_COUNT:
            raise ValueError(f"valid_range: found {low} to {high}, expected at most 15 digits")
        return part._replace(lowest=low, highest=high)
    if told.is_floating:
        return part
    # Without a range, an end of the format may well be a meter's own mark of an overload.
    most = (_MOST_WIDE_COUNT if part.bits >= _WIDE_BITS else _MOST_COUNT) - 1
    high, low = max(_ends(part)) - 1, min(_ends(part)) + 1 if part.form == "sint" else 0
    return part._replace(lowest=max(low, -most), highest=min(high, most))


def can_overload(table: AttributeTable) -> bool:
    """Whether an attribute has a way to say "over": a code, or room above its range."""
    return table.over is not None or any(
        part.is_floating
        or Status.OVER in dict(part.specials).values()
        or (table.valid_range is not None and part.highest + 1 < max(_ends(part)))
        for part in parts_of(table)
    )


def find_part(driver: AttributeDriver, row: AttributeFunction) -> Part | None:
    """The adopted value that a row of the function table stands for; None for a self-described."""
    for source, rows in driver.sources.items():
        table = driver.table_of(source)
        if row in rows and table.characteristic is not None:
            return parts_of(table)[rows.index(row)]
    return None


def _number(table: AttributeTable, part: Part, row: AttributeFunction) -> _Number:
    match part.form:
        case "medfloat16":
            return _Medfloat(12)
        case "medfloat32":
            return _Medfloat(24)
        case "float32":
            return _Ieee("<f", row.decimals or 0)
        case "float64":
            return _Ieee("<d", row.decimals or 0)
    if table.characteristic is not None:
        name = f"0x{table.characteristic}"
        shown = "{raw}" if part.form == "sint" else f"0x{{raw:0{part.bits // 4}X}}"
        refused = f"found raw value {shown}, which {name} does not define"
        return _Whole(
            part,
            dict(part.specials),
            has_range=False,
            refused=refused,
            unsaid=f"which {name} cannot say",
        )
    digits = len(str(part.highest))
    wanted = f"{part.lowest} to {part.highest}" if digits < 8 else f"at most {digits} digits"  # noqa: PLR2004  as _MOST_COUNT
    return _Whole(
        part,
        table.specials,
        has_range=table.valid_range is not None,
        refused=f"found raw value {{raw}}, expected {wanted}",
        unsaid="which the driver has no raw value for",
    )


# ---- whole attributes ----

_FLAGS_BYTES = 1
_FAHRENHEIT, _HAS_TIME, _HAS_PLACE = 1, 2, 4  # flags of Temperature Measurement
_TIME_BYTES, _PLACE_BYTES = 7, 1


class _Attribute:
    """Reads and writes the values of one characteristic."""

    def __init__(self, table: AttributeTable, rows: tuple[AttributeFunction, ...]) -> None:
        self.rows = rows
        self._parts = parts_of(table)
        self._numbers = [
            _number(table, part, row) for part, row in zip(self._parts, rows, strict=True)
        ]
        number = int(table.characteristic or "0", 16)
        self._is_thermometer = number in THERMOMETERS
        self._tail = ADOPTED[number].tail if number in ADOPTED else 0
        self._bytes = sum(part.bits for part in self._parts) // 8 + self._tail

    def read(self, data: bytes) -> tuple[Outcome, ...]:
        """Every value of one notification, which is a whole."""
        if self._is_thermometer:
            return (self._read_thermometer(data),)
        if len(data) != self._bytes:
            return (Refusal(f"found {len(data)} bytes, expected {self._bytes}"),)
        frame = int.from_bytes(data, "little")
        outcomes = []
        for index, part in enumerate(self._parts):
            outcomes.append(self._outcome(index, frame & ((1 << part.bits) - 1)))
            frame >>= part.bits
        return tuple(outcomes)

    def _outcome(self, index: int, raw: int) -> Outcome:
        shown = self._numbers[index].read(raw)
        if isinstance(shown, str):
            return Refusal(shown)
        status, value = shown
        return self.rows[index].reading(value, status, self._parts[index].marks)

    def _read_thermometer(self, data: bytes) -> Outcome:
        flags = data[0] if data else 0
        size = _FLAGS_BYTES + 4  # a medfloat32
        size += _TIME_BYTES * bool(flags & _HAS_TIME) + _PLACE_BYTES * bool(flags & _HAS_PLACE)
        if len(data) != size:
            return Refusal(f"found {len(data)} bytes, expected {size}")
        raw = int.from_bytes(data[_FLAGS_BYTES : _FLAGS_BYTES + 4], "little")
        return self._outcome(flags & _FAHRENHEIT, raw)

    def write(self, wanted: int, reading: Reading) -> bytes:
        """The notification whose value of that index shows `reading`; the others are not known."""
        raw = self._numbers[wanted].write(reading.status, reading.value)
        if self._is_thermometer:
            return bytes([wanted]) + raw.to_bytes(4, "little")
        frame, place = 0, 0
        for index, part in enumerate(self._parts):
            unknown = [code for code, meaning in part.specials if meaning is Status.UNKNOWN]
            each = raw if index == wanted else (unknown or [0])[0] & ((1 << part.bits) - 1)
            frame |= each << place
            place += part.bits
        size = self._bytes - self._tail
        return frame.to_bytes(size, "little") + b"\xff" * self._tail


class AttributeDecoder:
    """Reads and writes the values that an attribute driver describes."""

    def __init__(self, driver: AttributeDriver) -> None:
        self._main = driver.link.notify
        self._attributes = {
            source: _Attribute(driver.table_of(source), rows)
            for source, rows in driver.sources.items()
        }
        self._places = {
            row.name: (source, index)
            for source, rows in driver.sources.items()
            for index, row in enumerate(rows)
        }

    def decode(self, data: bytes, pending: bytes = b"") -> tuple[tuple[Outcome, ...], bytes]:
        """Read one notification of `link.notify`; see `metercap.meter.decode.Decoder`."""
        del pending
        return self._attributes[self._main].read(data), b""

    def decode_from(self, source: str, data: bytes) -> tuple[Outcome, ...]:
        """Read one notification of the characteristic `source`.

        Where there is but one, it is that one, whatever it is called.
        """
        if len(self._attributes) == 1:
            return self._attributes[self._main].read(data)
        if source not in self._attributes:
            return (Refusal(f"found a value of {source}, which the driver does not describe"),)
        return self._attributes[source].read(data)

    def source_of(self, function: str) -> str:
        """The characteristic that carries a row of the function table; raises DisplayError."""
        try:
            return self._places[function][0]
        except KeyError:
            raise DisplayError(
                f"{function}: found no such function, expected one of {' '.join(self._places)}"
            ) from None

    def encode(self, reading: Reading) -> bytes:
        """Write the value that shows `reading`; raises DisplayError where none does.

        Other values of the same characteristic are written as not known, or as 0.
        """
        attribute = self._attributes[self.source_of(reading.function)]
        index = self._places[reading.function][1]
        try:
            data = attribute.write(index, reading)
        except (ValueError, OverflowError) as fault:
            raise DisplayError(f"{reading.function}: {fault}") from fault
        if reading not in attribute.read(data):
            raise DisplayError(f"{reading.function}: found {reading}, which no value here shows")
        return data
