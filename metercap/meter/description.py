"""A driver file's text to a `Driver`: how one meter's bytes become readings, as data.

What a file may say is all here: keys, types, and which bit belongs to whom. Nothing is decoded.
"""

from __future__ import annotations

import json
import re
import unicodedata
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import ConfigDict
from pydantic import Field as Rule

from metercap import units
from metercap.datafile import Table, load_table, parse_table
from metercap.errors import DriverError
from metercap.meter import advert
from metercap.meter.adopted import Part
from metercap.meter.attribute import parts_of
from metercap.meter.scpi import SUFFIXES
from metercap.model import Accuracy, Reading, Status

MOST_BYTES = 64 * 1024  # a description of the largest display is under 8 KiB
MOST_FRAME_BYTES = 512  # the longest attribute value that ATT allows (Core, Vol 3 Part F 3.2.9)
MOST_DIGITS = 8  # more digits than any hand meter shows
MOST_ROWS = 64
LOW_INPUT = "low input impedance"  # the mark of a row that reads at about 3 kOhm, not 10 MOhm
SECOND = "second"  # the channel of the second display in one frame
SAMPLED = "sampled"  # the mark of a reading whose neighbours may have been lost on the air

Id = Annotated[str, Rule(pattern=r"^[a-z][a-z0-9-]{0,63}$")]
Key = Annotated[str, Rule(pattern=r"^[a-z][a-z0-9_-]{0,31}$")]
Text = Annotated[str, Rule(min_length=1, max_length=200)]
Short = Annotated[str, Rule(max_length=32)]
Uuid = Annotated[str, Rule(pattern=r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$")]
Hex = Annotated[str, Rule(pattern=r"^[0-9A-Fa-f]{2}( ?[0-9A-Fa-f]{2})*$", max_length=2048)]
Bit = Annotated[str, Rule(pattern=r"^(0|[1-9][0-9]{0,2})\.[0-7]$")]
Segment = Annotated[
    str, Rule(pattern=r"^(on|off|(0|[1-9][0-9]{0,2})\.[0-7]( (0|[1-9][0-9]{0,2})\.[0-7]){0,7})$")
]
Number = Annotated[str, Rule(pattern=r"^(0|[1-9][0-9]{0,8})(\.[0-9]{1,12})?$")]
# What scpi.MOST_WHOLE and MOST_PLACES allow, the longest of any kind.
Signed = Annotated[str, Rule(pattern=r"^-?[0-9]{1,15}(\.[0-9]{1,24})?$")]
Query = Annotated[str, Rule(pattern=r"^[!-~]([ -~]{0,62}[!-~])?$")]
Duration = Annotated[str, Rule(pattern=r"^[0-9]{1,4}(\.[0-9]{1,3})? (ms|s|min)$")]
Size = Annotated[int, Rule(ge=1, le=MOST_FRAME_BYTES)]
Index = Annotated[int, Rule(ge=0, lt=MOST_FRAME_BYTES)]
# As far as canonical JSON keeps whole numbers (RFC 8785, section 3.2.2.3).
RawValue = Annotated[int, Rule(gt=-(2**53), lt=2**53)]
Decimals = Annotated[int, Rule(ge=0, le=MOST_DIGITS)]


class Match(Table):
    """How to know the meter in a scan: an offered service, a name that may end in one `*`."""

    service: Uuid | None = None
    name: Annotated[str, Rule(pattern=r"^[^*]+\*?$", max_length=64)] | None = None


class Link(Table):
    """Which characteristics carry the readings, and how often the meter sends one.

    After `silence` without a reading the link is as good as lost; it may only lengthen the time
    that the interval gives.
    """

    notify: Uuid
    write: Uuid | None = None
    start: Hex | None = None
    interval: Duration
    silence: Duration | None = None

    @property
    def interval_ns(self) -> int:
        """The time between two readings, in nanoseconds."""
        return units.parse_duration_ns(self.interval)

    @property
    def silence_ns(self) -> int:
        """After so long without a reading the link is as good as lost; 0 where nothing is said."""
        return 0 if self.silence is None else units.parse_duration_ns(self.silence)


class AccuracyRow(Table):
    """Limit of error: percent of reading plus counts of the last digit shown."""

    percent: Number
    counts: Number

    @property
    def value(self) -> Accuracy:
        """The two numbers as decimals."""
        return Accuracy(Decimal(self.percent), Decimal(self.counts))


class Function(Table):
    """One row of the function table: what the digits then mean.

    `input` says that it reads at low input impedance, which marks every reading of it.
    """

    name: Id
    quantity: Text
    unit: Text
    coupling: Literal["ac", "dc", "none"]
    ceiling: Number
    decimals: Decimals | None = None
    accuracy: AccuracyRow | None = None
    input: Literal["low"] | None = None

    def reading(
        self, value: str | None, status: Status = Status.OK, marks: tuple[str, ...] = ()
    ) -> Reading:
        """What the display says when it shows `value`, or `status` in its place, in this row."""
        return Reading(
            self.quantity,
            value,
            self.unit,
            status,
            None if self.coupling == "none" else self.coupling,
            self.name,
            self.ceiling,
            None if self.accuracy is None else self.accuracy.value,
            marks if self.input is None else tuple(sorted({*marks, LOW_INPUT})),
        )


class FrameFunction(Function):
    """`when` names the lit flags, or the value of each code; whatever it leaves out is 0."""

    when: tuple[Key, ...] | dict[Key, int | str] = ()

    @property
    def codes(self) -> dict[str, int | str]:
        """Field name -> value that selects this row."""
        return self.when if isinstance(self.when, dict) else dict.fromkeys(self.when, 1)


class LineFunction(Function):
    """Literal text that stands around the number; `marks` are what such a line also says.

    `query` is what the meter is asked for this row, and what alone tells whose number an answer is.
    """

    before: Short = ""
    after: Short = ""
    query: Query | None = None
    marks: tuple[Text, ...] = ()

    def reading(
        self, value: str | None, status: Status = Status.OK, marks: tuple[str, ...] = ()
    ) -> Reading:
        """As for every row, with the row's own marks."""
        return super().reading(value, status, tuple(sorted({*self.marks, *marks})))


class ExampleReading(Table):
    """What the display showed; `function` names the row."""

    function: Id
    quantity: Text
    unit: Text
    coupling: Literal["ac", "dc", "none"] = "none"
    status: Literal["ok", "over", "under", "unknown", "invalid", "blank"] = "ok"
    value: Signed | None = None
    marks: tuple[Text, ...] = ()


class Example(Table):
    """One notification, as `hex` or (line instruments, without terminator) as `text`.

    `second` is what the second display showed, where the meter has one.
    """

    hex: Hex | None = None
    text: Text | None = None
    reading: ExampleReading
    second: ExampleReading | None = None


class Driver(Table):
    """What every driver file says, whatever its kind."""

    id: Id
    title: Text
    version: Text
    kind: Literal["frame", "line", "attribute", "advert"]
    match: Match
    link: Link
    function: tuple[Function, ...]
    example: Annotated[tuple[Example, ...], Rule(min_length=1, max_length=1000)]

    @property
    def rows(self) -> tuple[Function, ...]:
        """The rows of every display, those of the main one first."""
        return self.function


class Constant(Table):
    """Bytes that never change: from byte `at` on, before the mask is laid over them."""

    at: Index
    hex: Hex


ChecksumKind = Literal[
    "sum8", "xor8", "CRC-16/MODBUS", "CRC-16/IBM-3740", "CRC-16/XMODEM", "CRC-16/KERMIT",
    "CRC-16/ARC",
]  # fmt: skip


class Checksum(Table):
    """`over` is [first byte, first byte not counted]; `at` is where the sum stands.

    `domain` says whether bytes are summed, and the sum written, before the mask is laid over the
    frame ("plain") or after ("wire").
    """

    kind: ChecksumKind
    over: Annotated[tuple[int, ...], Rule(min_length=2, max_length=2)]
    at: Index
    order: Literal["little", "big"] = "little"
    domain: Literal["plain", "wire"] = "plain"

    @property
    def width(self) -> int:
        """Bytes that the sum takes."""
        return 1 if self.kind in {"sum8", "xor8"} else 2


class FrameTable(Table):
    """The frame as a whole.

    `xor` is the mask, repeated from byte 0 on; `reserved` bits are ignored, and sent as 0. `on` and
    `off` are single bits that never change, before the mask is laid over them.
    """

    length: Size
    xor: Hex | None = None
    const: tuple[Constant, ...] = ()
    checksum: Checksum | None = None
    reserved: tuple[Bit, ...] = ()
    on: tuple[Bit, ...] = ()
    off: tuple[Bit, ...] = ()


FieldType = Literal[
    "uint", "sint", "bcd", "seg7", "flag", "ascii", "medfloat16", "medfloat32", "float32"
]


class Field(Table):
    """Where a value's bits stand.

    `bits` names them least significant first; `at`, `bytes` and `order` name whole bytes; `digits`
    names, most significant digit first, the seven segments a to g of each seven-segment digit or
    the four bits (lowest first) of each BCD digit. There a segment may also be "on" or "off", where
    no bit drives it, or several bits ("3.1 4.0") that must agree; a character that such a digit
    cannot form is not read in its place. `glyphs` gives a character its own pattern: gfedcba with a
    as the lowest bit, or the BCD nibble.
    """

    type: FieldType
    bits: tuple[Bit, ...] | None = None
    at: Index | None = None
    bytes: Size | None = None
    order: Literal["little", "big"] = "little"
    digits: Annotated[tuple[tuple[Segment, ...], ...], Rule(max_length=MOST_DIGITS)] | None = None
    glyphs: dict[Annotated[str, Rule(min_length=1, max_length=1)], Hex] | None = None


class Places(Table):
    """Code -> digits after the decimal point; any other code is refused."""

    field: Key
    codes: dict[Annotated[str, Rule(pattern=r"^(0|[1-9][0-9]{0,9})$")], Decimals]

    @property
    def places_of(self) -> dict[int, int]:
        """The table with its codes as numbers, which TOML cannot have for keys."""
        return {int(code): places for code, places in self.codes.items()}


class State(Table):
    """Code -> whether the value is a number ("ok") or overload; any other code is refused.

    Beside "special" the value itself must say that it is no number; a number there is refused.
    """

    field: Key
    codes: dict[
        Annotated[str, Rule(pattern=r"^(0|[1-9][0-9]{0,9})$")],
        Literal["ok", "over", "under", "special"],
    ]

    @property
    def status_of(self) -> dict[int, Status | None]:
        """The table with its codes as numbers, which TOML cannot have for keys; None is special."""
        return {
            int(code): None if status == "special" else Status(status)
            for code, status in self.codes.items()
        }


class Value(Table):
    """How fields make the number.

    `digits` names a seg7, bcd or ascii field, `count` a uint or sint field, `number` a floating
    one. `points` are flags: a decimal point after digit 1, 2, ... from the left; `places` is a code
    for it instead. `most` is the highest count that the display can show. `over` and its fellows
    list texts of the digits, or raw values of the count or the float32, that are no number; the
    first of each is what `encode` sends. `state` is a code that says so beside the value.
    """

    digits: Key | None = None
    count: Key | None = None
    number: Key | None = None
    sign: Key | None = None
    points: Annotated[tuple[Key, ...], Rule(max_length=MOST_DIGITS)] = ()
    exponent: Key | None = None
    places: Places | None = None
    state: State | None = None
    most: Annotated[int, Rule(ge=1, lt=10**MOST_DIGITS)] | None = None
    over_flag: Key | None = None
    over: tuple[Short | int, ...] = ()
    under: tuple[Short | int, ...] = ()
    unknown: tuple[Short | int, ...] = ()
    invalid: tuple[Short | int, ...] = ()

    @property
    def specials(self) -> dict[Status, tuple[str | int, ...]]:
        """Status -> the texts or raw values that mean it."""
        return {
            Status.OVER: self.over,
            Status.UNDER: self.under,
            Status.UNKNOWN: self.unknown,
            Status.INVALID: self.invalid,
        }


class SecondFunction(FrameFunction):
    """A row of the second display.

    `marks` say in which way it is not the present value, such as "peak". With `blank` the display
    is dark in this row, whatever its bits are.
    """

    marks: tuple[Text, ...] = ()
    blank: bool = False

    def reading(
        self, value: str | None, status: Status = Status.OK, marks: tuple[str, ...] = ()
    ) -> Reading:
        """As for every row, with the channel and the row's own marks."""
        shown = super().reading(value, status, tuple(sorted({*self.marks, *marks})))
        return shown._replace(channel=SECOND)


class SecondValue(Value):
    """How fields make the number of the second display; `blank` is as `over` and its fellows.

    Dark digits are blank without it.
    """

    blank: tuple[Short | int, ...] = ()

    @property
    def specials(self) -> dict[Status, tuple[str | int, ...]]:
        """As for every value, and what means that nothing is shown."""
        return super().specials | {Status.BLANK: self.blank}


class Second(Table):
    """A second display in the same frame, with fields of its own.

    Only fields that `when` names may be those of both displays.
    """

    value: SecondValue
    function: Annotated[tuple[SecondFunction, ...], Rule(min_length=1, max_length=MOST_ROWS)]


class FrameDriver(Driver):
    """A meter that sends binary frames, one a notification; `marks` are those of both displays."""

    kind: Literal["frame"]
    frame: FrameTable
    field: dict[Key, Field]
    value: Value
    function: Annotated[tuple[FrameFunction, ...], Rule(min_length=1, max_length=MOST_ROWS)]
    marks: dict[Key, Text] = Rule(default_factory=dict)
    second: Second | None = None

    @property
    def rows(self) -> tuple[Function, ...]:
        """The rows of both displays, those of the main one first."""
        return self.function if self.second is None else (*self.function, *self.second.function)

    def find_second_alone(self) -> FrameDriver | None:
        """The same frame as if the second display were its only one."""
        if self.second is None:
            return None
        alone = {"value": self.second.value, "function": self.second.function, "second": None}
        return self.model_copy(update=alone)


class LineTable(Table):
    """The line as a whole.

    `length` fixes the number of characters before the terminator. `sign` says whether a plus is
    always written. `width` sets the number, with leading blanks, in so many characters. `suffixes`
    says by which table a unit is written after the number: then it selects the row of that unit.
    """

    terminator: Hex
    longest: Size
    length: Size | None = None
    sign: Literal["minus", "always"] = "minus"
    width: Annotated[int, Rule(ge=0, le=32)] = 0
    suffixes: Literal["ieee-488.2"] | None = None
    over: Short | None = None
    under: Short | None = None
    unknown: Short | None = None
    invalid: Short | None = None

    @property
    def specials(self) -> dict[str, Status]:
        """Text in the number's place -> what it means."""
        pairs = (
            (self.over, Status.OVER),
            (self.under, Status.UNDER),
            (self.unknown, Status.UNKNOWN),
            (self.invalid, Status.INVALID),
        )
        return {text: status for text, status in pairs if text is not None}


class Poll(Table):
    """What the meter is asked, one query in flight at a time.

    `send` is one query or several that take turns, each sent `every` after the last at the
    earliest; an answer may take `time_out`. `identify` asks who the meter is: four fields, which no
    number can be taken for, so that they also show where late answers end. `error_query` asks for
    the oldest error. `terminator` ends a query, and is the line's where it is left out.
    """

    send: Query | Annotated[tuple[Query, ...], Rule(min_length=1, max_length=16)]
    every: Duration
    time_out: Duration
    identify: Query | None = None
    error_query: Query | None = None
    terminator: Hex | None = None

    @property
    def queries(self) -> tuple[str, ...]:
        """What is asked for readings, in turn."""
        return (self.send,) if isinstance(self.send, str) else self.send

    @property
    def every_ns(self) -> int:
        """The least time from one query to the next, in nanoseconds."""
        return units.parse_duration_ns(self.every)

    @property
    def time_out_ns(self) -> int:
        """How long an answer may take, in nanoseconds."""
        return units.parse_duration_ns(self.time_out)


class LineDriver(Driver):
    """A meter that sends lines of ASCII text, by itself or, with `poll`, when asked."""

    kind: Literal["line"]
    line: LineTable
    poll: Poll | None = None
    function: Annotated[tuple[LineFunction, ...], Rule(min_length=1, max_length=MOST_ROWS)]


class AttributeTable(Table):
    """Either an adopted `characteristic` (its 16-bit number) or the 7 octets of its 0x2904.

    Several 0x2904, in the order of its 0x2905, describe as many values one behind another.
    `valid_range` are the octets of its 0x2906: what lies beyond is over or under. `counts` is the
    highest number without point that a ranging meter shows (medfloat32 only). `over` and its
    fellows are raw values that are no number (whole numbers of 0x2904 only, which have none).
    """

    characteristic: Annotated[str, Rule(pattern=r"^[0-9A-F]{4}$")] | None = None
    presentation: Hex | Annotated[tuple[Hex, ...], Rule(min_length=2, max_length=16)] | None = None
    valid_range: Hex | None = None
    counts: Annotated[int, Rule(ge=99, le=8_000_000)] | None = None
    over: RawValue | None = None
    under: RawValue | None = None
    unknown: RawValue | None = None
    invalid: RawValue | None = None

    @property
    def formats(self) -> tuple[bytes, ...]:
        """The octets of each 0x2904; none for an adopted characteristic."""
        given = self.presentation or ()
        texts = (given,) if isinstance(given, str) else given
        return tuple(bytes.fromhex(text) for text in texts)

    @property
    def specials(self) -> dict[int, Status]:
        """Raw value -> what it means."""
        pairs = (
            (self.over, Status.OVER),
            (self.under, Status.UNDER),
            (self.unknown, Status.UNKNOWN),
            (self.invalid, Status.INVALID),
        )
        return {raw: status for raw, status in pairs if raw is not None}


class AlsoTable(AttributeTable):
    """Another attribute of the same meter, and the characteristic that carries it."""

    notify: Uuid


class AttributeFunction(Function):
    """What one value of an attribute means; `channel` tells it from the meter's other values.

    A `ceiling` of 0 stands for one that nobody states. `marks` say in which way it is not the
    present value, such as "average".
    """

    channel: Key = "main"
    marks: tuple[Text, ...] = ()

    def reading(
        self, value: str | None, status: Status = Status.OK, marks: tuple[str, ...] = ()
    ) -> Reading:
        """As for every row, with the row's own channel and marks."""
        shown = super().reading(value, status, tuple(sorted({*self.marks, *marks})))
        ceiling = self.ceiling if Decimal(self.ceiling) else None
        return shown._replace(channel=self.channel, ceiling=ceiling)


class AttributeDriver(Driver):
    """A meter that speaks adopted characteristics or such as describe themselves.

    `attribute` is carried by `link.notify`. The rows of `function` follow its values, in order,
    and then those of each of `also`. `read` names characteristics that do not send by themselves:
    each `link.interval` they are read, which shows that the meter answers, and not that it has
    measured anew.
    """

    kind: Literal["attribute"]
    attribute: AttributeTable
    also: Annotated[tuple[AlsoTable, ...], Rule(max_length=MOST_ROWS)] = ()
    read: Annotated[tuple[Uuid, ...], Rule(max_length=MOST_ROWS)] = ()
    function: Annotated[tuple[AttributeFunction, ...], Rule(min_length=1, max_length=MOST_ROWS)]

    @property
    def sources(self) -> dict[str, tuple[AttributeFunction, ...]]:
        """Characteristic (UUID text) -> the rows of its values."""
        rows, left = {}, self.function
        for source, table in (
            (self.link.notify, self.attribute),
            *((a.notify, a) for a in self.also),
        ):
            size = len(parts_of(table))
            rows[source], left = left[:size], left[size:]
        return rows

    def table_of(self, source: str) -> AttributeTable:
        """The attribute that a characteristic carries."""
        return next((also for also in self.also if also.notify == source), self.attribute)


class AdvertFunction(Function):
    """One object of the format, by its id in hex; objects that no row names are passed over.

    The format has no word for AC or DC, nor for an overload: `coupling` is what the owner knows of
    the sender, and what lies beyond `ceiling` is an overload.
    """

    object: Annotated[str, Rule(pattern=r"^[0-9A-F]{2}$")]

    def reading(
        self, value: str | None, status: Status = Status.OK, marks: tuple[str, ...] = ()
    ) -> Reading:
        """As for every row, marked as a sample of which others may have been lost."""
        return super().reading(value, status, tuple(sorted({SAMPLED, *marks})))


class AdvertTable(Table):
    """The open format. A key never stands in a driver file: it is its owner's, not the meter's."""

    format: Literal["bthome-v2"]


class AdvertDriver(Driver):
    """A meter that is never connected to, and says its values in its advertisements.

    `link.notify` is the UUID that the values are advertised under.
    """

    kind: Literal["advert"]
    advert: AdvertTable
    function: Annotated[tuple[AdvertFunction, ...], Rule(min_length=1, max_length=MOST_ROWS)]


class _Kind(Table):
    """Only the first look at a file: which of the models it asks for."""

    model_config = ConfigDict(extra="ignore")

    kind: Literal["frame", "line", "attribute", "advert"]


_MODELS: dict[str, type[Driver]] = {
    "frame": FrameDriver,
    "line": LineDriver,
    "attribute": AttributeDriver,
    "advert": AdvertDriver,
}


def parse_driver(text: str, where: str) -> Driver:
    """Read a driver file.

    Raises DriverError with one line: `where`, the key, what was found, what was expected. Where
    `where` ends in .toml, its stem must be the driver's id.
    """
    kind = parse_table(text, _Kind, where, DriverError, MOST_BYTES).kind
    driver = parse_table(text, _MODELS[kind], where, DriverError, MOST_BYTES)
    name = where.replace("\\", "/").rsplit("/", 1)[-1]
    if name.endswith(".toml") and name != f"{driver.id}.toml":
        raise DriverError(
            f"{where}: id: found {driver.id!r}, expected {name[:-5]!r}, the file's name"
        )
    return _prove(driver, where)


def driver_to_json(driver: Driver) -> dict[str, object]:
    """Every key of the driver as JSON values; keys that say nothing are left out. No floats."""
    table: dict[str, object] = json.loads(driver.model_dump_json(exclude_none=True))
    return table


def driver_from_json(obj: object, where: str) -> Driver:
    """Turn what `driver_to_json` made back into the driver; raises as `parse_driver` does."""
    kind = load_table(obj, _Kind, where, DriverError).kind
    return _prove(load_table(obj, _MODELS[kind], where, DriverError), where)


def _prove(driver: Driver, where: str) -> Driver:
    """Check what the types cannot say."""
    try:
        _check_texts(driver.model_dump(), "")
        _check_common(driver)
        match driver:
            case FrameDriver():
                _check_frame(driver)
            case LineDriver():
                _check_line(driver)
            case AttributeDriver():
                _check_attribute(driver)
            case AdvertDriver():
                _check_advert(driver)
    except ValueError as fault:
        raise DriverError(f"{where}: {fault}") from fault
    return driver


def _check_texts(node: object, place: str) -> None:
    """No control characters, no text that displays in another order or form than it is stored."""
    match node:
        case dict():
            for key, below in node.items():
                _check_texts(key, place)
                _check_texts(below, f"{place}.{key}".lstrip("."))
        case tuple():
            for index, below in enumerate(node):
                _check_texts(below, f"{place}[{index}]")
        case str() if any(unicodedata.category(c)[0] == "C" for c in node):
            raise ValueError(f"{place}: found {node!a}, expected no control characters")
        case str() if not unicodedata.is_normalized("NFC", node):
            raise ValueError(f"{place}: found {node!a}, expected text in normal form (NFC)")


def _check_common(driver: Driver) -> None:
    if driver.match.service is None and driver.match.name is None:
        raise ValueError("match: found neither key, expected service or name")
    if driver.link.interval_ns <= 0:
        raise ValueError(f"link.interval: found {driver.link.interval!r}, expected more than 0")
    if driver.link.start is not None and driver.link.write is None:
        raise ValueError("link.write: missing, expected the characteristic that takes link.start")
    rows: dict[str, str] = {}
    for place, row in placed_rows(driver):
        first = rows.setdefault(row.name, place)
        if first != place:
            raise ValueError(
                f"{place}.name: found {row.name!r}, expected a name that {first} has not"
            )
        if not units.is_allowed(row.quantity, row.unit):
            allowed = " ".join(units.units_of(row.quantity)) or "a known quantity"
            raise ValueError(
                f"{place}.unit: found {row.quantity!r} in {row.unit!r}, expected {allowed}"
            )
    for index, example in enumerate(driver.example):
        _check_example(driver, f"example[{index}]", example)


def placed_rows(driver: Driver) -> list[tuple[str, Function]]:
    """Every row with its place in the file."""
    second = driver.rows[len(driver.function) :]
    return [
        *((f"function[{index}]", row) for index, row in enumerate(driver.function)),
        *((f"second.function[{index}]", row) for index, row in enumerate(second)),
    ]


def _check_example(driver: Driver, place: str, example: Example) -> None:
    if (example.hex is None) == (example.text is None):
        raise ValueError(f"{place}: expected either hex or text")
    if example.text is not None and driver.kind != "line":
        raise ValueError(f"{place}.text: found in kind {driver.kind!r}, expected hex")
    if example.text is not None and not example.text.isascii():
        raise ValueError(f"{place}.text: found {example.text!r}, expected ASCII")
    second = driver.rows[len(driver.function) :]
    if (example.second is None) != (not second):
        raise ValueError(
            f"{place}.second: "
            + ("missing, expected what the second display" if second else "found, but no display")
            + " shows"
        )
    _check_said(f"{place}.reading", example.reading, driver.function)
    if example.second is not None:
        _check_said(f"{place}.second", example.second, second)


def _check_said(place: str, said: ExampleReading, rows: tuple[Function, ...]) -> None:
    names = [row.name for row in rows]
    if said.function not in names:
        raise ValueError(
            f"{place}.function: found {said.function!r}, expected one of {' '.join(names)}"
        )
    if (said.value is None) == (said.status == Status.OK.value):
        raise ValueError(f"{place}.value: expected with status ok, and only with it")


# ---- frames: who owns which bit ----


def bit_number(address: str) -> int:
    """Count a bit through the frame: "2.3" is 8 x 2 + 3 = 19."""
    byte, bit = address.split(".")
    return int(byte) * 8 + int(bit)


def bit_address(number: int) -> str:
    """Name a bit by its byte: 19 is "2.3"."""
    return f"{number // 8}.{number % 8}"


_GROUP = {"seg7": 7, "bcd": 4, "ascii": 8}  # bits of one character
_EXACT = {"flag": 1, "medfloat16": 16, "medfloat32": 32, "float32": 32}
_MOST_BITS = 32  # ten digits; more than any display count


def field_bits(field: Field) -> tuple[tuple[int, ...], ...]:
    """Bit numbers of a field, least significant first, one tuple for each character or whole value.

    Raises ValueError ("KEY: found ..., expected ...") where the address does not fit the type.
    """
    group = _GROUP.get(field.type)
    match field:
        case Field(bits=tuple() as bits, at=None, bytes=None, digits=None):
            if group is not None:
                raise ValueError(f"bits: found with type {field.type!r}, expected digits or at")
            groups: tuple[tuple[int, ...], ...] = (tuple(bit_number(b) for b in bits),)
        case Field(bits=None, at=int() as at, bytes=int() as size, digits=None):
            groups = _byte_groups(field, list(range(at, at + size)))
        case Field(bits=None, at=None, bytes=None, digits=tuple()):
            if field.type not in {"seg7", "bcd"}:
                raise ValueError(f"digits: found with type {field.type!r}, expected seg7 or bcd")
            # A bit that drives two segments, or none, is still one bit of its digit.
            return tuple(
                tuple(dict.fromkeys(bit for segment in digit for bit in segment))
                for digit in digit_segments(field)
            )
        case _:
            raise ValueError("found no or two addresses, expected bits, or at and bytes, or digits")
    if not groups:
        raise ValueError("digits: found none, expected at least one")
    _check_widths(field, groups)
    return groups


def digit_segments(field: Field) -> tuple[tuple[tuple[int, ...], ...], ...]:
    """For each digit of a seg7, bcd or ascii field: the bits of each segment, lowest first.

    A segment is mostly one bit; none where it is always on (see `digit_rests`) or off.
    Raises ValueError as `field_bits` does.
    """
    if field.digits is None:
        return tuple(tuple((bit,) for bit in group) for group in field_bits(field))
    if not field.digits:
        raise ValueError("digits: found none, expected at least one")
    for digit in field.digits:
        wanted = _GROUP.get(field.type)
        if len(digit) != wanted:
            raise ValueError(f"found {len(digit)} bits, expected {wanted} for type {field.type!r}")
    return tuple(
        tuple(
            () if text in {"on", "off"} else tuple(bit_number(b) for b in text.split())
            for text in digit
        )
        for digit in field.digits
    )


def digit_rests(field: Field) -> tuple[int, ...]:
    """For each digit: the pattern of the segments that are always on."""
    if field.digits is None:
        return (0,) * len(field_bits(field))
    return tuple(
        sum(1 << place for place, text in enumerate(digit) if text == "on")
        for digit in field.digits
    )


def _check_widths(field: Field, groups: tuple[tuple[int, ...], ...]) -> None:
    wanted = _GROUP.get(field.type) or _EXACT.get(field.type)
    for bits in groups:
        if wanted is not None and len(bits) != wanted:
            raise ValueError(f"found {len(bits)} bits, expected {wanted} for type {field.type!r}")
        if not 1 <= len(bits) <= _MOST_BITS:
            raise ValueError(f"found {len(bits)} bits, expected 1 to {_MOST_BITS}")


def _byte_groups(field: Field, numbers: list[int]) -> tuple[tuple[int, ...], ...]:
    """Address whole bytes: text runs forwards, numbers by `order`, packed BCD high nibble first."""
    if field.type == "seg7":
        raise ValueError("at: found with type 'seg7', expected digits")
    if field.type == "ascii":
        return tuple(tuple(range(8 * n, 8 * n + 8)) for n in numbers)
    if field.order == "big":
        numbers.reverse()
    bits = [8 * n + i for n in numbers for i in range(8)]
    if field.type != "bcd":
        return (tuple(bits),)
    return tuple(tuple(bits[start : start + 4]) for start in range(len(bits) - 4, -1, -4))


def checksum_bits(sum_: Checksum) -> range:
    """Bit numbers that the checksum fills."""
    return range(8 * sum_.at, 8 * (sum_.at + sum_.width))


def _check_frame(driver: FrameDriver) -> None:
    if driver.frame.xor is not None and len(bytes.fromhex(driver.frame.xor)) > driver.frame.length:
        raise ValueError("frame.xor: found more bytes than frame.length, expected at most as many")
    _check_owners(driver)
    for name, field in driver.field.items():
        _check_glyphs(f"field.{name}.glyphs", field)
    _check_checksum(driver.frame)
    _check_value(driver)
    _check_rows_differ(driver)
    second = driver.find_second_alone()
    if second is not None:
        try:
            _check_value(second)
            _check_rows_differ(second)
        except ValueError as fault:
            raise ValueError(f"second.{fault}") from fault
    _check_fields_used(driver)


def _check_owners(driver: FrameDriver) -> None:
    """Prove that every bit of the frame has exactly one owner."""
    frame = driver.frame
    owners: dict[int, str] = {}

    def claim(numbers: list[int], place: str) -> None:
        for number in numbers:
            if number >= 8 * frame.length:
                raise ValueError(
                    f"{place}: found bit {bit_address(number)}, "
                    f"expected a bit within frame.length = {frame.length} bytes"
                )
            first = owners.setdefault(number, place)
            if first != place or numbers.count(number) > 1:
                raise ValueError(
                    f"{place}: bit {bit_address(number)} is used by {first} and {place}, "
                    "expected one user"
                )

    for index, const in enumerate(frame.const):
        size = len(bytes.fromhex(const.hex))
        claim(list(range(8 * const.at, 8 * (const.at + size))), f"frame.const[{index}]")
    if frame.checksum is not None:
        claim(list(checksum_bits(frame.checksum)), "frame.checksum")
    claim([bit_number(b) for b in frame.reserved], "frame.reserved")
    claim([bit_number(b) for b in frame.on], "frame.on")
    claim([bit_number(b) for b in frame.off], "frame.off")
    for name, field in driver.field.items():
        try:
            groups = field_bits(field)
        except ValueError as fault:
            raise ValueError(f"field.{name}: {fault}") from fault
        claim([number for group in groups for number in group], f"field.{name}")
    free = [bit_address(n) for n in range(8 * frame.length) if n not in owners]
    if free:
        raise ValueError(
            f"frame: found no user for bit {' '.join(free[:8])}{' ...' if free[8:] else ''}, "
            "expected a field, constant, checksum or frame.reserved"
        )


def _check_checksum(frame: FrameTable) -> None:
    sum_ = frame.checksum
    if sum_ is None:
        return
    start, stop = sum_.over
    if not 0 <= start < stop <= frame.length:
        raise ValueError(
            f"frame.checksum.over: found [{start}, {stop}], "
            f"expected first and last byte + 1 within {frame.length} bytes"
        )
    if start < sum_.at + sum_.width and sum_.at < stop:
        raise ValueError(
            f"frame.checksum.over: found [{start}, {stop}], expected bytes without the sum's own, "
            f"which stands at {sum_.at}"
        )


def _check_glyphs(place: str, field: Field) -> None:
    glyphs = field.glyphs or {}
    if glyphs and field.type not in {"seg7", "bcd"}:
        raise ValueError(f"{place}: found with type {field.type!r}, expected seg7 or bcd")
    patterns: dict[int, str] = {}
    for char, text in glyphs.items():
        pattern = int(text, 16) if len(text) == 2 else -1  # noqa: PLR2004  one byte
        if not 0 <= pattern < 1 << _GROUP[field.type]:
            raise ValueError(
                f"{place}: found {char!r} = {text!r}, expected {_GROUP[field.type]} bits, in a byte"
            )
        if patterns.setdefault(pattern, char) != char:
            raise ValueError(f"{place}: found {text!r} for {patterns[pattern]!r} and {char!r}")
    if field.type in {"seg7", "bcd"}:
        lost = sorted(set("0123456789") - glyphs_of(field).keys())
        if lost:
            raise ValueError(f"{place}: found no pattern left for {lost[0]!r}, expected its own")


# Seven segments gfedcba, a = bit 0: include/uapi/linux/map_to_7segment.h, its letters and digits.
SEGMENTS = {
    "0": 0x3F, "1": 0x06, "2": 0x5B, "3": 0x4F, "4": 0x66, "5": 0x6D, "6": 0x7D, "7": 0x07,
    "8": 0x7F, "9": 0x6F, "L": 0x38, "-": 0x40, " ": 0x00, "E": 0x79, "r": 0x50, "o": 0x5C,
    "d": 0x5E, "C": 0x39, "F": 0x71,
}  # fmt: skip


def glyphs_of(field: Field) -> dict[str, int]:
    """Character -> the bits that form it, in a seg7, bcd or ascii field."""
    if field.type == "ascii":
        return {chr(n): n for n in range(0x20, 0x7F)}
    known = SEGMENTS if field.type == "seg7" else {str(n): n for n in range(10)}
    own = {char: int(pattern, 16) for char, pattern in (field.glyphs or {}).items()}
    # A pattern that the file gives to a character is no longer the pattern of another.
    taken = set(own.values())
    return {c: p for c, p in known.items() if c not in own and p not in taken} | own


_VALUE_TYPES = {
    "digits": ("seg7", "bcd", "ascii"),
    "count": ("uint", "sint"),
    "number": ("medfloat16", "medfloat32", "float32"),
    "exponent": ("uint", "sint"),
    "sign": ("flag",),
    "points": ("flag",),
    "over_flag": ("flag",),
    "places": ("flag", "uint"),
    "state": ("flag", "uint"),
}


def _check_value(driver: FrameDriver) -> None:
    value = driver.value
    rules = [key for key in ("digits", "count", "number") if getattr(value, key) is not None]
    if len(rules) != 1:
        raise ValueError(f"value: found {rules}, expected one of digits, count, number")
    for key, types in _VALUE_TYPES.items():
        given = getattr(value, key)
        if isinstance(given, (Places, State)):
            given = given.field
        for name in (given,) if isinstance(given, str) else given or ():
            field = driver.field.get(name)
            if field is None or field.type not in types:
                found = repr(name) if field is None else f"{name!r} of type {field.type!r}"
                raise ValueError(
                    f"value.{key}: found {found}, expected a {' or '.join(types)} field"
                )
    _check_specials(value)
    _check_coded(driver)
    _check_decimals(driver, rules[0])


def _check_specials(value: Value) -> None:
    """What stands for no number is of the right sort, says one thing, and is no number itself."""
    wanted: type = str if value.digits is not None else int
    seen: dict[str | int, str] = {}
    for status, specials in value.specials.items():
        place = f"value.{status.value}"
        for special in specials:
            bare = special.strip(" ") if isinstance(special, str) else special
            if not isinstance(special, wanted):
                raise ValueError(  # noqa: TRY004  every fault of a file is a ValueError here
                    f"{place}: found {special!r}, expected a text with digits, a raw "
                    "value with count or number"
                )
            if isinstance(bare, str) and not re.search(r"[^-0-9. ]|--", bare):
                raise ValueError(f"{place}: found {special!r}, expected a text that is no number")
            if seen.setdefault(bare, place) != place:
                raise ValueError(f"{place}: found {special!r}, which {seen[bare]} has too")


def _check_coded(driver: FrameDriver) -> None:
    """Codes for point and state fit their fields; a float's special values are the float32's."""
    value = driver.value
    for key, table in (("places", value.places), ("state", value.state)):
        if table is None:
            continue
        highest = (1 << len(field_bits(driver.field[table.field])[0])) - 1
        for code in table.codes:
            if int(code) > highest:
                raise ValueError(f"value.{key}.codes: found {code}, expected at most {highest}")
        if not table.codes:
            raise ValueError(f"value.{key}.codes: found none, expected at least one")
    _check_code_reach(driver)


def _check_code_reach(driver: FrameDriver) -> None:
    value = driver.value
    if len([given for given in (value.points, value.exponent, value.places) if given]) > 1:
        raise ValueError("value: found two sources of the point, expected one")
    # A point that codes move may not pass the first digit.
    cells = len(field_bits(driver.field[value.digits])) if value.digits else MOST_DIGITS + 1
    for code, places in (value.places.codes if value.places else {}).items():
        if places >= cells:
            raise ValueError(
                f"value.places.codes: found {code} = {places}, expected fewer than the {cells} "
                "digits"
            )
    if value.state is not None and "ok" not in value.state.codes.values():
        raise ValueError("value.state.codes: found no 'ok', expected the code beside a number")
    if value.number is not None and driver.field[value.number].type != "float32":
        for status, specials in value.specials.items():
            if specials:
                raise ValueError(
                    f"value.{status.value}: found {specials[0]}, expected none: a medfloat has its "
                    "own"
                )


def _check_decimals(driver: FrameDriver, rule: str) -> None:
    """The sign and the decimal point each come from one source, the point never from none."""
    value = driver.value
    field = driver.field[getattr(value, rule)]
    for key, fits in (
        ("points", rule == "digits" and field.type != "ascii"),
        ("exponent", rule == "count"),
        ("most", rule == "count"),
        ("places", field.type in {"seg7", "bcd", "uint", "sint", "float32"}),
        ("sign", rule == "digits" or field.type == "uint"),
    ):
        if getattr(value, key) and not fits:
            raise ValueError(f"value.{key}: found with a {field.type} {rule}, which has its own")
    if len(value.points) >= len(field_bits(field)) and value.points:
        raise ValueError(
            f"value.points: found {len(value.points)}, "
            f"expected fewer than the {len(field_bits(field))} digits"
        )
    carried = bool(value.points or value.exponent or value.places) or field.type == "ascii"
    for index, row in enumerate(driver.function):
        place = f"function[{index}].decimals"
        if carried and row.decimals is not None:
            raise ValueError(f"{place}: found {row.decimals}, but the frame carries the point")
        if not carried and row.decimals is None:
            # For a floating value it is the most that are shown; the frame carries the point.
            raise ValueError(f"{place}: missing, expected a number")
        if rule == "digits" and (row.decimals or 0) >= len(field_bits(field)):
            raise ValueError(
                f"{place}: found {row.decimals}, "
                f"expected fewer than the {len(field_bits(field))} digits"
            )


def _check_fields_used(driver: FrameDriver) -> None:
    """Every field has one use, so every bit that `encode` writes is determined."""
    values = [driver.value] if driver.second is None else [driver.value, driver.second.value]
    uses: list[str | None] = [*driver.marks]
    for value in values:
        uses += [value.digits, value.count, value.number, value.sign, value.exponent]
        uses += [table.field for table in (value.places, value.state) if table is not None]
        uses += [value.over_flag, *value.points]
    used = {name for name in uses if name is not None}
    for name in used:
        if uses.count(name) > 1:
            raise ValueError(f"field.{name}: found {uses.count(name)} uses of it, expected one")
    for name in driver.marks:
        if name not in driver.field or driver.field[name].type != "flag":
            raise ValueError(f"marks.{name}: found no such field, expected a flag")
    if len(set(driver.marks.values())) < len(driver.marks):
        raise ValueError("marks: found one text for two flags, expected its own for each")
    rows = [*driver.function, *(() if driver.second is None else driver.second.function)]
    selectors = {name for row in rows for name in row.codes}
    for name in driver.field:
        # An exponent may also select the row, as where it stands for kilo or mega.
        if name in selectors and name in used - {value.exponent for value in values}:
            raise ValueError(f"field.{name}: found a use of it beside function.when, expected one")
        if name not in used | selectors:
            raise ValueError(
                f"field.{name}: found no use of it, expected its bits in frame.reserved"
            )


def _check_rows_differ(driver: FrameDriver) -> None:
    keys: dict[tuple[tuple[str, int | str], ...], int] = {}
    for index, row in enumerate(driver.function):
        for name, code in row.codes.items():
            _check_code(driver, f"function[{index}].when", name, code)
        key = tuple(sorted((n, c) for n, c in row.codes.items() if c != 0))
        first = keys.setdefault(key, index)
        if first != index:
            raise ValueError(
                f"function[{index}].when: found the same as function[{first}], expected its own"
            )


def _check_code(driver: FrameDriver, place: str, name: str, code: int | str) -> None:
    field = driver.field.get(name)
    if field is None:
        raise ValueError(f"{place}: found {name!r}, expected the name of a field")
    groups = field_bits(field)
    match field.type:
        case "flag" | "uint":
            good = isinstance(code, int) and 0 <= code < 1 << len(groups[0])
        case "sint":
            half = 1 << (len(groups[0]) - 1)
            good = isinstance(code, int) and -half <= code < half
        case "ascii":
            good = isinstance(code, str) and code.isascii() and len(code) == len(groups)
        case _:
            raise ValueError(f"{place}: found {name!r} of type {field.type!r}, expected a code")
    if not good:
        raise ValueError(f"{place}: found {name} = {code!r}, expected a value that the field holds")


# ---- lines ----


def _check_line(driver: LineDriver) -> None:
    line = driver.line
    _check_terminator("line.terminator", line.terminator)
    if line.length is not None and line.length > line.longest:
        raise ValueError(f"line.length: found {line.length}, expected at most {line.longest}")
    given = [text for text in (line.over, line.under, line.unknown, line.invalid) if text]
    if len(line.specials) < len(given):
        raise ValueError("line: found one text for two states, expected one text for each")
    for text in line.specials:
        if not text.isascii() or text != text.strip(" ") or not re.search("[A-Za-z]", text):
            raise ValueError(f"line: found {text!r} for a state, expected letters, no outer blanks")
    if driver.poll is not None:
        _check_poll(driver, driver.poll)
        return
    around: dict[tuple[str, str], int] = {}
    for index, row in enumerate(driver.function):
        _check_line_row(line, f"function[{index}]", row)
        # A suffix is text after the number too, so it tells rows apart as `after` does.
        after = row.after if line.suffixes is None else row.unit
        first = around.setdefault((row.before, after), index)
        if first != index:
            raise ValueError(
                f"function[{index}]: found the texts of function[{first}], expected its own"
            )


def _check_terminator(place: str, text: str) -> None:
    end = bytes.fromhex(text)
    if len(end) > 2 or any(byte >= 0x20 or byte == 0 for byte in end):  # noqa: PLR2004  CR LF
        raise ValueError(f"{place}: found {text!r}, expected one or two control characters")


def _check_line_row(line: LineTable, place: str, row: LineFunction) -> None:
    if not (row.before + row.after).isascii():
        raise ValueError(f"{place}: found text that is not ASCII around the number")
    if row.before and row.before[-1] in "+-.0123456789":
        raise ValueError(f"{place}.before: found {row.before!r}, expected no number at its end")
    if row.after and row.after[0] in ".0123456789":
        raise ValueError(f"{place}.after: found {row.after!r}, expected no number at its start")
    if row.query is not None:
        raise ValueError(f"{place}.query: found {row.query!r}, expected it only beside poll")
    if line.suffixes is not None:
        if row.after or line.width:
            raise ValueError(f"{place}: found text or a width, expected only the suffix there")
        if row.unit not in SUFFIXES.values():
            raise ValueError(
                f"{place}.unit: found {row.unit!r}, expected one that line.suffixes can write: "
                f"{' '.join(sorted(set(SUFFIXES.values())))}"
            )
    _check_no_decimals(place, row)
    size = len(row.before) + line.width + len(row.after)
    if line.length is not None and line.width and size != line.length:
        raise ValueError(f"{place}: found {size} characters, expected line.length = {line.length}")
    if not row.before and line.sign != "always" and line.length is None:
        raise ValueError(
            f"{place}.before: missing, so a line cut at its head would read as a smaller number; "
            "expected text here, line.sign = 'always' or line.length"
        )


def _check_no_decimals(place: str, row: LineFunction) -> None:
    if row.decimals is not None:
        raise ValueError(f"{place}.decimals: found {row.decimals}, but the line carries the point")


def _check_poll(driver: LineDriver, poll: Poll) -> None:
    """No answer can be taken for that of another query, and there is time for each."""
    line = driver.line
    if driver.link.write is None:
        raise ValueError("link.write: missing, expected the characteristic that takes the queries")
    if line.length is not None or line.width or line.suffixes or line.sign != "minus":
        raise ValueError(
            "line: found length, width, sign or suffixes beside poll, expected none: "
            "an answer is a bare number"
        )
    _check_terminator("poll.terminator", poll.terminator or line.terminator)
    _check_queries(driver, poll)
    _check_turns(driver)
    if (len(poll.queries) > 1 or poll.error_query is not None) and poll.identify is None:
        raise ValueError(
            "poll.identify: missing, so a late answer could be taken for that of another query; "
            "expected a query that tells them apart, such as '*IDN?'"
        )
    for key, duration_ns in (("every", poll.every_ns), ("time_out", poll.time_out_ns)):
        if duration_ns <= 0:
            raise ValueError(f"poll.{key}: found {getattr(poll, key)!r}, expected more than 0")
    if driver.link.interval_ns < poll.every_ns * len(poll.queries):
        raise ValueError(
            f"link.interval: found {driver.link.interval!r}, expected at least the time in which "
            f"every query of poll.send has its turn, {len(poll.queries)} times {poll.every}"
        )


# What a meter measures by a current of its own, and what it measures on a circuit that is live.
_DEAD = ("resistance", "conductance", "capacitance")
_LIVE = ("voltage", "current", "frequency", "power", "apparent power", "energy")


def _check_turns(driver: LineDriver) -> None:
    """A meter may not be sent to its resistance range while its probes stand on live conductors.

    Resistance is measured on dead circuits only (common practice), and only the person with the
    probes in hand knows which a circuit is: no turn-taking may decide it.
    """
    asked = {row.quantity for row in driver.function}
    dead, live = ([one for one in both if one in asked] for both in (_DEAD, _LIVE))
    if dead and live:
        raise ValueError(
            f"poll.send: found {dead[0]} and {live[0]} in turn, expected one or the other: "
            "the meter would measure resistance on live conductors"
        )


def _check_queries(driver: LineDriver, poll: Poll) -> None:
    """Every query has one row, and every row one query."""
    asked = [*poll.queries, *(one for one in (poll.identify, poll.error_query) if one is not None)]
    for query in asked:
        if [one.upper() for one in asked].count(query.upper()) > 1:
            raise ValueError(f"poll: found {query!r} twice, expected each query once")
    rows: dict[str, int] = {}
    for index, row in enumerate(driver.function):
        place = f"function[{index}]"
        if row.query not in poll.queries:
            raise ValueError(
                f"{place}.query: found {row.query!r}, expected one of {' '.join(poll.queries)}"
            )
        first = rows.setdefault(row.query, index)
        if first != index:
            raise ValueError(
                f"{place}.query: found that of function[{first}], expected its own: "
                "an answer does not say which it is of"
            )
        if row.before or row.after:
            raise ValueError(f"{place}: found text around the number, expected none beside poll")
        _check_no_decimals(place, row)
    lost = [query for query in poll.queries if query not in rows]
    if lost:
        raise ValueError(f"poll.send: found no function for {lost[0]!r}, expected one")


# ---- attributes ----


def _check_attribute(driver: AttributeDriver) -> None:
    tables = [("attribute", driver.attribute)]
    tables += [(f"also[{index}]", also) for index, also in enumerate(driver.also)]
    parts = [part for place, table in tables for part in _check_attribute_table(place, table)]
    if len(parts) != len(driver.function):
        raise ValueError(
            f"function: found {len(driver.function)}, expected {len(parts)}: one for each value"
        )
    sources = driver.sources
    if len(sources) != len(tables):
        raise ValueError("also.notify: found one characteristic twice, expected each once")
    for source in driver.read:
        if source not in sources:
            raise ValueError(f"read: found {source}, expected link.notify or one of also.notify")
    channels = [channel for rows in sources.values() for channel in {row.channel for row in rows}]
    if len(set(channels)) < len(channels):
        raise ValueError("function: found one channel in two attributes, expected its own for each")
    for part, row in zip(parts, driver.function, strict=True):
        _check_attribute_row(driver, row, part)


def _check_attribute_table(place: str, table: AttributeTable) -> tuple[Part, ...]:
    if (table.characteristic is None) == (table.presentation is None):
        raise ValueError(f"{place}: expected either characteristic or presentation")
    try:
        parts = parts_of(table)
    except ValueError as fault:
        raise ValueError(f"{place}.{fault}") from fault
    floating = parts[0].is_floating
    if len(table.formats) > 1 and (table.specials or table.valid_range or table.counts):
        raise ValueError(f"{place}: found more keys with several formats, expected none")
    if table.counts is not None and not (floating and table.characteristic is None):
        raise ValueError(f"{place}.counts: found without a medfloat32")
    if table.valid_range is not None and table.characteristic is not None:
        raise ValueError(f"{place}.valid_range: found, but the value has a definition of its own")
    if table.specials and (floating or table.characteristic is not None):
        status = next(iter(table.specials.values()))
        raise ValueError(f"{place}.{status.value}: found, but the value has a code for it")
    given = [
        raw for raw in (table.over, table.under, table.unknown, table.invalid) if raw is not None
    ]
    if len(table.specials) < len(given):
        raise ValueError(f"{place}: found one raw value for two states, expected one for each")
    return parts


def _check_attribute_row(driver: AttributeDriver, row: AttributeFunction, part: Part) -> None:
    place = f"function[{driver.function.index(row)}]"
    if (row.quantity, row.unit) != (part.quantity, part.unit):
        raise ValueError(
            f"{place}: found {row.quantity!r} in {row.unit!r}, "
            f"but the attribute says {part.quantity!r} in {part.unit!r}"
        )
    if part.is_floating != (row.decimals is not None):
        raise ValueError(
            f"{place}.decimals: "
            + (
                "missing, expected the most that are shown"
                if part.is_floating
                else "found, not expected"
            )
        )
    table = next(driver.table_of(source) for source, rows in driver.sources.items() if row in rows)
    top = part.highest * part.step
    if table.valid_range is not None and Decimal(row.ceiling) != top:
        raise ValueError(
            f"{place}.ceiling: found {row.ceiling!r}, expected {top:f}, the top of the valid range"
        )


# ---- advertisements ----


def _check_advert(driver: AdvertDriver) -> None:
    if driver.link.notify != advert.SERVICE_DATA:
        raise ValueError(
            f"link.notify: found {driver.link.notify!r}, expected {advert.SERVICE_DATA!r}, "
            "under which the format is advertised"
        )
    if driver.link.write is not None:
        raise ValueError("link.write: found with kind 'advert', which is never written to")
    taken: dict[str, int] = {}
    for index, row in enumerate(driver.function):
        place = f"function[{index}]"
        measure = advert.MEASURES.get(int(row.object, 16))
        if measure is None:
            known = " ".join(f"{id_:02X}" for id_ in advert.MEASURES)
            raise ValueError(f"{place}.object: found {row.object!r}, expected one of {known}")
        first = taken.setdefault(row.object, index)
        if first != index:
            raise ValueError(
                f"{place}.object: found {row.object!r}, expected one that function[{first}] has not"
            )
        if (row.quantity, row.unit) != (measure.quantity, measure.unit):
            raise ValueError(
                f"{place}: found {row.quantity!r} in {row.unit!r}, expected {measure.quantity!r} "
                f"in {measure.unit!r}, which object {row.object} is"
            )
        if row.decimals is not None:
            raise ValueError(f"{place}.decimals: found, expected none: the object's factor says it")
        highest = measure.text(measure.highest)
        if Decimal(row.ceiling) >= Decimal(highest):
            raise ValueError(
                f"{place}.ceiling: found {row.ceiling!r}, expected less than {highest}, where a "
                "sender stops that has more to say"
            )
