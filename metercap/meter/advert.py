"""Service data of the open advertisement format BTHome v2 to readings and back.

Source of ids, lengths, factors and the sealing: bthome.io/format (version 2). An advertisement may
be lost or come twice and nothing tells which, so every reading is marked "sampled". The format can
say neither AC, DC nor an overload. Nothing here listens, and nothing keeps a key.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from metercap.errors import DisplayError
from metercap.meter.attribute import decimal_text, split_decimal
from metercap.model import Outcome, Reading, Refusal, Status

if TYPE_CHECKING:
    from collections.abc import Iterable

    from metercap.meter.description import AdvertDriver, AdvertFunction

SERVICE_DATA = "0000fcd2-0000-1000-8000-00805f9b34fb"
KEY_BYTES = 16
MOST_BYTES = 512  # far more than the 255 that one extended advertisement carries

_ENCRYPTED = 0x01
_WITH_ADDRESS = 0x02
_RESERVED = 0x18
_VERSION_SHIFT = 5
_VERSION = 2
_PLAIN_INFO = 0x40
_ADDRESS_BYTES = 6
_COUNTER_BYTES = 4
_TAG_BYTES = 4
_UUID = bytes.fromhex("D2FC")
_MOST_COUNTER = 2**32 - 1
_PACKET_ID = 0x00
_COMMAND = 0x3B
_COMMAND_LENGTH = 0x1F  # the other bits of its length byte are reserved
_WITH_LENGTH = frozenset({0x53, 0x54})  # text and raw bytes: a length byte stands before them


class Measure(NamedTuple):
    """What an object measures: its value is the raw number times `times` times 10^`exponent`."""

    quantity: str
    unit: str
    size: int
    signed: bool
    times: int
    exponent: int

    @property
    def lowest(self) -> int:
        """The lowest raw number."""
        return -(1 << 8 * self.size - 1) if self.signed else 0

    @property
    def highest(self) -> int:
        """The highest raw number."""
        return (1 << 8 * self.size - self.signed) - 1

    @property
    def step(self) -> Decimal:
        """What one more in the raw number adds, in `unit`."""
        return Decimal(self.times).scaleb(self.exponent)

    def text(self, raw: int) -> str:
        """The value of a raw number, with all the decimals of the factor."""
        return decimal_text(raw * self.times, self.exponent)


MEASURES = {
    0x02: Measure("temperature", "Cel", 2, signed=True, times=1, exponent=-2),
    0x0A: Measure("energy", "kW.h", 3, signed=False, times=1, exponent=-3),
    0x0B: Measure("power", "W", 3, signed=False, times=1, exponent=-2),
    0x0C: Measure("voltage", "V", 2, signed=False, times=1, exponent=-3),
    0x43: Measure("current", "A", 2, signed=False, times=1, exponent=-3),
    0x45: Measure("temperature", "Cel", 2, signed=True, times=1, exponent=-1),
    0x4A: Measure("voltage", "V", 2, signed=False, times=1, exponent=-1),
    0x4D: Measure("energy", "kW.h", 4, signed=False, times=1, exponent=-3),
    0x57: Measure("temperature", "Cel", 1, signed=True, times=1, exponent=0),
    0x58: Measure("temperature", "Cel", 1, signed=True, times=35, exponent=-2),
    0x5C: Measure("power", "W", 4, signed=True, times=1, exponent=-2),
    0x5D: Measure("current", "A", 2, signed=True, times=1, exponent=-3),
}

# What is known of all other objects: their length, so that those behind them can be read.
_LENGTHS = {
    1: "00 01 09 0F 10 11 15 16 17 18 19 1A 1B 1C 1D 1E 1F 20 21 22 23 24 25 26 27 28 29 2A 2B 2C "
    "2D 2E 2F 3A 46 59 60 64 65",
    2: "03 06 07 08 0D 0E 12 13 14 3C 3D 3F 40 41 44 47 48 49 51 52 56 5A 5E 5F 61 F0",
    3: "04 05 42 4B F2",
    4: "3E 4C 4E 4F 50 55 5B 62 63 F1",
}
LENGTHS = {id_: measure.size for id_, measure in MEASURES.items()} | {
    id_: length for length, ids in _LENGTHS.items() for id_ in bytes.fromhex(ids)
}


# ---- the sealed form ----


def is_sealed(data: bytes) -> bool:
    """Whether these service data say of themselves that they are encrypted."""
    return bool(data) and data[0] >> _VERSION_SHIFT == _VERSION and bool(data[0] & _ENCRYPTED)


def open_sealed(data: bytes, address: str, key: bytes, after: int = -1) -> tuple[bytes, int]:
    """Decrypt: the service data as they would stand unencrypted, and their counter.

    `address` is the sender's, as written ("F0:..."). `after` is the counter of the last that was
    opened; one that is not higher is refused, as something recorded and sent again would be, or a
    sender that started anew. Raises ValueError with one line that says why it stays shut.
    """
    head = _head(data)
    if not is_sealed(data) or len(data) <= len(head) + _COUNTER_BYTES + _TAG_BYTES:
        raise ValueError(f"sealed: found {len(data)} bytes, expected objects, counter and tag")
    body, counter = data[len(head) : -8], data[-8:-4]
    number = int.from_bytes(counter, "little")
    if number <= after:
        raise ValueError(f"sealed: found counter {number}, expected more than {after}")
    nonce = _nonce(head, address, counter)
    return _plain_head(head) + _ccm(key, nonce, body + data[-4:], is_sealing=False), number


def seal(plain: bytes, address: str, key: bytes, counter: int) -> bytes:
    """Encrypt service data, as a sender does; raises ValueError where that cannot be."""
    if not 0 <= counter <= _MOST_COUNTER:
        raise ValueError(f"sealed: found counter {counter}, expected 0 to {_MOST_COUNTER}")
    if not plain or plain[0] & _ENCRYPTED:
        raise ValueError("sealed: expected plain service data")
    written = counter.to_bytes(_COUNTER_BYTES, "little")
    head = bytes([plain[0] | _ENCRYPTED]) + _head(plain)[1:]
    sealed = _ccm(key, _nonce(head, address, written), plain[len(head) :], is_sealing=True)
    return head + sealed[:-_TAG_BYTES] + written + sealed[-_TAG_BYTES:]


def is_opening(data: bytes, plain: bytes) -> bool:
    """Whether `plain` can be what these sealed service data were opened to.

    This shows a slip or a swap. That the objects themselves are the right ones, only who holds the
    key can show, by `open_sealed`.
    """
    head = _head(data)
    return (
        is_sealed(data)
        and len(plain) == len(data) - _COUNTER_BYTES - _TAG_BYTES
        and plain[: len(head)] == _plain_head(head)
    )


def _head(data: bytes) -> bytes:
    """The device information byte, and the sender's address where it says that one follows."""
    return data[: 1 + _ADDRESS_BYTES] if data and data[0] & _WITH_ADDRESS else data[:1]


