"""Binary frames to readings and back, both from one description; streams are not cut here.

A frame is taken as one little-endian whole number, so bit "2.3" is bit 19. A field, however its
bits are scattered, is then a mask, and a digit or a function row is a look-up of the masked number
in a table made once. Every table runs both ways.
"""

from __future__ import annotations

import re
import struct
from decimal import ROUND_HALF_EVEN, Decimal
from typing import TYPE_CHECKING

from metercap.errors import DisplayError
from metercap.meter.attribute import (
    decimal_text,
    read_medfloat,
    split_decimal,
    write_medfloat,
)
from metercap.meter.description import (
    MOST_DIGITS,
    SECOND,
    ChecksumKind,
    Field,
    FrameDriver,
    FrameFunction,
    SecondFunction,
    bit_address,
    bit_number,
    checksum_bits,
    digit_rests,
    digit_segments,
    field_bits,
    glyphs_of,
)
from metercap.model import Outcome, Reading, Refusal, Status

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

_NUMBER = re.compile(r"-?[0-9]{1,8}(?:\.[0-9]{1,8})?", re.ASCII)
_MOST_NUMBER = 10**MOST_DIGITS

# ---- checksums ----


def _reflected_table(polynomial: int) -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = crc >> 1 ^ (polynomial if crc & 1 else 0)
        table.append(crc)
    return tuple(table)


def _forward_table(polynomial: int) -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ (polynomial if crc & 0x8000 else 0)) & 0xFFFF
        table.append(crc)
    return tuple(table)


_X8005 = _reflected_table(0xA001)  # 0x8005 with its bits in reverse
_X1021_REFLECTED = _reflected_table(0x8408)  # 0x1021 with its bits in reverse
_X1021 = _forward_table(0x1021)


def _reflected(table: tuple[int, ...], start: int) -> Callable[[bytes], int]:
    def crc_of(data: bytes) -> int:
        crc = start
        for byte in data:
            crc = crc >> 8 ^ table[(crc ^ byte) & 0xFF]
        return crc

    return crc_of


def _forward(table: tuple[int, ...], start: int) -> Callable[[bytes], int]:
    def crc_of(data: bytes) -> int:
        crc = start
        for byte in data:
            crc = (crc << 8 & 0xFF00) ^ table[crc >> 8 ^ byte]
        return crc

    return crc_of


def _sum8(data: bytes) -> int:
    return sum(data) & 0xFF


def _xor8(data: bytes) -> int:
    total = 0
    for byte in data:
        total ^= byte
    return total


# Names and parameters as in the catalogue of parametrised CRC algorithms (reveng).
CHECKSUMS: dict[ChecksumKind, Callable[[bytes], int]] = {
    "sum8": _sum8,
    "xor8": _xor8,
    "CRC-16/MODBUS": _reflected(_X8005, 0xFFFF),
    "CRC-16/ARC": _reflected(_X8005, 0),
    "CRC-16/KERMIT": _reflected(_X1021_REFLECTED, 0),
    "CRC-16/XMODEM": _forward(_X1021, 0),
    "CRC-16/IBM-3740": _forward(_X1021, 0xFFFF),
}


# ---- bits ----


def _runs(bits: tuple[int, ...]) -> tuple[tuple[int, int, int], ...]:
    """Bit numbers, least significant first, to (shift in the frame, mask, place in the value)."""
    runs, place = [], 0
    while place < len(bits):
        end = place
        while end + 1 < len(bits) and bits[end + 1] == bits[end] + 1:
            end += 1
        runs.append((bits[place], (1 << (end - place + 1)) - 1, place))
        place = end + 1
    return tuple(runs)


