"""What a meter's GATT table says of itself to a driver that reads it, or to why nothing measures.

The driver is as good as one from a file: the job pins it, so its record stands alone. Nothing is
read from a meter here, and no value is guessed: what a descriptor does not say is left unsaid.
"""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from metercap.datafile import load_table
from metercap.errors import DisplayError, DriverError
from metercap.meter.adopted import Part, find_adopted, uuid_of
from metercap.meter.attribute import AttributeDecoder, parts_of
from metercap.meter.description import (
    MOST_ROWS,
    AttributeDriver,
    AttributeTable,
    driver_from_json,
)
from metercap.meter.presentation import (
    Measurement,
    Sampling,
    coupling_of,
    parse_measurement,
    parse_presentation,
)
from metercap.model import Reading, Status

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from metercap.meter.description import AttributeFunction, Driver

USER_DESCRIPTION, PRESENTATION, AGGREGATE = uuid_of(0x2901), uuid_of(0x2904), uuid_of(0x2905)
VALID_RANGE, MEASUREMENT = uuid_of(0x2906), uuid_of(0x290C)
TELLING = frozenset({USER_DESCRIPTION, PRESENTATION, AGGREGATE, VALID_RANGE, MEASUREMENT})
SENDING = frozenset({"notify", "indicate"})
ON_REQUEST = "read on request"  # the mark of a value that the meter does not send by itself

# Generic Access, Generic Attribute, Device Information and Battery tell of the device, not of what
# its probes are on; a battery's level even describes itself as a percentage.
_HOUSEKEEPING = frozenset(uuid_of(number) for number in (0x1800, 0x1801, 0x180A, 0x180F))
_BATTERY_LEVEL = uuid_of(0x2A19)
# Health Thermometer, Automation IO, Environmental Sensing, Industrial Measurement Device.
_TELLING_SERVICES = frozenset(uuid_of(number) for number in (0x1809, 0x1815, 0x181A, 0x185A))
_ELECTRICAL = frozenset({"voltage", "current", "resistance", "capacitance", "power", "contact"})

# Our choice, for a meter that does not state its pace. No slower than the slowest hand meters,
# because a step asks for 80 % of the readings that this promises before it believes them; and a
# silence that cuts no link to a sensor that sends every ten seconds.
_INTERVAL, _SILENCE = "1 s", "15 s"
_LONG_S = 2  # our choice: a mean over this long no longer follows the probes
_DECIMALS = 6  # of a binary float: microvolts, milliohms and below are nobody's display
_FINE_DECIMALS = 8  # ten nanofarads in farads
_FINE = frozenset({"F", "H", "T", "kg/m3"})
_MOST_TOP = Decimal(999_999_999)  # as many digits as a driver's ceiling may have
_MOST_PACE_S = 9999  # as many digits as a duration in a driver may have
_MOST_REASONS = 3
_SAMPLING_MARKS = {
    Sampling.MAXIMUM: "maximum",
    Sampling.MINIMUM: "minimum",
    Sampling.ACCUMULATED: "accumulated",
    Sampling.COUNT: "count",
}
# Codes of 0x2904's description (SIG name space): what names the value, and how early it comes.
_ROLES = {
    0x0106: ("main", 0),
    0x0001: ("first", 1),
    0x0107: ("backup", 3),
    0x0108: ("auxiliary", 3),
    0x0109: ("supplementary", 3),
    0x010F: ("internal", 3),
    0x0110: ("external", 2),
}
_NO_ROLE = ("", 2)


class Descriptor(NamedTuple):
    """A descriptor: its handle, its UUID text, its octets; None where they could not be read."""

    handle: int
    uuid: str
    value: bytes | None


class Characteristic(NamedTuple):
    """A characteristic of a GATT table; UUID texts in lower case, properties as bleak names them.

    `descriptors` need hold no others than those of `TELLING`.
    """

    service: str
    uuid: str
    handle: int
    properties: tuple[str, ...]
    descriptors: tuple[Descriptor, ...] = ()

    def find(self, uuid: str) -> bytes | None:
        """The octets of the first descriptor of that UUID; None where there is none."""
        return next((each.value for each in self.descriptors if each.uuid == uuid), None)

    @property
    def is_sending(self) -> bool:
        """Whether it can send values by itself."""
        return not SENDING.isdisjoint(self.properties)

    @property
    def is_held(self) -> bool:
        """Whether its value can only be read."""
        return not self.is_sending and "read" in self.properties


