"""Frames of a meter that no driver knows, and what its display said, to a file of samples.

The person types what stands on the display while it stands still; the frame that was there at that
moment is written beside it. What the frames mean is found by `meter.infer`.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import TextIO

from metercap import clock
from metercap.errors import DriverError, LinkError
from metercap.keyboard import Keyboard
from metercap.link.bluetooth import Radio, Target, look, supervise
from metercap.meter.infer import parse_samples
from metercap.model import NS_PER_S, Frame, LinkChange

HEADING = "hex,shown"
ENOUGH = 25
_SILENCE_S = 30.0  # an unknown meter may send only when its display changes
_STILL_NS = NS_PER_S  # a display that has changed within this time may have been read before
_RECENT = 64
_HINTS = (
    "short readings with many different digits, in every place",
    "a reading below zero, and zero",
    "every function and range that you will use",
    "an overload: probes apart on ohms",
    "a change of range: the same unit with the point elsewhere",
)


async def find_notify(radio: Radio, address: str) -> str:
    """The characteristic that an unknown meter most likely sends its frames from.

    Raises LinkError where none sends, or several do and nobody can tell which.
    """
    table = await look(radio, address)
    sending = [row for row in table if {"notify", "indicate"} & set(row.properties)]
    own = [row for row in sending if not row.uuid.endswith("-0000-1000-8000-00805f9b34fb")]
    found = own or sending
    if len(found) == 1:
        return found[0].uuid
    uuids = ", ".join(row.uuid for row in found)
    raise LinkError(
        f"{address}: found {len(found)} characteristics that send{': ' if uuids else ''}{uuids}, "
        "expected one; name it with --notify"
    )


class Labeller:
    """The frames as they come, and the samples made of them."""

    def __init__(self, file: TextIO, say: Callable[[str], None]) -> None:
        self._file = file
        self._say = say
        self._recent: deque[Frame] = deque(maxlen=_RECENT)
        self.count = 0

    def put(self, item: Frame | LinkChange) -> None:
        """Take what the link hands over."""
        if isinstance(item, Frame):
            self._recent.append(item)
        else:
            self._recent.clear()
            state = "connected; type what the display shows" if item.up else item.reason
            self._say(state)

    def label(self, shown: str) -> None:
        """Write the frame that stands now beside `shown`, if it has stood and can be read."""
        if not self._recent:
            self._say("nothing has come from the meter yet: not written")
            return
        last = self._recent[-1]
        lately = [f for f in self._recent if last.at.boot_ns - f.at.boot_ns < _STILL_NS]
        line = f"{last.data.hex()},{shown}"
        try:
            parse_samples(f"{HEADING}\n{line}\n", "what was typed")
        except DriverError as error:
            self._say(f"not written beside {last.data.hex()}: {error}")
            return
        self._file.write(f"{line}\n")
        self._file.flush()
        self.count += 1
        different = len({frame.data for frame in lately})
        doubt = (
            f"; {different} different frames within a second, was it still?"
            if different > 1
            else ""
        )
        self._say(f"{self.count}: {last.data.hex()} = {shown}{doubt}")


async def record_samples(
    radio: Radio, address: str, notify: str, out: Path, say: Callable[[str], None]
) -> int:
    """Guide a person through labels until an empty line; the answer is how many were written."""
    target = Target("meter", address, notify, None, None, _SILENCE_S)
    say("Type what the display shows, as it stands there: 230.1 V AC, -0.004 mV DC, OL MOhm.")
    say(f"{ENOUGH} are enough for most meters; an empty line ends. Record:")
    for hint in _HINTS:
        say(f"  - {hint}")
    with out.open("x", encoding="utf-8") as file:
        file.write(f"{HEADING}\n")
        labeller = Labeller(file, say)
        link = asyncio.create_task(supervise(radio, target, clock.now, labeller.put))
        keyboard = Keyboard()
        try:
            while shown := await keyboard.line():
                labeller.label(shown)
        finally:
            link.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await link
    return labeller.count