class _Bits:
    """One value's bits: out of the frame's number and back into it."""

    def __init__(self, bits: tuple[int, ...], *, signed: bool = False) -> None:
        self.mask = sum(1 << bit for bit in bits)
        self._runs = _runs(bits)
        self._one = self._runs[0] if len(self._runs) == 1 else None
        self._half = 1 << (len(bits) - 1) if signed else 0
        self.lowest = -self._half
        self.highest = (self._half or 1 << len(bits)) - 1

    def read(self, frame: int) -> int:
        if self._one is not None:
            shift, mask, _ = self._one
            raw = frame >> shift & mask
        else:
            raw = 0
            for shift, mask, place in self._runs:
                raw |= (frame >> shift & mask) << place
        return (raw ^ self._half) - self._half if self._half else raw

    def write(self, value: int) -> int:
        if not self.lowest <= value <= self.highest:
            raise ValueError(f"found {value}, expected {self.lowest} to {self.highest}")
        frame = 0
        for shift, mask, place in self._runs:
            frame |= (value >> place & mask) << shift
        return frame


def _bits_of(field: Field) -> _Bits:
    return _Bits(field_bits(field)[0], signed=field.type == "sint")


class _Characters:
    """The digits of a display: one table each from masked frame to character, and its inverse."""

    def __init__(self, field: Field) -> None:
        glyphs = glyphs_of(field)
        masks = [sum(1 << bit for bit in bits) for bits in field_bits(field)]
        self.writes = tuple(
            {
                char: bits
                for char, pattern in glyphs.items()
                if (bits := _formed(segments, rest, pattern)) is not None
            }
            for segments, rest in zip(digit_segments(field), digit_rests(field), strict=True)
        )
        self.reads = tuple(
            (mask, {bits: char for char, bits in table.items()})
            for mask, table in zip(masks, self.writes, strict=True)
        )
        self.mask = sum(masks)
        self.blank = " " if " " in glyphs else "0"
        self.has_blanks = " " in glyphs

    def write(self, text: str) -> int:
        """Set `text`, right-aligned; raises ValueError where it does not fit."""
        if len(text) > len(self.writes):
            raise ValueError(f"found {text!r}, expected at most {len(self.writes)} characters")
        frame = 0
        for table, char in zip(self.writes, text.rjust(len(self.writes), self.blank), strict=True):
            if char not in table:
                raise ValueError(f"found {char!r} in {text!r}, which the display cannot form")
            frame |= table[char]
        return frame


def _formed(segments: tuple[tuple[int, ...], ...], rest: int, pattern: int) -> int | None:
    """The bits of the frame that form `pattern`; None where this digit cannot."""
    frame = dark = 0
    for place, bits in enumerate(segments):
        lit = pattern >> place & 1
        if not bits and lit != rest >> place & 1:
            return None
        for bit in bits:
            frame |= lit << bit
            dark |= (1 - lit) << bit
    return None if frame & dark else frame


class _Places:
    """The decimal point as a code of its own."""

    def __init__(self, driver: FrameDriver) -> None:
        table = driver.value.places
        self.mask = 0
        self._read: dict[int, int] = {}
        self._write: dict[int, int] = {}
        if table is None:
            return
        bits = _bits_of(driver.field[table.field])
        self.mask = bits.mask
        for code, places in table.places_of.items():
            self._read[bits.write(code)] = places
            self._write.setdefault(places, bits.write(code))

    def read(self, frame: int, row: FrameFunction) -> int | None:
        """Digits after the point; None where the code is not known."""
        return self._read.get(frame & self.mask) if self.mask else row.decimals or 0

    def write(self, places: int) -> int:
        if not self.mask:
            return 0
        if places not in self._write:
            raise ValueError(f"found {places} decimals, which no code says")
        return self._write[places]


_NO_PLACE = "unknown code for the decimal point"


