"""A driver to the decoder that reads, and writes, that meter's bytes; no bytes pass here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from metercap.errors import DisplayError, DriverError
from metercap.meter.advert import AdvertDecoder, is_opening
from metercap.meter.attribute import AttributeDecoder
from metercap.meter.description import (
    AdvertDriver,
    AttributeDriver,
    Driver,
    FrameDriver,
    LineDriver,
)
from metercap.meter.frame import FrameDecoder
from metercap.meter.line import LineDecoder
from metercap.meter.reply import ReplyDecoder, find_asked
from metercap.model import Refusal

if TYPE_CHECKING:
    from metercap.model import Outcome, Reading


class Decoder(Protocol):
    """Bytes to readings and back, for one kind of meter."""

    def decode(self, data: bytes, pending: bytes = b"") -> tuple[tuple[Outcome, ...], bytes]:
        """Read one notification: what it says, and what the next call must be given as `pending`.

        A second display says its own after the main one; where a frame is refused as a whole, that
        is one Refusal.
        Never raises. Bytes that are not a reading give a Refusal. `pending` belongs to one
        connection: start each with b"", and again after a notification was lost.
        """
        ...

    def encode(self, reading: Reading) -> bytes:
        """Write the notification that shows `reading`; raises DisplayError where none does."""
        ...


def build_decoder(driver: Driver) -> Decoder:
    """Compile a driver once, so that each frame afterwards is cheap.

    Raises DriverError where the description cannot be compiled.
    """
    match driver:
        case FrameDriver():
            return FrameDecoder(driver)
        case LineDriver():
            return LineDecoder(driver) if driver.poll is None else ReplyDecoder(driver, driver.poll)
        case AttributeDriver():
            return AttributeDecoder(driver)
        case AdvertDriver():
            return AdvertDecoder(driver)
    raise DriverError(
        f"{driver.id}: kind: found {driver.kind!r}, expected frame, line, attribute or advert"
    )


def encode_all(decoder: Decoder, readings: tuple[Reading, ...]) -> bytes:
    """Write the one notification that shows a reading on each display, the main one first.

    Raises DisplayError where none does, also where there are more readings than displays.
    """
    if isinstance(decoder, FrameDecoder):
        return decoder.encode_all(readings)
    if len(readings) != 1:
        raise DisplayError(f"found {len(readings)} readings, expected one in a notification")
    return decoder.encode(readings[0])


def decode_opened(
    decoder: Decoder, data: bytes, opened: bytes | Refusal, pending: bytes = b""
) -> tuple[tuple[Outcome, ...], bytes]:
    """As `Decoder.decode`, of sealed `data` that the recorder opened, or could not (see `Frame`).

    A recorder holds the sender's key and a record does not, so the opened bytes stand in the record
    beside the sealed ones, and whoever derives the job again reads those. What this costs: without
    the key, an auditor takes the recorder's word that the one came from the other, as for the frame
    itself; with it, `advert.open_sealed` shows it. The key in the record would have saved that
    word, and let every holder read, and forge, all that the sender ever sends.
    """
    if isinstance(opened, Refusal):
        return (opened,), pending
    if not is_opening(data, opened):
        return (Refusal("sealed: the opened bytes cannot be what these were opened to"),), pending
    return decoder.decode(opened, pending)


def decode_frame(
    decoder: Decoder,
    source: str,
    data: bytes,
    pending: bytes = b"",
    opened: bytes | Refusal | None = None,
) -> tuple[tuple[Outcome, ...], bytes]:
    """Read a frame as it is kept: `source`, `data`, `opened` as there; else as `Decoder.decode`.

    The source says what a meter with `poll` was being asked, without which its answers say nothing,
    and which of several attributes a value is of.
    """
    if opened is not None:
        return decode_opened(decoder, data, opened, pending)
    if isinstance(decoder, ReplyDecoder):
        taken = decoder.take(find_asked(source), data, pending)
        return taken.outcomes, taken.pending
    if isinstance(decoder, AttributeDecoder):
        return decoder.decode_from(source, data), b""
    return decoder.decode(data, pending)
