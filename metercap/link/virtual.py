"""A driver file in, a Bluetooth meter out: advertising, GATT and notifications, as a bench meter.

The same meter stands on a link inside this process (`Air`) or on a real adapter (`on_transport`).
It sends what it is told to send; it measures nothing, paces nothing and reads no clock.
"""

from __future__ import annotations

import asyncio
import logging
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Self

from bumble import data_types
from bumble.att import ATT_READ_NOT_PERMITTED_ERROR, ATT_Error
from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData, BaseBumbleError
from bumble.device import Device, DeviceConfiguration
from bumble.gatt import Characteristic, CharacteristicValue, Descriptor, Service
from bumble.hci import (
    Address,
    HCI_Error,
    HCI_ErrorCode,
    HCI_LE_Connection_Complete_Event,
    HCI_LE_Extended_Advertising_Report_Event,
    HCI_StatusReturnParameters,
)
from bumble.link import LocalLink
from bumble.ll import AdvExtInd
from bumble.transport import open_transport

from metercap.errors import LinkError
from metercap.link.responder import Responder
from metercap.meter.advert import SERVICE_DATA
from metercap.meter.attribute import AttributeDecoder
from metercap.meter.decode import build_decoder, encode_all
from metercap.meter.description import AttributeDriver, LineDriver

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Mapping
    from types import TracebackType

    from bumble.core import DataType
    from bumble.device import Connection
    from bumble.hci import HCI_Packet
    from bumble.ll import AdvertisingPdu, AdvInd
    from bumble.transport.common import TransportSink, TransportSource

    from metercap.meter.description import Driver
    from metercap.model import Reading

    # Characteristic (UUID text) -> 16-bit number of a descriptor -> its octets.
    Told = Mapping[str, Mapping[int, bytes]]

# Legacy advertising carries 31 bytes, and each part of it spends two on its length and type
# (Bluetooth Core 5.4, Vol 6, Part B, 2.3.1.3 and Vol 3, Part C, 11).
_ADVERTISING_BYTES = 31
_PART_HEADER_BYTES = 2
_SHORT_UUID_BYTES = 2
# A notification spends three bytes of ATT_MTU on its code and handle (Vol 3, Part F, 3.4.7.1).
_NOTIFICATION_HEADER_BYTES = 3
_DEVICE_INFORMATION = 0x180A
_MODEL_NUMBER = 0x2A24
_SERIAL_NUMBER = 0x2A25
_PRESENTATION_FORMAT = 0x2904
_VALID_RANGE = 0x2906
_BASE_UUID_TAIL = "-0000-1000-8000-00805f9b34fb"
# Ten times a second is usual for a battery instrument (common practice); a test asks for more.
_ADVERTISING_INTERVAL_MS = 100.0
# Holds the characteristics of a meter that is known by its name alone; an invented number.
_UNNAMED_SERVICE = "6d657465-7263-4170-8000-62656e636800"
_HOST_ADDRESS = "F0:4D:45:54:00:00"

# Our choice: some USB adapters load firmware first; none needs long to stop.
_POWER_ON_S = 20.0
_POWER_OFF_S = 5.0

MODEL = "bench meter"

_FLAGS = data_types.Flags(
    AdvertisingData.Flags.LE_GENERAL_DISCOVERABLE_MODE | AdvertisingData.Flags.BR_EDR_NOT_SUPPORTED
)

# bumble warns of every packet that crosses a hang-up, and sets up logging to the screen by itself.
logging.getLogger("bumble").setLevel(logging.ERROR)