class _Value(NamedTuple):
    """A characteristic that measures, as the driver will say it."""

    uuid: str
    service: str
    title: str
    rank: tuple[int, bool, bool]
    table: dict[str, object]
    parts: tuple[Part, ...]
    coupling: str
    marks: tuple[str, ...]
    interval_s: int


def find_found(table: Sequence[Characteristic]) -> tuple[Driver | None, str]:
    """Make the driver that reads what the table describes, and say what it reads; None where none.

    The first value is the channel "main": one that calls itself main, else the first electrical
    one that is sent, else the first that is sent, else the first. Where there is none, the text
    says in one line why.
    """
    values: list[_Value] = []
    reasons: list[str] = []
    for each in table:
        if each.service in _HOUSEKEEPING or each.uuid == _BATTERY_LEVEL:
            continue
        try:
            value = _find_value(table, each)
        except ValueError as fault:
            reasons.append(f"{_short(each.uuid)}: {fault}")
            continue
        if value is not None:
            values.append(value)
    if not values:
        said = f" ({'; '.join(reasons[:_MOST_REASONS])})" if reasons else ""
        return None, (
            f"none of its {len(table)} characteristics says in a known way what it measures{said}"
        )
    values.sort(key=lambda value: value.rank)
    while sum(len(value.parts) for value in values) > MOST_ROWS:
        values.pop()
    driver = _driver(values)
    shown = ", ".join(f"{row.channel}: {_said(row)}" for row in driver.function)
    return driver, f"describes itself: {shown}"


def may_describe_itself(services: Sequence[str]) -> bool:
    """Whether an advertised service is one whose values say what they are; it proves nothing."""
    return any(
        uuid.lower() in _TELLING_SERVICES or find_adopted(uuid) is not None for uuid in services
    )


def _said(row: AttributeFunction) -> str:
    coupling = "" if row.coupling == "none" else f" {row.coupling}"
    return f"{row.quantity}{coupling} in {row.unit}"


def _short(uuid: str) -> str:
    """A SIG number as such, another UUID by its head."""
    return uuid[4:8].upper() if uuid == uuid_of(int(uuid[4:8], 16)) else uuid[:8]


def _find_value(table: Sequence[Characteristic], one: Characteristic) -> _Value | None:
    """What a characteristic measures; None where it does not say that it does.

    Raises ValueError, with one line, where it does and yet cannot be read.
    """
    adopted = find_adopted(one.uuid)
    if adopted is None and one.find(PRESENTATION) is None:
        if any(each.uuid == PRESENTATION for each in one.descriptors):
            raise ValueError("its 0x2904 could not be read")
        return None
    if not one.is_sending and not one.is_held:
        raise ValueError("its value can be neither sent nor read")
    if sum(each.uuid == one.uuid for each in table) > 1:
        raise ValueError("it stands there more than once, and nothing tells the two apart")
    said = _text(one.find(USER_DESCRIPTION))
    octets = one.find(MEASUREMENT)
    try:
        measured = None if octets is None else parse_measurement(octets)
    except ValueError as fault:
        raise ValueError(f"its 0x290C: {fault}") from fault
    own: dict[str, object] = (
        _self_described(table, one)
        if adopted is None
        else {"characteristic": f"{adopted.number:04X}"}
    )
    try:
        parts = parts_of(load_table(own, AttributeTable, "attribute", DriverError))
    except DriverError as fault:
        raise ValueError(str(fault)) from fault
    tops = [part.highest * part.step for part in parts if not part.is_floating]
    if tops and (("valid_range" in own and tops[0] > _MOST_TOP) or min(tops) < 0):
        raise ValueError(f"found a range that ends at {tops[0]:f}, expected 0 to {_MOST_TOP}")
    role, rank = _role(one.find(PRESENTATION))
    name = "" if adopted is None else adopted.name
    return _Value(
        uuid=one.uuid,
        service=one.service,
        title=said or role or name or parts[0].quantity,
        rank=(rank, one.is_held, parts[0].quantity not in _ELECTRICAL),
        table=own,
        parts=parts,
        coupling=coupling_of(parts[0].quantity, said, measured),
        marks=(*_marks(measured), *([ON_REQUEST] if one.is_held else [])),
        interval_s=0 if measured is None else measured.update_s or measured.period_s,
    )


