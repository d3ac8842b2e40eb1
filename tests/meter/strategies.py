"""Driver files to test with, and hypothesis strategies for all that their displays can say."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import TYPE_CHECKING

from hypothesis import strategies as st

from metercap.meter.advert import MEASURES
from metercap.meter.attribute import decimal_text
from metercap.meter.description import (
    SAMPLED,
    AdvertDriver,
    AdvertFunction,
    AttributeDriver,
    FrameDriver,
    LineDriver,
    SecondFunction,
    field_bits,
    parse_driver,
)
from metercap.meter.reply import Answer, Asked, ReplyDecoder
from metercap.model import Reading, Status

if TYPE_CHECKING:
    from metercap.meter.decode import Decoder
    from metercap.meter.description import Driver, FrameFunction, Function

DRIVERS = Path(__file__).parents[2] / "drivers"
SHIPPED = sorted(path.stem for path in DRIVERS.glob("*.toml"))


def shipped(name: str) -> Driver:
    return parse_driver((DRIVERS / f"{name}.toml").read_text("utf-8"), f"drivers/{name}.toml")


_HEAD = """
id = "bench"
title = "Bench"
version = "1"
kind = "{kind}"
[match]
name = "BENCH"
[link]
notify = "5e6d0002-9a1c-4b57-8f2e-6b1d3c7a9f10"
write = "5e6d0003-9a1c-4b57-8f2e-6b1d3c7a9f10"
interval = "1 s"
[[example]]
hex = "00"
reading = {{ function = "volts", quantity = "voltage", value = "1", unit = "V" }}
"""
_VOLTS = """
[[function]]
name = "volts"
quantity = "voltage"
unit = "V"
coupling = "dc"
ceiling = "600.0"
"""
_OHMS = """
[[function]]
name = "ohms"
quantity = "resistance"
unit = "Ohm"
coupling = "none"
ceiling = "600.0"
"""


def _second(row: str, name: str) -> str:
    """The same row, but of a second display."""
    _, rest = row.split("quantity")
    return f'[[second.function]]\nname = "{name}"\nquantity{rest}'


# Bodies that use what no shipped file does.
BODIES = {
    "bcd": (
        "frame",
        """
[frame]
length = 5
xor = "A5 3C"
checksum = { kind = "xor8", over = [0, 4], at = 4, domain = "wire" }
reserved = ["3.6", "3.7"]
[field]
digits = { type = "bcd", at = 0, bytes = 2, order = "big" }
minus = { type = "flag", bits = ["2.0"] }
over = { type = "flag", bits = ["2.1"] }
p1 = { type = "flag", bits = ["2.2"] }
p3 = { type = "flag", bits = ["2.3"] }
p2 = { type = "flag", bits = ["2.4"] }
hold = { type = "flag", bits = ["2.5"] }
function = { type = "uint", bits = ["3.5", "2.6", "3.0", "2.7", "3.1", "3.2", "3.3", "3.4"] }
[value]
digits = "digits"
sign = "minus"
points = ["p1", "p2", "p3"]
over_flag = "over"
[marks]
hold = "hold"
"""
        + _VOLTS
        + "when = { function = 129 }\n"
        + _OHMS
        + "when = { function = 3 }\n",
    ),
    "ascii": (
        "frame",
        """
[frame]
length = 10
checksum = { kind = "CRC-16/KERMIT", over = [0, 8], at = 8, order = "big" }
[field]
mode = { type = "ascii", at = 0, bytes = 1 }
text = { type = "ascii", at = 1, bytes = 7 }
[value]
digits = "text"
over = ["OL"]
under = ["-OL"]
unknown = ["-----"]
"""
        + _VOLTS
        + 'when = { mode = "V" }\n'
        + _OHMS
        + 'when = { mode = "R" }\n',
    ),
    "medfloat16": (
        "frame",
        """
[frame]
length = 3
const = [{ at = 2, hex = "7E" }]
[field]
number = { type = "medfloat16", at = 0, bytes = 2, order = "big" }
[value]
number = "number"
"""
        + _VOLTS
        + "decimals = 3\n",
    ),
    "float32": (
        "frame",
        """