class VirtualMeter:
    """A meter that speaks as `driver` says, on any HCI transport's `source` and `sink`.

    `name` is what it calls itself, `address` its static random address ("F0:00:00:00:00:01").
    `written` holds what was written to its write characteristic, oldest first; a driver with `poll`
    makes it answer the queries among that from what it was last told to show. `told` are
    descriptors beside those that the driver says. It advertises from `on` until a central connects,
    and again when that central has gone.
    """

    def __init__(
        self,
        driver: Driver,
        name: str,
        address: str,
        source: TransportSource | Controller,
        sink: TransportSink | Controller,
        *,
        interval_ms: float = _ADVERTISING_INTERVAL_MS,
        told: Told | None = None,
    ) -> None:
        self.driver = driver
        self.name = name
        self.address = address
        self.written: list[bytes] = []
        self._decoder = build_decoder(driver)
        self._last: dict[str, bytes] = {}
        self._told = told or {}
        self._on = False
        serial = f"bench-{address.replace(':', '').lower()}"
        self._responder = _responder(driver, serial)
        self._answering: set[asyncio.Task[None]] = set()
        self._turn = asyncio.Lock()
        self._listeners: set[tuple[Connection, str]] = set()
        self._subscribed = asyncio.Event()
        self._advertising: asyncio.Task[None] | None = None
        self._device = Device.from_config_with_hci(
            DeviceConfiguration(
                name=name,
                address=Address(address),
                advertising_interval_min=interval_ms,
                advertising_interval_max=interval_ms,
            ),
            source,
            sink,
        )
        service = None if driver.match.service is None else _uuid(driver.match.service)
        self._sources = self._add_services(service or UUID(_UNNAMED_SERVICE), serial)
        short, whole = _advertising(service, name)
        self._device.advertising_data = short
        self._device.scan_response_data = whole
        self._device.on("connection", self._on_connection)

    @property
    def subscribed(self) -> bool:
        """Whether anyone has asked for all notifications on a connection that still stands."""
        return self._subscribed.is_set()

    async def until_subscribed(self) -> None:
        """Wait until someone has asked for all notifications."""
        await self._subscribed.wait()

    async def on(self) -> None:
        """Switch on: be seen by a scan and accept a connection."""
        if self._on:
            return
        if not self._device.powered_on:
            await self._device.power_on()
        self._on = True
        await self._advertise()

    async def off(self) -> None:
        """Switch off: end every connection and be seen no more. What was written is kept."""
        self._on = False
        if self._advertising is not None:
            await self._advertising
        if self._device.powered_on:
            await self._device.stop_advertising()
            await self.drop()

    async def close(self) -> None:
        """Switch off for good and let go of the transport."""
        await self.off()
        await self._device.power_off()

    async def drop(self) -> None:
        """End every connection, as a meter with a low battery does; it can be found again."""
        for connection in list(self._device.connections.values()):
            # The other side may have hung up first.
            with suppress(HCI_Error):
                await connection.disconnect()
        if self._advertising is not None:
            await self._advertising

    async def advertise(self, service_data: bytes) -> None:
        """Advertise these service data of the open format from now on, in the place of any before.

        Raises `LinkError` for more than an advertisement has room for.
        """
        under = data_types.ServiceData16BitUUID(_uuid(SERVICE_DATA), service_data)
        data = bytes(AdvertisingData([_FLAGS, under]))
        if len(data) > _ADVERTISING_BYTES:
            room = _ADVERTISING_BYTES - len(data) + len(service_data)
            raise LinkError(
                f"{self.name}: {len(service_data)} bytes of service data, at most {room} expected"
            )
        self._device.advertising_data = data
        if self._on:
            await self._advertise()

    async def send(self, data: bytes, source: str | None = None) -> None:
        """Notify every subscriber of `data`, and return when the radio has taken it.

        `source` is the characteristic's UUID, None that of `link.notify`. One that is only read
        holds `data` from now on.
        One call is one notification. A line instrument is a byte stream, so bytes that exceed a
        notification are cut into several; for any other meter that raises `LinkError`, because no
        receiver could tell the parts from whole frames.
        """
        source = source or self.driver.link.notify
        self._last[source] = data
        for connection in [each for each, asked in self._listeners if asked == source]:
            room = connection.att_mtu - _NOTIFICATION_HEADER_BYTES
            if len(data) > room and self.driver.kind != "line":
                raise LinkError(
                    f"{self.name}: {len(data)} bytes in one notification, at most {room} expected"
                )
            for start in range(0, max(len(data), 1), room):
                await self._device.notify_subscriber(
                    connection, self._sources[source], data[start : start + room]
                )
            await connection.drain()

    async def send_reading(self, reading: Reading, *beside: Reading) -> None:
        """Send the bytes that show `reading`, in the meter's own way; raises `DisplayError`.

        `beside` is what a second display shows in the same frame.
        A meter that is asked sends nothing by itself: it answers with `reading` from now on.
        """
        if self._responder is not None:
            self._responder.show(reading)
            return
        data = encode_all(self._decoder, (reading, *beside))
        if isinstance(self._decoder, AttributeDecoder):
            await self.send(data, self._decoder.source_of(reading.function))
        else:
            await (self.advertise(data) if self.driver.kind == "advert" else self.send(data))

    def _add_services(self, service: UUID, serial: str) -> dict[str, Characteristic[bytes]]:
        """Build the GATT table and hand back the characteristics that notify, by their UUIDs."""
        properties = Characteristic.Properties
        driver = self.driver
        names = driver.sources if isinstance(driver, AttributeDriver) else (driver.link.notify,)
        sources = {source: self._source(source) for source in names}
        characteristics = list(sources.values())
        if self.driver.link.write is not None:
            characteristics.append(
                Characteristic[bytes](
                    _uuid(self.driver.link.write),
                    properties.WRITE | properties.WRITE_WITHOUT_RESPONSE,
                    Characteristic.WRITEABLE,
                    CharacteristicValue(
                        read=_refuse_read,
                        write=lambda _connection, value: self._take(bytes(value)),
                    ),
                )
            )
        self._device.add_services(
            [
                Service(service, characteristics),
                Service(
                    UUID.from_16_bits(_DEVICE_INFORMATION),
                    [
                        _constant(_MODEL_NUMBER, MODEL.encode()),
                        _constant(_SERIAL_NUMBER, serial.encode()),
                    ],
                ),
            ]
        )
        return sources

    def _source(self, source: str) -> Characteristic[bytes]:
        """A characteristic that notifies, unless it is only read, and holds what it sent last."""
        properties = Characteristic.Properties
        only = source in _read_only(self.driver)
        notify = Characteristic[bytes](
            _uuid(source),
            properties.READ if only else properties.READ | properties.NOTIFY,
            Characteristic.READABLE,
            CharacteristicValue(read=lambda _connection: self._last.get(source, b"")),
            _descriptors(self.driver, source, self._told.get(source, {})),
        )
        notify.on(Characteristic.EVENT_SUBSCRIPTION, partial(self._on_subscription, source))
        return notify

    def _take(self, data: bytes) -> None:
        """Keep what was written, and answer it once the write itself has been answered."""
        self.written.append(data)
        if self._responder is not None and (answer := self._responder.take(data)):
            task = asyncio.create_task(self._answer(answer))
            self._answering.add(task)
            task.add_done_callback(self._answering.discard)

    async def _answer(self, data: bytes) -> None:
        async with self._turn:  # the parts of two answers must not mix
            await self.send(data)

    async def _advertise(self) -> None:
        await self._device.start_advertising()

    def _on_connection(self, connection: Connection) -> None:
        connection.on("disconnection", lambda _reason: self._on_disconnection(connection))

    def _on_disconnection(self, connection: Connection) -> None:
        self._forget(connection)
        # bumble can restart advertising by itself, but then also restarts a meter switched off.
        if self._on:
            self._advertising = asyncio.create_task(self._advertise())

    def _on_subscription(
        self, source: str, connection: Connection, notify: bool, _indicate: bool
    ) -> None:
        if not notify:
            self._forget(connection, source)
            return
        self._listeners.add((connection, source))
        sending = [each for each in self._sources if each not in _read_only(self.driver)]
        if all((connection, each) in self._listeners for each in sending):
            self._subscribed.set()

    def _forget(self, connection: Connection, source: str | None = None) -> None:
        self._listeners -= {
            (each, asked)
            for each, asked in self._listeners
            if each is connection and source in {None, asked}
        }
        if self._responder is not None:
            self._responder.reset()
        if not self._listeners:
            self._subscribed.clear()