def _self_described(table: Sequence[Characteristic], one: Characteristic) -> dict[str, object]:
    """The octets that describe a value: of one 0x2904, or of those that 0x2905 names in order."""
    formats = [each.value for each in one.descriptors if each.uuid == PRESENTATION]
    aggregate = one.find(AGGREGATE)
    if aggregate is None:
        if len(formats) > 1:
            raise ValueError(
                f"found {len(formats)} formats (0x2904), expected 0x2905 for their order"
            )
        octets = formats[0] or b""
        try:
            told = parse_presentation(octets)
        except ValueError as fault:
            raise ValueError(f"its 0x2904: {fault}") from fault
        own: dict[str, object] = {"presentation": octets.hex()}
        limits = one.find(VALID_RANGE)
        if limits is not None and not told.is_floating:
            own["valid_range"] = limits.hex()
        return own
    by_handle = {each.handle: each for other in table for each in other.descriptors}
    handles = [
        int.from_bytes(aggregate[start : start + 2], "little")
        for start in range(0, len(aggregate), 2)
    ]
    fields = []
    for handle in handles:
        named = by_handle.get(handle)
        if named is None or named.uuid != PRESENTATION or named.value is None:
            raise ValueError(f"its 0x2905 names handle {handle}, expected one of a 0x2904")
        fields.append(named.value.hex())
    if not fields:
        raise ValueError("its 0x2905 names no format")
    return {"presentation": fields[0] if len(fields) == 1 else fields}


def _text(octets: bytes | None) -> str:
    """UTF-8 text as it may stand in a driver; what cannot be shown is left out."""
    text = unicodedata.normalize("NFC", (octets or b"").decode("utf-8", errors="ignore"))
    kept = "".join(sign if unicodedata.category(sign)[0] != "C" else " " for sign in text)
    return " ".join(kept.split())[:60]


def _role(octets: bytes | None) -> tuple[str, int]:
    try:
        told = parse_presentation(octets or b"")
    except ValueError:
        return _NO_ROLE
    return _ROLES.get(told.description, _NO_ROLE)


def _marks(measured: Measurement | None) -> tuple[str, ...]:
    if measured is None:
        return ()
    if measured.sampling is Sampling.MEAN:
        return ("average",) if measured.period_s >= _LONG_S else ()
    mark = _SAMPLING_MARKS.get(measured.sampling)
    return () if mark is None else (mark,)