class _State:
    """A code beside the value that says whether it is a number."""

    def __init__(self, driver: FrameDriver) -> None:
        table = driver.value.state
        self.mask = 0
        self._special: set[int] = set()
        self._read: dict[int, Status] = {0: Status.OK}
        self._write: dict[Status, int] = {}
        if table is None:
            return
        bits = _bits_of(driver.field[table.field])
        self.mask = bits.mask
        self._read = {bits.write(code): s for code, s in table.status_of.items() if s is not None}
        self._special = {bits.write(code) for code, s in table.status_of.items() if s is None}
        for frame, status in self._read.items():
            self._write.setdefault(status, frame)

    def read(self, frame: int) -> Status | None:
        """What the code says; None where it is not known, or leaves it to the value."""
        return self._read.get(frame & self.mask)

    def is_special(self, frame: int) -> bool:
        """Whether the value itself must say that it is no number."""
        return frame & self.mask in self._special

    def says(self, status: Status) -> bool:
        return status in self._write

    def write(self, status: Status) -> int:
        # What the value itself says, as a blank display, stands beside the code for a number.
        if status not in self._write and status is not Status.OK and self._special:
            return min(self._special)
        return self._write.get(status, self._write.get(Status.OK, 0))


# What a rule reads: a status with digits or none, or one line saying why there is neither.
_Shown = tuple[Status, str | None] | str


def _with_sign(status: Status) -> _Shown:
    """A lit minus beside what is no number: beyond the range on its far side, or nonsense."""
    return (Status.UNDER, None) if status is Status.OVER else "found a sign, expected none"


class _DigitsRule:
    """The number is what the digits spell, with a sign flag and a point from flags or the row."""

    def __init__(self, driver: FrameDriver) -> None:
        value = driver.value
        field = driver.field[value.digits or ""]
        self._characters = _Characters(field)
        self._sign = _flag(driver, value.sign)
        self._points = tuple(_flag(driver, name) for name in value.points)
        self._points_mask = sum(self._points)
        self._places = _Places(driver)
        self._point_of = {0: 0} | {bit: n + 1 for n, bit in enumerate(self._points)}
        self._has_blanks = self._characters.has_blanks
        self._specials = {
            str(text).strip(" "): status
            for status, texts in value.specials.items()
            for text in texts
        }
        self._writes = {status: str(texts[0]) for status, texts in value.specials.items() if texts}
        self.mask = self._characters.mask | self._sign | self._points_mask | self._places.mask
        self.loose, self.unshown = self._places.mask, 0

    def read(self, frame: int, row: FrameFunction) -> _Shown:
        text = ""
        for mask, table in self._characters.reads:
            char = table.get(frame & mask)
            if char is None:
                return f"unknown pattern in digit {len(text) + 1}, expected one of the glyphs"
            text += char
        point = self._point_of.get(frame & self._points_mask)
        if point is None:
            return "found two decimal points, expected at most one"
        if point:
            text = f"{text[:point]}.{text[point:]}"
        return self._mean(text, bool(frame & self._sign), self._places.read(frame, row))

    def _mean(self, text: str, negative: bool, decimals: int | None) -> _Shown:
        """What the display's text says; trailing blanks are part of no number."""
        bare = text.strip(" ")
        if bare in self._specials:
            status = self._specials[bare]
            return _with_sign(status) if negative else (status, None)
        if bare == "" and not negative:
            return Status.BLANK, None
        if decimals is None:
            return _NO_PLACE
        number = text.lstrip(" ")
        if decimals:
            number = f"{number[:-decimals]}.{number[-decimals:]}"
        if not self._has_blanks:
            number = _drop_zeros(number)
        if negative:
            number = f"-{number}"
        if _NUMBER.fullmatch(number) is None:
            return f"unknown pattern: the display spells {number!r}, expected a number"
        return Status.OK, number

    def write(self, status: Status, value: str | None, row: FrameFunction) -> int:
        if status is Status.BLANK and status not in self._writes:
            return self._characters.write("")
        if status is Status.OK:
            text = value or ""
            if text.startswith("-") and self._sign:
                return self._sign | self._spell(text[1:], row)
            return self._spell(text, row)
        if status in self._writes:
            return self._spell(self._writes[status], row)
        if status is Status.UNDER and Status.OVER in self._writes and self._sign:
            return self._sign | self._spell(self._writes[Status.OVER], row)
        raise ValueError(f"found status {status.value}, which the display cannot say")

    def _spell(self, text: str, row: FrameFunction) -> int:
        """Set digits and point."""
        whole, dot, decimals = text.partition(".")
        if not self._points:
            number = self._characters.write(
                text if row.decimals is None and not self._places.mask else whole + decimals
            )
            # What is no number brings no point.
            return number | (self._places.write(len(decimals)) if text[-1:].isdigit() else 0)
        if not dot:
            return self._characters.write(whole)
        place = len(self._characters.writes) - len(decimals) - 1
        if not 0 <= place < len(self._points):
            raise ValueError(f"found {text!r}, which has no such place for a point")
        return self._points[place] | self._characters.write(whole + decimals)