[frame]
length = 6
xor = "FF"
checksum = { kind = "sum8", over = [0, 5], at = 5, domain = "plain" }
[field]
number = { type = "float32", at = 1, bytes = 4, order = "big" }
function = { type = "sint", at = 0, bytes = 1 }
[value]
number = "number"
"""
        + _VOLTS
        + "decimals = 2\nwhen = { function = -1 }\n"
        + _OHMS
        + "decimals = 1\nwhen = { function = 1 }\n",
    ),
    "uint": (
        "frame",
        """
[frame]
length = 6
checksum = { kind = "CRC-16/XMODEM", over = [2, 6], at = 0, order = "big" }
[field]
count = { type = "uint", at = 2, bytes = 3, order = "big" }
minus = { type = "flag", bits = ["5.7"] }
ohm = { type = "flag", bits = ["5.6"] }
volt = { type = "flag", bits = ["5.5"] }
code = { type = "uint", bits = ["5.0", "5.1", "5.2", "5.3", "5.4"] }
[value]
count = "count"
sign = "minus"
over = [16777215]
unknown = [16777214]
"""
        + _VOLTS
        + "decimals = 3\nwhen = { volt = 1, code = 9 }\n"
        + _OHMS
        + 'decimals = 0\nwhen = ["ohm"]\n',
    ),
    "dual": (
        "frame",
        """
[frame]
length = 7
xor = "5C A1 0F"
checksum = { kind = "sum8", over = [0, 6], at = 6, domain = "plain" }
[field]
function = { type = "uint", bits = ["0.0", "5.0", "0.1"] }
count = { type = "uint", at = 1, bytes = 2 }
minus = { type = "flag", bits = ["5.1"] }
minus2 = { type = "flag", bits = ["5.2"] }
hold = { type = "flag", bits = ["5.3"] }
over2 = { type = "flag", bits = ["5.4"] }
mode2 = { type = "uint", bits = ["5.5", "5.6"] }
point2 = { type = "flag", bits = ["0.2"] }
[field.digits2]
type = "seg7"
digits = [
    ["3.0", "3.1", "3.2", "3.3", "3.4", "3.5", "3.6"],
    ["3.7", "4.0", "4.1", "4.2", "4.3", "4.4", "4.5"],
    ["4.6", "4.7", "5.7", "0.3", "0.4", "0.5", "0.6 0.7"],
]
[value]
count = "count"
sign = "minus"
over = [65535]
[second.value]
digits = "digits2"
sign = "minus2"
points = ["point2"]
over_flag = "over2"
[marks]
hold = "hold"
"""
        + _VOLTS
        + "decimals = 2\nwhen = { function = 5 }\n"
        + _OHMS
        + "decimals = 0\nwhen = { function = 2 }\n"
        # One function code says what both displays mean; a second code, which value of it.
        + _second(_VOLTS, "least")
        + 'when = { function = 5, mode2 = 1 }\nmarks = ["minimum"]\ninput = "low"\n'
        + _second(_VOLTS, "dark")
        + "when = { function = 5 }\nblank = true\n"
        + _second(_OHMS, "beside")
        + "when = { function = 2, mode2 = 3 }\n",
    ),
    "sint32": (
        "attribute",
        '[attribute]\npresentation = "10 FE 2827 01 0000"\nover = 2147483647\n' + _VOLTS,
    ),
    "suffixed": (
        "line",
        """
[line]
terminator = "0D 0A"
longest = 40
suffixes = "ieee-488.2"
over = "OL"
"""
        + _VOLTS
        + 'before = "DC "\n'
        + _OHMS.replace('unit = "Ohm"', 'unit = "MOhm"')
        + 'before = "RES "\n',
    ),
    "polled": (
        "line",
        """
[line]
terminator = "0D 0A"
longest = 60
unknown = "none"
[poll]
send = "MEAS:VOLT:DC?"
every = "1 s"
time_out = "1 s"
"""
        + _VOLTS
        + 'query = "MEAS:VOLT:DC?"\n',
    ),
    "line": (
        "line",
        """