@asynccontextmanager
async def on_transport(
    spec: str, driver: Driver, name: str, address: str
) -> AsyncIterator[VirtualMeter]:
    """Put a meter on a real adapter and switch it on; switch it off at the end.

    `spec` names a bumble transport: `hci-socket:1`, `usb:0`, `tcp-client:127.0.0.1:9911`. The
    adapter must be powered off in the operating system first. Raises `LinkError` if it cannot be
    opened.
    """
    try:
        transport = await open_transport(spec)
    except Exception as problem:  # bumble raises bare Exception where Python lacks HCI sockets
        raise LinkError(f"{spec}: cannot be opened as an adapter: {problem}") from problem
    async with transport as (source, sink):
        meter = VirtualMeter(driver, name, address, source, sink)
        try:
            async with asyncio.timeout(_POWER_ON_S):
                await meter.on()
        except (BaseBumbleError, TimeoutError) as problem:
            raise LinkError(
                f"{spec}: the adapter does not start ({str(problem) or 'no answer'}): "
                "is it powered off in the operating system?"
            ) from problem
        try:
            yield meter
        finally:
            # An adapter that was pulled out answers no more.
            with suppress(BaseBumbleError, TimeoutError):
                async with asyncio.timeout(_POWER_OFF_S):
                    await meter.close()