def _drop_zeros(text: str) -> str:
    """A display without blanks sends leading zeros that it does not show: "00.35" is "0.35"."""
    whole, dot, decimals = text.partition(".")
    return (whole.lstrip("0") or "0") + dot + decimals


class _CountRule:
    """The number is a whole count, with its point from an exponent or from the row."""

    def __init__(self, driver: FrameDriver) -> None:
        value = driver.value
        self._count = _bits_of(driver.field[value.count or ""])
        self._exponent = _bits_of(driver.field[value.exponent]) if value.exponent else None
        self._places = _Places(driver)
        self._most = value.most or _MOST_NUMBER - 1
        self._top = str(value.most) if value.most else f"{MOST_DIGITS} digits"
        self._sign = _flag(driver, value.sign)
        self._specials = {
            int(raw): status for status, raws in value.specials.items() for raw in raws
        }
        self._writes = {status: int(raws[0]) for status, raws in value.specials.items() if raws}
        self.mask = self._count.mask | self._sign | self._places.mask
        self.loose, self.unshown = self._places.mask, 0
        if self._exponent is not None:
            self.mask |= self._exponent.mask

    def read(self, frame: int, row: FrameFunction) -> _Shown:
        count = self._count.read(frame)
        negative = bool(frame & self._sign)
        if count in self._specials:
            status = self._specials[count]
            return _with_sign(status) if negative else (status, None)
        if abs(count) > self._most:
            return f"found count {count}, expected at most {self._top}"
        places = self._places.read(frame, row)
        if places is None:
            return _NO_PLACE
        exponent = -places if self._exponent is None else self._exponent.read(frame)
        if not -MOST_DIGITS <= exponent <= 0:
            return (
                f"found exponent {exponent}, expected {-MOST_DIGITS} to 0: digits would be made up"
            )
        text = decimal_text(count, exponent)
        return Status.OK, f"-{text}" if negative else text

    def write(self, status: Status, value: str | None, _row: FrameFunction) -> int:
        if status is not Status.OK:
            if status in self._writes:
                return self._count.write(self._writes[status])
            if status is Status.UNDER and Status.OVER in self._writes and self._sign:
                return self._sign | self._count.write(self._writes[Status.OVER])
            raise ValueError(f"found status {status.value}, which the frame cannot say")
        text = value or ""
        frame = 0
        if text.startswith("-") and self._sign:
            frame, text = self._sign, text[1:]
        count, exponent = split_decimal(text)
        frame |= self._count.write(count) | self._places.write(-exponent)
        if self._exponent is not None:
            frame |= self._exponent.write(exponent)
        return frame


