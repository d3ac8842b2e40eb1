"""Turns one meter's address into frames for as long as wanted, connecting anew after each loss.

Only a fresh frame proves a link: neither "connected" nor the absence of a complaint does. It asks
a meter that has to be asked. It makes no reading, never drops or merges equal frames, and never
judges what a silence means.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple, NoReturn

from metercap import clock
from metercap.errors import LinkError, LinkLost, LinkSilent
from metercap.link.bluetooth.ladder import HANDS, Ladder, Rung
from metercap.link.bluetooth.radio import BUSY, FAILURES, bounded, plain
from metercap.link.polling import Polling
from metercap.model import BATTERY, SERIAL, Facts, Frame, LinkChange, find_stranger

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice

    from metercap.link.bluetooth.radio import Radio
    from metercap.meter.description import LineDriver
    from metercap.model import Instant

Sink = Callable[[Frame | LinkChange], None]

_BASE = "-0000-1000-8000-00805f9b34fb"
_DEVICE_INFORMATION = f"0000180a{_BASE}"
# Bluetooth SIG, Device Information Service 1.1, section 3, and Assigned Numbers for the UUIDs.
_BATTERY_SERVICE = f"0000180f{_BASE}"
_BATTERY_LEVEL = f"00002a19{_BASE}"  # Battery Service 1.1: one byte, percent
_FACTS = {
    f"00002a29{_BASE}": "manufacturer name",
    f"00002a24{_BASE}": "model number",
    f"00002a25{_BASE}": "serial number",
    f"00002a27{_BASE}": "hardware revision",
    f"00002a26{_BASE}": "firmware revision",
    f"00002a28{_BASE}": "software revision",
    _BATTERY_LEVEL: "battery",
}


class Target(NamedTuple):
    """One meter to keep connected.

    `meter` is its name within the job, `address` its Bluetooth address, `notify` the UUID of the
    characteristic that sends frames, `also` those of others that do; those of them that are in
    `read` do not, and are read every `every_s`. `write` and `start` are the characteristic and the
    bytes that make it send, or None. After `silence_s` without a frame the
    link counts as lost. `asked` is the driver of a meter that sends only when asked, as its `poll`
    says, or None. `serial` is the serial number that the meter must tell, where that is known.
    """

    meter: str
    address: str
    notify: str
    write: str | None
    start: bytes | None
    silence_s: float
    asked: LineDriver | None = None
    also: tuple[str, ...] = ()
    read: tuple[str, ...] = ()
    every_s: float = 1.0
    serial: str | None = None


class Limits(NamedTuple):
    """How long each call may take, and how long to wait before the next try, in seconds."""

    scan_s: float = 10.0  # our choice: slow meters advertise every 1 to 2 s
    connect_s: float = 20.0  # our choice: the stack retries inside, an abort costs some seconds
    notify_s: float = 5.0  # our choice: subscribing, one read or one write is one exchange
    disconnect_s: float = 5.0  # BlueZ 5.66 was seen to take 2.4 to 2.6 s
    backoff_first_s: float = 0.5
    backoff_most_s: float = 30.0
    mend_s: float = 10.0  # our choice: an adapter takes a second or two to come up again


LIMITS = Limits()


class _Stale(LinkLost):
    """What the Bluetooth service holds of the meter cannot be right."""


async def supervise(
    radio: Radio,
    target: Target,
    now: Callable[[], Instant],
    sink: Sink,
    *,
    first_session: int = 1,
    limits: Limits = LIMITS,
    jitter: Callable[[], float] = clock.jitter,
) -> None:
    """Keep one meter connected until cancelled, and hand every frame and change to `sink`.

    `sink` is called from the event loop, must return at once and must not raise. Each session that
    came up gives one `LinkChange` up before its first frame and one down after its last. An attempt
    that did not come up gives a `LinkChange` down with the number the session would have had, once
    for each new reason. `first_session` is the number of the first session that comes up.
    """
    session, said, wait_s = first_session, "", limits.backoff_first_s
    known: Facts = ((SERIAL, target.serial),) if target.serial else ()
    ladder = Ladder()
    while True:
        link = _Link(target, session, now, sink, known)
        rung = Rung.AGAIN
        try:
            await link.run(radio, limits)
        except (*FAILURES, LinkError) as error:
            # Told before the disconnect, which may take seconds in which a person waits.
            rung, reason = _climb(ladder, link, error)
            if link.up or reason != said:
                sink(LinkChange(now(), target.meter, session, up=False, reason=reason))
            said = "" if link.up else reason
        except asyncio.CancelledError:
            if link.up:
                sink(LinkChange(now(), target.meter, session, up=False, reason="closed"))
            raise
        finally:
            await link.disconnect(limits)
        await _mend(radio, target, rung, limits)
        if link.up:
            session, known = session + 1, link.facts or known
        if link.number:
            wait_s = limits.backoff_first_s
        if await radio.is_service_back(wait_s * jitter()):
            wait_s = limits.backoff_first_s
        else:
            wait_s = min(wait_s * 2, limits.backoff_most_s)


def _climb(ladder: Ladder, link: _Link, error: BaseException) -> tuple[Rung, str]:
    """What to do before the next attempt, and what to tell the person."""
    reason = plain(error)
    if link.number:
        ladder.stood()
        return Rung.AGAIN, reason
    stale = isinstance(error, _Stale)
    rung = ladder.fell(found=link.found or stale, stale=stale)
    if ladder.is_at_its_end and (isinstance(error, LinkError) or reason == BUSY):
        reason = f"{reason}; {HANDS}"
    return rung, reason


async def _mend(radio: Radio, target: Target, rung: Rung, limits: Limits) -> None:
    """Do what the ladder says, as well as it can be done; the next attempt shows if it helped."""
    if not radio.can_mend:
        return
    with contextlib.suppress(*FAILURES, LinkError):
        if rung is Rung.FORGET:
            await bounded(radio.forget(target.address), limits.mend_s)
        elif rung is Rung.CYCLE and radio.may_cycle:
            await bounded(radio.cycle_power(), limits.mend_s)


async def find_meter(
    radio: Radio, address: str, limits: Limits, lost: asyncio.Future[str]
) -> BLEDevice:
    """Hear the meter, or find the link to it that still stands; raises LinkLost where neither is.

    The caller holds the radio's lock.
    """
    # A link that a killed recorder or an unanswered disconnect left standing keeps the meter from
    # advertising, for ever, so no scan would hear it.
    device = await bounded(radio.find_connected(address), limits.notify_s, lost)
    if device is None:
        # A path from an earlier scan may be dead: the service forgets devices within seconds. The
        # scan keeps its own time, so the outer limit leaves room for starting and stopping it.
        limit_s = limits.scan_s + limits.notify_s + limits.disconnect_s
        device = await bounded(radio.find_device(address, limits.scan_s), limit_s, lost)
    if device is None and await bounded(radio.is_linked(address), limits.notify_s, lost):
        # Nothing to take over, and it keeps the meter from being heard.
        raise _Stale(f"the Bluetooth service holds a link to {address} with nothing behind it")
    if device is None:
        raise LinkLost(
            f"the meter {address} was not seen within {limits.scan_s:g} s: "
            "is it switched on, near, and not connected elsewhere?"
        )
    return device


async def connect(client: BleakClient, limits: Limits, lost: asyncio.Future[str]) -> None:
    """Connect a new client; raises LinkLost where that takes too long, else what the radio does."""
    try:
        await bounded(client.connect(), limits.connect_s, lost)
    except TimeoutError as error:
        raise _Stale(
            f"the meter did not finish connecting within {limits.connect_s:g} s"
        ) from error


async def disconnect(client: BleakClient, limits: Limits) -> None:
    """End the connection as well as it can be ended; raises nothing that the radio does.

    Also after a drop: else the library keeps one bus connection for each lost link, and the
    bus allows a user some 256 of them.
    """
    with contextlib.suppress(*FAILURES):
        await bounded(client.disconnect(), limits.disconnect_s)


class _Link:
    """One connection, from the scan to the disconnect.

    `found`, `up` and `number` tell how far it came.
    """

    def __init__(
        self,
        target: Target,
        session: int,
        now: Callable[[], Instant],
        sink: Sink,
        known: Facts,
    ) -> None:
        self.found = False
        self.up = False
        self.facts: Facts = ()
        self._known = known
        self.number = 0
        self._target = target
        self._session = session
        self._now = now
        self._sink = sink
        self._linked = False
        self._closed = False
        self._loop = asyncio.get_running_loop()
        self._client: BleakClient | None = None
        self._lost: asyncio.Future[str] = self._loop.create_future()
        self._last_s = self._loop.time()
        self._news = asyncio.Event()
        driver = target.asked
        self._polling = Polling(driver, driver.poll) if driver and driver.poll else None

    async def run(self, radio: Radio, limits: Limits) -> NoReturn:
        """Connect, subscribe and forward frames; raises what ended it."""

        def on_gone() -> None:
            self._lose("the Bluetooth service left the system bus")

        radio.gone.add(on_gone)
        try:
            async with radio.lock:
                device = await find_meter(radio, self._target.address, limits, self._lost)
                self.found = True
                # Twice the limit, so that ours ends the connect, and its reason is the one told.
                self._client = radio.client(device, self._on_dropped, 2 * limits.connect_s)
                await connect(self._client, limits, self._lost)
                self._linked = True
                if not self._client.is_connected:
                    raise LinkLost("the meter dropped the link as soon as it stood")
            await self._subscribe(self._client, limits)
            radio.standing.add(self)
            if self._target.read:
                await self._read_on(self._client, limits)
            if self._polling is None:
                await self._listen()
            await self._converse(self._client, self._polling, limits)
        finally:
            radio.standing.discard(self)
            self._closed = True
            radio.gone.discard(on_gone)

    async def disconnect(self, limits: Limits) -> None:
        """End the connection as well as it can be ended; raises nothing that the radio does."""
        if self._client is not None:
            await disconnect(self._client, limits)

    async def _subscribe(self, client: BleakClient, limits: Limits) -> None:
        sources = (self._target.notify, *self._target.also)
        senders = [
            self._characteristic(client, source)
            for source in sources
            if source not in self._target.read
        ]
        await self._read_facts(client, limits)
        try:
            for sender in senders:
                call = client.start_notify(sender, self._on_value)
                await bounded(call, limits.notify_s, self._lost)
            self._announce()
            if self._target.write is not None and self._target.start is not None:
                write = self._characteristic(client, self._target.write)
                answered = "write" in write.properties
                await bounded(
                    client.write_gatt_char(write, self._target.start, response=answered),
                    limits.notify_s,
                    self._lost,
                )
        except TimeoutError as error:
            raise LinkLost(
                f"the meter did not accept the subscription within {limits.notify_s:g} s"
            ) from error
        self._last_s = self._loop.time()

    def _on_value(self, sender: BleakGATTCharacteristic, data: bytearray) -> None:
        if self._closed:  # a late call from a connection that has ended
            return
        self._last_s = self._loop.time()
        self._announce()
        self.number += 1
        self._sink(
            Frame(
                self._now(),
                self._target.meter,
                self._source(sender.uuid.lower(), bytes(data)),
                self._session,
                self.number,
                bytes(data),
            )
        )

    def _characteristic(self, client: BleakClient, uuid: str) -> BleakGATTCharacteristic:
        found = client.services.get_characteristic(uuid)
        if found is None:
            raise _Stale(
                f"the meter does not show the characteristic {uuid}: "
                "wrong driver, or its list of services did not arrive whole"
            )
        return found

    async def _read_facts(self, client: BleakClient, limits: Limits) -> None:
        facts = []
        for service in client.services:
            if service.uuid not in {_DEVICE_INFORMATION, _BATTERY_SERVICE}:
                continue
            for characteristic in service.characteristics:
                name = _FACTS.get(characteristic.uuid)
                if name is None or "read" not in characteristic.properties:
                    continue
                try:
                    data = await bounded(
                        client.read_gatt_char(characteristic), limits.notify_s, self._lost
                    )
                except TimeoutError:
                    break  # one that does not answer is enough: the person waits for readings
                except FAILURES:
                    continue
                text = f"{data[0]} %" if name == BATTERY and data else _printable(data)
                if text:
                    facts.append((name, text))
        self.facts = tuple(sorted(facts))
        if stranger := find_stranger(self._known, self.facts):
            raise LinkLost(f"another meter answers at {self._target.address}: {stranger}")

    def _announce(self) -> None:
        """Say once that the session is up; a frame that overtakes the subscription proves it."""
        if not self.up:
            self.up = True
            self._sink(
                LinkChange(
                    self._now(),
                    self._target.meter,
                    self._session,
                    up=True,
                    reason="subscribed",
                    facts=self.facts,
                )
            )

    async def _read_on(self, client: BleakClient, limits: Limits) -> NoReturn:
        """Read what the meter does not send, over and over; what it sends comes meanwhile."""
        holders = [self._characteristic(client, source) for source in self._target.read]
        while True:
            due_s = self._loop.time() + self._target.every_s
            for holder in holders:
                data = await bounded(client.read_gatt_char(holder), limits.notify_s, self._lost)
                self._on_value(holder, data)
            while (left_s := due_s - self._loop.time()) > 0:
                await asyncio.wait({self._lost}, timeout=left_s)
                self._check_lost()

    async def _listen(self) -> NoReturn:
        while True:
            await asyncio.wait({self._lost}, timeout=self._silence_left_s())
            self._check_lost()

    def _silence_left_s(self) -> float:
        left_s = self._last_s + self._target.silence_s - self._loop.time()
        if left_s <= 0:
            raise LinkSilent(f"the meter sent nothing for {self._target.silence_s:g} s")
        return left_s

    def _check_lost(self) -> None:
        if self._lost.done():
            raise LinkLost(self._lost.result())

    def _source(self, source: str, data: bytes) -> str:
        """Where a notification came from, and what the meter was being asked when it came."""
        asked = "" if self._polling is None else self._polling.heard(data, self._loop.time())
        self._news.set()
        return f"{source} {asked}" if asked else source

    async def _converse(self, client: BleakClient, polling: Polling, limits: Limits) -> NoReturn:
        write = self._characteristic(client, self._target.write or "")
        while True:
            self._news.clear()
            query = polling.due(self._loop.time())
            if query is not None:
                await self._write(client, write, query, limits)
                polling.sent(self._loop.time())
                continue
            left_s = min(self._silence_left_s(), polling.wake_s - self._loop.time())
            news = asyncio.ensure_future(self._news.wait())
            waited: set[asyncio.Future[Any]] = {self._lost, news}
            try:
                await asyncio.wait(waited, timeout=left_s, return_when=asyncio.FIRST_COMPLETED)
            finally:
                news.cancel()
            self._check_lost()

    async def _write(
        self, client: BleakClient, write: BleakGATTCharacteristic, data: bytes, limits: Limits
    ) -> None:
        """Write a query in as many parts as the link asks for; they join as bytes of a stream."""
        answered = "write" in write.properties
        size = max(write.max_write_without_response_size, 1)
        for start in range(0, len(data), size):
            part = data[start : start + size]
            try:
                await bounded(
                    client.write_gatt_char(write, part, response=answered),
                    limits.notify_s,
                    self._lost,
                )
            except TimeoutError as error:
                raise LinkLost(
                    f"the meter did not take a query within {limits.notify_s:g} s"
                ) from error

    def _on_dropped(self) -> None:
        # While connecting, a link comes up and falls several times and the library tries again.
        if self._linked:
            self._lose("the meter dropped the link")

    def _lose(self, reason: str) -> None:
        if not self._lost.done():
            self._lost.set_result(reason)


def _printable(data: bytearray) -> str:
    """UTF-8 text as the service's standard asks for; what cannot be shown is left out."""
    text = data.decode("utf-8", errors="replace")
    return "".join(letter for letter in text if letter.isprintable()).strip()