def _slug(text: str, most: int) -> str:
    """Lower-case letters, digits and single dashes, from a letter on; "" where nothing is left."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    words = re.sub(r"[^a-z0-9]+", "-", plain).strip("-").lstrip("0123456789-")
    if len(words) > most and "-" in words[:most]:
        words = words[: words.rindex("-", 0, most + 1)]
    return words[:most].rstrip("-")


def _free(wanted: str, taken: Iterable[str], most: int) -> str:
    """The wanted name, with a number behind it where it is taken."""
    name, number = wanted, 1
    while name in set(taken):
        number += 1
        name = f"{wanted[: most - 4]}-{number}"
    return name


def _driver(values: Sequence[_Value]) -> AttributeDriver:
    rows: list[dict[str, object]] = []
    names: list[str] = []
    channels: list[str] = []
    for index, value in enumerate(values):
        base = "" if index == 0 else _free(_slug(value.title, 20) or "value", channels, 24)
        own = {part.channel for part in value.parts}
        given: dict[str, str] = {}
        for channel in sorted(own, key=[part.channel for part in value.parts].index):
            wanted = channel if not base else base if channel == "main" else f"{base}-{channel}"
            given[channel] = _free(wanted, channels, 32)
            channels.append(given[channel])
        for part in value.parts:
            coupling = value.coupling if part.quantity == value.parts[0].quantity else "none"
            wanted = _slug(f"{part.quantity} {coupling if coupling != 'none' else ''}", 40)
            if part.channel != "main":
                wanted = f"{wanted}-{_slug(part.channel, 20)}"
            name = _free(wanted, names, 60)
            names.append(name)
            rows.append(_row(value, part, coupling, name, given[part.channel]))
    first, *others = values
    body: dict[str, object] = {
        "id": f"found-{_short(first.uuid).lower()}",
        "title": f"As found: {', '.join(value.title for value in values)}"[:200].rstrip(),
        "version": "1",
        "kind": "attribute",
        "match": {"service": first.service},
        "link": {"notify": first.uuid, **_pace(values)},
        "attribute": first.table,
        "also": [{**value.table, "notify": value.uuid} for value in others],
        "read": [value.uuid for value in values if ON_REQUEST in value.marks],
        "function": rows,
        "example": [_example(rows[0], "00", "unknown", None)],
    }
    driver = _load(body)
    body["example"] = list(_examples(driver))
    # Two meters of one job may be found alike and yet differ: an id stands for one description.
    digest = hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()
    body["id"] = f"{body['id']}-{digest[:8]}"
    return _load(body)


def _pace(values: Sequence[_Value]) -> dict[str, object]:
    """How often a value comes: the quickest stated pace, for any value proves the link."""
    stated = [value.interval_s for value in values if value.interval_s]
    if len(stated) < len(values):
        return {"interval": _INTERVAL, "silence": _SILENCE}
    return {"interval": f"{min(*stated, _MOST_PACE_S)} s"}


def _load(body: dict[str, object]) -> AttributeDriver:
    driver = driver_from_json(body, "what the meter says of itself")
    if not isinstance(driver, AttributeDriver):
        raise DriverError(f"{driver.id}: kind: found {driver.kind!r}, expected attribute")
    return driver


def _row(value: _Value, part: Part, coupling: str, name: str, channel: str) -> dict[str, object]:
    """A row of the function table.

    A float that is over its range does not say which, not even beside a 0x2906: the person may
    have locked a lower one. So its ceiling is 0, for one that nobody states, and such an overload
    proves nothing. Everything else that can be over says so by a value beyond its highest.
    """
    top = Decimal(0) if part.is_floating else min(part.highest * part.step, _MOST_TOP)
    row: dict[str, object] = {
        "name": name,
        "quantity": part.quantity,
        "unit": part.unit,
        "coupling": coupling,
        "ceiling": f"{top:f}",
        "channel": channel,
    }
    if part.is_floating:
        row["decimals"] = _FINE_DECIMALS if part.unit in _FINE else _DECIMALS
    if value.marks:
        row["marks"] = list(value.marks)
    return row


def _examples(driver: AttributeDriver) -> Iterable[dict[str, object]]:
    """One value of each row, and one overload of each that can say it."""
    decoder = AttributeDecoder(driver)
    parts = [part for source in driver.sources for part in parts_of(driver.table_of(source))]
    for part, row in zip(parts, driver.function, strict=True):
        text = (
            "1.000000"
            if part.is_floating
            else f"{max(part.lowest, min(1, part.highest)) * part.step:f}"
        )
        if part.form in {"float32", "float64"}:
            text = f"{Decimal(1):.{row.decimals}f}"
        for status, value in ((Status.OK, text), (Status.OVER, None)):
            reading = row.reading(value, status, part.marks)
            try:
                data = decoder.encode(reading)
            except DisplayError:
                continue  # a value that has no code for an overload
            yield _example(_said_row(row), data.hex(), status.value, reading)


def _said_row(row: AttributeFunction) -> dict[str, object]:
    return {"name": row.name, "quantity": row.quantity, "unit": row.unit, "coupling": row.coupling}


def _example(
    row: dict[str, object], octets: str, status: str, reading: Reading | None
) -> dict[str, object]:
    said: dict[str, object] = {
        "function": row["name"],
        "quantity": row["quantity"],
        "unit": row["unit"],
        "coupling": row["coupling"],
        "status": status,
    }
    if reading is not None and reading.value is not None:
        said["value"] = reading.value
    if reading is not None and reading.marks:
        said["marks"] = list(reading.marks)
    return {"hex": octets, "reading": said}