class _NumberRule:
    """The number is a floating field of its own."""

    def __init__(self, driver: FrameDriver) -> None:
        field = driver.field[driver.value.number or ""]
        self._type = field.type
        self._bits = _bits_of(field)
        self._mantissa_bits = 12 if field.type == "medfloat16" else 24
        self._places = _Places(driver)
        self._specials = {
            int(raw): status for status, raws in driver.value.specials.items() for raw in raws
        }
        self._writes = {
            status: int(raws[0]) for status, raws in driver.value.specials.items() if raws
        }
        self.mask = self._bits.mask | self._places.mask
        self.loose = self._places.mask
        # A float32 may hold more than its display shows; that both show the same is checked apart.
        self.unshown = self._bits.mask if self._type == "float32" else 0

    def read(self, frame: int, row: FrameFunction) -> _Shown:
        raw = self._bits.read(frame)
        if self._type != "float32":
            return read_medfloat(raw, self._mantissa_bits)
        if raw in self._specials:
            return self._specials[raw], None
        places = self._places.read(frame, row)
        if places is None:
            return _NO_PLACE
        number = Decimal(struct.unpack("<f", raw.to_bytes(4, "little"))[0])
        # Not a number, and both infinities, are false here; so is what no display could hold.
        if not (number.is_finite() and abs(number) < _MOST_NUMBER):
            return f"found {number} as float32, expected a number of at most {MOST_DIGITS} digits"
        step = Decimal(1).scaleb(-places)
        shown = number.quantize(step, ROUND_HALF_EVEN)
        if number and not shown:
            shown = abs(shown)  # a zero carries no sign of what it came from
        return Status.OK, format(shown, "f")

    def write(self, status: Status, value: str | None, _row: FrameFunction) -> int:
        if self._type != "float32":
            return self._bits.write(write_medfloat(status, value, self._mantissa_bits))
        if status in self._writes:
            return self._bits.write(self._writes[status])
        if status is not Status.OK:
            raise ValueError(f"found status {status.value}, which this float32 does not say")
        _, exponent = split_decimal(value or "")
        raw = struct.pack("<f", float(value or ""))  # the wire's own form; never stored
        return self._bits.write(int.from_bytes(raw, "little")) | self._places.write(-exponent)


def _flag(driver: FrameDriver, name: str | None) -> int:
    """The bit of a flag within the frame's number; 0, which is never lit, for no flag."""
    return 0 if name is None else _bits_of(driver.field[name]).mask


def _code(field: Field, code: int | str) -> int:
    """A code as bits of the frame's number."""
    if isinstance(code, str):
        return _Characters(field).write(code)
    return _bits_of(field).write(code)


def _rule(driver: FrameDriver) -> _DigitsRule | _CountRule | _NumberRule:
    if driver.value.digits is not None:
        return _DigitsRule(driver)
    return _CountRule(driver) if driver.value.count is not None else _NumberRule(driver)


