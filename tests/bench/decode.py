"""Microseconds to decode one bench-count frame: this engine, a hand-written reader, construct.

All three do the same work: constant, CRC-16/MODBUS, function, digits as text, marks, and a Reading.
"""

from __future__ import annotations

import struct
import timeit
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import construct

from metercap.meter.decode import build_decoder
from metercap.meter.description import parse_driver
from metercap.meter.frame import CHECKSUMS
from metercap.model import Accuracy, Reading, Refusal, Status

if TYPE_CHECKING:
    from collections.abc import Callable

DRIVER = Path(__file__).parents[2] / "drivers" / "bench-count.toml"
ROUNDS, TURNS = 25, 50

_crc = CHECKSUMS["CRC-16/MODBUS"]
_LAYOUT = struct.Struct("<2sBibBBH")
_ROWS = {
    1: ("voltage", "V", "ac", "volts-ac", "600.0", Accuracy(Decimal("1.0"), Decimal(3))),
    2: ("voltage", "V", "dc", "volts-dc", "600.0", Accuracy(Decimal("0.5"), Decimal(2))),
    3: ("resistance", "Ohm", None, "ohms-fine", "60.00", Accuracy(Decimal("1.2"), Decimal(5))),
    4: ("resistance", "Ohm", None, "ohms", "600.0", Accuracy(Decimal("0.8"), Decimal(3))),
    5: ("resistance", "kOhm", None, "kilohms", "600.0", Accuracy(Decimal("0.8"), Decimal(2))),
    6: ("resistance", "MOhm", None, "megohms", "60.00", Accuracy(Decimal("2.0"), Decimal(5))),
}
_MARKS = ((), ("hold",), ("low battery",), ("hold", "low battery"))
_SPECIALS = {0x7FFFFFFF: Status.OVER, -0x80000000: Status.UNDER, 0x7FFFFFFE: Status.UNKNOWN}


def _reading(function: int, count: int, exponent: int, marks: int) -> Reading | Refusal:
    row = _ROWS.get(function)
    if row is None:
        return Refusal("function")
    quantity, unit, coupling, name, ceiling, accuracy = row
    status, value = _SPECIALS.get(count), None
    if status is None:
        if not (-8 <= exponent <= 0 and -100_000_000 < count < 100_000_000):
            return Refusal("digits")
        status = Status.OK
        value = str(count)
        if exponent:
            sign, digits = ("-", str(-count)) if count < 0 else ("", value)
            digits = digits.zfill(1 - exponent)
            value = f"{sign}{digits[:exponent]}.{digits[exponent:]}"
    return Reading(
        quantity, value, unit, status, coupling, name, ceiling, accuracy, _MARKS[marks & 3]
    )


def read_by_hand(data: bytes) -> Reading | Refusal:
    """The fastest plain Python that we would write for this one meter."""
    if len(data) != 12:
        return Refusal("length")
    head, function, count, exponent, flags, _, crc = _LAYOUT.unpack(data)
    if head != b"\xc5\x3a":
        return Refusal("constant")
    if crc != _crc(data[:10]):
        return Refusal("crc")
    return _reading(function, count, exponent, flags)


COUNT_FORMAT = construct.Struct(
    "body"
    / construct.RawCopy(
        construct.Struct(
            construct.Const(b"\xc5\x3a"),
            "function" / construct.Int8ul,
            "count" / construct.Int32sl,
            "exponent" / construct.Int8sl,
            "flags" / construct.Int8ul,
            construct.Padding(1),
        )
    ),
    "crc" / construct.Checksum(construct.Int16ul, _crc, construct.this.body.data),
    construct.Terminated,
)


def read_by_construct(data: bytes) -> Reading | Refusal:
    """The same frame, described in construct."""
    try:
        body = COUNT_FORMAT.parse(data).body.value
    except construct.ConstructError as fault:
        return Refusal(str(fault))
    return _reading(body.function, body.count, body.exponent, body.flags)


def _microseconds(readers: list[Callable[[bytes], object]], frames: list[bytes]) -> list[float]:
    """The best round of each, taken in turns, so that what else the machine did counts for none."""

    def one_round(read: Callable[[bytes], object]) -> float:
        def every_frame() -> None:
            for frame in frames:
                read(frame)

        return timeit.timeit(every_frame, number=1) / len(frames) * 1e6

    rounds = [[one_round(read) for read in readers] for _ in range(ROUNDS)]
    return [min(times) for times in zip(*rounds, strict=True)]


def rows() -> list[tuple[str, str]]:
    """Labels and measured texts."""
    driver = parse_driver(DRIVER.read_text("utf-8"), DRIVER.name)
    examples = [bytes.fromhex(example.hex or "") for example in driver.example]
    decode = build_decoder(driver).decode
    for frame in examples:
        if not decode(frame)[0][0] == read_by_hand(frame) == read_by_construct(frame):
            raise AssertionError(f"the three readers differ over {frame.hex()}")
    hand, engine, other = _microseconds([read_by_hand, decode, read_by_construct], examples * TURNS)
    return [
        ("decode, hand-written struct reader", f"{hand:.2f} us per frame"),
        ("decode, from the driver file", f"{engine:.2f} us per frame ({engine / hand:.1f} x hand)"),
        ("decode, construct", f"{other:.1f} us per frame ({other / engine:.1f} x driver file)"),
    ]


if __name__ == "__main__":
    for label, measured in rows():
        print(f"{label:40} {measured}")
