"""Turns what one meter advertises into frames for as long as wanted; it connects to nothing.

An advertisement is sent into the air for whoever hears it: some are lost, nothing says how many,
and most are sent several times. A packet known by the same as the last (see `meter.advert`) is
taken as a sign of life and not handed on. Sealed packets are opened here, where the key is, and
handed on with both: the bytes as they came and what they held.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, NoReturn

from metercap import clock
from metercap.errors import LinkError, LinkLost
from metercap.link.bluetooth.radio import FAILURES, bounded, plain
from metercap.link.bluetooth.session import LIMITS
from metercap.meter.advert import is_sealed, open_sealed, packet_of
from metercap.model import Frame, LinkChange, Refusal

if TYPE_CHECKING:
    from collections.abc import Callable

    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

    from metercap.link.bluetooth.radio import Radio
    from metercap.link.bluetooth.session import Limits, Sink, Target
    from metercap.model import Instant

# Our choice: one scan lasts no longer, so that a connect of another meter waits no longer for the
# radio, and a scan that the stack let die in silence is replaced this soon. A new scan also makes
# the Bluetooth service tell of a sender anew whose bytes and strength have not changed.
TURN_S = 10.0
GRACE_S = 10.0  # starting and stopping a scan took up to 7 s when the adapter was busy


async def listen(
    radio: Radio,
    target: Target,
    now: Callable[[], Instant],
    sink: Sink,
    *,
    key: bytes | None = None,
    first_session: int = 1,
    limits: Limits = LIMITS,
    turn_s: float = TURN_S,
    jitter: Callable[[], float] = clock.jitter,
) -> NoReturn:
    """Hand on each new packet that the meter advertises under `target.notify`, until cancelled.

    `sink` is called as `supervise` calls it. A session begins with the first packet heard and ends
    when none came for `target.silence_s`, when scanning fails, or when this is cancelled. Where a
    session has not begun for as long, or scanning cannot begin, a `LinkChange` down says why, once
    for each new reason. `key` opens sealed packets. Their counters must rise as long as this runs.
    """
    ear = _Ear(target, now, sink, key, first_session)
    radio.ears.add(ear.hear)
    wait_s = limits.backoff_first_s
    try:
        while True:
            try:
                await _take_turn(radio, turn_s)
            except (*FAILURES, LinkError) as error:
                ear.fall(plain(error))
                if await radio.is_service_back(wait_s * jitter()):
                    wait_s = limits.backoff_first_s
                else:
                    wait_s = min(wait_s * 2, limits.backoff_most_s)
            else:
                wait_s = limits.backoff_first_s
    finally:
        radio.ears.discard(ear.hear)
        ear.close()


async def _take_turn(radio: Radio, turn_s: float) -> None:
    """Scan once; every ear of the radio hears it, whoever's turn it is."""
    lost: asyncio.Future[str] = asyncio.get_running_loop().create_future()

    def on_gone() -> None:
        if not lost.done():
            lost.set_result("the Bluetooth service left the system bus")

    radio.gone.add(on_gone)
    try:
        async with radio.lock:
            if lost.done():
                raise LinkLost(lost.result())
            await bounded(radio.discover(turn_s), turn_s + GRACE_S, lost)
    finally:
        radio.gone.discard(on_gone)


class _Ear:
    """What has been heard of one meter."""

    def __init__(
        self,
        target: Target,
        now: Callable[[], Instant],
        sink: Sink,
        key: bytes | None,
        session: int,
    ) -> None:
        self._target = target
        self._address = target.address.upper()
        self._now = now
        self._sink = sink
        self._key = key
        self._counter = -1
        self._session = session
        self._up = False
        self._number = 0
        self._last = b""
        self._packet = b""
        self._said = ""
        self._loop = asyncio.get_running_loop()
        self._silence = self._wait()

    def hear(self, device: BLEDevice, advertisement: AdvertisementData) -> None:
        """Take an advertisement of any device."""
        if device.address.upper() != self._address:
            return
        data = advertisement.service_data.get(self._target.notify)
        if data is None:
            return
        self._silence.cancel()
        self._silence = self._wait()
        if not self._up:
            self._begin()
        if data != self._last:
            self._last = bytes(data)
            self._take(self._last)

    def fall(self, reason: str) -> None:
        """End the session, or say why none begins."""
        if self._up or reason != self._said:
            self._sink(
                LinkChange(self._now(), self._target.meter, self._session, up=False, reason=reason)
            )
        self._said = "" if self._up else reason
        self._session += self._up
        self._up = False

    def close(self) -> None:
        """Hear no more."""
        self._silence.cancel()
        if self._up:
            self.fall("closed")

    def _wait(self) -> asyncio.TimerHandle:
        return self._loop.call_later(self._target.silence_s, self._tire)

    def _tire(self) -> None:
        span = f"{self._target.silence_s:g} s"
        if self._up:
            self.fall(f"the meter was not heard for {span}")
        else:
            self.fall(
                f"the meter {self._target.address} was not heard within {span}: "
                "is it switched on and near?"
            )

    def _begin(self) -> None:
        self._up = True
        # The last packet is not forgotten: the Bluetooth service may tell of it once more, from its
        # own memory, when a sender comes back.
        self._said, self._number = "", 0
        self._sink(
            LinkChange(self._now(), self._target.meter, self._session, up=True, reason="heard")
        )

    def _take(self, data: bytes) -> None:
        """Hand on a packet that is not the last one again."""
        opened = self._open(data)
        packet = packet_of(opened if isinstance(opened, bytes) else data)
        if packet == self._packet:
            return
        self._packet = packet
        self._number += 1
        self._sink(
            Frame(
                self._now(),
                self._target.meter,
                self._target.notify,
                self._session,
                self._number,
                data,
                opened,
            )
        )

    def _open(self, data: bytes) -> bytes | Refusal | None:
        if self._key is None:
            return None  # the decoder says of sealed bytes that they are
        if not is_sealed(data):
            # Anybody can send plain bytes under this address; only the owner's meter can seal them.
            return Refusal("plain: there is a key for this meter, so only sealed packets are taken")
        try:
            opened, self._counter = open_sealed(
                data, self._target.address, self._key, self._counter
            )
        except ValueError as error:
            return Refusal(str(error))
        return opened