class Air:
    """Air inside this process: meters and hosts on it hear each other and nobody else."""

    def __init__(self, *, interval_ms: float = _ADVERTISING_INTERVAL_MS) -> None:
        self._interval_ms = interval_ms
        self._link = LocalLink()  # type: ignore[no-untyped-call]
        self._meters: list[VirtualMeter] = []
        self._hosts: list[Device] = []

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.close()

    def meter(
        self, driver: Driver, name: str, address: str, told: Told | None = None
    ) -> VirtualMeter:
        """Put a meter here, still switched off; `told` as in `VirtualMeter`."""
        controller = _Controller(name, link=self._link)
        meter = VirtualMeter(
            driver,
            name,
            address,
            controller,
            controller,
            interval_ms=self._interval_ms,
            told=told,
        )
        self._meters.append(meter)
        return meter

    async def host(self) -> Device:
        """Put a central here, powered on; `bluetooth.bumble_radio` makes a radio of it."""
        address = Address(f"{_HOST_ADDRESS[:-2]}{len(self._hosts) + 1:02X}")
        controller = _Controller("host", link=self._link)
        host = Device.with_hci("host", address, controller, controller)
        await host.power_on()
        self._hosts.append(host)
        return host

    async def close(self) -> None:
        """Switch off everything that was put here."""
        for meter in self._meters:
            await meter.close()
        for host in self._hosts:
            await host.power_off()
        self._meters.clear()
        self._hosts.clear()


@dataclass
class _Advertisement(AdvExtInd):
    """What goes over the air, with what the meter would answer to an active scan."""

    answer: bytes = b""


class _Controller(Controller):
    """bumble's controller, with what 0.0.236 leaves out of an adapter.

    It sends the advertiser's scan response, where a name stands that is too long to share 31 bytes
    with a service. And it can give up a pending connection: a central that gave up on one meter
    could never connect again, every later attempt being answered with "command disallowed".
    """

    _answer = b""

    def send_advertising_pdu(self, packet: AdvertisingPdu) -> None:
        if isinstance(packet, AdvExtInd):
            for each in self.advertising_sets.values():
                if each.address == packet.advertiser_address:
                    packet = _Advertisement(**vars(packet), answer=bytes(each.scan_response_data))
                    break
        super().send_advertising_pdu(packet)

    def on_advertising_pdu(self, pdu: AdvInd | AdvExtInd) -> None:
        self._answer = pdu.answer if isinstance(pdu, _Advertisement) else b""
        super().on_advertising_pdu(pdu)

    def send_hci_packet(self, packet: HCI_Packet) -> None:
        if isinstance(packet, HCI_LE_Extended_Advertising_Report_Event):
            kinds = packet.EventType
            for report in packet.reports:
                # bumble reports the advertisement twice, the second time as its own answer.
                if report.event_type & kinds.SCAN_RESPONSE:
                    report.data = self._answer
                else:
                    report.event_type |= kinds.SCANNABLE_ADVERTISING
        super().send_hci_packet(packet)

    def on_hci_le_create_connection_cancel_command(
        self, _command: object
    ) -> HCI_StatusReturnParameters:
        pending, self.pending_le_connection = self.pending_le_connection, None
        if pending is None:
            return HCI_StatusReturnParameters(HCI_ErrorCode.COMMAND_DISALLOWED_ERROR)
        # Bluetooth Core 5.4, Vol 4, Part E, 7.8.13: the attempt ends with this error.
        self.send_hci_packet(
            HCI_LE_Connection_Complete_Event(
                status=HCI_ErrorCode.UNKNOWN_CONNECTION_IDENTIFIER_ERROR,
                connection_handle=0,
                role=0,
                peer_address_type=pending.peer_address.address_type,
                peer_address=pending.peer_address,
                connection_interval=0,
                peripheral_latency=0,
                supervision_timeout=0,
                central_clock_accuracy=0,
            )
        )
        return HCI_StatusReturnParameters(HCI_ErrorCode.SUCCESS)