[line]
terminator = "0A"
longest = 20
sign = "always"
over = "+OL"
under = "-OL"
invalid = "err"
"""
        + _VOLTS
        + 'after = " V DC"\n'
        + _OHMS
        + 'before = "R="\n',
    ),
}


_SECOND_SAID = 'second = { function = "least", quantity = "voltage", value = "1", unit = "V" }\n'


def made(name: str) -> Driver:
    kind, body = BODIES[name]
    second = _SECOND_SAID if "[second.value]" in body else ""
    return parse_driver(_HEAD.format(kind=kind) + second + body, f"made {name}")


ALL = [*SHIPPED, *BODIES]


@functools.cache
def any_driver(name: str) -> Driver:
    return made(name) if name in BODIES else shipped(name)


def come_back(decoder: Decoder, reading: Reading) -> object:
    """What is read from the bytes that show `reading`; a meter with poll was asked for its row."""
    data = decoder.encode(reading)
    if not isinstance(decoder, ReplyDecoder):
        return decoder.decode(data)
    taken = decoder.take(Asked(1, 1, decoder.query_of(reading.function)), data)
    return taken.outcomes, data if taken.answer is not Answer.GOOD else b""


# ---- what a display can say ----

# Texts of numbers, and the statuses that can stand in their place.
Values = tuple[st.SearchStrategy[str], set[Status]]


@functools.cache
def readings(name: str) -> st.SearchStrategy[Reading]:
    """Every reading that the meter can show."""
    driver = any_driver(name)
    return st.one_of([_row_readings(driver, row) for row in driver.function])


@functools.cache
def displays(name: str) -> st.SearchStrategy[tuple[Reading, ...]]:
    """What all displays of the meter can show at once, the main one first."""
    driver = any_driver(name)
    alone = driver.find_second_alone() if isinstance(driver, FrameDriver) else None
    if alone is None:
        return readings(name).map(lambda reading: (reading,))
    return st.one_of(
        [
            st.tuples(_row_readings(driver, row), _row_readings(alone, other)).map(_with_same_marks)
            for row in driver.function
            for other in alone.function
            # A code that both go by has one value.
            if all(
                row.codes.get(code, 0) == other.codes.get(code, 0)
                for code in _codes(driver.function) & _codes(alone.function)
            )
        ]
    )


def _codes(rows: tuple[FrameFunction, ...]) -> set[str]:
    return {code for row in rows for code in row.codes}


def _with_same_marks(both: tuple[Reading, Reading]) -> tuple[Reading, Reading]:
    """Annunciators stand for both displays; what only a row says stays where it is."""
    main, second = both
    own = {"minimum", "low input impedance"} & set(second.marks)
    return main, second._replace(marks=tuple(sorted({*main.marks, *own})))


def _row_readings(driver: Driver, row: Function) -> st.SearchStrategy[Reading]:
    marks = st.just(())
    match driver:
        case FrameDriver():
            values, statuses = _frame_values(driver, row)
            if driver.marks:
                marks = st.sets(st.sampled_from(sorted(driver.marks.values())))
        case LineDriver():
            values, statuses = _line_values(driver)
            marks = st.just(row.marks)
        case AttributeDriver():
            values, statuses = _attribute_values(driver)
        case AdvertDriver():
            values, statuses = _advert_values(row)
            marks = st.just((SAMPLED,))
    shown = values.map(lambda value: (Status.OK, value))
    if statuses:
        shown |= st.sampled_from(sorted(statuses)).map(lambda status: (status, None))
    return st.builds(
        lambda pair, lit: row.reading(pair[1], pair[0], tuple(sorted(lit))),
        shown,
        marks,
    )


@st.composite
def _numbers(
    draw: st.DrawFn, cells: int, decimals: list[int], *, zeros: bool, signs: list[str]
) -> str:
    """Up to `cells` digits, with one of the given numbers of decimals."""
    places = draw(st.sampled_from(decimals))
    digits = draw(st.text("0123456789", min_size=places + 1, max_size=cells))
    whole, part = digits[: len(digits) - places], digits[len(digits) - places :]
    if not zeros:
        whole = whole.lstrip("0") or "0"
    return draw(st.sampled_from(signs)) + whole + (f".{part}" if part else "")


def _frame_values(driver: FrameDriver, row: FrameFunction) -> Values:
    value = driver.value
    if isinstance(row, SecondFunction) and row.blank:
        return st.nothing(), {Status.BLANK}
    statuses = {status for status, texts in value.specials.items() if texts}
    if value.over_flag:
        statuses.add(Status.OVER)
    if value.sign and Status.OVER in statuses:
        statuses.add(Status.UNDER)
    signs = ["", "-"] if value.sign else [""]
    if value.digits:
        field = driver.field[value.digits]
        cells = len(field_bits(field))
        if field.type == "ascii":
            # Seven characters: a sign, a point and five digits.
            values = _numbers(5, [0, 1, 2], zeros=True, signs=["", "-"])
        else:
            decimals = [0, *(cells - 1 - n for n in range(len(value.points)))]
            zeros = field.type == "seg7"
            values = _numbers(cells, decimals, zeros=zeros, signs=signs)
        if field.type != "bcd":
            statuses.add(Status.BLANK)
        return values, statuses
    if value.count:
        width = len(field_bits(driver.field[value.count])[0])
        signed = driver.field[value.count].type == "sint"
        top = min((1 << (width - signed)) - 1, 10**8 - 1)
        raws = [raw for texts in value.specials.values() for raw in texts]
        counts = st.integers(-top if signed else 0, top).filter(lambda n: n not in raws)
        exponents = st.integers(-8, 0) if value.exponent else st.just(-(row.decimals or 0))
        texts = st.builds(decimal_text, counts, exponents)
        return st.builds(lambda sign, text: sign + text, st.sampled_from(signs), texts), statuses
    if driver.field[value.number].type == "float32":
        # Seven decimal digits are what 24 bits surely hold.
        return _numbers(7, [row.decimals], zeros=False, signs=["", "-"]), set()
    mantissas, exponents = st.integers(-2045, 2045), st.integers(-8, 0)
    return st.builds(decimal_text, mantissas, exponents), {
        Status.OVER,
        Status.UNDER,
        Status.UNKNOWN,
        Status.INVALID,
    }


def _line_values(driver: LineDriver) -> Values:
    statuses = set(driver.line.specials.values())
    signs = ["", "-"]
    if driver.poll is not None or driver.line.suffixes is not None:
        statuses |= {Status.OVER, Status.UNDER, Status.INVALID}
        return _numbers(15, [0, 1, 4], zeros=False, signs=signs), statuses
    if driver.line.width:
        statuses.add(Status.BLANK)
        return _numbers(driver.line.width - 2, [0, 1, 2], zeros=True, signs=signs), statuses
    return _numbers(8, [0, 1, 4], zeros=True, signs=signs), statuses


def _attribute_values(driver: AttributeDriver) -> Values:
    if driver.attribute.characteristic:
        steps = st.integers(1, 0xFF7F)
        return steps.map(lambda n: decimal_text(n * 15625, -6)), {
            Status.OVER,
            Status.UNDER,
            Status.UNKNOWN,
        }
    if driver.function[0].decimals is None:
        counts = st.integers(-99_999_999, 99_999_999)
        return counts.map(lambda n: decimal_text(n, -2)), {Status.OVER}
    mantissas, exponents = st.integers(-8388605, 8388605), st.integers(-12, 0)
    return st.builds(decimal_text, mantissas, exponents), {
        Status.OVER,
        Status.UNDER,
        Status.UNKNOWN,
        Status.INVALID,
    }


def _advert_values(row: AdvertFunction) -> Values:
    measure = MEASURES[int(row.object, 16)]
    top = measure.highest - 1
    statuses = {Status.OVER, Status.UNDER} if measure.signed else {Status.OVER}
    return st.integers(-top if measure.signed else 0, top).map(measure.text), statuses