class _Display:
    """What one display of the meter shows in a frame that is whole, and the bits that show it."""

    def __init__(self, driver: FrameDriver) -> None:
        self._rule = _rule(driver)
        self._state = _State(driver)
        self._over_flag = _flag(driver, driver.value.over_flag)
        self._sign = _flag(driver, driver.value.sign)
        self._select_mask, self._rows, self._keys = _rows(driver)
        self._shown = {
            row.name: (row.quantity, row.unit, *row.reading(None)[4:]) for row in driver.function
        }
        self._dark = {
            row.name for row in driver.function if isinstance(row, SecondFunction) and row.blank
        }
        self._is_plain = not (self._state.mask or self._over_flag or self._dark)
        # In order of the words, not of the file, so that a driver read back from JSON whose keys
        # were sorted gives the same reading.
        self._marks = tuple(
            sorted((text, _flag(driver, name)) for name, text in driver.marks.items())
        )
        self._marks_mask = sum(bit for _, bit in self._marks)

    def read(self, frame: int) -> Outcome:
        """What this display shows in a frame that is whole."""
        row = self._rows.get(frame & self._select_mask)
        if row is None:
            return self._wrong_function(frame)
        shown = self._rule.read(frame, row) if self._is_plain else self._what_shows(frame, row)
        if isinstance(shown, str):
            return Refusal(f"{row.name}: {shown}")
        status, value = shown
        marks = (
            tuple([text for text, bit in self._marks if frame & bit])
            if frame & self._marks_mask
            else ()
        )
        quantity, unit, coupling, name, ceiling, accuracy, own, channel = self._shown[row.name]
        if own:
            marks = tuple(sorted({*marks, *own}))
        return Reading(
            quantity, value, unit, status, coupling, name, ceiling, accuracy, marks, channel
        )

    def _what_shows(self, frame: int, row: FrameFunction) -> _Shown:
        """What the value says, unless a flag or code beside it says that there is none."""
        if row.name in self._dark:
            return Status.BLANK, None
        if self._state.mask:
            state = self._state.read(frame)
            if state is None:
                return self._special_shown(frame, row)
            if state is Status.OVER:
                return Status.UNDER if frame & self._sign else state, None
            if state is not Status.OK:
                return state, None
        if frame & self._over_flag:
            return Status.UNDER if frame & self._sign else Status.OVER, None
        return self._rule.read(frame, row)

    def _special_shown(self, frame: int, row: FrameFunction) -> _Shown:
        if not self._state.is_special(frame):
            return "unknown code for the state"
        shown = self._rule.read(frame, row)
        if not isinstance(shown, str) and shown[0] is Status.OK:
            return "found a number beside a state that has none"
        return shown

    def idle(self, beside: Reading) -> Iterable[Reading]:
        """What this display can show while nobody says what, the emptiest first."""
        lit = tuple(text for text, _ in self._marks if text in beside.marks)
        statuses = (Status.BLANK, Status.INVALID, Status.UNKNOWN)
        zeros = [decimal_text(0, -places) for places in range(MOST_DIGITS)]
        shown = [(None, status) for status in statuses] + [(zero, Status.OK) for zero in zeros]
        for value, status in shown:
            for row in self._rows.values():
                idle = row.reading(value, status, lit)
                try:
                    self.write(idle)
                except DisplayError:
                    continue
                yield idle

    def write(self, reading: Reading) -> int:
        """The bits of this display that show `reading`; raises DisplayError."""
        if reading.function not in self._keys:
            known = " ".join(self._keys)
            raise DisplayError(f"function: found {reading.function!r}, expected one of {known}")
        key = self._keys[reading.function]
        row = self._rows[key]
        frame = key
        for text, bit in self._marks:
            if text in reading.marks:
                frame |= bit
        try:
            return frame | self._value_bits(reading, row)
        except (ValueError, OverflowError) as fault:
            raise DisplayError(f"{row.name}: {fault}") from fault

    def _value_bits(self, reading: Reading, row: FrameFunction) -> int:
        if row.name in self._dark:
            return 0
        if self._over_flag and reading.status is Status.OVER:
            return self._over_flag
        if self._over_flag and self._sign and reading.status is Status.UNDER:
            return self._over_flag | self._sign
        if reading.status is not Status.OK and self._state.says(reading.status):
            return self._state.write(reading.status)
        if reading.status is Status.UNDER and self._sign and self._state.says(Status.OVER):
            return self._sign | self._state.write(Status.OVER)
        code = self._state.write(reading.status)
        return code | self._rule.write(reading.status, reading.value, row)

    def loose(self, a: int, b: int) -> int:
        """Bits of this display that two frames may differ in."""
        rows = [self._rows.get(frame & self._select_mask) for frame in (a, b)]
        if all(row is not None and row.name in self._dark for row in rows):
            return self._rule.mask | self._state.mask | self._over_flag
        loose = 0
        if a & b & self._over_flag:
            loose |= self._rule.mask & ~self._sign
        states = self._state.read(a), self._state.read(b)
        if states[0] is states[1] not in {None, Status.OK}:
            loose |= self._state.mask | self._rule.mask & ~self._sign
        if self._shows_special(a) and self._shows_special(b):
            loose |= self._state.mask
        return loose | self._not_shown(a) & self._not_shown(b)

    def _shows_special(self, frame: int) -> bool:
        """Whether the value itself says that it is no number."""
        row = self._rows.get(frame & self._select_mask)
        shown = "no function" if row is None else self._rule.read(frame, row)
        return not isinstance(shown, str) and shown[0] is not Status.OK

    def _not_shown(self, frame: int) -> int:
        """Bits of the value that a frame's reading leaves open."""
        row = self._rows.get(frame & self._select_mask)
        shown = "no function" if row is None else self._rule.read(frame, row)
        if isinstance(shown, str):
            return 0
        return self._rule.loose if shown[0] is not Status.OK else self._rule.unshown

    def _wrong_function(self, frame: int) -> Refusal:
        lit = [bit_address(n) for n in _lit(frame & self._select_mask)]
        return Refusal(f"unknown pattern: no function has just the bits {' '.join(lit) or 'none'}")