def _plain_head(head: bytes) -> bytes:
    return bytes([head[0] & ~_ENCRYPTED]) + head[1:]


def _nonce(head: bytes, address: str, counter: bytes) -> bytes:
    try:
        sender = bytes.fromhex(address.replace(":", ""))
    except ValueError:
        sender = b""
    if len(sender) != _ADDRESS_BYTES:
        raise ValueError(f"sealed: found address {address!r}, expected six bytes: F0:00:...")
    if len(head) > 1 and head[:0:-1] != sender:
        raise ValueError(f"sealed: found an address inside that is not {address}, expected it")
    return sender + _UUID + head[:1] + counter


def _ccm(key: bytes, nonce: bytes, text: bytes, *, is_sealing: bool) -> bytes:
    """AES-CCM with a tag of four bytes at the end (RFC 3610)."""
    if len(key) != KEY_BYTES:
        raise ValueError(f"key: found {len(key)} bytes, expected {KEY_BYTES}")
    try:
        # Only who has an encrypting meter pays for it, or needs it at all.
        from cryptography.exceptions import InvalidTag  # noqa: PLC0415
        from cryptography.hazmat.primitives.ciphers.aead import AESCCM  # noqa: PLC0415
    except ImportError as error:
        raise ValueError("sealed: the package cryptography is needed and not there") from error
    cipher = AESCCM(key, tag_length=_TAG_BYTES)
    if is_sealing:
        return cipher.encrypt(nonce, text, None)
    try:
        return cipher.decrypt(nonce, text, None)
    except InvalidTag as error:
        raise ValueError("sealed: the key for this meter is wrong, or bytes are") from error


# ---- the plain form ----


def write_advert(objects: Iterable[tuple[int, int]], packet: int | None = None) -> bytes:
    """Plain service data of objects: (id, raw number) each, in the order of their ids.

    Raises ValueError for an id that has no fixed length, OverflowError for a number too large.
    """
    data = bytes([_PLAIN_INFO])
    numbered = [] if packet is None else [(_PACKET_ID, packet)]
    for id_, raw in sorted([*numbered, *objects]):
        if id_ not in LENGTHS:
            raise ValueError(f"object 0x{id_:02X}: expected one of a fixed length")
        signed = id_ in MEASURES and MEASURES[id_].signed
        data += bytes([id_]) + raw.to_bytes(LENGTHS[id_], "little", signed=signed)
    return data


