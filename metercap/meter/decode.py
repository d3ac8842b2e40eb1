"""A driver to the decoder that reads, and writes, that meter's bytes; no bytes pass here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from metercap.errors import DriverError
from metercap.meter.attribute import AttributeDecoder
from metercap.meter.description import AttributeDriver, Driver, FrameDriver, LineDriver
from metercap.meter.frame import FrameDecoder
from metercap.meter.line import LineDecoder

if TYPE_CHECKING:
    from metercap.model import Outcome, Reading


class Decoder(Protocol):
    """Bytes to readings and back, for one kind of meter."""

    def decode(self, data: bytes, pending: bytes = b"") -> tuple[tuple[Outcome, ...], bytes]:
        """Read one notification: what it says, and what the next call must be given as `pending`.

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
            return LineDecoder(driver)
        case AttributeDriver():
            return AttributeDecoder(driver)
    raise DriverError(
        f"{driver.id}: kind: found {driver.kind!r}, expected frame, line or attribute"
    )