class FrameDecoder:
    """Reads and writes the frames that a frame driver describes."""

    def __init__(self, driver: FrameDriver) -> None:
        frame = driver.frame
        self._length = frame.length
        self._xor = _mask_number(frame.xor, frame.length)
        self._const_mask, self._const = 0, 0
        for const in frame.const:
            data = bytes.fromhex(const.hex)
            self._const |= int.from_bytes(data, "little") << 8 * const.at
            self._const_mask |= (1 << 8 * len(data)) - 1 << 8 * const.at
        for bit in map(bit_number, frame.on):
            self._const |= 1 << bit
            self._const_mask |= 1 << bit
        for bit in map(bit_number, frame.off):
            self._const_mask |= 1 << bit
        self._sum = frame.checksum
        if self._sum is not None:
            self._sum_of = CHECKSUMS[self._sum.kind]
            self._over = slice(*self._sum.over)
            self._sum_at = slice(self._sum.at, self._sum.at + self._sum.width)
            self._sum_plain = self._sum.domain == "plain" and self._xor != 0
        self._reserved = sum(1 << bit_number(b) for b in frame.reserved)
        second = driver.find_second_alone()
        self._main = _Display(driver)
        self._second = None if second is None else _Display(second)

    def decode(self, data: bytes, pending: bytes = b"") -> tuple[tuple[Outcome, ...], bytes]:
        """Read one frame; see `metercap.meter.decode.Decoder`.

        Of two displays the main one comes first. What one of them shows may be refused alone, where
        a checksum says that the frame is whole.
        """
        del pending  # a notification is a whole frame
        if len(data) != self._length:
            return (self._wrong_length(len(data)),), b""
        frame = int.from_bytes(data, "little") ^ self._xor
        if frame & self._const_mask != self._const:
            return (self._wrong_constant(frame),), b""
        if self._sum is not None:
            summed = frame.to_bytes(self._length, "little") if self._sum_plain else data
            wanted = self._sum_of(summed[self._over])
            found = int.from_bytes(summed[self._sum_at], self._sum.order)
            if found != wanted:
                return (_wrong_sum(self._sum.kind, found, wanted, self._sum.width),), b""
        if self._second is None:
            return (self._main.read(frame),), b""
        both = (
            _of_display("main", self._main.read(frame)),
            _of_display(SECOND, self._second.read(frame)),
        )
        if self._sum is None:
            refused = [outcome for outcome in both if isinstance(outcome, Refusal)]
            return (*refused[:1],) or both, b""
        return both, b""

    def encode(self, reading: Reading) -> bytes:
        """Write the frame that shows `reading`; raises DisplayError where none does.

        A second display then shows nothing, or where it cannot, no value, or where it cannot, 0.
        """
        frame = self._const | self._main.write(reading)
        if self._second is not None:
            for idle in self._second.idle(reading):
                data = self._seal(frame | self._second.write(idle))
                if self.decode(data)[0] == (reading, idle):
                    return data
        data = self._seal(frame)
        if self.decode(data)[0][0] != reading:
            raise DisplayError(f"{reading.function}: found {reading}, which no frame here shows")
        return data

    def encode_all(self, readings: tuple[Reading, ...]) -> bytes:
        """Write the frame that shows these, the main display first; raises DisplayError."""
        match readings, self._second:
            case (main,), _:
                return self.encode(main)
            case (main, other), _Display() as second:
                data = self._seal(self._const | self._main.write(main) | second.write(other))
            case _:
                raise DisplayError(
                    f"found {len(readings)} readings, expected one for each display at most"
                )
        if self.decode(data)[0] != readings:
            raise DisplayError(
                f"{main.function}: found {main} beside {other}, which no frame here shows"
            )
        return data

    def _seal(self, frame: int) -> bytes:
        """Add the checksum and lay the mask."""
        masked = (frame ^ self._xor).to_bytes(self._length, "little")
        if self._sum is None:
            return masked
        plain = self._sum.domain == "plain"
        data = bytearray(frame.to_bytes(self._length, "little") if plain else masked)
        data[self._sum_at] = self._sum_of(bytes(data[self._over])).to_bytes(
            self._sum.width, self._sum.order
        )
        if not plain:
            return bytes(data)
        return (int.from_bytes(data, "little") ^ self._xor).to_bytes(self._length, "little")

    def is_same(self, one: bytes, other: bytes) -> bool:
        """Whether two frames differ at most in what no reading determines.

        That is: reserved bits, the digits behind an over-range flag or state, the point beside what
        is no number, and what of a float32 is not shown; and then the checksum.
        """
        a, b = (int.from_bytes(data, "little") ^ self._xor for data in (one, other))
        loose = self._reserved | self._main.loose(a, b)
        if self._second is not None:
            loose |= self._second.loose(a, b)
        if (a ^ b) & loose and self._sum is not None:
            loose |= sum(1 << bit for bit in checksum_bits(self._sum))
        return len(one) == len(other) and not (a ^ b) & ~loose

    def _wrong_length(self, found: int) -> Refusal:
        if found < self._length:
            return Refusal(f"cut: found {found} bytes, expected {self._length}")
        if found % self._length == 0:
            return Refusal(
                f"joined: found {found // self._length} frames of {self._length} bytes in one "
                "notification, expected one"
            )
        return Refusal(f"too long: found {found} bytes, expected {self._length}")

    def _wrong_constant(self, frame: int) -> Refusal:
        wrong = (frame ^ self._const) & self._const_mask
        byte = ((wrong & -wrong).bit_length() - 1) // 8
        found, wanted = (number >> 8 * byte & 0xFF for number in (frame, self._const))
        return Refusal(f"constant: found {found:02X} in byte {byte}, expected {wanted:02X}")