def _split(payload: bytes) -> tuple[list[tuple[int, bytes]], Refusal | None]:
    """The objects with their bytes, up to the first that cannot be, and what is wrong with that."""
    objects: list[tuple[int, bytes]] = []
    at = 0
    while at < len(payload):
        id_ = payload[at]
        start, size = at + 1, LENGTHS.get(id_)
        if id_ in _WITH_LENGTH or id_ == _COMMAND:
            if start == len(payload):
                return objects, Refusal(f"object 0x{id_:02X}: found no length, expected one byte")
            told = payload[start]
            size = 1 + (told & _COMMAND_LENGTH) if id_ == _COMMAND else told
            start += 1
        if size is None:
            left = len(payload) - at
            return objects, Refusal(
                f"object 0x{id_:02X}: not known, so neither is its length; "
                f"the last {left} bytes are not read"
            )
        if start + size > len(payload):
            found = len(payload) - start
            return objects, Refusal(f"object 0x{id_:02X}: found {found} bytes, expected {size}")
        objects.append((id_, payload[start : start + size]))
        at = start + size
    return objects, None


def _find_fault(data: bytes) -> str | None:
    """Why these are no plain service data, or None."""
    if not 1 < len(data) <= MOST_BYTES:
        return f"found {len(data)} bytes, expected 2 to {MOST_BYTES}"
    info = data[0]
    if info >> _VERSION_SHIFT != _VERSION:
        return f"found version {info >> _VERSION_SHIFT}, expected {_VERSION}"
    if info & _RESERVED:
        return f"found device information 0x{info:02X}, expected its reserved bits to be 0"
    if info & _ENCRYPTED:
        return "sealed: found no key for this meter, expected one in keys.toml"
    return None


def packet_of(data: bytes) -> bytes:
    """What tells this packet from the one before: its packet id, or all of it where it has none.

    Senders repeat a packet, so that one of them is heard. One that is known by the same as the last
    is the same sample again; without a packet id so is every new sample of the same values.
    """
    if _find_fault(data) is not None:
        return data
    objects, _ = _split(data[len(_head(data)) :])
    return next((value for id_, value in objects if id_ == _PACKET_ID), data)


class AdvertDecoder:
    """Reads and writes the plain service data that an advert driver describes.

    Objects of one quantity beyond the first in a packet are channels "2", "3" and so on, in the
    order sent. A packet sent again reads like the first: see `packet_of`.
    """

    def __init__(self, driver: AdvertDriver) -> None:
        self._rows = {int(row.object, 16): row for row in driver.function}

    def decode(self, data: bytes, pending: bytes = b"") -> tuple[tuple[Outcome, ...], bytes]:
        """Read one advertisement, which may hold many readings or none; see `Decoder`."""
        del pending  # service data arrive whole
        fault = _find_fault(data)
        if fault is not None:
            return (Refusal(fault),), b""
        objects, refusal = _split(data[len(_head(data)) :])
        outcomes: list[Outcome] = []
        seen: dict[str, int] = {}
        for id_, value in objects:
            row = self._rows.get(id_)
            if row is not None:
                seen[row.quantity] = count = seen.get(row.quantity, 0) + 1
                reading = _read(row, MEASURES[id_], value)
                outcomes.append(reading if count == 1 else reading._replace(channel=str(count)))
        if refusal is not None:
            outcomes.append(refusal)
        return tuple(outcomes), b""

    def encode(self, reading: Reading) -> bytes:
        """Write the one object that shows `reading`; raises DisplayError where none does."""
        found = next(
            (item for item in self._rows.items() if item[1].name == reading.function), None
        )
        if found is None:
            known = " ".join(row.name for row in self._rows.values())
            raise DisplayError(f"function: found {reading.function!r}, expected one of {known}")
        try:
            data = write_advert([(found[0], _raw(MEASURES[found[0]], reading))])
        except (ValueError, OverflowError) as fault:
            raise DisplayError(f"{reading.function}: {fault}") from fault
        if self.decode(data)[0] != (reading,):
            raise DisplayError(f"{reading.function}: found {reading}, which no object here shows")
        return data


def _read(row: AdvertFunction, measure: Measure, value: bytes) -> Reading:
    """A number within the row's ceiling either way; what lies beyond is over or under.

    The ceiling is below the highest raw number, so a sender that stops there is never believed.
    """
    text = measure.text(int.from_bytes(value, "little", signed=measure.signed))
    number, ceiling = Decimal(text), Decimal(row.ceiling)
    if abs(number) > ceiling:
        return row.reading(None, Status.OVER if number > 0 else Status.UNDER)
    return row.reading(text)


def _raw(measure: Measure, reading: Reading) -> int:
    match reading.status:
        case Status.OVER:
            return measure.highest
        case Status.UNDER if measure.signed:
            return measure.lowest
        case Status.OK:
            mantissa, exponent = split_decimal(reading.value or "")
            raw = Decimal(mantissa).scaleb(exponent) / measure.step
            if raw != int(raw):
                raise ValueError(f"found {reading.value!r}, expected a multiple of {measure.step}")
            return int(raw)
    raise ValueError(f"found status {reading.status.value}, which the format cannot say")