def _uuid(text: str) -> UUID:
    """Parse a UUID's text; one made from the Bluetooth base becomes its 16 bits."""
    text = text.lower()
    if text.startswith("0000") and text.endswith(_BASE_UUID_TAIL):
        return UUID(text[4:8])
    return UUID(text)


def _refuse_read(_connection: object) -> bytes:
    """Answer a read; bumble 0.0.236 gives no answer at all where there is nothing to read."""
    raise ATT_Error(ATT_READ_NOT_PERMITTED_ERROR)


def _constant(number: int, value: bytes) -> Characteristic[bytes]:
    return Characteristic[bytes](
        UUID.from_16_bits(number), Characteristic.Properties.READ, Characteristic.READABLE, value
    )


def _responder(driver: Driver, serial: str) -> Responder | None:
    if isinstance(driver, LineDriver) and driver.poll is not None:
        return Responder(driver, driver.poll, serial)
    return None


def _read_only(driver: Driver) -> tuple[str, ...]:
    return driver.read if isinstance(driver, AttributeDriver) else ()


def _descriptors(driver: Driver, source: str, told: Mapping[int, bytes]) -> list[Descriptor]:
    """Give the descriptors by which a value says format, unit and range, and those of `told`."""
    octets = [*told.items()]
    if isinstance(driver, AttributeDriver):
        table = driver.table_of(source)
        octets += [(_PRESENTATION_FORMAT, each) for each in table.formats]
        if table.valid_range is not None:
            octets.append((_VALID_RANGE, bytes.fromhex(table.valid_range)))
    return [
        Descriptor(UUID.from_16_bits(number), Characteristic.READABLE, each)
        for number, each in octets
    ]


def _advertising(service: UUID | None, name: str) -> tuple[bytes, bytes]:
    """Fit flags, service and as much of the name as there is room for; the whole name apart.

    The second part is the scan response, which only an active scan sees.
    """
    parts: list[DataType] = [_FLAGS]
    if service is not None:
        is_short = len(service.uuid_bytes) == _SHORT_UUID_BYTES
        parts.append(
            data_types.CompleteListOf16BitServiceUUIDs([service])
            if is_short
            else data_types.CompleteListOf128BitServiceUUIDs([service])
        )
    taken = len(bytes(AdvertisingData(parts)))
    short = _cut(name, _ADVERTISING_BYTES - taken - _PART_HEADER_BYTES)
    parts.append(
        data_types.CompleteLocalName(name)
        if short == name
        else data_types.ShortenedLocalName(short)
    )
    whole = data_types.CompleteLocalName(_cut(name, _ADVERTISING_BYTES - _PART_HEADER_BYTES))
    return bytes(AdvertisingData(parts)), bytes(AdvertisingData([whole]))


def _cut(name: str, most_bytes: int) -> str:
    """Shorten a name without cutting inside a character."""
    return name.encode()[:most_bytes].decode(errors="ignore")