def _of_display(display: str, outcome: Outcome) -> Outcome:
    if isinstance(outcome, Refusal):
        return Refusal(f"{display} display: {outcome.reason}")
    return outcome


def _lit(number: int) -> Iterable[int]:
    return (bit for bit in range(number.bit_length()) if number >> bit & 1)


def _wrong_sum(kind: str, found: int, wanted: int, width: int) -> Refusal:
    return Refusal(f"{kind}: found {found:0{2 * width}X}, expected {wanted:0{2 * width}X}")


def _mask_number(xor: str | None, length: int) -> int:
    """The mask, repeated over the whole frame, as one number."""
    if xor is None:
        return 0
    key = bytes.fromhex(xor)
    return int.from_bytes((key * length)[:length], "little")


def _rows(driver: FrameDriver) -> tuple[int, dict[int, FrameFunction], dict[str, int]]:
    """Mask of all function bits; those bits -> row; the row's name -> those bits."""
    selectors = sorted({name for row in driver.function for name in row.codes})
    mask = 0
    for name in selectors:
        for bits in field_bits(driver.field[name]):
            mask |= sum(1 << bit for bit in bits)
    keys = {
        row.name: sum(_code(driver.field[name], code) for name, code in row.codes.items())
        for row in driver.function
    }
    return mask, {keys[row.name]: row for row in driver.function}, keys


def find_unprotected(driver: FrameDriver) -> tuple[str, ...]:
    """Bits whose change no constant and no checksum would show, as addresses; reserved ones too."""
    frame = driver.frame
    guarded = {
        bit
        for const in frame.const
        for bit in range(8 * const.at, 8 * (const.at + len(bytes.fromhex(const.hex))))
    }
    if frame.checksum is not None:
        start, stop = frame.checksum.over
        guarded |= {*range(8 * start, 8 * stop), *checksum_bits(frame.checksum)}
    return tuple(bit_address(n) for n in range(8 * frame.length) if n not in guarded)
